"""Years of weather drawn by chance from monthly normals; nothing else in the weather holds a random generator.

Three layers, each tied to the one above:

* the **days**: how much of the light beyond the atmosphere comes through (the clearness index kt), as a Gaussian chain from day to
  day, laid on a beta distribution between a black sky and a clear one that has the month's own mean and spread; the chain runs on
  when the vehicle moves, so that weather travels along, while mean and spread become those of the new stop;
* the **hours** of light: clouds come and go as a second chain, bounded by the clear sky, and then brought to exactly the day's sum;
  diffuse and direct light follow from each hour's clearness;
* the **air**: a third chain for how unusual the day's mean temperature is, a daily range that is wide under clear skies, a course of
  the day by the sun's time; and a wind per day.

A year's chance hangs on (seed, number of the year) and on the day of the calendar alone: 200 years begin with the same 100 bit for
bit, in whatever pieces they are drawn, and a trip that starts a week later meets the same weather.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.signal import lfilter
from scipy.special import betaincinv, gamma, gammaln, log_ndtr, ndtr

from simulator.errors import InputError
from simulator.units import FULL_TURN_DEG, HOURS_PER_DAY
from simulator.weather.normals import Normals
from simulator.weather.seasons import hourly_solar_time, month_position, seasonal_knots, seasonal_values

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LOWEST_KT, CLEAREST_KT = 0.03, 0.82
"""The darkest and the brightest day; with these ends a beta distribution gives the runs of dark days of 40 site-years."""
_ROOM_KT: Final = 0.06
"""A month's mean stays this far below its brightest day."""
_WIDEST_SHARE: Final = 0.7
"""Widest spread, as a share of what all-or-nothing days would have; wider ones would pile up at both ends."""

HOURLY_SD: Final = 0.21
"""How far the clouds of an hour carry it from the day's mean, in the middle between a black sky and a clear one, as a share of the
clear sky; less towards both ends (the sine of V. A. Graham, K. G. T. Hollands 1990, Solar Energy 44(6), 333-341). Set so that the
spread inside a day is 0.16 after everything below, as in 40 site-years."""
HOURLY_LAG1: Final = 0.54
"""Correlation from hour to hour (Graham & Hollands 1990); about the mean of its own day it comes out as 0.43, as in 40 site-years."""
_DARKEST_SHARE: Final = 0.05
"""No hour is darker than this share of its day's mean (common practice, no source)."""
CLEAREST_TURBIDITY: Final = 2.0
"""Linke turbidity of very clean, cold air (F. Kasten 1996, Solar Energy 56(3), 239-244): the bound of a clear hour."""

TEMP_LAG1: Final = 0.62
"""Day-to-day correlation of the anomaly of the mean temperature; 40 site-years, and C. W. Richardson (1981), Water Resour. Res. 17(1)."""
RANGE_LOG_SD: Final = 0.38
"""Spread of the logarithm of the daily range about its month (common practice, no source)."""
RANGE_KT_TIE: Final = 0.6
"""Ties the range to the day's clearness, on the Gaussian scale; comes out as a correlation of 0.55, as in 40 site-years."""
COLDEST_H, WARMEST_H = 4.6, 13.6
"""Hours by the sun of the lowest and highest temperature; 40 site-years."""
WIND_SHAPE: Final = 3.0
"""Weibull shape of the day's mean wind about the month's (from memory; it only cools the panels a little)."""

_NODES = np.linspace(-5.5, 5.5, 1101)
"""Where the beta distribution is tabled, on the Gaussian scale; one day in 50 million lies outside."""
_HERMITE_X, _HERMITE_WEIGHT = np.polynomial.hermite_e.hermegauss(80)
_HERMITE_ORDERS: Final = 12
_BLOCK_VALUES: Final = 200_000
"""Hours times years worked on at a time, so that they stay in the processor's cache; has no influence on any number."""
_CLEARNESS, _WARMTH, _RANGE, _WIND = range(4)
"""Columns of a day's chance."""


