"""The air around the bank, hour by hour: outside, in the cabin, or in a bay warmed by the cabin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from simulator.scenario.parts import Vehicle

FloatArray = npt.NDArray[np.float64]


AWAKE_FROM_H, AWAKE_TO_H = 7.0, 23.0
"""Clock hours in which the cabin is kept at its day temperature (common practice, no source)."""
SUN_ON_BAY_C = 5.0
"""A bay outside runs this much above the air in full sun of 1000 W/m2 (common practice, no source)."""
UNHEATED_NIGHT_C = 3.0
"""An unheated cabin stays this much above the air (common practice, no source)."""
UNHEATED_SUN_C = 5.0
"""And this much more in full sun, 8 K together (common practice, no source)."""
HEATED_BAY_CABIN_SHARE = 0.6
"""A heated bay: this share of the cabin's temperature, the rest of the outdoor air's (common practice, no source)."""
FULL_SUN_W_M2 = 1000.0


def hourly_cabin_c(vehicle: Vehicle, temp_air: FloatArray, ghi: FloatArray, local_hour: FloatArray) -> FloatArray:
    """Cabin air [deg C], ``(hours,)``; heating never cools, so a warm day shows as it is."""
    free = temp_air + UNHEATED_NIGHT_C + UNHEATED_SUN_C * ghi / FULL_SUN_W_M2
    if not vehicle.cabin_heated:
        return free
    awake = (local_hour >= AWAKE_FROM_H) & (local_hour < AWAKE_TO_H)
    return np.maximum(free, np.where(awake, vehicle.cabin_awake_c, vehicle.cabin_asleep_c))


def hourly_unheated_bay_c(
    place: str, vehicle: Vehicle, temp_air: FloatArray, ghi: FloatArray, local_hour: FloatArray
) -> FloatArray:
    """The same as :func:`hourly_bay_c`, if the heating has been out for long; where nothing heats, the same to the bit."""
    return hourly_bay_c(place, replace(vehicle, cabin_heated=False), temp_air, ghi, local_hour)


def hourly_bay_c(place: str, vehicle: Vehicle, temp_air: FloatArray, ghi: FloatArray, local_hour: FloatArray) -> FloatArray:
    """Air around the bank [deg C], ``(hours,)``, for ``place`` = ``outside``, ``inside`` or ``heated``."""
    outside = temp_air + SUN_ON_BAY_C * ghi / FULL_SUN_W_M2
    if place == "outside":
        return outside
    cabin = hourly_cabin_c(vehicle, temp_air, ghi, local_hour)
    if place == "inside":
        return cabin
    return HEATED_BAY_CABIN_SHARE * cabin + (1.0 - HEATED_BAY_CABIN_SHARE) * temp_air
