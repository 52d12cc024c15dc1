"""The four kinds of weather file, told apart by their content, and what each comes to when it has been read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from simulator.errors import WeatherFileError
from simulator.weather.station import Floats

KNOWN: Final = "EPW, TMY2, TMY3 and NSRDB csv"

TMY2_HEADER: Final = re.compile(r"^ (\w{5}) (.{22}) (.{2}) +(-?\d+) ([NS]) +(\d+) +(\d+) ([EW]) +(\d+) +(\d+) +(-?\d+)\s*$")
"""Station, city, state, time zone, latitude and longitude in degrees and minutes, elevation (manual of TMY2, table 3-1)."""

_PACKED = (b"PK\x03\x04", b"\x1f\x8b", b"7z\xbc\xaf", b"Rar!")


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
    if head.startswith(_PACKED):
        raise WeatherFileError(f"{file}: this is a packed archive; unpack it and name the weather file inside ({KNOWN} are read)")
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise WeatherFileError(
            f"{file}: this text is in UTF-16, as some spreadsheets write it; save it again as plain CSV or UTF-8"
        )
    if b"\0" in head:
        raise WeatherFileError(f"{file}: this is a binary file, not a weather file; {KNOWN} are read")
    text = decode(head).lstrip()  # a TMY2 loses its leading blank here
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
    if TMY2_HEADER.match(" " + lines[0]):
        return "tmy2"
    if first.startswith(("LOCATION;", "SOURCE;")) or second.startswith("Date (MM/DD/YYYY);"):
        raise WeatherFileError(
            f"{file}: its fields are parted by semicolons; save it again with commas, and with points in numbers"
        )
    if first.startswith("YEAR,MONTH,DAY,HOUR,MINUTE"):
        raise WeatherFileError(
            f"{file}: an NSRDB csv starts with two lines about the place, and they are missing here; "
            "download it again and keep them"
        )
    if first.startswith("SOURCE,"):
        raise WeatherFileError(
            f"{file}: line 3: expected the columns of an NSRDB csv (Year,Month,Day,Hour,Minute,...), "
            "got others; download it again and leave it as it is"
        )
    # What stands in it is not repeated: a scenario from a stranger may name any file of this machine.
    raise WeatherFileError(
        f"{file}: this is not a weather file flatdays knows ({KNOWN} are read); name one, or mend its first lines"
    )


def decode(data: bytes) -> str:
    """Decode as UTF-8, or as Latin-1 where older files carry accents in it."""
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("latin-1")
