"""Sizing: early exits against the whole grid, answers against plain search, a sizing curve from a published matrix."""

from __future__ import annotations

import importlib.util
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import simulator.cli
from simulator import timeline
from simulator.battery import Histories
from simulator.battery import kernel as k
from simulator.engine import Setting
from simulator.errors import InputError
from simulator.report.measures import US
from simulator.report.sizing import size_lines, usual_words
from simulator.route import RouteWeather, WeatherYears, drawn_years
from simulator.scenario import parse_scenario, read_scenario
from simulator.scenario.parts import Generator, SizeWish
from simulator.studies import changes, designs
from simulator.studies.designs import NOT_WALKED, walk_designs
from simulator.studies.grid import build_grid
from simulator.studies.parts_list import parts_list
from simulator.studies.sizing import size
from simulator.studies.sizing_tables import size_rows, size_summary, size_table
from simulator.studies.walker import Target

ROOT = Path(__file__).resolve().parents[1]

SHORT = """
title = "Short stay"
[bank]
chemistry = "{chemistry}"
unit_ah = 60
in_parallel = 1
unit_price = 100
unit_kg = 12
unit_m = [0.3, 0.2, 0.2]
at_floor = "{at_floor}"
standby_w = {standby_w}
[[array]]
name = "roof"
panel = {{ p_w = 60, price = 50, kg = 4, area_m2 = 0.4 }}
controller = {{ kind = "mppt" }}
[[appliance]]
name = "all"
wh_per_day = {wh}
[[stop]]
name = "Field"
latitude_deg = 51.2
longitude_deg = -0.3
elevation_m = 60
arrive = 2026-{month:02d}-01
depart = 2026-{month:02d}-20
weather = {{ normals = "London/Gatwick" }}
{more}
"""


def short(chemistry="lfp", at_floor="keep", standby_w=0.5, wh=500, month=9, more=""):
    return parse_scenario(
        SHORT.format(chemistry=chemistry, at_floor=at_floor, standby_w=standby_w, wh=wh, month=month, more=more)
    )


def random_case(seed):
    """A scenario with what makes more bank worse now and then, and a grid, target and limits by chance."""
    chance = np.random.default_rng([77, seed])
    scenario = short(
        chemistry=str(chance.choice(["lfp", "agm"])),
        at_floor=str(chance.choice(["keep", "off"])),
        standby_w=float(chance.choice([0.5, 6.0])),
        wh=int(chance.integers(250, 700)),
        month=int(chance.choice([3, 9, 10])),
    )
    if chance.random() < 0.5:
        generator = Generator(600.0, 15.0, 0.3, 0.6, 2.0, ((9.0, 12.0),), 0.3, 0.6, price=500.0, kg=20.0)
        scenario = changes.with_generator(scenario, generator)
    years = int(chance.integers(3, 12))
    odds = float(chance.choice([0.5, 0.8])) if chance.random() < 0.4 else None
    wish = SizeWish(
        in_parallel=tuple(range(1, 1 + int(chance.integers(2, 6)))),
        panels=((0, tuple(range(1, 1 + int(chance.integers(2, 6))))),),
        tilt_deg=(0.0, 30.0) if chance.random() < 0.3 else (),
        generator=(True, False) if scenario.generator else (),
        flat_days=None if odds else int(chance.integers(0, 4)),
        odds=odds,
        years=years,
        max_price=float(chance.choice([350.0, 600.0])) if chance.random() < 0.6 else None,
        max_kg=45.0 if chance.random() < 0.4 else None,
    )
    return scenario, wish, years


def by_plain_search(scenario, wish, years):
    """Every design through every year, and the answers by looking at all of them."""
    grid = build_grid(scenario, wish, 0.8)
    weather = drawn_years(scenario, timeline.build_timeline(scenario), years, scenario.seed)
    walked = walk_designs([each.scenario for each in grid.designs], weather, seed=scenario.seed, threads=1)
    met = walked.worst_flat_days <= wish.flat_days if wish.odds is None else walked.flat_free_share >= wish.odds - 1e-12
    return grid, walked, met


