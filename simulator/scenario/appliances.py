"""The audit of appliances, and the standing draw nobody lists."""

from __future__ import annotations

from pathlib import Path as FilePath
from typing import Any

from simulator.scenario.desk import Desk, either, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import PRIORITIES, Appliance, Vehicle
from simulator.scenario.presets import load_preset
from simulator.scenario.stop_names import look_at_file, numbers_by_name, stop_numbers
from simulator.scenario.written import ApplianceTable, ScenarioFile
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

PATTERNS = ("hours_per_day", "clock", "duty_frac", "wh_per_day", "uses")
OTHER = "other"
STANDING = "standing"
CONVERTER_V = 12
"""What a DC appliance is built for unless it says otherwise."""
HEAVY = ("jack", "slide", "winch")
"""Kinds whose amperes no converter gives: they hang on the bus itself."""
FOLLOW_KINDS = {"fridge": "fridge", "heating": "heater_fan", "cooling": "cooling", "pads": "pads"}
"""Where presets/appliances.toml keeps the numbers of what follows the weather."""
FOLLOW_KEYS = {"heat_w": "heating", "above_c": "cooling", "below_c": "pads"}
CAUTION_MEDICAL = (
    "a medical device: never rely on one bank alone. Keep a second source or a charged spare, and ask its maker and your doctor."
)


def merge_appliances(
    written: ScenarioFile, vehicle: Vehicle, desk: Desk, scenario: FilePath | None = None
) -> tuple[Appliance, ...]:
    """Finish the audit.

    Parameters
    ----------
    written : ScenarioFile
        Its appliances, the names of its stops, the standing draw.
    vehicle : Vehicle
        For amperes at the bus.
    desk : Desk
        Takes mistakes, notes and defaults.
    scenario : file path, optional
        Of the scenario, for names of measured profiles.

    Returns
    -------
    tuple of Appliance
        Those that can be used; the standing draw last.
    """
    listed = written.appliance or ()
    standing_w = written.vehicle.standing_draw_w if written.vehicle is not None else None
    if not listed and standing_w is None and desk.sound(("appliance",)):
        desk.mistake((), "at least one [[appliance]]", "none", "Add what draws on the bank: name, power_w and hours_per_day.")
    stops = numbers_by_name(written.stop)
    names: dict[str, int] = {}
    found = []
    for position, appliance in enumerate(listed):
        path: Path = ("appliance", position)
        if appliance.name is not None:
            first = names.setdefault(appliance.name, position)
            if first != position:
                desk.mistake(
                    (*path, "name"),
                    "a name of its own for every appliance",
                    f"the name of appliance {first + 1}",
                    "Or raise its quantity.",
                )
        merged = _appliance(appliance, path, stops, vehicle, desk, scenario)
        if merged is not None:
            found.append(merged)
            if merged.medical:
                desk.note(path, CAUTION_MEDICAL)
    cabin = written.vehicle.cabin if written.vehicle is not None else None
    if any(it.follows == "heating" for it in found) and (cabin is None or cabin.heat_loss_w_per_c is None):
        desk.default(
            f"The cabin loses {vehicle.cabin_heat_loss_w_per_c:g} W/K (common practice, no source: van 30 to 60, trailer 100 to "
            "160, coach 200 to 300).",
            "[vehicle] kind, or cabin = { heat_loss_w_per_c }",
        )
    standing = _standing_draw(standing_w, len(listed) + 1, vehicle, desk)
    return (*found, *([standing] if standing is not None else []))


def _standing_draw(watts: float | None, number: int, vehicle: Vehicle, desk: Desk) -> Appliance | None:
    preset = load_preset("appliances")
    if watts is None:
        watts = preset.number(STANDING, "power_w")
        desk.default(
            f"Standing draw nobody lists, {watts:g} W day and night ({preset.source(STANDING, 'power_w')}); 0 takes it out.",
            "[vehicle] standing_draw_w",
        )
    if watts == 0.0:
        return None
    return Appliance(
        number=number,
        name=str(preset.tables[STANDING]["says"]),
        line=desk.line(("vehicle", "standing_draw_w")),
        kind=STANDING,
        bus="dc",
        power_w=watts,
        standby_w=0.0,
        surge_w=watts,
        priority=0,
        duty_frac=1.0,
        via_converter=vehicle.bus_v > CONVERTER_V,
    )


