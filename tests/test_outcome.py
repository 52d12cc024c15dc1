"""Flat days, outages, causes, refill hours: the words of the answer, from small scenarios whose answer is plain."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simulator import parse_scenario, read_scenario, simulate
from simulator.battery import kernel as k
from simulator.outcome import CAUSES, Refill, flat_mask
from simulator.record import days_table, hours_table, summary
from simulator.report.tables import CAUSE_WORDS, LIFT_WORDS, answer_lines, charger_words, cure_sentence, verdict

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
PLAIN = """
title = "Plain"
[vehicle]
bus_v = {bus_v}
standing_draw_w = 0
heading_deg = 180
[bank]
chemistry = "{chemistry}"
unit_ah = 100
in_series = {in_series}
in_parallel = {in_parallel}
place = "{place}"
start_soc = {start_soc}
{bank}
[[appliance]]
name = "load"
volts = "bus"
power_w = {power_w}
duty_frac = 1.0
[[stop]]
name = "Camp"
latitude_deg = 36.1
longitude_deg = -79.95
arrive = {arrive}
depart = {depart}
{stop}
{more}
"""
DEFAULTS = {
    "bus_v": 12,
    "chemistry": "lfp",
    "in_series": 1,
    "in_parallel": 2,
    "place": "inside",
    "start_soc": 1.0,
    "bank": "",
    "power_w": 50,
    "arrive": "2026-07-01",
    "depart": "2026-07-05",
    "stop": "weather = { clear = true }",
    "more": "",
}
ROOF = """
[[array]]
name = "roof"
panel = {{ p_w = {p_w} }}
tilt_deg = 0
azimuth_deg = 180
controller = {{ kind = "{kind}"{limit} }}
"""


def outcome_of(**changes):
    return simulate(parse_scenario(PLAIN.format(**(DEFAULTS | changes))))


def roof(p_w=100, kind="mppt", limit=""):
    return ROOF.format(p_w=p_w, kind=kind, limit=limit)


def test_a_day_is_flat_by_minutes_or_by_energy():
    days = np.zeros((5, k.DAY_FIELDS))
    days[:, k.DAY_LOAD_WH] = 1000.0
    days[:, k.DAY_DARK_H] = [0.0, 0.24, 0.25, 0.1, 0.1]
    days[:, k.DAY_MISSED_WH] = [0.0, 10.0, 10.0, 19.9, 20.0]
    assert flat_mask(days).tolist() == [False, False, True, False, True]


def test_without_sun_the_bank_goes_dark_once_and_stays_dark():
    """Two 100 Ah units hold about 2,560 Wh above nothing; 95 % of it at 50 W lasts about two days."""
    outcome = outcome_of()
    assert len(outcome.outages) == 1
    outage = outcome.outages[0]
    assert outage.end is None
    assert outcome.autonomy_days == pytest.approx((outage.start - outcome.timeline.utc[0]).total_seconds() / 86400, abs=1e-6)
    assert outcome.autonomy_days == pytest.approx(2560 * 0.95 / 50 / 24, rel=0.05)
    assert outage.missed_wh == pytest.approx(50.0 * outage.dark_h)
    # The nights of 2, 3, 4 and 5 July: the last one has begun when the trip ends.
    assert (outcome.flat_nights, len(outcome.flat_days)) == (4, 3)
    # What it starts with is all it ever has: after the first dark moment every later day is flat.
    assert [day.day for day in outcome.flat_days] == list(range(outcome.flat_days[0].day, outcome.timeline.days))


def test_outages_of_a_small_bank_come_and_go_with_the_sun():
    outcome = outcome_of(in_parallel=1, power_w=75, more=roof(p_w=200), depart="2026-07-09")
    assert len(outcome.outages) > 1
    for outage in outcome.outages:
        if outage.end is not None:
            assert (outage.end - outage.start).total_seconds() / 3600 == pytest.approx(outage.dark_h, abs=1e-6)
    assert sum(outage.missed_wh for outage in outcome.outages) == pytest.approx(outcome.hours[:, k.ESSENTIAL_DARK_WH].sum())


def test_a_load_above_the_limit_is_an_overload_and_no_flat_day():
    outcome = outcome_of(in_parallel=1, power_w=300, bank="discharge_limit_a = 3", depart="2026-07-01")
    assert outcome.flat_days == ()
    assert outcome.ledger["missed_overload_wh"] > 0.0
    assert "Overload" in "\n".join(answer_lines(outcome))


def test_thin_days_are_below_the_planning_line_or_nearly_empty():
    outcome = outcome_of(power_w=29, depart="2026-07-03")
    assert outcome.flat_days == ()
    assert outcome.thin.tolist() == [False, False, True]


def test_a_disconnect_at_the_planning_line_makes_the_day_flat():
    kept = outcome_of(power_w=31, depart="2026-07-03")
    cut = outcome_of(power_w=31, depart="2026-07-03", bank='at_floor = "off"\nusable_frac = 0.8')
    assert (len(kept.flat_days), len(cut.flat_days)) == (0, 1)


def test_cause_shade():
    open_sky = outcome_of(power_w=18, in_parallel=1, depart="2026-07-20", more=roof())
    wooded = outcome_of(
        power_w=18, in_parallel=1, depart="2026-07-20", more=roof(), stop='shade = "wooded"\nweather = { clear = true }'
    )
    assert open_sky.flat_days == ()
    assert {day.cause for day in wooded.flat_days} == {"shade"}
    assert "parked out of the trees" in cure_sentence(wooded)


def test_cause_controller():
    outcome = outcome_of(power_w=18, in_parallel=1, depart="2026-07-20", more=roof(p_w=200, limit=", max_charge_a = 2"))
    assert {day.cause for day in outcome.flat_days} == {"controller"}
    assert outcome.ledger["spilled_controller_wh"] > 0.0


def test_cause_cold():
    outcome = outcome_of(
        power_w=10,
        in_parallel=1,
        place="outside",
        arrive="2026-01-05",
        depart="2026-01-25",
        more=roof(p_w=200),
        stop="weather = { clear = true, temp_c = -8 }",
    )
    assert {day.cause for day in outcome.flat_days} == {"cold"}
    assert outcome.hours[:, k.CHARGED_WH].sum() == 0.0


def test_snow_that_stays_covers_the_array_while_it_freezes():
    snowy = {"arrive": "2026-01-05", "depart": "2026-01-25", "power_w": 10, "in_parallel": 1, "more": roof(p_w=200)}
    frost = outcome_of(**snowy, stop='snow = "stays"\nweather = { clear = true, temp_c = -4 }')
    thaw = outcome_of(**snowy, stop='snow = "stays"\nweather = { clear = true, temp_c = 4 }')
    assert frost.hours[:, k.SUN_OFFERED_WH].sum() == 0.0
    assert {day.cause for day in frost.flat_days} == {"snow"}
    assert thaw.hours[:, k.SUN_OFFERED_WH].sum() > 0.0


def test_every_cause_has_words_and_every_lifted_constraint_a_cure():
    assert set(CAUSE_WORDS) == set(CAUSES)
    assert set(LIFT_WORDS) == set(CAUSES[:-2])


def test_harvest_ratio_is_what_comes_in_over_what_goes_out():
    outcome = outcome_of(power_w=18, in_parallel=1, depart="2026-07-20", more=roof())
    h = outcome.hours
    asked = h[:, k.LOAD_WH].sum() + h[:, k.STANDBY_WH].sum()
    sun = h[:, k.SUN_OFFERED_WH].sum() - h[:, k.SPILLED_CONTROLLER_WH].sum()
    assert outcome.harvest_ratio_by_stop == {"1 Camp": pytest.approx(sun / asked, rel=1e-9)}
    assert outcome_of().harvest_ratio_by_stop == {"1 Camp": 0.0}


def test_no_load_at_all_has_no_ratio_and_no_flat_day():
    outcome = outcome_of(power_w=0)
    assert outcome.flat_days == ()
    assert summary(outcome)["autonomy_days"] is None


def test_refill_hours_of_a_lithium_bank():
    """Common practice, no source: 400 Ah of lithium from 20 % at 60 A takes 5.3 h (here to 95 %, which counts as full)."""
    outcome = outcome_of(in_parallel=4, more="[shore]\ncharger_a = 60", bank="usable_frac = 0.8")
    (refill,) = outcome.refills
    assert (refill.source, refill.from_soc, refill.to_soc) == ("hookup", pytest.approx(0.2), 0.95)
    assert refill.hours == pytest.approx(0.75 * 400 / 60, rel=0.02)


def test_refill_hours_of_a_lead_acid_bank():
    """The last part of the charge is slow: half again as long as 60 A all the way, and more."""
    outcome = outcome_of(chemistry="agm", in_parallel=3, more="[shore]\ncharger_a = 60")
    (refill,) = outcome.refills
    assert refill.from_soc == 0.5
    assert refill.hours > 1.5 * (refill.to_soc - 0.5) * 300 / 60


def test_doubling_the_bus_voltage_halves_the_current():
    """Common practice, no source; the same four units either way carry the same load as long."""
    twelve = outcome_of(in_parallel=4, power_w=100)
    double = outcome_of(bus_v=24, in_series=2, in_parallel=2, power_w=100)
    ampere_hours = [outcome.hours[:24, k.DISCHARGED_AH].sum() for outcome in (twelve, double)]
    assert ampere_hours[0] == pytest.approx(2.0 * ampere_hours[1], rel=1e-6)
    assert twelve.autonomy_days == pytest.approx(double.autonomy_days, rel=1e-6)


def test_lead_acid_charges_below_freezing_and_lithium_does_not():
    """Common practice, no source."""
    frost = {
        "power_w": 5,
        "place": "outside",
        "arrive": "2026-01-05",
        "depart": "2026-01-12",
        "more": roof(p_w=200),
        "stop": "weather = { clear = true, temp_c = -8 }",
    }
    charged = {chemistry: outcome_of(chemistry=chemistry, **frost).hours[:, k.CHARGED_AH].sum() for chemistry in ("lfp", "agm")}
    assert charged["lfp"] == 0.0
    assert charged["agm"] > 0.0


def test_a_flat_and_cold_lithium_bank_stays_dark_until_the_thaw():
    outcome = outcome_of(
        in_parallel=1,
        power_w=60,
        place="outside",
        arrive="2026-01-05",
        depart="2026-01-20",
        more=roof(p_w=300),
        stop="weather = { clear = true, temp_c = -8 }",
    )
    assert len(outcome.outages) == 1
    assert outcome.outages[0].end is None


def test_two_hours_of_driving_at_40_a_bring_about_a_kilowatt_hour():
    """Common practice, no source: 2 h x 40 A at about 13.1 V is 1.05 kWh."""
    more = "[alternator]\ncharger_a = 40\ndriving_frac = 1.0"
    outcome = outcome_of(
        power_w=0, start_soc=0.3, depart="2026-07-01", stop="drive_h_per_day = 2\nweather = { clear = true }", more=more
    )
    assert outcome.hours[:, k.DRIVE_WH].sum() == pytest.approx(1050, rel=0.03)


def test_tables_have_a_row_for_every_day_and_hour_and_local_clock():
    outcome = outcome_of(depart="2026-07-03")
    days, hours = days_table(outcome), hours_table(outcome)
    assert len(days) == 3
    assert len(hours) == 72
    assert hours.utc[0] == "2026-07-01T04:00Z"
    assert hours.local[0] == "2026-07-01T00:00"
    assert hours.missed_w.sum() == pytest.approx(days.missed_wh.sum(), abs=1.0)


def test_summary_has_neither_nan_nor_numpy_inside():
    import json

    text = json.dumps(summary(outcome_of(more=roof())), allow_nan=False)
    assert "NaN" not in text


def test_verdict_names_first_flat_day_and_stop():
    assert "first on 03 July 2026 at Camp" in verdict(outcome_of())
    assert "without running flat" in verdict(outcome_of(power_w=1))


def test_an_outage_on_a_day_that_is_not_flat_is_not_blamed_on_the_cold():
    """In July at 20 C: the load is dark for the last minutes of a day, and on all of the next."""
    outcome = next(
        found
        for found in (outcome_of(power_w=power_w, depart="2026-07-04") for power_w in np.arange(45.0, 60.0, 0.05))
        if found.outages
        and found.outages[0].start.tz_convert("America/New_York").minute >= 50
        and found.outages[0].start.tz_convert("America/New_York").hour == 23
    )
    first = outcome.outages[0]
    assert first.start.tz_convert("America/New_York").day == outcome.flat_days[0].date.day - 1
    assert first.cause == outcome.flat_days[0].cause == "structural"


def test_a_bank_too_cold_to_give_anything_is_dark_because_of_the_cold():
    outcome = outcome_of(
        power_w=10,
        place="outside",
        arrive="2026-01-05",
        depart="2026-01-09",
        more=roof(p_w=400),
        stop="weather = { clear = true, temp_c = -30 }",
    )
    assert len(outcome.flat_days) == 5
    assert {day.cause for day in outcome.flat_days} == {"cold"}


def test_a_generator_starts_for_a_bank_that_the_cold_has_emptied_above_its_starting_charge():
    outcome = outcome_of(
        chemistry="agm",
        power_w=20,
        place="outside",
        arrive="2026-01-05",
        depart="2026-01-14",
        stop="weather = { clear = true, temp_c = -20 }",
        more='[generator]\nrated_w = 1000\ncharger_a = 30\nstart_soc = 0.3\nstop_soc = 0.85\nwindows = ["08:00-20:00"]',
    )
    assert outcome.hours[:, k.GENERATOR_H].sum() > 0.0
    assert outcome.flat_day_counts["base"] <= 2


def test_on_the_road_no_tree_of_a_stop_shades_the_array():
    second = """
