"""Hours, local days, places and driving of an itinerary; local clocks are held against the standard library's zoneinfo."""

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.errors import EngineFault
from simulator.scenario.parts import Scenario, Stop, Vehicle
from simulator.timeline import along_great_circle, build_timeline, day_starts, hourly_window_frac, merge_windows

LEAVE_H = 9.0


def at(day, hour_h, zone):
    """The UTC moment of an hour on the clock of a zone."""
    return (datetime.combine(day, time(), tzinfo=ZoneInfo(zone)) + timedelta(hours=hour_h)).astimezone(UTC)


def route(*stays, seed=1, vehicle=None):
    """A scenario of stays: (zone, latitude, longitude, arrive, depart, drive_h to get here, other fields of the stop)."""
    stops = []
    for number, (zone, latitude_deg, longitude_deg, arrive, depart, drive_h, other) in enumerate(stays, start=1):
        came = stops[-1].stand_to_utc + timedelta(hours=drive_h) if stops else at(arrive, 0, zone)
        left = at(depart + timedelta(days=1), 0, zone) if number == len(stays) else at(depart, LEAVE_H, zone)
        fields = {
            "number": number,
            "name": f"stop {number}",
            "line": None,
            "latitude_deg": latitude_deg,
            "longitude_deg": longitude_deg,
            "elevation_m": None,
            "zone": zone,
            "arrive": arrive,
            "depart": depart,
            "stand_from_utc": came,
            "stand_to_utc": left,
            "weather": None,
            "drives_utc": ((stops[-1].stand_to_utc, came),) if stops else (),
        }
        stops.append(Stop(**{**fields, **other}))
    return Scenario("t", seed, None, vehicle or Vehicle(), None, (), None, (), tuple(stops))


def stay(zone, first, last, **other):
    return route((zone, 50.0, 10.0, first, last, 0.0, other))


def hours_a_day(timeline):
    return np.bincount(timeline.local_day).tolist()


# --- one place ---


def test_three_plain_days():
    timeline = build_timeline(stay("Europe/Berlin", date(2024, 1, 1), date(2024, 1, 3)))
    assert (timeline.hours, timeline.days) == (72, 3)
    assert str(timeline.utc[0]) == "2023-12-31 23:00:00+00:00"
    assert (np.diff(timeline.utc.as_unit("s").asi8) == 3600).all()
    assert timeline.local_hour.tolist() == [float(hour % 24) for hour in range(72)]
    assert timeline.dates == (date(2024, 1, 1), date(2024, 1, 2), date(2024, 1, 3))
    assert timeline.weekday.tolist() == [0] * 24 + [1] * 24 + [2] * 24
    assert (timeline.utc_offset_h == 1.0).all()
    assert timeline.zones == ("Europe/Berlin",)
    assert not timeline.driving_frac.any()
    assert not timeline.hookup.any()
    assert (timeline.latitude_deg == 50.0).all()
    assert (timeline.longitude_deg == 10.0).all()


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Berlin", date(2024, 3, 31), 23),
        ("Europe/Berlin", date(2024, 10, 27), 25),
        ("America/New_York", date(2025, 3, 9), 23),
        ("America/New_York", date(2025, 11, 2), 25),
        ("America/Havana", date(2024, 3, 10), 23),  # the clock changes at midnight itself
        ("America/Havana", date(2024, 11, 3), 25),
        ("America/Sao_Paulo", date(2018, 11, 4), 23),  # the day begins at 01:00
        ("America/Sao_Paulo", date(2018, 2, 17), 25),  # set back from midnight to 23:00
        ("Africa/Casablanca", date(2024, 3, 10), 25),  # set back for Ramadan
        ("Pacific/Auckland", date(2024, 4, 7), 25),
        ("Asia/Kolkata", date(2024, 3, 31), 24),
    ],
)
def test_days_of_23_24_and_25_hours(zone, day, hours):
    timeline = build_timeline(stay(zone, day - timedelta(days=1), day + timedelta(days=1)))
    assert hours_a_day(timeline) == [24, hours, 24]
    assert timeline.dates[1] == day


def test_a_clock_that_changes_by_half_an_hour():
    """Lord Howe moves by 30 minutes, so a day has 23.5 or 24.5 hours, and whole hours belong to the day they start in."""
    spring = build_timeline(stay("Australia/Lord_Howe", date(2024, 10, 5), date(2024, 10, 7)))
    assert hours_a_day(spring) == [24, 23, 24]
    assert (spring.local_hour[0], spring.local_hour[-1]) == (0.5, 23.0)
    autumn = build_timeline(stay("Australia/Lord_Howe", date(2024, 4, 6), date(2024, 4, 8)))
    assert hours_a_day(autumn) == [24, 25, 24]
    assert (autumn.local_hour[0], autumn.local_hour[-1]) == (0.0, 23.5)


