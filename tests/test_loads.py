"""From the audit to the hours: a day's energy is the audit's, whatever the clock does; masks, standby, priority, inverter."""

import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from importlib import resources
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.loads import hourly_load_w, running_peak_w
from simulator.scenario.parts import Appliance, Inverter, Scenario, Stop, Vehicle
from simulator.timeline import build_timeline

INVERTER = Inverter(rated_w=2000.0, surge_w=4000.0, p_self=0.01, v=0.02, r=0.05, always_on=False)


def midnight(day, zone):
    return datetime.combine(day, time(), tzinfo=ZoneInfo(zone)).astimezone(UTC)


def thing(number=1, *, bus="dc", power_w=100.0, standby_w=0.0, priority=0, kind="other", **pattern):
    return Appliance(number, f"thing {number}", 10 + number, kind, bus, power_w, standby_w, power_w, priority, **pattern)


def stay(*appliances, zone="Europe/Berlin", first=date(2024, 3, 30), days=3, inverter=INVERTER, **other):
    """One stay; by default over the weekend on which the clock goes forward (Saturday, Sunday, Monday)."""
    last = first + timedelta(days=days)
    stop = Stop(1, "here", None, 50.0, 10.0, None, zone, first, last, midnight(first, zone), midnight(last, zone), None, **other)
    return Scenario("t", 1, None, Vehicle(), None, (), inverter, appliances, (stop,))


def two_stays(*appliances, first=date(2024, 3, 30), drive_h=4.0, inverter=INVERTER, **other):
    """A stay of a day and nine hours, a drive, and a stay to the end of the third day."""
    came, left = midnight(first, "UTC"), midnight(first, "UTC") + timedelta(hours=33)
    arrived, end = left + timedelta(hours=drive_h), midnight(first + timedelta(days=3), "UTC")
    stops = (
        Stop(1, "here", None, 50.0, 10.0, None, "UTC", first, first, came, left, None, **other),
        Stop(2, "there", None, 52.0, 10.0, None, "UTC", first, first, arrived, end, None, ((left, arrived),), **other),
    )
    return Scenario("t", 1, None, Vehicle(), None, (), inverter, appliances, stops)


def elevation_deg(timeline, noon_deg=40.0, midnight_deg=-40.0):
    """A made-up sun: highest at clock noon, lowest at clock midnight."""
    middle_h = timeline.local_hour + 0.5
    return (noon_deg + midnight_deg) / 2 - (noon_deg - midnight_deg) / 2 * np.cos(2 * np.pi * middle_h / 24)


def load_of(scenario, **sun):
    timeline = build_timeline(scenario)
    return hourly_load_w(scenario, timeline, elevation_deg(timeline, **sun)), timeline


def day_wh(watts, timeline):
    return np.bincount(timeline.local_day, watts)


def at_clock(watts, timeline, day):
    """Watts of one local day by clock hour."""
    here = timeline.local_day == day
    return dict(zip(timeline.local_hour[here].tolist(), watts[here].tolist(), strict=True))


COUNTED = {
    "hours": ({"hours_per_day": 3.0}, 300.0),
    "all day long": ({"hours_per_day": 24.0}, 2400.0),
    "clock": ({"clock": ((19.0, 22.5),)}, 350.0),
    "over midnight": ({"clock": ((22.25, 6.0),)}, 775.0),
    "windows that overlap": ({"clock": ((1.0, 4.0), (3.0, 5.5))}, 450.0),
    "whole day": ({"clock": ((0.0, 24.0),)}, 2400.0),
    "uses": ({"uses_per_day": 4.0, "use_minutes": 12.0}, 80.0),
    "metered": ({"wh_per_day": 500.0}, 500.0),
}
KINDS = ["other", "fridge", "lights", "cooking", "night", "tv", "never heard of"]
CLOCK_CHANGES = [
    ("Europe/Berlin", date(2024, 3, 30)),
    ("Europe/Berlin", date(2024, 10, 26)),
    ("Australia/Lord_Howe", date(2024, 10, 5)),
    ("Australia/Lord_Howe", date(2024, 4, 6)),
    ("America/Sao_Paulo", date(2018, 11, 3)),
    ("Asia/Kathmandu", date(2024, 2, 28)),
    ("Pacific/Apia", date(2011, 12, 29)),
]


