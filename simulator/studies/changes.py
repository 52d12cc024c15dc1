"""One change to a design, each a small function: a finished scenario in, a finished scenario out; nothing is read again.

What a change brings along is said in its own words below: a bus of twice the voltage halves the amperes of its chargers, another
chemistry is merged from its preset as the reader merges it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from simulator.errors import InputError
from simulator.scenario.arrays import HALF_SOC
from simulator.scenario.bank import SERIES_TOLERANCE_FRAC, merge_bank, rest_voltage_v
from simulator.scenario.desk import Desk
from simulator.scenario.parts import Array, Bank, Generator, Heater, Scenario
from simulator.scenario.presets import load_preset
from simulator.scenario.written import BankTable


class CannotBuildError(InputError):
    """Parts that do not go together: a design that nobody could wire."""


END_OF_LIFE_SOH = 0.8
"""Capacity at which a bank counts as worn out (the convention of data sheets and of the ageing laws here)."""


def _with_bank(scenario: Scenario, **changed: Any) -> Scenario:
    return replace(scenario, bank=replace(scenario.bank, **changed))


def with_parallel(scenario: Scenario, in_parallel: int) -> Scenario:
    """So many units (or strings of units) in parallel; a heater grows with them, as each unit brings its own."""
    bank = scenario.bank
    return _with_bank(scenario, in_parallel=in_parallel, heater=_grown(bank.heater, in_parallel / bank.in_parallel))


def _grown(heater: Heater | None, times: float) -> Heater | None:
    return None if heater is None else replace(heater, power_w=heater.power_w * times)


def unit_class_v(bank: Bank, bus_v: int) -> float:
    """Voltage of one unit in terms of the bus's classes: 12 for a unit of 12.8 V on a bus of 12 V."""
    return bus_v / bank.in_series


def with_series(scenario: Scenario, in_series: int) -> Scenario:
    """So many units in series, and the bus voltage that they make.

    Raises
    ------
    CannotBuildError
        They make none of 12, 24 and 48 V, or as :func:`with_bus`.
    """
    bus_v = unit_class_v(scenario.bank, scenario.vehicle.bus_v) * in_series
    near = min((12, 24, 48), key=lambda known: abs(known - bus_v))
    if abs(bus_v / near - 1.0) > SERIES_TOLERANCE_FRAC:
        raise CannotBuildError(
            f"in_series: expected units in series that make 12, 24 or 48 V, got {in_series} x "
            f"{scenario.bank.unit_v:g} V = {in_series * scenario.bank.unit_v:g} V"
        )
    return with_bus(scenario, near)


def with_bus(scenario: Scenario, bus_v: int) -> Scenario:
    """Another bus voltage from the same units, in series; chargers keep their watts, controllers their amperes.

    A charger of 30 A on 12 V is one of 15 A on 24 V. A charge controller is built for its amperes, so at twice the voltage it
    passes twice the watts. Where a string of panels is too low for the new bus, the same panels are wired in longer ones.

    Raises
    ------
    CannotBuildError
        The units cannot make that voltage, or the panels of an array do not make up whole strings.
    """
    old_v = scenario.vehicle.bus_v
    if bus_v == old_v:
        return scenario
    bank = scenario.bank
    in_series = round(bank.in_series * bus_v / old_v)
    if in_series < 1 or abs(in_series * unit_class_v(bank, old_v) / bus_v - 1.0) > SERIES_TOLERANCE_FRAC:
        raise CannotBuildError(
            f"bus_v: expected a voltage that units of {bank.unit_v:g} V in series can make, got {bus_v} V; "
            "leave it out, or take a unit of a lower voltage"
        )
    times = old_v / bus_v
    shore, alternator, generator = scenario.shore, scenario.alternator, scenario.generator
    larger = replace(bank, in_series=in_series, heater=_grown(bank.heater, in_series / bank.in_series))
    return replace(
        scenario,
        vehicle=replace(scenario.vehicle, bus_v=bus_v),
        bank=larger,
        arrays=tuple(_rewired(array, larger, bus_v) for array in scenario.arrays),
        shore=None if shore is None else replace(shore, charger_a=shore.charger_a * times),
        alternator=None if alternator is None else replace(alternator, charger_a=alternator.charger_a * times),
        generator=None if generator is None else replace(generator, charger_a=generator.charger_a * times),
    )


def charges_bus(array: Array, bank: Bank) -> bool:
    """Whether a string of the array is high enough to charge the bank, as the scenario reader judges it."""
    rest_v = bank.in_series * rest_voltage_v(bank.curve, HALF_SOC)
    if array.controller.kind == "pwm":
        return array.in_series * array.panel.v_mp >= rest_v
    return array.in_series * array.panel.v_oc >= rest_v + array.controller.headroom_v


