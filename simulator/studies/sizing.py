"""Which design of a grid meets a target: in price order, with exact early exits and no assumption that more is better.

With latches, auto-start generators and standby per unit more bank can give more flat days, so every design is walked. A lane
stops as soon as its design's target is out of reach, whatever the years to come bring; the hardest years come first. Designs
that meet the target have therefore been walked through every year, and all that is said of them is exact.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.battery.ageing import estimate_life
from simulator.battery.use import stored_mean
from simulator.errors import InputError
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario, SizeWish
from simulator.studies.changes import END_OF_LIFE_SOH
from simulator.studies.chunks import Kept
from simulator.studies.designs import NOT_WALKED, Fleet
from simulator.studies.grid import SAME, Design, Grid, build_grid
from simulator.studies.ground import LOAD_SPREAD_FRAC, Ground, ground_weather
from simulator.studies.odds import MOST_YEARS, SOURCES, usual_source
from simulator.studies.walker import Target, Walked, Walker
from simulator.units import DAYS_PER_YEAR

IntArray = npt.NDArray[np.int64]
Progress = Callable[[int, int], None]

USUAL_FLAT_DAYS = 3
USUAL_YEARS = 10
ODDS_YEARS = 100
"""Years drawn for a target in odds: a share of 0.95 means nothing among ten."""
LIFE_DESIGNS = 32
"""Designs whose hours are held at a time for the estimate of their life."""


@dataclass(frozen=True, eq=False)
class Step:
    """One neighbour of the cheapest design on one axis."""

    axis: str
    value_from: object
    value_to: object
    design: Design
    price_more: float


@dataclass(frozen=True, eq=False)
class Binding:
    """A limit without which there would be a better design."""

    said: str
    design: Design
    better: str
    """``cheaper``, ``lighter``, or ``meets`` when nothing within the limits does."""


@dataclass(frozen=True, eq=False)
class Sizing:
    """What a sizing found. ``walked`` rows are in the order of ``grid.designs``."""

    scenario: Scenario
    grid: Grid
    target: Target
    soh: float
    source: str
    seed: int
    year_names: tuple[str, ...]
    walked: Walked
    met: npt.NDArray[np.bool_]
    """(designs,): within the limits, and the target is met."""
    met_beyond: npt.NDArray[np.bool_]
    """(designs,): beyond a limit, and the target is met."""
    life_years: dict[int, float]
    """Of the designs that meet the target, by number."""
    cheapest: Design | None
    lightest: Design | None
    longest_lived: Design | None
    nearest: Design | None
    """When none meets the target: the one with the lowest score."""
    front: tuple[Design, ...]
    steps: tuple[Step, ...]
    binding: tuple[Binding, ...]
    lane_hours: int
    lane_hours_beyond: int
    """Of them for designs beyond a limit, to tell which limit binds."""
    lane_hours_whole: int
    """What the whole grid within the limits would have taken."""
    whole: bool
    weather_notes: tuple[str, ...]
    weather_sources: tuple[str, ...]
    days: int
    notes: tuple[str, ...] = field(default=())
    usual: tuple[str, ...] = ()
    """What of the target nobody stated, so that the usual was taken: ``target``, ``years``, ``soh``."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """Of every design that the answer names."""
        named = (self.cheapest, self.lightest, self.longest_lived, self.nearest)
        return cautions_of(design.fresh for design in named if design is not None)

    def score(self, design: Design) -> int:
        """Flat days of its worst year, or its years with one; of a design that was stopped: at least."""
        return int(self.target.score(self.walked.flat_days[design.number : design.number + 1])[0])

    def is_whole(self, design: Design) -> bool:
        """Whether it has been walked through every year."""
        return bool((self.walked.flat_days[design.number] != NOT_WALKED).all())

    def flat_free_share(self, design: Design) -> float | None:
        """Share of years without a flat day; None where it was stopped."""
        return float((self.walked.flat_days[design.number] == 0).mean()) if self.is_whole(design) else None


def target_of(wish: SizeWish, source: str, past: int | None = None) -> Target:
    """What is to be met, with the usual figures where nothing is stated; ``past``: how many past years there are.

    Raises
    ------
    InputError
        More past years are asked for than there are.
    """
    years = wish.years
    if source == "past":
        assert past is not None
        if years is not None and years > past:
            raise InputError(f"years: expected at most {past}, the past years that are in the cache, got {years}")
        years = past if years is None else years
    elif years is None:
        years = ODDS_YEARS if wish.odds is not None else USUAL_YEARS
    if wish.odds is not None:
        return Target(years, odds=wish.odds)
    return Target(years, flat_days=USUAL_FLAT_DAYS if wish.flat_days is None else wish.flat_days)


def _check(source: str, seed: int, load_spread_frac: float) -> None:
    mistakes = []
    if source not in SOURCES:
        mistakes.append(f'--source: expected one of {", ".join(SOURCES)}, got "{source}"')
    if not 0 <= seed < 2**63:
        mistakes.append(f"--seed: expected a whole number from 0 on, got {seed}")
    if not 0.0 <= load_spread_frac <= 1.0:
        mistakes.append(f"--load-spread: expected a share from 0 to 1 (0.15 is usual), got {load_spread_frac:g}")
    if mistakes:
        raise InputError(mistakes)


def size(
    scenario: Scenario,
    wish: SizeWish | None = None,
    *,
    seed: int | None = None,
    source: str | None = None,
    load_spread_frac: float = LOAD_SPREAD_FRAC,
    whole: bool = False,
    executor: Executor | None = None,
    keep: Path | None = None,
    progress: Progress | None = None,
    threads: int | None = None,
) -> Sizing:
    """Find the designs of a grid that meet a target, and the cheapest, lightest and longest-lived of them.

    Parameters
    ----------
    scenario : a finished scenario.
    wish : what is varied, target and limits; None: as ``[size]`` of the scenario says.
    seed : of weather and load; None takes the scenario's.
    source : ``past`` or ``drawn``; None: past years if a stop asks for them.
    load_spread_frac : standard deviation of a day's load about the audit, 0..1.
    whole : walk every design within the limits through every year: for a front below the target too.
    executor : any ``concurrent.futures.Executor``; None: here, on ``threads`` threads. The answer does not depend on it.
    keep : folder for finished chunks, from which an interrupted run goes on.
    progress : called with (lanes done, lanes at most) now and then.

    Returns
    -------
    Sizing

    Raises
    ------
    InputError
        The grid or the limits cannot be, a figure is missing, or weather cannot be used.
    ArchiveError
        Past years are asked for, and none is in the cache.
    FlatdaysError
        A worker process ended.
    """
    wish = wish or scenario.size or SizeWish()
    seed = scenario.seed if seed is None else seed
    source = source or usual_source(scenario)
    _check(source, seed, load_spread_frac)
    soh = END_OF_LIFE_SOH if wish.soh is None else wish.soh
    grid = build_grid(scenario, wish, soh)
    ground = Ground(scenario, source, wish.years or MOST_YEARS, seed, load_spread_frac)
    past = len(ground_weather(ground).names) if source == "past" else None
    target = target_of(wish, source, past)
    first_year = 0
    if past is None:
        ground = Ground(scenario, source, target.years, seed, load_spread_frac)
    else:
        # Of past years the latest.
        first_year = past - target.years
    weather = ground_weather(ground)
    walker = Walker(
        [design.scenario for design in grid.designs],
        ground,
        first_year,
        target.years,
        executor=executor,
        kept=None if keep is None else Kept(keep),
        threads=threads,
        progress=progress,
    )
    within = np.array([design.number for design in grid.designs if not design.over])
    walker.most_lanes = len(within) * target.years
    walker.scout(int(within[len(within) // 2]))
    walker.walk_until_settled(within, target, whole=whole)
    lanes_within = walker.found.lanes
    meets = walker.found.whole & (target.score(walker.found.flat_days) <= target.most)
    met = meets & np.isin(np.arange(len(grid.designs)), within)
    passing = [grid.designs[number] for number in np.flatnonzero(met)]
    life_years = _lives(walker, passing, threads)
    rank = _Rank(walker)
    cheapest = min(passing, key=rank.price, default=None)
    lightest = None if grid.mass_missing else min(passing, key=rank.mass, default=None)
    longest = min(passing, key=lambda each: (-round(life_years[each.number], 1), *rank.price(each)), default=None)
    nearest = None
    if not passing:
        nearest = grid.designs[walker.nearest(within, target)]
        lanes_within = walker.found.lanes
    binding = _binding(walker, grid, target, cheapest, lightest)
    meets = walker.found.whole & (target.score(walker.found.flat_days) <= target.most)
    year_names = weather.names[first_year : first_year + target.years]
    return Sizing(
        scenario=scenario,
        grid=grid,
        target=target,
        soh=soh,
        source=source,
        seed=seed,
        year_names=year_names,
        walked=walker.found,
        met=met,
        met_beyond=meets & ~met,
        life_years=life_years,
        cheapest=cheapest,
        lightest=lightest,
        longest_lived=longest,
        nearest=nearest,
        front=_front(walker, grid, within if whole else np.flatnonzero(met)),
        steps=() if cheapest is None else _steps(grid, cheapest),
        binding=binding,
        lane_hours=walker.found.lanes * walker.hours,
        lane_hours_beyond=(walker.found.lanes - lanes_within) * walker.hours,
        lane_hours_whole=len(within) * target.years * walker.hours,
        whole=whole,
        weather_notes=tuple(weather.notes),
        weather_sources=tuple(weather.sources),
        days=walker.fleet.clock.days,
        notes=grid.notes,
        usual=tuple(
            what
            for what, stated in (
                ("target", wish.flat_days is not None or wish.odds is not None),
                ("years", wish.years is not None or past is not None),
                ("soh", wish.soh is not None),
            )
            if not stated
        ),
    )


def _lives(walker: Walker, designs: Sequence[Design], threads: int | None) -> dict[int, float]:
    """Years each bank lasts, estimated as a plain run does, with the bank as it is bought, in the first of the years."""
    found: dict[int, float] = {}
    for first in range(0, len(designs), LIFE_DESIGNS):
        part = designs[first : first + LIFE_DESIGNS]
        ground = walker.ground
        fleet = Fleet(
            [design.fresh for design in part], walker.fleet.weather, seed=ground.seed, load_spread_frac=ground.load_spread_frac
        )
        walked = fleet.walk(None, walker.first_year, 1, watch=range(len(part)), threads=threads)
        for design, hours in zip(part, walked.hours, strict=True):
            bank, rest = design.fresh.bank, design.fresh.rest_of_year
            estimate = estimate_life(
                bank,
                hours[:, k.SOC_END],
                hours[:, k.CELL_END_C],
                ah_out=float(hours[:, k.DISCHARGED_AH].sum()),
                soc_before=min(bank.start_soc, bank.target_soc),
                storage=None if rest is None else stored_mean(bank, rest, DAYS_PER_YEAR - walked.timeline.days),
            )
            found[design.number] = estimate.life_years
    return found


def _front(walker: Walker, grid: Grid, which: IntArray) -> tuple[Design, ...]:
    """Designs than which none is both at most as dear and at least as likely to come through a year, in the order of price."""
    found: list[Design] = []
    best = -1.0
    share = (walker.found.flat_days == 0).mean(axis=1)
    prices = np.array([round(grid.designs[number].parts.price, 6) for number in which])
    for price in np.unique(prices):
        safest = min((grid.designs[number] for number in which[prices == price]), key=_Rank(walker).price)
        if share[safest.number] > best + SAME:
            best = float(share[safest.number])
            found.append(safest)
    return tuple(found)


def _steps(grid: Grid, design: Design) -> tuple[Step, ...]:
    """Neighbours of a design, one step down and one up on every axis whose values are in an order of size."""
    at = {each.place: each for each in grid.designs}
    found = []
    for number, axis in enumerate(grid.axes):
        for move in (-1, 1):
            place = list(design.place)
            place[number] += move
            other = at.get(tuple(place))
            if other is not None:
                value_to = axis.values[place[number]]
                found.append(
                    Step(axis.name, axis.values[design.place[number]], value_to, other, other.parts.price - design.parts.price)
                )
    return tuple(found)


def _passing(walker: Walker, target: Target, designs: Sequence[Design]) -> list[Design]:
    """Those of the designs that meet the target, in order; walked as far as that needs."""
    numbers = np.array([design.number for design in designs], dtype=np.int64)
    walker.walk_until_settled(numbers, target)
    meets = walker.found.whole[numbers] & (target.score(walker.found.flat_days[numbers]) <= target.most)
    return [design for design, ok in zip(designs, meets, strict=True) if ok]


def _binding(walker: Walker, grid: Grid, target: Target, cheapest: Design | None, lightest: Design | None) -> tuple[Binding, ...]:
    """Limits without which there would be a cheaper or lighter design, or one at all; each taken away alone."""
    found: list[Binding] = []
    rank = _Rank(walker)
    for limit in grid.limits:
        alone = [design for design in grid.designs if design.over == (limit.said,)]
        if cheapest is None:
            passing = _passing(walker, target, alone)
            if passing:
                found.append(Binding(limit.said, min(passing, key=rank.price), "meets"))
            continue
        cheaper = _passing(walker, target, [each for each in alone if each.parts.price < cheapest.parts.price - SAME])
        if cheaper:
            found.append(Binding(limit.said, min(cheaper, key=rank.price), "cheaper"))
        if lightest is not None:
            lighter = _passing(walker, target, [each for each in alone if each.parts.mass_kg < lightest.parts.mass_kg - SAME])
            if lighter:
                found.append(Binding(limit.said, min(lighter, key=rank.mass), "lighter"))
    if cheapest is None and not found:
        # None of them alone: all that a design exceeds together?
        passing = _passing(walker, target, [design for design in grid.designs if len(design.over) > 1])
        if passing:
            found.append(Binding(" and ".join(passing[0].over), passing[0], "meets"))
    return tuple(found)


class _Rank:
    """Orders of designs that were walked through every year; of equals the safer one, then the one that comes first."""

    def __init__(self, walker: Walker) -> None:
        self.flat_days = walker.found.flat_days

    def _risk(self, design: Design) -> tuple[int, int]:
        flat = self.flat_days[design.number]
        return int((flat > 0).sum()), int(flat.sum())

    def price(self, design: Design) -> tuple[float, ...]:
        """By price, risk, mass."""
        return round(design.parts.price, 6), *self._risk(design), round(design.parts.mass_kg, 6), design.number

    def mass(self, design: Design) -> tuple[float, ...]:
        """By mass, price, risk."""
        return round(design.parts.mass_kg, 6), round(design.parts.price, 6), *self._risk(design), design.number
