"""Years of weather drawn by chance from monthly normals; nothing else in the weather holds a random generator.

Three layers, each tied to the one above:

* the **days**: how much of the light beyond the atmosphere comes through (the clearness index kt), as a Gaussian chain from
  day to day, laid on a beta distribution between a black sky and a clear one that has the month's own mean and spread; the
  chain runs on when the vehicle moves, so that weather travels along, while mean and spread become those of the new stop;
* the **hours** of light: clouds come and go as a second chain, bounded by the clear sky, and then brought to exactly the
  day's sum; diffuse and direct light follow from each hour's clearness;
* the **air**: a third chain for how unusual the day's mean temperature is, a daily range that is wide under clear skies, a
  course of the day by the sun's time; and a wind per day.

A year's chance hangs on (seed, number of the year) and on the day of the calendar alone: 200 years begin with the same 100
bit for bit, in whatever pieces they are drawn, and a trip that starts a week later meets the same weather.

What it does not know: years of drought and years of rain (each month is drawn about the same normals), a cold spell that comes
with clear skies, a wind that blows harder by day, snow, rain.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.signal import lfilter
from scipy.special import gamma, log_ndtr

from simulator.errors import InputError
from simulator.units import HOURS_PER_DAY
from simulator.weather.clouds import NODES, split_by_erbs, spread_over_hours
from simulator.weather.course import Course, lay_out
from simulator.weather.normals import Normals

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HOURLY_LAG1: Final = 0.65
"""Correlation of the clouds from hour to hour. Set so that about the mean of their own day, and after bounding, it comes out
as the 0.43 of 40 site-years (V. A. Graham, K. G. T. Hollands 1990, Solar Energy 44(6), 333-341, found 0.54 unbounded)."""
TEMP_LAG1: Final = 0.70
"""Day-to-day correlation of the mean temperature about its season. Inside single months of 40 site-years it comes out as 0.62;
thirty days say about 0.1 too little (n = 30; M. H. Quenouille 1949, J. R. Stat. Soc. B 11, 68). C. W. Richardson (1981), Water
Resour. Res. 17(1), 182-190, found 0.62 for the daily highest and 0.67 for the daily lowest (from memory)."""
RANGE_LOG_SD: Final = 0.38
"""Spread of the logarithm of the daily range about its month (common practice, no source)."""
RANGE_KT_TIE: Final = 0.6
"""Ties the range to the day's clearness, on the Gaussian scale; comes out as a correlation of 0.55, as in 40 site-years."""
WIND_SHAPE: Final = 3.0
"""Weibull shape of the day's mean wind about the month's (from memory; the wind only cools the panels a little)."""

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
    course = lay_out(normals_by_stop, stop, utc, longitude_deg, cos_zenith, dni_extra, day)
    table = {name: np.zeros((years, course.hours)) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")}
    block = max(1, _BLOCK_VALUES // (course.hours + HOURS_PER_DAY * course.first_day))
    for begin in range(0, years, block):
        rows = slice(begin, min(begin + block, years))
        numbers = range(first_year + rows.start, first_year + rows.stop)
        chance = _daily_chance(seed, numbers, course.first_day + course.days + 2)
        latent, warmth = _daily_chains(course, chance)
        chance = chance[:, course.first_day :]
        _fill_light(table, rows, course, latent, _hourly_chain(seed, numbers, course))
        table["temp_air"][rows] = _hourly_temperature(course, latent, warmth, chance[:, :, _RANGE])
        table["wind_speed"][rows] = course.wind_m_s * _wind_factor(chance[:, 1:-1, _WIND])[:, course.day]
    return table


def _check_counts(years: int, seed: int, first_year: int) -> None:
    """Refuse numbers that no draw can have, all at once."""
    asked = (("years", years, 1), ("seed", seed, 0), ("first_year", first_year, 0))
    mistakes = [f"{name}: expected a whole number of at least {least}, got {got}." for name, got, least in asked if got < least]
    if mistakes:
        raise InputError(mistakes)


def _daily_chance(seed: int, numbers: Sequence[int], days: int) -> Floats:
    """(years, days, 4) Independent normal deviates of successive days, from the last day of the year before on."""
    return np.stack(
        [
            np.random.default_rng(np.random.SeedSequence([seed, number], spawn_key=(0,))).standard_normal((days, 4))
            for number in numbers
        ]
    )


def _hourly_chain(seed: int, numbers: Sequence[int], course: Course) -> Floats:
    """(years, lit hours) Gaussian chain of the clouds from hour to hour; it runs through the nights."""
    first = HOURS_PER_DAY * course.first_day
    chance = np.stack(
        [
            np.random.default_rng(np.random.SeedSequence([seed, number], spawn_key=(1,))).standard_normal(first + course.hours)
            for number in numbers
        ]
    )
    chance[:, 1:] *= np.sqrt(1.0 - HOURLY_LAG1**2)
    return np.asarray(lfilter([1.0], [1.0, -HOURLY_LAG1], chance, axis=1)[:, first + course.sunlight.hour], dtype=np.float64)


def _chain(chance: Floats, lag1: Floats) -> Floats:
    """(years, days) Gaussian chain of unit spread; ``lag1`` (days,) is each day's correlation with the day before."""
    ahead = np.ascontiguousarray(chance.T)
    fresh = np.sqrt(1.0 - lag1**2)
    for day in range(1, len(ahead)):
        ahead[day] = lag1[day] * ahead[day - 1] + fresh[day] * ahead[day]
    return ahead.T


def _daily_chains(course: Course, chance: Floats) -> tuple[Floats, Floats]:
    """Clearness and warmth on the Gaussian scale, from the day before the route to the day after it; each (years, days + 2).

    The chains start with the calendar year, so that a route that starts later meets the same weather.
    """
    lag1 = np.concatenate((np.repeat(course.kt_lag1[:1], course.first_day + 1), course.kt_lag1, course.kt_lag1[-1:]))
    latent = _chain(chance[:, :, _CLEARNESS], lag1)[:, course.first_day :]
    between_noons, stretch = _lines_between_noons(TEMP_LAG1)
    warmth = _chain(chance[:, :, _WARMTH], np.full(chance.shape[1], between_noons))[:, course.first_day :]
    return latent, warmth * stretch


@lru_cache
def _lines_between_noons(lag1: float) -> tuple[float, float]:
    """Correlation and spread that noons need for the day means of the lines between them to have ``lag1`` and unit spread."""
    # A day's mean has an eighth of the noon before, three quarters of its own, an eighth of the next: products by days apart.
    none, one, two = 0.75**2 + 2.0 * 0.125**2, 2.0 * 0.75 * 0.125, 0.125**2

    def variance(noon: float) -> float:
        return none + 2.0 * one * noon + 2.0 * two * noon**2

    def covariance(noon: float) -> float:
        return none * noon + one * (1.0 + noon**2) + two * (noon + noon**3)

    noon = float(brentq(lambda guess: covariance(guess) / variance(guess) - lag1, 0.0, 0.999))
    return noon, variance(noon) ** -0.5


def _bent(latent: Floats, kind: Ints, tables: Sequence[Floats]) -> Floats:
    """(years, days) Clearness index from the Gaussian scale, each day by the table of its kind."""
    kt = np.empty_like(latent)
    for number, table in enumerate(tables):
        here = kind == number
        kt[:, here] = np.interp(latent[:, here], NODES, table)
    return kt


def _fill_light(table: dict[str, Floats], rows: slice, course: Course, latent: Floats, clouds: Floats) -> None:
    """Write the light of some years into the table."""
    sun = course.sunlight
    if not len(sun.hour):
        return
    kt = _bent(latent[:, 1:-1], course.kt_kind, course.kt_tables)
    ghi = spread_over_hours(kt[:, sun.days] * sun.beyond_sum, sun.bound_w_m2, sun.bound_sum, clouds, sun.start, sun.day)
    dni, dhi = split_by_erbs(ghi, sun.cos_zenith, sun.dni_extra)
    for name, values in (("ghi", ghi), ("dni", dni), ("dhi", dhi)):
        table[name][rows, sun.hour] = values


def _hourly_temperature(course: Course, latent: Floats, warmth: Floats, chance: Floats) -> Floats:
    """(years, hours) Air temperature [deg C]: the season, how unusual the day is, and a swing that is wide under clear skies."""
    stretch = RANGE_KT_TIE * latent + np.sqrt(1.0 - RANGE_KT_TIE**2) * chance
    stretch = np.exp(RANGE_LOG_SD * stretch - 0.5 * RANGE_LOG_SD**2)
    before, after = course.before, course.before + 1
    early, late = 1.0 - course.past_frac, course.past_frac
    found = (early * course.temp_sd_c) * warmth[:, before]
    found += (late * course.temp_sd_c) * warmth[:, after]
    found += (early * course.temp_swing_c) * stretch[:, before]
    found += (late * course.temp_swing_c) * stretch[:, after]
    found += course.temp_mean_c
    return found


def _wind_factor(chance: Floats) -> Floats:
    """(years, days) Weibull variable of mean one from normal deviates."""
    return np.asarray((-log_ndtr(-chance)) ** (1.0 / WIND_SHAPE) / gamma(1.0 + 1.0 / WIND_SHAPE), dtype=np.float64)
