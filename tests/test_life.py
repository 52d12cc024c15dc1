"""The route year after year: what the figures must be by themselves, and against the estimate of a single run."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from simulator import engine
from simulator.battery import fade
from simulator.battery import kernel as k
from simulator.battery.aged import LeadModel, LfpModel, aged_bank, models_of
from simulator.battery.use import lead_wear, lfp_use, stored_mean, year_of_use
from simulator.cli import main
from simulator.engine import simulate
from simulator.report.life import life_lines, wear_words
from simulator.report.life_page import life_page
from simulator.report.measures import US
from simulator.scenario import parse_scenario
from simulator.scenario.parts import StoredBank
from simulator.studies import life as life_module
from simulator.studies.life import life_summary, live

ROUTE = """
title = "a fortnight"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "{chemistry}"
unit_ah = 100
{bank}
[[array]]
panel = {{ p_w = {panel_w} }}
controller = {{ kind = "mppt" }}
[[appliance]]
name = "something"
power_w = 40
duty_frac = 1
[weather]
sample = "greensboro"
[[stop]]
name = "here"
latitude_deg = 36.1
longitude_deg = -79.9
zone = "America/New_York"
arrive = 2026-05-01
depart = {depart}
{rest}
"""
KEYS = {
    "years_to_end",
    "ended_by",
    "band_years",
    "first_flat_year",
    "full_cycles_per_year",
    "counted_cycles_per_year",
    "depth_histogram",
    "delivered_kwh",
}


def route(chemistry="lfp", *, bank="in_parallel = 2", panel_w=500, depart="2026-05-14", rest=""):
    return parse_scenario(ROUTE.format(chemistry=chemistry, bank=bank, panel_w=panel_w, depart=depart, rest=rest))


def steady_year(bank, depth=0.6, cell_c=20.0):
    """A year of the same day, whatever the bank has become."""
    hour = np.arange(1, 365 * 24 + 1) % 24
    soc = 1.0 - depth * np.where(hour <= 16, hour / 16.0, (24 - hour) / 8.0)
    return year_of_use(bank, soc, np.full(soc.size, cell_c), 1.0)


@pytest.fixture(scope="module")
def lithium():
    return live(route())


@pytest.fixture(scope="module")
def lead():
    return live(route("agm", bank="in_parallel = 3"))


@pytest.mark.parametrize("name", ["lithium", "lead"])
def test_what_is_handed_out(name, request):
    found = life_summary(request.getfixturevalue(name))
    assert set(found) >= KEYS
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    low, high = found["band_years"]
    assert low <= found["years_to_end"] <= high
    assert found["ended_by"] in ("cycles", "calendar")
    assert sum(found["depth_histogram"]["cycles_per_year"]) == pytest.approx(found["counted_cycles_per_year"], abs=0.06)
    assert len(found["depth_histogram"]["edges_frac"]) == len(found["depth_histogram"]["cycles_per_year"]) + 1
    assert found["years_to_end"] <= len(found["years"]) < found["years_to_end"] + 1.0


@pytest.mark.parametrize("name", ["lithium", "lead"])
def test_the_bank_shrinks_and_stiffens(name, request):
    years = request.getfixturevalue(name).years
    soh = [year.soh for year in years]
    assert soh[0] == 1.0
    assert soh == sorted(soh, reverse=True)
    gain = [year.resistance_gain_frac for year in years]
    assert gain == sorted(gain)
    assert gain[-1] > gain[0]
    assert [year.part for year in years[:-1]] == [1.0] * (len(years) - 1)
    assert 0.0 < years[-1].part <= 1.0


@pytest.mark.parametrize("chemistry", ["lfp", "agm"])
def test_the_first_year_is_the_single_run(chemistry):
    scenario = route(chemistry)
    outcome, found = simulate(scenario), live(scenario)
    first = found.years[0]
    assert first.flat_days == len(outcome.flat_days)
    assert first.lowest_soc == outcome.lowest[0]
    assert first.full_cycles == pytest.approx(outcome.life.full_cycles_per_year, rel=1e-12)
    assert first.counted_cycles == pytest.approx(outcome.life.counted_cycles_per_year, rel=1e-12)
    # Both tell the life; the single run takes the first year for all of them.
    assert found.years_to_end == pytest.approx(outcome.life.life_years, rel=0.15)
    assert found.assumption == outcome.life.assumption


def test_delivered_energy_is_the_sum_of_the_years(lithium):
    assert lithium.delivered_kwh == pytest.approx(sum(year.delivered_kwh * year.part for year in lithium.years))
    assert lithium.delivered_kwh == pytest.approx(lithium.years_to_end * lithium.years[0].delivered_kwh, rel=0.05)


def test_an_ageing_bank_runs_flat_one_day():
    """Just enough when new; the shrunken bank is not, and says in which year."""
    scenario = route(bank="in_parallel = 1\ncutoff_soc = 0.26\nusable_frac = 0.74", panel_w=280)
    found = live(scenario)
    flat = [year.flat_days for year in found.years]
    assert flat[0] == 0
    assert found.first_flat_year == next(number + 1 for number, days in enumerate(flat) if days)
    assert found.first_flat_year > 1
    aged = replace(scenario, bank=replace(scenario.bank, soh_start=found.years[found.first_flat_year - 1].soh))
    assert len(simulate(aged).flat_days) > 0


def test_a_bank_that_is_large_enough_never_runs_flat():
    assert live(route(bank="in_parallel = 6", panel_w=1500)).first_flat_year is None


def test_weather_sun_and_load_are_reckoned_once(monkeypatch):
    """A life costs one preparation, and a walk a year."""
    calls = {"histories": 0, "walk": 0}

    def counted(name, function):
        def wrapper(*arguments, **keywords):
            calls[name] += 1
            return function(*arguments, **keywords)

        return wrapper

    monkeypatch.setattr(life_module, "histories", counted("histories", engine.histories))
    monkeypatch.setattr(life_module.battery, "walk", counted("walk", life_module.battery.walk))
    found = live(route())
    assert calls == {"histories": 1, "walk": len(found.years)}


def test_any_number_of_threads_gives_the_same(lithium):
    assert life_summary(live(route(), threads=3)) == life_summary(lithium)


def test_storage_for_the_rest_of_the_year_is_gentler_than_the_route_again():
    again = live(route("agm", bank="in_parallel = 2"))
    rest = "[rest_of_year]\nstorage = { soc = 1.0, temp_c = 15, on_float = true }"
    stored = live(route("agm", bank="in_parallel = 2", rest=rest))
    assert stored.counted_cycles_per_year < again.counted_cycles_per_year / 10
    assert stored.years_to_end > again.years_to_end
    assert "storage at 100% charge and 15 C" in stored.assumption
    assert "again" in again.assumption


def test_a_single_run_says_the_same_of_the_rest_of_the_year():
    scenario = route(rest="[rest_of_year]\nstorage = { soc = 0.5, temp_c = 10 }")
    outcome, found = simulate(scenario), live(scenario)
    assert outcome.life.assumption == found.assumption
    assert found.years[0].full_cycles == pytest.approx(outcome.life.full_cycles_per_year)


def test_a_disconnected_bank_drains_itself_a_floating_one_does_not(make_bank):
    bank = make_bank("lfp", self_discharge_frac_per_day=0.001)
    assert stored_mean(bank, StoredBank(0.8, 25.0, True), 200.0).soc == 0.8
    drained = 0.8 * np.exp(-0.001 * np.linspace(0.0, 200.0, 100_001))
    assert stored_mean(bank, StoredBank(0.8, 25.0, False), 200.0).soc == pytest.approx(drained.mean(), rel=1e-5)
    assert stored_mean(bank, StoredBank(0.8, 35.0, False), 200.0).soc < stored_mean(bank, StoredBank(0.8, 25.0, False), 200.0).soc


def test_charging_only_to_a_target_lets_a_lithium_bank_live_longer():
    """By the law alone: the shelf life of the rest of the unit knows no charge."""
    full, held = (live(route(bank=f"in_parallel = 2\ntarget_soc = {target}", panel_w=800)) for target in (1.0, 0.9))
    law = next(iter(fade.LFP_LAWS))
    assert held.model_years[law] > full.model_years[law]
    assert held.years[0].lowest_soc < full.years[0].lowest_soc


@pytest.mark.parametrize("chemistry", ["lfp", "gel"])
def test_a_used_bank_has_less_ahead(chemistry):
    new = live(route(chemistry, bank="in_parallel = 2"))
    used = live(route(chemistry, bank="in_parallel = 2\nage_years = 3\nowned = true"))
    assert used.years[0].soh < 1.0
    assert used.years_to_end < new.years_to_end
    worn = live(route(chemistry, bank="in_parallel = 2\nsoh_start = 0.8"))
    assert worn.years_to_end == 0.0
    assert worn.delivered_kwh == 0.0
    assert worn.full_cycles_per_year > 0.0


def test_the_shelf_life_of_a_bank_goes_on_from_its_age(make_bank):
    bank = make_bank("lfp", soh_start=0.9, age_years=6.0, calendar_years=12.0)
    start = models_of(bank)[0].start(steady_year(bank))
    assert start.shelf_spent == pytest.approx(0.5)
    assert start.damage == pytest.approx(0.5)
    assert start.soh == pytest.approx(0.9, abs=1e-6)


def test_a_warranty_that_outlasts_the_estimate_is_named():
    assert any("warranty" in note for note in live(route(bank="in_parallel = 2\nwarranty_years = 25")).notes)
    assert not any("warranty" in note for note in live(route(bank="in_parallel = 2\nwarranty_years = 2")).notes)


def test_a_route_of_a_year_joins_on_to_itself():
    """The second year begins with the charge with which the first ended."""
    found = live(route(depart="2027-04-30", panel_w=150))
    once = simulate(route(depart="2027-04-30", panel_w=150))
    assert found.days == 365
    assert found.years[0].flat_days == len(once.flat_days)
    assert once.hours[-1, k.SOC_END] < 0.9  # it ends below the full charge it began with
    assert found.years[1].flat_days > found.years[0].flat_days


def test_ten_years_of_the_same_use_are_the_law_itself(make_bank):
    """Continued year by year from virtual time, an unchanging use gives what the law gives at once."""
    bank = make_bank("lfp", cycles_depth_frac=(1.0,), cycles_to_end=(1e6,), calendar_years=50.0)
    year = steady_year(bank)
    for name, law in fade.LFP_LAWS.items():
        model = LfpModel(name, law, carries=False)
        age = model.start(year)
        assert age.soh == 1.0
        for _ in range(10):
            age = model.after(age, year, 1.0)
        shelf, cycling = law(lfp_use(year), 10.0)
        assert age.shelf_loss_frac == pytest.approx(float(shelf), rel=1e-3)
        assert age.cycle_loss_frac == pytest.approx(float(cycling), rel=1e-3)


def test_the_order_of_two_uses_does_not_matter_to_the_law(make_bank):
    """Naumann et al.: losses add as squares."""
    bank = make_bank("lfp")
    mild, harsh = steady_year(bank, 0.3, 10.0), steady_year(bank, 0.9, 35.0)
    name, law = next(iter(fade.LFP_LAWS.items()))
    model = LfpModel(name, law, carries=False)
    start = model.start(mild)
    one = model.after(model.after(start, mild, 1.0), harsh, 1.0)
    other = model.after(model.after(start, harsh, 1.0), mild, 1.0)
    assert one.soh == pytest.approx(other.soh, abs=1e-7)
    halves = model.after(model.after(start, mild, 0.5), mild, 0.5)
    assert halves.soh == pytest.approx(model.after(start, mild, 1.0).soh, abs=1e-7)


def test_lead_damage_adds_up_and_the_band_s_ends_enclose(make_bank):
    bank = make_bank("agm")
    year = steady_year(bank, 0.4)
    wear = lead_wear(year)
    carrying, poorest, best = models_of(bank)
    after = carrying.after(carrying.start(year), year, 2.0)
    assert after.damage == pytest.approx(2.0 * wear.damage * wear.partial_weight)
    assert after.soh == pytest.approx(1.0 - 0.2 * max(after.damage, after.shelf_spent))
    assert poorest.after(poorest.start(year), year, 2.0).soh < after.soh < best.after(best.start(year), year, 2.0).soh
    assert isinstance(carrying, LeadModel)


def test_resistance_is_stated_for_the_bank_as_it_is(make_bank):
    bank = make_bank("agm", soh_start=0.9)
    model = models_of(bank)[0]
    start = model.start(steady_year(bank))
    assert start.resistance_gain_frac > 0.0
    assert aged_bank(bank, start, start).resistance_ohm == bank.resistance_ohm
    later = model.after(start, steady_year(bank), 1.0)
    assert aged_bank(bank, later, start).resistance_ohm > bank.resistance_ohm
    assert aged_bank(bank, later, start).soh_start == later.soh


def test_laws_that_never_end_stop_at_the_horizon():
    bank = 'in_parallel = 12\ncalendar_years = 50\nplace = "outside"'
    found = live(route(bank=bank, panel_w=1000, rest="[rest_of_year]\nstorage = { soc = 0.3, temp_c = 0 }"))
    assert found.years_to_end == 30.0
    assert not found.worn_out
    assert len(found.years) == 30
    assert any("not worn out" in note for note in found.notes)


def test_the_command(tmp_path, capsys, lithium):
    file = tmp_path / "route.toml"
    text = ROUTE.format(chemistry="lfp", bank="in_parallel = 2", panel_w=500, depart="2026-05-14", rest="")
    file.write_text(text, encoding="utf-8")
    assert main(["life", str(file), "--json"]) == 0
    printed = capsys.readouterr()
    assert printed.err == ""
    found = json.loads(printed.out)
    assert found["years_to_end"] == round(lithium.years_to_end, 2)
    assert main(["life", str(file)]) == 0
    words = capsys.readouterr().out.splitlines()
    assert words[0] == "a fortnight"
    assert words[2].startswith("This bank (2 x 100 Ah LFP) lasts about ")
    assert any("Naumann" in line for line in words)


def test_the_command_refuses_like_all_others(tmp_path, capsys):
    file = tmp_path / "route.toml"
    file.write_text("[bank]\nchemistry = 'lead'\n", encoding="utf-8")
    assert main(["life", str(file)]) == 2
    assert "chemistry" in capsys.readouterr().err


def test_what_wears_a_lead_bank_is_said_in_a_sentence_of_the_models_own_figures():
    found = live(parse_scenario(HARD))
    assert found.ended_by == "cycles" and found.wear is not None
    said = wear_words(found)
    assert said.startswith("What wears it: its cycles") and said in life_lines(found)
    # The three shares make the life: depth x heat x weight a year, in its first year.
    a_year = found.wear.damage * found.wear.partial_weight
    assert a_year > 1.0 and found.years_to_end == pytest.approx(1.0 / a_year)
    assert f"{found.wear.partial_weight:.1f} times as much" in said
    assert f"{found.longest_below_full_days:.0f} days without a full charge" in said


def test_the_page_tells_what_wears_the_bank_in_the_units_that_were_asked_for():
    easy = live(parse_scenario(HARD.replace("in_parallel = 1", "in_parallel = 30")))
    warm = replace(easy, wear=replace(easy.wear, shelf_heat=2.0), cell_mean_c=35.0)
    assert "at 25 C" in life_page(warm) and "(35 C on average" in life_page(warm)
    page = life_page(warm, measures=US)
    assert "at 77 F" in page and "(95 F on average" in page and "35 C on average" not in page


def test_a_bank_that_time_ends_says_so_and_lithium_says_nothing():
    easy = live(parse_scenario(HARD.replace("in_parallel = 1", "in_parallel = 30")))
    assert easy.ended_by == "calendar" and "What wears it: time" in wear_words(easy)
    lithium = live(parse_scenario(HARD.replace('"agm"', '"lfp"').replace("unit_v = 12\n", "unit_v = 12.8\n")))
    assert wear_words(lithium) == ""


HARD = """
title = "A hard year"
[bank]
chemistry = "agm"
unit_v = 12
unit_ah = 100
in_parallel = 1
[[array]]
name = "roof"
panel = { p_w = 175 }
tilt_deg = 0
controller = { kind = "mppt" }
[[appliance]]
name = "fridge"
power_w = 45
duty_frac = 0.5
[weather]
sample = "miami"
[[stop]]
name = "Shore"
latitude_deg = 25.8
longitude_deg = -80.2
arrive = 2026-02-01
depart = 2026-03-10
"""