@pytest.mark.parametrize(("zone", "first_h"), [("Asia/Kathmandu", 0.75), ("Asia/Kolkata", 0.5), ("Pacific/Chatham", 0.75)])
def test_zones_off_by_part_of_an_hour_start_with_the_first_hour_after_local_midnight(zone, first_h):
    timeline = build_timeline(stay(zone, date(2024, 2, 28), date(2024, 3, 1)))
    assert hours_a_day(timeline) == [24, 24, 24]
    assert timeline.local_hour[0] == first_h
    assert timeline.local_hour[-1] == 23.0 + first_h
    assert timeline.dates == (date(2024, 2, 28), date(2024, 2, 29), date(2024, 3, 1))


def test_a_leap_day_is_a_day():
    assert build_timeline(stay("UTC", date(2024, 1, 1), date(2024, 12, 31))).days == 366
    assert build_timeline(stay("UTC", date(2100, 1, 1), date(2100, 12, 31))).days == 365


ODD_ZONES = [
    "Europe/Lisbon",
    "Europe/Dublin",
    "America/St_Johns",
    "America/Havana",
    "America/Asuncion",
    "America/Nuuk",
    "America/Caracas",
    "Atlantic/Azores",
    "Africa/Casablanca",
    "Africa/Cairo",
    "Asia/Tehran",
    "Asia/Gaza",
    "Asia/Kathmandu",
    "Asia/Pyongyang",
    "Australia/Adelaide",
    "Australia/Eucla",
    "Australia/Lord_Howe",
    "Antarctica/Troll",
    "Pacific/Marquesas",
    "Pacific/Chatham",
    "Pacific/Kiritimati",
    "Pacific/Easter",
]


@pytest.mark.parametrize("year", [2010, 2018, 2045])
@pytest.mark.parametrize("zone", ODD_ZONES)
def test_every_local_hour_of_a_year_is_the_one_of_zoneinfo(zone, year):
    timeline = build_timeline(stay(zone, date(year, 1, 1), date(year, 12, 31)))
    local = [datetime.fromtimestamp(second, ZoneInfo(zone)) for second in timeline.utc.as_unit("s").asi8.tolist()]
    assert timeline.local_hour.tolist() == [moment.hour + moment.minute / 60 + moment.second / 3600 for moment in local]
    assert timeline.utc_offset_h.tolist() == [moment.utcoffset().total_seconds() / 3600 for moment in local]
    dates = Counter(moment.date() for moment in local)
    assert timeline.dates == tuple(dates)
    assert hours_a_day(timeline) == list(dates.values())
    assert [timeline.dates[day] for day in timeline.local_day] == [moment.date() for moment in local]
    assert timeline.weekday.tolist() == [moment.weekday() for moment in local]


def test_the_date_that_samoa_skipped():
    """tz database: Samoa went from UTC-10 to UTC+14 at the end of 29 December 2011."""
    timeline = build_timeline(stay("Pacific/Apia", date(2011, 12, 28), date(2012, 1, 1), drive_h_per_day=2.0))
    assert timeline.dates == (date(2011, 12, 28), date(2011, 12, 29), date(2011, 12, 31), date(2012, 1, 1))
    assert hours_a_day(timeline) == [24, 24, 24, 24]
    assert timeline.weekday[::24].tolist() == [2, 3, 5, 6]
    assert np.flatnonzero(timeline.driving_frac == 1.0).tolist() == [9, 10, 33, 34, 57, 58, 81, 82]
    assert timeline.driving_frac.sum() == 8.0


def test_an_itinerary_without_an_hour_is_our_fault():
    with pytest.raises(EngineFault, match="no hour"):
        build_timeline(stay("UTC", date(2024, 1, 2), date(2024, 1, 1)))


# --- from place to place ---


def test_the_clock_of_the_stop_being_left_holds_until_the_arrival():
    timeline = build_timeline(
        route(
            ("Europe/Lisbon", 38.7, -7.4, date(2024, 5, 1), date(2024, 5, 2), 0.0, {}),
            ("Europe/Madrid", 38.9, -6.4, date(2024, 5, 2), date(2024, 5, 3), 2.5, {}),
        )
    )
    second_day = timeline.local_hour[timeline.local_day == 1]
    # 09:00 to 11:30 in Lisbon's time; the hour of 11 starts on the road, the next one starts after the arrival.
    assert second_day.tolist() == [*range(12), *range(13, 24)]
    assert hours_a_day(timeline) == [24, 23, 24]
    assert timeline.driving_frac[24:].nonzero()[0].tolist() == [9, 10, 11]
    assert timeline.driving_frac[24 + 9 : 24 + 12].tolist() == [1.0, 1.0, 0.5]
    # Mid-hours 09:30, 10:30, 11:30: first half of 2.5 hours, second half, arrived.
    assert timeline.stop[24 + 8 : 24 + 13].tolist() == [0, 0, 1, 1, 1]
    assert timeline.day_stop.tolist() == [0, 1, 1]


