"""The four kinds of weather file, each through its reader in pvlib.iotools.

Headers are read here, strictly: that is where published files are wrong, and where the readers fail without a word
of use. The reader then gets the same file with a plain header (time zone 0), so that what it returns is on the
file's own clock. Nothing in this file imports pvlib before a file is really parsed.
"""

from __future__ import annotations

import csv
import io
import math
import re
import tempfile
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from simulator.errors import WeatherFileError
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR
from simulator.weather.station import Floats

KNOWN: Final = "EPW, TMY2, TMY3 and NSRDB csv"
MISSING_ANYWHERE: Final = (-999.0, -9900.0, -9999.0)
"""Codes that stand for a missing value in any format (TMY3 manual, NREL/TP-581-43156, for -9900; the others are customary)."""

_MONTH_STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
_TMY2_HEADER = re.compile(r"^\s?(\w{5}) (.{22}) (.{2}) +(-?\d+) ([NS]) +(\d+) +(\d+) ([EW]) +(\d+) +(\d+) +(-?\d+)\s*$")
_TMY2_ROW_LENGTH = 142
_EPW_FIELDS = (22, 35)
"""A row of an EPW has 35 fields; older writers end it early, but never before the wind, the 22nd."""
_SUBHOURLY_MIN = (5, 10, 15, 30, 60)


@dataclass(frozen=True)
class RawYear:
    """What one file says, on its own clock, before any check of its numbers.

    Attributes
    ----------
    kind : the format, in words.
    start_min : (rows,) start of the interval each row stands for [minutes after 1 January 00:00, standard time of the file].
    leap : True if the file has a 29 February.
    steps_min : what a row may last in this format [minutes].
    values : column of the contract -> (rows,), missing-value codes still in, NaN where nothing stands.
    codes : column of the contract -> codes that stand for a missing value.
    first_line : line of the file that holds the first row.
    """

    file: str
    kind: str
    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    utc_offset_h: float
    years: tuple[int, ...]
    typical: bool
    start_min: Floats
    leap: bool
    steps_min: tuple[int, ...]
    values: dict[str, Floats]
    codes: dict[str, tuple[float, ...]]
    first_line: int


