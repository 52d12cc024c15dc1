"""When to go, in words, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np

from simulator.report.layout import Line, text_table
from simulator.report.tables import plural
from simulator.studies.dates import Dates, DepartureWeek, SafeSpan
from simulator.studies.weather_years import KIND_WORDS

FEW_RUNS = 2
"""More safe runs than this are noise about the limit: only the longest is told with its ends."""
BAR = 15
"""Signs of a bar that stands for all years."""


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
    if not spans:
        return "no week is safe"
    if len(spans) == 1 and spans[0].weeks == looked:
        return "every week looked at is safe"
    return ", ".join(_run(span) for span in spans)


def _edges(spans: tuple[SafeSpan, ...], single: bool) -> Iterator[str]:
    """When it breaks and when it comes back, in the order of the calendar."""
    if len(spans) > FEW_RUNS:
        longest = max(spans, key=lambda span: span.weeks)
        yield f"  The longest run is {_run(longest)}; the others are short ones about the limit."
        spans = (longest,)
    for span in spans:
        if span.before is not None:
            yield f"  - first safe week again: {_day(span.first)}; the week before it, {_at(span.before, single)}, is not"
        if span.after is not None:
            yield f"  - last safe week: {_day(span.last)}; the next, {_at(span.after, single)}, is not"


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
    what = "no flat day" if single else f"no flat day in at least {_percent(found.target_frac)} of {_years(found)}"
    lines = [found.scenario.title, ""]
    spans = found.spans()
    lines.append(Line(f"Safe weeks to {verb}, with {what}: {_safe(spans, len(found.weeks))}."))
    lines += _edges(spans, single)
    written = found.as_written
    if written is not None:
        lines.append(f"As written, to {verb} on {_day(written.leaving)}: {_told(written, single)}")
    best = max(found.weeks, key=lambda week: (week.without_flat, -sum(week.flat_days), -abs(week.weeks)))
    if written is None or best is not written:
        lines.append(f"Best of the weeks looked at, to {verb} on {_day(best.leaving)}: {_told(best, single)}")

    if len(found.scenario.stops) > 1:
        lines += ["", *_stops(found, single)]

    often = "Week by week" if found.step_weeks == 1 else f"Every {found.step_weeks} weeks"
    what = "flat days" if single else "share of years without a flat day; flat days in an average year and in the worst"
    lines += ["", f"{often}: {what}"]
    rows = []
    for week in found.weeks:
        mark = "as written" if week.weeks == 0 else f"{week.weeks:+d}"
        low, high = week.interval
        flat = np.array(week.flat_days)
        odds = () if single else (_percent(week.share), f"{_percent(low)} to {_percent(high)}")
        counts = (f"{flat[0]}",) if single else (f"{flat.mean():.1f}", f"{flat.max()}")
        bar = "" if single else "#" * round(BAR * week.share)
        rows.append((f"{week.leaving:%d %b %Y}", mark, *odds, *counts, *(() if single else (bar,))))
    head: tuple[str, ...] = ("start" if found.stop is None else "leaving", "weeks")
    head += ("flat days",) if single else ("without", "95 % sure", "a year", "worst", "")
    lines += text_table(head, rows)
    if found.impossible:
        lines += ["", "Not possible"]
        lines += [f"  - {_day(day)}: {why}" for day, why in found.impossible]
    lines += ["", "Weather", *(f"  - {source}" for source in found.sources)]
    if found.notes:
        lines += ["Note", *(f"  - {note}" for note in found.notes)]
    return lines
