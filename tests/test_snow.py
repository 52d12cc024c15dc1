"""Snow that past years tell of: it covers, slides off tilted panels in the sun, melts off flat ones, and hides the sun."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import timeline
from simulator.engine import histories
from simulator.route import RouteWeather, route_weather
from simulator.scenario import parse_scenario
from simulator.solar.snow import MELT_MM_PER_C_DAY, hourly_snow_cover, snow_depth_cm

HOURS = 240
UTC = pd.date_range("2026-01-10", periods=HOURS, freq="h", tz="UTC")
STORM = np.where(np.arange(HOURS) < 10, 3.0, 0.0)
"""Ten hours with 3 mm of water, 30 cm of snow where it is cold."""
FLAT, STEEP = np.zeros(HOURS), np.full(HOURS, 45.0)
TRIP = """
[bank]
chemistry = "lfp"
unit_ah = 100
[[array]]
panel = { p_w = 200 }
controller = { kind = "mppt" }
[[appliance]]
name = "light"
power_w = 5
duty_frac = 1.0
[weather]
sample = "greensboro"
[[stop]]
name = "Slope"
latitude_deg = 36.1
longitude_deg = -79.9
zone = "America/New_York"
arrive = 2026-01-10
depart = 2026-01-19
SNOW
"""


def test_rain_covers_nothing():
    assert not hourly_snow_cover(UTC, STORM, np.full(HOURS, 4.0), np.full(HOURS, 300.0), FLAT).any()


def test_snow_stays_on_flat_panels_while_it_is_cold_and_goes_when_it_has_melted():
    frozen = hourly_snow_cover(UTC, STORM, np.full(HOURS, -5.0), np.full(HOURS, 400.0), FLAT)
    assert (frozen[1:] == 1.0).all()
    # 30 cm less the last centimetre, at 3 mm of water (3 cm of snow) a degree and day: gone after 29 / (3 * 8) days of 8 C.
    thaw = np.where(np.arange(HOURS) < 48, -5.0, 8.0)
    cover = hourly_snow_cover(UTC, STORM, thaw, np.full(HOURS, 400.0), FLAT)
    bare = int(np.flatnonzero(cover[1:] == 0.0)[0]) + 1
    assert bare == pytest.approx(48 + 24 * 29.0 / (MELT_MM_PER_C_DAY * 8.0), abs=1.5)
    assert not cover[bare:].any()


def test_snow_slides_off_steep_panels_in_the_sun_but_not_in_the_dark_cold():
    """Slides once the air is warmer than -light / 80 (Marion et al. 2013): at -3 C from 240 W/m2 on, 0.197 sin(tilt) an hour."""
    air = np.full(HOURS, -3.0)
    sunny = hourly_snow_cover(UTC, STORM, air, np.full(HOURS, 260.0), STEEP)
    hours = 1.0 / (0.197 * np.sin(np.radians(45.0)))
    assert sunny[10:].sum() == pytest.approx(hours, abs=1.0)
    dull = hourly_snow_cover(UTC, STORM, air, np.full(HOURS, 220.0), STEEP)
    assert dull[10:].all()


def test_rows_are_independent_years():
    rain = np.stack([STORM, np.zeros(HOURS), np.roll(STORM, 100)])
    air, light = np.full((3, HOURS), -3.0), np.full((3, HOURS), 260.0)
    together = hourly_snow_cover(UTC, rain, air, light, STEEP)
    assert not together[1].any()
    for row in (0, 2):
        assert (together[row] == hourly_snow_cover(UTC, rain[row], air[row], light[row], STEEP)).all()


@given(st.lists(st.tuples(st.floats(0.0, 5.0), st.floats(-20.0, 15.0)), min_size=1, max_size=60))
def test_depth_is_a_store_that_snow_fills_and_warmth_empties(hours):
    fell, warm = (np.array(column) for column in zip(*hours, strict=True))
    depth, lies = [], 0.0
    for new, air in hours:
        lies = max(lies + new - max(air, 0.0) * MELT_MM_PER_C_DAY / 24.0, 0.0)
        depth.append(lies)
    assert snow_depth_cm(fell, warm) == pytest.approx(np.array(depth), abs=1e-9)


def setting(snow="", tilt=0):
    scenario = parse_scenario(TRIP.replace("SNOW", snow + (f"\ntilt_deg = {tilt}" if tilt else "")))
    clock = timeline.build_timeline(scenario)
    found = route_weather(scenario, clock)
    rain = np.zeros(clock.hours)
    rain[24:34] = 3.0
    cold = dict(found.table) | {"temp_air": np.full(clock.hours, -8.0)}
    return histories(scenario, clock, replace(found, table=cold, precipitation_mm=rain)), clock


def test_a_snowed_array_gives_nothing_and_the_row_beside_it_tells_what_it_hid():
    found, clock = setting()
    sun, free = (found.inputs.sun_w[found.sun_rows[name]] for name in ("as built", "no snow"))
    assert free[30:].sum() > 0.0
    assert not sun[30:].any()
    assert (sun[:24] == free[:24]).all()
    assert len(sun) == clock.hours


@pytest.mark.parametrize("word", ["none", "brushed"])
def test_a_person_who_brushes_or_knows_better_is_believed(word):
    found, _ = setting(f'snow = "{word}"')
    assert "no snow" not in found.sun_rows


def test_without_precipitation_the_word_of_the_stop_holds():
    scenario = parse_scenario(TRIP.replace("SNOW", 'snow = "stays"'))
    clock = timeline.build_timeline(scenario)
    found = route_weather(scenario, clock)
    cold = RouteWeather(dict(found.table) | {"temp_air": np.full(clock.hours, -8.0)}, found.elevation_m, (), ())
    rows = histories(scenario, clock, cold)
    assert not rows.inputs.sun_w[rows.sun_rows["as built"]].any()
    unknown = replace(cold, precipitation_mm=np.full(clock.hours, np.nan))
    assert not histories(scenario, clock, unknown).inputs.sun_w[0].any()


def test_many_years_are_each_snowed_on_alone():
    found, clock = setting()
    scenario = found.scenario
    table = {name: np.stack([values, values]) for name, values in found.weather.table.items()}
    rain = np.stack([np.zeros(clock.hours), found.weather.precipitation_mm])
    both = histories(scenario, clock, replace(found.weather, table=table, precipitation_mm=rain), questions=False).inputs.sun_w
    assert (both[1] == found.inputs.sun_w[0]).all()
    assert both[0].sum() > both[1].sum()
