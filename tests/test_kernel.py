"""The hour loop, threshold by threshold, and at the edges of what a bank can be."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import battery
from simulator.battery import kernel as k
from simulator.errors import EngineFault
from tests import inside_the_loop

NODE_SOC = np.linspace(0.0, 1.0, k.NODES + 1)


# ---- packing ----


@pytest.mark.parametrize("chemistry", ["lfp", "agm", "tank"])
def test_packed_curve_is_the_written_one_and_its_integrals(chemistry, make_bank):
    bank = make_bank(chemistry, in_series=2, in_parallel=3)
    curve, capacity = battery.pack_curve(bank)
    knots = bank.curve
    assert curve.shape == (k.NODES + 1, k.CURVE_FIELDS)
    assert curve[:, k.OCV] == pytest.approx(2.0 * np.interp(NODE_SOC, knots.soc, knots.ocv_v), rel=1e-14)
    assert curve[:, k.CHARGE_V] - curve[:, k.OCV] == pytest.approx(
        2.0 * np.interp(NODE_SOC, knots.soc, knots.polarisation_v), abs=1e-12
    )
    middle = 0.5 * (NODE_SOC[1:] + NODE_SOC[:-1])
    efficiency = np.interp(middle, knots.soc, knots.charge_efficiency_frac)
    assert 1.0 / curve[:-1, k.INV_EFFICIENCY] == pytest.approx(efficiency, rel=1e-13)
    whole_v = np.trapezoid(2.0 * np.interp(NODE_SOC, knots.soc, knots.ocv_v), NODE_SOC)
    assert curve[-1, k.ENERGY] == pytest.approx(whole_v, rel=1e-12)
    assert curve[-1, k.CHARGE_PASSED] == pytest.approx((1.0 / efficiency).mean(), rel=1e-12)
    assert curve[-1, k.CHARGE_ENERGY] >= curve[-1, k.ENERGY]
    assert len(capacity) == k.CAPACITY_NODES
    assert capacity.max() <= 1.0
    warmest = k.CAPACITY_COLD_C + k.CAPACITY_STEP_C * (k.CAPACITY_NODES - 1)
    assert warmest == 60.0
    assert capacity[-1] == knots.capacity_frac[-1]


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_energy_between_two_charges_is_the_area_under_the_curve(one, other):
    grid = np.zeros((k.NODES + 1, k.CURVE_FIELDS))
    grid[:, k.OCV] = 12.0 + np.sin(7.0 * NODE_SOC)
    grid[1:, k.ENERGY] = np.cumsum(0.5 * (grid[1:, k.OCV] + grid[:-1, k.OCV])) / k.NODES
    low, high = sorted((one, other))
    corners = np.unique(np.concatenate([[low, high], np.clip(NODE_SOC, low, high)]))
    area = np.trapezoid(np.interp(corners, NODE_SOC, grid[:, k.OCV]), corners)
    assert inside_the_loop.energy(grid, high) - inside_the_loop.energy(grid, low) == pytest.approx(area, abs=1e-12)
    assert inside_the_loop.ocv(grid, low) == pytest.approx(np.interp(low, NODE_SOC, grid[:, k.OCV]), rel=1e-13)


def test_a_bank_in_series_and_parallel_is_its_units_together(make_bank, make_heater, make_generator):
    lane = battery.pack_lane(make_bank("lfp", in_series=2, in_parallel=3, soh_start=0.9, heater=make_heater()), make_generator())
    assert lane["capacity_ah"] == pytest.approx(270.0)
    assert lane["resistance_ohm"] == pytest.approx(0.012 * 2 / 3)
    assert lane["charge_limit_a"] == 150.0
    assert lane["discharge_limit_a"] == 300.0
    assert lane["absorb_v"] == pytest.approx(28.8)
    assert lane["standby_w"] == pytest.approx(0.2 * 6)
    assert lane["heat_capacity_wh_per_c"] == pytest.approx(12600.0 * 6 / 3600)
    assert lane["loss_w_per_c"] == pytest.approx(6.0)
    assert lane["heater_w"] == 50.0
    assert lane["generator_a"] == 45.0
    assert set(lane) == set(k.Lanes._fields)


def test_a_latch_without_enough_between_off_and_on_is_refused(make_bank):
    with pytest.raises(EngineFault, match="reconnect_soc"):
        battery.pack_lane(make_bank("lfp", cutoff_soc=0.05, reconnect_soc=0.051))
    with pytest.raises(EngineFault, match="reconnect_soc"):
        battery.pack_lane(make_bank("lfp", cutoff_soc=0.05, reconnect_soc=0.04))


def test_start_state_rests_at_the_given_charge_and_never_above_the_target(make_bank):
    lanes = battery.stack_lanes([battery.pack_lane(make_bank("agm")), battery.pack_lane(make_bank("lfp", target_soc=0.8))])
    state = battery.start_state(lanes, 0.9, np.array([-5.0, -5.0]))
    assert state[:, k.SOC].tolist() == [0.9, 0.8]
    assert state[:, k.WELL] == pytest.approx([0.9 * 0.45, 0.8])
    assert state[:, k.COLD].tolist() == [0.0, 1.0]


def test_walk_leaves_the_given_state_alone_and_sums_what_it_books(make_bank, walk_bank):
    walked = walk_bank(make_bank("lfp"), 50, load_w=40.0, sun_w=30.0, start_soc=0.5)
    again = walk_bank(make_bank("lfp"), 50, load_w=40.0, sun_w=30.0, start_soc=0.5, state=walked.start)
    assert np.array_equal(walked.result.hours, again.result.hours)
    for field in range(k.HOUR_FIELDS):
        assert walked.total(field) == pytest.approx(walked.hour(field).sum(), rel=1e-12, abs=1e-12)
    days = walked.result.days[0]
    assert days.shape == (3, k.DAY_FIELDS)
    assert days[:, k.DAY_LOAD_WH] == pytest.approx([960.0, 960.0, 80.0])
    assert days[:, k.DAY_SUN_OFFERED_WH] == pytest.approx([720.0, 720.0, 60.0])
    assert days[:, k.DAY_SUN_USED_WH].sum() == pytest.approx(walked.total(k.SUN_USED_WH))


def test_no_hours_no_change(make_bank, make_histories, walk_banks):
    one = make_histories(1)
    none = battery.hours_of(one, 0, 0)
    walked = walk_banks([make_bank("lfp")], none, cell_c=20.0)
    assert np.array_equal(walked.result.state, walked.start)
    assert walked.result.days.shape[1] == 0


# ---- thresholds are met at the very moment ----


def test_supply_ends_at_the_floor_to_the_second(make_bank, walk_bank):
    """1,200 Wh at 480 W: two and a half hours."""
    walked = walk_bank(make_bank("tank"), 5, load_w=480.0)
    assert walked.hour(k.DARK_H) == pytest.approx([0.0, 0.0, 0.5, 1.0, 1.0], abs=1e-12)
    assert walked.hour(k.MISSED_DARK_WH) == pytest.approx([0.0, 0.0, 240.0, 480.0, 480.0], abs=1e-9)
    assert walked.hour(k.DARK_AT_START).tolist() == [0.0, 0.0, 0.0, 1.0, 1.0]
    assert walked.hour(k.DARK_AT_END).tolist() == [0.0, 0.0, 1.0, 1.0, 1.0]
    assert walked.hour(k.SEGMENTS).tolist() == [1.0, 1.0, 2.0, 1.0, 1.0]


def test_a_latched_bank_comes_back_at_reconnect_to_the_second(make_bank, walk_bank):
    """Empty; 240 W of sun bring 20 % of 1,200 Wh in one hour: dark for that hour, then 120 W of load are served."""
    walked = walk_bank(make_bank("tank", reconnect_soc=0.2), 3, load_w=120.0, sun_w=[160.0, 160.0, 160.0], start_soc=0.0)
    # 240 Wh at 160 W take an hour and a half; the sun alone could feed the load, but a dark bank serves nobody.
    assert walked.result.state[0, k.DARK] == 0.0
    held = walk_bank(make_bank("tank", reconnect_soc=0.2), 4, load_w=[120.0] * 4, sun_w=[0.0, 160.0, 160.0, 160.0], start_soc=0.0)
    assert held.hour(k.DARK_H) == pytest.approx([1.0, 1.0, 0.5, 0.0], abs=1e-12)
    assert held.soc()[-1] == pytest.approx(0.2 + (0.5 + 1.0) * 40.0 / 1200.0, abs=1e-12)
    assert held.hour(k.SUN_USED_WH) == pytest.approx([0.0, 160.0, 160.0, 160.0])


def test_without_a_latch_the_sources_serve_what_they_can(make_bank, walk_bank):
    walked = walk_bank(make_bank("tank"), 2, load_w=100.0, sun_w=60.0, start_soc=0.0)
    assert walked.hour(k.MISSED_DARK_WH) == pytest.approx([40.0, 40.0])
    assert walked.hour(k.DARK_H) == pytest.approx([1.0, 1.0])
    assert walked.hour(k.SUN_USED_WH) == pytest.approx([60.0, 60.0])


def test_a_hookup_holds_the_bus_of_a_dark_bank_and_driving_does_not(make_bank, walk_bank):
    bank = make_bank("tank", reconnect_soc=0.5)
    dark_for = {}
    for source in ("shore_a", "drive_a"):
        walked = walk_bank(bank, 3, load_w=[100.0, 60.0, 60.0], start_soc=0.0, **{source: [0.0, 10.0, 10.0]})
        dark_for[source] = walked.hour(k.DARK_H).tolist()
    assert dark_for == {"shore_a": [1.0, 0.0, 0.0], "drive_a": [1.0, 1.0, 1.0]}


def test_the_first_battery_full_ends_charging(make_bank, walk_bank):
    walked = walk_bank(make_bank("tank", target_soc=0.9), 4, sun_w=480.0, start_soc=0.4)
    assert walked.soc() == pytest.approx([0.4, 0.8, 0.9, 0.9, 0.9])
    assert walked.hour(k.SPILLED_FULL_WH) == pytest.approx([0.0, 360.0, 480.0, 480.0])
    assert walked.hour(k.FULL_H).tolist() == [0.0, 1.0, 1.0, 1.0]


def test_absorption_is_an_exact_exponential_to_the_end(make_bank, walk_bank):
    """From the onset on, what is missing to 1 + end x tau falls with exp(-t / tau)."""
    bank = make_bank("agm", well_c=1.0, self_discharge_frac_per_day=0.0, resistance_per_c=0.0)
    walked = walk_bank(bank, 8, sun_w=3000.0, start_soc=0.9)
    goal = 1.0 + bank.taper_end_frac * bank.taper_h
    exact = goal - (goal - 0.9) * np.exp(-np.arange(9) / bank.taper_h)
    assert walked.soc() == pytest.approx(np.minimum(exact, 1.0), abs=1e-12)
    assert walked.hour(k.SPILLED_ACCEPTANCE_WH)[:3].min() > 0.0
    assert walked.soc()[-1] == 1.0


def test_current_limit_of_charging(make_bank, walk_bank):
    walked = walk_bank(make_bank("lfp", taper_h=0.0, self_discharge_frac_per_day=0.0), 3, sun_w=2000.0, start_soc=0.1)
    assert walked.hour(k.CHARGED_AH)[0] == pytest.approx(50.0, rel=1e-12)
    assert walked.soc()[1] - walked.soc()[0] == pytest.approx(0.5 * 0.995, rel=1e-12)
    assert walked.hour(k.SPILLED_LIMIT_WH)[0] > 1000.0


def test_current_limit_of_discharging_is_an_overload_and_no_outage(make_bank, walk_bank):
    walked = walk_bank(make_bank("lfp", standby_w=0.0), 1, load_w=2000.0, start_soc=1.0)
    assert walked.hour(k.DISCHARGED_AH)[0] <= 100.0 + 1e-9
    short = walk_bank(make_bank("lfp", standby_w=0.0, discharge_limit_a=20.0), 3, load_w=400.0, start_soc=0.9)
    assert short.hour(k.DISCHARGED_AH) == pytest.approx(20.0, rel=1e-12)
    assert short.hour(k.MISSED_LIMIT_WH) == pytest.approx(400.0 - short.hour(k.DISCHARGED_WH), rel=1e-12)
    assert short.total(k.DARK_H) == 0.0
    assert short.total(k.MISSED_DARK_WH) == 0.0


def test_generator_starts_and_stops_at_its_thresholds(make_bank, make_generator, walk_bank):
    """120 W draw the tank from 50 % to 30 % in 2 h; 480 W more than the load bring it to 90 % in 1.5 h."""
    generator = make_generator(charger_a=50.0, start_soc=0.3, stop_soc=0.9, min_run_h=0.0)
    walked = walk_bank(make_bank("tank"), 4, load_w=120.0, generator_allowed=1.0, generator=generator, start_soc=0.5)
    assert walked.hour(k.GENERATOR_H) == pytest.approx([0.0, 0.0, 1.0, 0.5], abs=1e-12)
    assert walked.hour(k.GENERATOR_WH) == pytest.approx([0.0, 0.0, 600.0, 300.0], abs=1e-9)
    assert walked.soc()[1:] == pytest.approx([0.4, 0.3, 0.7, 0.9 - 0.05], abs=1e-12)


def test_generator_runs_its_least_time_and_only_when_allowed(make_bank, make_generator, walk_bank):
    generator = make_generator(charger_a=50.0, start_soc=0.3, stop_soc=0.4, min_run_h=1.5)
    long = walk_bank(make_bank("tank"), 3, load_w=60.0, generator_allowed=1.0, generator=generator, start_soc=0.3)
    assert long.hour(k.GENERATOR_H)[:2] == pytest.approx([1.0, 0.5], abs=1e-12)
    quiet = walk_bank(make_bank("tank"), 3, load_w=60.0, generator_allowed=[0.0, 1.0, 0.0], generator=generator, start_soc=0.3)
    assert quiet.hour(k.GENERATOR_H) == pytest.approx([0.0, 1.0, 0.0])


def test_levels_are_switched_off_one_by_one_and_come_back(make_bank, walk_bank):
    """Luxury goes at 50 %, comfort at 30 %; essential load is never switched off."""
    load_w = np.array([[60.0], [180.0], [600.0]]) * np.ones(12)
    lane = {"shed_soc": (-1.0, 0.3, 0.5), "restore_soc": (-1.0, 0.4, 0.6)}
    walked = walk_bank(make_bank("tank"), 12, load_w=load_w, start_soc=1.0, lane=lane)
    # 600 Wh at 600 W, 240 Wh at 180 W, then 60 W.
    assert walked.soc()[1] == pytest.approx(0.5)
    used_wh = 1200.0 * (1.0 - walked.soc()[1:])
    hours = np.arange(1, 13)
    down = 1.0 + 240.0 / 180.0
    exact = np.where(hours <= down, 600.0 + 180.0 * (hours - 1), 840.0 + 60.0 * (hours - down))
    assert used_wh[:8] == pytest.approx(np.minimum(exact[:8], 1200.0))
    assert walked.hour(k.MISSED_SHED_WH)[2] == pytest.approx(420.0 * (down - 2) + 540.0 * (3 - down))
    assert walked.hour(k.MISSED_ESSENTIAL_WH)[:8].sum() == 0.0
    back = walk_bank(make_bank("tank"), 12, load_w=load_w, sun_w=300.0, start_soc=0.2, lane=lane)
    assert back.hour(k.MISSED_SHED_WH)[0] == pytest.approx(540.0)
    assert back.hour(k.MISSED_COMFORT_WH).sum() > 0.0
    assert back.hour(k.MISSED_SHED_WH)[-1] < 540.0
    assert back.soc()[1] == pytest.approx(0.2 + 240.0 / 1200.0)


def test_cells_follow_the_bay_with_their_time_constant(make_bank, walk_bank):
    bank = make_bank("lfp", standby_w=0.0)
    walked = walk_bank(bank, 10, bay_c=0.0, cell_c=25.0)
    per_h = bank.loss_w_per_c / (bank.heat_capacity_j_per_c / 3600.0)
    assert walked.cell_c() == pytest.approx(25.0 * np.exp(-per_h * np.arange(11)), abs=1e-9)


def test_a_heater_warms_to_its_set_point_and_no_further(make_bank, make_heater, walk_bank):
    """Its power is what reaches off_above_c by the end of the hour: no overshoot, and no switching to and fro inside the hour."""
    bank = make_bank("lfp", heater=make_heater(power_w=200.0, on_below_c=8.0, off_above_c=8.0, from_bank=True), standby_w=0.0)
    walked = walk_bank(bank, 8, bay_c=-10.0, cell_c=-10.0)
    assert walked.cell_c().max() <= 8.0 + 0.1, "only the cells' own heat of the hour before comes on top"
    assert walked.cell_c()[1:] == pytest.approx(8.0, abs=0.1)
    assert walked.hour(k.HEATER_WH)[2:] == pytest.approx(18.0 * bank.loss_w_per_c, rel=0.05)
    assert walked.hour(k.LOCKED_H)[:2].tolist() == [1.0, 0.0]


def test_losses_warm_the_next_hour(make_bank, walk_bank):
    bank = make_bank("lfp", standby_w=0.0)
    walked = walk_bank(bank, 3, bay_c=0.0, cell_c=0.0, load_w=[500.0, 0.0, 0.0], start_soc=0.9)
    assert walked.cell_c()[1] == 0.0
    per_h = bank.loss_w_per_c / (bank.heat_capacity_j_per_c / 3600.0)
    warmed = walked.hour(k.LOSS_OHMIC_WH)[0] / bank.loss_w_per_c * (1.0 - np.exp(-per_h))
    assert walked.cell_c()[2] == pytest.approx(warmed, rel=1e-12)
    assert warmed > 1.0


def test_resistance_grows_in_the_cold(make_bank, walk_bank):
    """At 0 C the ohmic loss of the same ampere-hours is exp(0.0308 x 25) = 2.16 times that at 25 C."""
    bank = make_bank("lfp", standby_w=0.0, self_discharge_frac_per_day=0.0)
    lost = [walk_bank(bank, 1, bay_c=bay_c, cell_c=bay_c, load_w=130.0, start_soc=0.8) for bay_c in (25.0, 0.0)]
    per_ah2 = [walked.hour(k.LOSS_OHMIC_WH)[0] / walked.hour(k.DISCHARGED_AH)[0] ** 2 for walked in lost]
    assert per_ah2 == pytest.approx([0.012, 0.012 * np.exp(0.0308 * 25.0)], rel=1e-9)


def test_sun_is_read_at_the_voltage_of_the_bus(make_bank, walk_bank):
    """Between the low and the high column in proportion to the voltage; the third column is what was on offer."""
    lane = {"sun_low_v": 10.0, "sun_high_v": 15.0}
    walked = walk_bank(make_bank("tank"), 1, sun_w=np.array([[100.0, 160.0, 170.0]]), start_soc=0.5, lane=lane)
    used = 100.0 + 60.0 * (12.0 - 10.0) / (15.0 - 10.0)
    assert walked.hour(k.SUN_USED_WH)[0] == pytest.approx(used)
    assert walked.hour(k.SUN_OFFERED_WH)[0] == 170.0
    assert walked.hour(k.SPILLED_CONTROLLER_WH)[0] == pytest.approx(170.0 - used)


def test_discharge_outside_its_temperatures_is_refused(make_bank, walk_bank):
    bank = make_bank("lfp", discharge_min_c=-20.0)
    walked = walk_bank(
        bank, 4, load_w=50.0, bay_c=[-30.0, -30.0, 10.0, 10.0], cell_c=-30.0, lane={"loss_w_per_c": 50.0}, start_soc=0.9
    )
    assert walked.hour(k.DARK_H).tolist() == [1.0, 1.0, 1.0, 0.0]
    assert walked.hour(k.DISCHARGED_WH)[:3].sum() == 0.0


# ---- at the edges ----


EDGES: dict[str, tuple[str, dict[str, Any], dict[str, Any]]] = {
    "no load and no sun": ("lfp", {}, {}),
    "no resistance": ("lfp", {"resistance_ohm": 0.0}, {"load_w": 50.0, "sun_w": 80.0}),
    "huge sun": ("lfp", {}, {"sun_w": 1e9}),
    "huge sun without a limit": ("lfp", {"charge_limit_a": 1e9, "taper_h": 0.0}, {"sun_w": 1e9}),
    "huge load": ("lfp", {}, {"load_w": 1e9}),
    "huge load without a limit": ("agm", {"discharge_limit_a": 1e9}, {"load_w": 1e9}),
    "hardly any sun": ("lfp", {}, {"sun_w": 1e-300}),
    "hardly any load": ("lfp", {"standby_w": 0.0}, {"load_w": 1e-300}),
    "a bank that takes and gives nothing": (
        "lfp",
        {"charge_limit_a": 0.0, "discharge_limit_a": 0.0, "standby_w": 0.0},
        {"load_w": 5.0},
    ),
    "temperatures that jump": ("lfp", {}, {"load_w": 60.0, "sun_w": 100.0, "bay_c": [-60.0, 60.0] * 12}),
    "no heat capacity to speak of": ("lfp", {"heat_capacity_j_per_c": 1.0}, {"load_w": 60.0, "bay_c": [-10.0, 30.0] * 12}),
    "a taper of seconds": ("lfp", {"taper_h": 0.001}, {"sun_w": 200.0}),
    "a taper of days": ("agm", {"taper_h": 24.0}, {"sun_w": 200.0}),
    "a tiny well": ("agm", {"well_c": 0.05, "well_k_per_h": 0.01}, {"load_w": 200.0, "sun_w": [0.0, 300.0] * 12}),
    "a well that mixes at once": ("agm", {"well_c": 0.5, "well_k_per_h": 100.0}, {"load_w": 200.0, "sun_w": [0.0, 300.0] * 12}),
    "a bank of one ampere-hour": ("lfp", {"unit_ah": 1.0, "reconnect_soc": 0.05}, {"load_w": 200.0, "sun_w": [0.0, 900.0] * 12}),
    "a bank of a million ampere-hours": ("lfp", {"unit_ah": 1e6}, {"load_w": 200.0, "sun_w": [0.0, 900.0] * 12}),
}


@pytest.mark.parametrize("start_soc", [0.0, 0.05, 0.5, 1.0])
@pytest.mark.parametrize("name", EDGES)
def test_edges_end_in_numbers_and_closed_ledgers(name, start_soc, make_bank, walk_bank):
    chemistry, overrides, history = EDGES[name]
    walked = walk_bank(make_bank(chemistry, **overrides), 24, start_soc=start_soc, **history)
    hour = walked.result.hours[0]
    assert np.isfinite(hour).all()
    assert np.isfinite(walked.result.state).all()
    through = hour[:, [k.SUN_OFFERED_WH, k.LOAD_WH, k.CHARGED_WH, k.DISCHARGED_WH]].sum(axis=1)
    # A million ampere-hours cannot be told apart more finely than the last bit of their charge.
    grain = 1e-15 * walked.lanes.capacity_ah[0] * 14.0
    assert (hour[:, k.RESIDUAL_WH] <= 1e-9 * np.maximum(through, 1.0) + grain).all()
    assert (hour[:, k.RESIDUAL_H] <= 1e-9).all()
    assert (walked.soc() >= 0.0).all()
    assert (walked.soc() <= 1.0).all()


def test_a_floor_that_rises_above_the_charge_ends_supply_and_lets_it_come_back(make_bank, walk_bank):
    """In the cold less can be drawn: at 30 % an AGM bank of which 35 % are out of reach has nothing to give until it is warm."""
    bay_c = np.where(np.arange(72) // 24 == 1, -10.0, 25.0)
    bank = make_bank("agm", well_c=1.0, reconnect_soc=0.0, self_discharge_frac_per_day=0.0)
    walked = walk_bank(bank, 72, load_w=2.0, bay_c=bay_c, start_soc=0.32, lane={"loss_w_per_c": 50.0})
    dark_h = walked.hour(k.DARK_H)
    assert dark_h[:24].sum() == 0.0
    assert dark_h[25:48] == pytest.approx(1.0)
    assert dark_h[50:].sum() == 0.0


def test_thresholds_that_coincide_are_settled(make_bank, make_generator, walk_bank):
    """Start of the generator, a level's switch-off and the floor at one charge; full, target and stop at another."""
    generator = make_generator(start_soc=0.2, stop_soc=0.8, min_run_h=0.0, charger_a=60.0)
    bank = make_bank("tank", cutoff_soc=0.2, reconnect_soc=0.8, target_soc=0.8, full_soc=0.8)
    load_w = np.array([[50.0], [80.0], [100.0]]) * np.ones(48)
    lane = {"shed_soc": (-1.0, 0.2, 0.2), "restore_soc": (-1.0, 0.8, 0.8)}
    walked = walk_bank(bank, 48, load_w=load_w, generator=generator, generator_allowed=1.0, start_soc=0.8, lane=lane)
    assert walked.hour(k.SEGMENTS).max() <= 6
    assert walked.total(k.DARK_H) == 0.0
    assert walked.total(k.GENERATOR_WH) > 0.0
    assert walked.hour(k.SOC_LOWEST).min() == pytest.approx(0.2, abs=1e-9)


