"""What a year asks of a bank: one run and what a year makes of it, and how that wears each kind of bank.

The estimate of a single run and the life year by year both start from here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.battery import fade
from simulator.battery.cycles import Cycles, count_cycles
from simulator.battery.wear import (
    PARTIAL_WEIGHT_HELD_H,
    WARM_FROM_C,
    DepthCurve,
    depth_damage,
    hourly_heat_factor,
    hourly_partial_charge_weight,
)
from simulator.scenario.parts import Bank, StoredBank
from simulator.units import DAYS_PER_YEAR, HOURS_PER_DAY

FloatArray = npt.NDArray[np.float64]

END_SOH: Final = 0.8
"""Share of the rated capacity at which a bank counts as worn out (common practice of data sheets, no source)."""
HORIZON_YEARS: Final = 30.0
"""No law is followed further than this: their tests lasted about three years."""
TEN_YEARS: Final = 10.0

LEAD_CURVE_SPREAD: Final = (0.8, 1.2)
"""Scatter of depth curves between makers (common practice, no source: 200-300 cycles to 100 %, 500-700 to 50 %)."""
SHELF_SPREAD: Final = {"lfp": (0.8, 1.2), "lead": (0.73, 1.27)}
"""Scatter of shelf lives (common practice, no source: 10-15 years for LFP, 4-7 for lead-acid)."""


@dataclass(frozen=True)
class Storage:
    """How the bank spends the rest of the year when the route is not driven again.

    Attributes
    ----------
    soc : float
        State of charge it is kept at, 0..1.
    cell_c : float
        Mean temperature of the cells [deg C].
    """

    soc: float
    cell_c: float


@dataclass(frozen=True)
class YearOfUse:
    """One run and what a year makes of it."""

    bank: Bank
    soc: FloatArray
    """(hours,) end of each hour."""
    cell_c: FloatArray
    soc_before: float
    cycles: Cycles
    """Of one round: the run, and the charge back to where it began."""
    rounds: float
    """Times the round comes in a year."""
    storage: Storage | None
    storage_h: float
    rate_per_h: float
    """Mean over the charge moved, both ways."""
    out: FloatArray
    """(hours,) fall of the state of charge in each hour, 0..1."""

    def mean(self, hourly: Callable[[FloatArray, FloatArray], FloatArray]) -> float:
        """Average over the year of what depends on charge and temperature."""
        route_h = self.soc.size * self.rounds
        total = hourly(self.soc, self.cell_c).mean() * route_h
        if self.storage is not None and self.storage_h > 0:
            total += hourly(np.array([self.storage.soc]), np.array([self.storage.cell_c]))[0] * self.storage_h
        return float(total / (route_h + self.storage_h))


def stored_mean(bank: Bank, rest: StoredBank, days: float) -> Storage:
    """What the shelf does to a bank: held at its charge on float, or drained by itself when disconnected.

    Parameters
    ----------
    bank : Bank
        For its self-discharge, which doubles every 10 K.
    rest : StoredBank
    days : float
        How long [days].

    Returns
    -------
    Storage
        Mean state of charge and temperature.
    """
    if rest.on_float:
        return Storage(rest.soc, rest.temp_c)
    lost = bank.self_discharge_frac_per_day * 2.0 ** ((rest.temp_c - 25.0) / 10.0) * max(days, 0.0)
    return Storage(rest.soc * (-float(np.expm1(-lost)) / lost if lost > 0.0 else 1.0), rest.temp_c)


def year_of_use(bank: Bank, soc: FloatArray, cell_c: FloatArray, soc_before: float, storage: Storage | None = None) -> YearOfUse:
    """Tell what a year asks of a bank of which one run is known; arguments as in `estimate_life`, ``(hours,)``."""
    series = np.concatenate(([soc_before], soc))
    days = soc.size / HOURS_PER_DAY
    stored = storage is not None and days < DAYS_PER_YEAR
    steps = np.diff(series)
    moved = np.abs(steps)
    return YearOfUse(
        bank=bank,
        soc=soc,
        cell_c=cell_c,
        soc_before=soc_before,
        # Before the route comes again the bank is charged to where it began; that closes halves which a short run leaves open.
        cycles=count_cycles(np.append(series, max(soc_before, soc[-1]))),
        rounds=1.0 if stored else DAYS_PER_YEAR / days,
        storage=storage if stored else None,
        storage_h=(DAYS_PER_YEAR - days) * HOURS_PER_DAY if stored else 0.0,
        rate_per_h=float((moved**2).sum() / moved.sum()) if moved.any() else 0.0,
        out=np.maximum(0.0, -steps),
    )


def left_frac(bank: Bank) -> float:
    """Share of a life that still lies ahead if the past was like the future and the fade is even, 0..1."""
    return min(1.0, max(0.0, (bank.soh_start - END_SOH) / (1.0 - END_SOH)))


def shelf_left_frac(bank: Bank) -> float:
    """Share of the shelf life that still lies ahead, 0..1: by its age, or where that is not known like `left_frac`."""
    if bank.age_years is None:
        return left_frac(bank)
    return min(1.0, max(0.0, 1.0 - bank.age_years / bank.calendar_years))


def lfp_use(year: YearOfUse) -> fade.Use:
    """What a year asks of a lithium iron phosphate bank, as the laws of its fade take it."""
    weights = np.full(year.soc.size, year.rounds)
    soc, cell_c = year.soc, year.cell_c
    if year.storage is not None:
        soc, cell_c = np.append(soc, year.storage.soc), np.append(cell_c, year.storage.cell_c)
        weights = np.append(weights, year.storage_h)
    return fade.Use(
        soc=soc,
        cell_c=cell_c,
        weight_h=weights,
        depth_frac=year.cycles.depth_frac,
        full_cycles=year.cycles.full_cycles * year.rounds * year.bank.soh_start,
        rate_per_h=year.rate_per_h,
    )


def lfp_shelf_pace(year: YearOfUse) -> float:
    """How fast the shelf life runs in a year, 1 at 25 C: the time to a given loss goes with 1 / k^2 of the law."""
    return year.mean(
        lambda _, warm: (fade.naumann_calendar_k(0.5, np.maximum(warm, WARM_FROM_C)) / fade.naumann_calendar_k(0.5, 25.0)) ** 2
    )


@dataclass(frozen=True)
class LeadWear:
    """What a year wears off a lead-acid bank.

    Attributes
    ----------
    damage : float
        By the depth curve, sped up by heat, before the weight [1/year]; 1 is the end of life.
    partial_weight : float
        How much more it wears for spells without a full charge, at least 1 [-].
    cycle_heat, shelf_heat : float
        How much faster cycling and the shelf wear for heat, at least 1 [-].
    """

    damage: float
    partial_weight: float
    cycle_heat: float
    shelf_heat: float


def held_rounds(year: YearOfUse) -> int:
    """Rounds enough that a bank which is never full arrives at the weight that is held."""
    return 1 if year.storage is not None else int(np.ceil(PARTIAL_WEIGHT_HELD_H / (year.soc.size + 1))) + 1


def lead_wear(year: YearOfUse) -> LeadWear:
    """Tell what a year wears off a lead-acid bank."""
    bank = year.bank
    drawn = float(year.out.sum())
    heat = hourly_heat_factor(year.cell_c)
    cycle_heat = float((heat * year.out).sum() / drawn) if drawn > 0 else 1.0
    discharge_rate_per_h = float((year.out**2).sum() / drawn) if drawn > 0 else 0.0
    one_round = np.concatenate(([year.soc_before], year.soc))
    hourly_weight = hourly_partial_charge_weight(np.tile(one_round, held_rounds(year)), bank.full_soc, discharge_rate_per_h)[
        -year.soc.size :
    ]
    curve = DepthCurve(bank.cycles_depth_frac, bank.cycles_to_end)
    return LeadWear(
        damage=depth_damage(year.cycles, curve) * year.rounds * cycle_heat,
        partial_weight=float((hourly_weight * year.out).sum() / drawn) if drawn > 0 else 1.0,
        cycle_heat=cycle_heat,
        shelf_heat=year.mean(lambda _, warm: hourly_heat_factor(warm)),
    )
