"""One change against flat days, and what it comes to: days cured and made, price, mass, cost a year, place in the order."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator.scenario.parts import Scenario
from simulator.sources import fuel_litres
from simulator.studies.costs import Part, Terms, part_cost
from simulator.studies.odds import clopper_pearson
from simulator.units import HOURS_PER_DAY

BoolArray = npt.NDArray[np.bool_]
Apply = Callable[[Scenario], Scenario]
NOTHING, COMFORT, ESSENTIAL = range(3)
"""What a change gives up."""


@dataclass(frozen=True)
class Change:
    """One thing to do.

    Attributes
    ----------
    name : str
        For a person.
    group : str
        Two changes of one group are never paired.
    apply : a finished scenario in, a finished scenario out; raises InputError where it cannot be done.
    price, kg : float or None
        More than now; None: not known. 0 costs or weighs nothing.
    life_years : float or None
        Of what is bought; None: not known, or nothing is bought.
    moves : bool
        The stays change, so that the weather of the route does too.
    nights : int
        Nights on a paid hookup that it brings; -1: as many as come out of its stays.
    caution : str
        What must be said beside it; empty: nothing.
    missing : str
        The key whose price would be needed; empty: none.
    more_than : tuple of str
        Names of smaller changes of its kind: where one comes to the same days, this one is not worth its line.
    gives_up : int
        0: nothing is done without; 1: an appliance that is not essential; 2: an essential one.
    """

    name: str
    group: str
    apply: Apply
    price: float | None = 0.0
    kg: float | None = 0.0
    life_years: float | None = None
    moves: bool = False
    nights: int = 0
    caution: str = ""
    missing: str = ""
    gives_up: int = 0
    more_than: tuple[str, ...] = ()


@dataclass(frozen=True)
class Remedy:
    """One change or a pair, and what it comes to.

    ``flat`` (years, days) of the trip so changed. Flat days are means a trip over the years; a flat day counts as cured when
    the same date is flat without the change, as made when it is not.
    """

    changes: tuple[Change, ...]
    flat: BoolArray
    cured: float
    made: float
    left: float
    without_flat: int
    """Years without a flat day."""
    years: int
    share_gained: float
    """Of years without a flat day, against the trip as it is."""
    price: float | None
    kg: float | None
    litres: float
    """Fuel of the generator for one trip, more than now [L]."""
    nights: float
    """On a hookup in one trip, more than now."""
    cost_per_year: float | None
    """One trip a year; None: a price or a life is not known."""

    @property
    def name(self) -> str:
        """For a person."""
        return ", and ".join(change.name for change in self.changes)

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % interval of the share of years without a flat day."""
        return clopper_pearson(self.without_flat, self.years)

    @property
    def complete(self) -> bool:
        """Whether no flat day is left in any year."""
        return not self.flat.any()

    @property
    def gives_up(self) -> int:
        """The most that any of its changes gives up."""
        return max(change.gives_up for change in self.changes)

    @property
    def net(self) -> float:
        """Flat days less than now, a trip."""
        return self.cured - self.made

    @property
    def free(self) -> bool:
        """Whether it costs nothing, now or by the year."""
        return self.price == 0.0 and self.cost_per_year == 0.0

    @property
    def cost_per_flat_day(self) -> float | None:
        """A year's cost for each flat day less; None: not known, or none less."""
        return None if self.cost_per_year is None or self.net <= 0.0 else self.cost_per_year / self.net

    @property
    def price_per_flat_day(self) -> float | None:
        """The price for each flat day less a trip."""
        return None if self.price is None or self.net <= 0.0 else self.price / self.net

    @property
    def rank(self) -> tuple[Any, ...]:
        """What the order goes by.

        Complete cures first, doing without something essential last of its list; then by cost a year for each flat day less,
        then by price where the life is not known, then those of unknown price; of equals (free ones are all equal) first what
        cures most, then what gives nothing up.
        """
        cost, price = self.cost_per_flat_day, self.price_per_flat_day
        tier, value = (0, cost) if cost is not None else (1, price) if price is not None else (2, 0.0)
        size = round(float(value or 0.0), 9), -round(self.net, 9), self.gives_up, len(self.changes)
        return (not self.complete, self.gives_up == ESSENTIAL, tier, *size, self.name)


@dataclass(frozen=True)
class Spell:
    """Flat days in a row of one year, and what cures all of them."""

    year: str
    first: date
    last: date
    days: int
    cured_by: tuple[str, ...]
    """Names of single changes in their order; of pairs where no single change does. Empty: nothing in reach cures them."""


@dataclass(frozen=True)
class Walked:
    """What the walk of one design left."""

    flat: BoolArray
    generator_h: npt.NDArray[np.float64]
    generator_wh: npt.NDArray[np.float64]
    locked_h: float
    hookup_h: float


def applied(scenario: Scenario, changes: Iterable[Change]) -> Scenario:
    """Apply changes; those that move the stays come first, since a stay that was cut cannot be moved."""
    for change in sorted(changes, key=lambda change: not change.moves):
        scenario = change.apply(scenario)
    return scenario


def _litres(design: Scenario, walked: Walked) -> float:
    """Fuel of one trip, on average over the years [L]."""
    if design.generator is None:
        return 0.0
    each = [
        float(fuel_litres(design.generator, hours, given))
        for hours, given in zip(walked.generator_h, walked.generator_wh, strict=True)
    ]
    return float(np.mean(each))


def _sum(values: Iterable[float | None]) -> float | None:
    total = 0.0
    for value in values:
        if value is None:
            return None
        total += value
    return total


def judge(scenario: Scenario, changes: tuple[Change, ...], walked: Walked, base: Walked, terms: Terms) -> Remedy:
    """Hold one walk against that of the trip as it is."""
    flat = walked.flat
    if flat.shape != base.flat.shape:
        # A moved stay can make the trip a day longer or shorter where it crosses the date line.
        days = min(flat.shape[1], base.flat.shape[1])
        flat = np.concatenate([flat[:, :days], np.zeros((len(flat), base.flat.shape[1] - days), dtype=bool)], axis=1)
    without_flat = int((~flat.any(axis=1)).sum())
    before = int((~base.flat.any(axis=1)).sum())
    litres = _litres(applied(scenario, changes), walked) - _litres(scenario, base)
    nights = (walked.hookup_h - base.hookup_h) / HOURS_PER_DAY
    costs: list[float | None] = []
    for change in changes:
        if change.price == 0.0:
            costs.append(0.0)
        elif change.price is None or change.life_years is None:
            costs.append(None)
        else:
            part = Part(change.name, "", change.price, change.kg, change.life_years, change.life_years, False, change.name)
            costs.append(part_cost(part, terms).per_year)
    if abs(litres) > 1e-9:
        costs.append(None if terms.fuel_price_per_l is None else litres * terms.fuel_price_per_l)
    if nights > 1e-9 and any(change.group == "hookup" for change in changes):
        costs.append(None if terms.hookup_price_per_night is None else nights * terms.hookup_price_per_night)
    years = len(flat)
    return Remedy(
        changes=changes,
        flat=flat,
        cured=float((base.flat & ~flat).sum() / years),
        made=float((flat & ~base.flat).sum() / years),
        left=float(flat.sum() / years),
        without_flat=without_flat,
        years=years,
        share_gained=(without_flat - before) / years,
        price=_sum(change.price for change in changes),
        kg=_sum(change.kg for change in changes),
        litres=litres,
        nights=nights,
        cost_per_year=_sum(costs),
    )
