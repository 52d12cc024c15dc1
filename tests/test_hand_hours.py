"""Single hours of the loop, by hand: voltages at the bus, order of the sources, inverter, wells, and who misses what."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulator import battery
from simulator.battery import kernel as k
from tests import inside_the_loop

MISSED = (k.MISSED_ESSENTIAL_WH, k.MISSED_COMFORT_WH, k.MISSED_LUXURY_WH)


def first(walked, *fields):
    """Some fields of the first hour."""
    return [float(walked.hour(field)[0]) for field in fields]


# ---- the voltage at which panels and chargers are taken ----


def test_voltages_between_two_nodes_lie_on_the_line_between_them(make_bank):
    curve, _ = battery.pack_curve(make_bank("agm"))
    for soc in (0.0, 0.00031, 0.5004, 0.99977, 1.0):
        nodes = np.linspace(0.0, 1.0, k.NODES + 1)
        assert inside_the_loop.ocv(curve, soc) == pytest.approx(np.interp(soc, nodes, curve[:, k.OCV]), rel=1e-13)
        assert inside_the_loop.charge_v(curve, soc) == pytest.approx(np.interp(soc, nodes, curve[:, k.CHARGE_V]), rel=1e-13)


@pytest.mark.parametrize("gas", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("soc", [0.1003, 0.5007, 0.9496])
def test_slopes_of_a_charging_curve_are_those_of_its_integrals(soc, gas, make_bank):
    """By differences over a tenth of a cell; their ratio is the voltage while charging."""
    curve, _ = battery.pack_curve(make_bank("agm"))
    step = 0.1 / k.NODES
    low, high = (np.array(inside_the_loop.charge_terms(curve, soc + sign * step / 2.0, gas)) for sign in (-1.0, 1.0))
    _, _, energy_slope, passed_slope, half_bend = inside_the_loop.charge_terms(curve, soc, gas)
    assert energy_slope == pytest.approx((high[0] - low[0]) / step, rel=1e-9)
    assert passed_slope == pytest.approx((high[1] - low[1]) / step, rel=1e-9)
    assert energy_slope / passed_slope == pytest.approx(inside_the_loop.charge_v(curve, soc), rel=1e-12)
    assert half_bend == pytest.approx(0.5 * (high[2] - low[2]) / step, rel=1e-6)


@pytest.mark.parametrize("resistance", [0.0, 0.05, 2.0])
def test_the_rate_of_charging_is_that_of_its_power(resistance, make_bank):
    """Per ampere-hour: R I^2 + V I = P, of which a share is stored; held at the limit."""
    curve, _ = battery.pack_curve(make_bank("agm"))
    stored = inside_the_loop.charging_rate(curve, 0.9496, 2.0, 1e9, resistance, 1.0)
    passed_slope = inside_the_loop.charge_terms(curve, 0.9496, 1.0)[3]
    current = stored * passed_slope
    assert resistance * current**2 + inside_the_loop.charge_v(curve, 0.9496) * current == pytest.approx(2.0, rel=1e-12)
    assert inside_the_loop.charging_rate(curve, 0.9496, 2.0, 0.01, resistance, 1.0) * passed_slope == pytest.approx(0.01)


@pytest.mark.parametrize("cell_c", [-60.0, -40.0, -37.0, -1.0, 0.0, 24.9, 59.0, 60.0, 70.0])
def test_capacity_by_temperature_lies_on_the_line_and_is_held_at_its_ends(cell_c):
    shares = np.linspace(0.3, 1.0, k.CAPACITY_NODES) ** 2
    nodes_c = np.arange(-40.0, 60.1, 5.0)
    assert inside_the_loop.capacity_frac(shares, cell_c) == pytest.approx(np.interp(cell_c, nodes_c, shares), rel=1e-12)


@pytest.mark.parametrize(
    ("given", "volts"),
    [
        ({"load_w": 120.0}, 12.0),  # 10 A of hookup carry the 10 A of the load: no current in the bank
        ({"load_w": 240.0}, 12.0 - 0.05 * 10.0),
        ({"sun_w": 36.0}, 12.0 + 0.05 * 13.0),
        ({"load_w": 60.0, "other_w": 24.0}, 12.0 + 0.05 * 7.0),
        ({"load_w": 1200.0}, 10.5),  # 90 A would be 7.5 V: not below the lowest at which panels are reckoned
        ({"sun_w": 1200.0}, 14.4),  # 110 A would be 17.5 V: the chargers hold absorption voltage
    ],
)
def test_a_hookup_gives_its_amperes_at_rest_voltage_and_drop(given, volts, make_bank, walk_bank):
    """10 A at 12 V at rest and 50 mOhm; what the bank takes or gives is the rest of the current."""
    bank = make_bank("tank", unit_ah=1000.0, resistance_ohm=0.05)
    walked = walk_bank(bank, 1, shore_a=10.0, start_soc=0.5, lane={"sun_low_v": 10.5, "sun_high_v": 14.4}, **given)
    used, full = walked.hour(k.SHORE_WH)[0], 10.0 * volts
    assert used == pytest.approx(full)


def test_the_current_behind_the_drop_is_held_to_the_limits_of_the_bank(make_bank, walk_bank):
    bank = make_bank("tank", resistance_ohm=0.05, discharge_limit_a=20.0, charge_limit_a=30.0)
    lane = {"sun_low_v": 5.0, "sun_high_v": 14.4}
    drawn = walk_bank(bank, 1, load_w=1200.0, drive_a=10.0, start_soc=0.5, lane=lane)
    assert drawn.hour(k.DRIVE_WH)[0] == pytest.approx(10.0 * (12.0 - 0.05 * 20.0))
    charged = walk_bank(bank, 1, sun_w=1200.0, start_soc=0.5, load_w=2000.0, drive_a=150.0, lane=lane)
    assert charged.hour(k.DRIVE_WH)[0] == pytest.approx(2000.0 - 1200.0 + 30.0 * (12.0 + 0.05 * 30.0), rel=1e-9)


def test_a_generator_counts_for_the_voltage_once_it_runs(make_bank, make_generator, walk_bank):
    """Started in the first hour at 12 V; from the second on its 20 A lift the bus by 0.05 x 20 V."""
    generator = make_generator(charger_a=20.0, start_soc=0.5, stop_soc=0.95, min_run_h=0.0)
    bank = make_bank("tank", resistance_ohm=0.05)
    walked = walk_bank(bank, 2, generator=generator, generator_allowed=1.0, start_soc=0.5)
    assert walked.hour(k.GENERATOR_WH) == pytest.approx([20.0 * 12.0, 20.0 * 13.0])


def test_the_bus_stands_above_rest_while_it_charges_and_below_while_it_is_drawn(make_bank, walk_bank):
    """By hand: 20 A x (12 V + 20 A x 50 mOhm) = 260 W in, 20 A x (12 V - 1 V) = 220 W out; the mean and the lowest of an hour."""
    bank = make_bank("tank", resistance_ohm=0.05)
    assert first(walk_bank(bank, 1, sun_w=260.0, start_soc=0.5), k.BUS_V, k.LOWEST_V) == pytest.approx([13.0, 13.0])
    assert first(walk_bank(bank, 1, load_w=220.0, start_soc=0.5), k.BUS_V, k.LOWEST_V) == pytest.approx([11.0, 11.0])
    peak = walk_bank(bank, 1, sun_w=260.0, peak_w=480.0, peak_h=0.25, start_soc=0.5)
    assert first(peak, k.BUS_V, k.LOWEST_V) == pytest.approx([0.25 * 11.0 + 0.75 * 13.0, 11.0])
    assert first(walk_bank(bank, 1, start_soc=0.5), k.BUS_V, k.LOWEST_V) == pytest.approx([12.0, 12.0])


# ---- who gives, who goes without ----


def test_sun_other_engine_hookup_and_generator_give_in_this_order(make_bank, make_generator, walk_bank):
    """Load grows by 60 W an hour; the tank is full, so that each source gives what those before it left."""
    walked = walk_bank(
        make_bank("tank"),
        6,
        sun_w=60.0,
        other_w=60.0,
        drive_a=5.0,
        shore_a=5.0,
        load_w=60.0 * np.arange(6),
        start_soc=1.0,
    )
    given = [walked.hour(field) for field in (k.SUN_USED_WH, k.OTHER_WH, k.DRIVE_WH, k.SHORE_WH, k.DISCHARGED_WH)]
    for place, series in enumerate(given):
        assert series == pytest.approx(60.0 * (np.arange(6) > place)), place
    assert walked.hour(k.SPILLED_FULL_WH) == pytest.approx([60.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    assert walked.hour(k.REFUSED_CHARGER_WH).tolist() == [0.0] * 6, "a full bank refuses nobody"


LEVELS_W = np.array([[60.0], [100.0], [150.0]])


@pytest.mark.parametrize(
    ("sun_w", "missed"),
    [
        (0.0, (60.0, 40.0, 50.0)),
        (20.0, (40.0, 40.0, 50.0)),
        (80.0, (0.0, 20.0, 50.0)),
        (130.0, (0.0, 0.0, 20.0)),
        (150.0, (0.0, 0.0, 0.0)),
    ],
)
def test_what_an_empty_bank_s_sun_serves_goes_to_the_essential_first(sun_w, missed, make_bank, walk_bank):
    walked = walk_bank(make_bank("tank"), 1, sun_w=sun_w, load_w=LEVELS_W, start_soc=0.0)
    assert first(walked, *MISSED) == pytest.approx(missed)
    assert first(walked, k.MISSED_DARK_WH, k.ESSENTIAL_DARK_WH) == pytest.approx([150.0 - sun_w, missed[0]])
    assert walked.hour(k.DARK_H)[0] == float(missed[0] > 0.0)


@pytest.mark.parametrize(("limit_a", "missed"), [(2.5, (30.0, 40.0, 50.0)), (7.5, (0.0, 10.0, 50.0)), (12.0, (0.0, 0.0, 6.0))])
def test_what_a_limit_leaves_goes_to_the_essential_first(limit_a, missed, make_bank, walk_bank):
    walked = walk_bank(make_bank("tank", discharge_limit_a=limit_a), 1, load_w=LEVELS_W, start_soc=0.9)
    assert first(walked, *MISSED) == pytest.approx(missed)
    assert first(walked, k.MISSED_LIMIT_WH, k.MISSED_DARK_WH, k.DARK_H) == pytest.approx([sum(missed), 0.0, 0.0])


def test_what_is_switched_off_is_missed_by_its_own_priority(make_bank, walk_bank):
    lane = {"shed_soc": (-1.0, 0.3, 0.5), "restore_soc": (-1.0, 0.4, 0.6)}
    for soc, missed in ((0.9, (0.0, 0.0, 0.0)), (0.45, (0.0, 0.0, 50.0)), (0.25, (0.0, 40.0, 50.0))):
        walked = walk_bank(make_bank("tank", unit_ah=1000.0), 1, load_w=LEVELS_W, start_soc=soc, lane=lane)
        assert first(walked, *MISSED) == pytest.approx(missed)
        assert first(walked, k.MISSED_SHED_WH, k.DISCHARGED_WH) == pytest.approx([sum(missed), 150.0 - sum(missed)])


def test_of_an_inverter_that_is_off_the_direct_current_is_served_in_order(make_bank, walk_bank):
    """40 W of the essential 60 hang on it; 2.5 A are 30 W, which serve the other 20 and a quarter of 40 W of comfort."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.AC_OFF]] = 0.9, 0.9, 25.0, 1.0
    given = {"load_w": np.array([[60.0], [100.0], [100.0]]), "ac_w": 40.0, "state": state}
    lane = {"inverter_off_v": 11.0, "inverter_on_v": 14.0}
    walked = walk_bank(make_bank("tank", discharge_limit_a=2.5), 1, lane=lane, **given)
    assert first(walked, *MISSED) == pytest.approx([40.0, 30.0, 0.0])
    assert first(walked, k.MISSED_DARK_WH, k.MISSED_LIMIT_WH, k.ESSENTIAL_DARK_WH) == pytest.approx([40.0, 30.0, 40.0])
    assert first(walked, k.DARK_H, k.INVERTER_OFF_H) == [1.0, 1.0]
    # 30 W of the comfort hang on it as well: 10 W are left of it, and 30 W serve all that is left.
    given |= {"load_w": [[60.0], [100.0], [110.0]], "ac_w": [[40.0], [70.0], [80.0]]}
    mixed = walk_bank(make_bank("tank", discharge_limit_a=2.5), 1, lane=lane, **given)
    assert first(mixed, *MISSED, k.MISSED_LIMIT_WH) == pytest.approx([40.0, 30.0, 10.0, 0.0], abs=1e-9)