def draw_weather(
    normals_by_stop: Sequence[Normals],
    stop: Ints,
    utc: pd.DatetimeIndex,
    longitude_deg: ArrayLike,
    cos_zenith: Floats,
    dni_extra: Floats,
    day: Ints,
    years: int,
    seed: int,
    first_year: int = 0,
) -> dict[str, Floats]:
    """Draw years of hourly weather along a route.

    Parameters
    ----------
    normals_by_stop : sequence of Normals (stops,)
        What the weather is like at each stop, temperatures at the stop's height (:meth:`Normals.at_elevation`).
    stop : ndarray of int (hours,)
        Which of them each hour has.
    utc : DatetimeIndex (hours,)
        Tz-aware, hourly, label = start of the hour.
    longitude_deg : array_like, scalar or (hours,)
        Gives the time by the sun; east is positive [deg].
    cos_zenith : ndarray (hours,)
        Of the sun in the middle of each hour; zero or less: it is down.
    dni_extra : ndarray (hours,)
        Light facing the sun beyond the atmosphere [W/m2].
    day : ndarray of int (hours,)
        Number of the local day, from 0, never decreasing, none left out.
    years : int
        How many; 1 or more.
    seed : int
        0 or more.
    first_year : int
        Number of the first of them: ``years=100, first_year=100`` is the second half of ``years=200``.

    Returns
    -------
    dict of str to ndarray (years, hours)
        ``ghi dni dhi`` [W/m2], ``temp_air`` [deg C], ``wind_speed`` [m/s].

    Raises
    ------
    InputError
        ``years``, ``seed`` or ``first_year`` cannot be.
    """
    _check_counts(years, seed, first_year)
    route = _Route.laid_out(normals_by_stop, stop, utc, longitude_deg, cos_zenith, dni_extra, day)
    table = {name: np.zeros((years, route.hours)) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")}
    block = max(1, _BLOCK_VALUES // route.hours)
    for begin in range(0, years, block):
        numbers = range(first_year + begin, first_year + min(begin + block, years))
        rows = slice(begin, begin + len(numbers))
        chance = _daily_chance(seed, numbers, route.position, route.days + 2)
        latent = _chain(chance[:, :, _CLEARNESS], route.kt_lag1)
        kt = route.kt_of(latent[:, 1:-1])
        table["temp_air"][rows] = _hourly_temperature(route, latent, chance)
        table["wind_speed"][rows] = route.wind_m_s * _wind_factor(chance[:, 1:-1, _WIND])[:, route.day]
        lit = route.lit
        ghi = _lit_ghi(route, kt, _hourly_chain(seed, numbers, route.position, route.hours)[:, lit])
        dni, dhi = split_by_erbs(ghi, route.lit_cos_zenith, route.lit_beyond)
        for name, values in (("ghi", ghi), ("dni", dni), ("dhi", dhi)):
            table[name][rows, lit] = values
    return table


def draw_daily_clearness(normals: Normals, month: Ints, years: int, seed: int, first_year: int = 0) -> Floats:
    """Draw the clearness index of successive days at one place.

    Parameters
    ----------
    normals : Normals
    month : ndarray of int (days,)
        0 is January.
    years, seed, first_year : int
        As in :func:`draw_weather`.

    Returns
    -------
    ndarray (years, days)

    Raises
    ------
    InputError
        ``years``, ``seed`` or ``first_year`` cannot be.
    """
    _check_counts(years, seed, first_year)
    table = {number: clearness_quantiles(normals.kt[number], normals.kt_spread[number]) for number in np.unique(month).tolist()}
    lag1 = {number: gaussian_lag1(values, normals.kt_lag1) for number, values in table.items()}
    chance = _daily_chance(seed, range(first_year, first_year + years), 0, len(month) + 1)[:, :, _CLEARNESS]
    latent = _chain(chance, np.array([lag1[month[0]], *(lag1[number] for number in month)]))[:, 1:]
    return _through_tables(latent, np.asarray(month), table)


def _check_counts(years: int, seed: int, first_year: int) -> None:
    """Refuse numbers that no draw can have, all at once."""
    asked = (("years", years, 1), ("seed", seed, 0), ("first_year", first_year, 0))
    mistakes = [f"{name}: expected a whole number of at least {least}, got {got}." for name, got, least in asked if got < least]
    if mistakes:
        raise InputError(mistakes)


# ------------------------------------------------------------------------------------------------------------------ the days


@lru_cache(maxsize=4096)
def _quantiles(kt_mean: float, kt_sd: float, kt_highest: float) -> Floats:
    high = max(kt_highest, kt_mean + _ROOM_KT)
    low = min(LOWEST_KT, kt_mean / 2.0)
    middle, variance_of_extremes = (kt_mean - low) / (high - low), (kt_mean - low) * (high - kt_mean)
    variance = min(kt_sd**2, _WIDEST_SHARE**2 * variance_of_extremes)
    weight = variance_of_extremes / variance - 1.0
    table = low + (high - low) * betaincinv(middle * weight, (1.0 - middle) * weight, ndtr(_NODES))
    table.flags.writeable = False
    return np.asarray(table, dtype=np.float64)


def clearness_quantiles(kt_mean: float, kt_sd: float, kt_highest: float = CLEAREST_KT) -> Floats:
    """Table the beta distribution of the daily clearness of a month on the Gaussian scale; (nodes,), rising.

    Parameters
    ----------
    kt_mean, kt_sd : float
        Mean and spread of the daily index; a spread that no distribution between the ends can have is narrowed.
    kt_highest : float
        The brightest day. Raised where the mean would come too close to it.
    """
    return _quantiles(float(kt_mean), float(kt_sd), float(kt_highest))


def gaussian_lag1(quantiles: Floats, lag1: float) -> float:
    """Correlation that the Gaussian chain needs for its image through ``quantiles`` to have the correlation ``lag1``.

    Notes
    -----
    Bending a Gaussian weakens its correlations: with the bend as a sum of Hermite polynomials of coefficients c, a correlation r
    becomes the sum of c_n^2 r^n over the sum of c_n^2 (n = 1, 2 ...) (H. O. Lancaster 1957, Biometrika 44, 289).
    """
    image = np.interp(_HERMITE_X, _NODES, quantiles)
    orders = np.arange(1, _HERMITE_ORDERS + 1)
    polynomials = np.polynomial.hermite_e.hermevander(_HERMITE_X, _HERMITE_ORDERS)[:, 1:]
    weight = _HERMITE_WEIGHT / _HERMITE_WEIGHT.sum()
    part = (polynomials.T @ (weight * image)) ** 2 / np.exp(gammaln(orders + 1.0))
    part /= part.sum()
    return float(brentq(lambda chain: float(np.sum(part * chain**orders)) - lag1, -0.999, 0.999))


def _daily_chance(seed: int, numbers: Sequence[int], position: int, days: int) -> Floats:
    """(years, days, 4) Independent normal deviates of successive days, the first being that before ``position`` of the calendar."""
    chance = np.empty((len(numbers), days, 4))
    for row, number in enumerate(numbers):
        stream = np.random.default_rng(np.random.SeedSequence([seed, number], spawn_key=(0,)))
        chance[row] = stream.standard_normal((position + days, 4))[position:]
    return chance