def test_an_air_conditioner_at_noon_on_an_empty_bank(make_bank, walk_bank):
    """100 Ah near their cut-off, 800 W of sun and 1,500 W of load: the latch opens and closes every few minutes."""
    walked = walk_bank(make_bank("lfp", charge_limit_a=80.0), 8, sun_w=800.0, load_w=1500.0, start_soc=0.1)
    assert walked.total(k.MISSED_DARK_WH) > 0.0
    assert walked.hour(k.SUN_USED_WH) == pytest.approx(800.0, rel=0.01)


def test_a_generator_that_starts_and_stops_at_nearly_the_same_charge(make_bank, make_generator, walk_bank):
    generator = make_generator(min_run_h=0.0, start_soc=0.30, stop_soc=0.31)
    walked = walk_bank(make_bank("lfp"), 12, load_w=300.0, generator=generator, generator_allowed=1.0, start_soc=0.35)
    assert walked.total(k.DARK_H) == 0.0


def test_a_floor_that_rises_above_the_charge_target(make_bank, walk_bank):
    """Charged to 30 % at most and 35 % out of reach in the cold: dark, and no endless switching."""
    walked = walk_bank(make_bank("agm", target_soc=0.3), 24, load_w=10.0, bay_c=-10.0, start_soc=0.3)
    assert walked.total(k.DARK_H) == pytest.approx(24.0)


