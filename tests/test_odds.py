"""The odds over many weather years: chance from the seed alone, intervals always, the worst year again hour by hour."""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

from simulator import timeline
from simulator.cli import main
from simulator.errors import InputError
from simulator.report.chances import odds_lines
from simulator.route import drawn_years, route_weather
from simulator.scenario import parse_scenario
from simulator.studies import odds as study
from simulator.studies.odds import clopper_pearson, draw_load_factors, longest_run, odds, odds_summary, worst_outcome

KT = "[0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]"
MEAN_C = "[1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]"
WRITTEN = f"{{ normals = {{ kt = {KT}, temp_mean_c = {MEAN_C} }} }}"
TRIP = """
title = "A dull autumn"
seed = 3
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
place = "inside"
[[array]]
panel = { p_w = 180 }
controller = { kind = "mppt", max_charge_a = 20 }
[[appliance]]
name = "fridge and light"
power_w = 11
duty_frac = 1.0
[[stop]]
name = "Moor"
latitude_deg = 48.0
longitude_deg = 8.0
elevation_m = 400
arrive = 2026-10-10
depart = 2026-10-25
weather = WEATHER
[[stop]]
name = "Lake"
latitude_deg = 47.5
longitude_deg = 9.0
elevation_m = 500
drive_h = 2
arrive = 2026-10-25
depart = 2026-11-08
weather = WEATHER
"""
KEYS = {
    "years",
    "source",
    "seed",
    "flat_free_share",
    "flat_free_interval",
    "flat_days_mean",
    "flat_days_worst",
    "missed_wh_mean",
    "longest_stretch_days",
    "by_stop",
    "by_month",
    "worst_year",
}


@pytest.fixture(scope="module")
def trip():
    return parse_scenario(TRIP.replace("WEATHER", WRITTEN))


@pytest.fixture(scope="module")
def forty(trip):
    found = odds(trip, 40)
    # The bank is small enough for some years to go wrong and large enough for others to go well.
    assert 0 < (found.flat_days > 0).sum() < 40
    return found


def same(one, other):
    assert (one.flat == other.flat).all()
    assert (one.missed_wh == other.missed_wh).all()
    assert (one.stretch_days == other.stretch_days).all()


def test_the_same_seed_gives_the_same_years_and_another_seed_others(trip, forty):
    same(forty, odds(trip, 40, 3))
    assert forty.seed == 3
    assert (odds(trip, 40, 4).missed_wh != forty.missed_wh).any()


def test_more_years_begin_with_the_same_ones(trip, forty):
    twelve = odds(trip, 12)
    assert (twelve.flat == forty.flat[:, :12]).all()
    assert (twelve.missed_wh == forty.missed_wh[:12]).all()


def test_threads_and_blocks_change_no_number(trip, forty, monkeypatch):
    same(forty, odds(trip, 40, threads=1))
    same(forty, odds(trip, 40, threads=3))
    monkeypatch.setattr(study, "BLOCK_ROWS", 7)
    same(forty, odds(trip, 40))


def test_less_sun_is_never_better_and_more_never_worse(forty):
    low, base, high = (forty.flat[sun].sum() for sun in (1, 0, 2))
    assert low > base > high


def test_the_summary_has_every_key_and_an_interval_beside_every_share_of_the_whole(forty):
    found = json.loads(json.dumps(odds_summary(forty), allow_nan=False))
    assert set(found) >= KEYS
    free = int((forty.flat_days == 0).sum())
    assert found["years"] == 40
    assert found["flat_free_share"] == pytest.approx(free / 40, abs=1e-4)
    assert found["flat_free_interval"] == pytest.approx(clopper_pearson(free, 40), abs=1e-4)
    assert found["flat_days_mean"] == pytest.approx(forty.flat[0].sum() / 40, abs=1e-3)
    assert found["flat_days_worst"] == max(forty.flat_days)
    for name in ("if_sun_minus_10_pct", "if_sun_plus_10_pct"):
        assert set(found[name]) == {"flat_free_share", "flat_free_interval"}
    assert set(found["longest_stretch_days"]) == {"median", "p95", "worst"}
    assert [each["stop"] for each in found["by_stop"]] == ["Moor", "Lake"]
    assert list(found["by_month"]) == ["2026-10", "2026-11"]
    assert sum(each["flat_days_mean"] for each in found["by_stop"]) == pytest.approx(found["flat_days_mean"], abs=2e-3)
    assert sum(each["flat_days_mean"] for each in found["by_month"].values()) == pytest.approx(found["flat_days_mean"], abs=2e-3)


def test_the_words_never_give_a_share_without_its_interval(forty):
    lines = odds_lines(forty)
    low, high = forty.flat_free_interval()
    assert lines[2].endswith(f"(95 % sure: between {low:.0%} and {high:.0%}).")
    for line in lines:
        if "without a flat day" in line:
            assert "between" in line or " to " in line


def test_the_worst_year_run_again_counts_the_same(forty):
    outcome = worst_outcome(forty)
    worst = odds_summary(forty)["worst_year"]
    assert len(outcome.flat_days) == worst["flat_days"] == forty.flat_days.max()
    assert [outcome.timeline.dates[day.day].isoformat() for day in outcome.flat_days] == worst["dates"]
    assert outcome.weather_sources[0].startswith(f"year {worst['year']} of: years drawn by chance")


