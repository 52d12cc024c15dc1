"""Past years that are partly in the cache, or come and go meanwhile; years are of constants, told apart by their warmth."""

from __future__ import annotations

import errno
import os

import numpy as np
import pytest

from simulator import timeline
from simulator.errors import InputError
from simulator.route import route_weather
from simulator.scenario import parse_scenario
from simulator.scenario.parts import SizeWish
from simulator.studies.dates import dates
from simulator.studies.odds import odds
from simulator.studies.sizing import size
from simulator.weather import archive_files, archive_gather, cache
from simulator.weather.archive import cell_of

CELL = cell_of(38.6, -7.9)
TOLD = {"latitude_deg": 38.5, "longitude_deg": -8.0, "elevation_m": 300.0, "notes": [], "official": False}
TRIP = """
title = "Before New Year"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
unit_kg = 12
unit_price = 300
place = "inside"
[[array]]
name = "roof"
panel = { p_w = 100, kg = 8, price = 90, area_m2 = 0.6 }
controller = { kind = "mppt" }
[[appliance]]
name = "fridge and light"
power_w = 16
duty_frac = 1.0
[weather]
years = [2015, 2018]
[[stop]]
name = "Valley"
latitude_deg = 38.6
longitude_deg = -7.9
elevation_m = 300
arrive = 2026-12-08
depart = 2026-12-21
"""


def year_of(year: int) -> np.ndarray:
    """Twelve hours of steady light a day, dull in the odd years; the air has the degrees of the year."""
    hours = 8784 if year % 4 == 0 else 8760
    light = np.where((np.arange(hours) % 24 >= 6) & (np.arange(hours) % 24 < 18), 1.0, 0.0) * (40.0 if year % 2 else 300.0)
    level = np.ones(hours)
    return np.stack([light, light, 0.5 * light, (year - 2000.0) * level, 3.0 * level, 0.0 * level])


@pytest.fixture
def kept(tmp_path, monkeypatch):
    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path))

    def keep(*years):
        for year in years:
            assert archive_files.keep(CELL, year, TOLD, year_of(year)) is None
        return parse_scenario(TRIP)

    return keep


def test_weeks_over_new_year_have_fewer_past_years(kept):
    """2018 would need 2019 for a trip over New Year; earlier weeks have all four years."""
    found = dates(kept(2015, 2016, 2017, 2018), (-1, 2), source="past")
    assert [week.years for week in found.weeks] == [4, 4, 4, 3]
    assert "Each week is laid on the same real past years, date on date." in found.notes
    words = "Trips over New Year need two years in a row, so the weeks have 3 to 4 past years each."
    assert words in found.notes
    assert words not in dates(kept(), (-1, 1), source="past").notes


def test_a_size_meets_the_latest_past_years(kept):
    """Of four years the last two are taken, and the flat days in them are those of the odds."""
    scenario = kept(2015, 2016, 2017, 2018)
    flat = odds(scenario, load_spread_frac=0.0).flat_days
    assert len(flat) == 4 and len(set(flat[-2:])) == 2
    found = size(scenario, SizeWish(in_parallel=(1, 2), years=2, soh=1.0, max_price=9000.0), load_spread_frac=0.0, whole=True)
    assert found.target.years == 2
    (one,) = [design for design in found.grid.designs if design.choice["in_parallel"] == 1]
    assert found.walked.flat_days[one.number].tolist() == flat[-2:].tolist()
    with pytest.raises(InputError, match="expected at most 4, the past years that are in the cache, got 5"):
        size(scenario, SizeWish(in_parallel=(1, 2), years=5))


def test_a_run_says_that_later_years_are_not_there(kept):
    scenario = kept(2015, 2016)
    found = route_weather(scenario, timeline.build_timeline(scenario))
    assert set(found.table["temp_air"].ravel()) == {16.0}
    words = "past years after 2016 are not in the cache; flatdays fetch gets them"
    assert words in found.notes
    scenario = kept(2017, 2018)
    assert words not in route_weather(scenario, timeline.build_timeline(scenario)).notes


def test_without_a_home_folder_nothing_is_kept(monkeypatch):
    def homeless():
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(cache, "_folder", homeless)
    assert archive_files.folder() is None
    assert archive_files.keep(CELL, 2015, TOLD, year_of(2015)) == archive_files.NO_FOLDER
    assert archive_files.read_kept(CELL, 2015) is None
    assert archive_files.kept_checksum(CELL, [2015]) == archive_files.kept_checksum(CELL, [])


def test_a_year_that_another_process_kept_meanwhile_is_kept(kept, monkeypatch):
    """Our own file cannot be put into place; theirs is there and whole."""
    usual = os.replace

    def taken(source, target):
        usual(source, target)
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(os, "replace", taken)
    assert archive_files.keep(CELL, 2015, TOLD, year_of(2015)) is None

    def refused(source, target):
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(os, "replace", refused)
    assert str(archive_files.keep(CELL, 2016, TOLD, year_of(2016))).endswith("cannot be written (Permission denied)")
    assert archive_files.read_kept(CELL, 2016) is None


def test_a_year_that_came_meanwhile_is_not_fetched_again(kept):
    kept(2015)
    asked = []

    def fetch(cell, year, line):
        asked.append(year)
        return "fetched", None

    found, said = archive_gather._fetch_unless_kept(CELL, 2015, fetch, None)
    assert said is None and set(found.table["temp_air"]) == {15.0} and asked == []
    assert archive_gather._fetch_unless_kept(CELL, 2016, fetch, None) == ("fetched", None)
    assert asked == [2016]
