"""The sun's place against the reference case of the solar position algorithm, and against that algorithm all year.

I. Reda, A. Andreas (2004), Solar position algorithm for solar radiation applications, Solar Energy 76(5), 577-589,
doi:10.1016/j.solener.2003.12.003, and NREL/TP-560-34302, table A5.1.
"""

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.solar import hourly_plane_light, hourly_sky, hourly_sun_position
from tests.outside_checks import reached

# Table A5.1: 17 October 2003, 12:30:30 at UTC-7, 39.742476 N, 105.1786 W, 1830.14 m, 820 hPa, 11 C, delta T 67 s.
REFERENCE_UTC = pd.DatetimeIndex(["2003-10-17 19:30:30"], tz="UTC")
LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M = 39.742476, -105.1786, 1830.14
ZENITH_DEG, AZIMUTH_DEG, INCIDENCE_DEG = 50.11162, 194.34024, 25.18700
# A slope of 30 deg, turned 10 deg east of south (the paper counts its azimuth rotation, -10, from south to west).
SLOPE_DEG, SLOPE_AZIMUTH_DEG = 30.0, 170.0

OURS_DEG = 0.011
"""What our quick algorithm may be off by; the sun itself is half a degree wide."""


def spa(utc, latitude_deg, longitude_deg, elevation_m, pressure_hpa, temp_c):
    """Zenith with refraction and azimuth [deg] by the paper's algorithm, as pvlib has it."""
    seconds = utc.as_unit("ns").asi8 / 1e9
    found = pvlib.spa.solar_position(seconds, latitude_deg, longitude_deg, elevation_m, pressure_hpa, temp_c, 67.0, 0.5667)
    return found[0], found[4]


def apart_deg(zenith_deg, azimuth_deg, other_zenith_deg, other_azimuth_deg):
    """Angle between two places in the sky [deg]; an azimuth's error says little when the sun is overhead."""

    def direction(zenith, azimuth):
        zenith, azimuth = np.radians(zenith), np.radians(azimuth)
        return np.stack([np.sin(zenith) * np.sin(azimuth), np.sin(zenith) * np.cos(azimuth), np.cos(zenith)])

    chord = np.linalg.norm(direction(zenith_deg, azimuth_deg) - direction(other_zenith_deg, other_azimuth_deg), axis=0)
    return np.degrees(2.0 * np.arcsin(chord / 2.0))


def reference_sun():
    """Our sun at the reference moment: half an hour after the label of its hour."""
    return hourly_sun_position(REFERENCE_UTC - pd.Timedelta(minutes=30), LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M)


def test_the_witness_meets_the_reference_case():
    zenith, azimuth = spa(REFERENCE_UTC, LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M, 820.0, 11.0)
    assert zenith[0] == pytest.approx(ZENITH_DEG, abs=1e-4)
    assert azimuth[0] == pytest.approx(AZIMUTH_DEG, abs=1e-4)


def test_ours_meets_the_reference_case_in_the_middle_of_the_hour():
    sun = reference_sun()
    assert apart_deg(sun.zenith_deg[0], sun.azimuth_deg[0], ZENITH_DEG, AZIMUTH_DEG) < OURS_DEG
    reached(
        "Place of the sun, reference case",
        "Reda & Andreas (2004), table A5.1",
        "0.011 deg",
        apart_deg(sun.zenith_deg[0], sun.azimuth_deg[0], ZENITH_DEG, AZIMUTH_DEG),
    )


def test_incidence_of_the_reference_case():
    sun = reference_sun()
    weather = {"ghi": 600.0, "dni": 800.0, "dhi": 90.0, "temp_air": 11.0, "wind_speed": 1.0}
    sky = hourly_sky(REFERENCE_UTC, sun, {name: np.array([value]) for name, value in weather.items()})
    assert hourly_plane_light(sky, SLOPE_DEG, SLOPE_AZIMUTH_DEG).aoi_deg[0] == pytest.approx(INCIDENCE_DEG, abs=OURS_DEG)


def test_a_route_all_year_against_the_algorithm_itself():
    utc = pd.date_range("2024-01-01", "2025-01-01", freq="7h", tz="UTC", inclusive="left")
    # From the far north over the equator and the date line to the far south, in one call.
    latitude, longitude = np.linspace(69.0, -54.0, len(utc)), np.linspace(20.0, 290.0, len(utc))
    longitude = (longitude + 180.0) % 360.0 - 180.0
    sun = hourly_sun_position(utc, latitude, longitude, 0.0)
    zenith, azimuth = spa(utc + pd.Timedelta(minutes=30), latitude, longitude, 0.0, 1013.25, 12.0)
    # At the horizon the two differ in refraction alone, by up to half a degree below it; above 1 deg of height none does.
    high = zenith < 89.0
    assert high.sum() > 500
    assert apart_deg(sun.zenith_deg, sun.azimuth_deg, zenith, azimuth)[high].max() < OURS_DEG
    reached(
        "Place of the sun, a year and a half turn of the earth",
        "algorithm of Reda & Andreas (2004)",
        "0.011 deg",
        apart_deg(sun.zenith_deg, sun.azimuth_deg, zenith, azimuth)[high].max(),
    )
    assert np.array_equal(sun.elevation_deg > 2.0, 90.0 - zenith > 2.0)
