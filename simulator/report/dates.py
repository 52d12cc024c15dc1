"""When to go, in words, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np

from simulator.report.layout import Line, text_table
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.scenario.cautions import cautions_of
from simulator.studies.dates import Dates, DepartureWeek, SafeSpan
from simulator.studies.weather_years import KIND_WORDS

FEW_RUNS = 2
"""More safe runs than this are noise about the limit: only the longest is told with its ends."""
MOST_NAMED = 3
"""So many of the others are named; more are counted."""


def _percent(share: float) -> str:
    return f"{share:.0%}"


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _years(found: Dates) -> str:
    counts = sorted({week.years for week in found.weeks})
    words = KIND_WORDS[found.choice.kind]
    return plural(counts[0], words) if len(counts) == 1 else f"{counts[0]} to {counts[-1]} {words}s"


def _leaving(found: Dates) -> str:
    return "start" if found.stop is None else f"leave {found.stop.name}"


def _told(week: DepartureWeek, single: bool) -> str:
    if single:
        flat = week.flat_days[0]
        return "no flat day" if flat == 0 else plural(flat, "flat day")
    low, high = week.interval
    return (
        f"no flat day in {week.without_flat} of {week.years} years: {_percent(week.share)} "
        f"(95 % sure: {_percent(low)} to {_percent(high)})"
    )


def _at(other: tuple[date, float], single: bool) -> str:
    return f"{_day(other[0])} ({'flat days' if single else _percent(other[1])})"


def _run(span: SafeSpan) -> str:
    return _day(span.first) if span.weeks == 1 else f"{_day(span.first)} to {_day(span.last)}"


def _safe(spans: tuple[SafeSpan, ...], looked: int) -> str:
    """Safe weeks in a few words, the longest run first where there are many."""
    if not spans:
        return "no week is safe"
    if len(spans) == 1 and spans[0].weeks == looked:
        return "every week looked at is safe"
    if len(spans) <= FEW_RUNS:
        return " and ".join(_run(span) for span in spans)
    longest, others = _longest(spans)
    return f"{_run(longest)}, and {plural(sum(span.weeks for span in others), 'week')} apart from these"


def _longest(spans: tuple[SafeSpan, ...]) -> tuple[SafeSpan, list[SafeSpan]]:
    longest = max(spans, key=lambda span: span.weeks)
    return longest, [span for span in spans if span is not longest]


def _verdict(found: Dates, single: bool) -> Iterator[str]:
    """The safe weeks, then the last of them and the first one back, in the order of the calendar."""
    spans, looked, verb = found.spans(), len(found.weeks), _leaving(found)
    what = "no flat day" if single else f"no flat day in at least {_percent(found.target_frac)} of {_years(found)}"
    if not spans:
        yield Line(f"No week is safe to {verb}: of the {plural(looked, 'week')} looked at none has {what}.")
        return
    if len(spans) == 1 and spans[0].weeks == looked:
        yield Line(f"Every week is safe to {verb}: all {plural(looked, 'week')} looked at have {what}.")
        return
    told, others = (spans, []) if len(spans) <= FEW_RUNS else ((_longest(spans)[0],), _longest(spans)[1])
    runs = " and from ".join(f"{_run(span)} ({plural(span.weeks, 'week')})" for span in told)
    yield Line(f"Safe to {verb} {'on' if told[0].weeks == 1 else 'from'} {runs}: {what}.")
    for span in told:
        if span.before is not None:
            yield f"  - first safe week back: {_day(span.first)}; the week before it, {_at(span.before, single)}, is not safe"
        if span.after is not None:
            yield f"  - last safe week: {_day(span.last)}; the next, {_at(span.after, single)}, is not safe"
    if others:
        named = [_run(span) for span in others]
        weeks = plural(sum(span.weeks for span in others), "more week")
        listed = f": {'; '.join(named)}" if len(named) <= MOST_NAMED else " (marked in the table)"
        yield f"  - {weeks} about the limit, apart from that run, {'is' if weeks.startswith('1 ') else 'are'} safe too{listed}"


def _calendar(found: Dates, single: bool) -> Iterator[str]:
    """A line a month: its weeks side by side, each with the day and what it comes to."""
    often = "Week by week" if found.step_weeks == 1 else f"Every {found.step_weeks} weeks"
    verb = "start" if found.stop is None else "leaving"
    what = "flat days" if single else "share of years without a flat day"
    yield (
        f"{often}, a line a month: the day ({verb}) and its {what}; * is safe, < is as written"
        + ("" if single else "; then the flat days of an average year, and of the worst")
    )
    months: dict[tuple[int, int], list[DepartureWeek]] = {}
    for week in found.weeks:
        months.setdefault((week.leaving.year, week.leaving.month), []).append(week)
    most = max(len(weeks) for weeks in months.values())
    width = max(len(_cell(week, single)) for week in found.weeks)
    rows = []
    for weeks in months.values():
        cells = [f"{week.leaving.day:2d}: {_cell(week, single).rjust(width)}{_mark(found, week)}" for week in weeks]
        flat = [float(np.mean(week.flat_days)) for week in weeks]
        low, high = f"{min(flat):.1f}", f"{max(flat):.1f}"
        more = () if single else (low if low == high else f"{low} to {high}", f"{max(max(week.flat_days) for week in weeks)}")
        rows.append((f"{weeks[0].leaving:%b %Y}", *cells, *[""] * (most - len(cells)), *more))
    yield from text_table((verb, *[""] * most, *(() if single else ("flat days", "worst"))), rows)


def _cell(week: DepartureWeek, single: bool) -> str:
    return str(week.flat_days[0]) if single else _percent(week.share)


def _mark(found: Dates, week: DepartureWeek) -> str:
    return ("*" if week.share >= found.target_frac else " ") + ("<" if week.weeks == 0 else "")


def _stops(found: Dates, single: bool) -> Iterator[str]:
    yield "Stop by stop: safe days of arrival there, by the flat days of that stop alone"
    rows = []
    for place, stop in enumerate(found.scenario.stops):
        shares = [week.without_flat_at[place] / week.years for week in found.weeks]
        arrivals = {week.arrivals[place] for week in found.weeks}
        said = _safe(found.spans(place), len(found.weeks)) if len(arrivals) > 1 else f"always reached on {_day(arrivals.pop())}"
        low, high = _percent(min(shares)), _percent(max(shares))
        rows.append((stop.name, said, *(() if single else (low if low == high else f"{low} to {high}",))))
    yield from text_table(("stop", "safe arrivals", *(() if single else ("years without a flat day there",))), rows)


def dates_lines(found: Dates) -> list[str]:
    """The whole answer, a line each, the safe weeks first."""
    single = found.choice.kind == "written"
    verb = _leaving(found)
    lines = [found.scenario.title, "", *_verdict(found, single)]
    lines += far_sentences(found.scenario)
    written = found.as_written
    if written is not None:
        lines.append(f"As written, to {verb} on {_day(written.leaving)}: {_told(written, single)}")
    best = max(found.weeks, key=lambda week: (week.without_flat, -sum(week.flat_days), -abs(week.weeks)))
    if written is None or best is not written:
        lines.append(f"Best of the weeks looked at, to {verb} on {_day(best.leaving)}: {_told(best, single)}")

    if len(found.scenario.stops) > 1:
        lines += ["", *_stops(found, single)]

    lines += ["", *_calendar(found, single)]
    if not single:
        lines.append("  Each share has its interval with --csv or --json.")
    if found.impossible:
        lines += ["", "Not possible"]
        lines += [f"  - {_day(day)}: {why}" for day, why in found.impossible]
    lines += ["", "Weather", *(f"  - {source}" for source in found.sources)]
    if found.notes:
        lines += ["Note", *(f"  - {note}" for note in found.notes)]
    return [*lines, *caution_lines(cautions_of([found.scenario]))]