def test_westward_over_the_date_line_a_date_vanishes():
    timeline = build_timeline(
        route(
            ("America/Los_Angeles", 34.0, -118.4, date(2024, 1, 4), date(2024, 1, 5), 0.0, {}),
            ("Pacific/Auckland", -36.9, 174.8, date(2024, 1, 5), date(2024, 1, 8), 10.0, {}),
        )
    )
    # 5 January 19:00 at home is 6 January 16:00 there: the dial goes back by three hours.
    assert timeline.dates == (date(2024, 1, 4), date(2024, 1, 5), date(2024, 1, 7), date(2024, 1, 8))
    assert hours_a_day(timeline) == [24, 27, 24, 24]
    assert timeline.weekday[day_starts(timeline.local_day)].tolist() == [3, 4, 6, 0]
    assert timeline.local_hour[24:51].tolist() == [*range(19), *range(16, 24)]


def test_eastward_over_the_date_line_a_date_repeats():
    timeline = build_timeline(
        route(
            ("Pacific/Auckland", -36.9, 174.8, date(2024, 1, 5), date(2024, 1, 6), 0.0, {}),
            ("America/Los_Angeles", 34.0, -118.4, date(2024, 1, 6), date(2024, 1, 7), 10.0, {}),
        )
    )
    # 6 January 19:00 is 5 January 22:00 there: two hours later the sixth begins again.
    assert timeline.dates == (date(2024, 1, 5), date(2024, 1, 6), date(2024, 1, 6), date(2024, 1, 7))
    assert hours_a_day(timeline) == [24, 21, 24, 24]


def test_a_clock_set_back_over_midnight_does_not_open_the_old_day_again():
    late = {"drives_utc": ((at(date(2024, 7, 1), 22.5, "Europe/Madrid"), at(date(2024, 7, 2), 0.5, "Europe/Madrid")),)}
    first, second = route(
        ("Europe/Madrid", 38.9, -6.9, date(2024, 7, 1), date(2024, 7, 1), 0.0, {"stand_to_utc": late["drives_utc"][0][0]}),
        ("Europe/Lisbon", 38.8, -7.2, date(2024, 7, 1), date(2024, 7, 2), 2.0, late),
    ).stops
    timeline = build_timeline(Scenario("t", 1, None, Vehicle(), None, (), None, (), (first, second)))
    assert timeline.local_hour[:27].tolist() == [*range(24), 0, 0, 1]
    assert hours_a_day(timeline) == [24, 25]


def test_a_drive_split_over_two_days_parks_on_the_way():
    drives = (
        (at(date(2024, 6, 1), 9, "UTC"), at(date(2024, 6, 1), 15, "UTC")),
        (at(date(2024, 6, 2), 9, "UTC"), at(date(2024, 6, 2), 11, "UTC")),
    )
    timeline = build_timeline(
        route(
            ("UTC", 0.0, 0.0, date(2024, 6, 1), date(2024, 6, 1), 0.0, {"heading_deg": 10.0}),
            ("UTC", 0.0, 8.0, date(2024, 6, 2), date(2024, 6, 3), 26.0, {"heading_deg": 20.0, "drives_utc": drives}),
        )
    )
    assert timeline.driving_frac.sum() == 8.0
    assert timeline.longitude_deg[:9] == pytest.approx([0.0] * 9)
    assert timeline.longitude_deg[9:15] == pytest.approx([0.5, 1.5, 2.5, 3.5, 4.5, 5.5])
    assert timeline.longitude_deg[15:33] == pytest.approx([6.0] * 18)
    assert timeline.longitude_deg[33:36] == pytest.approx([6.5, 7.5, 8.0])
    assert timeline.heading_deg[:9].tolist() == [10.0] * 9
    assert timeline.heading_deg[9:35] == pytest.approx([90.0] * 26)
    assert (timeline.heading_deg[35:] == 20.0).all()
    assert timeline.stop[12:14].tolist() == [0, 1]


# --- great circle ---


