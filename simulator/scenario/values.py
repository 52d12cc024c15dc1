"""Kinds of values that a person may write: numbers in a range, choices, dates, windows on the clock.

A value is judged alone here, and only for being absurd. Every refusal says what was expected, what was got, and the cure.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from datetime import date, datetime, time
from itertools import pairwise
from typing import Any, NoReturn

from pydantic import PlainValidator
from pydantic_core import PydanticCustomError

from simulator.scenario.date_slips import date_cure
from simulator.scenario.desk import either, nearest, shown
from simulator.units import FULL_TURN_DEG, HOURS_PER_DAY, MINUTES_PER_HOUR

SHAPES: dict[Callable[..., Any], dict[str, Any]] = {}
"""JSON Schema of what a check made here lets through, for editors; the check itself stays the judge."""
EXPECTED = "expected"
"""Type of the errors raised here; their message is what was expected, their cure may be empty."""
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
FULL_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
DAY_WORDS = {
    "weekend": ("sat", "sun"),
    "weekends": ("sat", "sun"),
    "weekday": WEEKDAYS[:5],
    "weekdays": WEEKDAYS[:5],
    "working days": WEEKDAYS[:5],
    "workdays": WEEKDAYS[:5],
    "daily": WEEKDAYS,
    "every day": WEEKDAYS,
}
"""Words for several days at once."""
FIRST_YEAR, LAST_YEAR = 1950, 2100
FIRST_PAST_YEAR = 2001
"""The archive of past years begins with it."""
MONTHS = 12
UNSEEN = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Signs that nobody sees and that steer a terminal, break a line or turn its direction round."""
MOST_POINTS = 720
"""Of a horizon: one every half degree."""
_WINDOW = re.compile(r"\s*(\d{1,2}):(\d{2})\s*[-–]\s*(\d{1,2}):(\d{2})\s*")
_CLOCK = re.compile(r"\s*(\d{1,2}):(\d{2})\s*")
_EVERY_NIGHT = re.compile(r"\s*every(?:\s+(\d{1,3})\s*(?:st|nd|rd|th))?\s+night\s*")


def _refuse(expected: str, got: Any, cure: str = "") -> NoReturn:
    raise PydanticCustomError(EXPECTED, "{expected}", {"expected": expected, "got": shown(got), "cure": cure})


def _span(low: float, high: float, unit: str) -> str:
    return f"from {low:.10g} to {high:.10g}{' ' if unit else ''}{unit}"


def _shaped(check: Callable[[Any], Any], shape: dict[str, Any]) -> PlainValidator:
    """The check, with its shape kept beside it."""
    SHAPES[check] = shape
    return PlainValidator(check)


def number(low: float, high: float, unit: str = "", above: bool = False) -> PlainValidator:
    """A finite number in a range that only absurd values miss; ``above``: the lower end itself is refused."""
    what = f"a number above {low:.10g} up to {high:.10g} {unit}".rstrip() if above else f"a number {_span(low, high, unit)}"

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            cure = ""
            if isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", value):
                cure = "Write the number without quotes."
            elif isinstance(value, str) and re.match(r"\s*[-+]?\d", value):
                cure = "Write the bare number, without quotes or unit; the unit is in the name of the key."
            _refuse(what, value, cure)
        if (isinstance(value, float) and not math.isfinite(value)) or not low <= value <= high or (above and value == low):
            per_cent = high <= 1 and not unit and 1 < value <= 100 and low <= value / 100 <= high
            _refuse(what, value, f"It is a share of 1: write {value / 100:.4g} for {value:g} %." if per_cent else "")
        # Minus zero is zero: nobody means its sign, and a division would.
        return float(value) + 0.0

    lowest = "exclusiveMinimum" if above else "minimum"
    return _shaped(check, {"type": "number", lowest: low, "maximum": high, "description": f"{what[0].upper()}{what[1:]}."})


