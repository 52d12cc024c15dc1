"""Published laws of how lithium iron phosphate cells fade, each with a card: what it was fitted on, what moves it, its limits.

Three models of the share of the capacity lost on the shelf and by cycling: `naumann_loss`, which carries the estimate, and
two others that tell how far published models differ, `cylindrical_loss` and `prismatic_loss`. All take a `Use` (what one
year asks of the bank) and years, and return both losses apart.

Under changing conditions each law is continued from its *virtual time*: the time after which today's conditions alone would
have brought the loss of today. For a law q = k x^p that makes q^(1/p) a plain sum of k^(1/p) dx, so neither the order of the
conditions nor the cutting of the time into pieces matters.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.units import DAYS_PER_YEAR, SECONDS_PER_HOUR, ZERO_CELSIUS_K

FloatArray = npt.NDArray[np.float64]

GAS_CONSTANT_J_PER_MOL_K: Final = 8.314
"""Molar gas constant, rounded as is usual where activation energies are fitted."""
REFERENCE_K: Final = 25.0 + ZERO_CELSIUS_K

# Naumann et al. 2018, calendar: share lost per root of a second, activation energy, cubic in the state of charge.
NAUMANN_K_PER_SQRT_S: Final = 1.2571e-5
NAUMANN_EA_J_PER_MOL: Final = 17126.0
NAUMANN_SOC: Final = (2.8575, 0.60225)
# Naumann et al. 2018, calendar, growth of the resistance: share per second.
NAUMANN_R_K_PER_S: Final = 3.4194e-10
NAUMANN_R_EA_J_PER_MOL: Final = 71827.0
NAUMANN_R_SOC: Final = (-3.3903, 1.5604)
# Naumann et al. 2020, cycling: percent per root of a full cycle, linear in the rate, cubic in the depth.
NAUMANN_RATE: Final = (0.0630, 0.0971)
NAUMANN_DEPTH: Final = (4.0253, 1.0923)
# Naumann et al. 2020, cycling, growth of the resistance: percent per full cycle.
NAUMANN_R_RATE: Final = (-0.0020, 0.0021)
NAUMANN_R_DEPTH: Final = (6.8477, 0.91882)

CALENDAR_RANGE_C: Final = (0.0, 60.0)
"""Temperatures of the storage tests (from memory, Naumann et al. 2018: 0, 10, 25, 40 and 60 C)."""
CYCLE_RANGE_C: Final = (10.0, 45.0)
"""Widest span of the cycling tests behind the three laws (cards of `prismatic_loss` and `cylindrical_loss`)."""
RATE_RANGE_PER_H: Final = (0.2, 1.0)
"""Rates of the cycling tests (from memory, Naumann et al. 2020: C/5, C/2 and 1C)."""
REFIT_DEPTH_RANGE_FRAC: Final = (0.8, 1.0)
"""Depths for which the two other models say they are valid; shallower cycles are held at the edge."""


@dataclass(frozen=True)
class Use:
    """What one year asks of a bank.

    Attributes
    ----------
    soc, cell_c : ndarray (samples,)
        State of charge 0..1 and cell temperature [deg C].
    weight_h : ndarray (samples,)
        Hours of the year each sample stands for [h]; they sum to a year.
    depth_frac, full_cycles : ndarray (cycles,)
        Depth of each counted cycle, 0..1, and the full cycles it amounts to in a year [-].
    rate_per_h : float
        Rate at which charge moves in and out, averaged over the charge moved [1/h]; 1 fills the bank in an hour.
    """

    soc: FloatArray
    cell_c: FloatArray
    weight_h: FloatArray
    depth_frac: FloatArray
    full_cycles: FloatArray
    rate_per_h: float

    def mean(self, values: FloatArray) -> float:
        """Average over the year of values given at each sample."""
        return float(np.average(values, weights=self.weight_h))


def _arrhenius(cell_c: FloatArray, activation_j_per_mol: float) -> FloatArray:
    inverse_k: FloatArray = 1.0 / (cell_c + ZERO_CELSIUS_K) - 1.0 / REFERENCE_K
    return np.exp(-activation_j_per_mol / GAS_CONSTANT_J_PER_MOL_K * inverse_k)


def naumann_calendar_k(soc: npt.ArrayLike, cell_c: npt.ArrayLike) -> FloatArray:
    """Share of the capacity lost on the shelf per root of a second.

    Parameters
    ----------
    soc : array_like
        State of charge, 0..1.
    cell_c : array_like
        Cell temperature [deg C], valid 0..60.

    Returns
    -------
    ndarray
        k in q = k sqrt(t) [s^-1/2], broadcast shape of the two.

    References
    ----------
    .. [1] M. Naumann, M. Schimpe, P. Keil, H. C. Hesse, A. Jossen (2018), "Analysis and modeling of calendar aging of a
       commercial LiFePO4/graphite cell", J. Energy Storage 17, 153-169, doi:10.1016/j.est.2018.01.019.
    """
    state = np.asarray(soc, dtype=np.float64)
    temperature = np.asarray(cell_c, dtype=np.float64)
    shape = NAUMANN_SOC[0] * (state - 0.5) ** 3 + NAUMANN_SOC[1]
    return NAUMANN_K_PER_SQRT_S * _arrhenius(temperature, NAUMANN_EA_J_PER_MOL) * shape


def naumann_cycle_k(depth_frac: npt.ArrayLike, rate_per_h: float) -> FloatArray:
    """Share of the capacity lost by cycling per root of a full cycle.

    Parameters
    ----------
    depth_frac : array_like
        Depth of the cycles, 0..1.
    rate_per_h : float
        Rate of charge and discharge [1/h], fitted from 0.2 to 1; the law is linear and is continued outside.

    Returns
    -------
    ndarray
        k in q = k sqrt(full cycles) [-], shape of depth_frac.

    References
    ----------
    .. [1] M. Naumann, F. B. Spingler, A. Jossen (2020), "Analysis and modeling of cycle aging of a commercial
       LiFePO4/graphite cell", J. Power Sources 451, 227666, doi:10.1016/j.jpowsour.2019.227666.
    """
    depth = np.asarray(depth_frac, dtype=np.float64)
    rate = NAUMANN_RATE[0] * rate_per_h + NAUMANN_RATE[1]
    return rate * (NAUMANN_DEPTH[0] * (depth - 0.6) ** 3 + NAUMANN_DEPTH[1]) / 100.0


@dataclass(frozen=True)
class NaumannState:
    """How far a lithium iron phosphate cell has aged by the laws of Naumann et al.; to be continued piece by piece.

    The losses are kept squared, which makes continuing from virtual time a plain sum (module docstring). The growth of the
    resistance is linear in time and full cycles and needs no such care; where its law would turn negative (faster than
    about 1C) it stands still.

    References
    ----------
    .. [1] Naumann et al. (2018), doi:10.1016/j.est.2018.01.019; Naumann et al. (2020), doi:10.1016/j.jpowsour.2019.227666.
    """

    calendar_loss_squared: float = 0.0
    cycle_loss_squared: float = 0.0
    resistance_gain_frac: float = 0.0

    @property
    def calendar_loss_frac(self) -> float:
        """Share of the first capacity lost on the shelf, 0..1."""
        return float(np.sqrt(self.calendar_loss_squared))

    @property
    def cycle_loss_frac(self) -> float:
        """Share of the first capacity lost by cycling, 0..1."""
        return float(np.sqrt(self.cycle_loss_squared))

    @property
    def soh(self) -> float:
        """Share of the first capacity that is left, not below 0."""
        return max(0.0, 1.0 - self.calendar_loss_frac - self.cycle_loss_frac)

    def after_time(self, soc: npt.ArrayLike, cell_c: npt.ArrayLike, each_h: npt.ArrayLike = 1.0) -> NaumannState:
        """Let time pass.

        Parameters
        ----------
        soc, cell_c : array_like (samples,)
            State of charge 0..1 and cell temperature [deg C].
        each_h : array_like, optional
            Length of each sample [h].

        Returns
        -------
        NaumannState
        """
        state, temperature, length_h = np.broadcast_arrays(
            np.asarray(soc, dtype=np.float64), np.asarray(cell_c, dtype=np.float64), np.asarray(each_h, dtype=np.float64)
        )
        seconds = length_h * SECONDS_PER_HOUR
        shape = NAUMANN_R_SOC[0] * (state - 0.5) ** 3 + NAUMANN_R_SOC[1]
        gain = NAUMANN_R_K_PER_S * _arrhenius(temperature, NAUMANN_R_EA_J_PER_MOL) * shape
        return replace(
            self,
            calendar_loss_squared=self.calendar_loss_squared
            + float((naumann_calendar_k(state, temperature) ** 2 * seconds).sum()),
            resistance_gain_frac=self.resistance_gain_frac + float((gain * seconds).sum()),
        )

    def after_cycles(self, depth_frac: npt.ArrayLike, full_cycles: npt.ArrayLike, rate_per_h: float) -> NaumannState:
        """Let cycles pass.

        Parameters
        ----------
        depth_frac : array_like (cycles,)
            Depth of each cycle, 0..1.
        full_cycles : array_like (cycles,)
            Full cycles each of them amounts to [-]: depth times count.
        rate_per_h : float
            Rate of charge and discharge [1/h].

        Returns
        -------
        NaumannState
        """
        depth = np.asarray(depth_frac, dtype=np.float64)
        amount = np.asarray(full_cycles, dtype=np.float64)
        rate = max(0.0, NAUMANN_R_RATE[0] * rate_per_h + NAUMANN_R_RATE[1])
        gain = rate * np.maximum(0.0, NAUMANN_R_DEPTH[0] * (depth - 0.5) ** 3 + NAUMANN_R_DEPTH[1]) / 100.0
        return replace(
            self,
            cycle_loss_squared=self.cycle_loss_squared + float((naumann_cycle_k(depth, rate_per_h) ** 2 * amount).sum()),
            resistance_gain_frac=self.resistance_gain_frac + float((gain * amount).sum()),
        )


def naumann_loss(use: Use, years: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Lose capacity by the laws of Naumann et al., the same year over and over.

    Card. *Data*: a commercial 3 Ah cylindrical LFP/graphite cell; about 29 months of storage at 0-60 C and 0-100 % charge,
    cycling at 40 C over depths up to 100 % and rates from C/5 to 1C (spans from memory). *Moves it*: temperature and state
    of charge on the shelf; depth and rate in cycling, temperature not. *Limits*: says nothing about charging in the cold
    (plating), large or cheap cells, vibration or the electronics; ten years are an extrapolation by a root of time.

    Parameters
    ----------
    use : Use
        What a year asks of the bank.
    years : array_like
        Years of such use [years].

    Returns
    -------
    calendar_loss_frac, cycle_loss_frac : ndarray
        Shares of the first capacity lost on the shelf and by cycling; shape of years.

    References
    ----------
    .. [1] Naumann et al. (2018), doi:10.1016/j.est.2018.01.019; Naumann et al. (2020), doi:10.1016/j.jpowsour.2019.227666.
    """
    year = NaumannState().after_time(use.soc, use.cell_c, use.weight_h)
    year = year.after_cycles(use.depth_frac, use.full_cycles, use.rate_per_h)
    root = np.sqrt(np.asarray(years, dtype=np.float64))
    return year.calendar_loss_frac * root, year.cycle_loss_frac * root


