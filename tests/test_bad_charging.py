"""Surroundings, storage and chargers as a person writes them: what is understood, and one sentence for every contradiction."""

import re

import pytest

from simulator.errors import InputError
from simulator.scenario import describe, parse_scenario

BANK = """
title = "Good"
[bank]
chemistry = "lfp"
unit_ah = 100
in_parallel = 2
"""
ROOF = """
[[array]]
name = "roof"
panel = { p_w = 100 }
controller = { kind = "mppt" }
"""
PORTABLE = """
[[array]]
name = "suitcase"
panel = { p_w = 120 }
deployed_from_days = 2
controller = { kind = "mppt" }
"""
LOAD = """
[[appliance]]
name = "fridge"
power_w = 45
duty_frac = 0.4
"""
FIRST = """
[weather]
clear = true
[[stop]]
name = "Glade"
latitude_deg = 45.0
longitude_deg = 7.0
elevation_m = 300
arrive = 2026-03-01
depart = 2026-03-05
"""
SECOND = """
[[stop]]
name = "Barn"
latitude_deg = 45.2
longitude_deg = 7.1
elevation_m = 300
arrive = 2026-03-05
depart = 2026-05-10
"""
GENERATOR = """
[generator]
rated_w = 2000
fuel_l_per_h_quarter = 0.45
fuel_l_per_h_full = 1.0
"""


def scenario(*parts, top=BANK + ROOF, stops=FIRST):
    return parse_scenario(top + LOAD + "".join(parts) + stops, "route.toml")


def mistakes(*parts, **other):
    with pytest.raises(InputError) as caught:
        scenario(*parts, **other)
    for mistake in caught.value.mistakes:
        assert mistake.startswith("route.toml: ") and "expected " in mistake and ", got " in mistake, mistake
    return caught.value.mistakes


def told(text, *words):
    assert all(word in text for word in words), text


# --- horizon and trees ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("[[90, 10], [45, 5]]", ["azimuths that rise, clockwise from north", "45 after 90 degrees", "Sort the points"]),
        ("[[90, 10], [90, 5]]", ["each azimuth once", "90 degrees twice"]),
        ("[[0, 10], [360, 5]]", ["0 and 360 degrees, which are both north"]),
        ("[[90, 91]]", ["from 0 to 90 degrees of elevation", "got 91"]),
        ("[[90, -1]]", ["from 0 to 90 degrees of elevation", "got -1"]),
        ("[[400, 1]]", ["from 0 to 360 degrees of azimuth", "got 400"]),
        ("[90, 10]", ["points [azimuth_deg, elevation_deg]", "got 90"]),
        ("[]", ["points [azimuth_deg, elevation_deg]", "got an empty list"]),
        ('"hills"', ["points [azimuth_deg, elevation_deg]", 'got "hills"']),
        ("true", ["points [azimuth_deg, elevation_deg]", "got true"]),
    ],
)
def test_a_horizon_that_cannot_be(written, words):
    (mistake,) = mistakes(stops=FIRST + f"horizon = {written}\n")
    told(mistake, 'stop 1 "Glade", horizon (line', *words)


def test_horizons_that_can_be():
    points = "horizon = [[0, 5], [90, 12.5], [359, 5], [360, 5]]\ntree_hours = ['08:00-10:30']\n"
    found = scenario(stops=FIRST + points).stops[0]
    assert found.horizon == ((0.0, 5.0), (90.0, 12.5), (359.0, 5.0))
    assert found.tree_hours == ((8.0, 10.5),)
    assert scenario(stops=FIRST + "horizon = 15\n").stops[0].horizon == ((0.0, 15.0),)
    assert scenario(stops=FIRST + "horizon = [[10, 0], [200, 0]]\n").stops[0].horizon == ()
    told("\n".join(describe(scenario(stops=FIRST + points))), "horizon up to 12.5 degrees", "trees before the sun 08:00-10:30")


def test_tree_hours_that_overlap():
    (mistake,) = mistakes(stops=FIRST + 'tree_hours = ["08:00-10:30", "10:00-11:00"]\n')
    told(mistake, "tree_hours", "windows that do not overlap")


# --- arrays ---------------------------------------------------------------------------------------------------------


def test_an_array_that_is_put_out():
    found = scenario(top=BANK + ROOF + PORTABLE).arrays[1]
    assert (found.deployed.from_nights, found.deployed.stops, found.deployed.to_noon_sun) == (2.0, None, True)
    assert (found.tilt_deg, found.mount, found.azimuth_deg, found.bearing_deg) == (30.0, "open", None, None)
    words = "\n".join(describe(scenario(top=BANK + PORTABLE)))
    told(words, "tilted 30 degrees, towards the noon sun, put out at stays of 2 nights and more")
    told(words, "Panels that are put out stand at tilt_deg = 30 (common practice, no source")


