"""The answer in words and tables, for a terminal and for somebody without an engineering degree."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

from simulator.battery import kernel as k
from simulator.outcome import SPILLED, THIN_RATIO, WASTE_FRAC, FlatDay, Outcome, Refill
from simulator.reasons import looked_back_words
from simulator.report import layout
from simulator.report.layout import Line
from simulator.report.measures import METRIC, Measures
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario
from simulator.weather.doubts import far_weather

text_table = layout.text_table

CAUSE_WORDS = {
    "cold": "the cells were too cold to be charged, or to give anything",
    "snow": "snow lay on the panels",
    "shade": "trees took the sun",
    "controller": "the charge controller held back what the panels could give",
    "acceptance": "the bank could not take the charge fast enough",
    "voltage": "the voltage fell too low under load, with charge left in the bank",
    "structural": "over the days before, sun and chargers brought less than the load took",
    "buffer": "the dark spell was longer than the bank carries",
}
SPILL_WORDS = {
    "controller": "held back by the controller",
    "full": "the bank was full",
    "acceptance": "the bank was nearly full and took it slowly",
    "charge_limit": "above the bank's charge limit",
    "cold": "refused in the cold",
    "hot": "refused in the heat",
    "high_voltage": "refused by the electronics, chargers set too high",
}
PROTECTION_WORDS = {
    "cold_charge": "too cold to be charged",
    "hot_charge": "too hot to be charged",
    "cold_discharge": "too cold to give anything",
    "hot_discharge": "too hot to give anything",
    "low_charge": "empty, supply ended",
    "low_voltage": "voltage too low under load, supply ended",
    "high_voltage": "chargers set too high, charging ended",
    "inverter_voltage": "voltage too low for the inverter, AC side off",
    "discharge_current": "more asked for than it may deliver",
    "charge_current": "more offered than it may take",
}
PROTECTION_COSTS = dict.fromkeys(PROTECTION_WORDS, "of all load missed") | {
    "cold_charge": "of charge on offer refused",
    "hot_charge": "of charge on offer refused",
    "high_voltage": "of charge on offer refused",
    "charge_current": "of sun spilled",
}
MAX_FLAT_ROWS = 31
MOST_FAR = 3
"""Stops with weather from afar that are named."""
MOST_REASONS = 6
"""Runs of flat days whose ledger is told; the page and the summary have all."""
LEAST_TOLD_WH = 0.5
"""Less than this missed is rounding."""
FEW_YEARS = 5.0
"""Shorter lives are told to a tenth of a year."""
TOO_SMALL = "the bank is too small: full, it does not carry even one day of this load"
NOTHING_CHARGES = "nothing charges it on this trip"
DECIDING = (
    "[[array]]:",
    "[alternator]:",
    "[bank] cutoff_soc",
    "[vehicle] standing_draw_w",
    "[inverter] idle_w",
    "[[array]] soiling_frac",
    "[bank] place",
    "[bank] usable_frac",
    "[bank] charge_limit_a",
    "[bank] charge_min_c",
    "weather temp_c",
    "[generator] start_soc",
    "[[appliance]] power_w",
    "[bank] soh_start",
)
"""Defaults that move the answer most, the first ones most; the rest is told on request (common practice, no source)."""
MOST_DECIDING = 5
ENDED_WORDS = {"cycles": "use", "calendar": "age"}
LIFT_WORDS = {
    "cold": "cells always warm enough to be charged",
    "snow": "panels kept free of snow",
    "shade": "parked out of the trees",
    "controller": "a larger (or MPPT) charge controller",
    "acceptance": "a bank that takes any charge at once",
    "voltage": "a voltage that never falls too low under load",
}


def plural(count: int, word: str) -> str:
    """The count and its word."""
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _wh(value: float) -> str:
    return f"{value / 1000:,.1f} kWh" if abs(value) >= 10_000 else f"{value:,.0f} Wh"


def verdict(outcome: Outcome) -> str:
    """The answer in one sentence."""
    days = outcome.timeline.days
    flat = len(outcome.flat_days)
    bank = outcome.scenario.bank
    units = bank.in_series * bank.in_parallel
    name = f"{units} x {bank.unit_ah:g} Ah {bank.chemistry_name}"
    if flat == 0:
        thin = int(outcome.thin.sum())
        tail = f", though {plural(thin, 'day')} came close" if thin else ""
        return f"This bank ({name}) carries the whole trip of {plural(days, 'day')} without running flat{tail}."
    first = outcome.flat_days[0]
    causes = [day.cause for day in outcome.flat_days]
    main = max(dict.fromkeys(causes), key=causes.count)
    mostly = "because" if len(set(causes)) == 1 else "mostly because"
    return (
        f"This bank ({name}) runs flat on {flat} of {plural(days, 'day')}, first on {first.date:%d %B %Y} at {first.stop}, "
        f"{mostly} {cause_words(outcome, main)}."
    )


def standing(outcome: Outcome) -> str:
    """``flat``, ``thin`` (days came close, or a little more load or less sun makes one flat) or ``good``."""
    counts = outcome.flat_day_counts
    if counts["base"]:
        return "flat"
    return "thin" if outcome.thin.any() or counts["load +20 %"] or counts["sun -15 %"] else "good"


def cause_words(outcome: Outcome, cause: str, day: int | None = None) -> str:
    """The cause in words that hold for a flat day; left out: for the first one with that cause."""
    if day is None:
        day = next((flat.day for flat in outcome.flat_days if flat.cause == cause), None)
    if cause == "structural":
        charged = outcome.charger_a.any() or outcome.other_w.any() or outcome.hours[:, k.SUN_OFFERED_WH].any()
        if not charged:
            return NOTHING_CHARGES
        if day is not None:
            when = looked_back_words(*outcome.looked_back(day), "over the {} days before")
            return f"{when}, sun and chargers brought less than the load took"
    if cause == "buffer" and day is not None and not outcome.carries_day(day):
        return TOO_SMALL
    return CAUSE_WORDS[cause]


def medical_sentences(outcome: Outcome) -> list[str]:
    """One for every appliance marked medical: the hours it goes without come before all else."""
    said = []
    for line in outcome.medical:
        name = f'Medical: "{line.name}"'
        if line.asked_h <= 0.0:
            said.append(f"{name} never asks anything of the bank on this trip.")
            continue
        which = "more h" if line.dark_h > 0.0 else "of them"
        tail = (
            f" In {line.overload_h:.0f} {which} bank or inverter are asked for too much at once, which may cut it off too."
            if line.overload_h
            else ""
        )
        if line.dark_h <= 0.0:
            said.append(
                f"{name} has power in all {line.asked_h:,.0f} h it asks for it, in this weather; never rely on one bank alone."
                f"{tail}"
            )
            continue
        moment = outcome.local(outcome.timeline.utc[line.first_hour])
        said.append(
            f"{name} is without power for {line.dark_h:,.1f} h on {plural(line.days, 'day')}, first on {moment:%d %B %Y} about "
            f"{moment:%H:%M}; it needs a second supply.{tail}"
        )
    return said


def _runs(days: tuple[FlatDay, ...]) -> Iterator[list[FlatDay]]:
    """Flat days that follow each other at one stop for one cause, together."""
    for _, group in groupby(enumerate(days), key=lambda item: (item[1].day - item[0], item[1].stop, item[1].cause)):
        yield [day for _, day in group]


def _ratio(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def ratio_words(value: float | None, sun: float | None) -> str:
    """What a harvest ratio means, and what that of the sun alone does where it means less."""
    if value is None:
        return "no load"
    if value < 1.0:
        return "less comes in than goes out: a bigger bank lasts longer, but not for good"
    if sun is not None and sun < 1.0:
        with_all = "thin even" if value < THIN_RATIO else "enough"
        alone = "the sun alone is too little" if sun > 0.0 else "no sun comes in"
        return f"{with_all} with the chargers, used whenever they may be; {alone}"
    if value < THIN_RATIO:
        return "thin: little is left for a dark spell"
    return "enough over the whole stay" + ("; thin by the sun alone" if sun is not None and sun < THIN_RATIO else "")


def _harvest(outcome: Outcome) -> Iterator[str]:
    yield "What could come in, as a multiple of what the load takes (harvest ratio)"
    sun = outcome.sun_ratio_by_stop
    yield from text_table(
        ("stop", "ratio", "by sun alone", ""),
        [
            (name, _ratio(ratio), _ratio(sun[name]), ratio_words(ratio, sun[name]))
            for name, ratio in outcome.harvest_ratio_by_stop.items()
        ],
    )
    months = outcome.harvest_ratio_by_month
    yield "  by month: " + ", ".join(f"{name} {_ratio(ratio)}" for name, ratio in months.items())


def _flat(outcome: Outcome) -> Iterator[str]:
    flat = outcome.flat_days
    if not flat:
        yield "Flat days: none"
    else:
        yield f"Flat days: {len(flat)} ({plural(outcome.flat_nights, 'flat night')}, counted noon to noon)"
        runs = list(_runs(flat))
        rows = [
            (
                f"{run[0].date:%d %b %Y}" if len(run) == 1 else f"{run[0].date:%d %b} - {run[-1].date:%d %b %Y}",
                run[0].stop,
                str(len(run)),
                f"{sum(day.dark_h for day in run):.1f}",
                f"{sum(day.missed_wh for day in run):,.0f}",
                run[0].cause,
            )
            for run in runs[:MAX_FLAT_ROWS]
        ]
        yield from text_table(("when", "stop", "days", "dark hours", "essential Wh missed", "cause"), rows)
        if len(runs) > MAX_FLAT_ROWS:
            yield f"  ... and {len(runs) - MAX_FLAT_ROWS} more runs; days.csv lists every day (--out FOLDER)"
        for cause in dict.fromkeys(day.cause for day in flat):
            yield f"  {cause}: {cause_words(outcome, cause)}"
        for run in runs[:MOST_REASONS]:
            yield f"  {run[0].date:%d %b}: {outcome.reason_of_day(run[0].day).sentence}"
        yield f"Outages: {len(outcome.outages)}, the longest {max(outage.dark_h for outage in outcome.outages):.1f} h dark"
    thin = int(outcome.thin.sum())
    why = "below the planning line, or less than a day's essential load left"
    yield f"Thin days: {thin} ({why})" if thin else "Thin days: none"
    if outcome.overload_wh > LEAST_TOLD_WH:
        yield f"Overload: {_wh(outcome.overload_wh)} of load were {overload_words(outcome)} (not counted as flat)"
    yield from _priorities(outcome)


def overload_words(outcome: Outcome) -> str:
    """Which limit refused load while the bank was not empty."""
    by_bank = outcome.ledger["missed_overload_wh"] > LEAST_TOLD_WH
    by_inverter = outcome.ledger["refused_by_inverter_wh"] > LEAST_TOLD_WH
    which = "bank and inverter" if by_bank and by_inverter else "the inverter" if by_inverter else "the bank"
    tripped = f", tripped by {', '.join(outcome.load.overload_names)}" if by_inverter and outcome.load.overload_names else ""
    return f"above what {which} may deliver at once{tripped}"


def _priorities(outcome: Outcome) -> Iterator[str]:
    """What comfort and luxury went without, when they did."""
    spared = [line for line in outcome.priorities[1:] if line.missed_wh > LEAST_TOLD_WH]
    for line in spared:
        yield f"{line.name.capitalize()} went without {_wh(line.missed_wh)}, in {line.hours:.0f} hours (switched off or dark)"
    every = int(outcome.flat_for_all_load.sum())
    if spared and every != len(outcome.flat_days):
        yield f"Counting comfort and luxury like essential load: {plural(every, 'flat day')}"


def cures(outcome: Outcome) -> list[tuple[str, int]]:
    """Single changes and the flat days each leaves, best first; of the lifted constraints only those that help."""
    counts = outcome.flat_day_counts
    base = counts["base"]
    found = [(name.removeprefix("mend "), count) for name, count in counts.items() if name.startswith("mend ")]
    found += [(words, counts[f"lift {name}"]) for name, words in LIFT_WORDS.items() if counts.get(f"lift {name}", base) < base]
    return sorted(found, key=lambda item: item[1])


def cure_sentence(outcome: Outcome) -> str | None:
    """The best single change in a sentence; None when no day is flat."""
    if not outcome.flat_days:
        return None
    tried = cures(outcome)
    least = tried[0][1]
    if least >= len(outcome.flat_days):
        return "No single change that was tried ends any of them; flatdays remedies tries more, and two at a time."
    names = [name for name, count in tried if count == least]
    words = names[0] if len(names) == 1 else ", or ".join((", ".join(names[:-1]), names[-1]))
    return (
        f"What gets it through this trip: {words}."
        if least == 0
        else f"No single change that was tried ends them all. What helps most: {words} ({plural(least, 'flat day')} left)."
    )


def _what_if(outcome: Outcome) -> Iterator[str]:
    counts = outcome.flat_day_counts
    yield f"If the load is 20 % more than written: {plural(counts['load +20 %'], 'flat day')}"
    if outcome.scenario.arrays:
        yield f"If the sun is 15 % less than this weather: {plural(counts['sun -15 %'], 'flat day')}"
    if outcome.flat_days:
        yield "What would mend it (one change at a time, the whole trip run again)"
        yield from text_table(("change", "flat days left"), [(name, str(count)) for name, count in cures(outcome)])


def charger_words(refill: Refill) -> str:
    """Amperes of a charger; those of an engine are fewer than its charger's, which does not charge all the while it drives."""
    return f"{refill.charger_a:.3g} A{' on average while driving' if refill.source == 'alternator' else ''}"


