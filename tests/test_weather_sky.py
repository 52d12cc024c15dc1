"""The sky without a cloud, and the coarse map of heights."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.weather import COLUMNS, hourly_clear_weather, look_up_elevation_m, read_sample


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    """One cache for all tests of this file, and not the person's own."""
    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path_factory.getbasetemp() / "weather-cache"))


@pytest.mark.parametrize(
    ("latitude", "longitude", "elevation"), [(36.1, -79.95, 273.0), (-33.9, 151.2, 40.0), (68.4, 17.4, 10.0)]
)
def test_clear_sky_is_the_hour_mean_of_the_librarys_minutes(latitude, longitude, elevation):
    """Outside check: pvlib's Location.get_clearsky (SPA position), minute by minute, four days over the year."""
    place = pvlib.location.Location(latitude, longitude, altitude=elevation)
    for day in ("2026-01-15", "2026-04-15", "2026-07-15", "2026-10-15"):
        utc = pd.date_range(day, periods=24, freq="h", tz="UTC")
        minutes = pd.date_range(f"{day} 00:00:30", periods=1440, freq="min", tz="UTC")
        with np.errstate(divide="ignore"), pytest.warns(DeprecationWarning, match="dayofyear"):
            expected = place.get_clearsky(minutes).to_numpy().reshape(24, 60, 3).mean(axis=1)
        found = hourly_clear_weather(utc, latitude, longitude, elevation, 12.0)
        for name, column in zip(("ghi", "dni", "dhi"), expected.T, strict=True):
            assert found[name].sum() == pytest.approx(column.sum(), rel=0.003, abs=5.0)
            np.testing.assert_allclose(found[name], column, atol=12.0)
        assert (found["temp_air"] == 12.0).all()


def test_clear_sky_along_a_route_and_for_no_hours_at_all():
    utc = pd.date_range("2026-06-01", periods=48, freq="h", tz="UTC")
    latitude = np.linspace(25.8, 36.1, 48)
    route = hourly_clear_weather(utc, latitude, np.full(48, -80.0), np.full(48, 50.0), 20.0)
    for hour in (17, 41):
        there = hourly_clear_weather(utc, latitude[hour], -80.0, 50.0, 20.0)
        assert route["ghi"][hour] == pytest.approx(there["ghi"][hour], rel=0.01)
    assert set(route) == set(COLUMNS)
    assert route["ghi"].min() == 0.0
    assert hourly_clear_weather(utc[:0], 0.0, 0.0, 0.0, 20.0)["ghi"].shape == (0,)
    with pytest.raises(ValueError, match="time zone"):
        hourly_clear_weather(utc.tz_localize(None), 0.0, 0.0, 0.0, 20.0)


def test_clear_sky_is_brighter_than_nearly_every_measured_hour():
    station = read_sample("greensboro")
    clear = hourly_clear_weather(station.table.index, station.latitude_deg, station.longitude_deg, station.elevation_m, 20.0)
    assert (station.table.ghi.to_numpy() > 1.1 * clear["ghi"] + 20.0).mean() < 0.01
    assert clear["ghi"].sum() > 1.2 * station.table.ghi.sum()


def test_elevation_from_the_coarse_map():
    assert look_up_elevation_m(36.1, -79.95) == pytest.approx(273.0, abs=60.0)
