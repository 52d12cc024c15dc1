"""The calendar of the page: months from Monday to Sunday, every day of the trip flat, thin or good."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

from simulator.battery import kernel as k
from simulator.outcome import Outcome

STATES = ("flat", "thin", "good")
"""The worst first."""


@dataclass(frozen=True)
class CalendarDay:
    """One date in the calendar; ``state`` is empty outside the trip."""

    date: date
    state: str
    words: str
    stop: int
    arrives: bool


@dataclass(frozen=True)
class Month:
    """A month of the calendar: its weeks with days of the trip, from Monday (None: another month), and a line for each stop."""

    name: str
    weeks: tuple[tuple[CalendarDay | None, ...], ...]
    stops: tuple[str, ...]


def _states(outcome: Outcome) -> list[str]:
    return ["flat" if flat else "thin" if thin else "good" for flat, thin in zip(outcome.flat[0], outcome.thin, strict=True)]


def calendar_months(outcome: Outcome) -> Iterator[Month]:
    """The months of the trip. A date lived twice shows the worse of its days, a date that was skipped stays empty."""
    clock = outcome.timeline
    states, base = _states(outcome), outcome.days[0]
    numbers = [outcome.scenario.stops[int(place)].number for place in clock.day_stop]
    names = {stop.number: stop.name for stop in outcome.scenario.stops}
    of_date: dict[date, list[int]] = {}
    for day, moment in enumerate(clock.dates):
        of_date.setdefault(moment, []).append(day)

    def entry(moment: date) -> CalendarDay:
        days = of_date.get(moment, [])
        if not days:
            return CalendarDay(moment, "", "", 0, arrives=False)
        state = min((states[day] for day in days), key=STATES.index)
        dark_h = sum(float(base[day, k.DAY_DARK_H]) for day in days)
        words = f"{state}, lowest charge {min(base[day, k.DAY_LOWEST_SOC] for day in days):.0%}"
        words += f", {dark_h:.1f} h dark" if dark_h > 0.0 else ""
        first = days[0]
        return CalendarDay(moment, state, words, numbers[first], arrives=first == 0 or numbers[first] != numbers[first - 1])

    first, last = min(of_date), max(of_date)
    month = first.replace(day=1)
    while month <= last:
        after = (month + timedelta(days=31)).replace(day=1)
        dates = [month + timedelta(days=step) for step in range((after - month).days)]
        entries: list[CalendarDay | None] = [None] * month.weekday() + [entry(moment) for moment in dates]
        entries += [None] * (-len(entries) % 7)
        here = [day for moment in dates for day in of_date.get(moment, [])]
        lines = []
        for number, group in groupby(here, key=numbers.__getitem__):
            days = list(group)
            count = {state: sum(states[day] == state for day in days) for state in STATES}
            tally = ", ".join(f"{amount} {state}" for state, amount in count.items() if amount)
            lines.append(f"{number} {names[number]}: {tally}")
        weeks = [tuple(entries[at : at + 7]) for at in range(0, len(entries), 7)]
        lived = tuple(week for week in weeks if any(day is not None and day.state for day in week))
        yield Month(f"{month:%B %Y}", lived, tuple(lines))
        month = after
