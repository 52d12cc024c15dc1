"""When to go: the same route in other weeks of the year, over the same years of weather.

The dates are moved by whole weeks, so that weekends stay weekends, and the route is laid out anew each time: clocks, drives and
the sun are those of the new dates. What the weather of a year is hangs on the day of the calendar, so two departures in one
calendar year meet the same sky on the same date; a departure beyond New Year starts the next calendar year's chance.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np

from simulator import timeline
from simulator.errors import FlatdaysError, InputError
from simulator.outcome import flat_mask
from simulator.route.parts import asks_for_past
from simulator.scenario.cautions import cautions_of
from simulator.scenario.moving import departure_moved, route_moved
from simulator.scenario.parts import Scenario, Stop
from simulator.studies.odds import clopper_pearson
from simulator.studies.weather_years import YearChoice, base_lanes, choose_years, year_blocks
from simulator.version import package_version

Progress = Callable[[int, int], None]

DAYS_PER_WEEK = 7
USUAL_YEARS = 50
MOST_WEEKS = 120
"""Farther than two years away nothing new comes."""
TARGET_FRAC = 0.9
"""A week is called safe when this share of the years has no flat day (common practice, no source)."""
WEEKS = re.compile(r"\s*([+-]?\d{1,4})\s*(?:\.\.|:|to)\s*([+-]?\d{1,4})\s*")


@dataclass(frozen=True)
class DepartureWeek:
    """What one set of dates comes to."""

    weeks: int
    """Moved by so many, later when positive; 0 is the trip as written."""
    leaving: date
    """Start of the trip, or the day on which the moved stop is left."""
    arrivals: tuple[date, ...]
    """(stops,)"""
    years: int
    without_flat: int
    """Years without a flat day."""
    without_flat_at: tuple[int, ...]
    """(stops,) Years without a flat day there."""
    flat_days: tuple[int, ...]
    """(years,)"""
    days: int

    @property
    def share(self) -> float:
        """Share of years without a flat day."""
        return self.without_flat / self.years

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % interval of the share."""
        return clopper_pearson(self.without_flat, self.years)


@dataclass(frozen=True)
class SafeSpan:
    """Weeks in a row that reach the target, from ``first`` to ``last``, with what lies before and after (None: not looked)."""

    first: date
    last: date
    before: tuple[date, float] | None
    after: tuple[date, float] | None
    weeks: int


@dataclass(frozen=True, eq=False)
class Dates:
    """Odds by the week of departure."""

    scenario: Scenario
    stop: Stop | None
    """The stop that is left earlier or later; None: the whole route is moved."""
    choice: YearChoice
    step_weeks: int
    target_frac: float
    weeks: tuple[DepartureWeek, ...]
    impossible: tuple[tuple[date, str], ...]
    """Days on which the route cannot be laid out, with the reason."""
    sources: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def as_written(self) -> DepartureWeek | None:
        """The trip on its own dates, when they were among those looked at."""
        return next((week for week in self.weeks if week.weeks == 0), None)

    def spans(self, place: int | None = None) -> tuple[SafeSpan, ...]:
        """Safe weeks in a row: of the whole trip by its departure, or of one stop (its position) by the arrival there."""
        told = [
            (week.leaving, week.share) if place is None else (week.arrivals[place], week.without_flat_at[place] / week.years)
            for week in self.weeks
        ]
        found: list[SafeSpan] = []
        start: int | None = None
        for at in range(len(told) + 1):
            safe = at < len(told) and told[at][1] >= self.target_frac
            if safe and start is None:
                start = at
            if not safe and start is not None:
                before = told[start - 1] if start > 0 else None
                found.append(SafeSpan(told[start][0], told[at - 1][0], before, told[at] if at < len(told) else None, at - start))
                start = None
        return tuple(found)


def read_weeks(text: str | None) -> tuple[int, int] | None:
    """Read ``-8..8`` (or ``8`` for the same); None: not said.

    Raises
    ------
    InputError
        Anything else, or weeks too far away.
    """
    if text is None:
        return None
    found = WEEKS.fullmatch(text)
    if found:
        first, last = int(found.group(1)), int(found.group(2))
    elif re.fullmatch(r"\s*\+?\d{1,4}\s*", text):
        first, last = -int(text), int(text)
    else:
        raise InputError(f'--weeks: expected weeks earlier and later such as -8..8, got "{text[:40]}"')
    if first > last:
        raise InputError(f"--weeks: expected the earlier week first, such as {last}..{first}, got {first}..{last}")
    if max(-first, last) > MOST_WEEKS:
        raise InputError(f"--weeks: expected at most {MOST_WEEKS} weeks earlier or later, got {first}..{last}")
    return first, last


