"""How many years a bank lasts on a route: the route year after year with a bank that shrinks and stiffens, until it is worn out.

Weather, sun, loads and other charging are reckoned once; each year is one more walk of them, with a lane for every model of
ageing, since a model that fades faster also cycles deeper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator import battery, timeline
from simulator.battery import kernel as k
from simulator.battery.aged import Age, AgeingModel, aged_bank, end_within, models_of
from simulator.battery.ageing import estimate_life
from simulator.battery.cycles import DEPTH_EDGES_FRAC, counted_cycles, depth_histogram, full_cycles
from simulator.battery.use import (
    END_SOH,
    HORIZON_YEARS,
    SHELF_SPREAD,
    LeadWear,
    YearOfUse,
    lead_wear,
    stored_mean,
    year_of_use,
)
from simulator.engine import histories, pack
from simulator.outcome import flat_mask
from simulator.route import route_weather
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Bank, Scenario
from simulator.units import DAYS_PER_YEAR, HOURS_PER_DAY
from simulator.version import package_version

FloatArray = npt.NDArray[np.float64]

WHOLE_YEAR_DAYS = 364
"""A route of this many days joins on to itself: the next year goes on where this one ended."""
CARDS = {
    "lfp": (
        "Naumann et al. 2018 and 2020 (a 3 Ah cylindrical LFP cell, 29 months of tests at 0 to 60 C, cycling at 40 C): time, "
        "temperature and charge on the shelf, depth and current in cycling; nothing on charging in the cold or on electronics",
        "Gasper et al. 2022 (the same tests, fitted anew) and Gasper et al. 2023 (a prismatic cell above 250 Ah, 10 to 45 C), "
        "for the band",
        "the depth curve of the data sheet (full recharge each time, 25 C), where it is shorter, and the shelf life as a cap",
    ),
    "lead": (
        "the depth curve of the data sheet (full recharge each time, 25 C, to 80 %), cycles added up (Miner 1945)",
        "each ampere-hour weighted for spells without a full charge (Schiffer et al. 2007), held after 30 days",
        "twice as fast for 10 K above 25 C (from memory, IEEE 450 and 1188), and the float life as a cap; the band: a fifth "
        "fewer or more cycles, 27 % on the float life, and no weights at the long end",
    ),
}


@dataclass(frozen=True)
class LifeYear:
    """One year of a bank's life, by the model that carries the figure."""

    year: int
    """From 1."""
    part: float
    """Years of it that were lived: 1, less in the last; a route longer than a year counts whole."""
    soh: float
    """As it began."""
    resistance_gain_frac: float
    """Growth of the resistance since the bank was new, as the year began."""
    flat_days: int
    """Of one drive of the route."""
    lowest_soc: float
    full_cycles: float
    counted_cycles: float
    delivered_kwh: float
    """At the bank's terminals, in a full year."""
    histogram: tuple[float, ...]
    """Counted cycles in a full year by depth."""


@dataclass(frozen=True, eq=False)
class Life:
    """How long a bank lives on a route, and what the route is like meanwhile."""

    scenario: Scenario
    weather_sources: tuple[str, ...]
    days: int
    years_to_end: float
    ended_by: str
    """``cycles`` or ``calendar``."""
    worn_out: bool
    """False: still above its end when no law is followed further."""
    soh_at_end: float
    band_years: tuple[float, float]
    model_years: dict[str, float]
    """Years to the end by each model alone, at most 30."""
    first_flat_year: int | None
    years: tuple[LifeYear, ...]
    assumption: str
    notes: tuple[str, ...]
    wear: LeadWear | None = None
    """What the first year wears off a lead-acid bank, taken apart; None: another chemistry."""
    longest_below_full_days: float = 0.0
    """Of the route in the first year."""
    cell_mean_c: float = 0.0
    """Mean temperature of the cells on the route in the first year."""

    def mean(self, name: str) -> FloatArray:
        """Average of a figure over the years lived; of a bank already worn out, its first year."""
        values = np.array([getattr(year, name) for year in self.years], dtype=np.float64)
        parts = np.array([year.part for year in self.years])
        if parts.sum() <= 0.0:
            parts[0] = 1.0
        return np.asarray(np.average(values, axis=0, weights=parts))

    @property
    def full_cycles_per_year(self) -> float:
        """Rated charge drawn so many times a year, on average over the life."""
        return float(self.mean("full_cycles"))

    @property
    def counted_cycles_per_year(self) -> float:
        """Rainflow cycles a year, on average over the life."""
        return float(self.mean("counted_cycles"))

    @property
    def delivered_kwh(self) -> float:
        """Energy the bank delivers at its terminals over what is left of its life."""
        return float(sum(year.delivered_kwh * year.part for year in self.years))


