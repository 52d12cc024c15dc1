"""What a person writes becomes a finished scenario: presets merged, zones found, local time turned into UTC."""

from __future__ import annotations

import math
import subprocess
import sys
import tomllib
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import weather
from simulator.scenario import describe, load_preset, parse_scenario, read_scenario, starter_text
from simulator.scenario.clock import day_start, first_moment, split_at_midnight
from simulator.scenario.legs import great_circle_km
from simulator.scenario.lines import locate_lines
from simulator.scenario.written import SAMPLES

ROOT = Path(__file__).resolve().parents[1]

BANK = '[bank]\nchemistry = "lfp"\nunit_v = 12.8\nunit_ah = 100\n'
LOAD = '[[appliance]]\nname = "radio"\npower_w = 10\nhours_per_day = 5\n'
WEATHER = '[weather]\nsample = "miami"\n'
MIAMI = '[[stop]]\nname = "Glade"\nlatitude_deg = 25.5\nlongitude_deg = -80.5\n'
STAY = MIAMI + "arrive = 2026-03-01\ndepart = 2026-03-10\n"
ARRAY = '[[array]]\npanel = {{ {panel} }}\n{more}\n[array.controller]\nkind = "{kind}"\n'


def scenario(*parts, bank=BANK, load=LOAD, weather=WEATHER, stops=STAY, vehicle=""):
    """A small trip with one part replaced."""
    return parse_scenario("\n".join([vehicle, bank, load, weather, stops, *parts]))


def array(panel="p_w = 100", kind="mppt", more=""):
    return ARRAY.format(panel=panel, kind=kind, more=more)


def two_stops(first="depart = 2026-03-05", second="arrive = 2026-03-05", ahead=(25.5, -79.0), more_first="", more_second=""):
    return (
        f"{MIAMI}arrive = 2026-03-01\n{first}\n{more_first}\n"
        f'[[stop]]\nname = "Beyond"\nlatitude_deg = {ahead[0]}\nlongitude_deg = {ahead[1]}\nzone = "America/New_York"\n'
        f"{second}\ndepart = 2026-03-12\n{more_second}\n"
    )


# ---- finished, whatever was left out ----------------------------------------------------------------------------------------


def test_the_starter_runs_as_it_is_and_says_what_it_is():
    found = parse_scenario(starter_text())
    assert found.title == "My trip"
    assert [stop.weather.sample for stop in found.stops] == ["greensboro"] * 2
    assert found.appliances[-1].kind == "standing"
    lines = describe(found)
    assert lines[0] == "My trip: understood, no mistakes."
    assert all("\n" not in line for line in lines)
    for heading in ("Bank", "Charging", "Load", "Route", "Taken where nothing was written"):
        assert heading in lines


@pytest.mark.parametrize("line", [line for line in starter_text().splitlines() if line.startswith("# ") and " = " in line])
def test_every_key_the_starter_explains_in_a_comment_exists(line):
    """Keys that are commented out are read where they stand: only the comment sign is taken away."""
    key = line[2:].split("=", 1)[1].split("#", 1)[0].strip()
    bare = line[2:].split("#", 1)[0].rstrip()
    try:
        tomllib.loads(bare)
    except tomllib.TOMLDecodeError:
        assert line.count("=") > 1 or "(" in line, f"neither a sentence nor TOML: {key}"
        return
    text = starter_text()
    if "for the line above" in line:
        before = text.splitlines()[text.splitlines().index(line) - 1]
        text = text.replace(before + "\n", "")
    text = text.replace(line, bare)
    for table in ("[bank.heater]", "[shore]", "[generator]", "[rest_of_year]", "[size]", "[costs]", "[[variant]]"):
        text = text.replace(f"# {table}", table)
    # What the other keys of these tables cannot be without.
    for needed in ('name = "one string more"', 'set = { "bank.in_parallel" = 3 }'):
        text = text.replace(f"# {needed}", needed)
    text = text.replace('# windows = ["08:00-20:00"]', 'windows = ["08:00-20:00"]')
    text = text.replace("# storage = {", "storage = {")
    assert parse_scenario(text).title == "My trip"


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios").glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_scenarios_are_read_and_described(path):
    found = read_scenario(path)
    assert found.path == path
    assert found.sha256
    assert len(describe(found)) > 10


