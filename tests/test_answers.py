"""What people answer when they are asked: plain words, units, decimal commas and spans of time are understood, or refused."""

from __future__ import annotations

from datetime import date

import pytest

from simulator.cli import answers, main
from simulator.scenario import read_scenario
from simulator.scenario.starter import APPLIANCES, UNIT_V, VEHICLES

VEHICLE = answers.one_of(tuple(VEHICLES), answers.VEHICLE_WORDS)
BANK = answers.chemistry(tuple(UNIT_V))


@pytest.mark.parametrize(
    ("read", "written", "meant"),
    [
        (VEHICLE, "van", "camper"),
        (VEHICLE, "a Motorhome", "camper"),
        (VEHICLE, "yacht", "boat"),
        (VEHICLE, "caravan", "trailer"),
        (VEHICLE, "lorry", "truck"),
        (BANK, "lithium", "lfp"),
        (BANK, "LiFePO4 battery", "lfp"),
        (BANK, "glass mat", "agm"),
        (BANK, "wet", "flooded"),
        (answers.span(1, 1000), "14", 14),
        (answers.span(1, 1000), "10 days", 10),
        (answers.span(1, 1000), "2 weeks", 14),
        (answers.span(1, 1000), "two weeks", 14),
        (answers.span(1, 1000), "a month", 30),
        (answers.span(1, 1000), "1 month", 30),
        (answers.span(1, 1000), "fortnight", 14),
        (answers.span(1, 1000), "1,5 weeks", 11),
        (answers.span(1, 1000), "3 nights", 4),
        (answers.number(0, 20_000, "W"), "1,5 kW", 1500.0),
        (answers.number(0, 20_000, "W"), "2 x 175 W", 350.0),
        (answers.number(0, 20_000, "W"), "none", 0.0),
        (answers.number(1, 5000, "Ah"), "100,5", 100.5),
        (answers.number(1, 5000, "Ah"), "280 amp hours", 280.0),
        (answers.whole(1, 400), "two batteries", 2),
        (answers.volts, "24 volts", 24),
        (answers.day, "1.12.2026", date(2026, 12, 1)),
        (answers.day, "1 December 2026", date(2026, 12, 1)),
        (answers.day, "Dec 1, 2026", date(2026, 12, 1)),
        (answers.day, "25/12/2026", date(2026, 12, 25)),
        (answers.appliances, "TV, wifi and refrigerator", ("television", "router", "fridge")),
    ],
)
def test_what_is_meant(read, written, meant):
    assert read(written) == meant


@pytest.mark.parametrize(
    ("written", "north", "east"),
    [
        ("48.1,7.9", 48.1, 7.9),
        ("48,1, 7,9", 48.1, 7.9),
        ("48,1 7,9", 48.1, 7.9),
        ("48,7", 48.0, 7.0),
        ("48.1 N, 7.9 W", 48.1, -7.9),
        ("48.1 N 7.9 E", 48.1, 7.9),
        ("-45.0,170.5", -45.0, 170.5),
        ("-33.9 S, -18.4 W", -33.9, -18.4),
        ("33\N{DEGREE SIGN} S 18\N{DEGREE SIGN} E", -33.0, 18.0),
    ],
)
def test_coordinates(written, north, east):
    (place,) = answers.places(written)
    assert (place.latitude_deg, place.longitude_deg) == pytest.approx((north, east))


@pytest.mark.parametrize(
    ("read", "written", "words"),
    [
        (BANK, "lead", "which lead-acid it is: agm or gel"),
        (answers.span(1, 1000), "9" * 400, "from 1 to 1000"),
        (answers.span(1, 1000), "9" * 400 + " weeks", "from 1 to 1000"),
        (answers.span(1, 1000), "0 nights", "from 1 to 1000"),
        (answers.number(0, 20_000, "W"), "1" + "0" * 400 + " x 1 W", "from 0 to 20000 W"),
        (answers.number(0, 20_000, "W"), "1" + "0" * 5000 + " x 1 W", "from 0 to 20000 W"),
        (BANK, "lead-acid battery", "which lead-acid it is"),
        (BANK, "li-ion", "if the label says LiFePO4"),
        (VEHICLE, "submarine", "expected camper, bus, trailer, truck or boat"),
        (answers.span(1, 1000), "1.5", "number of days"),
        (answers.span(1, 1000), "-2 weeks", "number of days"),
        (answers.span(1, 1000), "0 days", "number of days"),
        (answers.span(1, 1000), "4 years", "from 1 to 1000"),
        (answers.span(1, 1000), "soon", 'got "soon"'),
        (answers.number(1, 5000, "Ah"), "1,200", "write 1200 or 1.200"),
        (answers.number(1, 5000, "Ah"), "nan", "a number from 1 to 5000"),
        (answers.number(1, 5000, "Ah"), "100 W", "a number from 1 to 5000 Ah"),
        (answers.whole(1, 400), "half a", "a whole number"),
        (answers.day, "3/5/2026", "cannot be told apart"),
        (answers.day, "2026-02-30", "a date such as"),
    ],
)
def test_what_may_mean_two_things_or_none_is_refused(read, written, words):
    with pytest.raises(ValueError, match="expected") as caught:
        read(written)
    assert words in str(caught.value)


def test_every_plain_word_means_one_thing_that_there_is():
    for words, names in (
        (answers.VEHICLE_WORDS, VEHICLES),
        (answers.BANK_WORDS, UNIT_V),
        (answers.APPLIANCE_WORDS, APPLIANCES),
    ):
        assert set(words) <= set(names)
        listed = [word for others in words.values() for word in others.split(", ")]
        assert len(listed) == len(set(listed))
        assert not set(listed) & set(names)


def test_the_command_says_what_it_understood(tmp_path, capsys):
    file = tmp_path / "plain.toml"
    flags = ["--vehicle", "van", "--bank", "lithium", "--panel-w", "2 x 175 W", "--days", "2 weeks", "--at", "48,1; 7,9"]
    assert main(["new", str(file), "--yes", *flags, "--units", "2"]) == 0
    said = capsys.readouterr().out
    assert "--vehicle van: camper" in said and "--bank lithium: lfp (lithium iron phosphate)" in said
    assert "--days 2 weeks: 14 days" in said and "Stop 2 at 7.00 north, 9.00 east" in said
    # What was written word for word is not said again.
    assert "--units" not in said
    assert (read_scenario(file).stops[-1].depart - read_scenario(file).stops[0].arrive).days == 13


def test_a_place_that_is_not_in_the_list_is_mended_by_what_can_be_answered(monkeypatch):
    from simulator.scenario import places

    monkeypatch.setattr(places, "towns_named", lambda name: [])
    monkeypatch.setattr(places, "_nearest_name", lambda name: "")
    with pytest.raises(ValueError, match="give latitude,longitude, such as") as said:
        answers.places("the lake")
    assert "latitude_deg" not in str(said.value)
