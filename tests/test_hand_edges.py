"""Single hours of the loop, by hand: what holds over from one part, hour, lane or run to the next, and what ends where."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulator.battery import kernel as k

INVERTER = {"inverter_off_v": 11.0, "inverter_on_v": 14.0}


def straight(make_bank, **keys):
    """A lossless bank whose rest voltage is a straight line from 12 V empty to 13 V full."""
    return make_bank("tank", curve=replace(make_bank("tank").curve, ocv_v=(12.0, 13.0)), **keys)


def first(walked, *fields):
    """Some fields of the first hour."""
    return [float(walked.hour(field)[0]) for field in fields]


# ---- sources ----


def test_the_bus_stands_where_the_sun_at_its_low_voltage_lifts_it(make_bank, walk_bank):
    """120 W are 10 A, half a volt in 50 mOhm: 12.5 V is half way from 10 to 15 V, where the sun gives 180 W."""
    lane = {"sun_low_v": 10.0, "sun_high_v": 15.0}
    bank = make_bank("tank", resistance_ohm=0.05)
    walked = walk_bank(bank, 1, sun_w=np.array([[120.0, 240.0, 240.0]]), start_soc=0.5, lane=lane)
    assert walked.hour(k.SUN_USED_WH)[0] == pytest.approx(180.0)


def test_what_an_engine_cannot_give_in_the_cold_is_what_it_did_not(make_bank, walk_bank):
    """60 W of an engine and 24 W of a hookup, 80 W and 24 W of load: 4 W and 60 W are left over."""
    given = {"drive_a": 5.0, "shore_a": 2.0, "bay_c": -5.0, "cell_c": -5.0, "start_soc": 0.5}
    walked = walk_bank(make_bank("tank", charge_min_c=0.0, charge_resume_c=0.0), 2, load_w=[80.0, 24.0], **given)
    assert walked.hour(k.DRIVE_WH) == pytest.approx([60.0, 24.0])
    assert walked.hour(k.SHORE_WH) == pytest.approx([20.0, 0.0])
    assert walked.hour(k.REFUSED_CHARGER_WH) == pytest.approx([4.0, 60.0])


def test_sources_give_no_more_in_each_part_of_an_hour_than_in_the_whole(make_bank, walk_bank):
    """A full bank, 200 W of load: 24 W of a wheel, then 120 W of the engine, then 56 W of the hookup, in each half hour."""
    given = {"other_w": 24.0, "drive_a": 10.0, "shore_a": 10.0, "load_w": 200.0, "start_soc": 1.0}
    walked = walk_bank(make_bank("tank"), 1, peak_w=200.0, peak_h=0.5, **given)
    assert first(walked, k.OTHER_WH, k.DRIVE_WH, k.SHORE_WH) == pytest.approx([24.0, 120.0, 56.0])


# ---- charging ----


def test_the_absorption_phase_ends_with_the_bank_full(make_bank, walk_bank):
    """(1.02 - soc) / 2 h: from 99 % it is full after 2 ln(0.03 / 0.02) h; 0.01 of 1,200 Wh went in."""
    walked = walk_bank(make_bank("tank", taper_h=2.0, taper_end_frac=0.01), 1, sun_w=240.0, start_soc=0.99)
    full_h = 2.0 * math.log(0.03 / 0.02)
    assert walked.soc()[1] == 1.0
    assert first(walked, k.CHARGED_WH, k.SPILLED_ACCEPTANCE_WH, k.SPILLED_FULL_WH) == pytest.approx(
        [12.0, 240.0 * full_h - 12.0, 240.0 * (1.0 - full_h)]
    )


def test_electronics_that_end_charging_at_the_voltage_of_the_chargers_end_nothing(make_bank, walk_bank):
    alike, without = (walk_bank(make_bank("lfp", charge_max_v=volts), 12, sun_w=300.0, start_soc=0.5) for volts in (14.4, 0.0))
    assert alike.total(k.REFUSED_HIGH_WH) == 0.0
    assert (alike.result.hours == without.result.hours).all()
    lower = walk_bank(make_bank("lfp", charge_max_v=14.0), 12, sun_w=300.0, start_soc=0.5)
    assert lower.total(k.REFUSED_HIGH_WH) > 0.0


# ---- voltage ----


def test_a_peak_raises_the_floor_for_its_own_time_only(make_bank, walk_bank):
    """600 W for six minutes sag 10 mOhm by half a volt: a floor of 50 % at 12 V. The 120 W after it may go on below that.

    The bus stands near 12.54 - 0.5 V in the peak and near 12.47 - 0.1 V after it.
    """
    bank = straight(make_bank, resistance_ohm=0.01, cutoff_v=12.0, reconnect_soc=0.1)
    walked = walk_bank(bank, 1, load_w=120.0, peak_w=600.0, peak_h=0.1, start_soc=0.56)
    assert first(walked, k.DARK_H, k.MISSED_DARK_WH, k.LOW_V_H) == [0.0, 0.0, 0.0]
    assert walked.soc()[1] == pytest.approx(0.56 - (600.0 * 0.1 / 12.05 + 120.0 * 0.9 / 12.37) / 100.0, abs=5e-4)
    assert walked.soc()[1] < 0.5


def test_electronics_without_a_latch_that_let_go_on_voltage_say_so(make_bank, walk_bank):
    """The same floor of 50 %, from 40 % on and no way back higher up: nothing is served, for want of voltage."""
    bank = straight(make_bank, resistance_ohm=0.01, cutoff_v=12.0)
    walked = walk_bank(bank, 1, load_w=600.0, start_soc=0.4)
    assert first(walked, k.MISSED_DARK_WH, k.DARK_H, k.LOW_V_H) == pytest.approx([600.0, 1.0, 1.0])


def test_a_bank_that_has_come_back_from_empty_tries_again_after_low_voltage(make_bank, walk_bank):
    """Empty at 20 %, back at 60 %. Then 600 W would take 12 V below 10 in 50 mOhm; an hour later 12 W do not, below 60 % too."""
    bank = make_bank("tank", resistance_ohm=0.05, cutoff_v=10.0, cutoff_soc=0.2, reconnect_soc=0.6)
    walked = walk_bank(bank, 5, load_w=[60.0, 0.0, 120.0, 600.0, 12.0], sun_w=[0.0, 700.0, 0.0, 0.0, 0.0], start_soc=0.2)
    assert walked.soc()[3] < 0.6 < walked.soc()[2]
    assert walked.hour(k.DARK_H).tolist() == [1.0, 0.0, 0.0, 1.0, 0.0]
    assert walked.hour(k.LOW_V_H).tolist() == [0.0, 0.0, 0.0, 1.0, 0.0]


def test_the_least_of_ac_load_goes_with_the_inverter(make_bank, walk_bank):
    """600 W of direct current take 12 V below 11; half a watt hangs on the inverter."""
    bank = make_bank("tank", resistance_ohm=0.05)
    walked = walk_bank(bank, 1, load_w=600.5, ac_w=0.5, start_soc=0.9, lane=INVERTER)
    assert first(walked, k.INVERTER_OFF_H, k.MISSED_DARK_WH) == pytest.approx([1.0, 0.5])


def test_a_generator_that_stops_lets_the_inverter_go(make_bank, make_generator, walk_bank):
    """Full, and a quarter of an hour of its least time to go. 1500 W take 13.3 V below 11 once the bank is alone."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.GENERATOR, k.GENERATOR_RUN_H]] = 0.95, 0.95, 25.0, 1.0, 0.75
    bank = make_bank("lfp", unit_ah=800.0, resistance_ohm=0.02, discharge_limit_a=800.0, standby_w=0.0)
    given = {"load_w": 1500.0, "ac_w": 1400.0, "generator_allowed": 1.0, "state": state}
    walked = walk_bank(bank, 1, generator=make_generator(), lane=INVERTER, **given)
    assert first(walked, k.GENERATOR_H, k.INVERTER_OFF_H, k.MISSED_DARK_WH) == pytest.approx([0.25, 0.75, 0.75 * 1400.0])
    assert walked.hour(k.DARK_H)[0] == pytest.approx(0.75)


