"""The exact interval of a share, against closed forms and a published instance.

C. J. Clopper, E. S. Pearson (1934), "The use of confidence or fiducial limits illustrated in the case of the binomial",
Biometrika 26(4), 404-413, doi:10.1093/biomet/26.4.404. With all n trials successful the lower limit solves p^n = 2.5 %: p =
0.025^(1/n).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from simulator.studies.odds import clopper_pearson
from tests.outside_checks import apart, reached


def test_twenty_of_twenty_and_seventy_two_of_seventy_two():
    """Twenty years without a flat day say 83 %, not 100 %; 95 % takes seventy-two."""
    low, high = clopper_pearson(20, 20)
    assert low == pytest.approx(0.025 ** (1 / 20), abs=1e-12)
    assert 0.8315 < low < 0.8325
    assert high == 1.0
    assert clopper_pearson(72, 72)[0] == pytest.approx(0.025 ** (1 / 72), abs=1e-12)
    assert clopper_pearson(72, 72)[0] >= 0.95
    assert clopper_pearson(71, 71)[0] < 0.95


@pytest.mark.parametrize(
    ("successes", "trials", "low", "high"),
    [
        # Textbook instances (from memory).
        (4, 20, 0.0573, 0.4366),
        (0, 10, 0.0, 0.3085),
        # R. G. Newcombe (1998), Statistics in Medicine 17(8), 857-872, table I, method 5 (from memory).
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ],
)
def test_published_instances(successes, trials, low, high):
    assert clopper_pearson(successes, trials) == pytest.approx((low, high), abs=5.1e-5)
    reached(
        "Interval of a share",
        "Newcombe (1998) and textbooks (from memory)",
        "5.1e-5, the printed digits",
        apart(clopper_pearson(successes, trials), (low, high)),
    )


@given(st.integers(1, 400).flatmap(lambda trials: st.tuples(st.integers(0, trials), st.just(trials))))
def test_limits_are_where_the_binomial_tails_are_two_and_a_half_percent(case):
    successes, trials = case
    low, high = clopper_pearson(successes, trials)
    assert 0.0 <= low <= successes / trials <= high <= 1.0
    if successes > 0:
        assert binom.sf(successes - 1, trials, low) == pytest.approx(0.025, abs=1e-9)
    if successes < trials:
        assert binom.cdf(successes, trials, high) == pytest.approx(0.025, abs=1e-9)
