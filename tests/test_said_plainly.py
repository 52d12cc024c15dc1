"""What an answer must say at its head or its end: cautions, medical devices, weather from afar, causes that hold for the day."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pvlib
import pytest

from simulator.cli import main
from simulator.engine import simulate
from simulator.errors import InputError
from simulator.record import summary
from simulator.report.page import render_page
from simulator.report.sizing import size_lines
from simulator.report.sizing import verdict as verdict_of_size
from simulator.report.tables import TOO_SMALL, answer_lines, cause_words, cure_sentence, medical_sentences, ratio_words, verdict
from simulator.scenario import cautions, parse_scenario, read_scenario
from simulator.scenario.parts import Costs
from simulator.studies.budget import budget
from simulator.studies.costs import terms_of
from simulator.studies.sizing import size
from simulator.studies.sizing_tables import size_summary
from simulator.studies.worksheet import worksheet
from simulator.weather.doubts import far_weather

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
TRIP = """
title = "said plainly"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "{chemistry}"
unit_ah = {unit_ah}
in_parallel = 1
place = "inside"
{tables}
[[appliance]]
name = "breathing"
bus = "{bus}"
power_w = 50
clock = ["22:00-06:00"]
medical = {medical}
{more}
[[stop]]
name = "Ridge"
latitude_deg = {latitude_deg}
longitude_deg = -79.95
zone = "America/New_York"
arrive = 2026-01-10
depart = {depart}
{stop}
weather = {weather}
"""
PANEL = """
[[array]]
name = "roof"
panel = {{ p_w = {p_w} }}
tilt_deg = 0
bearing_deg = 0
controller = {{ kind = "mppt" }}
"""
GENERATOR = "[generator]\nrated_w = 1000\n"


def trip(**given):
    usual = {
        "chemistry": "lfp",
        "unit_ah": 100,
        "tables": "",
        "bus": "dc",
        "medical": "true",
        "more": "",
        "latitude_deg": 36.1,
        "depart": "2026-01-16",
        "stop": "",
        "weather": '{ sample = "greensboro" }',
    }
    return TRIP.format(**(usual | given))


def outcome_of(**given):
    return simulate(parse_scenario(trip(**given)))


# ---- cautions ----


def test_which_cautions_a_system_calls_for():
    plain = cautions.cautions_of([parse_scenario(trip(medical="false"))])
    assert plain == (cautions.LITHIUM, cautions.WIRING)
    most = cautions.cautions_of(
        [parse_scenario(trip(tables=GENERATOR)), parse_scenario(trip(chemistry="agm"))], ["", "own words"]
    )
    assert most == (cautions.MEDICAL, cautions.GENERATOR, cautions.LITHIUM, cautions.LEAD, cautions.WIRING, "own words")
    assert "licensed electrician" in cautions.WIRING and "local codes" in cautions.WIRING


@pytest.mark.parametrize(
    "command",
    [
        ["run"],
        ["odds", "--years", "2"],
        ["budget"],
        ["dates", "--years", "2", "--weeks", "0..0"],
        ["life"],
        ["stretch"],
        ["worksheet"],
        ["remedies", "--no-pairs"],
    ],
    ids=lambda command: command[0],
)
def test_every_answer_prints_its_cautions_and_hands_them_on(command, tmp_path, capsys):
    file = tmp_path / "trip.toml"
    file.write_text(trip(tables=GENERATOR + PANEL.format(p_w=100)), encoding="utf-8")
    name, *more = command
    assert main([name, str(file), *more]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert main([name, str(file), *more, "--json"]) == 0
    handed = json.loads(capsys.readouterr().out)["cautions"]
    for caution in (cautions.MEDICAL, cautions.GENERATOR, cautions.LITHIUM, cautions.WIRING):
        assert caution in said
        assert caution in handed


# ---- medical devices ----


def test_a_medical_device_counts_its_own_dark_hours_and_no_others():
    """A bank of 20 Ah (256 Wh by its label), 50 W for 8 h a night and no charger: dark from some hour on to the end."""
    outcome = outcome_of(unit_ah=20, weather="{ clear = true }")
    (line,) = outcome.medical
    hour = outcome.timeline.local_hour
    asks = (hour >= 22.0) | (hour < 6.0)
    from simulator.battery import kernel as k

    assert line.asked_h == asks.sum() == 7 * 8
    assert line.dark_h == pytest.approx(outcome.hours[asks, k.DARK_H].sum())
    assert line.dark_h > 40.0
    assert verdict(outcome) in answer_lines(outcome)
    (sentence,) = medical_sentences(outcome)
    assert sentence in answer_lines(outcome)[:5]
    assert f"is without power for {line.dark_h:.1f} h" in sentence
    assert sentence.replace('"', "&#34;") in render_page(outcome).replace("&quot;", "&#34;")
    assert summary(outcome)["medical"][0]["dark_h"] == pytest.approx(line.dark_h, abs=0.005)


def test_a_medical_device_that_is_always_served_is_said_to_be_with_its_caution():
    outcome = outcome_of(unit_ah=300, weather="{ clear = true }")
    (line,) = outcome.medical
    assert line.dark_h == 0.0 and summary(outcome)["medical"][0]["first_utc"] is None
    assert "has power in all 56 h" in medical_sentences(outcome)[0] and "never rely" in medical_sentences(outcome)[0]
    assert outcome_of(medical="false").medical == ()


def test_hours_of_too_much_at_once_are_among_those_with_power_or_beside_the_dark_ones():
    outcome = outcome_of(unit_ah=300, weather="{ clear = true }")
    (line,) = outcome.medical
    outcome.__dict__["medical"] = (replace(line, overload_h=3.0),)
    assert "In 3 of them bank or inverter are asked for too much" in medical_sentences(outcome)[0]
    outcome.__dict__["medical"] = (replace(line, overload_h=3.0, dark_h=2.0, days=1, first_hour=0),)
    assert "In 3 more h bank or inverter are asked for too much" in medical_sentences(outcome)[0]


def test_a_medical_device_of_low_priority_is_dark_when_it_is_switched_off():
    # The appliance before this table is the medical one.
    outcome = outcome_of(
        weather="{ clear = true }",
        more='priority = "comfort"\n[[appliance]]\nname = "light"\npower_w = 20\nduty_frac = 1.0\n'
        "[switch_off]\ncomfort_soc = 0.9",
    )
    (line,) = outcome.medical
    assert line.dark_h > 30.0
    assert outcome.timeline.utc[line.first_hour] < outcome.outages[0].start


# ---- causes and cures ----


def test_a_cause_speaks_only_of_days_that_there_were():
    outcome = outcome_of(unit_ah=30, tables=PANEL.format(p_w=20), medical="false")
    structural = [day for day in outcome.flat_days if day.cause == "structural"]
    assert structural
    for day in structural:
        said = cause_words(outcome, "structural", day.day)
        assert said.startswith(f"in the {day.day + 1} days since the trip began, ")
    assert "weeks before" not in " ".join(answer_lines(outcome))


def test_a_bank_smaller_than_a_day_is_called_that():
    outcome = outcome_of(unit_ah=20, tables=PANEL.format(p_w=400), medical="false", weather="{ clear = true }")
    buffers = [day.day for day in outcome.flat_days if day.cause == "buffer"]
    assert buffers and cause_words(outcome, "buffer", buffers[0]) == TOO_SMALL
    assert not outcome.carries_day(buffers[0])
    large = outcome_of(unit_ah=300, medical="false", weather="{ clear = true }")
    assert large.carries_day(2)


def test_what_helps_most_says_when_it_does_not_end_it():
    outcome = outcome_of(unit_ah=20, tables=PANEL.format(p_w=20))
    least = min(count for name, count in outcome.flat_day_counts.items() if name.startswith("mend "))
    assert least > 0
    assert cure_sentence(outcome).startswith("No single change that was tried ends ")


@pytest.mark.parametrize(
    ("ratio", "sun", "words"),
    [
        (3.0, 0.4, "enough with the chargers, used whenever they may be; the sun alone is too little"),
        (1.1, 0.4, "thin even with the chargers, used whenever they may be; the sun alone is too little"),
        (3.0, 0.0, "enough with the chargers, used whenever they may be; no sun comes in"),
        (3.0, 1.1, "enough over the whole stay; thin by the sun alone"),
        (3.0, 2.0, "enough over the whole stay"),
        (0.9, 0.9, "less comes in than goes out: a bigger bank lasts longer, but not for good"),
    ],
)
def test_a_ratio_tells_of_the_sun_alone_too(ratio, sun, words):
    assert ratio_words(ratio, sun) == words


# ---- weather from afar ----


def test_weather_from_afar_stands_at_the_head_of_the_answer():
    outcome = outcome_of(latitude_deg=38.4)
    (far,) = far_weather(outcome.scenario)
    assert far.km == pytest.approx(256.0, abs=3.0)
    (sentence,) = [line for line in answer_lines(outcome)[:6] if line.startswith("In doubt")]
    assert 'stop 1 "Ridge" has that of Greensboro, North Carolina, 256 km away' in sentence
    assert "256 km away" in render_page(outcome).split('id="numbers"')[0]
    assert far_weather(outcome_of(latitude_deg=37.3).scenario) == ()
    assert far_weather(outcome_of(latitude_deg=60.0, weather="{ clear = true }").scenario) == ()


@pytest.mark.parametrize("command", ["run", "odds", "check", "stretch"])
def test_weather_of_the_other_half_of_the_earth_is_a_mistake_with_its_cure(command, tmp_path, capsys):
    file = tmp_path / "trip.toml"
    file.write_text(trip(latitude_deg=-36.1), encoding="utf-8")
    assert main([command, str(file)]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.count("summer and winter are the other way round. Take a file") == 1


def test_a_place_of_the_table_beyond_the_equator_is_refused_too():
    with pytest.raises(InputError, match="got that of SEVILLA in the north"):
        outcome_of(latitude_deg=-36.1, weather='{ normals = "Sevilla" }')


# ---- averages ----


def test_storage_is_in_no_average():
    barn = (
        '[[stop]]\nname = "Barn"\nlatitude_deg = 36.1\nlongitude_deg = -79.95\nzone = "America/New_York"\narrive = 2026-01-16\n'
        'depart = 2026-03-16\nstorage = "disconnected"\nweather = { sample = "greensboro" }\n'
    )
    short = parse_scenario(trip(unit_ah=200, tables=PANEL.format(p_w=100)))
    long = parse_scenario(trip(unit_ah=200, tables=PANEL.format(p_w=100)) + barn)
    hand, stored = worksheet(short), worksheet(long)
    assert stored.daily_wh == pytest.approx(hand.daily_wh, rel=0.08)
    assert stored.coldest_c == pytest.approx(hand.coldest_c, abs=3.0)
    made = [next(each for each in found.reasons if each.startswith("Panels")) for found in (hand, stored)]
    figures = [float(said.split("it offers ")[1].split(" Wh")[0].replace(",", "")) for said in made]
    assert figures[1] == pytest.approx(figures[0], rel=0.15)
    whole, with_barn = budget(short).whole, budget(long).whole
    assert with_barn.audit_wh_per_day == pytest.approx(whole.audit_wh_per_day, rel=0.05)
    assert with_barn.days in (whole.days, whole.days + 1)
    assert np.isclose(with_barn.multiplier, whole.multiplier, rtol=0.1)


# ---- money ----


def test_prices_without_a_currency_are_called_price_units_and_no_currency_is_made_up(sized_without_currency):
    found = sized_without_currency
    lines = size_lines(found)
    assert " price units, as written in the scenario: " in verdict_of_size(found)
    assert "\n".join(lines).count("price units") == 1
    assert size_summary(found)["currency"] is None
    assert terms_of(Costs()).currency == "price units"
    assert any("[costs] currency names them" in default for default in terms_of(Costs()).defaults)
    assert not any("currency" in default for default in terms_of(Costs(currency="CHF")).defaults)


@pytest.fixture(scope="module")
def sized_without_currency():
    scenario = read_scenario(SCENARIOS / "size-rambler.toml")
    scenario = replace(scenario, costs=replace(scenario.costs, currency=None))
    return size(scenario, replace(scenario.size, in_parallel=(2, 3), years=2, flat_days=20))


@pytest.mark.parametrize(("chemistry", "said"), [("lfp", "LFP"), ("agm", "AGM"), ("gel", "gel"), ("flooded", "flooded")])
def test_letters_are_capitals_and_words_are_not(chemistry, said, make_bank):
    assert replace(make_bank("agm"), chemistry=chemistry).chemistry_name == said


def test_a_weather_file_from_afar_is_looked_at_again_when_it_was_replaced(tmp_path):
    """The same name, with the head of another place: Greensboro's file as it is, then with Miami's latitude."""
    text = (Path(pvlib.__file__).parent / "data" / "723170TYA.CSV").read_text(encoding="ascii")
    file = tmp_path / "year.csv"
    file.write_text(text, encoding="ascii")
    scenario = parse_scenario(trip(latitude_deg=37.3, weather=f'{{ file = "{file.as_posix()}" }}'))
    assert far_weather(scenario) == ()
    head, rest = text.split("\n", 1)
    assert ",36.100," in head
    file.write_text(head.replace(",36.100,", ",25.8000,") + "\n" + rest, encoding="ascii")
    (far,) = far_weather(scenario)
    assert far.km == pytest.approx(1280.0, abs=30.0)
    file.unlink()
    assert far_weather(scenario) == ()


def test_normals_of_a_far_place_are_from_afar():
    written = '{ normals = "Chicago Ohare Intl Ap" }'
    (far,) = far_weather(parse_scenario(trip(latitude_deg=36.1, weather=written)))
    assert far.km == pytest.approx(955.0, abs=40.0)
    assert far_weather(parse_scenario(trip(latitude_deg=36.1, weather='{ normals = "nearest" }'))) == ()