@pytest.mark.parametrize(("all_w", "luxury_wh"), [(110.0, 10.0), (130.0, 30.0)])
def test_comfort_beside_an_inverter_that_is_off_with_luxury_on_it(all_w, luxury_wh, make_bank, walk_bank):
    """24 W for 20 W of essential and 10 W of comfort that need no inverter: 6 W are missed, and the 30 W behind it.

    Luxury is 10 W behind it; with 130 W in all, 20 W more on the bus, for which nothing is left.
    """
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.AC_OFF]] = 0.9, 0.9, 25.0, 1.0
    given = {"load_w": [[60.0], [100.0], [all_w]], "ac_w": [[40.0], [70.0], [80.0]], "state": state}
    walked = walk_bank(make_bank("tank", discharge_limit_a=2.0), 1, lane=INVERTER, **given)
    missed = first(walked, k.MISSED_ESSENTIAL_WH, k.MISSED_COMFORT_WH, k.MISSED_LUXURY_WH)
    assert missed == pytest.approx([40.0, 36.0, luxury_wh])


def test_an_inverter_comes_back_by_the_voltage_without_what_it_feeds(make_bank, walk_bank):
    """60 W leave 11.7 V of 12 in 50 mOhm, above the 11.5 of its return; with its own 200 W it is 10.8, above the 9 of its end."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.AC_OFF]] = 0.9, 0.9, 25.0, 1.0
    lane = {"inverter_off_v": 9.0, "inverter_on_v": 11.5}
    walked = walk_bank(make_bank("tank", resistance_ohm=0.05), 1, load_w=260.0, ac_w=200.0, state=state, lane=lane)
    assert first(walked, k.INVERTER_OFF_H, k.MISSED_DARK_WH) == [0.0, 0.0]


# ---- cold ----


def test_what_a_generator_gives_the_load_is_not_refused_by_a_cold_bank(make_bank, make_generator, walk_bank):
    """The bus voltage, and with it what is on offer, moves by little between no load and 100 W."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.COLD, k.GENERATOR]] = 0.5, 0.5, -5.0, 1.0, 1.0
    bank = make_bank("lfp", standby_w=0.0)
    refused, given = [], []
    for load_w in (0.0, 100.0):
        walked = walk_bank(bank, 1, load_w=load_w, bay_c=-5.0, generator_allowed=1.0, generator=make_generator(), state=state)
        refused.append(walked.hour(k.REFUSED_CHARGER_WH)[0])
        given.append(walked.hour(k.GENERATOR_WH)[0])
    assert given == pytest.approx([0.0, 100.0])
    assert refused[0] > 300.0
    assert refused[0] - refused[1] == pytest.approx(100.0, rel=0.1)


