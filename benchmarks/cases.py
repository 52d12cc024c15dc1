"""What is measured: banks, histories and lanes for the hour loop, one array for the yield, one year for the whole command.

The numbers are frozen here on purpose and do not follow the presets: a benchmark whose input moves measures nothing.
All of them are invented, but of the size that real systems have.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import Any

import numpy as np

from simulator import battery
from simulator.battery import kernel
from simulator.battery.kernel import FloatArray
from simulator.scenario.parts import Array, Bank, Controller, Curve, Generator, Heater, Panel
from simulator.units import HOURS_PER_DAY

YEAR_HOURS = 8760
SEED = 20260620

LFP = Bank(
    chemistry="lfp",
    unit_v=12.8,
    unit_ah=100.0,
    in_series=1,
    in_parallel=2,
    curve=Curve(
        soc=(0.0, 0.0033, 0.0117, 0.0267, 0.0534, 0.0885, 0.2972, 0.9833, 0.995, 1.0),
        ocv_v=(8.04, 9.67, 10.96, 11.72, 12.35, 12.78, 13.11, 13.40, 13.67, 14.39),
        polarisation_v=(0.1,) * 10,
        charge_efficiency_frac=(0.995,) * 10,
        capacity_temp_c=(-20.0, -10.0, 0.0, 10.0),
        capacity_frac=(0.75, 0.85, 0.95, 1.0),
    ),
    soh_start=1.0,
    start_soc=0.6,
    usable_frac=0.8,
    at_floor="keep",
    cutoff_soc=0.05,
    reconnect_soc=0.1,
    target_soc=1.0,
    full_soc=0.95,
    charge_limit_a=50.0,
    charge_cold_limit_a=10.0,
    discharge_limit_a=100.0,
    charge_min_c=0.0,
    charge_resume_c=3.0,
    charge_full_c=10.0,
    charge_max_c=50.0,
    discharge_min_c=-20.0,
    discharge_max_c=60.0,
    resistance_ohm=0.012,
    resistance_per_c=0.0308,
    absorb_v=14.4,
    taper_h=0.15,
    taper_end_frac=0.05,
    well_c=1.0,
    well_k_per_h=1.0,
    self_discharge_frac_per_day=0.0007,
    standby_w=0.2,
    place="inside",
    heat_capacity_j_per_c=12600.0,
    loss_w_per_c=1.0,
    unit_kg=12.0,
    unit_m=None,
    unit_price=None,
    owned=False,
    heater=None,
    cycles_depth_frac=(0.8, 1.0),
    cycles_to_end=(4000.0, 3000.0),
    calendar_years=12.0,
)
AGM = replace(
    LFP,
    chemistry="agm",
    unit_v=12.0,
    in_parallel=3,
    curve=Curve(
        soc=(0.0, 0.25, 0.5, 0.75, 0.9, 1.0),
        ocv_v=(11.9, 12.21, 12.39, 12.6, 12.72, 12.8),
        polarisation_v=(0.35, 0.5, 0.7, 0.9, 1.2, 1.6),
        charge_efficiency_frac=(0.98, 0.98, 0.97, 0.95, 0.9, 0.8),
        capacity_temp_c=(-10.0, 0.0, 25.0),
        capacity_frac=(0.65, 0.8, 1.0),
    ),
    cutoff_soc=0.0,
    reconnect_soc=0.15,
    full_soc=0.98,
    charge_limit_a=25.0,
    charge_cold_limit_a=25.0,
    charge_min_c=-20.0,
    charge_resume_c=-20.0,
    charge_full_c=-20.0,
    discharge_limit_a=200.0,
    resistance_ohm=0.004,
    resistance_per_c=0.01,
    taper_h=2.0,
    taper_end_frac=0.01,
    well_c=0.45,
    well_k_per_h=0.9,
    standby_w=0.0,
    heat_capacity_j_per_c=25500.0,
    absorb_v_per_c=-0.024,
    absorb_cap_v=15.0,
    gassing_per_v=11.0 / 6.0,
    gassing_per_c=0.06,
)
BANKS = {"lfp": LFP, "agm": AGM}
SUN_HEATER = Heater(power_w=50.0, on_below_c=2.0, off_above_c=8.0, from_bank=False)
BANK_HEATER = replace(SUN_HEATER, from_bank=True)
GENERATOR = Generator(
    rated_w=2000.0,
    charger_a=45.0,
    start_soc=0.3,
    stop_soc=0.8,
    min_run_h=1.0,
    windows=((8.0, 20.0),),
    fuel_l_per_h_quarter=0.45,
    fuel_l_per_h_full=1.0,
)
VOLTS = {"inverter_off_v": 12.2, "inverter_on_v": 12.9, "cabin_tau_h": 4.0}
"""An inverter that minds the bus voltage, and a cabin whose heating needs the bank."""
LEVELS_OFF = {"shed_soc": (-1.0, 0.2, 0.35), "restore_soc": (-1.0, 0.3, 0.45)}

ARRAY = Array(
    number=1,
    name="roof",
    line=None,
    panel=Panel(
        p_w=100.0,
        v_mp=18.6,
        i_mp=5.4,
        v_oc=22.5,
        i_sc=5.9,
        cells=36,
        alpha_pct_per_c=0.05,
        beta_pct_per_c=-0.31,
        gamma_pct_per_c=-0.39,
    ),
    in_series=2,
    in_parallel=2,
    tilt_deg=30.0,
    azimuth_deg=180.0,
    bearing_deg=None,
    mount="open",
    controller=Controller(
        kind="mppt",
        max_charge_a=None,
        max_input_v=None,
        efficiency_frac=0.96,
        tracking_frac=1.0,
        headroom_v=5.0,
    ),
    wiring_frac=0.02,
    mismatch_frac=0.02,
    soiling_frac=0.0,
    age_years=0.0,
    ageing_frac_per_year=0.0,
)

YEAR_SCENARIO = """\
title = "A year on one pitch"

