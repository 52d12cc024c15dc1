"""Geometry and tilted light against the worked examples of Duffie & Beckman.

J. A. Duffie, W. A. Beckman, Solar Engineering of Thermal Processes, 4th ed., Wiley 2013 (numbers of examples as there;
2.19.1 is 2.20.1 in the 5th ed. of 2020, with N. Blair). Azimuths in the book count from south to west; ours from north.
"""

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.solar import Sky, SunPosition, hourly_plane_light, hourly_sky, hourly_sun_position
from tests.outside_checks import apart, reached

MJ_PER_WH = 0.0036
MADISON_DEG = 43.0
# Table 1.6.1: the mean day of every month, by its number in the year.
MEAN_DAYS = (17, 47, 75, 105, 135, 162, 198, 228, 258, 288, 318, 344)
STEP_MIN = 1


def book_sun(day_of_year, hour_angle_deg, latitude_deg):
    """The book's own sky: Cooper's declination (1.6.1a), zenith (1.6.5) and azimuth (1.6.6); our azimuth, (hours,)."""
    declination = np.radians(23.45 * np.sin(np.radians(360.0 * (284 + day_of_year) / 365.0)))
    angle, latitude = np.radians(np.atleast_1d(np.asarray(hour_angle_deg, float))), np.radians(latitude_deg)
    cos_zenith = np.cos(latitude) * np.cos(declination) * np.cos(angle) + np.sin(latitude) * np.sin(declination)
    zenith = np.arccos(np.clip(cos_zenith, -1.0, 1.0))
    cos_azimuth = (cos_zenith * np.sin(latitude) - np.sin(declination)) / (np.sin(zenith) * np.cos(latitude))
    azimuth = np.sign(angle) * np.arccos(np.clip(cos_azimuth, -1.0, 1.0))
    return SunPosition(np.degrees(zenith), 180.0 + np.degrees(azimuth))


def real_day(day_of_year):
    """The midnight of 2023 from which the real sun has the declination of Cooper's formula, which runs up to 4 days off."""
    near = day_of_year + np.arange(-6, 7)
    by_book = np.radians(23.45 * np.sin(np.radians(360.0 * (284 + day_of_year) / 365.0)))
    best = near[np.argmin(np.abs(pvlib.solarposition.declination_spencer71(near) - by_book))]
    return pd.Timestamp("2023-01-01", tz="UTC") + pd.Timedelta(days=int(best) - 1)


def our_sun(day_of_year, solar_hours, latitude_deg):
    """Our sun at solar times on the meridian of Greenwich, on the real day; labels stand half an hour before."""
    day = real_day(day_of_year)
    equation_min = pvlib.solarposition.equation_of_time_spencer71(day.day_of_year)
    moments = day + pd.to_timedelta(60.0 * np.atleast_1d(solar_hours) - 30.0 - equation_min, unit="min")
    return hourly_sun_position(moments, latitude_deg, 0.0, 0.0)


def sky_of(sun, ghi, dni, dhi, dni_extra=1367.0, albedo=0.2):
    """A sky without temperature or wind, which the plane does not ask for."""
    fill = np.ones_like(sun.zenith_deg)
    return Sky(sun.zenith_deg, sun.azimuth_deg, ghi * fill, dni * fill, dhi * fill, dni_extra * fill, fill, fill, albedo * fill)


def beam_ratio(sun, tilt_deg, azimuth_deg=180.0):
    """R_b: beam on the plane over beam on the ground, from our plane."""
    sky = sky_of(sun, ghi=np.cos(np.radians(sun.zenith_deg)), dni=1.0, dhi=0.0)
    return (hourly_plane_light(sky, tilt_deg, azimuth_deg, model="isotropic").beam_w_m2 / sky.ghi)[0]


@pytest.mark.parametrize(
    ("example", "day", "solar_hour", "zenith_deg", "azimuth_deg"),
    [
        ("1.6.2a", 44, 9.5, 66.5, 180.0 - 40.0),
        ("1.6.2b", 182, 18.5, 79.6, 180.0 + 112.0),
        ("1.6.3", 75, 16.0, 70.3, 180.0 + 66.8),
    ],
)
def test_place_of_the_sun(example, day, solar_hour, zenith_deg, azimuth_deg):
    sun = our_sun(day, solar_hour, MADISON_DEG)
    # Half a day's change of declination, and refraction, which the book leaves out.
    assert sun.zenith_deg[0] == pytest.approx(zenith_deg, abs=0.4), example
    reached(
        "Height of the sun in worked examples",
        "Duffie & Beckman, 1.6.2 and 1.6.3",
        "0.4 deg",
        apart(sun.zenith_deg[0], zenith_deg),
    )
    assert sun.azimuth_deg[0] == pytest.approx(azimuth_deg, abs=0.4), example


