"""The page of a life: how many years the bank lasts on the route, and what each of them is like."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simulator.battery.cycles import DEPTH_EDGES_FRAC
from simulator.battery.use import END_SOH, HORIZON_YEARS
from simulator.report import drawing
from simulator.report import life as told
from simulator.report.drawing import WIDTH, Mark, Plot, Shape, Tick
from simulator.report.frame import Answer, Bars, Beside, Grid, Page, Part, Picture, Points, Words, render
from simulator.report.measures import METRIC, Measures
from simulator.report.sections import Bar
from simulator.report.words import plural_text
from simulator.studies.life import CARDS, Life

FLOOR_SOH = 0.5
"""Bottom of the scale of the charge that is left; a bank is worn out well above it."""
GOOD_YEARS = 10.0
"""From here on a life earns the sign of a good day, if no year of it has a flat day (common practice, no source)."""
MOST_LABELS = 15


def _answer(found: Life, measures: Measures) -> Answer:
    lasts = found.years_to_end
    if lasts <= 0.0:
        state, sign = "flat", "Worn out already"
    elif found.first_flat_year is not None:
        state, sign = "flat", "Flat days in its life"
    else:
        # By the figure that is printed: 9.97 years are 10.0 to who reads them.
        state = "good" if round(lasts, 1) >= GOOD_YEARS else "thin"
        sign = "No flat day in its life" if state == "good" else "No flat day, but a short life"
    wear = told.wear_words(found, measures)
    return Answer(state, sign, told.verdict(found), tuple(said for said in (wear, _flat_words(found)) if said))


def _flat_words(found: Life) -> str:
    if found.first_flat_year is None:
        return "The route has no flat day in any year of its life."
    if found.first_flat_year == 1:
        return "The route has flat days from the first year on; the page of a single run says why."
    return f"The route first has a flat day in year {found.first_flat_year}, when the bank has shrunk."


def _years_words(years: float) -> str:
    return f"over {HORIZON_YEARS:.0f}" if years >= HORIZON_YEARS else f"{years:.1f}"


def _numbers(found: Life) -> list[tuple[str, str, str]]:
    low, high = found.band_years
    last = found.years[-1]
    first = "none" if found.first_flat_year is None else f"year {found.first_flat_year}"
    return [
        (
            "Years it lasts",
            _years_words(found.years_to_end),
            f"{low:.0f} to {high:.0f} by the published models and their scatter",
        ),
        ("First year with a flat day", first, f"{plural_text(last.flat_days, 'flat day')} on the route in its last year"),
        ("Full cycles a year", f"{found.full_cycles_per_year:.0f}", "rated charge drawn, on average over its life"),
        ("Counted cycles a year", f"{found.counted_cycles_per_year:.0f}", "every swing counts, small ones too"),
        ("Delivered over its life", f"{found.delivered_kwh:,.0f}\u00a0kWh", "at its terminals"),
        ("Left at the end", f"{found.soh_at_end:.0%}", f"of its charge; it counts as worn out at {END_SOH:.0%}"),
    ]


def _axis(found: Life) -> tuple[Tick, ...]:
    count = len(found.years)
    step = max(1, -(-count // MOST_LABELS))
    return tuple(
        Tick(f"year {year.year}" if place == 0 else f"{year.year}", 100.0 * place / count, wide_only=(place // step) % 2 == 1)
        for place, year in enumerate(found.years)
        if place % step == 0
    )


def _charge_plot(found: Life) -> Plot:
    """Charge left at the start of each year and at the end, against the end of life."""
    count = len(found.years)
    span = count - 1 + max(found.years[-1].part, 0.02) if count > 1 else max(found.years[-1].part, 0.02)
    at = np.array([*range(count), min(span, float(count))], dtype=np.float64)
    soh = np.array([*(year.soh for year in found.years), found.soh_at_end])
    share = (soh - FLOOR_SOH) / (1.0 - FLOOR_SOH)
    x = WIDTH * at / count
    end = (END_SOH - FLOOR_SOH) / (1.0 - FLOOR_SOH)
    low, high = found.band_years
    text = (
        f"The line is the charge the bank still holds as each year begins, on a scale from {FLOOR_SOH:.0%} to 100%: "
        f"{found.years[0].soh:.0%} at first, {found.soh_at_end:.0%} after {found.years_to_end:.1f} years. The published models "
        f"end it after {low:.0f} to {high:.0f} years."
    )
    return Plot(
        key="left",
        title="Charge left, year by year",
        text=text,
        shapes=(
            Shape("grid", "".join(f"M{drawing.number(WIDTH * place / count)} 0V100" for place in range(1, count))),
            Shape("level", drawing.level_path(0.0, 1.0)),
            Shape("charge-fill", drawing.band_path(x, np.zeros_like(share), share)),
            Shape("charge", drawing.line_path(x, share)),
            Shape("plan", drawing.level_path(end)),
        ),
        marks=(
            Mark("100%", 0.0, float(drawing.height(1.0))),
            Mark(f"{FLOOR_SOH:.0%}", 0.0, float(drawing.height(0.0))),
            Mark(f"worn out at {END_SOH:.0%}", 100.0, float(drawing.height(end)), "right", below=True, kind="plan"),
        ),
        ticks=_axis(found),
    )


def _flat_plot(found: Life) -> Plot:
    """Flat days of one drive of the route in each year of the bank's life."""
    flat = np.array([year.flat_days for year in found.years], dtype=np.float64)
    ceiling = drawing.nice_ceiling(float(max(flat.max(), 2.0)))
    edges = WIDTH * np.arange(len(flat) + 1) / len(flat)
    text = (
        f"Flat days on one drive of the route in each year, on a scale to {ceiling:g}: {flat[0]:.0f} with the bank as it is, "
        f"{flat[-1]:.0f} in its last year."
    )
    return Plot(
        key="flat-years",
        title="Flat days, year by year",
        text=text,
        shapes=(
            Shape("level", drawing.level_path(0.0, 0.5, 1.0)),
            Shape("flat-bars", drawing.bars_path(edges, np.zeros_like(flat), flat / ceiling)),
            Shape("clear", drawing.bars_path(edges, np.zeros_like(flat), np.where(flat == 0.0, 0.03, 0.0))),
            Shape("flat-line", drawing.steps_path(edges, flat / ceiling)),
        ),
        marks=drawing.day_marks(ceiling),
        ticks=_axis(found),
    )


