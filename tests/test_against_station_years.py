"""Drawn years against real ones: dark spells, day-to-day memory, frost.

What is held out, and what is not. The draw gets monthly normals and spreads **from the very year** it is compared with: that is
what normals are. Everything else, the memory from day to day, the shape of the distribution, the course of the day, the ties
between sky and temperature, is a handful of constants for the whole earth, rounded from some forty station-years, among which
were these three. What is compared here, runs, counts of days below a line, correlations, goes into no draw. A single year is one
draw of many: it must lie among the drawn years, not at their mean.

Seattle's four years of temperature are held out altogether.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.solar import hourly_sun_position
from simulator.weather import hourly_weather, read_sample
from simulator.weather.draws import draw_weather
from simulator.weather.normals import Normals, normals_from_station, normals_from_written
from tests.outside_checks import apart, reached

SAMPLES = ("sandpoint", "greensboro", "miami")
SEATTLE = json.loads((Path(__file__).parent / "reference" / "seattle_temperature.json").read_text(encoding="utf-8"))
YEARS = 160


@dataclass(frozen=True)
class Days:
    """Years by local days, (years, days): light [Wh/m2], clearness, lowest, mean and highest temperature; ``month`` (days,)."""

    light: np.ndarray
    kt: np.ndarray
    low_c: np.ndarray
    mean_c: np.ndarray
    high_c: np.ndarray
    month: np.ndarray
    diffuse_frac: float


def local_year(normals: Normals) -> tuple[pd.DatetimeIndex, np.ndarray, np.ndarray, np.ndarray]:
    """One year from local midnight on: UTC, cosine of the zenith, light facing the sun beyond the air, month of days."""
    ahead_h = round(normals.longitude_deg / 15.0)
    utc = pd.date_range("2001-01-01", periods=8760, freq="h", tz="UTC") - pd.Timedelta(hours=ahead_h)
    zenith_deg = hourly_sun_position(utc, normals.latitude_deg, normals.longitude_deg, normals.elevation_m or 0.0).zenith_deg
    dni_extra = np.asarray(pvlib.irradiance.get_extra_radiation(np.asarray(utc.day_of_year, float)))
    return utc, np.cos(np.radians(zenith_deg)), dni_extra, np.asarray((utc + pd.Timedelta(hours=ahead_h)).month)[::24]


def by_days(weather: dict[str, np.ndarray], normals: Normals) -> Days:
    _, cos_zenith, dni_extra, month = local_year(normals)
    beyond = (np.maximum(cos_zenith, 0.0) * dni_extra).reshape(-1, 24).sum(axis=-1)
    ghi, temp = (np.atleast_2d(weather[name]).reshape(-1, 365, 24) for name in ("ghi", "temp_air"))
    diffuse_frac = float(weather["dhi"].sum() / weather["ghi"].sum())
    light = ghi.sum(axis=-1)
    return Days(light, light / beyond, temp.min(axis=-1), temp.mean(axis=-1), temp.max(axis=-1), month, diffuse_frac)


def drawn_years(normals: Normals) -> Days:
    utc, cos_zenith, dni_extra, _ = local_year(normals)
    day = np.arange(8760) // 24
    weather = draw_weather([normals], np.zeros(8760, int), utc, normals.longitude_deg, cos_zenith, dni_extra, day, YEARS, seed=1)
    return by_days(weather, normals)


@pytest.fixture(scope="module")
def pairs() -> dict[str, tuple[Days, Days]]:
    """By sample: the real year, and the years drawn from its normals."""
    found = {}
    for sample in SAMPLES:
        station = read_sample(sample)
        normals = normals_from_station(station)
        found[sample] = by_days(hourly_weather(station, local_year(normals)[0]), normals), drawn_years(normals)
    return found


def in_single_months(values: np.ndarray, month: np.ndarray) -> float:
    """Mean day-to-day correlation inside single months; the same (short) estimate for real and drawn years."""
    parts = [year[month == number] for year in values for number in range(1, 13)]
    return float(np.mean([np.corrcoef(part[:-1], part[1:])[0, 1] for part in parts]))


def longest_run(flags: np.ndarray) -> np.ndarray:
    run, longest = np.zeros(len(flags)), np.zeros(len(flags))
    for day in flags.T:
        run = np.where(day, run + 1.0, 0.0)
        longest = np.maximum(longest, run)
    return longest


@pytest.mark.parametrize("sample", SAMPLES)
def test_months_are_as_bright(pairs, sample):
    real, drawn = pairs[sample]
    for number in range(1, 13):
        here = real.month == number
        assert drawn.light[:, here].mean() == pytest.approx(real.light[:, here].mean(), rel=0.03)
        reached(
            "Light of drawn years by month, three stations",
            "station-years of Sand Point, Greensboro, Miami",
            "3 %",
            apart(drawn.light[:, here].mean(), real.light[:, here].mean(), rel=True),
        )
    assert drawn.light.mean() == pytest.approx(real.light.mean(), rel=0.01)


def test_day_follows_day(pairs):
    """Over the three years within 0.07; each within 0.1 (a single year says it to 0.05), temperature within 0.15."""
    both = np.array([[in_single_months(days.kt, days.month) for days in pair] for pair in pairs.values()])
    assert both[:, 1].mean() == pytest.approx(both[:, 0].mean(), abs=0.07)
    assert both[:, 1] == pytest.approx(both[:, 0], abs=0.1)
    warmth = np.array([[in_single_months(days.mean_c, days.month) for days in pair] for pair in pairs.values()])
    assert warmth[:, 1].mean() == pytest.approx(warmth[:, 0].mean(), abs=0.07)
    assert warmth[:, 1] == pytest.approx(warmth[:, 0], abs=0.15)


@pytest.mark.parametrize("sample", SAMPLES)
def test_the_longest_dark_spell_is_among_the_drawn_ones(pairs, sample):
    real, drawn = pairs[sample]
    known, found = longest_run(real.kt < 0.3)[0], longest_run(drawn.kt < 0.3)
    low, high = np.quantile(found, (0.05, 0.95))
    assert low <= known <= high
    assert np.median(found) == pytest.approx(known, abs=2.0)
    reached(
        "Longest dark spell of a year, three stations",
        "station-years of Sand Point, Greensboro, Miami",
        "2 days",
        apart(np.median(found), known),
    )


def test_over_the_three_the_longest_dark_spell_is_usual(pairs):
    """Median 4 days over forty station-years (quartiles 3 and 5)."""
    typical = [np.median(longest_run(drawn.kt < 0.3)) for _, drawn in pairs.values()]
    assert 3.0 <= np.median(typical) <= 5.0


@pytest.mark.parametrize("sample", SAMPLES)
def test_days_below_freezing_are_among_the_drawn_ones(pairs, sample):
    """Sand Point 102, Greensboro 61, Miami none."""
    real, drawn = pairs[sample]
    known, found = (real.low_c < 0.0).sum(), (drawn.low_c < 0.0).sum(axis=1)
    assert abs(found.mean() - known) <= max(2.0 * found.std(), 1.0)
    assert found.mean() == pytest.approx(known, rel=0.3, abs=1.0)


@pytest.mark.parametrize("sample", SAMPLES)
def test_extremes_of_the_year_are_near(pairs, sample):
    real, drawn = pairs[sample]
    assert np.median(drawn.low_c.min(axis=1)) == pytest.approx(real.low_c.min(), abs=5.0)
    assert np.median(drawn.high_c.max(axis=1)) == pytest.approx(real.high_c.max(), abs=5.0)


@pytest.mark.parametrize("sample", SAMPLES)
def test_diffuse_share_is_near(pairs, sample):
    """Clouds of the hour are drawn and split by a correlation: 8 % at the middling places, 20 % under a grey sky."""
    real, drawn = pairs[sample]
    assert drawn.diffuse_frac == pytest.approx(real.diffuse_frac, rel=0.20 if sample == "sandpoint" else 0.08)


def test_frost_at_a_place_that_was_held_out():
    """Four years of Seattle: 18, 26, 18 and 10 days below freezing, 1, 0, 2 and 0 that never thawed."""
    normals = normals_from_written(
        "Seattle",
        SEATTLE["latitude_deg"],
        SEATTLE["longitude_deg"],
        SEATTLE["elevation_m"],
        kt=[0.45] * 12,
        temp_min_c=SEATTLE["temp_min_c"],
        temp_max_c=SEATTLE["temp_max_c"],
    )
    drawn = drawn_years(normals)
    frost = (drawn.low_c < 0.0).sum(axis=1)
    known = np.array(SEATTLE["days_below_freezing"])
    assert frost.mean() == pytest.approx(known.mean(), abs=5.0)
    reached("Days below freezing at a place held out", "four years of Seattle", "5 days", apart(frost.mean(), known.mean()))
    assert np.quantile(frost, 0.03) <= known.min()
    assert known.max() <= np.quantile(frost, 0.97)
    assert (drawn.high_c < 0.0).sum(axis=1).mean() == pytest.approx(np.mean(SEATTLE["days_of_frost_throughout"]), abs=1.0)
    middle = (drawn.low_c + drawn.high_c) / 2.0
    about = middle - np.array([middle[:, drawn.month == number].mean() for number in range(1, 13)])[drawn.month - 1]
    assert about.std() == pytest.approx(SEATTLE["year_sd_c"], rel=0.15)
    assert in_single_months(about, drawn.month) == pytest.approx(SEATTLE["day_to_day_correlation_in_single_months"], abs=0.1)