def test_an_array_with_its_own_azimuth_and_named_stops():
    text = PORTABLE.replace("deployed_from_days = 2", 'stops = ["Barn"]\nazimuth_deg = 200\ntilt_deg = 50')
    found = scenario(top=BANK + text, stops=FIRST + SECOND).arrays[0]
    assert found.deployed == type(found.deployed)(0.0, frozenset({2}), False)
    assert (found.azimuth_deg, found.tilt_deg) == (200.0, 50.0)
    told("\n".join(describe(scenario(top=BANK + text, stops=FIRST + SECOND))), "put out at Barn")
    (mistake,) = mistakes(top=BANK + text.replace("Barn", "Bran"), stops=FIRST + SECOND)
    told(mistake, 'array 1 "suitcase", stops', 'got "Bran"', 'Did you mean "Barn"?')


def test_a_panel_that_never_leaves_the_cupboard_is_told():
    found = scenario(top=BANK + PORTABLE.replace("= 2", "= 14"))
    (note,) = [note for note in found.notes if "put out" in note]
    told(note, "from 14 nights on", "the longest stay has 4", "gives nothing on this trip")
    assert not [note for note in scenario(top=BANK + PORTABLE).notes if "gives nothing" in note]


def test_fixed_arrays():
    fixed = ROOF.replace('name = "roof"', 'name = "roof"\nfixed = true')
    assert scenario(top=BANK + fixed).arrays[0].fixed
    found = scenario(top=BANK + fixed, stops=FIRST + "tilt_deg = 30\n")
    assert any("tilt_deg" in note and "no array follows it" in note for note in found.notes)
    assert not any("no array follows it" in note for note in scenario(stops=FIRST + "tilt_deg = 30\n").notes)
    (mistake,) = mistakes(top=BANK + PORTABLE.replace("deployed", "fixed = true\ndeployed"))
    told(mistake, "fixed (line", "either fixed = true or an array that is put out", "both")


def test_objects_on_the_roof():
    assert scenario().arrays[0].roof_shade_frac == 0.0
    boxed = scenario(top=BANK + ROOF.replace('name = "roof"', 'name = "roof"\nroof_shade_frac = 0.08'))
    assert boxed.arrays[0].roof_shade_frac == 0.08
    told("\n".join(describe(boxed)), "8% behind objects on the roof")


# --- hookup, engine, generator --------------------------------------------------------------------------------------


def test_a_pedestal_needs_amperes_and_volts():
    (mistake,) = mistakes("[shore]\ncharger_a = 50\npedestal_a = 6\n")
    told(mistake, "shore, pedestal_a", "pedestal_v beside pedestal_a", "such as 230 or 120")
    (mistake,) = mistakes("[shore]\ncharger_a = 50\npedestal_v = 230\n")
    told(mistake, "shore, pedestal_v", "pedestal_a beside pedestal_v", "breaker")


def test_a_pedestal_that_holds_the_charger_down_is_told():
    """By hand: 5 A at 120 V x 0.87 / 14.4 V = 36 A."""
    found = scenario("[shore]\ncharger_a = 50\npedestal_a = 5\npedestal_v = 120\n")
    volts = found.bank.absorb_v
    (note,) = [note for note in found.notes if "pedestal" in note]
    told(note, "600 W", "charger of 50 A down", f"to {600 * 0.87 / volts:.0f} A")
    assert not [
        note for note in scenario("[shore]\ncharger_a = 50\npedestal_a = 16\npedestal_v = 230\n").notes if "pedestal" in note
    ]


def test_an_alternator_that_holds_its_charger_down_is_told():
    found = scenario("[alternator]\ncharger_a = 60\nalternator_max_a = 40\n")
    (note,) = [note for note in found.notes if "alternator_max_a" in note]
    told(note, "40 A at 14 V", "charger of 60 A down", f"to {40 * 14 * 0.9 / found.bank.absorb_v:.0f} A")
    assert any(sentence.startswith("[alternator] alternator_v: 14 V") for sentence in found.defaults_used)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            'quiet = ["00:00-24:00"]',
            ["generator, quiet", "quiet hours that leave it time to run", "the whole day", "take [generator] out"],
        ),
        ('quiet = ["22:00-08:00", "08:00-22:00"]', ["quiet hours that leave it time to run", "the whole day"]),
        ('quiet = ["08:00-20:00"]\nwindows = ["09:00-12:00"]', ["some of its windows outside the quiet hours", "Shorten quiet"]),
        ('quiet = ["22:00-08:00", "07:00-09:00"]', ["generator, quiet", "windows that do not overlap"]),
        ('windows = ["08:00-12:00", "11:00-13:00"]', ["generator, windows", "windows that do not overlap"]),
    ],
)
def test_hours_that_leave_a_generator_no_time(more, words):
    (mistake,) = mistakes(GENERATOR + more + "\n")
    told(mistake, *words)