def test_great_circle_of_a_published_example():
    """E. Williams, Aviation Formulary, worked example (from memory): LAX to JFK starts on 66 deg; 40 % of the way is at
    38 deg 40.167' N, 101 deg 37.570' W."""
    ends = (33 + 57 / 60, -(118 + 24 / 60), 40 + 38 / 60, -(73 + 47 / 60))
    latitude_deg, longitude_deg, course_deg = along_great_circle(*(np.full(2, end) for end in ends), np.array([0.0, 0.4]))
    assert latitude_deg[1] == pytest.approx(38 + 40.167 / 60, abs=2e-4)
    assert longitude_deg[1] == pytest.approx(-(101 + 37.570 / 60), abs=2e-4)
    assert course_deg[0] == pytest.approx(66.0, abs=0.5)


@pytest.mark.parametrize(
    ("ends", "progress", "expected"),
    [
        ((0.0, 170.0, 0.0, -170.0), 0.25, (0.0, 175.0, 90.0)),  # the short way leads over the date line
        ((0.0, -170.0, 0.0, 170.0), 0.75, (0.0, 175.0, 270.0)),
        ((60.0, 0.0, 60.0, 180.0), 0.25, (75.0, 0.0, 0.0)),  # over the pole
        ((60.0, 0.0, 60.0, 180.0), 0.75, (75.0, 180.0, 180.0)),
        ((10.0, 20.0, -10.0, -160.0), 0.25, (55.0, 20.0, 0.0)),  # opposite ends of the earth
        ((45.0, 7.0, 45.0, 7.00001), 0.5, (45.0, 7.000005, 90.0)),  # one metre
    ],
)
def test_great_circle_in_odd_places(ends, progress, expected):
    found = along_great_circle(*(np.array([end]) for end in ends), np.array([progress]))
    assert found[0][0] == pytest.approx(expected[0], abs=1e-9)
    assert (found[1][0] - expected[1] + 180.0) % 360.0 == pytest.approx(180.0, abs=1e-9)
    assert (found[2][0] - expected[2] + 180.0) % 360.0 == pytest.approx(180.0, abs=1e-3)


def test_two_stops_at_one_place_have_no_course():
    timeline = build_timeline(
        route(
            ("UTC", 40.0, 9.0, date(2024, 1, 1), date(2024, 1, 1), 0.0, {"heading_deg": 33.0}),
            ("UTC", 40.0, 9.0, date(2024, 1, 1), date(2024, 1, 1), 3.0, {"heading_deg": 44.0}),
        )
    )
    assert timeline.heading_deg.tolist() == [33.0] * 12 + [44.0] * 12
    assert (timeline.latitude_deg == pytest.approx(40.0)) and (timeline.longitude_deg == pytest.approx(9.0))


coordinate = st.tuples(st.floats(-89, 89), st.floats(-180, 180))


@settings(deadline=None)
@given(begin=coordinate, end=coordinate, progress=st.floats(0, 1))
def test_a_point_on_the_way_splits_the_distance_in_proportion(begin, end, progress):
    def angle(one, other):
        """Spherical law of haversines, independent of the vectors inside; good to 3e-8 rad near the opposite end."""
        lat_1, lon_1, lat_2, lon_2 = np.radians([*one, *other])
        half = np.sin((lat_2 - lat_1) / 2) ** 2 + np.cos(lat_1) * np.cos(lat_2) * np.sin((lon_2 - lon_1) / 2) ** 2
        return 2 * np.arcsin(np.sqrt(min(half, 1.0)))

    latitude_deg, longitude_deg, course_deg = along_great_circle(*(np.array([v]) for v in (*begin, *end)), np.array([progress]))
    between = (latitude_deg[0], longitude_deg[0])
    whole = angle(begin, end)
    assert angle(begin, between) == pytest.approx(progress * whole, abs=1e-7)
    assert angle(between, end) == pytest.approx((1 - progress) * whole, abs=1e-7)
    assert np.isnan(course_deg[0]) or 0.0 <= course_deg[0] < 360.0


# --- nose ---


def test_heading_of_the_stop_before_that_of_the_vehicle_before_the_draw():
    day = date(2024, 1, 1)
    assert (build_timeline(stay("UTC", day, day, heading_deg=-90.0)).heading_deg == 270.0).all()
    scenario = route(("UTC", 50.0, 10.0, day, day, 0.0, {}), vehicle=Vehicle(heading_deg=180.0))
    assert (build_timeline(scenario).heading_deg == 180.0).all()


def test_drawn_headings_depend_on_seed_and_stop_number_only():
    def stays(count):
        first = date(2024, 1, 1)
        return [("UTC", 50.0, 10.0 + n, first + timedelta(days=n), first + timedelta(days=n + 1), 1.0, {}) for n in range(count)]

    def drawn(scenario):
        timeline = build_timeline(scenario)
        parked = timeline.driving_frac == 0.0
        return [set(timeline.heading_deg[parked & (timeline.stop == stop)]) for stop in range(len(scenario.stops))]

    long, short, other = drawn(route(*stays(6))), drawn(route(*stays(3))), drawn(route(*stays(6), seed=2))
    assert long[:3] == short
    assert all(len(headings) == 1 for headings in long)
    assert len(set.union(*long)) == 6
    assert not set.union(*long) & set.union(*other)


