"""The page of the odds: in how many weather years the bank carries the trip, in which weeks and at which stops it does not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from math import ceil

import numpy as np

from simulator.battery.kernel import FloatArray
from simulator.outcome import FLAT_DARK_H, FLAT_MISSED_FRAC
from simulator.report import axis, drawing
from simulator.report.chances import odds_verdict
from simulator.report.drawing import WIDTH, Mark, Plot, Shape, Tick
from simulator.report.frame import Answer, Bars, Beside, Fold, Grid, Headed, Page, Part, Picture, Words, added_words, render
from simulator.report.measures import METRIC, Measures
from simulator.report.sections import Bar
from simulator.report.words import date_text, plural_text, short_span_text, span_text, wh_text
from simulator.studies.odds import CONFIDENCE, Odds
from simulator.units import MINUTES_PER_HOUR

DAYS_PER_WEEK = 7
SAFE_SHARE = 0.9
"""From this share of years without a flat day on, the sign of the answer is that of a good day (common practice, no source)."""
HALF_SHARE = 0.5
MOST_YEAR_BARS = 400
"""With more years the strip is sorted and sampled, since a bar would be less than a pixel wide."""
MOST_COUNT_ROWS = 14
YEAR_LABELS = 10
CLEAR_BAR = 0.03
"""Height of the bar of a year without a flat day, as a share of the scale."""
KIND_WORDS = {"past": "past year", "drawn": "drawn weather year"}


def _percent(share: float) -> str:
    """A share for a reader: never 0% or 100% where it is neither."""
    if 0.0 < share < 0.005:
        return "under 1%"
    return "over 99%" if 0.995 < share < 1.0 else f"{share:.0%}"


def _weeks(found: Odds) -> list[tuple[int, int]]:
    """First day and one past the last day of each week of the trip."""
    days = found.timeline.days
    return [(first, min(first + DAYS_PER_WEEK, days)) for first in range(0, days, DAYS_PER_WEEK)]


def week_shares(found: Odds) -> FloatArray:
    """(weeks,): share of years with a flat day in each week of the trip."""
    return np.array([float(found.flat[0][:, first:last].any(axis=1).mean()) for first, last in _weeks(found)])


def _answer(found: Odds, beside: Odds | None, added: Sequence[str]) -> Answer:
    share = found.flat_free_share()
    if share >= SAFE_SHARE:
        state, sign = "good", "Carries in most years" if share < 1.0 else "Carries in every year tried"
    elif share >= HALF_SHARE:
        state, sign = "thin", "Carries in more years than not"
    else:
        state, sign = "flat", "Runs flat in most years" if share > 0.0 else "Runs flat in every year tried"
    more = []
    shares = week_shares(found)
    if shares.any():
        first, last = _weeks(found)[int(np.argmax(shares))]
        dates = found.timeline.dates
        week = short_span_text(dates[first], dates[last - 1])
        more.append(f"The riskiest week is {week}: a flat day in {_percent(float(shares.max()))} of the years.")
    if beside is not None:
        more.append(f"On the other kind of years: {odds_verdict(beside)}")
    return Answer(state, sign, odds_verdict(found), (*more, *added_words(added)))


def _numbers(found: Odds) -> list[tuple[str, str, str]]:
    low, high = found.flat_free_interval()
    flat = found.flat_days
    mean = float(flat.mean())
    tenth = int(np.quantile(flat, 0.9, method="higher"))
    stretch = found.stretch_days
    worst = found.worst_year
    less, more = ((found.flat_free_share(sun), *found.flat_free_interval(sun)) for sun in (1, 2))
    with_more = f"with 10% more {more[0]:.0%} ({more[1]:.0%} to {more[2]:.0%})"
    return [
        (
            "Years without a flat day",
            _percent(found.flat_free_share()),
            f"{CONFIDENCE:.0%} sure: between {low:.0%} and {high:.0%}",
        ),
        ("Flat days in an average year", f"{mean:.{2 if mean < 1.0 else 1}f}", f"of {plural_text(found.timeline.days, 'day')}"),
        ("In one year of ten", f"{tenth} or more" if tenth else "none", "flat days" if tenth else "no flat day in nine of ten"),
        (
            "The worst year",
            plural_text(int(flat[worst]), "flat day"),
            f"year {found.year_names[worst]}, {wh_text(float(found.missed_wh[worst]))} missed",
        ),
        (
            "With 10% less sun",
            _percent(less[0]),
            f"of years without a flat day ({less[1]:.0%} to {less[2]:.0%}); {with_more}",
        ),
        (
            "Longest stretch without a full bank",
            plural_text(round(float(np.median(stretch))), "day"),
            f"in a usual year; {np.quantile(stretch, 0.95, method='higher'):.0f} in one of twenty, {stretch.max():.0f} at worst",
        ),
    ]


def _weeks_plot(found: Odds) -> Plot:
    clock = found.timeline
    shares = week_shares(found)
    ceiling = min(drawing.nice_ceiling(float(shares.max())), 1.0) if shares.any() else 1.0
    weeks = _weeks(found)
    edges = WIDTH * np.array([0, *(last for _, last in weeks)]) / clock.days
    ticks, grid = axis.ticks_at([(day / clock.days, text) for day, text in axis.calendar_marks(clock.dates)])
    risky = int((shares > 0.0).sum())
    first, last = weeks[int(np.argmax(shares))]
    if risky:
        worst = short_span_text(clock.dates[first], clock.dates[last - 1])
        text = (
            f"Share of years with a flat day in each week, on a scale to {ceiling:.0%}. "
            f"{risky} of {plural_text(len(weeks), 'week')} had one in some year; most often {worst}, in {_percent(shares.max())} "
            f"of the {found.years} years."
        )
    else:
        text = f"Share of years with a flat day in each week. No week had one in any of the {found.years} years."
    return Plot(
        key="weeks",
        title="Weeks with a flat day",
        text=text,
        shapes=(
            grid,
            Shape("level", drawing.level_path(0.0, 0.5, 1.0)),
            Shape("flat-bars", drawing.bars_path(edges, np.zeros_like(shares), shares / ceiling)),
            Shape("flat-line", drawing.steps_path(edges, shares / ceiling)),
        ),
        marks=tuple(Mark(_percent(ceiling * share), 0.0, float(drawing.height(share))) for share in (1.0, 0.5)),
        ticks=ticks,
        legs=axis.legs(clock.day_stop, found.scenario.stops),
    )


def _years_plot(found: Odds, key: str = "years") -> Plot:
    flat = found.flat_days.astype(np.float64)
    names: Sequence[str] = found.year_names
    ordered = len(flat) <= MOST_YEAR_BARS
    if ordered:
        shown = flat
        step = max(1, ceil(len(names) / YEAR_LABELS))
        ticks = tuple(
            Tick(name, 100.0 * place / len(names), wide_only=(place // step) % 2 == 1)
            for place, name in enumerate(names)
            if place % step == 0 and place / len(names) <= 0.94
        )
    else:
        spots = np.linspace(0, len(flat) - 1, MOST_YEAR_BARS).round().astype(np.int64)
        shown = np.sort(flat)[::-1][spots]
        ticks = tuple(Tick(f"{share:.0%} of years", 100.0 * share, wide_only=share == 0.75) for share in (0.25, 0.5, 0.75))
    ceiling = drawing.nice_ceiling(float(max(shown.max(), 2.0)))
    edges = WIDTH * np.arange(len(shown) + 1) / len(shown)
    none = int((flat == 0).sum())
    text = (
        f"Flat days in each of {found.years} years, on a scale to {ceiling:g}. {plural_text(none, 'year')} had none; the mean is "
        f"{flat.mean():.1f}, the most {flat.max():.0f} (year {names[found.worst_year]})."
    )
    if not ordered:
        text += " So many years are drawn from the worst to the best."
    clear = np.where(shown == 0.0, CLEAR_BAR, 0.0)
    return Plot(
        key=key,
        title="Flat days in each year" if ordered else "Flat days in each year, the worst first",
        text=text,
        shapes=(
            Shape("level", drawing.level_path(0.0, 0.5, 1.0)),
            Shape("flat-bars", drawing.bars_path(edges, np.zeros_like(shown), shown / ceiling)),
            Shape("clear", drawing.bars_path(edges, np.zeros_like(shown), clear)),
            Shape("flat-line", drawing.steps_path(edges, shown / ceiling)),
        ),
        marks=drawing.day_marks(ceiling),
        ticks=ticks,
    )


def _count_rows(found: Odds) -> list[Bar]:
    """Years by how many flat days they have; many different counts are put together into spans."""
    flat = found.flat_days
    most = int(flat.max(initial=0))
    width = max(1, ceil(most / MOST_COUNT_ROWS))
    counts: Counter[int] = Counter(0 if days == 0 else 1 + (int(days) - 1) // width for days in flat)
    rows = []
    for place in range(max(counts) + 1):
        low, high = (0, 0) if place == 0 else ((place - 1) * width + 1, place * width)
        words = "none" if place == 0 else f"{low}" if low == high else f"{low} to {high}"
        share = counts[place] / found.years
        rows.append(Bar("missed" if place else "enough", words, f"{counts[place]:,}", share, _percent(share)))
    return rows


def _where_rows(found: Odds) -> tuple[list[Bar], list[Bar]]:
    """By stop and by calendar month: the share of years with a flat day, and flat days a year."""
    base, clock = found.flat[0], found.timeline

    def bar(words: str, here: np.ndarray) -> Bar:
        share = float(base[:, here].any(axis=1).mean())
        mean = float(base[:, here].sum(axis=1).mean())
        return Bar("missed", words, _percent(share), share, f"{mean:.2f}")

    stops = [bar(f"{stop.number} {stop.name}", clock.day_stop == place) for place, stop in enumerate(found.scenario.stops)]
    names = [f"{day:%B %Y}" for day in clock.dates]
    months = [bar(name, np.array([other == name for other in names])) for name in dict.fromkeys(names)]
    return stops, months


def _parts(found: Odds, beside: Odds | None) -> list[Part]:
    clock = found.timeline
    shares = week_shares(found)
    week_rows = [
        (
            short_span_text(clock.dates[first], clock.dates[last - 1]),
            f"{round(share * found.years)} of {found.years}",
            _percent(share),
        )
        for (first, last), share in zip(_weeks(found), shares, strict=True)
    ]
    stops, months = _where_rows(found)
    worst = found.worst_year
    dates = [clock.dates[int(day)] for day in np.flatnonzero(found.flat[0][worst])]
    worst_words = (
        f"Year {found.year_names[worst]} is the worst: {plural_text(len(dates), 'flat day')}, "
        f"{wh_text(float(found.missed_wh[worst]))} of essential load missed. Flat on: "
        f"{', '.join(f'{day.day} {day:%b}' for day in dates)}."
        if dates
        else "No year has a flat day, so none is the worst."
    )
    year_rows = [
        (name, str(int(days)), f"{missed:,.0f}", f"{stretch:.0f}")
        for name, days, missed, stretch in zip(
            found.year_names, found.flat_days, found.missed_wh, found.stretch_days, strict=True
        )
    ]
    year_head = ("Year", "Flat days", "Essential Wh missed", "Days without full")
    kind = KIND_WORDS.get(found.weather.kind, "weather year")
    parts = [
        Part(
            "weeks",
            "In which weeks it runs flat",
            (
                Picture(_weeks_plot(found), (("flat-bars", "share of years with a flat day in that week"),)),
                Fold(
                    "Every week as a table",
                    (Grid("Years with a flat day in each week", ("Week", "Years", "Share"), week_rows, (1, 2)),),
                ),
            ),
            "Weeks",
        ),
        Part(
            "places",
            "At which stop, in which month",
            (
                Beside(
                    (Bars("By stop: share of years with a flat day there", ("Stop", "Years", "Flat days a year"), stops),),
                    (Bars("By month: share of years with a flat day in it", ("Month", "Years", "Flat days a year"), months),),
                ),
            ),
            "Stops and months",
        ),
        Part(
            "years",
            "Year by year",
            (
                Picture(
                    _years_plot(found),
                    (("flat-bars", f"flat days of one {kind}"), ("clear", "a low bar on the ground: a year without a flat day")),
                ),
                Words(worst_words),
                Bars("How many years have how many flat days", ("Flat days", "Years", "Share"), _count_rows(found)),
                Fold(f"Every year as a table ({found.years:,})", (Grid("Every year", year_head, year_rows, (1, 2, 3)),))
                if found.years <= MOST_YEAR_BARS
                else Words("years.csv lists every year.", note=True),
            ),
            "Years",
        ),
    ]
    if beside is not None:
        other = KIND_WORDS.get(beside.weather.kind, "weather year")
        parts.append(
            Part(
                "beside",
                f"Beside it: {plural_text(beside.years, other)}",
                (
                    Words(odds_verdict(beside)),
                    Picture(_years_plot(beside, "beside-years"), (("flat-bars", f"flat days of one {other}"),)),
                    Headed(
                        "The two kinds of years side by side",
                        (
                            Grid(
                                "Past years are few and real; drawn ones are many and made from monthly figures",
                                ("Figure", KIND_WORDS.get(found.weather.kind, "one kind"), other),
                                [
                                    (name, figure, next(number for label, number, _ in _numbers(beside) if label == name))
                                    for name, figure, _ in _numbers(found)
                                ],
                                (1, 2),
                            ),
                        ),
                    ),
                ),
                "The other years",
            )
        )
    return parts


def _assumptions(found: Odds) -> list[str]:
    spread = f"{found.load_spread_frac:.0%}"
    drawn = found.weather.kind == "drawn"
    return [
        f"Each day's load is the list of appliances times a factor drawn by chance about 1, standard deviation {spread} "
        "(common practice, no source; --load-spread changes it)."
        if found.load_spread_frac > 0.0
        else "Each day's load is exactly the list of appliances.",
        "A tenth less and a tenth more sun are about what models of a place's sun differ by (no source); more years shrink the "
        "error of the sample, never that of the model.",
        f"The interval is the exact one at {CONFIDENCE:.0%} (Clopper and Pearson 1934, doi:10.1093/biomet/26.4.404): it tells "
        f"what {found.years} years can say about all years of this kind.",
        "Drawn years are made by chance from monthly figures: they vary as a place's weather does, and are no forecast."
        if drawn
        else "Past years are the trip moved back by whole calendar years; the climate has changed since the older ones.",
    ]


READING = (
    (
        "Flat day",
        f"A local day on which essential load went unserved for at least {FLAT_DARK_H * MINUTES_PER_HOUR:.0f} minutes, or for "
        f"{FLAT_MISSED_FRAC:.0%} of the day's energy, because the bank was empty.",
    ),
    (
        "Years without a flat day",
        "The share of weather years in which the whole trip went by without one. Plan with the low end of its interval.",
    ),
    ("One year of ten", "Nine years of ten are better than this one."),
    ("The worst year", "The year with most flat days among those tried. More years find a worse one."),
    ("Stretch without a full bank", "Days in a row on which the bank was never full; lead-acid suffers from long ones."),
)


def odds_page(
    found: Odds,
    beside: Odds | None = None,
    scenario_text: str | None = None,
    generated: Mapping[str, str] | None = None,
    measures: Measures = METRIC,
    added: Sequence[str] = (),
) -> str:
    """Draw the odds as one HTML page that needs nothing else.

    Parameters
    ----------
    found : Odds
    beside : Odds, optional
        The same trip over years of another kind.
    scenario_text, generated, measures : as for :func:`simulator.report.frame.render`.
    added : what was added for this answer and does not stand in the scenario, as it was asked for.
    """
    clock, scenario = found.timeline, found.scenario
    sources = dict.fromkeys((*found.source, *(beside.source if beside is not None else ())))
    notes = dict.fromkeys((*found.notes, *(beside.notes if beside is not None else ())))
    page = Page(
        kind="Odds",
        scenario=scenario,
        when=", ".join(
            (
                span_text(clock.dates[0], clock.dates[-1]),
                plural_text(clock.days, "day"),
                plural_text(found.years, KIND_WORDS.get(found.weather.kind, "weather year")),
            )
        ),
        answer=_answer(found, beside, added),
        numbers=_numbers(found),
        parts=_parts(found, beside),
        reading_intro=(
            "The same trip was walked hour by hour through many years of weather. One year says whether it went well once; these "
            f"say how often. Weeks are counted from the first day of the trip, {date_text(clock.dates[0])}."
        ),
        reading=READING,
        weather=list(sources),
        assumptions=_assumptions(found),
        notes=list(notes),
    )
    return render(page, scenario_text, generated, measures)
