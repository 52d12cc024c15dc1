"""Things to buy, fit or move against flat days: bank, panels, chargers, generator."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from simulator.scenario.arrays import merge_arrays
from simulator.scenario.cautions import GENERATOR, WIRING
from simulator.scenario.chargers import merge_alternator, merge_generator
from simulator.scenario.desk import Desk
from simulator.scenario.parts import Array, Heater, Scenario, Stop
from simulator.scenario.presets import load_preset
from simulator.scenario.written import AlternatorTable, ArrayTable, ControllerTable, GeneratorTable, PanelTable
from simulator.studies.changes import with_heater, with_panels, with_parallel, with_place
from simulator.studies.costs import LIVES_YEARS
from simulator.studies.remedy import Change
from simulator.timeline import merge_windows
from simulator.units import HOURS_PER_DAY

TILTS_DEG = (30.0, 60.0)
"""Brackets or feet under flat panels: a low and a steep setting (common practice, no source)."""
FLAT_DEG = 10.0
"""Panels at less than this count as lying flat."""
PORTABLE_W = 120.0
PORTABLE_TILT_DEG = 45.0
"""A folding panel set out on the ground (common practice, no source)."""


def _more_units(scenario: Scenario, more: int) -> Scenario:
    return with_parallel(scenario, scenario.bank.in_parallel + more)


def _one_more(scenario: Scenario, place: int, enough: bool) -> Scenario:
    return with_panels(scenario, place, scenario.arrays[place].in_parallel + 1, large_enough=enough)


def _units_name(count: int, unit_ah: float) -> str:
    return f"{'one more unit' if count == 1 else f'{count} more units'} of {unit_ah:g} Ah"


def bank_changes(scenario: Scenario, locked: bool) -> Iterator[Change]:
    bank = scenario.bank
    price = None if bank.unit_price is None else bank.unit_price * bank.in_series
    smaller: tuple[str, ...] = ()
    for more in (1, 2):
        count = more * bank.in_series
        yield Change(
            name=_units_name(count, bank.unit_ah),
            group="bank",
            apply=partial(_more_units, more=more),
            price=None if price is None else price * more,
            kg=bank.unit_kg * count,
            life_years=bank.calendar_years,
            caution=WIRING,
            missing="unit_price in [bank]",
            more_than=smaller,
        )
        smaller = (_units_name(count, bank.unit_ah),)
    if bank.place != "inside":
        yield Change("the bank moved inside", "place", lambda s: with_place(s, "inside"), price=None)
    if bank.place == "outside":
        yield Change("the bank in a bay warmed by the cabin", "place", lambda s: with_place(s, "heated"), price=None)
    if locked and bank.heater is None:
        preset = load_preset("converters")
        units_ah = bank.unit_ah * bank.in_series * bank.in_parallel * bank.unit_v / 12.8
        heater = Heater(
            power_w=preset.number("heater", "power_w_per_ah") * units_ah,
            on_below_c=preset.number("heater", "on_below_c"),
            off_above_c=max(preset.number("heater", "off_above_c"), bank.charge_resume_c),
            from_bank=False,
        )
        for from_bank, words in ((False, "on what is spare"), (True, "day and night, from the bank")):
            yield Change(
                f"a heater of {heater.power_w:.0f} W under the bank, {words}",
                "place",
                partial(with_heater, heater=replace(heater, from_bank=from_bank)),
                price=None,
                kg=None,
            )


def _sunward_deg(stops: tuple[Stop, ...]) -> float:
    """Where the noon sun stands: south in the north, north in the south; of most of the stops."""
    return 180.0 if sum(stop.latitude_deg >= 0.0 for stop in stops) * 2 >= len(stops) else 0.0


def _tilted(scenario: Scenario, tilt_deg: float, positions: tuple[int, ...]) -> Scenario:
    sunward = _sunward_deg(scenario.stops)
    arrays = tuple(
        replace(array, tilt_deg=tilt_deg, azimuth_deg=sunward, bearing_deg=None) if place in positions else array
        for place, array in enumerate(scenario.arrays)
    )
    # A tilt written at a stop holds for all arrays there: the change is what is tried, so it gives way.
    return replace(scenario, arrays=arrays, stops=tuple(replace(stop, tilt_deg=None) for stop in scenario.stops))


def portable_array(scenario: Scenario) -> Array:
    """A folding panel with its own MPPT controller, set out on the ground towards the noon sun."""
    written = ArrayTable(
        name="portable panel",
        panel=PanelTable(p_w=PORTABLE_W),
        in_series=max(1, scenario.vehicle.bus_v // 12),
        tilt_deg=PORTABLE_TILT_DEG,
        azimuth_deg=_sunward_deg(scenario.stops),
        mount="open",
        controller=ControllerTable(kind="mppt"),
    )
    (array,) = merge_arrays((written,), scenario.bank, Desk(file="change"))
    return replace(array, number=max((one.number for one in scenario.arrays), default=0) + 1, line=None)


def panel_changes(scenario: Scenario) -> Iterator[Change]:
    for place, array in enumerate(scenario.arrays):
        where = "" if len(scenario.arrays) == 1 else f' in "{array.name}"'
        price = None if array.panel.price is None else array.panel.price * array.in_series
        kg = None if array.panel.kg is None else array.panel.kg * array.in_series
        watts = array.panel.p_w * array.in_series
        many = "one more panel" if array.in_series == 1 else f"{array.in_series} more panels"
        limited = array.controller.max_charge_a is not None
        name = f"{many} of {watts:g} W{where}"
        for enough in (False, True) if limited else (False,):
            yield Change(
                name=name + (" and a controller large enough" if enough else ""),
                group=f"panels {place}",
                apply=partial(_one_more, place=place, enough=enough),
                price=None if enough else price,
                kg=kg,
                life_years=None if enough else LIVES_YEARS["panels"],
                more_than=(name,) if enough else (),
                missing="" if enough else f'price in panel of array {array.number} "{array.name}"',
                caution=WIRING,
            )
    flat = tuple(place for place, array in enumerate(scenario.arrays) if array.tilt_deg < FLAT_DEG)
    for tilt_deg in TILTS_DEG if flat else ():
        yield Change(
            f"the panels tilted {tilt_deg:.0f} degrees towards the noon sun",
            "tilt",
            partial(_tilted, tilt_deg=tilt_deg, positions=flat),
            price=None,
            kg=None,
        )
    portable = portable_array(scenario)
    pieces = portable.in_series * portable.in_parallel
    yield Change(
        f"a folding panel of {portable.panel.p_w * pieces:g} W set out towards the noon sun",
        "portable",
        lambda s: replace(s, arrays=(*s.arrays, portable)),
        price=None,
        kg=None,
    )


def charger_changes(scenario: Scenario, driving: bool) -> Iterator[Change]:
    vehicle, shore, alternator, generator = scenario.vehicle, scenario.shore, scenario.alternator, scenario.generator
    if shore is not None and any(stop.hookup_every_nights for stop in scenario.stops):
        bigger = replace(shore, charger_a=2.0 * shore.charger_a)
        yield Change(
            f"a hookup charger of {bigger.charger_a:g} A instead of {shore.charger_a:g} A",
            "shore",
            lambda s: replace(s, shore=bigger),
            price=None,
            kg=None,
            caution=WIRING,
        )
    if driving and alternator is None:
        fitted = merge_alternator(AlternatorTable(), vehicle, Desk(file="change"))
        assert fitted is not None
        yield Change(
            f"a charger of {fitted.charger_a:g} A on the engine",
            "alternator",
            lambda s: replace(s, alternator=fitted),
            price=None,
            kg=None,
            caution=WIRING,
        )
    elif driving and alternator is not None:
        stronger = replace(alternator, charger_a=2.0 * alternator.charger_a)
        yield Change(
            f"a charger of {stronger.charger_a:g} A on the engine instead of {alternator.charger_a:g} A",
            "alternator",
            lambda s: replace(s, alternator=stronger),
            price=None,
            kg=None,
            caution=WIRING,
        )
    if generator is None:
        carried = merge_generator(GeneratorTable(), vehicle, scenario.bank, Desk(file="change"))
        assert carried is not None
        hours = " and ".join(f"{from_h:g} to {to_h:g} h" for from_h, to_h in carried.windows)
        yield Change(
            f"a generator of {carried.rated_w:,.0f} W that may run from {hours}",
            "generator",
            lambda s: replace(s, generator=carried),
            price=None,
            kg=None,
            caution=GENERATOR,
        )
    else:
        open_h = sum(to_h - from_h for from_h, to_h in merge_windows(generator.windows)) if generator.windows else 24.0
        if open_h < HOURS_PER_DAY - 1e-9:
            all_day = replace(generator, windows=((0.0, float(HOURS_PER_DAY)),))
            yield Change(
                "the generator allowed at all hours",
                "generator",
                lambda s: replace(s, generator=all_day),
                caution=GENERATOR,
            )
        sooner_soc = min(generator.start_soc + 0.2, generator.stop_soc - 0.1)
        if sooner_soc > generator.start_soc + 0.01:
            sooner = replace(generator, start_soc=sooner_soc)
            yield Change(
                f"the generator started at {sooner_soc:.0%} instead of {generator.start_soc:.0%}",
                "generator",
                lambda s: replace(s, generator=sooner),
                caution=GENERATOR,
            )
