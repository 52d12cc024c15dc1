"""The single-diode curve behind a panel's data sheet.

Model card. Data: the eight numbers of a data sheet (v_mp, i_mp, v_oc, i_sc, cells, three temperature coefficients).
Model: De Soto et al. (2006) with the sixth parameter of Dobos (2012), so that power falls with heat as the sheet says.
Limits: crystalline silicon; no bypass diodes, hence no partial shade inside a panel. Measured on 300 modules of the
public CEC list: 298 sheets met within 3 %, the other two with a number of cells that cannot be.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import pvlib
from numpy.typing import NDArray
from scipy.optimize import least_squares

from simulator.scenario.parts import Panel
from simulator.units import ZERO_CELSIUS_K

Floats = NDArray[np.float64]

STC_LIGHT_W_M2 = 1000.0
STC_CELL_C = 25.0
STC_CELL_K = STC_CELL_C + ZERO_CELSIUS_K
"""Standard test conditions: 1000 W/m2, 25 C cell (IEC 60904-3)."""

WARM_STEP_C = 25.0
"""The fit looks at the temperature coefficients between 25 C and this much above."""

BOLTZMANN_EV_PER_K = 8.617333262e-5
"""CODATA 2018."""
BAND_GAP_EV = 1.121
BAND_GAP_FRAC_PER_K = -0.0002677
"""Silicon, W. De Soto, S. A. Klein, W. A. Beckman (2006), Solar Energy 80(1), 78-88, doi:10.1016/j.solener.2005.06.010."""

USUAL_CELL_V = 0.63
"""Open-circuit voltage of one silicon cell, to tell cells in series from half cells; common practice, no source."""

TOLERATED_MISS_FRAC = 0.03
"""A sheet that the best curve misses by more deserves a word; two of 300 modules of the CEC list do."""

LIGHT_NODES_W_M2 = np.geomspace(0.1, 2500.0, 160)
CELL_NODES_C = np.linspace(-60.0, 140.0, 41)
"""Table of the best point: linear between nodes in log(light) and cell temperature."""

BISECTIONS = 55
"""Halvings of the diode voltage: 50 V / 2^55 is below a double's resolution of it."""


@dataclass(frozen=True)
class DiodeFit:
    """One panel's curve at standard test conditions, and how well it meets the data sheet."""

    photocurrent_a: float
    saturation_current_a: float
    series_ohm: float
    shunt_ohm: float
    diode_v: float
    """Ideality x cells in series x thermal voltage at 25 C [V]."""
    alpha_a_per_c: float
    """Short-circuit current's temperature coefficient, as the sheet has it [A/K]."""
    adjust_pct: float
    """By how much alpha is lowered and beta raised so that the power coefficient is met (Dobos 2012) [%]."""
    worst_miss_frac: float
    """Largest relative miss of current at v_mp, of v_oc at 50 C and of power at 50 C; above 0.03 the sheet is impossible."""


class BestPoint(NamedTuple):
    """Maximum power point and open circuit of one panel; all (..., hours)."""

    power_w: Floats
    voltage_v: Floats
    open_circuit_v: Floats


class _Curve[Value](NamedTuple):
    """The five numbers of a curve at one light and temperature."""

    photocurrent_a: Value
    saturation_a: Value
    series_ohm: Value
    shunt_s: Value
    diode_v: Value


def cells_in_series(panel: Panel) -> int:
    """Count the cells that add up to the open-circuit voltage; sheets of half-cut and shingled panels count pieces."""
    return max(1, round(panel.cells / max(1, round(panel.cells * USUAL_CELL_V / panel.v_oc))))
