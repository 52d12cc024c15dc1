"""Designs side by side: the same weather years, what they cost for a year of service, what they weigh, and what fits the vehicle.

All designs meet the same years of weather and the same chance of the load, so that what differs is the designs' own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from simulator import timeline
from simulator.battery import kernel as k
from simulator.errors import InputError
from simulator.outcome import SPILLED
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario, Stop
from simulator.sources import fuel_litres
from simulator.studies.bay import BayFit, fit_bay
from simulator.studies.costs import (
    Part,
    ServiceCost,
    Terms,
    left_out,
    parts_of,
    service_cost,
    terms_of,
)
from simulator.studies.designs import DesignYears, walk_designs
from simulator.studies.life import Life, live
from simulator.studies.odds import clopper_pearson
from simulator.studies.parts_list import parts_list
from simulator.studies.weather_years import choose_years
from simulator.units import DAYS_PER_YEAR, WH_PER_KWH

USUAL_YEARS: Final = 20
MOST_DESIGNS: Final = 31
SAME_MEAN_DAYS: Final = 0.5
SAME_WORST_DAYS: Final = 2
"""Designs whose flat days differ by no more than this in the mean and in the worst year give the same service (no source)."""


@dataclass(frozen=True, eq=False)
class Design:
    """One design and everything it is held against. A year is the route as the rest of the year has it; None: not known."""

    name: str
    scenario: Scenario
    units: int
    rated_wh: float
    usable_wh: float
    """Down to the planning line, by the label."""
    volume_l: float | None
    footprint_m2: float | None
    """Of all units side by side."""
    mass_kg: float
    mass_missing: tuple[str, ...]
    """Where weights are missing."""
    bay: BayFit | None
    roof_m2: float | None
    price: float | None
    """To be paid on the first day, without what all designs have alike and unpriced."""
    extra_price: float | None
    flat_days: npt.NDArray[np.int64]
    """(years,)"""
    lowest_soc: float
    """In the worst of the years, 0..1."""
    spilled_kwh: float
    spilled_frac: float
    delivered_kwh: float
    """At the bank's terminals, a year."""
    full_cycles: float
    generator_h: float
    generator_l: float
    hookup_nights: float
    life: Life
    cost: ServiceCost | None
    cost_missing: tuple[str, ...]
    """Why there is no cost."""

    @property
    def flat_mean(self) -> float:
        """Flat days of a trip in an average year."""
        return float(self.flat_days.mean())

    @property
    def flat_worst(self) -> int:
        """The same in the worst year."""
        return int(self.flat_days.max())

    @property
    def flat_free_share(self) -> float:
        """Share of the years without a flat day."""
        return float((self.flat_days == 0).mean())

    @property
    def flat_free_interval(self) -> tuple[float, float]:
        """Exact 95 % interval of that share."""
        return clopper_pearson(int((self.flat_days == 0).sum()), len(self.flat_days))

    @property
    def payload_left_kg(self) -> float | None:
        """What may still be loaded beside it."""
        margin_kg = self.scenario.vehicle.payload_margin_kg
        return None if margin_kg is None else margin_kg - self.mass_kg

    @property
    def budget_left(self) -> float | None:
        """What the budget leaves."""
        budget = self.scenario.vehicle.budget
        return None if budget is None or self.price is None else budget - self.price

    @property
    def roof_left_m2(self) -> float | None:
        """Roof that its panels leave."""
        roof_m2 = self.scenario.vehicle.roof_m2
        return None if roof_m2 is None or self.roof_m2 is None else roof_m2 - self.roof_m2

    @property
    def limits_broken(self) -> tuple[str, ...]:
        """Sentences on every limit of the vehicle that it breaks."""
        said = []
        if self.payload_left_kg is not None and self.payload_left_kg < 0.0:
            said.append(f"it is {-self.payload_left_kg:,.0f} kg above the payload margin")
        if self.bay is not None and self.bay.units < self.units:
            said.append(f"the bay takes {self.bay.units} of its {self.units} units")
        if self.roof_left_m2 is not None and self.roof_left_m2 < -1e-9:
            said.append(f"its panels need {-self.roof_left_m2:.1f} m2 more than the roof has")
        if self.budget_left is not None and self.budget_left < 0.0:
            said.append(f"it costs {-self.budget_left:,.0f} more than the budget")
        return tuple(said)


