"""One reader a format, each through pvlib.iotools.

Headers are read here, strictly: that is where published files are wrong, and where the readers fail without a word
of use. The reader then gets the same file with a plain header (time zone 0), so that what it returns is on the
file's own clock. pvlib is imported only when a file is really parsed.
"""

from __future__ import annotations

import csv
import io
import math
import re
import tempfile
import warnings
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from simulator.errors import WeatherFileError
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR
from simulator.weather.formats import TMY2_HEADER, RawYear
from simulator.weather.station import COLUMNS, ROWS_WITHOUT_LEAP_DAY, Floats

MISSING_ANYWHERE: Final = (-999.0, -9900.0, -9999.0)
"""Codes for a missing value in any format (TMY3 manual, NREL/TP-581-43156, for -9900; the others are customary)."""

EPW_CODES: Final = dict.fromkeys(("ghi", "dni", "dhi"), 9999.0) | {"temp_air": 99.9, "wind_speed": 999.0}
"""EnergyPlus documentation, Auxiliary Programs, EPW data dictionary: "missing" of fields N6, N13-N15 and N21."""
TMY2_CODES: Final = dict.fromkeys(("ghi", "dni", "dhi"), 9999.0) | {"temp_air": 999.9, "wind_speed": 99.9}
"""Manual of TMY2, section 3: a field full of nines; temperature and wind are in tenths."""
TMY2_COLUMNS: Final = {
    "ghi": ("GHI", 1.0),
    "dni": ("DNI", 1.0),
    "dhi": ("DHI", 1.0),
    "temp_air": ("DryBulb", 0.1),
    "wind_speed": ("Wspd", 0.1),
}
"""Column of the contract -> column of the reader, and what its unit comes to."""

HOURLY_MIN: Final = (60,)
NSRDB_MIN: Final = (5, 10, 15, 30, 60)

LONGEST_LINE: Final = 20_000
"""A header line of an EPW with all its design conditions has a few hundred characters."""
_TMY2_ROW_LENGTH = 142
_EPW_FIELDS = (22, 35)
"""A row of an EPW has 35 fields; older writers end it early, but never before the wind, the 22nd."""
_EPW_TYPICAL = ("TMY", "TRY", "IWEC", "TYPICAL")
_MONTH_STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])


class _Place(NamedTuple):
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    utc_offset_h: float


_PLACE_LIMITS = (
    ("latitude", -90.0, 90.0, "degrees"),
    ("longitude", -180.0, 180.0, "degrees"),
    ("elevation", -500.0, 9000.0, "m"),
    ("time zone", -12.0, 14.0, "h from UTC"),
)