def anode_potential_v(soc: npt.ArrayLike) -> FloatArray:
    """Potential of the graphite electrode against lithium, which drives the fade on the shelf.

    Parameters
    ----------
    soc : array_like
        State of charge of the cell, 0..1; the graphite is lithiated from 0.0085 to 0.78.

    Returns
    -------
    ndarray
        Potential [V], shape of soc.

    References
    ----------
    .. [1] M. Safari, C. Delacourt (2011), "Modeling of a commercial graphite/LiFePO4 cell", J. Electrochem. Soc. 158(5),
       A562-A571, doi:10.1149/1.3567007.
    .. [2] M. Schimpe et al. (2018), J. Electrochem. Soc. 165(2), A181-A193, doi:10.1149/2.1181714jes (the span).
    """
    lithiation = 0.0085 + np.asarray(soc, dtype=np.float64) * (0.78 - 0.0085)
    return np.asarray(
        0.6379
        + 0.5416 * np.exp(-305.5309 * lithiation)
        - 0.044 * np.tanh((lithiation - 0.1958) / 0.1088)
        - 0.1978 * np.tanh((lithiation - 1.0571) / 0.0854)
        - 0.6875 * np.tanh((lithiation + 0.0117) / 0.0529)
        - 0.0175 * np.tanh((lithiation - 0.5692) / 0.0875)
    )


