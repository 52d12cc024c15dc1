"""One self-contained page for a run: no script, nothing fetched, readable on a telephone, on paper, and by ear."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from importlib import resources
from itertools import groupby
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup

from simulator.battery import kernel as k
from simulator.outcome import CAUSES, FLAT_DARK_H, FLAT_MISSED_FRAC, SPILLED, WASTE_FRAC, FlatDay, Outcome
from simulator.report import pictures
from simulator.report.tables import CAUSE_WORDS, CAUTIONS, GENERATOR_CAUTION, MEDICAL_CAUTION, SPILL_WORDS, verdict
from simulator.scenario.parts import PRIORITIES
from simulator.version import package_version

CURES = {
    "cold": "Bring the bank inside, insulate and warm its box, or fit a heater that runs before the sun comes.",
    "snow": "Brush the panels in the morning, tilt them steeply, or have a charger that needs no sun.",
    "shade": "Park in the open, or carry a panel on a cable that can be put into the sun.",
    "controller": "Fit a controller for more current, or one that follows the panels' best voltage (MPPT).",
    "acceptance": "More units side by side take more current; start charging earlier in the day, for the last part goes in slowly.",
    "structural": "More panels, less load, or regular hookups, driving or generator hours. A larger bank alone only puts the dark off.",
    "buffer": "A larger bank, another charger for the dark spell, or load that can wait for the sun.",
}
"""What mends each cause, in a sentence."""
THIN_RATIO = 1.2
"""A harvest ratio below this leaves little for a dark spell (common practice, no source)."""
RATIO_SCALE = 2.0
"""Harvest ratio at the right end of its bar."""
STATE_WORDS = {"flat": "flat", "thin": "thin", "good": "good"}


@dataclass(frozen=True)
class Bar:
    """One line of a table of amounts: words, number, and the length of its bar (0..1)."""

    kind: str
    words: str
    number: str
    share: float
    more: str = ""


@dataclass(frozen=True)
class CalendarDay:
    """One date in the calendar; ``state`` is empty outside the trip."""

    date: date
    state: str
    words: str
    stop: int
    arrives: bool


@dataclass(frozen=True)
class Month:
    """A month of the calendar: weeks from Monday (None: a day of another month), and a line for each stop in it."""

    name: str
    weeks: tuple[tuple[CalendarDay | None, ...], ...]
    stops: tuple[str, ...]


# ---- words ----


def _plural(count: int, word: str) -> str:
    return f"{count:,} {word}" if count == 1 else f"{count:,} {word}s"


def _wh(value: float) -> str:
    """Watt-hours for a reader; beyond 10,000 in kilowatt-hours."""
    return f"{value / 1000:,.1f}\u00a0kWh" if abs(value) >= 9_999.5 else f"{value:,.0f}\u00a0Wh"


def _date(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _clock(hour: float) -> str:
    minutes = round(hour % 1 * 60)
    return f"{int(hour):02d}:{minutes:02d}"


def _span(first: date, last: date) -> str:
    if first == last:
        return _date(first)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {_date(last)}"
    return f"{first.day} {first:%B} to {_date(last)}" if first.year == last.year else f"{_date(first)} to {_date(last)}"


def _ratio_words(value: float | None) -> str:
    if value is None:
        return "no load here"
    if value < 1.0:
        return "less comes in than goes out: no bank helps, only more charging or less load"
    if value < THIN_RATIO:
        return "thin: little is left for a dark spell"
    return "enough over the whole time"


# ---- parts of the page, in its order ----


def _standing(outcome: Outcome) -> tuple[str, str]:
    """State of the whole trip, for the sign beside the answer, and the sign in words."""
    counts = outcome.flat_day_counts
    if counts["base"]:
        return "flat", "Runs flat"
    if outcome.thin.any() or counts["load +20 %"] or counts["sun -15 %"]:
        return "thin", "Carries, but narrowly"
    return "good", "Carries"


def _numbers(outcome: Outcome) -> list[tuple[str, str, str]]:
    """Name, figure and a line of explanation."""
    counts = outcome.flat_day_counts
    days = outcome.timeline.days
    soc, hour = outcome.lowest
    moment = outcome.local(outcome.timeline.utc[hour])
    stop = outcome.scenario.stops[int(outcome.timeline.stop[hour])].name
    carries = outcome.autonomy_days
    longer = f"longer than {_plural(days, 'day')}"
    return [
        ("Flat days", f"{counts['base']} of {days}", f"{_plural(outcome.flat_nights, 'flat night')}, counted noon to noon"),
        ("If the load is 20 % more", _plural(counts["load +20 %"], "flat day"), "the first list of appliances is often short"),
        ("If the sun is 15 % less", _plural(counts["sun -15 %"], "flat day"), "another year's weather, dust, a worse place to park"),
        ("Thin days", f"{int(outcome.thin.sum())} of {days}", "no outage, but little left"),
        ("Lowest charge", f"{soc:.0%}", f"{_date(moment.date())} about {moment:%H:%M}, {stop}"),
        (
            "Without any sun or charger",
            longer if carries is None else f"{carries:.1f} days",
            "how long the full bank carries this load from the start of the trip",
        ),
    ]


def _ratio_bars(ratios: Mapping[str, float | None]) -> list[Bar]:
    return [
        Bar(
            kind="poor" if ratio is not None and ratio < 1.0 else "enough",
            words=name,
            number="–" if ratio is None else f"{ratio:.2f}",
            share=0.0 if ratio is None else min(max(ratio, 0.0), RATIO_SCALE) / RATIO_SCALE,
            more=_ratio_words(ratio),
        )
        for name, ratio in ratios.items()
    ]


def _month_names(ratios: Mapping[str, float | None]) -> dict[str, float | None]:
    return {f"{date.fromisoformat(name + '-01'):%B %Y}": ratio for name, ratio in ratios.items()}


def _states(outcome: Outcome) -> list[str]:
    return ["flat" if flat else "thin" if thin else "good" for flat, thin in zip(outcome.flat[0], outcome.thin, strict=True)]


def _calendar(outcome: Outcome) -> Iterator[Month]:
    """The months of the trip. A date lived twice shows the worse of its days, a date that was skipped stays empty."""
    clock = outcome.timeline
    states, base = _states(outcome), outcome.days[0]
    numbers = [outcome.scenario.stops[int(place)].number for place in clock.day_stop]
    names = {stop.number: stop.name for stop in outcome.scenario.stops}
    of_date: dict[date, list[int]] = {}
    for day, moment in enumerate(clock.dates):
        of_date.setdefault(moment, []).append(day)

    def entry(moment: date) -> CalendarDay:
        days = of_date.get(moment, [])
        if not days:
            return CalendarDay(moment, "", "", 0, arrives=False)
        state = min((states[day] for day in days), key=("flat", "thin", "good").index)
        dark_h = sum(float(base[day, k.DAY_DARK_H]) for day in days)
        words = f"{state}, lowest charge {min(base[day, k.DAY_LOWEST_SOC] for day in days):.0%}"
        words += f", {dark_h:.1f} h dark" if dark_h > 0.0 else ""
        first = days[0]
        return CalendarDay(moment, state, words, numbers[first], arrives=first == 0 or numbers[first] != numbers[first - 1])

    first, last = min(of_date), max(of_date)
    month = first.replace(day=1)
    while month <= last:
        after = (month + timedelta(days=31)).replace(day=1)
        dates = [month + timedelta(days=step) for step in range((after - month).days)]
        entries: list[CalendarDay | None] = [None] * month.weekday() + [entry(moment) for moment in dates]
        entries += [None] * (-len(entries) % 7)
        here = [day for moment in dates for day in of_date.get(moment, [])]
        lines = []
        for number, group in groupby(here, key=numbers.__getitem__):
            days = list(group)
            count = {state: sum(states[day] == state for day in days) for state in STATE_WORDS}
            tally = ", ".join(f"{amount} {state}" for state, amount in count.items() if amount)
            lines.append(f"{number} {names[number]}: {tally}")
        weeks = tuple(tuple(entries[at : at + 7]) for at in range(0, len(entries), 7))
        yield Month(f"{month:%B %Y}", weeks, tuple(lines))
        month = after


def _opened_day(outcome: Outcome, day: int) -> dict[str, Any]:
    """The day with its pictures, a sentence, and its hours as a table."""
    clock = outcome.timeline
    base = outcome.days[0, day]
    found = next((flat for flat in outcome.flat_days if flat.day == day), None)
    stop = outcome.scenario.stops[int(clock.day_stop[day])].name
    when = f"{clock.dates[day]:%A}, {_date(clock.dates[day])}"
    if found is None:
        words = f"No day of this trip is flat. Closest came {when}, at {stop}: the charge went down to {base[k.DAY_LOWEST_SOC]:.0%}."
    else:
        words = (
            f"{when}, at {stop}: {found.dark_h:.1f} h dark, {_wh(found.missed_wh)} of the day's {_wh(base[k.DAY_LOAD_WH])} went "
            f"unserved, because {CAUSE_WORDS[found.cause]}."
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
        rows.append(
            (
                _clock(float(clock.local_hour[hour])),
                *(f"{amount + 0.0:,.0f}".replace("-0", "0") if abs(amount) < 0.5 else f"{amount:,.0f}" for amount in amounts),
                f"{row[k.SOC_END]:.0%}",
                f"{row[k.CELL_END_C]:.0f}",
                ", ".join(flags),
            )
        )
    return {"words": words, "flat": found is not None, "plots": pictures.day_plots(outcome, day), "rows": rows}


def _bars(parts: Sequence[tuple[str, str, float]], total: float) -> list[Bar]:
    return [
        Bar(kind, words, _wh(value), value / total if total > 0.0 else 0.0, f"{value / total:.1%}" if total > 0.0 else "")
        for kind, words, value in parts
        if value >= 0.5
    ]


def _energy(outcome: Outcome) -> dict[str, Any]:
    """The ledger as two lists that add up to the same, and what was asked for in vain."""
    t = outcome.ledger
    stored = t["stored_more_wh"]
    came = [
        ("sun", "sun on the panels, as the controller could take it", t["solar_offered_wh"]),
        ("other", "hookup", t["shore_wh"]),
        ("other", "engine while driving", t["driving_wh"]),
        ("other", "generator", t["generator_wh"]),
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
        ("missed", "more than bank or inverter may deliver at once", t["missed_overload_wh"]),
    ]
    total = sum(value for _, _, value in came if value > 0.0)
    return {
        "came": _bars(came, total),
        "went": _bars(went, total),
        "missed": _bars(missed, float(outcome.hours[:, k.LOAD_WH].sum())),
        "total": _wh(total),
        "closure": f"{outcome.closure:.0e}",
    }


def _audit(outcome: Outcome) -> list[Bar]:
    """What uses the energy, the largest first."""
    rows = sorted(outcome.load.audit, key=lambda row: -row.wh_per_day)
    total = sum(row.wh_per_day for row in rows)
    return [
        Bar("load", row.name, f"{_wh(row.wh_per_day)} a day", row.wh_per_day / total if total > 0.0 else 0.0, PRIORITIES[row.priority])
        for row in rows
    ]


def _flat_runs(days: Sequence[FlatDay]) -> list[tuple[str, ...]]:
    """Flat days that follow each other at one stop for one cause, as one row."""
    rows = []
    for _, group in groupby(enumerate(days), key=lambda item: (item[1].day - item[0], item[1].stop, item[1].cause)):
        run = [day for _, day in group]
        rows.append(
            (
                _span(run[0].date, run[-1].date),
                run[0].stop,
                str(len(run)),
                f"{sum(day.dark_h for day in run):.1f}",
                f"{sum(day.missed_wh for day in run):,.0f}",
                run[0].cause,
            )
        )
    return rows


def _flat_part(outcome: Outcome) -> dict[str, Any]:
    days = outcome.flat_days
    causes = [day.cause for day in days]
    lifted = [(name.removeprefix("lift "), count) for name, count in outcome.flat_day_counts.items() if name.startswith("lift ")]
    outages = []
    for outage in outcome.outages:
        start = outcome.local(outage.start)
        end = None if outage.end is None else outcome.local(outage.end)
        until = "the trip ends dark" if end is None else f"{_date(end.date())} {end:%H:%M}"
        row = (f"{_date(start.date())} {start:%H:%M}", until, outage.stop, f"{outage.dark_h:.1f}", f"{outage.missed_wh:,.0f}", outage.cause)
        outages.append(row)
    return {
        "runs": _flat_runs(days),
        "days": [(_date(day.date), day.stop, f"{day.dark_h:.1f}", f"{day.missed_wh:,.0f}", day.cause) for day in days],
        "outages": outages,
        "causes": [(name, causes.count(name), CAUSE_WORDS[name], CURES[name]) for name in CAUSES if name in causes],
        "lifted": lifted,
    }


def _mends(outcome: Outcome) -> list[Bar]:
    """What would mend it, the best first; the bar is the flat days left."""
    base = outcome.flat_day_counts["base"]
    found = [(name.removeprefix("mend "), count) for name, count in outcome.flat_day_counts.items() if name.startswith("mend ")]
    if not base:
        return []
    return [
        Bar(
            "missed",
            name,
            _plural(count, "flat day") + " left",
            min(count / base, 1.0),
            "cures it" if count == 0 else "no help" if count >= base else f"{base - count} fewer",
        )
        for name, count in sorted(found, key=lambda item: item[1])
    ]


def _life(outcome: Outcome) -> dict[str, Any]:
    life = outcome.life
    edges = life.depth_edges_frac
    most = max(life.depth_histogram, default=0.0)
    depths = [
        Bar("bank", f"{low:.0%} to {high:.0%}", f"{count:,.1f}" if count < 10 else f"{count:,.0f}", count / most)
        for low, high, count in zip(edges[:-1], edges[1:], life.depth_histogram, strict=True)
        if most > 0.0
    ]
    low, high = life.band_years
    band = f" (models give {low:.0f} to {high:.0f})" if round(low) != round(high) else ""
    by = {"calendar": "age rather than use", "cycles": "use"}.get(life.ended_by, life.ended_by)
    lines = [
        ("full cycles", f"{life.full_cycles:.1f} on this trip, {life.full_cycles_per_year:.0f} a year"),
        ("counted cycles", f"{life.counted_cycles:.1f} on this trip, {life.counted_cycles_per_year:.0f} a year"),
        ("life to 80 % of the capacity", f"about {life.life_years:.0f} years{band}, ended by {by}"),
    ]
    if life.capacity_10_years_frac is not None:
        least, best = life.capacity_10_years_frac
        lines.append(("left after ten years", f"{least:.0%}" if least == best else f"{least:.0%} to {best:.0%}"))
    lines.append(("longest stretch without a full bank", f"{outcome.longest_without_full:.1f} days"))
    return {"lines": lines, "depths": depths, "assumption": life.assumption, "notes": life.notes}


def _refills(outcome: Outcome) -> list[tuple[str, ...]]:
    return [
        (
            refill.source,
            f"{refill.charger_a:g} A",
            f"{refill.from_soc:.0%} to {refill.to_soc:.0%}",
            "not within 20 days" if refill.hours is None else f"{refill.hours:.1f} h",
        )
        for refill in outcome.refills
    ]


def _setup(outcome: Outcome) -> list[tuple[str, str]]:
    """What was simulated, as the engine understood it."""
    scenario, bank = outcome.scenario, outcome.scenario.bank
    floor = "a disconnect is set there" if bank.at_floor == "off" else "loads run on below it"
    lines = [
        (
            "bank",
            f"{bank.in_series * bank.in_parallel} units of {bank.unit_v:g} V and {bank.unit_ah:g} Ah, {bank.chemistry.upper()}, "
            f"{bank.in_series} in series and {bank.in_parallel} in parallel, placed {'in a heated bay' if bank.place == 'heated' else bank.place}",
        ),
        ("planning line", f"{1.0 - bank.usable_frac:.0%}; {floor}"),
        ("supply ends", f"at {bank.cutoff_soc:.0%}, loads come back at {bank.reconnect_soc:.0%}"),
    ]
    for array in scenario.arrays:
        count = array.in_series * array.in_parallel
        limit = "no current limit" if array.controller.max_charge_a is None else f"up to {array.controller.max_charge_a:g} A"
        lines.append(
            (
                f"panels: {array.name}",
                f"{count} x {array.panel.p_w:g} W, tilt {array.tilt_deg:g} degrees, {array.controller.kind.upper()} controller, {limit}",
            )
        )
    if scenario.inverter is not None:
        on = "always on" if scenario.inverter.always_on else "on only while something runs on it"
        lines.append(("inverter", f"{scenario.inverter.rated_w:g} W, {on}"))
    for name, charger in (("hookup", scenario.shore), ("engine", scenario.alternator), ("generator", scenario.generator)):
        if charger is not None:
            lines.append((f"charger: {name}", f"{charger.charger_a:g} A"))
    return lines


def _cautions(outcome: Outcome) -> list[str]:
    scenario = outcome.scenario
    cautions = list(CAUTIONS)
    if scenario.generator is not None:
        cautions.append(GENERATOR_CAUTION)
    if any(appliance.medical for appliance in scenario.appliances):
        cautions.insert(0, MEDICAL_CAUTION)
    return cautions


# ---- the page ----


@cache
def _template() -> tuple[jinja2.Template, Markup]:
    here = resources.files("simulator.report")
    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string((here / "page.html.j2").read_text(encoding="utf-8"))
    return template, Markup((here / "page.css").read_text(encoding="utf-8"))


def render_page(outcome: Outcome, scenario_text: str | None = None, generated: Mapping[str, str] | None = None) -> str:
    """Draw the whole answer as one HTML page that needs nothing else.

    Parameters
    ----------
    outcome : Outcome
        What the run found.
    scenario_text : str, optional
        The scenario as written; left out: that part of the page is left out too.
    generated : mapping of str to str, optional
        Names and values for the last line of the page. Left out: version, seed and checksum of the scenario.

    Returns
    -------
    str
        HTML without script, without a reference to anything outside it, without clock time of its making.
    """
    scenario, clock = outcome.scenario, outcome.timeline
    template, style = _template()
    if generated is None:
        generated = {"flatdays": package_version(), "seed": str(scenario.seed)}
        generated |= {"scenario sha256": scenario.sha256} if scenario.sha256 else {}
    state, sign = _standing(outcome)
    overload_wh = outcome.ledger["missed_overload_wh"]
    return template.render(
        style=style,
        title=scenario.title,
        when=f"{_span(clock.dates[0], clock.dates[-1])}, {_plural(clock.days, 'day')}, {_plural(len(scenario.stops), 'stop')}",
        verdict=verdict(outcome),
        state=state,
        sign=sign,
        numbers=_numbers(outcome),
        ratio_by_stop=_ratio_bars(outcome.harvest_ratio_by_stop),
        ratio_by_month=_ratio_bars(_month_names(outcome.harvest_ratio_by_month)),
        months=list(_calendar(outcome)),
        charge=pictures.charge_plot(outcome),
        sun=pictures.sun_plot(outcome),
        day=_opened_day(outcome, pictures.worst_day(outcome)),
        energy=_energy(outcome),
        audit=_audit(outcome),
        waste=f"{outcome.waste:.0%}" if outcome.waste > WASTE_FRAC else "",
        overload=_wh(overload_wh) if overload_wh > 0.5 else "",
        flat=_flat_part(outcome),
        mends=_mends(outcome),
        stops=outcome.stop_lines,
        refills=_refills(outcome),
        life=_life(outcome),
        setup=_setup(outcome),
        cautions=_cautions(outcome),
        causes=[(name, CAUSE_WORDS[name], CURES[name]) for name in CAUSES],
        flat_min=f"{FLAT_DARK_H * 60:.0f}",
        flat_pct=f"{FLAT_MISSED_FRAC:.0%}",
        defaults=scenario.defaults_used,
        notes=outcome.notes,
        weather=outcome.weather_sources,
        scenario_text=scenario_text,
        generated=generated,
    )