def parse(file: str, kind: str, text: str) -> RawYear:
    """Read the text of one file of a kind that :func:`simulator.weather.formats.recognise` gave.

    Raises
    ------
    WeatherFileError
        Header or rows cannot be read, with all mistakes of the header at once.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").lstrip("\n").rstrip().split("\n")
    long = next((number for number, line in enumerate(lines, 1) if len(line) > LONGEST_LINE), None)
    if long is not None:
        raise WeatherFileError(
            f"{file}: line {long} has more than {LONGEST_LINE} characters; the file is damaged, download it again"
        )
    return {"epw": _read_epw, "tmy3": _read_tmy3, "tmy2": _read_tmy2, "nsrdb": _read_nsrdb}[kind](file, lines)


def _read_epw(file: str, lines: list[str]) -> RawYear:
    """EPW: rows are named after the end of their hour, 1 to 24; pvlib labels the start."""
    header = _fields(lines[0])
    if len(header) != 10:
        comma = len(header) == 11 and all(re.fullmatch(r"[-+]?\d+(\.\d+)?", field) for field in header[8:])
        cure = (
            f'the time zone seems to have a decimal comma: write "{header[8]},{header[9]}" as {header[8]}.{header[9]}'
            if comma
            else "look for a comma inside a name or a number and take it out"
        )
        raise WeatherFileError(
            f"{file}: line 1: expected 10 fields (LOCATION, city, state, country, source, number, latitude, longitude, "
            f"time zone, elevation), got {len(header)}; {cure}"
        )
    place = _place(file, 1, header[6], header[7], header[9], header[8])
    periods = _fields(lines[7]) if len(lines) > 8 else [""]
    if periods[0].upper() != "DATA PERIODS":
        raise WeatherFileError(
            f"{file}: expected eight header lines, the last of them DATA PERIODS, and a year of rows after it; "
            "the file is damaged or cut off, download it again"
        )
    if len(periods) > 2 and periods[2] != "1":
        raise WeatherFileError(f"{file}: line 8: expected 1 row an hour, got {periods[2]}; make the file again with hourly rows")
    _even_rows(file, lines[8:], 9, *_EPW_FIELDS)
    years = _years(file, (line.split(",", 1)[0] for line in lines[8:]))
    for number, line in enumerate(lines[8:], 9):
        when = line.split(",", 4)[1:4]
        if not all(part.strip().isdecimal() and 1 <= int(part) <= most for part, most in zip(when, (12, 31, 24), strict=True)):
            raise WeatherFileError(
                f"{file}: line {number}: month, day and hour (1 to 24) cannot be read as EPW, got {', '.join(when)[:40]!r}; "
                "correct them, or download the file again"
            )
    # The reader wants all fields; what an older writer left out is not used.
    rest = "," * (_EPW_FIELDS[1] - 1 - lines[8].count(","))
    plain = io.StringIO("\n".join(["LOCATION,-,-,-,-,-,0,0,0,0", *lines[1:8], *(line + rest for line in lines[8:])]))

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        # Months of a typical year come from several years, and one of them may hold a 29 February: all become 2000.
        return pvlib.iotools.read_epw(plain, coerce_year=2000)  # type: ignore[no-any-return]

    frame = _ask(file, "EPW", ask)
    start_min, leap = _minutes(pd.DatetimeIndex(frame.index))
    source = _words(header[4])
    return RawYear(
        file=file,
        kind=f"EPW, {source}" if source else "EPW",
        name=_words(*header[1:4]) or file,
        **place._asdict(),
        years=years,
        typical=len(years) > 1 or any(word in source.upper() for word in _EPW_TYPICAL),
        start_min=start_min,
        leap=leap,
        steps_min=HOURLY_MIN,
        values={name: _column(file, frame, name, 9) for name in COLUMNS},
        codes={name: (code, *MISSING_ANYWHERE) for name, code in EPW_CODES.items()},
        first_line=9,
    )


def _read_tmy3(file: str, lines: list[str]) -> RawYear:
    """TMY3: rows are labelled by the end of their hour, 01:00 to 24:00, and so are pvlib's."""
    header = _fields(lines[0])
    if len(header) != 7:
        raise WeatherFileError(
            f"{file}: line 1: expected 7 fields (number, name, state, time zone, latitude, longitude, elevation), "
            f"got {len(header)}; look for a comma inside a number, or download the file again"
        )
    place = _place(file, 1, header[4], header[5], header[6], header[3])
    rows = len(lines) - 2
    if rows != ROWS_WITHOUT_LEAP_DAY:
        state = "cut off" if rows < ROWS_WITHOUT_LEAP_DAY else "too long"
        raise WeatherFileError(
            f"{file}: expected {ROWS_WITHOUT_LEAP_DAY} hourly rows, got {rows}; the file is {state}, download it again"
        )
    width = lines[1].count(",") + 1
    _even_rows(file, lines[2:], 3, width, width)
    plain = io.StringIO("\n".join(["0,-,-,0,0,0,0", *lines[1:]]))

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        # A year without 29 February, so that the hour after 28 February 24:00 stays 1 March.
        return pvlib.iotools.read_tmy3(plain, coerce_year=2001, map_variables=True)  # type: ignore[no-any-return]

    frame = _ask(file, "TMY3", ask)
    start_min, leap = _minutes(pd.DatetimeIndex(frame.index) - pd.Timedelta(hours=1))
    return RawYear(
        file=file,
        kind="TMY3",
        name=_words(*header[1:3]) or file,
        **place._asdict(),
        years=_years(file, frame["Date (MM/DD/YYYY)"].str[-4:]),
        typical=True,
        start_min=start_min,
        leap=leap,
        steps_min=HOURLY_MIN,
        values={name: _column(file, frame, name, 3) for name in COLUMNS},
        codes=dict.fromkeys(COLUMNS, MISSING_ANYWHERE),
        first_line=3,
    )


