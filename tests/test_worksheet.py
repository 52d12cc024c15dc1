"""The worksheet: by pencil, beside the engine, with reasons."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import pytest

from simulator import read_scenario, simulate
from simulator.battery import kernel as k
from simulator.cli import main
from simulator.errors import InputError
from simulator.report.worksheet import worksheet_lines
from simulator.scenario import parse_scenario
from simulator.studies.changes import with_parallel, with_soh
from simulator.studies.odds import odds
from simulator.studies.worksheet import Worksheet, worksheet, worksheet_summary

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"


@cache
def sheet_of(name: str) -> Worksheet:
    return worksheet(read_scenario(SCENARIOS / f"{name}.toml"))


def test_the_pencil_gets_the_same():
    """1,550 Wh / 12 V = 129.2 Ah; x 3 days = 387.5; / 0.8 = 484.4; x 1.10 = 532.8 Ah; of 100 Ah each: six units."""
    found = sheet_of("worksheet")
    assert found.daily_wh == pytest.approx(1550.0)
    assert found.daily_ah == pytest.approx(129.17, abs=0.01)
    assert found.unadjusted_ah == pytest.approx(387.5)
    assert found.temperature_factor == 1.0
    assert found.adjusted_ah == pytest.approx(532.8, abs=0.1)
    assert found.hand_parallel == 6
    # 400 Ah x 0.8 / 129.2 Ah a day.
    assert found.hand_days == pytest.approx(2.48, abs=0.01)


@pytest.mark.parametrize("name", ["worksheet", "bloom-route"])
def test_the_simulated_side_is_the_engine(name):
    found = sheet_of(name)
    scenario = found.scenario
    assert [day.date for day in found.outcome.flat_days] == [day.date for day in simulate(scenario).flat_days]
    assert found.flat_days_hand == len(simulate(with_parallel(scenario, found.hand_parallel)).flat_days)
    assert found.flat_days_worn == len(simulate(with_soh(scenario, 0.8)).flat_days)
    assert sum(wh for _, wh in found.audit) == pytest.approx(
        found.outcome.hours[:, k.LOAD_WH].sum() / found.outcome.timeline.days
    )


def test_array_over_load_is_sun_times_the_current_at_best_power():
    """IEEE 1013, clause 5: PV Ah a day = kWh/m2 a day x I_mp; over the load's Ah."""
    text = (SCENARIOS / "bloom-route.toml").read_text(encoding="utf-8")
    scenario = parse_scenario(text.replace('kind = "mppt"', 'kind = "pwm"'), SCENARIOS / "bloom-route.toml")
    found = worksheet(scenario)
    panel = scenario.arrays[0].panel
    for stop in found.stops:
        assert stop.array_to_load == pytest.approx(stop.sun_kwh_m2_day * panel.i_mp * 4 / found.daily_ah)
    # Miami in March and April has about 5 to 6 kWh/m2 a day (NREL solar radiation data manual, from memory).
    assert 4.5 < found.stops[0].sun_kwh_m2_day < 6.0


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("worksheet", ("Nothing charges", "Volts", "Ageing")),
        ("bloom-route", ("Season", "Weather", "Volts", "Ageing", "Panels")),
        ("winter-survey-outside", ("Season", "Cold")),
    ],
)
def test_the_reasons_are_those_of_the_trip(name, words):
    reasons = sheet_of(name).reasons
    for word in words:
        assert any(reason.startswith(word) for reason in reasons), (word, reasons)
    if name != "winter-survey-outside":
        assert not any(reason.startswith("Cold") for reason in reasons)


def test_margins_and_days_can_be_chosen_and_lead_rests_on_a_fifth_a_day():
    text = (SCENARIOS / "worksheet.toml").read_text(encoding="utf-8")
    lead = (
        text.replace('"lfp"', '"agm"').replace("unit_v = 12.8", "unit_v = 12").replace("usable_frac = 0.8", "usable_frac = 0.5")
    )
    found = worksheet(parse_scenario(lead), autonomy_days=2.0, margin=0.2)
    assert found.daily_depth_frac == 0.2
    # The day rules: 129.2 / 0.2 = 646 Ah, more than 2 x 129.2 / 0.5 = 517.
    assert found.adjusted_ah == pytest.approx(129.167 / 0.2 * found.temperature_factor * 1.2, rel=1e-4)
    assert worksheet(parse_scenario(lead), daily_depth=0.5).daily_depth_frac == 0.5


def test_every_mistake_at_once():
    with pytest.raises(InputError) as caught:
        worksheet(sheet_of("worksheet").scenario, autonomy_days=0.0, margin=-1.0, daily_depth=7.0)
    assert len(caught.value.mistakes) == 3


def test_nothing_to_size_without_a_load():
    text = (SCENARIOS / "worksheet.toml").read_text(encoding="utf-8").replace("wh_per_day = 1550", "wh_per_day = 0")
    with pytest.raises(InputError, match="nothing to size"):
        worksheet(parse_scenario(text))


def test_days_in_storage_are_no_days_of_the_worksheet():
    """A month in a barn asks for nothing: it must not thin out the load of a day, nor halve the bank."""
    text = (SCENARIOS / "worksheet.toml").read_text(encoding="utf-8").replace("depart = 2026-06-05", "depart = 2026-06-06")
    barn = """
[[stop]]
name = "Barn"
latitude_deg = 36.08
longitude_deg = -79.95
zone = "America/New_York"
arrive = 2026-06-06
depart = 2026-07-06
storage = "disconnected"
"""
    alone, with_barn = worksheet(parse_scenario(text)), worksheet(parse_scenario(text + barn))
    # The day of the move ends in the barn in the morning, before most of its load.
    assert with_barn.daily_wh == pytest.approx(1550.0, rel=0.06)
    assert with_barn.hand_parallel == alone.hand_parallel == 6
    assert with_barn.hand_days == pytest.approx(alone.hand_days, rel=0.06)
    assert with_barn.stops[1].array_to_load is None


def test_the_answer_speaks_plainly_and_warns():
    lines = worksheet_lines(sheet_of("bloom-route"))
    text = "\n".join(lines)
    assert "By hand this load asks for 5 units of 100 Ah in parallel; 2 units are proposed." in lines[2]
    assert "licensed electrician" in text
    assert "Fuse it at its terminals" in text
    assert "common practice, no source" in text
    assert "nan" not in text


def test_json_is_the_same_every_time(capsys):
    found = worksheet_summary(sheet_of("worksheet"))
    assert json.dumps(found, allow_nan=False)
    assert main(["worksheet", str(SCENARIOS / "worksheet.toml"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(found))


def test_the_command_refuses_what_cannot_be(capsys):
    assert main(["worksheet", str(SCENARIOS / "worksheet.toml"), "--autonomy", "0"]) == 2
    assert "--autonomy: expected 0.1 to 60 days, got 0" in capsys.readouterr().err


def test_over_many_years_it_is_what_the_odds_count():
    scenario = sheet_of("bloom-route").scenario
    found = worksheet(scenario, years=6)
    assert found.many is not None
    assert found.many.flat_days[0].tolist() == odds(scenario, 6).flat_days.tolist()
    assert found.many.flat_days[1].tolist() == odds(with_parallel(scenario, found.hand_parallel), 6).flat_days.tolist()
    assert worksheet_summary(found)["over_many_years"]["years"] == 6
    assert "flat days, average of 6 years" in "\n".join(worksheet_lines(found))
    assert "usually a kind one" in "\n".join(worksheet_lines(sheet_of("bloom-route")))
    with pytest.raises(InputError, match="--years"):
        worksheet(scenario, years=0)
