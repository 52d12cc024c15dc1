"""Diffuse share of drawn years against a satellite climatology.

Source: NASA POWER climatology 2001-2020 at 48.066 N 7.923 E, 702 m: global and diffuse light on the flat, kWh/m2 a day. The split
that is used, D. G. Erbs, S. A. Klein, J. A. Duffie (1982), Solar Energy 28(4), 293-302, was fitted to five American stations;
taken month by month it lies up to 14 % from this climatology, which is what such a split can be held to.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.solar import hourly_sun_position
from simulator.weather.draws import draw_weather
from simulator.weather.normals import normals_from_written
from tests.outside_checks import apart, reached

GLOBAL = np.array([1.00, 1.76, 3.04, 4.46, 5.21, 5.87, 5.67, 4.83, 3.72, 2.20, 1.15, 0.81])
DIFFUSE = np.array([0.59, 0.94, 1.49, 2.10, 2.58, 2.88, 2.64, 2.26, 1.66, 1.16, 0.68, 0.48])
CLEARNESS = np.array([0.351, 0.401, 0.466, 0.499, 0.484, 0.507, 0.508, 0.501, 0.504, 0.439, 0.359, 0.330])
PUBLISHED_SPREAD = np.interp(CLEARNESS, [0.3, 0.4, 0.5], [0.177, 0.198, 0.193])
"""Of the generalised distribution of daily clearness: K. G. T. Hollands, R. G. Huget (1983), Solar Energy 30(3), 195-209."""
YEARS = 40


def monthly_light(kt_daily_sd=None) -> tuple[np.ndarray, np.ndarray]:
    """Drawn global and diffuse light on the flat [kWh/m2 a day], (12,) each."""
    normals = normals_from_written(
        "hills", 48.066, 7.923, 702.0, sun_kwh_m2_day=GLOBAL.tolist(), temp_mean_c=[9.0] * 12, kt_daily_sd=kt_daily_sd
    )
    utc = pd.date_range("2000-12-31 23:00", periods=8760, freq="h", tz="UTC")
    cos_zenith = np.cos(np.radians(hourly_sun_position(utc, 48.066, 7.923, 702.0).zenith_deg))
    dni_extra = np.asarray(pvlib.irradiance.get_extra_radiation(np.asarray(utc.day_of_year, float)))
    day = np.arange(8760) // 24
    drawn = draw_weather([normals], np.zeros(8760, int), utc, 7.923, cos_zenith, dni_extra, day, YEARS, seed=1)
    month = np.asarray((utc + pd.Timedelta(hours=1)).month)
    days = np.bincount(month, minlength=13)[1:] / 24.0
    return tuple(np.bincount(month, drawn[name].sum(axis=0), 13)[1:] / (YEARS * days * 1000.0) for name in ("ghi", "dhi"))


def test_clearness_from_light_is_the_climatology_s():
    normals = normals_from_written("hills", 48.066, 7.923, sun_kwh_m2_day=GLOBAL.tolist(), temp_mean_c=[9.0] * 12)
    assert normals.kt == pytest.approx(CLEARNESS, abs=0.02)


def test_light_on_the_flat_is_what_was_asked_for():
    global_light, _ = monthly_light()
    assert global_light == pytest.approx(GLOBAL, rel=0.05)
    reached("Light of drawn years by month", "NASA POWER climatology 2001-2020", "5 %", apart(global_light, GLOBAL, rel=True))
    assert global_light.mean() == pytest.approx(GLOBAL.mean(), rel=0.02)


def test_with_the_published_spread_every_month_s_diffuse_light_is_within_14_pct():
    _, diffuse = monthly_light(PUBLISHED_SPREAD.tolist())
    assert diffuse == pytest.approx(DIFFUSE, rel=0.14)
    reached(
        "Diffuse light of drawn years, published spread",
        "NASA POWER climatology 2001-2020",
        "14 %",
        apart(diffuse, DIFFUSE, rel=True),
    )
    assert diffuse.mean() == pytest.approx(DIFFUSE.mean(), rel=0.05)


def test_with_the_usual_spread_winters_are_too_diffuse_and_the_year_is_within_a_tenth():
    """The usual spread is the narrower one, with fewer bright days in a dull month; up to 27 % more diffuse light in winter."""
    _, diffuse = monthly_light()
    assert diffuse.mean() == pytest.approx(DIFFUSE.mean(), rel=0.10)
    assert diffuse[3:8] == pytest.approx(DIFFUSE[3:8], rel=0.10)
    assert (diffuse / DIFFUSE).max() < 1.27
    reached(
        "Diffuse light of drawn years, usual spread",
        "NASA POWER climatology 2001-2020",
        "27 % in winter",
        apart(diffuse, DIFFUSE, rel=True),
    )
