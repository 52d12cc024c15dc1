"""Weather years from files on disk: looked at, read, checked, carried over to UTC hours, and kept for the next time."""

from __future__ import annotations

import difflib
import hashlib
import importlib.util
import stat
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from simulator.errors import InputError, WeatherFileError, printable
from simulator.weather import cache, formats
from simulator.weather.station import COLUMNS, Floats, StationYear, short_sum, year_index

LARGEST_FILE_BYTES: Final = 64 * 1024 * 1024
"""A year every five minutes with all columns takes about 20 MB; anything larger is not one year of weather."""
HEAD_BYTES: Final = 16 * 1024

FIRST_YEAR: Final = 1900
LAST_YEAR: Final = 2200
"""A file that names one year outside these means no real year by it."""

SAMPLES: Final = {
    "sandpoint": ("703165TY.csv", "Sand Point, Alaska"),
    "greensboro": ("723170TYA.CSV", "Greensboro, North Carolina"),
    "miami": ("12839.tm2", "Miami, Florida"),
}
"""Station-years that come with pvlib, free to use: name -> (file, place)."""


def look_at_weather_file(path: Path | str) -> None:
    """Make sure, without reading it all, that a file is there and begins like a weather file.

    Raises
    ------
    WeatherFileError
        It is missing, a folder, not readable, too large, or nothing that :func:`read_weather_file` knows.
    """
    path = Path(path)
    _look_at_entry(path)
    try:
        with path.open("rb") as file:
            head = file.read(HEAD_BYTES)
    except OSError as error:
        raise _unreadable(path, error) from None
    formats.recognise(printable(path), head)


