"""What stands in the sections of the page, as plain words and numbers; the template only lays it out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np

from simulator.battery import kernel as k
from simulator.outcome import CAUSES, SPILLED, FlatDay, Outage, Outcome
from simulator.report import pictures
from simulator.report.measures import METRIC, Measures
from simulator.report.tables import LIFT_WORDS, PROTECTION_COSTS, PROTECTION_WORDS, SPILL_WORDS, cause_words, charger_words, cures
from simulator.report.words import clock_text, date_text, short_span_text, wh_text, whole_text
from simulator.scenario.parts import PRIORITIES, Scenario
from simulator.units import SECONDS_PER_HOUR

CAUSE_CURES = {
    "cold": "Bring the bank inside, insulate and warm its box, or fit a heater that runs before the sun comes.",
    "snow": "Brush the panels in the morning, tilt them steeply, or have a charger that needs no sun.",
    "shade": "Park in the open, or carry a panel on a cable that can be put into the sun.",
    "controller": "Fit a controller for more current, or one that follows the panels' best voltage (MPPT).",
    "voltage": "More units side by side sag less; so do smaller loads at once, and an inverter that asks for fewer volts.",
    "acceptance": "More units side by side take more current; start charging earlier in the day: the last part goes in slowly.",
    "structural": "More panels, less load, or regular hookups, drives or generator hours. A larger bank only delays the dark.",
    "buffer": "A larger bank, another charger for the dark spell, or load that can wait for the sun.",
}
"""What mends each cause, in a sentence."""


@dataclass(frozen=True)
class Bar:
    """One line of a table of amounts: words, number, and the length of its bar (0..1)."""

    kind: str
    words: str
    number: str
    share: float
    more: str = ""


@dataclass(frozen=True)
class Spell:
    """One row of flat days or outages."""

    when: str
    stop: str
    days: int
    dark_h: float
    missed_wh: float
    cause: str


def _sentence(words: str) -> str:
    """A sentence that begins and ends like one."""
    return f"{words[0].upper()}{words[1:]}."


def opened_day(outcome: Outcome, day: int, measures: Measures = METRIC) -> dict[str, Any]:
    """The day with its pictures, a sentence, and its hours as a table."""
    clock = outcome.timeline
    base = outcome.days[0, day]
    found = next((flat for flat in outcome.flat_days if flat.day == day), None)
    stop = outcome.scenario.stops[int(clock.day_stop[day])].name
    when = f"{clock.dates[day]:%A}, {date_text(clock.dates[day])}"
    if found is None:
        words = f"No day is flat. Closest came {when}, at {stop}: the charge went down to {base[k.DAY_LOWEST_SOC]:.0%}."
    else:
        words = (
            f"{when}, at {stop}: {found.dark_h:.1f} h dark; {wh_text(found.missed_wh)} of the day's "
            f"{wh_text(base[k.DAY_LOAD_WH])} went unserved, because {cause_words(outcome, found.cause, found.day)}. "
            f"{_sentence(outcome.reason_of_day(day).sentence)}"
        )
    rows = []
    for hour in np.flatnonzero(clock.local_day == day):
        row = outcome.hours[hour]
        flags = [
            name
            for name, there in (
                ("dark", row[k.DARK_H] > 0.0),
                ("too cold to charge", row[k.LOCKED_H] > 0.0),
                ("hookup", clock.hookup[hour]),
                ("driving", clock.driving_frac[hour] > 0.0),
                ("generator", row[k.GENERATOR_H] > 0.0),
            )
            if there
        ]
        amounts = (
            row[k.LOAD_WH],
            row[k.SUN_OFFERED_WH],
            row[k.SUN_USED_WH],
            row[pictures.OTHER_COLUMNS].sum(),
            row[k.CHARGED_WH] - row[k.DISCHARGED_WH],
            row[k.ESSENTIAL_DARK_WH],
        )
        cells, _, _ = measures.temp(float(row[k.CELL_END_C])).partition(" ")
        rows.append(
            (
                clock_text(float(clock.local_hour[hour])),
                *(whole_text(amount) for amount in amounts),
                f"{row[k.SOC_END]:.0%}",
                cells,
                ", ".join(flags),
            )
        )
    plots = pictures.day_plots(outcome, day)
    return {
        "words": words,
        "flat": found is not None,
        "before": day > 0,
        "plots": plots,
        "rows": rows,
        "cells_head": f"Cells {measures.temp(0.0).partition(' ')[2]}",
    }


def _bars(parts: Sequence[tuple[str, str, float]], total: float) -> list[Bar]:
    return [
        Bar(kind, words, wh_text(value), value / total if total > 0.0 else 0.0, f"{value / total:.1%}" if total > 0.0 else "")
        for kind, words, value in parts
        if value >= 0.5
    ]


def energy(outcome: Outcome) -> dict[str, Any]:
    """The ledger as two lists that add up to the same, and what was asked for in vain."""
    t = outcome.ledger
    stored = t["stored_more_wh"]
    came = [
        ("sun", "sun on the panels, as the controller could take it", t["solar_offered_wh"]),
        ("other", "hookup", t["shore_wh"]),
        ("other", "engine while driving", t["driving_wh"]),
        ("other", "generator", t["generator_wh"]),
        ("other", "other sources", t["other_sources_wh"]),
        ("bank", "taken from the bank's store", -stored),
    ]
    went = [
        ("load", "load served", t["load_served_wh"]),
        ("loss", "the bank's own electronics", t["standby_wh"]),
        ("loss", "the bank's heater", t["heater_wh"]),
        *(("spilled", f"sun left over: {SPILL_WORDS[name]}", t[f"spilled_{name}_wh"]) for name in SPILLED),
        ("loss", "lost in cells and wires as heat", t["loss_resistance_wh"]),
        ("loss", "lost by charging", t["loss_charging_wh"]),
        ("loss", "lost by standing", t["loss_self_discharge_wh"]),
        ("bank", "more in the bank than at the start", stored),
    ]
    missed = [
        ("missed", "the bank was at its cut-off", t["missed_dark_wh"]),
        ("missed", "switched off to save the rest", t["missed_switched_off_wh"]),
        ("missed", "more than the bank may deliver at once", t["missed_overload_wh"]),
        ("missed", "more than the inverter may deliver at once", t["refused_by_inverter_wh"]),
    ]
    total = sum(value for _, _, value in came if value > 0.0)
    return {
        "came": _bars(came, total),
        "went": _bars(went, total),
        "missed": _bars(missed, float(outcome.hours[:, k.LOAD_WH].sum())),
        "total": wh_text(total),
        "closure": f"{outcome.closure:.0e}",
    }


def audit(outcome: Outcome) -> list[Bar]:
    """What uses the energy, the largest first."""
    rows = sorted(outcome.load.audit, key=lambda row: -row.wh_per_day)
    total = sum(row.wh_per_day for row in rows)
    return [
        Bar("load", row.name, wh_text(row.wh_per_day), row.wh_per_day / total if total > 0.0 else 0.0, PRIORITIES[row.priority])
        for row in rows
    ]


def _spells(days: Sequence[FlatDay]) -> list[Spell]:
    """Flat days that follow each other at one stop for one cause, as one row."""
    rows = []
    for _, group in groupby(enumerate(days), key=lambda item: (item[1].day - item[0], item[1].stop, item[1].cause)):
        run = [day for _, day in group]
        dark_h, missed_wh = sum(day.dark_h for day in run), sum(day.missed_wh for day in run)
        rows.append(Spell(short_span_text(run[0].date, run[-1].date), run[0].stop, len(run), dark_h, missed_wh, run[0].cause))
    return rows


def _outage_when(outcome: Outcome, outage: Outage) -> str:
    start = outcome.local(outage.start)
    begin = f"{start.day} {start:%b %Y %H:%M} to"
    if outage.end is None:
        return f"{begin} the end of the trip"
    end = outcome.local(outage.end)
    return f"{begin} {end:%H:%M}" if end.date() == start.date() else f"{begin} {end.day} {end:%b %H:%M}"


def flat_part(outcome: Outcome) -> dict[str, Any]:
    """Flat days, outages and causes, and how the causes were found."""
    days = outcome.flat_days
    causes = [day.cause for day in days]
    counts = outcome.flat_day_counts
    return {
        "spells": _spells(days),
        "days": [Spell(short_span_text(day.date, day.date), day.stop, 1, day.dark_h, day.missed_wh, day.cause) for day in days],
        "outages": [
            Spell(_outage_when(outcome, outage), outage.stop, 0, outage.dark_h, outage.missed_wh, outage.cause)
            for outage in outcome.outages
        ],
        "causes": [
            (name, causes.count(name), cause_words(outcome, name), CAUSE_CURES[name]) for name in CAUSES if name in causes
        ],
        "lifted": [(words, str(counts[f"lift {name}"])) for name, words in LIFT_WORDS.items() if f"lift {name}" in counts],
    }


def mends(outcome: Outcome) -> list[Bar]:
    """What would mend it, the best first; the bar is the flat days left."""
    base = outcome.flat_day_counts["base"]
    if not base:
        return []
    return [
        Bar(
            "missed",
            name,
            f"{count:,}",
            min(count / base, 1.0),
            "cures it" if count == 0 else "no help" if count >= base else f"{base - count} fewer",
        )
        for name, count in cures(outcome)
    ]


def life(outcome: Outcome, measures: Measures = METRIC) -> dict[str, Any]:
    """Cycles and years, with what they take for granted."""
    life = outcome.life
    edges = life.depth_edges_frac
    most = max(life.depth_histogram, default=0.0)
    depths = [
        Bar("bank", f"{low:.0%} to {high:.0%}", f"{count:,.1f}" if 0.05 <= count < 10 else f"{count:,.0f}", count / most)
        for low, high, count in zip(edges[:-1], edges[1:], life.depth_histogram, strict=True)
        if most > 0.0
    ]
    low, high = life.band_years
    band = f" (models give {low:.0f} to {high:.0f})" if round(low) != round(high) else ""
    by = {"calendar": "age rather than use", "cycles": "use"}.get(life.ended_by, life.ended_by)
    lines = [
        ("full cycles", f"{life.full_cycles:.1f} on this trip, {life.full_cycles_per_year:.0f} a year"),
        ("counted cycles", f"{life.counted_cycles:.1f} on this trip, {life.counted_cycles_per_year:.0f} a year"),
        ("life to 80% of the capacity", f"about {life.life_years:.0f} years{band}, ended by {by}"),
    ]
    if life.capacity_10_years_frac is not None:
        least, best = life.capacity_10_years_frac
        lines.append(("left after ten years", f"{least:.0%}" if least == best else f"{least:.0%} to {best:.0%}"))
    lines.append(("longest stretch without a full bank", f"{outcome.longest_without_full:.1f} days"))
    notes = [measures.sentence(note) for note in life.notes]
    return {"lines": lines, "depths": depths, "assumption": life.assumption, "notes": notes}


def _way_here(outcome: Outcome, place: int, measures: Measures) -> str:
    """How far the stop is from the one before, in words; empty for the first and for no way at all."""
    if place == 0:
        return ""
    stop = outcome.scenario.stops[place]
    drive_h = sum((end - start).total_seconds() for start, end in stop.drives_utc) / SECONDS_PER_HOUR
    parts = [measures.distance(stop.leg_km, 0)] if stop.leg_km >= 0.5 else []
    parts += [f"{drive_h:.1f} h of driving"] if drive_h >= 0.05 else []
    return f"; {' and '.join(parts)} to get there{' (estimated)' if stop.leg_estimated else ''}" if parts else ""


def stops(outcome: Outcome, measures: Measures = METRIC) -> list[dict[str, Any]]:
    """One entry a stop: when, how it was got to, its days by kind, and its sums."""
    clock = outcome.timeline
    found = []
    for place, line in enumerate(outcome.stop_lines):
        here = np.flatnonzero(clock.day_stop == place)
        flat, thin = int(outcome.flat[0][here].sum()), int((outcome.thin & ~outcome.flat[0])[here].sum())
        when = short_span_text(clock.dates[int(here[0])], clock.dates[int(here[-1])]) if len(here) else "on the way only"
        found.append(
            {
                "number": outcome.scenario.stops[place].number,
                "line": line,
                "when": when + _way_here(outcome, place, measures),
                "days": {"flat": flat, "thin": thin, "good": len(here) - flat - thin},
                "state": "flat" if flat else "thin" if thin else "good",
            }
        )
    return found


def protections(outcome: Outcome, measures: Measures = METRIC) -> dict[str, Any]:
    """Rows of the protections that acted, the names of those that never did, and what ought to be looked at."""
    rows = []
    for act in outcome.protections:
        if act.times:
            first = outcome.local(outcome.timeline.utc[act.first_hour])
            cost = f"{wh_text(act.wh)} {PROTECTION_COSTS[act.name]}" if act.wh >= 1.0 else "cost nothing"
            words = PROTECTION_WORDS[act.name], cost, f"{first.day} {first:%b %Y}"
            rows.append((*words, f"{act.times:,}", f"{act.hours:,.1f}", f"{act.longest_h:.1f}"))
    never = [PROTECTION_WORDS[act.name] for act in outcome.protections if not act.times]
    return {"rows": rows, "never": never, "warnings": [measures.sentence(one) for one in outcome.warnings]}


def refills(outcome: Outcome) -> list[tuple[str, ...]]:
    """Hours to refill on each charger."""
    return [
        (
            refill.source,
            charger_words(refill),
            f"{refill.from_soc:.0%} to {refill.to_soc:.0%}",
            "not within 20 days" if refill.hours is None else f"{refill.hours:.1f} h",
            "never" if refill.offered_h <= 0.0 else f"{refill.offered_h:,.0f} h",
        )
        for refill in outcome.refills
    ]


def setup(scenario: Scenario) -> list[tuple[str, str]]:
    """What was simulated, as the engine understood it."""
    bank = scenario.bank
    floor = "a disconnect is set there" if bank.at_floor == "off" else "loads run on below it"
    units = f"{bank.in_series * bank.in_parallel} x {bank.unit_v:g} V {bank.unit_ah:g} Ah {bank.chemistry_name}"
    place = "in a heated bay" if bank.place == "heated" else bank.place
    lines = [
        ("bank", f"{units}: {bank.in_series} in series, {bank.in_parallel} in parallel, placed {place}"),
        ("planning line", f"{1.0 - bank.usable_frac:.0%}; {floor}"),
        ("supply ends", f"at {bank.cutoff_soc:.0%}; loads come back at {bank.reconnect_soc:.0%}"),
    ]
    for array in scenario.arrays:
        panels = f"{array.in_series * array.in_parallel} x {array.panel.p_w:g} W, tilt {array.tilt_deg:g} degrees"
        controller = array.controller
        limit = "no current limit" if controller.max_charge_a is None else f"up to {controller.max_charge_a:g} A"
        lines.append((f"panels: {array.name}", f"{panels}; {controller.kind.upper()} controller, {limit}"))
    if scenario.inverter is not None:
        on = "always on" if scenario.inverter.always_on else "on only while something runs on it"
        lines.append(("inverter", f"{scenario.inverter.rated_w:g} W, {on}"))
    for name, charger in (("hookup", scenario.shore), ("engine", scenario.alternator), ("generator", scenario.generator)):
        if charger is not None:
            lines.append((f"charger: {name}", f"{charger.charger_a:g} A"))
    return lines
