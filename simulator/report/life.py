"""How long the bank lasts, in words and tables, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from simulator.battery.cycles import DEPTH_EDGES_FRAC
from simulator.battery.use import END_SOH, HORIZON_YEARS
from simulator.report.layout import Line, text_table
from simulator.report.measures import METRIC, Measures
from simulator.report.tables import caution_lines, far_sentences
from simulator.scenario.cautions import cautions_of
from simulator.scenario.desk import either
from simulator.studies.life import CARDS, Life

ENDED_WORDS = {"cycles": "use", "calendar": "age"}
BAR_CELLS = 30
SHALLOWER = "a larger bank, which cycles less deeply"


def verdict(found: Life) -> str:
    """The answer in one sentence."""
    bank = found.scenario.bank
    name = f"{bank.in_series * bank.in_parallel} x {bank.unit_ah:g} Ah {bank.chemistry_name}"
    low, high = found.band_years
    if found.years_to_end <= 0.0:
        return f"This bank ({name}) is at the end of its life already."
    lasts = f"about {found.years_to_end:.1f} years" if found.worn_out else f"{found.years_to_end:.0f} years and more"
    ended = f"{ENDED_WORDS[found.ended_by]} {'ends' if found.worn_out else 'would end'} it"
    left = (
        f"at {END_SOH:.0%} of its charge"
        if found.soh_at_end < END_SOH + 0.005
        else f"with {found.soh_at_end:.0%} of its charge still there"
    )
    return (
        f"This bank ({name}) lasts {lasts} on this route ({low:.0f} to {high:.0f} by the published models and their scatter); "
        f"{ended}, {left}."
    )


def wear_words(found: Life, measures: Measures = METRIC) -> str:
    """What wears a lead-acid bank in its first year, from the shares of the model itself; empty where nothing is to be said."""
    wear = found.wear
    if wear is None or found.years_to_end <= 0.0:
        return ""
    shelf_years = found.scenario.bank.calendar_years
    cell = measures.temp(found.cell_mean_c)
    if found.ended_by == "calendar":
        heat = (
            f"{wear.shelf_heat:.1f} times as fast as at {measures.temp(25.0)}, for the hours in which its cells are warmer "
            f"({cell} on average on the route)"
            if wear.shelf_heat >= 1.05
            else "out, and heat hardly hastens it"
        )
        return (
            f"What wears it: time; its float life of {shelf_years:g} years runs {heat}. The cycles alone would let it last "
            "longer."
        )
    plain = wear.damage / wear.cycle_heat
    depths = [
        (count * (low + high), low, high)
        for low, high, count in zip(DEPTH_EDGES_FRAC, DEPTH_EDGES_FRAC[1:], found.years[0].histogram, strict=False)
    ]
    _, low, high = max(depths)
    said = [
        f"its cycles, most of the charge in swings {low:.0%} to {high:.0%} deep, by themselves take {plain:.0%} of its life a "
        f"year ({found.years[0].full_cycles:.0f} full cycles)"
    ]
    if wear.partial_weight >= 1.05:
        said.append(
            f"going up to {found.longest_below_full_days:.0f} days without a full charge makes that {wear.partial_weight:.1f} "
            "times as much"
        )
    if wear.cycle_heat >= 1.05:
        said.append(f"warm cells ({cell} on average) {wear.cycle_heat:.1f} times")
    most = max((wear.partial_weight, "charging it fully more often"), (wear.cycle_heat, "a cooler place"), (1.3, SHALLOWER))[1]
    cure = f" What would help most: {most}."
    return f"What wears it: {either(said, 'and')}.{cure}"


def _flat(found: Life) -> str:
    if found.first_flat_year is None:
        return "The route has no flat day in any year of its life."
    if found.first_flat_year == 1:
        return "The route has flat days from the first year on: flatdays run says why."
    return f"The route first has a flat day in year {found.first_flat_year}, when the bank has shrunk."


def _years(found: Life) -> Iterator[str]:
    yield "Year by year (as each begins)"
    yield from text_table(
        ("year", "charge left", "resistance", "flat days", "lowest charge", "full cycles", "kWh delivered"),
        [
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
        ],
    )


def _years_words(years: float) -> str:
    """Years in words; no law is followed beyond its horizon."""
    return f"over {HORIZON_YEARS:.0f} years" if years >= HORIZON_YEARS else f"{years:.1f} years"


def _depths(found: Life) -> Iterator[str]:
    counts = found.mean("histogram")
    most = max(float(counts.max()), 1e-9)
    yield "Cycles a year by depth"
    yield from text_table(
        ("depth", "cycles", ""),
        [
            (f"{low:.0%}-{high:.0%}", f"{count:.0f}", "#" * round(BAR_CELLS * float(count) / most))
            for low, high, count in zip(DEPTH_EDGES_FRAC, DEPTH_EDGES_FRAC[1:], counts, strict=False)
        ],
    )


def life_lines(found: Life, measures: Measures = METRIC) -> list[str]:
    """The whole answer, a line each: the verdict first."""
    lines: list[str] = [
        found.scenario.title,
        "",
        Line(verdict(found)),
        *filter(None, [wear_words(found, measures)]),
        _flat(found),
        *far_sentences(found.scenario, measures),
        "",
    ]
    lines += [
        f"Cycles: {found.full_cycles_per_year:.0f} full and {found.counted_cycles_per_year:.0f} counted cycles a year; "
        f"{found.delivered_kwh:,.0f} kWh delivered at its terminals over its life",
        f"  {measures.sentence(found.assumption)}",
        "By each model alone: " + "; ".join(f"{name} {_years_words(years)}" for name, years in found.model_years.items()),
        "",
        *_years(found),
        "",
        *_depths(found),
        "",
        "What the figures rest on",
        *(f"  - {measures.sentence(card)}" for card in CARDS["lfp" if found.scenario.bank.chemistry == "lfp" else "lead"]),
    ]
    if found.notes:
        lines += ["Note", *(f"  - {measures.sentence(note)}" for note in found.notes)]
    return [*lines, *caution_lines(cautions_of([found.scenario]), measures)]