def test_hours_that_leave_a_generator_little_time_are_told():
    found = scenario(GENERATOR + 'quiet = ["12:00-09:00"]\nwindows = ["11:30-14:00"]\nmin_run_h = 1\n')
    told("\n".join(found.notes), "leave 30 minutes a day, less than its run of at least 1 h")


def test_quiet_hours_take_the_place_of_the_usual_windows():
    found = scenario(GENERATOR + 'quiet = ["22:00-08:00"]\n')
    assert (found.generator.windows, found.generator.quiet) == ((), ((22.0, 8.0),))
    told("\n".join(describe(found)), "at any hour, quiet 22:00-08:00; 0.45 L/h at a quarter load, 1 at full")
    assert not any("may run from" in sentence for sentence in found.defaults_used)
    assert any("may run from 8 to 20 h" in sentence for sentence in scenario(GENERATOR).defaults_used)


def test_a_generator_of_unknown_size_and_fuel_is_told():
    (note,) = [note for note in scenario("[generator]\n").notes if "fuel" in note]
    told(note, "neither its size nor its fuel is known", "2000 W", "0.45 L/h at a quarter load", "its data sheet")
    sized = scenario("[generator]\nrated_w = 1000\n")
    assert not [note for note in sized.notes if "fuel" in note]
    assert any("burns 0.225 L/h at a quarter load and 0.5 L/h" in sentence for sentence in sized.defaults_used)
    assert not any("burns" in sentence for sentence in scenario(GENERATOR).defaults_used)


def test_a_generator_that_would_start_below_the_cut_off_is_told():
    found = scenario(GENERATOR + "start_soc = 0.03\n")
    told("\n".join(found.notes), "generator, start_soc", "supply ends at 0.05", "dark before the generator starts at 0.03")
    assert not any("goes dark before" in note for note in scenario(GENERATOR + "start_soc = 0.06\n").notes)


def test_a_fuel_curve_that_falls():
    (mistake,) = mistakes(GENERATOR.replace("full = 1.0", "full = 0.3"))
    told(mistake, "generator, fuel_l_per_h_full", "0.3 L/h at full and 0.45 L/h at a quarter load", "data sheet")


def test_a_charger_that_its_generator_feeds_only_at_low_voltage_is_told():
    found = scenario(GENERATOR.replace("2000", "1000") + "charger_a = 70\n")
    most_a = 1000 * 0.87 / found.bank.absorb_v
    told("\n".join(found.notes), "1000 W feed", f"{most_a:.0f} A of its 70 A")


# --- other sources --------------------------------------------------------------------------------------------------


def test_other_sources_as_understood(tmp_path):
    (tmp_path / "river.csv").write_text("time,watts\n00:00,10\n12:00,20\n")
    text = """
[[source]]
name = "turbine"
kind = "wind"
watts = 60
clock = ["10:00-16:00"]
days = ["sat", "sun"]
only = "standing"
[[source]]
kind = "hydro"
profile = "river.csv"
stops = ["Glade"]
efficiency_frac = 0.9
[[source]]
name = "cell"
kind = "fuel cell"
watts = 40
hours_per_day = 5
"""
    found = parse_scenario(BANK + LOAD + text + FIRST, tmp_path / "route.toml")
    lines = [line for line in describe(found) if re.match(r"  - (turbine|hydro|cell)", line)]
    assert lines == [
        "  - turbine (wind): 60 W, 10:00-16:00, on sat and sun, only standing",
        "  - hydro: as measured in river.csv through a charger of 90%, at Glade",
        "  - cell (fuel cell): 40 W, 5 h a day, spread evenly",
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('name = "x"', ['source 1 "x" (line', "exactly one of watts and profile, got none of them", "profile = "]),
        ('watts = 5\nprofile = "a.csv"', ["exactly one of watts and profile, got both"]),
        ('profile = "a.csv"', ["source 1, profile", "a CSV file of times and watts that is there", '"a.csv", which is not']),
        ("watts = 5\nhours_per_day = 3\nclock = ['08:00-09:00']", ["either clock or hours_per_day"]),
        ("watts = 5\nclock = ['08:00-10:00', '09:00-11:00']", ["source 1, clock", "windows that do not overlap"]),
        ('watts = 5\nstops = ["Glad"]', ["source 1, stops", 'Did you mean "Glade"?']),
        ('watts = 5\nkind = "solar"', ["source 1, kind", '"wind", "hydro", "fuel cell" or "other"']),
        ('watts = 5\nname = "generator"', ["a name that no other charger has"]),
        ("watts = -5", ["source 1, watts", "from 0 to 50000 W"]),
        ("power_w = 5", ["source 1, power_w", "expected a known key", 'Did you mean "watts"?']),
        ('watts = 5\nname = "a"\n[[source]]\nwatts = 6\nname = "a"', ["source 2", "a name of its own for every source"]),
    ],
)
def test_a_source_that_cannot_be(text, words):
    told(mistakes(f"[[source]]\n{text}\n")[0], *words)


