"""The page of a comparison: which design wins for what, all figures beside each other, the years, the odds, the money."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from simulator.report import compare as told
from simulator.report.compare import Row
from simulator.report.frame import (
    FLAT_DAY,
    Answer,
    Bars,
    Cell,
    Fold,
    Grid,
    Page,
    Pairs,
    Part,
    Points,
    Range,
    Ranges,
    ScenarioText,
    Strip,
    Strips,
    Versus,
    Words,
    head_words,
    render,
    unweighed_note,
)
from simulator.report.measures import METRIC, Measures
from simulator.report.sections import Bar
from simulator.report.words import plural_text
from simulator.studies.compare import SAME_MEAN_DAYS, SAME_WORST_DAYS, Comparison, Design
from simulator.studies.odds import CONFIDENCE
from simulator.studies.weather_years import KIND_WORDS
from simulator.version import package_version

MOST_SIDE_BY_SIDE = 8
"""Designs in one table: as many as a sheet of paper takes."""
MOST_CHIPS = 40
"""Years that are shown one by one; of more years a ranked sample is shown."""
SAMPLED = 20
MOST_YEAR_ROWS = 200
GOOD_SHARE, HALF_SHARE = 0.9, 0.5
"""Shares of years without a flat day from which on the answer has the sign of a good or a thin day (no source)."""
MOST_TITLES = 3


def _money(value: float, found: Comparison) -> str:
    return f"{value:,.0f} {found.terms.currency}"


def _years_words(found: Comparison) -> str:
    return plural_text(found.years, KIND_WORDS.get(found.kind, "weather year"))


def cheapest(found: Comparison) -> Design | None:
    """Of those with the same service the one that costs least a year; None where costs do not compare."""
    priced = [design for design in found.designs if found.same_service(design) and design.cost is not None]
    return min(priced, key=lambda it: it.cost.per_year if it.cost is not None else 0.0) if len(priced) > 1 else None


def _answer(found: Comparison, measures: Measures) -> Answer:
    wins = list(told.win_words(found, measures))
    chosen = cheapest(found) or found.reference
    share = chosen.flat_free_share
    state = "good" if share >= GOOD_SHARE else "thin" if share >= HALF_SHARE else "flat"
    more = []
    for design in (chosen,):
        more += [f"But {told.quoted(design)} does not go in: {measures.sentence(sentence)}." for sentence in design.limits_broken]
    if more and state == "good":
        state = "thin"
    others = [design for design in found.designs if not found.same_service(design)]
    if others:
        more.append(
            f"Not the same service: {told.names_words(others)}, with more flat days than {told.quoted(found.reference)}. "
            "Compare costs only among equals."
        )
    if state == "flat":
        more.append("None of them is safe on this route: even the best runs flat in most years.")
    if not wins:
        sentence = "These designs come out alike in everything that was looked at."
    else:
        # Where costs compare, theirs is the last sentence.
        sentence = wins[-1] if cheapest(found) is not None else wins[0]
    same = len(found.designs) - len(others)
    sign = {
        "good": "One to choose",
        "thin": "One to choose, with care",
        "flat": "The best of them still runs flat",
    }[state]
    count = f"{same} of {len(found.designs)} run flat as seldom as the best"
    return Answer(state, f"{sign} · {count}", sentence, tuple(more))


def _best(found: Comparison, row: Row) -> list[Design]:
    return [found.designs[place] for place in sorted(told.best_of(row, found))]


def _winner_words(found: Comparison, winners: list[Design]) -> str:
    others = [design for design in found.designs if design not in winners]
    return f"all but {told.names_words(others)}" if len(others) < len(winners) - 1 else told.names_words(winners)


def _numbers(found: Comparison, measures: Measures) -> list[tuple[str, str, str]]:
    """The winners, each with its figure."""
    asked: list[tuple[str, Row, Callable[[float], str]]] = [
        ("Flat least", Row("", lambda it: it.flat_mean, told.days_text, -1), lambda it: f"{told.days_text(it)} days"),
        ("Lightest", Row("", lambda it: it.mass_kg, measures.mass, -1), measures.mass),
        (
            "Lasts longest",
            Row("", lambda it: it.life.years_to_end, told.life_text, 1, same_frac=told.SAME_LIFE_FRAC),
            lambda it: f"{told.life_text(it)} years",
        ),
        ("Cheapest to buy", Row("", lambda it: it.price, str, -1), lambda it: _money(it, found)),
        (
            "Least a year, same service",
            Row("", lambda it: None if it.cost is None else it.cost.per_year, str, -1, same_service=True),
            lambda it: _money(it, found),
        ),
    ]
    kind = f"{KIND_WORDS.get(found.kind, 'weather year')}{'' if found.years == 1 else 's'}"
    figures = [("Weather", f"{found.years:,}", f"{kind}, the same for all, {plural_text(found.days, 'day')} each")]
    for name, row, shown in asked:
        winners = _best(found, row)
        values = [row.figure(design) for design in found.designs]
        if winners:
            said = told.best_words([row.figure(winner) for winner in winners], row.better, shown)
            figures.append((name, said, _winner_words(found, winners)))
        elif all(value is not None for value in values) and not row.same_service:
            figures.append((name, shown(values[0] or 0.0), "all alike"))
    return figures


def _versus(found: Comparison, measures: Measures) -> list[Versus]:
    """Every figure of every design; the best of a row is that of all designs."""
    tables = []
    for first in range(0, len(found.designs), MOST_SIDE_BY_SIDE):
        shown = range(first, min(first + MOST_SIDE_BY_SIDE, len(found.designs)))
        groups: list[tuple[str, list[tuple[str, list[Cell]]]]] = []
        for row in told.table_rows(found, measures):
            if isinstance(row, str):
                groups.append((row, []))
                continue
            best = told.best_of(row, found)
            cells = []
            for place in shown:
                value = row.figure(found.designs[place])
                cells.append(Cell(row.unknown if value is None else row.shown(value), place in best))
            groups[-1][1].append((row.label.strip(), cells))
        some = len(found.designs) > MOST_SIDE_BY_SIDE
        caption = f"Designs {shown[0] + 1} to {shown[-1] + 1}" if some else "All designs"
        tables.append(Versus(caption, ("Figure", *(found.designs[place].name for place in shown)), groups))
    return tables


def _strips(found: Comparison) -> Strips:
    rows = []
    ranked = found.years > MOST_CHIPS
    for design in found.designs:
        flat = design.flat_days
        if ranked:
            spots = np.linspace(0, len(flat) - 1, SAMPLED).round().astype(np.int64)
            shown = np.sort(flat)[::-1][spots]
        else:
            shown = flat
        without = int((flat == 0).sum())
        words = (
            f"{without} of {plural_text(found.years, 'year')} without a flat day; mean {told.days_text(design.flat_mean)}, "
            f"worst {design.flat_worst}"
        )
        listed = ", ".join(str(int(days)) for days in shown)
        each = f"a sample of {SAMPLED} years, the worst first" if ranked else "year by year"
        rows.append(
            Strip(
                design.name,
                words,
                f"{design.name}, flat days {each}: {listed}.",
                [("flat" if days else "good", str(int(days))) for days in shown],
            )
        )
    return Strips(rows)


def _flat_part(found: Comparison) -> Part:
    ranked = found.years > MOST_CHIPS
    how = (
        f"Each square is one of {SAMPLED} years picked evenly from the worst (left) to the best, with its flat days."
        if ranked
        else "Each square is one year with its flat days: the same place is the same weather in every line."
    )
    pieces: list[object] = [Words(how), _strips(found)]
    if not ranked or found.years <= MOST_YEAR_ROWS:
        rows = [
            (name, *(str(int(design.flat_days[place])) for design in found.designs))
            for place, name in enumerate(found.year_names)
        ]
        head = ("Year", *(design.name for design in found.designs))
        numbers = tuple(range(1, len(head)))
        pieces.append(Fold("Every year as a table", (Grid("Flat days in each year", head, rows, numbers, wide=True),)))
    return Part("flat-days", "Flat days, year by year", pieces, "Flat days")


def _odds_part(found: Comparison) -> Part:
    rows = []
    for design in found.designs:
        low, high = design.flat_free_interval
        rows.append(
            Range(
                design.name,
                low,
                design.flat_free_share,
                high,
                told.percent_text(design.flat_free_share),
                f"{told.percent_text(low)} to {told.percent_text(high)}",
            )
        )
    sure = f"{CONFIDENCE:.0%} sure"
    words = (
        f"The dark stroke is the share of the {found.years} years without a flat day, the band what so many years can say about "
        f"all years like them ({sure}). Where bands overlap, more years (--years) may change the order."
    )
    return Part(
        "odds",
        "How sure that is",
        (Ranges("Share of years without a flat day", ("Design", "Share", sure), rows), Words(words, note=True)),
        "Odds",
    )


def _money_part(found: Comparison) -> Part:
    pieces: list[object] = []
    priced = [design for design in found.designs if design.cost is not None]
    if priced:
        most = max((design.cost.per_year for design in priced if design.cost is not None), default=0.0) or 1.0
        rows = []
        for design in found.designs:
            same = "the same service" if found.same_service(design) else "runs flat more often"
            if design.cost is None:
                rows.append(Bar("lesser", design.name, "not known", 0.0, same))
                continue
            kind = "bank" if found.same_service(design) else "lesser"
            rows.append(Bar(kind, design.name, _money(design.cost.per_year, found), max(design.cost.per_year, 0.0) / most, same))
        pieces.append(Bars("Cost of a year, all together", ("Design", "A year", "Service"), rows))
        parts = [
            (design.name, part.name, f"{part.now:,.0f}", f"{part.later:,.0f}", f"{part.taken_back:,.0f}", f"{part.per_year:,.0f}")
            for design in priced
            if design.cost is not None
            for part in design.cost.parts
        ]
        for design in priced:
            assert design.cost is not None
            for name, amount in (("fuel", design.cost.fuel_per_year), ("nights on a hookup", design.cost.hookup_per_year)):
                if amount > 0.0:
                    parts.append((design.name, name, "", "", "", f"{amount:,.0f}"))
        head = ("Design", "Part", "Now", "Bought again", "Taken back", "A year")
        table = Grid(f"Parts in {found.terms.currency}; later sums at today's worth", head, parts, (2, 3, 4, 5), wide=True)
        pieces.append(Fold("What each part costs", (table,)))
    pieces.append(Points(list(told.cost_words(found))))
    return Part("money", "What a year of service costs", pieces, "Money")


def _design_words(design: Design, measures: Measures) -> str:
    words = told.units_words(design)
    if design.bay is not None:
        words += f"; the bay takes {plural_text(design.bay.units, 'such unit')}"
    if design.payload_left_kg is not None:
        words += f"; {measures.mass(design.payload_left_kg)} of payload left"
    return words


READING = (
    ("✓ best", "The best figure of its row. Figures that differ by half a percent count as equal; lives by a tenth."),
    (
        "The same service",
        f"Runs flat as seldom as the best: at most {SAME_MEAN_DAYS:g} flat days more in an average year and {SAME_WORST_DAYS} "
        "more in the worst (no source). Only such designs compete for the least cost.",
    ),
    FLAT_DAY,
    ("Lowest charge met", "The lowest that the bank came to in any of the years."),
    ("Not taken", "Sun that the panels offered and the bank had no room for."),
    ("Cost of a year", "Everything bought now and again over the horizon, spread evenly, with fuel and hookup nights."),
    ("Cost of a kWh", "The same by the energy that the bank gives at its terminals."),
)


def _title(found: Comparison) -> str:
    titles = list(dict.fromkeys(design.scenario.title for design in found.designs))
    if len(titles) == 1:
        return titles[0]
    more = len(titles) - MOST_TITLES
    return " / ".join(titles[:MOST_TITLES]) + (f" and {more} more" if more > 0 else "")


def compare_page(
    found: Comparison,
    scenario_text: ScenarioText = None,
    generated: Mapping[str, str] | None = None,
    measures: Measures = METRIC,
) -> str:
    """Draw a comparison as one HTML page that needs nothing else.

    Parameters
    ----------
    found : Comparison
    scenario_text, generated, measures : as for :func:`simulator.report.frame.render`.
    """
    first = found.designs[0]
    flags = list(told.flag_words(found, measures))
    missing = dict.fromkeys(key for design in found.designs for key in design.mass_missing)
    table = (
        "The best of each row has a tick and the word; for costs only designs with the same service compete. "
        f"{told.UNKNOWN}: not known; {told.NONE}: has none."
    )
    parts = [Part("before", "Before you choose", (Points(flags),), "Before you choose")] if flags else []
    beside = (Words(table), *_versus(found, measures), *unweighed_note(missing))
    parts.append(Part("side-by-side", "Side by side", beside, "Side by side"))
    parts.append(_flat_part(found))
    parts += [_odds_part(found)] if found.years > 1 else []
    parts.append(_money_part(found))
    designs = [(design.name, _design_words(design, measures)) for design in found.designs]
    parts.append(Part("designs", "The designs", (Pairs(designs),), "Designs"))
    if generated is None:
        sums = dict.fromkeys(design.scenario.sha256 for design in found.designs if design.scenario.sha256)
        generated = {"flatdays": package_version(), "seed": str(found.seed)}
        generated |= {"scenario sha256": ", ".join(sums)} if sums else {}
    page = Page(
        kind="Comparison",
        scenario=replace(first.scenario, title=_title(found)),
        when=head_words(
            plural_text(len(found.designs), "design"), f"the same {_years_words(found)}", plural_text(found.days, "day")
        ),
        answer=_answer(found, measures),
        numbers=_numbers(found, measures),
        parts=parts,
        reading=READING,
        reading_intro=(
            "Every design was walked hour by hour through the same weather and the same chance of the load, so that what differs "
            "is the designs' own. Read first which ones run flat as seldom; only then what they cost."
        ),
        weather=list(found.sources),
        assumptions=[
            "How long a bank lasts is reckoned as flatdays life does, year after year until worn out, on the weather of a plain "
            "run; the published models differ by years, so trust the band.",
            first.life.assumption,
        ],
        notes=list(found.notes),
        more_setup=[("the list above", f'is of the design "{first.name}"; the others differ as "The designs" says')],
        cautions=found.cautions,
    )
    return render(page, scenario_text, generated, measures)