[[stop]]
name = "Lake"
latitude_deg = 36.9
longitude_deg = -79.95
arrive = 2026-07-02
depart = 2026-07-03
drive_h = 8
shade = "wooded"
weather = { clear = true }
"""
    outcome = outcome_of(depart="2026-07-02", stop='shade = "wooded"\nweather = { clear = true }', more=roof() + second)
    whole = outcome.timeline.driving_frac == 1.0
    assert whole.sum() == 8
    noon = outcome.timeline.local_hour == 12.0
    on_the_road = outcome.hours[whole & noon, k.SUN_OFFERED_WH].max()
    in_the_wood = outcome.hours[~whole & noon, k.SUN_OFFERED_WH].max()
    assert on_the_road > 2.0 * in_the_wood


def test_a_refill_that_begins_at_its_goal_takes_no_time():
    outcome = outcome_of(more="[shore]\ncharger_a = 20", bank="target_soc = 0.5\nusable_frac = 0.5", start_soc=0.5)
    assert outcome.refills[0].hours == 0.0


def test_a_hookup_counts_by_what_it_offers():
    """A full bank on a hookup takes only what the load takes; there is plenty all the same."""
    outcome = outcome_of(more="[shore]\ncharger_a = 40", stop="hookup = true\nweather = { clear = true }")
    assert outcome.harvest_ratio_by_stop["1 Camp"] > 5.0
    assert outcome.sun_ratio_by_stop["1 Camp"] == 0.0


def test_ac_appliances_that_together_exceed_the_inverter_are_noted():
    two = """
