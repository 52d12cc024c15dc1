"""Laws that hold for every bank, array, charger, generator, heater, temperature and load.

What the hour loop booked is not trusted here: stored energy is recomputed from the series of charge and the curve, cell by cell.
"""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import battery
from simulator.battery import kernel as k
from simulator.scenario.parts import Bank, Curve, Generator, Heater

CLOSURE = 1e-9
"""Every ledger closes to this share of max(throughput, 1 Wh) in every hour."""
NODE_SOC = np.linspace(0.0, 1.0, k.NODES + 1)


# ---- what may happen to a bank ----


@dataclass(frozen=True)
class Case:
    """A few banks, each a lane, under one history."""

    banks: list[Bank]
    generator: Generator | None
    lane: list[dict[str, Any]]
    hours: int
    weather: dict[str, Any]
    start_soc: list[float]
    seed: int


def floats(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_subnormal=False)


@st.composite
def curves(draw: st.DrawFn) -> Curve:
    """A rising voltage, a rising overpotential, any efficiency; capacity that shrinks in the cold."""
    inner = draw(st.lists(st.integers(1, 99), min_size=0, max_size=5, unique=True))
    soc = (0.0, *(percent / 100.0 for percent in sorted(inner)), 1.0)
    steps = draw(st.lists(floats(0.0, 0.6), min_size=len(soc) - 1, max_size=len(soc) - 1))
    ocv_v = 11.0 + np.concatenate([[0.0], np.cumsum(steps)])
    frac = draw(floats(0.5, 1.0))
    return Curve(
        soc=soc,
        ocv_v=tuple(float(volts) for volts in ocv_v),
        polarisation_v=tuple(sorted(draw(st.lists(floats(0.0, 2.0), min_size=len(soc), max_size=len(soc))))),
        charge_efficiency_frac=tuple(draw(st.lists(floats(0.6, 1.0), min_size=len(soc), max_size=len(soc)))),
        capacity_temp_c=(-20.0, 25.0),
        capacity_frac=(frac, 1.0),
    )


@st.composite
def banks(draw: st.DrawFn, make_bank: Any) -> Bank:
    """Banks of 3 to 4,000 Ah with every feature on or off."""
    chemistry = draw(st.sampled_from(["lfp", "agm"]))
    unit_ah = draw(st.sampled_from([3.0, 50.0, 100.0, 500.0]))
    cutoff = draw(st.sampled_from([0.0, 0.05, 0.2, 0.5]))
    latch = draw(st.one_of(st.just(0.0), floats(0.006, 0.3)))
    charge_min_c = draw(floats(-25.0, 5.0))
    resume_c = charge_min_c + draw(floats(0.0, 5.0))
    charge_limit = draw(floats(0.02, 2.0)) * unit_ah
    discharge_limit = draw(st.one_of(floats(0.3, 5.0), floats(0.0, 0.1))) * unit_ah
    heater = draw(
        st.none()
        | st.builds(
            Heater,
            power_w=floats(0.0, unit_ah),
            on_below_c=floats(0.0, 5.0),
            off_above_c=floats(5.0, 15.0),
            from_bank=st.booleans(),
        )
    )
    well_c = draw(st.sampled_from([1.0, 1.0, 0.166, 0.45, 0.9]))
    curve = draw(st.none() | curves())
    overrides: dict[str, Any] = {} if curve is None else {"curve": curve}
    return make_bank(
        chemistry,
        unit_ah=unit_ah,
        in_series=draw(st.sampled_from([1, 2, 4])),
        in_parallel=draw(st.integers(1, 8)),
        soh_start=draw(floats(0.6, 1.0)),
        cutoff_soc=cutoff,
        reconnect_soc=cutoff + latch,
        target_soc=draw(st.sampled_from([1.0, 1.0, 0.85, max(0.5, cutoff + latch)])),
        charge_limit_a=charge_limit,
        charge_cold_limit_a=charge_limit * draw(floats(0.0, 1.0)),
        discharge_limit_a=discharge_limit,
        charge_min_c=charge_min_c,
        charge_resume_c=resume_c,
        charge_full_c=resume_c + draw(floats(0.0, 10.0)),
        resistance_ohm=draw(st.sampled_from([0.0, 1.2, 4.0])) / unit_ah,
        taper_h=draw(st.sampled_from([0.0, 0.15, 0.5, 2.0])),
        taper_end_frac=draw(floats(0.001, 0.1)),
        well_c=well_c,
        well_k_per_h=draw(floats(0.05, 4.0)),
        self_discharge_frac_per_day=draw(st.sampled_from([0.0, 0.0007, 0.01])),
        standby_w=draw(st.sampled_from([0.0, 0.002])) * unit_ah,
        heat_capacity_j_per_c=126.0 * unit_ah,
        loss_w_per_c=draw(floats(0.0005, 0.05)) * unit_ah,
        heater=heater,
        absorb_v_per_c=draw(st.sampled_from([0.0, -0.024])),
        absorb_cap_v=draw(st.sampled_from([np.inf, 15.0])),
        gassing_per_v=draw(st.sampled_from([0.0, 11.0 / 6.0])),
        gassing_per_c=draw(st.sampled_from([0.0, 0.06])),
        cutoff_v=draw(st.sampled_from([0.0, 0.0, 10.5, 11.5])),
        charge_max_v=draw(st.sampled_from([0.0, 0.0, 13.5, 14.6])),
        **overrides,
    )


