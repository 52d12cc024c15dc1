"""One more appliance in a few words: what is understood, what it does to the load, and for how long it could run."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simulator import loads, timeline
from simulator.cli import main
from simulator.engine import simulate
from simulator.errors import InputError
from simulator.route import drawn_years
from simulator.scenario import parse_scenario
from simulator.studies.added import _hours, added_effect, effect_in_written_year, with_added, with_everything
from simulator.studies.added_words import read_added
from simulator.studies.odds import odds

WORKSHEET = Path(__file__).resolve().parents[1] / "scenarios" / "worksheet.toml"
TRIP = """
title = "a tank"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
{inverter}
[[appliance]]
name = "steady"
power_w = {steady}
duty_frac = 1.0
{more}
[weather]
{weather}
[[stop]]
name = "here"
latitude_deg = 48.0
longitude_deg = 8.0
elevation_m = 300
arrive = 2026-06-01
depart = 2026-06-04
"""


def trip(steady=10.0, inverter="", more="", weather="clear = true"):
    return parse_scenario(TRIP.format(steady=steady, inverter=inverter, more=more, weather=weather))


def day_wh(scenario):
    clock = timeline.build_timeline(scenario)
    load = loads.hourly_load_w(scenario, clock, np.full(clock.hours, 20.0))
    return load.dc_w[-1].sum() / clock.days


@pytest.mark.parametrize(
    ("text", "watts", "hours", "bus", "windows"),
    [
        ("1400 W, 6 h", 1400.0, 6.0, None, ()),
        ("60 W dc, 10 h, night", 60.0, 10.0, "dc", ()),
        ("1.2 kW ac, 30 min, 12:00-13:00", 1200.0, 0.5, "ac", ((12.0, 13.0),)),
        ("2 x 50 W, 4 h a day", 50.0, 4.0, None, ()),
        ("20w, always", 20.0, 24.0, None, ()),
        ("20 W, 22:00-01:00", 20.0, 3.0, None, ((22.0, 1.0),)),
        ("90 min/day, DC, 0.04 kW, comfort", 40.0, 1.5, "dc", ()),
    ],
)
def test_what_is_understood(text, watts, hours, bus, windows):
    found = read_added(text)
    assert (found.power_w, found.hours_per_day, found.bus, found.windows) == (pytest.approx(watts), hours, bus, windows)
    assert found.pieces == (2 if text.startswith("2 x") else 1)
    assert found.priority == (1 if "comfort" in text else 0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "nothing between two commas"),
        ("1400", 'got "1400"'),
        ("1400 W", "expected a running time"),
        ("6 h", "expected its watts"),
        ("5 W, 6 h, nihgt", 'Did you mean "night"?'),
        ("5 W, 30 h", "up to 24 h a day"),
        ("5 W, 0 h", "above 0"),
        ("0 W, 1 h", "above 0"),
        ("99 kW, 1 h", "up to 50,000"),
        ("5 W, 2 h, 12:00-13:00", "the length of its window"),
        ("5 W, 12:00-12:00", "a window on the clock"),
        ("5 W, 12:75-13:00", "a window on the clock"),
        ("5 W, 25:00-26:00", "a window on the clock"),
        ("5 W, 1 h, 7 W", "its watts once"),
        ("5 W, 1 h, 2 h", "its running time once"),
        ("5 W, 1 h, day, night", "one time of day"),
        ("5 W, night, 12:00-13:00", "one time of day"),
        ("5 W, 12:00-14:00, 13:00-15:00", "do not overlap"),
        ("0 x 5 W, 1 h", "from 1 to 1000 pieces"),
        ("-5 W, 1 h", 'got "-5 W"'),
        ("nan W, 1 h", 'got "nan W"'),
    ],
)
def test_what_is_not_understood_is_a_sentence(text, words):
    with pytest.raises(InputError) as caught:
        read_added(text)
    assert all(mistake.startswith('--add "') for mistake in caught.value.mistakes)
    assert any(words in mistake for mistake in caught.value.mistakes), caught.value.mistakes


def test_all_mistakes_at_once():
    with pytest.raises(InputError) as caught:
        read_added("0 W, 30 h, sometimes")
    assert len(caught.value.mistakes) == 3


@pytest.mark.parametrize(
    ("text", "wh"),
    [("60 W, 5 h", 300.0), ("2 x 60 W, 90 min, night", 180.0), ("30 W, always", 720.0), ("100 W, 30 min, 23:45-01:00", 50.0)],
)
def test_the_day_takes_watts_times_hours(text, wh):
    base = trip()
    assert day_wh(with_added(base, read_added(text))) - day_wh(base) == pytest.approx(wh, rel=0.02)


def test_it_runs_at_the_beginning_of_its_window():
    base = trip()
    clock = timeline.build_timeline(base)
    both = [
        loads.hourly_load_w(each, clock, np.full(clock.hours, 20.0)).dc_w[-1]
        for each in (base, with_added(base, read_added("100 W, 90 min, 12:00-15:00")))
    ]
    more = both[1] - both[0]
    assert more[clock.local_hour == 12.0] == pytest.approx(100.0)
    assert more[clock.local_hour == 13.0] == pytest.approx(50.0)
    assert more[clock.local_hour == 14.0] == pytest.approx(0.0)


def test_an_ac_appliance_needs_an_inverter():
    with pytest.raises(InputError, match="an \\[inverter\\]"):
        with_added(trip(), read_added("60 W ac, 1 h"))
    with_it = with_added(trip(inverter="[inverter]\nrated_w = 500\nalways_on = false"), read_added("60 W, 1 h"))
    assert with_it.appliances[-1].bus == "ac"


def test_hours_by_hand(make_bank):
    """A tank of 1,200 Wh gives 10 W for 96 h and 60 W for h hours a day without going dark for a quarter of an hour."""
    scenario = replace(trip(), bank=make_bank("tank"))
    effect = effect_in_written_year(scenario, [read_added("60 W, 6 h, 00:00-12:00")])
    # The last day's hours come early in the day, so all four days count: 10 * 96 + 4 * 60 * h <= 1200 + 10 * 0.25.
    exact_h = (1200.0 - 10.0 * 95.75) / (4 * 60.0)
    assert effect.flat_days_before == (0,)
    assert effect.flat_days[0] > 0
    assert effect.hours[0] is not None
    assert exact_h - 5.0 / 60.0 - 1e-6 <= effect.hours[0] <= exact_h + 1e-6


def test_hours_when_all_or_none_are_possible(make_bank):
    scenario = replace(trip(), bank=make_bank("tank", in_parallel=50))
    effect = effect_in_written_year(scenario, [read_added("5 W, 2 h"), read_added("5 W, 12:00-13:00")])
    assert effect.hours == (24.0, 1.0)
    assert effect.runs_all_hours == (True, True)
    small = replace(trip(steady=12.0), bank=make_bank("tank"))
    assert effect_in_written_year(small, [read_added("3 kW, 2 h")]).hours == (None,)


def test_a_longer_time_that_passes_again_is_not_promised():
    """Times fail from 3 h to 4 h and pass beyond: the answer is the last before the first that fails."""
    hours, again = _hours(lambda times_h: [not 3.0 <= time_h <= 4.0 for time_h in times_h], 24.0)
    assert hours == pytest.approx(3.0 - 5.0 / 60.0) and again
    assert _hours(lambda times_h: [time_h < 2.5 for time_h in times_h], 24.0) == (pytest.approx(2.5 - 5.0 / 60.0), False)
    assert _hours(lambda times_h: [False for _ in times_h], 24.0) == (0.0, False)
    assert _hours(lambda times_h: [True for _ in times_h], 0.5) == (0.5, False)


def test_run_with_an_appliance_added_is_the_run_with_it_written():
    more = '[[appliance]]\nname = "added"\npower_w = 70\nhours_per_day = 3\n'
    text = "70 W, 3 h"
    written = simulate(trip(more=more))
    added = simulate(with_added(trip(), read_added(text)))
    assert (written.days == added.days).all()
    effect = effect_in_written_year(trip(), [read_added(text)])
    assert effect.flat_days == (len(written.flat_days),)


def test_odds_with_an_appliance_added_are_the_odds_with_it_written():
    kt = "[0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]"
    mean_c = "[1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]"
    weather = f"normals = {{ kt = {kt}, temp_mean_c = {mean_c} }}"
    panel = '[[array]]\npanel = { p_w = 60 }\ncontroller = { kind = "mppt" }\n'
    base = trip(steady=14.0, weather=weather, inverter=panel)
    effect = added_effect(
        base,
        [read_added("10 W, 2 h")],
        drawn_years(base, timeline.build_timeline(base), 8, 1),
        seed=1,
        load_spread_frac=0.15,
        target_frac=0.9,
    )
    more = '[[appliance]]\nname = "added"\npower_w = 10\nhours_per_day = 2\n'
    assert effect.flat_days == tuple(odds(trip(steady=14.0, weather=weather, inverter=panel, more=more), 8).flat_days)
    assert effect.flat_days_before == tuple(odds(base, 8).flat_days)


def test_commands_take_it(capsys):
    assert main(["run", str(WORKSHEET), "--add", "30 W, 2 h", "--json"]) == 0
    summary = json.loads(capsys.readouterr().out)
    assert summary["load_wh"] == pytest.approx(5 * (1550 + 60), abs=1.0)
    # Three days of five are flat without it: there are no hours to give away.
    assert summary["added"]["flat_free_years_without"] == 0
    assert summary["added"]["appliances"][0]["possible_hours_per_day"] is None
    assert any("was added" in note for note in summary["notes"])
    assert main(["run", str(WORKSHEET), "--add", "30 W, 2 h", "--add", "5 W, always"]) == 0
    printed = capsys.readouterr().out
    assert printed.startswith('With "30 W, 2 h" and "5 W, always" added: ') and "flat days already" in printed
    assert main(["run", str(WORKSHEET), "--add", "30 Q", "--add", "60 W ac, 1 h"]) == 2
    printed = capsys.readouterr()
    assert printed.out == "" and len(printed.err.strip().splitlines()) == 2


def test_an_appliance_beyond_the_inverter_is_told_once_and_judged_behind_a_larger_one(capsys, tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text(TRIP.format(steady=5.0, inverter="[inverter]\nrated_w = 1000", more="", weather="clear = true"), "utf-8")
    assert main(["run", str(file), "--add", "2500 W, 6 min"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith('The inverter of 1,000 W cannot run "2500 W, 6 min": it would take one of 4,000 W')
    assert said.count("cannot run") == 1 and "All figures with it are for the bank with an inverter of 4,000 W" in said
    # Behind it nothing of the load is beyond what can be delivered.
    assert "what the inverter may deliver" not in said
    assert main(["run", str(file), "--add", "2500 W, 6 min", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    small = found["added"]["inverter_too_small"]
    assert (small["rated_w"], small["needed_w"], small["for"]) == (1000.0, 4000.0, ["2500 W, 6 min"])
    assert any("the inverter was taken as one of 4,000 W" in note for note in found["notes"])
    # The same as the trip with that inverter and that appliance written.
    written = with_added(trip(steady=5.0, inverter="[inverter]\nrated_w = 4000"), read_added("2500 W, 6 min"))
    small_one = trip(steady=5.0, inverter="[inverter]\nrated_w = 1000")
    fitted = with_everything(small_one, [read_added("2500 W, 6 min")])[0]
    assert (simulate(written).days == simulate(fitted).days).all()


def test_one_within_the_rating_leaves_the_inverter_as_it_is():
    base = trip(inverter="[inverter]\nrated_w = 1000")
    scenario, fitting = with_everything(base, [read_added("900 W, 1 h")])
    assert fitting is None and scenario.inverter == base.inverter
    assert with_everything(base, [read_added("2500 W dc, 1 h")])[1] is None
