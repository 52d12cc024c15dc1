"""Remedies: cures that are known by construction, each held against a run of the changed scenario itself."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from simulator import timeline
from simulator.cli import main
from simulator.engine import simulate
from simulator.report.measures import US
from simulator.report.remedies import remedies_lines
from simulator.scenario import parse_scenario, read_scenario
from simulator.scenario.moving import departure_moved
from simulator.studies.changes import with_parallel
from simulator.studies.odds import odds
from simulator.studies.remedies import remedies
from simulator.studies.remedy import Change, Remedy
from simulator.studies.remedy_changes import single_changes
from simulator.studies.remedy_habits import hookup_night, running_h
from simulator.studies.remedy_parts import portable_array
from simulator.studies.remedy_rows import remedies_summary

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
SPELL = """
title = "A week under a roof"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
in_parallel = {units}
{bank}
{tables}
[[appliance]]
name = "pump"
power_w = {steady}
duty_frac = 1.0
{more}
[weather]
clear = true
[[stop]]
name = "Hall"
latitude_deg = 48.0
longitude_deg = 8.0
zone = "Etc/UTC"
elevation_m = 300
arrive = 2026-06-01
depart = 2026-06-05
{stop}
"""


def spell(units=1, steady=25.0, bank="unit_price = 400", tables="", more="", stop=""):
    return parse_scenario(SPELL.format(units=units, bank=bank, tables=tables, steady=steady, more=more, stop=stop))


def named(found, start):
    (remedy,) = [each for each in found.singles if each.name.startswith(start)]
    return remedy


def test_a_bank_two_units_too_small_is_cured_by_two_units_and_not_by_one():
    """25 W for five days are 3,000 Wh; a unit of 100 Ah gives about 1,250 Wh, so three are needed."""
    found = remedies(spell())
    one, two = named(found, "one more unit of 100 Ah"), named(found, "2 more units of 100 Ah")
    assert two.complete and two.left == 0.0 and two.made == 0.0
    assert not one.complete and one.cured > 0.0
    assert two.cured == len(simulate(spell()).flat_days) == found.flat.sum()
    assert (two.price, one.price) == (800.0, 400.0)
    assert two.kg == pytest.approx(2 * spell().bank.unit_kg)
    assert found.singles.index(two) < found.singles.index(one)
    # Every remedy is a walk of the changed scenario: so it must be the run of that scenario.
    for remedy, units in ((one, 2), (two, 3)):
        assert (remedy.flat[0] == simulate(with_parallel(spell(), units)).flat[0]).all()


def test_cost_a_year_by_hand():
    """400 over a life of 12 years, ten-year horizon, without interest: 400 now, 2/12 of it back, over ten years."""
    scenario = spell(bank="unit_price = 400\ncalendar_years = 12", tables="[costs]\nhorizon_years = 10\ndiscount_rate = 0")
    one = named(remedies(scenario, pairs=False), "one more unit")
    assert one.cost_per_year == pytest.approx((400.0 - 400.0 * 2.0 / 12.0) / 10.0)
    assert one.cost_per_flat_day == pytest.approx(one.cost_per_year / one.net)


def test_what_is_not_known_is_said_and_never_nothing():
    found = remedies(spell(bank=""), pairs=False)
    one = named(found, "one more unit")
    assert one.price is None and one.cost_per_year is None and not one.free
    said = "\n".join(remedies_lines(found))
    assert "not known" in said and "unit_price in [bank]" in said
    rows = remedies_summary(found)["singles"]
    assert next(row for row in rows if row["change"].startswith("one more unit"))["price"] is None


def test_nothing_in_reach_is_said_when_it_is_true():
    """A load that no change comes near; a generator and hookups are taken from it by its size."""
    found = remedies(spell(steady=3000.0))
    assert found.hopeless and not any(remedy.complete for remedy in (*found.singles, *found.pairs))
    # The pump is all there is: nobody is told to switch off everything.
    assert not any("pump" in remedy.name for remedy in found.singles)
    said = "\n".join(remedies_lines(found))
    assert "nothing in reach cures 1-5 June 2026" in said
    assert "Nothing in reach ends them all" in said


def test_nothing_to_mend():
    found = remedies(spell(units=5))
    assert not found.singles and not found.spells
    assert "nothing to mend" in remedies_lines(found)[2]


def test_pairs_are_walked_and_better_than_either():
    """Neither a unit more nor the radio off is enough; together they are."""
    more = '[[appliance]]\nname = "radio"\npower_w = 12\nduty_frac = 1.0\npriority = "comfort"\n'
    scenario = spell(steady=20.0, more=more)
    found = remedies(scenario)
    one, radio = named(found, "one more unit"), named(found, 'without "radio"')
    assert not one.complete and not radio.complete
    (pair,) = [each for each in found.pairs if {change.name for change in each.changes} == {one.name, radio.name}]
    quiet = replace(scenario, appliances=tuple(it for it in scenario.appliances if it.name != "radio"))
    assert (pair.flat[0] == simulate(with_parallel(quiet, 2)).flat[0]).all()
    assert pair.complete and pair.price == 400.0
    for each in found.pairs:
        assert each.net > max(single.net for single in found.singles if single.changes[0] in each.changes)


def test_a_change_that_makes_flat_days_says_so():
    """Leaving the sun of Florida sooner, or setting the panels steep in May, costs more than it brings."""
    found = remedies(read_scenario(SCENARIOS / "bloom-route.toml"), pairs=False)
    worse = [remedy for remedy in found.singles if remedy.made > 0.0]
    assert worse and any(remedy.net < 0.0 for remedy in worse)
    assert "makes more flat days" in "\n".join(remedies_lines(found))


def test_shipped_trip_agrees_with_the_run_and_with_moved_dates():
    scenario = read_scenario(SCENARIOS / "bloom-route.toml")
    found = remedies(scenario, pairs=False)
    outcome = simulate(scenario)
    assert (found.flat[0] == outcome.flat[0]).all()
    assert named(found, "one more unit").left == outcome.flat_day_counts["mend one more unit in parallel"]
    # Out of the trees everywhere cures no more than at the last stop alone, so only that one has a line.
    shaded = [remedy for remedy in found.singles if remedy.name.startswith("parked out of the trees")]
    assert min(remedy.left for remedy in shaded) == outcome.flat_day_counts["lift shade"]
    assert not any("everywhere" in remedy.name for remedy in shaded)
    earlier = named(found, "leaving Palmetto flats, Everglades edge a week earlier")
    assert (earlier.flat[0] == simulate(departure_moved(scenario, 2, -7)).flat[0]).all()
    assert [spell.days for spell in found.spells] == [2, 3]
    assert found.spells[0].cured_by[0] == found.singles[0].name


def test_many_years_start_from_the_odds():
    scenario = read_scenario(SCENARIOS / "channel-autumn.toml")
    found = remedies(scenario, years=12, pairs=False)
    assert found.choice.kind == "drawn"
    assert (found.flat == odds(scenario, 12).flat[0]).all()
    two = named(found, "2 more units")
    bigger = odds(with_parallel(scenario, scenario.bank.in_parallel + 1), 12)
    assert (two.flat == bigger.flat[0]).all()
    assert two.share_gained == pytest.approx(bigger.flat_free_share() - odds(scenario, 12).flat_free_share())
    again = remedies(scenario, years=12, pairs=False, threads=1)
    assert [remedy.name for remedy in again.singles] == [remedy.name for remedy in found.singles]


def test_one_night_on_a_hookup_is_one_night():
    scenario = spell()
    noon = datetime(2026, 6, 3, 12, tzinfo=UTC)
    night = hookup_night(scenario, noon)
    clock = timeline.build_timeline(night)
    assert clock.hookup.sum() == 24
    assert clock.utc[clock.hookup][0].to_pydatetime() == noon
    assert clock.utc.equals(timeline.build_timeline(scenario).utc)
    assert night.shore is not None and scenario.shore is None
    found = remedies(scenario)
    best = named(found, "one night on a hookup")
    assert best.nights == pytest.approx(1.0) and best.cured > 0.0 and found.nights_tried > 1


def test_hookup_and_fuel_are_paid():
    costs = "[costs]\nhookup_price_per_night = 30\nfuel_price_per_l = 2\n[shore]\ncharger_a = 40\n"
    best = named(remedies(spell(tables=costs), pairs=False), "one night on a hookup")
    assert best.cost_per_year == pytest.approx(30.0)
    assert best.cost_per_flat_day == pytest.approx(30.0 / best.net)
    # A generator is there already, so it is the fuel alone that more hours cost.
    short = '[generator]\nwindows = ["12:00-13:00"]\nstart_soc = 0.2\nmin_run_h = 0\n'
    longer = named(remedies(spell(steady=60.0, tables=costs + short), pairs=False), "the generator allowed at all hours")
    assert longer.litres > 0.0 and longer.cost_per_year == pytest.approx(2.0 * longer.litres)


def _remedy(name, price, cost_per_year_life, left, gives_up=0, cured=4.0):
    flat = np.zeros((1, 8), dtype=bool)
    flat[0, :left] = True
    change = Change(name, name, lambda s: s, price=price, gives_up=gives_up)
    return Remedy((change,), flat, cured, 0.0, float(left), int(left == 0), 1, 0.0, price, 0.0, 0.0, 0.0, cost_per_year_life)


def test_the_order():
    listed = [
        _remedy("dear", 900.0, 90.0, 0),
        _remedy("part free", 0.0, 0.0, 2),
        _remedy("unknown", None, None, 0),
        _remedy("cheap", 100.0, 10.0, 0),
        _remedy("price only", 50.0, None, 0),
        _remedy("free", 0.0, 0.0, 0),
        _remedy("free, without something essential", 0.0, 0.0, 0, gives_up=2),
        _remedy("free, without comfort", 0.0, 0.0, 0, gives_up=1),
        _remedy("cheap, cures little", 100.0, 10.0, 3, cured=1.0),
        _remedy("part free, cures little", 0.0, 0.0, 5, cured=1.0),
        _remedy("part free, without comfort, cures more", 0.0, 0.0, 1, gives_up=1, cured=6.0),
    ]
    assert [remedy.name for remedy in sorted(listed, key=lambda remedy: remedy.rank)] == [
        "free",
        "free, without comfort",
        "cheap",
        "dear",
        "price only",
        "unknown",
        "free, without something essential",
        "part free, without comfort, cures more",
        "part free",
        "part free, cures little",
        "cheap, cures little",
    ]


def test_only_what_applies_is_offered():
    def names(scenario, **what):
        given = {"locked": False, "driving": False, "snow": False, "worst_days": ()} | what
        return [change.name for change in single_changes(scenario, **given)]

    plain = names(spell())
    assert not any(
        word in name for name in plain for word in ("tilted", "engine", "heater", "snow", "inside", "trees", "leaving")
    )
    outside = names(spell(bank='place = "outside"', stop='shade = "half"'), locked=True, driving=True, snow=True)
    for word in ("moved inside", "heater of", "on the engine", "snow brushed", "out of the trees at Hall"):
        assert any(word in name for name in outside), word
    ac = """
