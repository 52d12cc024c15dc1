"""How many units of a bank fit a bay: exact for units in layers, each layer cut by straight lines or laid round a pinwheel.

All units of one layer stand or lie the same way up, so a layer is as high as one side of a unit; within it each unit may be
turned by a right angle. Layers of different ways up may lie on each other. Everything is counted in whole millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Final

from simulator.errors import InputError

MM: Final = 1000.0
ROUNDING_MM: Final = 1e-6
MOST_UNITS: Final = 400
"""In one layer; a bay that takes more is a slip of the pen."""
PINWHEEL_UNITS: Final = 24
"""Up to so many units in a layer, pinwheels are tried too; beyond, the straight cuts are near enough the area's bound."""

Sides = tuple[float, float, float]


@dataclass(frozen=True)
class Layer:
    """Units of one way up, side by side."""

    up: str
    """Which side of the unit points up: ``height`` (it stands), ``width`` or ``length`` (it lies)."""
    height_m: float
    units: int


@dataclass(frozen=True)
class BayFit:
    """How many units a bay takes; ``layers`` from the bottom, empty when it takes none."""

    units: int
    layers: tuple[Layer, ...]
    bound: int
    """No packing can hold more: the bay's volume over the unit's."""

    @property
    def stacked(self) -> bool:
        """Whether units lie upon each other."""
        return len(self.layers) > 1


def _mm(side_m: float, up: bool) -> int:
    """Whole millimetres, the unit rounded up and the bay down; a hair of floating point does not count."""
    value = side_m * MM
    nearest = round(value)
    if abs(value - nearest) <= ROUNDING_MM:
        return int(nearest)
    return int(value) + 1 if up else int(value)


def fit_bay(unit_m: Sides, bay_m: Sides, *, upright: bool) -> BayFit:
    """Count the units that fit.

    Parameters
    ----------
    unit_m : length, width, height of a unit [m].
    bay_m : inside length, width, height of the bay [m]; nothing is kept free for cables, straps and air.
    upright : True: units stand; False: they may also lie on either side.

    Returns
    -------
    BayFit

    Raises
    ------
    InputError
        More than 400 would go into one layer.
    """
    length, width, height = (_mm(side, True) for side in unit_m)
    bay_length, bay_width, bay_height = (_mm(side, False) for side in bay_m)
    ways = {"height": (height, length, width)}
    if not upright:
        ways |= {"width": (width, length, height), "length": (length, width, height)}
    layers = []
    for up, (high, one, other) in ways.items():
        if high > bay_height:
            continue
        if bay_length * bay_width > MOST_UNITS * one * other:
            raise InputError(
                f"bay_m in [vehicle]: expected a bay for at most {MOST_UNITS} units in a layer, got one for more. "
                "Sides are in metres; check bay_m and unit_m."
            )
        count = units_in_layer(bay_length, bay_width, one, other)
        if count:
            layers.append((high, count, up))
    # Which layers upon each other: the most units within the height, of equals the lowest stack.
    best: dict[int, tuple[int, tuple[int, ...]]] = {0: (0, ())}
    for used in sorted(_sums([high for high, _, _ in layers], bay_height)):
        for place, (high, count, _) in enumerate(layers):
            below = best.get(used - high)
            if below is not None and (used not in best or below[0] + count > best[used][0]):
                best[used] = (below[0] + count, (*below[1], place))
    units, chosen = min(best.items(), key=lambda item: (-item[1][0], item[0]))[1]
    volume = bay_length * bay_width * bay_height // (length * width * height)
    return BayFit(units, tuple(Layer(layers[place][2], layers[place][0] / MM, layers[place][1]) for place in chosen), volume)


def _sums(steps: list[int], most: int) -> set[int]:
    """Every sum of the steps, each as often as one likes, from the least step up to ``most``."""
    found: set[int] = set()
    edge = {0}
    while edge:
        edge = {total + step for total in edge for step in steps if total + step <= most} - found
        found |= edge
    return found


def units_in_layer(length: int, width: int, one: int, other: int) -> int:
    """Most rectangles of ``one`` x ``other`` in one of ``length`` x ``width``, each turned as one likes; whole numbers.

    Exact for every packing that straight cuts from edge to edge take apart, and for those of five blocks about a pinwheel,
    again and again; no rectangle larger than what a packing fills is left unused. Bounded above by the areas.
    """
    sides = tuple(sorted({one, other}))
    sums_long = sorted({0, *_sums(list(sides), length)})
    sums_wide = sorted({0, *_sums(list(sides), width)})
    small = length * width <= PINWHEEL_UNITS * one * other

    @cache
    def fill(room: tuple[int, int]) -> int:
        """Most in a room whose longer side comes first."""
        long, short = room
        if short < sides[0] or long < sides[-1]:
            return 0
        bound = long * short // (one * other)
        best = max((long // a) * (short // b) for a, b in ((one, other), (other, one)))
        for axis, (side, cross) in enumerate(((long, short), (short, long))):
            for cut in sums_long if side == long and axis == 0 else sums_wide:
                if best >= bound:
                    return best
                if 0 < cut <= side // 2:
                    best = max(best, fill(_room(cut, cross)) + fill(_room(side - cut, cross)))
        return best if best >= bound or not small else max(best, pinwheel(long, short, best, bound))

    def pinwheel(long: int, short: int, best: int, bound: int) -> int:
        """Five blocks: four about one in the middle, none of which a straight cut parts."""
        across = [cut for cut in sums_long if 0 < cut < long]
        down = [cut for cut in sorted({*sums_wide, *sums_long}) if 0 < cut < short]
        for x1, x2 in product(across, across):
            if x1 >= x2:
                continue
            for y1, y2 in product(down, down):
                if y1 >= y2:
                    continue
                five = (
                    fill(_room(x1, y2))
                    + fill(_room(long - x1, y1))
                    + fill(_room(x2 - x1, y2 - y1))
                    + fill(_room(x2, short - y2))
                    + fill(_room(long - x2, short - y1))
                )
                best = max(best, five)
                if best >= bound:
                    return best
        return best

    return fill(_room(length, width))


def _room(one: int, other: int) -> tuple[int, int]:
    return (one, other) if one >= other else (other, one)