def test_a_profile_has_its_own_hours():
    found = mistakes("[[source]]\nprofile = 'a.csv'\nclock = ['08:00-09:00']\n")
    assert any("no clock beside a profile" in mistake for mistake in found)


# --- off the road ---------------------------------------------------------------------------------------------------


def test_storage_as_understood():
    found = scenario(stops=FIRST + SECOND + 'storage = "float"\n')
    assert found.stops[1].storage == "float"
    assert found.stops[1].hookup_every_nights == 1
    assert found.shore is not None
    told("\n".join(describe(found)), "on a hookup; clear sky; off the road, the bank on float")
    asleep = scenario(stops=FIRST + SECOND + 'storage = "disconnected"\n')
    assert (asleep.stops[1].hookup_every_nights, asleep.shore) == (0, None)
    told("\n".join(describe(asleep)), "off the road, the bank disconnected")
    on_panels = scenario(stops=FIRST + SECOND + 'storage = "float"\nhookup = false\n')
    assert (on_panels.stops[1].hookup_every_nights, on_panels.shore) == (0, None)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ('storage = "disconnected"\nhookup = true', ["hookup (line", "no hookup beside storage", 'write storage = "float"']),
        ('storage = "disconnected"\nhookup = "every 7th night"', ["no hookup beside storage"]),
        ('storage = "float"\nhookup = "every 7th night"', ['hookup = true beside storage = "float"', "one night in 7"]),
        ('storage = "float"\ndrive_h_per_day = 1', ["no daily driving beside storage", "stands still"]),
        ('storage = "cellar"', ["storage (line", '"disconnected" or "float"']),
    ],
)
def test_storage_that_contradicts_itself(more, words):
    (mistake,) = mistakes(stops=FIRST + SECOND + more + "\n")
    told(mistake, 'stop 2 "Barn"', *words)


def test_a_bank_on_float_needs_something_to_hang_on():
    stops = FIRST + SECOND + 'storage = "float"\nhookup = false\n'
    (mistake,) = mistakes(top=BANK, stops=stops)
    told(mistake, 'stop 2 "Barn", storage', "a hookup or panels", "neither", "hookup = true")
    (mistake,) = mistakes(top=BANK + PORTABLE, stops=stops)
    told(mistake, "a hookup or panels")


def test_what_runs_only_where_the_vehicle_is_stored():
    stops = FIRST + SECOND + 'storage = "disconnected"\n'
    appliance = '[[appliance]]\nname = "saw"\npower_w = 5\nhours_per_day = 1\nstops = ["Barn"]\n'
    (mistake,) = mistakes(appliance, stops=stops)
    told(mistake, 'appliance 2 "saw", stops', "at which the vehicle is not stored", 'only "Barn"', "take storage out of the stop")
    (mistake,) = mistakes("[[source]]\nwatts = 5\nstops = ['Barn']\n", stops=stops)
    told(mistake, "source 1, stops", "not stored")
    assert scenario("[[source]]\nwatts = 5\nstops = ['Barn', 'Glade']\n", stops=stops).sources[0].stops == frozenset({1, 2})


def test_all_of_it_at_once():
    found = mistakes(
        GENERATOR + 'quiet = ["00:00-24:00"]\n' + "[[source]]\n" + "[shore]\npedestal_a = 6\n",
        stops=FIRST + "horizon = [[9, 1], [8, 1]]\n" + SECOND + 'storage = "disconnected"\nhookup = true\n',
    )
    assert len(found) == 5
    lines = [int(re.search(r"\(line (\d+)\)", mistake).group(1)) for mistake in found]
    assert lines == sorted(lines)
