"""Hills, trees, boxes on the roof, and panels that are put out: closed forms, and laws for any skyline."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.scenario import load_preset
from simulator.scenario.parts import Array, Controller, Deployed, Panel, Scenario, Stop, Vehicle
from simulator.solar import (
    SkyLine,
    horizon_elevation_deg,
    hourly_plane_light,
    hourly_sky,
    hourly_stand,
    hourly_stand_w,
    hourly_sun_position,
    hourly_sun_w,
    hourly_trees,
    is_shaded,
    sky_view_frac,
)
from simulator.timeline import build_timeline

BUS_V = (12.4, 14.4)
MPPT = Controller("mppt", None, None, 0.96, 0.99, 5.0)
PANEL = Panel(100.0, 18.6, 5.4, 22.5, 5.9, 36, 0.051, -0.337, -0.36)
ROOF = Array(1, "roof", None, PANEL, 2, 1, 0.0, None, 90.0, "gap", MPPT, 0.03, 0.03, 0.03, 0.0, 0.005)
FIRST = date(2024, 6, 20)


def stop(number, first_day, days, drives=(), **other):
    begin = datetime(2024, 6, 20, tzinfo=UTC) + timedelta(days=first_day)
    arrive = FIRST + timedelta(days=first_day)
    place = {"latitude_deg": 45.0, "longitude_deg": 0.0, "elevation_m": 0.0, "zone": "UTC"} | other
    end = begin + timedelta(days=days)
    if drives:
        begin = drives[-1][1]
    depart = arrive + timedelta(days=days)
    return Stop(
        number, f"stop {number}", None, arrive=arrive, depart=depart, stand_from_utc=begin, stand_to_utc=end, weather=None,
        drives_utc=drives, **place,
    )  # fmt: skip


def trip(*stops, arrays=(ROOF,), heading_deg=0.0):
    return Scenario("t", 1, None, Vehicle(heading_deg=heading_deg), None, tuple(arrays), None, (), tuple(stops))


def laid(scenario):
    """Timeline, sun, and ten clear hours' worth of sky over it."""
    clock = build_timeline(scenario)
    sun = hourly_sun_position(clock.utc, clock.latitude_deg, clock.longitude_deg, np.zeros(clock.hours))
    height = np.maximum(np.sin(np.radians(sun.elevation_deg)), 0.0)
    dni, dhi = 800.0 * (height > 0.0), 100.0 * height
    air = np.full(clock.hours, 15.0)
    weather = {"ghi": dni * height + dhi, "dni": dni, "dhi": dhi, "temp_air": air, "wind_speed": 0.1 * air}
    return clock, sun, hourly_sky(clock.utc, sun, weather)


def watts_of(scenario, shade=True):
    """(hours,) of the first array, at the high bus voltage."""
    clock, sun, sky = laid(scenario)
    array = scenario.arrays[0]
    stand = hourly_stand(array, scenario, clock, sun)
    return hourly_stand_w(array, stand, sky, hourly_trees(scenario, clock), BUS_V, shade=shade)[:, 1]


horizons = st.lists(
    st.tuples(st.integers(0, 359), st.floats(0.0, 90.0)), min_size=1, max_size=12, unique_by=lambda point: point[0]
).map(lambda points: tuple((float(azimuth), elevation) for azimuth, elevation in sorted(points)))


# --- the skyline ----------------------------------------------------------------------------------------------------


def test_a_horizon_is_linear_between_its_points_and_closes_its_circle():
    points = ((90.0, 10.0), (270.0, 30.0))
    found = horizon_elevation_deg(points, np.array([90.0, 180.0, 270.0, 315.0, 0.0, 360.0, 45.0]))
    assert found == pytest.approx([10.0, 20.0, 30.0, 25.0, 20.0, 20.0, 15.0])
    assert horizon_elevation_deg(((200.0, 7.0),), np.array([0.0, 359.0])).tolist() == [7.0, 7.0]
    assert horizon_elevation_deg((), np.array([10.0])).tolist() == [0.0]


@pytest.mark.parametrize("elevation_deg", [0.0, 5.0, 15.0, 30.0, 60.0, 90.0])
def test_sky_seen_from_level_ground_in_a_round_valley(elevation_deg):
    """Closed form: cos^2 h = (1 + cos 2h) / 2 (T. R. Oke 1987, Boundary Layer Climates, 2nd ed., appendix A1, from memory)."""
    expected = (1.0 + np.cos(np.radians(2.0 * elevation_deg))) / 2.0
    assert sky_view_frac(((0.0, elevation_deg),), 0.0, 0.0) == pytest.approx(expected, abs=1e-12)


