"""A catalogue of what people and programs get wrong: every case ends with its documented status and a sentence a mistake.

Each sentence names the file, the key and its line where there are some, what was got, and what is allowed or how to mend it;
nothing is printed but these sentences, no traceback is shown, and nothing is left in the folder that was to be written.
``tests/test_bad_scenarios.py``, ``test_bad_banks.py`` and ``test_weather_files.py`` hold further cases, counted here as well.
"""

from __future__ import annotations

import ast
import itertools
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from simulator.cli import main
from simulator.errors import InputError
from simulator.scenario import parse_scenario
from simulator.scenario.written import ScenarioFile
from tests.weather_texts import weather_texts

ROOT = Path(__file__).resolve().parents[1]
INPUT, ARCHIVE = 2, 3
RUN = ("run", "trip.toml", "--out", "out")
GOOD = """\
title = "Good"
seed = 4
[vehicle]
bus_v = 12
heading_deg = 90
standing_draw_w = 2
cabin = { heated = true, awake_c = 20, asleep_c = 15 }
[bank]
chemistry = "lfp"
unit_v = 12.8
unit_ah = 100
in_series = 1
in_parallel = 2
usable_frac = 0.8
[bank.heater]
power_w = 40
on_below_c = 2
off_above_c = 8
[[array]]
name = "roof"
panel = { p_w = 100 }
tilt_deg = 10
controller = { kind = "mppt", max_charge_a = 20 }
[inverter]
rated_w = 1000
[shore]
charger_a = 20
[alternator]
charger_a = 30
[generator]
rated_w = 2000
start_soc = 0.3
stop_soc = 0.9
windows = ["08:00-20:00"]
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
clear = true
[[stop]]
name = "Glade"
latitude_deg = 36.1
longitude_deg = -79.9
zone = "America/New_York"
arrive = 2026-03-01
depart = 2026-03-05
[[stop]]
name = "Pond"
latitude_deg = 36.4
longitude_deg = -79.2
zone = "America/New_York"
arrive = 2026-03-05
depart = 2026-03-08
drive_h = 2
[rest_of_year]
storage = { soc = 0.5, temp_c = 15 }
"""


@dataclass(frozen=True)
class Case:
    """What is wrong, what is done with it, and what must be said."""

    words: tuple[str, ...]
    text: str | bytes = GOOD
    command: tuple[str, ...] = RUN
    status: int = INPUT
    mistakes: int = 1
    files: dict[str, bytes] = field(default_factory=dict)
    prepare: Callable[[Path], object] = lambda folder: None


def with_(old: str, new: str, *words: str, **more: Any) -> Case:
    """GOOD with one text replaced; the words are looked for in its one sentence."""
    assert GOOD.count(old) == 1, old
    return Case(words, GOOD.replace(old, new), **more)


def add(to: str, line: str, *words: str, **more: Any) -> Case:
    """GOOD with a line more after another."""
    return with_(to, f"{to}\n{line}", *words, **more)


def toml(text: str | bytes, *words: str, **more: Any) -> Case:
    """A file of its own."""
    return Case(words, text, **more)


def bank(line: str, *words: str) -> Case:
    return add("usable_frac = 0.8", line, *words)


def fridge(line: str, *words: str) -> Case:
    return add("duty_frac = 0.4", line, 'appliance 1 "fridge"', *words)


def pond(line: str, *words: str) -> Case:
    return add("drive_h = 2", line, 'stop 2 "Pond"', *words)


def sky(line: str, *words: str) -> Case:
    return with_("clear = true", line, "weather", "(line 45)", *words)


def broken(old: str, new: str, *words: str) -> Case:
    """A slip in the grammar of TOML."""
    return with_(old, new, "trip.toml: line ", ", column ", "expected TOML, got ", *words)


def weather(spoil: Callable[[bytes], bytes], *words: str, kind: str = "epw", **more: Any) -> Case:
    """A weather file spoilt in one way; read when the trip is run."""
    return Case(
        ("year.dat: ", *words),
        GOOD.replace("clear = true", 'file = "year.dat"'),
        files={"year.dat": spoil(weather_texts()[kind])},
        **more,
    )


def names(file: str, *words: str, **more: Any) -> Case:
    """A weather file of this name."""
    return Case(words, GOOD.replace("clear = true", f"file = {json.dumps(file)}"), **more)


def call(*command: str, words: tuple[str, ...], **more: Any) -> Case:
    return Case(words, command=command, **more)


def out(folder: str, *words: str, prepare: Callable[[Path], object] = lambda folder: None) -> Case:
    return Case(words, command=("run", "trip.toml", "--out", folder), prepare=prepare)


def field_of(lines: range | list[int], column: int, value: bytes) -> Callable[[bytes], bytes]:
    def spoil(data: bytes) -> bytes:
        rows = data.split(b"\n")
        for line in lines:
            fields = rows[line - 1].split(b",")
            fields[column] = value
            rows[line - 1] = b",".join(fields)
        return b"\n".join(rows)

    return spoil