@st.composite
def cases(draw: st.DrawFn, make_bank: Any) -> Case:
    fleet = draw(st.lists(banks(make_bank), min_size=1, max_size=3))
    generator = draw(
        st.none()
        | st.builds(
            Generator,
            rated_w=st.just(2000.0),
            charger_a=floats(1.0, 100.0),
            start_soc=floats(0.1, 0.5),
            stop_soc=floats(0.501, 0.95),
            min_run_h=st.sampled_from([0.0, 0.5, 1.0, 2.5]),
            windows=st.just(((0.0, 24.0),)),
            fuel_l_per_h_quarter=st.just(0.4),
            fuel_l_per_h_full=st.just(1.0),
        )
    )
    never = (battery.NEVER_SOC,) * k.LEVELS
    lane = []
    for _ in fleet:
        off = draw(st.booleans())
        comfort = draw(floats(0.1, 0.4))
        luxury = comfort + draw(floats(0.0, 0.2))
        back = draw(floats(0.001, 0.3))
        lane.append(
            {
                "shed_soc": (battery.NEVER_SOC, comfort, luxury) if off else never,
                "restore_soc": (battery.NEVER_SOC, comfort + back, luxury + back) if off else never,
                "sun_scale": draw(floats(0.0, 2.0)),
                "inverter_off_v": draw(st.sampled_from([0.0, 10.8, 11.8])),
                "inverter_on_v": draw(st.sampled_from([12.0, 12.6])),
                "cabin_tau_h": draw(st.sampled_from([0.0, 4.0])),
                "load_scale": draw(floats(0.0, 2.0)),
            }
        )
    weather = {
        "sun_c_rate": draw(floats(0.0, 1.0)),
        "clear_frac": draw(floats(0.0, 1.0)),
        "load_c_rate": draw(floats(0.0, 0.5)),
        "peak_c_rate": draw(st.sampled_from([0.0, 0.0, 2.0])),
        "mean_c": draw(floats(-25.0, 40.0)),
        "swing_c": draw(floats(0.0, 25.0)),
        "shore_frac": draw(st.sampled_from([0.0, 0.1, 1.0])),
        "drive_frac": draw(st.sampled_from([0.0, 0.2])),
        "allowed_frac": draw(st.sampled_from([0.0, 0.5, 1.0])),
        "ac_share": draw(st.sampled_from([0.0, 0.6, 1.0])),
        "peaks_frac": draw(st.sampled_from([0.0, 0.3, 1.0])),
        "other_frac": draw(st.sampled_from([0.0, 0.3])),
        "asleep_frac": draw(st.sampled_from([0.0, 0.2])),
        "chill_c": draw(st.sampled_from([0.0, 15.0])),
    }
    return Case(
        banks=fleet,
        generator=generator,
        lane=lane,
        hours=draw(st.integers(1, 120)),
        weather=weather,
        start_soc=draw(st.lists(floats(0.0, 1.0), min_size=len(fleet), max_size=len(fleet))),
        seed=draw(st.integers(0, 2**31)),
    )