# --- driving during the stay, hookups ---


def test_errands_take_their_hours_every_day_also_when_the_clock_changes():
    timeline = build_timeline(
        stay("Europe/Berlin", date(2024, 3, 30), date(2024, 4, 1), drive_h_per_day=2.25, leave_h=1.5, heading_deg=77.0)
    )
    assert np.bincount(timeline.local_day, timeline.driving_frac) == pytest.approx([2.25, 2.25, 2.25])
    assert timeline.driving_frac[:5].tolist() == [0.0, 0.5, 1.0, 0.75, 0.0]
    assert (timeline.heading_deg == 77.0).all()
    assert (timeline.latitude_deg == 50.0).all()


def test_driving_around_the_clock_counts_no_hour_twice():
    timeline = build_timeline(stay("Europe/Berlin", date(2024, 3, 30), date(2024, 4, 1), drive_h_per_day=24.0))
    assert timeline.driving_frac.tolist() == [0.0] * 9 + [1.0] * (timeline.hours - 9)


def test_no_errand_before_the_arrival_and_none_after_the_departure():
    timeline = build_timeline(
        route(
            ("UTC", 50.0, 10.0, date(2024, 1, 1), date(2024, 1, 2), 0.0, {"drive_h_per_day": 1.0}),
            ("UTC", 51.0, 10.0, date(2024, 1, 2), date(2024, 1, 3), 3.0, {"drive_h_per_day": 3.0, "leave_h": 10.0}),
        )
    )
    assert np.bincount(timeline.local_day, timeline.driving_frac).tolist() == [1.0, 3.0, 3.0]


def test_always_on_a_hookup_except_on_the_road():
    timeline = build_timeline(
        route(
            ("UTC", 50.0, 10.0, date(2024, 1, 1), date(2024, 1, 1), 0.0, {"hookup_every_nights": 1}),
            ("UTC", 51.0, 10.0, date(2024, 1, 1), date(2024, 1, 2), 1.5, {"hookup_every_nights": 1}),
        )
    )
    assert np.flatnonzero(~timeline.hookup).tolist() == [9, 10]


def test_every_third_night_runs_from_noon_to_noon_of_the_stay():
    timeline = build_timeline(stay("Europe/Berlin", date(2024, 3, 28), date(2024, 4, 4), hookup_every_nights=3))
    begins = np.flatnonzero(np.diff(timeline.hookup.astype(int), prepend=0) == 1)
    ends = np.flatnonzero(np.diff(timeline.hookup.astype(int), append=0) == -1)
    # Nights 3 and 6: 30 to 31 March (the clock changes: 23 hours) and 2 to 3 April.
    assert [timeline.dates[timeline.local_day[hour]] for hour in begins] == [date(2024, 3, 30), date(2024, 4, 2)]
    assert timeline.local_hour[begins].tolist() == [12.0, 12.0]
    assert timeline.local_hour[ends].tolist() == [11.0, 11.0]
    assert (ends - begins + 1).tolist() == [23, 24]


def test_nights_of_a_stay_are_counted_from_the_day_of_arrival():
    timeline = build_timeline(
        route(
            ("UTC", 50.0, 10.0, date(2024, 1, 1), date(2024, 1, 2), 0.0, {}),
            ("UTC", 51.0, 10.0, date(2024, 1, 2), date(2024, 1, 6), 2.5, {"hookup_every_nights": 2}),
        )
    )
    hours = np.flatnonzero(timeline.hookup)
    assert (hours[0], hours[23]) == (2 * 24 + 12, 3 * 24 + 11)
    assert len(hours) == 24 + 24
    assert hours[24] == 4 * 24 + 12


def test_an_errand_may_begin_with_the_stay_itself():
    timeline = build_timeline(stay("UTC", date(2024, 1, 1), date(2024, 1, 2), drive_h_per_day=2.0, leave_h=0.0))
    assert np.flatnonzero(timeline.driving_frac).tolist() == [0, 1, 24, 25]


