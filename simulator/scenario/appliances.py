"""The audit of appliances, the standing draw nobody lists, and the inverter behind the AC ones."""

from __future__ import annotations

import math
from collections.abc import Sequence

from simulator.scenario.desk import Desk, either, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import PRIORITIES, Appliance, Inverter, Vehicle
from simulator.scenario.presets import load_preset
from simulator.scenario.written import ApplianceTable, InverterTable, LossTable, ScenarioFile
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

PATTERNS = ("hours_per_day", "clock", "duty_frac", "wh_per_day", "uses")
OTHER = "other"
STANDING = "standing"


def merge_appliances(written: ScenarioFile, vehicle: Vehicle, desk: Desk) -> tuple[Appliance, ...]:
    """Finish the audit.

    Parameters
    ----------
    written : ScenarioFile
        Its appliances, the names of its stops, the standing draw.
    vehicle : Vehicle
        For amperes at the bus.
    desk : Desk
        Takes mistakes, notes and defaults.

    Returns
    -------
    tuple of Appliance
        Those that can be used; the standing draw last.
    """
    listed = written.appliance or ()
    standing_w = written.vehicle.standing_draw_w if written.vehicle is not None else None
    if not listed and standing_w is None and desk.sound(("appliance",)):
        desk.mistake((), "at least one [[appliance]]", "none", "Add what draws on the bank: name, power_w and hours_per_day.")
    stops: dict[str, set[int]] = {}
    for position, stop in enumerate(written.stop or ()):
        stops.setdefault(stop.name or f"stop {position + 1}", set()).add(position + 1)
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
        merged = _appliance(appliance, path, stops, vehicle, desk)
        if merged is not None:
            found.append(merged)
    standing = _standing_draw(standing_w, len(listed) + 1, desk)
    return (*found, *([standing] if standing is not None else []))


def _standing_draw(watts: float | None, number: int, desk: Desk) -> Appliance | None:
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
    )


def _appliance(written: ApplianceTable, path: Path, stops: dict[str, set[int]], vehicle: Vehicle, desk: Desk) -> Appliance | None:
    kind = _kind(written, path, desk)
    pattern = _pattern(written, path, desk)
    power_w = _watts(written, kind, path, vehicle, desk)
    at_stops = _stops(written, path, stops, desk)
    if pattern is None or power_w is None:
        return None
    number = int(path[1]) + 1
    quantity = written.quantity or 1
    bus = written.bus or "dc"
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
        number=number,
        name=written.name or f"appliance {number}",
        line=desk.line(path),
        kind=kind,
        bus=bus,
        power_w=power_w * quantity,
        standby_w=standby_w * quantity,
        surge_w=surge_w * quantity,
        priority=PRIORITIES.index(written.priority or PRIORITIES[0]),
        hours_per_day=written.hours_per_day,
        clock=written.clock,
        duty_frac=written.duty_frac,
        wh_per_day=None if wh_per_day is None else wh_per_day * quantity,
        uses_per_day=None if uses is None else uses.per_day,
        use_minutes=None if uses is None else uses.minutes,
        weekdays=frozenset(range(7)) if written.days is None else written.days,
        stops=at_stops,
        only=written.only,
        medical=bool(written.medical),
    )


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
    """See that exactly one pattern says when it runs."""
    given = [key for key in PATTERNS if getattr(written, key) is not None]
    if not desk.sound(*((*path, key) for key in PATTERNS)):
        return given[0] if len(given) == 1 else None
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


def _watts(written: ApplianceTable, kind: str, path: Path, vehicle: Vehicle, desk: Desk) -> float | None:
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
        return written.current_a * vehicle.bus_v
    if written.power_w is not None:
        if kind in preset.tables:
            desk.judge_usual(power, written.power_w, preset.valid(kind, "power_w"), f"for kind {quote(kind)}")
        return written.power_w
    if not desk.sound(power, current):
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


def _stops(written: ApplianceTable, path: Path, stops: dict[str, set[int]], desk: Desk) -> frozenset[int] | None:
    """Numbers of the stops it runs at."""
    if written.stops is None:
        return None
    numbers: set[int] = set()
    judged = not any(faulty[0] == "stop" and faulty[-1] in ("stop", "name") for faulty in desk.faulty)
    for name in written.stops:
        numbers |= stops.get(name, set())
        if name not in stops and judged and stops:
            cure = nearest(name, stops) or f"The stops are {', '.join(quote(known) for known in list(stops)[:20])}."
            desk.mistake((*path, "stops"), "names of stops of this route", quote(name), cure)
    return frozenset(numbers)


