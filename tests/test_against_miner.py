"""Damage sums against Miner's rule.

Source: M. A. Miner (1945), "Cumulative damage in fatigue", J. Appl. Mech. 12(3), A159-A164: damage is the sum of n / N, and
life ends at 1. The instances are worked by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from simulator.battery.cycles import Cycles, count_cycles
from simulator.battery.wear import DepthCurve, depth_damage, miner_damage
from tests.outside_checks import apart, reached


def test_two_sizes():
    # 200 / 1000 + 900 / 3000 = 0.2 + 0.3
    assert miner_damage([200, 900], [1000, 3000]) == pytest.approx(0.5, rel=1e-15)


def test_life_ends_after_the_cycles_of_the_curve():
    curve = DepthCurve((0.3, 0.5, 0.8), (1300.0, 600.0, 350.0))
    for depth, count in zip(curve.depth_frac, curve.cycles_to_end, strict=True):
        days = np.tile([1.0, 1.0 - depth], int(count))
        assert depth_damage(count_cycles(np.append(days, 1.0)), curve) == pytest.approx(1.0, rel=1e-12)
        reached(
            "Damage of a bank at the end of its cycles",
            "Miner (1945), by hand",
            "1e-12",
            apart(depth_damage(count_cycles(np.append(days, 1.0)), curve), 1.0),
        )


def test_order_does_not_matter():
    curve = DepthCurve((0.1, 1.0), (5000.0, 300.0))
    deep_first = [1.0, 0.2] * 10 + [1.0, 0.6] * 20 + [1.0]
    deep_last = [1.0, 0.6] * 20 + [1.0, 0.2] * 10 + [1.0]
    first, last = (depth_damage(count_cycles(soc), curve) for soc in (deep_first, deep_last))
    assert first == pytest.approx(last, rel=1e-12)
    assert first == pytest.approx(10 / float(curve.cycles_at(0.8)) + 20 / float(curve.cycles_at(0.4)), rel=1e-12)


def test_half_cycles_do_half_the_damage():
    curve = DepthCurve((0.5,), (600.0,))
    cycle = np.array([0.5])
    place = np.array([0])
    whole, half = (depth_damage(Cycles(cycle, cycle, np.array([count]), place, place), curve) for count in (1.0, 0.5))
    assert (whole, half) == (pytest.approx(1 / 600), pytest.approx(1 / 1200))