def test_staying_is_at_a_stop_for_the_whole_hour_and_stored_where_it_is_put_away():
    """Off at nine for ten and a half hours that are split over two days; errands count as staying, nights on the way do not."""
    drives = (
        (at(date(2024, 6, 1), 9, "UTC"), at(date(2024, 6, 1), 17, "UTC")),
        (at(date(2024, 6, 2), 9, "UTC"), at(date(2024, 6, 2), 11.5, "UTC")),
    )
    timeline = build_timeline(
        route(
            ("UTC", 50.0, 10.0, date(2024, 6, 1), date(2024, 6, 1), 0.0, {"drive_h_per_day": 1.0, "leave_h": 3.0}),
            ("UTC", 51.0, 18.0, date(2024, 6, 2), date(2024, 6, 3), 26.5, {"drives_utc": drives, "storage": "float"}),
        )
    )
    # Hours 9 to 34 on the way, in that of 35 it arrives at half past.
    assert np.flatnonzero(~timeline.staying).tolist() == list(range(9, 36))
    assert timeline.driving_frac[3] == 1.0
    assert np.flatnonzero(timeline.stored).tolist() == list(range(36, timeline.hours))


# --- clock windows ---


def test_windows_are_split_at_midnight_and_joined_where_they_touch():
    assert merge_windows([(22.0, 6.0), (6.0, 7.0), (20.0, 22.5)]) == ((0.0, 7.0), (20.0, 24.0))
    assert merge_windows([(8.0, 8.0)]) == ((0.0, 24.0),)
    assert merge_windows([(20.0, 0.0), (20.0, 24.0)]) == ((20.0, 24.0),)
    assert merge_windows([]) == ()


def test_share_of_an_hour_inside_the_windows():
    hour = np.array([18.75, 19.75, 22.75, 23.75, 0.75])
    assert hourly_window_frac(hour, [(19.5, 23.0), (0.0, 0.5)]).tolist() == [0.25, 1.0, 0.25, 0.5, 0.0]
    assert hourly_window_frac(hour, [(0.0, 24.0)]).tolist() == [1.0] * 5


@settings(deadline=None)
@given(windows=st.lists(st.tuples(st.floats(0, 24), st.floats(0, 24)), max_size=4), minutes=st.sampled_from([0, 15, 30, 45]))
def test_a_plain_day_holds_every_window_once(windows, minutes):
    hours = np.arange(24) + minutes / 60
    length_h = sum(end - start for start, end in merge_windows(windows))
    frac = hourly_window_frac(hours, windows)
    assert frac.sum() == pytest.approx(length_h, abs=1e-9)
    assert (frac <= 1 + 1e-12).all()


# --- edges ---


def test_a_window_inside_another_adds_nothing():
    assert merge_windows([(8.0, 20.0), (10.0, 12.0)]) == ((8.0, 20.0),)
    assert hourly_window_frac(np.arange(24.0), [(8.0, 20.0), (10.0, 12.0)]).sum() == 12.0


def test_a_trip_that_begins_on_the_night_the_clock_goes_back():
    """tz database: Havana went from 01:00 back to 00:00 on 3 November 2024, so that the first hour of the trip comes twice."""
    timeline = build_timeline(stay("America/Havana", date(2024, 11, 3), date(2024, 11, 4)))
    assert timeline.local_hour[:3].tolist() == [0.0, 0.0, 1.0]
    assert hours_a_day(timeline) == [25, 24]


def test_each_leg_begins_at_the_stop_being_left():
    """By hand, along the equator: two hours over 4 degrees on the first day, four hours over 8 degrees on the second."""
    timeline = build_timeline(
        route(
            ("UTC", 0.0, 0.0, date(2024, 6, 1), date(2024, 6, 1), 0.0, {}),
            ("UTC", 0.0, 4.0, date(2024, 6, 1), date(2024, 6, 2), 2.0, {}),
            ("UTC", 0.0, 12.0, date(2024, 6, 2), date(2024, 6, 2), 4.0, {}),
        )
    )
    assert timeline.longitude_deg[8:12] == pytest.approx([0.0, 1.0, 3.0, 4.0])
    assert timeline.longitude_deg[32:38] == pytest.approx([4.0, 5.0, 7.0, 9.0, 11.0, 12.0])
    assert timeline.stop[32:38].tolist() == [1, 1, 1, 2, 2, 2]


def test_half_of_the_way_belongs_to_the_stop_ahead():
    """Three hours on the road: the middle of the second of them is half of the way."""
    timeline = build_timeline(
        route(
            ("UTC", 0.0, 0.0, date(2024, 6, 1), date(2024, 6, 1), 0.0, {}),
            ("UTC", 0.0, 4.0, date(2024, 6, 1), date(2024, 6, 1), 3.0, {}),
        )
    )
    assert timeline.stop[8:13].tolist() == [0, 0, 1, 1, 1]


