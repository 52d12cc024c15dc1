"""Voltage under load, absorption and gassing by temperature, peaks inside the hour, a cabin that cools with the bank."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulator.battery import kernel as k
from simulator.protections import protections
from simulator.scenario.parts import Heater

DAY_H = 24


def acts(walked, bank, lane=0):
    """Protections of one lane by name."""
    return {act.name: act for act in protections(bank, walked.result.hours[lane], float(walked.start[lane, k.CELL_C]))}


# ---- low and high voltage ----


def test_cold_cells_let_go_on_voltage_long_before_they_are_empty(make_bank, walk_bank):
    """At -18 C the resistance is 3.8 times that at 25 C: 12.8 - R I falls below 10.4 V at some 55 A."""
    bank = make_bank("lfp", resistance_ohm=0.012, cutoff_v=10.4, place="outside", standby_w=0.0)
    r_cold = 0.012 * math.exp(bank.resistance_per_c * (25.0 + 18.0))
    light, heavy = (
        walk_bank(bank, 1, load_w=watts, bay_c=-18.0, cell_c=-18.0, start_soc=0.8, lane={"loss_w_per_c": 50.0})
        for watts in (200.0, 900.0)
    )
    assert light.total(k.MISSED_DARK_WH) == 0.0
    assert heavy.hour(k.LOW_V_H)[0] == pytest.approx(1.0)
    assert heavy.soc()[-1] > 0.5
    assert acts(heavy, bank)["low_voltage"].times == 1
    assert acts(heavy, bank)["low_charge"].times == 0
    # By hand: the sag of the wanted current at the cut-off takes the rest voltage below it.
    rest_v = np.interp(0.8, bank.curve.soc, bank.curve.ocv_v)
    assert rest_v - r_cold * 900.0 / 10.4 < 10.4 < rest_v - r_cold * 200.0 / 10.4


def test_the_electronics_come_back_with_the_load_gone(make_bank, walk_bank):
    bank = make_bank("lfp", resistance_ohm=0.045, resistance_per_c=0.0, cutoff_v=10.4)
    walked = walk_bank(bank, 6, load_w=[100.0, 900.0, 900.0, 100.0, 100.0, 900.0], start_soc=0.6)
    assert (walked.hour(k.DARK_H) > 0.0).tolist() == [False, True, True, False, False, True]


def test_the_voltage_floor_is_where_the_curve_less_the_sag_meets_the_cut_off(make_bank, walk_bank):
    """A straight curve from 12 to 13 V: with R I of 0.5 V a cut-off at 12 V is met at half charge."""
    curve = make_bank("tank").curve.__class__((0.0, 1.0), (12.0, 13.0), (0.0, 0.0), (1.0, 1.0), (-40.0, 60.0), (1.0, 1.0))
    bank = make_bank("tank", curve=curve, resistance_ohm=0.01, cutoff_v=12.0, reconnect_soc=0.1)
    walked = walk_bank(bank, 4, load_w=50.0 * 12.0, start_soc=0.9)
    assert walked.hour(k.SOC_LOWEST).min() == pytest.approx(0.5, abs=1e-6)
    assert walked.hour(k.LOW_V_H).sum() > 2.0


def test_chargers_set_too_high_are_cut_off_by_the_electronics(make_bank, walk_bank):
    bank = make_bank("agm", charge_max_v=13.8, well_c=1.0, taper_h=0.0, standby_w=0.0)
    walked = walk_bank(bank, 48, sun_w=60.0, start_soc=0.2)
    free = walk_bank(make_bank("agm", well_c=1.0, taper_h=0.0), 48, sun_w=60.0, start_soc=0.2)
    assert free.soc()[-1] > 0.97
    assert walked.soc().max() < 0.9
    assert acts(walked, bank)["high_voltage"].times == 1
    assert walked.total(k.REFUSED_HIGH_WH) > 500.0
    # Where it stops, the charging voltage is the electronics' limit.
    top = walked.soc().max()
    charging_v = np.interp(top, bank.curve.soc, np.add(bank.curve.ocv_v, bank.curve.polarisation_v))
    assert charging_v == pytest.approx(13.8, abs=0.05)
    assert acts(free, make_bank("agm"))["high_voltage"].times == 0


def test_what_hookup_engine_and_generator_cannot_give_in_the_cold_is_booked(make_bank, walk_bank):
    bank = make_bank("lfp", standby_w=0.0)
    walked = walk_bank(bank, 4, shore_a=20.0, load_w=50.0, bay_c=-8.0, cell_c=-8.0, start_soc=0.5)
    # The charger is reckoned at the voltage that charging would have.
    charging_v = np.interp(0.5, bank.curve.soc, np.add(bank.curve.ocv_v, bank.curve.polarisation_v))
    assert walked.hour(k.SHORE_WH) == pytest.approx(50.0)
    assert walked.hour(k.REFUSED_CHARGER_WH) == pytest.approx(20.0 * charging_v - 50.0, rel=0.05)
    assert acts(walked, bank)["cold_charge"].wh == pytest.approx(walked.total(k.REFUSED_CHARGER_WH))


# ---- absorption and gassing by temperature ----


def absorbed(make_bank, walk_bank, cell_c, **keys):
    """Charge after two hours of absorption from 90 %, held at a temperature."""
    bank = make_bank("agm", well_c=1.0, self_discharge_frac_per_day=0.0, **keys)
    walked = walk_bank(
        bank, 2, sun_w=3000.0, start_soc=0.9, bay_c=cell_c, cell_c=cell_c, lane={"loss_w_per_c": 1e4, "charge_limit_a": 1e4}
    )
    return walked.soc()[-1]


def test_compensation_makes_up_for_stiff_cold_plates(make_bank, walk_bank):
    """12.8 V at rest and 14.6 V at 25 C drive 1.8 V; at 0 C compensation adds 24 mV/K x 25 K = 0.6 V, capped at 15.0 V."""
    compensated = {"absorb_v_per_c": -0.024, "absorb_cap_v": 15.0, "absorb_v": 14.6}
    warm = absorbed(make_bank, walk_bank, 25.0, **compensated)
    cold = absorbed(make_bank, walk_bank, 0.0, **compensated)
    left_cold = absorbed(make_bank, walk_bank, 0.0, absorb_v=14.6)
    assert left_cold < cold <= warm + 1e-9
    bank = make_bank("agm")
    goal = 1.0 + bank.taper_end_frac * bank.taper_h

    def by_hand(drive):
        return goal - (goal - 0.9) * math.exp(-2.0 * drive / bank.taper_h)

    stiff = math.exp(bank.resistance_per_c * 25.0)
    full_v = bank.curve.ocv_v[-1]
    assert warm == pytest.approx(by_hand(1.0), abs=1e-9)
    assert left_cold == pytest.approx(by_hand(1.0 / stiff), abs=1e-6)
    assert cold == pytest.approx(by_hand((15.0 - full_v) / (14.6 - full_v) / stiff), abs=1e-6)


@pytest.mark.parametrize(
    ("cell_c", "factor"), [(25.0, 1.0), (35.0, math.exp(0.6)), (45.0, math.exp(1.2)), (15.0, math.exp(-0.6))]
)
def test_gassing_grows_with_temperature_as_published(cell_c, factor, make_bank, walk_bank):
    """J. Schiffer et al. (2007), J. Power Sources 168(1), 66-78: exp(0.06 / K) at a voltage held."""
    bank = make_bank(
        "agm", well_c=1.0, self_discharge_frac_per_day=0.0, taper_h=0.0, gassing_per_v=11.0 / 6.0, gassing_per_c=0.06
    )
    walked = walk_bank(bank, 1, sun_w=100.0, start_soc=0.8, bay_c=cell_c, cell_c=cell_c, lane={"loss_w_per_c": 1e4})
    stored = walked.soc()[1] - walked.soc()[0]
    lost = walked.hour(k.CHARGED_AH)[0] / bank.unit_ah - stored
    efficiency = np.interp((walked.soc()[0] + walked.soc()[1]) / 2.0, bank.curve.soc, bank.curve.charge_efficiency_frac)
    assert lost / stored == pytest.approx(math.exp(0.06 * (cell_c - 25.0)) * (1.0 / efficiency - 1.0), rel=0.01)


def test_gassing_grows_with_the_voltage_that_compensation_adds(make_bank, walk_bank):
    """The same: exp(11 / V) a cell. At 15 C compensation adds 0.04 V a cell, temperature takes 10 K away."""
    keys = {"well_c": 1.0, "self_discharge_frac_per_day": 0.0, "taper_h": 0.0, "gassing_per_v": 11.0 / 6.0, "gassing_per_c": 0.06}

    def lost_share(**more):
        walked = walk_bank(
            make_bank("agm", **keys, **more), 1, sun_w=100.0, start_soc=0.8, bay_c=15.0, cell_c=15.0, lane={"loss_w_per_c": 1e4}
        )
        stored = walked.soc()[1] - walked.soc()[0]
        return walked.hour(k.CHARGED_AH)[0] / 100.0 / stored - 1.0

    ratio = lost_share(absorb_v_per_c=-0.024, absorb_cap_v=20.0) / lost_share()
    assert ratio == pytest.approx(math.exp(11.0 * 0.04), rel=0.01)


# ---- the inverter, and peaks inside the hour ----


INVERTER = {"inverter_off_v": 11.8, "inverter_on_v": 12.6}


def test_the_inverter_takes_only_the_ac_side_with_it(make_bank, walk_bank):
    bank = make_bank("lfp", resistance_ohm=0.02, standby_w=0.0)
    walked = walk_bank(bank, 4, load_w=1500.0, ac_w=1400.0, start_soc=0.5, lane=INVERTER)
    assert walked.hour(k.INVERTER_OFF_H) == pytest.approx(1.0)
    assert walked.hour(k.DISCHARGED_WH) == pytest.approx(100.0, rel=1e-9)
    assert walked.hour(k.MISSED_DARK_WH) == pytest.approx(1400.0)
    assert walked.hour(k.DARK_H) == pytest.approx(1.0)
    assert acts(walked, bank)["inverter_voltage"].times == 1
    assert acts(walked, bank)["low_charge"].times == 0


def test_the_inverter_comes_back_at_its_restart_voltage(make_bank, walk_bank):
    """After the trip the bank rests at 12.9 V with little load: back at 12.6 V, not at 13.2 V; charging lifts it above both."""
    bank = make_bank("lfp", resistance_ohm=0.02, standby_w=0.0)
    load, ac = [1500.0, 120.0, 120.0, 120.0], [1400.0, 100.0, 100.0, 100.0]
    for on_v, sun_w, off_h in ((12.6, 0.0, 1.0), (14.0, 0.0, 4.0), (13.3, [0.0, 0.0, 600.0, 600.0], 2.0)):
        walked = walk_bank(
            bank, 4, load_w=load, ac_w=ac, sun_w=sun_w, start_soc=0.5, lane={"inverter_off_v": 11.8, "inverter_on_v": on_v}
        )
        assert walked.hour(k.INVERTER_OFF_H).sum() == pytest.approx(off_h), on_v


def test_the_inverter_lets_go_at_the_voltage_of_the_load_it_carries(make_bank, walk_bank):
    """By hand: the current I of P = (V0 - R I) I, and the voltage V0 - R I, of which the limit lies a millivolt off."""
    bank = make_bank("lfp", resistance_ohm=0.02, resistance_per_c=0.0, standby_w=0.0)
    rest_v = float(np.interp(0.5, bank.curve.soc, bank.curve.ocv_v))
    current_a = (rest_v - math.sqrt(rest_v**2 - 4.0 * 0.02 * 600.0)) / (2.0 * 0.02)
    loaded_v = rest_v - 0.02 * current_a
    for off_v, off_h in ((loaded_v - 0.001, 0.0), (loaded_v + 0.001, 1.0)):
        walked = walk_bank(
            bank, 1, load_w=600.0, ac_w=500.0, start_soc=0.5, lane={"inverter_off_v": off_v, "inverter_on_v": off_v}
        )
        assert walked.total(k.INVERTER_OFF_H) == off_h


@pytest.mark.parametrize("chemistry", ["lfp", "agm"])
@pytest.mark.parametrize("direct_w", [0.0, 1e-8])
def test_a_bank_that_nobody_charges_is_at_rest(direct_w, chemistry, make_bank, walk_bank, start_of):
    """All load is on the inverter, which is off: the bus has the rest voltage, below that of the restart, not that of charging.

    Whether the bank gives nothing or next to nothing.
    """
    bank = make_bank(chemistry, standby_w=0.0, self_discharge_frac_per_day=0.0)
    rest_v = float(np.interp(0.4, bank.curve.soc, bank.curve.ocv_v))
    state = start_of(bank, 0.4, 25.0)
    state[0, k.AC_OFF] = 1.0
    walked = walk_bank(
        bank,
        6,
        load_w=200.0 + direct_w,
        ac_w=200.0,
        state=state,
        lane={"inverter_off_v": rest_v - 1.0, "inverter_on_v": rest_v + 0.02},
    )
    assert walked.total(k.INVERTER_OFF_H) == pytest.approx(6.0)


KNIFE_EDGES = {
    "an inverter that lets go of any draw": {"inverter_off_v": 20.0, "inverter_on_v": 20.0},
    "electronics that end supply under any draw": {"cutoff_v": 20.0},
}


@pytest.mark.parametrize("edge", KNIFE_EDGES)
@pytest.mark.parametrize("start_soc", [0.5, 0.1])
def test_a_heater_that_takes_just_what_is_left_is_no_draw_on_the_bank(start_soc, edge, make_bank, walk_bank, make_generator):
    """200 hours, each with its own sun and load, whose mean over two parts of the hour differs from the load by rounding alone.

    Nothing is switched, in a bank at half charge and in one below the floor of its cold cells.
    """
    rng = np.random.default_rng(3)
    load_w = rng.uniform(10.0, 60.0, 200)
    heater = Heater(power_w=500.0, on_below_c=2.0, off_above_c=8.0, from_bank=False)
    bank = make_bank("lfp", standby_w=0.0, heater=heater, cutoff_soc=0.1, reconnect_soc=0.2, self_discharge_frac_per_day=0.0)
    walked = walk_bank(
        bank,
        200,
        load_w=load_w,
        ac_w=0.7 * load_w,
        peak_h=rng.uniform(0.1, 0.9, 200),
        sun_w=load_w + rng.uniform(1.0, 40.0, 200),
        bay_c=-15.0,
        cell_c=-15.0,
        start_soc=start_soc,
        generator=make_generator(start_soc=0.05, stop_soc=0.8) if start_soc == 0.5 else None,
        generator_allowed=1.0,
        lane=KNIFE_EDGES[edge] | {"loss_w_per_c": 50.0},
    )
    assert (walked.hour(k.HEATER_WH) > 0.9).all()
    assert walked.total(k.DISCHARGED_WH) == 0.0
    assert walked.total(k.INVERTER_OFF_H) == 0.0
    assert walked.total(k.DARK_H) == 0.0
    assert walked.total(k.GENERATOR_H) == 0.0


def test_an_inverter_that_was_off_stays_on_where_a_heater_takes_just_what_is_left(make_bank, walk_bank, start_of):
    """Four hundred hours by themselves, each of which begins with the inverter off, and at a voltage at which it comes back."""
    rng = np.random.default_rng(4)
    heater = Heater(power_w=500.0, on_below_c=2.0, off_above_c=8.0, from_bank=False)
    bank = make_bank("lfp", standby_w=0.0, heater=heater)
    state = start_of(bank, 0.5, -15.0)
    state[0, k.AC_OFF] = 1.0
    for load_w, more_w, peak_h in rng.uniform((10.0, 1.0, 0.1), (60.0, 40.0, 0.9), (400, 3)):
        walked = walk_bank(
            bank,
            1,
            load_w=load_w,
            ac_w=0.7 * load_w,
            peak_h=peak_h,
            sun_w=load_w + more_w,
            bay_c=-15.0,
            state=state.copy(),
            lane={"inverter_off_v": 20.0, "inverter_on_v": 10.0, "loss_w_per_c": 50.0},
        )
        assert walked.total(k.HEATER_WH) > 0.9
        assert walked.total(k.INVERTER_OFF_H) == 0.0


def test_ten_minutes_of_an_oven_sag_the_bus_although_the_hour_s_mean_is_small(make_bank, walk_bank):
    bank = make_bank("lfp", resistance_ohm=0.02, standby_w=0.0)
    mean = walk_bank(bank, 1, load_w=20.0 + 250.0, ac_w=250.0, start_soc=0.5, lane=INVERTER)
    peak = walk_bank(
        bank, 1, load_w=20.0, ac_w=0.0, peak_w=1520.0, peak_ac_w=1500.0, peak_h=1.0 / 6.0, start_soc=0.5, lane=INVERTER
    )
    assert mean.hour(k.LOAD_WH)[0] == pytest.approx(peak.hour(k.LOAD_WH)[0])
    assert mean.hour(k.MISSED_DARK_WH)[0] == 0.0
    assert peak.hour(k.MISSED_DARK_WH)[0] == pytest.approx(250.0)
    assert peak.hour(k.DARK_H)[0] == pytest.approx(1.0 / 6.0)


def test_a_peak_beyond_the_discharge_limit_is_an_overload_and_no_outage(make_bank, walk_bank):
    bank = make_bank("lfp", discharge_limit_a=50.0, standby_w=0.0)
    walked = walk_bank(bank, 1, load_w=20.0, peak_w=1500.0, peak_h=0.1, start_soc=0.8)
    assert walked.hour(k.DARK_H)[0] == 0.0
    assert walked.hour(k.MISSED_LIMIT_WH)[0] == pytest.approx(0.1 * (1500.0 - 50.0 * 12.9), rel=0.02)
    assert walked.hour(k.LOWEST_V)[0] < walked.hour(k.BUS_V)[0]


def test_a_peak_loses_more_in_the_cells_than_its_mean(make_bank, walk_bank):
    """By hand: R I^2 over the parts of the hour."""
    bank = make_bank("tank", resistance_ohm=0.005)
    walked = walk_bank(bank, 1, load_w=60.0, peak_w=1260.0, peak_h=0.25, start_soc=0.9)

    def amperes(watts):
        return (12.0 - math.sqrt(144.0 - 4.0 * 0.005 * watts)) / 0.01

    by_hand = 0.005 * (0.25 * amperes(1260.0) ** 2 + 0.75 * amperes(60.0) ** 2)
    assert walked.hour(k.LOSS_OHMIC_WH)[0] == pytest.approx(by_hand, rel=1e-9)


# ---- other sources, electronics asleep, a cabin that cools ----


def test_other_sources_come_after_the_sun_and_are_booked(make_bank, walk_bank):
    walked = walk_bank(make_bank("tank"), 2, sun_w=[50.0, 0.0], other_w=80.0, load_w=100.0, start_soc=0.5)
    assert walked.hour(k.SUN_USED_WH) == pytest.approx([50.0, 0.0])
    assert walked.hour(k.OTHER_WH) == pytest.approx([80.0, 80.0])
    assert walked.hour(k.CHARGED_WH) == pytest.approx([30.0, 0.0])
    assert walked.hour(k.DISCHARGED_WH) == pytest.approx([0.0, 20.0])


def test_a_disconnected_lithium_bank_keeps_four_fifths_over_half_a_year(preset_bank, walk_bank):
    """Common practice, no source: stored half a year disconnected it keeps at least 80 %. Awake, its electronics empty it."""
    bank = preset_bank("lfp")
    hours = 182 * DAY_H
    asleep = walk_bank(bank, hours, awake=0.0, bay_c=15.0, start_soc=0.9)
    awake = walk_bank(bank, hours, awake=1.0, bay_c=15.0, start_soc=0.9)
    assert asleep.soc()[-1] >= 0.8 * 0.9
    assert awake.soc()[-1] < 0.3


def test_a_dark_bank_cools_its_cabin_and_locks_itself_out(make_bank, walk_bank):
    """The heating fan stops with the bank: the cabin falls towards -15 C, the cells follow, and the next day's sun is refused."""
    hours = 4 * DAY_H
    clock = np.arange(hours) % DAY_H
    sun = np.where((clock > 8) & (clock < 15), 130.0, 0.0)
    given = {"sun_w": sun, "load_w": 60.0, "bay_c": 18.0, "unheated_c": -15.0, "start_soc": 0.35, "cell_c": 18.0}
    bank = make_bank("lfp", loss_w_per_c=2.0)
    warm = walk_bank(bank, hours, **given)
    tied = walk_bank(bank, hours, **given, lane={"cabin_tau_h": 4.0})
    assert warm.hour(k.LOCKED_H).sum() == 0.0
    assert tied.hour(k.LOCKED_H).sum() > 10.0
    assert tied.total(k.REFUSED_COLD_WH) > 300.0
    assert tied.total(k.ESSENTIAL_DARK_WH) > warm.total(k.ESSENTIAL_DARK_WH)
    assert tied.cell_c().min() < 0.0 < warm.cell_c().min()
    # While dark the cabin goes 1 - exp(-1/4) of the way each hour.
    chill = np.concatenate([[0.0], tied.hour(k.CHILL_END)])
    whole = (tied.hour(k.DARK_H) == 1.0) & (chill[:-1] < 1.0)
    assert (1.0 - chill[1:])[whole] == pytest.approx(math.exp(-0.25) * (1.0 - chill[:-1])[whole])