def swap(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    return lambda data: data.replace(old, new)


def link(name: str, target: str) -> Callable[[Path], object]:
    return lambda folder: os.symlink(target, folder / name)


def fifo(folder: Path) -> None:
    os.mkfifo(folder / "pipe")


VARIED = GOOD.replace("usable_frac = 0.8", "usable_frac = 0.8\nunit_price = 300").replace("clear = true", 'sample = "greensboro"')
SIZE = ("size", "trip.toml", "--in-parallel", "1-2", "--years", "2")
TWELVE = str([0.5] * 12)
YEAR = range(9, 8769)
SHARE = "expected a number from "

SCENARIOS = {
    # ---- the top of the file
    "seed with a fraction": with_("seed = 4", "seed = 1.5", "trip.toml: seed (line 2)", "a whole number", "got 1.5"),
    "seed in words": with_("seed = 4", 'seed = "four"', "seed (line 2)", 'got "four"'),
    "seed beyond all": with_("seed = 4", "seed = 99999999999999999999", "from 0 to 9007199254740992", "more than 15 digits"),
    "seed of a million digits": with_("seed = 4", f"seed = {'1' * 900_000}", "numbers of a sensible length"),
    "seed in hexadecimal of a million digits": with_("seed = 4", f"seed = 0x{'f' * 900_000}", "more than 15 digits"),
    "title that steers a terminal": with_('"Good"', '"\\u001b[31mred"', "title (line 1)", "text of one line", '"\\u001b[31mred"'),
    "title that turns the line round": with_('"Good"', '"\\u202egood"', "title (line 1)", "text of one line", '"\\u202egood"'),
    "title of a number": with_('title = "Good"', "title = 7", "title (line 1)", "expected text in quotes, got 7"),
    "title of a list": with_('title = "Good"', 'title = ["a"]', "title (line 1)", "got a list of 1"),
    # ---- vehicle
    "vehicle twice over": with_(
        "[vehicle]", "[[vehicle]]", "vehicle (line 3)", "expected one table", "Write [vehicle] in single brackets"
    ),
    "volts in quotes": with_("bus_v = 12", 'bus_v = "12"', "bus_v (line 4)", 'got "12"', "Write the number without quotes."),
    "volts without end": with_("bus_v = 12", "bus_v = inf", "bus_v (line 4)", "expected 12, 24 or 48, got inf"),
    "volts of a house": with_("bus_v = 12", "bus_v = 230", "bus_v (line 4)", "got 230"),
    "heading twice round": with_(
        "heading_deg = 90", "heading_deg = 720", "heading_deg (line 5)", "from -360 to 360 degrees, got 720"
    ),
    "heading in words": with_("heading_deg = 90", 'heading_deg = "east"', "heading_deg (line 5)", 'got "east"'),
    "draw that gives": with_(
        "standing_draw_w = 2", "standing_draw_w = -2", "standing_draw_w (line 6)", "from 0 to 500 W, got -2"
    ),
    "draw of a house": with_("standing_draw_w = 2", "standing_draw_w = 501", "from 0 to 500 W, got 501"),
    "cabin in words": with_(
        "cabin = { heated = true, awake_c = 20, asleep_c = 15 }",
        'cabin = "warm"',
        "cabin (line 7)",
        "expected a table",
        "awake_c",
    ),
    "cabin in Fahrenheit": with_("awake_c = 20", "awake_c = 68", "cabin.awake_c (line 7)", "from -40 to 50 C, got 68"),
    "key in Fahrenheit": with_("awake_c = 20", "awake_f = 68", "cabin.awake_f (line 7)", 'Did you mean "awake_c"?'),
    "heated, in words": with_("heated = true", 'heated = "yes"', "cabin.heated (line 7)", 'expected true or false, got "yes"'),
    # ---- bank
    "two banks": with_("[bank]", "[[bank]]", "bank (line 8)", "expected one table", "Write [bank]"),
    "chemistry by number": with_('chemistry = "lfp"', "chemistry = 4", "chemistry (line 9)", '"agm"', "got 4"),
    "chemistry in capitals": with_('chemistry = "lfp"', 'chemistry = "LFP"', 'Did you mean "lfp"?'),
    "chemistry of no preset": with_('chemistry = "lfp"', 'chemistry = "nimh"', "chemistry (line 9)", 'got "nimh"'),
    "unit of no volts": with_("unit_v = 12.8", "unit_v = 0", "unit_v (line 10)", "from 1 to 120 V, got 0"),
    "unit of another bus": with_(
        "unit_v = 12.8", "unit_v = 51.2", "in_series (line 12)", "51.2 V", "Mend unit_v in [bank] or bus_v"
    ),
    "ampere-hours that are none": with_("unit_ah = 100", "unit_ah = nan", "unit_ah (line 11)", "got nan"),
    "milliampere-hours": with_("unit_ah = 100", "unit_ah = 100000", "from 1 to 5000 Ah, got 100000"),
    "ampere-hours left open": with_("unit_ah = 100", 'unit_ah = ""', "unit_ah (line 11)", 'got ""'),
    "strings without number": with_("in_parallel = 2", "in_parallel = -2", "in_parallel (line 13)", "got -2"),
    "strings of a ship": with_("in_parallel = 2", "in_parallel = 1001", "from 1 to 1000, got 1001"),
    "share in per cent": with_("usable_frac = 0.8", "usable_frac = 80", "usable_frac (line 14)", "write 0.8 for 80 %"),
    "share of nothing": with_("usable_frac = 0.8", "usable_frac = 0", "from 0.05 to 1, got 0"),
    "floor that is no choice": bank('at_floor = "stop"', "at_floor (line 15)", '"keep" or "off"', 'got "stop"'),
    "place on the roof": bank('place = "roof"', "place (line 15)", '"outside", "inside" or "heated"'),
    "worn to nothing": bank("soh_start = 0", "soh_start (line 15)", "from 0.3 to 1, got 0"),
    "cycles without depths": bank("cycles_to_end = [100]", "cycles_to_end (line 15)", "as many depths"),
    "depth in words": bank('cycles_depth_frac = ["half"]\ncycles_to_end = [100]', "cycles_depth_frac (line 15)", 'got "half"'),
    "size below nothing": bank("unit_m = [0.1, -1, 0.2]", "unit_m (line 15)", "above 0 up to 50 m, got -1"),
    "price below nothing": bank("unit_price = -1", "unit_price (line 15)", "from 0 to 10000000, got -1"),
    "price with its currency": bank('unit_price = "500 EUR"', "unit_price (line 15)", "Write the bare number"),
    "discharge limits crossed": bank(
        "discharge_min_c = 50\ndischarge_max_c = 20", "discharge_max_c", "discharge_min_c is 50 C", "got 20 C"
    ),
    "full charge below the lockout": bank("charge_full_c = -20", "charge_full_c (line 15)", "charge_min_c is 0 C", "got -20 C"),
    "kilograms of nothing": bank("unit_kg = 0", "unit_kg (line 15)", "above 0 up to 2000 kg, got 0"),
    "self-discharge of a sieve": bank("self_discharge_frac_per_day = 0.5", "self_discharge_frac_per_day", "from 0 to 0.1"),
    "resistance of a wire fence": bank("resistance_ohm = 100", "resistance_ohm (line 15)", "from 0 to 1 ohm, got 100"),
    "key of a table that is not read": bank("voltage = 12", "voltage (line 15)", "expected a known key"),
    "heater of no watts": with_("power_w = 40", "power_w = 0", "heater.power_w (line 16)", "above 0 up to 5000 W"),
    "heater from the sun": with_("power_w = 40", 'power_w = 40\nfrom = "sun"', "heater.from (line 17)", '"surplus" or "bank"'),
    "heater in words": with_(
        "[bank.heater]\npower_w = 40\non_below_c = 2\noff_above_c = 8",
        'heater = "on"',
        "heater (line 15)",
        "expected a table",
        "power_w",
    ),
    # ---- array
    "one array in single brackets": with_("[[array]]", "[array]", "array (line 19)", "[[array]] in double brackets"),
    "array without a word for a name": with_('name = "roof"', 'name = ""', "array 1, name (line 20)", 'got ""'),
    "panel in a list": with_(
        "panel = { p_w = 100 }", "panel = [100]", "panel (line 21)", "Write [array.panel] in single brackets"
    ),
    "panel by its watts alone": with_(
        "panel = { p_w = 100 }", "panel = 100", "panel (line 21)", "expected a table, got 100", "p_w"
    ),
    "panel of five kilowatts": with_("p_w = 100", "p_w = 5000", "panel.p_w (line 21)", "up to 2000 W, got 5000"),
    "panel that gains by heat": with_(
        "p_w = 100", "p_w = 100, gamma_pct_per_c = 0.4", "panel.gamma_pct_per_c", "from -1 to 0 %/K"
    ),
    "panel of a welder's amperes": with_("p_w = 100", "p_w = 100, i_mp = 60", "panel.i_mp (line 21)", "up to 50 A, got 60"),
    "panel of no cells": with_("p_w = 100", "p_w = 100, cells = 0", "panel.cells (line 21)", "from 1 to 400, got 0"),
    "tilt beyond upright": with_("tilt_deg = 10", "tilt_deg = 91", "tilt_deg (line 22)", "from 0 to 90 degrees, got 91"),
    "tilt downwards": with_("tilt_deg = 10", "tilt_deg = -10", "tilt_deg (line 22)", "got -10"),
    "mount of glue": add("tilt_deg = 10", 'mount = "glued"', "mount (line 23)", '"bonded", "gap" or "open"'),
    "dirt in per cent": add("tilt_deg = 10", "soiling_frac = 5", "soiling_frac (line 23)", "write 0.05 for 5 %"),
    "bearing in a sailor's words": add("tilt_deg = 10", 'bearing_deg = "port"', "bearing_deg (line 23)", 'got "port"'),
    "controller in capitals": with_('kind = "mppt"', 'kind = "MPPT"', "controller.kind (line 23)", 'Did you mean "mppt"?'),
    "controller of no amperes": with_("max_charge_a = 20", "max_charge_a = 0", "controller.max_charge_a (line 23)", "above 0"),
    "controller in per cent": with_(
        "max_charge_a = 20", "efficiency_frac = 98", "controller.efficiency_frac", "write 0.98 for 98 %"
    ),
    "controller as a word": with_(
        'controller = { kind = "mppt", max_charge_a = 20 }',
        'controller = "mppt"',
        "controller (line 23)",
        "expected a table",
        "kind",
    ),
    # ---- inverter and chargers
    "inverter of no watts": with_("rated_w = 1000", "rated_w = 0", "inverter, rated_w (line 25)", "above 0"),
    "inverter that heats the cabin": add("rated_w = 1000", "idle_w = 600", "idle_w (line 26)", "from 0 to 500 W, got 600"),
    "inverter that loses most": add("rated_w = 1000", "best_efficiency_frac = 0.2", "best_efficiency_frac", "from 0.4 to 0.995"),
    "losses below nothing": add("rated_w = 1000", "loss = { p_self = -0.1, v = 0, r = 0 }", "loss.p_self (line 26)", "got -0.1"),
    "hookup of no amperes": with_("[shore]\ncharger_a = 20", "[shore]\ncharger_a = 0", "shore, charger_a (line 27)", "above 0"),
    "hookup in watts": with_(
        "[shore]\ncharger_a = 20", "[shore]\ncharger_w = 500", "charger_w (line 27)", 'Did you mean "charger_a"?'
    ),
    "hookup that wastes all": add("[shore]\ncharger_a = 20", "efficiency_frac = 0", "efficiency_frac (line 28)", "from 0.3 to 1"),
    "engine at twice its share": add(
        "[alternator]\ncharger_a = 30", "driving_frac = 2", "driving_frac (line 30)", "write 0.02 for 2 %"
    ),
    "engine of negative amperes": with_(
        "[alternator]\ncharger_a = 30", "[alternator]\ncharger_a = -30", "charger_a (line 29)", "got -30"
    ),
    "generator of no watts": with_("rated_w = 2000", "rated_w = 0", "generator, rated_w (line 31)", "above 0"),
    "generator by the hours in words": with_(
        '["08:00-20:00"]', '"8-20"', "windows (line 34)", "windows on the clock", 'got "8-20"'
    ),
    "generator that may never run": with_('["08:00-20:00"]', "[]", "windows (line 34)", "got an empty list"),
    "generator that starts when full": with_("start_soc = 0.3", "start_soc = 1", "stop_soc (line 33)", "above start_soc, 1"),
    "generator for two days": add("rated_w = 2000", "min_run_h = 48", "min_run_h (line 32)", "from 0 to 24 h, got 48"),
    "generator in per cent": with_("stop_soc = 0.9", "stop_soc = 90", "stop_soc (line 33)", "write 0.9 for 90 %"),
    "generator that never stops": bank("target_soc = 0.5", "generator, stop_soc (line 34)", "at most the charge target, 0.5"),
    # ---- appliances
    "no piece of it": fridge("quantity = 0", "quantity (line 39)", "from 1 to 1000, got 0"),
    "bus of a plug": with_('bus = "ac"', 'bus = "usb"', 'appliance 2 "laptop", bus (line 41)', '"dc" or "ac"'),
    "duty in per cent": with_("duty_frac = 0.4", 'duty_frac = "40%"', "duty_frac (line 38)", "Write the bare number"),
    "one time instead of a window": with_('["09:00-12:00"]', '"09:00"', "clock (line 43)", 'got "09:00"'),
    "morning and noon": with_('["09:00-12:00"]', '["9am-12pm"]', "clock (line 43)", 'got "9am-12pm"'),
    "hours as numbers": with_('["09:00-12:00"]', "[9, 12]", "clock (line 43)", "got 9"),
    "a time of TOML": with_('["09:00-12:00"]', "[09:00:00]", "clock (line 43)", "got 09:00:00"),
    "uses as a number": with_("duty_frac = 0.4", "uses = 3", "uses (line 38)", "expected a table, got 3", "per_day, minutes"),
    "uses below nothing": with_("duty_frac = 0.4", "uses = { per_day = -1, minutes = 3 }", "uses.per_day (line 38)", "got -1"),
    "on no day": fridge("days = []", "days (line 39)", "got an empty list"),
    "days by number": fridge("days = [6, 7]", "days (line 39)", "got 6"),
    "one stop, not in a list": fridge('stops = "Glade"', "stops (line 39)", 'got "Glade"'),
    "only in other words": fridge('only = "on the road"', "only (line 39)", '"off-grid", "hookup" or "driving"'),
    "medical by number": fridge("medical = 1", "medical (line 39)", "expected true or false, got 1"),
    "name that breaks the line": with_('name = "fridge"', 'name = "fri\\ndge"', 'appliance 1 "fri\\ndge"', "text of one line"),
    "name with a zero byte": with_('name = "fridge"', 'name = "fri\\u0000dge"', "text of one line"),
    "amperes without end": with_("power_w = 45", "current_a = inf", "current_a (line 37)", "from 0 to 2000 A, got inf"),
    "watt-hours of a town": with_("duty_frac = 0.4", "wh_per_day = 1e9", "wh_per_day (line 38)", "from 0 to 1000000 Wh"),
    # ---- weather
    "clear, in words": sky('clear = "yes"', "clear", 'got "yes"', "without quotes"),
    "air of an oven": with_("clear = true", "clear = true\ntemp_c = 100", "temp_c (line 46)", "from -60 to 60 C, got 100"),
    "sample by number": sky("sample = 1", "sample", '"greensboro"', "got 1"),
    "file by number": sky("file = 7", "file", "expected text in quotes, got 7"),
    "file without name": sky('file = ""', "file", 'got ""'),
    "normals by number": sky("normals = 3", "normals", "expected a table, got 3"),
    "normals that end in infinity": sky(
        f"normals = {{ kt = {TWELVE}, temp_mean_c = [9,9,9,9,9,9,9,9,9,9,9,inf] }}", "normals.temp_mean_c", "got inf"
    ),
    "normals with warm ends alone": sky(
        f"normals = {{ kt = {TWELVE}, temp_max_c = {TWELVE} }}", "expected temp_mean_c, got none"
    ),
    "normals that jump about": sky(
        f"normals = {{ kt = {TWELVE}, temp_mean_c = {TWELVE}, kt_daily_sd = {TWELVE} }}",
        "normals.kt_daily_sd",
        "up to 0.35, got 0.5",
    ),
    "three years": sky("years = [2005, 2010, 2020]", "years", "got a list of 3"),
    "years in words": sky('years = "2005-2010"', "years", 'got "2005-2010"'),
    "years with fractions": sky("years = [2005.0, 2010.5]", "years", "got 2005.0", "Write whole years."),
    # ---- stops
    "latitude with a letter": with_(
        "latitude_deg = 36.1", 'latitude_deg = "36.1 N"', "latitude_deg (line 48)", "Write the bare number"
    ),
    "latitude and longitude swapped": with_(
        "latitude_deg = 36.1", "latitude_deg = -179.9", "from -90 to 90 degrees", "got -179.9"
    ),
    "latitude that is none": with_("latitude_deg = 36.1", "latitude_deg = nan", "latitude_deg (line 48)", "got nan"),
    "longitude as a day": with_(
        "longitude_deg = -79.2", "longitude_deg = 2026-03-05", "longitude_deg (line 56)", "got 2026-03-05"
    ),
    "above all mountains": add("latitude_deg = 36.1", "elevation_m = 9000", "elevation_m (line 49)", "from -450 to 7000 m"),
    "zone by number": with_(
        'longitude_deg = -79.9\nzone = "America/New_York"', "longitude_deg = -79.9\nzone = 5", "zone (line 50)", "got 5"
    ),
    "zone of no continent": with_(
        'longitude_deg = -79.9\nzone = "America/New_York"',
        'longitude_deg = -79.9\nzone = "Mars/Base"',
        "zone (line 50)",
        "an IANA zone",
    ),
    "arrival by its year": with_("arrive = 2026-03-01", "arrive = 2026", "arrive (line 51)", "got 2026"),
    "arrival by its hour": with_("arrive = 2026-03-01", "arrive = 10:00:00", "arrive (line 51)", "got 10:00:00"),
    "errands beyond the day": pond("drive_h_per_day = 25", "drive_h_per_day (line 61)", "from 0 to 20 h, got 25"),
    "drive backwards": with_("drive_h = 2", "drive_h = -2", "drive_h (line 60)", "from 0 to 200 h, got -2"),
    "drive without end": with_("drive_h = 2", "drive_h = inf", "drive_h (line 60)", "got inf"),
    "leave by a number": pond("leave = 9", "leave (line 61)", 'such as "09:00"', "got 9"),
    "leave at midnight's other name": pond('leave = "24:00"', "leave (line 61)", 'got "24:00"'),
    "hookup every night of none": pond('hookup = "every 0th night"', "hookup (line 61)", '"every 7th night"'),
    "hookup by number": pond("hookup = 7", "hookup (line 61)", "got 7"),
    "shade by number": pond("shade = 0.5", "shade (line 61)", '"few trees"', "got 0.5"),
    "snow by yes": pond("snow = true", "snow (line 61)", '"brushed"', "got true"),
    "heading of a stop": pond("heading_deg = 361", "heading_deg (line 61)", "got 361"),
    "tilt of a stop": pond("tilt_deg = -1", "tilt_deg (line 61)", "from 0 to 90 degrees"),
    # ---- times
    "an hour that the clock jumps over": with_(
        "depart = 2026-03-08", "depart = 2026-03-08T02:30:00", "depart (line 59)", "does not exist there", "Write 03:30"
    ),
    "an hour that comes twice": with_(
        "depart = 2026-03-08", "depart = 2026-11-01T01:30:00", "depart (line 59)", "comes twice there"
    ),
    "after all calendars": with_("depart = 2026-03-08", "depart = 9999-12-31", "depart (line 59)", "from 1950 to 2100"),
    "before all calendars": with_("arrive = 2026-03-01", "arrive = 0001-01-01", "arrive (line 51)", "from 1950 to 2100"),
    "a day with its offset": with_(
        "depart = 2026-03-08", "depart = 2026-03-08T10:00:00Z", "depart (line 59)", "Leave the offset out"
    ),
    "left before it is reached": with_(
        "arrive = 2026-03-05\ndepart = 2026-03-08",
        "arrive = 2026-03-05\ndepart = 2026-03-04",
        "depart (line 59)",
        "got 2026-03-04",
    ),
    # ---- the rest of the year
    "route again, in words": with_(
        "storage = { soc = 0.5, temp_c = 15 }", 'route_again = "yes"', "route_again (line 62)", "without quotes"
    ),
    "route not again": with_(
        "storage = { soc = 0.5, temp_c = 15 }", "route_again = false", "route_again (line 62)", "Leave the key out"
    ),
    "stored half": with_("soc = 0.5", 'soc = "half"', "storage.soc (line 62)", 'got "half"'),
    "stored in per cent": with_("soc = 0.5", "soc = 50", "storage.soc (line 62)", "write 0.5 for 50 %"),
    "float by number": with_("soc = 0.5", "soc = 0.5, on_float = 1", "storage.on_float (line 62)", "got 1"),
    # ---- several at once
    "a whole table in words": with_(
        "[shore]\ncharger_a = 20", '[shore]\ncharger_a = "a"\nefficiency_frac = "b"', "shore, charger_a", mistakes=2
    ),
    "everything missing": toml('title = "x"', "[bank]", "[[appliance]]", "[[stop]]", mistakes=3),
    "a single stop without a place on earth": Case(
        ("stop 1", "longitude_deg", "got nan"), re.sub(r"\[\[stop\]\]\nname = \"Pond\"[^\[]*", "", GOOD).replace("-79.9", "nan")
    ),
}

GRAMMAR = {
    "unit after the number": broken("unit_ah = 100", "unit_ah = 100 Ah", "Write the bare number"),
    "key of two words": broken("unit_ah = 100", "unit ah = 100", "join its parts by _"),
    "semicolon": broken("unit_ah = 100", "unit_ah = 100;", "Take the semicolon out."),
    "True in capitals": broken("heated = true", "heated = True", "Write true or false, in small letters."),
    "two equals": broken("unit_ah = 100", "unit_ah == 100", "Write one =."),
    "colon": broken("unit_ah = 100", "unit_ah: 100", "not a colon"),
    "no value": broken("unit_ah = 100", "unit_ah =", "A value is missing"),
    "hour 24": with_("arrive = 2026-03-01", "arrive = 2026-03-01T24:00:00", ", arrive (line ", "The hours of a day are 00 to 23"),
    "day before month": with_("arrive = 2026-03-01", "arrive = 01-03-2026", ", arrive (line ", "Write dates as year-month-day"),
    "29 February of no leap year": with_(
        "arrive = 2026-03-01", "arrive = 2026-02-29", ", arrive (line ", "There is no such day in the calendar: February 2026"
    ),
    "open bracket": broken("[bank]", "[bank", "A closing bracket is missing."),
    "fraction": broken("duty_frac = 0.4", "duty_frac = 2/5", "Write a fraction as a number"),
    "leading zero": broken("seed = 4", "seed = 04", "without a zero in front"),
    "point without zero": broken("duty_frac = 0.4", "duty_frac = .4", "a digit on both sides of the point"),
    "decimal comma": broken("duty_frac = 0.4", "duty_frac = 0,4", "a point, not a comma"),
    "left by a merge": broken('title = "Good"', "<<<<<<< HEAD", "left by a merge"),
    "JSON": broken('title = "Good"', '{"title": "Good"}', "another kind of file"),
    "a table written twice": broken("[shore]", "[bank]", "written before"),
    "a sign nobody sees": broken('"Good"', '"Go\x01od"', "illegal character"),
    "inline table over lines": broken("panel = { p_w = 100 }", "panel = {\n p_w = 100 }", "expected TOML"),
}

FILES = {
    "UTF-16 with its mark": toml(GOOD.encode("utf-16"), "trip.toml: expected UTF-8 text, got UTF-16. Save it as UTF-8."),
    "UTF-16 without its mark": toml(GOOD.encode("utf-16-le"), "a binary file"),
    "UTF-32": toml(GOOD.encode("utf-32"), "Save it as UTF-8."),
    "Latin-1": toml(GOOD.replace("Glade", "Gläde").encode("latin-1"), "line 47: expected UTF-8 text, got a byte that is none"),
    "half a letter of UTF-8": toml(GOOD.replace("Glade", "Glade\u00e4").encode()[:-1] + b"\xc3", "expected UTF-8 text"),
    "a surrogate in UTF-8": toml(GOOD.encode().replace(b"Glade", b"Gla\xed\xa0\x80de"), "line 47: expected UTF-8 text"),
    "an overlong slash": toml(GOOD.encode().replace(b"Glade", b"\xc0\xafde"), "line 47: expected UTF-8 text"),
    "a zero byte": toml(GOOD.encode().replace(b"Glade", b"Gla\0de"), "a binary file"),
    "a pickle": toml(b"\x80\x04\x95\x00.", "a binary file", "flatdays new writes a scenario"),
    "a packed file": toml(b"\x1f\x8b\x08\x00" + b"\x01" * 50, "a binary file"),
    "blanks alone": toml("   \n\t\n", "got an empty file"),
    "nothing": toml(b"", "got an empty file"),
    "50 MB": toml(b"#" * 50_000_000, "at most 1 MB, got 50.0 MB"),
    "a byte above 1 MB": toml(GOOD.encode() + b"#" * (1_000_001 - len(GOOD)), "at most 1 MB"),
    "lists of 900,000 levels": toml(b"a = " + b"[" * 900_000, "nested deeper"),
    "tables of 50 levels": toml("a = " + "{ a = " * 50 + "1" + " }" * 50, "nested deeper"),
    "a name of 60 parts": toml("[" + ".".join("a" * 60) + "]\nb = 1", "nested deeper"),
    "a key of 100,000 parts": toml("a . " * 100_000 + "a = 1", "nested deeper"),
    "a quoted key of 100,000 parts": toml('"a".' * 100_000 + "a = 1", "nested deeper"),
    "60,000 dotted keys": toml("\n".join(f"a.b{number} = 1" for number in range(60_000)), "a table of 60000 keys"),
    "80,000 tables": toml("\n".join(f"[t{number}]" for number in range(80_000)), "a table of 80000 keys"),
    "a text of 900,000 letters": toml(
        f'{GOOD}\nzone = "{"x" * 900_000}"', "rest_of_year, zone (line 64)", "expected a known key"
    ),
    "a list of 400,000 numbers": with_(
        "unit_ah = 100", "unit_ah = [" + "1," * 400_000 + "]", "unit_ah (line 11)", "got a list of 400000"
    ),
    "a number of 900,000 decimals": with_(
        "unit_ah = 100", "unit_ah = 0." + "1" * 900_000, "unit_ah (line 11)", "from 1 to 5000 Ah"
    ),
    "two thousand stops": toml(GOOD + "[[stop]]\n" * 2000, "at most 1100 of [[stop]], got 2002"),
}

NAMES = {
    "no such scenario": call("run", "nowhere.toml", words=("nowhere.toml: ", "got no such file")),
    "scenario misspelt": call("check", "tripp.toml", words=('Did you mean "trip.toml"?',)),
    "scenario that is a folder": call("run", ".", words=("got a folder",)),
    "scenario without name": call("check", "", words=("got a folder",)),
    "scenario below a file": call("run", "trip.toml/a.toml", words=("cannot be read (not a directory)",)),
    "scenario that is the null device": call("check", os.devnull, words=("a device or a pipe",)),
    "scenario without end": call("check", "/dev/zero", words=("a device or a pipe",)),
    "scenario that is a pipe": call("run", "pipe", words=("pipe: ", "a device or a pipe"), prepare=fifo),
    "scenario that is a link to itself": call(
        "run", "loop.toml", words=("symbolic links",), prepare=link("loop.toml", "loop.toml")
    ),
    "scenario that is a link to nothing": call(
        "run", "l.toml", words=("a link that leads nowhere",), prepare=link("l.toml", "no")
    ),
    "scenario of a long name": call("check", "x" * 5000, words=("...xxx", "cannot be read (file name too long)")),
    "scenario with a zero byte": call("check", "a\0b", words=("a?b: ", "a name that no file can have")),
    "scenario whose name steers a terminal": call("check", "\x1b[31mx.toml", words=("?[31mx.toml: ",)),
    "scenario that is the memory of a process": call("check", "/proc/self/mem", words=("cannot be read",)),
    "weather file that is a folder": names(".", "weather, file (line 45)", 'the folder "."', "Name the file in it."),
    "weather file that is not there": names("../../x.epw", "weather, file (line 45)", "which is not"),
    "weather file that is a link to itself": names("l.epw", "a link that leads nowhere", prepare=link("l.epw", "l.epw")),
    "weather file that is a link to nothing": names("l.epw", "a link that leads nowhere", prepare=link("l.epw", "no.epw")),
    "weather file that is a device": names("/dev/zero", "weather, file (line 45)", "a device or a pipe"),
    "weather file that is a pipe": names("pipe", "weather, file (line 45)", "a device or a pipe", prepare=fifo),
    "weather file that is an address": names("http://127.0.0.1:9/x.epw", "weather, file (line 45)", "which is not"),
    "weather file of a long name": names("x" * 300 + ".epw", "a name that no file can have"),
    "weather file that is the scenario": names("trip.toml", "trip.toml: this is not a weather file"),
    "weather file that is empty": names("e.epw", 'got "e.epw", which is empty', files={"e.epw": b""}),
    "results in a file": out("res", "res: this is a file, not a folder", prepare=lambda folder: (folder / "res").write_text("x")),
    "results below a file": out("trip.toml/a/b", "trip.toml is a file"),
    "results in a device": out("/dev/null", "this is a file, not a folder"),
    "results below a device": out("/dev/null/x", "/dev/null is a file"),
    "results in a pipe": out("pipe", "this is a file, not a folder", prepare=fifo),
    "results in a link to itself": out("loop", "a link that leads nowhere", prepare=link("loop", "loop")),
    "results below a link to itself": out("loop/x", "loop is a link that leads nowhere", prepare=link("loop", "loop")),
    "results in a link to nothing": out("dang", "a link that leads nowhere", prepare=link("dang", "nowhere")),
    "results below a link to nothing": out("dang/x", "a link that leads nowhere", prepare=link("dang", "nowhere/deep")),
    "results in a link to a file": out("l", "this is a file, not a folder", prepare=link("l", "trip.toml")),
    "results of a long name": out("x" * 300, "no folder can have this name (File name too long)"),
    "results of a long path": out("/".join(["y" * 200] * 30), "no folder can have this name"),
    "results with a zero byte": out("a\0b", "a?b: no folder can have this name"),
    "weather year that is not there": call("normals", "no.epw", words=("no.epw: there is no such weather file",)),
    "weather year that is a folder": call("normals", ".", words=("this is a folder",)),
    "weather year with a zero byte": call("normals", "a\0b", words=("a?b: ", "cannot be opened")),
    "weather year whose name steers a terminal": call("normals", "\x1b[31m.epw", words=("?[31m.epw: ",)),
    "weather year without end": call("normals", "/dev/zero", words=("a device or a pipe",)),
    "weather year that is a scenario": call("normals", "trip.toml", words=("is not a weather file flatdays knows",)),
}

COMMANDS = {
    "new over a file": call("new", "trip.toml", words=("trip.toml: this file is there already and was left as it is",)),
    "new of a long name": call(
        "new", "x" * 300 + ".toml", "--yes", words=("...xxx", "no file can have this name (File name too")
    ),
    "new with a zero byte": call("new", "a\0b", "--yes", words=("a?b: no file can have this name (it holds a zero byte)",)),
    "table of a long name": call(
        "budget", "trip.toml", "--csv", "x" * 300, words=("...xxx", "no file can", "give --csv another")
    ),
    "table with a zero byte": call("budget", "trip.toml", "--csv", "a\0b", words=("a?b: no file can", "give --csv another")),
    "sizing kept under a long name": Case(
        ("--keep: ...xxx", "cannot be used as a folder (File name too long)"), VARIED, (*SIZE, "--keep", "x" * 300)
    ),
    "sizing kept with a zero byte": Case(
        ("--keep: a?b", "cannot be used as a folder (it holds a zero byte)"), VARIED, (*SIZE, "--keep", "a\0b")
    ),
    "new over a folder": call("new", ".", words=("there already",)),
    "new below a file": call("new", "trip.toml/x", words=("trip.toml/x: cannot be written (Not a directory)",)),
    "new below nothing": call("new", "no/x.toml", words=("no/x.toml: cannot be written (No such file or directory)",)),
    "odds of no years": call("odds", "trip.toml", "--years", "0", words=("--years", "got 0")),
    "odds of a million years": call("odds", "trip.toml", "--years", "1000000", words=("--years", "got 1000000")),
    "odds below nothing": call("odds", "trip.toml", "--years", "-5", words=("--years", "got -5")),
    "odds with a negative seed": call("odds", "trip.toml", "--seed", "-1", words=("--seed", "got -1")),
    "odds with a spread that is none": call("odds", "trip.toml", "--load-spread", "nan", words=("--load-spread", "got nan")),
    "odds with a spread in per cent": call("odds", "trip.toml", "--load-spread", "15", words=("--load-spread", "got 15")),
    "odds of a clear sky": call("odds", "trip.toml", words=("stop 1", "stop 2", "weather that varies"), mistakes=2),
    "odds of past years nobody asked for": call(
        "odds", "trip.toml", "--source", "past", words=("--source", "years = [2005, 2024]")
    ),
    "stretch at no stop": call("stretch", "trip.toml", "--stop", "9", words=("--stop", 'got "9"', "Pond")),
    "stretch at a stop of another name": call("stretch", "trip.toml", "--stop", "Lake", words=("--stop", 'got "Lake"', "Glade")),
    "stretch on no date": call("stretch", "trip.toml", "--stop", "1", "--date", "soon", words=("--date", 'got "soon"')),
    "stretch on 30 February": call(
        "stretch", "trip.toml", "--stop", "1", "--date", "2026-02-30", words=("--date", 'got "2026-02-30"')
    ),
    "stretch in another age": call(
        "stretch", "trip.toml", "--stop", "1", "--date", "1066-10-14", words=("--date", "got 1066-10-14")
    ),
    "stretch brighter than the sun": call("stretch", "trip.toml", "--stop", "1", "--kt", "5", words=("--kt", "got 5")),
    "stretch under a sky that is none": call("stretch", "trip.toml", "--stop", "1", "--kt", "nan", words=("--kt", "got nan")),
    "stretch in an oven": call("stretch", "trip.toml", "--stop", "1", "--temp", "400", words=("--temp", "got 400")),
    "stretch of no days": call("stretch", "trip.toml", "--stop", "1", "--spell", "0", words=("--spell", "got 0")),
    "fetch of no years": call("fetch", "trip.toml", words=("--years", "got none")),
    "fetch of years in words": call("fetch", "trip.toml", "--years", "lately", words=("--years", 'got "lately"')),
    "fetch of years reversed": call(
        "fetch", "trip.toml", "--years", "2018-2015", words=("the earlier year first", "write 2015 and 2018")
    ),
    "fetch before the archive": call("fetch", "trip.toml", "--years", "1990-1999", words=("begins in 2001",), mistakes=2),
    "fetch of years to come": call("fetch", "trip.toml", "--years", "2998-2999", words=("lies in the future",), mistakes=2),
    "fetch with nothing kept": call(
        "fetch",
        "trip.toml",
        "--years",
        "2015-2016",
        "--offline",
        words=("not in the cache", "flatdays fetch"),
        status=ARCHIVE,
        mistakes=2,
    ),
    "run on past years that nobody fetched": Case(
        ("past years are not in the cache", "flatdays fetch ", "--years 2015-2016"),
        GOOD.replace("clear = true", "years = [2015, 2016]"),
        status=ARCHIVE,
        mistakes=2,
    ),
}

WEATHER = {
    "cut off in a row": weather(lambda data: data[:300_000], "cut off"),
    "cut off between rows": weather(lambda data: b"\n".join(data.split(b"\n")[:3000]), "expected 8760 rows", "cut off"),
    "header alone": weather(lambda data: b"\n".join(data.split(b"\n")[:8]), "eight header lines"),
    "first line alone": weather(lambda data: data.split(b"\n")[0], "eight header lines"),
    "columns lost": weather(
        lambda data: b"\n".join(
            line[: line.rfind(b",0,0,0,0")] if number > 7 else line for number, line in enumerate(data.split(b"\n")[:-1])
        ),
        "line 9",
        "expected 35 fields",
    ),
    "temperature that is none": weather(field_of(YEAR, 6, b"nan"), "8760 h of air temperature missing"),
    "light without end": weather(field_of([100], 13, b"inf"), "line 100", "global light (ghi) is inf"),
    "light beyond all numbers": weather(field_of([100], 13, b"1e400"), "line 100", "global light (ghi) is inf"),
    "dark all year": weather(field_of(YEAR, 13, b"0"), "zero all year"),
    "direct light alone": weather(field_of(YEAR, 15, b"0"), "direct and diffuse light add up to"),
    "kelvin": weather(field_of(YEAR, 6, b"290"), "line 9", "air temperature is 290 C", "-90 to 60"),
    "wind of a bomb": weather(field_of([100], 21, b"1e5"), "line 100", "wind speed is 100000 m/s"),
    "words for numbers": weather(field_of([300], 13, b"bright"), "line 300, ghi", "'bright'"),
    "month 13": weather(field_of([100], 1, b"13"), "line 100", "cannot be read as EPW"),
    "hour 25": weather(field_of([100], 3, b"25"), "line 100", "cannot be read as EPW"),
    "hours from 0": weather(field_of([9], 3, b"0"), "line 9", "hour (1 to 24)"),
    "an open quote": weather(field_of([100], 5, b'"'), "cannot be read as EPW"),
    "latitude and longitude swapped in a file": weather(swap(b"36.1,-79.95", b"-79.95,36.1"), "its sun is", "minutes late"),
    "another time zone": weather(swap(b"-79.95,-5,", b"-79.95,0,"), "minutes early", "time zone or the longitude"),
    "a decimal comma": weather(swap(b"36.1,-79.95", b"36,1,-79,95"), "line 1", "expected 10 fields", "got 12"),
    "latitude of no earth": weather(swap(b"36.1,-79.95", b"96.1,-79.95"), "line 1, latitude", "from -90 to 90"),
    "two years in one": weather(lambda data: data + b"\n".join(data.split(b"\n")[8:]), "line 8769", "repeats a time"),
    "backwards in time": weather(
        lambda data: b"\n".join(data.split(b"\n")[:8] + data.split(b"\n")[8:-1][::-1]), "-60 minutes apart"
    ),
    "a day lost": weather(
        lambda data: b"\n".join(data.split(b"\n")[:1000] + data.split(b"\n")[1024:]), "line 1001", "24 h are missing"
    ),
    "a line of five million letters": weather(lambda _: b"LOCATION," + b"x" * 5_000_000, "line 1 has more than 20000 characters"),
    "a binary file": weather(lambda _: b"\x7fELF" + bytes(1000), "a binary file"),
    "a zero byte in the middle": weather(lambda data: data[:500_000] + b"\0" + data[500_000:], "a binary file"),
    "a web page": weather(lambda _: b"<html>404</html>", "a web page"),
    "a packed weather file": weather(lambda _: b"PK\x03\x04", "unpack it"),
    "UTF-16 from a spreadsheet": weather(lambda data: data.decode().encode("utf-16"), "UTF-16"),
    "JSON instead of weather": weather(lambda _: b'{"a": 1}', "is not a weather file flatdays knows"),
    "TMY3 cut off": weather(lambda data: data[:200_000], "expected 8760 hourly rows", kind="tmy3"),
    "TMY3 without a column": weather(swap(b"DNI (W/m^2)", b"beam"), "no column for dni", kind="tmy3"),
    "TMY3 with a 29 February": weather(swap(b"02/28/", b"02/29/"), "24 h are missing", kind="tmy3"),
    "TMY2 cut off": weather(lambda data: data[:200_000], "expected a row of 142 characters", kind="tmy2"),
    "NSRDB cut off": weather(lambda data: data[:200_000], "cut off there", kind="nsrdb"),
    "NSRDB in Fahrenheit": weather(
        lambda data: data.replace(b"Local Time Zone\n", b"Local Time Zone,Temperature Units\n").replace(
            b"273,-5\n", b"273,-5,f\n"
        ),
        "expected Temperature Units in c, got 'f'",
        kind="nsrdb",
    ),
    "weather year that is dark": weather(field_of(YEAR, 13, b"0"), "zero all year", command=("normals", "year.dat")),
    "check looks at the first lines": weather(lambda _: b"hello", "is not a weather file", command=("check", "trip.toml")),
}

TABLES = {
    "scenarios": SCENARIOS,
    "grammar": GRAMMAR,
    "files": FILES,
    "names": NAMES,
    "commands": COMMANDS,
    "weather files": WEATHER,
}
CASES = {name: case for table in TABLES.values() for name, case in table.items()}
LEAST_CASES = 150


def everything_in(folder: Path) -> dict[str, bytes | None]:
    """What is in a folder, to the byte."""
    return {str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None for path in sorted(folder.rglob("*"))}


def laid_out(case: Case, folder: Path) -> None:
    (folder / "trip.toml").write_bytes(case.text.encode() if isinstance(case.text, str) else case.text)
    for name, data in case.files.items():
        (folder / name).write_bytes(data)
    case.prepare(folder)


@pytest.mark.parametrize("name", CASES)
def test_status_sentences_and_nothing_else(name, tmp_path, monkeypatch, capsys):
    case = CASES[name]
    folder = tmp_path / "work"
    folder.mkdir()
    laid_out(case, folder)
    monkeypatch.chdir(folder)
    monkeypatch.setenv("FLATDAYS_ARCHIVE_URL", "http://127.0.0.1:9/nobody")
    if case.status == ARCHIVE:
        monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path / "cache"))
    before = everything_in(folder)
    status = main(list(case.command))
    printed = capsys.readouterr()
    assert status == case.status, printed.err
    assert printed.out == ""
    sentences = printed.err.splitlines()
    assert len(sentences) == case.mistakes, printed.err
    for sentence in sentences:
        assert sentence.isprintable(), sentence
        assert 20 < len(sentence) < 1000, sentence
        assert "Traceback" not in sentence and "Error:" not in sentence.replace("ParserError:", ""), sentence
        # The cache alone is named by its whole path: a person may have to look for it.
        assert str(folder) not in sentence, sentence
    for word in case.words:
        assert word in printed.err, (word, printed.err)
    assert everything_in(folder) == before


