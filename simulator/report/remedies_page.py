"""The page of the remedies: what ends every flat day first, then what ends some, and which flat days nothing in reach cures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from simulator.report import remedies as told
from simulator.report.frame import (
    FLAT_DAY,
    UNKNOWN,
    Answer,
    Bars,
    Fold,
    Grid,
    Page,
    Part,
    Points,
    ScenarioText,
    Words,
    head_words,
    more_note,
    render,
)
from simulator.report.measures import METRIC, Measures
from simulator.report.sections import Bar
from simulator.report.words import plural_text, span_text
from simulator.studies.remedies import Remedies
from simulator.studies.remedy import ESSENTIAL, Remedy
from simulator.studies.weather_years import KIND_WORDS

MOST_ROWS = 40
"""In each table; the CSV has all."""
MOST_SPELLS = 40
MOST_PAIRS = 15
FIRST_CURES = 3


def _answer(found: Remedies) -> Answer:
    complete = [remedy for remedy in found.singles if remedy.complete]
    pairs = [remedy for remedy in found.pairs if remedy.complete]
    if not found.flat.any():
        return Answer("good", "Nothing to mend", told.verdict(found))
    if complete:
        free = next((remedy for remedy in complete if remedy.free and remedy.gives_up < ESSENTIAL), None)
        more = [] if free is None or free is complete[0] else [f"Free of cost: {free.name}."]
        bought = next((remedy for remedy in complete if not remedy.free), None)
        more += (
            [f"The first that means buying something: {bought.name}."] if bought is not None and bought is not complete[0] else []
        )
        return Answer("good", "It can be mended", told.verdict(found), tuple(more))
    return Answer("thin" if pairs else "flat", "It takes two changes" if pairs else "Not within reach", told.verdict(found))


def _numbers(found: Remedies) -> list[tuple[str, str, str]]:
    flat = found.flat.sum(axis=1)
    single = found.years == 1
    complete = sum(remedy.complete for remedy in found.singles)
    pairs = sum(remedy.complete for remedy in found.pairs)
    hopeless = sum(spell.days for spell in found.hopeless)
    total = int(flat.sum())
    return [
        (
            "Flat days now",
            f"{flat.mean():.0f}" if single else f"{flat.mean():.1f}",
            f"of {plural_text(len(found.dates), 'day')}" + ("" if single else ", in an average year"),
        ),
        ("Changes tried", f"{len(found.singles)}", "each a walk of its own"),
        ("End them all", f"{complete}", "single changes"),
        ("Pairs that end them all", f"{pairs}", f"of {plural_text(found.pairs_walked, 'pair')} walked"),
        ("Nothing cures", f"{hopeless}", f"of {plural_text(total, 'flat day')}" + ("" if single else " in all years")),
        ("Weather", f"{found.years}", KIND_WORDS[found.choice.kind] + ("" if single else "s")),
    ]


def _gives_up(remedy: Remedy) -> str:
    return ("", "comfort", "essential")[remedy.gives_up]


def _short(text: str) -> str:
    """What is not known, in a narrow column."""
    return UNKNOWN if text == "not known" else text


def _odds_words(remedy: Remedy) -> str:
    low, high = remedy.interval
    return f"{remedy.without_flat / remedy.years:.0%} ({low:.0%} to {high:.0%})"


def _grid(found: Remedies, remedies: Sequence[Remedy], caption: str, measures: Measures) -> Grid:
    """Figures of changes; columns in which nothing stands are left out."""
    single = found.years == 1
    listed = (*found.singles, *found.pairs)
    columns: list[tuple[str, list[str], bool]] = [
        ("Flat days cured", [told.count_words(each.cured, single) for each in remedies], True),
        ("Left", [told.count_words(each.left, single) for each in remedies], True),
    ]
    if any(each.made > 0.0 for each in remedies):
        columns.insert(1, ("New ones", [told.count_words(each.made, single) for each in remedies], True))
    if not single:
        columns += [
            ("Years without (95 % sure)", [_odds_words(each) for each in remedies], True),
        ]
    columns += [
        ("Price", [_short(told.money_words(each.price)) for each in remedies], True),
        ("Weight", [_short(told.mass_words(each, measures)) for each in remedies], True),
    ]
    if any(each.cost_per_year not in (None, 0.0) for each in listed):
        columns += [
            ("Cost a year", [_short(told.money_words(each.cost_per_year)) for each in remedies], True),
            ("Per flat day less", [_short(told.money_words(each.cost_per_flat_day)) for each in remedies], True),
        ]
    if any(each.litres > 0.05 for each in remedies):
        columns.append(("Fuel a trip", [measures.litres(each.litres) if each.litres > 0.05 else "" for each in remedies], True))
    if any(each.gives_up for each in remedies):
        columns.append(("Gives up", [_gives_up(each) for each in remedies], False))
    head = ("Change", *(name for name, _, _ in columns))
    numeric = [place for place, (_, _, right) in enumerate(columns, 1) if right]
    rows = [(each.name, *(cells[place] for _, cells, _ in columns)) for place, each in enumerate(remedies)]
    return Grid(caption, head, rows, numeric, wide=True, stack=True)


def _some_bars(found: Remedies, remedies: Sequence[Remedy]) -> Bars:
    now = float(found.flat.sum() / found.years)
    single = found.years == 1
    rows = [
        Bar(
            "missed",
            each.name,
            told.count_words(each.left, single),
            min(each.left / max(now, 1e-9), 1.0),
            told.money_words(each.price),
        )
        for each in remedies[:MOST_ROWS]
    ]
    return Bars(f"Flat days left, of {told.count_words(now, single)} now", ("Change", "Left", "Price"), rows)


def _spell_part(found: Remedies) -> Part:
    single = found.years == 1
    pieces: list[object] = []
    hopeless = found.hopeless
    if not hopeless:
        pieces.append(
            Words(
                "Every spell of flat days is cured by something."
                if single
                else "Every spell in every year is cured by something."
            )
        )
    else:
        years = len({spell.year for spell in hopeless})
        where = "" if single else f" In {years} of {plural_text(found.years, 'year')} there are such days."
        pieces.append(Words(f"{plural_text(len(hopeless), 'spell')} of flat days that nothing in reach cures.{where}"))
        longest = sorted(hopeless, key=lambda spell: (-spell.days, spell.year, spell.first))[:MOST_SPELLS]
        pieces.append(
            Points([f"{span_text(each.first, each.last)}" + ("" if single else f", year {each.year}") for each in longest])
        )
    shown = found.spells if single else sorted(found.spells, key=lambda spell: (-spell.days, spell.year, spell.first))
    rows = [
        (
            span_text(spell.first, spell.last) + ("" if single else f", year {spell.year}"),
            str(spell.days),
            "; ".join(spell.cured_by[:FIRST_CURES]) or "nothing in reach",
        )
        for spell in shown[:MOST_SPELLS]
    ]
    caption = "Each spell and the first changes that cure all of it"
    table = Grid(caption, ("When", "Days", "Cured by"), rows, (1,), wide=True, stack=True)
    more = len(found.spells) - len(rows)
    word = "more" if single else "shorter"
    rest = more_note(more, f"{word} spell{'' if more == 1 else 's'}; remedies.json has all.")
    pieces += [table, *rest] if single else [Fold("What cures which spell", (table, *rest))]
    return Part("spells", "Which flat days are cured by what", pieces, "Spells")


def _parts(found: Remedies, measures: Measures) -> list[Part]:
    if not found.flat.any():
        return []
    complete = [remedy for remedy in found.singles if remedy.complete]
    some = [remedy for remedy in found.singles if not remedy.complete and remedy.net > 0.0]
    pairs = [remedy for remedy in found.pairs if remedy.complete] or list(found.pairs)
    parts = []
    if complete:
        caption = "Single changes, the least cost for each flat day less first"
        parts.append(
            Part(
                "complete", "What ends every flat day", (_grid(found, complete[:MOST_ROWS], caption, measures),), "Complete cures"
            )
        )
    if pairs:
        head = "Two changes that end every flat day" if pairs[0].complete else "Two changes that end more than one alone"
        grid = _grid(found, pairs[:MOST_PAIRS], "Pairs, each walked together", measures)
        rest = more_note(len(pairs) - MOST_PAIRS, "more: changes.csv has all.")
        shown = (Fold(plural_text(len(pairs), "pair"), (grid, *rest)),) if complete else (grid, *rest)
        parts.append(Part("pairs", head, shown, "Pairs"))
    if some:
        grid = _grid(found, some[:MOST_ROWS], "All figures of these changes", measures)
        parts.append(
            Part("some", "What ends some of them", (_some_bars(found, some), Fold("All figures", (grid,))), "Partial cures")
        )
    parts.append(_spell_part(found))
    idle = [remedy.name for remedy in found.singles if remedy.net == 0.0]
    worse = [
        f"{remedy.name}: {told.count_words(-remedy.net, found.years == 1)} more" for remedy in found.singles if remedy.net < 0.0
    ]
    if idle or worse:
        pieces: list[object] = []
        if worse:
            pieces += [Words("These make more flat days than they cure:"), Points(worse)]
        if idle:
            pieces += [Words("These change nothing:"), Points(idle)]
        parts.append(Part("no-help", "Tried, and no help here", pieces, "No help"))
    return parts


READING = (
    ("Cured", "Days that are flat without the change and not with it; only days that become flat by it are new ones."),
    FLAT_DAY,
    ("? or not known", "No price or weight was written for it; what is not known is never taken as nothing."),
    ("Pair", "Two changes walked together: two good changes need not add up."),
)


def remedies_page(
    found: Remedies,
    scenario_text: ScenarioText = None,
    generated: Mapping[str, str] | None = None,
    measures: Measures = METRIC,
) -> str:
    """Draw the remedies as one HTML page that needs nothing else.

    Parameters
    ----------
    found : Remedies
    scenario_text, generated, measures : as for :func:`simulator.report.frame.render`.
    """
    years = plural_text(found.years, KIND_WORDS[found.choice.kind])
    page = Page(
        kind="Remedies",
        scenario=found.scenario,
        when=head_words(span_text(found.dates[0], found.dates[-1]), years),
        answer=_answer(found),
        numbers=_numbers(found),
        parts=_parts(found, measures),
        reading=READING,
        reading_intro=(
            "Each change was made alone and the whole trip walked again, hour by hour through the same weather. Nothing is added "
            "up or guessed from another change."
        ),
        weather=list(found.sources),
        assumptions=list(told.note_words(found)) if found.flat.any() else [],
        notes=list(found.notes),
        cautions=found.cautions,
    )
    return render(page, scenario_text, generated, measures)