def histories_of(case: Case, make_histories: Any) -> k.Histories:
    """Sun by day, clouds, loads with peaks, chargers that come and go, temperatures that jump."""
    chance = np.random.default_rng(case.seed)
    hours, knobs = case.hours, case.weather
    bank = case.banks[0]
    watts = bank.unit_ah * bank.in_parallel * bank.in_series * 12.8
    clock = np.arange(hours) % 24
    sky = np.maximum(np.sin((clock - 6) / 12 * np.pi), 0.0) * np.where(
        chance.random(hours) < knobs["clear_frac"], 1.0, chance.random(hours)
    )
    offered = watts * knobs["sun_c_rate"] * sky
    sun = offered[:, None] * np.array([0.9, 0.95, 1.0])
    parts = watts * np.maximum(
        knobs["load_c_rate"] * chance.random((k.LEVELS, hours)),
        knobs["peak_c_rate"] * (chance.random((k.LEVELS, hours)) < 0.05),
    )
    parts *= chance.random((k.LEVELS, hours)) < 0.7
    bay_c = knobs["mean_c"] + knobs["swing_c"] * (np.sin((clock - 9) / 12 * np.pi) + 0.5 * chance.standard_normal(hours))
    amperes = 0.3 * bank.unit_ah * bank.in_parallel
    load = np.cumsum(parts, axis=0)
    peak_h = np.where(chance.random(hours) < knobs["peaks_frac"], chance.choice([0.1, 1.0 / 6.0, 0.5, 1.0], hours), 0.0)
    peak = np.cumsum(parts * np.where(peak_h > 0.0, 1.0 + 4.0 * chance.random(hours), 1.0), axis=0)
    ac_share = knobs["ac_share"]
    return make_histories(
        hours,
        sun_w=sun,
        load_w=load,
        ac_w=ac_share * load,
        peak_w=peak,
        peak_ac_w=ac_share * peak,
        peak_h=peak_h,
        other_w=0.05 * watts * (chance.random(hours) < knobs["other_frac"]),
        awake=1.0 * (chance.random(hours) >= knobs["asleep_frac"]),
        unheated_c=bay_c - knobs["chill_c"],
        bay_c=bay_c,
        shore_a=amperes * (chance.random(hours) < knobs["shore_frac"]),
        drive_a=amperes * (chance.random(hours) < knobs["drive_frac"]),
        generator_allowed=(chance.random(hours) < knobs["allowed_frac"]).astype(float),
    )


def walk_case(case: Case, make_histories: Any, walk_banks: Any, **how: Any) -> Any:
    """Walk it; no number of thresholds inside one hour may be too many."""
    histories = histories_of(case, make_histories)
    return walk_banks(case.banks, histories, generator=case.generator, lane=case.lane, start_soc=case.start_soc, **how)


# ---- recomputed from outside ----


def integral(curve: np.ndarray, column: int, soc: np.ndarray, per_cell: np.ndarray | float = 1.0) -> np.ndarray:
    """Integral from 0 to soc of a column that is linear between nodes, times a factor that is constant in each cell."""
    volts = curve[:, column]
    factor = np.broadcast_to(np.asarray(per_cell, dtype=float), (k.NODES,))
    whole = np.concatenate([[0.0], np.cumsum(0.5 * (volts[1:] + volts[:-1]) * factor)]) / k.NODES
    cell = np.clip(np.floor(soc * k.NODES).astype(int), 0, k.NODES - 1)
    part = soc * k.NODES - cell
    here = volts[cell] + part * (volts[cell + 1] - volts[cell])
    return whole[cell] + 0.5 * (volts[cell] + here) * part * factor[cell] / k.NODES


