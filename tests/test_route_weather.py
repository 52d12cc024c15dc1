"""Weather along a route whose stops ask for different kinds of it, and mistakes of several stops at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulator import timeline, weather
from simulator.errors import InputError
from simulator.route import drawn_years, past_years, route_normals, route_weather
from simulator.route.parts import kept_year
from simulator.route.past import _in_words
from simulator.scenario import parse_scenario
from simulator.weather.archive_files import DamagedFileError

KT = "[0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]"
MEAN_C = "[1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]"
NORMALS = f"{{ normals = {{ kt = {KT}, temp_mean_c = {MEAN_C} }} }}"
TOO_SUNNY = f"{{ normals = {{ sun_kwh_m2_day = {[9.0, *[2.0] * 11]}, temp_mean_c = {MEAN_C} }} }}"
HEAD = """
seed = 4
[bank]
chemistry = "lfp"
unit_ah = 100
[[appliance]]
name = "light"
power_w = 5
hours_per_day = 4
"""
STOP = """
[[stop]]
name = "{name}"
latitude_deg = {latitude_deg}
longitude_deg = 7.0
zone = "Etc/UTC"
arrive = 2026-06-0{arrive}
depart = 2026-06-0{depart}
{rest}
"""


def trip(*weathers, rest="elevation_m = 300"):
    """A stop of three days for each weather, a tenth of a degree apart."""
    stops = [
        STOP.format(
            name=f"Place {number}",
            latitude_deg=46.0 + 0.1 * number,
            arrive=1 + 2 * number,
            depart=3 + 2 * number,
            rest=f"{rest}\nweather = {written}\n",
        )
        for number, written in enumerate(weathers)
    ]
    scenario = parse_scenario(HEAD + "".join(stops))
    return scenario, timeline.build_timeline(scenario)


def test_each_stop_has_the_weather_it_asks_for():
    """A clear sky, a drawn year and a sample on one route: each hour by hour what it is on its own."""
    scenario, clock = trip("{ clear = true, temp_c = 11 }", NORMALS, '{ sample = "greensboro" }')
    found = route_weather(scenario, clock)
    clear, drawn, sample = (clock.stop == place for place in range(3))
    assert set(found.table["temp_air"][clear]) == {11.0}
    alone = weather.hourly_clear_weather(clock.utc[clear], clock.latitude_deg[clear], clock.longitude_deg[clear], 300.0, 11.0)
    assert (found.table["ghi"][clear] == alone["ghi"]).all()
    station = weather.read_sample("greensboro")
    assert (found.table["ghi"][sample] == weather.hourly_weather(station, clock.utc[sample])["ghi"]).all()
    light = found.table["ghi"][drawn]
    assert 0.0 < light.max() < 1200.0
    assert (light[clock.local_hour[drawn] == 1.0] == 0.0).all()
    # June has 17 C on average here; drawn days stray from it by some degrees.
    assert found.table["temp_air"][drawn].mean() == pytest.approx(17.0, abs=6.0)
    assert found.sources[0].startswith("one year drawn by chance (seed 4, year 1) from ")
    assert "clear sky all day at 11 C: the upper bound of what the sun can give" in found.sources
    assert station.source in found.sources
    assert (found.elevation_m == 300.0).all()


def test_the_drawn_stop_is_the_same_whoever_stands_beside_it():
    """The first drawn year of a seed hangs on the stop's own normals, not on the weather of the others."""
    mixed, clock = trip("{ clear = true }", NORMALS)
    alike, same_clock = trip(NORMALS, NORMALS)
    here = clock.stop == 1
    one, other = route_weather(mixed, clock), route_weather(alike, same_clock)
    assert (one.table["ghi"][here] == other.table["ghi"][here]).all()
    assert (one.table["temp_air"][here] == other.table["temp_air"][here]).all()