def test_an_hour_that_is_left_at_its_middle_has_the_nose_on_the_road():
    """09:00 in India is 03:30 UTC."""
    timeline = build_timeline(
        route(
            ("Asia/Kolkata", 0.0, 70.0, date(2024, 6, 1), date(2024, 6, 1), 0.0, {"heading_deg": 200.0}),
            ("Asia/Kolkata", 0.0, 74.0, date(2024, 6, 1), date(2024, 6, 1), 2.0, {"heading_deg": 300.0}),
        )
    )
    assert timeline.local_hour[8] == 8.5
    assert timeline.driving_frac[7:12].tolist() == [0.0, 0.5, 1.0, 0.5, 0.0]
    assert timeline.heading_deg[7:12] == pytest.approx([200.0, 90.0, 90.0, 300.0, 300.0])


def test_an_errand_ends_when_the_vehicle_moves_on():
    """Out at eight for three hours, but the stay ends at nine: one hour, and half an hour to the next stop."""
    timeline = build_timeline(
        route(
            ("UTC", 50.0, 10.0, date(2024, 1, 1), date(2024, 1, 1), 0.0, {"drive_h_per_day": 3.0, "leave_h": 8.0}),
            ("UTC", 50.0, 10.5, date(2024, 1, 1), date(2024, 1, 1), 0.5, {}),
        )
    )
    assert timeline.driving_frac[7:12].tolist() == [0.0, 1.0, 0.5, 0.0, 0.0]


@pytest.mark.parametrize("last", [date(2011, 12, 31), date(2012, 1, 1), date(2012, 1, 3)])
@pytest.mark.parametrize("first", [date(2011, 12, 26), date(2011, 12, 28), date(2011, 12, 29)])
def test_errands_of_the_date_that_samoa_skipped_are_driven_once(first, last):
    """tz database: 30 December 2011 never was in Samoa. Three quarters of an hour on each day that was."""
    timeline = build_timeline(stay("Pacific/Apia", first, last, drive_h_per_day=0.75))
    assert np.bincount(timeline.local_day, timeline.driving_frac) == pytest.approx([0.75] * ((last - first).days))
    assert timeline.driving_frac[9::24] == pytest.approx(0.75)


def test_every_third_night_is_counted_from_a_later_arrival_too():
    """Arrival on the second day of the trip: the third night is that from the fourth to the fifth day."""
    timeline = build_timeline(
        route(
            ("UTC", 50.0, 10.0, date(2024, 1, 1), date(2024, 1, 2), 0.0, {}),
            ("UTC", 51.0, 10.0, date(2024, 1, 2), date(2024, 1, 6), 2.0, {"hookup_every_nights": 3}),
        )
    )
    assert np.flatnonzero(timeline.hookup).tolist() == list(range(3 * 24 + 12, 4 * 24 + 12))


def test_a_stay_reached_at_midnight_begins_with_the_new_day():
    """Fifteen hours on the road from nine on: the first night of the stay is that of the second day."""
    timeline = build_timeline(
        route(
            ("UTC", 50.0, 10.0, date(2024, 1, 1), date(2024, 1, 1), 0.0, {}),
            ("UTC", 51.0, 10.0, date(2024, 1, 2), date(2024, 1, 5), 15.0, {"hookup_every_nights": 2}),
        )
    )
    assert np.flatnonzero(timeline.hookup)[[0, 23]].tolist() == [2 * 24 + 12, 3 * 24 + 11]


def test_nothing_is_divided_by_nothing():
    """A move within one place, and a stop that offers no hookup beside one that does."""
    with np.errstate(divide="raise", invalid="raise"):
        timeline = build_timeline(
            route(
                ("UTC", 0.0, 0.0, date(2024, 1, 1), date(2024, 1, 1), 0.0, {"hookup_every_nights": 2}),
                ("UTC", 0.0, 0.0, date(2024, 1, 1), date(2024, 1, 2), 3.0, {}),
            )
        )
    assert not timeline.hookup.any()


def test_a_drawn_heading_is_a_share_of_the_whole_turn():
    """From NumPy's own generator, seeded with the seed and the number of the stop: the first share that it draws."""
    timeline = build_timeline(stay("UTC", date(2024, 1, 1), date(2024, 1, 1)))
    assert timeline.heading_deg[0] == pytest.approx(360.0 * np.random.default_rng((1, 1)).random(), abs=1e-9)


# --- laws over random routes ---

ZONES = [*ODD_ZONES, "Europe/Berlin", "America/Los_Angeles", "Pacific/Auckland", "Pacific/Apia", "Pacific/Honolulu", "UTC"]


