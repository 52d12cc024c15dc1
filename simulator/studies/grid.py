"""The grid of designs that a sizing walks: every combination of what may be varied, with its parts and what it exceeds."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Any

from simulator.errors import InputError
from simulator.scenario.parts import Scenario, SizeWish
from simulator.studies import changes
from simulator.studies.parts_list import PartsList, parts_list

MOST_DESIGNS = 50_000
Change = Callable[[Scenario, Any], Scenario]
SAME = 1e-9
"""Sums of prices and masses that differ by less are the same."""


@dataclass(frozen=True)
class Axis:
    """One thing that is varied, and its values in order."""

    name: str
    """Key of ``[size]``; of panels with the name of the array: ``panels roof``."""
    values: tuple[Any, ...]
    change: Change


@dataclass(frozen=True)
class Limit:
    """What a design may cost, weigh or fill."""

    figure: str
    """Field of the parts list."""
    most: float
    said: str
    """Where it stands: ``max_price`` or ``[vehicle] budget``."""


@dataclass(frozen=True, eq=False)
class Design:
    """One point of the grid."""

    number: int
    """From 0, in the order of price."""
    place: tuple[int, ...]
    """Position on every axis."""
    choice: Mapping[str, Any]
    """Value on every axis."""
    scenario: Scenario
    """As it is walked: at the end-of-life capacity."""
    fresh: Scenario
    """As it is bought."""
    parts: PartsList
    over: tuple[str, ...]
    """Limits that it exceeds, as said."""


@dataclass(frozen=True, eq=False)
class Grid:
    """Designs in the order of price (then mass, then place)."""

    axes: tuple[Axis, ...]
    limits: tuple[Limit, ...]
    designs: tuple[Design, ...]
    notes: tuple[str, ...]
    mass_missing: tuple[str, ...]
    """Keys without which the lightest design cannot be told."""


def _panels_at(position: int, large_enough: bool) -> Change:
    return lambda design, value: changes.with_panels(design, position, value, large_enough=large_enough)


def axes_of(scenario: Scenario, wish: SizeWish) -> tuple[Axis, ...]:
    """What is varied, in the order in which the changes are made.

    Raises
    ------
    InputError
        Nothing is varied.
    """
    units = {name: dict(keys) for name, keys in wish.units}
    axes: list[Axis] = []
    if wish.chemistry:
        axes.append(
            Axis("chemistry", wish.chemistry, lambda design, value: changes.with_chemistry(design, value, units.get(value)))
        )
    # From the last array to the first, since an array without panels is left out.
    for position, counts in sorted(wish.panels, reverse=True):
        name = f"panels {scenario.arrays[position].name}"
        axes.append(Axis(name, counts, _panels_at(position, wish.controllers == "large enough")))
    if wish.in_series:
        axes.append(Axis("in_series", wish.in_series, changes.with_series))
    if wish.bus_v:
        axes.append(Axis("bus_v", wish.bus_v, changes.with_bus))
    if wish.in_parallel:
        axes.append(Axis("in_parallel", wish.in_parallel, changes.with_parallel))
    if wish.tilt_deg:
        axes.append(Axis("tilt_deg", wish.tilt_deg, changes.with_tilt))
    if wish.generator:
        axes.append(
            Axis(
                "generator",
                wish.generator,
                lambda design, value: design if value else changes.with_generator(design, None),
            )
        )
    if not axes:
        raise InputError(
            "size: expected something to vary, got nothing. Write [size] with in_parallel = [1, 6], or give --in-parallel 1-6; "
            "also in_series or bus_v, chemistry, panels, tilt_deg, generator."
        )
    return tuple(axes)


def limits_of(scenario: Scenario, wish: SizeWish) -> tuple[Limit, ...]:
    """Limits as asked for; else those of the vehicle."""
    vehicle = scenario.vehicle
    found = (
        ("price", wish.max_price, "max_price", vehicle.budget, "[vehicle] budget"),
        ("mass_kg", wish.max_kg, "max_kg", vehicle.payload_margin_kg, "[vehicle] payload_margin_kg"),
        ("volume_l", wish.max_volume_l, "max_volume_l", None, ""),
        ("roof_m2", wish.max_roof_m2, "max_roof_m2", vehicle.roof_m2, "[vehicle] roof_m2"),
    )
    limits = []
    for figure, asked, asked_said, usual, usual_said in found:
        if asked is not None:
            limits.append(Limit(figure, asked, asked_said))
        elif usual is not None:
            limits.append(Limit(figure, usual, usual_said))
    return tuple(limits)


def _built(scenario: Scenario, axes: tuple[Axis, ...]) -> tuple[list[tuple[tuple[int, ...], Scenario]], list[str]]:
    """Every combination that can be built, and why others cannot; what one shares with the one before is not made again."""
    mistakes: dict[str, None] = {}
    unfit: dict[str, None] = {}
    level: list[tuple[tuple[int, ...], Scenario]] = [((), scenario)]
    for axis in axes:
        wider = []
        for (place, design), (position, value) in product(level, enumerate(axis.values)):
            try:
                wider.append(((*place, position), axis.change(design, value)))
            except changes.CannotBuildError as error:
                unfit |= dict.fromkeys(error.mistakes)
            except InputError as error:
                mistakes |= dict.fromkeys(error.mistakes)
        if mistakes:
            raise InputError(mistakes)
        level = wider
    fit = []
    for place, design in level:
        low = [array for array in design.arrays if not changes.charges_bus(array, design.bank)]
        unfit |= dict.fromkeys(
            f'array {array.number} "{array.name}": its {array.in_series * array.panel.v_oc:.0f} V (v_oc) cannot charge a bank of '
            f"{design.vehicle.bus_v} V; put more panels in series there"
            for array in low
        )
        if not low:
            fit.append((place, design))
    if not fit:
        raise InputError(unfit)
    return fit, [f"Left out, as nobody could wire it: {each}." for each in unfit]


def build_grid(scenario: Scenario, wish: SizeWish, soh: float) -> Grid:
    """Every design, its parts, and what it exceeds.

    Parameters
    ----------
    scenario : that the changes are made to.
    wish : what is varied, and limits.
    soh : share of the rated capacity that the walked banks have left.

    Raises
    ------
    InputError
        Nothing is varied, too much is, a change cannot be made, a price or mass that a ranking or limit needs is missing, or
        no design is within the limits; all of one kind at once.
    """
    axes = axes_of(scenario, wish)
    count = math.prod(len(axis.values) for axis in axes)
    if count > MOST_DESIGNS:
        raise InputError(f"size: expected at most {MOST_DESIGNS:,} designs, got {count:,}. Narrow the ranges.")
    built, notes = _built(scenario, axes)
    parts = [parts_list(design, scenario) for _, design in built]
    limits = limits_of(scenario, wish)
    told = _missing(axes, parts)
    mistakes = [
        f"size: expected {key}, which the ranking by price needs, got none. Write it; any currency will do."
        for key in told["price"]
    ]
    for limit in limits:
        lacking = dict.fromkeys(key for each in parts for key in each.missing[limit.figure])
        if limit.figure != "price" and lacking and limit.said.startswith("max_"):
            mistakes += [f"size: expected {key}, which the limit {limit.said} needs, got none" for key in lacking]
        elif lacking:
            notes.append(f"{limit.said} is held against what is known: {', '.join(lacking)} is not stated.")
    if mistakes:
        raise InputError(mistakes)
    fixed = dict.fromkeys(key for each in parts for key in each.missing["price"])
    if fixed:
        notes.append(f"Not in the prices, but the same in every design: {', '.join(fixed)}.")
    order = sorted(range(len(built)), key=lambda at: (round(parts[at].price, 6), round(parts[at].mass_kg, 6), built[at][0]))
    designs = []
    for number, at in enumerate(order):
        place, design = built[at]
        designs.append(
            Design(
                number=number,
                place=place,
                choice={axis.name: axis.values[position] for axis, position in zip(axes, place, strict=True)},
                scenario=changes.with_soh(design, soh),
                fresh=design,
                parts=parts[at],
                over=tuple(limit.said for limit in limits if getattr(parts[at], limit.figure) > limit.most + SAME),
            )
        )
    _refuse_if_none_fits(designs, limits)
    return Grid(axes, limits, tuple(designs), tuple(dict.fromkeys(notes)), tuple(told["mass_kg"]))


def _missing(axes: tuple[Axis, ...], parts: list[PartsList]) -> dict[str, list[str]]:
    """Keys that are missing of parts that are varied, by figure."""
    varied = {axis.name for axis in axes}
    bank = bool(varied & {"in_parallel", "in_series", "bus_v", "chemistry"})
    arrays = {name.removeprefix("panels ") for name in varied if name.startswith("panels ")}

    def matters(key: str) -> bool:
        if key.startswith("[bank]"):
            return bank
        if key.startswith("[generator]"):
            return "generator" in varied
        return any(f'"{name}", panel.' in key for name in arrays)

    return {
        figure: [key for key in dict.fromkeys(key for each in parts for key in each.missing[figure]) if matters(key)]
        for figure in ("price", "mass_kg")
    }


def _refuse_if_none_fits(designs: list[Design], limits: tuple[Limit, ...]) -> None:
    """Raise when no design is within the limits, naming what would be the least."""
    if any(not design.over for design in designs):
        return
    alone = [
        f"{limit.said}: expected at least {_least(designs, limit):,.4g}, that of the smallest design of the grid, "
        f"got {limit.most:,.4g}"
        for limit in limits
        if all(limit.said in design.over for design in designs)
    ]
    raise InputError(
        alone
        or f"size: expected a design within {' and '.join(limit.said for limit in limits)} at once, got none in the grid. "
        "Loosen one, or add smaller designs."
    )


def _least(designs: list[Design], limit: Limit) -> float:
    return min(float(getattr(design.parts, limit.figure)) for design in designs)
