"""What ends the flat days, in words, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from simulator.report.layout import Line, text_table
from simulator.report.measures import METRIC, Measures
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.scenario.desk import either
from simulator.studies.remedies import Remedies
from simulator.studies.remedy import Remedy, Spell
from simulator.studies.weather_years import KIND_WORDS

MOST_ROWS = 15
"""Of each list; the JSON and the CSV have all."""
MOST_SPELLS = 12
FEW = 3
"""Names told for one dark spell."""


def count_words(value: float, single: bool) -> str:
    return f"{value:.0f}" if single else f"{value:.1f}"


def _span(first: date, last: date) -> str:
    if first == last:
        return f"{first.day} {first:%B %Y}"
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}-{last.day} {last:%B %Y}"
    return f"{first.day} {first:%B} - {last.day} {last:%B %Y}"


def money_words(value: float | None) -> str:
    if value is None:
        return "not known"
    return "free" if abs(value) < 0.005 else f"{value:,.0f}" if abs(value) >= 10.0 else f"{value:,.2f}"


def mass_words(remedy: Remedy, measures: Measures) -> str:
    return "not known" if remedy.kg is None else "none" if remedy.kg == 0.0 else measures.mass(remedy.kg)


def _rows(found: Remedies, remedies: Sequence[Remedy], measures: Measures) -> Iterator[str]:
    """A line each: the figures first and the name last, which may be long; columns in which nothing stands are left out."""
    single = found.years == 1
    shown = remedies[:MOST_ROWS]
    columns: list[tuple[str, list[str]]] = []
    if any(remedy.left > 0.0 for remedy in shown) or any(remedy.made > 0.0 for remedy in shown):
        columns.append(("cured", [count_words(remedy.cured, single) for remedy in shown]))
        if any(remedy.made > 0.0 for remedy in shown):
            columns.append(("made", [count_words(remedy.made, single) for remedy in shown]))
        columns.append(("left", [count_words(remedy.left, single) for remedy in shown]))
    if not single:
        shares = [f"{remedy.without_flat / remedy.years:.0%} ({_interval(remedy)})" for remedy in shown]
        columns.append(("years without", [share.rjust(max(map(len, shares))) for share in shares]))
    columns.append(("price", [_short(money_words(remedy.price)) for remedy in shown]))
    columns.append(("mass", [_short(mass_words(remedy, measures)) for remedy in shown]))
    if any(remedy.cost_per_year not in (None, 0.0) for remedy in (*found.singles, *found.pairs)):
        columns.append(("a year", [_short(money_words(remedy.cost_per_year)) for remedy in shown]))
        columns.append(("per day less", [_short(money_words(remedy.cost_per_flat_day)) for remedy in shown]))
    rows = [(*(cells[place] for _, cells in columns), remedy.name) for place, remedy in enumerate(shown)]
    yield from text_table((*(head for head, _ in columns), "change"), rows)
    if len(remedies) > MOST_ROWS:
        yield f"  and {len(remedies) - MOST_ROWS} more (all of them with --csv or --json)"


def _interval(remedy: Remedy) -> str:
    low, high = remedy.interval
    return f"{low:.0%} to {high:.0%}"


def _short(text: str) -> str:
    return "?" if text == "not known" else text


def verdict(found: Remedies) -> str:
    flat = found.flat.sum(axis=1)
    if not flat.any():
        where = "in this weather year" if found.years == 1 else f"in any of {plural(found.years, KIND_WORDS[found.choice.kind])}"
        more = "" if found.years > 1 else "; --years 100 asks many years"
        return f"There is nothing to mend: the trip has no flat day {where}{more}."
    complete = [remedy for remedy in found.singles if remedy.complete]
    pairs = [remedy for remedy in found.pairs if remedy.complete]
    have = (
        f"The trip has {plural(int(flat[0]), 'flat day')}"
        if found.years == 1
        else f"The trip has {flat.mean():.1f} flat days in an average year, and some in {int((flat > 0).sum())} of {found.years}"
    )
    if complete:
        count = plural(len(complete), "single change")
        return f"{have}. {count} {'ends' if len(complete) == 1 else 'end'} them all, first: {complete[0].name}."
    if pairs:
        count = plural(len(pairs), "pair")
        does = "does" if len(pairs) == 1 else "do"
        return f"{have}. No single change ends them all; {count} of changes {does}, first: {pairs[0].name}."
    return f"{have}. Nothing in reach ends them all, neither one change nor two together."


def spell_words(spell: Spell, single: bool) -> str:
    when = _span(spell.first, spell.last) + ("" if single else f" of year {spell.year}")
    if not spell.cured_by:
        return f"nothing in reach cures {when}"
    more = len(spell.cured_by) - FEW
    return f"{when}: {'; '.join(spell.cured_by[:FEW])}" + (f"; and {more} more" if more > 0 else "")


def _spells(found: Remedies) -> Iterator[str]:
    single = found.years == 1
    hopeless = found.hopeless
    if single:
        yield "What cures which flat days"
        for spell in found.spells[:MOST_SPELLS]:
            yield f"  - {spell_words(spell, single)}"
        if len(found.spells) > MOST_SPELLS:
            yield f"  - and {plural(len(found.spells) - MOST_SPELLS, 'more spell')}"
    elif hopeless:
        years = len({spell.year for spell in hopeless})
        yield f"In {plural(years, 'year')} of {found.years} there are flat days that nothing in reach cures, such as:"
        longest = sorted(hopeless, key=lambda spell: (-spell.days, spell.first))[:FEW]
        for spell in longest:
            yield f"  - nothing in reach cures {spell_words(spell, single).removeprefix('nothing in reach cures ')}"
    else:
        yield "Every spell of flat days in every year is cured by something above."


def note_words(found: Remedies) -> Iterator[str]:
    listed = (*found.singles, *found.pairs)
    single = found.years == 1
    unit = "flat days of this trip" if single else "flat days a trip, on average over the years"
    yield (
        f"Cured, made and left are {unit}. Order: changes that end all flat days first. In each list by cost a year for each "
        "flat day less (free ones cost nothing, so they lead), then by price where nothing tells how long it lasts, then those "
        "of unknown price; of equals first what cures most, then what gives nothing up. Doing without an essential appliance "
        "comes last."
    )
    if not single:
        before = int((~found.flat.any(axis=1)).sum())
        yield (
            "Years without: share of the years without a flat day (95 % sure: between the two in brackets); now "
            f"{before / found.years:.0%}."
        )
    stated = " as written in the scenario ([costs] currency names them)" if found.scenario.costs.currency is None else ""
    yield f"Cost a year counts one trip a year, in {found.terms.currency}{stated}."
    yield "A ? stands where no price or mass was written: what is not known is never taken as nothing."
    missing = dict.fromkeys(
        change.missing for remedy in listed for change in remedy.changes if change.price is None and change.missing
    )
    if missing:
        yield f"More prices would be told with {either(list(missing), 'and')}."
    terms = found.terms
    if terms.hookup_price_per_night is None and any(remedy.nights > 0.0 for remedy in listed):
        yield "What a night on a hookup costs is told by hookup_price_per_night in [costs]."
    if terms.fuel_price_per_l is None and any(remedy.litres > 0.0 for remedy in listed):
        yield "What the generator's fuel costs is told by fuel_price_per_l in [costs]."
    if any(change.group == "portable" for remedy in listed for change in remedy.changes):
        yield (
            "The folding panel is counted as set out all day, under the trees of the stop if there are any, and on the road too."
        )
    if found.nights_tried > 1:
        yield f"{found.nights_tried} single nights on a hookup were tried, around the dark spells; the best is listed."
    if found.pairs_walked:
        count = plural(found.pairs_walked, "pair")
        yield f"{count} of the best changes that do not cure alone were walked; each is a run of its own."


def _fuel(found: Remedies, measures: Measures) -> Iterator[str]:
    for remedy in found.singles:
        if remedy.litres > 0.05 and remedy.net > 0.0:
            yield f"  - {remedy.name}: about {measures.litres(remedy.litres)} of fuel a trip"


def remedies_lines(found: Remedies, measures: Measures = METRIC) -> list[str]:
    """The whole answer, a line each, the verdict first."""
    lines: list[str] = [found.scenario.title, "", Line(verdict(found)), *far_sentences(found.scenario, measures)]
    if found.flat.any():
        complete = [remedy for remedy in found.singles if remedy.complete]
        some = [remedy for remedy in found.singles if not remedy.complete and remedy.net > 0.0]
        pairs = [remedy for remedy in found.pairs if remedy.complete] or list(found.pairs)
        for words, remedies in (
            ("Single changes that end every flat day", complete),
            ("Single changes that end some of them", some),
            ("Pairs that end every flat day" if pairs and pairs[0].complete else "Pairs that end more than either alone", pairs),
        ):
            if remedies:
                lines += ["", words, *_rows(found, remedies, measures)]
        fuel = list(_fuel(found, measures))
        if fuel:
            lines += ["Fuel", *fuel]
        idle = [remedy.name for remedy in found.singles if remedy.net == 0.0]
        worse = [
            f"{remedy.name} ({count_words(-remedy.net, found.years == 1)} more)" for remedy in found.singles if remedy.net < 0.0
        ]
        if idle:
            lines += ["", "Tried, and of no help here", *(f"  - {name}" for name in idle)]
        if worse:
            lines += ["", "Tried, and it makes more flat days", *(f"  - {name}" for name in worse)]
        lines += ["", *_spells(found), "", "How to read it", *(f"  - {note}" for note in note_words(found))]
    lines += ["", "Weather", *(f"  - {source}" for source in found.sources)]
    if found.notes:
        lines += ["Note", *(f"  - {measures.sentence(note)}" for note in found.notes)]
    return [*lines, *caution_lines(found.cautions, measures)]