def gassing_of(walked: Any, lane: int, rate_c: np.ndarray) -> np.ndarray:
    """How much more or less charge is lost to gassing in each hour than at 25 C (Schiffer et al. 2007)."""
    lanes = walked.lanes
    warmer_v = (
        np.minimum(lanes.absorb_v[lane] + lanes.absorb_v_per_c[lane] * (rate_c - 25.0), lanes.absorb_cap_v[lane])
        - lanes.absorb_v[lane]
    )
    if lanes.gassing_per_c[lane] == 0.0:
        return np.ones(len(rate_c))
    return np.minimum(np.exp(lanes.gassing_per_v[lane] * warmer_v + lanes.gassing_per_c[lane] * (rate_c - 25.0)), 4.0)


def passed_charge(inverse: np.ndarray, soc: np.ndarray) -> np.ndarray:
    """Integral from 0 to soc of 1 / efficiency."""
    cell = np.clip(np.floor(soc * k.NODES).astype(int), 0, k.NODES - 1)
    return (np.concatenate([[0.0], np.cumsum(inverse)])[cell] + (soc * k.NODES - cell) * inverse[cell]) / k.NODES


def limit_of(hour: np.ndarray) -> np.ndarray:
    """What a ledger may miss in each hour [Wh]."""
    throughput = sum(
        hour[:, field]
        for field in (k.SUN_OFFERED_WH, k.SHORE_WH, k.DRIVE_WH, k.GENERATOR_WH, k.LOAD_WH, k.CHARGED_WH, k.DISCHARGED_WH)
    )
    return CLOSURE * np.maximum(throughput, 1.0)


SPILLED = (
    k.SPILLED_CONTROLLER_WH,
    k.SPILLED_FULL_WH,
    k.SPILLED_ACCEPTANCE_WH,
    k.SPILLED_LIMIT_WH,
    k.REFUSED_COLD_WH,
    k.REFUSED_HOT_WH,
    k.REFUSED_HIGH_WH,
)
BY_CAUSE = (k.MISSED_DARK_WH, k.MISSED_SHED_WH, k.MISSED_LIMIT_WH)
BY_PRIORITY = (k.MISSED_ESSENTIAL_WH, k.MISSED_COMFORT_WH, k.MISSED_LUXURY_WH)
OTHER_SOURCES = (k.OTHER_WH, k.SHORE_WH, k.DRIVE_WH, k.GENERATOR_WH)
LOSSES = (k.LOSS_OHMIC_WH, k.LOSS_CHARGING_WH, k.LOSS_SELF_WH)


def columns(hour: np.ndarray, fields: tuple[int, ...]) -> np.ndarray:
    return hour[:, list(fields)].sum(axis=1)


@pytest.fixture(scope="module")
def any_case(make_bank):
    return cases(make_bank)