def endless_wall(height_deg):
    """The skyline of a wall without end in the north, of this elevation where it is nearest."""
    azimuth = np.arange(0.0, 360.0, 1.0)
    across = np.maximum(np.cos(np.radians(azimuth)), 0.0)
    elevation = np.degrees(np.arctan(np.tan(np.radians(height_deg)) * across))
    return tuple(zip(azimuth.tolist(), elevation.tolist(), strict=True))


@pytest.mark.parametrize(
    ("tilt_deg", "wall_deg"), [(0.0, 10.0), (0.0, 30.0), (0.0, 60.0), (90.0, 30.0), (90.0, 60.0), (30.0, 40.0), (60.0, 20.0)]
)
def test_sky_seen_from_a_plane_before_an_endless_wall(tilt_deg, wall_deg):
    """Closed form for what has no end along one axis (H. C. Hottel's crossed strings; W. C. Hamilton, W. R. Morgan 1952, NACA
    TN 2836): of a strip between the angles u and v from its normal a plane sees (sin v - sin u) / 2. The normal points
    ``tilt_deg`` off the zenith towards the wall; the sky runs from the wall's edge to the ground behind the plane."""
    edge, behind = np.radians(90.0 - wall_deg - tilt_deg), np.radians(90.0 - tilt_deg)
    expected = (1.0 + np.sin(edge)) / (1.0 + np.sin(behind))
    assert sky_view_frac(endless_wall(wall_deg), tilt_deg, 0.0) == pytest.approx(expected, abs=2e-4)


@given(tilt_deg=st.floats(0.0, 90.0), azimuth_deg=st.floats(0.0, 360.0))
def test_an_open_horizon_hides_exactly_nothing(tilt_deg, azimuth_deg):
    assert sky_view_frac(((0.0, 0.0), (180.0, 0.0)), tilt_deg, azimuth_deg) == 1.0


@given(points=horizons, tilt_deg=st.floats(0.0, 90.0), azimuth_deg=st.floats(0.0, 360.0), turn_deg=st.integers(0, 359))
def test_hills_only_take_and_turning_all_of_it_changes_nothing(points, tilt_deg, azimuth_deg, turn_deg):
    found = sky_view_frac(points, tilt_deg, azimuth_deg)
    assert 0.0 <= found <= 1.0
    higher = tuple((azimuth, min(elevation + 5.0, 90.0)) for azimuth, elevation in points)
    assert sky_view_frac(higher, tilt_deg, azimuth_deg) <= found + 1e-12
    turned = tuple(sorted(((azimuth + turn_deg) % 360.0, elevation) for azimuth, elevation in points))
    assert sky_view_frac(turned, tilt_deg, (azimuth_deg + turn_deg) % 360.0) == pytest.approx(found, abs=1e-9)


# --- light behind it ------------------------------------------------------------------------------------------------


def test_a_horizon_of_0_degrees_equals_no_horizon_bit_for_bit():
    for tilt_deg in (0.0, 35.0):
        array = replace(ROOF, tilt_deg=tilt_deg)
        plain = watts_of(trip(stop(1, 0, 3), arrays=(array,)))
        level = watts_of(trip(stop(1, 0, 3, horizon=((0.0, 0.0), (120.0, 0.0))), arrays=(array,)))
        assert plain.sum() > 0.0
        assert (plain == level).all()


def test_a_hill_that_the_sun_never_stands_behind_takes_diffuse_light_only():
    """At 45 N in June the sun stays between 55 and 305 degrees: a wall in the north hides none of it."""
    scenario = trip(stop(1, 0, 1, horizon=((0.0, 15.0), (40.0, 15.0), (41.0, 0.0), (319.0, 0.0), (320.0, 15.0))))
    clock, sun, sky = laid(scenario)
    stand = hourly_stand(ROOF, scenario, clock, sun)
    assert (stand.skyline.beam_frac == 1.0).all()
    view = sky_view_frac(scenario.stops[0].horizon, 0.0, 90.0)
    assert view == pytest.approx(1.0 - 81.0 / 360.0 * np.sin(np.radians(15.0)) ** 2, abs=1e-3)
    plane, behind = (hourly_plane_light(sky, 0.0, 90.0, skyline=line) for line in (None, stand.skyline))
    assert (behind.beam_w_m2 == plane.beam_w_m2).all()
    assert behind.sky_w_m2 == pytest.approx(view * plane.sky_w_m2)