def _bank(outcome: Outcome, measures: Measures) -> Iterator[str]:
    carries = outcome.autonomy_days
    if carries is None:
        days = plural(outcome.timeline.days, "day")
        yield f"Without sun or charger the full bank carries this load beyond the {days} of the trip"
    else:
        yield f"Without sun or charger the full bank carries this load for {carries:.1f} days from the start of the trip"
    for refill in outcome.refills:
        share = f"from {refill.from_soc:.0%} to {refill.to_soc:.0%}"
        took = "not within 20 days" if refill.hours is None else f"{refill.hours:.1f} h"
        trip = "never on offer on this trip" if refill.offered_h <= 0.0 else f"on offer for {refill.offered_h:.0f} h of this trip"
        yield f"To refill {share} by {refill.source} ({charger_words(refill)}): {took}; {trip}"
    soc, hour = outcome.lowest
    moment = outcome.local(outcome.timeline.utc[hour])
    stop = outcome.scenario.stops[int(outcome.timeline.stop[hour])].name
    yield f"Lowest charge: {soc:.0%} on {moment:%d %B %Y} about {moment:%H:%M} at {stop}"
    yield f"Longest stretch without a full bank: {outcome.longest_without_full:.1f} days"
    totals = outcome.hours.sum(axis=0)
    offered = totals[k.SUN_OFFERED_WH]
    if offered > 0.0:
        yield f"Sun: {_wh(offered)} offered, {_wh(totals[k.SUN_USED_WH])} used"
        for name, column in SPILLED.items():
            if totals[column] > 0.005 * offered:
                yield f"  {_wh(totals[column])} lost: {SPILL_WORDS[name]}"
    yield from _protections(outcome, measures)
    if totals[k.GENERATOR_H] > 0.0:
        fuel = measures.litres(outcome.generator_litres)
        yield f"Generator: {totals[k.GENERATOR_H]:.1f} h, {_wh(totals[k.GENERATOR_WH])}, about {fuel} of fuel"
    life = outcome.life
    low, high = life.band_years
    years = f"{life.life_years:.{0 if life.life_years >= FEW_YEARS else 1}f}"
    yield (
        f"Cycles: {life.full_cycles_per_year:.0f} full and {life.counted_cycles_per_year:.0f} counted cycles a year; life about "
        f"{years} years ({low:.0f} to {high:.0f} by the published models), ended by {ENDED_WORDS[life.ended_by]}"
    )
    yield f"  {measures.sentence(life.assumption)}"
    if outcome.waste > WASTE_FRAC:
        yield f"Waste: the inverter's idle draw is {outcome.waste:.0%} of the load; switch it off while nothing runs on it"