@pytest.mark.parametrize(("zone", "first"), CLOCK_CHANGES)
@pytest.mark.parametrize("name", COUNTED)
def test_what_is_counted_by_the_day_is_exact_on_days_of_23_24_and_25_hours(name, zone, first):
    pattern, expected_wh = COUNTED[name]
    for kind in KINDS:
        load, timeline = load_of(stay(thing(kind=kind, **pattern), zone=zone, first=first))
        assert day_wh(load.dc_w[-1], timeline) == pytest.approx([expected_wh] * timeline.days, rel=1e-12)
        if name not in ("all day long", "whole day"):  # a day of 23 hours cannot hold 24 without more than full power
            assert load.dc_w.max() <= 100.0 + 1e-9


def test_what_runs_around_the_clock_takes_the_hours_the_day_has():
    for first, hours in ((date(2024, 3, 30), [24, 23, 24]), (date(2024, 10, 26), [24, 25, 24])):
        load, timeline = load_of(stay(thing(duty_frac=0.3, standby_w=5.0), first=first))
        assert day_wh(load.dc_w[-1], timeline) == pytest.approx([hour * (30.0 + 0.7 * 5.0) for hour in hours])


def test_a_clock_window_is_full_power_inside_and_nothing_outside():
    load, timeline = load_of(stay(thing(clock=((19.0, 22.5), (6.0, 7.0)))))
    by_hour = at_clock(load.dc_w[-1], timeline, 0)
    assert {hour: watts for hour, watts in by_hour.items() if watts} == {
        6.0: 100.0,
        19.0: 100.0,
        20.0: 100.0,
        21.0: 100.0,
        22.0: 50.0,
    }


def test_a_window_that_the_clock_skipped_runs_in_the_next_hour():
    load, timeline = load_of(stay(thing(clock=((2.0, 3.0),))))
    assert at_clock(load.dc_w[-1], timeline, 0)[2.0] == 100.0
    by_hour = at_clock(load.dc_w[-1], timeline, 1)
    assert {hour: watts for hour, watts in by_hour.items() if watts} == {3.0: pytest.approx(100.0)}


def test_a_window_that_the_clock_cut_runs_on_after_its_end():
    load, timeline = load_of(stay(thing(clock=((1.0, 4.0),))))
    by_hour = at_clock(load.dc_w[-1], timeline, 1)
    assert {hour: watts for hour, watts in by_hour.items() if watts} == pytest.approx({1.0: 100.0, 3.0: 100.0, 4.0: 100.0})


def test_a_window_that_comes_twice_is_shared_by_both_hours():
    load, timeline = load_of(stay(thing(clock=((2.0, 3.0),)), first=date(2024, 10, 26)))
    second_day = load.dc_w[-1][timeline.local_day == 1]
    assert second_day[second_day > 0.0].tolist() == [50.0, 50.0]


def test_a_window_in_a_zone_off_by_45_minutes():
    load, timeline = load_of(stay(thing(clock=((19.0, 20.0),)), zone="Asia/Kathmandu"))
    by_hour = at_clock(load.dc_w[-1], timeline, 1)
    assert {hour: watts for hour, watts in by_hour.items() if watts} == {18.75: 75.0, 19.75: 25.0}


def test_a_window_over_midnight_belongs_to_the_day_it_opens_on():
    friday = frozenset({4})
    load, timeline = load_of(stay(thing(clock=((22.0, 2.0),), weekdays=friday), first=date(2024, 1, 4), days=4))
    assert day_wh(load.dc_w[-1], timeline).tolist() == [0.0, 200.0, 200.0, 0.0]  # Thursday to Sunday
    assert set(np.flatnonzero(load.dc_w[-1]) - 24) == {22, 23, 24, 25}
    # A trip that begins on Saturday still begins inside Friday's night.
    load, timeline = load_of(stay(thing(clock=((22.0, 2.0),), weekdays=friday), first=date(2024, 1, 6), days=2))
    assert day_wh(load.dc_w[-1], timeline).tolist() == [200.0, 0.0]


def test_weekdays():
    weekend = frozenset({5, 6})
    for pattern in ({"hours_per_day": 2.0}, {"wh_per_day": 200.0}, {"clock": ((8.0, 10.0),)}, {"duty_frac": 1 / 12}):
        load, timeline = load_of(stay(thing(weekdays=weekend, **pattern), first=date(2024, 1, 4), days=5))
        assert day_wh(load.dc_w[-1], timeline) == pytest.approx([0.0, 0.0, 200.0, 200.0, 0.0])


# --- usual hours ---


