"""The ledger of the days before a flat day, held against sums made here."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from simulator.battery import kernel as k
from simulator.engine import simulate
from simulator.reasons import Reason
from simulator.scenario import parse_scenario, read_scenario

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"


@pytest.fixture(scope="module")
def winter():
    return simulate(read_scenario(SCENARIOS / "winter-survey-outside.toml"))


def test_the_ledger_is_the_sum_of_the_hours_of_the_week(winter):
    day = winter.flat_days[-1].day
    found = winter.reason_of_day(day)
    here = (winter.timeline.local_day > day - 7) & (winter.timeline.local_day <= day)
    rows = winter.hours[here]
    assert found.days == 7
    assert found.load_wh == pytest.approx(rows[:, k.LOAD_WH].sum())
    assert found.came_wh == pytest.approx(rows[:, k.SUN_USED_WH].sum())
    assert found.refused_wh == pytest.approx(rows[:, [k.REFUSED_COLD_WH, k.REFUSED_HOT_WH]].sum())
    assert "refused by cells" in found.sentence


def test_the_light_is_held_against_the_month_of_the_station_s_own_year(winter):
    """Sand Point in February, from the file itself: the mean of all its February hours."""
    from simulator.route.parts import station_of

    day = winter.flat_days[-1].day
    assert winter.timeline.dates[day].month == 2
    station = station_of(winter.scenario.stops[0])
    february = station.table["ghi"][station.table.index.month == 2].mean() * 24.0 / 1000.0
    assert winter.usual_sun[0][1] == pytest.approx(february)
    here = (winter.timeline.local_day > day - 7) & (winter.timeline.local_day <= day)
    usual = np.array([winter.usual_sun[0][winter.timeline.dates[d].month - 1] for d in winter.timeline.local_day[here]])
    ratio = winter.ghi[here].sum() / (usual.sum() / 24.0 * 1000.0)
    assert winter.reason_of_day(day).sun_over_usual == pytest.approx(ratio - 1.0)


def test_under_a_clear_sky_nothing_is_said_of_what_is_usual():
    text = (SCENARIOS / "worksheet.toml").read_text(encoding="utf-8")
    outcome = simulate(parse_scenario(text))
    found = outcome.reason_of_day(outcome.flat_days[0].day)
    assert found.sun_over_usual is None
    assert "usual" not in found.sentence
    assert found.came_wh == 0.0


def test_the_words_follow_the_figures():
    plain = Reason(7, 0.01, 0.0, 900.0, 1000.0, 0.0, 0.0)
    assert plain.sentence == (
        "in the 7 days up to it 900 Wh came in and 1,000 Wh were asked for; "
        "the light was about what is usual there at that time of year"
    )
    rich = Reason(1, -0.3, 0.2, 100.0, 1000.0, 400.0, 80.0)
    assert "on that day" in rich.sentence
    assert "30% below" in rich.sentence
    assert "20% above the trip's mean" in rich.sentence
    assert "400 Wh on offer were refused" in rich.sentence
    assert Reason(2, None, 0.0, 0.0, 1000.0, 0.0, 0.0, since_start=True).sentence.startswith(
        "in the 2 days since the trip began "
    )
    assert Reason(1, None, 0.0, 0.0, 1000.0, 0.0, 0.0, since_start=True).sentence.startswith("on the first day of the trip ")
    assert "80 Wh were held back" in rich.sentence


def test_what_is_usual_under_borrowed_normals_is_what_is_drawn_from_them_there():
    """The clearness of Amsterdam under the December sun of 48.1 north: a third more light than at Amsterdam itself."""
    from simulator.route import drawn_years, route_weather
    from simulator.scenario import starter_text
    from simulator.scenario.starter import Place, Plan
    from simulator.timeline import build_timeline
    from simulator.weather.normals_table import normals_from_table

    place = Place("Upper Rhine", 48.1, 7.9, weather='{ normals = "AMSTERDAM" }')
    scenario = parse_scenario(starter_text(Plan(places=(place,), first=date(2026, 12, 1), days=29)))
    clock = build_timeline(scenario)
    usual = route_weather(scenario, clock).usual_sun[0][11]
    drawn = drawn_years(scenario, clock, 100, seed=1).block(0, 100).table["ghi"].sum() / 100 / clock.hours * 24.0 / 1000.0
    assert drawn == pytest.approx(usual, rel=0.08)
    assert usual > 1.3 * normals_from_table("AMSTERDAM", "here").sun_kwh_m2_day[11]
