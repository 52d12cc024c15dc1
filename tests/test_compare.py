"""Designs side by side: the figures are those of the engine and of the odds, the costs those of a pencil."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from simulator import simulate
from simulator.battery import kernel as k
from simulator.cli import main
from simulator.errors import InputError
from simulator.report.compare import Row, best_of, comparison_lines
from simulator.report.measures import Measures
from simulator.scenario.variants import variants_of
from simulator.studies.compare import Comparison, compare, hookup_nights, mistakes_in
from simulator.studies.compare_tables import comparison_summary, comparison_table
from simulator.studies.costs import annuity_factor
from simulator.studies.life import live
from simulator.studies.odds import clopper_pearson, odds
from simulator.timeline import build_timeline

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
TRIP = """
title = "a short trip"
seed = 3
[vehicle]
heading_deg = 180
payload_margin_kg = 60
budget = 1500
roof_m2 = 2.0
bay_m = [0.70, 0.40, 0.22]
[bank]
chemistry = "lfp"
unit_ah = 100
in_parallel = 1
unit_kg = 12
unit_m = [0.33, 0.172, 0.215]
unit_price = 400
warranty_years = 5
[[array]]
name = "roof"
panel = { p_w = 110, kg = 8, area_m2 = 0.8, price = 100 }
in_parallel = 1
tilt_deg = 0
[array.controller]
kind = "mppt"
price = 80
[shore]
charger_a = 30
[[appliance]]
name = "fridge"
power_w = 45
duty_frac = 0.6
[[appliance]]
name = "work"
power_w = 60
hours_per_day = 5
[costs]
horizon_years = 8
discount_rate = 0.04
fuel_price_per_l = 2.0
hookup_price_per_night = 25
[[stop]]
name = "Grove"
latitude_deg = 25.79
longitude_deg = -80.32
arrive = 2026-01-05
depart = 2026-01-16
weather = { sample = "miami" }
[[stop]]
name = "Yard"
latitude_deg = 25.9
longitude_deg = -80.4
arrive = 2026-01-16
depart = 2026-01-20
hookup = true
weather = { sample = "miami" }
[rest_of_year]
storage = { soc = 0.5, temp_c = 15 }
[[variant]]
name = "three"
set = { "bank.in_parallel" = 3 }
[[variant]]
name = "AGM"
set = { "bank.chemistry" = "agm", "bank.in_parallel" = 3, "bank.unit_kg" = 30, "bank.unit_price" = 200, "bank.extra_price" = 150 }
[[variant]]
name = "generator"
set = { generator = { rated_w = 1000, price = 500, kg = 14, windows = ["08:00-20:00"] } }
"""


@cache
def found() -> Comparison:
    return compare(variants_of(TRIP), 8)


def design(name):
    return next(it for it in found().designs if it.name == name)


@pytest.mark.parametrize("name", ["as written", "three", "AGM", "generator"])
def test_flat_days_are_those_of_the_odds(name):
    alone = odds(design(name).scenario, 8)
    assert design(name).flat_days.tolist() == alone.flat_days.tolist()
    assert design(name).flat_free_share == alone.flat_free_share()
    assert design(name).flat_free_interval == clopper_pearson(int((alone.flat_days == 0).sum()), 8)


def test_over_the_year_as_written_it_is_the_plain_run():
    single = compare(variants_of(TRIP), source="written")
    assert single.kind == "written"
    for it in single.designs:
        outcome = simulate(it.scenario)
        assert it.flat_days.tolist() == [len(outcome.flat_days)]
        assert it.lowest_soc == pytest.approx(outcome.lowest[0])
        # Storage for the rest: the route comes once a year.
        assert it.delivered_kwh == pytest.approx(outcome.hours[:, k.DISCHARGED_WH].sum() / 1000.0)
        assert it.full_cycles == pytest.approx(outcome.life.full_cycles_per_year)
        assert it.generator_h == pytest.approx(outcome.hours[:, k.GENERATOR_H].sum())


def test_life_is_that_of_the_life_run():
    assert design("AGM").life.years_to_end == live(design("AGM").scenario).years_to_end


def test_room_weight_and_price_by_hand():
    it = design("three")
    assert it.rated_wh == pytest.approx(3 * 12.8 * 100)
    assert it.usable_wh == pytest.approx(3 * 12.8 * 100 * it.scenario.bank.usable_frac)
    assert it.volume_l == pytest.approx(3 * 33.0 * 17.2 * 21.5 / 1000)
    assert it.footprint_m2 == pytest.approx(3 * 0.33 * 0.172)
    assert it.mass_kg == pytest.approx(3 * 12 + 8)
    assert it.payload_left_kg == pytest.approx(60 - 44)
    assert it.price == pytest.approx(3 * 400 + 100 + 80)
    assert it.budget_left == pytest.approx(1500 - 1380)
    assert it.roof_left_m2 == pytest.approx(1.2)
    # 0.70 x 0.40 m: two by two standing, and no second layer in 0.22 m.
    assert it.bay is not None
    assert it.bay.units == 4
    assert it.mass_missing == ("kg in [shore]",)


def test_a_limit_broken_is_told():
    assert design("AGM").limits_broken == ("it is 38 kg above the payload margin",)
    assert design("three").limits_broken == ()
    text = "\n".join(comparison_lines(found()))
    assert '"AGM" does not go in: it is 38 kg above the payload margin.' in text


def test_a_year_costs_what_a_pencil_says():
    it = design("AGM")
    assert it.cost is not None
    rate, horizon, factor = 0.04, 8.0, annuity_factor(0.04, 8.0)
    life = it.life.years_to_end

    def bought(price, life):
        at = np.arange(0.0, horizon, life)
        left = (at[-1] + life - horizon) / life
        return (price * ((1 + rate) ** -at).sum() - price * left * (1 + rate) ** -horizon) / factor

    capital = bought(600.0, life) + bought(150.0, 10.0) + bought(100.0, 25.0) + bought(80.0, 10.0)
    # Three nights of the four on the hookup: the last day is left for home... the stay from the 16th to the 20th has four nights.
    assert it.hookup_nights == 4
    assert it.cost.per_year == pytest.approx(capital + 4 * 25.0)
    assert it.cost.per_kwh == pytest.approx(it.cost.per_year / it.delivered_kwh)
    assert it.cost.bank_replacements == len(np.arange(0.0, horizon, life)) - 1
    assert it.extra_price == 150.0


def test_fuel_is_litres_times_price():
    it = design("generator")
    assert it.cost is not None
    assert it.generator_l > 0.0
    assert it.cost.fuel_per_year == pytest.approx(2.0 * it.generator_l)
    # A 1 kW generator burns 0.2 to 0.5 L an hour (common practice, no source: half of a 2 kW one).
    assert 0.2 < it.generator_l / it.generator_h <= 0.55


def test_an_unpriced_part_alike_in_all_is_left_out_and_told():
    assert found().left_out == ("hookup charger",)
    assert "being without a price and the same in all designs: hookup charger" in "\n".join(comparison_lines(found()))


def test_an_unpriced_part_that_differs_is_named_with_its_key():
    text = TRIP.replace("panel = { p_w = 110, kg = 8, area_m2 = 0.8, price = 100 }", "panel = { p_w = 110, kg = 8 }")
    two = text.split("[[variant]]")[0] + '[[variant]]\nname = "two panels"\nset = { "array.roof.in_parallel" = 2 }\n'
    other = compare(variants_of(two), 2)
    assert all(it.cost is None and it.price is None for it in other.designs)
    said = "\n".join(comparison_lines(other))
    assert 'Write price in panel of array 1 "roof".' in said
    assert "roof_left_m2" in comparison_table(other).columns


def test_without_any_price_nothing_is_said_of_money():
    text = "\n".join(line for line in TRIP.splitlines() if "price" not in line and "budget" not in line)
    bare = text.replace("[array.controller]", "panel = { p_w = 110 }\n[array.controller]").split("[[variant]]")[0]
    other = compare(variants_of(bare + '[[variant]]\nname = "two"\nset = { "bank.in_parallel" = 2 }\n'), 2)
    assert not other.money
    said = "\n".join(comparison_lines(other))
    assert "No prices are written" in said
    assert "cost of a year" not in said


def test_other_service_is_flagged_and_never_the_cheapest():
    best = found().reference
    flagged = [it for it in found().designs if not found().same_service(it)]
    assert found().same_service(best)
    assert flagged, "the trip is made so that some design runs flat more often"
    said = "\n".join(comparison_lines(found()))
    for it in flagged:
        assert it.flat_mean - best.flat_mean > 0.5 or it.flat_worst > best.flat_worst + 2
        assert f'"{it.name}" is not the same service as' in said
    cost = Row("cost", lambda it: it.cost.per_year, str, -1, same_service=True)
    assert not {found().designs[place].name for place in best_of(cost, found())} & {it.name for it in flagged}


def test_the_best_of_a_row():
    least = Row("mass", lambda it: it.mass_kg, str, -1)
    assert [found().designs[place].name for place in best_of(least, found())] == ["as written"]
    most = Row("usable", lambda it: it.usable_wh, str, 1)
    assert [found().designs[place].name for place in best_of(most, found())] == ["three"]
    assert best_of(Row("warranty", lambda it: 5.0, str, 1), found()) == set()
    assert best_of(Row("mass", lambda it: it.mass_kg, str), found()) == set()


def test_a_worn_bank_is_followed_by_a_new_one():
    used = TRIP.replace("unit_price = 400\n", "unit_price = 400\nowned = true\nsoh_start = 0.82\nage_years = 4\n")
    it = compare(variants_of(used), source="written").designs[0]
    assert it.cost is not None
    bank = it.cost.parts[0]
    assert (bank.name, bank.now) == ("bank", 0.0)
    assert bank.replacements == 1
    assert bank.later == pytest.approx(400.0 / 1.04**it.life.years_to_end)


def test_nights_on_a_hookup():
    scenario = design("as written").scenario
    assert hookup_nights(build_timeline(scenario)) == 4
    always = dict(variants_of(TRIP.replace("depart = 2026-01-16\n", "depart = 2026-01-16\nhookup = true\n", 1)))["as written"]
    assert hookup_nights(build_timeline(always)) == 15


def test_designs_on_other_routes_are_refused_with_a_sentence():
    one = variants_of(TRIP)[0][1]
    later = variants_of(TRIP.replace("2026-01-20", "2026-01-21"))[0][1]
    other = variants_of(TRIP.replace("discount_rate = 0.04", "discount_rate = 0.05"))[0][1]
    with pytest.raises(InputError) as caught:
        compare([("one", one), ("later", later), ("other", other), ("one", one)], years=0)
    text = "\n".join(caught.value.mistakes)
    assert '"later": expected the stops, dates, drives and weather of "one", got others.' in text
    assert '"other": expected the [costs] of "one"' in text
    assert '"one": expected a name of its own for every design, got it 2 times.' in text
    assert "--years: expected a whole number from 1 to 10000, got 0" in text
    assert len(caught.value.mistakes) == 4


def test_shade_and_hookup_may_differ():
    text = TRIP + '[[variant]]\nname = "sun"\nset = { "stop.1.shade" = "half", "stop.2.hookup" = false }\n'
    assert mistakes_in(variants_of(text)) == []
    it = compare(variants_of(text), 2).designs[-1]
    assert it.hookup_nights == 0


def test_nights_without_a_price_are_left_out_where_alike_and_asked_for_where_not():
    text = TRIP.replace("hookup_price_per_night = 25\n", "")
    alike = compare(variants_of(text), 2)
    assert "nights on a hookup" in alike.left_out
    assert all(it.cost is not None and it.cost.hookup_per_year == 0.0 for it in alike.designs)
    other = compare(variants_of(text + '[[variant]]\nname = "wild"\nset = { "stop.2.hookup" = false }\n'), 2)
    assert any("Write hookup_price_per_night in [costs]." in sentence for sentence in other.designs[0].cost_missing)
    assert other.designs[-1].cost is not None


def test_an_unpriced_bank_is_asked_for_even_if_alike():
    text = TRIP.split("[[variant]]", maxsplit=1)[0].replace("unit_price = 400\n", "")
    other = compare(variants_of(text + '[[variant]]\nname = "tilted"\nset = { "array.roof.tilt_deg" = 30 }\n'), 2)
    assert all("Write unit_price in [bank]." in " ".join(it.cost_missing) for it in other.designs)


def test_one_design_is_no_comparison(tmp_path, capsys):
    file = tmp_path / "one.toml"
    file.write_text(TRIP.split("[[variant]]", maxsplit=1)[0], encoding="utf-8")
    assert main(["compare", str(file)]) == 2
    assert "expected at least two designs, got one" in capsys.readouterr().err


def test_units_of_the_united_states():
    said = "\n".join(comparison_lines(found(), Measures("us")))
    assert "weight, lb" in said
    assert "cu ft" in said
    assert re.search(r"\d kg\b", said) is None
    assert re.search(r"\d lb\b", said) is not None


def test_no_line_is_wider_than_a_page_and_every_design_is_told():
    lines = comparison_lines(found())
    table = [line for line in lines if line.startswith("    flat days, average year")]
    assert len(table) == 1
    assert max(len(line) for line in lines if line.startswith("    ")) <= 100
    for it in found().designs:
        assert any(f"  - {it.name}: " in line for line in lines)


def test_the_command_writes_the_same_bytes(tmp_path, capsys):
    file, table = tmp_path / "trip.toml", tmp_path / "designs.csv"
    file.write_text(TRIP, encoding="utf-8")
    assert main(["compare", str(file), "--years", "3", "--json", "--csv", str(table)]) == 0
    first = capsys.readouterr().out
    assert main(["compare", str(file), "--years", "3", "--json"]) == 0
    assert capsys.readouterr().out == first
    told = json.loads(first)
    assert [it["design"] for it in told["designs"]] == ["as written", "three", "AGM", "generator"]
    assert told["designs"][1]["bay_layers"] == [{"up": "height", "height_m": 0.215, "units": 4}]
    assert str(tmp_path) not in first
    head, *rows = table.read_text(encoding="utf-8").splitlines()
    assert head.startswith("design,chemistry,units,rated_wh,usable_wh")
    assert len(rows) == 4


def test_two_files_and_their_variants(tmp_path, capsys):
    one, two = tmp_path / "lithium.toml", tmp_path / "lead.toml"
    one.write_text(TRIP.split("[[variant]]", maxsplit=1)[0], encoding="utf-8")
    two.write_text("[[variant]]".join(TRIP.split("[[variant]]")[:2]), encoding="utf-8")
    assert main(["compare", str(one), str(two), "--years", "2"]) == 0
    said = capsys.readouterr().out
    for name in ("lithium", "lead", "lead: three"):
        assert f"- {name}: " in said


def test_mistakes_of_all_files_at_once(tmp_path, capsys):
    bad = tmp_path / "bad.toml"
    bad.write_text(TRIP.replace("unit_price = 400", "unit_price = -4"), encoding="utf-8")
    assert main(["compare", str(bad), str(tmp_path / "none.toml")]) == 2
    said = capsys.readouterr().err
    assert "unit_price" in said
    assert "no such file" in said


def test_summary_has_no_nan():
    json.dumps(comparison_summary(found()), allow_nan=False)


def test_the_shipped_choice_shows_what_it_says():
    from simulator.scenario.variants import read_variants

    shipped = compare(read_variants(SCENARIOS / "choosing-a-bank.toml"), 10)
    by_name = {it.name: it for it in shipped.designs}
    assert by_name["2 panels"].flat_mean > by_name["as written"].flat_mean > by_name["4 units"].flat_mean
    assert by_name["generator"].flat_mean == 0.0
    assert by_name["generator"].generator_l > 0.0
    assert all(it.cost is not None for it in shipped.designs)
    assert by_name["AGM"].cost.bank_replacements >= 1
    assert not any(it.limits_broken for it in shipped.designs)


def test_a_clear_sky_has_no_years_and_the_cure_is_told(tmp_path, capsys):
    text = (SCENARIOS / "worksheet.toml").read_text(encoding="utf-8")
    file = tmp_path / "clear.toml"
    file.write_text(text + '[[variant]]\nname = "six"\nset = { "bank.in_parallel" = 6 }\n', encoding="utf-8")
    assert main(["compare", str(file)]) == 2
    assert "--source written" in capsys.readouterr().err
    assert main(["compare", str(file), "--source", "written"]) == 0
    said = capsys.readouterr().out
    assert "2 designs over one weather year, 5 days each" in said
    assert "no panels" in said