def test_hours_of_other_things_are_the_waking_hours():
    load, timeline = load_of(stay(thing(hours_per_day=4.0)))
    by_hour = at_clock(load.dc_w[-1], timeline, 0)
    assert {hour for hour, watts in by_hour.items() if watts} == set(range(7, 23))
    assert by_hour[7.0] == pytest.approx(25.0)


def test_a_long_run_fills_its_usual_hours_before_the_rest_of_the_day():
    load, timeline = load_of(stay(thing(hours_per_day=20.0)))
    by_hour = at_clock(load.dc_w[-1], timeline, 0)
    assert by_hour[12.0] == pytest.approx(100.0)
    assert by_hour[3.0] == pytest.approx(50.0)


def test_lights_burn_from_sunset_to_eleven():
    load, timeline = load_of(stay(thing(hours_per_day=2.0, kind="lights")))  # sunset near 18:05 on the clock
    by_hour = at_clock(load.dc_w[-1], timeline, 0)
    assert {hour for hour, watts in by_hour.items() if watts} == {18.0, 19.0, 20.0, 21.0, 22.0}
    assert by_hour[19.0] == pytest.approx(by_hour[22.0])
    # 40 deg x sin(15 deg an hour x t) is 0.833 deg, refraction and radius of the sun, at t = 0.0795 h after 18:00.
    assert by_hour[18.0] / by_hour[19.0] == pytest.approx(1.0 - 0.0795, abs=0.01)  # a straight path within the hour


def test_lights_in_a_bright_night_burn_in_the_last_hours_of_the_evening():
    load, timeline = load_of(stay(thing(hours_per_day=2.0, kind="lights")), midnight_deg=5.0)
    by_hour = at_clock(load.dc_w[-1], timeline, 0)
    assert {hour: watts for hour, watts in by_hour.items() if watts} == pytest.approx(
        dict.fromkeys((19.0, 20.0, 21.0, 22.0), 50.0)
    )


def test_the_dark_share_of_the_hour_of_sunset_moves_with_the_sun():
    shares = []
    for noon_deg in (30.0, 35.0, 40.0, 45.0):  # midnight fixed: the higher the noon, the later the sunset
        load, timeline = load_of(stay(thing(hours_per_day=1.0, kind="lights")), noon_deg=noon_deg)
        by_hour = at_clock(load.dc_w[-1], timeline, 0)
        shares.append((by_hour[17.0] + by_hour[18.0]) / by_hour[22.0])
    assert shares == sorted(shares, reverse=True)
    assert len(set(shares)) == 4


def test_cooking_is_done_at_meal_times():
    load, timeline = load_of(stay(thing(uses_per_day=3.0, use_minutes=20.0, kind="cooking", power_w=900.0)))
    by_hour = at_clock(load.dc_w[-1], timeline, 0)
    assert {hour: watts for hour, watts in by_hour.items() if watts} == pytest.approx({7.0: 300.0, 12.0: 300.0, 18.0: 300.0})


def test_metered_energy_without_watts_needs_no_watts():
    load, timeline = load_of(stay(thing(wh_per_day=600.0, power_w=0.0, kind="fridge", standby_w=9.0)))
    assert at_clock(load.dc_w[-1], timeline, 0) == pytest.approx(dict.fromkeys(range(24), 25.0))


def test_every_usual_hour_has_a_source_and_lies_on_the_clock():
    table = tomllib.loads(resources.files("simulator").joinpath("presets", "hours.toml").read_text(encoding="utf-8"))
    assert table["kinds"]["other"]
    assert set(table["kinds"].values()) == set(table["patterns"])
    for pattern in table["patterns"].values():
        assert pattern["source"]
        assert set(pattern) <= {"windows", "then", "dark", "source"}
        for start_h, end_h in [*pattern["windows"], *pattern.get("then", [])]:
            assert 0.0 <= start_h < 24.0
            assert 0.0 < end_h <= 24.0


# --- masks and standby ---


def test_stops_and_only_take_hours_away_and_move_none():
    everywhere, _ = load_of(two_stays(thing(hours_per_day=4.0)))
    parts = [load_of(two_stays(thing(hours_per_day=4.0, stops=frozenset({number}))))[0] for number in (1, 2)]
    assert parts[0].dc_w + parts[1].dc_w == pytest.approx(everywhere.dc_w)
    timeline = build_timeline(two_stays())
    assert not parts[1].dc_w[:, timeline.stop == 0].any()
    hooked, timeline = load_of(two_stays(thing(hours_per_day=4.0, only="hookup"), hookup_every_nights=1))
    loose, _ = load_of(two_stays(thing(hours_per_day=4.0, only="off-grid"), hookup_every_nights=1))
    assert hooked.dc_w + loose.dc_w == pytest.approx(everywhere.dc_w)
    assert np.flatnonzero(loose.dc_w[-1]).tolist() == [33, 34, 35, 36]  # on the road
    assert not hooked.dc_w[-1][33:37].any()


