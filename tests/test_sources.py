"""What shore power, alternator and generator have on offer, hour by hour and over the trip."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.scenario.parts import Alternator, Generator, OtherSource, Scenario, Shore, Stop, Vehicle
from simulator.sources import (
    ALTERNATOR_A,
    AWAKE,
    COLUMNS,
    GENERATOR_ALLOWED,
    OTHER_W,
    SHORE_A,
    SOURCES,
    charger_share,
    charging_offers,
    fuel_litres,
    hourly_sources,
    source_notes,
)
from simulator.timeline import build_timeline

SHORE = Shore(charger_a=50.0, efficiency_frac=0.87)
ALTERNATOR = Alternator(charger_a=30.0, efficiency_frac=0.9, driving_frac=0.8)
FIRST = date(2024, 1, 1)


def generator(*windows):
    return Generator(2000.0, 70.0, 0.3, 0.9, 1.0, windows, 0.45, 1.0)


def stay(days=4, zone="UTC", shore=None, alternator=None, generator=None, others=(), **other):
    begin, end = (
        datetime.combine(day, time(), tzinfo=ZoneInfo(zone)).astimezone(UTC) for day in (FIRST, FIRST + timedelta(days=days))
    )
    elevation_m = other.pop("elevation_m", None)
    stop = Stop(1, "x", None, 0.0, 0.0, elevation_m, zone, FIRST, FIRST, begin, end, None, **other)
    sources = {"shore": shore, "alternator": alternator, "generator": generator, "sources": tuple(others)}
    return Scenario("t", 1, None, Vehicle(), None, (), None, (), (stop,), **sources)


def offered(scenario):
    timeline = build_timeline(scenario)
    return hourly_sources(scenario, timeline), timeline


def test_nothing_aboard_nothing_on_offer():
    scenario = stay(hookup_every_nights=1, drive_h_per_day=2.0)
    found, timeline = offered(scenario)
    assert found.shape == (timeline.hours, COLUMNS)
    assert not found[:, :AWAKE].any()
    assert (found[:, AWAKE] == 1.0).all()
    assert charging_offers(scenario, timeline) == ()


def test_shore_power_in_the_hours_on_a_hookup():
    found, timeline = offered(stay(shore=SHORE, hookup_every_nights=2))
    assert found[:, 0].tolist() == np.where(timeline.hookup, 50.0, 0.0).tolist()
    assert timeline.hookup.sum() == 24 + 12  # night 2, and night 4 until the trip ends at midnight
    assert not found[:, 1:AWAKE].any()


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
    assert shore[1:5] == (50.0, 21.0, pytest.approx(21.0 / 5), 21.0)
    assert alternator[1:5] == (pytest.approx(24.0), 12.5, 2.5, 2.5)
    assert runs[1:5] == (70.0, 40.0, 8.0, 5.0)
    assert [offer.watts for offer in (shore, alternator, runs)] == [None] * 3


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


# --- limits before the charger --------------------------------------------------------------------------------------


def test_a_pedestal_gives_no_more_than_its_breaker():
    """By hand: 6 A at 120 V are 720 W, of which 0.87 reach a 12 V bus (no bank known): 52.2 A; 15 A at 120 V are 130.5 A."""
    for pedestal_a, expected_a in ((6.0, 50.0), (5.0, 43.5), (15.0, 50.0)):
        shore = replace(SHORE, pedestal_a=pedestal_a, pedestal_v=120.0)
        found, timeline = offered(stay(days=1, shore=shore, hookup_every_nights=1))
        assert timeline.hookup.all()
        assert found[:, SHORE_A] == pytest.approx(expected_a)


def test_appliances_on_the_hookup_leave_the_charger_the_rest_of_the_pedestal():
    shore = replace(SHORE, pedestal_a=10.0, pedestal_v=100.0)
    scenario = stay(days=1, shore=shore, hookup_every_nights=1)
    timeline = build_timeline(scenario)
    hookup_w = np.zeros(24)
    hookup_w[7:10] = (400.0, 900.0, 1500.0)
    found = hourly_sources(scenario, timeline, hookup_w)[:, SHORE_A]
    assert found[7:10] == pytest.approx([600.0 * 0.87 / 12.0, 100.0 * 0.87 / 12.0, 0.0])
    assert (np.delete(found, [7, 8, 9]) == 50.0).all()
    (note,) = source_notes(scenario, timeline, hookup_w)
    assert "1,500 W" in note and "its breaker trips" in note
    (note,) = source_notes(scenario, timeline, np.minimum(hookup_w, 400.0))
    assert "held down to 44 A" in note
    assert source_notes(scenario, timeline, np.zeros(24)) == ()


def test_an_alternator_spares_what_it_can():
    """By hand: 25 A at 14 V through 0.9 are 315 W, 26.25 A at 12 V, in 0.8 of the driving; 30 A at 14 V are enough."""
    for max_a, expected_a in ((25.0, 21.0), (30.0, 24.0), (None, 24.0)):
        scenario = stay(days=1, alternator=replace(ALTERNATOR, max_a=max_a), drive_h_per_day=1.0)
        found, timeline = offered(scenario)
        assert found[9, ALTERNATOR_A] == pytest.approx(expected_a)
        (offer,) = charging_offers(scenario, timeline)
        assert offer.charger_a == pytest.approx(expected_a)


def test_three_hours_of_errands_a_day_by_hand():
    """30 A at 12 V for 3 h a day over 4 days, charging in 0.8 of it: 288 Ah, 3,456 Wh at the bus."""
    found, _ = offered(stay(days=4, alternator=ALTERNATOR, drive_h_per_day=3.0))
    assert found[:, ALTERNATOR_A].sum() == pytest.approx(30.0 * 3.0 * 4.0 * 0.8)


def test_quiet_hours_beat_windows():
    runs = replace(generator((6.0, 23.0)), quiet=((21.5, 8.0),))
    found, _ = offered(stay(days=1, generator=runs))
    assert np.flatnonzero(found[:, GENERATOR_ALLOWED]).tolist() == list(range(8, 21))
    found, _ = offered(stay(days=1, generator=replace(runs, windows=())))
    assert np.flatnonzero(found[:, GENERATOR_ALLOWED]).tolist() == list(range(8, 21))


@pytest.mark.parametrize(("elevation_m", "share"), [(0.0, 1.0), (-300.0, 1.0), (300.0, 1.0), (3000.0, 0.65), (1500.0, 0.825)])
def test_thin_air_takes_3_5_percent_of_a_generator_every_300_m(elevation_m, share):
    """Common practice, no source: a charger that needs 96.5 % of the rating is fed whole up to 300 m."""
    rated_w = 70.0 * 12.0 / 0.87 / 0.965
    runs = replace(generator(), rated_w=rated_w)
    assert charger_share(runs, elevation_m, 12.0) == pytest.approx(min(share / 0.965, 1.0))
    scenario = stay(days=1, generator=runs, elevation_m=elevation_m)
    found, timeline = offered(scenario)
    assert found[:, GENERATOR_ALLOWED] == pytest.approx(min(share / 0.965, 1.0))
    told = source_notes(scenario, timeline)
    assert bool(told) == (share / 0.965 < 1.0)
    assert all(f"at {elevation_m:,.0f} m the generator gives" in note for note in told)
    # What is measured on the way beats what is written.
    assert hourly_sources(scenario, timeline, None, np.zeros(24))[:, GENERATOR_ALLOWED] == pytest.approx(1.0)


def test_fuel_by_hand():
    """2 kW, 0.45 L/h at a quarter load, 1.0 L/h at full: half load 0.6333, idle 0.2667 L/h; the charger has 0.87."""
    runs = generator()
    at_bus = 0.87 * 2000.0
    for load, litres_per_h in ((0.25, 0.45), (0.5, 0.45 + 0.55 / 3.0), (1.0, 1.0), (0.0, 0.45 - 0.55 / 3.0), (1.2, 1.0)):
        assert fuel_litres(runs, 3.0, 3.0 * load * at_bus) == pytest.approx(3.0 * litres_per_h)
    assert fuel_litres(runs, np.zeros(2), np.zeros(2)).tolist() == [0.0, 0.0]
    # A generator of 2 kW at full load gives 3 to 5 kWh a litre of petrol with 8.8 kWh: 20 to 35 % (from memory, small engines).
    assert 0.15 <= 2.0 / fuel_litres(runs, 1.0, at_bus) / 8.8 <= 0.35


# --- other sources --------------------------------------------------------------------------------------------------

TURBINE = OtherSource(1, "turbine", None, "wind", watts=60.0)


def other_w(scenario):
    found, timeline = offered(scenario)
    return found[:, OTHER_W], timeline


def test_watts_around_the_clock_by_hours_and_by_windows():
    assert (other_w(stay(days=2, others=[TURBINE]))[0] == 60.0).all()
    spread, _ = other_w(stay(days=2, others=[replace(TURBINE, hours_per_day=6.0, efficiency_frac=0.9)]))
    assert spread == pytest.approx(60.0 * 6.0 / 24.0 * 0.9)
    windows, _ = other_w(stay(days=1, others=[replace(TURBINE, clock=((9.5, 11.0), (22.0, 1.0)))]))
    assert np.flatnonzero(windows).tolist() == [0, 9, 10, 22, 23]
    assert windows[9] == 30.0
    assert windows.sum() == pytest.approx(60.0 * 4.5)


def test_a_window_over_midnight_belongs_to_the_day_it_opens_on():
    # 1 January 2024 is a Monday; the night of Monday to Tuesday.
    watts, _ = other_w(stay(days=3, others=[replace(TURBINE, clock=((22.0, 1.0),), weekdays=frozenset({0}))]))
    assert np.flatnonzero(watts).tolist() == [22, 23, 24]


def test_only_and_weekdays():
    scenario = stay(days=2, drive_h_per_day=1.5, hookup_every_nights=1)
    driving, standing, hookup, off_grid = (
        other_w(replace(scenario, sources=(replace(TURBINE, only=only),)))[0]
        for only in ("driving", "standing", "hookup", "off-grid")
    )
    assert driving.sum() == pytest.approx(60.0 * 3.0)
    assert driving + standing == pytest.approx(np.full(48, 60.0))
    assert hookup + off_grid == pytest.approx(np.full(48, 60.0))
    assert (hookup > 0.0).sum() == 48 - 4
    tuesday, _ = other_w(stay(days=3, others=[replace(TURBINE, weekdays=frozenset({1}))]))
    assert np.flatnonzero(tuesday).tolist() == list(range(24, 48))


def test_a_measured_course_and_its_mistakes(tmp_path):
    good, bad = tmp_path / "wind.csv", tmp_path / "bad.csv"
    good.write_text("time,watts\n00:00,20\n12:30,80\n")
    bad.write_text("time,watts\n00:00,20\n12:30,much\n")
    measured = replace(TURBINE, watts=None, profile=good, efficiency_frac=0.5)
    watts, timeline = other_w(stay(days=2, others=[measured]))
    assert watts[11:14].tolist() == [10.0, 25.0, 40.0]
    assert watts.sum() == pytest.approx(2 * 0.5 * (12.5 * 20.0 + 11.5 * 80.0))
    (offer,) = charging_offers(stay(days=2, others=[measured]), timeline)
    assert (offer.source, offer.offered_h) == ("turbine", 48.0)
    assert offer.watts == pytest.approx(watts.mean())
    assert offer.charger_a == pytest.approx(watts.mean() / 12.0)
    with pytest.raises(InputError, match=r"bad\.csv: line 3: expected watts"):
        other_w(stay(others=[replace(measured, profile=bad)]))


def test_a_source_at_named_stops_works_while_the_vehicle_stands_there():
    scenario = stay(days=2, others=[replace(TURBINE, stops=frozenset({1}))])
    assert (other_w(scenario)[0] == 60.0).all()
    assert not other_w(replace(scenario, sources=(replace(TURBINE, stops=frozenset({2})),)))[0].any()


# --- off the road ---------------------------------------------------------------------------------------------------


def test_a_disconnected_bank_gets_nothing_and_its_electronics_sleep():
    everything = {"shore": SHORE, "alternator": ALTERNATOR, "generator": generator(), "others": [TURBINE]}
    found, timeline = offered(stay(**everything, storage="disconnected"))
    assert timeline.stored.all()
    assert not found.any()
    assert all(offer.offered_h == 0.0 for offer in charging_offers(stay(**everything, storage="disconnected"), timeline))
    floating, _ = offered(stay(**everything, storage="float", hookup_every_nights=1))
    assert (floating[:, SHORE_A] == 50.0).all()
    assert (floating[:, AWAKE] == 1.0).all()
