"""What is asked of a weather file before its numbers are believed: clock, gaps, range, and the sun over its place."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd

from simulator.errors import WeatherFileError
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR
from simulator.weather.formats import RawYear
from simulator.weather.sky import sun_elevation_deg
from simulator.weather.station import COLUMNS, Floats

DAY_MIN: Final = HOURS_PER_DAY * MINUTES_PER_HOUR

LIGHT: Final = ("ghi", "dni", "dhi")
SAID: Final = {
    "ghi": "global light (ghi)",
    "dni": "direct light (dni)",
    "dhi": "diffuse light (dhi)",
    "temp_air": "air temperature",
    "wind_speed": "wind speed",
}
RANGES: Final = {
    "ghi": (0.0, 1500.0, "W/m2"),
    "dni": (0.0, 1420.0, "W/m2"),
    "dhi": (0.0, 1000.0, "W/m2"),
    "temp_air": (-90.0, 60.0, "C"),
    "wind_speed": (0.0, 75.0, "m/s"),
}
"""What can be. Direct light beyond the atmosphere is 1,407 W/m2 in January, from the solar constant below and the distance of
the sun (older tables up to 1,415); global and diffuse light of an hour stay below these (common practice, no source);
temperature between the records of the World Meteorological Organization, -89.2 and 56.7 C (from memory); wind above any hour
of a hurricane (from memory)."""

NIGHT_OFFSET_W_M2 = -10.0
"""A pyranometer reads a few watts below zero at night (common practice, no source); down to here that counts as zero."""

LONGEST_FILL_H = 6.0
"""Gaps of temperature and wind up to here are bridged by a straight line (common practice, no source)."""
LARGEST_FILL_FRAC = 0.05
"""But not if they add up to more than this share of the year (common practice, no source)."""

CLEAREST_FRAC = 0.1
"""Share of days taken for clear: by global light over light beyond the atmosphere."""
LEAST_DAY_WH_M2 = 1000.0
"""Days with less light than this beyond the atmosphere (polar winter) say nothing about noon."""
LATE_MIN = 20.0
"""Further off solar noon than this a file is refused. Sound files lie within 3 minutes (the published ones we tried, all but
one); labels taken for the middle of the hour shift by 30, for its other end by 60."""
LATE_NOTE_MIN = 10.0
CLOSURE_NOTE_FRAC = 0.05
CLOSURE_FRAC = 0.15
"""Over a year, direct and diffuse light add up to the global within this share, or one of the three is not what it says."""
HIGH_SUN_DEG = 15.0
SOLAR_CONSTANT_W_M2 = 1361.0
"""Kopp & Lean (2011), Geophysical Research Letters 38, doi:10.1029/2010GL045777."""
IMPOSSIBLE_DAYS = 3


def check_clock(raw: RawYear) -> float:
    """Make sure that rows follow each other evenly from 1 January to 31 December.

    Returns
    -------
    float
        What a row lasts [minutes].

    Raises
    ------
    WeatherFileError
        Rows are missing, repeated, cut off, of mixed length, or do not start in January.
    """
    file, start, rows = raw.file, raw.start_min, len(raw.start_min)
    days = 366 if raw.leap else 365
    allowed = " or ".join(f"{step}" for step in raw.steps_min)
    if rows < 2:
        raise WeatherFileError(
            f"{file}: it holds {rows} row of weather, a year is needed; the file is cut off, download it again"
        )
    steps, counts = np.unique(np.diff(start), return_counts=True)
    step = float(steps[np.argmax(counts)])
    if step not in raw.steps_min:
        raise WeatherFileError(
            f"{file}: its rows are {step:g} minutes apart, {allowed} minutes are read; get it with hourly rows"
        )
    odd = np.flatnonzero(np.diff(start) != step) + 1
    if len(odd):
        others = [
            float(other)
            for other, count in zip(steps, counts, strict=True)
            if other != step and other > 0 and count >= HOURS_PER_DAY
        ]
        line = raw.first_line + int(odd[0])
        if others:
            apart = np.diff(start)
            line = raw.first_line + int(np.flatnonzero(apart != apart[0])[0]) + 1
            raise WeatherFileError(
                f"{file}: it mixes rows {min(step, *others):g} and {max(step, *others):g} minutes apart "
                f"(the change is at line {line}); get it again with one interval, best hourly"
            )
        jump_h = (start[odd[0]] - start[odd[0] - 1] - step) / MINUTES_PER_HOUR
        what = f"{jump_h:g} h are missing before it" if jump_h > 0 else "it repeats a time or goes back"
        raise WeatherFileError(
            f"{file}: line {line} ({_when(start[odd[0]], raw.leap)}) does not follow the line before: {what}; "
            f"every {step:g} minutes of a year are needed, download it again"
        )
    if not -step < start[0] < step:
        raise WeatherFileError(
            f"{file}: it starts on {_when(start[0], raw.leap)}; a year from 1 January to 31 December is needed, "
            "get it for a whole calendar year"
        )
    expected = round(days * DAY_MIN / step)
    if rows != expected:
        raise WeatherFileError(
            f"{file}: expected {expected} rows {step:g} minutes apart, got {rows}, the last on {_when(start[-1], raw.leap)}; "
            f"the file is {'cut off' if rows < expected else 'too long'}, download it again"
        )
    return step


def _when(minutes: float, leap: bool) -> str:
    """Month and day of a moment of the year, in words."""
    moment = pd.Timestamp(2000 if leap else 2001, 1, 1) + pd.Timedelta(minutes=float(minutes))
    return f"{moment.day} {moment.month_name()} {moment:%H:%M}"


def fill_missing(raw: RawYear, step_min: float) -> tuple[dict[str, Floats], list[str]]:
    """Bridge short gaps of temperature and wind, and light at night; refuse every other missing value.

    Returns
    -------
    values : column -> (rows,), complete and within its range
    notes : what was filled, a sentence each

    Raises
    ------
    WeatherFileError
        All gaps that cannot be filled and all values out of range, one sentence a column each.
    """
    values: dict[str, Floats] = {}
    notes: list[str] = []
    mistakes: list[str] = []
    night: Floats | None = None
    for name in COLUMNS:
        column = raw.values[name].copy()
        gone = np.isnan(column)
        codes = [f"{code:g}" for code in raw.codes[name] if np.isclose(column, code, rtol=0.0, atol=1e-6).any()]
        if gone.any():
            codes.append("an empty field")
        for code in raw.codes[name]:
            gone |= np.isclose(column, code, rtol=0.0, atol=1e-6)
        column[gone] = np.nan
        if gone.any():
            if name in LIGHT:
                night = _night(raw, step_min) if night is None else night
                fillable = gone & (night > 0.0)
            else:
                fillable = _in_short_gaps(gone, step_min)
            told = f"{_hours(gone, step_min)} of {SAID[name]} missing (written as {' and '.join(codes)})"
            too_many = name not in LIGHT and gone.mean() > LARGEST_FILL_FRAC
            if too_many or (gone & ~fillable).any():
                first = int(np.flatnonzero(gone if too_many else gone & ~fillable)[0])
                bound = (
                    "gaps of light are filled at night only"
                    if name in LIGHT
                    else f"gaps up to {LONGEST_FILL_H:g} h and {100 * LARGEST_FILL_FRAC:g} % of the year are filled"
                )
                mistakes.append(
                    f"{raw.file}: {told}, among them line {raw.first_line + first} ({_when(raw.start_min[first], raw.leap)}); "
                    f"{bound}, so use another file for this place"
                )
                continue
            column = _filled(column, name)
            how = "night, so set to zero" if name in LIGHT else "filled in a straight line"
            notes.append(f"{told}; {how}")
        low, high, unit = RANGES[name]
        if name in LIGHT:
            column = np.where((column < 0.0) & (column >= NIGHT_OFFSET_W_M2), 0.0, column)
        outside = np.flatnonzero((column < low) | (column > high))
        if len(outside):
            more = f" (and in {len(outside) - 1} more rows)" if len(outside) > 1 else ""
            mistakes.append(
                f"{raw.file}: line {raw.first_line + outside[0]}: {SAID[name]} is {raw.values[name][outside[0]]:g} {unit}{more}, "
                f"possible is {low:g} to {high:g}; correct it, or use another file for this place"
            )
        values[name] = column
    if mistakes:
        raise WeatherFileError(mistakes)
    return values, notes


def _hours(gone: np.ndarray, step_min: float) -> str:
    return f"{gone.sum() * step_min / MINUTES_PER_HOUR:g} h"


def _filled(column: Floats, name: str) -> Floats:
    """The column without NaN: zero for light, a straight line between neighbours for the rest, also across New Year."""
    if name in LIGHT:
        return np.nan_to_num(column, nan=0.0)
    row = np.arange(len(column))
    there = ~np.isnan(column)
    filled: Floats = np.interp(row, row[there], column[there], period=len(column))
    return filled


def _in_short_gaps(gone: np.ndarray, step_min: float) -> np.ndarray:
    """(rows,) True where a value is missing in a run that is short enough to bridge."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], gone, [False]]).astype(np.int8)))
    short = np.zeros(len(gone), dtype=bool)
    for begin, end in zip(edge[::2], edge[1::2], strict=True):
        short[begin:end] = (end - begin) * step_min <= LONGEST_FILL_H * MINUTES_PER_HOUR
    return short


