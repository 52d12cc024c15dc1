"""Rainflow counting, cycles of a state of charge, full cycles and their depths."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.battery.cycles import (
    DEPTH_EDGES_FRAC,
    count_cycles,
    counted_cycles,
    depth_histogram,
    full_cycles,
    rainflow,
    turning_points,
)

series = st.lists(st.integers(0, 20).map(lambda step: step / 20), max_size=80)


def test_turning_points_are_the_last_samples_of_plateaus():
    assert turning_points([1, 1, 3, 3, 3, 2, 2, 4]).tolist() == [0, 4, 6, 7]


@pytest.mark.parametrize("quiet", [[], [0.4], [0.4, 0.4], [0.7] * 50])
def test_a_series_that_never_moves_has_no_cycle(quiet):
    cycles = count_cycles(quiet)
    assert cycles.count.size == 0
    assert counted_cycles(cycles) == 0
    assert depth_histogram(cycles).sum() == 0


def test_two_samples_are_half_a_cycle():
    cycles = count_cycles([1.0, 0.25])
    assert (cycles.depth_frac.tolist(), cycles.mean_soc.tolist(), cycles.count.tolist()) == ([0.75], [0.625], [0.5])


def test_a_day_down_and_up_is_one_cycle_wherever_the_ripple():
    cycles = count_cycles([1.0, 0.7, 0.8, 0.3, 1.0])
    found = sorted(zip(cycles.depth_frac.round(12).tolist(), cycles.count.tolist(), strict=True))
    assert found == [(0.1, 1.0), (0.7, 0.5), (0.7, 0.5)]
    ripple = int(np.argmin(cycles.depth_frac))
    assert (cycles.first_hour[ripple], cycles.last_hour[ripple]) == (1, 2)
    assert counted_cycles(cycles) == 2
    assert counted_cycles(cycles, least_depth_frac=0.5) == 1
    assert counted_cycles(cycles, least_depth_frac=float(cycles.depth_frac.max())) == 1, "the bound itself counts"


def test_rounding_noise_of_a_resting_bank_is_no_cycle():
    assert count_cycles(np.tile([0.95, 0.95 - 1e-15], 100)).count.size == 0


@pytest.mark.parametrize(
    "wrong", [[0.5, float("nan"), 0.4], [0.5, float("inf")], [[0.1, 0.2], [0.3, 0.4]], [0.5, 1.5], [-0.2, 0.3]]
)
def test_what_is_no_state_of_charge_is_refused(wrong):
    with pytest.raises(ValueError, match="expected"):
        count_cycles(wrong)


@given(series)
def test_ranges_times_counts_are_half_the_way_travelled(soc):
    """Identity of the method: however it is counted, the full cycles are the same."""
    way = np.abs(np.diff(soc)).sum()
    assert count_cycles(soc).full_cycles.sum() == pytest.approx(way / 2, abs=1e-9)


@given(series)
def test_counting_does_not_care_about_plateaus_mirror_or_direction_of_charge(soc):
    plain = count_cycles(soc)
    drawn_out = count_cycles(np.repeat(soc, 3))
    upside_down = count_cycles(1.0 - np.asarray(soc, dtype=float))
    assert drawn_out.depth_frac.tolist() == plain.depth_frac.tolist()
    assert drawn_out.count.tolist() == plain.count.tolist()
    assert upside_down.count.tolist() == plain.count.tolist()
    assert upside_down.depth_frac == pytest.approx(plain.depth_frac, abs=1e-12)


@given(series)
def test_the_deepest_cycle_spans_the_series_and_the_ends_are_where_they_say(soc):
    cycles = count_cycles(soc)
    if cycles.count.size:
        assert cycles.depth_frac.max() == max(soc) - min(soc)
        values = np.asarray(soc)
        assert np.abs(values[cycles.first_hour] - values[cycles.last_hour]).tolist() == cycles.depth_frac.tolist()


@given(series)
def test_no_cycle_is_lost_in_the_histogram(soc):
    cycles = count_cycles(soc)
    assert depth_histogram(cycles).sum() == pytest.approx(counted_cycles(cycles))
    assert depth_histogram(cycles, (0.3, 0.4)).sum() == pytest.approx(counted_cycles(cycles))


def test_histogram_puts_an_edge_into_the_bin_above_and_full_depth_into_the_last():
    cycles = count_cycles([1.0, 0.0, 0.3 - 0.1, 0.0, 1.0])
    histogram = depth_histogram(cycles)
    assert len(histogram) == len(DEPTH_EDGES_FRAC) - 1
    assert np.flatnonzero(histogram).tolist() == [2, 9]
    assert (histogram[2], histogram[9]) == (1.0, 1.0)


@pytest.mark.parametrize("tenth", range(10))
def test_every_tenth_of_depth_has_a_bin_of_its_own(tenth):
    """A daily swing of 0.05, 0.15 ... 0.95; the shallowest belong into the first bin."""
    depth = 0.05 + tenth / 10
    histogram = depth_histogram(count_cycles([1.0, 1.0 - depth, 1.0]))
    assert histogram.tolist() == [float(place == tenth) for place in range(10)]


def test_a_hair_below_an_edge_counts_as_the_edge_and_more_does_not():
    swings = count_cycles([1.0, 0.5 + 5e-10, 1.0]), count_cycles([1.0, 0.5 + 1e-8, 1.0])
    assert [int(np.argmax(depth_histogram(cycles))) for cycles in swings] == [5, 4]


def test_a_state_of_charge_may_leave_its_bounds_by_rounding_only():
    assert count_cycles([1.0 + 5e-7, -5e-7]).count.tolist() == [0.5]
    for wrong in ([1.0 + 2e-6, 0.5], [0.5, -2e-6]):
        with pytest.raises(ValueError, match="from 0 to 1"):
            count_cycles(wrong)


@pytest.mark.parametrize("edges", [(0.5,), (0.0, 0.0, 1.0), (1.0, 0.0)])
def test_edges_that_do_not_rise_are_refused(edges):
    with pytest.raises(ValueError, match="rising"):
        depth_histogram(count_cycles([0.1, 0.9]), edges)


def test_full_cycles_are_the_charge_drawn_over_the_rated_charge():
    assert full_cycles([50.0, 0.0, 150.0], 400.0) == 0.5
    assert full_cycles(800.0, 400.0) == 2.0
    assert full_cycles(0.25, 0.5) == 0.5
    wrong = ([-1.0], 100.0), ([-1.0, 5.0], 100.0), ([float("nan")], 100.0), ([float("nan"), 1.0], 100.0), ([1.0], 0.0)
    for drawn, rated in wrong:
        with pytest.raises(ValueError, match="expected"):
            full_cycles(drawn, rated)


def test_rainflow_keeps_the_unit_of_the_series():
    ranges = rainflow([-200.0, 100.0, -200.0])
    assert ranges.size.tolist() == [300.0, 300.0]
    assert ranges.mean.tolist() == [-50.0, -50.0]