def test_the_beam_comes_over_the_hill_when_the_sun_does():
    """A ring of 30 degrees: of the time in which the sun is up, the part in which it stands higher."""
    scenario = trip(stop(1, 0, 1, horizon=((0.0, 30.0),)))
    clock, sun, _ = laid(scenario)
    # The function looks half an hour behind the label.
    minutes = pd.date_range(clock.utc[0], periods=1440, freq="min") - pd.Timedelta(minutes=30)
    fine = hourly_sun_position(minutes, 45.0, 0.0, 0.0).elevation_deg
    by_minute = fine.reshape(24, 60)
    up, clear = (by_minute > 0.0).sum(axis=1), (by_minute > 30.0).sum(axis=1)
    expected = np.where(up > 0, clear / np.maximum(up, 1), 1.0)
    found = hourly_stand(ROOF, scenario, clock, sun).skyline.beam_frac
    shining = sun.elevation_deg > 0.0
    assert found[shining] == pytest.approx(expected[shining], abs=0.06)
    assert (found[shining] * 60.0).sum() == pytest.approx((expected[shining] * 60.0).sum(), abs=10.0)
    assert set(np.flatnonzero((found > 0.0) & (found < 1.0) & shining)) == {7, 16}


def test_behind_a_wall_of_90_degrees_nothing_is_left():
    assert watts_of(trip(stop(1, 0, 1, horizon=((0.0, 90.0),)))).sum() == pytest.approx(0.0, abs=1e-6)


def test_the_ground_of_a_valley_throws_back_what_it_gets():
    """Closed form: a plane on end in a round valley of 30 degrees, the sun hidden: ground light = albedo / 2 x cos^2 30 x dhi."""
    scenario = trip(stop(1, 0, 1))
    _, _, sky = laid(scenario)
    ones = np.ones(24)
    line = SkyLine(beam_frac=0.0 * ones, view_frac=ones, level_frac=0.75 * ones)
    found = hourly_plane_light(sky, 90.0, 180.0, skyline=line)
    assert found.beam_w_m2.max() == 0.0
    assert found.ground_w_m2 == pytest.approx(0.2 / 2.0 * 0.75 * sky.dhi, abs=1e-9)


@given(points=horizons)
def test_a_skyline_never_gives(points):
    plain = watts_of(trip(stop(1, 0, 1)))
    hidden = watts_of(trip(stop(1, 0, 1, horizon=points)))
    assert (hidden <= plain + 1e-9).all()
    assert (watts_of(trip(stop(1, 0, 1, horizon=points)), shade=False) == plain).all()


def test_the_road_has_an_open_sky():
    """Of three hours of errands, no horizon, no tree, no tilt of the stop and no panel beside the vehicle."""
    hemmed = {"horizon": ((0.0, 60.0),), "beam_frac": 0.15, "diffuse_frac": 0.35, "tree_hours": ((0.0, 24.0),)}
    driving = {"drive_h_per_day": 3.0, "leave_h": 9.0}
    plain, shaded = watts_of(trip(stop(1, 0, 1, **driving))), watts_of(trip(stop(1, 0, 1, **driving, **hemmed)))
    on_road = np.array([9, 10, 11])
    assert shaded[on_road] == pytest.approx(plain[on_road])
    assert shaded[8] < 0.6 * plain[8]
    put_out = replace(ROOF, deployed=Deployed(0.0))
    assert not watts_of(trip(stop(1, 0, 1, **driving), arrays=(put_out,)))[on_road].any()


# --- trees and roof -------------------------------------------------------------------------------------------------


def test_tree_hours_let_the_beam_of_a_wood_through_and_all_diffuse_light():
    scenario = trip(stop(1, 0, 1, tree_hours=((8.0, 10.5),)))
    trees = hourly_trees(scenario, build_timeline(scenario))
    wooded = load_preset("converters").number("shade", "wooded", "beam_frac")
    assert trees.beam_frac[7:12] == pytest.approx([1.0, wooded, wooded, 0.5 + 0.5 * wooded, 1.0])
    assert (trees.diffuse_frac == 1.0).all()
    denser = trip(stop(1, 0, 1, tree_hours=((8.0, 10.5),), beam_frac=0.1))
    assert hourly_trees(denser, build_timeline(denser)).beam_frac == pytest.approx(np.full(24, 0.1))


def test_boxes_on_the_roof_take_their_share_of_all_light():
    clock, sun, sky = laid(trip(stop(1, 0, 1)))
    boxed = trip(stop(1, 0, 1), arrays=(replace(ROOF, roof_shade_frac=0.1),))
    stand = hourly_stand(ROOF, boxed, clock, sun)
    by_hand = hourly_sun_w(ROOF, sky, 0.0, stand.azimuth_deg, 0.9, 0.9, BUS_V)[:, 1]
    assert watts_of(boxed) == pytest.approx(by_hand)
    assert (watts_of(boxed, shade=False) == watts_of(trip(stop(1, 0, 1)))).all()
    trees = hourly_trees(boxed, clock)
    assert is_shaded(boxed.arrays, [stand], trees)
    assert not is_shaded((ROOF,), [stand], trees)


# --- how it stands --------------------------------------------------------------------------------------------------


def stand_of(array, *stops, heading_deg=0.0):
    scenario = trip(*stops, arrays=(array,), heading_deg=heading_deg)
    clock, sun, _ = laid(scenario)
    return hourly_stand(array, scenario, clock, sun), clock