[[appliance]]
name = "hob"
kind = "cooking"
bus = "ac"
power_w = 1500
hours_per_day = 1
[[appliance]]
name = "laptop"
power_w = 60
clock = ["19:00-22:00"]
[[appliance]]
name = "oxygen"
power_w = 60
hours_per_day = 5
medical = true
"""
    offered = names(spell(tables="[inverter]\nrated_w = 2000\nalways_on = true", more=ac))
    assert any(name.startswith("the inverter") for name in offered)
    assert 'gas instead of electricity for "hob"' in offered
    assert '"laptop" run between 10 and 16 h' in offered
    assert 'without "oxygen"' not in offered
    shifted = next(
        change
        for change in single_changes(spell(more=ac, tables="[inverter]"), locked=False, driving=False, snow=False, worst_days=())
        if change.name.startswith('"laptop"')
    )
    (laptop,) = [it for it in shifted.apply(spell(more=ac, tables="[inverter]")).appliances if it.name == "laptop"]
    assert laptop.clock == ((11.5, 14.5),) and running_h(laptop) == 3.0


def test_a_folding_panel_fits_the_bus():
    panel = portable_array(spell())
    assert (panel.in_series, panel.panel.p_w, panel.azimuth_deg, panel.tilt_deg) == (1, 120.0, 180.0, 45.0)
    south = replace(spell(), stops=tuple(replace(stop, latitude_deg=-34.0) for stop in spell().stops))
    assert portable_array(south).azimuth_deg == 0.0


def test_units_of_mass_and_what_is_dangerous():
    more = '[[appliance]]\nname = "radio"\npower_w = 12\nduty_frac = 1.0\npriority = "comfort"\n'
    lines = remedies_lines(remedies(spell(more=more), pairs=False), US)
    said = "\n".join(lines)
    assert " lb" in said and " kg" not in said
    assert "carbon monoxide" in said and "licensed electrician" in said and "keeps people" in said


def test_the_command(tmp_path, capsys):
    file, table = tmp_path / "trip.toml", tmp_path / "remedies.csv"
    file.write_text(SPELL.format(units=1, bank="", tables="", steady=25, more="", stop=""), encoding="utf-8")
    assert main(["remedies", str(file), "--json", "--csv", str(table)]) == 0
    text = capsys.readouterr().out
    found = json.loads(text)
    assert found["singles"][0]["complete"] is True
    rows = table.read_text(encoding="utf-8").splitlines()
    assert len(rows) == 1 + len(found["singles"]) + len(found["pairs"])
    assert str(tmp_path) not in text
    assert main(["remedies", str(file), "--json"]) == 0
    assert capsys.readouterr().out == text
    assert main(["remedies", str(file), "--no-pairs"]) == 0
    assert "What cures which flat days" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--years", "0"], "--years"),
        (["--seed", "-1"], "--seed"),
        (["--load-spread", "3"], "--load-spread"),
        (["--load-spread", "nan"], "--load-spread"),
        (["--years", "5"], "weather that varies"),
        (["--source", "past"], "--source"),
        (["--csv", "."], "this is a folder"),
    ],
)
def test_bad_flags_are_sentences(arguments, words, capsys):
    assert main(["remedies", str(SCENARIOS / "worksheet.toml"), *arguments]) == 2
    printed = capsys.readouterr()
    assert printed.out == "" and words in printed.err and "Traceback" not in printed.err
