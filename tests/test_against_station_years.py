"""The three measured station-years against what is known of them from outside.

Authorities: pvlib's own readers with the labels that the manuals of TMY2 (Marion & Urban 1995, doi:10.2172/87130) and TMY3
(Wilcox & Marion 2008, doi:10.2172/928611) document; lines of the files as a person reads them; monthly means counted once
from the same files by other code; a published mean of thirty years; and the sun.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.weather import COLUMNS, hourly_weather, read_sample
from simulator.weather.checks import SOLAR_CONSTANT_W_M2, clear_day_lateness_min
from simulator.weather.sky import sun_elevation_deg

DATA = Path(pvlib.__file__).parent / "data"
ZONE_H = {"sandpoint": -9, "greensboro": -5, "miami": -5}
FILES = {"sandpoint": "703165TY.csv", "greensboro": "723170TYA.CSV", "miami": "12839.tm2"}
SAMPLES = sorted(FILES)


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    """One cache for all tests of this file, and not the person's own."""
    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path_factory.getbasetemp() / "weather-cache"))


def _local(name: str) -> pd.DataFrame:
    """The year on the station's own clock, first row 1 January 00:00, without its labels."""
    table = read_sample(name).table
    return pd.DataFrame({column: np.roll(table[column].to_numpy(), ZONE_H[name]) for column in COLUMNS})


@pytest.mark.parametrize("name", ["sandpoint", "greensboro"])
def test_tmy3_is_the_librarys_own_table_one_hour_before_its_labels(name):
    """TMY3 manual, table 1-1: light is that "received during the 60-minute period prior to the timestamp"."""
    frame, _ = pvlib.iotools.read_tmy3(DATA / FILES[name], coerce_year=2001, map_variables=True)
    start = pd.DatetimeIndex(frame.index) - pd.Timedelta(hours=1)
    found = hourly_weather(read_sample(name), start)
    # Rows of the first hours of the year come round from its other end in UTC; by month, day and hour they are the same.
    for column in COLUMNS:
        np.testing.assert_array_equal(found[column], frame[column].to_numpy(float))


def test_tmy2_is_the_librarys_own_table_at_its_labels():
    """TMY2 manual, table 3-1: hour 1 is 00:00 to 01:00; the library labels it 00:00. Temperature and wind are in tenths."""
    frame, _ = pvlib.iotools.read_tmy2(DATA / FILES["miami"])
    found = hourly_weather(read_sample("miami"), pd.DatetimeIndex(frame.index))
    for column, (other, scale) in {
        "ghi": ("GHI", 1.0),
        "dni": ("DNI", 1.0),
        "dhi": ("DHI", 1.0),
        "temp_air": ("DryBulb", 0.1),
        "wind_speed": ("Wspd", 0.1),
    }.items():
        np.testing.assert_allclose(found[column], frame[other].to_numpy(float) * scale, rtol=1e-12)


@pytest.mark.parametrize(
    ("name", "line", "starts", "utc", "expected"),
    [
        # 11:00 to 12:00 on the station's clock, five hours behind UTC.
        ("greensboro", 4358, "07/01/1981,12:00,1258,1321,448,1,13,113,1,9,340,", "2001-07-01 16:00", (448, 113, 340, 27.8, 2.1)),
        ("miami", 4357, " 64070112128913210882E50526E40369E5", "2001-07-01 16:00", (882, 526, 369, 28.9, 2.6)),
        # The last hour of the year, nine hours behind UTC: it comes round to the first day.
        ("sandpoint", 8762, "12/31/1998,24:00,0,0,0,", "2001-01-01 08:00", (0, 0, 0, -6.0, 5.1)),
    ],
)
def test_a_line_of_the_file_read_by_eye(name, line, starts, utc, expected):
    assert (DATA / FILES[name]).read_text(encoding="ascii").split("\n")[line - 1].startswith(starts)
    found = read_sample(name).table.loc[pd.Timestamp(utc, tz="UTC")]
    assert tuple(found) == pytest.approx(expected)