def test_the_tilt_of_a_stop_and_an_array_that_cannot_follow_it():
    tilted = stop(1, 0, 1, tilt_deg=40.0, drive_h_per_day=1.0)
    loose, _ = stand_of(replace(ROOF, tilt_deg=5.0), tilted)
    assert np.flatnonzero(loose.tilt_deg == 5.0).tolist() == [9]
    assert (np.delete(loose.tilt_deg, 9) == 40.0).all()
    fixed, _ = stand_of(replace(ROOF, tilt_deg=5.0, fixed=True), tilted)
    assert (fixed.tilt_deg == 5.0).all()
    out, _ = stand_of(replace(ROOF, tilt_deg=30.0, deployed=Deployed(0.0)), tilted)
    assert (out.tilt_deg == 30.0).all()


def test_a_panel_is_put_out_at_long_stays_only():
    leave = datetime(2024, 6, 21, 9, tzinfo=UTC)
    short = replace(stop(1, 0, 1), stand_to_utc=leave)
    long = stop(2, 1, 3, drives=((leave, leave + timedelta(hours=2.5)),))
    out, clock = stand_of(replace(ROOF, deployed=Deployed(2.0)), short, long)
    first = 24 + 12
    assert not out.out_frac[:first].any()
    assert (out.out_frac[first:] == 1.0).all()
    assert not clock.staying[33:36].any()
    named, _ = stand_of(replace(ROOF, deployed=Deployed(0.0, frozenset({1}))), short, long)
    assert (named.out_frac[:33] == 1.0).all()
    assert not named.out_frac[33:].any()
    always, _ = stand_of(ROOF, short, long)
    assert always.out_frac is None


@pytest.mark.parametrize(("latitude_deg", "azimuth_deg"), [(45.0, 180.0), (24.0, 180.0), (20.0, 0.0), (-30.0, 0.0)])
def test_a_panel_that_is_put_out_faces_the_noon_sun(latitude_deg, azimuth_deg):
    """In June the sun passes overhead at 23.4 N."""
    out, _ = stand_of(
        replace(ROOF, bearing_deg=None, deployed=Deployed(0.0, None, True)), stop(1, 0, 1, latitude_deg=latitude_deg)
    )
    assert (out.azimuth_deg == azimuth_deg).all()


def test_off_the_road_a_disconnected_array_gives_nothing_and_one_on_float_all():
    dead, kept = (watts_of(trip(stop(1, 0, 2, storage=storage))) for storage in ("disconnected", "float"))
    assert not dead.any()
    assert (kept == watts_of(trip(stop(1, 0, 2)))).all()
    # A loose panel is not left outside for months, unless somebody names the stop.
    loose = replace(ROOF, deployed=Deployed(0.0))
    assert not watts_of(trip(stop(1, 0, 2, storage="float"), arrays=(loose,))).any()
    named = replace(ROOF, deployed=Deployed(0.0, frozenset({1})))
    assert watts_of(trip(stop(1, 0, 2, storage="float"), arrays=(named,))).any()


def test_rows_of_weather_behind_hills_equal_each_row_alone():
    hills = trip(stop(1, 0, 2, horizon=((80.0, 25.0), (200.0, 15.0), (290.0, 30.0))), arrays=(replace(ROOF, tilt_deg=30.0),))
    clock, sun, sky = laid(hills)
    stand = hourly_stand(hills.arrays[0], hills, clock, sun)
    share = np.array([[1.0], [0.4], [0.0]])
    many = replace(sky, ghi=share * sky.ghi, dni=share * sky.dni, dhi=share * sky.dhi)
    trees = hourly_trees(hills, clock)
    together = hourly_stand_w(hills.arrays[0], stand, many, trees, BUS_V)
    assert together.shape == (3, 48, 3)
    for row in range(3):
        alone = replace(many, ghi=many.ghi[row], dni=many.dni[row], dhi=many.dhi[row])
        assert (hourly_stand_w(hills.arrays[0], stand, alone, trees, BUS_V) == together[row]).all()


@given(heading_deg=st.integers(0, 359), turn_deg=st.integers(0, 359))
def test_a_heading_turned_with_its_bearing_leaves_the_yield_behind_hills_unchanged(heading_deg, turn_deg):
    hills = stop(1, 0, 1, horizon=((80.0, 25.0), (200.0, 5.0), (290.0, 30.0)))
    array = replace(ROOF, tilt_deg=30.0)
    turned = replace(array, bearing_deg=array.bearing_deg - turn_deg)
    straight = watts_of(trip(hills, arrays=(array,), heading_deg=float(heading_deg)))
    other = watts_of(trip(hills, arrays=(turned,), heading_deg=float(heading_deg + turn_deg)))
    assert other == pytest.approx(straight)
