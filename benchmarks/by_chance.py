"""Lanes, histories and states by chance: what no list of cases thinks of, for comparing the loop with its twin.

Some of them no scenario could ask for (a full bank above the voltage at which its electronics end charging, a dark bank that
waits for more than it may be charged to): loop and twin must agree there too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from cases import BANKS, GENERATOR, SUN_HEATER, LoopCase

from simulator import battery
from simulator.battery import kernel
from simulator.battery.kernel import FloatArray
from simulator.scenario.parts import Bank, Generator
from simulator.units import HOURS_PER_DAY

ROWS = 3
"""Distinct rows of sun, bay, load and sources."""
LANES, HOURS = 60, 240
"""Of one case."""


class Chance:
    """Draws from one seed."""

    def __init__(self, seed: int) -> None:
        self.draws = np.random.default_rng(seed)

    def between(self, low: float, high: float) -> float:
        return float(self.draws.uniform(low, high))

    def maybe(self, share: float) -> bool:
        return bool(self.draws.random() < share)

    def now_and_then(self, share: float, values: FloatArray) -> FloatArray:
        """The values in a share of all places, 0 elsewhere."""
        return np.where(self.draws.random(values.shape) < share, values, 0.0)


def case_by_chance(seed: int) -> LoopCase:
    """One walk of :data:`LANES` lanes through :data:`HOURS` hours, begun in any state."""
    chance = Chance(seed)
    banks = [_bank(chance) for _ in range(LANES)]
    packed = [
        battery.pack_lane(bank, _generator(chance)) | _more(chance) | {"curve_row": place} for place, bank in enumerate(banks)
    ]
    lanes = battery.stack_lanes(packed)
    curves, capacities = (np.stack(each) for each in zip(*(battery.pack_curve(bank) for bank in banks), strict=True))
    histories = _histories(chance)
    start = battery.start_state(lanes, chance.draws.random(LANES), histories.bay_c[lanes.bay_row, 0, 0])
    _strange_beginnings(chance, start)
    return LoopCase("chance", f"seed {seed}", lanes, histories, curves, capacities, start)


def _bank(chance: Chance) -> Bank:
    between, maybe = chance.between, chance.maybe
    cutoff_soc = between(0.0, 0.3)
    heater = replace(
        SUN_HEATER,
        power_w=between(5.0, 150.0),
        on_below_c=between(-5.0, 10.0),
        off_above_c=between(10.0, 15.0),
        from_bank=maybe(0.5),
    )
    return replace(
        BANKS["lfp" if maybe(0.5) else "agm"],
        in_parallel=int(chance.draws.integers(1, 4)),
        place="outside",
        heater=heater if maybe(0.6) else None,
        cutoff_soc=cutoff_soc,
        reconnect_soc=cutoff_soc if maybe(0.2) else cutoff_soc + between(0.006, 0.3),
        target_soc=between(0.6, 1.0) if maybe(0.4) else 1.0,
        taper_h=between(0.05, 3.0) if maybe(0.8) else 0.0,
        charge_limit_a=between(0.0, 60.0) if maybe(0.9) else 0.0,
        charge_cold_limit_a=between(0.0, 15.0),
        discharge_limit_a=between(2.0, 150.0),
        charge_min_c=between(-10.0, 8.0),
        charge_resume_c=between(8.0, 12.0),
        charge_full_c=between(0.0, 20.0),
        charge_max_c=between(15.0, 50.0),
        discharge_min_c=between(-20.0, 5.0),
        discharge_max_c=between(20.0, 60.0),
        resistance_ohm=between(0.0, 0.1) if maybe(0.8) else 0.0,
        well_c=between(0.1, 0.9) if maybe(0.6) else 1.0,
        well_k_per_h=between(0.05, 5.0),
        self_discharge_frac_per_day=between(0.0, 0.05),
        standby_w=between(0.0, 10.0) if maybe(0.7) else 0.0,
        heat_capacity_j_per_c=between(2000.0, 40000.0),
        loss_w_per_c=between(0.1, 5.0),
        cutoff_v=between(10.5, 12.9) if maybe(0.5) else 0.0,
        charge_max_v=between(12.8, 14.4) if maybe(0.5) else 0.0,
    )


def _generator(chance: Chance) -> Generator | None:
    if chance.maybe(0.4):
        return None
    start_soc = chance.between(0.05, 0.7)
    return replace(
        GENERATOR,
        charger_a=chance.between(2.0, 60.0),
        start_soc=start_soc,
        stop_soc=min(start_soc + chance.between(0.02, 0.5), 1.0),
        min_run_h=chance.between(0.0, 3.0) if chance.maybe(0.8) else 0.0,
    )


def _more(chance: Chance) -> dict[str, object]:
    """What a lane has beside its bank and generator."""
    between, maybe = chance.between, chance.maybe
    rows = chance.draws.integers(ROWS, size=4).tolist()
    more: dict[str, object] = dict(zip(("sun_row", "bay_row", "load_row", "source_row"), rows, strict=True))
    more |= {"sun_scale": between(0.0, 3.0), "load_scale": between(0.0, 3.0)}
    if maybe(0.6):
        off_soc = np.sort(chance.draws.uniform(0.02, 0.6, 2))
        on_soc = off_soc + chance.draws.uniform(0.01, 0.2, 2)
        more |= {"shed_soc": (-1.0, *off_soc), "restore_soc": (-1.0, *on_soc)}
    if maybe(0.6):
        off_v = between(11.0, 12.9)
        more |= {"inverter_off_v": off_v, "inverter_on_v": off_v + between(0.0, 1.0)}
    if maybe(0.5):
        more["cabin_tau_h"] = between(0.3, 12.0)
    if maybe(0.2):
        more["step_h"] = float(chance.draws.choice([0.5, 0.3, 0.1]))
    return more


def _histories(chance: Chance) -> kernel.Histories:
    draws, shape = chance.draws, (ROWS, HOURS)
    sun_w = np.maximum(draws.normal(50.0, 200.0, shape), 0.0)
    bay_c = draws.normal(draws.uniform(-15.0, 35.0, (ROWS, 1)), 12.0, shape)
    rest_w = np.cumsum(chance.now_and_then(0.7, draws.exponential(60.0, (*shape, kernel.LEVELS))), axis=-1)
    peak_h = chance.now_and_then(0.4, draws.uniform(0.0, 1.0, shape))
    peak_h[draws.random(shape) < 0.02] = 1.0
    # In three of ten peaks nothing is added: their mean differs from the load by rounding alone.
    more_w = np.where(peak_h > 0.0, chance.now_and_then(0.7, draws.exponential(500.0, shape)), 0.0)[..., None]
    ac_w = rest_w * chance.now_and_then(0.7, draws.random((*shape, 1)))
    load_w = np.stack([rest_w, ac_w, rest_w + more_w, ac_w + more_w * draws.random((*shape, 1))], axis=-1)
    awake = np.where(draws.random(shape) < 0.8, 1.0, draws.choice([0.0, 0.5], shape))
    sources = [
        chance.now_and_then(0.15, draws.uniform(1.0, 40.0, shape)),
        chance.now_and_then(0.15, draws.uniform(1.0, 40.0, shape)),
        chance.now_and_then(0.6, draws.uniform(0.2, 1.0, shape)),
        chance.now_and_then(0.3, draws.exponential(40.0, shape)),
        awake,
    ]
    return kernel.Histories(
        sun_w=np.stack([np.minimum(sun_w, 300.0), np.minimum(sun_w, 380.0), sun_w], axis=-1),
        bay_c=np.stack([bay_c, bay_c - draws.uniform(0.0, 15.0, shape)], axis=-1),
        load_w=load_w,
        peak_h=peak_h,
        source_a=np.stack(sources, axis=-1),
        day=np.arange(HOURS, dtype=np.int64) // HOURS_PER_DAY,
    )


def _strange_beginnings(chance: Chance, start: FloatArray) -> None:
    """States in which no walk begins: dark, cold, shed, generator running, inverter off."""
    draws, lanes = chance.draws, len(start)
    for flag in (kernel.DARK, kernel.COLD, kernel.GENERATOR, kernel.BY_FLOOR, kernel.AC_OFF):
        start[:, flag] = draws.random(lanes) < 0.4
    start[:, kernel.BACK_SOC] = chance.now_and_then(0.6, draws.random(lanes))
    start[:, kernel.GENERATOR_RUN_H] = draws.uniform(0.0, 2.0, lanes)
    start[:, kernel.SHED] = draws.integers(0, kernel.LEVELS, lanes)
    start[:, kernel.CHILL] = chance.now_and_then(0.5, draws.random(lanes))
    start[:, kernel.OWN_HEAT_W] = draws.uniform(0.0, 20.0, lanes)
    start[:, kernel.WELL] *= draws.random(lanes)