@given(data=st.data())
def test_every_ledger_closes_in_every_hour(data, any_case, make_histories, walk_banks):
    walked = walk_case(data.draw(any_case), make_histories, walk_banks)
    assert np.isfinite(walked.result.hours).all()
    assert np.isfinite(walked.result.state).all()
    for lane, hour in enumerate(walked.result.hours):
        limit = limit_of(hour)
        capacity_ah = walked.lanes.capacity_ah[lane]
        stored_wh = capacity_ah * np.diff(integral(walked.curves[lane], k.OCV, walked.soc(lane)))
        served_wh = hour[:, k.LOAD_WH] - columns(hour, BY_CAUSE)
        brought_wh = hour[:, k.SUN_USED_WH] + columns(hour, OTHER_SOURCES)
        spent_wh = served_wh + hour[:, k.STANDBY_WH] + hour[:, k.HEATER_WH]
        assert (np.abs(hour[:, k.CHARGED_WH] - hour[:, k.DISCHARGED_WH] - columns(hour, LOSSES) - stored_wh) <= limit).all(), (
            "cells"
        )
        assert (np.abs(brought_wh + hour[:, k.DISCHARGED_WH] - hour[:, k.CHARGED_WH] - spent_wh) <= limit).all(), "bus"
        assert (np.abs(brought_wh - spent_wh - columns(hour, LOSSES) - stored_wh) <= limit).all(), "whole"
        assert (np.abs(hour[:, k.SUN_OFFERED_WH] - hour[:, k.SUN_USED_WH] - columns(hour, SPILLED)) <= limit).all(), "sun"
        assert (np.abs(columns(hour, BY_CAUSE) - columns(hour, BY_PRIORITY)) <= limit).all(), "missed"
        inputs = walked.histories
        total_w, peak_h = inputs.load_w[0, :, -1], inputs.peak_h[0]
        asked_wh = ((1.0 - peak_h) * total_w[:, k.REST_W] + peak_h * total_w[:, k.PEAK_W]) * walked.lanes.load_scale[lane]
        assert hour[:, k.LOAD_WH] == pytest.approx(asked_wh, rel=1e-12)
        assert (hour[:, k.RESIDUAL_WH] <= limit).all()
        assert (hour[:, k.RESIDUAL_H] <= 1e-9).all()
        flows = [field for field in range(k.LOAD_WH, k.DISCHARGED_AH + 1) if field not in BY_CAUSE]
        assert (hour[:, flows] >= -limit[:, None]).all(), "no flow runs backwards"
        assert (hour[:, list(BY_CAUSE)] >= -limit[:, None]).all()
        assert walked.result.totals[lane, k.LOAD_WH] == pytest.approx(hour[:, k.LOAD_WH].sum(), rel=1e-12)


@given(data=st.data())
def test_an_hour_of_one_segment_obeys_the_equation_of_the_bank(data, any_case, make_histories, walk_banks):
    """E(q1) - E(q0) + R dQ^2 / dt = P dt, with everything on the left recomputed from charge, curve and temperature."""
    walked = walk_case(data.draw(any_case), make_histories, walk_banks)
    for lane, hour in enumerate(walked.result.hours):
        curve, lanes = walked.curves[lane], walked.lanes
        capacity_ah = lanes.capacity_ah[lane]
        start_c = np.clip(walked.cell_c(lane)[:-1], -30.0, 60.0)
        kept = 1.0 - lanes.self_discharge_per_h[lane] * 2.0 ** ((start_c - 25.0) / 10.0)
        before = walked.soc(lane)[:-1]
        after = hour[:, k.SOC_END] / kept
        resistance_ohm = lanes.resistance_ohm[lane] * np.exp(lanes.resistance_per_c[lane] * (25.0 - start_c))
        alone = hour[:, k.SEGMENTS] == 1.0
        down = alone & (hour[:, k.DISCHARGED_WH] > 0.0)
        drop_wh = capacity_ah * (integral(curve, k.OCV, before) - integral(curve, k.OCV, after))
        delivered_wh = drop_wh - resistance_ohm * (capacity_ah * (before - after)) ** 2
        scale = capacity_ah * curve[-1, k.OCV]
        assert hour[down, k.DISCHARGED_WH] == pytest.approx(delivered_wh[down], abs=CLOSURE + 1e-13 * scale, rel=1e-9)
        up = alone & (hour[:, k.CHARGED_WH] > 0.0)
        rise_wh, moved_ah = np.zeros(len(hour)), np.zeros(len(hour))
        for number, gas in enumerate(gassing_of(walked, lane, start_c)):
            inverse = 1.0 + gas * (curve[:-1, k.INV_EFFICIENCY] - 1.0)
            ends = np.array([before[number], after[number]])
            rise_wh[number] = capacity_ah * np.diff(integral(curve, k.CHARGE_V, ends, inverse))[0]
            moved_ah[number] = capacity_ah * np.diff(passed_charge(inverse, ends))[0]
        taken_wh = rise_wh + resistance_ohm * moved_ah**2
        assert hour[up, k.CHARGED_WH] == pytest.approx(taken_wh[up], abs=CLOSURE + 1e-13 * scale, rel=1e-9)
        assert hour[up, k.CHARGED_AH] == pytest.approx(moved_ah[up], abs=CLOSURE + 1e-13 * capacity_ah, rel=1e-9)


