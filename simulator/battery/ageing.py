"""How long a bank lives on a route: damage by the depth curve, fade on the shelf, a band from how far models differ.

End of life is 80 % of the rated capacity. For lithium iron phosphate the laws of Naumann et al. carry the estimate and the
depth curve of the data sheet may shorten it; for lead-acid the depth curve carries it, weighted by how long the bank goes
without a full charge and by heat. In either case the shelf life caps it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.battery import fade
from simulator.battery.cycles import DEPTH_EDGES_FRAC, count_cycles, counted_cycles, depth_histogram, full_cycles
from simulator.battery.use import (
    END_SOH,
    HORIZON_YEARS,
    LEAD_CURVE_SPREAD,
    SHELF_SPREAD,
    TEN_YEARS,
    Storage,
    YearOfUse,
    held_rounds,
    lead_wear,
    left_frac,
    lfp_shelf_pace,
    lfp_use,
    shelf_left_frac,
    year_of_use,
)
from simulator.battery.wear import (
    PARTIAL_WEIGHT_HELD_H,
    WARM_FROM_C,
    DepthCurve,
    depth_damage,
    years_to_end,
)
from simulator.scenario.parts import Bank
from simulator.units import DAYS_PER_YEAR, HOURS_PER_DAY

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class LifeEstimate:
    """How long a bank lives on a route.

    Attributes
    ----------
    full_cycles, counted_cycles : float
        During the run: rated charge drawn, and rainflow cycles [-].
    full_cycles_per_year, counted_cycles_per_year : float
        In a year, under the assumption [-].
    life_years : float
        Years from now to 80 % of the rated capacity [years].
    ended_by : str
        ``cycles`` or ``calendar``.
    band_years : tuple of float
        Shortest and longest life by the models that exist [years].
    capacity_10_years_frac : tuple of float or None
        Least and most capacity left after ten years by the published models, widened to whole percents; None where
        there is only one model.
    depth_histogram : tuple of float (bins,)
        Counted cycles a year by depth [-].
    depth_edges_frac : tuple of float (bins + 1,)
        Edges of the bins, 0..1.
    model_years : mapping of str to float
        Years to 80 % by each model alone [years], at most 30.
    notes : tuple of str
        Sentences: where a model was used outside the range of its data, and what else bears on the estimate.
    assumption : str
        What the per-year figures take for granted, as a sentence.
    """

    full_cycles: float
    counted_cycles: float
    full_cycles_per_year: float
    counted_cycles_per_year: float
    life_years: float
    ended_by: str
    band_years: tuple[float, float]
    capacity_10_years_frac: tuple[float, float] | None
    depth_histogram: tuple[float, ...]
    depth_edges_frac: tuple[float, ...]
    model_years: Mapping[str, float]
    notes: tuple[str, ...]
    assumption: str


def estimate_life(
    bank: Bank,
    soc: npt.ArrayLike,
    cell_c: npt.ArrayLike,
    *,
    ah_out: npt.ArrayLike | None = None,
    soc_before: float | None = None,
    storage: Storage | None = None,
) -> LifeEstimate:
    """Estimate how many years a bank lasts when it goes on like this.

    Parameters
    ----------
    bank : Bank
        Chemistry, rated charge, depth curve, shelf life, age.
    soc : array_like (hours,)
        State of charge at the end of each hour of the run, 0..1.
    cell_c : array_like (hours,)
        Cell temperature [deg C].
    ah_out : array_like, optional
        Charge drawn from the whole bank [Ah], total or by hour; left out: taken from the falls of the state of charge, which
        misses what went in and out within an hour.
    soc_before : float, optional
        State of charge as the run began, 0..1; left out: the bank's `start_soc`.
    storage : Storage, optional
        How the rest of the year is spent; left out: the route again, all year. No effect on a run of a year or more.

    Returns
    -------
    LifeEstimate

    Raises
    ------
    ValueError
        If the series are empty, differ in length, or hold a NaN.
    InputError
        If the depth curve of the bank contradicts itself.
    """
    state = np.asarray(soc, dtype=np.float64)
    temperature = np.asarray(cell_c, dtype=np.float64)
    if state.ndim != 1 or not state.size or temperature.shape != state.shape:
        raise ValueError(f"expected two series of the same hours, got shapes {state.shape} and {temperature.shape}")
    if not np.isfinite(temperature).all():
        raise ValueError("expected finite cell temperatures")
    before = bank.start_soc if soc_before is None else soc_before
    run = count_cycles(np.concatenate(([before], state)))
    year = year_of_use(bank, state, temperature, before, storage)
    rounds = year.rounds
    rated_ah = bank.unit_ah * bank.in_parallel
    drawn_ah = year.out * rated_ah * bank.soh_start if ah_out is None else ah_out
    run_full_cycles = full_cycles(drawn_ah, rated_ah)
    family = _lfp_life if bank.chemistry == "lfp" else _lead_life
    life_years, ended_by, band_years, capacity_10_years_frac, model_years, notes = family(year)
    if bank.soh_start <= END_SOH:
        notes = (
            f"The bank starts at {bank.soh_start:.0%} of its rated capacity: it is at the end of its life as counted here.",
            *notes,
        )
    return LifeEstimate(
        full_cycles=run_full_cycles,
        counted_cycles=counted_cycles(run),
        full_cycles_per_year=run_full_cycles * rounds,
        counted_cycles_per_year=counted_cycles(year.cycles) * rounds,
        life_years=life_years,
        ended_by=ended_by,
        band_years=band_years,
        capacity_10_years_frac=capacity_10_years_frac,
        depth_histogram=tuple((depth_histogram(year.cycles) * rounds).tolist()),
        depth_edges_frac=DEPTH_EDGES_FRAC,
        model_years=model_years,
        notes=notes,
        assumption=assumption(state.size / HOURS_PER_DAY, year.storage),
    )


def assumption(days: float, storage: Storage | None) -> str:
    """Say what the per-year figures take for granted."""
    length = f"{days:.0f} day" if round(days) == 1 else f"{days:.0f} days"
    if storage is not None:
        return (
            f"Per-year figures assume this route of {length} once a year, and storage at {storage.soc:.0%} charge and "
            f"{storage.cell_c:.0f} C for the other {DAYS_PER_YEAR - days:.0f} days."
        )
    if days >= DAYS_PER_YEAR - 1:
        return f"Per-year figures are those of the route of {length} itself, brought to {DAYS_PER_YEAR} days and repeated."
    return (
        f"Per-year figures assume the route again all year: its {length} come {DAYS_PER_YEAR / days:.1f} times a year, "
        "charged back to where it began before each."
    )


_Verdict = tuple[float, str, tuple[float, float], tuple[float, float] | None, dict[str, float], tuple[str, ...]]


def _lfp_life(year: YearOfUse) -> _Verdict:
    """Lithium iron phosphate: published laws, the depth curve where it is shorter, the shelf life as a cap."""
    bank = year.bank
    use = lfp_use(year)
    grid_years = np.linspace(0.0, HORIZON_YEARS, 3001)
    lives: dict[str, float] = {}
    left_10_frac = []
    shelf_share = 1.0
    for name, law in fade.LFP_LAWS.items():
        shelf, cycling = law(use, grid_years)
        lost = shelf + cycling
        # A used bank stands on the same curve, further along.
        past_years, end_years = np.interp([1.0 - bank.soh_start, 1.0 - END_SOH], lost, grid_years)
        lives[name] = max(0.0, float(end_years - past_years))
        left_10_frac.append(1.0 - float(np.interp(past_years + TEN_YEARS, grid_years, lost)))
        if law is fade.naumann_loss:
            shelf_share = float(shelf[-1] / lost[-1])
    published = tuple(lives.values())
    law_years = published[0]
    law_by = "calendar" if shelf_share >= 0.5 else "cycles"

    left = left_frac(bank)
    cap_years = bank.calendar_years * shelf_left_frac(bank) / lfp_shelf_pace(year)
    damage = depth_damage(year.cycles, DepthCurve(bank.cycles_depth_frac, bank.cycles_to_end)) * year.rounds
    curve_years = left / damage if damage > 0 else float("inf")
    life, ended_by = min((cap_years, "calendar"), (law_years, law_by), (curve_years, "cycles"), key=lambda pair: pair[0])
    spread = SHELF_SPREAD["lfp"]
    low = min(life, cap_years * spread[0], *published)
    # The laws know nothing of cases, seals and electronics, so the shelf life bounds the band too.
    high = max(life, min(max(published), cap_years * spread[1]))
    lives["depth curve"] = min(HORIZON_YEARS, curve_years)
    capacity = (float(np.floor(min(left_10_frac) * 100) / 100), float(np.ceil(max(left_10_frac) * 100) / 100))
    return life, ended_by, (low, high), capacity, lives, _lfp_notes(year, cap_years, law_years, law_by)


def _lfp_notes(year: YearOfUse, cap_years: float, law_years: float, law_by: str) -> tuple[str, ...]:
    """Where the laws of lithium iron phosphate are used outside their data, and what else bears on the estimate."""
    notes = []
    if cap_years < law_years:
        notes.append(
            f"By the laws alone the bank would last {law_years:.0f} years; the estimate stops at its shelf life of "
            f"{cap_years:.1f} years, since cases, seals and electronics age too (common practice, no source)."
        )
    elif law_by == "calendar" and year.cycles.count.size:
        notes.append("More of the fade comes from time, charge and warmth than from cycling.")
    low_c, high_c = fade.CALENDAR_RANGE_C
    outside = float(((year.cell_c < low_c) | (year.cell_c > high_c)).mean())
    if outside > 0.01:
        notes.append(
            f"The cells are below {low_c:.0f} or above {high_c:.0f} C in {outside:.0%} of the hours, "
            "where the loss on the shelf was not measured."
        )
    cold_c, hot_c = fade.CYCLE_RANGE_C
    working = np.abs(np.diff(np.concatenate(([year.soc_before], year.soc)))) > 1e-3
    outside = float((working & ((year.cell_c < cold_c) | (year.cell_c > hot_c))).sum() / max(1, working.sum()))
    if outside > 0.01:
        notes.append(
            f"In {outside:.0%} of the working hours the cells are below {cold_c:.0f} or above {hot_c:.0f} C, where cycling was "
            "not measured; wear by charging in the cold is not in the estimate."
        )
    if year.rate_per_h > fade.RATE_RANGE_PER_H[1]:
        notes.append(
            f"The mean current would fill the bank {year.rate_per_h:.1f} times an hour; cycling was measured up to once, "
            "and the law is continued in a straight line."
        )
    elif 0 < year.rate_per_h < fade.RATE_RANGE_PER_H[0]:
        notes.append(
            f"The mean current would fill the bank in {1 / year.rate_per_h:.0f} hours; cycling was measured down to 5 hours, "
            "and the law is continued in a straight line."
        )
    least = fade.REFIT_DEPTH_RANGE_FRAC[0]
    if (year.cycles.depth_frac < least).any():
        notes.append(
            f"Two of the three laws were measured for cycles of {least:.0%} and deeper; there shallower ones count by the "
            "charge they move."
        )
    return tuple(notes)


def _lead_life(year: YearOfUse) -> _Verdict:
    """Lead-acid: the depth curve, faster when warm and when long without a full charge, the float life as a cap."""
    bank = year.bank
    left = left_frac(bank)
    notes = []
    wear = lead_wear(year)
    cycle_heat, weight = wear.cycle_heat, wear.partial_weight
    one_round = np.concatenate(([year.soc_before], year.soc))

    curve = DepthCurve(bank.cycles_depth_frac, bank.cycles_to_end)
    plain = wear.damage
    shelf_left = shelf_left_frac(bank)
    calendar_years = bank.calendar_years / wear.shelf_heat

    def years(damage: float, shelf_years: float) -> tuple[float, str]:
        """Years that are left of both lives."""
        if left <= 0.0 or shelf_left <= 0.0:
            return 0.0, "calendar" if shelf_left <= 0.0 else "cycles"
        return years_to_end(damage / left, shelf_years * shelf_left)

    life, ended_by = years(plain * weight, calendar_years)
    shelf = SHELF_SPREAD["lead"]
    # Fast end: the poorest curve with the weight; slow end: the best curve, and no weight at all.
    low = min(life, years(plain * weight / LEAD_CURVE_SPREAD[0], calendar_years * shelf[0])[0])
    high = max(life, years(plain / LEAD_CURVE_SPREAD[1], calendar_years * shelf[1])[0])

    models = {
        "depth curve": min(HORIZON_YEARS, left / plain) if plain > 0 else HORIZON_YEARS,
        "depth curve, Schiffer 2007 weights": min(HORIZON_YEARS, left / (plain * weight)) if plain > 0 else HORIZON_YEARS,
        "float life": min(HORIZON_YEARS, calendar_years * shelf_left),
    }
    if weight > 1.1:
        notes.append(
            f"Spells without a full charge make each ampere-hour wear {weight:.1f} times as much as in the tests of the data "
            "sheet (weights of Schiffer et al. 2007)."
        )
    if _longest_spell_h(np.tile(one_round, held_rounds(year)), bank.full_soc) > PARTIAL_WEIGHT_HELD_H:
        notes.append("More than 30 days pass without a full charge; wear is reckoned as after 30 days and may well be worse.")
    if cycle_heat > 1.05:
        notes.append(
            f"Warm cells make cycling wear {cycle_heat:.1f} times as fast as at {WARM_FROM_C:.0f} C (life halves for 10 K; "
            "from memory, IEEE 450)."
        )
    inside = (year.cycles.depth_frac >= curve.depth_frac[0]) & (year.cycles.depth_frac <= curve.depth_frac[-1])
    amount = year.cycles.full_cycles
    outside = float(amount[~inside].sum() / amount.sum()) if amount.size else 0.0
    if outside > 0.01:
        notes.append(
            f"{outside:.0%} of the charge moves in cycles outside the depth curve ({curve.depth_frac[0]:.0%} to "
            f"{curve.depth_frac[-1]:.0%}); they count by the charge they move, as at the curve's end."
        )
    return life, ended_by, (low, high), None, models, tuple(notes)


def _longest_spell_h(soc: FloatArray, full_soc: float) -> int:
    """Longest run of hours without a full charge [h]."""
    marks = np.concatenate(([-1], np.flatnonzero(soc >= full_soc - 1e-9), [soc.size]))
    return int(np.diff(marks).max()) - 1