def recognise(file: str, head: bytes) -> str:
    """Tell the format from the first bytes of a file.

    Parameters
    ----------
    file : str
        How the file is called in messages.
    head : bytes
        Its beginning, some thousand bytes or all of it.

    Returns
    -------
    str
        ``epw``, ``tmy2``, ``tmy3`` or ``nsrdb``.

    Raises
    ------
    WeatherFileError
        The content is none of the four.
    """
    if not head.strip():
        raise WeatherFileError(f"{file}: the file is empty; download it again")
    if head.startswith((b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf", b"Rar!")):
        raise WeatherFileError(f"{file}: this is a packed archive; unpack it and name the weather file inside ({KNOWN} are read)")
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise WeatherFileError(
            f"{file}: this text is in UTF-16, as some spreadsheets write it; save it again as plain CSV or UTF-8"
        )
    if b"\0" in head:
        raise WeatherFileError(f"{file}: this is a binary file, not a weather file; {KNOWN} are read")
    text = decode(head).lstrip()
    if text.startswith("<"):
        raise WeatherFileError(
            f"{file}: this is a web page, not a weather file; download the file itself, not the page it is offered on"
        )
    lines = text.splitlines()
    first = lines[0].upper()
    second = lines[1] if len(lines) > 1 else ""
    third = lines[2] if len(lines) > 2 else ""
    if first.startswith("LOCATION,"):
        return "epw"
    if second.startswith("Date (MM/DD/YYYY)"):
        return "tmy3"
    if first.startswith("SOURCE,") and third.upper().startswith("YEAR,MONTH,DAY,HOUR,MINUTE"):
        return "nsrdb"
    if _TMY2_HEADER.match(lines[0]) or _TMY2_HEADER.match(" " + lines[0]):
        return "tmy2"
    if first.startswith(("LOCATION;", "SOURCE;")) or second.startswith("Date (MM/DD/YYYY);"):
        raise WeatherFileError(
            f"{file}: its fields are parted by semicolons; save it again with commas, and with points in numbers"
        )
    if first.startswith("YEAR,MONTH,DAY,HOUR,MINUTE"):
        raise WeatherFileError(
            f"{file}: an NSRDB csv starts with two lines about the place, and they are missing here; download it again and keep them"
        )
    if first.startswith("SOURCE,"):
        raise WeatherFileError(
            f"{file}: line 3: expected the columns of an NSRDB csv (Year,Month,Day,Hour,Minute,...), "
            f"got {third[:40]!r}; download it again and leave it as it is"
        )
    raise WeatherFileError(
        f"{file}: this is not a weather file flatdays knows ({KNOWN} are read); its first line is {lines[0][:40]!r}"
    )


def decode(data: bytes) -> str:
    """Decode as UTF-8, or as Latin-1 where older files carry accents in it."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")


def parse(file: str, kind: str, text: str) -> RawYear:
    """Read the text of one file of a known kind.

    Raises
    ------
    WeatherFileError
        Header or rows cannot be read, with all mistakes of the header at once.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").lstrip("\n").rstrip().split("\n")
    return _READERS[kind](file, lines)


def _fields(line: str) -> list[str]:
    """Fields of a CSV line, without blanks and without the empty ones that spreadsheets add at the end."""
    fields = [field.strip() for field in next(csv.reader([line]), [])]
    while fields and not fields[-1]:
        fields.pop()
    return fields


def _words(*parts: str) -> str:
    """Name of a place from header fields: printable, without empty ones."""
    told = [part.strip() for part in parts if part.strip() not in {"", "-", "n/a", "N/A", "None", "null"}]
    return "".join(letter for letter in ", ".join(told) if letter.isprintable())[:80]


def _header_numbers(file: str, line: int, wanted: Iterable[tuple[str, str, float, float, str]]) -> list[float]:
    """Numbers of a header, each from (name, text, lowest, highest, unit); all mistakes at once."""
    mistakes, found = [], []
    for name, text, low, high, unit in wanted:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            mistakes.append(
                f"{file}: line {line}, {name}: expected a number from {low:g} to {high:g} {unit}, got {text!r}; "
                "correct it (with a point in the number), or download the file again"
            )
        found.append(number)
    if not mistakes and (found[3] * 4) % 1:
        mistakes.append(f"{file}: line {line}, time zone: expected whole or quarter hours, got {found[3]:g} h; correct it")
    if mistakes:
        raise WeatherFileError(mistakes)
    return found


def _place(latitude: str, longitude: str, elevation: str, zone: str) -> list[tuple[str, str, float, float, str]]:
    return [
        ("latitude", latitude, -90.0, 90.0, "degrees"),
        ("longitude", longitude, -180.0, 180.0, "degrees"),
        ("elevation", elevation, -500.0, 9000.0, "m"),
        ("time zone", zone, -12.0, 14.0, "h from UTC"),
    ]


def _ask(file: str, kind: str, reader: Callable[[], tuple[pd.DataFrame, Any]]) -> pd.DataFrame:
    """Let a reader of pvlib have its say; whatever it stumbles over becomes one sentence."""
    try:
        with warnings.catch_warnings():
            # Mixed columns make pandas warn before the numbers are looked at below, where they get a proper sentence.
            warnings.filterwarnings("ignore", category=pd.errors.DtypeWarning)
            warnings.filterwarnings("ignore", category=pd.errors.ParserWarning)
            return reader()[0]
    except Exception as error:
        # The readers raise whatever their first stumble happens to raise: ValueError, KeyError, IndexError, TypeError ...
        reason = " ".join(str(error).split())[:120]
        raise WeatherFileError(
            f"{file}: its rows cannot be read as {kind} ({type(error).__name__}: {reason}); the file is damaged, download it again"
        ) from None


def _column(file: str, frame: pd.DataFrame, name: str, scale: float, first_line: int, what: str) -> Floats:
    """(rows,) Numbers of one column; NaN where nothing stands, an error where words stand."""
    if name not in frame.columns:
        raise WeatherFileError(
            f"{file}: it has no column {what!r}; download it again with ghi, dni, dhi, air temperature and wind speed"
        )
    written = frame[name]
    numbers = pd.to_numeric(written, errors="coerce").to_numpy(dtype=np.float64)
    blank = written.isna().to_numpy() | np.array([isinstance(text, str) and not text.strip() for text in written])
    words = np.flatnonzero(np.isnan(numbers) & ~blank)
    if len(words):
        raise WeatherFileError(
            f"{file}: line {first_line + words[0]}, {what}: expected a number, got {str(written.iloc[words[0]])[:40]!r}; "
            "correct it, or download the file again"
        )
    return numbers * scale


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


def _minutes(month: Any, day: Any, hour: Any, minute: Any) -> tuple[Floats, bool]:
    """(rows,) Minutes after 1 January 00:00, and whether the year has a 29 February."""
    month, day = np.asarray(month, dtype=np.int64), np.asarray(day, dtype=np.int64)
    leap = bool(((month == 2) & (day == 29)).any())
    days = _MONTH_STARTS[month - 1] + day - 1 + (leap & (month > 2))
    return days * float(HOURS_PER_DAY * MINUTES_PER_HOUR) + np.asarray(hour) * float(MINUTES_PER_HOUR) + np.asarray(minute), leap


def _years(numbers: Iterable[Any]) -> tuple[int, ...]:
    return tuple(sorted({int(number) for number in numbers}))


def _light(code: float) -> dict[str, tuple[float, ...]]:
    return {name: (code, *MISSING_ANYWHERE) for name in ("ghi", "dni", "dhi")}


def _read_epw(file: str, lines: list[str]) -> RawYear:
    """EPW: rows are named after the end of their hour, 1 to 24; pvlib labels the start."""
    header = _fields(lines[0])
    if len(header) != 10:
        comma = len(header) == 11 and all(re.fullmatch(r"[-+]?\d+(\.\d+)?", field) for field in header[8:])
        cure = (
            f'the time zone seems to be written with a decimal comma, "{header[8]},{header[9]}": write it as {header[8]}.{header[9]}'
            if comma
            else "look for a comma inside a name or a number and take it out"
        )
        raise WeatherFileError(
            f"{file}: line 1: expected 10 fields (LOCATION, city, state, country, source, number, latitude, longitude, "
            f"time zone, elevation), got {len(header)}; {cure}"
        )
    latitude, longitude, elevation, zone = _header_numbers(file, 1, _place(header[6], header[7], header[9], header[8]))
    periods = _fields(lines[7]) if len(lines) > 7 else []
    if not periods or periods[0].upper() != "DATA PERIODS" or len(lines) < 9:
        raise WeatherFileError(
            f"{file}: expected eight header lines, the last of them DATA PERIODS, and a year of rows after it; download the file again"
        )
    if len(periods) > 2 and periods[2] != "1":
        raise WeatherFileError(
            f"{file}: line 8: expected one row an hour, got {periods[2]}; make the file again with hourly rows"
        )
    _even_rows(file, lines[8:], 9, *_EPW_FIELDS)
    plain = io.StringIO("\n".join(["LOCATION,-,-,-,-,-,0,0,0,0", *lines[1:]]))

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        # Months of a typical year come from several years, and one of them may hold a 29 February: all become 2000.
        return pvlib.iotools.read_epw(plain, coerce_year=2000)  # type: ignore[no-any-return]

    frame = _ask(file, "EPW", ask)
    clock = pd.DatetimeIndex(frame.index)
    start_min, leap = _minutes(clock.month, clock.day, clock.hour, clock.minute)
    years = _ask_years(file, (line.split(",", 1)[0] for line in lines[8:]))
    source = _words(header[4])
    return RawYear(
        file=file,
        kind=f"EPW, {source}" if source else "EPW",
        name=_words(*header[1:4]) or file,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        utc_offset_h=zone,
        years=years,
        typical=len(years) > 1 or any(word in source.upper() for word in ("TMY", "TRY", "IWEC")),
        start_min=start_min,
        leap=leap,
        steps_min=(60,),
        values={name: _column(file, frame, name, 1.0, 9, name) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")},
        codes=_light(9999.0) | {"temp_air": (99.9, *MISSING_ANYWHERE), "wind_speed": (999.0, *MISSING_ANYWHERE)},
        first_line=9,
    )


def _ask_years(file: str, texts: Iterable[str]) -> tuple[int, ...]:
    """Years that the rows of an EPW name; the reader has replaced them by then."""
    try:
        return _years(texts)
    except ValueError:
        raise WeatherFileError(f"{file}: a row does not start with its year; the file is damaged, download it again") from None


def _read_tmy3(file: str, lines: list[str]) -> RawYear:
    """TMY3: rows are labelled by the end of their hour, 01:00 to 24:00, and so are pvlib's."""
    header = _fields(lines[0])
    if len(header) != 7:
        raise WeatherFileError(
            f"{file}: line 1: expected 7 fields (number, name, state, time zone, latitude, longitude, elevation), got {len(header)}; "
            "look for a comma inside a number, or download the file again"
        )
    latitude, longitude, elevation, zone = _header_numbers(file, 1, _place(header[4], header[5], header[6], header[3]))
    rows = len(lines) - 2
    if rows != 365 * HOURS_PER_DAY:
        raise WeatherFileError(
            f"{file}: expected {365 * HOURS_PER_DAY} hourly rows, got {rows}; the file is "
            f"{'cut off' if rows < 365 * HOURS_PER_DAY else 'too long'}, download it again"
        )
    width = lines[1].count(",") + 1
    _even_rows(file, lines[2:], 3, width, width)
    plain = io.StringIO("\n".join(["0,-,-,0,0,0,0", *lines[1:]]))

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        # A year without 29 February, so that the hour after 28 February 24:00 stays 1 March.
        return pvlib.iotools.read_tmy3(plain, coerce_year=2001, map_variables=True)  # type: ignore[no-any-return]

    frame = _ask(file, "TMY3", ask)
    clock = pd.DatetimeIndex(frame.index) - pd.Timedelta(hours=1)
    start_min, leap = _minutes(clock.month, clock.day, clock.hour, clock.minute)
    years = _years(frame["Date (MM/DD/YYYY)"].str[-4:])
    return RawYear(
        file=file,
        kind="TMY3",
        name=_words(*header[1:3]) or file,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        utc_offset_h=zone,
        years=years,
        typical=True,
        start_min=start_min,
        leap=leap,
        steps_min=(60,),
        values={name: _column(file, frame, name, 1.0, 3, name) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")},
        codes=dict.fromkeys(("ghi", "dni", "dhi", "temp_air", "wind_speed"), MISSING_ANYWHERE),
        first_line=3,
    )


def _read_tmy2(file: str, lines: list[str]) -> RawYear:
    """TMY2: rows are named after the end of their hour, 1 to 24; pvlib labels the start, and leaves tenths as they are."""
    header = _TMY2_HEADER.match(lines[0] if lines[0].startswith(" ") else " " + lines[0])
    assert header is not None, "recognise() let it pass"
    _, city, state, zone_text, north, lat_deg, lat_min, east, lon_deg, lon_min, height = header.groups()
    latitude_text = f"{(1 if north == 'N' else -1) * (int(lat_deg) + int(lat_min) / MINUTES_PER_HOUR):.4f}"
    longitude_text = f"{(1 if east == 'E' else -1) * (int(lon_deg) + int(lon_min) / MINUTES_PER_HOUR):.4f}"
    latitude, longitude, elevation, zone = _header_numbers(file, 1, _place(latitude_text, longitude_text, height, zone_text))
    short = [number for number, line in enumerate(lines[1:], start=2) if len(line) < _TMY2_ROW_LENGTH - 1]
    if short or len(lines) < 2:
        raise WeatherFileError(
            f"{file}: line {short[0] if short else 2}: expected a row of {_TMY2_ROW_LENGTH} characters; "
            "the file is damaged or cut off there, download it again"
        )
    rows = [line if line.startswith(" ") else " " + line for line in lines[1:]]

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        # This reader takes a name only, and stumbles over places of two words: it gets a copy with a plain header.
        with tempfile.TemporaryDirectory(prefix="flatdays-") as folder:
            copy = Path(folder) / "year.tm2"
            copy.write_text("\n".join([" 00000 - - 0 N 0 0 E 0 0 0", *rows, ""]), encoding="ascii", errors="replace")
            return pvlib.iotools.read_tmy2(copy)  # type: ignore[no-any-return]

    frame = _ask(file, "TMY2", ask)
    clock = pd.DatetimeIndex(frame.index)
    start_min, leap = _minutes(clock.month, clock.day, clock.hour, clock.minute)
    written = {
        "ghi": ("GHI", 1.0),
        "dni": ("DNI", 1.0),
        "dhi": ("DHI", 1.0),
        "temp_air": ("DryBulb", 0.1),
        "wind_speed": ("Wspd", 0.1),
    }
    return RawYear(
        file=file,
        kind="TMY2",
        name=_words(city, state) or file,
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        utc_offset_h=zone,
        years=_years(frame["year"] + 1900),
        typical=True,
        start_min=start_min,
        leap=leap,
        steps_min=(60,),
        values={name: _column(file, frame, column, scale, 2, column) for name, (column, scale) in written.items()},
        codes=_light(9999.0) | {"temp_air": (999.9, *MISSING_ANYWHERE), "wind_speed": (99.9, *MISSING_ANYWHERE)},
        first_line=2,
    )


def _read_nsrdb(file: str, lines: list[str]) -> RawYear:
    """NSRDB csv: a label is the middle of what its row stands for, hh:30 in hourly files."""
    names, told = _fields(lines[0]), [field.strip() for field in next(csv.reader([lines[1]]), [])]
    about = dict(zip(names, told, strict=False))
    wanted = ("Latitude", "Longitude", "Elevation", "Time Zone")
    absent = [name for name in wanted if not about.get(name)]
    if absent:
        raise WeatherFileError(
            f"{file}: lines 1 and 2 do not give {' and '.join(absent)}; download it again and leave these lines as they are"
        )
    latitude, longitude, elevation, zone = _header_numbers(
        file, 2, _place(about["Latitude"], about["Longitude"], about["Elevation"], about["Time Zone"])
    )
    foreign = [
        f"{file}: line 2: expected {name} in {unit}, got {about[name]!r}; download it again in {unit}"
        for name, unit in (("Temperature Units", "c"), ("GHI Units", "w/m2"), ("Wind Speed Units", "m/s"))
        if about.get(name, unit).lower().replace(" s-1", "/s").replace("degrees", "").strip(" °")
        not in {unit, unit.replace("c", "celsius")}
    ]
    if foreign:
        raise WeatherFileError(foreign)
    width = lines[2].count(",") + 1
    # Rows filled up with empty fields are a spreadsheet's habit; the reader ignores them.
    _even_rows(file, lines[3:] or [""], 4, len(_fields(lines[2])), max(width, lines[3].count(",") + 1 if len(lines) > 3 else 0))
    plain_about = "Latitude,Longitude,Time Zone,Elevation,Local Time Zone\n0,0,0,0,0"
    plain = io.StringIO("\n".join([plain_about, *lines[2:]]))

    def ask() -> tuple[pd.DataFrame, Any]:
        import pvlib

        return pvlib.iotools.read_nsrdb_psm4(plain, map_variables=True)  # type: ignore[no-any-return]

    frame = _ask(file, "NSRDB csv", ask)
    clock = pd.DatetimeIndex(frame.index)
    label_min, leap = _minutes(clock.month, clock.day, clock.hour, clock.minute)
    usual = float(pd.Series(np.diff(label_min)).mode().iloc[0]) if len(label_min) > 1 else 60.0
    years = _years(frame["Year"])
    return RawYear(
        file=file,
        kind="NSRDB csv",
        name=_words(about.get("City", ""), about.get("State", ""), about.get("Country", ""))
        or f"NSRDB cell {about.get('Location ID') or file}",
        latitude_deg=latitude,
        longitude_deg=longitude,
        elevation_m=elevation,
        utc_offset_h=zone,
        years=years,
        typical=len(years) > 1,
        start_min=label_min - usual / 2.0,
        leap=leap,
        steps_min=_SUBHOURLY_MIN,
        values={name: _column(file, frame, name, 1.0, 4, name) for name in ("ghi", "dni", "dhi", "temp_air", "wind_speed")},
        codes=dict.fromkeys(("ghi", "dni", "dhi", "temp_air", "wind_speed"), MISSING_ANYWHERE),
        first_line=4,
    )


_READERS: Final[dict[str, Callable[[str, list[str]], RawYear]]] = {
    "epw": _read_epw,
    "tmy3": _read_tmy3,
    "tmy2": _read_tmy2,
    "nsrdb": _read_nsrdb,
}