def test_without_a_written_height_that_of_the_weather_is_taken():
    scenario, clock = trip('{ sample = "greensboro" }', "{ clear = true }", rest="")
    found = route_weather(scenario, clock)
    assert set(found.elevation_m[clock.stop == 0]) == {weather.read_sample("greensboro").elevation_m}
    # 46.1 N 7 E lies in the Alps.
    assert 400.0 < found.elevation_m[clock.stop == 1].min() < 4000.0


def test_a_route_without_weather_is_a_clear_sky_of_20_c():
    scenario, clock = trip("{ clear = true }")
    bare = replace(scenario, stops=(replace(scenario.stops[0], weather=None),))
    assert set(route_weather(bare, clock).table["temp_air"]) == {20.0}
    assert set(route_weather(scenario, clock).table["temp_air"]) == {20.0}


def test_mistakes_of_all_stops_come_at_once(tmp_path):
    """More sun than there can be at two stops, and at a third a file that is none."""
    (tmp_path / "year.epw").write_text("no weather at all\n", encoding="utf-8")
    weathers = (TOO_SUNNY, "{ clear = true }", TOO_SUNNY, f'{{ file = "{tmp_path / "year.epw"}" }}')
    scenario, clock = trip(*weathers)
    with pytest.raises(InputError) as told:
        route_weather(scenario, clock)
    mistakes = told.value.mistakes
    assert sum("Place 0" in mistake for mistake in mistakes) == 1
    assert sum("Place 2" in mistake for mistake in mistakes) == 1
    assert sum("year.epw" in mistake for mistake in mistakes) == 1
    assert len(mistakes) == 3
    with pytest.raises(InputError) as told:
        route_normals(scenario)
    assert len(told.value.mistakes) == 4
    assert sum("odds need weather that varies, got a clear sky" in mistake for mistake in told.value.mistakes) == 1


def test_one_read_of_a_file_serves_all_its_stops(monkeypatch):
    asked = []

    def read(name):
        asked.append(name)
        return sample(name)

    sample = weather.read_sample
    monkeypatch.setattr(weather, "read_sample", read)
    scenario, _ = trip('{ sample = "greensboro" }', NORMALS, '{ sample = "greensboro" }')
    found = route_normals(scenario)
    assert asked == ["greensboro"]
    assert found[0].temp_mean_c == found[2].temp_mean_c != found[1].temp_mean_c


def test_only_frost_of_the_months_of_the_stay_counts():
    """Mean daily lows of the written normals are below zero in winter alone."""
    scenario, clock = trip(NORMALS)
    summer = drawn_years(scenario, clock, 2, 1)
    assert summer.freezes == (False,)
    assert (summer.kind, summer.names) == ("drawn", ("1", "2"))
    winter = parse_scenario(
        HEAD
        + STOP.format(name="x", latitude_deg=46.0, arrive=1, depart=3, rest=f"elevation_m = 300\nweather = {NORMALS}").replace(
            "2026-06", "2026-01"
        )
    )
    assert drawn_years(winter, timeline.build_timeline(winter), 2, 1).freezes == (True,)


def test_past_years_are_only_for_stops_that_ask_for_them():
    scenario, clock = trip(NORMALS)
    with pytest.raises(InputError, match=r"--source: expected a stop with weather = \{ years"):
        past_years(scenario, clock, 1)


def test_a_damaged_year_is_no_year(monkeypatch):
    def damaged(cell, year):
        raise DamagedFileError(f"{cell} {year}")

    monkeypatch.setattr("simulator.route.parts.read_kept", damaged)
    assert kept_year(None, 2005) is None


@pytest.mark.parametrize(
    ("years", "words"),
    [([], ""), ([2005], "2005"), ([2005, 2006], "2005-2006"), ([2001, 2003, 2004, 2005, 2009], "2001, 2003-2005, 2009")],
)
def test_years_in_words(years, words):
    assert _in_words(years) == words


def test_weather_of_every_hour_is_finite():
    scenario, clock = trip("{ clear = true }", NORMALS, '{ sample = "greensboro" }')
    for name, values in route_weather(scenario, clock).table.items():
        assert np.isfinite(values).all(), name