def merge_inverter(written: InverterTable | None, appliances: Sequence[Appliance], desk: Desk) -> Inverter | None:
    """Finish the inverter; AC appliances off the hookup demand one."""
    ac = [appliance for appliance in appliances if appliance.bus == "ac"]
    needing = [appliance for appliance in ac if appliance.only != "hookup"]
    if written is None:
        if desk.sound(("inverter",)):
            for appliance in needing:
                desk.mistake(
                    ("appliance", appliance.number - 1),
                    "an [inverter], because this AC appliance also runs off the hookup",
                    "none",
                    'Add [inverter] with rated_w, or set bus = "dc" or only = "hookup".',
                )
        return None
    preset = load_preset("converters")
    rated_w = preset.number("inverter", "rated_w") if written.rated_w is None else written.rated_w
    surge_w = rated_w * preset.number("inverter", "surge_frac") if written.surge_w is None else written.surge_w
    if written.rated_w is None:
        desk.default(f"Inverter of {rated_w:g} W ({preset.source('inverter', 'rated_w')}).", "[inverter] rated_w")
    else:
        desk.judge_usual(("inverter", "rated_w"), rated_w, preset.valid("inverter", "rated_w"), "for an inverter")
    if surge_w < rated_w and desk.sound(("inverter", "rated_w"), ("inverter", "surge_w")):
        desk.mistake(
            ("inverter", "surge_w"), f"at least rated_w, {rated_w:g} W", f"{surge_w:g} W", "A surge is what it gives for seconds."
        )
    p_self, v, r = _loss(written, rated_w, desk)
    always_on = written.always_on
    if always_on is None:
        always_on = any(_runs_overnight(appliance) for appliance in needing)
        why = "an AC appliance runs or waits at night" if always_on else "no AC appliance runs at night"
        state = "day and night" if always_on else "only in hours in which an AC appliance runs"
        desk.default(f"Inverter on {state}: {why} (common practice, no source).", "[inverter] always_on")
    for appliance in needing:
        at: Path = ("appliance", appliance.number - 1)
        if appliance.power_w > rated_w:
            desk.note((*at, "power_w"), f"it takes {appliance.power_w:g} W, more than the inverter's {rated_w:g} W.")
        elif appliance.surge_w > surge_w:
            desk.note(
                (*at, "surge_w"), f"it takes {appliance.surge_w:g} W to start, more than the inverter's surge of {surge_w:g} W."
            )
    return Inverter(
        rated_w=rated_w,
        surge_w=surge_w,
        p_self=p_self,
        v=v,
        r=r,
        always_on=always_on,
        price=written.price,
        kg=written.kg,
        life_years=written.life_years,
    )


def _loss(written: InverterTable, rated_w: float, desk: Desk) -> tuple[float, float, float]:
    """Three parameters of the loss law: as written, or from the idle draw and the best efficiency."""
    preset = load_preset("converters")
    p_self, v, r = (preset.number("inverter", key) for key in ("p_self", "v", "r"))
    loss: LossTable | None = written.loss
    if loss is not None:
        if written.idle_w is not None or written.best_efficiency_frac is not None:
            desk.mistake(
                ("inverter", "loss"),
                "either loss or idle_w and best_efficiency_frac",
                "both",
                "The law's p_self x rated_w is the idle draw.",
            )
        known = all(getattr(loss, key) is not None for key in ("p_self", "v", "r"))
        if not known and desk.sound(*(("inverter", "loss", key) for key in ("p_self", "v", "r"))):
            desk.mistake(
                ("inverter", "loss"),
                "all three of p_self, v and r",
                "fewer",
                "Write loss = { p_self = 0.01, v = 0.035, r = 0.08 }.",
            )
        return (loss.p_self or 0.0, loss.v or 0.0, loss.r or 0.0)
    if written.idle_w is not None:
        p_self = written.idle_w / rated_w
        low, high = preset.valid("inverter", "p_self")
        desk.judge_usual(("inverter", "idle_w"), written.idle_w, (low * rated_w, high * rated_w), f"for {rated_w:g} W")
    else:
        desk.default(f"Inverter's idle draw {p_self * rated_w:g} W ({preset.source('inverter', 'p_self')}).", "[inverter] idle_w")
    best_frac = preset.number("inverter", "best_efficiency_frac")
    if written.best_efficiency_frac is None:
        desk.default(
            f"Inverter's best efficiency {best_frac:g} (common practice, no source: 0.90 to 0.92 at 12 V).",
            "[inverter] best_efficiency_frac",
        )
    else:
        best_frac = written.best_efficiency_frac
        desk.judge_usual(
            ("inverter", "best_efficiency_frac"), best_frac, preset.valid("inverter", "best_efficiency_frac"), "for an inverter"
        )
    # The law's best point is 1 / (1 + v + 2 sqrt(p_self r)): v takes what the other two leave.
    least = 1.0 / best_frac - 1.0
    if 2.0 * math.sqrt(p_self * r) > least:
        r = (least / 2.0) ** 2 / p_self
    v = least - 2.0 * math.sqrt(p_self * r)
    return p_self, max(v, 0.0), r


def _runs_overnight(appliance: Appliance) -> bool:
    """Whether an AC appliance needs the inverter between bedtime and morning."""
    preset = load_preset("converters")
    from_h, to_h = preset.number("inverter", "overnight_from_h"), preset.number("inverter", "overnight_to_h")
    hours = load_preset("hours").tables
    evenly = hours["kinds"].get(appliance.kind) in ("even", "night")
    if appliance.standby_w > 0.0 or appliance.duty_frac is not None:
        return True
    if appliance.clock is not None:
        return any(end_h <= start_h or end_h > from_h or start_h < to_h for start_h, end_h in appliance.clock)
    return evenly