[inverter]
rated_w = 1000
[[appliance]]
name = "kettle"
bus = "ac"
power_w = 800
clock = ["07:00-07:10"]
[[appliance]]
name = "toaster"
bus = "ac"
power_w = 700
clock = ["{toaster}"]
"""
    at_once, in_turn = (outcome_of(more=two.format(toaster=window)) for window in ("07:05-07:15", "08:00-08:10"))
    assert any("may draw 1,500 W together" in note for note in at_once.notes)
    assert not any("together" in note for note in in_turn.notes)


def test_the_longest_outage_is_the_same_among_outages_and_protections():
    outcome = outcome_of(in_parallel=1, power_w=75, more=roof(p_w=200), depart="2026-07-09")
    (empty,) = [act for act in outcome.protections if act.name == "low_charge"]
    assert empty.longest_h == pytest.approx(max(outage.dark_h for outage in outcome.outages))


def test_a_load_that_runs_for_part_of_each_hour_makes_one_outage_of_a_dark_spell():
    """Between two runs of a pump nothing is asked of the dark bank: that is no supply, and no new outage."""
    outcome = simulate(read_scenario(SCENARIOS / "worksheet.toml"))
    (empty,) = [act for act in outcome.protections if act.name == "low_charge"]
    assert len(outcome.outages) == empty.times == len(outcome.flat_days) == 3
    assert max(outage.dark_h for outage in outcome.outages) == pytest.approx(empty.longest_h)
    assert sum(outage.dark_h for outage in outcome.outages) == pytest.approx(outcome.hours[:, k.DARK_H].sum())
    for before, after in zip(outcome.outages, outcome.outages[1:], strict=False):
        assert before.end is not None
        assert before.start < before.end <= after.start


SAG = """
title = "a kettle on a small bank"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "agm"
unit_ah = 60
start_soc = 0.9
[inverter]
rated_w = 2000
cutoff_v = 12.2
restart_v = 12.5
[[array]]
panel = { p_w = 300 }
[array.controller]
kind = "mppt"
[[appliance]]
name = "kettle"
bus = "ac"
power_w = 1500
clock = ["20:00-20:06"]
[[appliance]]
name = "fridge"
power_w = 15
duty_frac = 1.0
[weather]
clear = true
[[stop]]
name = "here"
latitude_deg = 36.0
longitude_deg = -80.0
zone = "America/New_York"
arrive = 2026-06-01
depart = 2026-06-08
"""


def test_a_bank_with_charge_left_that_sags_is_told_as_voltage():
    """1,500 W on 60 Ah of AGM: far from empty, the voltage under load falls below what the inverter asks for."""
    outcome = simulate(parse_scenario(SAG))
    assert outcome.flat_days
    assert outcome.lowest[0] > 0.5
    assert {day.cause for day in outcome.flat_days} == {"voltage"}
    assert outcome.flat_day_counts["lift voltage"] == 0
    patient = simulate(parse_scenario(SAG.replace("unit_ah = 60", "unit_ah = 60\nin_parallel = 6")))
    assert not patient.flat_days


def test_amperes_of_an_engine_are_said_to_be_a_mean():
    """A charger of 30 A that charges for 0.9 of the drive is not one of 27 A."""
    said = [charger_words(Refill(source, 27.0, 0.2, 0.95, 5.5, 1.0)) for source in ("alternator", "hookup")]
    assert said == ["27 A on average while driving", "27 A"]
