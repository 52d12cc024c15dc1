"""Rare things a person may write: each is read as meant, remarked upon or refused, with its place and its cure."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from simulator.errors import InputError
from simulator.scenario import describe, parse_scenario, places, read_scenario
from simulator.scenario.variants import variants_of

PANEL = "p_w = 100, v_mp = 18.6, i_mp = 5.4, v_oc = 22.5, i_sc = 5.9, cells = 36"
SCENARIO = """
title = "Rare"
[vehicle]
{vehicle}
[bank]
chemistry = "lfp"
unit_ah = 100
{bank}
[[array]]
name = "roof"
panel = {{ {panel} }}
controller = {{ kind = "{controller}" }}
[[appliance]]
name = "lamp"
power_w = 10
hours_per_day = 2
{tables}
[weather]
{weather}
[[stop]]
name = "here"
latitude_deg = 36.0
longitude_deg = -80.0
zone = "America/New_York"
arrive = 2026-06-01
depart = {depart}
"""


def array_named(name):
    return f'[[array]]\nname = "{name}"\npanel = {{ {PANEL} }}\ncontroller = {{ kind = "mppt" }}\n'


def written(**parts):
    usual = {
        "vehicle": "",
        "bank": "",
        "panel": PANEL,
        "controller": "mppt",
        "tables": "",
        "weather": "clear = true",
        "depart": "2026-06-02",
    }
    return SCENARIO.format(**usual | parts)


def mistakes(text, path=None):
    with pytest.raises(InputError) as caught:
        parse_scenario(text, path)
    return caught.value.mistakes


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"vehicle": "budget = 0"}, "nothing may be bought with a budget of 0"),
        (
            {"controller": "pwm", "panel": "p_w = 100, v_mp = 14.0, i_mp = 7.14, v_oc = 17.5, i_sc = 7.6, cells = 28"},
            "a string of 14 V at best power will hardly fill a bank",
        ),
        (
            {"controller": "pwm", "panel": "p_w = 100, v_mp = 30.0, i_mp = 3.33, v_oc = 37.0, i_sc = 3.55, cells = 60"},
            "a string of 30 V is held at the bank's voltage",
        ),
        ({"tables": "[alternator]\ncharger_a = 20\nalternator_v = 14"}, "it decides nothing without alternator_max_a"),
        ({"tables": "[generator]\nefficiency_frac = 0.3"}, "for a charger"),
        (
            {"tables": "[rest_of_year]\nstorage = { soc = 0.5, temp_c = -35 }"},
            "-35 C is colder than the -20 C its cells are rated for",
        ),
        (
            {"tables": "[rest_of_year]\nstorage = { soc = 0.5 }", "depart": "2027-06-02"},
            "no rest of the year is left, and the storage has no effect",
        ),
    ],
)
def test_what_is_odd_is_remarked_upon(parts, words):
    found = parse_scenario(written(**parts))
    assert [note for note in found.notes if words in note], found.notes
    assert not [note for note in parse_scenario(written()).notes if words in note]


def test_a_charger_of_the_generator_is_as_good_as_written():
    found = parse_scenario(written(tables="[generator]\nrated_w = 500\nefficiency_frac = 0.8"))
    usual = parse_scenario(written(tables="[generator]\nrated_w = 500"))
    assert found.generator.efficiency_frac == 0.8
    assert found.generator.charger_a / usual.generator.charger_a == pytest.approx(0.8 / usual.generator.efficiency_frac)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ({"bank": "cutoff_soc = 0.6\ntarget_soc = 0.55\nreconnect_soc = 0.65"}, "a charge target above the floor at 0.6"),
        ({"tables": "[inverter]\nrated_w = 500\nsleep_w = 100"}, "at most its idle draw"),
        (
            {"tables": '[inverter]\nrated_w = 500\n[[appliance]]\nname = "kettle"\nbus = "ac"\nvolts = 12\npower_w = 9'},
            "no volts of an AC",
        ),
        ({"tables": "[size]\npanels = {}"}, 'panels by array such as { "roof" = [1, 4] }'),
        ({"tables": array_named("front") + "[size]\npanels = [1, 4]"}, "panels by the name of the array"),
        ({"tables": array_named("roof") + "[size]\npanels = { roof = [1, 4] }"}, "the number of an array"),
        (
            {"tables": '[inverter]\nrated_w = 500\n[[cable]]\nappliances = ["inverter", "lamp"]\nlength_m = 2\nmm2 = 16'},
            "the inverter alone on its cable",
        ),
    ],
)
def test_what_cannot_be_is_refused(tmp_path, parts, words):
    found = mistakes(written(**parts), tmp_path / "rare.toml")
    assert [mistake for mistake in found if words in mistake], found


def test_an_array_may_be_told_by_its_number():
    found = parse_scenario(written(tables=array_named("front") + "[size]\npanels = { 2 = [1, 3] }"))
    assert found.size.panels == ((1, (1, 2, 3)),)
    # The name goes before the number.
    named = parse_scenario(written(tables=array_named("1") + "[size]\npanels = { 1 = [1, 3] }"))
    assert named.size.panels == ((1, (1, 2, 3)),)


def test_lines_are_found_behind_strings_of_any_kind():
    """Strings that end in quotes of their own, and keys with escapes that only TOML knows; all count for the lines below."""
    head = 'title = """two\nlines, and a quote: \\"\\"\\"\\""""""\n'
    text = written().replace('title = "Rare"\n', head).replace("unit_ah = 100", "unit_ah = -1")
    assert tomllib.loads(head)["title"].endswith('""""""')
    line = text.splitlines().index("unit_ah = -1") + 1
    assert [mistake for mistake in mistakes(text) if "unit_ah" in mistake and f"(line {line})" in mistake]
    text = written().replace("unit_ah = 100", 'unit_ah = 100\n"\\U0001F50B" = 1\nunit_price = -1')
    lines = text.splitlines()
    found = mistakes(text)
    assert [mistake for mistake in found if f"(line {lines.index('unit_price = -1') + 1})" in mistake], found


TOWN = {"country": "PT", "region": "08", "latitude_deg": 38.5, "longitude_deg": -7.9, "people": 50_000}
VARIANT = '[[variant]]\nname = "other"\n'


@pytest.mark.parametrize(
    ("variant", "words"),
    [
        ('without = ["bank.unit_mass"]\n', "a key that the scenario has"),
        ('without = ["inverter.rated_w"]\n', "It is taken out, or was never there."),
        ('without = ["array.1", "array.1.panel"]\n', "It is taken out, or was never there."),
    ],
)
def test_a_variant_takes_out_only_what_is_there(variant, words):
    with pytest.raises(InputError) as caught:
        variants_of(written() + VARIANT + variant)
    assert [mistake for mistake in caught.value.mistakes if words in mistake], caught.value.mistakes


def test_variants_that_are_no_tables_are_told_and_no_traceback():
    text = "variant = [3]\n" + written()
    with pytest.raises(InputError) as caught:
        variants_of(text)
    assert any("variant" in mistake for mistake in caught.value.mistakes)


def test_only_stops_with_a_town_are_looked_up(monkeypatch):
    """One stop has a name of a town, the other numbers: the numbers stay as written."""
    asked = []

    def find_town(name, path, desk):
        asked.append(name)
        return places.Town(name="Vila", **TOWN)

    monkeypatch.setattr(places, "find_town", find_town)
    text = written(depart="2026-06-05") + (
        '[[stop]]\nname = "there"\nplace = "Vila, PT"\narrive = 2026-06-05\ndepart = 2026-06-07\ndrive_h = 3\n'
    )
    found = parse_scenario(text)
    assert asked == ["Vila, PT"]
    assert [(stop.latitude_deg, stop.longitude_deg) for stop in found.stops] == [(36.0, -80.0), (38.5, -7.9)]


def test_an_appliance_of_every_hour_is_said_to_be_spread():
    text = written(tables='[[appliance]]\nname = "router"\nkind = "fridge"\npower_w = 40\nwh_per_day = 240')
    assert [line for line in describe(parse_scenario(text)) if "spread over day and night" in line]
    assert not [line for line in describe(parse_scenario(written())) if "spread over day and night" in line]


def test_a_profile_is_judged_by_check_and_its_mistakes_are_told(tmp_path):
    """A file of watts that is too big, or that cannot be read, is a sentence."""
    from simulator import profiles

    big = tmp_path / "big.csv"
    with big.open("wb") as file:
        file.truncate(profiles.MOST_BYTES + 1)
    with pytest.raises(InputError, match="of at most"):
        profiles._text_of(big)
    with pytest.raises(InputError, match="cannot be read"):
        profiles._text_of(Unreadable(tmp_path / "locked.csv"))


class Unreadable(type(Path())):
    """A file that is there and may not be read."""

    def is_file(self):
        return True

    def stat(self, **_):
        raise PermissionError(13, "Permission denied")


def test_a_weather_file_that_may_not_be_read(tmp_path, monkeypatch):
    weather = tmp_path / "year.epw"
    weather.write_text("LOCATION", encoding="utf-8")
    scenario = tmp_path / "trip.toml"
    scenario.write_text(written(weather='file = "year.epw"'), encoding="utf-8")
    usual = Path.open

    def locked(self, *arguments, **named):
        if self.name == "year.epw":
            raise PermissionError(13, "Permission denied")
        return usual(self, *arguments, **named)

    monkeypatch.setattr(Path, "open", locked)
    with pytest.raises(InputError) as caught:
        read_scenario(scenario)
    assert any("which may not be read" in mistake for mistake in caught.value.mistakes)
