"""Fade of lithium iron phosphate against figures computed from the published laws.

Source: M. Naumann, M. Schimpe, P. Keil, H. C. Hesse, A. Jossen (2018), J. Energy Storage 17, 153-169 (calendar);
M. Naumann, F. B. Spingler, A. Jossen (2020), J. Power Sources 451, 227666 (cycling). Years here have 365 days.
"""

from __future__ import annotations

import numpy as np
import pytest

from simulator.battery.fade import NaumannState, naumann_calendar_k, naumann_cycle_k, naumann_loss
from tests.outside_checks import apart, reached
from tests.steady import steady_use

YEAR_H = 8760.0


@pytest.mark.parametrize(
    ("soc", "cell_c", "years", "loss_pct"),
    [(0.5, 25, 1, 4.2516), (0.5, 25, 10, 13.4447), (1, 25, 1, 6.7731), (0.5, 10, 10, 9.3239), (0, 25, 1, 1.7300)],
)
def test_loss_on_the_shelf(soc, cell_c, years, loss_pct):
    assert 100 * NaumannState().after_time(soc, cell_c, years * YEAR_H).calendar_loss_frac == pytest.approx(loss_pct, abs=5e-5)
    reached(
        "LFP loss on the shelf",
        "Naumann et al. (2018)",
        "5e-5 % of capacity",
        apart(100 * NaumannState().after_time(soc, cell_c, years * YEAR_H).calendar_loss_frac, loss_pct),
    )


@pytest.mark.parametrize(
    ("rate_per_h", "depth_frac", "cycles", "loss_pct"),
    [(0.2, 0.4, 1000, 3.6775), (0.2, 0.8, 1000, 3.9009), (0.5, 1, 3000, 9.5084), (0.1, 0.2, 1000, 2.7292)],
)
def test_loss_by_cycling(rate_per_h, depth_frac, cycles, loss_pct):
    assert 100 * NaumannState().after_cycles(depth_frac, cycles, rate_per_h).cycle_loss_frac == pytest.approx(loss_pct, abs=5e-5)
    reached(
        "LFP loss by cycling",
        "Naumann et al. (2020)",
        "5e-5 % of capacity",
        apart(100 * NaumannState().after_cycles(depth_frac, cycles, rate_per_h).cycle_loss_frac, loss_pct),
    )


@pytest.mark.parametrize(
    ("rate_per_h", "depth_frac", "cycles"), [(0.2, 0.8, 26286), (0.2, 1, 18240), (0.5, 0.8, 19127), (1, 1, 8564)]
)
def test_full_cycles_to_a_fifth_lost_by_cycling_alone(rate_per_h, depth_frac, cycles):
    assert (0.2 / naumann_cycle_k(depth_frac, rate_per_h)) ** 2 == pytest.approx(cycles, abs=0.5)


@pytest.mark.parametrize(("cell_c", "ratio"), [(0, 0.5313), (35, 1.2513), (45, 1.5439)])
def test_pace_on_the_shelf_against_25_c(cell_c, ratio):
    assert naumann_calendar_k(0.5, cell_c) / naumann_calendar_k(0.5, 25) == pytest.approx(ratio, abs=5e-5)


def test_cold_half_and_hot_half_in_either_order():
    cold_first = NaumannState().after_time(0.5, 10, YEAR_H / 2).after_time(0.5, 40, YEAR_H / 2)
    hot_first = NaumannState().after_time(0.5, 40, YEAR_H / 2).after_time(0.5, 10, YEAR_H / 2)
    assert 100 * cold_first.calendar_loss_frac == pytest.approx(4.6761, abs=5e-5)
    assert hot_first.calendar_loss_frac == pytest.approx(cold_first.calendar_loss_frac, rel=1e-14)


def test_a_daily_cycle_of_80_pct_lasts_ten_years_with_time_and_far_longer_without():
    """At C/10, half charge and 25 C: a fifth is lost after 10.3 years or 3,760 days of cycling."""
    use = steady_use(0.5, 25.0, 0.8, 0.8 * 365.25, 0.1)
    years = np.linspace(0, 20, 20001)
    shelf, cycling = naumann_loss(use, years)
    life_years = float(np.interp(0.2, shelf + cycling, years))
    assert life_years == pytest.approx(10.3, abs=0.05)
    assert life_years * 365.25 == pytest.approx(3760, abs=10)


def test_resistance_grows_by_a_fiftieth_a_year_and_by_cycling():
    # 3.4194e-10 / s x 1.5604 x 365 days; (0.0021 - 0.0020 x 0.5) x 0.91882 % x 1000 full cycles of half depth.
    assert NaumannState().after_time(0.5, 25, YEAR_H).resistance_gain_frac == pytest.approx(0.0168266, rel=1e-4)
    assert NaumannState().after_cycles(0.5, 1000, 0.5).resistance_gain_frac == pytest.approx(0.0101070, rel=1e-4)


def test_a_sample_without_a_length_is_an_hour():
    """A year of them at half charge and 25 C loses 4.2516 %, as above."""
    assert 100 * NaumannState().after_time(np.full(8760, 0.5), 25.0).calendar_loss_frac == pytest.approx(4.2516, abs=5e-5)


@pytest.mark.parametrize(
    ("depth_frac", "shape_pct"),
    [(0.0, 0.0628575), (0.1, 0.4805672), (0.4, 0.9119723), (0.9, 1.3570728), (1.0, 1.7747825)],
)
def test_resistance_grows_by_cycling_with_the_cube_of_the_depth(depth_frac, shape_pct):
    """By hand: (0.0021 - 0.0020 x 0.2) x (6.8477 x (depth - 0.5)^3 + 0.91882) %, times 1000 full cycles at C/5."""
    gain = NaumannState().after_cycles(depth_frac, 1000, 0.2).resistance_gain_frac
    assert gain == pytest.approx(0.0017 * shape_pct / 100 * 1000, rel=1e-6)