def test_only_driving_follows_the_wheels():
    load, timeline = load_of(two_stays(thing(duty_frac=1.0, only="driving"), drive_h=2.5))
    assert load.dc_w[-1] == pytest.approx(100.0 * timeline.driving_frac)
    # Hours a day are the most it runs; 150 W metered for a day of 600 Wh run four hours at the most.
    for pattern, expected_wh in (
        ({"hours_per_day": 24.0}, 250.0),
        ({"hours_per_day": 1.0}, 100.0),
        ({"clock": ((8.0, 10.5),)}, 150.0),
        ({"wh_per_day": 200.0}, 200.0),
        ({"wh_per_day": 600.0}, 250.0),
    ):
        load, timeline = load_of(two_stays(thing(only="driving", **pattern), drive_h=2.5))
        assert day_wh(load.dc_w[-1], timeline) == pytest.approx([0.0, expected_wh, 0.0])
        assert not load.dc_w[-1][timeline.driving_frac == 0.0].any()


def test_standby_is_drawn_while_connected_and_not_running():
    load, timeline = load_of(stay(thing(clock=((19.0, 20.5),), standby_w=4.0, weekdays=frozenset({5}))))
    by_hour = at_clock(load.dc_w[-1], timeline, 0)
    assert (by_hour[18.0], by_hour[19.0], by_hour[20.0]) == (4.0, 100.0, 52.0)
    assert day_wh(load.dc_w[-1], timeline) == pytest.approx([150.0 + 22.5 * 4.0, 23 * 4.0, 24 * 4.0])
    load, timeline = load_of(two_stays(thing(hours_per_day=2.0, standby_w=4.0, stops=frozenset({2}))))
    assert not load.dc_w[-1][timeline.stop == 0].any()
    assert load.dc_w[-1][timeline.stop == 1].min() == 4.0
    load, timeline = load_of(two_stays(thing(hours_per_day=1.0, standby_w=10.0, only="driving"), drive_h=2.5))
    assert load.dc_w[-1].sum() == pytest.approx(100.0 + 1.5 * 10.0)


def test_metered_energy_already_holds_the_standby():
    load, timeline = load_of(stay(thing(wh_per_day=240.0, standby_w=4.0)))
    assert day_wh(load.dc_w[-1], timeline) == pytest.approx([240.0] * 3)


# --- priority, inverter, hookup ---


def test_rows_are_cumulative_by_priority():
    things = [thing(1 + priority, priority=priority, duty_frac=1.0, power_w=10.0**priority) for priority in (2, 0, 1)]
    load, _ = load_of(stay(*things))
    assert load.dc_w[:, 0].tolist() == [1.0, 11.0, 111.0]


def test_the_idle_draw_falls_to_the_first_level_that_needs_the_inverter():
    comfort = thing(1, bus="ac", priority=1, power_w=1000.0, clock=((12.0, 13.0),))
    luxury = thing(2, bus="ac", priority=2, power_w=500.0, clock=((12.0, 14.0),))
    load, _ = load_of(stay(comfort, luxury))
    idle_w = 20.0
    both_w = 1500.0 + 2000.0 * (0.02 * 0.75 + 0.05 * 0.75**2)
    assert load.dc_w[:, 12] == pytest.approx([0.0, 1000.0 + idle_w + 2000.0 * (0.01 + 0.0125), both_w + idle_w])
    assert load.dc_w[:, 13] == pytest.approx([0.0, 0.0, 500.0 + idle_w + 2000.0 * (0.005 + 0.05 / 16)])
    assert not load.dc_w[:, 14].any()
    assert load.inverter_idle_w[11:15].tolist() == [0.0, idle_w, idle_w, 0.0]
    assert load.audit[-1][:2] == ("inverter idle", idle_w)
    assert load.audit[-1].priority == 1
    always, _ = load_of(stay(comfort, luxury, inverter=replace(INVERTER, always_on=True)))
    assert (always.dc_w[0] == idle_w).all()
    assert always.dc_w[1:, 12:14] - load.dc_w[1:, 12:14] == pytest.approx(np.array([[0.0, idle_w], [0.0, 0.0]]))
    assert always.audit[-1].priority == 0


