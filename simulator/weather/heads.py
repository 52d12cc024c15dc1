"""Where a weather file was measured, from its first lines alone: light enough for a scenario to be checked with."""

from __future__ import annotations

import csv
import importlib.util
from dataclasses import dataclass
from pathlib import Path

from simulator.errors import WeatherFileError
from simulator.scenario.parts import Stop
from simulator.units import MINUTES_PER_HOUR
from simulator.weather.files import SAMPLES
from simulator.weather.formats import TMY2_HEADER, decode, recognise
from simulator.weather.station import FAR_KM, FAR_M, OTHER_CLIMATE_KM, distance_km, sign_words

HEAD_BYTES = 8192


@dataclass(frozen=True)
class Origin:
    """Where weather comes from."""

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None


def origin_of_file(path: Path) -> Origin | None:
    """Place in the head of a weather file; None if its head cannot be read (which reading the whole file will tell)."""
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
        lines = decode(head).lstrip("\ufeff").splitlines()
        return _READERS[recognise(str(path), head)](lines)
    except (OSError, WeatherFileError, ValueError, IndexError, KeyError):
        return None


def origin_of_sample(name: str) -> Origin | None:
    """Place of a station-year that comes along; None if it cannot be found."""
    found = importlib.util.find_spec("pvlib")
    if found is None or found.origin is None or name not in SAMPLES:
        return None
    file, place = SAMPLES[name]
    origin = origin_of_file(Path(found.origin).parent / "data" / file)
    return None if origin is None else Origin(place or origin.name, origin.latitude_deg, origin.longitude_deg, origin.elevation_m)


def _epw(lines: list[str]) -> Origin:
    """LOCATION,city,state,country,source,station,latitude,longitude,zone,elevation (EnergyPlus, Auxiliary Programs)."""
    row = next(csv.reader(lines[:1]))
    return Origin(row[1].strip(), float(row[6]), float(row[7]), float(row[9]))


def _tmy3(lines: list[str]) -> Origin:
    """Station, name, state, zone, latitude, longitude, elevation (manual of TMY3, section 3)."""
    row = next(csv.reader(lines[:1]))
    return Origin(row[1].strip(), float(row[4]), float(row[5]), float(row[6]))


def _tmy2(lines: list[str]) -> Origin:
    found = TMY2_HEADER.match(" " + lines[0].lstrip())
    if found is None:  # pragma: no cover - recognise has seen this very header
        raise ValueError
    _, city, state, _, north, lat_deg, lat_min, east, lon_deg, lon_min, elevation = found.groups()
    latitude_deg = (int(lat_deg) + int(lat_min) / MINUTES_PER_HOUR) * (1 if north == "N" else -1)
    longitude_deg = (int(lon_deg) + int(lon_min) / MINUTES_PER_HOUR) * (1 if east == "E" else -1)
    return Origin(f"{city.strip().title()}, {state}", latitude_deg, longitude_deg, float(elevation))


def _nsrdb(lines: list[str]) -> Origin:
    names, values = csv.reader(lines[:2])
    told = dict(zip(names, values, strict=False))
    place = f"cell at {told['Latitude']}, {told['Longitude']}"
    return Origin(place, float(told["Latitude"]), float(told["Longitude"]), float(told["Elevation"]))


_READERS = {"epw": _epw, "tmy2": _tmy2, "tmy3": _tmy3, "nsrdb": _nsrdb}


def origin_words(origin: Origin, stop: Stop) -> str:
    """How far from a stop its weather was measured, and what to think of that."""
    away_km = distance_km(origin.latitude_deg, origin.longitude_deg, stop.latitude_deg, stop.longitude_deg)
    words = f"{origin.name}, {away_km:,.0f} km away"
    if stop.elevation_m is not None and origin.elevation_m is not None:
        higher_m = origin.elevation_m - stop.elevation_m
        if abs(higher_m) >= 1.0:
            words += f" and {abs(higher_m):,.0f} m {'higher' if higher_m > 0.0 else 'lower'}"
        if abs(higher_m) > FAR_M:
            words += ", so its air is warmer or colder"
    if away_km > OTHER_CLIMATE_KM:
        asked = sign_words(origin.latitude_deg, origin.longitude_deg, stop)
        return f"{words} (that is another climate{f'; {asked}' if asked else ''})"
    return f"{words} (its sky may be another one)" if away_km > FAR_KM else words
