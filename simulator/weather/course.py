"""A route as the weather sees it: whose normals each day and hour has, where the day's noon lies, how warm it usually is then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import gamma

from simulator.units import FULL_TURN_DEG, HOURS_PER_DAY
from simulator.weather.clouds import CLEAREST_KT, clearest_w_m2, clearness_quantiles, gaussian_lag1
from simulator.weather.normals import Normals
from simulator.weather.seasons import hourly_solar_time, month_position, seasonal_knots, seasonal_values

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COLDEST_H, WARMEST_H = 4.6, 13.6
"""Hours by the sun of the lowest and the highest temperature; 40 site-years."""
_NARROWEST_RANGE_C: Final = 0.5
_UNREST: Final = (0.0, 0.15, 0.29, 0.36, 0.47, 0.55, 0.65, 0.80, 0.98)
_SWING_LEFT: Final = (1.0, 0.99, 0.98, 0.96, 0.94, 0.91, 0.87, 0.80, 0.66)
"""Days that warm or cool all day long reach further up and down than their own swing. So that the mean extremes come out as
given, the swing is this share of the range, by the spread of the daily mean over the range (found by drawing)."""
_BENDS = np.linspace(0.3, 3.0, 271)
_BEND_MEANS = gamma(_BENDS + 0.5) / (np.sqrt(np.pi) * gamma(_BENDS + 1.0))
"""Mean over a day of (half a cosine swing, 0..1) to the power of each bend."""


@dataclass(frozen=True, eq=False)
class Sunlight:
    """The hours with the sun up, and their days."""

    hour: Ints
    """(lit hours,) Which hours of the route they are."""
    cos_zenith: Floats
    dni_extra: Floats
    bound_w_m2: Floats
    """(lit hours,) What no hour exceeds."""
    day: Ints
    """(lit hours,) Position in ``days``."""
    days: Ints
    """(lit days,) Which days of the route have light at all."""
    start: Ints
    """(lit days,) Their first lit hour."""
    beyond_sum: Floats
    """(lit days,) Light on the flat beyond the atmosphere, hours added up [W/m2]."""
    bound_sum: Floats


@dataclass(frozen=True, eq=False)
class Course:
    """Everything about a route's weather that is not chance; hourly arrays are ``(hours,)``."""

    hours: int
    days: int
    day: Ints
    first_day: int
    """Day of the calendar year on which the route starts, from 0."""
    sunlight: Sunlight
    kt_kind: Ints
    """(days,) Which of ``kt_tables`` each day follows."""
    kt_tables: tuple[Floats, ...]
    kt_lag1: Floats
    """(days,) Correlation of the Gaussian chain with the day before."""
    before: Ints
    """The day whose noon came last, from 0 for the day before the route."""
    past_frac: Floats
    """How far the hour is from that noon to the next [0..1]."""
    temp_mean_c: Floats
    temp_sd_c: Floats
    temp_swing_c: Floats
    """The usual departure from the day's mean at this hour."""
    wind_m_s: Floats


def lay_out(
    normals_by_stop: Sequence[Normals],
    stop: Ints,
    utc: pd.DatetimeIndex,
    longitude_deg: ArrayLike,
    cos_zenith: Floats,
    dni_extra: Floats,
    day: Ints,
) -> Course:
    """Lay the normals of all stops along a route; parameters as in :func:`simulator.weather.draws.draw_weather`.

    Raises
    ------
    ValueError
        The arrays do not belong together.
    """
    hours = len(utc)
    longitude = np.broadcast_to(np.asarray(longitude_deg, dtype=np.float64), (hours,))
    shapes = {np.shape(each) for each in (stop, cos_zenith, dni_extra, day)}
    if utc.tz is None or hours == 0 or shapes != {(hours,)}:
        raise ValueError(
            f"expected a utc index with a time zone and arrays of its length, got {hours} hours, {utc.tz} and {shapes}"
        )
    if day[0] != 0 or not np.isin(np.diff(day), (0, 1)).all() or not 0 <= stop.min() <= stop.max() < len(normals_by_stop):
        raise ValueError("expected days counted from 0 without gaps, and a Normals for every stop")
    stop, day = np.asarray(stop, dtype=np.int64), np.asarray(day, dtype=np.int64)
    days = int(day[-1]) + 1
    by_sun_h = hourly_solar_time(utc, longitude)
    sun_clock = (utc + pd.to_timedelta(longitude * (HOURS_PER_DAY / FULL_TURN_DEG) + 0.5, unit="h")).tz_localize(None)
    noon = _noons(by_sun_h, day)
    sunlight = _sunlight(normals_by_stop, stop, cos_zenith, dni_extra, day)
    kinds = _kinds_of_day(normals_by_stop, stop[noon], np.asarray(sun_clock.month)[noon] - 1, sunlight)
    before, past_frac = _between_noons(noon, hours)
    air = _usual_air(normals_by_stop, stop, month_position(sun_clock), np.asarray(sun_clock.month) - 1, by_sun_h)
    first_day = int(sun_clock.day_of_year[noon[0]]) - 1
    return Course(hours, days, day, first_day, sunlight, *kinds, before, past_frac, *air)


