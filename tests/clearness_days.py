"""The daily chain of the drawn weather alone, for checks of its figures against those of others."""

from __future__ import annotations

import numpy as np

from simulator.weather import draws
from simulator.weather.clouds import CLEAREST_KT, clearness_quantiles, gaussian_lag1
from simulator.weather.normals import Normals


def draw_daily_clearness(normals: Normals, month: draws.Ints, years: int, seed: int, first_year: int = 0) -> draws.Floats:
    """Draw the clearness index of successive days at one place.

    Parameters
    ----------
    normals : Normals
    month : ndarray of int (days,)
        Month of each day, 0 is January.
    years, seed, first_year : int
        As in :func:`simulator.weather.draws.draw_weather`.

    Returns
    -------
    ndarray (years, days)
        Within 0.03..0.82, unless the months' means ask for more.

    Raises
    ------
    InputError
        ``years``, ``seed`` or ``first_year`` cannot be.
    """
    draws._check_counts(years, seed, first_year)
    kinds, kind = np.unique(month, return_inverse=True)
    each = [(float(normals.kt[number]), float(normals.kt_spread[number]), CLEAREST_KT) for number in kinds.tolist()]
    tables = [clearness_quantiles(*three) for three in each]
    lag1 = np.array([gaussian_lag1(*three, normals.kt_lag1) for three in each])[kind]
    chance = draws._daily_chance(seed, range(first_year, first_year + years), len(month))
    return draws._bent(draws._chain(chance[:, :, draws._CLEARNESS], lag1), kind, tables)
