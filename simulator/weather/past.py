"""A past year of one cell of the archive: which cell, which years, and how years follow each other along a trip."""

from __future__ import annotations

import calendar
import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from simulator.errors import InputError
from simulator.units import FULL_TURN_DEG
from simulator.weather.station import (
    COLUMNS,
    LAPSE_C_PER_M,
    ROWS_WITH_LEAP_DAY,
    ROWS_WITHOUT_LEAP_DAY,
    Floats,
    StationYear,
    _row_of,
    hourly_weather,
    short_sum,
    year_index,
)

FIRST_YEAR: Final = 2001
"""The hourly archive begins on 1 January of it (NASA POWER, hourly service)."""
CELLS_PER_DEG: Final = 2
"""The archive's air is on a grid of about half a degree, its light on one of about a degree (NASA POWER, data sources)."""
EDGE_H: Final = 14
"""No clock is further than this from UTC: that many hours at an end of a trip may lie in the year beside it."""

WORDS_OF_SERVICE: Final = "NASA POWER hourly service"


@dataclass(frozen=True, order=True)
class Cell:
    """A cell of the archive's grid, by its centre [deg]; north and east are positive, longitude from -180 up to 180."""

    latitude_deg: float
    longitude_deg: float

    @property
    def key(self) -> str:
        """The cell in a file name, such as ``N38.5W007.5``."""
        north, east = "N" if self.latitude_deg >= 0.0 else "S", "E" if self.longitude_deg >= 0.0 else "W"
        return f"{north}{abs(self.latitude_deg):04.1f}{east}{abs(self.longitude_deg):05.1f}"

    @property
    def said(self) -> str:
        """The cell in a sentence, such as ``38.5 N 7.5 W``."""
        north, east = "N" if self.latitude_deg >= 0.0 else "S", "E" if self.longitude_deg >= 0.0 else "W"
        return f"{abs(self.latitude_deg):g} {north} {abs(self.longitude_deg):g} {east}"


@dataclass(frozen=True, eq=False)
class ArchiveYear(StationYear):
    """One real year of one cell, as :class:`~simulator.weather.station.StationYear`, with its rain and snow.

    Attributes
    ----------
    year : the calendar year (UTC).
    precipitation_mm : ndarray (8760 or 8784,), what fell in each hour, as water [mm]; all NaN if the archive has none.
    """

    year: int = field(kw_only=True)
    precipitation_mm: Floats = field(kw_only=True)


def cell_of(latitude_deg: float, longitude_deg: float) -> Cell:
    """Find the cell that a point lies in; points of one cell share their weather.

    Raises
    ------
    InputError
        There is no such point on earth.
    """
    if not (abs(latitude_deg) <= 90.0 and abs(longitude_deg) <= FULL_TURN_DEG):
        raise InputError(
            f"weather of past years: expected a latitude from -90 to 90 and a longitude from -180 to 180, "
            f"got {latitude_deg:g} and {longitude_deg:g}; correct the coordinates of the stop"
        )
    half_turn = FULL_TURN_DEG / 2.0
    east_deg = math.floor(longitude_deg * CELLS_PER_DEG + 0.5) / CELLS_PER_DEG
    return Cell(
        math.floor(latitude_deg * CELLS_PER_DEG + 0.5) / CELLS_PER_DEG, (east_deg + half_turn) % FULL_TURN_DEG - half_turn
    )


def hours_of(year: int) -> int:
    """Hours of a calendar year."""
    return ROWS_WITH_LEAP_DAY if calendar.isleap(year) else ROWS_WITHOUT_LEAP_DAY


def check_years(first: int, last: int, today: datetime.date) -> None:
    """Refuse years that the archive cannot have.

    Parameters
    ----------
    first, last : int
        First and last calendar year asked for; both belong to the span.
    today : date
        The last complete year is the one before it.

    Raises
    ------
    InputError
        All that is wrong with the two, a sentence each.
    """
    latest = today.year - 1
    mistakes = []
    for year in dict.fromkeys((first, last)):
        if year < FIRST_YEAR:
            mistakes.append(f"years: the archive begins in {FIRST_YEAR}, got {year}; ask for {FIRST_YEAR} or later")
        elif year > latest:
            what = "is not over yet" if year == today.year else "lies in the future"
            mistakes.append(f"years: {year} {what}; the last whole year is {latest}, ask for {latest} or earlier")
    if first > last:
        mistakes.append(f"years: expected the earlier year first, got {first} and {last}; write {last} and {first}")
    if mistakes:
        raise InputError(mistakes)


