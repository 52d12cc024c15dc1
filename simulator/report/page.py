"""One self-contained page for a run: no script, nothing fetched, readable on a telephone, on paper, and by ear."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import cache
from importlib import resources

import jinja2
from markupsafe import Markup

from simulator.outcome import CAUSES, FLAT_DARK_H, FLAT_MISSED_FRAC, THIN_RATIO, WASTE_FRAC, Outcome
from simulator.report import pictures
from simulator.report.calendar_months import calendar_months
from simulator.report.sections import (
    CAUSE_CURES,
    Bar,
    audit,
    energy,
    flat_part,
    life,
    mends,
    opened_day,
    refills,
    setup,
)
from simulator.report.tables import CAUSE_WORDS, cautions, cure_sentence, verdict
from simulator.report.words import date_text, plural_text, span_text, wh_text
from simulator.units import MINUTES_PER_HOUR
from simulator.version import package_version

RATIO_SCALE = 2.0
"""Harvest ratio at the right end of its bar."""


def _ratio_words(value: float | None) -> str:
    if value is None:
        return "no load"
    if value < 1.0:
        return "too little"
    return "thin" if value < THIN_RATIO else "enough"


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
        when=", ".join(
            (
                span_text(clock.dates[0], clock.dates[-1]),
                plural_text(clock.days, "day"),
                plural_text(len(scenario.stops), "stop"),
            )
        ),
        verdict=verdict(outcome),
        cure=cure_sentence(outcome),
        state=state,
        sign=sign,
        numbers=_numbers(outcome),
        ratio_by_stop=_ratio_bars(outcome.harvest_ratio_by_stop),
        ratio_by_month=_ratio_bars(_month_names(outcome.harvest_ratio_by_month)),
        months=list(calendar_months(outcome)),
        charge=pictures.charge_plot(outcome),
        sun=pictures.sun_plot(outcome),
        day=opened_day(outcome, pictures.worst_day(outcome)),
        energy=energy(outcome),
        audit=audit(outcome),
        waste=f"{outcome.waste:.0%}" if outcome.waste > WASTE_FRAC else "",
        overload=wh_text(overload_wh) if overload_wh > 0.5 else "",
        flat=flat_part(outcome),
        mends=mends(outcome),
        stops=outcome.stop_lines,
        refills=refills(outcome),
        life=life(outcome),
        setup=setup(outcome),
        cautions=cautions(outcome),
        causes=[(name, CAUSE_WORDS[name], CAUSE_CURES[name]) for name in CAUSES],
        flat_min=f"{FLAT_DARK_H * MINUTES_PER_HOUR:.0f}",
        flat_pct=f"{FLAT_MISSED_FRAC:.0%}",
        reconnect=f"{scenario.bank.reconnect_soc:.0%}",
        defaults=scenario.defaults_used,
        notes=outcome.notes,
        weather=outcome.weather_sources,
        scenario_text=scenario_text,
        generated=generated,
    )