def test_a_current_limit_below_what_heater_and_electronics_draw(make_bank, make_heater, walk_bank):
    """One ampere cannot feed a heater of 100 W: it gets less, and nothing is booked that nobody delivered."""
    bank = make_bank("lfp", discharge_limit_a=1.0, heater=make_heater(power_w=100.0, from_bank=True))
    walked = walk_bank(bank, 24, load_w=5.0, bay_c=-10.0, start_soc=0.5)
    assert walked.hour(k.RESIDUAL_WH) == pytest.approx(0.0, abs=1e-9)
    assert (walked.hour(k.HEATER_WH) <= walked.hour(k.DISCHARGED_WH) + 1e-9).all()


def test_heat_that_never_came_opens_no_lock(make_bank, make_heater, walk_bank):
    """An empty bank cannot feed its heater; cells that go on cooling stay locked until both ends are warm enough."""
    bank = make_bank("lfp", heater=make_heater(power_w=100.0, from_bank=True))
    bay_c = [8.0, -20.0, -2.0, 1.0, 1.0, 1.0]
    walked = walk_bank(bank, 6, load_w=50.0, bay_c=bay_c, cell_c=-1.0, start_soc=0.0, lane={"loss_w_per_c": 3.0})
    coldest_c = np.minimum(walked.cell_c()[1:], walked.cell_c()[:-1])
    assert walked.total(k.HEATER_WH) == 0.0
    assert walked.hour(k.LOCKED_H)[0] == 1.0
    assert (walked.hour(k.LOCKED_H)[coldest_c < bank.charge_resume_c] == 1.0).all()


