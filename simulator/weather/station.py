"""A year of weather at one station, laid on any stretch of the calendar."""

from __future__ import annotations

import calendar
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from simulator.errors import InputError
from simulator.units import EARTH_RADIUS_KM, HOURS_PER_DAY, SECONDS_PER_HOUR

if TYPE_CHECKING:
    from simulator.scenario.parts import Stop

Floats = NDArray[np.float64]

COLUMNS = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
"""Global, direct normal and diffuse horizontal light [W/m2], air temperature [deg C], wind at 10 m [m/s]."""

ROWS_WITHOUT_LEAP_DAY = 365 * HOURS_PER_DAY
ROWS_WITH_LEAP_DAY = 366 * HOURS_PER_DAY
HOUR_OF_29_FEBRUARY = 59 * HOURS_PER_DAY
"""Hours from 1 January to the start of 29 February, which is 1 March in other years."""

FAR_KM = 100.0
"""From here on a station's sky may be another one than the stop's (common practice, no source)."""
OTHER_CLIMATE_KM = 500.0
"""From here on it is another climate (common practice, no source)."""
NO_SEASONS_DEG = 10.0
"""Latitude up to which light and warmth hardly follow the year (common practice, no source)."""
FAR_M = 300.0
"""From this difference in height on air temperature is about 2 C off (common practice, no source)."""
LAPSE_C_PER_M = 0.0065
"""Fall of air temperature with height (ICAO Standard Atmosphere, Doc 7488, 3rd ed. 1993)."""


def short_sum(sha256: str) -> str:
    """The first digits of a checksum, enough to tell two files apart."""
    return sha256[:12]


@dataclass(frozen=True, eq=False)
class StationYear:
    """One year of hourly weather at one place.

    Attributes
    ----------
    name : what the file calls the place.
    source : one sentence saying where the numbers come from.
    sha256 : of the file as it was read; ``source`` ends with its first digits.
    latitude_deg, longitude_deg : north and east are positive [deg].
    elevation_m : height above the sea [m].
    typical : True if its months come from several years, False for one real year.
    table : DataFrame (8760 or 8784 rows), columns ``ghi dni dhi temp_air wind_speed``, no gaps. The index is in UTC, from
        1 January 00:00 on; a label is the start of the hour and the value its mean. What lay beyond the year's
        ends after the change to UTC comes round from the other end.
    notes : sentences on what was filled in or looks odd.
    """

    name: str
    source: str
    sha256: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    typical: bool
    table: pd.DataFrame
    notes: tuple[str, ...] = ()


def year_index(rows: int, year: int | None) -> pd.DatetimeIndex:
    """Build the index of a table: UTC, hourly, from 1 January of ``year`` (None: a typical year, given one of that length).

    A leap year written without its 29 February keeps the gap, so that labels stay those of the calendar.
    """
    with_leap_day = rows == ROWS_WITH_LEAP_DAY
    if year is None or (with_leap_day and not calendar.isleap(year)):
        year = 2000 if with_leap_day else 2001
    index = pd.date_range(f"{year:04d}-01-01", f"{year:04d}-12-31 23:00", freq="h", tz="UTC")
    if len(index) > rows:
        index = index[~((index.month == 2) & (index.day == 29))]
    return index


def hourly_weather(station: StationYear, utc: pd.DatetimeIndex) -> dict[str, Floats]:
    """Lay a station's year on a stretch of the calendar, by month, day and hour in UTC.

    Parameters
    ----------
    station : StationYear
    utc : DatetimeIndex (hours,)
        Tz-aware; label = start of the hour. Any stretch: across New Year, several years, with or without 29 February.

    Returns
    -------
    dict of str to ndarray (hours,)
        ``ghi dni dhi`` [W/m2], ``temp_air`` [deg C], ``wind_speed`` [m/s].

    Raises
    ------
    ValueError
        If ``utc`` has no time zone.

    Notes
    -----
    A year without 29 February lends that day the weather of the 28th. Hours that start off the full UTC hour get the
    mean of the two hours they lie in.
    """
    if utc.tz is None:
        raise ValueError("hourly_weather needs an index with a time zone, got a naive one: tz_localize it")
    stamp = utc.tz_convert(None).to_numpy().astype("datetime64[s]")
    full = stamp.astype("datetime64[h]")
    past_frac = (stamp - full.astype("datetime64[s]")).astype(np.int64) / SECONDS_PER_HOUR
    rows = len(station.table)
    row = _row_of(full, rows)
    off_the_hour = past_frac > 0.0
    found = {}
    for name in COLUMNS:
        year = station.table[name].to_numpy(dtype=np.float64)
        values = year[row]
        if off_the_hour.any():
            values += past_frac * (year[_row_of(full + 1, rows)] - values)
        found[name] = values
    return found


