"""Air around the bank."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.cabin import hourly_bay_c, hourly_cabin_c
from simulator.scenario.parts import Vehicle

HOUR = np.array([3.0, 12.0])
AIR_C = np.array([-10.0, -5.0])
SUN = np.array([0.0, 800.0])


def test_heated_cabin_follows_day_and_night_and_never_cools():
    vehicle = Vehicle(cabin_awake_c=20.0, cabin_asleep_c=16.0)
    assert hourly_cabin_c(vehicle, AIR_C, SUN, HOUR) == pytest.approx([16.0, 20.0])
    assert hourly_cabin_c(vehicle, np.array([30.0, 30.0]), SUN, HOUR) == pytest.approx([33.0, 37.0])


def test_unheated_cabin_is_a_little_warmer_than_the_air_and_more_so_in_sun():
    vehicle = Vehicle(cabin_heated=False)
    assert hourly_cabin_c(vehicle, AIR_C, SUN, HOUR) == pytest.approx([-7.0, 2.0])


def test_places_are_ordered_from_cold_to_warm_at_night():
    vehicle = Vehicle()
    outside, heated, inside = (hourly_bay_c(place, vehicle, AIR_C, SUN, HOUR)[0] for place in ("outside", "heated", "inside"))
    assert outside == -10.0
    assert outside < heated < inside
    assert heated == pytest.approx(0.6 * 16.0 - 0.4 * 10.0)
