"""Studies where something is not as usual: numbers that cannot be, workers and disks that fail, designs at the edge."""

from __future__ import annotations

import errno
import os
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from simulator.battery.ageing import _lfp_notes
from simulator.battery.keeping import bear_damage
from simulator.battery.use import year_of_use
from simulator.errors import EngineFault, FlatdaysError, InputError
from simulator.loads.following import following_factor
from simulator.scenario import parse_scenario
from simulator.scenario.parts import Heater, SizeWish
from simulator.solar.surroundings import sky_view_frac
from simulator.sources import charger_share
from simulator.studies import changes, chunks, ground
from simulator.studies.added import with_added
from simulator.studies.added_words import read_added
from simulator.studies.budget import budget
from simulator.studies.changes import CannotBuildError
from simulator.studies.compare import compare
from simulator.studies.dates import dates
from simulator.studies.odds import odds
from simulator.studies.remedies import remedies
from simulator.studies.remedy_habits import hookup_night, running_h
from simulator.studies.sizing import size, target_of
from simulator.studies.stretch import stretch
from simulator.studies.weather_years import choose_years

TRIP = """
title = "Short stay"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 60
unit_price = 100
unit_kg = 12
[[array]]
name = "roof"
panel = {{ p_w = 60, v_mp = 18.0, i_mp = 3.33, v_oc = 22.0, i_sc = 3.6, cells = 36, price = 50, kg = 4, area_m2 = 0.4 }}
controller = {{ kind = "{controller}" }}
[[appliance]]
name = "all"
{load}
[[stop]]
name = "Field"
latitude_deg = 51.2
longitude_deg = -0.3
elevation_m = 60
arrive = 2026-09-01
depart = 2026-09-06
weather = {weather}
{more}
"""
NORMALS = '{ normals = "London/Gatwick" }'


def trip(controller="mppt", load="wh_per_day = 200", weather=NORMALS, more=""):
    return parse_scenario(TRIP.format(controller=controller, load=load, weather=weather, more=more))


@pytest.fixture(scope="module")
def short():
    return trip()


def refused(call, *arguments, **named):
    with pytest.raises(InputError) as caught:
        call(*arguments, **named)
    return caught.value.mistakes


# ---- numbers that cannot be ----


def test_every_mistake_of_a_call_is_told_at_once(short):
    stop = short.stops[0]
    many = [("--years", "--source", "--seed"), ("--source", "--seed", "--load-spread")]
    found = refused(stretch, short, stop, date(2026, 9, 1), years=0, source="oracle", seed=-1)
    assert [mistake.split(":")[0] for mistake in found] == list(many[0])
    found = refused(size, short, source="oracle", seed=-1, load_spread_frac=2.0)
    assert [mistake.split(":")[0] for mistake in found] == list(many[1])
    found = refused(odds, short, 0, source="oracle")
    assert {mistake.split(":")[0] for mistake in found} == {"--source", "--years"}
    found = refused(choose_years, short, 0, source="oracle", mistakes=["first"])
    assert found[0] == "first" and {mistake.split(":")[0] for mistake in found[1:]} == {"--source", "--years"}


def test_what_cannot_be_compared(short):
    assert refused(compare, []) == ("compare: expected at least two designs, got none",)
    stored = trip(more="[rest_of_year]\nstorage = { soc = 0.5, temp_c = 10 }")
    (mistake,) = refused(compare, [("one", short), ("other", stored)])
    assert mistake.startswith('"other": expected the rest of the year of "one"')


def test_no_more_past_years_than_there_are():
    assert target_of(SizeWish(years=7, odds=0.9), "past", 12).years == 7
    assert target_of(SizeWish(odds=0.9), "past", 12).years == 12
    assert refused(target_of, SizeWish(years=13), "past", 12) == (
        "years: expected at most 12, the past years that are in the cache, got 13",
    )


def test_a_stretch_needs_a_load(short):
    elsewhere = trip(load='wh_per_day = 200\nonly = "driving"')
    (mistake,) = refused(stretch, elsewhere, elsewhere.stops[0], date(2026, 9, 1))
    assert "expected something that draws power there, got none" in mistake


def test_a_clear_sky_has_its_own_temperature_under_an_even_one():
    """Without a temperature on the command line the one written with the clear sky is taken, and a stated one goes before it."""
    mild, warm = (trip(weather=f"{{ clear = true, temp_c = {temp} }}") for temp in (12, 25))
    day = date(2026, 9, 1)
    found = stretch(mild, mild.stops[0], day, kt=0.0)
    assert found.days == pytest.approx(stretch(warm, warm.stops[0], day, kt=0.0, temp_c=12.0).days, abs=1e-9)
    assert found.source == ()


