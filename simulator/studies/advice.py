"""Which bus voltage and which inverter the audit asks for: watts that run at once, starting surges, amperes at 12, 24 and 48 V.

Computed answers stand beside the rules of the trade, which are marked as such. Fuses and cable sizes are never computed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil
from typing import Any, Final

import numpy as np

from simulator import loads
from simulator.scenario.parts import Inverter, Scenario
from simulator.scenario.presets import load_preset
from simulator.units import HOURS_PER_DAY

BUSES_V: Final = (12, 24, 48)
MOST_W: Final = {12: 3000.0, 24: 6000.0}
"""AC watts up to which a bus is usual: above about 3,000 W consider 24 V, and twice that at twice the volts (common practice)."""
HEADROOM: Final = 1.25
"""An inverter that runs long is taken a quarter larger than its load (common practice, no source)."""
USUAL_W: Final = (150, 300, 500, 700, 1000, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 8000, 10_000, 12_000, 15_000)
"""Sizes that inverters are sold in (common practice, no source)."""
CONVERTER_EFFICIENCY: Final = 0.90
"""Of a converter from 24 or 48 V to 12 V (common practice, no source: 0.85 to 0.95)."""
UNIT_AH: Final = 100.0
UNIT_V: Final = 12.8
"""The unit that the rules of the trade count in."""
LARGE_INVERTER_W: Final = 3000.0
LARGE_INVERTER_UNITS: Final = (4, 6)
"""Units of 100 Ah that go with a 3,000 W inverter (common practice, no source)."""
COOLING_UNITS: Final = (8, 12)
"""Units of 100 Ah that go with air conditioning from the bank (common practice, no source)."""
COOLING_KINDS: Final = frozenset({"air_conditioner"})
SHORTHAND_V: Final = 10.0
"""AC watts / 10 are about the amperes at 12 V (common practice, no source)."""


@dataclass(frozen=True)
class BusLine:
    """The same load on one bus voltage."""

    bus_v: int
    current_a: float
    """Drawn from the bank while everything that can coincide runs, through the inverter."""
    surge_a: float
    """For seconds, while the largest of them starts."""
    loss_times: float
    """Loss in the same cable against that at 12 V."""
    converter_w: float
    """A converter to 12 V that the DC appliances need; 0 on a 12 V bus."""
    converter_wh_per_day: float
    """What it turns into heat."""


@dataclass(frozen=True)
class Rule:
    """One rule of the trade beside what is computed here."""

    rule: str
    asks: str
    computed: str
    fits: bool


@dataclass(frozen=True)
class Advice:
    """What the audit asks of bus and inverter.

    Attributes
    ----------
    running_w : AC watts that can run at the same moment off the hookup.
    surge_w : the same while the one with the largest start begins.
    dc_running_w, dc_wh_per_day : of the DC appliances.
    bus_v, suggested_bus_v : as it is, and the lowest that the running watts ask for.
    inverter_w : rating of the inverter as it is; None: none.
    suggested_inverter_w : the least usual size; 0: no AC appliance.
    idle_wh_per_day : of the inverter as it is, if it is on day and night.
    suggested_idle_wh_per_day : of the suggested one.
    bank_limit_a, bank_current_a : what the bank may deliver, and what all AC and DC that can coincide take from it.
    units_for_current : units in parallel that carry that.
    buses : one line a voltage.
    rules : beside the rules of the trade.
    findings : sentences.
    """

    running_w: float
    surge_w: float
    dc_running_w: float
    dc_wh_per_day: float
    bus_v: int
    suggested_bus_v: int
    inverter_w: float | None
    suggested_inverter_w: float
    idle_wh_per_day: float
    suggested_idle_wh_per_day: float
    bank_limit_a: float
    bank_current_a: float
    units_for_current: int
    buses: tuple[BusLine, ...]
    rules: tuple[Rule, ...]
    findings: tuple[str, ...]


def running_and_surge_w(scenario: Scenario) -> tuple[float, float]:
    """AC watts that can run at once, and the same while the one with the largest start begins.

    Returns
    -------
    running_w, surge_w : float
        The surge is an upper bound: everything else is taken to run already.
    """
    running_w = loads.running_peak_w(scenario)
    starts_w = [it.surge_w - it.power_w for it in scenario.appliances if it.bus == "ac" and it.only != "hookup"]
    return running_w, running_w + max([0.0, *starts_w])


def drawn_w(inverter: Inverter | None, ac_w: float) -> float:
    """Watts at the bus for so many at the inverter's output, by its three-parameter law; 0 for none."""
    if ac_w <= 0.0:
        return 0.0
    if inverter is None or ac_w > inverter.rated_w:
        # A larger one of the usual kind, run at its headroom.
        preset = load_preset("converters")
        p_self, v, r = (preset.number("inverter", key) for key in ("p_self", "v", "r"))
        inverter = Inverter(ac_w * HEADROOM, 2.0 * ac_w * HEADROOM, p_self, v, r, True)
    idle_w, loss_w = loads.inverter_draw_w(inverter, np.array([ac_w]), np.array([False]))
    return float(ac_w + idle_w[0] + loss_w[0])