[vehicle]
bus_v = 12
heading_deg = 180

[bank]
chemistry = "lfp"
unit_v = 12.8
unit_ah = 100
in_series = 1
in_parallel = 2
place = "inside"

[[array]]
name = "roof"
panel = { p_w = 110 }
in_series = 1
in_parallel = 3
tilt_deg = 0
bearing_deg = 0
mount = "gap"

[array.controller]
kind = "mppt"
max_charge_a = 30

[inverter]
rated_w = 1000
always_on = false

[[appliance]]
name = "fridge"
kind = "fridge"
bus = "dc"
power_w = 45
duty_frac = 0.4

[[appliance]]
name = "laptop"
bus = "ac"
power_w = 60
hours_per_day = 4

[[appliance]]
name = "lights"
kind = "lights"
bus = "dc"
power_w = 6
quantity = 3
hours_per_day = 4

[[stop]]
name = "Pitch under the open sky"
latitude_deg = 36.10
longitude_deg = -79.95
arrive = 2026-01-01
depart = 2026-12-31
weather = { sample = "greensboro" }
"""


LaneChanges = Mapping[str, float | int | tuple[float, ...]]
Packed = tuple[Bank, Generator | None, LaneChanges]
"""One lane: bank, generator, and lane parameters that are set beside them."""


@dataclass(frozen=True)
class LoopCase:
    """Everything that one walk of the hour loop takes."""

    name: str
    words: str
    lanes: kernel.Lanes
    histories: kernel.Histories
    curves: FloatArray
    capacities: FloatArray
    start: FloatArray

    @cached_property
    def records(self) -> np.recarray[Any, Any]:
        """The lanes as the loop reads them."""
        return kernel.records(self.lanes)

    @property
    def lane_hours(self) -> int:
        return int(self.start.shape[0] * self.histories.day.shape[0])


def hourly_histories(hours: int, mean_bay_c: float, swing_c: float, charging: bool) -> kernel.Histories:
    """Two rows of everything: sun of a cloudy climate, an evening load, air around the bank and, if asked for, other charging."""
    chance = np.random.default_rng(SEED)
    hour = np.arange(hours)
    clock_h = hour % HOURS_PER_DAY
    day = hour // HOURS_PER_DAY
    year = 2.0 * np.pi * hour / YEAR_HOURS
    clear_w = np.maximum(np.sin((clock_h - 6.0) / 12.0 * np.pi), 0.0) * (360.0 - 100.0 * np.cos(year))
    sky = np.clip(chance.beta(1.2, 0.9, (2, day[-1] + 1))[:, day] * chance.uniform(0.8, 1.2, (2, hours)), 0.02, 1.1)
    best_w = clear_w * sky
    # A controller limit that grows with the bus voltage makes the three faces differ.
    sun_w = np.stack([np.minimum(best_w, 360.0), np.minimum(best_w, 410.0), best_w], axis=-1)
    evening = (clock_h >= 18) & (clock_h < 23)
    essential_w = np.where(evening, 55.0, 30.0) * chance.uniform(0.8, 1.2, (2, hours))
    comfort_w = np.where(evening, 50.0, 8.0)
    luxury_w = np.where((clock_h == 12) & (day % 3 == 0), 700.0, 0.0)
    load_w = np.cumsum(
        np.stack([essential_w, np.broadcast_to(comfort_w, (2, hours)), np.broadcast_to(luxury_w, (2, hours))], axis=1), axis=1
    )
    bay_c = (
        mean_bay_c - swing_c * np.cos(year) - 5.0 * np.cos((clock_h - 3.0) / 12.0 * np.pi) + chance.normal(0.0, 2.0, (2, hours))
    )
    source_a = np.zeros((2, hours, 5))
    source_a[:, :, kernel.AWAKE] = 1.0
    if charging:
        source_a[1, :, 0] = np.where((day % 9 == 8) & ((clock_h >= 18) | (clock_h < 7)), 20.0, 0.0)
        source_a[1, :, 1] = np.where((day % 6 == 0) & (clock_h == 10), 30.0, 0.0)
        source_a[1, :, 2] = (clock_h >= 8) & (clock_h < 20)
        source_a[1, :, kernel.OTHER_W] = np.where(day % 5 == 0, 12.0, 0.0)
    load = np.repeat(load_w.transpose(0, 2, 1)[..., None], 4, axis=-1)
    peak_h = np.zeros((2, hours))
    if charging:
        # An oven for ten minutes of every evening, behind the inverter like half of the rest.
        peak_h = np.broadcast_to(np.where(clock_h == 19, 1.0 / 6.0, 0.0), (2, hours)).copy()
        load[..., kernel.PEAK_W] += np.where(peak_h > 0.0, 900.0, 0.0)[..., None]
        load[..., kernel.REST_AC_W] *= 0.5
        load[..., kernel.PEAK_AC_W] = load[..., kernel.REST_AC_W] + np.where(peak_h > 0.0, 900.0, 0.0)[..., None]
    else:
        load[..., kernel.REST_AC_W] = load[..., kernel.PEAK_AC_W] = 0.0
    return kernel.Histories(
        sun_w=np.ascontiguousarray(sun_w),
        bay_c=np.ascontiguousarray(np.stack([bay_c, bay_c - 8.0], axis=-1)),
        load_w=load,
        peak_h=peak_h,
        source_a=source_a,
        day=day.astype(np.int64),
    )


def _case(name: str, words: str, packed: Sequence[Packed], histories: kernel.Histories) -> LoopCase:
    """Stack banks to lanes; banks of one chemistry share a curve row."""
    rows = {chemistry: row for row, chemistry in enumerate(BANKS)}
    lanes = battery.stack_lanes(
        [
            battery.pack_lane(bank, generator) | {"curve_row": rows[bank.chemistry]} | dict(changes)
            for bank, generator, changes in packed
        ]
    )
    curves, capacities = (np.stack(parts) for parts in zip(*(battery.pack_curve(bank) for bank in BANKS.values()), strict=True))
    start_soc = np.array([bank.start_soc for bank, _, _ in packed])
    start = battery.start_state(lanes, start_soc, histories.bay_c[lanes.bay_row, 0, 0])
    return LoopCase(name, words, lanes, histories, curves, capacities, start)


def plain_case(chemistry: str, lane_count: int, hours: int = YEAR_HOURS) -> LoopCase:
    """A bank inside with sun and load only; lanes differ in sun, load and size of the bank."""
    packed = [
        (
            replace(BANKS[chemistry], in_parallel=2 + lane % 3),
            None,
            {
                "sun_scale": 0.9 + 0.9 * lane / lane_count,
                "load_scale": 0.7 + 0.1 * (lane % 7),
                "sun_row": lane % 2,
                "load_row": lane % 2,
            },
        )
        for lane in range(lane_count)
    ]
    return _case(f"{chemistry}, plain", "sun and load only", packed, hourly_histories(hours, 18.0, 4.0, charging=False))


def full_case(chemistry: str, lane_count: int, hours: int = YEAR_HOURS) -> LoopCase:
    """A bank in the cold with everything on: heater, generator, hookup, drives and switch-off levels."""
    packed = [
        (
            replace(BANKS[chemistry], in_parallel=2 + lane % 3, place="outside", heater=(SUN_HEATER, BANK_HEATER)[lane % 2]),
            GENERATOR,
            LEVELS_OFF
            | VOLTS
            | {
                "sun_scale": 0.6 + 0.9 * lane / lane_count,
                "load_scale": 0.7 + 0.1 * (lane % 7),
                "sun_row": lane % 2,
                "load_row": lane % 2,
                "source_row": 1,
            },
        )
        for lane in range(lane_count)
    ]
    return _case(
        f"{chemistry}, everything on",
        "cold bay, heater, generator, hookup, drives, switch-off levels",
        packed,
        hourly_histories(hours, 8.0, 10.0, charging=True),
    )


def check_case(hours: int) -> LoopCase:
    """Every switch of the loop in every combination, and the odd banks beside them: nothing here is about speed."""
    packed: list[Packed] = []
    for chemistry, heater, generator, levels in product(
        BANKS, (None, SUN_HEATER, BANK_HEATER), (None, GENERATOR), ({}, LEVELS_OFF)
    ):
        bank = replace(BANKS[chemistry], place="outside", heater=heater)
        packed.append((bank, generator, levels | {"source_row": int(generator is not None)}))
        packed.append((bank, generator, levels | VOLTS | {"source_row": int(generator is not None), "load_row": 1}))
    for chemistry, bank in BANKS.items():
        odd = {
            "no latch": replace(bank, reconnect_soc=bank.cutoff_soc),
            "no taper": replace(bank, taper_h=0.0),
            "small current limits": replace(bank, charge_limit_a=6.0, charge_cold_limit_a=2.0, discharge_limit_a=12.0),
            "refuses heat": replace(bank, charge_max_c=15.0),
            "cut off by cold": replace(bank, discharge_min_c=0.0),
            "small": replace(bank, in_parallel=1, unit_ah=60.0 if chemistry == "lfp" else 120.0),
            "stops at 90 %": replace(bank, target_soc=0.9),
            "chargers set too high": replace(bank, charge_max_v=bank.absorb_v - 0.6),
            "electronics that mind the volts": replace(bank, cutoff_v=bank.curve.ocv_v[2], in_parallel=1),
        }
        packed += [
            (other, None, {"sun_row": row % 2, "load_row": row % 2, "source_row": row % 2})
            for row, other in enumerate(odd.values())
        ]
    # An inverter that would let go of any draw at all, beside a heater that takes just what is left.
    knife_edge = {"inverter_off_v": 20.0, "inverter_on_v": 20.0, "standby_w": 0.0, "load_row": 1}
    packed += [
        (replace(bank, place="outside", heater=SUN_HEATER), GENERATOR, knife_edge | {"source_row": row})
        for bank in BANKS.values()
        for row in (0, 1)
    ]
    spread: list[Packed] = [
        (bank, generator, {"sun_scale": 0.5 + 0.06 * (lane % 17), "bay_row": lane % 2, **changes})
        for lane, (bank, generator, changes) in enumerate(packed)
    ]
    return _case("check", "every switch in every combination", spread, hourly_histories(hours, 4.0, 14.0, charging=True))