@given(data=st.data())
def test_charge_stays_within_its_bounds(data, any_case, make_histories, walk_banks):
    case = data.draw(any_case)
    walked = walk_case(case, make_histories, walk_banks)
    for lane, hour in enumerate(walked.result.hours):
        soc = walked.soc(lane)
        assert (soc >= 0.0).all()
        assert (soc <= walked.lanes.target_soc[lane] + 1e-12).all()
        lowest = hour[:, k.SOC_LOWEST]
        assert (lowest <= np.minimum(soc[1:], soc[:-1]) + 1e-12).all()
        day = walked.histories.day
        for number in range(day[-1] + 1):
            assert walked.result.days[lane, number, k.DAY_LOWEST_SOC] == lowest[day == number].min()
        state = walked.result.state[lane]
        well_c = walked.lanes.well_c[lane]
        if well_c < 1.0:
            assert -1e-12 <= state[k.WELL] <= min(well_c, state[k.SOC]) + 1e-12
            assert state[k.SOC] - state[k.WELL] <= 1.0 - well_c + 1e-12
        assert ((hour[:, k.DARK_H] >= 0.0) & (hour[:, k.DARK_H] <= 1.0 + 1e-9)).all()
        assert ((hour[:, k.GENERATOR_H] >= 0.0) & (hour[:, k.GENERATOR_H] <= 1.0 + 1e-9)).all()
        assert (hour[:, k.SEGMENTS] <= k.MAX_EVENTS).all()


@given(data=st.data())
def test_charging_keeps_to_temperature_and_current(data, any_case, make_histories, walk_banks):
    walked = walk_case(data.draw(any_case), make_histories, walk_banks)
    for lane, hour in enumerate(walked.result.hours):
        lanes = walked.lanes
        ends_c = np.stack([walked.cell_c(lane)[:-1], walked.cell_c(lane)[1:]])
        coldest_c, hottest_c = ends_c.min(axis=0), ends_c.max(axis=0)
        cold = coldest_c < lanes.charge_min_c[lane]
        assert (hour[cold, k.CHARGED_WH] == 0.0).all()
        assert (hour[hottest_c > lanes.charge_max_c[lane], k.CHARGED_WH] == 0.0).all()
        if lanes.heater_from_bank[lane] == 0.0:
            # A heater on the bank may end within the hour, with the bank: what was decided on its heat is then too warm.
            locked = hour[:, k.LOCKED_H] > 0.0
            assert (hour[locked, k.CHARGED_WH] == 0.0).all()
            still = locked[:-1] & (coldest_c[1:] < lanes.charge_resume_c[lane])
            assert locked[1:][still].all(), "a lock holds until the cells are warm enough at both ends"
        limit_a = np.where(coldest_c < lanes.charge_full_c[lane], lanes.charge_cold_limit_a[lane], lanes.charge_limit_a[lane])
        assert (hour[:, k.CHARGED_AH] <= limit_a * (1.0 + 1e-9) + 1e-12).all()
        assert (hour[:, k.DISCHARGED_AH] <= lanes.discharge_limit_a[lane] * (1.0 + 1e-9) + 1e-12).all()