def _rewired(array: Array, bank: Bank, bus_v: int) -> Array:
    """The same panels in strings that can charge the bank: as they are if they can, else in the shortest that can."""
    panels = array.in_series * array.in_parallel
    longer = array
    while not charges_bus(longer, bank):
        longer = replace(longer, in_series=longer.in_series + 1)
    if longer is array:
        return array
    if panels % longer.in_series:
        raise CannotBuildError(
            f'array {array.number} "{array.name}": a bus of {bus_v} V needs panels in strings of {longer.in_series}, which '
            f"{panels} of them do not make up"
        )
    return replace(longer, in_parallel=panels // longer.in_series)


def with_chemistry(scenario: Scenario, chemistry: str, unit: Mapping[str, Any] | None = None) -> Scenario:
    """Another chemistry: its preset merged as the scenario reader does, under what ``unit`` says of its units.

    The charge of a unit, units in series and in parallel, place, floor, start and heater stay unless ``unit`` (keys of
    ``[bank]``) says otherwise; price, mass, sides and limits are the unit's own and are not taken over. A generator that
    starts and stops where the old chemistry usually has it is moved to where the new one has it.

    Raises
    ------
    InputError
        With every mistake in ``unit``.
    """
    bank = scenario.bank
    if chemistry == bank.chemistry and not unit:
        return scenario
    kept: dict[str, Any] = {
        "chemistry": chemistry,
        "in_series": bank.in_series,
        "in_parallel": bank.in_parallel,
        "start_soc": bank.start_soc,
        "at_floor": bank.at_floor,
        "place": bank.place,
        "owned": False,
        **(unit or {}),
    }
    if "capacities" not in kept:
        kept.setdefault("unit_ah", bank.unit_ah)
    desk = Desk(file="scenario" if scenario.path is None else scenario.path.name, raw={"bank": kept})
    merged = merge_bank(BankTable(**kept), scenario.vehicle, desk)
    if merged is None or desk.mistakes:
        raise InputError([f"{mistake} (for chemistry {chemistry})" for mistake in desk.mistakes])
    heater = bank.heater if merged.heater is None else merged.heater
    changed = replace(scenario, bank=replace(merged, heater=heater))
    return replace(changed, generator=_generator_for(scenario, chemistry))


def _generator_for(scenario: Scenario, chemistry: str) -> Generator | None:
    generator = scenario.generator
    if generator is None:
        return None
    preset = load_preset("chemistries")

    def usual(kind: str) -> tuple[float, float]:
        return preset.number(kind, "generator_start_soc"), preset.number(kind, "generator_stop_soc")

    if (generator.start_soc, generator.stop_soc) != usual(scenario.bank.chemistry):
        return generator
    start_soc, stop_soc = usual(chemistry)
    return replace(generator, start_soc=start_soc, stop_soc=stop_soc)


def with_soh(scenario: Scenario, soh: float = END_OF_LIFE_SOH) -> Scenario:
    """A bank that has only this share of its rated capacity left, or less if it starts with less."""
    return _with_bank(scenario, soh_start=min(soh, scenario.bank.soh_start))


def with_place(scenario: Scenario, place: str) -> Scenario:
    """The bank ``outside``, ``inside`` or in a ``heated`` bay."""
    return _with_bank(scenario, place=place)


def with_heater(scenario: Scenario, heater: Heater | None) -> Scenario:
    """A heater for the whole bank, or none."""
    return _with_bank(scenario, heater=heater)


def _with_array(scenario: Scenario, position: int, array: Array) -> Scenario:
    arrays = list(scenario.arrays)
    arrays[position] = array
    return replace(scenario, arrays=tuple(arrays))


def with_panels(scenario: Scenario, position: int, in_parallel: int, *, large_enough: bool = False) -> Scenario:
    """So many panels (or strings of panels) in parallel in the array at ``position`` (from 0); none: the array is left out.

    Its controller stays as it is, or with ``large_enough`` has no limit of current.
    """
    if in_parallel == 0:
        return replace(scenario, arrays=scenario.arrays[:position] + scenario.arrays[position + 1 :])
    array = replace(scenario.arrays[position], in_parallel=in_parallel)
    if large_enough:
        array = replace(array, controller=replace(array.controller, max_charge_a=None))
    return _with_array(scenario, position, array)


def with_tilt(scenario: Scenario, tilt_deg: float, position: int | None = None) -> Scenario:
    """Panels of one array (None: of all) at this tilt; where a stop states a tilt of its own, that holds."""
    chosen = range(len(scenario.arrays)) if position is None else (position,)
    for place in chosen:
        scenario = _with_array(scenario, place, replace(scenario.arrays[place], tilt_deg=tilt_deg))
    return scenario


def with_generator(scenario: Scenario, generator: Generator | None) -> Scenario:
    """This generator, or none."""
    return replace(scenario, generator=generator)