def test_the_good_one_is_good():
    assert [stop.name for stop in parse_scenario(GOOD).stops] == ["Glade", "Pond"]


@pytest.mark.parametrize(
    "command",
    [("run",), ("check",), ("odds",), ("life",), ("stretch", "--stop", "1"), ("fetch",)],
    ids=lambda command: command[0],
)
def test_every_command_reads_a_scenario_in_the_same_way(command, tmp_path, monkeypatch, capsys):
    (tmp_path / "trip.toml").write_text(GOOD.replace("seed = 4", "seed = -4").replace("unit_ah = 100", "unit_ah = 0"))
    monkeypatch.chdir(tmp_path)
    assert main([command[0], "trip.toml", *command[1:]]) == INPUT
    printed = capsys.readouterr()
    assert printed.out == ""
    assert [line.split(": ")[1] for line in printed.err.splitlines()] == ["seed (line 2)", "bank, unit_ah (line 11)"]


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (["rnu"], "invalid choice: 'rnu'"),
        (["run"], "the following arguments are required: SCENARIO"),
        (["run", "trip.toml", "--ot", "x", "y"], "unrecognized arguments"),
        (["run", "a.toml", "b.toml"], "unrecognized arguments: b.toml"),
        (["run", "a.toml", "--out"], "expected one argument"),
        (["odds", "a.toml", "--years", "many"], "invalid int value: 'many'"),
        (["odds", "a.toml", "--years", "1.5"], "invalid int value: '1.5'"),
        (["odds", "a.toml", "--source", "future"], "invalid choice: 'future'"),
        (["stretch"], "the following arguments are required: SCENARIO"),
        (["stretch", "a.toml", "--stop", "1", "--kt", "dark"], "invalid float value: 'dark'"),
    ],
)
def test_words_that_are_no_command(command, words, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(command)
    assert stopped.value.code == INPUT
    printed = capsys.readouterr()
    assert printed.out == ""
    assert words in printed.err


# ---- every key of every table -------------------------------------------------------------------------------------------------

WRONG = {"a time": "10:00:00", "an empty list": "[]", "a list of lists": "[[1], [2]]", "a table of none": "{ nobody = 1 }"}


def models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for inner in get_args(annotation) for found in models_in(inner)]