class _Ends:
    """When each life of each model is spent [years]; infinite while it is not."""

    def __init__(self, ages: Sequence[Age]) -> None:
        self.years = [[0.0 if share >= 1.0 - 1e-12 else np.inf for _, share in age.spent] for age in ages]
        self.names = [[name for name, _ in age.spent] for age in ages]

    def note(self, model: int, before: Age, after: Age, from_years: float, step_years: float) -> None:
        """Take down what was spent between two ages."""
        for place, ((_, start), (name, end)) in enumerate(zip(before.spent, after.spent, strict=True)):
            if end >= 1.0 - 1e-12 and not np.isfinite(self.years[model][place]):
                self.years[model][place] = from_years + step_years * (1.0 - start) / (end - start)
                self.names[model][place] = name

    def first(self, model: int) -> float:
        """First end of a model."""
        return min(self.years[model])

    def open(self) -> bool:
        """Whether some life of some model is not spent yet."""
        return any(not np.isfinite(years) for model in self.years for years in model)


def live(scenario: Scenario, threads: int | None = None) -> Life:
    """Repeat the route year after year until the bank is worn out.

    Parameters
    ----------
    scenario : a finished scenario; ``rest_of_year`` says what the bank does when it is not on the route.
    threads : worker threads; the answer does not depend on it.

    Raises
    ------
    InputError
        A weather file cannot be used; all such mistakes at once.
    """
    clock = timeline.build_timeline(scenario)
    setting = histories(scenario, clock, route_weather(scenario, clock), questions=False)
    bank = scenario.bank
    models = models_of(bank)
    curve, capacity = battery.pack_curve(bank)
    rest = scenario.rest_of_year
    stored = stored_mean(bank, rest, DAYS_PER_YEAR - clock.days) if rest is not None else None
    joined = clock.days >= WHOLE_YEAR_DAYS
    step_years = max(1.0, clock.days / DAYS_PER_YEAR)
    banks = [bank] * len(models)
    ages: list[Age] = []
    starts: list[Age] = []
    uses: list[YearOfUse] = []
    lived: list[LifeYear] = []
    notes: tuple[str, ...] = ()
    assumption = ""
    wear: LeadWear | None = None
    below_full_days = mean_c = 0.0
    ends = _Ends(())
    state: FloatArray | None = None
    done_years = 0.0
    soh_at_end = bank.soh_start
    first_flat_year: int | None = None
    while True:
        design = battery.stack_lanes([pack(scenario, each) for each in banks])
        if state is None or not joined:
            state = battery.start_state(design, bank.start_soc, setting.inputs.bay_c[design.bay_row, 0, 0])
        before = state[:, k.SOC].copy()
        walked = battery.walk(
            design, setting.inputs, curve[None], capacity[None], state, watch=range(len(models)), threads=threads
        )
        state = walked.state
        uses = [
            year_of_use(each, hours[:, k.SOC_END], hours[:, k.CELL_END_C], float(soc), stored)
            for each, hours, soc in zip(banks, walked.hours, before, strict=True)
        ]
        if not ages:
            starts = ages = [model.start(use) for model, use in zip(models, uses, strict=True)]
            ends = _Ends(ages)
            first = estimate_life(
                bank,
                uses[0].soc,
                uses[0].cell_c,
                ah_out=walked.totals[0, k.DISCHARGED_AH],
                soc_before=float(before[0]),
                storage=stored,
            )
            notes, assumption = first.notes, first.assumption
            mean_c = float(uses[0].cell_c.mean())
            below_full_days = _longest_below(uses[0].soc, bank.full_soc) / HOURS_PER_DAY
            wear = None if bank.chemistry == "lfp" else lead_wear(uses[0])
        after = [model.after(age, use, step_years) for model, age, use in zip(models, ages, uses, strict=True)]
        flat = np.flatnonzero(flat_mask(walked.days[0]))
        if first_flat_year is None and flat.size:
            first_flat_year = int(done_years + flat[0] / DAYS_PER_YEAR) + 1 if step_years > 1.0 else len(lived) + 1
        for place in range(len(models)):
            ends.note(place, ages[place], after[place], done_years, step_years)
        end = end_within(ages[0], after[0])
        part = 0.0 if ages[0].ended else end[0] if end is not None else 1.0
        part = min(part, max(0.0, (HORIZON_YEARS - done_years) / step_years))
        lived.append(_year(len(lived) + 1, part * step_years, ages[0], bank, uses[0], walked, int(flat.size)))
        soh_at_end = ages[0].soh + (after[0].soh - ages[0].soh) * part
        finished = end is not None or done_years + step_years >= HORIZON_YEARS
        done_years += step_years
        ages = after
        if finished:
            break
        banks = [aged_bank(bank, age, start) for age, start in zip(ages, starts, strict=True)]
    _extrapolate(ends, models, ages, uses, done_years)
    told = _told(
        scenario,
        setting.weather.sources,
        clock.days,
        ends,
        models,
        ages[0],
        soh_at_end,
        lived,
        first_flat_year,
        assumption,
        notes,
    )
    return replace(told, wear=wear, longest_below_full_days=below_full_days, cell_mean_c=mean_c)


