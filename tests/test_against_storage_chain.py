"""A store of N units that gains one on a sunny day and loses one on a dull day, walked by the hour loop and its own day counter.

Each day draws one unit; a sunny day (probability p) brings two in the same hours, a dull one nothing. With both ends cut off
the charge is a birth-death chain (W. Feller, An Introduction to Probability Theory and Its Applications I, ch. XV; used for
photovoltaic storage by L. Bucciarelli 1979, Solar Energy 23(3), 205-209, and J. M. Gordon 1987, Solar Cells 20, 295-313):
with r = p / q

    P(empty) = (1 - r) / (1 - r^(N + 1)),   unserved = q P(empty),   spilled = p r^N P(empty),   spilled - unserved = p - q.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from simulator import battery
from simulator.battery import kernel as k
from tests.outside_checks import reached

UNIT_WH = 1200.0
HOURS_A_DAY = 2
"""A day of two hours: the loop counts days by the number it is given, and short days make long runs cheap."""
ROWS = 400
# p, N: P(empty), unserved units a day, spilled units a day; and the days walked by each of ROWS independent lanes.
CHAINS = {
    (0.6, 3): (0.123077, 0.049231, 0.249231, 250),
    (0.6, 5): (0.048120, 0.019248, 0.219248, 250),
    (0.55, 5): (0.095231, 0.042854, 0.142854, 250),
    (0.55, 20): (0.003335, 0.001501, 0.101501, 2000),
}


@dataclass(frozen=True)
class Chain:
    """Days of ``ROWS`` independent lanes: ``(lanes, days)`` each, energies in units."""

    sunny: np.ndarray
    empty: np.ndarray
    flat: np.ndarray
    unserved: np.ndarray
    spilled: np.ndarray
    gained: np.ndarray
    """(lanes,): units stored at the end less at the start."""


def stationary(p: float, units: int) -> np.ndarray:
    """Chance of each state 0..units after a long time."""
    weight = (p / (1.0 - p)) ** np.arange(units + 1)
    return weight / weight.sum()


@pytest.fixture(scope="module", params=list(CHAINS), ids=[f"p={p}, N={units}" for p, units in CHAINS])
def chain(request, make_bank):
    p, units = request.param
    expected = CHAINS[request.param]
    days = expected[3]
    chance = np.random.default_rng([7, units, round(100 * p)])
    sunny = chance.random((ROWS, days)) < p
    hours = days * HOURS_A_DAY
    hourly_wh = UNIT_WH / HOURS_A_DAY
    sun = np.repeat(2.0 * hourly_wh * sunny, HOURS_A_DAY, axis=1)
    histories = k.Histories(
        sun_w=np.ascontiguousarray(np.repeat(sun[:, :, None], 3, axis=2)),
        bay_c=np.full((1, hours, 2), 25.0),
        load_w=np.full((1, hours, k.LEVELS, 4), hourly_wh) * np.array([1.0, 0.0, 1.0, 0.0]),
        peak_h=np.zeros((1, hours)),
        source_a=np.zeros((1, hours, 5)),
        day=np.arange(hours, dtype=np.int64) // HOURS_A_DAY,
    )
    bank = make_bank("tank", unit_ah=units * UNIT_WH / 12.0)
    one = battery.pack_lane(bank)
    lanes = battery.stack_lanes([one | {"sun_row": row} for row in range(ROWS)])
    curve, capacity = battery.pack_curve(bank)
    # Starting in the stationary state leaves no run-in to throw away.
    start = chance.choice(units + 1, size=ROWS, p=stationary(p, units)) / units
    walked = battery.walk(
        lanes, histories, curve[None], capacity[None], battery.start_state(lanes, start, np.full(ROWS, 25.0)), threads=1
    )
    lowest = walked.days[:, :, k.DAY_LOWEST_SOC]
    flat = walked.days[:, :, k.DAY_DARK_H] >= 0.25
    found = Chain(
        sunny=sunny,
        # A day that starts empty: a sunny one has its lowest charge at the start, a dull one goes flat.
        empty=np.where(sunny, lowest < 0.5 / units, flat),
        flat=flat,
        unserved=walked.days[:, :, k.DAY_MISSED_WH] / UNIT_WH,
        spilled=(walked.days[:, :, k.DAY_SUN_OFFERED_WH] - walked.days[:, :, k.DAY_SUN_USED_WH]) / UNIT_WH,
        gained=(walked.state[:, k.SOC] - start) * units,
    )
    return p, units, expected, found


def agrees(daily: np.ndarray, expected: float) -> None:
    """The mean over independent lanes lies within four standard errors, and these are small enough to mean something."""
    lane_means = daily.mean(axis=1)
    error = lane_means.std(ddof=1) / np.sqrt(len(lane_means))
    assert error < 0.1 * expected
    assert abs(lane_means.mean() - expected) < 4.0 * error
    reached(
        "Store that gains or loses a unit a day",
        "birth-death chain (Feller; Bucciarelli 1979; Gordon 1987)",
        "4 standard errors",
        abs(lane_means.mean() - expected) / error,
    )


def test_published_figures_follow_from_the_closed_form():
    for (p, units), (empty, unserved, spilled, _) in CHAINS.items():
        ratio = p / (1.0 - p)
        closed = (1.0 - ratio) / (1.0 - ratio ** (units + 1))
        assert closed == pytest.approx(empty, abs=5e-7)
        assert (1.0 - p) * closed == pytest.approx(unserved, abs=5e-7)
        assert p * ratio**units * closed == pytest.approx(spilled, abs=5e-7)


def test_chance_of_an_empty_store(chain):
    _, _, (empty, _, _, _), found = chain
    agrees(found.empty.astype(float), empty)


def test_flat_days_and_unserved_energy(chain):
    _, _, (_, unserved, _, _), found = chain
    agrees(found.unserved, unserved)
    agrees(found.flat.astype(float), unserved)
    assert (found.flat == (~found.sunny & found.empty)).all()
    assert np.abs(found.unserved[found.flat] - 1.0).max() < 1e-9
    assert (found.unserved[~found.flat] <= 1e-9).all()


def test_spilled_energy(chain):
    _, _, (_, _, spilled, _), found = chain
    agrees(found.spilled, spilled)


def test_spilled_less_unserved_is_the_surplus_on_every_path(chain):
    p, _, _, found = chain
    surplus = np.where(found.sunny, 1.0, -1.0).sum(axis=1)
    assert np.abs(found.spilled.sum(axis=1) - found.unserved.sum(axis=1) + found.gained - surplus).max() < 1e-6
    agrees(found.spilled - found.unserved, 2.0 * p - 1.0)


def test_every_day_moves_a_whole_unit_or_none(chain):
    """Inside the store a day moves the charge by one unit exactly, at the ends by none: the loop is the chain itself."""
    _, _, _, found = chain
    step = np.where(found.sunny, 1.0, -1.0) - found.spilled + found.unserved
    assert np.abs(step - np.rint(step)).max() < 1e-9
    assert (np.rint(step[found.sunny]) >= 0.0).all()
    assert (np.rint(step[~found.sunny]) <= 0.0).all()
    assert (found.spilled[~found.sunny] < 1e-9).all()