def _protections(outcome: Outcome, measures: Measures) -> Iterator[str]:
    acted = [act for act in outcome.protections if act.times]
    if acted:
        yield "Protections that acted"
    for act in acted:
        moment = outcome.local(outcome.timeline.utc[act.first_hour])
        cost = f", {_wh(act.wh)} {PROTECTION_COSTS[act.name]}" if act.wh >= 1.0 else ""
        yield (
            f"  {PROTECTION_WORDS[act.name]}: {plural(act.times, 'time')}, {act.hours:.1f} h{cost}; first on {moment:%d %b %Y}, "
            f"longest {act.longest_h:.1f} h"
        )
    yield from (Line(f"Warning: {measures.sentence(warning)}", "warning") for warning in outcome.warnings)


def _stops(outcome: Outcome) -> Iterator[str]:
    yield "Stop by stop"
    yield from text_table(
        ("stop", "days", "load Wh/day", "sun Wh/day", "lowest charge", "flat days"),
        [
            (
                line.name,
                str(line.days),
                f"{line.load_wh_per_day:,.0f}",
                f"{line.sun_wh_per_day:,.0f}",
                f"{line.lowest_soc:.0%}",
                str(line.flat_days),
            )
            for line in outcome.stop_lines
        ],
    )


def far_sentences(scenario: Scenario, measures: Measures = METRIC) -> list[str]:
    """One on the stops whose weather comes from so far away that the answer is in doubt; none where all is near."""
    far = far_weather(scenario)
    if not far:
        return []
    told = [
        f'stop {each.stop.number} "{each.stop.name}" has that of {each.name}, {measures.distance(each.km, 0)} away'
        for each in far
    ]
    more = f", and {plural(len(far) - MOST_FAR, 'more stop')} have theirs from afar" if len(far) > MOST_FAR else ""
    return [f"In doubt, for the weather comes from afar: {'; '.join(told[:MOST_FAR])}{more}."]


