"""Normals that a stop names or lists, and the table that ``flatdays normals`` prints for them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pvlib
import pytest

from simulator.cli import main
from simulator.errors import InputError
from simulator.scenario import parse_scenario
from simulator.weather import read_sample
from simulator.weather.climate import climate_notes, mean_normals, written_normals
from simulator.weather.normals import normals_from_station
from simulator.weather.normals_table import normals_from_table

SAND_POINT = Path(pvlib.__file__).parent / "data" / "703165TY.csv"
TRIP = """
[bank]
chemistry = "lfp"
unit_ah = 100
[[appliance]]
name = "light"
power_w = 5
hours_per_day = 4
[[stop]]
name = "Here"
latitude_deg = {latitude_deg}
longitude_deg = {longitude_deg}
elevation_m = {elevation_m}
zone = "Etc/UTC"
arrive = 2026-06-01
depart = 2026-06-08
{weather}
"""


def written(weather, latitude_deg=37.4, longitude_deg=-5.9, elevation_m=30):
    return TRIP.format(weather=weather, latitude_deg=latitude_deg, longitude_deg=longitude_deg, elevation_m=elevation_m)


def stop(weather, **place):
    return parse_scenario(written(weather, **place)).stops[0]


def test_what_the_command_prints_can_be_pasted_and_says_the_same(capsys):
    assert main(["normals", str(SAND_POINT)]) == 0
    table = capsys.readouterr().out.replace("[weather.normals]", "[stop.weather.normals]")
    found = written_normals(stop(table, latitude_deg=55.3, longitude_deg=-160.5, elevation_m=7))
    measured = normals_from_station(read_sample("sandpoint"))
    assert found.kt == pytest.approx(measured.kt, abs=6e-4)
    assert found.kt_spread == pytest.approx(measured.kt_spread, abs=6e-4)
    for name in ("temp_mean_c", "temp_min_c", "temp_max_c", "wind_speed_m_s"):
        assert getattr(found, name) == pytest.approx(getattr(measured, name), abs=0.051)


def test_a_named_place_is_carried_to_the_height_of_the_stop():
    sevilla = normals_from_table("sevilla")
    high = written_normals(stop('weather = { normals = "Sevilla" }', elevation_m=sevilla.elevation_m + 1000))
    assert high.kt == sevilla.kt
    assert high.temp_mean_c == pytest.approx([value - 6.5 for value in sevilla.temp_mean_c])


def test_heights_that_normals_hold_for_may_be_written():
    table = f"weather = {{ normals = {{ kt = {[0.5] * 12}, temp_mean_c = {[10] * 12}, elevation_m = 530 }} }}"
    assert written_normals(stop(table)).temp_mean_c == pytest.approx([10.0 + 3.25] * 12)


def test_the_nearest_place_is_taken_only_if_it_is_near():
    assert written_normals(stop('weather = { normals = "nearest" }')).name == "SEVILLA"
    far = stop('weather = { normals = "nearest" }', latitude_deg=0.0, longitude_deg=0.0)
    with pytest.raises(
        InputError, match=r'stop 1 "Here" \(line \d+\), weather.normals: expected a place .* got none: the nearest is'
    ):
        written_normals(far)


def test_far_and_single_years_are_called_doubtful():
    near, far = stop('weather = { normals = "sevilla" }'), stop('weather = { normals = "golden 2011" }')
    assert climate_notes(near, written_normals(near)) == ()
    notes = climate_notes(far, written_normals(far))
    assert "km away" in notes[0]
    assert "equator" not in notes[0]
    assert "a single year" in notes[1]
    south = stop('weather = { normals = "sevilla" }', latitude_deg=-33.9, longitude_deg=18.4)
    with pytest.raises(InputError, match=r'stop 1 "Here" \(line 9\), weather: .* got that of SEVILLA in the north, where summer'):
        written_normals(south)


def test_the_mean_of_one_year_is_that_year():
    station = read_sample("greensboro")
    one, same = normals_from_station(station), mean_normals([station, station])
    for name in ("kt", "temp_mean_c", "temp_min_c", "temp_max_c", "kt_daily_sd", "temp_daily_sd_c"):
        assert getattr(same, name) == pytest.approx(getattr(one, name), rel=1e-12)


def test_check_knows_the_places_and_the_light_there_can_be(tmp_path, capsys):
    file = tmp_path / "trip.toml"
    file.write_text(written('weather = { normals = "Sevila" }'), encoding="utf-8")
    assert main(["check", str(file)]) == 2
    assert 'got "Sevila". Did you mean "SEVILLA"?' in capsys.readouterr().err
    bright = f"weather = {{ normals = {{ sun_kwh_m2_day = {[9] * 12}, temp_mean_c = {[9] * 12} }} }}"
    file.write_text(written(bright), encoding="utf-8")
    assert main(["check", str(file)]) == 2
    assert "sun_kwh_m2_day: expected at most" in capsys.readouterr().err
    file.write_text(written('weather = { normals = "Sevilla" }'), encoding="utf-8")
    assert main(["check", str(file)]) == 0
    assert "drawn from the normals of Sevilla" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("weather", ['{ normals = "Sevilla" }', "{ years = [2005, 2024] }"])
def test_checking_them_loads_no_heavy_library(tmp_path, weather):
    file = tmp_path / "trip.toml"
    file.write_text(written(f"weather = {weather}"), encoding="utf-8")
    code = (
        "import sys\nfrom simulator.cli import main\n"
        f"assert main(['check', {str(file)!r}]) == 0\n"
        "assert not {'pvlib', 'numba', 'matplotlib', 'scipy'} & {name.split('.')[0] for name in sys.modules}"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