@pytest.mark.parametrize(("charge_min_c", "locked"), [(0.0, 0.0), (0.001, 1.0)])
def test_cells_at_the_very_limit_stay_open_when_the_bank_s_heat_ends(charge_min_c, locked, make_bank, make_heater, walk_bank):
    """At 0 C in air of 0 C, with heat from the bank, which is empty within the hour: charging ends below 0 C, not at it.

    Where the limit lies a hair higher, the lock waits for 3 C.
    """
    bank = make_bank("lfp", heater=make_heater(from_bank=True), charge_min_c=charge_min_c, standby_w=0.0)
    walked = walk_bank(bank, 2, load_w=[100.0, 0.0], sun_w=[0.0, 100.0], bay_c=0.0, cell_c=0.0, start_soc=0.13)
    assert 0.0 < walked.hour(k.DARK_H)[0] < 1.0
    assert 0.0 < walked.cell_c()[1] < 3.0
    assert walked.hour(k.LOCKED_H)[1] == locked
    assert (walked.hour(k.CHARGED_WH)[1] > 0.0) == (locked == 0.0)


# ---- company and continuation ----


def test_an_inverter_that_is_off_in_one_lane_serves_in_the_next(make_bank, make_histories, walk_bank, walk_banks):
    """Every other lane has voltages to mind; those beside them walk as if they were alone."""
    given = {"load_w": 600.0, "ac_w": 500.0}
    banks = [make_bank("tank", unit_ah=1000.0, resistance_ohm=0.05)] * 40
    together = walk_banks(banks, make_histories(2, **given), start_soc=0.9, lane=[INVERTER, {}] * 20)
    assert (together.result.hours[::2, :, k.MISSED_DARK_WH] == 500.0).all()
    alone = walk_bank(banks[0], 2, start_soc=0.9, **given)
    assert alone.total(k.MISSED_DARK_WH) == 0.0
    assert (together.result.hours[1::2] == alone.result.hours).all()


def test_an_empty_well_waits_for_its_latch_when_the_run_is_continued(make_bank, walk_bank):
    """0.02 are available of 0.5; it lets go, and waits for a tenth of the charge: hours one by one are those together."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C]] = 0.5, 0.02, 25.0
    bank = make_bank("tank", well_c=0.5, well_k_per_h=0.01, reconnect_soc=0.1)
    sun_w = [0.0, 240.0]
    whole = walk_bank(bank, 2, load_w=60.0, sun_w=sun_w, state=state)
    assert whole.hour(k.DARK_H)[1] == pytest.approx(0.5)
    # It is dark for want of charge, not of voltage.
    assert whole.total(k.LOW_V_H) == 0.0
    for hour in range(2):
        part = walk_bank(bank, 1, load_w=60.0, sun_w=sun_w[hour], state=state)
        assert (part.result.hours[0, 0] == whole.result.hours[0, hour]).all()
        state = part.result.state
