"""Rainflow counting against an independent implementation, exactly.

Source: the Python package rainflow 3.2 (P. Janiszewski), which implements ASTM E1049-85, section 5.4.4.
"""

from __future__ import annotations

import numpy as np
import pytest
import rainflow as package

from simulator.battery.cycles import rainflow
from tests.outside_checks import reached


def _series(seed: int) -> np.ndarray:
    """One random series out of four kinds: noise, a walk, steps with many plateaus and ties, a bank's days."""
    draw = np.random.default_rng(seed)
    size = int(draw.integers(3, 150))
    kind = seed % 4
    if kind == 0:
        return draw.normal(size=size)
    if kind == 1:
        return draw.normal(size=size).cumsum()
    if kind == 2:
        return draw.integers(0, 5, size).astype(float)
    hour = np.arange(size)
    return np.clip(0.7 + 0.4 * np.sin(hour * 2 * np.pi / 24) + 0.1 * draw.normal(size=size), 0.0, 1.0)


@pytest.mark.parametrize("block", range(10))
def test_a_thousand_random_series_agree_exactly(block):
    for seed in range(100 * block, 100 * block + 100):
        series = _series(seed)
        if np.ptp(series) == 0:
            continue  # the package gives half a cycle of range nought, which is none
        ours = rainflow(series)
        found = list(zip(*(column.tolist() for column in (ours.size, ours.mean, ours.count, ours.first, ours.last)), strict=True))
        assert found == list(package.extract_cycles(series.tolist())), f"seed {seed}"
    reached("Rainflow: a thousand random series", "package rainflow 3.2 (Janiszewski)", "identical", 0.0)