def _read_tmy2(file: str, lines: list[str]) -> RawYear:
    """TMY2: rows are named after the end of their hour, 1 to 24; pvlib labels the start, and leaves tenths as they are."""
    header = TMY2_HEADER.match(f" {lines[0].lstrip()}")
    if header is None:  # pragma: no cover - recognise has seen this very header
        raise WeatherFileError(f"{file}: line 1 is not the header of a TMY2 file; download it again")
    _, city, state, zone, north, lat_deg, lat_min, east, lon_deg, lon_min, height = header.groups()
    latitude = (1 if north == "N" else -1) * (int(lat_deg) + int(lat_min) / MINUTES_PER_HOUR)
    longitude = (1 if east == "E" else -1) * (int(lon_deg) + int(lon_min) / MINUTES_PER_HOUR)
    place = _place(file, 1, str(latitude), str(longitude), height, zone)
    rows = [f" {line.lstrip()}" for line in lines[1:]]
    short = [line for line, row in enumerate(rows, start=2) if len(row) < _TMY2_ROW_LENGTH]
    if short or not rows:
        raise WeatherFileError(
            f"{file}: line {short[0] if short else 2}: expected a row of {_TMY2_ROW_LENGTH} characters; "
            "the file is damaged or cut off there, download it again"
        )

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        # This reader takes a name only, and stumbles over places of two words: it gets a copy with a plain header.
        with tempfile.TemporaryDirectory(prefix="flatdays-") as folder:
            copy = Path(folder) / "year.tm2"
            copy.write_text("\n".join([" 00000 - - 0 N 0 0 E 0 0 0", *rows, ""]), encoding="ascii", errors="replace")
            return pvlib.iotools.read_tmy2(copy)  # type: ignore[no-any-return]

    frame = _ask(file, "TMY2", ask)
    start_min, leap = _minutes(pd.DatetimeIndex(frame.index))
    return RawYear(
        file=file,
        kind="TMY2",
        name=_words(city, state) or file,
        **place._asdict(),
        years=_years(file, frame["year"] + 1900),
        typical=True,
        start_min=start_min,
        leap=leap,
        steps_min=HOURLY_MIN,
        values={name: _column(file, frame, column, 2) * scale for name, (column, scale) in TMY2_COLUMNS.items()},
        codes={name: (code, *MISSING_ANYWHERE) for name, code in TMY2_CODES.items()},
        first_line=2,
    )


def _read_nsrdb(file: str, lines: list[str]) -> RawYear:
    """NSRDB csv: a label is the middle of what its row stands for, hh:30 in hourly files."""
    about = dict(zip(_fields(lines[0]), (field.strip() for field in next(csv.reader([lines[1]]), [])), strict=False))
    absent = [name for name in ("Latitude", "Longitude", "Elevation", "Time Zone") if not about.get(name)]
    if absent:
        raise WeatherFileError(
            f"{file}: lines 1 and 2 do not give {' and '.join(absent)}; download it again and leave these lines as they are"
        )
    place = _place(file, 2, about["Latitude"], about["Longitude"], about["Elevation"], about["Time Zone"])
    foreign = [
        f"{file}: line 2: expected {name} in {units[0]}, got {about[name]!r}; download it again in {units[0]}"
        for name, units in (("Temperature Units", ("c", "celsius")), ("GHI Units", ("w/m2",)), ("Wind Speed Units", ("m/s",)))
        if about.get(name, units[0]).lower() not in units
    ]
    if foreign:
        raise WeatherFileError(foreign)
    # Rows filled up with empty fields are a spreadsheet's habit; the reader ignores them.
    _even_rows(file, lines[3:] or [""], 4, len(_fields(lines[2])), lines[2].count(",") + 1)
    plain = io.StringIO("\n".join(["Latitude,Longitude,Time Zone,Elevation,Local Time Zone", "0,0,0,0,0", *lines[2:]]))

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        return pvlib.iotools.read_nsrdb_psm4(plain, map_variables=True)  # type: ignore[no-any-return]

    frame = _ask(file, "NSRDB csv", ask)
    label_min, leap = _minutes(pd.DatetimeIndex(frame.index))
    apart_min, often = np.unique(np.diff(label_min), return_counts=True)
    half_min = float(apart_min[np.argmax(often)]) / 2.0 if len(often) else 0.0
    years = _years(file, frame["Year"])
    return RawYear(
        file=file,
        kind="NSRDB csv",
        name=_words(*(about.get(name, "") for name in ("City", "State", "Country")))
        or f"NSRDB cell {_words(about.get('Location ID', '')) or file}",
        **place._asdict(),
        years=years,
        typical=len(years) > 1,
        start_min=label_min - half_min,
        leap=leap,
        steps_min=NSRDB_MIN,
        values={name: _column(file, frame, name, 4) for name in COLUMNS},
        codes=dict.fromkeys(COLUMNS, MISSING_ANYWHERE),
        first_line=4,
    )


def _fields(line: str) -> list[str]:
    """Fields of a CSV line, without blanks and without the empty ones that spreadsheets add at the end."""
    fields = [field.strip() for field in next(csv.reader([line]), [])]
    while fields and not fields[-1]:
        fields.pop()
    return fields


def _words(*parts: str) -> str:
    """Name of a place from header fields: printable, of bearable length, without empty ones."""
    told = [part.strip() for part in parts if part.strip().lower() not in {"", "-", "n/a", "none", "null"}]
    return "".join(letter for letter in ", ".join(told) if letter.isprintable())[:80]


