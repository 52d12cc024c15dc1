"""A stretch of dull days in words, for a terminal."""

from __future__ import annotations

from simulator.report.tables import plural, text_table
from simulator.studies.stretch import Stretch


def _days(value: float | None, looked_days: int) -> str:
    return f"more than {plural(looked_days, 'day')}" if value is None else f"{value:.1f} days"


def stretch_lines(found: Stretch) -> list[str]:
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
        verdict,
        "",
        *text_table(("how long", "simulated", "by hand"), rows),
        "",
        f"By hand: {found.usable_wh:,.0f} Wh usable by the label over {found.load_wh_per_day:,.0f} Wh of load a day"
        + (f", of which the sun brings up to {found.sun_wh_per_day:,.0f} Wh." if found.sun_wh_per_day > 0.0 else "."),
        *(f"  - {source}" for source in found.source),
    ]