@dataclass(frozen=True, eq=False)
class Comparison:
    """Designs side by side over the same years."""

    designs: tuple[Design, ...]
    year_names: tuple[str, ...]
    kind: str
    sources: tuple[str, ...]
    notes: tuple[str, ...]
    seed: int
    days: int
    terms: Terms
    left_out: tuple[str, ...]
    """Parts without a price that all designs have alike: in no cost."""
    money: bool
    """Whether any design has a price at all."""

    @property
    def years(self) -> int:
        """Number of weather years."""
        return len(self.year_names)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Of all designs."""
        return cautions_of(design.scenario for design in self.designs)

    @property
    def reference(self) -> Design:
        """The design with the fewest flat days; of equals the one of the better worst year, then the first."""
        return min(self.designs, key=lambda design: (design.flat_mean, design.flat_worst))

    def same_service(self, design: Design) -> bool:
        """Whether a design runs flat as seldom as the best of them, near enough."""
        best = self.reference
        return (
            design.flat_mean - best.flat_mean <= SAME_MEAN_DAYS
            and design.flat_worst - min(other.flat_worst for other in self.designs) <= SAME_WORST_DAYS
        )


def mistakes_in(designs: Sequence[tuple[str, Scenario]]) -> list[str]:
    """Sentences on what keeps designs from being compared."""
    if len(designs) < 2:
        return [
            "compare: expected at least two designs, got one. Name a second file, or write a [[variant]] with name and set into "
            "this one."
        ]
    mistakes = [] if len(designs) <= MOST_DESIGNS else [f"compare: expected at most {MOST_DESIGNS} designs, got {len(designs)}"]
    first_name, first = designs[0]
    for name, other in designs[1:]:
        if [_ground(stop) for stop in other.stops] != [_ground(stop) for stop in first.stops]:
            mistakes.append(
                f'"{name}": expected the stops, dates, drives and weather of "{first_name}", got others. Designs compare on one '
                "route only: give all files the same [[stop]] tables, or write variants into one file."
            )
        if other.rest_of_year != first.rest_of_year:
            mistakes.append(f'"{name}": expected the rest of the year of "{first_name}", got another; give all the same.')
        if other.costs != first.costs:
            mistakes.append(f'"{name}": expected the [costs] of "{first_name}", got others; give all the same.')
    names = [name for name, _ in designs]
    return mistakes + [
        f'"{name}": expected a name of its own for every design, got it {names.count(name)} times.'
        for name in dict.fromkeys(names)
        if names.count(name) > 1
    ]


def _ground(stop: Stop) -> tuple[Any, ...]:
    """What of a stop must be the same in all designs: where and when it is, and its weather."""
    choice = None if stop.weather is None else replace(stop.weather, line=None)
    place = (stop.latitude_deg, stop.longitude_deg, stop.elevation_m, stop.zone)
    return (stop.number, stop.name, *place, stop.stand_from_utc, stop.stand_to_utc, stop.drives_utc, choice)


def rounds_per_year(scenario: Scenario, days: int) -> float:
    """How often the route is driven in a year: again and again, or once when the bank rests for the remainder."""
    if scenario.rest_of_year is not None and days < DAYS_PER_YEAR:
        return 1.0
    return DAYS_PER_YEAR / days


def hookup_nights(clock: timeline.Timeline) -> int:
    """Nights on a hookup on one trip: days but the last whose last hour is on one."""
    last_hours = np.append(np.flatnonzero(np.diff(clock.local_day)), [])
    return int(clock.hookup[last_hours.astype(np.int64)].sum())


def compare(
    designs: Sequence[tuple[str, Scenario]],
    years: int = USUAL_YEARS,
    seed: int | None = None,
    *,
    source: str | None = None,
    load_spread_frac: float | None = None,
    threads: int | None = None,
) -> Comparison:
    """Hold designs against each other.

    Parameters
    ----------
    designs : (name, finished scenario) of each; stops, dates and weather the same in all.
    years : weather years to draw, 1 to 10,000; past ones are all those that the cache has.
    seed : of the chance; None: that of the first scenario, whose seed holds for all.
    source : ``past``, ``drawn`` or ``written`` (the one year of a plain run, with the load as the audit has it); None: past
        years if a stop asks for them, else drawn ones.
    load_spread_frac : standard deviation of a day's load about the audit, 0..1; None: 0.15 over many years.
    threads : the answer does not depend on it.

    Raises
    ------
    InputError
        Fewer than two designs, or they differ in route, dates or money; or a stop has no weather that varies.
    ArchiveError
        Past years are asked for, and none is in the cache.
    """
    if not designs:
        raise InputError("compare: expected at least two designs, got none")
    first = designs[0][1]
    choice = choose_years(first, years, seed, source, load_spread_frac, mistakes_in(designs))
    scenarios = [replace(scenario, seed=first.seed) for _, scenario in designs]
    clock = timeline.build_timeline(first)
    try:
        weather = choice.find(first, clock)
    except InputError as error:
        if choice.kind == "written":
            raise
        cure = "Or compare on the one year of weather that a plain run takes: --source written."
        raise InputError([*error.mistakes, cure]) from None
    walked = walk_designs(scenarios, weather, seed=choice.seed, load_spread_frac=choice.load_spread_frac, threads=threads)
    lives = [live(scenario, threads) for scenario in scenarios]
    parts = [_parts(scenario, life, threads) for scenario, life in zip(scenarios, lives, strict=True)]
    alike = left_out(parts)
    terms = terms_of(first.costs)
    nights = [hookup_nights(timeline.build_timeline(scenario)) for scenario in scenarios]
    free_nights = terms.hookup_price_per_night is None and len(set(nights)) == 1
    found = [
        _design(name, scenario, place, walked, life, own, alike, terms, free_nights)
        for place, ((name, _), scenario, life, own) in enumerate(zip(designs, scenarios, lives, parts, strict=True))
    ]
    money = any(part.price is not None for own in parts for part in own)
    left = [part.name for own in parts for part in own if part.same_as in alike]
    left += ["nights on a hookup"] if free_nights and nights[0] else []
    return Comparison(
        designs=tuple(found),
        year_names=weather.names,
        kind=weather.kind,
        sources=weather.sources,
        notes=tuple(dict.fromkeys(weather.notes)),
        seed=choice.seed,
        days=clock.days,
        terms=terms,
        left_out=tuple(dict.fromkeys(left)) if money else (),
        money=money,
    )


def _parts(scenario: Scenario, life: Life, threads: int | None) -> tuple[Part, ...]:
    """Everything bought; what follows a used bank is a new one, with a life of its own."""
    bank = scenario.bank
    used = bank.soh_start < 1.0 or bank.age_years is not None
    new = live(replace(scenario, bank=replace(bank, soh_start=1.0, age_years=None)), threads) if used else life
    return parts_of(scenario, life.years_to_end, new.years_to_end)


def _design(
    name: str,
    scenario: Scenario,
    place: int,
    walked: DesignYears,
    life: Life,
    parts: Sequence[Part],
    alike: set[Any],
    terms: Terms,
    free_nights: bool,
) -> Design:
    """One design in figures."""
    bank, vehicle = scenario.bank, scenario.vehicle
    clock = timeline.build_timeline(scenario)
    rounds = rounds_per_year(scenario, clock.days)
    mean = walked.totals[place].mean(axis=0)
    units = bank.in_series * bank.in_parallel
    rated_wh = bank.unit_v * bank.unit_ah * units
    listed = parts_list(scenario)
    weights = [part for part in parts if part.kg is None]
    spilled_wh = float(mean[list(SPILLED.values())].sum())
    offered_wh = float(mean[k.SUN_OFFERED_WH])
    litres = 0.0
    if scenario.generator is not None:
        litres = float(fuel_litres(scenario.generator, mean[k.GENERATOR_H], mean[k.GENERATOR_WH]))
    delivered_kwh = float(mean[k.DISCHARGED_WH]) * rounds / WH_PER_KWH
    nights = hookup_nights(clock) * rounds
    counted = [part for part in parts if part.same_as not in alike]
    cost: ServiceCost | None = None
    missing: tuple[str, ...] = ()
    try:
        cost = service_cost(
            counted,
            terms,
            litres_per_year=litres * rounds,
            hookup_nights_per_year=0.0 if free_nights else nights,
            kwh_per_year=delivered_kwh,
        )
    except InputError as error:
        missing = error.mistakes
    roof_whole = listed.whole("roof_m2") and bool(scenario.arrays)
    return Design(
        name=name,
        scenario=scenario,
        units=units,
        rated_wh=rated_wh,
        usable_wh=rated_wh * bank.usable_frac * bank.soh_start,
        volume_l=listed.volume_l if listed.whole("volume_l") else None,
        footprint_m2=listed.footprint_m2 if listed.whole("footprint_m2") else None,
        mass_kg=sum(part.kg or 0.0 for part in parts),
        mass_missing=tuple(dict.fromkeys(part.weighs_key for part in weights)),
        bay=None if vehicle.bay_m is None or bank.unit_m is None else fit_bay(bank.unit_m, vehicle.bay_m, upright=bank.upright),
        roof_m2=listed.roof_m2 if roof_whole else None,
        price=None if cost is None or not counted else cost.price_now,
        extra_price=bank.extra_price,
        flat_days=walked.flat_days[place],
        lowest_soc=float(walked.lowest_soc[place].min()),
        spilled_kwh=spilled_wh * rounds / WH_PER_KWH,
        spilled_frac=spilled_wh / offered_wh if offered_wh > 0.0 else 0.0,
        delivered_kwh=delivered_kwh,
        full_cycles=float(mean[k.DISCHARGED_AH]) / (bank.unit_ah * bank.in_parallel) * rounds,
        generator_h=float(mean[k.GENERATOR_H]) * rounds,
        generator_l=litres * rounds,
        hookup_nights=nights,
        life=life,
        cost=cost if counted else None,
        cost_missing=missing,
    )
