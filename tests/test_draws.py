"""Drawn years: laws that must hold in every year, the statistics they were built for, and chance that can be repeated."""

from __future__ import annotations

import ast
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

import simulator.weather
from simulator.errors import InputError
from simulator.solar import hourly_sun_position
from simulator.weather import draws
from simulator.weather.clouds import clearest_w_m2, clearness_quantiles, split_by_erbs, spread_over_hours
from simulator.weather.normals import Normals, normals_from_written
from simulator.weather.normals_table import normals_from_table
from tests.clearness_days import draw_daily_clearness

MONTH_OF_DAY = np.repeat(np.arange(12), [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def plain(kt: float = 0.5, **given: Any) -> Normals:
    """A place without seasons, on the Greenwich meridian."""
    base = Normals(
        "plain", "invented", 45.0, 0.0, 0.0, (kt,) * 12, (10.0,) * 12, (5.0,) * 12, (15.0,) * 12, temp_daily_sd_c=(3.0,) * 12
    )
    return replace(base, **given)


@dataclass(frozen=True)
class Trip:
    """What a route hands to the draw; one place unless ``stop`` says otherwise."""

    normals: tuple[Normals, ...]
    stop: np.ndarray
    utc: pd.DatetimeIndex
    longitude_deg: np.ndarray
    cos_zenith: np.ndarray
    dni_extra: np.ndarray
    day: np.ndarray

    @property
    def beyond(self) -> np.ndarray:
        """(hours,) Light on the flat beyond the atmosphere."""
        return np.maximum(self.cos_zenith, 0.0) * self.dni_extra

    @property
    def month(self) -> np.ndarray:
        """(days,) 0 is January."""
        return np.asarray((self.utc + pd.Timedelta(hours=round(self.longitude_deg[0] / 15.0))).month)[::24] - 1

    def draw(self, years: int = 1, seed: int = 1, first_year: int = 0) -> dict[str, np.ndarray]:
        """Draw it."""
        return draws.draw_weather(
            self.normals,
            self.stop,
            self.utc,
            self.longitude_deg,
            self.cos_zenith,
            self.dni_extra,
            self.day,
            years,
            seed,
            first_year,
        )


def trip(*normals: Normals, start: str = "2001-01-01", days: int = 365, stop_of_day: np.ndarray | None = None) -> Trip:
    """Whole days by the standard time of the first place."""
    first = normals[0]
    utc = pd.date_range(start, periods=24 * days, freq="h", tz="UTC") - pd.Timedelta(hours=round(first.longitude_deg / 15.0))
    stop = np.repeat(np.zeros(days, int) if stop_of_day is None else stop_of_day, 24)
    latitude, longitude = (
        np.array([getattr(each, name) for each in normals])[stop] for name in ("latitude_deg", "longitude_deg")
    )
    cos_zenith = np.cos(np.radians(hourly_sun_position(utc, latitude, longitude, 0.0).zenith_deg))
    dni_extra = np.asarray(pvlib.irradiance.get_extra_radiation(np.asarray(utc.day_of_year, float)))
    return Trip(normals, stop, utc, longitude, cos_zenith, dni_extra, np.arange(24 * days) // 24)


def by_day(hourly: np.ndarray) -> np.ndarray:
    return hourly.reshape(*hourly.shape[:-1], -1, 24)


def daily_kt(asked: Trip, weather: dict[str, np.ndarray]) -> np.ndarray:
    return by_day(weather["ghi"]).sum(axis=-1) / by_day(asked.beyond).sum(axis=-1)


def lag1(values: np.ndarray) -> float:
    return float(np.corrcoef(values[:, :-1].ravel(), values[:, 1:].ravel())[0, 1])


@pytest.fixture(scope="module")
def greensboro() -> tuple[Trip, dict[str, np.ndarray]]:
    """Sixty years at one place of the table."""
    asked = trip(normals_from_table("greensboro"))
    return asked, asked.draw(years=60)


# ------------------------------------------------------------------------------------------------------- laws of every hour


def test_every_hour_is_whole_and_its_light_adds_up(greensboro):
    asked, weather = greensboro
    assert set(weather) == {"ghi", "dni", "dhi", "temp_air", "wind_speed"}
    for values in weather.values():
        assert values.shape == (60, 8760)
        assert np.isfinite(values).all()
    for name in ("ghi", "dni", "dhi", "wind_speed"):
        assert weather[name].min() >= 0.0
    up = asked.cos_zenith > 0.0
    assert not weather["ghi"][:, ~up].any()
    assert (weather["ghi"][:, up] > 0.0).all()
    assert weather["dhi"] + weather["dni"] * np.maximum(asked.cos_zenith, 0.0) == pytest.approx(weather["ghi"], abs=1e-9)
    assert weather["dni"].max() < asked.dni_extra.max()


def test_no_hour_passes_the_clear_sky_but_on_days_that_do(greensboro):
    asked, weather = greensboro
    bound = np.zeros(8760)
    up = asked.cos_zenith > 0.0
    bound[up] = clearest_w_m2(asked.cos_zenith[up], asked.dni_extra[up], np.full(up.sum(), 273.0))
    over_all_day = by_day(weather["ghi"]).sum(axis=-1) > by_day(bound).sum(axis=-1)
    assert over_all_day.mean() < 0.03
    assert (by_day(weather["ghi"] - bound).max(axis=-1)[~over_all_day] < 1e-6).all()


@settings(deadline=None)
@given(
    share=arrays(float, (3, 2), elements=st.floats(1e-3, 1.3)),
    clouds=arrays(float, (3, 9), elements=st.floats(-6.0, 6.0)),
)
def test_the_hours_of_a_day_add_up_to_it_whatever_the_clouds(share, clouds):
    bound = np.array([5.0, 300.0, 800.0, 300.0, 5.0, 1.0, 90.0, 80.0, 0.5])
    day, start = np.array([0, 0, 0, 0, 0, 1, 1, 1, 1]), np.array([0, 5])
    bound_sum = np.add.reduceat(bound, start)
    light = spread_over_hours(share * bound_sum, bound, bound_sum, clouds, start, day)
    assert np.add.reduceat(light, start, axis=1) == pytest.approx(share * bound_sum, rel=1e-9)
    assert (light >= 0.0).all()
    assert (light <= bound * np.maximum(share, 1.0)[:, day] * (1.0 + 1e-9)).all()


def test_the_split_is_that_of_the_library():
    """Erbs, Klein, Duffie (1982) as ``pvlib.irradiance.erbs`` has it, over all clearness and heights of the sun."""
    cos_zenith = np.repeat(np.cos(np.radians([0.0, 40.0, 75.0, 86.0, 86.9, 87.1, 89.9])), 200)
    day_of_year = 80.0
    dni_extra = np.full(len(cos_zenith), pvlib.irradiance.get_extra_radiation(day_of_year))
    ghi = np.tile(np.linspace(0.0, 1.1, 200), 7) * dni_extra * cos_zenith
    dni, dhi = split_by_erbs(ghi, cos_zenith, dni_extra)
    known = pvlib.irradiance.erbs(ghi, np.degrees(np.arccos(cos_zenith)), np.full(len(ghi), day_of_year))
    assert dni == pytest.approx(known["dni"], abs=1e-6)
    assert dhi == pytest.approx(known["dhi"], abs=1e-6)


# ----------------------------------------------------------------------------------------------------- what it was built for


@pytest.mark.parametrize("place", ["aberdeen", "chicago", "phoenix", "New York 1999", "sand point"])
def test_months_are_as_bright_as_their_normals_within_3_pct(place):
    normals = normals_from_table(place)
    kt = draw_daily_clearness(normals, MONTH_OF_DAY, years=300, seed=3)
    drawn = np.array([kt[:, month == MONTH_OF_DAY].mean() for month in range(12)])
    assert drawn == pytest.approx(normals.kt, rel=0.03)
    spread = np.array([kt[:, month == MONTH_OF_DAY].std() for month in range(12)])
    assert spread == pytest.approx(normals.kt_daily_sd, rel=0.05)
    assert kt.min() >= 0.03
    assert kt.max() <= 0.82


def test_light_of_the_hours_has_the_months_normals_too(greensboro):
    asked, weather = greensboro
    drawn = [
        by_day(weather["ghi"])[:, asked.month == month].sum() / (60 * by_day(asked.beyond)[asked.month == month].sum())
        for month in range(12)
    ]
    assert drawn == pytest.approx(asked.normals[0].kt, rel=0.05)
    assert np.mean(np.divide(drawn, asked.normals[0].kt)) == pytest.approx(1.0, abs=0.01)


def test_day_follows_day_inside_the_month_as_measured(greensboro):
    """Mean of the estimates from single months: 0.25 (0.10..0.47) over 40 site-years."""
    asked, weather = greensboro
    kt = daily_kt(asked, weather)
    single = [np.corrcoef(year[:-1], year[1:])[0, 1] for month in range(12) for year in kt[:, asked.month == month]]
    assert np.mean(single) == pytest.approx(0.25, abs=0.04)


@pytest.mark.parametrize(("kt", "wanted"), [(0.3, 0.0), (0.5, 0.3), (0.7, 0.3), (0.45, 0.6)])
def test_the_bend_does_not_weaken_the_correlation(kt, wanted):
    drawn = draw_daily_clearness(plain(kt, kt_lag1=wanted), np.zeros(2000, int), years=50, seed=1)
    assert lag1(drawn) == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize("kt", [0.02, 0.1, 0.8, 0.85])
def test_even_odd_climates_keep_their_mean(kt):
    drawn = draw_daily_clearness(plain(kt), np.zeros(365, int), years=100, seed=1)
    assert drawn.mean() == pytest.approx(kt, rel=0.02)
    assert 0.0 < drawn.min() <= drawn.max() < 1.0
    asked = trip(plain(kt), start="2001-06-01", days=60)
    weather = asked.draw(years=20)
    assert by_day(weather["ghi"]).sum() / (20 * by_day(asked.beyond).sum()) == pytest.approx(kt, rel=0.05)


def test_a_spread_that_cannot_be_is_narrowed_and_keeps_the_mean():
    table = clearness_quantiles(0.1, 0.35)
    deviates = np.random.default_rng(1).standard_normal(200_000)
    drawn = np.interp(deviates, np.linspace(-5.5, 5.5, len(table)), table)
    assert drawn.mean() == pytest.approx(0.1, rel=0.02)
    assert drawn.std() < 0.2


def test_clouds_inside_the_day_are_as_measured():
    """Spread 0.16 and hour-to-hour correlation 0.43 of the clear-sky index about the day's mean, over 40 site-years, sunny ones
    and dull ones; here a dull, a middling and a bright place, the sun 10 degrees up."""
    spreads, lags = [], []
    for place in ("sand point", "greensboro", "MIAMI"):
        asked = trip(normals_from_table(place))
        zenith = np.degrees(np.arccos(asked.cos_zenith))
        high = zenith < 80.0
        airmass = pvlib.atmosphere.get_relative_airmass(np.minimum(zenith, 89.0))
        clear = pvlib.clearsky.ineichen(np.minimum(zenith, 89.0), airmass, 3.0, 0.0, asked.dni_extra)["ghi"]
        index = by_day(np.where(high, asked.draw(years=10)["ghi"] / np.maximum(clear, 1.0), np.nan))
        lit = np.isfinite(index)
        about = index - (np.where(lit, index, 0.0).sum(axis=-1) / lit.sum(axis=-1))[..., None]
        pair = lit[..., :-1] & lit[..., 1:]
        spreads.append(np.nanstd(about))
        lags.append(np.corrcoef(about[..., :-1][pair], about[..., 1:][pair])[0, 1])
    assert np.mean(spreads) == pytest.approx(0.16, abs=0.02)
    assert np.mean(lags) == pytest.approx(0.43, abs=0.04)


def test_temperatures_have_their_normals(greensboro):
    asked, weather = greensboro
    temp = by_day(weather["temp_air"])
    normals = asked.normals[0]
    for found, wanted in (
        (temp.mean(axis=-1), normals.temp_mean_c),
        (temp.min(axis=-1), normals.temp_min_c),
        (temp.max(axis=-1), normals.temp_max_c),
    ):
        monthly = [found[:, asked.month == month].mean() for month in range(12)]
        assert monthly == pytest.approx(wanted, abs=1.0)
        assert np.mean(np.subtract(monthly, wanted)) == pytest.approx(0.0, abs=0.25)


def test_warm_spells_and_cold_spells_last_as_measured():
    """Spread as asked and day-to-day correlation 0.70 of the daily mean, 0.62 inside single months; no step at midnight."""
    asked = trip(plain(), days=2000)
    temp = by_day(asked.draw(years=5)["temp_air"])
    assert temp.mean(axis=-1).std() == pytest.approx(3.0, rel=0.04)
    assert lag1(temp.mean(axis=-1)) == pytest.approx(0.70, abs=0.03)
    months = temp.mean(axis=-1)[:, :1980].reshape(-1, 30)
    assert np.mean([np.corrcoef(month[:-1], month[1:])[0, 1] for month in months]) == pytest.approx(0.62, abs=0.04)
    whole = temp.reshape(5, -1)
    across = np.abs(np.diff(whole, axis=-1)[:, 23::24]).mean()
    beside = np.abs(np.diff(whole, axis=-1)[:, 22::24]).mean()
    assert across < 1.1 * beside


def test_clear_days_have_wide_ranges():
    """Correlation 0.55 of daily range and daily clearness over 40 site-years."""
    asked = trip(plain(), days=1000)
    weather = asked.draw(years=5)
    found = np.ptp(by_day(weather["temp_air"]), axis=-1)
    assert np.corrcoef(found.ravel(), daily_kt(asked, weather).ravel())[0, 1] == pytest.approx(0.55, abs=0.05)


@pytest.mark.parametrize("longitude_deg", [-150.0, -7.0, 100.0])
def test_warmest_and_coldest_by_the_sun(longitude_deg):
    """13.6 h and 4.6 h by the sun over 40 site-years; hours are whole, so within one."""
    asked = trip(plain(longitude_deg=longitude_deg), days=300)
    usual = by_day(asked.draw(years=10)["temp_air"]).mean(axis=(0, 1))
    late_h = round(longitude_deg / 15.0) - longitude_deg / 15.0
    assert usual.argmax() + 0.5 - late_h == pytest.approx(13.6, abs=1.0)
    assert usual.argmin() + 0.5 - late_h == pytest.approx(4.6, abs=1.0)


def test_wind_has_its_mean_and_one_value_a_day(greensboro):
    asked, weather = greensboro
    wind = by_day(weather["wind_speed"])
    assert np.ptp(wind, axis=-1).max() == 0.0
    monthly = [wind[:, asked.month == month].mean() for month in range(12)]
    assert monthly == pytest.approx(asked.normals[0].wind_speed_m_s, rel=0.05)
    assert wind.std() / wind.mean() == pytest.approx(0.39, abs=0.03)


# ------------------------------------------------------------------------------------------------------- chance and its order


def test_two_hundred_years_begin_with_the_same_hundred_bit_for_bit():
    asked = trip(plain(), start="2001-03-10", days=9)
    whole = asked.draw(years=200, seed=7)
    for first, years in ((0, 100), (100, 100), (37, 1), (0, 3), (3, 50)):
        part = asked.draw(years=years, seed=7, first_year=first)
        for name, values in part.items():
            assert np.array_equal(values, whole[name][first : first + years]), (name, first, years)
    kt = draw_daily_clearness(plain(), MONTH_OF_DAY, years=20, seed=7)
    assert np.array_equal(draw_daily_clearness(plain(), MONTH_OF_DAY, years=5, seed=7, first_year=11), kt[11:16])


def test_blocks_of_work_change_nothing(monkeypatch):
    asked = trip(plain(), days=20)
    whole = asked.draw(years=7)
    monkeypatch.setattr(draws, "_BLOCK_VALUES", 1)
    for name, values in asked.draw(years=7).items():
        assert np.array_equal(values, whole[name])


def test_other_seeds_and_other_years_are_other_weather():
    asked = trip(plain(), days=365)
    weather = asked.draw(years=8, seed=1)
    other = asked.draw(years=8, seed=2)
    kt = daily_kt(asked, weather)
    between = np.corrcoef(np.vstack([kt, daily_kt(asked, other)])) - np.eye(16)
    assert np.abs(between).max() < 0.25
    hours = np.corrcoef(weather["ghi"][:, asked.cos_zenith > 0.5] / asked.beyond[asked.cos_zenith > 0.5]) - np.eye(8)
    assert np.abs(hours).max() < 0.25


def test_a_longer_trip_and_a_later_start_meet_the_same_weather():
    longest = trip(plain(), start="2001-05-01", days=31)
    known = longest.draw(years=4)
    for later, days in ((0, 20), (7, 24), (30, 1)):
        part = trip(plain(), start=f"2001-05-{1 + later:02d}", days=days)
        hours = slice(24 * later, 24 * (later + days))
        for name, values in part.draw(years=4).items():
            # The clearest day that the month allows is found from the days of the trip, so that the last digits differ.
            assert values == pytest.approx(known[name][:, hours], abs=0.01 if name == "temp_air" else 5.0), name


def test_weather_travels_along():
    """The day after a move is tied to the day before as any two days are, while mean and season are those of the new stop."""
    dull, bright = (
        plain(0.35),
        plain(0.65, latitude_deg=44.0, temp_mean_c=(20.0,) * 12, temp_min_c=(15.0,) * 12, temp_max_c=(25.0,) * 12),
    )
    asked = trip(dull, bright, start="2001-06-01", days=6, stop_of_day=np.array([0, 0, 0, 1, 1, 1]))
    weather = asked.draw(years=4000)
    kt = daily_kt(asked, weather)
    assert kt.mean(axis=0) == pytest.approx([0.35] * 3 + [0.65] * 3, rel=0.02)
    tied = [np.corrcoef(kt[:, day], kt[:, day + 1])[0, 1] for day in range(5)]
    assert tied == pytest.approx([0.30] * 5, abs=0.05)
    temp = by_day(weather["temp_air"]).mean(axis=-1)
    assert temp.mean(axis=0) == pytest.approx([10.0] * 3 + [20.0] * 3, abs=0.3)
    assert np.corrcoef(temp[:, 2], temp[:, 3])[0, 1] == pytest.approx(0.70, abs=0.05)


# ------------------------------------------------------------------------------------------------------------- odd places


def test_polar_night_and_midnight_sun():
    far_north = normals_from_written("far north", 80.0, 15.0, kt=[0.4] * 12, temp_mean_c=[-15.0] * 12)
    dark = trip(far_north, start="2001-12-01", days=30).draw(years=3)
    assert not dark["ghi"].any()
    assert dark["temp_air"].mean() == pytest.approx(-15.0, abs=3.0)
    bright = trip(far_north, start="2001-06-01", days=30)
    weather = bright.draw(years=30)
    assert (bright.cos_zenith > 0.0).all()
    assert daily_kt(bright, weather).mean() == pytest.approx(0.4, rel=0.05)
    spring = trip(far_north, start="2001-02-10", days=30).draw(years=2)
    assert all(np.isfinite(values).all() for values in spring.values())


def test_days_of_any_length_add_up():
    """At the date line and when clocks change, days have 21 to 27 hours; the first and the last may be stumps."""
    base = trip(plain(longitude_deg=179.0), days=8)
    lengths = np.array([5, 24, 21, 27, 23, 25, 24, 24, 19])
    odd = replace(base, day=np.repeat(np.arange(9), lengths))
    start = np.cumsum(lengths) - lengths
    weather = odd.draw(years=50)
    with np.errstate(invalid="ignore"):
        kt = np.add.reduceat(weather["ghi"], start, axis=1) / np.add.reduceat(odd.beyond, start)
    lit = np.add.reduceat(odd.beyond, start) > 0.0
    assert lit.sum() >= 8
    assert ((kt[:, lit] > 0.02) & (kt[:, lit] < 0.83)).all()
    assert kt[:, lit].mean() == pytest.approx(0.5, abs=0.03)


def test_a_night_alone():
    night = trip(plain(), days=1)
    few = slice(0, 4)
    part = Trip(
        night.normals,
        night.stop[few],
        night.utc[few],
        night.longitude_deg[few],
        night.cos_zenith[few],
        night.dni_extra[few],
        night.day[few],
    )
    weather = part.draw(years=3)
    assert not weather["ghi"].any()
    assert weather["temp_air"].shape == (3, 4)


def test_southern_seasons_stay_where_they_are():
    south = normals_from_written(
        "south", -35.0, 150.0, kt=[0.5] * 12, temp_mean_c=[24, 23, 21, 17, 13, 10, 9, 11, 14, 17, 20, 23]
    )
    asked = trip(south)
    weather = asked.draw(years=10)
    january, july = (by_day(weather["temp_air"])[:, asked.month == month].mean() for month in (0, 6))
    assert (january, july) == (pytest.approx(24.0, abs=1.0), pytest.approx(9.0, abs=1.0))
    assert by_day(weather["ghi"])[:, asked.month == 0].mean() > 2.0 * by_day(weather["ghi"])[:, asked.month == 6].mean()


# --------------------------------------------------------------------------------------------------------------- refusals


def test_numbers_that_no_draw_can_have_are_refused_together():
    with pytest.raises(InputError) as caught:
        trip(plain(), days=1).draw(years=0, seed=-1, first_year=-5)
    assert caught.value.mistakes == (
        "years: expected a whole number of at least 1, got 0.",
        "seed: expected a whole number of at least 0, got -1.",
        "first_year: expected a whole number of at least 0, got -5.",
    )
    with pytest.raises(InputError, match="years"):
        draw_daily_clearness(plain(), np.zeros(3, int), years=0, seed=1)


def test_arrays_that_do_not_belong_together_are_refused():
    asked = trip(plain(), days=2)
    with pytest.raises(ValueError, match="arrays of its length"):
        replace(asked, cos_zenith=asked.cos_zenith[:-1]).draw()
    with pytest.raises(ValueError, match="time zone"):
        replace(asked, utc=asked.utc.tz_localize(None)).draw()
    with pytest.raises(ValueError, match="without gaps"):
        replace(asked, day=asked.day * 2).draw()
    with pytest.raises(ValueError, match="a Normals for every stop"):
        replace(asked, stop=asked.stop + 1).draw()


def test_chance_lives_in_one_module():
    for path in Path(simulator.weather.__file__).parent.glob("*.py"):
        words = {node.attr for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Attribute)}
        assert bool(words & {"default_rng", "SeedSequence", "RandomState", "random"}) is (path.name == "draws.py"), path.name
