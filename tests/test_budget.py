"""The budget against closed forms of energy balance, and what it says where more load is not always worse."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from simulator.cli import main
from simulator.errors import InputError
from simulator.report.budget import budget_lines
from simulator.scenario import parse_scenario
from simulator.studies.budget import TOLERANCE_FRAC, budget, budget_summary

WORKSHEET = Path(__file__).resolve().parents[1] / "scenarios" / "worksheet.toml"
TRIP = """
title = "a tank"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
{tables}
[[appliance]]
name = "steady"
power_w = {steady}
duty_frac = 1.0
[weather]
clear = true
[[stop]]
name = "first"
latitude_deg = 48.0
longitude_deg = 8.0
zone = "Etc/UTC"
arrive = 2026-06-01
depart = 2026-06-11
{here}
[[stop]]
name = "second"
latitude_deg = 48.0
longitude_deg = 8.0
zone = "Etc/UTC"
arrive = 2026-06-11
depart = 2026-06-20
{here}
"""
TANK_WH = 1200.0
DARK_H = 0.25
"""A day is flat from this on, so the last quarter of an hour need not be carried."""


def tank(make_bank, steady=2.0, tables="", here="", **bank):
    scenario = parse_scenario(TRIP.format(steady=steady, tables=tables, here=here))
    return replace(scenario, bank=make_bank("tank", **bank))


def within(found_w, exact_w):
    """The exact answer is not exceeded, and missed by no more than the stated tolerance."""
    assert exact_w * (1.0 - 1.001 * TOLERANCE_FRAC) - 1e-9 <= found_w <= exact_w * (1.0 + 1e-9)


def test_whole_trip_and_each_stop_by_hand(make_bank):
    found = budget(tank(make_bank))
    within(found.whole.wh_per_day / 24.0, TANK_WH / (480.0 - DARK_H))
    first, second = found.lines
    assert (first.stop, first.month, first.days) == ("first", "2026-06", 10)
    assert (second.stop, second.month, second.days) == ("second", "2026-06", 10)
    within(first.wh_per_day / 24.0, TANK_WH / (240.0 - DARK_H))
    # The trip as written, 2 W, has taken 480 Wh before the second stay begins.
    within(second.wh_per_day / 24.0, (TANK_WH - 240.0 * 2.0) / (240.0 - DARK_H))
    assert found.whole.audit_wh_per_day == pytest.approx(48.0)
    assert found.whole.multiplier * found.whole.audit_wh_per_day == pytest.approx(found.whole.wh_per_day)
    assert found.essential is None


def test_a_steady_charger_by_hand(make_bank):
    """What a charger gives all the time comes on top: P = S + E / (T - 15 min)."""
    scenario = tank(make_bank, tables="[shore]\ncharger_a = 5", here="hookup = true")
    within(budget(scenario).whole.wh_per_day / 24.0, 5.0 * 12.0 + TANK_WH / (480.0 - DARK_H))


def test_a_bank_that_arrives_dark_can_give_nothing(make_bank):
    found = budget(tank(make_bank, steady=20.0))
    second = found.lines[1]
    assert second.arrives_dark and second.wh_per_day == pytest.approx(0.0, abs=0.1)
    assert any("dark on arrival" in line for line in budget_lines(found))


def test_overload_ends_a_budget_before_the_bank_is_empty(make_bank):
    """A bank that delivers 10 A at most gives 120 W at most, however much is in it."""
    found = budget(tank(make_bank, steady=50.0, in_parallel=1000, discharge_limit_a=0.01))
    within(found.whole.wh_per_day / 24.0, 120.0)
    assert found.whole.limit == "overload"
    assert any("cannot deliver it" in line for line in budget_lines(found))


def test_more_than_ever_tried(make_bank):
    found = budget(tank(make_bank, steady=0.01, in_parallel=100))
    assert found.whole.open_ended and found.whole.multiplier == pytest.approx(32.0)
    assert "more than" in budget_lines(found)[2]


def test_a_generator_that_starts_too_late_makes_less_load_worse(make_bank, make_generator):
    """1,200 Wh, starting full; the generator may run until 20:00 and starts at 30 %.

    At 40 W the bank is at 33 % at 20:00 and empty in the night; at 45 W it started the generator at 18:40 and lasts.
    """
    text = TRIP.format(steady=10.0, tables="", here="").replace("2026-06-11", "2026-06-02").replace("2026-06-20", "2026-06-02")
    generator = make_generator(windows=((8.0, 20.0),), start_soc=0.3, stop_soc=0.95)
    scenario = replace(parse_scenario(text), bank=make_bank("tank"), generator=generator)
    found = budget(scenario)
    # From 20:00 to 8:00 it may not start, and from 7:45 on the second day it may be dark: 31.75 h from full.
    within(found.whole.wh_per_day / 24.0, TANK_WH / (32.0 - DARK_H))
    again = [10.0 * times for times in found.whole.passes_again]
    assert again and all(watts >= 0.7 * TANK_WH / 20.0 for watts in again)
    assert any("More load is not always worse" in line for line in budget_lines(found))


def test_essential_alone(make_bank):
    more = '[[appliance]]\nname = "music"\npower_w = 1\nduty_frac = 1.0\npriority = "luxury"\n'
    found = budget(tank(make_bank, tables=more))
    assert found.essential is not None
    whole, _, second = found.essential
    within(whole.wh_per_day / 24.0, TANK_WH / (480.0 - DARK_H))
    # Without the music the second stay is reached with more in the bank than with it.
    within(second.wh_per_day / 24.0, (TANK_WH - 240.0 * 2.0) / (240.0 - DARK_H))
    assert found.lines[1].wh_per_day < second.wh_per_day


def test_many_years_take_the_share_that_was_asked_for():
    text = TRIP.format(steady=12.0, tables='[[array]]\npanel = { p_w = 60 }\ncontroller = { kind = "mppt" }', here="").replace(
        "clear = true",
        "normals = { kt = [0.3,0.3,0.3,0.3,0.3,0.3,0.3,0.3,0.3,0.3,0.3,0.3], temp_mean_c = [9,9,9,9,9,9,9,9,9,9,9,9] }",
    )
    scenario = parse_scenario(text)
    low, high = (budget(scenario, years=10, target_frac=target) for target in (1.0, 0.5))
    assert (low.years, low.choice.kind, low.choice.load_spread_frac) == (10, "drawn", 0.15)
    assert low.whole.wh_per_day < high.whole.wh_per_day
    assert budget(scenario, years=10, target_frac=1.0, threads=1).whole == low.whole
    usual = budget(scenario)
    assert (usual.years, usual.choice.kind) == (20, "drawn")


def test_the_summary_is_whole_and_steady(capsys, tmp_path):
    table = tmp_path / "budget.csv"
    assert main(["budget", str(WORKSHEET), "--json", "--csv", str(table)]) == 0
    text = capsys.readouterr().out
    found = json.loads(text)
    assert found["whole_trip"]["budget_wh_per_day"] == found["by_stop_and_month"][0]["budget_wh_per_day"]
    # By hand 3,840 Wh at 12 V over five days; lithium stands higher (13.2 V), so a tenth more.
    assert found["whole_trip"]["budget_wh_per_day"] == pytest.approx(1.08 * 3840 / 5, rel=0.03)
    assert found["tolerance_frac"] == TOLERANCE_FRAC
    assert main(["budget", str(WORKSHEET), "--json"]) == 0
    assert capsys.readouterr().out == text
    assert table.read_text(encoding="utf-8").splitlines()[0].startswith("stop,month,days,audit_wh_per_day,budget_wh_per_day")
    assert str(tmp_path) not in text


def test_the_verdict_comes_first(capsys):
    assert main(["budget", str(WORKSHEET), "--add", "10 W, 2 h"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith('With "10 W, 2 h" added')
    assert any(line.startswith("This system can give ") for line in lines)


def test_nothing_that_draws_power(make_bank):
    scenario = replace(tank(make_bank), appliances=())
    with pytest.raises(InputError, match="something that draws power"):
        budget(scenario)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--years", "0"], "--years"),
        (["--years", "20000"], "--years"),
        (["--target", "0"], "--target"),
        (["--target", "nan"], "--target"),
        (["--seed", "-1"], "--seed"),
        (["--load-spread", "2"], "--load-spread"),
        (["--years", "5"], "weather that varies"),
        (["--csv", "."], "this is a folder"),
        (["--add", "5"], "--add"),
    ],
)
def test_bad_flags_are_sentences(arguments, words, capsys):
    assert main(["budget", str(WORKSHEET), *arguments]) == 2
    printed = capsys.readouterr()
    assert printed.out == "" and words in printed.err and "Traceback" not in printed.err


def test_all_mistakes_at_once(capsys):
    assert main(["budget", str(WORKSHEET), "--years", "0", "--target", "7", "--seed", "-1"]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 3


def test_summary_of_many_numbers_has_no_nan(make_bank):
    json.dumps(budget_summary(budget(tank(make_bank))), allow_nan=False)
