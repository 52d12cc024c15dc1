"""What shore power, alternator and generator have on offer, hour by hour and over the trip."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.scenario.parts import Alternator, Generator, Scenario, Shore, Stop, Vehicle
from simulator.sources import SOURCES, charging_offers, hourly_sources
from simulator.timeline import build_timeline

SHORE = Shore(charger_a=50.0, efficiency_frac=0.87)
ALTERNATOR = Alternator(charger_a=30.0, efficiency_frac=0.9, driving_frac=0.8)
FIRST = date(2024, 1, 1)


def generator(*windows):
    return Generator(2000.0, 70.0, 0.3, 0.9, 1.0, windows, 0.45, 1.0)


def stay(days=4, zone="UTC", shore=None, alternator=None, generator=None, **other):
    begin, end = (
        datetime.combine(day, time(), tzinfo=ZoneInfo(zone)).astimezone(UTC) for day in (FIRST, FIRST + timedelta(days=days))
    )
    stop = Stop(1, "x", None, 0.0, 0.0, None, zone, FIRST, FIRST, begin, end, None, **other)
    sources = {"shore": shore, "alternator": alternator, "generator": generator}
    return Scenario("t", 1, None, Vehicle(), None, (), None, (), (stop,), **sources)


def offered(scenario):
    timeline = build_timeline(scenario)
    return hourly_sources(scenario, timeline), timeline


def test_nothing_aboard_nothing_on_offer():
    scenario = stay(hookup_every_nights=1, drive_h_per_day=2.0)
    found, timeline = offered(scenario)
    assert found.shape == (timeline.hours, len(SOURCES))
    assert not found.any()
    assert charging_offers(scenario, timeline) == ()


def test_shore_power_in_the_hours_on_a_hookup():
    found, timeline = offered(stay(shore=SHORE, hookup_every_nights=2))
    assert found[:, 0].tolist() == np.where(timeline.hookup, 50.0, 0.0).tolist()
    assert timeline.hookup.sum() == 24 + 12  # night 2, and night 4 until the trip ends at midnight
    assert not found[:, 1:].any()


def test_the_alternator_gives_its_mean_over_the_hour():
    found, timeline = offered(stay(alternator=ALTERNATOR, drive_h_per_day=1.25, days=1))
    assert found[8:12, 1].tolist() == [0.0, 24.0, 6.0, 0.0]
    assert timeline.driving_frac.sum() == 1.25
    assert not found[:, [0, 2]].any()


def test_the_generator_needs_the_whole_hour():
    found, _ = offered(stay(days=1, generator=generator((8.0, 12.0), (12.0, 13.5), (17.5, 20.0))))
    assert np.flatnonzero(found[:, 2]).tolist() == [8, 9, 10, 11, 12, 18, 19]
    found, timeline = offered(stay(days=1, zone="Asia/Kolkata", generator=generator((8.0, 20.0))))
    assert timeline.local_hour[found[:, 2] > 0.0].tolist() == [hour + 0.5 for hour in range(8, 19)]
    found, _ = offered(stay(days=1, generator=generator((22.0, 2.0))))
    assert np.flatnonzero(found[:, 2]).tolist() == [0, 1, 22, 23]


def test_a_generator_without_windows_may_always_run():
    found, _ = offered(stay(generator=generator()))
    assert (found[:, 2] == 1.0).all()


def test_offers_over_the_trip():
    scenario = stay(
        days=5,
        shore=SHORE,
        alternator=ALTERNATOR,
        generator=generator((9.0, 12.0), (15.0, 20.0)),
        hookup_every_nights=3,
        drive_h_per_day=2.5,
    )
    shore, alternator, runs = charging_offers(scenario, build_timeline(scenario))
    assert [offer.source for offer in (shore, alternator, runs)] == list(SOURCES)
    # Night 3 has 24 hours, of which the drive of 09:00 to 11:30 takes three.
    assert shore[1:] == (50.0, 21.0, pytest.approx(21.0 / 5), 21.0)
    assert alternator[1:] == (pytest.approx(24.0), 12.5, 2.5, 2.5)
    assert runs[1:] == (70.0, 40.0, 8.0, 5.0)


def test_a_charger_that_never_gets_a_chance_is_named_all_the_same():
    scenario = stay(shore=SHORE, alternator=ALTERNATOR)
    offers = charging_offers(scenario, build_timeline(scenario))
    assert [(offer.source, offer.offered_h, offer.longest_h) for offer in offers] == [
        ("hookup", 0.0, 0.0),
        ("alternator", 0.0, 0.0),
    ]


@settings(deadline=None)
@given(opens=st.integers(0, 95), quarters=st.integers(1, 96), zone=st.sampled_from(["UTC", "Asia/Kolkata", "Asia/Kathmandu"]))
def test_the_generator_never_runs_outside_its_window(opens, quarters, zone):
    """Every quarter of an hour of an allowed hour lies inside the window, and an hour that does is allowed."""
    inside = {(opens + quarter) % 96 for quarter in range(quarters)}
    found, timeline = offered(stay(days=1, zone=zone, generator=generator((opens / 4, (opens + quarters) % 96 / 4))))
    for hour, allowed in zip(timeline.local_hour, found[:, 2], strict=True):
        assert allowed == all((int(hour * 4) + quarter) % 96 in inside for quarter in range(4))