def read_weather_file(path: Path | str) -> StationYear:
    """Read a year of weather: EPW, TMY2, TMY3 or NSRDB csv, told apart by content.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    StationYear

    Raises
    ------
    WeatherFileError
        The file cannot be used; each sentence says where, what is wrong, what is allowed and how to mend it.

    Notes
    -----
    Light is taken as the mean over the hour each format says it is. Temperature and wind in EPW, TMY2 and TMY3 are
    readings at the end of that hour and are used for it as they are: half an hour late, mostly less than 1 C.
    Formats: Marion & Urban (1995), User's Manual for TMY2s, doi:10.2172/87130; Wilcox & Marion (2008), User's Manual
    for TMY3 Data Sets, NREL/TP-581-43156, doi:10.2172/928611; EnergyPlus documentation, Auxiliary Programs (EPW);
    Sengupta et al. (2018), The National Solar Radiation Data Base, doi:10.1016/j.rser.2018.03.003.
    """
    path = Path(path)
    _look_at_entry(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise _unreadable(path, error) from None
    return _read(printable(path), printable(path.name), data)


def read_sample(name: str) -> StationYear:
    """Read one of the station-years that come with pvlib: ``sandpoint``, ``greensboro`` or ``miami``.

    Raises
    ------
    InputError
        There is no sample of that name.
    WeatherFileError
        The installed pvlib no longer carries it.
    """
    if name not in SAMPLES:
        near = difflib.get_close_matches(name.lower(), SAMPLES, n=1)
        hint = f'; did you mean "{near[0]}"?' if near else ""
        raise InputError(f'weather sample: expected one of {", ".join(SAMPLES)}, got "{name}"{hint}')
    found = importlib.util.find_spec("pvlib")
    file, place = SAMPLES[name]
    if found is None or found.origin is None:
        raise WeatherFileError(f'weather sample "{name}": it comes with pvlib, which is not installed; install flatdays again')
    path = Path(found.origin).parent / "data" / file
    try:
        data = path.read_bytes()
    except OSError:
        raise WeatherFileError(
            f'weather sample "{name}": the installed pvlib does not carry {file}; '
            "install pvlib again, or name a weather file of your own"
        ) from None
    return _read(file, f"{file}, shipped with pvlib", data, place)


def _look_at_entry(path: Path) -> None:
    """What the folder says about a file, before it is opened: opening a pipe would wait for ever."""
    try:
        entry = path.stat()
    except (FileNotFoundError, NotADirectoryError):
        raise WeatherFileError(f"{printable(path)}: there is no such weather file{_nearest(path)}") from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from None
    if stat.S_ISDIR(entry.st_mode):
        raise WeatherFileError(f"{printable(path)}: this is a folder; name the weather file in it ({formats.KNOWN} are read)")
    if not stat.S_ISREG(entry.st_mode):
        raise WeatherFileError(
            f"{printable(path)}: this is a device or a pipe, not a file; name a weather file ({formats.KNOWN} are read)"
        )
    if entry.st_size > LARGEST_FILE_BYTES:
        raise WeatherFileError(
            f"{printable(path)}: it has {entry.st_size / 1e6:.0f} MB, {LARGEST_FILE_BYTES / 1e6:.0f} MB are allowed; "
            "name a file with one year of one place"
        )


def _nearest(path: Path) -> str:
    """The end of a sentence about a missing file: the name it may have been meant for, or how to get one."""
    try:
        there = [other.name for other in path.parent.iterdir() if other.is_file() and other.name.isprintable()]
    except OSError:
        return "; look at the folder's name, paths count from the scenario's own folder"
    near = difflib.get_close_matches(path.name, there, n=1)
    return (
        f'; did you mean "{near[0]}"?'
        if near
        else '; correct its name, or take weather = { sample = "..." } or { clear = true } instead'
    )


def _unreadable(path: Path, error: Exception) -> WeatherFileError:
    if isinstance(error, PermissionError):
        return WeatherFileError(f"{printable(path)}: this weather file may not be read; give yourself the permission to read it")
    reason = getattr(error, "strerror", None) or error
    return WeatherFileError(f"{printable(path)}: this weather file cannot be opened ({reason}); correct its name")


def _read(file: str, from_where: str, data: bytes, place: str | None = None) -> StationYear:
    """A station's year from a file's bytes: from the cache if it has been read before."""
    sha256 = hashlib.sha256(data).hexdigest()
    kept = cache.load(sha256)
    if kept is None:
        kept = _parse(file, data)
        cache.store(sha256, *kept)
    told, values = kept
    name = place or str(told["name"])
    year = told["year"]
    when = "a typical year" if year is None else f"the year {year}"
    return StationYear(
        name=name,
        source=f"{name}: {when} ({told['kind']}), from {from_where}, checksum {short_sum(sha256)}",
        sha256=sha256,
        latitude_deg=told["latitude_deg"],
        longitude_deg=told["longitude_deg"],
        elevation_m=told["elevation_m"],
        typical=year is None,
        table=pd.DataFrame(values.T, index=year_index(values.shape[1], year), columns=list(COLUMNS)),
        notes=tuple(f"{name}, weather file: {note}" for note in told["notes"]),
    )


def _parse(file: str, data: bytes) -> tuple[dict[str, Any], Floats]:
    """Read, check and regrid; what is said about the station, and its columns (5, hours)."""
    from simulator.weather import checks, readers

    kind = formats.recognise(file, data)
    raw = readers.parse(file, kind, formats.decode(data))
    step_min = checks.check_clock(raw)
    complete, notes = checks.fill_missing(raw, step_min)
    table = {
        name: checks.regrid_to_utc_hours(complete[name], float(raw.start_min[0]), step_min, raw.utc_offset_h) for name in COLUMNS
    }
    year = raw.years[0] if not raw.typical and FIRST_YEAR <= raw.years[0] <= LAST_YEAR else None
    values = np.stack([table[name] for name in COLUMNS])
    notes += checks.check_sun(file, table, year_index(values.shape[1], year), raw.latitude_deg, raw.longitude_deg)
    told = {
        "name": raw.name,
        "kind": raw.kind,
        "latitude_deg": raw.latitude_deg,
        "longitude_deg": raw.longitude_deg,
        "elevation_m": raw.elevation_m,
        "year": year,
        "notes": notes,
    }
    return told, values