def _noons(by_sun_h: Floats, day: Ints) -> Ints:
    """(days,) The hour of each day that is nearest to noon by the sun; rising, since every hour belongs to one day."""
    order = np.lexsort((np.abs(by_sun_h - HOURS_PER_DAY / 2.0), day))
    return np.asarray(order[np.searchsorted(day[order], np.arange(day[-1] + 1))], dtype=np.int64)


def _between_noons(noon: Ints, hours: int) -> tuple[Ints, Floats]:
    """Between which noons each hour lies, and how far from the first to the second; the days around the route count too."""
    around = np.concatenate(([noon[0] - HOURS_PER_DAY], noon, [noon[-1] + HOURS_PER_DAY]))
    place = np.interp(np.arange(hours), around, np.arange(len(around)))
    before = np.minimum(place.astype(np.int64), len(around) - 2)
    return before, place - before


def _sunlight(normals_by_stop: Sequence[Normals], stop: Ints, cos_zenith: Floats, dni_extra: Floats, day: Ints) -> Sunlight:
    """Sort out the hours with light."""
    height_m = np.array([normals.elevation_m or 0.0 for normals in normals_by_stop])
    up = np.flatnonzero(cos_zenith > 0.0)
    bound = clearest_w_m2(cos_zenith[up], dni_extra[up], height_m[stop[up]])
    up, bound = up[bound > 0.0], bound[bound > 0.0]
    days, start, lit_day = np.unique(day[up], return_index=True, return_inverse=True)
    beyond = cos_zenith[up] * dni_extra[up]
    sums = (np.add.reduceat(each, start) if len(up) else np.zeros(0) for each in (beyond, bound))
    return Sunlight(up, cos_zenith[up], dni_extra[up], bound, lit_day.reshape(-1), days, start, *sums)


def _kinds_of_day(
    normals_by_stop: Sequence[Normals], day_stop: Ints, day_month: Ints, sunlight: Sunlight
) -> tuple[Ints, tuple[Floats, ...], Floats]:
    """Tell the clearness distribution of each day, by stop and month, bounded by that month's own clear sky."""
    kinds, kind = np.unique(day_stop * 12 + day_month, return_inverse=True)
    lit = np.bincount(kind[sunlight.days], sunlight.beyond_sum, len(kinds))
    clear = np.bincount(kind[sunlight.days], sunlight.bound_sum, len(kinds))
    highest = np.where(lit > 0.0, np.minimum(CLEAREST_KT, clear / np.where(lit > 0.0, lit, 1.0)), CLEAREST_KT)
    tables, lag1 = [], []
    for number, high in zip(kinds.tolist(), highest.tolist(), strict=True):
        normals, month = normals_by_stop[number // 12], number % 12
        mean, spread = float(normals.kt[month]), float(normals.kt_spread[month])
        tables.append(clearness_quantiles(mean, spread, high))
        lag1.append(gaussian_lag1(mean, spread, high, float(normals.kt_lag1)))
    return kind.reshape(-1), tuple(tables), np.array(lag1)[kind.reshape(-1)]


def _usual_air(
    normals_by_stop: Sequence[Normals], stop: Ints, position: Floats, month: Ints, by_sun_h: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Mean temperature of the season, its spread, the day's usual swing about it, and the month's wind; each (hours,)."""
    rising = (by_sun_h - COLDEST_H) / (WARMEST_H - COLDEST_H)
    falling = ((by_sun_h - WARMEST_H) % HOURS_PER_DAY) / (HOURS_PER_DAY - WARMEST_H + COLDEST_H)
    up = (by_sun_h >= COLDEST_H) & (by_sun_h < WARMEST_H)
    height = 0.5 - 0.5 * np.cos(np.pi * np.where(up, rising, 1.0 - falling))
    mean_c, sd_c, swing_c, wind = (np.zeros(len(stop)) for _ in range(4))
    for number in np.unique(stop).tolist():
        normals, here = normals_by_stop[number], stop == number
        middle, low, high = (np.array(each) for each in (normals.temp_mean_c, normals.temp_min_c, normals.temp_max_c))
        range_c = np.maximum(high - low, _NARROWEST_RANGE_C)
        # The mean rarely lies halfway between the extremes: a bent swing puts it where it belongs.
        bend = np.interp(-(middle - low) / range_c, -_BEND_MEANS, _BENDS)
        at = position[here]
        left = np.interp(np.array(normals.temp_spread_c) / range_c, _UNREST, _SWING_LEFT)
        bend_here = seasonal_values(seasonal_knots(bend.tolist()), at)
        mean_c[here] = seasonal_values(seasonal_knots(middle.tolist()), at)
        sd_c[here] = np.maximum(seasonal_values(seasonal_knots(normals.temp_spread_c), at), 0.0)
        range_here = np.maximum(seasonal_values(seasonal_knots((left * range_c).tolist()), at), _NARROWEST_RANGE_C)
        swing_c[here] = range_here * (height[here] ** bend_here - np.interp(bend_here, _BENDS, _BEND_MEANS))
        wind[here] = np.array(normals.wind_speed_m_s)[month[here]]
    return mean_c, sd_c, swing_c, wind