@given(data=st.data())
def test_nothing_is_missed_without_a_cause(data, any_case, make_histories, walk_banks):
    case = data.draw(any_case)
    walked = walk_case(case, make_histories, walk_banks)
    for lane, (bank, hour) in enumerate(zip(case.banks, walked.result.hours, strict=True)):
        tiny = limit_of(hour)
        start_c, end_c = walked.cell_c(lane)[:-1], walked.cell_c(lane)[1:]
        grid_c = k.CAPACITY_COLD_C + k.CAPACITY_STEP_C * np.arange(k.CAPACITY_NODES)
        floor = 1.0 - np.interp(start_c, grid_c, walked.capacities[lane]) * (1.0 - bank.cutoff_soc)
        dark = hour[:, k.MISSED_DARK_WH] > tiny
        if bank.well_c == 1.0:
            at_floor = hour[:, k.SOC_LOWEST] <= floor + 1e-9
            outside = (np.minimum(start_c, end_c) < bank.discharge_min_c + 1e-9) | (
                np.maximum(start_c, end_c) > bank.discharge_max_c - 1e-9
            )
            # A latched bank stays dark until enough has come back, however high its charge is by then.
            latched = np.zeros(len(hour), dtype=bool)
            for number in range(1, len(hour)):
                latched[number] = bank.reconnect_soc > bank.cutoff_soc and (at_floor | latched)[number - 1]
            by_volts = (hour[:, k.INVERTER_OFF_H] > 0.0) | (hour[:, k.LOW_V_H] > 0.0)
            assert (at_floor | outside | latched | by_volts)[dark].all()
        if bank.reconnect_soc == bank.cutoff_soc and bank.well_c == 1.0:
            full_load = hour[:, k.MISSED_DARK_WH] <= tiny
            high = (hour[:, k.SOC_LOWEST] > floor + 1e-9) & ~outside
            assert full_load[high & ~by_volts].all(), "above the floor a bank without a latch serves"
        limited = (hour[:, k.MISSED_LIMIT_WH] > tiny) & (hour[:, k.SEGMENTS] == 1.0)
        start_ah = np.clip(start_c, -30.0, 60.0)
        resistance_ohm = walked.lanes.resistance_ohm[lane] * np.exp(walked.lanes.resistance_per_c[lane] * (25.0 - start_ah))
        floor_v = np.interp(floor, NODE_SOC, walked.curves[lane][:, k.OCV])
        root_a = np.divide(0.45 * floor_v, resistance_ohm, out=np.full(len(hour), np.inf), where=resistance_ohm > 0.0)
        limit_a = np.minimum(walked.lanes.discharge_limit_a[lane], root_a)
        assert hour[limited, k.DISCHARGED_AH] == pytest.approx(limit_a[limited], rel=1e-9)
        if max(case.lane[lane]["shed_soc"]) < 0.0:
            assert (hour[:, k.MISSED_SHED_WH] == 0.0).all()
        essential = hour[:, k.ESSENTIAL_DARK_WH] > tiny
        assert (hour[essential, k.DARK_H] > 0.0).all()
        lit = hour[:, k.DARK_H] == 0.0
        assert (hour[lit, k.ESSENTIAL_DARK_WH] == 0.0).all()


# ---- the same answer however it is computed ----


