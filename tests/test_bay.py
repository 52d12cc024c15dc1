"""Units in a bay: packings known by hand, bounds, and a search that tries every place."""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.studies.bay import fit_bay, units_in_layer

UNIT_M = (0.33, 0.172, 0.215)


@pytest.mark.parametrize(
    ("room", "piece", "count"),
    [
        ((10, 10), (5, 2), 10),  # a grid fills it
        ((5, 5), (3, 2), 4),  # the pinwheel: four about a hole of 1 x 1, no straight cut parts them
        ((22, 16), (5, 3), 23),  # reaches the bound of the areas, 352 / 15 = 23.5, and no straight cuts do
        ((7, 5), (4, 3), 2),
        ((6, 6), (4, 2), 4),
        ((3, 3), (4, 1), 0),
        ((14, 10), (4, 3), 11),  # 140 / 12 = 11.7
    ],
)
def test_layers_known_by_hand(room, piece, count):
    assert units_in_layer(*room, *piece) == count
    assert units_in_layer(room[1], room[0], piece[1], piece[0]) == count


def every_place(length: int, width: int, one: int, other: int) -> int:
    """Try to lay a piece on the first free cell either way, or to leave that cell free; no cuts, no blocks."""
    full = (1 << (length * width)) - 1

    def mask(x: int, y: int, a: int, b: int) -> int:
        row = ((1 << a) - 1) << x
        return sum(row << (length * (y + down)) for down in range(b))

    @cache
    def most(taken: int) -> int:
        if taken == full:
            return 0
        cell = (~taken & full & -(~taken & full)).bit_length() - 1
        x, y = cell % length, cell // length
        best = most(taken | 1 << cell)
        for a, b in {(one, other), (other, one)}:
            if x + a <= length and y + b <= width and not taken & mask(x, y, a, b):
                best = max(best, 1 + most(taken | mask(x, y, a, b)))
        return best

    return most(0)


@settings(max_examples=60)
@given(length=st.integers(2, 7), width=st.integers(2, 6), one=st.integers(1, 4), other=st.integers(1, 3))
def test_no_place_is_missed(length, width, one, other):
    assert units_in_layer(length, width, one, other) == every_place(length, width, one, other)


@given(
    length=st.floats(0.1, 1.2),
    width=st.floats(0.1, 0.8),
    height=st.floats(0.1, 0.7),
    more=st.floats(0.0, 0.3),
    side=st.integers(0, 2),
)
@settings(max_examples=40)
def test_a_larger_bay_takes_no_fewer_and_never_more_than_its_volume(length, width, height, more, side):
    bay = [length, width, height]
    small = fit_bay(UNIT_M, (length, width, height), upright=False)
    bay[side] += more
    large = fit_bay(UNIT_M, (bay[0], bay[1], bay[2]), upright=False)
    assert small.units <= large.units
    assert small.units <= small.bound
    assert sum(layer.height_m for layer in small.layers) <= height + 1e-9
    assert sum(layer.units for layer in small.layers) == small.units


def test_a_unit_that_may_lie_fits_where_one_that_stands_does_not():
    low = (0.70, 0.50, 0.18)
    assert fit_bay(UNIT_M, low, upright=True).units == 0
    lying = fit_bay(UNIT_M, low, upright=False)
    assert lying.units == 4
    assert {layer.up for layer in lying.layers} == {"width"}


def test_layers_of_different_ways_up_lie_on_each_other():
    found = fit_bay((0.4, 0.2, 0.1), (0.4, 0.2, 0.3), upright=False)
    # By hand: three flat ones; or two on edge (0.2 high) and one flat: three as well, and the volume holds no more.
    assert found.units == 3 == found.bound
    assert found.stacked
    assert fit_bay((0.4, 0.2, 0.1), (0.2, 0.1, 0.5), upright=False).units == 1


def test_sides_that_fit_to_the_millimetre_fit():
    assert fit_bay((0.1, 0.1, 0.1), (0.3, 0.1, 0.1), upright=True).units == 3
    assert fit_bay((0.1, 0.1, 0.1), (0.2999, 0.1, 0.1), upright=True).units == 2
    assert fit_bay((0.1001, 0.1, 0.1), (0.3, 0.1, 0.1), upright=True).units == 2


def test_a_bay_in_centimetres_is_a_slip():
    with pytest.raises(InputError, match="Sides are in metres"):
        fit_bay(UNIT_M, (33.0, 40.0, 21.5), upright=True)