def all_numbers(part):
    if is_dataclass(part):
        for entry in fields(part):
            yield from all_numbers(getattr(part, entry.name))
    elif isinstance(part, tuple):
        for item in part:
            yield from all_numbers(item)
    elif isinstance(part, float):
        yield part


@pytest.mark.parametrize("chemistry", ["lfp", "agm"])
@pytest.mark.parametrize("bus_v", [12, 24, 48])
def test_two_lines_of_bank_are_enough_on_any_bus(chemistry, bus_v):
    found = scenario(
        array(more=f"in_series = {bus_v // 12}"),
        bank=f'[bank]\nchemistry = "{chemistry}"\nunit_ah = 200',
        vehicle=f"[vehicle]\nbus_v = {bus_v}",
    )
    bank = found.bank
    assert bank.in_series * bank.unit_v == pytest.approx(bus_v, rel=0.07)
    assert all(math.isfinite(number) for number in all_numbers(found))
    assert bank.curve.ocv_v[0] * bank.in_series < bus_v * 1.1 < bank.curve.ocv_v[-1] * bank.in_series * 1.1
    assert bank.charge_limit_a == pytest.approx(200 * load_preset("chemistries").number(chemistry, "charge_limit_per_h"))
    assert bank.cutoff_soc < bank.reconnect_soc < 1.0 - bank.usable_frac + 0.5


def test_numbers_scale_with_the_unit():
    """Common practice, no source: 12 mOhm, 12 kg and 0.5 C for a 12.8 V 100 Ah lithium unit."""
    small = scenario().bank
    large = scenario(bank='[bank]\nchemistry = "lfp"\nunit_v = 25.6\nunit_ah = 200\n', vehicle="[vehicle]\nbus_v = 24").bank
    assert small.resistance_ohm == pytest.approx(0.012)
    assert large.resistance_ohm == pytest.approx(0.012 * 2 / 2)
    assert small.unit_kg == pytest.approx(14.1, rel=0.01)
    assert large.unit_kg == pytest.approx(4 * small.unit_kg)
    assert large.curve.ocv_v == pytest.approx([2 * volts for volts in small.curve.ocv_v])
    assert (small.absorb_v, large.absorb_v) == pytest.approx((14.4, 28.8))
    assert large.heat_capacity_j_per_c == pytest.approx(1050 * large.unit_kg)


def test_any_number_of_the_bank_may_be_overridden():
    written = {
        "usable_frac": 0.7,
        "cutoff_soc": 0.1,
        "reconnect_soc": 0.2,
        "charge_limit_a": 40.0,
        "charge_cold_limit_a": 5.0,
        "charge_min_c": 1.0,
        "charge_resume_c": 4.0,
        "resistance_ohm": 0.02,
        "unit_kg": 13.0,
        "calendar_years": 8.0,
        "standby_w": 0.0,
        "soh_start": 0.9,
    }
    bank = scenario(bank=BANK + "\n".join(f"{key} = {value}" for key, value in written.items())).bank
    assert {key: getattr(bank, key) for key in written} == written


def test_a_moved_cold_limit_takes_the_resume_limit_along():
    bank = scenario(bank=BANK + "charge_min_c = 5").bank
    assert (bank.charge_min_c, bank.charge_resume_c, bank.charge_full_c) == (5.0, 8.0, 10.0)


@pytest.mark.parametrize(
    ("lines", "floor"),
    [
        ("usable_frac = 0.8", (0.05, 0.10)),
        ('usable_frac = 0.8\nat_floor = "off"', (0.2, 0.25)),
        ('usable_frac = 1.0\nat_floor = "off"', (0.05, 0.10)),
        ("cutoff_soc = 0.1", (0.1, 0.15)),
        ("cutoff_soc = 0.1\nreconnect_soc = 0.1", (0.1, 0.1)),
    ],
)
def test_where_supply_ends_and_comes_back(lines, floor):
    bank = scenario(bank=BANK + lines).bank
    assert (bank.cutoff_soc, bank.reconnect_soc) == pytest.approx(floor)


def test_a_number_outside_its_usual_range_is_taken_with_a_note():
    found = scenario(bank=BANK + "charge_min_c = -10")
    assert found.bank.charge_min_c == -10.0
    (note,) = [note for note in found.notes if "charge_min_c" in note]
    assert note.startswith("bank, charge_min_c (line 6): -10 C is outside the usual 0 to 10 C for lfp")


