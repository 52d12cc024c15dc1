"""The shipped table of monthly normals: places by name, and the nearest that may stand for another."""

from __future__ import annotations

import csv
import difflib
from collections import Counter
from functools import cache
from importlib import resources

from simulator.errors import InputError
from simulator.weather.normals import Months, Normals, prefix
from simulator.weather.station import FAR_KM, FAR_M, distance_km

WRITE_THEM = "normals = { kt = [12 values], temp_mean_c = [12 values] }"
"""What a person writes for a place that the table does not have."""


@cache
def _table() -> dict[str, Normals]:
    """Read the shipped table: places by name, in the order of the file."""
    text = resources.files("simulator.weather").joinpath("normals.csv").read_text(encoding="utf-8")
    rows: dict[str, list[dict[str, str]]] = {}
    for row in csv.DictReader(line for line in text.splitlines() if not line.startswith("#")):
        rows.setdefault(row["site"], []).append(row)
    return {name: _table_normals(name, twelve) for name, twelve in rows.items()}


def _table_normals(name: str, rows: list[dict[str, str]]) -> Normals:
    """Put the twelve rows of one place together."""
    rows = sorted(rows, key=lambda row: int(row["month"]))
    first = rows[0]

    def months(column: str) -> Months:
        return tuple(float(row[column]) for row in rows)

    single_year = first["source"].startswith("NSRDB")
    return Normals(
        name=name,
        source=f"monthly figures of {name}, computed from {first['source']}, {'a single' if single_year else 'a typical'} year",
        latitude_deg=float(first["latitude_deg"]),
        longitude_deg=float(first["longitude_deg"]),
        elevation_m=float(first["elevation_m"]),
        kt=months("kt"),
        temp_mean_c=months("temp_mean_c"),
        temp_min_c=months("temp_min_c"),
        temp_max_c=months("temp_max_c"),
        wind_speed_m_s=months("wind_speed_m_s"),
        kt_daily_sd=months("kt_daily_sd"),
        typical=not single_year,
    )


def normals_names() -> tuple[str, ...]:
    """Names of the places in the shipped table."""
    return tuple(_table())


def _words(name: str) -> str:
    """Bring a name down to lower-case words, so that case, signs and blanks do not matter."""
    return " ".join("".join(letter if letter.isalnum() else " " for letter in name.casefold()).split())


def normals_from_table(name: str, where: str = "") -> Normals:
    """Look a place up in the shipped table.

    Parameters
    ----------
    name : str
        As in :func:`normals_names`; case and signs do not matter, and the first words are enough if only one place has them.
    where : str
        What an error begins with: file, stop, key and line.

    Returns
    -------
    Normals

    Raises
    ------
    InputError
        No place has this name, or several begin with it; the nearest names are in the sentence.
    """
    known = {_words(place): normals for place, normals in _table().items()}
    asked = _words(name)
    if asked in known:
        return known[asked]
    begin = [normals for words, normals in known.items() if asked and words.startswith(f"{asked} ")]
    if len(begin) == 1:
        return begin[0]
    if begin:
        listed = ", ".join(f'"{normals.name}"' for normals in begin)
        raise InputError(
            f'{prefix(where)}expected one place of the table of normals, got "{name}", which may be {listed}: write one of these.'
        )
    near = difflib.get_close_matches(asked, known, n=3, cutoff=0.6)
    if not near:
        # Words that few places have say more than "Intl Ap".
        common = Counter(word for words in known for word in words.split())
        shared = {words: sum(1.0 / common[word] for word in set(asked.split()) & set(words.split())) for words in known}
        near = sorted((words for words in known if shared[words]), key=lambda words: -shared[words])[:3]
    hint = f"Did you mean {' or '.join(chr(34) + known[words].name + chr(34) for words in near)}?" if near else _names_hint()
    raise InputError(f'{prefix(where)}expected a place of the table of normals, got "{name}". {hint}')


def _names_hint() -> str:
    listed = "; ".join(sorted(normals_names(), key=str.casefold))
    return f"It has {listed}. For any other place write {WRITE_THEM}."


def normals_by_distance(latitude_deg: float, longitude_deg: float) -> tuple[float, Normals]:
    """The table's nearest place, however far and high it lies, and how far away that is [km]."""
    away = (
        (distance_km(latitude_deg, longitude_deg, place.latitude_deg, place.longitude_deg), place) for place in _table().values()
    )
    return min(away, key=lambda found: found[0])


def nearest_normals(latitude_deg: float, longitude_deg: float, elevation_m: float, where: str = "") -> Normals:
    """Find the table's nearest place whose weather may stand for another's: within 100 km, and within 300 m of height.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        North and east are positive [deg].
    elevation_m : float
        Height above the sea [m].
    where : str
        What an error begins with.

    Returns
    -------
    Normals
        As measured, at the table's own height: see :meth:`Normals.at_elevation`. A typical year is taken before a single one.

    Raises
    ------
    InputError
        No place is near enough; the sentence names the nearest, and what to do.
    """
    away = {
        name: distance_km(latitude_deg, longitude_deg, place.latitude_deg, place.longitude_deg)
        for name, place in _table().items()
    }
    heights = {name: place.elevation_m or 0.0 for name, place in _table().items()}
    near = [name for name in away if away[name] <= FAR_KM and abs(heights[name] - elevation_m) <= FAR_M]
    if near:
        return _table()[min(near, key=lambda name: (not _table()[name].typical, away[name]))]
    closest = min(away, key=lambda name: away[name])
    higher_m = heights[closest] - elevation_m
    apart = f"{away[closest]:.0f} km away and {abs(higher_m):.0f} m {'higher' if higher_m > 0 else 'lower'}"
    raise InputError(
        f"{prefix(where)}expected a place of the table of normals within {FAR_KM:.0f} km and {FAR_M:.0f} m of height, "
        f'got none: the nearest is "{closest}", {apart}. '
        f"Write {WRITE_THEM}, name a weather file, or name a place of the table yourself."
    )