def _longest_below(soc: FloatArray, full_soc: float) -> int:
    """Hours of the longest stretch without a full charge."""
    full = np.flatnonzero(np.concatenate(([True], soc >= full_soc - 1e-9, [True])))
    return int(np.diff(full).max()) - 1


def _year(number: int, part: float, age: Age, bank: Bank, use: YearOfUse, walked: battery.Walk, flat_days: int) -> LifeYear:
    """One year in figures, of the first lane."""
    totals = walked.totals[0]
    return LifeYear(
        year=number,
        part=part,
        soh=age.soh,
        resistance_gain_frac=age.resistance_gain_frac,
        flat_days=flat_days,
        lowest_soc=float(walked.hours[0, :, k.SOC_LOWEST].min()),
        full_cycles=full_cycles(totals[k.DISCHARGED_AH], bank.unit_ah * bank.in_parallel) * use.rounds,
        counted_cycles=counted_cycles(use.cycles) * use.rounds,
        delivered_kwh=float(totals[k.DISCHARGED_WH]) * use.rounds / 1000.0,
        histogram=tuple((depth_histogram(use.cycles) * use.rounds).tolist()),
    )


def _extrapolate(
    ends: _Ends, models: Sequence[AgeingModel], ages: Sequence[Age], uses: Sequence[YearOfUse], done_years: float
) -> None:
    """Where the first model is worn out the walking stops; the others go on as in its last year."""
    current = list(ages)
    while done_years < HORIZON_YEARS and ends.open():
        for place, (model, use) in enumerate(zip(models, uses, strict=True)):
            if not all(np.isfinite(ends.years[place])):
                after = model.after(current[place], use, 1.0)
                ends.note(place, current[place], after, done_years, 1.0)
                current[place] = after
        done_years += 1.0