@pytest.mark.parametrize(("limit_a", "off_h"), [(2.0, 1.0), (1e9, 0.0)])
def test_surplus_lifts_the_bus_for_an_inverter_by_no_more_than_the_bank_takes(limit_a, off_h, make_bank, walk_bank):
    """240 W to spare are 20 A and 1 V in 50 mOhm, which brings an inverter back at 12.5 V; 2 A are a tenth of a volt."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.AC_OFF]] = 0.5, 0.5, 25.0, 1.0
    bank = make_bank("tank", resistance_ohm=0.05, charge_limit_a=limit_a)
    lane = {"inverter_off_v": 11.0, "inverter_on_v": 12.5}
    walked = walk_bank(bank, 1, sun_w=260.0, load_w=20.0, ac_w=20.0, state=state, lane=lane)
    assert walked.hour(k.INVERTER_OFF_H)[0] == off_h


def test_direct_current_alone_trips_no_inverter(make_bank, walk_bank):
    """600 W sag the bus to 8.4 V in an hour without AC load; in the next one the inverter serves as if nothing had been."""
    bank = make_bank("tank", unit_ah=1000.0, resistance_ohm=0.05)
    lane = {"inverter_off_v": 11.0, "inverter_on_v": 14.0}
    walked = walk_bank(bank, 2, load_w=[600.0, 60.0], ac_w=[0.0, 40.0], start_soc=0.9, lane=lane)
    assert walked.total(k.INVERTER_OFF_H) == 0.0
    assert walked.total(k.MISSED_DARK_WH) == 0.0


def test_what_comes_back_within_the_hour_may_trip_the_inverter(make_bank, walk_bank):
    """The sun brings a fifth an hour: at 60 %, after a quarter of it, the oven is back, and takes the inverter with it."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.SHED]] = 0.55, 0.55, 25.0, 1.0
    lane = {"inverter_off_v": 11.0, "inverter_on_v": 11.5, "shed_soc": (-1.0, -1.0, 0.3), "restore_soc": (-1.0, -1.0, 0.6)}
    oven = np.array([[0.0], [0.0], [1500.0]])
    walked = walk_bank(
        make_bank("tank", resistance_ohm=0.05),
        1,
        sun_w=252.0,
        load_w=oven,
        ac_w=oven,
        state=state,
        lane=lane | {"sun_low_v": 1.0},
    )
    charged = walked.soc()[1] - 0.55
    assert charged == pytest.approx(0.2, rel=0.1)
    assert walked.hour(k.INVERTER_OFF_H)[0] == pytest.approx(1.0 - 0.05 / charged, rel=1e-6)
    assert first(walked, *MISSED) == pytest.approx([0.0, 0.0, 1500.0])