def _dc_running_w(scenario: Scenario) -> float:
    """DC watts that can run at once."""
    direct = tuple(replace(it, bus="ac") for it in scenario.appliances if it.bus == "dc")
    return loads.running_peak_w(replace(scenario, appliances=direct))


def bank_v(scenario: Scenario, bus_v: int) -> float:
    """Nominal voltage of a bank of this chemistry on a bus: 12.8 V for lithium iron phosphate on 12 V."""
    preset = load_preset("chemistries")
    chemistry = scenario.bank.chemistry
    return preset.number(chemistry, "cell_v") * preset.number(chemistry, "cells_at_12_v") * bus_v / 12.0


def usual_inverter_w(running_w: float, surge_w: float) -> float:
    """Least usual size that runs this with headroom and starts it; 0: nothing to run."""
    if running_w <= 0.0:
        return 0.0
    surge_frac = load_preset("converters").number("inverter", "surge_frac")
    needed_w = max(running_w * HEADROOM, surge_w / surge_frac)
    return float(next((size for size in USUAL_W if size >= needed_w), ceil(needed_w / 1000.0) * 1000))


def advise(scenario: Scenario, load_wh_per_day: float, dc_wh_per_day: float) -> Advice:
    """Read bus voltage and inverter off the audit.

    Parameters
    ----------
    scenario : a finished scenario.
    load_wh_per_day : all load at the bus on an average day of the trip.
    dc_wh_per_day : what of it the DC appliances take.

    Returns
    -------
    Advice
    """
    running_w, surge_w = running_and_surge_w(scenario)
    dc_w = _dc_running_w(scenario)
    inverter, bank, bus_v = scenario.inverter, scenario.bank, scenario.vehicle.bus_v
    at_bus_w = drawn_w(inverter, running_w)
    surge_at_bus_w = at_bus_w + (surge_w - running_w) * (at_bus_w / running_w if running_w > 0.0 else 1.0)
    buses = tuple(
        BusLine(
            bus_v=volts,
            current_a=at_bus_w / bank_v(scenario, volts),
            surge_a=surge_at_bus_w / bank_v(scenario, volts),
            loss_times=(12.0 / volts) ** 2,
            converter_w=0.0 if volts == 12 else dc_w,
            converter_wh_per_day=0.0 if volts == 12 else dc_wh_per_day * (1.0 / CONVERTER_EFFICIENCY - 1.0),
        )
        for volts in BUSES_V
    )
    suggested_bus_v = next((volts for volts, most_w in MOST_W.items() if running_w <= most_w), BUSES_V[-1])
    suggested_w = usual_inverter_w(running_w, surge_w)
    current_a = (at_bus_w + dc_w) / bank_v(scenario, bus_v)
    limit_a = bank.discharge_limit_a * bank.in_parallel
    p_self = load_preset("converters").number("inverter", "p_self") if inverter is None else inverter.p_self
    found = Advice(
        running_w=running_w,
        surge_w=surge_w,
        dc_running_w=dc_w,
        dc_wh_per_day=dc_wh_per_day,
        bus_v=bus_v,
        suggested_bus_v=suggested_bus_v,
        inverter_w=None if inverter is None else inverter.rated_w,
        suggested_inverter_w=suggested_w,
        idle_wh_per_day=0.0 if inverter is None else inverter.rated_w * inverter.p_self * HOURS_PER_DAY,
        suggested_idle_wh_per_day=suggested_w * p_self * HOURS_PER_DAY,
        bank_limit_a=limit_a,
        bank_current_a=current_a,
        units_for_current=max(1, ceil(current_a / bank.discharge_limit_a - 1e-9)),
        buses=buses,
        rules=(),
        findings=(),
    )
    return replace(found, rules=_rules(scenario, found, load_wh_per_day), findings=_findings(scenario, found))