def _told(
    scenario: Scenario,
    sources: tuple[str, ...],
    days: int,
    ends: _Ends,
    models: Sequence[AgeingModel],
    last: Age,
    soh_at_end: float,
    lived: Sequence[LifeYear],
    first_flat_year: int | None,
    assumption: str,
    notes: tuple[str, ...],
) -> Life:
    """Put the ends together into a figure and its band."""
    bank = scenario.bank
    by_life = ends.years[0]
    life = min(by_life)
    worn_out = life <= HORIZON_YEARS
    place = int(np.argmin(by_life if worn_out else [-share for _, share in last.spent]))
    ended_by = ends.names[0][place]
    lithium = bank.chemistry == "lfp"
    life = min(life, HORIZON_YEARS)
    if lithium:
        laws = [min(years[0], HORIZON_YEARS) for years in ends.years]
        low_shelf, high_shelf = (min(by_life[2] * scale, HORIZON_YEARS) for scale in SHELF_SPREAD["lfp"])
        band = (min(life, low_shelf, *laws), max(life, min(max(laws), high_shelf)))
        model_years = {model.name: years for model, years in zip(models, laws, strict=True)}
    else:
        alone = [min(ends.first(number), HORIZON_YEARS) for number in range(len(models))]
        band = (min(alone), max(alone))
        model_years = {models[0].name: min(by_life[0], HORIZON_YEARS)}
    names = ("depth curve", "shelf life") if lithium else ("shelf life",)
    model_years |= {name: min(years, HORIZON_YEARS) for name, years in zip(names, by_life[1:], strict=True)}
    said = list(notes)
    if not worn_out:
        said.append(
            f"After {HORIZON_YEARS:.0f} years the bank is not worn out by these laws; no law is followed further, and their "
            "tests lasted about three years."
        )
    if bank.warranty_years is not None and life < bank.warranty_years:
        said.append(
            f"The warranty of {bank.warranty_years:g} years is longer than the estimate: on this route ask what it covers."
        )
    return Life(
        scenario=scenario,
        weather_sources=sources,
        days=days,
        years_to_end=life,
        ended_by=ended_by,
        worn_out=worn_out,
        soh_at_end=soh_at_end,
        band_years=band,
        model_years=model_years,
        first_flat_year=first_flat_year,
        years=tuple(lived),
        assumption=assumption,
        notes=tuple(dict.fromkeys(said)),
    )


def life_summary(found: Life) -> dict[str, Any]:
    """The life as one object for other programs; no NaN, no clock time, no path."""
    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "seed": found.scenario.seed,
        "weather": list(found.weather_sources),
        "days": found.days,
        "years_to_end": round(found.years_to_end, 2),
        "ended_by": found.ended_by,
        "worn_out": found.worn_out,
        "end_soh": END_SOH,
        "soh_at_end": round(found.soh_at_end, 4),
        "wear": None
        if found.wear is None
        else {
            "depth_per_year": round(found.wear.damage / found.wear.cycle_heat, 4),
            "cycle_heat": round(found.wear.cycle_heat, 3),
            "partial_weight": round(found.wear.partial_weight, 3),
            "shelf_heat": round(found.wear.shelf_heat, 3),
            "longest_below_full_days": round(found.longest_below_full_days, 2),
        },
        "band_years": [round(years, 2) for years in found.band_years],
        "model_years": {name: round(years, 2) for name, years in found.model_years.items()},
        "first_flat_year": found.first_flat_year,
        "full_cycles_per_year": round(found.full_cycles_per_year, 2),
        "counted_cycles_per_year": round(found.counted_cycles_per_year, 2),
        "depth_histogram": {
            "edges_frac": list(DEPTH_EDGES_FRAC),
            "cycles_per_year": [round(float(count), 2) for count in found.mean("histogram")],
        },
        "delivered_kwh": round(found.delivered_kwh, 1),
        "assumption": found.assumption,
        "years": [
            {
                "year": year.year,
                "soh": round(year.soh, 4),
                "resistance_gain_frac": round(year.resistance_gain_frac, 4),
                "flat_days": year.flat_days,
                "lowest_soc": round(year.lowest_soc, 4),
                "full_cycles": round(year.full_cycles, 2),
                "counted_cycles": round(year.counted_cycles, 2),
                "delivered_kwh": round(year.delivered_kwh, 1),
            }
            for year in found.years
        ],
        "models": list(CARDS["lfp" if found.scenario.bank.chemistry == "lfp" else "lead"]),
        "notes": list(found.notes),
        "cautions": list(cautions_of([found.scenario])),
    }