def test_an_empty_well_lets_go_and_comes_back_a_latch_higher(make_bank, walk_bank):
    """0.02 are available of 0.5; 60 W take 0.05 an hour. Dark until a tenth of the charge has come in at 0.2 an hour."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C]] = 0.5, 0.02, 25.0
    bank = make_bank("tank", well_c=0.5, well_k_per_h=0.01, reconnect_soc=0.1)
    walked = walk_bank(bank, 2, load_w=[60.0, 0.0], sun_w=[0.0, 240.0], state=state)
    lit_h = 1.0 - walked.hour(k.DARK_H)[0]
    assert 0.4 < lit_h < 0.45, "0.4 h, and what seeps in from the other well"
    assert walked.soc()[1] == pytest.approx(0.5 - 0.05 * lit_h)
    again = walk_bank(bank, 2, load_w=60.0, sun_w=[0.0, 240.0], state=state)
    assert again.hour(k.DARK_H)[1] == pytest.approx(0.5)
    assert again.soc()[2] == pytest.approx(walked.soc()[1] + 0.1 + 0.5 * 0.15)


def test_two_wells_through_the_parts_of_an_hour(make_bank, walk_bank):
    """J. F. Manwell & J. G. McGowan (1993), Solar Energy 50(5), 399-405: q1 after a time at a constant current, part by part.

    A quarter of an hour at 0.4 of the charge an hour, the rest at 0.05; half of it in the available well, which mixes at 0.5 / h.
    """
    share, mixing = 0.5, 0.5
    bank = make_bank("tank", well_c=share, well_k_per_h=mixing)
    walked = walk_bank(bank, 2, load_w=60.0, peak_w=480.0, peak_h=[0.25, 0.0], start_soc=0.9)
    charge, available = 0.9, 0.45
    for rate, time in ((0.4, 0.25), (0.05, 0.75), (0.05, 1.0)):
        gone = 1.0 - math.exp(-mixing * time)
        available = (
            available * (1.0 - gone)
            + (charge * mixing * share - rate) * gone / mixing
            - rate * share * (mixing * time - gone) / mixing
        )
        charge -= rate * time
    assert walked.soc()[2] == pytest.approx(charge, rel=1e-12)
    assert walked.result.state[0, k.WELL] == pytest.approx(available, rel=1e-9)


def test_what_other_sources_cannot_give_in_the_cold_is_what_they_did_not(make_bank, walk_bank):
    """80 W of a wheel, 24 W of a hookup, 90 W of load: 14 W of the hookup are left over; without the load all of it."""
    given = {"other_w": 80.0, "shore_a": 2.0, "bay_c": -5.0, "cell_c": -5.0, "start_soc": 0.5}
    bank = make_bank("tank", charge_min_c=0.0, charge_resume_c=0.0)
    walked = walk_bank(bank, 2, load_w=[90.0, 0.0], **given)
    assert walked.hour(k.OTHER_WH) == pytest.approx([80.0, 0.0])
    assert walked.hour(k.SHORE_WH) == pytest.approx([10.0, 0.0])
    assert walked.hour(k.REFUSED_CHARGER_WH) == pytest.approx([14.0, 104.0])


def test_a_latch_opens_where_it_is_set_above_the_cut_off(make_bank, walk_bank):
    """Cut off at 20 %, back at 30 %: 240 W bring a tenth in half an hour."""
    bank = make_bank("tank", cutoff_soc=0.2, reconnect_soc=0.3)
    walked = walk_bank(bank, 2, load_w=[60.0, 60.0], sun_w=[0.0, 240.0], start_soc=0.2)
    assert walked.hour(k.DARK_H) == pytest.approx([1.0, 0.5])
    assert walked.soc()[1:] == pytest.approx([0.2, 0.3 + 0.5 * 0.15])


def test_charging_ends_at_the_voltage_of_the_electronics_within_the_hour(make_bank, walk_bank):
    """A straight line from 12 to 13 V and no resistance: 12.5 V is half the charge."""
    straight = replace(make_bank("tank").curve, ocv_v=(12.0, 13.0))
    walked = walk_bank(make_bank("tank", curve=straight, charge_max_v=12.5), 2, sun_w=240.0, start_soc=0.45)
    assert walked.soc()[1:] == pytest.approx([0.5, 0.5], abs=1e-6)
    stored_wh = 100.0 * 0.05 * 12.475
    assert walked.hour(k.REFUSED_HIGH_WH) == pytest.approx([240.0 - stored_wh, 240.0], abs=1e-2)


def test_what_has_let_go_is_still_off_when_the_run_is_continued(make_bank, walk_bank):
    """A dark bank that waits, an inverter that waits: hours walked one by one are those walked together."""
    bank = make_bank("tank", resistance_ohm=0.05, cutoff_soc=0.2, reconnect_soc=0.6)
    lane = {"inverter_off_v": 11.0, "inverter_on_v": 12.4}
    load, ac = np.array([600.0, 20.0, 200.0, 20.0, 20.0]), np.array([580.0, 10.0, 0.0, 10.0, 10.0])
    whole = walk_bank(bank, 5, load_w=load, ac_w=ac, start_soc=0.3, lane=lane)
    assert (whole.hour(k.INVERTER_OFF_H) > 0.0).tolist() == [True, True, False, False, False]
    assert (whole.hour(k.DARK_H) == 1.0).tolist() == [True, True, False, True, True]
    state = whole.start
    for hour in range(5):
        part = walk_bank(bank, 1, load_w=load[hour], ac_w=ac[hour], state=state, lane=lane)
        assert (part.result.hours[0, 0] == whole.result.hours[0, hour]).all()
        state = part.result.state
    assert (state == whole.result.state).all()


def test_less_than_a_watt_to_spare_is_charged_too(make_bank, walk_bank):
    walked = walk_bank(make_bank("tank"), 1, sun_w=50.6, load_w=50.0, start_soc=0.5)
    assert walked.soc()[1] == pytest.approx(0.5 + 0.6 / 1200.0)
    assert walk_bank(make_bank("tank"), 1, load_w=0.6, start_soc=0.5).soc()[1] == pytest.approx(0.5 - 0.6 / 1200.0)


def test_a_bank_that_fills_at_its_limit_is_full_to_the_minute(make_bank, walk_bank):
    """30 A into the last 20 Ah: two thirds of an hour at the limit, then full."""
    walked = walk_bank(make_bank("tank", charge_limit_a=30.0), 1, sun_w=1000.0, start_soc=0.8)
    assert walked.soc()[1] == 1.0
    assert first(walked, k.CHARGED_WH, k.SPILLED_LIMIT_WH, k.SPILLED_FULL_WH) == pytest.approx(
        [240.0, (1000.0 - 360.0) * 2.0 / 3.0, 1000.0 / 3.0]
    )


def test_electronics_come_before_the_load_and_get_no_more_than_there_is(make_bank, walk_bank):
    """6 W of electronics: 1 A leaves 6 W for the load; a quarter of an ampere is all theirs, and not enough."""
    for limit_a, electronics_wh, served_wh in ((1.0, 6.0, 6.0), (0.25, 3.0, 0.0)):
        walked = walk_bank(make_bank("tank", standby_w=6.0, discharge_limit_a=limit_a), 1, load_w=24.0, start_soc=0.9)
        assert first(walked, k.STANDBY_WH) == pytest.approx([electronics_wh])
        assert 24.0 - walked.hour(k.MISSED_LIMIT_WH)[0] == pytest.approx(served_wh)


def test_electronics_draw_by_the_share_that_is_awake(make_bank, walk_bank):
    walked = walk_bank(make_bank("tank", standby_w=6.0, in_parallel=2), 3, awake=[1.0, 0.5, 0.0], start_soc=0.5)
    assert walked.hour(k.STANDBY_WH) == pytest.approx([12.0, 6.0, 0.0])
    assert walked.hour(k.DISCHARGED_WH) == pytest.approx([12.0, 6.0, 0.0])


def test_a_day_keeps_its_essential_load_its_misses_and_its_extremes(make_bank, walk_bank):
    """1,200 Wh at 60 W of 150 last 20 hours at full load, 8 with all of it: two days, the second one dark."""
    walked = walk_bank(make_bank("tank"), 48, load_w=LEVELS_W, sun_w=np.where(np.arange(48) == 47, 30.0, 0.0), start_soc=1.0)
    days = walked.result.days[0]
    assert days[:, k.DAY_ESSENTIAL_WH] == pytest.approx([24 * 60.0] * 2)
    assert days[:, k.DAY_LOAD_WH] == pytest.approx([24 * 150.0] * 2)
    assert days[:, k.DAY_MISSED_WH] == pytest.approx([16 * 60.0, 23 * 60.0 + 30.0])
    assert days[:, k.DAY_DARK_H] == pytest.approx([16.0, 24.0])
    assert days[:, k.DAY_LOWEST_SOC] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert days[:, k.DAY_SUN_OFFERED_WH] == pytest.approx([0.0, 30.0])
    assert days[:, k.DAY_SUN_USED_WH] == pytest.approx([0.0, 30.0])
    resting = walk_bank(make_bank("tank"), 24, start_soc=1.0).result.days[0]
    assert resting[0, [k.DAY_LOWEST_SOC, k.DAY_FULL_H]].tolist() == [1.0, 24.0]
