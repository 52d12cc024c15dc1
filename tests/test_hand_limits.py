"""Single hours of the loop, by hand: cold, heat, limits and losses of the bank, cells and cabin, and the generator's hours."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulator.battery import kernel as k
from simulator.errors import EngineFault


def first(walked, *fields):
    """Some fields of the first hour."""
    return [float(walked.hour(field)[0]) for field in fields]


# ---- cold, heat, limits ----


def steady(make_bank, walk_bank, cell_c, hours=1, chemistry="lfp", **given):
    """Cells held at a temperature, nothing drawn by the electronics."""
    keys = given.pop("keys", {})
    bank = make_bank(chemistry, **({"standby_w": 0.0, "self_discharge_frac_per_day": 0.0} | keys))
    return walk_bank(bank, hours, bay_c=cell_c, cell_c=cell_c, lane={"loss_w_per_c": 1e5}, **given)


@pytest.mark.parametrize(
    ("cell_c", "ampere_hours"), [(-0.5, 0.0), (0.5, 10.0), (9.5, 10.0), (10.5, 50.0), (49.0, 50.0), (51.0, 0.0)]
)
def test_charge_by_temperature(cell_c, ampere_hours, make_bank, walk_bank):
    """Locked below 0 C, a tenth of the rated charge an hour up to 10 C, a half above, nothing above 50 C."""
    walked = steady(make_bank, walk_bank, cell_c, sun_w=2000.0, start_soc=0.2, keys={"taper_h": 0.0})
    assert walked.hour(k.CHARGED_AH)[0] == pytest.approx(ampere_hours, abs=1e-9)
    refused = k.REFUSED_COLD_WH if cell_c < 0.0 else k.REFUSED_HOT_WH if cell_c > 50.0 else k.SPILLED_LIMIT_WH
    assert walked.hour(refused)[0] == pytest.approx(2000.0 - walked.hour(k.CHARGED_WH)[0])
    assert walked.hour(k.LOCKED_H)[0] == float(cell_c < 0.0)


def test_the_lock_opens_where_charging_resumes_and_falls_where_it_ends(make_bank, walk_bank):
    """Ends below 0 C, resumes from 3 C: 2 C is open on the way down and locked on the way up."""
    bank = make_bank("lfp", standby_w=0.0)
    bay_c = [2.0, 1.0, -1.0, 2.0, 2.9, 3.5, 3.5, 0.5]
    walked = walk_bank(bank, 8, bay_c=bay_c, cell_c=2.0, sun_w=20.0, start_soc=0.5, lane={"loss_w_per_c": 1e5})
    assert walked.hour(k.LOCKED_H).tolist() == [0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0]


@pytest.mark.parametrize(("cell_c", "dark_h"), [(-21.0, 1.0), (-19.0, 0.0), (59.0, 0.0), (61.0, 1.0)])
def test_supply_by_temperature(cell_c, dark_h, make_bank, walk_bank):
    walked = steady(make_bank, walk_bank, cell_c, load_w=20.0, start_soc=0.9)
    assert first(walked, k.DARK_H, k.MISSED_DARK_WH, k.DISCHARGED_WH) == pytest.approx(
        [dark_h, 20.0 * dark_h, 20.0 * (1.0 - dark_h)]
    )


@pytest.mark.parametrize(("cell_c", "share"), [(25.0, 1.0), (5.0, 0.975), (0.0, 0.95), (-5.0, 0.9), (-15.0, 0.8)])
def test_the_cold_holds_part_of_the_charge_back(cell_c, share, make_bank, walk_bank):
    """Of 95 % above the cut-off a share can be drawn; the rest is there again with warmth."""
    walked = steady(make_bank, walk_bank, cell_c, 200, load_w=10.0, start_soc=1.0, keys={"reconnect_soc": 0.05})
    assert walked.soc().min() == pytest.approx(1.0 - 0.95 * share, abs=1e-7)


@pytest.mark.parametrize(("cell_c", "stiffness_c"), [(25.0, 25.0), (-10.0, -10.0), (-40.0, -30.0), (80.0, 60.0)])
def test_resistance_by_temperature_within_what_is_known(cell_c, stiffness_c, make_bank, walk_bank):
    keys = {"discharge_min_c": -90.0, "discharge_max_c": 90.0}
    walked = steady(make_bank, walk_bank, cell_c, load_w=60.0, start_soc=0.8, keys=keys)
    per_ah2 = walked.hour(k.LOSS_OHMIC_WH)[0] / walked.hour(k.DISCHARGED_AH)[0] ** 2
    assert per_ah2 == pytest.approx(0.012 * math.exp(0.0308 * (25.0 - stiffness_c)), rel=1e-9)


def test_no_more_is_drawn_than_a_resistance_lets_through(make_bank, walk_bank):
    """More current than 12 V / (2 x 0.1 Ohm) brings less power; 45 % of 12 V / 0.1 Ohm = 54 A is where it is held."""
    walked = walk_bank(make_bank("tank", resistance_ohm=0.1), 1, load_w=5000.0, start_soc=0.9)
    assert walked.hour(k.DISCHARGED_AH)[0] == pytest.approx(54.0)
    assert walked.hour(k.DISCHARGED_WH)[0] == pytest.approx(54.0 * (12.0 - 5.4))
    assert first(walked, k.BUS_V, k.LOWEST_V) == pytest.approx([6.6, 6.6])


def test_self_discharge_doubles_every_ten_kelvin(make_bank, walk_bank):
    for cell_c, factor in ((25.0, 1.0), (35.0, 2.0), (15.0, 0.5)):
        walked = steady(make_bank, walk_bank, cell_c, 24, start_soc=0.8, keys={"self_discharge_frac_per_day": 0.01})
        assert walked.soc()[-1] == pytest.approx(0.8 * (1.0 - 0.01 * factor / 24.0) ** 24, rel=1e-9)
        assert walked.total(k.LOSS_SELF_WH) == pytest.approx(100.0 * 13.25 * (0.8 - walked.soc()[-1]), rel=0.01)


def test_what_charging_loses_warms_the_next_hour(make_bank, walk_bank):
    """All that went in and is not stored: ohmic, overpotential and gassing."""
    bank = make_bank("agm", well_c=1.0, standby_w=0.0, self_discharge_frac_per_day=0.0)
    walked = walk_bank(bank, 2, sun_w=[120.0, 0.0], bay_c=20.0, start_soc=0.5)
    lost_w = walked.hour(k.LOSS_OHMIC_WH)[0] + walked.hour(k.LOSS_CHARGING_WH)[0]
    # Between 50 and 75 % the rest voltage rises in a straight line from 12.39 to 12.6 V.
    end = walked.soc()[1]
    stored_wh = 100.0 * (end - 0.5) * (12.39 + 0.21 * (end - 0.5) / 0.25 / 2.0)
    assert lost_w == pytest.approx(120.0 - stored_wh, rel=1e-6)
    per_h = bank.loss_w_per_c / (bank.heat_capacity_j_per_c / 3600.0)
    assert walked.cell_c()[1:] == pytest.approx([20.0, 20.0 + lost_w / bank.loss_w_per_c * (1.0 - math.exp(-per_h))])


def test_gassing_is_held_at_four_times_that_at_25_c(make_bank, walk_bank):
    """At 55 C exp(0.06 x 30) would be six times (no source for the bound; at 4 an AGM bank hardly charges near full)."""
    keys = {
        "well_c": 1.0,
        "taper_h": 0.0,
        "gassing_per_v": 1.8,
        "gassing_per_c": 0.06,
        "charge_max_c": 90.0,
        "discharge_max_c": 90.0,
    }
    walked = steady(make_bank, walk_bank, 55.0, chemistry="agm", sun_w=30.0, start_soc=0.3, keys=keys)
    stored = walked.soc()[1] - walked.soc()[0]
    efficiency = np.interp((walked.soc()[0] + walked.soc()[1]) / 2.0, (0.25, 0.5), (0.98, 0.97))
    assert walked.hour(k.CHARGED_AH)[0] / 100.0 / stored - 1.0 == pytest.approx(4.0 * (1.0 / efficiency - 1.0), rel=0.01)


def test_a_heater_takes_what_reaches_its_set_point_and_only_below_its_threshold(make_bank, make_heater, walk_bank):
    """Kept at 8 C in a bay of 0 C: 8 K x 1 W/K once it is warm. In a bay of 3 C, above its threshold of 2 C, it does nothing."""
    heater = make_heater(power_w=500.0, on_below_c=2.0, off_above_c=8.0, from_bank=True)
    bank = make_bank("lfp", standby_w=0.0, heater=heater)
    per_h = bank.loss_w_per_c / (bank.heat_capacity_j_per_c / 3600.0)
    walked = walk_bank(bank, 1, bay_c=0.0, cell_c=1.0, start_soc=0.9)
    cooled_c = math.exp(-per_h)
    assert walked.hour(k.HEATER_WH)[0] == pytest.approx((8.0 - cooled_c) * 1.0 / (1.0 - cooled_c))
    assert walked.cell_c()[1] == pytest.approx(8.0)
    assert walk_bank(bank, 3, bay_c=3.0, cell_c=3.0, start_soc=0.9).total(k.HEATER_WH) == 0.0


@pytest.mark.parametrize(("sun_w", "load_w", "heater_wh"), [(50.0, 20.0, 30.0), (15.0, 20.0, 0.0), (200.0, 20.0, 50.0)])
def test_a_heater_for_the_surplus_takes_what_the_load_leaves(sun_w, load_w, heater_wh, make_bank, make_heater, walk_bank):
    bank = make_bank("lfp", standby_w=0.0, heater=make_heater(power_w=50.0, off_above_c=100.0))
    walked = walk_bank(bank, 1, sun_w=sun_w, load_w=load_w, bay_c=-5.0, cell_c=-5.0, start_soc=0.5)
    assert walked.hour(k.HEATER_WH)[0] == pytest.approx(heater_wh)


def test_a_cabin_warms_twice_as_fast_as_it_cools(make_bank, walk_bank):
    """Dark for two hours, then served again: a time constant of 4 h on the way out and of 2 h on the way back."""
    given = {"load_w": [50.0, 50.0, 0.0, 0.0], "bay_c": 20.0, "unheated_c": -4.0}
    walked = walk_bank(make_bank("tank"), 4, start_soc=0.0, lane={"cabin_tau_h": 4.0}, **given)
    out = 1.0 - math.exp(-0.5)
    assert walked.hour(k.CHILL_END) == pytest.approx([1.0 - math.exp(-0.25), out, out * math.exp(-0.5), out * math.exp(-1.0)])
    per_h = 1.0 / 3.5
    third_c = 20.0 - out * 24.0
    assert walked.cell_c()[3] - third_c == pytest.approx((walked.cell_c()[2] - third_c) * math.exp(-per_h))


@pytest.mark.parametrize(("sun_w", "limit_a"), [(240.0, 1e9), (600.0, 20.0)])
def test_the_absorption_phase_begins_where_its_current_falls_below_that_before(sun_w, limit_a, make_bank, walk_bank):
    """20 A, by the sun or by the limit, four fifths of it stored: 0.16 an hour, until (1.02 - soc) / 2 h is no more than that."""
    curve = make_bank("tank").curve
    lossy = replace(curve, charge_efficiency_frac=(0.8, 0.8))
    bank = make_bank("tank", curve=lossy, taper_h=2.0, taper_end_frac=0.01, charge_limit_a=limit_a)
    walked = walk_bank(bank, 2, sun_w=sun_w, start_soc=0.62)
    goal, onset = 1.02, 0.70
    assert walked.soc()[1] == pytest.approx(goal - (goal - onset) * math.exp(-0.5 / 2.0), rel=1e-9)
    assert walked.soc()[2] == pytest.approx(goal - (goal - onset) * math.exp(-1.5 / 2.0), rel=1e-9)
    charged_wh = 1500.0 * (walked.soc()[1] - 0.62)
    assert first(walked, k.CHARGED_WH, k.CHARGED_AH) == pytest.approx([charged_wh, charged_wh / 12.0])
    absorbed_wh = 1500.0 * (walked.soc()[1] - onset)
    assert walked.hour(k.SPILLED_ACCEPTANCE_WH)[0] == pytest.approx(0.5 * sun_w - absorbed_wh)
    assert walked.hour(k.SPILLED_LIMIT_WH)[0] == pytest.approx(0.5 * (sun_w - 240.0), abs=1e-9)
    assert walked.hour(k.LOSS_CHARGING_WH)[0] == pytest.approx(0.25 * 1200.0 * (walked.soc()[1] - 0.62))
    assert walked.hour(k.SEGMENTS).tolist() == [2.0, 1.0]


def test_a_cold_limit_above_the_usual_one_lifts_nothing(make_bank, walk_bank):
    walked = steady(make_bank, walk_bank, 5.0, sun_w=2000.0, start_soc=0.2, keys={"taper_h": 0.0, "charge_cold_limit_a": 80.0})
    assert walked.hour(k.CHARGED_AH)[0] == pytest.approx(50.0)


# ---- generator ----


@pytest.mark.parametrize(
    ("start_soc", "run_h"),
    [
        (0.31, 0.0),  # above its starting charge
        (0.30, 0.5),  # half an hour from 30 % to 50 %
        (0.49, 0.0),
    ],
)
def test_a_generator_runs_from_start_to_stop(start_soc, run_h, make_bank, make_generator, walk_bank):
    """480 W into 1,200 Wh: 0.4 of the charge an hour."""
    generator = make_generator(charger_a=40.0, start_soc=0.3, stop_soc=0.5, min_run_h=0.25)
    walked = walk_bank(make_bank("tank"), 1, generator=generator, generator_allowed=1.0, start_soc=start_soc)
    assert first(walked, k.GENERATOR_H) == pytest.approx([run_h])
    assert walked.soc()[1] == pytest.approx(start_soc + 0.4 * run_h)


def test_a_generator_goes_on_over_the_hour_and_ends_with_the_permission(make_bank, make_generator, walk_bank):
    generator = make_generator(charger_a=10.0, start_soc=0.3, stop_soc=0.9, min_run_h=0.0)
    walked = walk_bank(make_bank("tank"), 4, generator=generator, generator_allowed=[1.0, 0.5, 0.0, 1.0], start_soc=0.3)
    assert walked.hour(k.GENERATOR_H).tolist() == [1.0, 1.0, 0.0, 0.0], "at 45 % it has no reason to start again"
    assert walked.hour(k.GENERATOR_WH) == pytest.approx([120.0, 60.0, 0.0, 0.0])


def test_a_generator_that_stopped_waits_for_the_next_hour(make_bank, make_generator, walk_bank):
    """Ten minutes from 30 to 35 %, a quarter of an hour back to 30 % at 240 W; then it goes on falling until the hour is over."""
    generator = make_generator(charger_a=50.0, start_soc=0.3, stop_soc=0.35, min_run_h=0.0)
    walked = walk_bank(make_bank("tank"), 2, load_w=240.0, generator=generator, generator_allowed=1.0, start_soc=0.3)
    first_h = 0.05 / 0.3
    low = 0.35 - 0.2 * (1.0 - first_h)
    assert walked.hour(k.GENERATOR_H) == pytest.approx([first_h, (0.35 - low) / 0.3])
    assert first(walked, k.SOC_LOWEST, k.SOC_END) == pytest.approx([low, low])


def test_every_run_lasts_its_least_time_anew(make_bank, make_generator, walk_bank):
    """From 30 to 50 %, at least an hour: it charges by 0.3 an hour and the load of 240 W draws 0.2.

    The second run begins in the middle of the third hour and ends in the middle of the fourth, at 60 %.
    """
    generator = make_generator(charger_a=50.0, start_soc=0.3, stop_soc=0.5, min_run_h=1.0)
    walked = walk_bank(make_bank("tank"), 4, load_w=240.0, generator=generator, generator_allowed=1.0, start_soc=0.3)
    assert walked.hour(k.GENERATOR_H) == pytest.approx([1.0, 0.0, 0.5, 0.5])
    assert walked.soc() == pytest.approx([0.3, 0.6, 0.4, 0.45, 0.5])


# ---- what cannot be ----


def test_events_that_would_not_end_are_our_fault(make_bank, make_histories, walk_banks, monkeypatch):
    def endless(*given):
        given[-2][1] = 4

    monkeypatch.setattr(k, "run_block", endless)
    with pytest.raises(EngineFault, match="events of hour 3 would not end in lane 1"):
        walk_banks([make_bank("tank"), make_bank("lfp")], make_histories(5))


def test_without_a_folder_for_the_cache_the_loop_is_compiled_anew(monkeypatch):
    asked = []

    def compiler(**how):
        asked.append(how)
        if how.get("cache"):
            raise RuntimeError("no locator available")
        return lambda function: function

    monkeypatch.setattr(k, "njit", compiler)
    assert k._compile(math.sqrt) is math.sqrt
    assert asked == [{"cache": True, **k.OPTIONS}, k.OPTIONS]


def test_threads_walk_without_the_lock_of_the_interpreter_and_a_division_by_zero_is_no_exception():
    assert (k.OPTIONS["nogil"], k.OPTIONS["error_model"]) == (True, "numpy")