def test_rounding_wakes_no_sleeping_inverter():
    assert 2.1 / 0.7 > 3.0  # a hair more than the three hours of meals
    load, timeline = load_of(stay(thing(bus="ac", kind="cooking", wh_per_day=2.1, power_w=0.7)))
    assert set(timeline.local_hour[load.inverter_idle_w > 0.0]) == {7.0, 12.0, 18.0}


def test_on_a_hookup_ac_passes_by_and_dc_stays():
    things = (thing(1, bus="ac", duty_frac=1.0, power_w=300.0), thing(2, duty_frac=1.0, power_w=40.0))
    load, timeline = load_of(two_stays(*things, inverter=replace(INVERTER, always_on=True), hookup_every_nights=1))
    hooked = timeline.hookup
    assert 0 < hooked.sum() < timeline.hours
    assert (load.dc_w[-1][hooked] == 40.0).all()
    assert load.hookup_w.tolist() == np.where(hooked, 300.0, 0.0).tolist()
    assert load.ac_w.tolist() == np.where(hooked, 0.0, 300.0).tolist()
    assert load.inverter_idle_w.tolist() == np.where(hooked, 0.0, 20.0).tolist()
    assert not load.inverter_loss_w[hooked].any()


def test_ac_without_inverter_is_refused_with_a_sentence_each():
    things = (thing(1, bus="ac", duty_frac=1.0), thing(2, duty_frac=1.0), thing(3, bus="ac", hours_per_day=1.0))
    with pytest.raises(InputError) as caught:
        load_of(stay(*things, inverter=None))
    assert len(caught.value.mistakes) == 2
    assert 'appliance 1 "thing 1" (line 11): expected an [inverter]' in caught.value.mistakes[0]
    assert 'only = "hookup"' in caught.value.mistakes[1]
    fed = thing(1, bus="ac", duty_frac=1.0, only="hookup")
    load, timeline = load_of(two_stays(fed, inverter=None, hookup_every_nights=1))
    assert load.hookup_w.sum() == 100.0 * timeline.hookup.sum()
    assert not load.dc_w.any()


def test_no_appliances_no_load():
    load, timeline = load_of(stay(inverter=None))
    assert load.dc_w.shape == (3, timeline.hours)
    assert not load.dc_w.any()
    assert load.audit == ()


# --- peak ---


def test_peak_of_what_can_run_at_once():
    kettle = thing(1, bus="ac", power_w=1500.0, clock=((7.0, 7.5),))
    oven = thing(2, bus="ac", power_w=2000.0, clock=((18.0, 19.0),))
    laptop = thing(3, bus="ac", power_w=60.0, hours_per_day=5.0)
    saw = thing(4, bus="ac", power_w=1800.0, clock=((23.0, 8.0),), weekdays=frozenset({6}))
    heater = thing(5, bus="ac", power_w=9000.0, duty_frac=1.0, only="hookup")
    fridge = thing(6, power_w=70.0, duty_frac=0.3)
    assert running_peak_w(stay(kettle, oven, laptop, heater, fridge)) == 2060.0
    assert running_peak_w(stay(kettle, oven, laptop, saw)) == 3360.0  # on Monday morning Sunday's saw still runs
    monday_off = replace(kettle, weekdays=frozenset(range(1, 7)))
    assert running_peak_w(stay(monday_off, oven, laptop, saw)) == 2060.0
    apart = [
        replace(it, stops=frozenset({number})) for number, it in enumerate((laptop, thing(7, bus="ac", duty_frac=1.0)), start=1)
    ]
    assert running_peak_w(two_stays(*apart)) == 100.0
    assert running_peak_w(stay(fridge)) == 0.0


# --- laws over random audits ---