def test_heat_that_ended_with_the_bank_opens_no_lock(make_bank, make_heater, walk_bank):
    """The bank runs empty within the hour and the heater with it: below charge_resume_c at its end, the lock goes on."""
    heater = make_heater(power_w=100.0, on_below_c=8.0, off_above_c=8.0, from_bank=True)
    bank = make_bank("lfp", heater=heater, reconnect_soc=0.05, charge_resume_c=5.0)
    lane = {"loss_w_per_c": 3.0}
    walked = walk_bank(bank, 2, load_w=[0.0, 20.0], bay_c=[14.0, -5.0], cell_c=-1.0, start_soc=0.07, lane=lane)
    assert walked.hour(k.LOCKED_H)[0] == 1.0
    assert 0.0 < walked.cell_c()[2] < 5.0
    assert walked.result.state[0, k.COLD] == 1.0


def test_a_charger_gives_its_amperes_at_the_voltage_of_the_bus(make_bank, walk_bank):
    """While charging that voltage is the resting one, what charging needs above it, and the drop across the resistance."""
    walked = walk_bank(make_bank("agm", in_parallel=3), 1, shore_a=60.0, start_soc=0.3)
    assert walked.hour(k.CHARGED_AH)[0] == pytest.approx(60.0, rel=0.02)


