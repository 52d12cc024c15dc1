"""A stretch of dull days in words, for a terminal."""

from __future__ import annotations

from dataclasses import replace

from simulator.report.layout import Line, text_table
from simulator.report.measures import METRIC, Measures
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.scenario.cautions import cautions_of
from simulator.studies.stretch import Stretch


def _days(value: float | None, looked_days: int) -> str:
    return f"more than {plural(looked_days, 'day')}" if value is None else f"{value:.1f} days"


def outside_stay(found: Stretch) -> str | None:
    """What to know when the day asked for does not lie within the stay at the stop; None when it does."""
    stop = found.stop
    if stop.arrive <= found.first_day <= stop.depart:
        return None
    stay = f"{stop.arrive:%d %B %Y} to {stop.depart:%d %B %Y}"
    return f"{found.first_day:%d %B %Y} lies outside the stay at {stop.name} ({stay}): on this trip nobody is there then."


def stretch_lines(found: Stretch, measures: Measures = METRIC) -> list[str]:
    """The whole answer, a line each, the verdict first."""
    first = f"{found.first_day:%d %B %Y}"
    if found.days is None:
        verdict = (
            f"Full on {first} at {found.stop.name}, this bank carries the load through all {plural(found.looked_days, 'day')}: "
            f"{found.sky}. Lowest charge {found.lowest_soc:.0%}."
        )
    else:
        verdict = f"Full on {first} at {found.stop.name}, this bank carries the load for {found.days:.1f} days: {found.sky}."
    by_hand = found.hand_days_with_sun
    rows = [
        (
            "under this sky",
            _days(found.days, found.looked_days),
            "the sun brings it all" if by_hand is None else f"{by_hand:.1f} days",
        ),
        ("without any sun", _days(found.days_without_sun, found.looked_days), f"{found.hand_days:.1f} days"),
        ("without any sun, to the planning line", "", f"{found.hand_days_planned:.1f} days"),
    ]
    return [
        found.scenario.title,
        "",
        Line(verdict),
        *([] if (outside := outside_stay(found)) is None else [outside]),
        *far_sentences(replace(found.scenario, stops=(found.stop,)), measures),
        "",
        *text_table(("how long", "simulated", "by hand"), rows),
        "",
        f"By hand: {found.usable_wh:,.0f} Wh usable by the label over {found.load_wh_per_day:,.0f} Wh of load a day"
        + (f", of which the sun brings up to {found.sun_wh_per_day:,.0f} Wh." if found.sun_wh_per_day > 0.0 else "."),
        *(f"  - {measures.sentence(source)}" for source in found.source),
        *caution_lines(cautions_of([found.scenario]), measures),
    ]
