"""Dates as people write them where a scenario wants 2026-05-01: what is wrong with one, and how it is written right."""

from __future__ import annotations

import re
import tomllib
from calendar import monthrange
from datetime import date, datetime
from typing import Final

from simulator.units import HOURS_PER_DAY

KEYS: Final = ("arrive", "depart")
WRITE: Final = "Write dates as year-month-day"
MONTHS: Final = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
_LINE: Final = re.compile(rf"""^(\s*(?:{"|".join(KEYS)})\s*=\s*)([^\s"'#\[{{][^"'#\n]*?)(\s*(?:#.*)?)$""")
_HEADER: Final = re.compile(r"^\s*\[")
_STOP: Final = re.compile(r"^\s*\[\[\s*stop\s*\]\]")
_YEAR_FIRST: Final = re.compile(r"(\d{4})([-/. ])(\d{1,2})\2(\d{1,2})(?:[Tt ](\d\d):([0-5]\d)(?::([0-5]\d))?)?")
_YEAR_LAST: Final = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4})")
_BY_NAME: Final = re.compile(r"(?:(\d{1,2})[. ]*([a-z]+)|([a-z]+)[. ]*(\d{1,2})),?[. ]*(\d{4})")
FIRST_MONTH, LAST_MONTH = 1, 12


def quoted_dates(text: str) -> str:
    """Put quotes about the dates of stops that are no dates, so that they are told like any other value of a wrong kind."""
    lines, in_stop = text.split("\n"), False
    for place, line in enumerate(lines):
        if _HEADER.match(line):
            in_stop = bool(_STOP.match(line))
        found = _LINE.match(line.removesuffix("\r")) if in_stop else None
        if found and not _is_toml(f"a = {found.group(2)}") and "\\" not in found.group(2) and found.group(2).isprintable():
            lines[place] = f'{found.group(1)}"{found.group(2)}"{found.group(3)}'
    return "\n".join(lines)


def _is_toml(text: str) -> bool:
    try:
        tomllib.loads(text)
    except ValueError:
        return False
    return True


def month_number(word: str) -> int | None:
    """Number of a month by its English name or the first letters of it, at least three."""
    low = word.lower().rstrip(".")
    found = [number for number, name in enumerate(MONTHS, LAST_MONTH - 11) if len(low) >= 3 and name.startswith(low)]
    return found[0] if len(found) == 1 else None


def date_meant(text: str) -> date | None:
    """The day that is meant by 2026-5-1, 2026/05/01, 1.5.2026, 1 May 2026 or May 1, 2026; None where that is not one day.

    With strokes or hyphens 3/5/2026 is the third of May to some and the fifth of March to others, so it is none.
    """
    low = " ".join(text.lower().split())
    year_first, year_last, by_name = _YEAR_FIRST.fullmatch(low), _YEAR_LAST.fullmatch(low), _BY_NAME.fullmatch(low)
    try:
        if year_first:
            return date(int(year_first.group(1)), int(year_first.group(3)), int(year_first.group(4)))
        if year_last:
            one, other, year = map(int, year_last.groups())
            if "." in low or one > LAST_MONTH:
                return date(year, other, one)
            return date(year, one, other) if other > LAST_MONTH or one == other else None
        if by_name:
            day, first, second, other_day, year_text = by_name.groups()
            month = month_number(first or second)
            return None if month is None else date(int(year_text), month, int(day or other_day))
    except ValueError:
        return None
    return None


def date_cure(text: str) -> str:
    """What to write instead of a date that could not be read: the same day in the right form where that is clear."""
    bare = text.strip()
    if _is_date(bare):
        return f"Write it without quotes: {bare}."
    year_first = _YEAR_FIRST.fullmatch(bare)
    if year_first:
        year, month, day = (int(year_first.group(number)) for number in (1, 3, 4))
        if not FIRST_MONTH <= month <= LAST_MONTH:
            swapped = f" (is {year}-{day:02d}-{month:02d} meant?)" if FIRST_MONTH <= day <= LAST_MONTH else ""
            return f"There is no such day in the calendar: a year has {LAST_MONTH} months. {WRITE}{swapped}."
        if year >= 1 and not 1 <= day <= monthrange(year, month)[1]:
            last = monthrange(year, month)[1]
            return f"There is no such day in the calendar: {MONTHS[month - 1].title()} {year} has {last} days."
        if year_first.group(5) and int(year_first.group(5)) >= HOURS_PER_DAY:
            return "The hours of a day are 00 to 23: write 00:00:00 of the next day."
    meant = date_meant(bare)
    clock = ""
    if year_first and year_first.group(5):
        clock = f"T{year_first.group(5)}:{year_first.group(6)}:{year_first.group(7) or '00'}"
    return f"{WRITE}: {meant}{clock}." if meant else f"{WRITE}, such as 2026-11-20."


def _is_date(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return bool(re.match(r"\d{4}-\d\d-\d\d", text))
