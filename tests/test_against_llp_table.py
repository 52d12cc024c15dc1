"""Loss of load over thousands of drawn years, against a table reckoned without this program.

Daily clearness runs through a matrix of the Markov library (R. Aguiar, M. Collares-Pereira, J. P. Conde 1988, Solar Energy
40(3), 269-279), evenly spread inside a state; the array brings C_A times the load on average and in the same hours; the
store is lossless and holds C_S days of load. LLP is the share of the energy that is not served, beside it the share of days
with any shortfall. The table was computed apart as a plain sum of day balances, 20 million days a cell, to a standard error
of 1e-4 at most.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from simulator import battery
from simulator.battery import kernel as k
from tests.outside_checks import reached

LIBRARY = json.loads((Path(__file__).parent / "reference" / "markov_library.json").read_text(encoding="utf-8"))
# matrix: C_A: C_S: (LLP, share of days with a shortfall)
TABLE = {
    4: {
        1.0: {1: (0.0747, 0.219), 2: (0.0492, 0.144), 3: (0.0367, 0.107), 5: (0.0243, 0.071), 8: (0.0161, 0.047)},
        1.1: {1: (0.0467, 0.139), 2: (0.0219, 0.0648), 3: (0.0113, 0.0334), 5: (0.00336, 0.0099), 8: (0.00059, 0.0017)},
        1.2: {1: (0.0310, 0.0937), 2: (0.0108, 0.0324), 3: (0.0040, 0.0120), 5: (0.00057, 0.0017)},
        1.5: {1: (0.0119, 0.0394), 2: (0.00225, 0.0074), 3: (0.00043, 0.0014)},
    },
    8: {
        1.0: {1: (0.0262, 0.114), 2: (0.0158, 0.0689), 3: (0.0113, 0.0493), 5: (0.0072, 0.0314), 8: (0.0047, 0.0204)},
        1.1: {1: (0.0086, 0.0341), 2: (0.0019, 0.0077), 3: (0.00045, 0.0018)},
        1.2: {1: (0.0045, 0.0169), 2: (0.00064, 0.0025)},
    },
}
CELLS = [(matrix, share, days) for matrix, rows in TABLE.items() for share, cells in rows.items() for days in cells]
ROWS, DAYS, RUN_IN = 500, 1200, 300
HOURS_A_DAY = 2
"""The loop counts days by the number it is given, and short days make long runs cheap."""
LOAD_WH = 1200.0
TABLE_ERROR = 1e-4


@lru_cache(maxsize=2)
def relative_sun(matrix: int) -> np.ndarray:
    """(lanes, days): light of each day over its long mean."""
    chance = np.random.default_rng([11, matrix])
    step = np.array(LIBRARY["matrices_thousandths"][matrix - 1], dtype=float)
    step /= step.sum(axis=1, keepdims=True)
    low, high = LIBRARY["kt_min"][matrix - 1], LIBRARY["kt_max"][matrix - 1]
    power = np.linalg.matrix_power(step, 2000)[0]
    edges = np.cumsum(step, axis=1)
    state = chance.choice(10, size=ROWS, p=power / power.sum())
    found = np.empty((ROWS, DAYS))
    for day in range(DAYS):
        found[:, day] = state
        state = np.minimum((chance.random(ROWS)[:, None] >= edges[state]).sum(axis=1), 9)
    kt = low + (high - low) * (found + chance.random((ROWS, DAYS))) / 10.0
    mean = low + (high - low) * (power / power.sum() @ np.arange(10) + 0.5) / 10.0
    assert mean == pytest.approx(LIBRARY["stationary_kt_mean"][matrix - 1], abs=6e-4)
    return kt / mean


@pytest.mark.parametrize(("matrix", "array_share", "store_days"), CELLS)
def test_loss_of_load(matrix, array_share, store_days, make_bank):
    hours = DAYS * HOURS_A_DAY
    hourly_wh = LOAD_WH / HOURS_A_DAY
    sun = np.repeat(array_share * hourly_wh * relative_sun(matrix), HOURS_A_DAY, axis=1)
    histories = k.Histories(
        sun_w=np.ascontiguousarray(np.repeat(sun[:, :, None], 3, axis=2)),
        bay_c=np.full((1, hours, 2), 25.0),
        load_w=np.full((1, hours, k.LEVELS, 4), hourly_wh) * np.array([1.0, 0.0, 1.0, 0.0]),
        peak_h=np.zeros((1, hours)),
        source_a=np.zeros((1, hours, 5)),
        day=np.arange(hours, dtype=np.int64) // HOURS_A_DAY,
    )
    bank = make_bank("tank", unit_ah=store_days * LOAD_WH / 12.0)
    one = battery.pack_lane(bank)
    lanes = battery.stack_lanes([one | {"sun_row": row} for row in range(ROWS)])
    curve, capacity = battery.pack_curve(bank)
    start = np.random.default_rng([12, matrix]).random(ROWS)
    walked = battery.walk(lanes, histories, curve[None], capacity[None], battery.start_state(lanes, start, np.full(ROWS, 25.0)))
    missed = walked.days[:, RUN_IN:, k.DAY_MISSED_WH] / LOAD_WH
    for daily, expected in zip((missed, missed > 1e-9), TABLE[matrix][array_share][store_days], strict=True):
        lane_means = daily.mean(axis=1)
        error = np.hypot(lane_means.std(ddof=1) / np.sqrt(ROWS), TABLE_ERROR)
        rounding = 0.5 * 10.0 ** -len(str(expected).split(".")[1])
        assert error < 0.05 * expected + 1.5 * TABLE_ERROR
        assert abs(lane_means.mean() - expected) < 4.0 * error + rounding
        reached(
            "Loss of load over thousands of years",
            "plain day balances of 20 million days a cell",
            "4 standard errors",
            abs(lane_means.mean() - expected) / (error + rounding / 4.0),
        )
