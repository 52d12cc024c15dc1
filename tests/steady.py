"""A year of use that is the same from end to end, for checks of the laws of fade against closed forms."""

from __future__ import annotations

import numpy as np

from simulator.battery.fade import Use
from simulator.units import DAYS_PER_YEAR, HOURS_PER_DAY


def steady_use(soc: float, cell_c: float, depth_frac: float, full_cycles_per_year: float, rate_per_h: float) -> Use:
    """Make a year that is the same from end to end.

    Parameters
    ----------
    soc, cell_c : float
        State of charge 0..1 and cell temperature [deg C], all year.
    depth_frac : float
        Depth of every cycle, 0..1.
    full_cycles_per_year : float
        Full cycles a year [-].
    rate_per_h : float
        Rate of charge and discharge [1/h].

    Returns
    -------
    Use
    """
    return Use(
        soc=np.array([soc]),
        cell_c=np.array([cell_c]),
        weight_h=np.array([DAYS_PER_YEAR * HOURS_PER_DAY]),
        depth_frac=np.array([depth_frac]),
        full_cycles=np.array([full_cycles_per_year]),
        rate_per_h=rate_per_h,
    )
