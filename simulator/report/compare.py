"""Designs side by side in words and tables, for a terminal."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from simulator.battery.use import HORIZON_YEARS as LONGEST_LIFE_YEARS
from simulator.report.layout import Table
from simulator.report.measures import KG_PER_POUND, L_PER_CUBIC_FOOT, L_PER_GALLON, M_PER_FOOT, METRIC, Measures
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.studies.compare import SAME_MEAN_DAYS, SAME_WORST_DAYS, Comparison, Design
from simulator.studies.weather_years import KIND_WORDS

BEST: Final = "*"
UNKNOWN: Final = "?"
NONE: Final = "-"
SAME_FRAC: Final = 0.005
"""Figures that differ by less are equally good for a person."""
SAME_LIFE_FRAC: Final = 0.1
"""The published models differ by more than this among themselves."""
COLUMNS_FOR_DESIGNS: Final = 68
LEAST_COLUMN: Final = 6

Figure = Callable[[Design], float | None]


@dataclass(frozen=True)
class Row:
    """One figure of all designs; ``better`` is +1 where more is better, -1 where less is, 0 where neither."""

    label: str
    figure: Figure
    shown: Callable[[float], str]
    better: int = 0
    unknown: str = UNKNOWN
    same_service: bool = False
    """Only designs that run flat as seldom as the best can be the best."""
    same_frac: float = SAME_FRAC
    """Figures that differ by less are equally good."""


def _money(value: float) -> str:
    return f"{value:,.0f}"


def _whole(value: float) -> str:
    return f"{value:,.0f}"


def _tenth(value: float) -> str:
    return f"{value:,.1f}"


def days_text(value: float) -> str:
    return f"{value:.2f}" if 0.0 < value < 1.0 else f"{value:.1f}"


def life_text(value: float) -> str:
    return f"over {value:.0f}" if value >= LONGEST_LIFE_YEARS else f"{value:.1f}"


def percent_text(value: float) -> str:
    return f"{value:.0%}"


def table_rows(found: Comparison, measures: Measures) -> Iterator[Row | str]:
    """Rows of the table, headings among them; what no design has is left out."""
    us = measures.us
    first = found.designs[0].scenario.vehicle
    yield "What it is"
    yield Row("label energy, Wh", lambda it: it.rated_wh, _whole)
    yield Row("usable by plan, Wh", lambda it: it.usable_wh, _whole, 1)
    yield Row(f"volume of the units, {'cu ft' if us else 'L'}", lambda it: _scaled(it.volume_l, us, L_PER_CUBIC_FOOT), _tenth, -1)
    yield Row(
        f"footprint, {'sq ft' if us else 'm2'}",
        lambda it: _scaled(it.footprint_m2, us, M_PER_FOOT**2),
        lambda value: f"{value:.2f}",
        -1,
    )
    yield Row(f"weight, {'lb' if us else 'kg'}", lambda it: _scaled(it.mass_kg, us, KG_PER_POUND), _whole, -1)
    if any(design.payload_left_kg is not None for design in found.designs):
        yield Row(
            f"payload left, {'lb' if us else 'kg'}", lambda it: _scaled(it.payload_left_kg, us, KG_PER_POUND), _whole, 1, NONE
        )
    if first.bay_m is not None:
        yield Row("units that fit the bay", lambda it: None if it.bay is None else it.bay.units, _whole)
        yield Row("units it has", lambda it: it.units, _whole)
    if any(design.roof_left_m2 is not None for design in found.designs):
        yield Row(
            f"roof left, {'sq ft' if us else 'm2'}", lambda it: _scaled(it.roof_left_m2, us, M_PER_FOOT**2), _tenth, 1, NONE
        )
    yield "What it does"
    yield Row("flat days, average year", lambda it: it.flat_mean, days_text, -1)
    yield Row("flat days, worst year", lambda it: it.flat_worst, _whole, -1)
    yield Row("years without a flat day", lambda it: it.flat_free_share, percent_text, 1)
    yield Row("  95 % sure, from", lambda it: it.flat_free_interval[0], percent_text)
    yield Row("  95 % sure, to", lambda it: it.flat_free_interval[1], percent_text)
    yield Row("lowest charge met", lambda it: it.lowest_soc, percent_text, 1)
    yield Row("not taken, kWh a year", lambda it: it.spilled_kwh, _whole)
    yield Row("delivered, kWh a year", lambda it: it.delivered_kwh, _whole)
    yield Row("full cycles a year", lambda it: it.full_cycles, _whole)
    if any(design.scenario.generator is not None for design in found.designs):
        yield Row("generator, h a year", lambda it: _of_generator(it, it.generator_h), _whole, -1, NONE)
        yield Row(
            f"its fuel, {'gal' if us else 'L'} a year",
            lambda it: _of_generator(it, _scaled(it.generator_l, us, L_PER_GALLON)),
            _whole,
            -1,
            NONE,
        )
    yield "Life and money"
    yield Row("bank lasts, years", lambda it: it.life.years_to_end, life_text, 1, same_frac=SAME_LIFE_FRAC)
    yield Row("  by the models from", lambda it: it.life.band_years[0], _tenth)
    yield Row("  by the models to", lambda it: it.life.band_years[1], _tenth)
    yield Row("warranty, years", lambda it: it.scenario.bank.warranty_years, _tenth, 1, NONE)
    if not found.money:
        return
    money, horizon = found.terms.currency, found.terms.horizon_years
    yield Row(f"price now, {money}", lambda it: it.price, _money, -1)
    if any(design.extra_price for design in found.designs):
        yield Row(f"  of it extra parts, {money}", lambda it: it.extra_price or 0.0, _money)
    if any(design.budget_left is not None for design in found.designs):
        yield Row(f"budget left, {money}", lambda it: it.budget_left, _money)
    yield Row(f"replaced in {horizon:g} years", lambda it: None if it.cost is None else it.cost.bank_replacements, _whole, -1)
    if any(design.cost is not None and design.cost.fuel_per_year > 0.0 for design in found.designs):
        yield Row(f"fuel, {money} a year", lambda it: None if it.cost is None else it.cost.fuel_per_year, _money)
    if any(design.cost is not None and design.cost.hookup_per_year > 0.0 for design in found.designs):
        yield Row(f"hookup nights, {money} a year", lambda it: None if it.cost is None else it.cost.hookup_per_year, _money)
    yield Row(
        f"cost of a year, {money}",
        lambda it: None if it.cost is None else it.cost.per_year,
        _money,
        -1,
        same_service=True,
    )
    yield Row(
        f"cost of a kWh, {money}",
        lambda it: None if it.cost is None else it.cost.per_kwh,
        lambda value: f"{value:.2f}",
        -1,
        same_service=True,
    )


def _of_generator(design: Design, value: float | None) -> float | None:
    return None if design.scenario.generator is None else value


def _scaled(value: float | None, us: bool, per_unit: float) -> float | None:
    return None if value is None else value / per_unit if us else value


def best_of(row: Row, found: Comparison) -> set[int]:
    """Positions of the best; none where all are alike, where nothing is better or only one is known."""
    designs = found.designs
    values = [(row.figure(design), place) for place, design in enumerate(designs)]
    known = [
        (value, place)
        for value, place in values
        if value is not None and (not row.same_service or found.same_service(designs[place]))
    ]
    if row.better == 0 or len(known) < 2:
        return set()
    top = max(value * row.better for value, _ in known)
    width = row.same_frac * max(abs(value) for value, _ in known)
    best = {place for value, place in known if top - value * row.better <= width}
    return set() if len(best) == len(known) else best


def best_words(values: Sequence[float | None], better: int, shown: Callable[[float], str]) -> str:
    """The figure that the best have in common: "at most 0.05 days" where they only count as alike; nothing if none is known."""
    known = [value for value in values if value is not None]
    if not known:
        return ""
    last, first = shown(min(known, key=lambda value: value * better)), shown(max(known, key=lambda value: value * better))
    edge = "" if first == last else "at most " if better < 0 else "at least "
    return re.sub(r"(?=\d)", edge, last, count=1)


def _tables(found: Comparison) -> Iterator[tuple[int, int]]:
    """Cut the designs into tables that a page of 100 columns takes: position of the first and number of each."""
    first, wide = 0, 0
    for place, design in enumerate(found.designs):
        width = max(len(design.name), LEAST_COLUMN) + 4
        if place > first and wide + width > COLUMNS_FOR_DESIGNS:
            yield first, place - first
            first, wide = place, 0
        wide += width
    yield first, len(found.designs) - first


def _table(found: Comparison, measures: Measures, first: int, count: int) -> Iterator[str]:
    """One table of a few designs; the best is that of all."""
    shown = found.designs[first : first + count]
    body: list[tuple[str, ...]] = []
    for row in table_rows(found, measures):
        if isinstance(row, str):
            body.append((row, *("" for _ in shown)))
            continue
        best = best_of(row, found)
        cells = []
        for place, design in enumerate(shown, first):
            value = row.figure(design)
            text = row.unknown if value is None else row.shown(value)
            cells.append(f"{BEST} {text}" if place in best else text)
        body.append((f"  {row.label}", *cells))
    table = Table(("", *(design.name for design in shown)), body)
    # Signs and words among the figures do not make a column one of words.
    table.numeric = [False, *(True for _ in shown)]
    yield from table.rows()


def units_words(design: Design) -> str:
    bank = design.scenario.bank
    panels_w = sum(it.panel.p_w * it.in_series * it.in_parallel for it in design.scenario.arrays)
    panels = f"{panels_w:,.0f} W of panels" if panels_w > 0.0 else "no panels"
    parts = [f"{design.units} x {bank.unit_v:g} V {bank.unit_ah:g} Ah {bank.chemistry_name}", panels]
    if design.scenario.generator is not None:
        parts.append(f"generator {design.scenario.generator.rated_w:,.0f} W")
    return ", ".join(parts)


def quoted(design: Design) -> str:
    """Its name within a sentence."""
    return f'"{design.name}"'


def names_words(designs: Sequence[Design]) -> str:
    names = [quoted(design) for design in designs]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def win_words(found: Comparison, measures: Measures) -> Iterator[str]:
    """Which design wins for what, in sentences."""
    money = found.terms.currency
    same = [design for design in found.designs if found.same_service(design)]
    asked: list[tuple[str, str, Figure, int, Callable[[float], str]]] = [
        ("runs flat least", "run flat least", lambda it: it.flat_mean, -1, lambda it: f"{days_text(it)} days in an average year"),
        ("is the lightest", "are the lightest", lambda it: it.mass_kg, -1, measures.mass),
        ("takes the least room", "take the least room", lambda it: it.volume_l, -1, measures.volume),
        ("lasts longest", "last longest", lambda it: it.life.years_to_end, 1, lambda it: f"its bank {life_text(it)} years"),
        (
            "burns the least fuel of those with a generator",
            "burn the least fuel of those with a generator",
            lambda it: _of_generator(it, it.generator_l),
            -1,
            lambda it: f"{measures.litres(it)} a year",
        ),
        ("is the cheapest to buy", "are the cheapest to buy", lambda it: it.price, -1, lambda it: f"{_money(it)} {money}"),
    ]
    for one, many, figure, better, shown in asked:
        width = SAME_LIFE_FRAC if one == "lasts longest" else SAME_FRAC
        best = sorted(best_of(Row(one, figure, shown, better, same_frac=width), found))
        # Where most are best the word says nothing.
        if not best or 2 * len(best) > len(found.designs) + 1:
            continue
        said = best_words([figure(found.designs[place]) for place in best], better, shown)
        if said:
            yield f"{names_words([found.designs[place] for place in best])} {one if len(best) == 1 else many} ({said})."
    priced = [(design.cost.per_year, design) for design in same if design.cost is not None]
    if len(priced) > 1:
        least = min(cost for cost, _ in priced)
        best_ones = [design for cost, design in priced if cost - least <= SAME_FRAC * max(least, 1e-9)]
        others = sorted((cost, quoted(design)) for cost, design in priced if design not in best_ones)
        tail = f"; {others[0][1]} costs {round(others[0][0]) - round(least):,} more" if others else ""
        verb = "costs" if len(best_ones) == 1 else "cost"
        yield f"For the same service {names_words(best_ones)} {verb} least a year ({_money(least)} {money}{tail})."
    elif len(priced) == 1 and len(same) == 1 and len(found.designs) > 1:
        yield f"No other design gives the service of {quoted(same[0])}, so the costs of a year do not compare."


def flag_words(found: Comparison, measures: Measures) -> Iterator[str]:
    """What a reader must know before choosing."""
    best = found.reference
    for design in found.designs:
        if not found.same_service(design):
            more = design.flat_mean - best.flat_mean
            worst = design.flat_worst - best.flat_worst
            cheaper = (
                design.cost is not None and best.cost is not None and design.cost.per_year < best.cost.per_year * (1 - SAME_FRAC)
            )
            yield (
                f"{quoted(design)} is not the same service as {quoted(best)}: {days_text(more)} more flat days a trip in an "
                "average year"
                + (f", {worst} more in the worst" if worst > 0 else "")
                + ("; its lower cost buys less." if cheaper else ".")
            )
    if any(not found.same_service(design) for design in found.designs):
        yield (
            f"The same service: at most {SAME_MEAN_DAYS:g} flat days more in an average year and {SAME_WORST_DAYS} more in the "
            "worst (no source)."
        )
    for design in found.designs:
        for sentence in design.limits_broken:
            yield f"{quoted(design)} does not go in: {measures.sentence(sentence)}."
    for design in found.designs:
        warranty = design.scenario.bank.warranty_years
        if warranty is not None and design.life.years_to_end < warranty:
            yield (
                f"{quoted(design)}: the warranty of {warranty:g} years is longer than the {life_text(design.life.years_to_end)} "
                "years that the bank lasts on this route; ask what it covers."
            )
        if (
            design.bay is not None
            and max((layer.units for layer in design.bay.layers), default=0) < design.units <= design.bay.units
        ):
            yield f"{quoted(design)}: so many fit the bay only in {len(design.bay.layers)} layers; what lies above needs a shelf."


def cost_words(found: Comparison) -> Iterator[str]:
    terms = found.terms
    if not found.money:
        yield "No prices are written, so nothing is said of money: write unit_price in [bank] to begin with."
        return
    yield (
        f"Counted over {terms.horizon_years:g} years, later money discounted by {terms.discount_rate:.1%} a year: each part is "
        "bought now and again when it is worn out; at the end what is left of its life is taken back at that share of its price; "
        "all of it spread evenly over the years, then fuel and hookup nights added."
    )
    yield from terms.defaults
    yield (
        "Parts that are not simulated last 25 years (panels) or 10 years (controller, inverter, chargers, generator; common "
        "practice, no source)."
    )
    if found.left_out:
        yield f"In no figure, being without a price and the same in all designs: {', '.join(found.left_out)}."
    for design in found.designs:
        for sentence in design.cost_missing:
            yield f"{quoted(design)}: no cost. {sentence[0].upper()}{sentence[1:]}"


def comparison_lines(found: Comparison, measures: Measures = METRIC) -> list[str]:
    """The whole answer, a line each, the verdict first."""
    kind = KIND_WORDS.get(found.kind, "weather year")
    over = f"over one {kind}" if found.years == 1 else f"over the same {plural(found.years, kind)}"
    lines = [f"{plural(len(found.designs), 'design')} {over}, {plural(found.days, 'day')} each", ""]
    lines += [f"  - {sentence}" for sentence in win_words(found, measures)]
    lines += far_sentences(found.designs[0].scenario, measures)
    flags = list(flag_words(found, measures))
    if flags:
        lines += ["", "Before you choose", *(f"  - {sentence}" for sentence in flags)]
    lines += ["", "Designs", *(f"  - {design.name}: {units_words(design)}" for design in found.designs)]
    head = f"Side by side ({BEST} best of its row, for costs of those with the same service; {UNKNOWN} not known)"
    for first, count in _tables(found):
        lines += ["", head, *_table(found, measures, first, count)]
    lines += ["", "Life", "  - As flatdays life reckons it, year after year until worn out, on the weather of a plain run."]
    lines += [f"  - {found.designs[0].life.assumption}"]
    lines += ["", "Money", *(f"  - {sentence}" for sentence in cost_words(found))]
    missing = dict.fromkeys(key for design in found.designs for key in design.mass_missing)
    if missing:
        lines += ["", "Weight", f"  - Without what has no weight written: {', '.join(missing)}."]
    lines += ["", "Weather", *(f"  - {source}" for source in found.sources)]
    if found.notes:
        lines += ["Note", *(f"  - {measures.sentence(note)}" for note in found.notes)]
    return [*lines, *caution_lines(found.cautions, measures)]