@pytest.mark.parametrize("seed", range(14))
def test_early_exits_answer_as_the_whole_grid_does(seed):
    scenario, wish, years = random_case(seed)
    grid, walked, met = by_plain_search(scenario, wish, years)
    found = size(scenario, wish, threads=1)
    assert [each.choice for each in found.grid.designs] == [each.choice for each in grid.designs]
    within = np.array([not each.over for each in grid.designs])
    assert np.array_equal(found.met, met & within)
    ran = found.walked.flat_days != NOT_WALKED
    assert np.array_equal(found.walked.flat_days[ran], walked.flat_days[ran])
    passing = [each for each in grid.designs if found.met[each.number]]
    if not passing:
        score = walked.worst_flat_days if wish.odds is None else (walked.flat_days > 0).sum(axis=1)
        best = np.flatnonzero(within & (score == score[within].min()))[0]
        assert found.cheapest is None
        assert found.nearest.number == best
        assert found.score(found.nearest) == score[best]
        alone = [each for each in grid.designs if len(each.over) == 1 and met[each.number]]
        assert {each.said for each in found.binding} == {each.over[0] for each in alone} or not alone
    else:
        assert found.cheapest.parts.price == min(each.parts.price for each in passing)
        assert found.lightest.parts.mass_kg == min(each.parts.mass_kg for each in passing)
        assert found.nearest is None
        share = walked.flat_free_share
        best_of = {}
        for each in passing:
            best_of[each.parts.price] = max(best_of.get(each.parts.price, 0.0), share[each.number])
        front, best = [], -1.0
        for price in sorted(best_of):
            if best_of[price] > best:
                best = best_of[price]
                front.append((price, best))
        assert [(each.parts.price, found.flat_free_share(each)) for each in found.front] == front
        for limit in found.grid.limits:
            cheaper = [
                each.parts.price
                for each in grid.designs
                if each.over == (limit.said,) and met[each.number] and each.parts.price < found.cheapest.parts.price
            ]
            told = [each.design.parts.price for each in found.binding if each.said == limit.said and each.better == "cheaper"]
            assert told == ([min(cheaper)] if cheaper else [])
    assert found.lane_hours - found.lane_hours_beyond <= found.lane_hours_whole


def test_more_bank_is_not_always_better_and_the_walk_sees_it():
    """Standby per unit: neighbours with a unit more and more flat days are among the grids above."""
    worse = 0
    for seed in range(14):
        scenario, wish, years = random_case(seed)
        grid, walked, _ = by_plain_search(scenario, wish, min(years, 4))
        at = {each.place: each.number for each in grid.designs}
        axis = next(number for number, each in enumerate(grid.axes) if each.name == "in_parallel")
        for each in grid.designs:
            place = list(each.place)
            place[axis] += 1
            more = at.get(tuple(place))
            if more is not None:
                worse += int((walked.flat_days[more] > walked.flat_days[each.number]).any())
    assert worse > 0


def test_a_hard_target_saves_at_least_half():
    found = size(short(wh=600, month=10), SizeWish(in_parallel=(1, 2, 3, 4), panels=((0, (1, 2, 3, 4)),), flat_days=0, years=20))
    assert found.lane_hours <= 0.5 * found.lane_hours_whole


def test_whole_walks_everything_and_changes_no_answer():
    scenario = short(wh=400)
    wish = SizeWish(in_parallel=(1, 2, 3), panels=((0, (1, 2, 3, 4)),), flat_days=2, years=6)
    quick, whole = size(scenario, wish), size(scenario, wish, whole=True)
    assert whole.lane_hours == whole.lane_hours_whole > quick.lane_hours
    assert quick.cheapest.number == whole.cheapest.number
    assert quick.lightest.number == whole.lightest.number
    assert quick.longest_lived.number == whole.longest_lived.number
    assert len(whole.front) >= len(quick.front)
    assert whole.flat_free_share(whole.front[0]) < quick.flat_free_share(quick.front[0])


def test_a_target_allows_exactly_what_it_says():
    target = Target(20, odds=0.95)
    assert target.most_flat_years == 1
    assert Target(10, odds=0.9).most_flat_years == 1
    assert Target(7, odds=1.0).most == 0
    assert Target(10, odds=0.01).most == 9
    flat = np.array([[0, 3, NOT_WALKED], [1, 1, 1]])
    assert Target(3, flat_days=3).score(flat).tolist() == [3, 1]
    assert Target(3, odds=0.5).score(flat).tolist() == [1, 3]