def _parts(found: Life, measures: Measures) -> list[Part]:
    most = max(*found.model_years.values(), found.years_to_end, 1e-9)
    by = told.ENDED_WORDS.get(found.ended_by, found.ended_by)
    models = [
        Bar("bank", name, _years_words(years), min(years / most, 1.0), "years") for name, years in found.model_years.items()
    ]
    counts = found.mean("histogram")
    highest = max(float(counts.max()), 1e-9)
    depths = [
        Bar(
            "bank", f"{low:.0%} to {high:.0%}", f"{count:,.1f}" if 0.05 <= count < 10 else f"{count:,.0f}", float(count) / highest
        )
        for low, high, count in zip(DEPTH_EDGES_FRAC, DEPTH_EDGES_FRAC[1:], counts, strict=False)
    ]
    rows = [
        (
            str(year.year),
            f"{year.soh:.0%}",
            f"{1 + year.resistance_gain_frac:.2f}",
            str(year.flat_days),
            f"{year.lowest_soc:.0%}",
            f"{year.full_cycles:.0f}",
            f"{year.delivered_kwh:,.0f}",
        )
        for year in found.years
    ]
    head = ("Year", "Charge left", "Resistance (new: 1)", "Flat days", "Lowest charge", "Full cycles", "kWh delivered")
    legend = (("flat-bars", "flat days of one drive of the route"), ("clear", "low bar on the ground: a year without one"))
    pictured = (Picture(_flat_plot(found), legend),) if any(year.flat_days for year in found.years) else ()
    return [
        Part(
            "left",
            "How much charge it still holds",
            (
                Picture(
                    _charge_plot(found),
                    (("charge", "charge left (line over the filled part)"), ("plan-line", "end of life (dashed)")),
                    tall=True,
                ),
            ),
            "Charge left",
        ),
        Part(
            "flat-days",
            "Flat days as it ages",
            (
                *pictured,
                Words(_flat_words(found)),
            ),
            "Flat days",
        ),
        Part("years", "Year by year", (Grid("As each year begins", head, rows, (1, 2, 3, 4, 5, 6), wide=True),), "Year by year"),
        Part(
            "models",
            "What wears it out",
            (
                Words(f"By the model that carries the figure, {by} ends it. Each model alone says:"),
                Beside(
                    (Bars("Years to the end by each model alone", ("Model", "Years"), models),),
                    (Bars("How deep the cycles are", ("Share of the bank used", "Cycles a year"), depths),),
                ),
                Words(found.assumption),
            ),
            "Models and cycles",
        ),
        Part(
            "rests-on",
            "What the figures rest on",
            (Points([measures.sentence(card) for card in CARDS["lfp" if found.scenario.bank.chemistry == "lfp" else "lead"]]),),
            "Sources",
        ),
    ]


READING = (
    (
        "Worn out",
        f"The bank holds {END_SOH:.0%} of the charge on its label. It still works, with less in it.",
    ),
    ("Charge left", "Share of the rated charge that the bank still holds."),
    ("Full cycles", "Ampere-hours drawn over the rated ones: two days of half a bank are one."),
    ("Counted cycles", "Every swing of the charge, small ones too (rainflow); their depth decides how much they wear."),
    ("Flat day", "A day of the route on which essential load went unserved because the bank was empty."),
    ("By use, by age", "What ends it first: the cycles drawn from it, or the years that pass whether it is used or not."),
)


def life_page(
    found: Life,
    scenario_text: str | None = None,
    generated: Mapping[str, str] | None = None,
    measures: Measures = METRIC,
) -> str:
    """Draw a bank's life as one HTML page that needs nothing else.

    Parameters
    ----------
    found : Life
    scenario_text, generated, measures : as for :func:`simulator.report.frame.render`.
    """
    page = Page(
        kind="Life of the bank",
        scenario=found.scenario,
        when=f"a route of {plural_text(found.days, 'day')}, year after year",
        answer=_answer(found, measures),
        numbers=_numbers(found),
        parts=_parts(found, measures),
        reading_intro=(
            "The route was driven again and again with a bank that shrinks and stiffens, until it was worn out. Ageing is known "
            "far less well than a day's energy: trust the band, not the middle of it."
        ),
        reading=READING,
        weather=found.weather_sources,
        notes=found.notes,
    )
    return render(page, scenario_text, generated, measures)