def test_a_taper_that_ends_at_nothing(make_bank, walk_bank):
    """An end current of zero is never reached, only approached."""
    walked = walk_bank(make_bank("lfp", taper_h=0.02, taper_end_frac=0.0), 24, sun_w=200.0, start_soc=0.5)
    assert np.isfinite(walked.result.hours).all()
    assert walked.soc()[-1] == pytest.approx(1.0, abs=1e-4)


def test_a_latch_of_exactly_the_least_width_is_taken(make_bank):
    assert battery.pack_lane(make_bank("lfp", cutoff_soc=0.05, reconnect_soc=0.055))["reconnect_soc"] == 0.055


def test_no_energy_comes_from_a_voltage_that_falls_while_charging(make_bank, walk_bank):
    """Overpotential falls faster than the resting voltage rises: current limit, power and absorption meet in one hour."""
    bank = make_bank("agm")
    falling = replace(
        bank.curve,
        soc=(0.0, 0.9, 1.0),
        ocv_v=(6.5, 6.8, 6.95),
        polarisation_v=(1.0, 3.0, 0.1),
        charge_efficiency_frac=(1.0, 1.0, 1.0),
    )
    bank = replace(
        bank,
        curve=falling,
        charge_limit_a=8.82,
        charge_cold_limit_a=8.82,
        resistance_ohm=0.0364,
        taper_h=0.632,
        taper_end_frac=0.0174,
    )
    for watts in np.linspace(70.0, 95.0, 51):
        walked = walk_bank(bank, 3, sun_w=watts, start_soc=0.883, lane={"loss_w_per_c": 50.0})
        assert (walked.hour(k.RESIDUAL_WH) <= 1e-9 * watts).all()
