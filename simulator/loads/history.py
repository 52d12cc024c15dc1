"""What the loads are, hour by hour: the arrays that the hour loop meets, and the audit as the bus sees it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.scenario.parts import PRIORITIES

Floats = NDArray[np.float64]

LEVELS: Final = len(PRIORITIES)
"""Cumulative switch-off levels: essential; + comfort; + luxury."""
REST_W, REST_AC_W, PEAK_W, PEAK_AC_W = range(4)
"""Last axis of ``LoadHistory.bus_w``."""
COLUMNS: Final = 4


class AuditRow(NamedTuple):
    """One line of the audit as the bus sees it, averaged over the days of the trip."""

    name: str
    power_w: float
    """While running, at the appliance (of the idle rows: at the bus)."""
    wh_per_day: float
    """At the bus, an AC appliance with its share of the inverter's losses; what a hookup carried is not in it."""
    priority: int


@dataclass(frozen=True, eq=False)
class LoadHistory:
    """Watts of every hour. ``rows`` is 1, or one row a weather year when an appliance follows the weather.

    ``rest * (1 - peak_h) + peak * peak_h`` is the energy of the hour. Arrays of ``(hours,)`` tell of the first row, and there
    ``dc_w[-1]`` = DC appliances + ``ac_w`` + ``inverter_loss_w`` + ``inverter_idle_w`` + ``converter_loss_w`` +
    ``wiring_loss_w``.
    """

    bus_w: Floats
    """``(rows, hours, LEVELS, 4)`` at the terminals of the bus, cumulative by priority [W]: outside the peak, the part of that
    which is gone when the inverter is off (what goes through it, its losses and idle draw with it; 0 where it feeds nothing, and
    nobody would miss it), and the same two in the peak."""
    peak_h: Floats
    """``(rows, hours)`` part of the hour in which the peak holds [h]; 0: there is none, and PEAK equals REST."""
    overload_w: Floats
    """``(rows, hours)`` mean watts at the inverter's output that it refuses, not in ``bus_w`` [W]."""
    overload_names: tuple[str, ...]
    """Appliances that asked for what was refused."""
    ac_w: Floats
    """``(hours,)`` at the inverter's output [W]."""
    hookup_w: Floats
    """``(hours,)`` AC appliances fed straight from the hookup, not on the bus [W]."""
    inverter_idle_w: Floats
    """``(hours,)`` constant term of the inverter's law while it is on, or what it draws asleep [W]."""
    inverter_loss_w: Floats
    """``(hours,)`` the terms of the law that grow with the load [W]."""
    converter_loss_w: Floats
    """``(hours,)`` what the DC-DC converter loses, its idle draw with it [W]."""
    wiring_loss_w: Floats
    """``(hours,)`` heat in the cable runs [W]."""
    audit: tuple[AuditRow, ...]
    """One row an appliance, in the order of the scenario, then inverter, converter and wiring; they add up to ``dc_w[-1]``."""
    medical_w: tuple[Floats, ...] = ()
    """``(hours,)`` each: what each appliance marked medical asks of bus or inverter, in the order of the scenario [W]."""
    notes: tuple[str, ...] = ()
    """What a person should know about these loads, a sentence each."""

    @cached_property
    def mean_w(self) -> Floats:
        """``(rows, hours, LEVELS)`` mean of each hour at the bus, cumulative by priority [W]."""
        peak_h = self.peak_h[..., None]
        return np.asarray(self.bus_w[..., REST_W] * (1.0 - peak_h) + self.bus_w[..., PEAK_W] * peak_h)

    @property
    def dc_w(self) -> Floats:
        """``(LEVELS, hours)`` mean of each hour at the bus in the first row, cumulative by priority [W]."""
        return np.ascontiguousarray(self.mean_w[0].T)