def _rules(scenario: Scenario, found: Advice, load_wh_per_day: float) -> tuple[Rule, ...]:
    """The rules of the trade that speak to this vehicle, each beside the computed answer."""
    bank = scenario.bank
    units = bank.in_series * bank.in_parallel * bank.unit_ah * bank.unit_v / (UNIT_AH * UNIT_V)
    day_units = load_wh_per_day / (UNIT_AH * UNIT_V * bank.usable_frac)
    rules = []
    if found.running_w > 0.0:
        shorthand_a = found.running_w / SHORTHAND_V
        exact_a = found.buses[0].current_a
        rules.append(
            Rule(
                "AC watts / 10 = amperes at 12 V",
                f"{shorthand_a:.0f} A",
                f"{exact_a:.0f} A",
                0.8 * shorthand_a <= exact_a <= 1.1 * shorthand_a,
            )
        )
        rules.append(
            Rule(
                "above about 3,000 W of AC consider 24 V",
                "12 V" if found.running_w <= MOST_W[12] else "24 V or more",
                f"{found.buses[BUSES_V.index(found.bus_v)].current_a:.0f} A at {found.bus_v} V",
                found.bus_v >= found.suggested_bus_v,
            )
        )
    rated_w = found.inverter_w or 0.0
    if rated_w >= LARGE_INVERTER_W:
        low, high = LARGE_INVERTER_UNITS
        times = rated_w / LARGE_INVERTER_W
        full_a = drawn_w(scenario.inverter, rated_w) / bank_v(scenario, found.bus_v)
        by_current = ceil(full_a / bank.discharge_limit_a - 1e-9)
        rules.append(
            Rule(
                f"a {rated_w:,.0f} W inverter goes with {low * times:.0f} to {high * times:.0f} units of 100 Ah (12.8 V)",
                f"{low * times:.0f} or more",
                f"{units:.1f} such units; the current at full load asks for {by_current} of these in parallel",
                units >= low * times * (1 - 1e-9),
            )
        )
    if any(appliance.kind in COOLING_KINDS for appliance in scenario.appliances):
        low, high = COOLING_UNITS
        rules.append(
            Rule(
                f"air conditioning from the bank goes with {low} to {high} units of 100 Ah (12.8 V)",
                f"{low} or more",
                f"{units:.1f} such units; a day of this load asks for {day_units:.1f}",
                units >= low * (1 - 1e-9),
            )
        )
    return tuple(rules)