def keys_of(model: type[BaseModel], path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """Every key a person may write, as a path; a key seen on the way is not followed again."""
    found = []
    for name, each in model.model_fields.items():
        here = (*path, each.alias or name)
        found.append(here)
        for inner in models_in(each.annotation)[:1]:
            if len(here) < 6:
                found += keys_of(inner, here)
    return found


def text_with(path: tuple[str, ...], value: str) -> str:
    """A file in which only this key is written; a list of tables is one table in a list."""
    for key in reversed(path[1:]):
        value = f"{{ {json.dumps(key)} = {value} }}"
    return f"{path[0]} = [{value}]" if path[0] in LISTS and len(path) > 1 else f"{path[0]} = {value}"


LISTS = {
    name for name, each in ScenarioFile.model_fields.items() if "tuple" in str(each.annotation) and models_in(each.annotation)
}
"""Tables in double brackets; none of them is the same as leaving them out."""
TAKEN = {(name,): "an empty list" for name in LISTS} | {("stop", "leave"): "a time", ("variant", "set"): "a table of none"}
"""What these keys take, or what is told of the file instead."""
SWEEP = [(path, what) for path in keys_of(ScenarioFile) for what in WRONG if TAKEN.get(path) != what]


@pytest.mark.parametrize("path", keys_of(ScenarioFile), ids=".".join)
def test_no_key_takes_what_is_of_another_kind(path):
    """A mistake that names the key, for each kind of value that no key takes."""
    for what in (what for where, what in SWEEP if where == path):
        with pytest.raises(InputError) as caught:
            parse_scenario(text_with(path, WRONG[what]), "trip.toml")
        told = [
            mistake for mistake in caught.value.mistakes if path[-1] in mistake.split("expected ")[0] and "(line 1)" in mistake
        ]
        # A table takes a table, and then it is the key inside that is unknown.
        assert told, (what, caught.value.mistakes)
        assert all("expected " in mistake and ", got " in mistake for mistake in told)


# ---- as real processes --------------------------------------------------------------------------------------------------------


def flatdays(*arguments: str, folder: Path, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "simulator", *arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        timeout=120,
        **more,
    )


def test_real_processes(tmp_path):
    """The same from outside: with a closed input, a pipe that nobody writes to, words on the input."""
    (tmp_path / "trip.toml").write_text(GOOD.replace("seed = 4", "seed = -4"))
    os.mkfifo(tmp_path / "pipe")
    for arguments, more in (
        (("run", "trip.toml", "--out", "out"), {"preexec_fn": lambda: os.close(0)}),
        (("check", "pipe"), {}),
        (("check", "/dev/stdin"), {"input": "not a scenario"}),
    ):
        done = flatdays(*arguments, folder=tmp_path, **more)
        assert (done.returncode, done.stdout) == (INPUT, ""), done
        assert len(done.stderr.splitlines()) == 1, done.stderr
        assert "Traceback" not in done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pipe", "trip.toml"]


# ---- the count ----------------------------------------------------------------------------------------------------------------


def cases_elsewhere() -> dict[str, int]:
    """Entries of the tables of bad input in other files, counted from their text."""
    found = {}
    for name in ("test_bad_scenarios.py", "test_bad_banks.py", "test_weather_files.py", "test_archive.py"):
        count = 0
        for node in ast.walk(ast.parse((ROOT / "tests" / name).read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Assign)
                and isinstance(node.value, ast.Dict)
                and getattr(node.targets[0], "id", "") == "ONE_MISTAKE"
            ):
                count += len(node.value.keys)
            elif (
                isinstance(node, ast.Call)
                and getattr(node.func, "attr", "") == "parametrize"
                and isinstance(node.args[1], ast.List)
            ):
                words = ast.unparse(node.args[0])
                count += len(node.args[1].elts) if "words" in words or "said" in words else 0
        found[name] = count
    return found


def test_there_are_enough_of_them(capsys):
    names_of_all = list(itertools.chain.from_iterable(TABLES.values()))
    assert len(names_of_all) == len(set(names_of_all))
    elsewhere = cases_elsewhere()
    with capsys.disabled():
        sys.stdout.write(
            f"\nbad input: {len(CASES)} cases here ({', '.join(f'{len(table)} {name}' for name, table in TABLES.items())}), "
            f"{len(SWEEP)} of keys with values of another kind, {sum(elsewhere.values())} in other files\n"
        )
    assert len(CASES) >= LEAST_CASES
    assert all(elsewhere.values())