def test_defaults_that_decide_the_answer_are_named_with_their_source():
    said = " ".join(scenario().defaults_used)
    for word in ("Supply ends at 5%", "No charging below 0 C", "resumes at 3 C", "Standing draw", "Cabin heated", "no source"):
        assert word in said
    quiet = scenario(bank=BANK + "charge_min_c = 0\ncharge_resume_c = 3", vehicle="[vehicle]\nstanding_draw_w = 0")
    assert "No charging" not in " ".join(quiet.defaults_used)
    assert "Standing" not in " ".join(quiet.defaults_used)


# ---- panels and controllers -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("watts", "cells"), [(50, 36), (100, 36), (200, 36), (300, 60), (400, 72)])
def test_a_panel_known_by_its_watts_alone_gets_a_whole_sheet(watts, cells):
    panel = scenario(array(f"p_w = {watts}")).arrays[0].panel
    assert panel.cells == cells
    assert panel.v_mp * panel.i_mp == pytest.approx(watts)
    assert panel.v_mp < panel.v_oc
    assert panel.i_mp < panel.i_sc
    assert panel.gamma_pct_per_c < panel.beta_pct_per_c < 0.0 < panel.alpha_pct_per_c


def test_a_whole_sheet_is_left_as_it_is():
    sheet = {"p_w": 100.0, "v_mp": 18.6, "i_mp": 5.4, "v_oc": 22.5, "i_sc": 5.9, "cells": 36, "gamma_pct_per_c": -0.4}
    panel = scenario(array(", ".join(f"{key} = {value}" for key, value in sheet.items()))).arrays[0].panel
    assert {key: getattr(panel, key) for key in sheet} == sheet


@pytest.mark.parametrize(
    "sheet", ["p_w = 100, v_mp = 18.6", "v_mp = 18.6, i_mp = 5.4", "p_w = 100, i_mp = 5.4", "p_w = 100, v_oc = 22.5"]
)
def test_half_a_sheet_is_completed_without_contradiction(sheet):
    panel = scenario(array(sheet)).arrays[0].panel
    assert panel.cells in (36, 37)
    assert panel.v_mp * panel.i_mp == pytest.approx(panel.p_w, rel=0.01)
    assert panel.v_oc / panel.v_mp == pytest.approx(1.23, rel=0.02)


def test_glued_panels_age_faster_and_flat_ones_need_no_direction():
    glued, framed = (scenario(array(more=f'mount = "{mount}"')).arrays[0] for mount in ("bonded", "gap"))
    assert glued.ageing_frac_per_year == pytest.approx(3 * framed.ageing_frac_per_year)
    assert (framed.azimuth_deg, framed.bearing_deg, framed.tilt_deg) == (None, 0.0, 0.0)
    facing = scenario(array(more="azimuth_deg = 180\ntilt_deg = 30")).arrays[0]
    assert (facing.azimuth_deg, facing.bearing_deg) == (180.0, None)


def test_pwm_loses_nothing_in_conversion_and_needs_no_headroom():
    pwm = scenario(array(kind="pwm")).arrays[0].controller
    assert (pwm.efficiency_frac, pwm.tracking_frac, pwm.headroom_v) == (1.0, 1.0, 0.0)
    mppt = scenario(array()).arrays[0].controller
    assert mppt.efficiency_frac * mppt.tracking_frac == pytest.approx(0.95, abs=0.01)


# ---- loads ------------------------------------------------------------------------------------------------------------------


def test_amperes_are_at_the_bus_and_quantity_multiplies():
    load = '[[appliance]]\nname = "pump"\ncurrent_a = 5\nquantity = 3\nstandby_w = 1\nhours_per_day = 1\n'
    pump = scenario(load=load).appliances[0]
    assert (pump.power_w, pump.standby_w, pump.surge_w) == (180.0, 3.0, 180.0)
    doubled = scenario(load=load, vehicle="[vehicle]\nbus_v = 24", bank='[bank]\nchemistry = "lfp"\nunit_ah = 100').appliances[0]
    assert doubled.power_w == 360.0


def test_metered_watt_hours_need_no_watts():
    fridge = scenario(load='[[appliance]]\nname = "fridge"\nwh_per_day = 480\nquantity = 2\n').appliances[0]
    assert (fridge.power_w, fridge.wh_per_day) == (0.0, 960.0)