def _findings(scenario: Scenario, found: Advice) -> tuple[str, ...]:
    """What follows, in sentences."""
    said = []
    bus, suggested = found.bus_v, found.suggested_bus_v
    if found.running_w <= 0.0:
        said.append("Nothing runs on AC off the hookup: no inverter is needed, and 12 V is enough for its sake.")
    elif bus < suggested:
        here, there = (found.buses[BUSES_V.index(volts)] for volts in (bus, suggested))
        said.append(
            f"{found.running_w:,.0f} W of AC can run at once: {here.current_a:.0f} A at {bus} V. Consider {suggested} V: "
            f"{there.current_a:.0f} A, and {there.loss_times / here.loss_times:.0%} of the loss in the same cables. It needs a "
            f"converter of at least {found.dc_running_w:,.0f} W for the 12 V appliances, which costs about "
            f"{there.converter_wh_per_day:,.0f} Wh a day, and chargers and controllers for {suggested} V."
        )
    else:
        here = found.buses[BUSES_V.index(bus)]
        said.append(
            f"{found.running_w:,.0f} W of AC can run at once: {here.current_a:.0f} A at {bus} V. A bus of {bus} V is high enough."
        )
        if bus > suggested:
            said.append(
                f"{suggested} V would do as well, without the converter for 12 V appliances "
                f"(about {here.converter_wh_per_day:,.0f} Wh a day)."
            )
    rated_w = found.inverter_w
    if rated_w is not None and found.running_w > 0.0:
        if rated_w < found.running_w:
            said.append(
                f"The inverter of {rated_w:,.0f} W is too small for that; the least usual size is "
                f"{found.suggested_inverter_w:,.0f} W, or let less run at once."
            )
        elif scenario.inverter is not None and scenario.inverter.surge_w < found.surge_w:
            said.append(
                f"The inverter gives {scenario.inverter.surge_w:,.0f} W for seconds, and a start may ask for "
                f"{found.surge_w:,.0f} W: start the heaviest appliance alone, or take {found.suggested_inverter_w:,.0f} W."
            )
        elif rated_w > found.suggested_inverter_w:
            said.append(
                f"An inverter of {found.suggested_inverter_w:,.0f} W would do: left on day and night it idles away about "
                f"{found.suggested_idle_wh_per_day:,.0f} Wh a day instead of {found.idle_wh_per_day:,.0f} Wh."
            )
        else:
            said.append(f"The inverter of {rated_w:,.0f} W fits.")
    if found.bank_current_a > found.bank_limit_a * (1 + 1e-9):
        said.append(
            f"With everything on, {found.bank_current_a:.0f} A are asked of a bank that may deliver {found.bank_limit_a:.0f} A: "
            f"that takes {found.units_for_current} in parallel, or less at once."
        )
    return tuple(said)


def advice_summary(found: Advice) -> dict[str, Any]:
    """The advice as one object for other programs."""

    def rounded(value: float | None) -> float | None:
        return None if value is None else round(value, 1)

    return {
        "ac_running_w": rounded(found.running_w),
        "ac_surge_w": rounded(found.surge_w),
        "dc_running_w": rounded(found.dc_running_w),
        "dc_wh_per_day": rounded(found.dc_wh_per_day),
        "bus_v": found.bus_v,
        "suggested_bus_v": found.suggested_bus_v,
        "inverter_w": rounded(found.inverter_w),
        "suggested_inverter_w": rounded(found.suggested_inverter_w),
        "bank_current_a": rounded(found.bank_current_a),
        "bank_limit_a": rounded(found.bank_limit_a),
        "units_in_parallel_for_the_current": found.units_for_current,
        "buses": [
            {
                "bus_v": line.bus_v,
                "current_a": rounded(line.current_a),
                "surge_a": rounded(line.surge_a),
                "cable_loss_times_that_at_12_v": round(line.loss_times, 4),
                "converter_w": rounded(line.converter_w),
                "converter_wh_per_day": rounded(line.converter_wh_per_day),
            }
            for line in found.buses
        ],
        "rules_of_the_trade": [
            {"rule": rule.rule, "asks": rule.asks, "computed": rule.computed, "fits": rule.fits} for rule in found.rules
        ],
        "findings": list(found.findings),
    }