@st.composite
def routes(draw):
    """Random stays in random zones, one after the other, each left at nine and followed by a drive."""
    first = draw(st.dates(date(2009, 1, 1), date(2032, 12, 31)))
    stops = []
    for number in range(1, draw(st.integers(1, 5)) + 1):
        zone = draw(st.sampled_from(ZONES))
        drives = ()
        came = at(first, 0, zone)
        if stops:
            came = stops[-1].stand_to_utc + timedelta(minutes=draw(st.integers(1, 900)))
            drives = ((stops[-1].stand_to_utc, came),)
        arrive = came.astimezone(ZoneInfo(zone)).date()
        left = max(
            at(arrive + timedelta(days=draw(st.integers(1, 4))), draw(st.sampled_from([0, 9])), zone), came + timedelta(hours=1)
        )
        latitude_deg, longitude_deg = draw(coordinate)
        other = {"hookup_every_nights": draw(st.integers(0, 3)), "drive_h_per_day": draw(st.sampled_from([0.0, 0.7]))}
        stops.append(
            Stop(number, "s", None, latitude_deg, longitude_deg, None, zone, arrive, arrive, came, left, None, drives, **other)
        )
    return Scenario("t", draw(st.integers(0, 2**32)), None, Vehicle(), None, (), None, (), tuple(stops))


@settings(max_examples=100, deadline=None)
@given(scenario=routes())
def test_laws_of_every_timeline(scenario):
    timeline = build_timeline(scenario)
    stops = scenario.stops
    begin, end = stops[0].stand_from_utc.timestamp(), stops[-1].stand_to_utc.timestamp()
    seconds = timeline.utc.as_unit("s").asi8
    # The hours cover the trip once, each to the hour in which it starts.
    assert (np.diff(seconds) == 3600).all()
    assert 0 <= seconds[0] - begin < 3600
    assert 0 < end - seconds[-1] <= 3600
    # Days: from 0, never back, none left out, none absurd.
    assert timeline.local_day[0] == 0
    assert set(np.diff(timeline.local_day)) <= {0, 1}
    lengths = hours_a_day(timeline)
    assert sum(lengths) == timeline.hours
    assert len(lengths) == timeline.days == len(timeline.day_stop)
    assert all(10 <= hours <= 38 for hours in lengths[1:-1])
    assert ((timeline.local_hour >= 0.0) & (timeline.local_hour < 24.0)).all()
    # Clock and offset agree with each other, and the clock with zoneinfo, place by place.
    assert ((seconds + np.rint(timeline.utc_offset_h * 3600)) % 86400 / 3600).tolist() == timeline.local_hour.tolist()
    arrivals = [stop.stand_from_utc.timestamp() for stop in stops]
    for hour in range(0, timeline.hours, 7):
        clock_of = max([position for position, moment in enumerate(arrivals) if moment <= seconds[hour]])
        moment = datetime.fromtimestamp(int(seconds[hour]), ZoneInfo(stops[clock_of].zone))
        assert timeline.local_hour[hour] == moment.hour + moment.minute / 60 + moment.second / 3600
    # Stops come one after the other; every minute on the road is counted once.
    assert set(np.diff(timeline.stop)) <= set(range(len(stops)))
    legs_h = sum((end - begin).total_seconds() for stop in stops for begin, end in stop.drives_utc) / 3600
    lost_h = (seconds[0] - begin) / 3600
    errands = any(stop.drive_h_per_day for stop in stops)
    driven_h = timeline.driving_frac.sum()
    assert driven_h == pytest.approx(legs_h, abs=1e-9 + lost_h) or (errands and driven_h > legs_h - 1e-9 - lost_h)
    assert ((timeline.driving_frac >= 0.0) & (timeline.driving_frac <= 1.0)).all()
    assert not (timeline.hookup & (timeline.driving_frac > 0.0)).any()
    assert ((timeline.heading_deg >= 0.0) & (timeline.heading_deg < 360.0)).all()
    assert (np.abs(timeline.latitude_deg) <= 90.0).all()
    assert (np.abs(timeline.longitude_deg) <= 180.0 + 1e-9).all()
    for day, stop in enumerate(timeline.day_stop):
        counts = Counter(timeline.stop[timeline.local_day == day].tolist())
        assert stop == min(place for place, hours in counts.items() if hours == max(counts.values()))


@settings(max_examples=25, deadline=None)
@given(scenario=routes())
def test_stops_added_at_the_end_change_nothing_before(scenario):
    whole = build_timeline(scenario)
    for shorter, longer in pairwise(range(1, len(scenario.stops) + 1)):
        part = build_timeline(Scenario("t", scenario.seed, None, Vehicle(), None, (), None, (), scenario.stops[:shorter]))
        assert longer == shorter + 1
        shared = part.hours - 1
        assert (part.heading_deg[:shared] == whole.heading_deg[:shared]).all()
        assert (part.local_day[:shared] == whole.local_day[:shared]).all()
        assert (part.hookup[:shared] == whole.hookup[:shared]).all()