@pytest.mark.parametrize(
    ("pattern", "field", "value"),
    [
        ("hours_per_day = 4", "hours_per_day", 4.0),
        ('clock = ["06:30-08:00", "22:00-01:30"]', "clock", ((6.5, 8.0), (22.0, 1.5))),
        ('clock = "00:00-24:00"', "clock", ((0.0, 24.0),)),
        ("duty_frac = 1", "duty_frac", 1.0),
        ("uses = { per_day = 8, minutes = 3 }", "uses_per_day", 8.0),
    ],
)
def test_patterns(pattern, field, value):
    appliance = scenario(load=f'[[appliance]]\nname = "thing"\npower_w = 10\n{pattern}\n').appliances[0]
    assert getattr(appliance, field) == value
    patterns = ("hours_per_day", "clock", "duty_frac", "wh_per_day", "uses_per_day")
    assert sum(getattr(appliance, name) is not None for name in patterns) == 1


def test_days_stops_priority_and_kind():
    load = '[[appliance]]\nname = "lamp"\nkind = "lights"\nhours_per_day = 3\ndays = ["sat", "Sunday"]\n'
    load += 'stops = ["Beyond"]\npriority = "luxury"\n'
    lamp = scenario(load=load, stops=two_stops()).appliances[0]
    assert (lamp.weekdays, lamp.stops, lamp.priority, lamp.kind) == (frozenset({5, 6}), frozenset({2}), 2, "lights")
    assert lamp.power_w == load_preset("appliances").number("lights", "power_w")


def test_standing_draw_is_visible_changeable_and_removable():
    """Common practice, no source: 0.3 to 1 A at 12 V that nobody lists."""
    assert 0.3 * 12 <= scenario().appliances[-1].power_w <= 12.0
    assert scenario(vehicle="[vehicle]\nstanding_draw_w = 9").appliances[-1].power_w == 9.0
    assert [appliance.name for appliance in scenario(vehicle="[vehicle]\nstanding_draw_w = 0").appliances] == ["radio"]


def test_inverter_from_idle_draw_and_best_efficiency():
    """Sauer & Schmidt (1994): best efficiency 1 / (1 + v + 2 sqrt(p_self r))."""
    inverter = scenario("[inverter]\nrated_w = 2000\nidle_w = 14\nbest_efficiency_frac = 0.93").inverter
    assert inverter.p_self * inverter.rated_w == pytest.approx(14.0)
    assert 1.0 / (1.0 + inverter.v + 2.0 * math.sqrt(inverter.p_self * inverter.r)) == pytest.approx(0.93)
    assert inverter.surge_w == 4000.0
    law = scenario("[inverter]\nrated_w = 500\nloss = { p_self = 0.01, v = 0.02, r = 0.05 }").inverter
    assert (law.p_self, law.v, law.r) == (0.01, 0.02, 0.05)


@pytest.mark.parametrize(
    ("pattern", "on"),
    [
        ('clock = ["19:00-21:00"]', False),
        ('clock = ["22:00-01:00"]', True),
        ("duty_frac = 0.5", True),
        ("hours_per_day = 2", False),
        ("hours_per_day = 2\nstandby_w = 1", True),
    ],
)
def test_inverter_stays_on_only_for_what_runs_at_night(pattern, on):
    """Common practice, no source: always on if any AC load runs overnight."""
    load = f'[[appliance]]\nname = "screen"\nbus = "ac"\npower_w = 60\n{pattern}\n'
    assert scenario("[inverter]\nrated_w = 500", load=load).inverter.always_on is on


# ---- other charging ---------------------------------------------------------------------------------------------------------


def test_a_hookup_brings_a_usual_charger_and_nothing_else_does():
    assert scenario().shore is None
    hooked = scenario(stops=STAY + "hookup = true\n")
    assert hooked.shore.charger_a == 45.0
    assert hooked.stops[0].hookup_every_nights == 1
    assert scenario(stops=STAY + 'hookup = "every 7th night"\n').stops[0].hookup_every_nights == 7
    twice = scenario("[shore]", vehicle="[vehicle]\nbus_v = 24", bank='[bank]\nchemistry = "agm"\nunit_ah = 100')
    assert twice.shore.charger_a == 22.5