def _appliance(
    written: ApplianceTable, path: Path, stops: dict[str, set[int]], vehicle: Vehicle, desk: Desk, scenario: FilePath | None
) -> Appliance | None:
    kind = _kind(written, path, desk)
    bus = written.bus or "dc"
    at_stops = stop_numbers(written.stops, (*path, "stops"), stops, desk)
    via_converter = _via_converter(written, kind, path, vehicle, desk)
    number = int(path[1]) + 1
    fields: dict[str, Any] = {
        "number": number,
        "name": written.name or f"appliance {number}",
        "line": desk.line(path),
        "kind": kind,
        "bus": bus,
        "priority": PRIORITIES.index(written.priority or PRIORITIES[0]),
        "weekdays": frozenset(range(7)) if written.days is None else written.days,
        "stops": at_stops,
        "only": written.only,
        "medical": bool(written.medical),
        "via_converter": via_converter,
    }
    if written.profile is not None:
        return _measured(written, path, fields, desk, scenario)
    follow = _follow(written, kind, path, vehicle, desk)
    pattern = _pattern(written, path, desk)
    power_w = _watts(written, kind, path, CONVERTER_V if via_converter else vehicle.bus_v, desk)
    if pattern is None or power_w is None:
        return None
    quantity = written.quantity or 1
    wh_per_day = written.wh_per_day
    if wh_per_day is not None and power_w > 0.0 and wh_per_day > power_w * HOURS_PER_DAY * (1.0 + 1e-9):
        desk.mistake(
            (*path, "wh_per_day"),
            f"at most {power_w * HOURS_PER_DAY:g} Wh, what {power_w:g} W take in {HOURS_PER_DAY} hours",
            f"{wh_per_day:g} Wh",
            "Mend one of the two, or leave power_w out.",
        )
    uses = written.uses
    standby_w = written.standby_w or 0.0
    if standby_w > power_w > 0.0:
        desk.mistake((*path, "standby_w"), f"at most its running {power_w:g} W", f"{standby_w:g} W", "Swap the two?")
    surge_w = power_w if written.surge_w is None else written.surge_w
    if surge_w < power_w:
        desk.mistake(
            (*path, "surge_w"), f"at least its running {power_w:g} W", f"{surge_w:g} W", "A surge is what it takes to start."
        )
    return Appliance(
        **fields,
        **follow,
        power_w=power_w * quantity,
        standby_w=standby_w * quantity,
        surge_w=surge_w * quantity,
        hours_per_day=written.hours_per_day,
        clock=written.clock,
        duty_frac=written.duty_frac if pattern != "follows" else 1.0,
        wh_per_day=None if wh_per_day is None else wh_per_day * quantity,
        uses_per_day=None if uses is None else uses.per_day,
        use_minutes=None if uses is None else uses.minutes,
    )


def _measured(written: ApplianceTable, path: Path, fields: dict[str, Any], desk: Desk, scenario: FilePath | None) -> Appliance:
    """An appliance known by a file of its watts; the file is read when the trip runs."""
    beside = (*PATTERNS, "power_w", "current_a", "standby_w", "follows", *FOLLOW_KEYS, "quantity")
    given = [key for key in beside if getattr(written, key) is not None]
    if given:
        desk.mistake(
            (*path, given[0]),
            f"no {either(given, 'and')} beside a profile",
            "both",
            "The file says what it draws and when; take one of the two out.",
        )
    file = look_at_file(str(written.profile), (*path, "profile"), desk, scenario, "a CSV file of times and watts")
    # Its watts are known once the file is read; a surge can be stated all the same.
    return Appliance(**fields, power_w=0.0, standby_w=0.0, surge_w=written.surge_w or 0.0, profile=file)


def _via_converter(written: ApplianceTable, kind: str, path: Path, vehicle: Vehicle, desk: Desk) -> bool:
    """Whether it is a 12 V appliance on a higher bus."""
    if written.bus == "ac":
        if written.volts is not None:
            desk.mistake((*path, "volts"), "no volts of an AC appliance", str(written.volts), "It runs on the inverter.")
        return False
    if vehicle.bus_v == CONVERTER_V:
        return False
    if written.volts is not None:
        return written.volts == CONVERTER_V
    if written.current_a is not None:
        desk.default(
            f"{desk.name('appliance', int(path[1]))}: its amperes are at the {vehicle.bus_v} V bus; for amperes at 12 V behind "
            "the converter write volts = 12."
        )
        return False
    return kind not in HEAVY