def elevation_corrected(temp_air: ArrayLike, station_elevation_m: float, stop_elevation_m: float) -> Floats:
    """Carry air temperature from the height of a cell to that of a stop.

    Parameters
    ----------
    temp_air : array_like
        Air temperature at the station's height [deg C]; any shape.
    station_elevation_m, stop_elevation_m : float
        Heights above the sea [m]; a cell's is the mean of its land, and a stop in a valley may lie 1000 m below it.

    Returns
    -------
    ndarray
        6.5 C colder for every 1000 m higher [deg C], in the shape given.

    Notes
    -----
    The fall with height is that of the ICAO Standard Atmosphere (Doc 7488, 3rd ed. 1993). On calm winter nights valleys
    are colder than this says (common knowledge, no source).
    """
    corrected: Floats = np.asarray(temp_air, dtype=np.float64) - LAPSE_C_PER_M * (stop_elevation_m - station_elevation_m)
    return corrected


def year_from(cell: Cell, year: int, told: Mapping[str, Any], values: Floats, sha256: str) -> ArchiveYear:
    """Put a year together from what was told about it and its values (6, rows): the contract's columns, then precipitation."""
    table = pd.DataFrame(dict(zip(COLUMNS, values[: len(COLUMNS)], strict=True)), index=year_index(values.shape[1], year))
    service = WORDS_OF_SERVICE if told["official"] else "An archive of the user's own"
    where = f"in the half-degree cell around {cell.said}, in UTC"
    return ArchiveYear(
        name=f"archive cell {cell.said}",
        source=f"{service}: hourly weather of {year} {where}, checksum {short_sum(sha256)}",
        sha256=sha256,
        latitude_deg=float(told["latitude_deg"]),
        longitude_deg=float(told["longitude_deg"]),
        elevation_m=float(told["elevation_m"]),
        typical=False,
        table=table,
        notes=tuple(str(note) for note in told["notes"]),
        year=year,
        precipitation_mm=values[len(COLUMNS)],
    )


def years_needed(utc: pd.DatetimeIndex, years_back: int) -> tuple[int, ...]:
    """Tell which past years a trip runs through when it is moved back by whole years.

    Parameters
    ----------
    utc : DatetimeIndex (hours,)
        The hours of the trip.
    years_back : int
        How many years earlier its weather is taken.

    Returns
    -------
    tuple of int
        In order. A year that only the difference between a clock and UTC touches, at an end of the trip, is left out.
    """
    years, hours = np.unique(np.asarray(utc.year) - years_back, return_counts=True)
    enough = hours > EDGE_H
    return tuple(int(year) for year in (years[enough] if enough.any() else years[:1]))


def hourly_past_weather(by_year: Mapping[int, ArchiveYear], utc: pd.DatetimeIndex, years_back: int) -> dict[str, Floats]:
    """Lay consecutive past years of one cell on a trip: a stay across New Year goes on in the year after.

    Parameters
    ----------
    by_year : mapping of int to ArchiveYear
        At least the years of :func:`years_needed`.
    utc : DatetimeIndex (hours,)
        Tz-aware; label = start of the hour.
    years_back : int
        How many years earlier the weather is taken: an hour of 2026 gets that of 2005 with 21.

    Returns
    -------
    dict of str to ndarray (hours,)
        As :func:`simulator.weather.hourly_weather`, at the height of the cell, and ``precipitation_mm`` (NaN where the
        archive has none).

    Raises
    ------
    ValueError
        A year is not there. The few hours of :func:`years_needed` may be: they come from the other end of the year
        beside theirs.
    """
    wanted = np.asarray(utc.year) - years_back
    found = {name: np.empty(len(utc)) for name in (*COLUMNS, "precipitation_mm")}
    for year in np.unique(wanted).tolist():
        here = wanted == year
        station = by_year.get(year)
        if station is None:
            beside = [other for other in (year - 1, year + 1) if other in by_year]
            if here.sum() > EDGE_H or not beside:
                raise ValueError(f"expected the years {years_needed(utc, years_back)}, got {sorted(by_year)}")
            station = by_year[beside[0]]
        for name, values in hourly_weather(station, utc[here]).items():
            found[name][here] = values
        full_hour = utc[here].tz_convert(None).to_numpy().astype("datetime64[h]")
        found["precipitation_mm"][here] = station.precipitation_mm[_row_of(full_hour, len(station.table))]
    return found