def test_generator_defaults_follow_the_chemistry_and_its_rating():
    lithium = scenario("[generator]").generator
    assert (lithium.start_soc, lithium.stop_soc, lithium.windows) == (0.30, 0.90, ((8.0, 20.0),))
    lead = scenario("[generator]\nrated_w = 1000", bank='[bank]\nchemistry = "agm"\nunit_ah = 100').generator
    assert (lead.start_soc, lead.stop_soc, lead.fuel_l_per_h_full) == (0.55, 0.85, 0.5)
    assert lead.charger_a * 12 / 0.87 <= 1000


def test_heater_is_of_the_whole_bank():
    """Common practice, no source: 40 to 60 W for a 12.8 V 100 Ah unit."""
    heater = scenario(bank=BANK + "in_parallel = 3\n[bank.heater]\n").bank.heater
    assert 120.0 <= heater.power_w <= 180.0
    assert (heater.on_below_c, heater.off_above_c, heater.from_bank) == (2.0, 8.0, False)
    assert scenario(bank=BANK + '[bank.heater]\nfrom = "bank"\n').bank.heater.from_bank


# ---- route and clock --------------------------------------------------------------------------------------------------------


def test_dates_mean_whole_local_days():
    stop = scenario().stops[0]
    assert stop.zone == "America/New_York"
    assert stop.stand_from_utc == datetime(2026, 3, 1, 5, tzinfo=UTC)
    # The clock goes forward on 8 March: the last midnight lies four hours behind UTC.
    assert stop.stand_to_utc == datetime(2026, 3, 11, 4, tzinfo=UTC)
    assert stop.drives_utc == ()


def test_the_drive_starts_at_nine_on_the_clock_of_the_stop_being_left():
    found = scenario(stops=two_stops())
    left, ahead = found.stops
    start = datetime(2026, 3, 5, 14, tzinfo=UTC)
    # Great circle along 25.5 degrees north, 1.5 degrees of longitude: 150.5 km; x 1.3 at 75 km/h.
    assert ahead.leg_km == pytest.approx(1.3 * 150.5, rel=0.001)
    assert left.stand_to_utc == start
    assert ahead.drives_utc == ((start, ahead.stand_from_utc),)
    assert (ahead.stand_from_utc - start).total_seconds() == pytest.approx(3600 * ahead.leg_km / 75, abs=60)
    assert ahead.leg_estimated
    assert any("was taken as 196 km" in note for note in found.notes)


def test_leave_and_drive_h_are_taken_as_written():
    found = scenario(stops=two_stops(more_first='leave = "06:30"', more_second="drive_h = 4"))
    assert found.stops[1].drives_utc == ((datetime(2026, 3, 5, 11, 30, tzinfo=UTC), datetime(2026, 3, 5, 15, 30, tzinfo=UTC)),)
    assert not found.stops[1].leg_estimated
    assert not [note for note in found.notes if "drive" in note]


def test_a_drive_past_midnight_goes_on_the_next_day_with_a_note():
    found = scenario(stops=two_stops(more_second="drive_h = 20"))
    first, second = found.stops[1].drives_utc
    zone = ZoneInfo("America/New_York")
    assert [moment.astimezone(zone).strftime("%d %H:%M") for moment in (*first, *second)] == [
        "05 09:00",
        "06 00:00",
        "06 09:00",
        "06 14:00",
    ]
    assert any("would pass midnight" in note for note in found.notes)
    assert any("15.0 h of driving on one day is long" in note for note in found.notes)


@pytest.mark.parametrize(
    ("first", "second", "leaves", "comes"),
    [
        ("depart = 2026-03-05T20:00:00", "arrive = 2026-03-06T04:00:00", (2026, 3, 6, 1), (2026, 3, 6, 9)),
        ("depart = 2026-03-05T07:00:00", "arrive = 2026-03-05\ndrive_h = 3", (2026, 3, 5, 12), (2026, 3, 5, 15)),
        ("depart = 2026-03-05", "arrive = 2026-03-05T18:00:00\ndrive_h = 3", (2026, 3, 5, 20), (2026, 3, 5, 23)),
    ],
)
def test_written_times_are_kept(first, second, leaves, comes):
    left, ahead = scenario(stops=two_stops(first, second)).stops
    assert left.stand_to_utc == datetime(*leaves, tzinfo=UTC)
    assert ahead.stand_from_utc == datetime(*comes, tzinfo=UTC)