def _night(raw: RawYear, step_min: float) -> Floats:
    """(rows,) 1 where the sun is down during the whole row."""
    begin = pd.Timestamp(2000 if raw.leap else 2001, 1, 1, tz="UTC") - pd.Timedelta(hours=raw.utc_offset_h)
    middle = begin + pd.to_timedelta(raw.start_min + step_min / 2.0, unit="min")
    # In half a row the sun climbs step/2 times a quarter degree a minute; one degree more for refraction and its disc.
    below = sun_elevation_deg(pd.DatetimeIndex(middle), raw.latitude_deg, raw.longitude_deg) < -(step_min / 8.0 + 1.0)
    return below.astype(np.float64)


def regrid_to_utc_hours(values: Floats, start_min: float, step_min: float, utc_offset_h: float) -> Floats:
    """Carry a year over to UTC hours: each hour is the mean of the rows it overlaps, by the share of the overlap.

    Parameters
    ----------
    values : ndarray (rows,)
        Means over equal intervals of a whole year on the file's clock.
    start_min : float
        Start of the first interval [minutes after 1 January 00:00 on the file's clock].
    step_min : float
        Length of an interval [minutes].
    utc_offset_h : float
        The file's clock minus UTC [h], a multiple of a quarter.

    Returns
    -------
    ndarray (hours,)
        The year comes round: what falls out at one end enters at the other; the mean of the year is kept.
    """
    # Whole half-minutes: a row of five minutes around its label starts on one.
    shift = round(2.0 * (start_min - utc_offset_h * MINUTES_PER_HOUR))
    row, hour = round(2.0 * step_min), 2 * MINUTES_PER_HOUR
    piece = math.gcd(row, shift, hour)
    pieces = np.roll(np.repeat(values, row // piece), shift // piece)
    hours: Floats = pieces.reshape(-1, hour // piece).mean(axis=1)
    return hours


def check_sun(file: str, table: dict[str, Floats], utc: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float) -> list[str]:
    """Hold a year against the sun over its place: noon, the light beyond the atmosphere, the sum of direct and diffuse.

    Parameters
    ----------
    table : column -> (hours,) in UTC hours, hour-beginning.

    Returns
    -------
    list of str
        What is odd but usable, a sentence each.

    Raises
    ------
    WeatherFileError
        The sun of the file is late or early, shines too strong for its place, or its three kinds of light contradict.
    """
    sin_elevation = np.sin(np.radians(sun_elevation_deg(utc + pd.Timedelta(minutes=30), latitude_deg, longitude_deg)))
    beyond = SOLAR_CONSTANT_W_M2 * np.maximum(sin_elevation, 0.0)
    ghi = table["ghi"]
    if ghi.sum() <= 0.0:
        raise WeatherFileError(f"{file}: its global light (ghi) is zero all year; use another file for this place")
    notes = []
    late_min = clear_day_lateness_min(ghi, beyond, longitude_deg)
    side = "late" if late_min > 0.0 else "early"
    if abs(late_min) > LATE_MIN:
        raise WeatherFileError(
            f"{file}: its sun is {abs(late_min):.0f} minutes {side}: on its clearest days the light is centred that much "
            f"{'after' if late_min > 0 else 'before'} solar noon, {LATE_MIN:.0f} are allowed; "
            "correct the time zone or the longitude in its header, or use another file for this place"
        )
    if abs(late_min) > LATE_NOTE_MIN:
        notes.append(f"its sun is {abs(late_min):.0f} minutes {side} against solar noon; used as it is")

    days = _solar_days(ghi, longitude_deg).sum(axis=1), _solar_days(beyond, longitude_deg).sum(axis=1)
    too_bright = int((days[0] > days[1] + LEAST_DAY_WH_M2 / 2.0).sum())
    if too_bright > IMPOSSIBLE_DAYS:
        raise WeatherFileError(
            f"{file}: on {too_bright} days it has more light than reaches the top of the atmosphere at latitude "
            f"{latitude_deg:g}; correct the latitude in its header (south is negative), or use another file for this place"
        )
    high = sin_elevation > math.sin(math.radians(HIGH_SUN_DEG))
    parts = float((table["dhi"] + table["dni"] * sin_elevation)[high].sum())
    whole = float(ghi[high].sum())
    gap = parts / whole - 1.0 if whole > 0.0 else math.inf
    if abs(gap) > CLOSURE_FRAC:
        raise WeatherFileError(
            f"{file}: direct and diffuse light add up to {100 * (1 + gap):.0f} % of the global light over the year, "
            f"{100 * (1 - CLOSURE_FRAC):.0f} to {100 * (1 + CLOSURE_FRAC):.0f} % is allowed; dni must be direct light "
            "on a plane that faces the sun: correct the column, or use another file for this place"
        )
    if abs(gap) > CLOSURE_NOTE_FRAC:
        notes.append(f"its direct and diffuse light add up to {100 * (1 + gap):.0f} % of its global light; used as they are")
    return notes


def _solar_days(values: Floats, longitude_deg: float) -> Floats:
    """(days, 24) UTC hours cut near solar midnight."""
    days: Floats = np.roll(values, round(longitude_deg / 15.0)).reshape(-1, HOURS_PER_DAY)
    return days


def clear_day_lateness_min(ghi: Floats, beyond: Floats, longitude_deg: float) -> float:
    """How far the light of the clearest days is centred after solar noon [minutes]; negative: before.

    Parameters
    ----------
    ghi : ndarray (hours,)
        Global light of a year in UTC hours [W/m2].
    beyond : ndarray (hours,)
        Light on a horizontal plane beyond the atmosphere in the middle of the same hours [W/m2].
    longitude_deg : float

    Returns
    -------
    float
        Between -720 and 720: the centroid is taken on the circle of the day, so that no shift can hide.
    """
    light, top = _solar_days(ghi, longitude_deg), _solar_days(beyond, longitude_deg)
    enough = top.sum(axis=1) > LEAST_DAY_WH_M2
    light, top = light[enough], top[enough]
    clearness = light.sum(axis=1) / top.sum(axis=1)
    clearest = np.argsort(clearness)[-max(1, round(CLEAREST_FRAC * len(clearness))) :]
    turn = np.exp(2j * np.pi * np.arange(HOURS_PER_DAY) / HOURS_PER_DAY)
    behind = np.angle((light[clearest] @ turn) * np.conj(top[clearest] @ turn))
    # The median on the circle, taken around the mean direction, so that half a day off does not average out.
    middle = np.angle(np.exp(1j * behind).sum())
    spread = np.angle(np.exp(1j * (behind - middle)))
    late = middle + float(np.median(spread))
    return float(np.angle(np.exp(1j * late)) / (2.0 * np.pi) * DAY_MIN)
