"""Bad input: one clear sentence a mistake, all of them at once, each with its place; never a traceback."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.scenario import parse_scenario, read_scenario, starter_text

GOOD = """\
title = "Good"
[vehicle]
bus_v = 12
[bank]
chemistry = "lfp"
unit_v = 12.8
unit_ah = 100
in_series = 1
in_parallel = 2
usable_frac = 0.8
[[array]]
name = "roof"
panel = { p_w = 100, v_mp = 18.6, i_mp = 5.4, v_oc = 22.5, i_sc = 5.9, cells = 36 }
in_series = 1
[array.controller]
kind = "mppt"
[inverter]
rated_w = 1000
[alternator]
charger_a = 30
[generator]
start_soc = 0.3
stop_soc = 0.9
[[appliance]]
name = "fridge"
power_w = 45
duty_frac = 0.4
[[appliance]]
name = "laptop"
bus = "ac"
power_w = 60
clock = ["09:00-12:00"]
[weather]
sample = "miami"
[[stop]]
name = "Glade"
latitude_deg = 25.5
longitude_deg = -80.5
zone = "America/New_York"
arrive = 2026-03-01
depart = 2026-03-05
[[stop]]
name = "Evora"
latitude_deg = 25.8
longitude_deg = -80.9
zone = "America/New_York"
arrive = 2026-03-05
depart = 2026-03-10
drive_h = 2
"""


def mistakes_of(text, path="route.toml"):
    """All mistakes in a text; an error if there is none."""
    with pytest.raises(InputError) as caught:
        parse_scenario(text, path)
    for mistake in caught.value.mistakes:
        assert mistake.startswith("route.toml: "), mistake
        assert "\n" not in mistake
        assert "expected " in mistake and ", got " in mistake, mistake
    return caught.value.mistakes


def changed(*changes):
    """GOOD with texts replaced; each must be there exactly once."""
    text = GOOD
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def line_of(text, part):
    return next(number for number, line in enumerate(text.splitlines(), 1) if part in line)


def test_the_good_one_is_good():
    assert parse_scenario(GOOD).title == "Good"


# Each case: what is changed, and words that the one sentence about it must hold.
ONE_MISTAKE = {
    "unknown key": (
        ("unit_ah = 100", "unit_ah = 100\nowneed = true"),
        ["bank, owneed (line 8)", 'got "owneed". Did you mean "owned"?'],
    ),
    "unknown key far from all": (("unit_ah = 100", "unit_ah = 100\nzzz = 1"), ['got "zzz". The keys here are chemistry, unit_v']),
    "unknown table": (("[alternator]", "[alternater]"), ["alternater (line 19)", 'Did you mean "alternator"?']),
    "key of another name": (("power_w = 45", "watts = 45"), ['got "watts". Did you mean "power_w"?']),
    "key that nothing reads": (("drive_h = 2", "drive_h = 2\nscenery = [1]"), ["scenery", "expected a known key"]),
    "wrong type": (
        ("unit_ah = 100", 'unit_ah = "100"'),
        ["bank, unit_ah (line 7)", "expected a number from 1 to 5000 Ah", "without quotes"],
    ),
    "unit in the value": (("unit_ah = 100", 'unit_ah = "100 Ah"'), ["the unit is in the name of the key"]),
    "boolean for a number": (("unit_ah = 100", "unit_ah = true"), ["expected a number from 1 to 5000 Ah, got true"]),
    "boolean for a count": (("in_parallel = 2", "in_parallel = true"), ["expected a whole number from 1 to 1000, got true"]),
    "number for a boolean": (("rated_w = 1000", "rated_w = 1000\nalways_on = 1"), ["expected true or false, got 1"]),
    "text for a boolean": (("rated_w = 1000", 'rated_w = 1000\nalways_on = "true"'), ["true or false", "without quotes"]),
    "number for text": (('name = "fridge"', "name = 7"), ["name (line 25)", "expected text in quotes, got 7"]),
    "broken count": (("in_parallel = 2", "in_parallel = 2.5"), ["expected a whole number from 1 to 1000, got 2.5"]),
    "zero units": (("in_parallel = 2", "in_parallel = 0"), ["bank, in_parallel (line 9)", "from 1 to 1000, got 0"]),
    "negative watts": (
        ("power_w = 45", "power_w = -45"),
        ['appliance 1 "fridge", power_w (line 26)', "from 0 to 50000 W, got -45"],
    ),
    "absurd watts": (("power_w = 45", "power_w = 4.5e9"), ["from 0 to 50000 W, got 4500000000.0"]),
    "endless number": (("power_w = 45", "power_w = 1" + "0" * 400), ["a number of more than 15 digits"]),
    "infinity": (("power_w = 45", "power_w = inf"), ["from 0 to 50000 W, got inf"]),
    "not a number": (("power_w = 45", "power_w = nan"), ["from 0 to 50000 W, got nan"]),
    "hours over 24": (("duty_frac = 0.4", "hours_per_day = 25"), ["hours_per_day (line 27)", "from 0 to 24 h, got 25"]),
    "duty over 1": (("duty_frac = 0.4", "duty_frac = 40"), ["duty_frac (line 27)", "from 0 to 1, got 40"]),
    "no pattern": (
        ("duty_frac = 0.4\n", ""),
        ['appliance 1 "fridge" (line 24)', "exactly one of hours_per_day, clock, duty_frac, wh_per_day or uses", "none of them"],
    ),
    "two patterns": (("duty_frac = 0.4", "duty_frac = 0.4\nhours_per_day = 2"), ["got hours_per_day and duty_frac"]),
    "no watts": (("power_w = 45\n", ""), ['appliance 1 "fridge" (line 24)', "expected power_w or current_a, got neither"]),
    "watts and amperes": (("power_w = 45", "power_w = 45\ncurrent_a = 4"), ["either power_w or current_a, got both"]),
    "amperes on ac": (("power_w = 60", "current_a = 5"), ["power_w for an AC appliance, got current_a"]),
    "metered more than it can take": (("duty_frac = 0.4", "wh_per_day = 2000"), ["at most 1080 Wh", "got 2000 Wh"]),
    "half of uses": (("duty_frac = 0.4", "uses = { per_day = 3 }"), ["expected per_day and minutes, got no minutes"]),
    "uses of more than a day": (
        ("duty_frac = 0.4", "uses = { per_day = 100, minutes = 30 }"),
        ["at most 24 hours of use a day, got 50 hours"],
    ),
    "standby above running": (
        ("power_w = 45", "power_w = 45\nstandby_w = 50"),
        ["standby_w (line 27)", "at most its running 45 W"],
    ),
    "surge below running": (("power_w = 45", "power_w = 45\nsurge_w = 5"), ["at least its running 45 W, got 5 W"]),
    "window that is none": (('["09:00-12:00"]', '["9 to 12"]'), ["clock (line 32)", '"07:00-08:30"', 'got "9 to 12"']),
    "window of hour 25": (('["09:00-12:00"]', '["22:00-25:00"]'), ['got "22:00-25:00"']),
    "window of minute 60": (('["09:00-12:00"]', '["22:60-23:00"]'), ['got "22:60-23:00"']),
    "window without length": (('["09:00-12:00"]', '["09:00-09:00"]'), ["two different times"]),
    "windows that overlap": (('["09:00-12:00"]', '["22:00-02:00", "01:00-03:00"]'), ["windows that do not overlap"]),
    "unknown kind": (("power_w = 45", 'power_w = 45\nkind = "frige"'), ['got "frige". Did you mean "fridge"?']),
    "unknown day": (("power_w = 45", 'power_w = 45\ndays = ["caturday"]'), ["days (line 27)", 'got "caturday"']),
    "unknown priority": (("power_w = 45", 'power_w = 45\npriority = "esential"'), ['Did you mean "essential"?']),
    "appliance at a stop that is not": (
        ("power_w = 45", 'power_w = 45\nstops = ["Evorra"]'),
        ['got "Evorra". Did you mean "Evora"?'],
    ),
    "two appliances of one name": (
        ('name = "laptop"', 'name = "fridge"'),
        ['appliance 2 "fridge", name (line 29)', "the name of appliance 1"],
    ),
    "ac without inverter": (("[inverter]\nrated_w = 1000\n", ""), ['appliance 2 "laptop"', "expected an [inverter]", "got none"]),
    "surge below rating": (
        ("rated_w = 1000", "rated_w = 1000\nsurge_w = 500"),
        ["inverter, surge_w (line 19)", "at least rated_w, 1000 W"],
    ),
    "loss law and idle": (
        ("rated_w = 1000", "rated_w = 1000\nidle_w = 9\nloss = { p_self = 0.01, v = 0.02, r = 0.05 }"),
        ["either loss or idle_w"],
    ),
    "half a loss law": (("rated_w = 1000", "rated_w = 1000\nloss = { p_self = 0.01 }"), ["all three of p_self, v and r"]),
    "no chemistry": (('chemistry = "lfp"\n', ""), ["bank (line 4)", 'chemistry = "lfp", "agm", "gel" or "flooded"']),
    "unknown chemistry": (('"lfp"', '"lpf"'), ['got "lpf". Did you mean "lfp"?']),
    "no ampere-hours": (("unit_ah = 100\n", ""), ["bank (line 4)", "expected unit_ah"]),
    "bus of 13 V": (("bus_v = 12", "bus_v = 13"), ["vehicle, bus_v (line 3)", "expected 12, 24 or 48, got 13"]),
    "series against the bus": (
        ("unit_v = 12.8", "unit_v = 6.4"),
        ["bank, in_series (line 8)", "bus voltage of 12 V, got 1 x 6.4 V = 6.4 V", "Set in_series = 2"],
    ),
    "unit voltage of no cells": (
        ("unit_v = 12.8", "unit_v = 14.5"),
        ["bank, unit_v (line 6)", "a whole number of lfp cells of 3.2 V", "Write 16 for 5 cells"],
    ),
    "start above full": (("unit_ah = 100", "unit_ah = 100\nstart_soc = 100"), ["start_soc (line 8)", "from 0 to 1, got 100"]),
    "resume below lockout": (
        ("unit_ah = 100", "unit_ah = 100\ncharge_resume_c = -5"),
        ["charge_resume_c (line 8)", "at least 0 C, as charge_min_c is 0 C"],
    ),
    "reconnect below cut-off": (("unit_ah = 100", "unit_ah = 100\nreconnect_soc = 0.02"), ["reconnect_soc (line 8)", "got 0.02"]),
    "reconnect too near": (("unit_ah = 100", "unit_ah = 100\nreconnect_soc = 0.052"), ["reconnect_soc (line 8)", "from 0.055"]),
    "cut-off above the planning line": (
        ("unit_ah = 100", "unit_ah = 100\ncutoff_soc = 0.5"),
        ["at most 0.2, the planning line with usable_frac = 0.8"],
    ),
    "absorption below rest": (
        ("unit_ah = 100", "unit_ah = 100\nabsorb_v = 12"),
        ["absorb_v (line 8)", "one unit rests when full"],
    ),
    "depths without cycles": (("unit_ah = 100", "unit_ah = 100\ncycles_depth_frac = [0.5]"), ["as many depths"]),
    "heater that never stops": (
        ("usable_frac = 0.8", "usable_frac = 0.8\nheater = { on_below_c = 9, off_above_c = 5 }"),
        ["bank, heater.off_above_c", "more than on_below_c, 9 C"],
    ),
    "unit sides": (
        ("unit_ah = 100", "unit_ah = 100\nunit_m = [0.3, 0.2]"),
        ["[length, width, height] in metres, got a list of 2"],
    ),
    "array without controller": (
        ('[array.controller]\nkind = "mppt"\n', ""),
        ['array 1 "roof" (line 11)', "expected a charge controller, got none", "[array.controller]"],
    ),
    "controller without kind": (('kind = "mppt"', "max_charge_a = 30"), ["controller (line 15)", "got one without kind"]),
    "array without panel": (
        ("panel = { p_w = 100, v_mp = 18.6, i_mp = 5.4, v_oc = 22.5, i_sc = 5.9, cells = 36 }\n", ""),
        ["the watts of one panel, got none"],
    ),
    "panel known by volts only": (
        ("p_w = 100, v_mp = 18.6, i_mp = 5.4, v_oc = 22.5, i_sc = 5.9, cells = 36", "v_mp = 18.6"),
        ["the watts of one panel"],
    ),
    "best voltage above open circuit": (("v_oc = 22.5", "v_oc = 18"), ["panel.v_oc (line 13)", "more than 18.6 V", "got 18 V"]),
    "best current above short circuit": (("i_sc = 5.9", "i_sc = 5"), ["panel.i_sc (line 13)", "more than 5.4 A", "got 5 A"]),
    "watts against volts and amperes": (("p_w = 100", "p_w = 200"), ["panel.p_w (line 13)", "about 100.4 W", "got 200 W"]),
    "cells that cannot be": (("cells = 36", "cells = 20"), ["panel.cells (line 13)", "1.12 V a cell"]),
    "string too low for mppt": (
        ("p_w = 100, v_mp = 18.6, i_mp = 5.4, v_oc = 22.5, i_sc = 5.9, cells = 36", "p_w = 20, v_mp = 9, v_oc = 11"),
        ['array 1 "roof", in_series (line 14)', "which mppt needs", "Set in_series = 2"],
    ),
    "input voltage above the controller's": (
        ('kind = "mppt"', 'kind = "mppt"\nmax_input_v = 20'),
        ["controller.max_input_v (line 17)", "at least the 22.5 V", "destroyed"],
    ),
    "azimuth and bearing": (
        ("in_series = 1\n[array.controller]", "in_series = 1\nazimuth_deg = 180\nbearing_deg = 0\n[array.controller]"),
        ["either azimuth_deg or bearing_deg, got both"],
    ),
    "generator that stops before it starts": (
        ("stop_soc = 0.9", "stop_soc = 0.2"),
        ["generator, stop_soc (line 23)", "a charge above start_soc, 0.3"],
    ),
    "generator too small for its charger": (
        ("stop_soc = 0.9", "stop_soc = 0.9\nrated_w = 500\ncharger_a = 100"),
        ["generator, charger_a", "what 500 W can feed at 12 V"],
    ),
    "latitude 200": (
        ("latitude_deg = 25.5", "latitude_deg = 200"),
        ['stop 1 "Glade", latitude_deg (line 37)', "from -90 to 90 degrees", "got 200"],
    ),
    "longitude 361": (("longitude_deg = -80.5", "longitude_deg = 361"), ["from -180 to 180 degrees (east is positive), got 361"]),
    "stop without longitude": (("longitude_deg = -80.5\n", ""), ['stop 1 "Glade" (line 35)', "expected longitude_deg, got none"]),
    "stop without arrival": (("arrive = 2026-03-01\n", ""), ['stop 1 "Glade" (line 35)', "expected arrive, got none"]),
    "date in quotes": (("arrive = 2026-03-01", 'arrive = "2026-03-01"'), ["a date such as 2026-06-01", "without quotes"]),
    "date with an offset": (("arrive = 2026-03-01", "arrive = 2026-03-01T10:00:00+02:00"), ["Leave the offset out"]),
    "date of another age": (("arrive = 2026-03-01", "arrive = 1066-03-01"), ["a date from 1950 to 2100, got 1066-03-01"]),
    "backwards": (
        ("depart = 2026-03-05", "depart = 2026-02-05"),
        ['stop 1 "Glade", depart (line 41)', "after the arrival on 2026-03-01, got 2026-02-05"],
    ),
    "drive that takes a stop's whole stay": (
        ("drive_h = 2", "drive_h = 120"),
        ['stop 2 "Evora", depart (line 48)', "The drive takes until then"],
    ),
    "errands of a whole day": (
        ("drive_h = 2", "drive_h = 2\ndrive_h_per_day = 18"),
        ["at most 15 h between leave and midnight, got 18 h"],
    ),
    "hour to leave": (("drive_h = 2", 'drive_h = 2\nleave = "25:00"'), ['a time on the clock such as "09:00"', 'got "25:00"']),
    "trip of many years": (
        ("depart = 2026-03-10", "depart = 2036-03-10"),
        ['stop 2 "Evora", depart (line 48)', "a trip of at most 1098 days"],
    ),
    "unknown hookup": (("drive_h = 2", 'drive_h = 2\nhookup = "sometimes"'), ['"every 7th night"', 'got "sometimes"']),
    "unknown shade": (("drive_h = 2", 'drive_h = 2\nshade = "few tree"'), ['Did you mean "few trees"?']),
    "two places of one name": (
        ('name = "Evora"', 'name = "Glade"'),
        ['stop 2 "Glade", name (line 43)', "the name of stop 1, 52 km away"],
    ),
    "no weather": (
        ('[weather]\nsample = "miami"\n', ""),
        ['stop 1 "Glade"', "expected weather for this stop, got none", "weather = { clear = true }"],
    ),
    "unknown sample": (('"miami"', '"miam"'), ['got "miam". Did you mean "miami"?']),
    "two kinds of weather": (
        ('sample = "miami"', 'sample = "miami"\nclear = true'),
        ["exactly one of file, sample, clear, normals and years, got sample and clear"],
    ),
    "no kind of weather": (('sample = "miami"\n', ""), ["weather (line 33)", "got none of them"]),
    "clear = false": (('sample = "miami"', "clear = false"), ["expected true, got false"]),
    "temperature of a sample": (
        ('sample = "miami"', 'sample = "miami"\ntemp_c = 20'),
        ["weather, temp_c (line 35)", "a weather year has its own"],
    ),
    "eleven months": (
        ('sample = "miami"', f"normals = {{ kt = {[0.5] * 11}, temp_mean_c = {[9] * 12} }}"),
        ["weather, normals.kt (line 34)", "a list of 12 numbers, January to December, each above 0 up to 0.85, got a list of 11"],
    ),
    "kt above 1": (
        ('sample = "miami"', f"normals = {{ kt = {[0.5] * 11 + [1.2]}, temp_mean_c = {[9] * 12} }}"),
        ["weather, normals.kt (line 34)", "expected a number above 0 up to 0.85, got 1.2"],
    ),
    "kt and sun": (
        ('sample = "miami"', f"normals = {{ kt = {[0.5] * 12}, sun_kwh_m2_day = {[3] * 12}, temp_mean_c = {[9] * 12} }}"),
        ["weather, normals (line 34)", "exactly one of kt and sun_kwh_m2_day, got kt and sun_kwh_m2_day"],
    ),
    "normals without temperature": (
        ('sample = "miami"', f"normals = {{ kt = {[0.5] * 12}, temp_min_c = {[2] * 12} }}"),
        ["weather, normals (line 34)", "expected temp_mean_c, got none", "temp_min_c and temp_max_c together"],
    ),
    "nights warmer than days": (
        ('sample = "miami"', f"normals = {{ kt = {[0.5] * 12}, temp_min_c = {[9] * 12}, temp_max_c = {[12] * 11 + [8]} }}"),
        ["weather, normals.temp_min_c (line 34)", "nothing above temp_max_c, got 9 above 8 in month 12"],
    ),
    "place and values": (
        ('sample = "miami"', f'normals = {{ place = "Sevilla", kt = {[0.5] * 12} }}'),
        ["weather, normals (line 34)", "either place or values of your own, got place and kt"],
    ),
    "misspelt normals": (
        ('sample = "miami"', f"normals = {{ kt = {[0.5] * 12}, temp_meen_c = {[9] * 12} }}"),
        ["weather, normals.temp_meen_c (line 34)", 'Did you mean "temp_mean_c"?'],
    ),
    "years before the archive": (('sample = "miami"', "years = [1999, 2010]"), ["weather, years (line 34)", "begins in 2001"]),
    "years to come": (
        ('sample = "miami"', "years = [2010, 2098]"),
        ["weather, years (line 34)", "got 2098. The last whole year is"],
    ),
    "years reversed": (
        ('sample = "miami"', "years = [2020, 2010]"),
        ["weather, years (line 34)", "Write the earlier one first."],
    ),
    "one year alone": (
        ('sample = "miami"', "years = [2020]"),
        ["weather, years (line 34)", "the first and the last year such as"],
    ),
    "missing weather file": (
        ('sample = "miami"', 'file = "nowhere.epw"'),
        ["weather, file (line 34)", '"nowhere.epw", which is not'],
    ),
    "weather file of no name": (
        ('sample = "miami"', 'file = "a\\u0000b"'),
        ["weather, file (line 34)", "expected text of one line", "a\\u0000b"],
    ),
    "table for a list of tables": (
        ('[[appliance]]\nname = "fridge"\npower_w = 45\nduty_frac = 0.4\n[[appliance]]', "[appliance]"),
        ["[[appliance]] in double brackets, one for each appliance"],
    ),
    "list of tables for a table": (
        ("[weather]", "[[weather]]"),
        ["expected one table, got a list of 1", "Write [weather] in single brackets"],
    ),
    "negative seed": (('title = "Good"', "seed = -1"), ["seed (line 1)", "a whole number of at least 0, got -1"]),
    "empty title": (('title = "Good"', 'title = " "'), ["title (line 1)", "expected text in quotes"]),
}


@pytest.mark.parametrize("case", ONE_MISTAKE)
def test_one_mistake_is_one_sentence_at_its_place(case):
    change, words = ONE_MISTAKE[case]
    found = mistakes_of(changed(change))
    if case == "no weather":
        # Every stop lacks it.
        assert [mistake.split(",")[0] for mistake in found] == [
            'route.toml: stop 1 "Glade" (line 33): expected weather for this stop',
            'route.toml: stop 2 "Evora" (line 40): expected weather for this stop',
        ]
        found = found[:1]
    assert len(found) == 1, found
    for word in words:
        assert word in found[0]


@pytest.mark.parametrize(
    ("depart", "arrive", "words"),
    [
        ("2026-03-05", "2026-03-08", ['stop 2 "Evora", arrive (line 47)', 'stop 1 "Glade" is left', "a gap of 3 days"]),
        ("2026-03-05", "2026-03-04", ['stop 1 "Glade"', 'stop 2 "Evora"', "overlaps by 1 day"]),
        ("2026-03-05", "2026-02-01", ['stop 1 "Glade"', "comes before it: stops stand in the order of the route"]),
        ("2026-03-05T10:00:00", "2026-03-05T09:00:00", ['stop 1 "Glade" is left', "1.0 h before, which overlaps"]),
        ("2026-03-05T10:00:00", "2026-03-05T18:00:00", ["drive_h (line 49)", "8.0 h, the time between leaving", "got 2 h"]),
        ("2026-03-05", "2026-03-05T01:00:00", ["an arrival at least 2.0 h into the day", 'stop 1 "Glade" is left']),
        ("2026-03-01T00:00:00", "2026-03-01", ['stop 1 "Glade", depart', "a departure towards stop 2"]),
    ],
)
def test_stops_that_do_not_follow_each_other(depart, arrive, words):
    text = changed(("depart = 2026-03-05", f"depart = {depart}"), ("arrive = 2026-03-05", f"arrive = {arrive}"))
    (found,) = mistakes_of(text)
    for word in words:
        assert word in found


def test_a_day_between_two_written_times_is_a_gap():
    text = changed(
        ("depart = 2026-03-05", "depart = 2026-03-05T08:00:00"),
        ("arrive = 2026-03-05", "arrive = 2026-03-06T20:00:00"),
        ("drive_h = 2\n", ""),
    )
    (found,) = mistakes_of(text)
    assert "36.0 h later, which leaves a gap" in found


@pytest.mark.parametrize(
    ("zone", "words"),
    [
        ("Europe/Lisbonn", 'Did you mean "Europe/Lisbon"?'),
        ("europe/lisbon ", 'Did you mean "Europe/Lisbon"?'),
        ("Lisbon", 'Did you mean "Europe/Lisbon"?'),
        ("Qwxyz", "leave zone out"),
        ("../../etc/passwd", "expected an IANA zone"),
        ("Europe", "expected an IANA zone"),
    ],
)
def test_an_unknown_zone_gets_the_nearest_name(zone, words):
    text = changed(("drive_h = 2", "drive_h = 2\n#")).replace('zone = "America/New_York"', f'zone = "{zone}"', 1)
    (found,) = mistakes_of(text)
    assert found.startswith('route.toml: stop 1 "Glade", zone (line 39): expected an IANA zone, got ')
    assert words in found


@pytest.mark.parametrize(
    ("zone", "moment", "words"),
    [
        ("America/New_York", "2026-03-08T02:30:00", ["has exactly once", "does not exist there", "Write 03:30"]),
        ("America/New_York", "2026-11-01T01:30:00", ["comes twice there"]),
        ("Pacific/Apia", "2011-12-30", ["a date that exists there", "2011-12-30, which Pacific/Apia skipped"]),
    ],
)
def test_a_local_time_that_does_not_exist_or_comes_twice(zone, moment, words):
    year = moment[:4]
    text = GOOD[: GOOD.index("[[stop]]")] + (
        f'[[stop]]\nname = "Glade"\nlatitude_deg = 25.5\nlongitude_deg = -80.5\nzone = "{zone}"\n'
        f"arrive = {moment}\ndepart = {year}-12-31\n"
    )
    (found,) = mistakes_of(text)
    assert found.startswith('route.toml: stop 1 "Glade", arrive (line 40): ')
    for word in words:
        assert word in found


def test_leaving_at_a_time_that_the_clock_skips():
    text = changed(
        ("depart = 2026-03-05", 'depart = 2026-03-08\nleave = "02:30"'), ("arrive = 2026-03-05", "arrive = 2026-03-08")
    )
    (found,) = mistakes_of(text)
    assert 'stop 1 "Glade", leave (line 42)' in found
    assert "does not exist there" in found


@pytest.mark.parametrize(("kind", "unit"), [("pwm", "v_mp"), ("mppt", "v_oc")])
def test_a_12_v_panel_alone_cannot_charge_a_24_v_bank(kind, unit):
    (found,) = mistakes_of(
        changed(
            ("bus_v = 12", "bus_v = 24"),
            ("unit_ah = 100\nin_series = 1", "unit_ah = 100\nin_series = 2"),
            ('"mppt"', f'"{kind}"'),
        )
    )
    assert 'array 1 "roof", in_series (line 14)' in found
    assert unit in found
    assert "Set in_series = 2" in found


def test_tolerated_voltages_are_no_mistake():
    """12.8 V of lithium, 12 V of lead-acid and even 12 V written for four lithium cells are 12 V banks."""
    for unit_v, chemistry in ((12.8, "lfp"), (12, "lfp"), (13.2, "lfp"), (12, "agm"), (12.8, "agm"), (12.6, "agm")):
        text = changed(
            ("unit_v = 12.8", f"unit_v = {unit_v}"), ('"lfp"', f'"{chemistry}"'), ("usable_frac = 0.8", "usable_frac = 0.5")
        )
        assert parse_scenario(text).bank.unit_v == unit_v


def test_all_mistakes_come_at_once_in_the_order_of_the_file():
    text = changed(
        ("bus_v = 12", "bus_v = 13"),
        ("in_parallel = 2", "in_parallel = 0"),
        ("v_oc = 22.5", "v_oc = 12"),
        ('kind = "mppt"', 'kind = "mptt"'),
        ("power_w = 45", "power_w = -1"),
        ('["09:00-12:00"]', '["09:00-26:00"]'),
        ('sample = "miami"', 'sample = "miamy"'),
        ("latitude_deg = 25.5", "latitude_deg = 95"),
        ("arrive = 2026-03-05", "arrive = 2026-03-07"),
        ("drive_h = 2", 'drive_h = 2\nsnow = "much"'),
    )
    found = mistakes_of(text)
    assert len(found) == 10
    lines = [int(re.search(r"\(line (\d+)\)", mistake).group(1)) for mistake in found]
    assert lines == sorted(lines)


def test_a_key_that_cannot_be_read_is_not_also_missing_or_judged():
    """A broken bus voltage says nothing about the units in series, a misspelt key is not a missing one."""
    assert (
        len(mistakes_of(changed(("bus_v = 12", 'bus_v = "24"'), ("in_series = 1\nin_parallel", "in_series = 2\nin_parallel"))))
        == 1
    )
    assert len(mistakes_of(changed(("unit_ah = 100", "unit_aah = 100")))) == 1
    assert len(mistakes_of(changed(("latitude_deg = 25.8", "latitude = 25.8")))) == 1
    assert len(mistakes_of(changed(("[inverter]", "[invertor]")))) == 1
    assert len(mistakes_of(changed(("arrive = 2026-03-05", "arrive = 3")))) == 1


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "got an empty file"),
        ("\n# only a comment\n", "got an empty file"),
        ("a = [", "expected TOML"),
        ("depart = 20.11.2026\n", "Write dates as year-month-day"),
        ("depart = 2026-11-31\n", "There is no such day in the calendar"),
        ("duty_frac = 0,4\n", "a point, not a comma"),
        ("chemistry = \u201cagm\u201d\n", "use straight ones"),
        ('title = "Family bus\n', "A closing quote is missing"),
        ("[bank]\nchemistry lfp", "line 2, column 11: expected TOML"),
        ("x = 1\nx = 2\n", "line 2, column 6: expected TOML, got a key or table that was written before"),
        ("[bank]\n[bank]\n", "written before"),
        ('title = "no end', "expected TOML"),
        ("a = " + "[" * 100_000, "nested deeper"),
        ("a = " + "[" * 20 + "]" * 20, "nested deeper"),
        ("a" + ".a" * 50_000 + " = 1", "nested deeper"),
        ("a = " + "1" * 5_000, "thousands of digits"),
        ("[[stop]]\n" * 2000, "at most 1100 of [[stop]], got 2000"),
        ("".join(f"key_{number} = 1\n" for number in range(300)), "a table of 300 keys"),
    ],
    ids=[
        "empty",
        "comment",
        "bracket",
        "dotted date",
        "no such day",
        "comma",
        "typographic quotes",
        "open quote",
        "no equals",
        "twice",
        "table twice",
        "no end",
        "deep list",
        "deep",
        "deep keys",
        "digits",
        "many",
        "keys",
    ],
)
def test_texts_that_are_no_scenario(text, words):
    assert any(words in mistake for mistake in mistakes_of(text))


def test_a_scenario_without_anything_names_all_it_needs():
    found = mistakes_of('title = "x"')
    assert len(found) == 3
    for word in ("[bank]", "[[appliance]]", "[[stop]]"):
        assert any(word in mistake for mistake in found)


# ---- files --------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\x00\x01\x02\xff", "a binary file"),
        (b"title = 'caf\xe9'\n", "line 1: expected UTF-8 text"),
        ("title = 'x'".encode("utf-16"), "got UTF-16"),
        (b"#" * 1_000_001, "at most 1 MB"),
        (b"", "an empty file"),
    ],
    ids=["binary", "latin-1", "utf-16", "large", "empty"],
)
def test_files_that_are_no_scenario(tmp_path, data, words):
    file = tmp_path / "trip.toml"
    file.write_bytes(data)
    with pytest.raises(InputError, match=words) as caught:
        read_scenario(file)
    assert len(caught.value.mistakes) == 1


def test_no_such_file_offers_the_nearest_name(tmp_path):
    (tmp_path / "summer.toml").write_text(GOOD)
    with pytest.raises(InputError, match=r'got no such file\. Did you mean "summer\.toml"\?'):
        read_scenario(tmp_path / "sumer.toml")


@pytest.mark.parametrize(
    "name", [".", os.devnull, "nowhere/trip.toml", "nul\0l", "x" * 5000], ids=["folder", "device", "no folder", "nul", "long"]
)
def test_names_that_are_no_file(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="expected a scenario file, got ") as caught:
        read_scenario(name)
    (mistake,) = caught.value.mistakes
    assert mistake.isprintable()
    assert len(mistake) < 400


def test_a_file_without_read_permission(tmp_path, monkeypatch):
    file = tmp_path / "trip.toml"
    file.write_text(GOOD)
    # The superuser may read anything, so the system's answer is given for it here.
    monkeypatch.setattr(Path, "open", _denied)
    with pytest.raises(InputError, match="a file that may not be read"):
        read_scenario(file)


def _denied(*_, **__):
    raise PermissionError(13, "Permission denied")


def _make_pipe(file):
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes")
    os.mkfifo(file)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda file: file.mkdir(), "the folder"),
        (lambda file: file.write_bytes(b""), "which is empty"),
        (_make_pipe, "a device or a pipe"),
    ],
    ids=["folder", "empty", "pipe"],
)
def test_weather_files_that_cannot_be_one(tmp_path, make, words):
    make(tmp_path / "year.epw")
    scenario = tmp_path / "route.toml"
    with pytest.raises(InputError, match=words) as caught:
        parse_scenario(changed(('sample = "miami"', 'file = "year.epw"')), scenario)
    assert len(caught.value.mistakes) == 1
    assert str(tmp_path) not in caught.value.mistakes[0]


def test_a_missing_weather_file_offers_the_nearest_name(tmp_path):
    (tmp_path / "lisbon.epw").write_text("LOCATION")
    with pytest.raises(InputError, match=r'Did you mean "lisbon\.epw"\?'):
        parse_scenario(changed(('sample = "miami"', 'file = "lisboa.epw"')), tmp_path / "route.toml")


def test_names_with_line_breaks_stay_on_one_line():
    name, power = mistakes_of(changed(('name = "fridge"', 'name = "fri\\ndge"'), ("power_w = 45", "power_w = -1")))
    assert "expected text of one line" in name
    assert '"fri\\ndge"' in name and '"fri\\ndge"' in power


# ---- whatever is written ------------------------------------------------------------------------------------------------------

SETTINGS = [line for line in starter_text().splitlines() if re.match(r"\w+ = ", line)]
VALUES = [
    "0",
    "-1",
    "1",
    "0.5",
    "12",
    "24",
    "48",
    "-0.0",
    "5e-324",
    "1e300",
    "-1e300",
    "inf",
    "nan",
    "99999999999999999999",
    "true",
    "false",
    "[]",
    "[1]",
    "[[[]]]",
    "{}",
    "{ a = 1 }",
    '""',
    '"x"',
    '"12"',
    '["a"]',
    '"00:00-00:00"',
    '"\\u0000"',
    "2026-01-01",
    "2026-03-08T02:30:00",
    "2026-01-01T00:00:00Z",
    "10:00:00",
    "0001-01-01",
    "9999-12-31",
]


@given(changes=st.lists(st.tuples(st.sampled_from(SETTINGS), st.sampled_from(VALUES)), min_size=1, max_size=4))
def test_any_value_anywhere_gives_a_scenario_or_sentences(changes):
    text = starter_text()
    for line, value in changes:
        text = text.replace(line, f"{line.split(' = ')[0]} = {value}")
    try:
        assert parse_scenario(text, "route.toml").stops
    except InputError as error:
        assert error.mistakes
        for mistake in error.mistakes:
            assert mistake.startswith("route.toml: ")
            assert "\n" not in mistake


@given(st.data())
def test_a_torn_file_gives_a_scenario_or_sentences(data):
    """Lines lost, doubled or moved: a careless editor."""
    lines = starter_text().splitlines()
    start = data.draw(st.integers(0, len(lines) - 1))
    end = data.draw(st.integers(start, len(lines)))
    again = data.draw(st.sampled_from([[], lines[start:end] * 2]))
    try:
        assert parse_scenario("\n".join([*lines[:start], *again, *lines[end:]])).stops
    except InputError as error:
        assert all("expected " in mistake for mistake in error.mistakes)


@given(st.text(max_size=200))
def test_any_text_gives_sentences(text):
    with pytest.raises(InputError) as caught:
        parse_scenario(text)
    assert caught.value.mistakes


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("2026-13-05", "There is no such day in the calendar: a year has 12 months"),
        ("2026-02-30", "February 2026 has 28 days"),
        ("5.3.2026", "Write dates as year-month-day: 2026-03-05"),
        ("2026-3-5", "Write dates as year-month-day: 2026-03-05"),
        ("2026-3-5T14:30", "Write dates as year-month-day: 2026-03-05T14:30:00."),
        ("2026/03/05", "Write dates as year-month-day: 2026-03-05"),
        ("5 March 2026  # the fifth", "Write dates as year-month-day: 2026-03-05"),
        ("03/05/2026", "Write dates as year-month-day, such as 2026-11-20"),
        ('"2026-03-05"', "Write it without quotes: 2026-03-05"),
    ],
)
def test_a_date_that_is_none_is_told_with_its_key_and_hides_nothing(written, words):
    found = mistakes_of(changed(("arrive = 2026-03-05", f"arrive = {written}"), ("unit_ah = 100", "unit_aah = 100")))
    (date,) = [mistake for mistake in found if "arrive (line 47)" in mistake]
    assert words in date and "expected a date such as" in date
    assert f'got "{written.partition("  #")[0].strip(chr(34))}"' in date
    assert any("unit_aah" in mistake for mistake in found)
