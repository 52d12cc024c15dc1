"""What a year does by itself, before any weather: its months, the sun beyond the atmosphere, and smooth seasons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from simulator.units import FULL_TURN_DEG, HOURS_PER_DAY, MINUTES_PER_HOUR, WH_PER_KWH

Floats = NDArray[np.float64]

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
)  # fmt: skip
MONTH_DAYS: Final = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
DAYS: Final = int(MONTH_DAYS.sum())

SOLAR_CONSTANT_W_M2: Final = 1366.1
"""ASTM E490-00a; the value that the hourly reckoning takes too."""


def extraterrestrial_w_m2(day_of_year: ArrayLike) -> Floats:
    """Light on a plane facing the sun beyond the atmosphere [W/m2], from the day of the year (1..366); same shape.

    Notes
    -----
    The distance of the sun is J. W. Spencer's (1971), Search 2(5), 172.
    """
    angle = 2.0 * np.pi * (np.asarray(day_of_year, dtype=np.float64) - 1.0) / DAYS
    near = (
        1.00011
        + 0.034221 * np.cos(angle)
        + 0.00128 * np.sin(angle)
        + 0.000719 * np.cos(2.0 * angle)
        + 0.000077 * np.sin(2.0 * angle)
    )
    return np.asarray(SOLAR_CONSTANT_W_M2 * near, dtype=np.float64)


def extraterrestrial_kwh_m2_day(latitude_deg: float) -> Floats:
    """Mean daily light on a level plane beyond the atmosphere [kWh/m2]; (12,).

    Notes
    -----
    J. A. Duffie, W. A. Beckman, Solar Engineering of Thermal Processes, 4th ed. 2013, equation 1.10.3, over all days of the
    month; declination and distance of the sun are J. W. Spencer's (1971), Search 2(5), 172.
    """
    angle = 2.0 * np.pi * np.arange(DAYS) / DAYS
    cos, sin = np.cos, np.sin
    declination = (
        0.006918 - 0.399912 * cos(angle) + 0.070257 * sin(angle) - 0.006758 * cos(2.0 * angle) + 0.000907 * sin(2.0 * angle)
    )
    declination += -0.002697 * cos(3.0 * angle) + 0.00148 * sin(3.0 * angle)
    latitude = math.radians(min(max(latitude_deg, -89.999), 89.999))
    sunset = np.arccos(np.clip(-math.tan(latitude) * np.tan(declination), -1.0, 1.0))
    up = math.cos(latitude) * np.cos(declination) * np.sin(sunset) + sunset * math.sin(latitude) * np.sin(declination)
    daily = HOURS_PER_DAY / np.pi * extraterrestrial_w_m2(np.arange(DAYS) + 1.0) * up / WH_PER_KWH
    return np.asarray(np.add.reduceat(daily, np.cumsum(MONTH_DAYS) - MONTH_DAYS) / MONTH_DAYS, dtype=np.float64)


def month_position(moment: pd.DatetimeIndex) -> Floats:
    """Months since the start of the year, 0..12, of moments on whatever clock they are on (0.5 is mid-January); (moments,)."""
    in_day = (moment.hour + moment.minute / MINUTES_PER_HOUR) / HOURS_PER_DAY
    return np.asarray(moment.month - 1 + (moment.day - 1 + in_day) / moment.days_in_month, dtype=np.float64)


def seasonal_knots(monthly: Sequence[float]) -> Floats:
    """Mid-month values (12,) between which straight lines have the given monthly means.

    A step at the turn of the month would be a jump in the weather; lines through the means themselves would flatten the year.
    """
    means = np.eye(12) * 0.75 + (np.roll(np.eye(12), 1, axis=1) + np.roll(np.eye(12), -1, axis=1)) * 0.125
    return np.asarray(np.linalg.solve(means, np.asarray(monthly, dtype=np.float64)), dtype=np.float64)


def seasonal_values(knots: Floats, month_position: Floats) -> Floats:
    """Lines between mid-month ``knots`` at months since the start of the year, 0..12 (0.5 is mid-January); same shape."""
    around = np.concatenate((knots[-1:], knots, knots[:1]))
    return np.asarray(np.interp(month_position, np.arange(14) - 0.5, around), dtype=np.float64)


def hourly_solar_time(utc: pd.DatetimeIndex, longitude_deg: ArrayLike) -> Floats:
    """Hour by the sun in the middle of each hour, 12 when it stands highest, 0..24; (hours,).

    Notes
    -----
    Equation of time by Spencer (1971), Search 2(5), 172; good to half a minute.
    """
    angle = 2.0 * np.pi * (np.asarray(utc.day_of_year, dtype=np.float64) - 1.0) / DAYS
    wave = (
        0.0000075
        + 0.001868 * np.cos(angle)
        - 0.032077 * np.sin(angle)
        - 0.014615 * np.cos(2.0 * angle)
        - 0.040849 * np.sin(2.0 * angle)
    )
    mid_hour = np.asarray(utc.hour + utc.minute / MINUTES_PER_HOUR, dtype=np.float64) + 0.5
    ahead_h = (np.asarray(longitude_deg, dtype=np.float64) + np.degrees(wave)) * HOURS_PER_DAY / FULL_TURN_DEG
    return np.asarray((mid_hour + ahead_h) % HOURS_PER_DAY, dtype=np.float64)
