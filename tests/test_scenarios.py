"""Every shipped scenario runs, shows what its first lines say, and closes its books."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from simulator import Outcome, read_scenario, simulate
from simulator.battery import kernel as k

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
NAMES = sorted(path.stem for path in SCENARIOS.glob("*.toml"))


@cache
def outcome_of(name: str) -> Outcome:
    """The outcome of a shipped scenario, run once for all tests."""
    return simulate(read_scenario(SCENARIOS / f"{name}.toml"))


@pytest.mark.parametrize("name", NAMES)
def test_it_opens_with_what_it_shows(name):
    assert (SCENARIOS / f"{name}.toml").read_text(encoding="utf-8").startswith("# What it shows: ")


@pytest.mark.parametrize("name", NAMES)
def test_the_books_close(name):
    outcome = outcome_of(name)
    assert outcome.closure < 1e-9
    assert outcome.hours[:, k.RESIDUAL_H].max() < 1e-9
    ledger = outcome.ledger
    came = ledger["solar_offered_wh"] + ledger["shore_wh"] + ledger["driving_wh"] + ledger["generator_wh"]
    went = sum(
        value
        for key, value in ledger.items()
        if key.startswith(("spilled_", "loss_", "stored_")) or key in {"load_served_wh", "standby_wh", "heater_wh"}
    )
    assert came == pytest.approx(went, abs=1e-6 * max(came, 1.0))


@pytest.mark.parametrize("name", NAMES)
def test_days_sum_to_hours(name):
    outcome = outcome_of(name)
    day = outcome.timeline.local_day
    for column, field in ((k.DAY_LOAD_WH, k.LOAD_WH), (k.DAY_MISSED_WH, k.ESSENTIAL_DARK_WH), (k.DAY_DARK_H, k.DARK_H)):
        assert outcome.days[0, :, column] == pytest.approx(np.bincount(day, weights=outcome.hours[:, field]))
    outage_h = sum(outage.dark_h for outage in outcome.outages)
    assert outage_h == pytest.approx(outcome.hours[:, k.DARK_H].sum())


def test_worksheet_runs_dark_on_the_third_day_as_by_hand():
    """Common practice, no source: 4 x 100 Ah x 12 V x 0.8 = 3,840 Wh; 1,550 Wh a day; 2.5 days, a little more at real volts."""
    outcome = outcome_of("worksheet")
    assert [day.date.isoformat() for day in outcome.flat_days] == ["2026-06-03", "2026-06-04", "2026-06-05"]
    assert {day.cause for day in outcome.flat_days} == {"structural"}
    assert outcome.autonomy_days == pytest.approx(3840 / 1550, abs=0.35)
    assert 3840 < outcome.hours[:, k.DISCHARGED_WH].sum() < 3840 * 1.12


def test_bloom_route_uses_the_measured_weather_of_both_places():
    outcome = outcome_of("bloom-route")
    assert len(outcome.weather_sources) == 2
    assert outcome.timeline.days == 90
    assert outcome.hours[:, k.DRIVE_WH].sum() > 0.0


def test_winter_bank_inside_never_locks_and_the_heated_bay_helps():
    """Common practice, no source: no lithium charging below freezing; warm cells can be charged."""
    outside, inside, heated = (outcome_of(f"winter-survey-{place}") for place in ("outside", "inside", "heated"))
    assert outside.hours[:, k.LOCKED_H].sum() > 100
    assert inside.hours[:, k.LOCKED_H].sum() == 0
    assert heated.hours[:, k.LOCKED_H].sum() < outside.hours[:, k.LOCKED_H].sum()
    assert len(inside.flat_days) <= len(outside.flat_days)


def test_in_greensboro_the_cold_lockout_decides():
    outcome = outcome_of("winter-survey-greensboro")
    assert outcome.flat_day_counts["lift cold"] < outcome.flat_day_counts["base"]
    assert "cold" in {day.cause for day in outcome.flat_days}
    assert outcome.ledger["spilled_cold_wh"] > 0.0
    assert outcome.flat_day_counts["mend the bank moved inside"] < outcome.flat_day_counts["base"]
