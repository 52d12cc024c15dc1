"""The odds in words, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simulator.report.layout import Line, text_table
from simulator.report.measures import METRIC, Measures
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.scenario.cautions import cautions_of
from simulator.studies.odds import Odds

MATTERS = 0.005
"""Weeks with less than this share of years with a flat day are left out of the list."""


def _percent(share: float) -> str:
    return f"{share:.0%}"


def odds_verdict(found: Odds) -> str:
    """The odds in one sentence, never without their interval."""
    low, high = found.flat_free_interval()
    share = found.flat_free_share()
    kind = {"past": "past year", "drawn": "drawn weather year"}[found.weather.kind]
    years = f"{round(share * found.years)} of {plural(found.years, kind)}"
    return (
        f"This bank gets through the trip without a flat day in {years}: {_percent(share)} "
        f"(95 % sure: between {_percent(low)} and {_percent(high)})."
    )


def _years(found: Odds) -> Iterator[str]:
    flat = found.flat_days
    one_in_ten = int(np.quantile(flat, 0.9, method="higher"))
    tenth = f"{one_in_ten} or more in one year of ten" if one_in_ten else "none in nine years of ten"
    if not flat.any():
        yield "Flat days: none in any year"
    else:
        yield (
            f"Flat days: {flat.mean():.{2 if flat.mean() < 1.0 else 1}f} in an average year, {tenth}, {int(flat.max())} in the "
            f"worst (year {found.year_names[found.worst_year]})"
        )
    for sun, words in ((1, "10 % less sun than modelled"), (2, "10 % more sun than modelled")):
        low, high = found.flat_free_interval(sun)
        share = _percent(found.flat_free_share(sun))
        yield f"With {words}: {share} of years without a flat day ({_percent(low)} to {_percent(high)})"
    stretch = found.stretch_days
    yield (
        f"Longest stretch without a full bank: {plural(round(float(np.median(stretch))), 'day')} in a usual year, "
        f"{np.quantile(stretch, 0.95, method='higher'):.0f} in one of twenty, {stretch.max():.0f} at worst"
    )


def _where(found: Odds) -> Iterator[str]:
    clock = found.timeline
    base = found.flat[0]
    yield "Where the risk lies"
    rows = []
    for place, stop in enumerate(found.scenario.stops):
        here = base[:, clock.day_stop == place]
        rows.append((stop.name, _percent(here.any(axis=1).mean()), f"{here.sum(axis=1).mean():.2f}"))
    yield from text_table(("stop", "years with a flat day", "flat days a year"), rows)
    week_of = np.arange(clock.days) // 7
    weeks = []
    for week in range(int(week_of[-1]) + 1):
        share = float(base[:, week_of == week].any(axis=1).mean())
        if share >= MATTERS:
            first = clock.dates[int(np.argmax(week_of == week))]
            weeks.append((f"{first:%d %b %Y}", _percent(share), "#" * max(1, round(20 * share))))
    if weeks:
        yield "Weeks with a flat day (each from the date on)"
        yield from text_table(("week from", "years", ""), weeks)


def standing(found: Odds) -> str:
    """``good`` (no year with a flat day), ``thin`` (fewer than half of them) or ``flat``."""
    share = found.flat_free_share()
    return "good" if share >= 1.0 else "thin" if share >= 0.5 else "flat"


def odds_lines(found: Odds, beside: Odds | None = None, measures: Measures = METRIC) -> list[str]:
    """The whole answer, a line each, the verdict first; ``beside`` is the same trip over years of another kind."""
    lines: list[str] = [found.scenario.title, "", Line(odds_verdict(found), standing(found))]
    if beside is not None:
        lines.append(Line(odds_verdict(beside), standing(beside)))
    lines += far_sentences(found.scenario, measures)
    for part in (_years, _where):
        lines += ["", *part(found)]
    if beside is not None:
        lines += ["", f"Beside it, over {plural(beside.years, 'drawn weather year')}", *_years(beside)]
    sources = dict.fromkeys((*found.source, *(beside.source if beside is not None else ())))
    lines += ["", "Weather", *(f"  - {measures.sentence(source)}" for source in sources)]
    notes = dict.fromkeys((*found.notes, *(beside.notes if beside is not None else ())))
    if notes:
        lines += ["Note", *(f"  - {measures.sentence(note)}" for note in notes)]
    return [*lines, *caution_lines(cautions_of([found.scenario]), measures)]