def test_coming_back_to_the_same_place_needs_no_drive_and_no_new_name():
    again = f"{MIAMI}arrive = 2026-03-05\ndepart = 2026-03-08\n"
    left, ahead = scenario(stops=f"{MIAMI}arrive = 2026-03-01\ndepart = 2026-03-05\n{again}").stops
    assert left.stand_to_utc == ahead.stand_from_utc
    assert ahead.drives_utc == ()


def test_over_the_date_line_each_time_is_read_on_its_own_clock():
    """Samoa and American Samoa lie 130 km and 24 hours apart."""
    stops = (
        '[[stop]]\nname = "Apia"\nlatitude_deg = -13.83\nlongitude_deg = -171.76\n'
        "arrive = 2026-06-01\ndepart = 2026-06-05T10:00:00\n"
        '[[stop]]\nname = "Pago Pago"\nlatitude_deg = -14.28\nlongitude_deg = -170.70\n'
        "arrive = 2026-06-04T16:00:00\ndepart = 2026-06-08\n"
    )
    left, ahead = scenario(stops=stops).stops
    assert (left.zone, ahead.zone) == ("Pacific/Apia", "Pacific/Pago_Pago")
    assert ahead.stand_from_utc - left.stand_to_utc == timedelta(hours=6)


@pytest.mark.parametrize(
    ("place", "zone", "start"),
    [
        ((27.7, 85.3), "Asia/Kathmandu", datetime(2026, 2, 28, 18, 15, tzinfo=UTC)),
        ((-31.95, 141.45), "Australia/Broken_Hill", datetime(2026, 2, 28, 13, 30, tzinfo=UTC)),
        ((38.57, -7.91), "Europe/Lisbon", datetime(2026, 3, 1, tzinfo=UTC)),
    ],
)
def test_zones_follow_from_the_place_also_those_off_by_part_of_an_hour(place, zone, start):
    stops = f'[[stop]]\nname = "There"\nlatitude_deg = {place[0]}\nlongitude_deg = {place[1]}\n'
    stops += "arrive = 2026-03-01\ndepart = 2026-03-02\n"
    stop = scenario(stops=stops).stops[0]
    assert (stop.zone, stop.stand_from_utc) == (zone, start)


def test_a_day_that_starts_without_midnight_starts_at_its_first_moment():
    """IANA time zone database: in Santiago the clock jumped from 24:00 to 01:00 on 8 September 2024."""
    zone = ZoneInfo("America/Santiago")
    start = day_start(date(2024, 9, 8), zone)
    assert start.astimezone(zone) == datetime(2024, 9, 8, 1, tzinfo=zone)
    assert (start - timedelta(seconds=1)).astimezone(zone).date() == date(2024, 9, 7)


@pytest.mark.parametrize(
    "name", ["America/Santiago", "Pacific/Apia", "America/Havana", "Europe/Lisbon", "Australia/Lord_Howe", "Asia/Beirut"]
)
def test_days_follow_each_other_without_gap_in_every_zone(name):
    zone = ZoneInfo(name)
    for year in (2011, 2024):
        days = [date(year, 1, 1) + timedelta(days=count) for count in range(366)]
        starts = [day_start(day, zone) for day in days]
        hours = [(after - before).total_seconds() / 3600 for before, after in pairwise(starts)]
        # Samoa skipped 30 December 2011: that day has no length.
        assert set(hours) <= {0.0, 23.0, 23.5, 24.0, 24.5, 25.0}
        assert sum(hours) == (starts[-1] - starts[0]).total_seconds() / 3600


def test_great_circle():
    """A quarter of a meridian is 10,007.5 km on a sphere of 6371.0088 km, by definition."""
    assert great_circle_km((0.0, 0.0), (90.0, 0.0)) == pytest.approx(math.pi / 2 * 6371.0088)
    assert great_circle_km((10.0, 179.9), (10.0, -179.9)) == pytest.approx(21.9, abs=0.1)
    assert great_circle_km((0.0, 0.0), (0.0, 180.0)) == pytest.approx(math.pi * 6371.0088)