# ---- the length of a segment ----


@pytest.mark.parametrize("chemistry", ["lfp", "agm"])
def test_sixty_four_steps_an_hour_change_no_flat_day(chemistry, preset_bank, walk_banks, make_histories):
    """One step an hour against 64 over a season: missed energy within 1e-3, the same dark days; decisions stay on the hour."""
    hours = 90 * DAY_H
    chance = np.random.default_rng(11)
    clock, day = np.arange(hours) % DAY_H, np.arange(hours) // DAY_H
    sky = np.clip(chance.beta(1.2, 1.0, 90), 0.05, 1.0)[day]
    histories = make_histories(
        hours,
        sun_w=300.0 * np.maximum(np.sin((clock - 6) / 12 * np.pi), 0.0) * sky,
        load_w=np.where(clock >= 18, 60.0, 25.0),
        peak_w=np.where(clock == 12, 600.0, np.where(clock >= 18, 60.0, 25.0)),
        peak_h=np.where(clock == 12, 0.2, 0.0),
        bay_c=12.0 + 6.0 * np.sin((clock - 9) / 12 * np.pi),
    )
    bank = preset_bank(chemistry, in_parallel=1 if chemistry == "lfp" else 2)
    walked = walk_banks([bank, bank], histories, lane=[{}, {"step_h": 1.0 / 64.0}])
    once, often = walked.result.days
    assert once[:, k.DAY_MISSED_WH].sum() > 500.0
    assert often[:, k.DAY_MISSED_WH].sum() == pytest.approx(once[:, k.DAY_MISSED_WH].sum(), rel=1e-3)
    assert ((often[:, k.DAY_DARK_H] >= 0.25) == (once[:, k.DAY_DARK_H] >= 0.25)).all()
    assert walked.total(k.SEGMENTS, 1) > 60 * hours