#: Month 1..12: mean day of global light [kWh/m2] and mean air temperature [deg C] on the station's clock; counted once from
#: the same files, by code that shares nothing with this package.
MONTHS = {
    "sandpoint": (
        (0.583, 1.047, 1.853, 3.058, 3.278, 3.806, 5.005, 2.704, 3.041, 1.614, 0.743, 0.462),
        (0.64, 1.20, 1.65, 2.09, 3.19, 8.06, 11.81, 11.88, 7.91, 4.49, 0.44, -0.59),
    ),
    "greensboro": (
        (2.414, 3.063, 4.251, 5.410, 5.636, 6.251, 6.083, 5.615, 4.427, 3.589, 2.435, 2.243),
        (0.33, 5.03, 11.41, 14.69, 19.03, 23.59, 25.43, 24.76, 20.08, 13.12, 10.82, 4.23),
    ),
    "miami": (
        (3.494, 4.427, 5.157, 6.165, 6.029, 5.761, 5.993, 5.669, 4.915, 4.371, 3.568, 3.362),
        (19.99, 20.78, 21.58, 24.47, 25.79, 27.30, 27.96, 27.89, 26.90, 25.05, 23.22, 20.64),
    ),
}


@pytest.mark.parametrize("name", SAMPLES)
def test_monthly_means(name):
    local = _local(name)
    month = pd.date_range("2001-01-01", periods=8760, freq="h").month
    days = np.bincount(month)[1:] / 24
    light_kwh, warmth_c = MONTHS[name]
    np.testing.assert_allclose(local.ghi.groupby(month).sum() / days / 1000.0, light_kwh, atol=0.0006)
    np.testing.assert_allclose(local.temp_air.groupby(month).mean(), warmth_c, atol=0.006)


def test_miami_against_thirty_measured_years():
    """Marion & Wilcox (1994), Solar Radiation Data Manual, NREL/TP-463-5607, 1961-1990: 4.8 kWh/m2 a day, 9 % (from memory)."""
    assert read_sample("miami").table.ghi.sum() / 365 / 1000 == pytest.approx(4.8, rel=0.09)


@pytest.mark.parametrize("name", SAMPLES)
def test_clear_days_are_centred_on_solar_noon(name):
    """The sun is the judge of the labels: half an hour off would show as 30, an hour as 60 minutes."""
    station = read_sample(name)
    elevation = sun_elevation_deg(station.table.index + pd.Timedelta(minutes=30), station.latitude_deg, station.longitude_deg)
    beyond = SOLAR_CONSTANT_W_M2 * np.maximum(np.sin(np.radians(elevation)), 0.0)
    ghi = station.table.ghi.to_numpy()
    assert abs(clear_day_lateness_min(ghi, beyond, station.longitude_deg)) < 3.0
    for turned in (-1, 1):
        found = clear_day_lateness_min(np.roll(ghi, turned), beyond, station.longitude_deg)
        assert found == pytest.approx(60.0 * turned, abs=3.0)


@pytest.mark.parametrize("name", SAMPLES)
def test_the_middle_of_the_hour_explains_the_global_light_best(name):
    """Global = diffuse + direct x sin(height of the sun), with the sun in the middle of the hour and not at its ends."""
    station = read_sample(name)
    table = station.table
    misfit = {}
    for minutes in (0, 30, 60):
        elevation = sun_elevation_deg(table.index + pd.Timedelta(minutes=minutes), station.latitude_deg, station.longitude_deg)
        rest = table.ghi - table.dhi - table.dni * np.maximum(np.sin(np.radians(elevation)), 0.0)
        misfit[minutes] = float(np.sqrt((rest**2).mean()))
    assert misfit[30] < 0.5 * min(misfit[0], misfit[60])


@pytest.mark.parametrize("name", SAMPLES)
def test_it_is_dark_when_the_sun_is_down(name):
    """SPA of Reda & Andreas (2004) as the library has it, refraction and half an hour of climbing allowed for."""
    station = read_sample(name)
    sun = pvlib.solarposition.spa_python(
        station.table.index + pd.Timedelta(minutes=30), station.latitude_deg, station.longitude_deg, altitude=station.elevation_m
    )
    down = sun["elevation"].to_numpy() < -8.5
    assert down.sum() > 3000
    assert station.table.ghi.to_numpy()[down].max() <= 2.0
