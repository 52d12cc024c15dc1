"""A station's year on the calendar, and how far it is from where it is used."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.weather import COLUMNS, StationYear, distance_km, distance_notes, hourly_weather, read_sample
from simulator.weather.station import refuse_other_hemisphere, year_index


@pytest.fixture(autouse=True)
def _own_cache(tmp_path_factory, monkeypatch):
    """One cache for all tests of this file, and not the person's own."""
    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path_factory.getbasetemp() / "weather-cache"))


def _numbered(rows: int) -> StationYear:
    """A station whose every hour carries its own row number."""
    table = pd.DataFrame(dict.fromkeys(COLUMNS, np.arange(rows, dtype=float)), index=year_index(rows, None))
    return StationYear("x", "x", "", 0.0, 0.0, 0.0, True, table)


@given(
    start=st.datetimes(
        min_value=pd.Timestamp("1990-01-01").to_pydatetime(), max_value=pd.Timestamp("2110-01-01").to_pydatetime()
    ),
    hours=st.integers(0, 3000),
    rows=st.sampled_from([8760, 8784]),
)
@settings(max_examples=60, deadline=None)
def test_every_hour_gets_the_weather_of_its_month_day_and_hour(start, hours, rows):
    station = _numbered(rows)
    utc = pd.date_range(pd.Timestamp(start).floor("h"), periods=hours, freq="h", tz="UTC")
    found = hourly_weather(station, utc)
    assert set(found) == set(COLUMNS)
    where = station.table.index[found["ghi"].astype(int)]
    asked = utc.where(~((utc.month == 2) & (utc.day == 29) & (rows == 8760)), utc - pd.Timedelta(days=1))
    assert (where.month == asked.month).all()
    assert (where.day == asked.day).all()
    assert (where.hour == asked.hour).all()


def test_new_year_and_both_kinds_of_february():
    across = pd.date_range("2023-12-31 22:00", periods=4, freq="h", tz="UTC")
    assert hourly_weather(_numbered(8760), across)["ghi"].tolist() == [8758, 8759, 0, 1]
    leap = pd.date_range("2024-02-28 23:00", "2024-03-01 00:00", freq="h", tz="UTC")
    assert hourly_weather(_numbered(8760), leap)["ghi"].tolist() == [1415, *range(1392, 1416), 1416]
    common = pd.date_range("2023-02-28 23:00", periods=2, freq="h", tz="UTC")
    assert hourly_weather(_numbered(8784), common)["ghi"].tolist() == [1415, 1440]


def test_hours_off_the_hour_other_zones_and_naive_ones():
    station = _numbered(8760)
    kathmandu = pd.date_range("2023-03-01", periods=3, freq="h", tz="Asia/Kathmandu")
    # 5:45 h behind: 18:15 UTC on 28 February, a quarter of the way into the hour.
    assert hourly_weather(station, kathmandu)["ghi"].tolist() == pytest.approx(
        [58 * 24 + 18.25, 58 * 24 + 19.25, 58 * 24 + 20.25]
    )
    last = pd.DatetimeIndex(["2023-12-31 23:30"], tz="UTC")
    assert hourly_weather(station, last)["ghi"].tolist() == [8759 / 2]
    with pytest.raises(ValueError, match="time zone"):
        hourly_weather(station, pd.date_range("2023-03-01", periods=3, freq="h"))


def test_what_is_handed_out_is_the_callers_own():
    station = _numbered(8760)
    utc = pd.date_range("2023-01-01", periods=24, freq="h", tz="UTC")
    hourly_weather(station, utc)["ghi"][:] = -1.0
    assert hourly_weather(station, utc)["ghi"].min() == 0.0


def test_distances_on_the_sphere():
    """A degree of the equator is 111.195 km, pole to equator a quarter turn, across the date line the short way."""
    assert distance_km(0.0, 0.0, 0.0, 1.0) == pytest.approx(2 * np.pi * 6371.0088 / 360, rel=1e-12)
    assert distance_km(90.0, 12.0, 0.0, -50.0) == pytest.approx(2 * np.pi * 6371.0088 / 4, rel=1e-12)
    assert distance_km(0.0, 179.5, 0.0, -179.5) == pytest.approx(distance_km(0.0, 0.0, 0.0, 1.0))
    assert distance_km(10.0, 20.0, -10.0, -160.0) == pytest.approx(np.pi * 6371.0088)


def _stop(latitude: float, elevation: float | None) -> SimpleNamespace:
    return SimpleNamespace(number=2, name="Meadow", line=None, latitude_deg=latitude, longitude_deg=-79.95, elevation_m=elevation)


def test_notes_for_stations_far_away_or_at_another_height():
    station = read_sample("greensboro")
    assert distance_notes(station, _stop(36.1, None)) == ()
    assert distance_notes(station, _stop(36.9, 500.0)) == ()
    (far,) = distance_notes(station, _stop(38.1, 273.0))
    assert far.startswith('stop 2 "Meadow": its weather was measured 222 km away, at Greensboro, North Carolina')
    (high,) = distance_notes(station, _stop(36.1, 1273.0))
    assert "lies 1000 m above Greensboro" in high
    assert "6 C colder" in high
    assert len(distance_notes(station, _stop(38.1, -100.0))) == 2
    assert "warmer" in distance_notes(station, _stop(36.1, -100.0))[0]


@pytest.mark.parametrize(
    ("place_deg", "stop_deg", "refused"),
    [(36.1, -36.1, True), (-36.1, 36.1, True), (12.0, -1.0, True), (1.3, -0.3, False), (36.1, 5.0, False), (36.1, 0.0, False)],
)
def test_weather_from_beyond_the_equator_is_refused_where_there_are_seasons(place_deg, stop_deg, refused):
    if not refused:
        refuse_other_hemisphere("There", place_deg, _stop(stop_deg, None))
        return
    with pytest.raises(InputError, match=r"summer and winter are the other way round\. Take a file"):
        refuse_other_hemisphere("There", place_deg, _stop(stop_deg, None))
