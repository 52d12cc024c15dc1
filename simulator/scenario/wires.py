"""Copper on the DC side: cable runs with their resistance, and the short heavy loads at the far end of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import Final

from simulator.scenario.desk import Desk, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import Appliance, Bank, Cable, Converter, Inverter, Vehicle
from simulator.scenario.presets import load_preset
from simulator.scenario.written import CableTable

METRES_PER_FOOT: Final = 0.3048
"""By definition of the international foot."""
CAUTION: Final = "flatdays does not certify wiring; local codes, the makers' instructions and a licensed electrician decide."
SIZES: Final = "The area is printed on the insulation: 2.5, 6, 16 or 50 mm2, for example."
NAMING: Final = ("appliance", "name")
"""Keys without which an appliance cannot be found by its name."""
FEEDS: Final = ("inverter", "converter")
"""What a cable may feed besides appliances."""


def gauge_mm2(gauge: str) -> float:
    """Copper area of an American wire gauge [mm2].

    ASTM B258 (from memory): the diameter is 0.127 mm x 92 ** ((36 - n) / 39), with n = 0 for 1/0, -1 for 2/0 ...
    """
    number = 1 - int(gauge[0]) if gauge.endswith("/0") else int(gauge)
    diameter_mm = 0.127 * 92.0 ** ((36 - number) / 39)
    return float(math.pi / 4.0 * diameter_mm**2)


def copper_ohm(length_m: float, mm2: float, temp_c: float) -> float:
    """Resistance of copper, there and back [ohm].

    Parameters
    ----------
    length_m : float
        One way [m].
    mm2 : float
        Area of one conductor [mm2].
    temp_c : float
        Of the copper [deg C].

    References
    ----------
    IEC 60028: 0.017241 ohm mm2/m at 20 C, 0.393 % more for each kelvin.
    """
    preset = load_preset("wires")
    warmer_c = temp_c - preset.number("copper", "reference_c")
    ohm_mm2_per_m = preset.number("copper", "ohm_mm2_per_m") * (1.0 + preset.number("copper", "per_c") * warmer_c)
    return 2.0 * length_m * ohm_mm2_per_m / mm2


@cache
def _ampacities() -> tuple[tuple[float, str, float], ...]:
    """Area [mm2], gauge and current [A] of the sizes in the table, the thinnest first."""
    preset = load_preset("wires")
    return tuple(sorted((gauge_mm2(gauge), gauge, preset.number("ampacity", gauge)) for gauge in preset.tables["ampacity"]))


def ampacity_a(mm2: float) -> tuple[float, str] | None:
    """Return the current a cable may carry [A], and the gauge whose row that is: the largest that is no thicker than it.

    ABYC E-11, 105 C insulation, outside engine spaces. None: thinner than the table begins.
    """
    # A written area is rounded, so a hair below a gauge still is that gauge.
    fitting = [(limit_a, gauge) for area, gauge, limit_a in _ampacities() if area <= mm2 * 1.005]
    return fitting[-1] if fitting else None


def merge_cables(
    written: Sequence[CableTable],
    appliances: Sequence[Appliance],
    inverter: Inverter | None,
    converter: Converter | None,
    vehicle: Vehicle,
    desk: Desk,
) -> tuple[Cable, ...]:
    """Finish the cable runs, and note the drop and the current where they are too much.

    Parameters
    ----------
    written : sequence of CableTable
    appliances : sequence of Appliance
        Finished.
    inverter, converter : finished, or None
    vehicle : Vehicle
        For the bus voltage.
    desk : Desk
        Takes mistakes, notes and defaults.

    Returns
    -------
    tuple of Cable
        Those that can be used.
    """
    found = []
    taken: dict[str, int] = {}
    for position, table in enumerate(written):
        cable = _cable(table, ("cable", position), appliances, inverter, converter, vehicle, taken, desk)
        if cable is not None:
            found.append(cable)
            _judge(cable, ("cable", position), appliances, inverter, converter, vehicle, desk)
    return tuple(found)


def _cable(
    written: CableTable,
    path: Path,
    appliances: Sequence[Appliance],
    inverter: Inverter | None,
    converter: Converter | None,
    vehicle: Vehicle,
    taken: dict[str, int],
    desk: Desk,
) -> Cable | None:
    number = int(path[1]) + 1
    fed = _fed(written, path, appliances, inverter, converter, taken, desk)
    length_m = _length_m(written, path, desk)
    mm2 = _area_mm2(written, path, desk)
    if fed is None or length_m is None or mm2 is None:
        return None
    numbers, feeds = fed
    volts = float(vehicle.bus_v)
    if numbers and converter is not None:
        behind = {appliance.via_converter for appliance in appliances if appliance.number in numbers}
        if len(behind) > 1:
            desk.mistake(
                path,
                "appliances of one voltage on one cable",
                f"some behind the converter and some on the {vehicle.bus_v} V bus",
                "Write a cable for each, or state volts of the appliances.",
            )
            return None
        volts = converter.output_v if behind == {True} else volts
    temp_c = written.temp_c
    if temp_c is None:
        preset = load_preset("wires")
        temp_c = preset.number("cable", "temp_c")
        desk.default(f"Cables at {temp_c:g} C ({preset.source('cable', 'temp_c')}).", "[[cable]] temp_c")
    return Cable(
        number=number,
        name=written.name or f"cable {number}",
        line=desk.line(path),
        appliances=numbers,
        feeds=feeds,
        volts=volts,
        length_m=length_m,
        mm2=mm2,
        temp_c=temp_c,
        resistance_ohm=copper_ohm(length_m, mm2, temp_c),
    )


def _fed(
    written: CableTable,
    path: Path,
    appliances: Sequence[Appliance],
    inverter: Inverter | None,
    converter: Converter | None,
    taken: dict[str, int],
    desk: Desk,
) -> tuple[frozenset[int], str] | None:
    """What hangs at the far end: numbers of appliances, and ``appliances``, ``inverter`` or ``converter``."""
    if (written.appliance is None) == (written.appliances is None):
        if desk.sound((*path, "appliance"), (*path, "appliances")):
            got = "neither" if written.appliance is None else "both"
            desk.mistake(path, "either appliance or appliances", got, 'What does it feed? appliance = "winch", or "inverter".')
        return None
    key = "appliance" if written.appliance is not None else "appliances"
    names = (written.appliance,) if written.appliance is not None else written.appliances or ()
    known = {appliance.name: appliance for appliance in appliances}
    fitted = [name for name, part in zip(FEEDS, (inverter, converter), strict=True) if part is not None]
    # An appliance that could not be read has been told about already.
    judged = not any(faulty[0] == "appliance" and faulty[-1] in NAMING for faulty in desk.faulty) and not _unread(
        appliances, desk
    )
    numbers: set[int] = set()
    bad = False
    for name in names:
        if name in FEEDS and name not in known:
            if name not in fitted:
                article = "an" if name == "inverter" else "a"
                desk.mistake((*path, key), f"{article} [{name}] to feed", "none", "Add it, or take this out.")
                return None
            if len(names) > 1:
                desk.mistake((*path, key), f"the {name} alone on its cable", f"{len(names)} names", "Write a cable for each.")
                return None
            return (frozenset(), name) if _first(name, path, key, taken, desk) else None
        if name not in known:
            bad = True
            if judged:
                options = [*known, *fitted]
                cure = nearest(name, options) or f"They are {', '.join(quote(option) for option in options[:20])}."
                desk.mistake((*path, key), "names of appliances of this scenario", quote(name), cure)
            continue
        if known[name].bus == "ac":
            bad = True
            desk.mistake(
                (*path, key),
                "DC appliances, since cable runs are on the DC side",
                f"the AC appliance {quote(name)}",
                'For the leads of the inverter write appliance = "inverter".',
            )
            continue
        bad = bad or not _first(name, path, key, taken, desk)
        numbers.add(known[name].number)
    return None if bad else (frozenset(numbers), "appliances")


def _unread(appliances: Sequence[Appliance], desk: Desk) -> bool:
    """Whether some appliance is missing among the finished ones."""
    listed = desk.raw.get("appliance")
    return isinstance(listed, list) and len({it.number for it in appliances if it.number <= len(listed)}) < len(listed)


def _first(name: str, path: Path, key: str, taken: dict[str, int], desk: Desk) -> bool:
    """See that no other cable feeds it."""
    first = taken.setdefault(name, int(path[1]) + 1)
    if first != int(path[1]) + 1:
        desk.mistake((*path, key), "one cable for each appliance", f"{quote(name)} again, after cable {first}", "Join the two.")
        return False
    return True


def _length_m(written: CableTable, path: Path, desk: Desk) -> float | None:
    keys = ("length_m", "length_ft")
    given = [key for key in keys if getattr(written, key) is not None]
    if len(given) != 1:
        if desk.sound(*((*path, key) for key in keys)):
            desk.mistake(path, "either length_m or length_ft", "both" if given else "neither", "One way, not there and back.")
        return None
    length_m = written.length_m if written.length_m is not None else (written.length_ft or 0.0) * METRES_PER_FOOT
    if length_m == 0.0:
        desk.mistake((*path, given[0]), "a length above 0", "0", "One way, from the bank to what it feeds.")
        return None
    return length_m


def _area_mm2(written: CableTable, path: Path, desk: Desk) -> float | None:
    keys = ("mm2", "awg")
    given = [key for key in keys if getattr(written, key) is not None]
    if len(given) != 1:
        if desk.sound(*((*path, key) for key in keys)):
            desk.mistake(path, "either mm2 or awg", "both" if given else "neither", SIZES)
        return None
    if written.awg is not None:
        return gauge_mm2(written.awg)
    mm2 = float(written.mm2 or 0.0)
    if mm2 == 0.0:
        desk.mistake((*path, "mm2"), "an area above 0 mm2", "0", SIZES)
        return None
    desk.judge_usual((*path, "mm2"), mm2, load_preset("wires").valid("cable", "mm2"), "in a vehicle")
    return mm2


def _judge(
    cable: Cable,
    path: Path,
    appliances: Sequence[Appliance],
    inverter: Inverter | None,
    converter: Converter | None,
    vehicle: Vehicle,
    desk: Desk,
) -> None:
    """Note a drop above 3 % and a current above the table's."""
    watts = sum(appliance.power_w for appliance in appliances if appliance.number in cable.appliances)
    if cable.feeds == "inverter" and inverter is not None:
        watts = inverter.rated_w * (1.0 + inverter.p_self + inverter.v + inverter.r)
    if cable.feeds == "converter" and converter is not None:
        watts = converter.idle_w + sum(it.power_w for it in appliances if it.via_converter) / converter.efficiency_frac
    current_a = watts / cable.volts
    together = " with all of them running" if len(cable.appliances) > 1 else ""
    drop_v = current_a * cable.resistance_ohm
    drop_frac = load_preset("wires").number("cable", "drop_frac")
    if drop_v > drop_frac * cable.volts:
        desk.note(
            path,
            f"at {current_a:.0f} A{together} {drop_v:.2f} V are lost on it, {drop_v / cable.volts:.1%} of {cable.volts:g} V: "
            f"good practice is at most {drop_frac:.0%} (ABYC E-11). Thicker or shorter mends it.",
        )
    found = ampacity_a(cable.mm2)
    if found is None:
        desk.note(path, f"its {cable.mm2:.3g} mm2 are thinner than the table of currents begins (18 AWG, 0.82 mm2). {CAUTION}")
    elif current_a > found[0]:
        desk.note(
            path,
            f"it carries {current_a:.0f} A{together}, more than the {found[0]:g} A of {found[1]} AWG in ABYC E-11 (105 C "
            f"insulation, outside engine spaces; 0.85 of it inside them): it may overheat. {CAUTION}",
        )


def judge_heavy(
    appliances: Sequence[Appliance], inverter: Inverter | None, converter: Converter | None, bank: Bank, desk: Desk
) -> None:
    """Note each appliance that alone asks more amperes than the bank may give."""
    limit_a = bank.discharge_limit_a * bank.in_parallel
    volts = bank.unit_v * bank.in_series
    for appliance in appliances:
        watts = appliance.power_w
        if appliance.bus == "ac":
            if appliance.only == "hookup" or inverter is None:
                continue
            load = min(watts / inverter.rated_w, 1.0)
            watts = inverter.rated_w * (load + inverter.p_self + (inverter.v + inverter.r * load) * load)
        elif appliance.via_converter and converter is not None:
            watts = watts / converter.efficiency_frac
        if watts > limit_a * volts:
            desk.note(
                ("appliance", appliance.number - 1),
                f"it asks the bank for {watts / volts:.0f} A, more than the {limit_a:.0f} A that the bank may give at once; "
                "what is beyond counts as overload. A bigger bank or fewer watts mends it.",
            )