def _follow(written: ApplianceTable, kind: str, path: Path, vehicle: Vehicle, desk: Desk) -> dict[str, Any]:
    """Fields of what follows the weather."""
    preset = load_preset("appliances")
    follows = quote(written.follows) if written.follows is not None else "none"
    for key, goes_with in FOLLOW_KEYS.items():
        if getattr(written, key) is not None and written.follows != goes_with and desk.sound((*path, "follows")):
            desk.mistake((*path, key), f'{key} only with follows = "{goes_with}"', follows)
    if written.follows is None:
        return {}
    table = FOLLOW_KINDS[written.follows]
    found: dict[str, Any] = {"follows": written.follows}
    for key, goes_with in FOLLOW_KEYS.items():
        if goes_with != written.follows:
            continue
        value = getattr(written, key)
        if value is None:
            value = preset.number(table, key)
            unit = "W" if key.endswith("_w") else "C"
            desk.default(f"{desk.name('appliance', int(path[1]))}: {key} {value:g} {unit} ({preset.source(table, key)}).")
        else:
            desk.judge_usual((*path, key), value, preset.valid(table, key), f"for what follows {written.follows}")
        found[key] = float(value)
    if written.follows == "fridge":
        reference_c, per_c = (preset.number(table, key) for key in ("reference_c", "energy_per_c"))
        desk.default(
            f"{desk.name('appliance', int(path[1]))}: what is written holds at {reference_c:g} C in the cabin, and changes by "
            f"{per_c:.1%} for each degree ({preset.source(table, 'energy_per_c')})."
        )
    if written.follows == "heating" and not vehicle.cabin_heated:
        desk.note((*path, "follows"), "the cabin is not heated (cabin.heated = false), so it never runs.")
    return found


def _kind(written: ApplianceTable, path: Path, desk: Desk) -> str:
    if written.kind is None:
        return OTHER
    kinds = load_preset("hours").tables["kinds"]
    if written.kind not in kinds:
        desk.mistake(
            (*path, "kind"),
            "a kind of appliance",
            quote(written.kind),
            nearest(written.kind, kinds) or f"The kinds are {', '.join(sorted(kinds))}; leave it out for any other.",
        )
        return OTHER
    return written.kind


def _pattern(written: ApplianceTable, path: Path, desk: Desk) -> str | None:
    """See that exactly one pattern says when it runs; ``follows``: the weather alone does."""
    free = written.follows in ("heating", "cooling", "pads")
    given = [key for key in PATTERNS if getattr(written, key) is not None]
    # A profile that could not be read was told already, and says both when and how much.
    if not desk.sound(*((*path, key) for key in (*PATTERNS, "profile"))):
        return given[0] if len(given) == 1 else None
    if written.follows == "heating" and given:
        desk.mistake((*path, given[0]), f"no {given[0]} of what follows heating", "both", "The cold says how long it runs.")
        return None
    if free and not given:
        return "follows"
    if len(given) != 1:
        desk.mistake(
            path if not given else (*path, given[-1]),
            f"exactly one of {either(PATTERNS)}",
            either(given, "and") if given else "none of them",
            "" if given else "How long does it run a day?",
        )
        return None
    uses = written.uses
    if uses is not None:
        at: Path = (*path, "uses")
        if not desk.sound((*at, "per_day"), (*at, "minutes")):
            return None
        if uses.per_day is None or uses.minutes is None:
            missing = "per_day" if uses.per_day is None else "minutes"
            desk.mistake(at, "per_day and minutes", f"no {missing}", "Write uses = { per_day = 8, minutes = 3 }.")
            return None
        if uses.per_day * uses.minutes > HOURS_PER_DAY * MINUTES_PER_HOUR:
            desk.mistake(
                at,
                f"at most {HOURS_PER_DAY} hours of use a day",
                f"{uses.per_day * uses.minutes / MINUTES_PER_HOUR:g} hours",
                "Are they seconds?",
            )
    return given[0]


def _watts(written: ApplianceTable, kind: str, path: Path, volts: int, desk: Desk) -> float | None:
    """Running watts of one piece; 0 for a metered appliance whose watts nobody knows; None if unknown (which has been told)."""
    power: Path = (*path, "power_w")
    current: Path = (*path, "current_a")
    if written.power_w is not None and written.current_a is not None:
        desk.mistake(current, "either power_w or current_a", "both", "Leave one of them out.")
    preset = load_preset("appliances")
    if written.current_a is not None:
        if (written.bus or "dc") == "ac" and desk.sound((*path, "bus")):
            desk.mistake(
                current, "power_w for an AC appliance", "current_a", "Amperes are at the bus, which an AC appliance does not see."
            )
            return None
        return written.current_a * volts
    if written.power_w is not None:
        if kind in preset.tables:
            desk.judge_usual(power, written.power_w, preset.valid(kind, "power_w"), f"for kind {quote(kind)}")
        return written.power_w
    if not desk.sound(power, current, (*path, "profile")):
        return None
    if written.wh_per_day is not None:
        return 0.0
    if kind in preset.tables:
        watts = preset.number(kind, "power_w")
        desk.default(
            f"{desk.name('appliance', int(path[1]))}: {watts:g} W, as usual for kind {quote(kind)} "
            f"({preset.source(kind, 'power_w')}).",
            "[[appliance]] power_w",
        )
        return watts
    desk.mistake(path, "power_w or current_a", "neither", "Write what stands on its plate.")
    return None
