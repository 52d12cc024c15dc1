"""What weather along a route is: one year of it, or many; and what a stop asks for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from simulator import weather
from simulator.errors import ArchiveError
from simulator.scenario.parts import Stop
from simulator.units import HOURS_PER_DAY, WH_PER_KWH
from simulator.weather.archive_files import DamagedFileError, read_kept
from simulator.weather.past import ArchiveYear, Cell, cell_of
from simulator.weather.station import StationYear, refuse_other_hemisphere, where_of

FloatArray = npt.NDArray[np.float64]

CLEAR_TEMP_C: Final = 20.0


@dataclass(frozen=True)
class RouteWeather:
    """Weather of every hour: ``table`` by pvlib's names, each ``(hours,)`` or ``(years, hours)``; ``elevation_m`` (hours,).

    ``precipitation_mm`` has the shape of the table [mm of the hour], NaN where nobody knows; None: nowhere known.
    """

    table: Mapping[str, FloatArray]
    elevation_m: FloatArray
    sources: tuple[str, ...]
    notes: tuple[str, ...]
    precipitation_mm: FloatArray | None = None
    usual_sun: tuple[tuple[float, ...] | None, ...] = ()
    """By stop: light on the flat that is usual there, month by month (12,) [kWh/m2 a day]; None: nobody knows."""


@dataclass(frozen=True)
class WeatherYears:
    """Many years of weather for one route, made a block at a time.

    ``block(first, count)`` gives years ``first`` .. ``first + count - 1`` as rows; ``kind`` is ``past`` or ``drawn``.
    """

    kind: str
    names: tuple[str, ...]
    block: Callable[[int, int], RouteWeather]
    sources: tuple[str, ...]
    notes: tuple[str, ...]
    freezes: tuple[bool, ...]
    """(stops,) Whether it freezes there during the stay, while nothing tells when it snows."""


def station_of(stop: Stop) -> weather.StationYear:
    """The station-year of a stop whose weather is a file or a sample.

    Raises
    ------
    InputError
        It cannot be used, or lies beyond the equator.
    """
    choice = stop.weather
    assert choice is not None
    station = weather.read_sample(choice.sample) if choice.sample else weather.read_weather_file(choice.file or "")
    refuse_other_hemisphere(station.name, station.latitude_deg, stop)
    return station


def height_m(stop: Stop, other_m: float | None) -> float:
    """Height of a stop: as written, else that of where its weather comes from, else looked up."""
    if stop.elevation_m is not None:
        return stop.elevation_m
    return other_m if other_m is not None else weather.look_up_elevation_m(stop.latitude_deg, stop.longitude_deg)


def usual_sun_of(station: StationYear) -> tuple[float, ...]:
    """Mean light on the flat of each month of a station's year (12,) [kWh/m2 a day]."""
    month = pd.DatetimeIndex(station.table.index).month.to_numpy() - 1
    light_w_m2 = station.table["ghi"].to_numpy()
    mean_w_m2 = np.bincount(month, weights=light_w_m2, minlength=12) / np.maximum(np.bincount(month, minlength=12), 1)
    return tuple((mean_w_m2 * HOURS_PER_DAY / WH_PER_KWH).tolist())


def asks_for_normals(stop: Stop) -> bool:
    return stop.weather is not None and stop.weather.normals is not None


def asks_for_past(stop: Stop) -> bool:
    return stop.weather is not None and stop.weather.years is not None


def kept_year(cell: Cell, year: int) -> ArchiveYear | None:
    """A year of the cache; None if it is not there, or not whole: then it is never used."""
    try:
        return read_kept(cell, year)
    except DamagedFileError:
        return None


def kept_years(stop: Stop) -> list[ArchiveYear]:
    """Every year that a stop asks for and the cache has."""
    choice = stop.weather
    assert choice is not None and choice.years is not None
    cell = cell_of(stop.latitude_deg, stop.longitude_deg)
    found = []
    for year in range(choice.years[0], choice.years[1] + 1):
        kept = kept_year(cell, year)
        if kept is not None:
            found.append(kept)
    if not found:
        raise ArchiveError(fetch_first(stop))
    return found


def fetch_first(stop: Stop) -> str:
    choice = stop.weather
    assert choice is not None and choice.years is not None
    first, last = choice.years
    return (
        f"{where_of(stop)}, weather.years: its past years are not in the cache, or not one whole trip of them; "
        f"get them first: flatdays fetch SCENARIO --years {first}-{last}"
    )