# ---- designs at the edge ----


def test_units_in_series_make_a_bus_or_none(short):
    with pytest.raises(CannotBuildError, match=r"got 3 x 12.8 V = 38.4 V"):
        changes.with_series(short, 3)
    assert changes.with_series(changes.with_panels(short, 0, 0), 4).vehicle.bus_v == 48


def test_without_panels_the_array_is_gone_and_without_a_heater_nothing_warms(short):
    assert changes.with_panels(short, 0, 0).arrays == ()
    heater = Heater(power_w=30.0, on_below_c=2.0, off_above_c=8.0, from_bank=False)
    warmed = changes.with_heater(short, heater)
    assert warmed.bank.heater == heater
    assert changes.with_heater(warmed, None).bank == short.bank


def test_a_string_on_pwm_charges_by_its_best_voltage():
    """18 V at best power hold a bank of 12 V, not one of 24 V; a controller that converts goes by the open voltage."""
    array = trip(controller="pwm").arrays[0]
    bank = trip().bank
    assert changes.charges_bus(array, bank)
    assert not changes.charges_bus(array, replace(bank, in_series=2))


def test_a_chemistry_with_a_unit_that_cannot_be(short):
    found = refused(changes.with_chemistry, short, "agm", {"unit_ah": 100.0, "cutoff_soc": 0.9, "target_soc": 0.6})
    assert found and all(mistake.endswith("(for chemistry agm)") for mistake in found)


def test_an_appliance_for_no_time_changes_nothing(short):
    assert with_added(short, read_added("50 W dc, 2 h"), 0.0) is short


def test_an_inverter_that_is_too_small_for_what_is_added_is_told():
    from simulator.studies.added import effect_in_written_year

    scenario = trip(weather="{ clear = true }", more="[inverter]\nrated_w = 300\nalways_on = false")
    small, large = (effect_in_written_year(scenario, [read_added(f"{watts} W ac, 1 h")]) for watts in (250, 400))
    assert small.fitting is None
    assert (large.fitting.texts, large.fitting.rated_w, large.fitting.running_w) == (("400 W ac, 1 h",), 300.0, 400.0)
    # The bus was said, so nothing was taken for granted.
    assert not [note for note in large.notes if "was taken as" in note]


def test_hours_of_energy_and_power():
    (lamp,) = trip(load="wh_per_day = 200\npower_w = 50").appliances[:1]
    assert running_h(lamp) == pytest.approx(4.0)
    assert running_h(replace(lamp, wh_per_day=None)) is None


def test_a_night_on_the_road_has_no_hookup(short):
    after = short.stops[-1].stand_to_utc
    assert refused(hookup_night, short, after) == ("a hookup night: expected a night at a stop, got one on the road",)


# ---- progress ----


@pytest.mark.parametrize("study", ["odds", "size", "dates", "budget", "remedies"])
def test_progress_rises_to_the_whole(short, study):
    told = []

    def progress(done, total):
        told.append((done, total))

    if study == "odds":
        odds(short, 3, progress=progress)
    elif study == "size":
        size(short, SizeWish(in_parallel=(1, 2), years=3), progress=progress)
    elif study == "dates":
        dates(short, (-1, 1), years=3, progress=progress)
    elif study == "budget":
        budget(short, years=2, progress=progress)
    else:
        remedies(trip(load="wh_per_day = 500"), years=2, pairs=False, progress=progress)
    done = [count for count, _ in told]
    assert told and done == sorted(done)
    assert all(0 <= count <= total for count, total in told)
    if study != "size":
        assert told[-1][0] == told[-1][1]


# ---- workers and disks that fail ----


class OneThenBroken(Executor):
    """Its worker finishes what it is given first, and is gone at the second."""

    def __init__(self):
        self.given = 0

    def submit(self, call, /, *arguments, **named):
        self.given += 1
        if self.given > 1:
            raise BrokenExecutor
        future = Future()
        future.set_result(call(*arguments, **named))
        return future


def test_what_a_broken_pool_had_finished_is_kept(short, tmp_path):
    grid = [changes.with_parallel(short, units) for units in (1, 2)]
    drawn = ground.Ground(short, "drawn", 2, 1)
    with pytest.raises(FlatdaysError, match="The 1 of 2 chunks finished so far are kept in"):
        chunks.walk_in_chunks(grid, drawn, most_lanes=1, most_years=2, executor=OneThenBroken(), keep=tmp_path)
    (kept,) = tmp_path.iterdir()
    before = kept.read_bytes()
    again = chunks.walk_in_chunks(grid, drawn, most_lanes=1, most_years=2, keep=tmp_path, threads=1)
    assert kept.read_bytes() == before and len(list(tmp_path.iterdir())) == 2
    assert np.array_equal(again.flat_days, chunks.walk_in_chunks(grid, drawn, threads=1).flat_days)


