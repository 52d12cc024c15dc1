"""Depth curve, years to the end, heat, and weeks without a full charge."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.battery.cycles import count_cycles
from simulator.battery.wear import (
    PARTIAL_WEIGHT_HELD_H,
    DepthCurve,
    depth_damage,
    hourly_heat_factor,
    hourly_partial_charge_weight,
    years_to_end,
)
from simulator.errors import InputError

CURVE = DepthCurve((0.3, 0.5, 0.8, 1.0), (1300.0, 600.0, 350.0, 250.0))


def test_curve_goes_through_its_points_and_is_straight_in_logarithms_between():
    assert CURVE.cycles_at(CURVE.depth_frac) == pytest.approx(CURVE.cycles_to_end)
    assert CURVE.cycles_at(np.sqrt(0.3 * 0.5)) == pytest.approx(np.sqrt(1300 * 600))


def test_outside_its_points_the_curve_holds_the_charge_that_can_be_moved():
    assert CURVE.cycles_at([0.1, 0.01]) == pytest.approx([3 * 1300, 30 * 1300])
    assert DepthCurve((0.5,), (600.0,)).cycles_at(1.0) == pytest.approx(300)


@given(st.floats(1e-6, 1), st.floats(1e-6, 1))
def test_deeper_never_lasts_longer(one, other):
    assert (CURVE.cycles_at(min(one, other)) >= CURVE.cycles_at(max(one, other)) * (1 - 1e-12)).all()


def test_many_ripples_wear_by_what_they_move_and_not_by_their_number():
    ripples = depth_damage(count_cycles(np.append(np.tile([0.9, 0.899], 1000), 0.9)), CURVE)
    assert ripples == pytest.approx(1000 * 0.001 / (0.3 * 1300), rel=1e-9)


@pytest.mark.parametrize(
    ("depths", "cycles", "sentences"),
    [
        ((), (), ["at least one"]),
        ((0.5, 0.8), (600.0,), ["1 for 2"]),
        ((0.0, 0.5), (900.0, 600.0), ["got 0:"]),
        ((50.0,), (600.0,), ["got 50: write 0.5"]),
        ((0.8, 0.5), (350.0, 300.0), ["got 0.5 after 0.8"]),
        ((0.5, 0.8), (350.0, 600.0), ["got 600 after 350"]),
        ((0.5,), (float("nan"),), ["got nan"]),
        ((0.5,), (0.0,), ["positive number of cycles, got 0:"]),
        ((0.5,), (float("inf"),), ["got inf"]),
        ((0.5, 0.5), (600.0, 500.0), ["got 0.5 after 0.5"]),
        (
            (float("nan"), 2.0),
            (-1.0, 5.0),
            ["depth above 0 and up to 1, got nan", "got 2", "got -1", "rising depths", "fewer cycles"],
        ),
    ],
)
def test_every_contradiction_of_a_curve_is_told_at_once(depths, cycles, sentences):
    with pytest.raises(InputError) as told:
        DepthCurve(depths, cycles)
    assert len(told.value.mistakes) == len(sentences)
    for sentence in sentences:
        assert sentence in str(told.value)


def test_a_curve_may_be_level():
    assert DepthCurve((0.5, 0.8), (500.0, 500.0)).cycles_at(0.6) == pytest.approx(500.0)


def test_a_bank_for_a_single_deep_cycle_has_a_curve_too():
    assert DepthCurve((0.5, 1.0), (1.0, 0.5)).cycles_at([0.5, 1.0]) == pytest.approx([1.0, 0.5])


def test_the_shorter_life_ends_the_bank():
    assert years_to_end(0.2, 12.0) == (5.0, "cycles")
    assert years_to_end(0.05, 12.0) == (12.0, "calendar")
    assert years_to_end(0.0, 12.0) == (12.0, "calendar")
    assert years_to_end(0.1, 12.0) == (10.0, "cycles")
    assert years_to_end(0.25, 4.0) == (4.0, "calendar"), "a tie is the calendar's"
    assert years_to_end(0.5, 0.75) == (0.75, "calendar")
    for damage, calendar in ((-1.0, 10.0), (float("nan"), 10.0), (0.1, 0.0)):
        with pytest.raises(ValueError, match="expected"):
            years_to_end(damage, calendar)


def test_ten_kelvin_double_the_pace_and_cold_gives_no_credit():
    assert hourly_heat_factor([-20.0, 25.0, 35.0, 45.0]).tolist() == [1.0, 1.0, 2.0, 4.0]


def test_beyond_the_boiling_of_water_the_pace_grows_no_further():
    """Seven and a half times ten kelvin above 25 C: 2 ^ 7.5."""
    assert hourly_heat_factor([95.0, 100.0, 120.0, 400.0]) == pytest.approx([2.0**7, 2.0**7.5, 2.0**7.5, 2.0**7.5])


def test_weight_of_a_week_at_half_charge():
    """By hand: 1 + (6.614e-5 + 3.307e-3 x 0.5) x 168 at the ten-hour current; sqrt(10) times the surplus at a tenth of it."""
    week = np.full(169, 0.5)
    week[0] = 1.0
    assert hourly_partial_charge_weight(week, 0.98, 0.1)[-1] == pytest.approx(1 + 0.28890, abs=1e-5)
    assert hourly_partial_charge_weight(week, 0.98, 0.01)[-1] == pytest.approx(1 + np.sqrt(10) * 0.28890, abs=1e-4)


def test_weight_remembers_the_lowest_charge_until_the_next_full_one():
    soc = np.array([0.9, 0.2, 0.9, 1.0, 0.9, 0.8])
    weight = hourly_partial_charge_weight(soc, 0.98, 0.1)
    surplus = [1 * (1 - 0.9), 2 * (1 - 0.2), 3 * (1 - 0.2), 0, 1 * (1 - 0.9), 2 * (1 - 0.8)]
    hours = [1, 2, 3, 0, 1, 2]
    assert weight == pytest.approx(
        [1 + 6.614e-5 * hour + 3.307e-3 * low for hour, low in zip(hours, surplus, strict=True)], abs=1e-12
    )


def test_rounding_does_not_keep_a_full_bank_from_counting_as_full():
    """A hair below the full charge is full, a little below is not."""
    week = np.full(3, 0.9)
    assert hourly_partial_charge_weight(np.append(week, 0.98 - 1e-12), 0.98, 0.1)[-1] == 1.0
    assert hourly_partial_charge_weight(np.append(week, 0.98 - 1e-6), 0.98, 0.1)[-1] > 1.0


@pytest.mark.parametrize(("rate_per_h", "ratio"), [(0.001, 0.1), (0.04, 0.4), (0.5, 5.0), (3.0, 10.0)])
def test_weight_goes_with_the_root_of_the_current_within_the_measured_range(rate_per_h, ratio):
    """Currents below a tenth and above ten times the ten-hour one are held there."""
    weight = hourly_partial_charge_weight([1.0, 0.5], 0.98, rate_per_h)[-1]
    assert weight - 1.0 == pytest.approx((6.614e-5 + 3.307e-3 * 0.5) / np.sqrt(ratio), rel=1e-9)


def test_weight_is_held_after_thirty_days():
    weight = hourly_partial_charge_weight(np.full(3000, 0.5), 0.98, 0.1)
    assert weight[int(PARTIAL_WEIGHT_HELD_H) - 1] == weight[-1] == weight.max()
    assert (np.diff(weight[: int(PARTIAL_WEIGHT_HELD_H)]) > 0).all()
    assert weight[-1] == pytest.approx(1.0 + (6.614e-5 + 3.307e-3 * 0.5) * 720.0)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=60), st.floats(0, 2))
def test_weight_never_helps_and_a_full_hour_weighs_nothing(soc, rate_per_h):
    weight = hourly_partial_charge_weight(soc, 0.98, rate_per_h)
    assert (weight >= 1).all()
    assert (weight[np.asarray(soc) >= 0.98] == 1).all()
