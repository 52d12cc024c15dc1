"""How numbers and dates are written on the page."""

from __future__ import annotations

from datetime import date


def plural_text(count: int, word: str) -> str:
    """A count with its noun."""
    return f"{count:,} {word}" if count == 1 else f"{count:,} {word}s"


def wh_text(value: float) -> str:
    """Watt-hours for a reader; beyond 10,000 in kilowatt-hours."""
    return f"{value / 1000:,.1f}\u00a0kWh" if abs(value) >= 9_999.5 else f"{round(value):,d}\u00a0Wh"


def date_text(day: date) -> str:
    """A date as a person writes it."""
    return f"{day.day} {day:%B %Y}"


def clock_text(hour: float) -> str:
    """Clock hour [h] as hours and minutes."""
    minutes = round(hour % 1 * 60)
    return f"{int(hour):02d}:{minutes:02d}"


def span_text(first: date, last: date) -> str:
    """From one date to another, with no more than is needed."""
    if first == last:
        return date_text(first)
    if first.year != last.year:
        return f"{date_text(first)} to {date_text(last)}"
    same_month = first.month == last.month
    return f"{first.day if same_month else f'{first.day} {first:%B}'} to {date_text(last)}"


def short_span_text(first: date, last: date) -> str:
    """The same for a narrow column."""
    if first == last:
        return f"{last.day} {last:%b} {last:%Y}"
    begin = f"{first.day}"
    if (first.year, first.month) != (last.year, last.month):
        begin += f" {first:%b}" + ("" if first.year == last.year else f" {first:%Y}")
    return f"{begin} to {last.day} {last:%b} {last:%Y}"


def whole_text(value: float) -> str:
    """A whole number, never minus nought."""
    return f"{round(value):,d}"