def caution_lines(cautions: Iterable[str], measures: Measures = METRIC) -> list[str]:
    """What can hurt somebody, at the end of every answer."""
    return ["Caution", *(f"  - {measures.sentence(caution)}" for caution in cautions)]


def assumptions(outcome: Outcome, every: bool = False) -> list[str]:
    """Defaults that were taken, those that move the answer most first; only these few unless ``every`` one is asked for."""
    taken = outcome.scenario.defaults_used
    first = list(DECIDING)
    if float(outcome.hours[:, k.LOCKED_H].sum()) > 0.0:
        # The cold did act: its limit decides more than all else.
        first.insert(0, "[bank] charge_min_c")
    ranked = [default for start in dict.fromkeys(first) for default in taken if default.startswith(start)]
    return ranked + [default for default in taken if default not in ranked] if every else ranked[:MOST_DECIDING]


def _small_print(outcome: Outcome, measures: Measures, every_assumption: bool) -> Iterator[str]:
    if len(outcome.weather_sources) == 1:
        yield f"Weather: {measures.sentence(outcome.weather_sources[0])}"
    else:
        yield "Weather"
        yield from (f"  - {measures.sentence(source)}" for source in outcome.weather_sources)
    if outcome.notes:
        yield "Note"
        yield from (f"  - {measures.sentence(note)}" for note in outcome.notes)
    shown = assumptions(outcome, every_assumption)
    left = len(outcome.scenario.defaults_used) - len(shown)
    if shown:
        yield "Taken where nothing was written, with the key to write your own"
        yield from (f"  - {measures.sentence(default)}" for default in shown)
    if left:
        yield f"  {left} {'more were' if shown else 'usual values were'} taken: --assumptions lists all of them, as does the page"
    yield from caution_lines(cautions_of([outcome.scenario]), measures)


def answer_lines(outcome: Outcome, measures: Measures = METRIC, *, every_assumption: bool = False) -> list[str]:
    """The whole answer, a line each: the verdict first, then what a person asks next.

    Parameters
    ----------
    outcome : what a run found.
    measures : units of what is read.
    every_assumption : list all defaults that were taken, not only those that move the answer most.
    """
    lines: list[str] = [outcome.scenario.title, "", Line(verdict(outcome), standing(outcome))]
    lines += [Line(sentence, "warning") for sentence in (*medical_sentences(outcome), *far_sentences(outcome.scenario, measures))]
    if cure := cure_sentence(outcome):
        lines.append(cure)
    parts = (
        _harvest(outcome),
        _flat(outcome),
        _what_if(outcome),
        _bank(outcome, measures),
        _stops(outcome),
        _small_print(outcome, measures, every_assumption),
    )
    for part in parts:
        lines += ["", *part]
    return lines
