"""The two wells of a bank, fitted to what its data sheet says it yields at several rates.

A unit drawn at constant current for t hours until its available well is empty yields (Manwell & McGowan 1993)

    q(t) = q_all k c t / (1 - r + c (k t - 1 + r)),    r = exp(-k t)

or, with f(x) = (1 - exp(-x)) / x, the reciprocal 1 / q(t) = (1 / q_all) (1 + (1 / c - 1) f(k t)): for a given k a straight line
in f, whose level is the whole charge and whose slope is the share that is available at once. So only k is searched for.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.scenario.parts import Bank

FloatArray = npt.NDArray[np.float64]

K_RANGE_PER_H: Final = (0.02, 50.0)
"""Rates searched: wells that level out within a minute, or not within two days, are no wells at the rates of a data sheet."""
GRID: Final = 200
"""Rates looked at before the best of them is refined: the misfit may have more than one valley."""


@dataclass(frozen=True)
class Wells:
    """Two wells of one unit.

    Attributes
    ----------
    c : float
        Share of the charge that is available at once, 0..1; 1 is a single well.
    k_per_h : float
        Rate at which the wells level out [1/h].
    charge_ah : float
        The whole charge of both wells, as an endless current would draw it [Ah].
    worst_misfit_frac : float
        Largest miss of a capacity that was fitted, as a share of it.
    """

    c: float
    k_per_h: float
    charge_ah: float
    worst_misfit_frac: float

    def capacity_ah(self, hours: npt.ArrayLike) -> FloatArray:
        """Charge drawn at a constant current that empties the unit in this time [Ah]; shape of ``hours``."""
        return np.asarray(
            self.charge_ah / (1.0 + (1.0 / self.c - 1.0) * _levelled(self.k_per_h * np.asarray(hours, dtype=np.float64)))
        )


def _levelled(x: FloatArray) -> FloatArray:
    """f(x) = (1 - exp(-x)) / x."""
    return np.asarray(-np.expm1(-x) / x)


@cache
def fit_wells(capacities: tuple[tuple[float, float], ...], k_per_h: float) -> Wells:
    """Fit the two wells to capacities at constant current.

    Card. *Data*: two or more rows of a data sheet. With two rows the rate at which the wells level out cannot be told and
    is taken as given; with three or more all constants are fitted. *Moves it*: the spread between slow and fast rates.
    *Limits*: one temperature; says nothing between rests that the sheet did not try.

    Parameters
    ----------
    capacities : tuple of (hours, Ah)
        At least two, hours and ampere-hours rising.
    k_per_h : float
        Rate to take when there are only two rows [1/h].

    Returns
    -------
    Wells
        With the smallest sum of squared relative misfits.

    Raises
    ------
    ValueError
        If there are fewer than two rows.

    References
    ----------
    .. [1] J. F. Manwell, J. G. McGowan (1993), "Lead acid battery storage model for hybrid energy systems", Solar Energy
       50(5), 399-405, doi:10.1016/0038-092X(93)90060-2.
    """
    if len(capacities) < 2:
        raise ValueError(f"expected at least two capacities, got {len(capacities)}")
    # scipy takes half a second to load: only a bank with such rows asks for it.
    from scipy.optimize import minimize_scalar, nnls

    rows = np.asarray(capacities, dtype=np.float64)
    hours, drawn_ah = rows[:, 0], rows[:, 1]

    def line(log_k: float) -> tuple[FloatArray, float]:
        """Level and slope of 1 / q over f, both at least 0, and the misfit."""
        design = np.stack([np.ones_like(hours), _levelled(np.exp(log_k) * hours)], axis=1) * drawn_ah[:, None]
        found, miss = nnls(design, np.ones_like(hours))
        return found, float(miss)

    log_k = float(np.log(k_per_h))
    if len(capacities) > 2:
        grid = np.linspace(np.log(K_RANGE_PER_H[0]), np.log(K_RANGE_PER_H[1]), GRID)
        best = int(np.argmin([line(value)[1] for value in grid]))
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, GRID - 1)]
        log_k = float(
            minimize_scalar(lambda value: line(value)[1], bounds=(low, high), method="bounded", options={"xatol": 1e-10}).x
        )
    (level, slope), _ = line(log_k)
    # A level of 0 would be a charge without end: the sheet then asks for more than two wells can say. Hold a share of 5 %.
    level = max(level, 0.05 / 0.95 * slope)
    # What rounding leaves of a slope is no second well.
    slope = 0.0 if slope < 1e-6 * level else slope
    wells = Wells(
        c=float(level / (level + slope)), k_per_h=float(np.exp(log_k)), charge_ah=float(1.0 / level), worst_misfit_frac=0.0
    )
    misfit = float(np.abs(wells.capacity_ah(hours) / drawn_ah - 1.0).max())
    return Wells(wells.c, wells.k_per_h, wells.charge_ah, misfit)


def bank_wells(bank: Bank) -> Wells:
    """Wells of one unit of a bank: fitted to its capacities, or as its preset has them with the rated charge as the whole."""
    if bank.capacities:
        return fit_wells(bank.capacities, bank.well_k_per_h)
    return Wells(bank.well_c, bank.well_k_per_h, bank.unit_ah, 0.0)


def bank_charge_ah(bank: Bank) -> float:
    """Whole charge of the bank in its present state of health [Ah]."""
    return bank_wells(bank).charge_ah * bank.in_parallel * bank.soh_start
