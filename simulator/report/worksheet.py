"""The hand calculation beside the simulation, and the advice on bus voltage and inverter, in words for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from simulator.report.layout import text_table
from simulator.report.measures import METRIC, Measures
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.studies.advice import Advice
from simulator.studies.worksheet import GOOD_RATIO, SAFE_RATIO, Worksheet


def _units(count: int) -> str:
    return "1 unit" if count == 1 else f"{count} units"


def verdict(found: Worksheet) -> str:
    """Hand and simulation in two sentences."""
    bank = found.scenario.bank
    string = "" if bank.in_series == 1 else f", each {bank.in_series} in series"
    by_hand, flat, flat_hand = found.hand_parallel, len(found.outcome.flat_days), found.flat_days_hand
    same = by_hand == bank.in_parallel
    first = (
        f"By hand this load asks for {_units(by_hand)} of {bank.unit_ah:g} Ah in parallel{string}; "
        f"{'just what is proposed' if same else f'{_units(bank.in_parallel)} are proposed'}."
        if bank.in_parallel != 1 or same
        else f"By hand this load asks for {_units(by_hand)} of {bank.unit_ah:g} Ah in parallel{string}; 1 unit is proposed."
    )
    days = plural(found.outcome.timeline.days, "day")
    second = f"Simulated, the bank as proposed runs flat on {flat} of {days}"
    third = "" if same else f", and the bank by hand on {flat_hand}"
    return f"{first} {second}{third}."


def _hand(found: Worksheet, measures: Measures) -> Iterator[str]:
    bus_v = found.scenario.vehicle.bus_v
    terms = {
        "days": found.unadjusted_ah / found.depth_frac,
        "daily": found.daily_ah / found.daily_depth_frac,
        "end": found.unadjusted_ah / found.end_frac,
    }
    rows = [
        ("load of a day", f"{found.daily_wh:,.0f} Wh", "the audit below, at the bus"),
        ("in ampere-hours", f"{found.daily_ah:,.0f} Ah", f"/ {bus_v} V"),
        ("days without sun", f"{found.autonomy_days:g}", f"{found.unadjusted_ah:,.0f} Ah in all"),
        ("for the depth allowed", f"{terms['days']:,.0f} Ah", f"/ {found.depth_frac:.0%}, the planning share"),
        ("for a day's depth", f"{terms['daily']:,.0f} Ah", f"one day / {found.daily_depth_frac:.0%}"),
        ("for its end of life", f"{terms['end']:,.0f} Ah", f"/ {found.end_frac:.0%} of the capacity left"),
        ("x cold", f"{found.temperature_factor:.2f}", f"coldest cells {measures.temp(found.coldest_c)}"),
        ("x margin", f"{1.0 + found.margin:.2f}", ""),
        ("bank by hand", f"{found.adjusted_ah:,.0f} Ah", f"largest of the three x both: {_units(found.hand_parallel)}"),
    ]
    width = max(len(row[0]) for row in rows), max(len(row[1]) for row in rows)
    for name, value, how in rows:
        yield f"  {name.ljust(width[0])}  {value.rjust(width[1])}  {how}".rstrip()


def _beside(found: Worksheet) -> Iterator[str]:
    bank, outcome = found.scenario.bank, found.outcome
    autonomy = outcome.autonomy_days
    years: list[tuple[str, str, str]] = []
    worn_years = f"{found.end_frac:.0%} of its capacity"
    if found.many is not None:
        proposed, by_hand, worn = found.many.flat_days
        count = len(found.many.year_names)
        years = [
            (f"flat days, average of {plural(count, 'year')}", f"{proposed.mean():.1f}", f"{by_hand.mean():.1f}"),
            ("flat days, worst of them", str(proposed.max()), str(by_hand.max())),
            (f"flat days, worst of them, at {worn_years}", str(worn.max()), "-"),
        ]
    yield from text_table(
        ("", f"as proposed ({_units(bank.in_parallel)})", f"by hand ({_units(found.hand_parallel)})"),
        [
            ("flat days, simulated", str(len(outcome.flat_days)), str(found.flat_days_hand)),
            (f"flat days at {worn_years}", str(found.flat_days_worn), "-"),
            *years,
            ("lowest charge, simulated", f"{outcome.lowest[0]:.0%}", f"{found.lowest_soc_hand:.0%}"),
            ("days without sun, simulated", "more than the trip" if autonomy is None else f"{autonomy:.1f}", "-"),
            (
                "days without sun, by hand",
                f"{found.hand_days:.1f}",
                f"{found.hand_days * found.hand_parallel / bank.in_parallel:.1f}",
            ),
        ],
    )
    if found.many is None:
        yield (
            "  Simulated on one year of weather, as flatdays run does, and such a year is usually a kind one: --years 20 puts "
            "many beside it."
        )


def _sun(found: Worksheet) -> Iterator[str]:
    def ratio(value: float | None) -> str:
        return "-" if value is None else f"{value:.2f}"

    yield from text_table(
        ("stop", "sun, kWh/m2 a day", "array / load by hand", "simulated"),
        [(stop.name, f"{stop.sun_kwh_m2_day:.1f}", ratio(stop.array_to_load), ratio(stop.harvest_ratio)) for stop in found.stops],
    )
    yield (
        f"  By hand {GOOD_RATIO:g} or more where a gap may be borne, {SAFE_RATIO:g} or more where it may not (IEEE 1562, from "
        "memory). Simulated: with all losses and chargers."
    )


def advice_lines(found: Advice) -> Iterator[str]:
    """Bus voltage and inverter, a line each."""
    yield "Bus voltage and inverter"
    yield from (f"  - {sentence}" for sentence in found.findings)
    if found.running_w > 0.0:
        yield (
            f"  Running at once: {found.running_w:,.0f} W of AC, {found.surge_w:,.0f} W for seconds while the heaviest starts; "
            f"DC appliances {found.dc_running_w:,.0f} W."
        )
        yield from text_table(
            ("bus", "running", "at a start", "loss in the same cable", "converter to 12 V", "its loss a day"),
            [
                (
                    f"{line.bus_v} V" + (" (as it is)" if line.bus_v == found.bus_v else ""),
                    f"{line.current_a:,.0f} A",
                    f"{line.surge_a:,.0f} A",
                    "as it is at 12 V" if line.bus_v == 12 else f"1/{1 / line.loss_times:.0f} of it",
                    "none" if line.converter_w == 0.0 else f"{line.converter_w:,.0f} W",
                    "-" if line.converter_w == 0.0 else f"{line.converter_wh_per_day:,.0f} Wh",
                )
                for line in found.buses
            ],
        )
        yield (
            "  Twice the volts: half the amperes, so cables and fuses may be smaller and lose a quarter; a fault drives just as "
            "large a current."
        )
    if found.rules:
        yield "  Rules of the trade (common practice, no source) beside what is computed"
        for rule in found.rules:
            yield f"  - {rule.rule}: asks for {rule.asks}; computed {rule.computed}{'' if rule.fits else ' (they differ)'}"


def worksheet_lines(found: Worksheet, measures: Measures = METRIC) -> list[str]:
    """The whole answer, a line each, the verdict first."""
    lines = [
        found.scenario.title,
        "",
        verdict(found),
        *far_sentences(found.scenario, measures),
        "",
        "By hand",
        *_hand(found, measures),
        "",
        "Beside the simulation",
        *_beside(found),
    ]
    if found.scenario.arrays:
        lines += ["", "Sun", *_sun(found)]
    if found.reasons:
        lines += ["", "Why they differ", *(f"  - {measures.sentence(reason)}" for reason in found.reasons)]
    lines += ["", "Audit, Wh a day at the bus"]
    lines += text_table(("what", "Wh a day"), [(name, f"{wh:,.0f}") for name, wh in found.audit])
    return [*lines, "", *advice_lines(found.advice), "", *caution_lines(found.cautions, measures)]
