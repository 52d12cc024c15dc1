"""Designs walked through weather years, the hardest first, each no further than its target needs.

A score never falls as years are added, so a design whose score is beyond the target after some years is out of reach whatever
the other years bring: that is the only early exit, and it is exact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.scenario.parts import Scenario
from simulator.studies.chunks import Kept, cut, run_chunks
from simulator.studies.designs import NOT_WALKED, Fleet
from simulator.studies.ground import Ground, ground_weather

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Progress = Callable[[int, int], None]

ROUNDS = (1, 2, 4, 8, 16)
"""Years walked before it is looked again which targets are out of reach; then as many as the last."""
AT_ONCE = 32
"""Designs that are walked on together when the nearest is looked for."""
SUMS = {"generator_h": k.GENERATOR_H, "discharged_ah": k.DISCHARGED_AH}
"""Sums over the trip that are kept of every lane."""


@dataclass(frozen=True)
class Target:
    """At most so many flat days in the worst of the years, or at least this share of years without one."""

    years: int
    flat_days: int | None = None
    odds: float | None = None

    @property
    def most_flat_years(self) -> int:
        """Years with a flat day that a target in odds allows."""
        assert self.odds is not None
        return self.years - math.ceil(self.odds * self.years - 1e-9)

    def score(self, flat_days: IntArray) -> IntArray:
        """(designs,): flat days of the worst year walked, or years with one; it never falls as more years are walked."""
        if self.flat_days is not None:
            return np.asarray(flat_days.max(axis=1, initial=0), dtype=np.int64)
        return np.asarray((flat_days > 0).sum(axis=1), dtype=np.int64)

    @property
    def most(self) -> int:
        """Highest score that meets the target."""
        return self.flat_days if self.flat_days is not None else self.most_flat_years


@dataclass(eq=False)
class Walked:
    """What is known of the designs so far; a year that was not walked has ``flat_days`` = -1."""

    flat_days: IntArray
    missed_wh: FloatArray
    lowest_soc: FloatArray
    sums: dict[str, FloatArray]
    lanes: int = 0

    @classmethod
    def empty(cls, designs: int, years: int) -> Walked:
        shape = (designs, years)
        return cls(
            np.full(shape, NOT_WALKED, dtype=np.int64), np.zeros(shape), np.ones(shape), {name: np.zeros(shape) for name in SUMS}
        )

    @property
    def whole(self) -> npt.NDArray[np.bool_]:
        """(designs,): walked through every year."""
        return np.asarray((self.flat_days != NOT_WALKED).all(axis=1))


class Walker:
    """Walks designs of a grid year by year, in chunks, and remembers what it found."""

    def __init__(
        self,
        designs: Sequence[Scenario],
        ground: Ground,
        first_year: int,
        years: int,
        *,
        executor: Executor | None,
        kept: Kept | None,
        threads: int | None,
        progress: Progress | None,
    ) -> None:
        self.fleet = Fleet(designs, ground_weather(ground), seed=ground.seed, load_spread_frac=ground.load_spread_frac)
        self.ground = ground
        self.first_year = first_year
        self.found = Walked.empty(len(designs), years)
        self.executor, self.kept, self.threads, self.progress = executor, kept, threads, progress
        self.hours = self.fleet.clock.hours
        self.order: tuple[int, ...] = tuple(range(years))
        self.most_lanes = len(designs) * years

    def walk(self, which: IntArray, years: Sequence[int]) -> None:
        """Walk these designs through these years (numbered from 0 among those looked at)."""
        pieces = cut(self.fleet, self.ground, which, [self.first_year + year for year in years])
        for place, result in run_chunks([chunk for _, chunk in pieces], self.executor, self.kept, self.threads):
            at = np.ix_(pieces[place][0], np.asarray(years))
            self.found.flat_days[at] = result.flat_days
            self.found.missed_wh[at] = result.missed_wh
            self.found.lowest_soc[at] = result.lowest_soc
            for name, column in SUMS.items():
                self.found.sums[name][at] = result.totals[..., column]
            self.found.lanes += result.flat_days.size
            if self.progress is not None:
                self.progress(min(self.found.lanes, self.most_lanes), self.most_lanes)

    def scout(self, design: int) -> None:
        """Walk one design through every year and put the years in order, the hardest first."""
        years = range(self.found.flat_days.shape[1])
        self.walk(np.array([design]), years)
        hard = np.lexsort((np.arange(len(years)), -self.found.missed_wh[design], -self.found.flat_days[design]))
        self.order = tuple(int(year) for year in hard)

    def next_years(self, design: int, at_once: int) -> tuple[int, ...]:
        """The hardest years that a design has not been walked through yet."""
        return tuple(year for year in self.order if self.found.flat_days[design, year] == NOT_WALKED)[:at_once]

    def walk_on(self, which: IntArray, at_once: int) -> None:
        """Walk designs through their next hardest years; those that lack the same years go together."""
        groups: dict[tuple[int, ...], list[int]] = {}
        for design in which:
            years = self.next_years(int(design), at_once)
            if years:
                groups.setdefault(years, []).append(int(design))
        for years, designs in groups.items():
            self.walk(np.array(designs), years)

    def walk_until_settled(self, which: IntArray, target: Target, *, whole: bool = False) -> None:
        """Walk designs until each has been through every year, or its target is out of reach (not with ``whole``)."""
        alive = which
        for round_ in range(self.found.flat_days.shape[1]):
            at_once = ROUNDS[min(round_, len(ROUNDS) - 1)]
            alive = alive[~self.found.whole[alive]]
            if not whole:
                alive = alive[target.score(self.found.flat_days[alive]) <= target.most]
            if not alive.size:
                return
            self.walk_on(alive, at_once)

    def nearest(self, which: IntArray, target: Target) -> int:
        """The design with the lowest score of these, of equals the first: found by walking on only where it may be.

        A score never falls as years are added, so what is known of a design is a floor; the design of the lowest floor is
        walked on until the lowest is one that has been through every year.
        """
        while True:
            score = target.score(self.found.flat_days[which])
            best = int(np.flatnonzero(score == score.min())[0])
            # All of that floor go on together, for the first of them may yet rise.
            front = which[score == score[best]]
            behind = front[~self.found.whole[front]]
            if self.found.whole[which[best]]:
                return int(which[best])
            self.walk_on(behind[:AT_ONCE], ROUNDS[1])