def _row_of(hour: NDArray[np.datetime64], rows: int) -> NDArray[np.int64]:
    """(hours,) Row of a year's table that an hour of the calendar falls on."""
    year = hour.astype("datetime64[Y]")
    in_year: NDArray[np.int64] = (hour - year.astype("datetime64[h]")).astype(np.int64)
    year_number = year.astype(np.int64) + 1970
    leap = (year_number % 4 == 0) & ((year_number % 100 != 0) | (year_number % 400 == 0))
    if rows == ROWS_WITH_LEAP_DAY:
        return np.where(~leap & (in_year >= HOUR_OF_29_FEBRUARY), in_year + HOURS_PER_DAY, in_year)
    return np.where(leap & (in_year >= HOUR_OF_29_FEBRUARY), in_year - HOURS_PER_DAY, in_year)


def distance_km(latitude_deg: float, longitude_deg: float, other_latitude_deg: float, other_longitude_deg: float) -> float:
    """Great-circle distance between two places [km] (haversine formula on a sphere of the mean radius)."""
    here, there = math.radians(latitude_deg), math.radians(other_latitude_deg)
    half_lon = math.radians(other_longitude_deg - longitude_deg) / 2.0
    squared = math.sin((there - here) / 2.0) ** 2 + math.cos(here) * math.cos(there) * math.sin(half_lon) ** 2
    return 2.0 * EARTH_RADIUS_KM * math.asin(math.sqrt(min(1.0, squared)))


def where_of(stop: Stop) -> str:
    """Name a stop in a sentence, with its line in the person's file."""
    line = "" if stop.line is None else f" (line {stop.line})"
    return f'stop {stop.number} "{stop.name}"{line}'


def refuse_other_hemisphere(name: str, latitude_deg: float, stop: Stop) -> None:
    """Refuse weather from beyond the equator, whose summer is the winter of the stop.

    Near the equator, where there are no such seasons to be turned round, the two sides may stand for each other.

    Raises
    ------
    InputError
        The place and the stop lie on either side of the equator, and one of them more than 10 degrees away from it.
    """
    if latitude_deg * stop.latitude_deg >= 0.0 or max(abs(latitude_deg), abs(stop.latitude_deg)) <= NO_SEASONS_DEG:
        return
    side, other = ("north", "south") if stop.latitude_deg > 0.0 else ("south", "north")
    raise InputError(
        f"{where_of(stop)}, weather: expected weather from its own side of the equator ({side}), got that of {name} in the "
        f"{other}, where summer and winter are the other way round. Take a file of a place nearer by, monthly normals of your "
        "own, or weather = { years = [2005, 2024] } after flatdays fetch. If the stop lies elsewhere, mend latitude_deg "
        "(south is negative)."
    )


def sign_words(latitude_deg: float, longitude_deg: float, stop: Stop) -> str:
    """Ask after the sign of a stop's longitude, if with the other one it would lie near where its weather comes from."""
    mirrored_km = distance_km(latitude_deg, longitude_deg, stop.latitude_deg, -stop.longitude_deg)
    return "is longitude_deg right? west is negative" if mirrored_km <= OTHER_CLIMATE_KM else ""


def distance_notes(station: StationYear, stop: Stop) -> tuple[str, ...]:
    """Say in a sentence each if a station is far from a stop, or at another height.

    Parameters
    ----------
    station : StationYear
    stop : Stop
        A stop without elevation takes the station's, so that its height is not compared.

    Returns
    -------
    tuple of str
        Nothing within 100 km and 300 m.
    """
    notes = []
    away_km = distance_km(station.latitude_deg, station.longitude_deg, stop.latitude_deg, stop.longitude_deg)
    if away_km > FAR_KM:
        advice = "a file from nearer by would tell more about its sky"
        if away_km > OTHER_CLIMATE_KM:
            asked = sign_words(station.latitude_deg, station.longitude_deg, stop)
            advice = f"that is another climate, so the answer is not for this place{f' ({asked})' if asked else ''}"
        notes.append(
            f'stop {stop.number} "{stop.name}": its weather was measured {away_km:,.0f} km away, at {station.name}; {advice}'
        )
    if stop.elevation_m is not None:
        higher_m = stop.elevation_m - station.elevation_m
        if abs(higher_m) > FAR_M:
            side, warmth = ("above", "colder") if higher_m > 0.0 else ("below", "warmer")
            notes.append(
                f'stop {stop.number} "{stop.name}" lies {abs(higher_m):.0f} m {side} {station.name}, '
                f"where its weather was measured; expect about {LAPSE_C_PER_M * abs(higher_m):.0f} C {warmth} than reckoned here"
            )
    return tuple(notes)