def test_angle_of_incidence_1_6_1():
    sun = book_sun(44, -22.5, MADISON_DEG)
    plane = hourly_plane_light(sky_of(sun, 500.0, 500.0, 100.0), 45.0, 180.0 + 15.0)
    assert plane.aoi_deg[0] == pytest.approx(35.0, abs=0.25)


@pytest.mark.parametrize(
    ("example", "day", "hour_angle_deg", "latitude_deg", "tilt_deg", "azimuth_deg", "ratio"),
    [
        ("1.8.1", 44, -22.5, 43.0, 45.0, 195.0, 1.66),
        ("1.8.2", 47, -37.5, 40.0, 30.0, 180.0, 1.61),
        ("2.15.1", 51, -37.5, 40.0, 60.0, 180.0, 1.71),
    ],
)
def test_ratio_of_tilted_beam(example, day, hour_angle_deg, latitude_deg, tilt_deg, azimuth_deg, ratio):
    sun = book_sun(day, hour_angle_deg, latitude_deg)
    assert beam_ratio(sun, tilt_deg, azimuth_deg) == pytest.approx(ratio, abs=0.011), example
    reached(
        "Beam on a tilted plane",
        "Duffie & Beckman, 1.8.1, 1.8.2, 2.15.1",
        "0.011, the printed digits",
        apart(beam_ratio(sun, tilt_deg, azimuth_deg), ratio),
    )


def hour_of_2_15_1():
    """20 February, 40 N, 9 to 10 h: I 1.04, I_b 0.244, I_d 0.796, I_0 2.34 MJ/m2, snow of 0.60 around."""
    sun = book_sun(51, -37.5, 40.0)
    horizontal = np.cos(np.radians(sun.zenith_deg[0]))
    beam, diffuse, extra = (value / MJ_PER_WH for value in (0.244, 0.796, 2.34))
    return sky_of(sun, beam + diffuse, beam / horizontal, diffuse, dni_extra=extra / horizontal, albedo=0.60)


def test_isotropic_sky_2_15_1():
    plane = hourly_plane_light(hour_of_2_15_1(), 60.0, 180.0, model="isotropic")
    assert plane.aoi_deg[0] == pytest.approx(36.97, abs=0.1)
    assert plane.total_w_m2[0] * MJ_PER_WH == pytest.approx(1.17, abs=0.006)


def test_hay_davies_sky_2_16_1():
    """The book's HDKR sky is Hay-Davies' with a brighter horizon: f sin^3(tilt / 2) more of the isotropic part (2.16.5-7)."""
    plane = hourly_plane_light(hour_of_2_15_1(), 60.0, 180.0)
    horizon = np.sqrt(0.244 / 1.04) * np.sin(np.radians(30.0)) ** 3
    hdkr = plane.total_w_m2[0] + horizon * plane.sky_w_m2[0]
    # 1.28 from memory, high; re-computed as 1.283.
    assert hdkr * MJ_PER_WH == pytest.approx(1.28, abs=0.006)
    # Between the isotropic sky of 2.15.1 (1.17) and the Perez sky of 2.16.2 (diffuse .787, together 1.36).
    assert 1.17 < plane.total_w_m2[0] * MJ_PER_WH < 1.36


# Example 2.19.1, Madison, tilt 60 S, isotropic sky: MJ/m2 a day beyond the atmosphere, on the ground, on the plane.
BEYOND = (13.37, 18.81, 26.03, 33.78, 39.42, 41.78, 40.56, 35.92, 28.80, 20.90, 14.62, 11.91)
GROUND = (6.44, 9.89, 12.86, 16.05, 21.36, 23.04, 22.58, 20.33, 14.59, 10.48, 6.37, 5.74)
PLANE = (13.7, 17.2, 15.8, 14.7, 16.6, 16.5, 16.8, 17.5, 15.6, 15.2, 11.4, 12.7)
ALBEDO = (0.7, 0.7, 0.4, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2, 0.4)


def monthly_diffuse_frac(clearness, sunset_deg):
    """D. G. Erbs, S. A. Klein, J. A. Duffie (1982), Solar Energy 28(4), 293-302, as (2.12.1) in the book."""
    if sunset_deg <= 81.4:
        return 1.391 - 3.560 * clearness + 4.189 * clearness**2 - 2.137 * clearness**3
    return 1.311 - 3.022 * clearness + 3.427 * clearness**2 - 1.821 * clearness**3