def whole(low: int, high: int) -> PlainValidator:
    """A whole number in a range."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            above = isinstance(value, int) and value > high
            spanned = high < 10**6 or above
            _refuse(f"a whole number from {low} to {high}" if spanned else f"a whole number of at least {low}", value)
        return value

    span = f"from {low} to {high}" if high < 10**6 else f"of at least {low}"
    shape = {"type": "integer", "minimum": low, "maximum": high, "description": f"A whole number {span}."}
    return _shaped(check, shape)


def choice(*words: str | int) -> PlainValidator:
    """One of a closed list."""
    listed = either([f'"{word}"' if isinstance(word, str) else str(word) for word in words])

    def check(value: Any) -> str | int:
        if isinstance(value, bool) or value not in words:
            quoted = isinstance(value, str) and value in [str(word) for word in words if isinstance(word, int)]
            near = nearest(value, [str(word) for word in words]) if isinstance(value, str) else ""
            _refuse(listed, value, "Write the number without quotes." if quoted else near)
        return words[words.index(value)]

    return _shaped(check, {"enum": list(words), "description": f"One of {listed}."})


def text(value: Any) -> str:
    """Text that is not empty and harmless where it is printed."""
    if not isinstance(value, str) or not value.strip():
        _refuse("text in quotes", value)
    if UNSEEN.search(value):
        _refuse("text of one line", value, "Take out what is spelt with a backslash here.")
    return value


def flag(value: Any) -> bool:
    """true or false."""
    if not isinstance(value, bool):
        cure = "Write true or false without quotes." if value in ("true", "false") else ""
        _refuse("true or false", value, cure)
    return value


def given(value: Any) -> bool:
    """A choice that is made by being there."""
    if value is not True:
        _refuse(
            "true", value, "Leave the key out instead." if value is False else "Write true without quotes, or leave the key out."
        )
    return True


def row(each: PlainValidator, what: str, most: int = 100) -> PlainValidator:
    """A list of values of one kind, not empty."""

    def check(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, (list, tuple)) or not 0 < len(value) <= most:
            _refuse(what, value)
        return tuple(each.func(item) for item in value)  # type: ignore[call-arg]

    inner = {key: part for key, part in SHAPES.get(each.func, {"type": "string"}).items() if key != "description"}
    shape = {"type": "array", "items": inner, "minItems": 1, "maxItems": most, "description": f"{what[0].upper()}{what[1:]}."}
    return _shaped(check, shape)


def counts(low: int, high: int) -> PlainValidator:
    """Whole numbers to try, each once and rising: [from, to] is a range, a longer list stands as it is, one number alone."""
    what = f"whole numbers {_span(low, high, '')}: [from, to], or a list of three or more"

    def check(value: Any) -> tuple[int, ...]:
        items = (value,) if isinstance(value, int) and not isinstance(value, bool) else value
        if not isinstance(items, (list, tuple)) or not items:
            _refuse(what, value)
        for item in items:
            if isinstance(item, bool) or not isinstance(item, int) or not low <= item <= high:
                _refuse(what, item)
        if len(items) == 2 and items[0] > items[1]:
            _refuse(what, f"[{items[0]}, {items[1]}]", "Write the smaller one first.")
        return tuple(range(items[0], items[1] + 1)) if len(items) == 2 else tuple(sorted(set(items)))

    each = {"type": "integer", "minimum": low, "maximum": high}
    shape = {"anyOf": [each, {"type": "array", "items": each, "minItems": 1}], "description": f"{what[0].upper()}{what[1:]}."}
    return _shaped(check, shape)


def several(each: PlainValidator, what: str) -> PlainValidator:
    """Values to try, each once, in the order they are written; one value may stand alone."""

    def check(value: Any) -> tuple[Any, ...]:
        items = value if isinstance(value, (list, tuple)) else (value,)
        if not items:
            _refuse(what, value)
        return tuple(dict.fromkeys(each.func(item) for item in items))  # type: ignore[call-arg]

    inner = {key: part for key, part in SHAPES.get(each.func, {"type": "boolean"}).items() if key != "description"}
    shape = {"anyOf": [inner, {"type": "array", "items": inner, "minItems": 1}], "description": f"{what[0].upper()}{what[1:]}."}
    return _shaped(check, shape)


def panel_counts(value: Any) -> Any:
    """Panels in parallel to try: by the name of the array, or one range for the only array."""
    read = counts(0, 200).func
    if isinstance(value, dict):
        if not value:
            _refuse('panels by array such as { "roof" = [1, 4] }', value)
        return tuple((str(name), read(item)) for name, item in value.items())  # type: ignore[call-arg]
    return ((None, read(value)),)  # type: ignore[call-arg]


SHAPES[panel_counts] = {
    "anyOf": [
        {"type": "array", "items": {"type": "integer"}, "minItems": 1},
        {"type": "object", "additionalProperties": {"type": "array", "items": {"type": "integer"}, "minItems": 1}},
    ],
    "description": 'Panels in parallel to try, by array: { "roof" = [1, 4] }, or [1, 4] for the only array.',
}


def months(low: float, high: float, unit: str = "", above: bool = False) -> PlainValidator:
    """Twelve numbers, January first."""
    span = f"above {low:g} up to {high:g}" if above else f"from {low:g} to {high:g}"
    what = f"a list of 12 numbers, January to December, each {span} {unit}".rstrip()
    each = number(low, high, unit, above)

    def check(value: Any) -> tuple[float, ...]:
        if not isinstance(value, (list, tuple)) or len(value) != MONTHS:
            _refuse(what, value, "Write one for every month." if isinstance(value, (list, tuple)) else "")
        return tuple(each.func(item) for item in value)  # type: ignore[call-arg]

    inner = {key: part for key, part in SHAPES[each.func].items() if key != "description"}
    shape = {"type": "array", "items": inner, "minItems": MONTHS, "maxItems": MONTHS}
    return _shaped(check, shape | {"description": f"{what[0].upper()}{what[1:]}."})


def normals_place(value: Any) -> Any:
    """Take the name of a place for the table it stands for."""
    return {"place": value} if isinstance(value, str) else value


def past_years(value: Any) -> tuple[int, int]:
    """First and last year of the archive of past years."""
    last = date.today().year - 1
    what = f"the first and the last year such as [2005, {last}], from {FIRST_PAST_YEAR} to {last}"
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        _refuse(what, value)
    for year in value:
        if isinstance(year, bool) or not isinstance(year, int):
            _refuse(what, year, "Write whole years." if isinstance(year, float) else "")
    early = next((year for year in value if year < FIRST_PAST_YEAR), None)
    late = next((year for year in value if year > last), None)
    if early is not None:
        _refuse(what, early, f"The archive begins in {FIRST_PAST_YEAR}.")
    if late is not None:
        _refuse(what, late, f"The last whole year is {last}.")
    if value[0] > value[1]:
        _refuse(what, f"[{value[0]}, {value[1]}]", "Write the earlier one first.")
    return value[0], value[1]


def sides(value: Any) -> tuple[float, float, float]:
    """Length, width and height in metres."""
    if not isinstance(value, (list, tuple)) or len(value) != 3:
        _refuse("[length, width, height] in metres", value)
    length, width, height = (number(0, 50, "m", above=True).func(item) for item in value)  # type: ignore[call-arg]
    return length, width, height


def sheet_rows(value: Any) -> tuple[tuple[float, float], ...]:
    """Rows [hours, ampere-hours] of a data sheet; whether they fit together is judged elsewhere."""
    what = "rows [hours, Ah] of the data sheet such as [[20, 100], [5, 89], [1, 66]], at least two"
    if not isinstance(value, (list, tuple)) or not 2 <= len(value) <= 50:
        _refuse(what, value)
    hours, ah = number(0, 1000, "h", above=True), number(0, 10_000, "Ah", above=True)
    found = []
    for item in value:
        if not isinstance(item, (list, tuple)) or len(item) != 2:
            _refuse(what, item)
        found.append((hours.func(item[0]), ah.func(item[1])))  # type: ignore[call-arg]
    return tuple(found)


def skyline(value: Any) -> tuple[tuple[float, float], ...]:
    """What stands around a stop: points [azimuth, elevation] clockwise from north, or one elevation for all directions."""
    what = "points [azimuth_deg, elevation_deg] clockwise from north such as [[90, 5], [180, 20], [270, 10]]"
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        value = [[0, value]]
    if not isinstance(value, (list, tuple)) or not 0 < len(value) <= MOST_POINTS:
        _refuse(what, value)
    points = []
    for item in value:
        if not isinstance(item, (list, tuple)) or len(item) != 2:
            _refuse(what, item)
        azimuth_deg = number(0, FULL_TURN_DEG, "degrees of azimuth").func(item[0])  # type: ignore[call-arg]
        elevation_deg = number(0, 90, "degrees of elevation").func(item[1])  # type: ignore[call-arg]
        points.append((azimuth_deg, elevation_deg))
    for before, after in pairwise(points):
        if after[0] == before[0]:
            _refuse("each azimuth once", f"{after[0]:g} degrees twice", "For a steep edge write two azimuths a degree apart.")
        if after[0] < before[0]:
            _refuse(
                "azimuths that rise, clockwise from north",
                f"{after[0]:g} after {before[0]:g} degrees",
                "Sort the points; the way from the last to the first closes the circle by itself.",
            )
    if points[-1][0] - points[0][0] == FULL_TURN_DEG:
        if points[-1][1] != points[0][1]:
            _refuse("each azimuth once", "0 and 360 degrees, which are both north, at two elevations", "Take one of them out.")
        points.pop()
    return tuple(points)


def rest_words(value: Any) -> Any:
    """Take the words for the table they stand for."""
    if not isinstance(value, str):
        return value
    if value.strip().lower() != "route again":
        _refuse('"route again", or a table with storage = { soc, temp_c, on_float }', value)
    return {"route_again": True}


def moment(value: Any) -> date:
    """A local date, or a local date with a time; no offset, since the zone of the stop is known."""
    what = "a date such as 2026-06-01, or with the time on the clock 2026-06-01T14:30:00"
    if isinstance(value, str):
        _refuse(what, value, date_cure(value))
    if not isinstance(value, date):
        _refuse(what, value, date_cure(""))
    if isinstance(value, datetime) and value.tzinfo is not None:
        _refuse(what, value, "Leave the offset out: the time is read on the clock of the stop.")
    if not FIRST_YEAR <= value.year <= LAST_YEAR:
        _refuse(f"a date from {FIRST_YEAR} to {LAST_YEAR}", value)
    return value.replace(microsecond=0) if isinstance(value, datetime) else value


def _hour(hour: str, minute: str) -> float:
    found = int(hour) + int(minute) / MINUTES_PER_HOUR
    if int(minute) >= MINUTES_PER_HOUR or found > HOURS_PER_DAY:
        raise ValueError
    return found


def clock_hour(value: Any) -> float:
    """A time on the clock, as hours."""
    if isinstance(value, time):
        return value.hour + value.minute / MINUTES_PER_HOUR
    found = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    try:
        hour = _hour(*found.groups()) if found else float(HOURS_PER_DAY)
    except ValueError:
        hour = float(HOURS_PER_DAY)
    if hour >= HOURS_PER_DAY:
        _refuse('a time on the clock such as "09:00", from "00:00" to "23:59"', value)
    return hour


def windows(value: Any) -> tuple[tuple[float, float], ...]:
    """Windows on the clock, as pairs of hours; one may run over midnight; none may overlap."""
    what = 'windows on the clock such as ["07:00-08:30", "22:00-02:00"]'
    items = (value,) if isinstance(value, str) else value
    if not isinstance(items, (list, tuple)) or not 0 < len(items) <= HOURS_PER_DAY:
        _refuse(what, value)
    found = []
    for item in items:
        match = _WINDOW.fullmatch(item) if isinstance(item, str) else None
        if match is None:
            _refuse(what, item)
        try:
            start_h, end_h = _hour(*match.groups()[:2]), _hour(*match.groups()[2:])
        except ValueError:
            _refuse(what, item, "An hour has 60 minutes and a day 24 hours.")
        if start_h in (end_h, HOURS_PER_DAY):
            _refuse(what, item, 'A window needs two different times; the whole day is "00:00-24:00".')
        found.append((start_h, end_h))
    pieces = sorted(piece for start_h, end_h in found for piece in _unfolded(start_h, end_h))
    if any(after[0] < before[1] for before, after in pairwise(pieces)):
        _refuse("windows that do not overlap", ", ".join(items), "Join them, or raise the quantity.")
    return tuple(found)


def _unfolded(start_h: float, end_h: float) -> list[tuple[float, float]]:
    """Split a window at midnight."""
    return [(start_h, end_h)] if end_h > start_h else [(start_h, float(HOURS_PER_DAY)), (0.0, end_h)]


def _plain_words(item: Any) -> str:
    """Words as they are looked up: small letters, single blanks."""
    return " ".join(item.lower().replace("-", " ").replace("_", " ").split()) if isinstance(item, str) else ""


def weekdays(value: Any) -> frozenset[int]:
    """Days of the week, Monday 0."""
    what = 'days such as ["sat", "sun"], or "weekend", "weekdays" or "every day"'
    items: Iterable[Any] = (value,) if isinstance(value, str) else value
    if not isinstance(items, (list, tuple)) or not items:
        _refuse(what, value)
    items = [day for item in items for day in DAY_WORDS.get(_plain_words(item), (item,))]
    found = [item.strip().lower()[:3] if isinstance(item, str) else "" for item in items]
    for item, day in zip(items, found, strict=True):
        if day not in WEEKDAYS:
            _refuse(what, item, nearest(item, (*WEEKDAYS, *FULL_DAYS, *DAY_WORDS)) if isinstance(item, str) else "")
    return frozenset(WEEKDAYS.index(day) for day in found)


def gauge(value: Any) -> str:
    """American wire gauge: a whole number, or a text such as 2/0."""
    found = str(value).strip() if isinstance(value, (int, str)) and not isinstance(value, bool) else ""
    if not (re.fullmatch(r"[1-4]/0", found) or (found.isdecimal() and len(found) < 3 and int(found) <= 40)):
        cure = "Numbers above 1/0 rise to 4/0; square millimetres go into mm2." if isinstance(value, (int, float, str)) else ""
        _refuse('a wire gauge from 40 to 1, or "1/0" to "4/0"', value, cure)
    return "1/0" if found == "0" else found


def hookup_nights(value: Any) -> int:
    """How often the stay is on a hookup: 0 never, 1 always, n every n-th night."""
    if isinstance(value, bool):
        return int(value)
    found = _EVERY_NIGHT.fullmatch(value.lower()) if isinstance(value, str) else None
    nights = int(found.group(1) or 1) if found else 0
    if nights == 0:
        _refuse('true, false or "every 7th night"', value)
    return nights


SHAPES[gauge] = {
    "anyOf": [{"type": "integer", "minimum": 0, "maximum": 40}, {"type": "string", "pattern": "^\\s*([1-4]/0|[0-9]{1,2})\\s*$"}],
    "description": 'An American wire gauge such as 10 or "2/0".',
}
SHAPES[skyline] = {
    "anyOf": [
        {"type": "number", "minimum": 0, "maximum": 90},
        {"type": "array", "minItems": 1, "items": {"type": "array", "minItems": 2, "maxItems": 2, "items": {"type": "number"}}},
    ],
    "description": "Points [azimuth_deg, elevation_deg] clockwise from north such as [[90, 5], [180, 20], [270, 10]].",
}