# ---- changes ----


def test_a_changed_design_is_the_one_that_the_file_would_give():
    """Chemistry, units, bus voltage and panels, changed here and written in the file."""
    text = SHORT.format(chemistry="lfp", at_floor="keep", standby_w=0.5, wh=500, month=9, more="")
    bank = 'chemistry = "lfp"\nunit_ah = 60\nin_parallel = 1\nunit_price = 100\nunit_kg = 12\nunit_m = [0.3, 0.2, 0.2]'
    assert bank in text
    base = parse_scenario(text)
    agm = parse_scenario(
        text.replace(bank, 'chemistry = "agm"\nunit_ah = 70\nin_parallel = 1\nunit_price = 80').replace("standby_w = 0.5\n", "")
    )
    assert changes.with_chemistry(base, "agm", {"unit_ah": 70.0, "unit_price": 80.0}).bank == agm.bank
    assert changes.with_parallel(base, 3).bank == parse_scenario(text.replace("in_parallel = 1", "in_parallel = 3")).bank
    two = text.replace("controller =", "in_parallel = 2\ncontroller =")
    with_bus = parse_scenario(
        two.replace("[bank]", "[vehicle]\nbus_v = 24\n[bank]\nunit_v = 12.8\nin_series = 2").replace(
            "in_parallel = 2\ncontroller", "in_series = 2\ncontroller"
        )
    )
    changed = changes.with_bus(parse_scenario(two), 24)
    assert changed.bank == changes.with_series(parse_scenario(two), 2).bank == with_bus.bank
    # The two panels of a string that is too low for 24 V are put in series.
    assert [replace(array, line=None) for array in changed.arrays] == [replace(array, line=None) for array in with_bus.arrays]
    with pytest.raises(changes.CannotBuildError, match="strings of 2, which 1 of them do not make up"):
        changes.with_bus(base, 24)
    panels = parse_scenario(
        text.replace("price = 50, kg = 4, area_m2 = 0.4 }", "price = 50, kg = 4, area_m2 = 0.4 }\nin_parallel = 3")
    )
    assert changes.with_panels(base, 0, 3).arrays == panels.arrays


def test_a_bus_of_twice_the_voltage_halves_the_amperes_of_chargers():
    more = "[shore]\ncharger_a = 30\n[alternator]\ncharger_a = 40\n[generator]\nrated_w = 1000\ncharger_a = 20\n"
    changed = changes.with_bus(changes.with_panels(short(more=more), 0, 2), 24)
    assert (changed.shore.charger_a, changed.alternator.charger_a, changed.generator.charger_a) == (15.0, 20.0, 10.0)
    assert changed.vehicle.bus_v == 24
    with pytest.raises(InputError, match="bus_v"):
        text = SHORT.format(chemistry="lfp", at_floor="keep", standby_w=0.5, wh=500, month=9, more="")
        text = text.replace("[bank]", "[vehicle]\nbus_v = 24\n[bank]\nunit_v = 25.6")
        changes.with_bus(parse_scenario(text.replace("controller =", "in_series = 2\ncontroller =")), 12)


def test_what_cannot_be_wired_is_left_out_and_told():
    wish = SizeWish(bus_v=(12, 24), panels=((0, (1, 2, 3, 4)),))
    grid = build_grid(short(), wish, 0.8)
    built = {(each.choice["bus_v"], each.choice["panels roof"]) for each in grid.designs}
    assert built == {(12, 1), (12, 2), (12, 3), (12, 4), (24, 2), (24, 4)}
    assert sum("needs panels in strings of 2" in note for note in grid.notes) == 2
    with pytest.raises(InputError, match="strings of 2"):
        build_grid(short(), SizeWish(bus_v=(24,)), 0.8)


