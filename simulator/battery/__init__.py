"""The bank as the engine sees it: validate, pack the lanes, call the compiled loop, unpack."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np

from simulator.battery import kernel
from simulator.battery.keeping import bear_damage
from simulator.battery.kernel import FloatArray, Histories, IntArray, Lanes
from simulator.battery.wells import bank_charge_ah, bank_wells
from simulator.errors import EngineFault
from simulator.scenario.parts import Bank, Generator, Inverter, SwitchOff
from simulator.units import HOURS_PER_DAY, SECONDS_PER_HOUR

__all__ = [
    "FAR_C",
    "Histories",
    "Lanes",
    "Walk",
    "hours_of",
    "kernel",
    "pack_curve",
    "pack_lane",
    "stack_lanes",
    "start_state",
    "walk",
]

bear_damage(kernel)

NEVER_SOC = -1.0
"""A threshold that charge never reaches."""
FAR_C = 1000.0
"""A temperature no cell reaches: lifts a limit."""
MIN_HYSTERESIS_SOC = 0.005
"""A latch needs this much charge between off and on, or its events pile up inside an hour."""
LEAST_OVERVOLTAGE_FRAC = 0.001
"""Of the nominal voltage: an absorption voltage at the rest voltage drives no current."""
MOST_LEAK_TIMES = 12.0
"""Self-discharge at 60 C over that at 25 C, rounded up. A bank held at its charge target has lost an hour of it when the hour
ends, and is full all the same."""
NEARLY_EMPTY_SOC = 0.1
"""Panels are taken between the resting voltage here and the absorption voltage; below it they get a trace too little."""
BLOCKS_A_THREAD = 16
"""Lanes differ in what an hour costs: a thread that is done early takes the next block."""


@dataclass(frozen=True)
class Walk:
    """What the hour loop left: sums, days, watched hours and the state at the end.

    ``totals`` (lanes, HOUR_FIELDS), ``days`` (lanes, days, DAY_FIELDS), ``hours`` (watched, hours, HOUR_FIELDS),
    ``state`` (lanes, STATE_SIZE); the columns are named in :mod:`simulator.battery.kernel`.
    """

    totals: FloatArray
    days: FloatArray
    hours: FloatArray
    state: FloatArray


def pack_curve(bank: Bank) -> tuple[FloatArray, FloatArray]:
    """Curve of the whole bank at bus voltage on the uniform charge grid.

    Returns
    -------
    curve : (NODES + 1, CURVE_FIELDS)
        Columns as named in the kernel: volts, and their integrals over state of charge.
    capacity : (CAPACITY_NODES,)
        Share of the rated charge that can be drawn, at -40, -35 ... 60 C.
    """
    knots = bank.curve
    soc = np.linspace(0.0, 1.0, kernel.NODES + 1)
    step = 1.0 / kernel.NODES
    ocv_v = np.interp(soc, knots.soc, knots.ocv_v) * bank.in_series
    charge_v = ocv_v + np.interp(soc, knots.soc, knots.polarisation_v) * bank.in_series
    inverse = 1.0 / np.interp(soc + 0.5 * step, knots.soc, knots.charge_efficiency_frac)
    curve = np.zeros((kernel.NODES + 1, kernel.CURVE_FIELDS))
    curve[:, kernel.OCV] = ocv_v
    curve[:, kernel.CHARGE_V] = charge_v
    curve[:, kernel.INV_EFFICIENCY] = inverse
    curve[1:, kernel.ENERGY] = np.cumsum(0.5 * (ocv_v[1:] + ocv_v[:-1]) * step)
    curve[1:, kernel.CHARGE_STORED] = np.cumsum(0.5 * (charge_v[1:] + charge_v[:-1]) * step)
    curve[1:, kernel.CHARGE_ENERGY] = np.cumsum(0.5 * (charge_v[1:] + charge_v[:-1]) * inverse[:-1] * step)
    curve[1:, kernel.CHARGE_PASSED] = np.cumsum(inverse[:-1] * step)
    capacity = np.minimum(np.interp(kernel.capacity_grid_c(), knots.capacity_temp_c, knots.capacity_frac), 1.0)
    return curve, capacity


def pack_lane(
    bank: Bank,
    generator: Generator | None = None,
    inverter: Inverter | None = None,
    switch_off: SwitchOff | None = None,
    cabin_tau_h: float = 0.0,
) -> dict[str, float | int | tuple[float, ...]]:
    """Lane parameters of one bank, as bank totals at bus voltage; rows are 0 and scales 1.

    Parameters
    ----------
    bank : Bank
    generator, inverter, switch_off : what switches by charge or by voltage; None: nothing does.
    cabin_tau_h : time constant of a cabin whose heating needs the bank [h]; 0: it needs none.

    Raises
    ------
    EngineFault
        When the latch has too little charge between off and on; the scenario reader must not let it through.
    """
    parallel, series = bank.in_parallel, bank.in_series
    units = parallel * series
    hysteresis_soc = bank.reconnect_soc - bank.cutoff_soc
    if hysteresis_soc != 0.0 and hysteresis_soc < MIN_HYSTERESIS_SOC - 1e-9:
        raise EngineFault(
            f"reconnect_soc must equal cutoff_soc or exceed it by {MIN_HYSTERESIS_SOC}, got {hysteresis_soc:.4f} between them"
        )
    wells = bank_wells(bank)
    capacity_ah = bank_charge_ah(bank)
    taper_per_h = 1.0 / bank.taper_h if bank.taper_h > 0.0 else 0.0
    heater = bank.heater
    held_soc = bank.target_soc * (1.0 - MOST_LEAK_TIMES * bank.self_discharge_frac_per_day / HOURS_PER_DAY)
    low_v = float(np.interp(NEARLY_EMPTY_SOC, bank.curve.soc, bank.curve.ocv_v)) * series
    full_v = float(np.interp(1.0, bank.curve.soc, bank.curve.ocv_v)) * series
    return {
        "sun_row": 0,
        "bay_row": 0,
        "load_row": 0,
        "source_row": 0,
        "curve_row": 0,
        "sun_scale": 1.0,
        "load_scale": 1.0,
        "capacity_ah": capacity_ah,
        "resistance_ohm": bank.resistance_ohm * series / parallel,
        "resistance_per_c": bank.resistance_per_c,
        "charge_limit_a": bank.charge_limit_a * parallel,
        "charge_cold_limit_a": bank.charge_cold_limit_a * parallel,
        "charge_min_c": bank.charge_min_c,
        "charge_resume_c": bank.charge_resume_c,
        "charge_full_c": bank.charge_full_c,
        "charge_max_c": bank.charge_max_c,
        "discharge_limit_a": bank.discharge_limit_a * parallel,
        "discharge_min_c": bank.discharge_min_c,
        "discharge_max_c": bank.discharge_max_c,
        "floor_soc": bank.cutoff_soc,
        "reconnect_soc": bank.reconnect_soc,
        "target_soc": bank.target_soc,
        "full_soc": min(bank.full_soc, held_soc),
        "taper_per_h": taper_per_h,
        "taper_soc": 1.0 + bank.taper_end_frac * bank.taper_h,
        "well_c": wells.c,
        "well_k_per_h": wells.k_per_h,
        "self_discharge_per_h": bank.self_discharge_frac_per_day / HOURS_PER_DAY,
        "standby_w": bank.standby_w * units,
        "absorb_v": bank.absorb_v * series,
        "absorb_v_per_c": bank.absorb_v_per_c * series,
        "absorb_cap_v": bank.absorb_cap_v * series,
        "overvoltage_v": max(bank.absorb_v * series - full_v, LEAST_OVERVOLTAGE_FRAC * bank.unit_v * series),
        "gassing_per_v": bank.gassing_per_v / series,
        "gassing_per_c": bank.gassing_per_c,
        "cutoff_v": bank.cutoff_v * series,
        "charge_max_v": bank.charge_max_v * series,
        "inverter_off_v": inverter.cutoff_v if inverter else 0.0,
        "inverter_on_v": inverter.restart_v if inverter else 0.0,
        "cabin_tau_h": cabin_tau_h,
        "step_h": 1.0,
        "sun_low_v": low_v,
        "sun_high_v": bank.absorb_v * series,
        "heat_capacity_wh_per_c": bank.heat_capacity_j_per_c * units / SECONDS_PER_HOUR,
        "loss_w_per_c": bank.loss_w_per_c * units,
        "heater_w": heater.power_w if heater else 0.0,
        "heater_on_c": heater.on_below_c if heater else -FAR_C,
        "heater_off_c": heater.off_above_c if heater else -FAR_C,
        "heater_from_bank": float(heater.from_bank) if heater else 0.0,
        "generator_a": generator.charger_a if generator else 0.0,
        "generator_start_soc": generator.start_soc if generator else NEVER_SOC,
        "generator_stop_soc": generator.stop_soc if generator else NEVER_SOC,
        "generator_min_h": generator.min_run_h if generator else 0.0,
        "shed_soc": switch_off.shed_soc if switch_off else (NEVER_SOC,) * kernel.LEVELS,
        "restore_soc": switch_off.restore_soc if switch_off else (NEVER_SOC,) * kernel.LEVELS,
    }


def stack_lanes(lanes: Sequence[Mapping[str, float | int | tuple[float, ...]]]) -> Lanes:
    """Lane parameters side by side: ``(lanes,)`` arrays, rows as integers."""
    columns: dict[str, Any] = {
        name: np.array([lane[name] for lane in lanes], dtype=np.int64 if name in kernel.ROWS else np.float64)
        for name in Lanes._fields
    }
    return Lanes(**columns)


def hours_of(histories: Histories, first: int, last: int) -> Histories:
    """The hours from ``first`` up to ``last`` of all rows, days numbered as in the whole."""
    rows = {name: row[:, first:last] for name, row in histories._asdict().items() if name != "day"}
    return Histories(**{name: np.ascontiguousarray(row) for name, row in rows.items()}, day=histories.day[first:last])


def start_state(lanes: Lanes, start_soc: float | FloatArray, cell_c: FloatArray) -> FloatArray:
    """State ``(lanes, STATE_SIZE)`` of banks that rest at ``start_soc`` with cells at ``cell_c`` (lanes,) [deg C]."""
    count = len(lanes.capacity_ah)
    state = np.zeros((count, kernel.STATE_SIZE))
    soc = np.minimum(np.broadcast_to(np.asarray(start_soc, dtype=np.float64), (count,)), lanes.target_soc)
    state[:, kernel.SOC] = soc
    state[:, kernel.WELL] = soc * lanes.well_c
    state[:, kernel.CELL_C] = cell_c
    state[:, kernel.COLD] = cell_c < lanes.charge_min_c
    return state


def walk(
    lanes: Lanes,
    histories: Histories,
    curves: FloatArray,
    capacities: FloatArray,
    state: FloatArray,
    watch: Sequence[int] = (),
    threads: int | None = None,
) -> Walk:
    """Walk all lanes through all hours, in blocks of lanes on a thread pool (the compiled loop releases the GIL).

    Parameters
    ----------
    curves, capacities : (rows, NODES + 1, CURVE_FIELDS), (rows, CAPACITY_NODES)
    state : (lanes, STATE_SIZE)
        Not changed; the state at the end is in the result.
    watch : lanes whose hours are kept, in this order.
    threads : None for one per processor. The result does not depend on it.

    Raises
    ------
    EngineFault
        When more than MAX_EVENTS thresholds fall into one hour, or a lane asks for a row that is not there.
    """
    count = len(lanes.capacity_ah)
    hours = histories.bay_c.shape[1]
    day_count = int(histories.day[-1]) + 1 if hours else 0
    end_state = np.array(state, dtype=np.float64)
    totals = np.zeros((count, kernel.HOUR_FIELDS))
    days = np.empty((count, day_count, kernel.DAY_FIELDS))
    watched: IntArray = np.full(count, -1, dtype=np.int64)
    for place, lane in enumerate(watch):
        watched[lane] = place
    hours_out = np.zeros((len(watch), hours, kernel.HOUR_FIELDS))
    status: IntArray = np.zeros(count, dtype=np.int64)
    # The loop looks nothing up twice: a row that is not there would be read from elsewhere in memory.
    there = (histories.sun_w, histories.bay_c, histories.load_w, histories.source_a, curves)
    for name, rows in zip(kernel.ROWS, there, strict=True):
        asked = getattr(lanes, name)
        if count and not 0 <= asked.min() <= asked.max() < len(rows):
            missing = asked.min() if asked.min() < 0 else asked.max()
            raise EngineFault(f"{name} asks for row {missing} where there are {len(rows)}")
    if len(capacities) < len(curves):
        raise EngineFault(f"{len(curves)} curves have only {len(capacities)} temperature curves beside them")
    records = kernel.records(lanes)

    def block(first: int, last: int) -> None:
        # Here, so that every thread touches its own part of the memory first.
        days[first:last] = 0.0
        days[first:last, :, kernel.DAY_LOWEST_SOC] = 1.0
        scratch = np.empty(kernel.SCRATCH)
        kernel.run_block(
            records, histories, curves, capacities, first, last, end_state, totals, days, watched, hours_out, status, scratch
        )

    workers = min(threads or os.cpu_count() or 1, count)
    if workers <= 1:
        block(0, count)
    else:
        edges = np.linspace(0, count, min(count, workers * BLOCKS_A_THREAD) + 1).astype(int)
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(block, edges[:-1], edges[1:]))
    if status.any():
        lane = int(np.argmax(status > 0))
        raise EngineFault(f"the events of hour {status[lane] - 1} would not end in lane {lane}")
    return Walk(totals, days, hours_out, end_state)