def whole_year(start: date) -> tuple[int, int]:
    """Weeks that keep a departure within its own calendar year, the first and the last of them."""
    new_year, next_year = date(start.year, 1, 1), date(start.year + 1, 1, 1)
    return -((start - new_year).days // DAYS_PER_WEEK), ((next_year - start).days - 1) // DAYS_PER_WEEK


def _weeks_of_a_stay(scenario: Scenario, number: int) -> tuple[int, int]:
    """Weeks by which a stop can be left earlier or later before its own stay, or the next one, is gone."""
    stop = scenario.stops[number - 1]
    earlier = (stop.depart - stop.arrive).days // DAYS_PER_WEEK
    ahead = scenario.stops[number] if number < len(scenario.stops) else None
    later = 26 if ahead is None else (ahead.depart - ahead.arrive).days // DAYS_PER_WEEK
    return -earlier, later


def dates(
    scenario: Scenario,
    weeks: tuple[int, int] | None = None,
    *,
    step_weeks: int = 1,
    stop: int | None = None,
    years: int = USUAL_YEARS,
    seed: int | None = None,
    source: str | None = None,
    load_spread_frac: float | None = None,
    target_frac: float = TARGET_FRAC,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Dates:
    """Move the route through the year, and count the years of weather that stay without a flat day.

    Parameters
    ----------
    scenario : as it was read from a file.
    weeks : first and last move [weeks], later when positive; None: every week of the calendar year in which the trip
        starts, or of a stay every week for which there is room.
    step_weeks : only every so many weeks; the trip as written is always among them when it lies in the range.
    stop : number of the stop that is left earlier or later, from 1; None: the whole route is moved.
    years, seed, source, load_spread_frac : as in :func:`simulator.studies.odds.odds`; ``written`` takes the one year of a plain
        run, which a route under a clear sky gets when nobody says otherwise.
    target_frac : share of years without a flat day from which a week counts as safe.
    threads : the answer does not depend on it.
    progress : called with (weeks done, weeks).

    Raises
    ------
    InputError
        What was asked for cannot be, or no week of the range can be laid out.
    """
    mistakes = []
    if not 1 <= step_weeks <= 26:
        mistakes.append(f"--step: expected 1 to 26 weeks, got {step_weeks}")
    if not 0.0 < target_frac <= 1.0:
        mistakes.append(f"--target: expected a share above 0 up to 1 (0.9 is usual), got {target_frac:g}")
    if stop is not None and not 1 <= stop <= len(scenario.stops):
        mistakes.append(f"--stop: expected the number of a stop from 1 to {len(scenario.stops)}, got {stop}")
    if source is None and not any(map(asks_for_past, scenario.stops)):
        never_varies = any(each.weather is None or each.weather.clear for each in scenario.stops)
        source = "written" if never_varies else "drawn"
    choice = choose_years(scenario, years, seed, source, load_spread_frac, mistakes)
    if weeks is None:
        weeks = whole_year(scenario.stops[0].arrive) if stop is None else _weeks_of_a_stay(scenario, stop)
    moves = [move for move in range(weeks[0], weeks[1] + 1) if move % step_weeks == 0]
    if not moves:
        raise InputError(f"--step: expected a step that meets a week from {weeks[0]} to {weeks[1]}, got {step_weeks}")
    moved_stop = None if stop is None else scenario.stops[stop - 1]
    start = scenario.stops[0].arrive if moved_stop is None else moved_stop.depart
    found: list[DepartureWeek] = []
    impossible: list[tuple[date, str]] = []
    last_error: FlatdaysError | None = None
    sources: dict[str, None] = {}
    notes: dict[str, None] = {}
    for done, move in enumerate(moves):
        shift = move * DAYS_PER_WEEK
        try:
            trip = route_moved(scenario, shift) if stop is None else departure_moved(scenario, stop, shift)
            clock = timeline.build_timeline(trip)
            weather = choice.find(trip, clock)
        except InputError as error:
            if move == 0:
                raise
            impossible.append((start + timedelta(days=shift), "; ".join(error.mistakes)))
            last_error = error
        else:
            flat = np.concatenate(
                [
                    flat_mask(block.walk(block.with_loads(block.factors), base_lanes(trip, block.count), threads).days)
                    for block in year_blocks(trip, clock, weather, choice)
                ]
            )
            leaving = trip.stops[0].arrive if stop is None else trip.stops[stop - 1].depart
            at_stop = [flat[:, clock.day_stop == place].any(axis=1) for place in range(len(trip.stops))]
            found.append(
                DepartureWeek(
                    weeks=move,
                    leaving=leaving,
                    arrivals=tuple(each.arrive for each in trip.stops),
                    years=len(flat),
                    without_flat=int((~flat.any(axis=1)).sum()),
                    without_flat_at=tuple(int((~hit).sum()) for hit in at_stop),
                    flat_days=tuple(int(count) for count in flat.sum(axis=1)),
                    days=clock.days,
                )
            )
            sources |= dict.fromkeys(weather.sources)
            notes |= dict.fromkeys(weather.notes)
        if progress is not None:
            progress(done + 1, len(moves))
    if not found:
        assert last_error is not None
        raise last_error
    return Dates(
        scenario=scenario,
        stop=moved_stop,
        choice=choice,
        step_weeks=step_weeks,
        target_frac=target_frac,
        weeks=tuple(found),
        impossible=tuple(impossible),
        sources=tuple(sources),
        notes=(*_what_is_shared(choice, found), *notes),
    )


def _what_is_shared(choice: YearChoice, found: Sequence[DepartureWeek]) -> list[str]:
    """Say in how far the weeks meet the same weather."""
    starts = {week.arrivals[0].year for week in found}
    if choice.kind == "written":
        return [
            "One weather year: a stop with a file or a sample moves through the calendar of that file, so each week is one "
            "trial; years of weather (--source drawn) tell how safe it is."
        ]
    if choice.kind == "past":
        counts = {week.years for week in found}
        said = ["Each week is laid on the same real past years, date on date."]
        if len(counts) > 1:
            said.append(
                f"Trips over New Year need two years in a row, so the weeks have {min(counts)} to {max(counts)} past years each."
            )
        return said
    said = ["Each week meets the same drawn years, date on date: the same clouds (a day's sun to a percent) and cold spells."]
    if len(starts) > 1:
        said.append(
            "Trips that start before and after a New Year share their years only from each 1 January on: "
            "across it the chance is not the same."
        )
    return said


def dates_rows(found: Dates) -> list[dict[str, Any]]:
    """One row a week, for a table of other programs."""
    rows = []
    for week in found.weeks:
        low, high = week.interval
        rows.append(
            {
                "weeks": week.weeks,
                "leaving": week.leaving.isoformat(),
                "days": week.days,
                "years": week.years,
                "without_flat_day": week.without_flat,
                "flat_free_share": round(week.share, 4),
                "flat_free_low": round(low, 4),
                "flat_free_high": round(high, 4),
                "flat_days_mean": round(float(np.mean(week.flat_days)), 3),
                "flat_days_worst": max(week.flat_days),
            }
            | {
                f"flat_free_share_stop_{place + 1}": round(count / week.years, 4)
                for place, count in enumerate(week.without_flat_at)
            }
        )
    return rows


def dates_summary(found: Dates) -> dict[str, Any]:
    """The weeks as one object for other programs; no NaN, no clock time, no path."""

    def spans(place: int | None) -> list[dict[str, Any]]:
        return [
            {
                "first": span.first.isoformat(),
                "last": span.last.isoformat(),
                "weeks": span.weeks,
                "unsafe_before": None if span.before is None else span.before[0].isoformat(),
                "unsafe_after": None if span.after is None else span.after[0].isoformat(),
            }
            for span in found.spans(place)
        ]

    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "moved": "the whole route" if found.stop is None else f"the departure from stop {found.stop.number}",
        "stop": None if found.stop is None else found.stop.name,
        "step_weeks": found.step_weeks,
        "kind": found.choice.kind,
        "seed": found.choice.seed,
        "load_spread_frac": found.choice.load_spread_frac,
        "target_frac": found.target_frac,
        "source": list(found.sources),
        "notes": list(found.notes),
        "cautions": list(cautions_of([found.scenario])),
        "weeks": dates_rows(found),
        "safe": spans(None),
        "by_stop": [{"stop": stop.name, "safe_arrivals": spans(place)} for place, stop in enumerate(found.scenario.stops)],
        "impossible": [{"leaving": day.isoformat(), "why": why} for day, why in found.impossible],
    }