def cylindrical_loss(use: Use, years: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Lose capacity by the refit of the same cylindrical cell, whose shelf loss levels off.

    Card. *Data*: the cell and tests of `naumann_loss`, with laws found anew by symbolic regression. *Moves it*: temperature
    and anode potential on the shelf; depth and rate in cycling. *Limits*: cycling tested from 20 to 40 C, depths from 0.8
    to 1 (shallower cycles are held at 0.8) and up to 1C of charge; its shelf law breaks down outside the 0 to 60 C of the
    tests, where the temperature is held; the break-in term above three full cycles a day is left out, as a bank that lives
    on the sun never gets there. Rates are averaged over the year, as their authors do over a step.

    Parameters
    ----------
    use : Use
        What a year asks of the bank.
    years : array_like
        Years of such use [years].

    Returns
    -------
    calendar_loss_frac, cycle_loss_frac : ndarray
        Shares of the first capacity lost on the shelf and by cycling; shape of years.

    References
    ----------
    .. [1] P. Gasper, N. Collath, H. C. Hesse, A. Jossen, K. Smith (2022), "Machine-learning assisted identification of
       accurate battery lifetime models with uncertainty", J. Electrochem. Soc. 169, 080518, doi:10.1149/1945-7111/ac86a8;
       coefficients as published with blast-lite 1.1.1.
    """
    span_years = np.asarray(years, dtype=np.float64)
    kelvin = np.clip(use.cell_c, *CALENDAR_RANGE_C) + ZERO_CELSIUS_K
    anode_v = anode_potential_v(use.soc)
    extent = use.mean(0.98968715 * np.exp((-2881067.56019324 / kelvin**2 + 8742.06309157 / kelvin) * np.sqrt(anode_v)))
    shape = use.mean(
        3.32850281e-4
        * np.exp(
            (734553185711.369 / kelvin**4 - 3284991315.45121 / kelvin**3) * np.cbrt(anode_v)
            + (-2.82161575620780e-6 * kelvin**3 + 1.27227593657290e-3 * kelvin**2) * anode_v**0.25
        )
    )
    calendar = 2.0 * extent * (0.5 - 1.0 / (1.0 + np.exp((1.30510034e-4 * span_years * DAYS_PER_YEAR) ** shape)))
    depth = np.clip(use.depth_frac, *REFIT_DEPTH_RANGE_FRAC)
    pace = np.abs(-6.81260579e-6 + 2.59615973e-5 * depth + 2.11559710e-6 * np.exp(depth**2 * use.rate_per_h**3))
    return calendar, (float((pace * use.full_cycles).sum()) * span_years) ** 1.12847759


def prismatic_loss(use: Use, years: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Lose capacity by the law of a large prismatic cell.

    Card. *Data*: a commercial prismatic LFP/graphite cell above 250 Ah, 10-45 C, charged at 0.65C at most (0.16C at 10 C).
    *Moves it*: temperature and anode potential on the shelf; depth, rate and, the other way round, temperature in cycling.
    *Limits*: depths from 0.8 to 1 (shallower cycles are held at 0.8); poor outside the temperatures tested, at whose edge it
    is held; gentle rates. Rates are averaged over the year, as their authors do over a step.

    Parameters
    ----------
    use : Use
        What a year asks of the bank.
    years : array_like
        Years of such use [years].

    Returns
    -------
    calendar_loss_frac, cycle_loss_frac : ndarray
        Shares of the first capacity lost on the shelf and by cycling; shape of years.

    References
    ----------
    .. [1] P. Gasper, A. Saxon, Y. Shi, E. Endler, K. Smith, F. M. Thakkar (2023), "Degradation and modeling of large-format
       commercial lithium-ion cells as a function of chemistry, design, and aging conditions", J. Energy Storage 73, 109042,
       doi:10.1016/j.est.2023.109042; coefficients as published with blast-lite 1.1.1.
    """
    span_years = np.asarray(years, dtype=np.float64)
    kelvin = np.clip(use.cell_c, *CYCLE_RANGE_C) + ZERO_CELSIUS_K
    shelf = use.mean(8.37e4 * np.exp((-5.21e3 - 3.56e3 * anode_potential_v(use.soc)) / kelvin))
    warmth = use.mean(np.exp(2.19e3 / kelvin) + np.exp(-1.55e5 / kelvin))
    depth = np.clip(use.depth_frac, *REFIT_DEPTH_RANGE_FRAC)
    pace = (4.38e-8 + 1.55e-8 * depth + 1.68e-7 * use.rate_per_h) * warmth
    moved = float((pace ** (1.0 / 0.828) * use.full_cycles).sum())
    return shelf * (span_years * DAYS_PER_YEAR) ** 0.526, (moved * span_years) ** 0.828


LossLaw = Callable[[Use, npt.ArrayLike], tuple[FloatArray, FloatArray]]

LFP_LAWS: Final[dict[str, LossLaw]] = {
    "Naumann 2018/2020": naumann_loss,
    "Gasper 2022": cylindrical_loss,
    "Gasper 2023": prismatic_loss,
}
"""Published models of the fade, the one that carries the estimate first."""
