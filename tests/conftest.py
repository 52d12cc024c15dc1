"""Factories that several test files share, as fixtures.

Hypothesis runs in one of two profiles: ``landing`` (the default) draws the same examples every time, so that the same tree gives
the same answer; ``pytest --hypothesis-profile search`` draws new ones, and more of them.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, settings

from simulator import battery
from simulator.battery import kernel
from simulator.scenario import parse_scenario
from simulator.scenario.parts import Bank, Curve, Generator, Heater

settings.register_profile(
    "landing", max_examples=120, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.register_profile(
    "search", deadline=None, max_examples=3000, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("landing")


@pytest.fixture(scope="session", autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep parsed weather in a folder of this run, never in the person's own cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("FLATDAYS_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


FloatArray = npt.NDArray[np.float64]
HOURS_PER_DAY = 24

# Open-circuit voltage of an LFP cell: Sunil, Pattipati & Balasingam (2025), IEEE Trans. Instrum. Meas., breakpoints at C/32.
LFP_SOC = (0.0, 0.0033, 0.0117, 0.0267, 0.0534, 0.0885, 0.2972, 0.9833, 0.9950, 1.0)
LFP_CELL_V = (2.0102, 2.4177, 2.7405, 2.9299, 3.0872, 3.1942, 3.2772, 3.3511, 3.4180, 3.5981)
LFP_CURVE = Curve(
    soc=LFP_SOC,
    ocv_v=tuple(4.0 * cell_v for cell_v in LFP_CELL_V),
    polarisation_v=(0.1,) * len(LFP_SOC),
    charge_efficiency_frac=(0.995,) * len(LFP_SOC),
    capacity_temp_c=(-20.0, -10.0, 0.0, 10.0),
    capacity_frac=(0.75, 0.85, 0.95, 1.0),
)
# Shape of an AGM unit: common practice, no source (12.8 V full at rest; efficiency falls near full, Stevens & Corey 1996).
AGM_CURVE = Curve(
    soc=(0.0, 0.25, 0.5, 0.75, 0.9, 1.0),
    ocv_v=(11.9, 12.21, 12.39, 12.6, 12.72, 12.8),
    polarisation_v=(0.35, 0.5, 0.7, 0.9, 1.2, 1.6),
    charge_efficiency_frac=(0.98, 0.98, 0.97, 0.95, 0.9, 0.8),
    capacity_temp_c=(-10.0, 0.0, 25.0),
    capacity_frac=(0.65, 0.8, 1.0),
)
LFP_BANK = Bank(
    chemistry="lfp",
    unit_v=12.8,
    unit_ah=100.0,
    in_series=1,
    in_parallel=1,
    curve=LFP_CURVE,
    soh_start=1.0,
    start_soc=1.0,
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
AGM_BANK = replace(
    LFP_BANK,
    chemistry="agm",
    unit_v=12.0,
    curve=AGM_CURVE,
    usable_frac=0.5,
    cutoff_soc=0.0,
    reconnect_soc=0.15,
    full_soc=0.98,
    charge_limit_a=25.0,
    charge_cold_limit_a=25.0,
    charge_min_c=-20.0,
    charge_resume_c=-20.0,
    charge_full_c=-20.0,
    discharge_max_c=50.0,
    discharge_limit_a=200.0,
    resistance_ohm=0.004,
    resistance_per_c=0.01,
    absorb_v=14.6,
    taper_h=2.0,
    taper_end_frac=0.01,
    well_c=0.45,
    well_k_per_h=0.9,
    self_discharge_frac_per_day=0.0008,
    standby_w=0.0,
    heat_capacity_j_per_c=25500.0,
    unit_kg=30.0,
    cycles_depth_frac=(0.5, 0.8),
    cycles_to_end=(600.0, 350.0),
    calendar_years=6.0,
)
# Nothing is lost, nothing is limited, nothing is latched: a tank of ampere-hours at a constant 12 V.
TANK_BANK = replace(
    LFP_BANK,
    chemistry="tank",
    unit_v=12.0,
    curve=Curve((0.0, 1.0), (12.0, 12.0), (0.0, 0.0), (1.0, 1.0), (-40.0, 60.0), (1.0, 1.0)),
    cutoff_soc=0.0,
    reconnect_soc=0.0,
    full_soc=1.0,
    charge_limit_a=1e9,
    charge_cold_limit_a=1e9,
    discharge_limit_a=1e9,
    charge_min_c=-1000.0,
    charge_resume_c=-1000.0,
    charge_full_c=-1000.0,
    charge_max_c=1000.0,
    discharge_min_c=-1000.0,
    discharge_max_c=1000.0,
    resistance_ohm=0.0,
    resistance_per_c=0.0,
    taper_h=0.0,
    self_discharge_frac_per_day=0.0,
    standby_w=0.0,
)
BANKS = {"lfp": LFP_BANK, "agm": AGM_BANK, "tank": TANK_BANK}


@dataclass(frozen=True)
class Walked:
    """One or several lanes that have walked: everything a law needs to be recomputed from outside."""

    lanes: kernel.Lanes
    histories: kernel.Histories
    curves: FloatArray
    capacities: FloatArray
    start: FloatArray
    result: battery.Walk

    def hour(self, field: int, lane: int = 0) -> FloatArray:
        """(hours,): one booked column of one lane."""
        return self.result.hours[lane, :, field]

    def soc(self, lane: int = 0) -> FloatArray:
        """(hours + 1,): charge at the start and after every hour."""
        return np.concatenate([self.start[lane, kernel.SOC : kernel.SOC + 1], self.hour(kernel.SOC_END, lane)])

    def cell_c(self, lane: int = 0) -> FloatArray:
        """(hours + 1,): cell temperature at the start and after every hour [deg C]."""
        return np.concatenate([self.start[lane, kernel.CELL_C : kernel.CELL_C + 1], self.hour(kernel.CELL_END_C, lane)])

    def total(self, field: int, lane: int = 0) -> float:
        """One booked column summed over all hours."""
        return float(self.result.totals[lane, field])


@pytest.fixture(scope="session")
def make_bank() -> Callable[..., Bank]:
    """``make_bank("lfp" | "agm" | "tank", **overrides)``: a complete bank of 100 Ah units; any field of Bank may be overridden.

    ``tank`` is lossless and without limits, latch or taper, for checks against closed forms.
    """

    def factory(chemistry: str = "lfp", **overrides: Any) -> Bank:
        return replace(BANKS[chemistry], **overrides)

    return factory


PRESET_SCENARIO = """
title = "one bank"
[vehicle]
standing_draw_w = 0
[bank]
{keys}
[[appliance]]
name = "something"
power_w = 1
wh_per_day = 1
[weather]
clear = true
[[stop]]
name = "here"
latitude_deg = 36.0
longitude_deg = -80.0
zone = "America/New_York"
arrive = 2026-06-01
depart = 2026-06-02
"""


@pytest.fixture(scope="session")
def preset_bank() -> Callable[..., Bank]:
    """``preset_bank("lfp" | "agm", **keys)``: the bank a person gets who writes only these keys into [bank]."""

    def factory(chemistry: str, **keys: Any) -> Bank:
        lines = [f"{name} = {json.dumps(value)}" for name, value in {"chemistry": chemistry, "unit_ah": 100, **keys}.items()]
        return parse_scenario(PRESET_SCENARIO.format(keys="\n".join(lines))).bank

    return factory


@pytest.fixture(scope="session")
def make_heater() -> Callable[..., Heater]:
    """A 50 W battery heater; overrides by keyword."""

    def factory(**overrides: Any) -> Heater:
        return replace(Heater(power_w=50.0, on_below_c=2.0, off_above_c=8.0, from_bank=False), **overrides)

    return factory


@pytest.fixture(scope="session")
def make_generator() -> Callable[..., Generator]:
    """A 2 kW generator with a 45 A charger; overrides by keyword."""

    def factory(**overrides: Any) -> Generator:
        base = Generator(
            rated_w=2000.0,
            charger_a=45.0,
            start_soc=0.3,
            stop_soc=0.9,
            min_run_h=1.0,
            windows=((0.0, 24.0),),
            fuel_l_per_h_quarter=0.45,
            fuel_l_per_h_full=1.0,
        )
        return replace(base, **overrides)

    return factory


def _histories(
    hours: int, sun_w: Any, load_w: Any, bay_c: Any, shore_a: Any, drive_a: Any, generator_allowed: Any, more: Mapping[str, Any]
) -> kernel.Histories:
    """One row of everything; ``load_w`` may be a number, (hours,) or cumulative (LEVELS, hours); ``sun_w`` also (hours, 3).

    ``more``: ``ac_w``, ``peak_w``, ``peak_ac_w`` as ``load_w``; ``peak_h``, ``other_w``, ``awake``, ``unheated_c`` (hours,).
    """
    load = np.zeros((1, hours, kernel.LEVELS, 4))
    columns = {kernel.REST_W: load_w, kernel.REST_AC_W: more.get("ac_w", 0.0)}
    columns[kernel.PEAK_W] = more.get("peak_w", load_w)
    columns[kernel.PEAK_AC_W] = more.get("peak_ac_w", columns[kernel.REST_AC_W])
    for column, watts in columns.items():
        load[0, :, :, column] = np.broadcast_to(np.asarray(watts, dtype=np.float64), (kernel.LEVELS, hours)).T
    sun = np.asarray(sun_w, dtype=np.float64)
    if sun.ndim < 2:
        sun = np.repeat(np.broadcast_to(sun, (hours,))[:, None], 3, axis=1)
    sources = np.stack(
        [
            np.broadcast_to(np.asarray(part, dtype=np.float64), (hours,))
            for part in (shore_a, drive_a, generator_allowed, more.get("other_w", 0.0), more.get("awake", 1.0))
        ],
        axis=-1,
    )
    bay = np.stack(
        [np.broadcast_to(np.asarray(part, dtype=np.float64), (hours,)) for part in (bay_c, more.get("unheated_c", bay_c))]
    )
    return kernel.Histories(
        sun_w=np.ascontiguousarray(sun[None]),
        bay_c=np.ascontiguousarray(bay.T[None]),
        load_w=load,
        peak_h=np.ascontiguousarray(np.broadcast_to(np.asarray(more.get("peak_h", 0.0), dtype=np.float64), (hours,))[None]),
        source_a=np.ascontiguousarray(sources[None]),
        day=np.arange(hours, dtype=np.int64) // HOURS_PER_DAY,
    )


@pytest.fixture(scope="session")
def make_histories() -> Callable[..., kernel.Histories]:
    """``make_histories(hours, sun_w=, load_w=, bay_c=, shore_a=, drive_a=, generator_allowed=, ...)``: one row of everything."""

    def factory(
        hours: int,
        *,
        sun_w: Any = 0.0,
        load_w: Any = 0.0,
        bay_c: Any = 25.0,
        shore_a: Any = 0.0,
        drive_a: Any = 0.0,
        generator_allowed: Any = 0.0,
        **more: Any,
    ) -> kernel.Histories:
        return _histories(hours, sun_w, load_w, bay_c, shore_a, drive_a, generator_allowed, more)

    return factory


@pytest.fixture(scope="session")
def walk_banks() -> Callable[..., Walked]:
    """``walk_banks([bank, ...], histories)``: one lane a bank, every hour watched.

    ``lane`` overrides lane parameters of all lanes, or of each when it is a list; ``start_soc``, ``cell_c`` and ``state`` set
    the start (by default the banks' own ``start_soc``, and cells as warm as the first hour's air).
    """

    def walker(
        banks: Sequence[Bank],
        histories: kernel.Histories,
        *,
        generator: Generator | None = None,
        lane: Mapping[str, Any] | Sequence[Mapping[str, Any]] | None = None,
        start_soc: Any = None,
        cell_c: Any = None,
        state: FloatArray | None = None,
        threads: int = 1,
    ) -> Walked:
        overrides = (
            [dict(lane or {})] * len(banks) if lane is None or isinstance(lane, Mapping) else [dict(each) for each in lane]
        )
        packed = [
            battery.pack_lane(bank, generator) | {"curve_row": row} | own
            for row, (bank, own) in enumerate(zip(banks, overrides, strict=True))
        ]
        lanes = battery.stack_lanes(packed)
        curves, capacities = (np.stack(parts) for parts in zip(*(battery.pack_curve(bank) for bank in banks), strict=True))
        if state is None:
            soc = (
                np.array([bank.start_soc for bank in banks])
                if start_soc is None
                else np.broadcast_to(np.asarray(start_soc, float), (len(banks),))
            )
            warm = (
                histories.bay_c[lanes.bay_row, 0, 0]
                if cell_c is None
                else np.broadcast_to(np.asarray(cell_c, float), (len(banks),))
            )
            state = battery.start_state(lanes, soc, np.array(warm))
        result = battery.walk(lanes, histories, curves, capacities, state, watch=range(len(banks)), threads=threads)
        return Walked(lanes, histories, curves, capacities, np.array(state), result)

    return walker


@pytest.fixture(scope="session")
def start_of() -> Callable[..., FloatArray]:
    """``start_of(bank, soc, cell_c)``: the state of one lane at this charge and temperature."""

    def state(bank: Bank, soc: float, cell_c: float) -> FloatArray:
        return battery.start_state(battery.stack_lanes([battery.pack_lane(bank, None)]), soc, np.array([cell_c]))

    return state


@pytest.fixture(scope="session")
def walk_bank(walk_banks: Callable[..., Walked], make_histories: Callable[..., kernel.Histories]) -> Callable[..., Walked]:
    """``walk_bank(bank, hours, sun_w=, load_w=, ..., start_soc=, cell_c=, generator=, lane=)``: one bank through one history."""

    def walker(bank: Bank, hours: int, **given: Any) -> Walked:
        own = {
            name: given.pop(name) for name in ("generator", "lane", "start_soc", "cell_c", "state", "threads") if name in given
        }
        return walk_banks([bank], make_histories(hours, **given), **own)

    return walker
