"""Watts of many appliances brought to the bus: cable runs, DC-DC converter, inverter with its rating."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.loads.history import LEVELS
from simulator.loads.inverter import inverter_draw_w
from simulator.scenario.parts import Appliance, Scenario

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


class AtBus(NamedTuple):
    """Watts at the bus and where they go, each ``(LEVELS, rows, hours)`` and cumulative by priority [W]."""

    all_w: Floats
    """Everything."""
    through_w: Floats
    """What goes through the inverter, its losses, idle draw and leads with it."""
    ac_w: Floats
    """At the inverter's output."""
    refused_w: Floats
    """Beyond the inverter's rating."""
    idle_w: Floats
    loss_w: Floats
    converter_w: Floats
    wiring_w: Floats


@dataclass
class Sums:
    """Mean watts and their variance, each ``(LEVELS, rows, hours)`` and cumulative by priority; appliances are independent.

    The variance matters where losses grow with the square: in copper and in the inverter.
    """

    bus_w: Floats
    """DC appliances on the bus itself."""
    low_w: Floats
    """12 V appliances behind the converter."""
    low_w2: Floats
    ac_w: Floats
    ac_w2: Floats
    cable_w: list[Floats]
    """At the far end of each cable that feeds appliances."""
    cable_w2: list[Floats]

    @classmethod
    def none(cls, scenario: Scenario, rows: int, hours: int) -> Sums:
        """Nothing yet."""

        def zero() -> Floats:
            return np.zeros((LEVELS, rows, hours))

        cables = range(len(scenario.cables))
        return cls(zero(), zero(), zero(), zero(), zero(), [zero() for _ in cables], [zero() for _ in cables])

    def copy(self) -> Sums:
        """Sums that can be changed apart from these."""
        return Sums(
            self.bus_w.copy(),
            self.low_w.copy(),
            self.low_w2.copy(),
            self.ac_w.copy(),
            self.ac_w2.copy(),
            [each.copy() for each in self.cable_w],
            [each.copy() for each in self.cable_w2],
        )

    def add(self, appliance: Appliance, scenario: Scenario, watts: Floats, variance_w2: Floats) -> None:
        """Add one appliance, ``(rows, hours)``."""
        level = appliance.priority
        if appliance.bus == "ac":
            self.ac_w[level:] += watts
            self.ac_w2[level:] += variance_w2
            return
        if appliance.via_converter and scenario.converter is not None:
            self.low_w[level:] += watts
            self.low_w2[level:] += variance_w2
        else:
            self.bus_w[level:] += watts
        for position, cable in enumerate(scenario.cables):
            if appliance.number in cable.appliances:
                self.cable_w[position][level:] += watts
                self.cable_w2[position][level:] += variance_w2


def at_bus(sums: Sums, scenario: Scenario, off: Flags, stored: Flags) -> AtBus:
    """Bring the sums to the bus.

    Parameters
    ----------
    sums : Sums
    scenario : Scenario
        Its cables, converter and inverter.
    off : (hours,)
        Hours in which the inverter is off.
    stored : (hours,)
        Hours in which the vehicle is off the road, and the converter off too.

    Returns
    -------
    AtBus
    """
    bus_w, low_w, low_w2, ac_w, ac_w2 = sums.bus_w, sums.low_w, sums.low_w2, sums.ac_w, sums.ac_w2
    wiring_w = np.zeros_like(bus_w)
    behind_w = np.zeros_like(bus_w)
    for cable, watts, variance_w2 in zip(scenario.cables, sums.cable_w, sums.cable_w2, strict=True):
        if cable.feeds != "appliances":
            continue
        # Amperes at the nominal voltage: mean of the square = square of the mean + variance.
        heat_w = cable.resistance_ohm / cable.volts**2 * (watts**2 + variance_w2)
        wiring_w += heat_w
        converter = scenario.converter
        if converter is not None and cable.volts == converter.output_v:
            behind_w += heat_w
    ahead_w = wiring_w - behind_w

    converter_w = np.zeros_like(bus_w)
    if scenario.converter is not None:
        efficiency_frac, idle_w = scenario.converter.efficiency_frac, scenario.converter.idle_w * ~stored
        output_w = low_w + behind_w
        converter_w = output_w * (1.0 / efficiency_frac - 1.0) + idle_w
        taken_w = output_w + converter_w
        lead_w = _lead_w(scenario, "converter", taken_w, low_w2 / efficiency_frac**2)
        wiring_w = wiring_w + lead_w
        bus_w = bus_w + taken_w + lead_w
    else:
        bus_w = bus_w + low_w + behind_w
    bus_w = bus_w + ahead_w

    rated_w = scenario.inverter.rated_w if scenario.inverter is not None else np.inf
    served_w = np.minimum(ac_w, rated_w)
    inverter_idle_w, loss_w = inverter_draw_w(scenario.inverter, served_w, off, ac_w2)
    through_w = served_w + inverter_idle_w + loss_w
    lead_w = _lead_w(scenario, "inverter", through_w, ac_w2)
    through_w = through_w + lead_w
    return AtBus(
        bus_w + through_w,
        through_w,
        served_w,
        ac_w - served_w,
        inverter_idle_w,
        loss_w,
        converter_w,
        wiring_w + lead_w,
    )


def _lead_w(scenario: Scenario, feeds: str, watts: Floats, variance_w2: Floats) -> Floats:
    """Heat in the leads of inverter or converter [W]."""
    heat_w = np.zeros_like(watts)
    for cable in scenario.cables:
        if cable.feeds == feeds:
            heat_w += cable.resistance_ohm / cable.volts**2 * (watts**2 + variance_w2)
    return heat_w
