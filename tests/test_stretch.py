"""Days of a stated sky from full: against the hand formula where it is exact, and against the record where it is not."""

from __future__ import annotations

import json
from datetime import date

import numpy as np
import pytest

from simulator import timeline
from simulator.cli import main
from simulator.errors import InputError
from simulator.report.spell import stretch_lines
from simulator.route import drawn_years
from simulator.scenario import parse_scenario
from simulator.studies.stretch import LONGEST_DAYS, SEASON_DAYS, _alone, find_stop, stretch, stretch_summary

KT = "[0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]"
MEAN_C = "[1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]"
TRIP = f"""
title = "Two stops"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
place = "inside"
resistance_ohm = 0
standby_w = 0
self_discharge_frac_per_day = 0
[[array]]
panel = {{ p_w = 150 }}
controller = {{ kind = "mppt" }}
[[appliance]]
name = "fridge"
power_w = 12
duty_frac = 1.0
[[appliance]]
name = "pump at the lake"
power_w = 6
duty_frac = 1.0
stops = ["Lake"]
[shore]
charger_a = 30
[weather]
normals = {{ kt = {KT}, temp_mean_c = {MEAN_C} }}
[[stop]]
name = "Moor"
latitude_deg = 48.0
longitude_deg = 8.0
elevation_m = 400
hookup = true
arrive = 2026-10-10
depart = 2026-10-25
[[stop]]
name = "Lake"
latitude_deg = 47.5
longitude_deg = 9.0
elevation_m = 500
drive_h = 2
arrive = 2026-10-25
depart = 2026-11-08
"""
WINTER = date(2026, 12, 15)


@pytest.fixture(scope="module")
def trip():
    return parse_scenario(TRIP)


def test_without_sun_the_simulation_is_the_hand_formula_with_the_bank_s_own_volts(trip):
    """A lossless bank gives the integral of its voltage over its charge; by hand it is the label's volts."""
    found = stretch(trip, trip.stops[0], WINTER, kt=0.0)
    curve = trip.bank.curve
    soc = np.linspace(trip.bank.cutoff_soc, 1.0, 20_001)
    volts = np.interp(soc, curve.soc, curve.ocv_v)
    stored_wh = 100.0 * float(np.sum((volts[1:] + volts[:-1]) / 2.0 * np.diff(soc)))
    assert found.load_wh_per_day == pytest.approx(12.0 * 24.0, rel=1e-9)
    assert found.days == pytest.approx(stored_wh / 288.0, rel=2e-3)
    assert found.days == found.days_without_sun
    assert found.hand_days == pytest.approx(100.0 * trip.bank.unit_v * (1.0 - trip.bank.cutoff_soc) / 288.0)
    assert found.hand_days_with_sun == found.hand_days
    assert found.sun_wh_per_day == 0.0


def test_hookup_and_driving_do_not_help_and_other_stops_loads_do_not_count(trip):
    moor = stretch(trip, trip.stops[0], WINTER, kt=0.0)
    lake = stretch(trip, trip.stops[1], WINTER, kt=0.0)
    assert lake.load_wh_per_day == pytest.approx(1.5 * moor.load_wh_per_day)
    assert lake.days == pytest.approx(moor.days / 1.5, rel=0.01)


def test_a_brighter_sky_carries_longer_and_a_bright_one_for_ever(trip):
    days = [stretch(trip, trip.stops[0], WINTER, kt=kt).days for kt in (0.0, 0.1, 0.2, 0.3)]
    assert days == sorted(days)
    assert days[0] < days[-1]
    summer = stretch(trip, trip.stops[0], date(2026, 6, 1), kt=0.6)
    assert summer.days is None
    assert summer.looked_days == LONGEST_DAYS
    assert summer.hand_days_with_sun is None
    assert "through all 60 days" in stretch_lines(summer)[2]


def test_with_some_sun_the_hand_formula_agrees_within_a_tenth(trip):
    found = stretch(trip, trip.stops[0], WINTER, kt=0.15)
    assert found.days == pytest.approx(found.hand_days_with_sun, rel=0.1)


def test_the_even_sky_brings_the_share_that_was_asked_for(trip):
    found = stretch(trip, trip.stops[0], WINTER, spell_days=None, kt=0.2)
    assert found.kt == 0.2
    assert "0.20 of the light" in found.sky


def test_the_darkest_days_are_the_darkest_of_all_years(trip):
    found = stretch(trip, trip.stops[0], WINTER, spell_days=5, years=30)
    # Looked for once more, day by day.
    season = _alone(trip, trip.stops[0], date(2026, 11, 15), 2 * SEASON_DAYS + 5)
    clock = timeline.build_timeline(season)
    ghi = drawn_years(season, clock, 30, trip.seed).block(0, 30).table["ghi"]
    daily = np.stack([ghi[:, clock.local_day == day].sum(axis=1) for day in range(clock.days)], axis=1)
    sums = {(float(daily[year, day : day + 5].sum()), year, day) for year in range(30) for day in range(clock.days - 4)}
    _, year, day = min(sums)
    assert found.first_day == clock.dates[day]
    assert f"(year {year + 1}, " in found.sky
    assert found.looked_days == 5
    assert 0.0 < found.kt < 0.28
    assert stretch(trip, trip.stops[0], WINTER, spell_days=5, years=30).lowest_soc == found.lowest_soc


def test_stops_are_found_by_number_and_name(trip):
    assert find_stop(trip, "2").name == "Lake"
    assert find_stop(trip, "lake").number == 2
    with pytest.raises(InputError, match=r'expected the number or the name of a stop, got "3". The stops are 1 "Moor", 2 "Lake"'):
        find_stop(trip, "3")


def test_the_command(tmp_path, capsys):
    file = tmp_path / "trip.toml"
    file.write_text(TRIP, encoding="utf-8")
    assert main(["stretch", str(file), "--stop", "Moor", "--date", "2026-12-15", "--kt", "0.1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    scenario = parse_scenario(TRIP)
    again = stretch_summary(stretch(scenario, scenario.stops[0], WINTER, kt=0.1))
    assert {**found, "scenario_sha256": ""} == {**again, "scenario_sha256": ""}
    assert main(["stretch", str(file), "--stop", "1"]) == 0
    assert "Full on 10 October 2026 at Moor, this bank carries the load" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--kt", "1.2"), "--kt: expected a share from 0 to 0.85"),
        (("--date", "tomorrow"), '--date: expected a date such as 2026-12-15, got "tomorrow"'),
        (("--date", "9999-12-20"), "--date: expected a date"),
        (("--spell", "90"), "--spell: expected 1 to 30 days, got 90"),
        (("--temp", "99"), "--temp: expected -60 to 60 C"),
    ],
)
def test_what_cannot_be(tmp_path, capsys, arguments, words):
    file = tmp_path / "trip.toml"
    file.write_text(TRIP, encoding="utf-8")
    assert main(["stretch", str(file), "--stop", "1", *arguments]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert words in said.err