def test_a_plain_run_meets_the_first_drawn_year(trip):
    clock = timeline.build_timeline(trip)
    one = route_weather(trip, clock)
    many = drawn_years(trip, clock, 5, trip.seed).block(0, 5)
    for name, values in one.table.items():
        assert (values == many.table[name][0]).all()
    assert "seed 3, year 1" in one.sources[0]


def test_drawn_and_measured_stops_may_stand_side_by_side(trip):
    """The stop with a file has its file, hour by hour; the other one has its drawn year, whatever stands beside it."""
    first, second = TRIP.split("weather = WEATHER", 1)
    mixed = parse_scenario(first + 'weather = { sample = "greensboro" }' + second.replace("WEATHER", WRITTEN))
    clock = timeline.build_timeline(mixed)
    found = route_weather(mixed, clock)
    measured = route_weather(parse_scenario(TRIP.replace("WEATHER", '{ sample = "greensboro" }')), clock)
    here = clock.stop == 0
    assert (found.table["ghi"][here] == measured.table["ghi"][here]).all()
    assert (found.table["ghi"][~here] != measured.table["ghi"][~here]).any()
    assert any("Greensboro" in source for source in found.sources)
    assert any("drawn by chance" in source for source in found.sources)


def test_load_factors_average_one_and_have_the_spread_asked_for():
    factors = draw_load_factors(400, 100, 0.15, 5)
    assert factors.mean() == pytest.approx(1.0, abs=4 * 0.15 / 200)
    assert factors.std() == pytest.approx(0.15, rel=0.02)
    assert (draw_load_factors(3, 100, 0.15, 5, first_year=7) == factors[7:10]).all()
    assert (draw_load_factors(2, 3, 0.0, 5) == 1.0).all()


def test_without_load_spread_the_load_is_that_of_the_audit(trip):
    steady = worst_outcome(odds(trip, 3, load_spread_frac=0.0))
    assert steady.hours[:, 0].sum() == pytest.approx(11.0 * steady.timeline.hours, rel=1e-9)


@pytest.mark.parametrize(("row", "longest"), [([0, 0, 0], 0), ([1, 1, 1], 3), ([1, 0, 1], 1), ([0, 1, 1], 2), ([1, 1, 0], 2)])
def test_longest_run(row, longest):
    assert longest_run(np.array([row], dtype=bool))[0] == longest


def test_a_clear_sky_has_no_odds():
    with pytest.raises(InputError) as caught:
        odds(parse_scenario(TRIP.replace("WEATHER", "{ clear = true }")), 5)
    assert len(caught.value.mistakes) == 2
    assert 'stop 1 "Moor" (line 17), weather: odds need weather that varies' in caught.value.mistakes[0]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--years", "0"), "--years: expected 1 to 10000, got 0"),
        (("--seed", "-1"), "--seed: expected a whole number from 0 on"),
        (("--load-spread", "1.5"), "--load-spread: expected a share from 0 to 1"),
        (("--source", "past"), "--source: expected a stop with weather = { years"),
    ],
)
def test_counts_that_cannot_be(tmp_path, capsys, arguments, words):
    file = tmp_path / "trip.toml"
    file.write_text(TRIP.replace("WEATHER", WRITTEN), encoding="utf-8")
    assert main(["odds", str(file), *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert words in said.err


def test_the_command_prints_json_and_writes_the_worst_year(tmp_path, capsys):
    file = tmp_path / "trip.toml"
    file.write_text(TRIP.replace("WEATHER", WRITTEN), encoding="utf-8")
    folder = tmp_path / "worst"
    assert main(["odds", str(file), "--years", "6", "--json", "--worst", str(folder)]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found) >= KEYS
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert len(summary["flat_days"]) == found["flat_days_worst"]


def test_freezing_without_snow_is_called_optimistic(trip):
    assert not any("snow on the panels" in line for line in odds_lines(odds(parse_scenario(TRIP.replace("WEATHER", WRITTEN)), 2)))
    winter = TRIP.replace("WEATHER", WRITTEN).replace("2026-10", "2026-01").replace("2026-11", "2026-02")
    assert any("It freezes at Moor, Lake, and snow on the panels" in line for line in odds_lines(odds(parse_scenario(winter), 2)))
    brushed = winter.replace('name = "Moor"', 'name = "Moor"\nsnow = "brushed"').replace(
        'name = "Lake"', 'name = "Lake"\nsnow = "stays"'
    )
    assert not any("snow on the panels" in line for line in odds_lines(odds(parse_scenario(brushed), 2)))


@pytest.mark.parametrize("pool", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_any_executor_gives_the_same_years(pool):
    """Blocks of years by threads and by fresh processes: every bit as here."""
    scenario = parse_scenario(EXECUTOR_TRIP)
    here = odds(scenario, 30, threads=1)
    options = {"mp_context": get_context("spawn")} if pool is ProcessPoolExecutor else {}
    with pool(2, **options) as executor:
        there = odds(scenario, 30, executor=executor)
    assert np.array_equal(there.flat, here.flat)
    assert np.array_equal(there.missed_wh, here.missed_wh)
    assert np.array_equal(there.stretch_days, here.stretch_days)
    assert here.flat.any()


EXECUTOR_TRIP = """
title = "two dull weeks"
[bank]
chemistry = "lfp"
unit_ah = 100
[[array]]
panel = { p_w = 100 }
[array.controller]
kind = "mppt"
[[appliance]]
name = "fridge"
power_w = 45
duty_frac = 0.5
[weather]
normals = "London/Gatwick"
[[stop]]
name = "wood"
latitude_deg = 51.1
longitude_deg = -0.2
arrive = 2026-11-20
depart = 2026-12-04
"""