@given(hours=st.floats(0.0, 60.0), leave_h=st.floats(0.0, 20.0), start_h=st.integers(0, 23))
def test_a_split_drive_keeps_its_length_and_its_days(hours, leave_h, start_h):
    zone = ZoneInfo("Europe/Lisbon")
    start = first_moment(datetime(2026, 3, 28, start_h), zone)
    drives = split_at_midnight(start, round(hours * 3600), leave_h, zone)
    assert sum((end - begin).total_seconds() for begin, end in drives) == round(hours * 3600)
    for begin, end in drives:
        assert begin.astimezone(zone).date() == (end - timedelta(seconds=1)).astimezone(zone).date()
    assert all(before[1] <= after[0] for before, after in pairwise(drives))


def test_weather_files_are_looked_for_beside_the_scenario(tmp_path):
    (tmp_path / "year.epw").write_text("LOCATION")
    text = "\n".join([BANK, LOAD, '[weather]\nfile = "year.epw"\n', STAY])
    (tmp_path / "trip.toml").write_text(text)
    found = read_scenario(tmp_path / "trip.toml")
    assert found.stops[0].weather.file == tmp_path / "year.epw"
    assert found.stops[0].weather is found.weather_default
    assert (found.title, found.path) == ("trip", tmp_path / "trip.toml")


def test_the_samples_a_person_may_name_are_those_that_come_with_flatdays():
    assert set(SAMPLES) == set(weather.SAMPLES)


def test_a_stop_s_own_weather_wins():
    own = scenario(stops=STAY + "weather = { clear = true, temp_c = 12 }\n").stops[0].weather
    assert (own.clear, own.temp_c, own.sample) == (True, 12.0, None)


# ---- the file itself --------------------------------------------------------------------------------------------------------


def test_the_same_bytes_have_the_same_checksum(tmp_path):
    text = starter_text()
    (tmp_path / "a.toml").write_bytes(text.encode())
    (tmp_path / "b.toml").write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert read_scenario(tmp_path / "a.toml").sha256 == parse_scenario(text).sha256
    assert read_scenario(tmp_path / "b.toml").stops == read_scenario(tmp_path / "a.toml").stops


TRICKY = """\
# [not] = "a key"
title = "has # and = and [brackets]"
'quoted key'.'a.b' = 1
multi = \"\"\"
[no.table]
x = 1 \\" \"\"\"
raw = '''
y = 2'''
dates = [ 2026-01-01 10:00:00, # comment ]
  [1, [2, 3]], { in = { deep = "}" }, b = ']' } ]
[bank.heater]
power_w = 5
[bank]
x = 1
[[array]]
name = "a"
panel = { p_w = 100, v_mp = 18 }
[array.controller]
kind = "mppt"
[[array]]
[array.controller]
kind = "pwm"
[array.panel]
p_w = 5
"""


def test_lines_of_tricky_toml():
    found = locate_lines(TRICKY)
    expected = {
        ("title",): 2,
        ("quoted key", "a.b"): 3,
        ("multi",): 4,
        ("raw",): 7,
        ("dates",): 9,
        ("dates", 2, "in", "deep"): 10,
        ("dates", 2, "b"): 10,
        ("bank",): 11,
        ("bank", "heater", "power_w"): 12,
        ("bank", "x"): 14,
        ("array",): 15,
        ("array", 0, "panel", "v_mp"): 17,
        ("array", 0, "controller"): 18,
        ("array", 1): 20,
        ("array", 1, "controller", "kind"): 22,
        ("array", 1, "panel", "p_w"): 24,
    }
    assert {path: found.get(path) for path in expected} == expected
    assert ("no", "table") not in found


def key_paths(value, path=()):
    """Paths of all keys of all tables."""
    if isinstance(value, dict):
        for key, child in value.items():
            yield (*path, key)
            yield from key_paths(child, (*path, key))
    elif isinstance(value, list):
        for position, child in enumerate(value):
            yield from key_paths(child, (*path, position))


@pytest.mark.parametrize(
    "text", [TRICKY, starter_text(), *(path.read_text() for path in sorted((ROOT / "scenarios").glob("*.toml")))]
)
def test_every_key_has_a_line_and_stands_in_it(text):
    found = locate_lines(text)
    lines = text.splitlines()
    for path in key_paths(tomllib.loads(text)):
        assert str(path[-1]) in lines[found[path] - 1], path


def test_reading_loads_no_heavy_library():
    code = (
        "import sys; from simulator.scenario import parse_scenario, starter_text, describe;"
        "describe(parse_scenario(starter_text()));"
        "print(sorted({'numpy', 'pandas', 'pvlib', 'numba', 'scipy', 'matplotlib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
