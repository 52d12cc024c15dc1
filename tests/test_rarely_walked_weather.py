"""Weather files with something odd in them, and how their origin is told."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from weather_texts import weather_texts

from simulator.errors import WeatherFileError
from simulator.scenario import parse_scenario
from simulator.weather import files
from simulator.weather.files import read_sample, read_weather_file
from simulator.weather.heads import Origin, origin_of_file, origin_of_sample, origin_words
from simulator.weather.station import distance_notes

STOP = """
title = "One stop"
[bank]
chemistry = "lfp"
unit_ah = 100
[[appliance]]
name = "lamp"
power_w = 10
hours_per_day = 2
[weather]
clear = true
[[stop]]
name = "here"
latitude_deg = 36.1
longitude_deg = -79.9
elevation_m = 273
arrive = 2026-06-01
depart = 2026-06-02
"""


def put(folder: Path, text: bytes) -> Path:
    file = folder / "year.csv"
    file.write_bytes(text)
    return file


def test_the_head_of_a_cell_of_a_grid_tells_its_place(tmp_path):
    """The second line of such a file has latitude, longitude and height; it is what reading the whole file finds."""
    file = put(tmp_path, weather_texts()["nsrdb"])
    found = origin_of_file(file)
    assert found == Origin("cell at 36.1, -79.95", 36.1, -79.95, 273.0)
    whole = read_weather_file(file)
    assert (whole.latitude_deg, whole.longitude_deg, whole.elevation_m) == (36.1, -79.95, 273.0)


def test_empty_fields_at_the_end_of_lines_are_no_fields(tmp_path):
    """Spreadsheets add commas to short lines; the year is the same."""
    text = weather_texts()["nsrdb"].decode()
    lines = text.splitlines()
    wide = "\n".join([f"{line},,," if number < 3 else line for number, line in enumerate(lines)]) + "\n"
    plain, odd = (read_weather_file(put(tmp_path, each.encode())) for each in (text, wide))
    assert odd.table.equals(plain.table)


def scaled(dhi_times: float) -> bytes:
    """A year whose diffuse light is a multiple of what was measured."""
    lines = weather_texts()["nsrdb"].decode().splitlines()
    rows = [line.split(",") for line in lines[3:]]
    for row in rows:
        row[5] = f"{float(row[5]) * dhi_times:g}"
    return "\n".join([*lines[:3], *(",".join(row) for row in rows), ""]).encode()


def test_light_that_hardly_adds_up_is_used_and_told(tmp_path):
    """Diffuse light is about 40 % of the global in Greensboro, so a quarter more of it makes the sum a tenth too large."""
    words = "its direct and diffuse light add up to"
    assert [note for note in read_weather_file(put(tmp_path, scaled(1.25))).notes if words in note]
    assert not [note for note in read_weather_file(put(tmp_path, scaled(1.0))).notes if words in note]
    with pytest.raises(WeatherFileError, match="add up to"):
        read_weather_file(put(tmp_path, scaled(1.8)))


@pytest.mark.parametrize(
    ("height_m", "words"),
    [
        (273.4, "here, 0 km away"),
        (300.0, "here, 0 km away and 27 m higher"),
        (200.0, "here, 0 km away and 73 m lower"),
        (1500.0, "here, 0 km away and 1,227 m higher, so its air is warmer or colder"),
        (None, "here, 0 km away"),
    ],
)
def test_height_beside_the_stop(height_m, words):
    (stop,) = parse_scenario(STOP).stops
    assert origin_words(Origin("here", stop.latitude_deg, stop.longitude_deg, height_m), stop) == words
    assert origin_words(Origin("here", stop.latitude_deg, stop.longitude_deg, height_m), replace(stop, elevation_m=None)) == (
        "here, 0 km away"
    )


def test_samples_that_are_not_there_are_a_sentence(tmp_path, monkeypatch):
    """They come with a library; without it, or with one cut short, nothing breaks."""
    assert origin_of_sample("greensboro") is not None
    usual = importlib.util.find_spec
    bare = SimpleNamespace(origin=str(tmp_path / "__init__.py"))
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: bare if name == "pvlib" else usual(name))
    assert origin_of_sample("greensboro") is None
    with pytest.raises(WeatherFileError, match="does not carry"):
        read_sample("greensboro")
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "pvlib" else usual(name))
    assert origin_of_sample("greensboro") is None
    with pytest.raises(WeatherFileError, match="which is not installed"):
        read_sample("greensboro")
    assert files.SAMPLES


def test_the_sign_of_a_longitude_is_asked_after_only_where_it_may_be_wrong():
    """With the other sign Greensboro would be near; what is merely far has the right one."""
    (stop,) = parse_scenario(STOP).stops
    here = Origin("here", 36.1, -79.95, None)
    wrong, far = (replace(stop, latitude_deg=36.1, longitude_deg=east) for east in (79.95, -90.0))
    assert origin_words(here, wrong).endswith("(that is another climate; is longitude_deg right? west is negative)")
    assert origin_words(here, far).endswith("(that is another climate)")
    station = read_sample("greensboro")
    assert "(is longitude_deg right? west is negative)" in distance_notes(station, wrong)[0]
    assert distance_notes(station, far)[0].endswith("so the answer is not for this place")
