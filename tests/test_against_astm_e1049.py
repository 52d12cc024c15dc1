"""Rainflow counting against the worked example of the standard.

Source: ASTM E1049-85, Standard practices for cycle counting in fatigue analysis, section 5.4.4, figure 6.
"""

from __future__ import annotations

import numpy as np

from simulator.battery.cycles import rainflow
from tests.outside_checks import apart, reached

HISTORY = [-2, 1, -3, 5, -1, 3, -4, 4, -2]


def test_cycles_by_range():
    ranges = rainflow(HISTORY)
    sizes, where = np.unique(ranges.size, return_inverse=True)
    assert dict(zip(sizes.tolist(), np.bincount(where, weights=ranges.count).tolist(), strict=True)) == {
        3: 0.5,
        4: 1.5,
        6: 0.5,
        8: 1.0,
        9: 0.5,
    }


def test_each_range_in_the_order_of_the_text():
    ranges = rainflow(HISTORY)
    # AB, BC, EF (the only whole cycle), CD, DG, GH, HI of the standard's figure.
    assert list(zip(ranges.size, ranges.mean, ranges.count, strict=True)) == [
        (3, -0.5, 0.5),
        (4, -1.0, 0.5),
        (4, 1.0, 1.0),
        (8, 1.0, 0.5),
        (9, 0.5, 0.5),
        (8, 0.0, 0.5),
        (6, 1.0, 0.5),
    ]
    assert list(zip(ranges.first, ranges.last, strict=True)) == [(0, 1), (1, 2), (4, 5), (2, 3), (3, 6), (6, 7), (7, 8)]
    reached("Rainflow: worked example", "ASTM E1049-85, figure 6", "identical", apart(ranges.size, [3, 4, 4, 8, 9, 8, 6]))
