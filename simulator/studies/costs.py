"""What a design costs for a year of service: capital over its life, replacements, fuel and hookup nights, discounted.

Each part is bought now and again whenever it is worn out, up to the horizon; what is left of the last one then is taken back
at the even share of its life that is left. The present value of it all, spread evenly over the years of the horizon, is the
cost of a year; running costs are paid at the end of each year. Divided by the energy of a year it is the cost of a kilowatt-hour.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from simulator.errors import InputError
from simulator.scenario.parts import Costs, Scenario

HORIZON_YEARS: Final = 10.0
"""Years that money is counted over (common practice, no source)."""
DISCOUNT_RATE: Final = 0.03
"""A year's interest above inflation (common practice, no source)."""
CURRENCY: Final = "price units"
"""Stands for the currency that nobody stated."""
LIVES_YEARS: Final = {"panels": 25.0, "controller": 10.0, "inverter": 10.0, "charger": 10.0, "generator": 10.0, "extra": 10.0}
"""Years that parts last which are not simulated (common practice, no source)."""
LEAST_LIFE_YEARS: Final = 0.1
"""A bank that lasts less is reckoned with this."""


@dataclass(frozen=True)
class Terms:
    """What money is counted over, every number present, and sentences on those that nobody stated."""

    horizon_years: float
    discount_rate: float
    currency: str
    fuel_price_per_l: float | None
    hookup_price_per_night: float | None
    defaults: tuple[str, ...]


def terms_of(costs: Costs) -> Terms:
    """Finish what money is counted over."""
    defaults = []
    if costs.horizon_years is None:
        defaults.append(f"Money is counted over {HORIZON_YEARS:g} years (common practice, no source; [costs] horizon_years).")
    if costs.discount_rate is None:
        defaults.append(
            f"Later money is discounted by {DISCOUNT_RATE:.0%} a year (common practice, no source; [costs] discount_rate)."
        )
    if costs.currency is None:
        defaults.append(f"Prices are in {CURRENCY} as written in the scenario; [costs] currency names them.")
    return Terms(
        horizon_years=HORIZON_YEARS if costs.horizon_years is None else costs.horizon_years,
        discount_rate=DISCOUNT_RATE if costs.discount_rate is None else costs.discount_rate,
        currency=costs.currency or CURRENCY,
        fuel_price_per_l=costs.fuel_price_per_l,
        hookup_price_per_night=costs.hookup_price_per_night,
        defaults=tuple(defaults),
    )


@dataclass(frozen=True)
class Part:
    """One kind of thing that is bought.

    Attributes
    ----------
    name : str
        For a person.
    key : str
        Where its price is written.
    price, kg : float or None
        Of all pieces together; None: not stated.
    life_years : float
        Of the first purchase.
    next_life_years : float
        Of those that follow.
    owned : bool
        The first one is there already: it costs nothing, and nothing is taken back for it.
    same_as : hashable
        Parts that are alike in two designs have it equal; None: never alike, as a bank lives by what is asked of it.
    weighs_key : str
        Where its weight is written; empty: it is never asked for.
    """

    name: str
    key: str
    price: float | None
    kg: float | None
    life_years: float
    next_life_years: float
    owned: bool
    same_as: Hashable
    weighs_key: str = ""


def parts_of(scenario: Scenario, bank_life_years: float, new_bank_life_years: float | None = None) -> tuple[Part, ...]:
    """List everything in a design that is bought.

    Parameters
    ----------
    scenario : a finished scenario.
    bank_life_years : years from now that the bank lasts.
    new_bank_life_years : of a new one of its kind; None: the same.

    Returns
    -------
    tuple of Part
    """
    bank = scenario.bank
    units = bank.in_series * bank.in_parallel
    found = [
        Part(
            name="bank",
            key="unit_price in [bank]",
            price=None if bank.unit_price is None else bank.unit_price * units,
            kg=bank.unit_kg * units,
            life_years=bank_life_years,
            next_life_years=bank_life_years if new_bank_life_years is None else new_bank_life_years,
            owned=bank.owned,
            same_as=None,
        )
    ]

    def take(
        kind: str, name: str, where: str, price: float | None, kg: float | None, years: float | None, alike: Hashable, key: str
    ) -> None:
        life = LIVES_YEARS[kind] if years is None else years
        found.append(Part(name, f"{key} in {where}", price, kg, life, life, False, (kind, alike), f"kg in {where}"))

    if bank.extra_price is not None:
        found.append(
            Part(
                "what the bank brings along",
                "extra_price in [bank]",
                bank.extra_price,
                0.0,
                LIVES_YEARS["extra"],
                LIVES_YEARS["extra"],
                False,
                ("extra", bank.extra_price),
            )
        )
    for array in scenario.arrays:
        panel, panels = array.panel, array.in_series * array.in_parallel
        where = f'panel of array {array.number} "{array.name}"'
        price = None if panel.price is None else panel.price * panels
        kg = None if panel.kg is None else panel.kg * panels
        take("panels", f'panels "{array.name}"', where, price, kg, None, (array.name, panel, panels), "price")
        controller = array.controller
        found.append(
            Part(
                name=f'controller "{array.name}"',
                key=f'price in controller of array {array.number} "{array.name}"',
                price=controller.price,
                kg=0.0,
                life_years=LIVES_YEARS["controller"],
                next_life_years=LIVES_YEARS["controller"],
                owned=False,
                same_as=("controller", array.name, controller),
            )
        )
    inverter = scenario.inverter
    if inverter is not None:
        same = (inverter.rated_w, inverter.price, inverter.life_years)
        take("inverter", "inverter", "[inverter]", inverter.price, inverter.kg, inverter.life_years, same, "price")
    for table, charger in (("shore", scenario.shore), ("alternator", scenario.alternator)):
        if charger is not None:
            name = {"shore": "hookup charger", "alternator": "charger on the engine"}[table]
            watts = (table, round(charger.charger_a * scenario.vehicle.bus_v, 3), charger.price)
            take("charger", name, f"[{table}]", charger.price, charger.kg, None, watts, "price")
    generator = scenario.generator
    if generator is not None:
        alike = (generator.rated_w, generator.price)
        take("generator", "generator", "[generator]", generator.price, generator.kg, None, alike, "price")
    return tuple(found)