def plane_of_a_mean_day(month, sun):
    """One mean day on the tilted plane [MJ/m2], its light spread over the day as the sun's height beyond the atmosphere."""
    height = np.maximum(np.cos(np.radians(sun.zenith_deg)), 0.0)
    declination = 23.45 * np.sin(np.radians(360.0 * (284 + MEAN_DAYS[month]) / 365.0))
    sunset_deg = np.degrees(np.arccos(-np.tan(np.radians(MADISON_DEG)) * np.tan(np.radians(declination))))
    diffuse = monthly_diffuse_frac(GROUND[month] / BEYOND[month], sunset_deg) * GROUND[month]
    share = height / height.sum() / MJ_PER_WH
    beam_normal = np.where(height > 0.0, (GROUND[month] - diffuse) / height.sum() / MJ_PER_WH, 0.0)
    sky = sky_of(sun, GROUND[month] * share, beam_normal, diffuse * share, albedo=ALBEDO[month])
    return hourly_plane_light(sky, 60.0, 180.0, model="isotropic").total_w_m2.sum() * MJ_PER_WH


@pytest.mark.parametrize("month", range(12))
def test_twelve_months_of_madison_2_19_1(month):
    solar_hours = np.arange(STEP_MIN / 2.0, 1440.0, STEP_MIN) / 60.0
    by_book = plane_of_a_mean_day(month, book_sun(MEAN_DAYS[month], 15.0 * (solar_hours - 12.0), MADISON_DEG))
    assert by_book == pytest.approx(PLANE[month], abs=0.06)
    by_our_sun = plane_of_a_mean_day(month, our_sun(MEAN_DAYS[month], solar_hours, MADISON_DEG))
    assert by_our_sun == pytest.approx(PLANE[month], rel=0.012)
    reached(
        "Light on a steep plane, twelve months", "Duffie & Beckman, 2.19.1", "1.2 %", apart(by_our_sun, PLANE[month], rel=True)
    )


# Table 1.10.1: a day beyond the atmosphere on the mean days, MJ/m2.
TABLE_1_10_1 = {
    45: (12.2, 17.4, 25.1, 33.2, 39.2, 41.7, 40.4, 35.3, 27.8, 19.6, 13.3, 10.7),
    30: (21.3, 25.7, 31.5, 36.8, 40.0, 41.1, 40.4, 37.8, 33.2, 27.4, 22.2, 19.9),
    15: (29.6, 32.6, 35.9, 38.0, 38.5, 38.4, 38.3, 38.0, 36.4, 33.4, 30.1, 28.5),
    0: (36.2, 37.4, 37.8, 36.7, 34.8, 33.5, 34.0, 35.7, 37.2, 37.3, 36.3, 35.7),
    -10: (39.5, 39.3, 37.7, 34.5, 31.1, 29.2, 29.9, 32.9, 36.3, 38.5, 39.3, 39.4),
    -45: (42.8, 37.1, 28.6, 19.6, 12.9, 10.0, 11.3, 16.6, 24.9, 34.0, 41.2, 44.5),
}


@pytest.mark.parametrize("latitude_deg", TABLE_1_10_1)
def test_days_beyond_the_atmosphere(latitude_deg):
    for day, expected in zip(MEAN_DAYS, TABLE_1_10_1[latitude_deg], strict=True):
        utc = pd.date_range(real_day(day), periods=1440 // STEP_MIN, freq=f"{STEP_MIN}min")
        sun = hourly_sun_position(utc, float(latitude_deg), 0.0, 0.0)
        nothing = dict.fromkeys(("ghi", "dni", "dhi", "temp_air", "wind_speed"), np.zeros(len(utc)))
        beyond = hourly_sky(utc, sun, nothing).dni_extra * np.maximum(np.sin(np.radians(sun.elevation_deg)), 0.0)
        # The table is up to 0.33 from the book's own formulas; half a day's change of declination is worth 0.25.
        assert beyond.sum() * STEP_MIN / 60.0 * MJ_PER_WH == pytest.approx(expected, abs=0.6), day
        reached(
            "Light of a day beyond the atmosphere",
            "Duffie & Beckman, table 1.10.1",
            "0.6 MJ/m2",
            apart(beyond.sum() * STEP_MIN / 60.0 * MJ_PER_WH, expected),
        )
