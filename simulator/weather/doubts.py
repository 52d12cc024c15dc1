"""Which stops of a route have weather from so far away that an answer for them is in doubt; read from heads and tables alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Final

from simulator.errors import InputError
from simulator.scenario.parts import Scenario, Stop
from simulator.weather.climate import NEAREST
from simulator.weather.heads import Origin, origin_of_file, origin_of_sample
from simulator.weather.normals_table import normals_from_table
from simulator.weather.station import distance_km

DOUBT_KM: Final = 150.0
"""From here on the answer itself is in doubt, and says so at its head (common practice, no source)."""


@dataclass(frozen=True)
class FarWeather:
    """A stop, and the place that its weather comes from."""

    stop: Stop
    name: str
    km: float


@lru_cache(maxsize=64)
def _origin_of_sample(name: str) -> Origin | None:
    return origin_of_sample(name)


@lru_cache(maxsize=64)
def _origin_of_file(path: Path, stamp: tuple[int, int] | None) -> Origin | None:
    """``stamp`` is there for the cache: a file that was replaced is read again."""
    return origin_of_file(path)


def _stamp(path: Path) -> tuple[int, int] | None:
    """Time of the last change [ns] and size of a file; None: it cannot be looked at."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size


def _origin(stop: Stop) -> Origin | None:
    """Where the weather of a stop was measured; None: at the stop itself, near it, or nobody knows."""
    choice = stop.weather
    if choice is None or choice.clear:
        return None
    if choice.sample is not None:
        return _origin_of_sample(choice.sample)
    if choice.file is not None:
        return _origin_of_file(choice.file, _stamp(Path(choice.file)))
    place = None if choice.normals is None else choice.normals.place
    if place is None or place.strip().lower() == NEAREST:
        return None
    try:
        found = normals_from_table(place, "")
    except InputError:
        return None
    return Origin(found.name, found.latitude_deg, found.longitude_deg, found.elevation_m)


def far_weather(scenario: Scenario) -> tuple[FarWeather, ...]:
    """Stops whose weather comes from more than 150 km away, the farthest first."""
    found = []
    for stop in scenario.stops:
        origin = _origin(stop)
        if origin is None:
            continue
        away_km = distance_km(origin.latitude_deg, origin.longitude_deg, stop.latitude_deg, stop.longitude_deg)
        if away_km > DOUBT_KM:
            found.append(FarWeather(stop, origin.name, away_km))
    return tuple(sorted(found, key=lambda each: (-each.km, each.stop.number)))