def same_bits(one: Any, other: Any) -> None:
    for name in ("totals", "days", "hours", "state"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name


@given(data=st.data())
def test_order_threads_and_company_change_no_bit(data, any_case, make_histories, walk_banks):
    case = data.draw(any_case)
    walked = walk_case(case, make_histories, walk_banks)
    lanes = k.Lanes(*(np.concatenate([values, values[::-1], values]) for values in walked.lanes))
    count = len(case.banks)
    order = np.concatenate([np.arange(count), np.arange(count)[::-1], np.arange(count)])
    for threads in (1, 2, 5):
        many = battery.walk(
            lanes,
            walked.histories,
            walked.curves,
            walked.capacities,
            walked.start[order],
            watch=range(len(order)),
            threads=threads,
        )
        for place, lane in enumerate(order):
            assert np.array_equal(many.hours[place], walked.result.hours[lane])
            assert np.array_equal(many.totals[place], walked.result.totals[lane])
            assert np.array_equal(many.days[place], walked.result.days[lane])
            assert np.array_equal(many.state[place], walked.result.state[lane])


@given(data=st.data())
def test_the_whole_equals_its_parts(data, any_case, make_histories, walk_banks):
    case = data.draw(any_case)
    walked = walk_case(case, make_histories, walk_banks)
    cuts = sorted({0, case.hours, *data.draw(st.lists(st.integers(0, case.hours), max_size=3))})
    state = walked.start
    whole = walked.histories
    pieces = []
    for first, last in itertools.pairwise(cuts):
        piece = battery.hours_of(whole, first, last)
        part = battery.walk(walked.lanes, piece, walked.curves, walked.capacities, state, watch=range(len(case.banks)), threads=1)
        state = part.state
        pieces.append(part.hours)
    assert np.array_equal(np.concatenate(pieces, axis=1), walked.result.hours)
    assert np.array_equal(state, walked.result.state)


INTERPRETED = """
import sys
import numpy as np
from simulator import battery
from simulator.battery import kernel
data = np.load(sys.argv[1])
lanes = kernel.Lanes(*(data["lane_" + name] for name in kernel.Lanes._fields))
histories = kernel.Histories(*(data["history_" + name] for name in kernel.Histories._fields))
assert not hasattr(kernel.run_block, "signatures"), "this is the compiled loop"
watch = range(len(lanes.capacity_ah))
walk = battery.walk(lanes, histories, data["curves"], data["capacities"], data["state"], watch=watch, threads=1)
np.savez(sys.argv[2], totals=walk.totals, days=walk.days, hours=walk.hours, state=walk.state)
"""


def test_interpreted_equals_compiled_bit_for_bit(
    make_bank, make_heater, make_generator, make_histories, walk_banks, tmp_path: Path
):
    hours = 96
    chance = np.random.default_rng(5)
    clock = np.arange(hours) % 24
    sun = 260.0 * np.maximum(np.sin((clock - 6) / 12 * np.pi), 0.0) * chance.random(hours)
    load = np.cumsum(chance.random((k.LEVELS, hours)) * np.array([[40.0], [20.0], [60.0]]), axis=0)
    histories = make_histories(
        hours,
        sun_w=sun[:, None] * np.array([0.9, 0.95, 1.0]),
        load_w=load,
        bay_c=4.0 + 10.0 * np.sin(clock / 12 * np.pi) + chance.standard_normal(hours),
        shore_a=10.0 * (clock == 20),
        drive_a=20.0 * (clock == 9),
        generator_allowed=(clock < 22).astype(float),
    )
    fleet = [
        make_bank("lfp", heater=make_heater(from_bank=True)),
        make_bank("agm", in_parallel=2),
        make_bank("lfp", reconnect_soc=0.05, heater=make_heater(), resistance_ohm=0.0),
        make_bank("agm", well_c=0.166, well_k_per_h=0.2),
    ]
    lane = [
        {"generator_a": 0.0},
        {},
        {"generator_a": 0.0, "shed_soc": (-1.0, 0.2, 0.3), "restore_soc": (-1.0, 0.4, 0.5)},
        {"load_scale": 2.0},
    ]
    walked = walk_banks(fleet, histories, generator=make_generator(), lane=lane, start_soc=0.5)
    assert walked.result.totals[:, k.DARK_H].max() > 0.0
    assert walked.result.totals[:, k.LOCKED_H].max() > 0.0
    assert walked.result.totals[:, k.GENERATOR_H].max() > 0.0
    given_file, left_file = tmp_path / "given.npz", tmp_path / "left.npz"
    np.savez(
        given_file,
        curves=walked.curves,
        capacities=walked.capacities,
        state=walked.start,
        **{f"lane_{name}": values for name, values in walked.lanes._asdict().items()},
        **{f"history_{name}": values for name, values in histories._asdict().items()},
    )
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)}
    subprocess.run([sys.executable, "-c", INTERPRETED, str(given_file), str(left_file)], check=True, env=environment, timeout=120)
    left = np.load(left_file)
    for name in ("totals", "days", "hours", "state"):
        assert np.array_equal(left[name], getattr(walked.result, name)), name