def test_a_generator_moves_with_the_chemistry_unless_it_was_set():
    usual = short(more="[generator]\nrated_w = 1000\n")
    agm = changes.with_chemistry(usual, "agm").generator
    assert agm == short(chemistry="agm", more="[generator]\nrated_w = 1000\n").generator
    assert agm != usual.generator
    own = replace(usual, generator=replace(usual.generator, start_soc=0.33))
    assert changes.with_chemistry(own, "agm").generator == own.generator


# ---- parts ----


def test_parts_by_hand():
    scenario = changes.with_panels(changes.with_parallel(short(), 3), 0, 2)
    found = parts_list(scenario)
    # 3 units x 100 and 2 panels x 50; 3 x 12 kg and 2 x 4 kg; 3 x 12 L; 2 x 0.4 m2.
    assert (found.price, found.mass_kg, round(found.volume_l, 9), found.roof_m2) == (400.0, 44.0, 36.0, 0.8)
    assert round(found.footprint_m2, 9) == 0.18
    assert found.missing["price"] == ('array 1 "roof", controller.price',)
    assert not found.whole("price")
    assert found.whole("mass_kg")


def test_units_that_are_owned_cost_nothing_and_further_ones_do():
    scenario = changes.with_parallel(short(), 2)
    scenario = replace(scenario, bank=replace(scenario.bank, owned=True))
    assert parts_list(scenario).price == 50.0
    assert parts_list(changes.with_parallel(scenario, 5), scenario).price == 350.0
    assert parts_list(changes.with_parallel(scenario, 1), scenario).price == 50.0
    other = changes.with_chemistry(scenario, "agm", {"unit_price": 80.0})
    assert parts_list(other, scenario).price == 210.0


# ---- the sizing curve ----


