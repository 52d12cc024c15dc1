"""What uses a bank up: damage by depth of cycle, heat, and weeks without a full charge; each model with its card.

The depth curve and its damage serve every chemistry; heat and partial charge are lead-acid's.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.battery.cycles import Cycles
from simulator.errors import InputError
from simulator.units import HOURS_PER_DAY

FloatArray = npt.NDArray[np.float64]

HALVING_K: Final = 10.0
"""Warmth above 25 C that halves a lead-acid life [K] (from memory, annexes of IEEE 450 and IEEE 1188: 8 to 10 K)."""
WARM_FROM_C: Final = 25.0
BOILING_C: Final = 100.0
"""Hotter than this the pace grows no further: the acid boils, and no law of ageing holds (no source)."""

PARTIAL_WEIGHT_PER_H: Final = 6.614e-5
PARTIAL_WEIGHT_LOW_PER_H: Final = 3.307e-3
"""Weights of an hour since the last full charge, whatever the charge was and at the lowest charge (Schiffer et al. 2007)."""
PARTIAL_WEIGHT_HELD_H: Final = 30.0 * HOURS_PER_DAY
"""The weight grows no further after this: beyond it nothing was measured (common practice, no source)."""
TEN_HOUR_RATE_PER_H: Final = 0.1
"""Current to which the weight refers, the ten-hour one (from memory, Schiffer et al. 2007)."""
CURRENT_RATIO_RANGE: Final = (0.1, 10.0)
"""Discharge currents, in ten-hour ones, for which the root in the weight is used as it stands (no source)."""


@dataclass(frozen=True)
class DepthCurve:
    """Cycles to end of life against depth, as a data sheet prints them.

    Parameters
    ----------
    depth_frac : tuple of float
        Rising depths, above 0 and up to 1.
    cycles_to_end : tuple of float
        Cycles to 80 % of the capacity at each depth, 25 C; never rising with depth.

    Raises
    ------
    InputError
        If the points are too few, out of range, out of order, or more cycles are promised for a deeper swing.
    """

    depth_frac: tuple[float, ...]
    cycles_to_end: tuple[float, ...]

    def __post_init__(self) -> None:
        depths, ends = self.depth_frac, self.cycles_to_end
        mistakes = []
        if len(depths) != len(ends) or not depths:
            mistakes.append(
                f"depth curve: expected as many cycle counts as depths, at least one, got {len(ends)} for {len(depths)}: "
                "give each depth its count."
            )
        # "not a < b" instead of "a >= b", so that a NaN is a mistake too.
        mistakes += [
            f"depth curve: expected a depth above 0 and up to 1, got {depth:g}: write 0.5 for half."
            for depth in depths
            if not 0 < depth <= 1
        ]
        mistakes += [
            f"depth curve: expected a positive number of cycles, got {end:g}: take the figure of the data sheet."
            for end in ends
            if not 0 < end < float("inf")
        ]
        mistakes += [
            f"depth curve: expected rising depths, got {after:g} after {before:g}: sort the points by depth."
            for before, after in pairwise(depths)
            if not before < after
        ]
        mistakes += [
            f"depth curve: expected fewer cycles for deeper ones, got {after:g} after {before:g}: "
            "check which column of the data sheet is which."
            for before, after in pairwise(ends)
            if after > before
        ]
        if mistakes:
            raise InputError(mistakes)

    def cycles_at(self, depth_frac: npt.ArrayLike) -> FloatArray:
        """Read the curve: cycles to end of life at a depth.

        Between the points log cycles is linear in log depth. Outside them the *charge* that can be moved until the end of
        life is held at that of the nearest point, so that ripples count by what they move: the life of shallow cycles is
        not flattered by continuing the slope, and a thousand ripples do not count as a thousand cycles of the first point.

        Parameters
        ----------
        depth_frac : array_like
            Depths above 0, up to 1.

        Returns
        -------
        ndarray
            Cycles [-], shape of depth_frac.
        """
        depth = np.asarray(depth_frac, dtype=np.float64)
        knots = np.asarray(self.depth_frac)
        held = np.clip(depth, knots[0], knots[-1])
        inside = np.exp(np.interp(np.log(held), np.log(knots), np.log(np.asarray(self.cycles_to_end))))
        return np.asarray(inside * held / depth)


def miner_damage(count: npt.ArrayLike, cycles_to_end: npt.ArrayLike) -> float:
    """Add up damage: each cycle uses up its share of the cycles to end of life at its size.

    Parameters
    ----------
    count : array_like
        Cycles [-].
    cycles_to_end : array_like
        Cycles to end of life of that size [-]; same shape.

    Returns
    -------
    float
        Damage [-]; 1 is the end of life.

    References
    ----------
    .. [1] M. A. Miner (1945), "Cumulative damage in fatigue", J. Appl. Mech. 12(3), A159-A164, doi:10.1115/1.4009458.
    """
    return float((np.asarray(count, dtype=np.float64) / np.asarray(cycles_to_end, dtype=np.float64)).sum())


def depth_damage(cycles: Cycles, curve: DepthCurve) -> float:
    """Damage of counted cycles by a depth curve.

    Card. *Data*: the maker's curve, full recharge after every cycle, 25 C. *Moves it*: depth and number. *Limits*: order,
    rate, temperature and time without a full charge do not enter; they are laid on top where a model for them exists.

    Parameters
    ----------
    cycles : Cycles
    curve : DepthCurve

    Returns
    -------
    float
        Damage [-]; 1 is the end of life.
    """
    return miner_damage(cycles.count, curve.cycles_at(cycles.depth_frac))


def years_to_end(damage_per_year: float, calendar_years: float) -> tuple[float, str]:
    """Tell the years to the end of life and what ends it.

    Parameters
    ----------
    damage_per_year : float
        Damage by cycles in a year [1/year], not negative.
    calendar_years : float
        Years the bank lasts on the shelf [years], above 0.

    Returns
    -------
    years : float
        The shorter of the two lives [years].
    ended_by : str
        ``cycles`` or ``calendar``; a tie is the calendar's.

    Raises
    ------
    ValueError
        If the damage is negative or the shelf life not positive.
    """
    if not damage_per_year >= 0 or not calendar_years > 0:
        raise ValueError(f"expected damage of at least 0 and a shelf life above 0, got {damage_per_year} and {calendar_years}")
    if damage_per_year * calendar_years > 1:
        return 1.0 / damage_per_year, "cycles"
    return calendar_years, "calendar"


def hourly_heat_factor(cell_c: npt.ArrayLike) -> FloatArray:
    """How much faster a lead-acid bank ages when warm: twice for every 10 K above 25 C, no credit below.

    Card. *Data*: float service of lead-acid cells (from memory, annexes of IEEE 450 and IEEE 1188, which give a halving of
    life for 8 to 10 K). *Moves it*: cell temperature. *Limits*: used for cycling too, which those tests did not do.

    Parameters
    ----------
    cell_c : array_like (hours,)
        Cell temperature [deg C].

    Returns
    -------
    ndarray (hours,)
        Pace of ageing, at least 1 [-].
    """
    warm_c = np.clip(np.asarray(cell_c, dtype=np.float64), WARM_FROM_C, BOILING_C)
    return np.asarray(2.0 ** ((warm_c - WARM_FROM_C) / HALVING_K))


def hourly_partial_charge_weight(soc: npt.ArrayLike, full_soc: float, discharge_rate_per_h: float) -> FloatArray:
    """How much more a lead-acid bank wears per ampere-hour, the longer and the lower it goes without a full charge.

    Card. *Data*: lead-acid banks in stand-alone systems. *Moves it*: hours since the last full charge, the lowest charge
    since, and the discharge current (small currents make coarse crystals). *Limits*: of the published weights those for
    poor recharges and for acid stratification are left out; the current is one average instead of each discharge's own;
    the weight is held after 30 days. It multiplies the damage of the depth curve, whose tests recharge fully every time.

    Parameters
    ----------
    soc : array_like (hours,)
        State of charge at the end of each hour, 0..1. The hour before the first is taken as a full charge.
    full_soc : float
        From here on the bank counts as full, 0..1.
    discharge_rate_per_h : float
        Mean rate of discharge [1/h], not negative.

    Returns
    -------
    ndarray (hours,)
        Weight of the charge drawn in each hour, at least 1 [-].

    References
    ----------
    .. [1] J. Schiffer, D. U. Sauer, H. Bindner, T. Cronin, P. Lundsager, R. Kaiser (2007), "Model prediction for ranking
       lead-acid batteries according to expected lifetime in renewable energy systems and autonomous power-supply systems",
       J. Power Sources 168(1), 66-78, doi:10.1016/j.jpowsour.2006.11.092: weights 6.614e-5 and 3.307e-3 per hour; the
       form f = 1 + (c0 + c_min (1 - lowest soc)) sqrt(I10 / I) t is from memory.
    """
    state = np.asarray(soc, dtype=np.float64)
    hour = np.arange(state.size)
    full = state >= full_soc - 1e-9
    since_h = hour - np.maximum.accumulate(np.where(full, hour, -1))
    # Each full charge lowers what follows by more than any swing, so that one running minimum starts anew at each.
    spell = np.cumsum(full)
    lowest = np.minimum.accumulate(state - 2.0 * spell) + 2.0 * spell
    ratio = np.clip(discharge_rate_per_h / TEN_HOUR_RATE_PER_H, *CURRENT_RATIO_RANGE)
    per_h = (PARTIAL_WEIGHT_PER_H + PARTIAL_WEIGHT_LOW_PER_H * (1.0 - lowest)) / np.sqrt(ratio)
    return np.asarray(1.0 + per_h * np.minimum(since_h, PARTIAL_WEIGHT_HELD_H))
