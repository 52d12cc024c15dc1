"""One self-contained page for a run: no script, nothing fetched, readable on a telephone, on paper, and by ear."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from simulator.outcome import CAUSES, FLAT_DARK_H, FLAT_MISSED_FRAC, THIN_RATIO, WASTE_FRAC, Outcome
from simulator.report import pictures, sections
from simulator.report.calendar_months import calendar_months
from simulator.report.frame import Answer, added_words, fill
from simulator.report.measures import METRIC, Measures
from simulator.report.route_map import route_map
from simulator.report.sections import CAUSE_CURES, Bar
from simulator.report.tables import CAUSE_WORDS, cure_sentence, far_sentences, medical_sentences, verdict
from simulator.report.words import date_text, plural_text, span_text, wh_text
from simulator.units import MINUTES_PER_HOUR

RATIO_SCALE = 2.0
"""Harvest ratio at the right end of its bar."""
REFILL_C = 20.0
"""Cells at which the hours to refill are reckoned."""
LINKS = (
    ("calendar", "Calendar"),
    ("mend", "What would mend it"),
    ("flat", "Flat days and causes"),
    ("charge", "Charge"),
    ("sun", "Sun"),
    ("day", ""),
    ("stops", "Route and stops"),
    ("comes", "In against out"),
    ("energy", "Energy"),
    ("protections", "Protections"),
    ("refill", "Refill"),
    ("life", "Life"),
)
"""The parts in their order, and their words in the list of links; empty: named by what day it is."""


def _ratio_words(value: float | None, sun: float | None) -> str:
    if value is None:
        return "no load"
    if value < 1.0:
        return "too little"
    word = "thin" if value < THIN_RATIO else "enough"
    return word if sun is None or sun >= min(value, THIN_RATIO) else f"{word} with chargers; by sun alone {sun:.2f}"


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
    more_load, less_sun = (plural_text(counts[name], "flat day") for name in ("load +20 %", "sun -15 %"))
    soc, hour = outcome.lowest
    moment = outcome.local(outcome.timeline.utc[hour])
    stop = outcome.scenario.stops[int(outcome.timeline.stop[hour])].name
    carries = outcome.autonomy_days
    longer = f"longer than {plural_text(days, 'day')}"
    return [
        ("Flat days", f"{counts['base']} of {days}", f"{plural_text(outcome.flat_nights, 'flat night')}, counted noon to noon"),
        ("If the load is 20% more", more_load, "the first list of appliances is often too short"),
        ("If the sun is 15% less", less_sun, "another year's weather, dust, a worse place to park"),
        ("Thin days", f"{int(outcome.thin.sum())} of {days}", "no outage, but little left"),
        ("Lowest charge", f"{soc:.0%}", f"{date_text(moment.date())} about {moment:%H:%M}, {stop}"),
        (
            "Without any sun or charger",
            longer if carries is None else f"{carries:.1f} days",
            "how long the full bank carries this load from the start of the trip",
        ),
    ]


def _ratio_bars(ratios: Mapping[str, float | None], by_sun: Mapping[str, float | None]) -> list[Bar]:
    return [
        Bar(
            kind="poor" if ratio is not None and ratio < 1.0 else "enough",
            words=name,
            number="–" if ratio is None else f"{ratio:.2f}",
            share=0.0 if ratio is None else min(max(ratio, 0.0), RATIO_SCALE) / RATIO_SCALE,
            more=_ratio_words(ratio, by_sun[name]),
        )
        for name, ratio in ratios.items()
    ]


def _month_names(ratios: Mapping[str, float | None]) -> dict[str, float | None]:
    return {f"{date.fromisoformat(name + '-01'):%B %Y}": ratio for name, ratio in ratios.items()}


def render_page(
    outcome: Outcome,
    scenario_text: str | None = None,
    generated: Mapping[str, str] | None = None,
    measures: Measures = METRIC,
    added: Sequence[str] = (),
) -> str:
    """Draw the whole answer as one HTML page that needs nothing else.

    Parameters
    ----------
    outcome : Outcome
        What the run found.
    scenario_text : str, optional
        The scenario as written; left out: that part of the page is left out too.
    generated : mapping of str to str, optional
        Names and values for the last line of the page. Left out: version, seed and checksum of the scenario.
    measures : Measures
        Units of what is read; the scenario stays as it was written.
    added : sequence of str
        What was added for this answer and does not stand in the scenario, as it was asked for.

    Returns
    -------
    str
        HTML without script, without a reference to anything outside it, without clock time of its making.
    """
    scenario, clock = outcome.scenario, outcome.timeline
    state, sign = _standing(outcome)
    cure = cure_sentence(outcome)
    overload_wh = outcome.overload_wh
    day = sections.opened_day(outcome, pictures.worst_day(outcome), measures)
    stops = sections.stops(outcome, measures)
    return fill(
        "page.html.j2",
        scenario,
        scenario_text,
        generated,
        measures,
        kind="One trip",
        when=", ".join(
            (
                span_text(clock.dates[0], clock.dates[-1]),
                plural_text(clock.days, "day"),
                plural_text(len(scenario.stops), "stop"),
            )
        ),
        answer=Answer(
            state,
            sign,
            verdict(outcome),
            (*medical_sentences(outcome), *far_sentences(scenario, measures), *((cure,) if cure else ()), *added_words(added)),
        ),
        links=[(key, words or f"{'Worst' if day['flat'] else 'Lowest'} day") for key, words in LINKS],
        numbers=_numbers(outcome),
        ratio_by_stop=_ratio_bars(outcome.harvest_ratio_by_stop, outcome.sun_ratio_by_stop),
        ratio_by_month=_ratio_bars(_month_names(outcome.harvest_ratio_by_month), _month_names(outcome.sun_ratio_by_month)),
        months=list(calendar_months(outcome)),
        charge=pictures.charge_plot(outcome),
        sun=pictures.sun_plot(outcome),
        day=day,
        energy=sections.energy(outcome),
        audit=sections.audit(outcome),
        waste=f"{outcome.waste:.0%}" if outcome.waste > WASTE_FRAC else "",
        overload=wh_text(overload_wh) if overload_wh > 0.5 else "",
        flat=sections.flat_part(outcome),
        mends=sections.mends(outcome),
        stops=stops,
        map=route_map(scenario.stops, [stop["state"] for stop in stops], measures),
        refills=sections.refills(outcome),
        protections=sections.protections(outcome, measures),
        life=sections.life(outcome, measures),
        setup=sections.setup(scenario),
        causes=[(name, CAUSE_WORDS[name], CAUSE_CURES[name]) for name in CAUSES],
        flat_min=f"{FLAT_DARK_H * MINUTES_PER_HOUR:.0f}",
        flat_pct=f"{FLAT_MISSED_FRAC:.0%}",
        reconnect=f"{scenario.bank.reconnect_soc:.0%}",
        notes=[measures.sentence(note) for note in outcome.notes],
        assumptions=(),
        weather=[measures.sentence(source) for source in outcome.weather_sources],
        refill_at=f"On one charger alone, without load, at {measures.temp(REFILL_C)}",
    )