def published():
    """The module that holds the table, its source and the draw from the library's matrix."""
    spec = importlib.util.spec_from_file_location("llp_table", ROOT / "tests" / "test_against_llp_table.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_storage_that_a_loss_of_load_needs(monkeypatch, make_bank):
    """Read off designs: the least storage that keeps the loss of load below a line between two cells of the table.

    The table's source stands in test_against_llp_table: Markov library (Aguiar, Collares-Pereira, Conde 1988), reckoned apart.
    """
    llp = published()
    load_wh, table = llp.LOAD_WH, llp.TABLE
    matrix, days, years = 4, 1200, 200
    shares, stores = (1.0, 1.1, 1.2), (1, 2, 3, 5)
    hours = days * 2
    sun = np.repeat(llp.relative_sun(matrix)[:years] * load_wh / 2, 2, axis=1)
    clock = SimpleNamespace(
        utc=pd.date_range("2026-01-01", periods=hours, freq="h", tz="UTC"),
        days=days,
        hours=hours,
        local_day=np.arange(hours) // 2,
    )

    def histories(scenario, _clock, found, *, questions):
        rows = found.table["ghi"] * sum(array.in_parallel for array in scenario.arrays) / 10.0
        inputs = Histories(
            sun_w=np.repeat(rows[:, :, None], 3, axis=2),
            bay_c=np.full((len(rows), hours, 2), 25.0),
            load_w=np.full((1, hours, k.LEVELS, 4), load_wh / 2) * np.array([1.0, 0.0, 1.0, 0.0]),
            peak_h=np.zeros((1, hours)),
            source_a=np.zeros((1, hours, 5)),
            day=np.arange(hours, dtype=np.int64) // 2,
        )
        return Setting(scenario, clock, found, None, inputs, {"as built": 0}, {"inside": 0})

    def block(first, count):
        return RouteWeather({"ghi": sun[first : first + count]}, np.zeros(hours), (), ())

    monkeypatch.setattr(designs, "histories", histories)
    monkeypatch.setattr(designs.timeline, "build_timeline", lambda scenario: clock)
    base = replace(read_scenario(ROOT / "scenarios" / "size-rambler.toml"), bank=make_bank("tank", unit_ah=load_wh / 12.0))
    grid = [changes.with_panels(changes.with_parallel(base, store), 0, round(10 * share)) for share in shares for store in stores]
    weather = WeatherYears("drawn", tuple(map(str, range(years))), block, (), (), (False,))
    walked = walk_designs(grid, weather, seed=1, load_spread_frac=0.0, keep_days=True)
    missed = walked.days[:, :, 300:, k.DAY_MISSED_WH].mean(axis=(1, 2)) / load_wh
    lost = missed.reshape(len(shares), len(stores))
    for share, row in zip(shares, lost, strict=True):
        cells = [table[matrix][share][store][0] for store in stores]
        assert row == pytest.approx(cells, rel=0.15, abs=3e-4)
        for place in range(1, len(stores)):
            line = np.sqrt(cells[place - 1] * cells[place])
            needed = stores[int(np.argmax(row <= line))]
            assert needed == stores[place]


# ---- what a person sees ----


@pytest.fixture(scope="module")
def rambler():
    return read_scenario(ROOT / "scenarios" / "size-rambler.toml")


@pytest.fixture(scope="module")
def sized(rambler):
    return size(rambler, replace(rambler.size, in_parallel=(1, 2, 3, 4), years=5))


def test_the_answer_in_words(sized):
    text = "\n".join(size_lines(sized))
    assert text.splitlines()[2].startswith("The cheapest design that meets the target costs ")
    for words in ("Target: at most 3 flat days", "Lightest: ", "Longest-lived: ", "One step away", "lane-hours (", "Caution"):
        assert words in text
    assert " lb" in "\n".join(size_lines(sized, US))


def test_the_answer_for_programs(sized):
    summary = size_summary(sized)
    assert json.loads(json.dumps(summary, allow_nan=False)) == summary
    for key in ("designs", "front", "cheapest", "lightest", "longest_lived", "simulated", "grid"):
        assert summary[key]
    rows = size_rows(sized)
    assert summary["designs"] == rows
    assert [row["price"] for row in rows] == sorted(row["price"] for row in rows)
    cheapest = summary["cheapest"]
    assert cheapest["meets"]
    assert all(row["price"] >= cheapest["price"] for row in rows if row["meets"] and row["over"] is None)
    assert cheapest["flat_free_interval"][0] <= cheapest["flat_free_share"] <= cheapest["flat_free_interval"][1]
    assert (
        summary["simulated"]["lane_hours"]
        <= summary["simulated"]["of_lane_hours"] + summary["simulated"]["beyond_limits_lane_hours"]
    )
    table = size_table(sized)
    assert list(table.columns) == list(rows[0])
    assert len(table) == len(sized.grid.designs) == 96


def test_the_walked_bank_is_worn_and_the_life_is_that_of_a_new_one(sized):
    assert {each.scenario.bank.soh_start for each in sized.grid.designs} == {0.8}
    assert {each.fresh.bank.soh_start for each in sized.grid.designs} == {1.0}
    assert set(sized.life_years) == set(np.flatnonzero(sized.met).tolist())
    by_chemistry = {
        each.choice["chemistry"]: sized.life_years[each.number] for each in sized.grid.designs if sized.met[each.number]
    }
    assert by_chemistry["lfp"] > by_chemistry["agm"] > 0.0


def command(tmp_path, capsys, *arguments, text=None):
    path = tmp_path / "trip.toml"
    path.write_text(text or SHORT.format(chemistry="lfp", at_floor="keep", standby_w=0.5, wh=300, month=9, more=""))
    status = simulator.cli.main(["size", str(path), *arguments])
    out = capsys.readouterr()
    return status, out.out, out.err


def test_the_command(tmp_path, capsys):
    given = ("--in-parallel", "1-3", "--panels", "roof=2,3,4", "--years", "3", "--flat-days", "1")
    status, out, err = command(tmp_path, capsys, *given, "--csv", str(tmp_path / "all.csv"), "--keep", str(tmp_path / "kept"))
    assert (status, err) == (0, "")
    assert "The cheapest design" in out
    table = pd.read_csv(tmp_path / "all.csv")
    assert len(table) == 9
    assert {"in_parallel", "panels_roof", "price", "meets"} <= set(table.columns)
    kept = sorted(path.name for path in (tmp_path / "kept").iterdir())
    assert kept
    status, out, err = command(tmp_path, capsys, *given, "--keep", str(tmp_path / "kept"), "--json")
    assert status == 0
    assert json.loads(out)["grid"] == {"in_parallel": [1, 2, 3], "panels_roof": [2, 3, 4]}
    assert kept == sorted(path.name for path in (tmp_path / "kept").iterdir())


def test_the_table_as_parquet(tmp_path, capsys, monkeypatch):
    given = ("--in-parallel", "1-2", "--years", "1", "--csv", str(tmp_path / "all.parquet"))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    status, _, err = command(tmp_path, capsys, *given)
    assert (status, "needs the package pyarrow" in err) == (2, True)
    monkeypatch.undo()
    pytest.importorskip("pyarrow")
    assert command(tmp_path, capsys, *given)[0] == 0
    assert pd.read_parquet(tmp_path / "all.parquet")["price"].tolist() == [150.0, 250.0]


def test_no_design_meets_the_target(tmp_path, capsys):
    hard = ("--in-parallel", "1-2", "--flat-days", "0", "--years", "3", "--max-price", "160")
    text = SHORT.format(chemistry="lfp", at_floor="keep", standby_w=0.5, wh=900, month=10, more="")
    status, out, _ = command(tmp_path, capsys, *hard, text=text)
    assert status == 0
    assert "No design of the grid within the limits meets the target." in out
    assert "Nearest: 1 x 60 Ah LFP" in out
    assert "No limit binds" in out
    assert command(tmp_path, capsys, *hard, "--fail", text=text)[0] == 4
    easier = ("--in-parallel", "1-12", "--panels", "1,10,20,30", "--flat-days", "2", "--years", "3", "--max-price", "300")
    out = command(tmp_path, capsys, *easier, text=text)[1]
    assert "max_price binds: without it," in out


BAD = [
    ((), None, "size: expected something to vary"),
    (("--in-parallel", "6-1"), None, "--in-parallel: expected whole numbers from 1 to 1000"),
    (("--in-parallel", "0-3"), None, "--in-parallel: expected whole numbers from 1 to 1000"),
    (("--in-parallel", "few"), None, "--in-parallel: expected a range such as 1-6"),
    (("--in-parallel", "1-2", "--chemistry", "lipo"), None, '--chemistry: expected "lfp"'),
    (("--panels", "rof=1-3"), None, 'Did you mean "roof"?'),
    (("--in-parallel", "1-2", "--generator", "both"), None, "--generator: expected a [generator] in the scenario"),
    (("--in-parallel", "1-2", "--max-price", "20"), None, "max_price: expected at least"),
    (("--in-parallel", "1-2", "--max-price", "-1"), None, "--max-price: expected a number from 0"),
    (("--in-parallel", "1-2", "--odds", "1.5"), None, "--odds: expected a number above 0 up to 1"),
    (("--in-parallel", "1-2", "--odds", "0.9", "--flat-days", "2"), None, "expected either --flat-days or --odds"),
    (("--in-parallel", "1-900", "--panels", "1-100"), None, "at most 50,000 designs, got 90,000"),
    (("--in-parallel", "1-2", "--load-spread", "7"), None, "--load-spread"),
    (("--in-parallel", "1-2", "--workers", "0"), None, "--workers"),
    (("--in-parallel", "1-2"), ("unit_price = 100\n", ""), "[bank] unit_price (lfp), which the ranking by price needs"),
    (("--panels", "1-2"), ("price = 50, ", ""), 'array 1 "roof", panel.price, which the ranking by price needs'),
    (("--panels", "1-2", "--max-roof-m2", "3"), (", area_m2 = 0.4", ""), "panel.area_m2, which the limit max_roof_m2 needs"),
    (("--in-parallel", "1-2", "--max-volume-l", "30"), ("unit_m = [0.3, 0.2, 0.2]\n", ""), "which the limit max_volume_l needs"),
    (("--in-parallel", "1-2", "--chemistry", "lfp,agm"), None, "[bank] unit_price (agm)"),
]


@pytest.mark.parametrize(("arguments", "change", "sentence"), BAD, ids=[case[2][:40] for case in BAD])
def test_bad_input_is_told_in_a_sentence(tmp_path, capsys, arguments, change, sentence):
    text = SHORT.format(chemistry="lfp", at_floor="keep", standby_w=0.5, wh=300, month=9, more="")
    if change:
        assert change[0] in text
        text = text.replace(*change)
    status, out, err = command(tmp_path, capsys, *arguments, text=text)
    assert (status, out) == (2, "")
    assert sentence in err


BAD_TABLES = [
    ("in_parallel = []", "size, in_parallel (line"),
    ("in_parallel = [4, 1]", "Write the smaller one first."),
    ("in_parallel = [1, 2]\nflat_days = 3\nodds = 0.9", "expected either flat_days or odds, got both"),
    ("in_series = [1, 2]\nbus_v = [12, 24]", "expected either in_series or bus_v, got both"),
    ('panels = { "deck" = [1, 2] }', 'expected the name of an array ("roof") or its number, got "deck"'),
    ("in_paralel = [1, 2]", 'Did you mean "in_parallel"?'),
    ("in_parallel = [1, 2]\n[size.unit.agm]\nunit_ahh = 3", 'Did you mean "unit_ah"?'),
    ("in_parallel = [1, 2]\n[size.unit.nimh]\nunit_ah = 3", "expected a known key"),
]


@pytest.mark.parametrize(("table", "sentence"), BAD_TABLES)
def test_a_bad_table_is_told_with_its_line(table, sentence):
    with pytest.raises(InputError) as caught:
        short(more=f"[size]\n{table}\n")
    assert sentence in str(caught.value)


def test_what_is_given_on_the_command_line_holds_over_the_table(tmp_path, capsys):
    text = SHORT.format(
        chemistry="lfp",
        at_floor="keep",
        standby_w=0.5,
        wh=300,
        month=9,
        more="[size]\nin_parallel = [1, 2]\nflat_days = 1\nyears = 3\n",
    )
    out = json.loads(command(tmp_path, capsys, "--odds", "0.5", "--in-parallel", "2-4", "--json", text=text)[1])
    assert out["target"] == {"flat_days": None, "odds": 0.5, "years": 3, "soh": 0.8}
    assert out["grid"] == {"in_parallel": [2, 3, 4]}


def test_a_vehicle_limits_the_grid_by_itself(tmp_path, capsys):
    text = SHORT.format(chemistry="lfp", at_floor="keep", standby_w=0.5, wh=300, month=9, more="")
    text = text.replace("[bank]", "[vehicle]\nbudget = 320\npayload_margin_kg = 60\n[bank]")
    out = json.loads(command(tmp_path, capsys, "--in-parallel", "1-4", "--years", "2", "--json", text=text)[1])
    assert out["limits"] == {"[vehicle] budget": 320.0, "[vehicle] payload_margin_kg": 60.0}
    assert [row["over"] for row in out["designs"]] == [None, None, "[vehicle] budget", "[vehicle] budget"]


def test_an_interrupted_run_says_how_to_go_on(tmp_path, capsys, monkeypatch):
    def stop(*arguments, **named):
        raise KeyboardInterrupt

    monkeypatch.setattr("simulator.studies.walker.run_chunks", stop)
    status, out, err = command(tmp_path, capsys, "--in-parallel", "1-2", "--keep", str(tmp_path / "kept"))
    assert (status, out) == (130, "")
    assert "give the same command again" in err
    assert "--keep FOLDER" in command(tmp_path, capsys, "--in-parallel", "1-2")[2]


def test_the_same_bytes_twice(sized, rambler):
    again = size(rambler, replace(rambler.size, in_parallel=(1, 2, 3, 4), years=5), threads=1)
    assert json.dumps(size_summary(again)) == json.dumps(size_summary(sized))


def test_the_usual_target_is_said_to_be_the_usual_one_and_how_to_change_it(sized, rambler):
    assert sized.scenario.size is not None
    stated = replace(sized, usual=())
    assert usual_words(stated) == ""
    said = usual_words(replace(sized, usual=("target", "years", "soh")))
    assert "This is the usual target" in said and "--flat-days" in said and "--odds" in said and "[size]" in said
    assert "target" not in size(rambler, replace(rambler.size, flat_days=1, in_parallel=(1,), years=2)).usual
    plain = replace(rambler.size, flat_days=None, odds=None, years=2, in_parallel=(1,))
    found = size(rambler, plain)
    assert "target" in found.usual and "years" not in found.usual
    assert usual_words(found) in " ".join(size_lines(found))