def _place(file: str, line: int, *texts: str) -> _Place:
    """Latitude, longitude, elevation and time zone from a header; all mistakes at once."""
    mistakes, numbers = [], []
    for (name, low, high, unit), text in zip(_PLACE_LIMITS, texts, strict=True):
        try:
            numbers.append(float(text))
        except ValueError:
            numbers.append(math.nan)
        if not low <= numbers[-1] <= high:
            mistakes.append(
                f"{file}: line {line}, {name}: expected a number from {low:g} to {high:g} {unit}, got {text[:40]!r}; "
                "correct it (with a point in the number), or download the file again"
            )
    place = _Place(*numbers)
    if not mistakes and (4.0 * place.utc_offset_h) % 1.0:
        mistakes.append(
            f"{file}: line {line}, time zone: expected whole or quarter hours, got {place.utc_offset_h:g} h; correct it"
        )
    if mistakes:
        raise WeatherFileError(mistakes)
    return place


def _even_rows(file: str, lines: Sequence[str], first_line: int, few: int, many: int) -> None:
    """Every row has as many fields as the first, and that number is one the format allows."""
    counts = np.array([line.count(",") for line in lines]) + 1
    if not few <= counts[0] <= many:
        raise WeatherFileError(
            f"{file}: line {first_line}: expected {many} fields, got {counts[0]}; "
            "a comma inside a number, or a damaged file: correct it or download it again"
        )
    odd = np.flatnonzero(counts != counts[0])
    if len(odd):
        raise WeatherFileError(
            f"{file}: line {first_line + odd[0]}: expected {counts[0]} fields like the lines before, got {counts[odd[0]]}; "
            "the file is damaged or cut off there, download it again"
        )


def _ask(file: str, kind: str, reader: Callable[[], tuple[pd.DataFrame, Any]]) -> pd.DataFrame:
    """Let a reader of pvlib have its say; whatever it stumbles over becomes one sentence."""
    try:
        with warnings.catch_warnings():
            # Mixed columns make pandas warn before the numbers are looked at below, where they get a proper sentence.
            warnings.filterwarnings("ignore", category=pd.errors.DtypeWarning)
            # A number too large for its column would be cast to another one with a mere warning.
            warnings.filterwarnings("error", category=RuntimeWarning)
            return reader()[0]
    except OSError as error:
        raise WeatherFileError(
            f"{file}: a working copy of it could not be written ({error.strerror or error}); free some space in the folder for "
            "temporary files, or name another one in TMPDIR"
        ) from None
    except Exception as error:
        # The readers raise whatever their first stumble happens to raise: ValueError, KeyError, IndexError, TypeError ...
        # Without advice to programmers, and without the name of our own copy.
        said = re.sub(r"(WARNING: )?In \S+year\.tm2 ", "", str(error).split("You might want")[0])
        reason = " ".join("".join(letter if letter.isprintable() else " " for letter in said).split())[:120].rstrip(" .")
        raise WeatherFileError(
            f"{file}: its rows cannot be read as {kind} ({type(error).__name__}: {reason}); "
            "the file is damaged, download it again"
        ) from None


def _column(file: str, frame: pd.DataFrame, name: str, first_line: int) -> Floats:
    """(rows,) Numbers of one column; NaN where nothing stands, an error where words stand."""
    if name not in frame.columns:
        raise WeatherFileError(
            f"{file}: it has no column for {name}; download it again with ghi, dni, dhi, air temperature and wind speed"
        )
    written = frame[name]
    numbers: Floats = pd.to_numeric(written, errors="coerce").to_numpy(dtype=np.float64)
    for row in np.flatnonzero(np.isnan(numbers)):
        text = str(written.iloc[row]).strip()
        if text.lower() not in {"", "nan"}:
            raise WeatherFileError(
                f"{file}: line {first_line + row}, {name}: expected a number, got {text[:40]!r}; "
                "correct it, or download the file again"
            )
    return numbers


def _minutes(clock: pd.DatetimeIndex) -> tuple[Floats, bool]:
    """(rows,) Minutes after 1 January 00:00, whatever the year, and whether there is a 29 February."""
    month, day = clock.month.to_numpy(dtype=np.int64), clock.day.to_numpy(dtype=np.int64)
    leap = bool(((month == 2) & (day == 29)).any())
    hours = (_MONTH_STARTS[month - 1] + day - 1 + (leap & (month > 2))) * HOURS_PER_DAY + clock.hour.to_numpy()
    minutes: Floats = (hours * MINUTES_PER_HOUR + clock.minute.to_numpy()).astype(np.float64)
    return minutes, leap


def _years(file: str, texts: Iterable[Any]) -> tuple[int, ...]:
    """The years that the rows name, each once."""
    try:
        years = sorted({int(text) for text in texts})
    except ValueError:
        raise WeatherFileError(f"{file}: a row does not say its year; the file is damaged, download it again") from None
    return tuple(years)