def test_odds_by_workers_that_end_are_a_sentence(short):
    class Gone(Executor):
        def submit(self, call, /, *arguments, **named):
            future = Future()
            future.set_exception(BrokenExecutor())
            return future

    with pytest.raises(FlatdaysError, match="A worker process ended before its work was done"):
        odds(short, 3, executor=Gone())


def test_a_full_disk_leaves_no_half_chunk(short, tmp_path, monkeypatch):
    drawn = ground.Ground(short, "drawn", 1, 1)

    def full(self, target):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(InputError, match=r"could not be written \(No space left on device\); free some space"):
        chunks.walk_in_chunks([short], drawn, keep=tmp_path, threads=1)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_is_told_before_the_work(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    with pytest.raises(InputError, match="cannot be written; name a folder of your own"):
        chunks.Kept(tmp_path)


def test_rain_is_part_of_what_a_kept_chunk_hangs_on(short, monkeypatch):
    """Two weathers that differ in rain alone (it brings snow onto the panels) do not share a kept chunk."""
    drawn = ground.Ground(short, "drawn", 1, 1)
    weather = chunks.ground_weather(drawn)
    found = weather.block(0, 1)
    sums = []
    for rain in (None, 0.0, 1.0):
        wet = None if rain is None else np.full_like(found.table["temp_air"], rain)
        block = replace(found, precipitation_mm=wet)
        monkeypatch.setattr(
            chunks, "ground_weather", lambda _, block=block: SimpleNamespace(block=lambda *_: block, names=weather.names)
        )
        chunks.weather_sha256.cache_clear()
        sums.append(chunks.weather_sha256(drawn, (0,)))
    chunks.weather_sha256.cache_clear()
    assert len(set(sums)) == 3


def test_a_damaged_cache_is_emptied_and_a_full_disk_is_borne():
    """The caches of compiled functions: an index that cannot be read is put aside, and what cannot be saved is let go."""
    done = []

    class Cache:
        def __init__(self, broken):
            self.broken = broken

        def load_overload(self, signature, target):
            if self.broken:
                raise EOFError("cut short")
            return (signature, target)

        def save_overload(self, signature, data):
            done.append(data)
            if self.broken:
                raise OSError(errno.ENOSPC, "full")

        def flush(self):
            done.append("emptied")
            raise OSError(errno.EROFS, "read only")

    whole, damaged = Cache(False), Cache(True)
    bear_damage(SimpleNamespace(one=SimpleNamespace(_cache=whole), other=SimpleNamespace(_cache=damaged), number=3))
    assert whole.load_overload(1, 2) == (1, 2)
    assert damaged.load_overload(1, 2) is None
    damaged.save_overload(1, "code")
    assert done == ["emptied", "code"]


# ---- physics at the edge ----


def test_a_fast_bank_is_told_to_lie_beyond_the_data(short):
    """A mean current of one and a half fillings an hour; cycling was measured up to one."""
    hour = np.arange(1, 365 * 24 + 1)
    year = year_of_use(short.bank, np.where(hour % 2 == 0, 1.0, 0.5), np.full(hour.size, 20.0), 1.0)
    slow, fast = (_lfp_notes(replace(year, rate_per_h=rate), 10.0, 9.0, "cycles") for rate in (0.5, 1.5))
    assert [note for note in fast if "would fill the bank 1.5 times an hour" in note]
    assert not [note for note in slow if "times an hour" in note]


def test_a_plane_that_faces_the_ground_loses_no_sky():
    """Upside down there is no sky to lose; level under a wall all round of h degrees it is cos^2 h (Dozier and Frew 1990)."""
    wall = ((0.0, 30.0), (180.0, 30.0))
    assert sky_view_frac(wall, 180.0, 0.0) == 1.0
    assert sky_view_frac(wall, 0.0, 0.0) == pytest.approx(np.cos(np.radians(30.0)) ** 2, rel=1e-6)


def test_a_generator_without_a_charger_lacks_nothing(make_generator):
    heights_m = np.array([0.0, 3000.0])
    assert (charger_share(make_generator(charger_a=0.0), heights_m, 14.0) == 1.0).all()
    tight = make_generator(charger_a=1000.0, rated_w=1000.0)
    low, high = charger_share(tight, heights_m, 14.0)
    assert 0.0 < high < low < 1.0


def test_an_appliance_that_follows_without_its_number_is_a_fault(short):
    lost = replace(short.appliances[0], follows="pads", below_c=None)
    with pytest.raises(EngineFault, match='follows "pads" without its number'):
        following_factor(lost, short.vehicle, SimpleNamespace())