clock_h = st.sampled_from([quarter / 4 for quarter in range(96)])
patterns = st.one_of(
    st.builds(lambda hours: {"hours_per_day": hours}, st.floats(0, 20)),
    st.builds(lambda windows: {"clock": tuple(windows)}, st.lists(st.tuples(clock_h, clock_h), min_size=1, max_size=3)),
    st.builds(lambda wh: {"wh_per_day": wh}, st.floats(0, 2000)),
    st.builds(lambda uses, minutes: {"uses_per_day": uses, "use_minutes": minutes}, st.floats(0, 10), st.floats(1, 60)),
    st.builds(lambda duty: {"duty_frac": duty}, st.floats(0, 1)),
)
appliances = st.builds(
    lambda pattern, **fields: thing(**fields, **pattern),
    patterns,
    bus=st.sampled_from(["dc", "ac"]),
    power_w=st.floats(1, 1500),
    standby_w=st.floats(0, 10),
    priority=st.integers(0, 2),
    kind=st.sampled_from(KINDS),
    weekdays=st.frozensets(st.integers(0, 6)),
    only=st.sampled_from([None, None, "off-grid", "hookup", "driving"]),
    stops=st.sampled_from([None, None, frozenset({1}), frozenset({2})]),
)


def audit_wh(appliance):
    """Energy of a day by the audit alone."""
    if appliance.wh_per_day is not None:
        return appliance.wh_per_day
    if appliance.clock is not None:
        minutes = {m % 1440 for a, b in appliance.clock for m in range(int(a * 60), int(b * 60) + (1440 if b <= a else 0))}
        return appliance.power_w * len(minutes) / 60
    if appliance.hours_per_day is not None:
        return appliance.power_w * appliance.hours_per_day
    return appliance.power_w * appliance.uses_per_day * appliance.use_minutes / 60


@settings(max_examples=60, deadline=None)
@given(
    appliance=appliances,
    where=st.sampled_from(CLOCK_CHANGES),
    midnight_deg=st.floats(-50, 20),
)
def test_energy_of_every_day_is_that_of_the_audit(appliance, where, midnight_deg):
    plain = replace(appliance, bus="dc", standby_w=0.0, only=None, stops=None)
    zone, first = where
    load, timeline = load_of(stay(plain, zone=zone, first=first), midnight_deg=midnight_deg)
    if plain.duty_frac is not None:
        expected = plain.power_w * plain.duty_frac * np.bincount(timeline.local_day)
    else:
        expected = np.full(timeline.days, audit_wh(plain))
    weekdays = [day.weekday() for day in timeline.dates]
    whole = plain.weekdays == frozenset(range(7))
    carried = plain.clock is not None and any(end <= start for start, end in plain.clock)
    if whole or not carried:
        used = np.isin(weekdays, list(plain.weekdays))
        assert day_wh(load.dc_w[-1], timeline) == pytest.approx(np.where(used, expected, 0.0), rel=1e-9, abs=1e-6)
    else:
        assert (day_wh(load.dc_w[-1], timeline) <= expected + 1e-6).all()


@settings(max_examples=60, deadline=None)
@given(
    audit=st.lists(appliances, max_size=6),
    always_on=st.booleans(),
    hookup=st.integers(0, 2),
    drive_h=st.floats(0.5, 14),
)
def test_laws_of_every_load(audit, always_on, hookup, drive_h):
    things = [replace(appliance, number=number) for number, appliance in enumerate(audit, start=1)]
    scenario = two_stays(
        *things, drive_h=drive_h, inverter=replace(INVERTER, always_on=always_on), hookup_every_nights=hookup, drive_h_per_day=0.4
    )
    load, timeline = load_of(scenario)
    assert np.isfinite(load.dc_w).all()
    assert (load.dc_w >= 0.0).all()
    # More levels never take less, and the audit adds up to the hours.
    assert (np.diff(load.dc_w, axis=0) >= -1e-9).all()
    assert sum(row.wh_per_day for row in load.audit) == pytest.approx(load.dc_w[-1].sum() / timeline.days, rel=1e-9, abs=1e-9)
    # On a hookup no AC reaches the bus; off it none is passed through.
    assert not load.ac_w[timeline.hookup].any()
    assert not load.inverter_idle_w[timeline.hookup].any()
    assert not load.hookup_w[~timeline.hookup].any()
    assert not load.inverter_loss_w[load.ac_w == 0.0].any()
    # Each appliance alone is the difference it makes to the DC side; the losses are those of the sum.
    only_dc = [it for it in things if it.bus == "dc"]
    alone_w = sum(
        (load_of(replace(scenario, appliances=(it,), inverter=None))[0].dc_w[-1] for it in only_dc), np.zeros(timeline.hours)
    )
    losses_w = load.inverter_idle_w + load.inverter_loss_w
    assert alone_w + load.ac_w + losses_w == pytest.approx(load.dc_w[-1], rel=1e-9, abs=1e-9)