def annuity_factor(rate: float, years: float) -> float:
    """Present value of 1 a year, paid at the end of each of so many years.

    Parameters
    ----------
    rate : discount rate, 0 or more.
    years : above 0; need not be whole.

    Returns
    -------
    float
        ``(1 - (1 + rate) ** -years) / rate``; ``years`` without interest (any textbook of engineering economy).
    """
    return years if rate == 0.0 else -float(np.expm1(-years * np.log1p(rate))) / rate


@dataclass(frozen=True)
class PartCost:
    """What one part costs over the horizon; ``later`` and ``taken_back`` are present values."""

    name: str
    now: float
    later: float
    taken_back: float
    replacements: int
    per_year: float


def part_cost(part: Part, terms: Terms) -> PartCost:
    """Reckon one part whose price is known.

    Raises
    ------
    InputError
        It is not.
    """
    if part.price is None and (not part.owned or part.life_years < terms.horizon_years):
        raise InputError(f"{part.name}: expected its price, got none. Write {part.key}.")
    price = part.price or 0.0
    horizon, rate = terms.horizon_years, terms.discount_rate
    bought, lives = [0.0], [max(part.life_years, 0.0)]
    next_life = max(part.next_life_years, LEAST_LIFE_YEARS)
    while bought[-1] + lives[-1] < horizon * (1.0 - 1e-9):
        bought.append(bought[-1] + lives[-1])
        lives.append(next_life)
    at = np.array(bought)
    paid = price * (1.0 + rate) ** -at
    left = (at[-1] + lives[-1] - horizon) / lives[-1] if lives[-1] > 0.0 else 0.0
    taken_back = price * left * (1.0 + rate) ** -horizon
    now = float(paid[0])
    if part.owned:
        now = 0.0
        taken_back = 0.0 if len(bought) == 1 else taken_back
    later = float(paid[1:].sum())
    per_year = (now + later - taken_back) / annuity_factor(rate, horizon)
    return PartCost(part.name, now, later, float(taken_back), len(bought) - 1, per_year)


@dataclass(frozen=True)
class ServiceCost:
    """What a design costs a year.

    Attributes
    ----------
    parts : of those that are counted.
    fuel_per_year, hookup_per_year : running costs [money/year].
    per_year : all together [money/year].
    per_kwh : the same by the energy the bank delivers at its terminals; None: it delivers none.
    price_now : to be paid on the first day [money].
    """

    parts: tuple[PartCost, ...]
    fuel_per_year: float
    hookup_per_year: float
    per_year: float
    per_kwh: float | None
    price_now: float

    @property
    def bank_replacements(self) -> int:
        """Banks bought after the first within the horizon."""
        return self.parts[0].replacements if self.parts and self.parts[0].name == "bank" else 0


def service_cost(
    parts: Sequence[Part], terms: Terms, *, litres_per_year: float, hookup_nights_per_year: float, kwh_per_year: float
) -> ServiceCost:
    """Add up what a year of service costs.

    Parameters
    ----------
    parts : those to be counted; all of them need a price.
    terms : Terms
    litres_per_year : fuel of the generator [L/year].
    hookup_nights_per_year : nights on a paid hookup; 0 where they are the same in all designs and have no price.
    kwh_per_year : delivered at the bank's terminals [kWh/year], on average over the weather years; the cost of a
        kilowatt-hour is the one sum over the other, so that years weigh by their energy.

    Raises
    ------
    InputError
        Naming every price that is missing.
    """
    costs = []
    mistakes: list[str] = []
    for part in parts:
        try:
            costs.append(part_cost(part, terms))
        except InputError as error:
            mistakes += error.mistakes
    if litres_per_year > 0.0 and terms.fuel_price_per_l is None:
        mistakes.append("fuel of the generator: expected its price, got none. Write fuel_price_per_l in [costs].")
    if hookup_nights_per_year > 0.0 and terms.hookup_price_per_night is None:
        mistakes.append("nights on a hookup: expected their price, got none. Write hookup_price_per_night in [costs].")
    if mistakes:
        raise InputError(mistakes)
    fuel = litres_per_year * (terms.fuel_price_per_l or 0.0)
    hookup = hookup_nights_per_year * (terms.hookup_price_per_night or 0.0)
    per_year = sum(cost.per_year for cost in costs) + fuel + hookup
    return ServiceCost(
        parts=tuple(costs),
        fuel_per_year=fuel,
        hookup_per_year=hookup,
        per_year=per_year,
        per_kwh=per_year / kwh_per_year if kwh_per_year > 0.0 else None,
        price_now=sum(cost.now for cost in costs),
    )


def left_out(designs: Sequence[Iterable[Part]]) -> set[Hashable]:
    """Find parts without a price that every design has alike: without them the designs compare just as well."""
    unpriced = [{part.same_as for part in parts if part.price is None and part.same_as is not None} for parts in designs]
    return set.intersection(*unpriced) if unpriced else set()
