"""Laws of the sun chapter: what must hold for any sky, panel and controller."""

import tomllib
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pandas as pd
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.scenario.parts import Array, Controller, Panel
from simulator.solar import (
    Sky,
    array_azimuth_deg,
    best_point,
    cold_open_circuit_v,
    fit_panel,
    hourly_cell_c,
    hourly_plane_light,
    hourly_sky,
    hourly_sun_position,
    hourly_sun_w,
    panel_current_a,
    panel_notes,
)

MPPT = Controller("mppt", None, None, 0.96, 0.99, 5.0)
PWM = Controller("pwm", None, None, 1.0, 1.0, 0.0)
BOOST = Controller("mppt", None, None, 1.0, 1.0, -100.0)
"""Asks no voltage of the array: the best point as it is."""

SMALL = Panel(100.0, 18.6, 5.4, 22.5, 5.9, 36, 0.051, -0.337, -0.36)
LARGE = Panel(300.0, 32.5, 9.23, 39.8, 9.7, 60, 0.051, -0.30, -0.38)
HALF_CELLS = Panel(400.0, 31.2, 12.83, 37.2, 13.7, 108, 0.045, -0.26, -0.34)
PANELS = (SMALL, LARGE, HALF_CELLS)

ROOF = Array(
    number=1,
    name="roof",
    line=7,
    panel=SMALL,
    in_series=2,
    in_parallel=1,
    tilt_deg=0.0,
    azimuth_deg=None,
    bearing_deg=90.0,
    mount="gap",
    controller=MPPT,
    wiring_frac=0.03,
    mismatch_frac=0.03,
    soiling_frac=0.03,
    age_years=2.0,
    ageing_frac_per_year=0.005,
)
BARE = replace(ROOF, wiring_frac=0.0, mismatch_frac=0.0, soiling_frac=0.0, age_years=0.0, controller=BOOST)
BUS_V = (12.0, 14.4)
UTC = pd.date_range("2023-05-01", periods=240, freq="h", tz="UTC")


def made_sky(zenith_deg, azimuth_deg, dni, dhi, temp_air=20.0, wind_speed=2.0, albedo=0.2):
    """A sky from numbers that broadcast; ghi is what beam and diffuse add up to."""
    zenith = np.atleast_1d(np.asarray(zenith_deg, float))
    fill = np.ones(np.broadcast_shapes(zenith.shape, np.shape(azimuth_deg), np.shape(dni), np.shape(dhi), np.shape(temp_air)))
    hour = np.ones(zenith.shape)
    ghi = np.asarray(dni) * np.maximum(np.cos(np.radians(zenith)), 0.0) + dhi
    return Sky(
        zenith_deg=zenith,
        azimuth_deg=azimuth_deg * hour,
        ghi=ghi * fill,
        dni=dni * fill,
        dhi=dhi * fill,
        dni_extra=1366.0 * hour,
        temp_air=temp_air * fill,
        wind_speed=wind_speed * fill,
        albedo=albedo * hour,
    )


def weather_of(sun, seed=0):
    """Ten days of changing clouds under a given sun."""
    chance = np.random.default_rng(seed)
    height = np.maximum(np.sin(np.radians(sun.elevation_deg)), 0.0)
    clear = chance.uniform(0.0, 1.0, height.size)
    weather = {"dni": 900.0 * clear * (height > 0.0), "dhi": (60.0 + 250.0 * (1.0 - clear)) * height}
    weather["ghi"] = weather["dni"] * height + weather["dhi"]
    weather["temp_air"] = chance.normal(15.0, 8.0, height.size)
    weather["wind_speed"] = chance.uniform(0.0, 9.0, height.size)
    return weather


SUN = hourly_sun_position(UTC, 45.0, 8.0, 300.0)
DAYS = hourly_sky(UTC, SUN, weather_of(SUN))

angles = st.floats(0.0, 360.0)
skies = st.builds(
    made_sky,
    zenith_deg=st.floats(0.0, 100.0),
    azimuth_deg=angles,
    dni=st.floats(0.0, 1000.0),
    dhi=st.floats(0.0, 500.0),
    temp_air=st.floats(-40.0, 45.0),
    wind_speed=st.floats(0.0, 20.0),
    albedo=st.floats(0.0, 0.9),
)
controllers = st.sampled_from([MPPT, PWM, BOOST, replace(MPPT, max_charge_a=10.0), replace(PWM, max_charge_a=3.0)])
arrays = st.builds(
    lambda panel, controller, mount, in_series, in_parallel, wiring_frac: replace(
        ROOF,
        panel=panel,
        controller=controller,
        mount=mount,
        in_series=in_series,
        in_parallel=in_parallel,
        wiring_frac=wiring_frac,
    ),
    panel=st.sampled_from(PANELS),
    controller=controllers,
    mount=st.sampled_from(["bonded", "gap", "open"]),
    in_series=st.integers(1, 4),
    in_parallel=st.integers(1, 3),
    wiring_frac=st.floats(0.0, 0.1),
)


# --- position -------------------------------------------------------------------------------------------------------


def test_a_naive_index_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        hourly_sun_position(UTC.tz_localize(None), 45.0, 8.0, 0.0)


def test_a_route_in_one_call_equals_every_place_by_itself():
    latitude, longitude = np.linspace(45.0, -30.0, 240), np.linspace(170.0, 190.0, 240)
    longitude = (longitude + 180.0) % 360.0 - 180.0
    elevation = np.linspace(0.0, 3000.0, 240)
    route = hourly_sun_position(UTC, latitude, longitude, elevation)
    for hour in (0, 13, 119, 120, 239):
        alone = hourly_sun_position(UTC[[hour]], latitude[hour], longitude[hour], elevation[hour])
        assert route.zenith_deg[hour] == pytest.approx(alone.zenith_deg[0], abs=1e-3)
        assert route.azimuth_deg[hour] == pytest.approx(alone.azimuth_deg[0], abs=1e-3)


def test_the_sun_stands_in_the_south_in_the_middle_of_the_hour():
    """On 15 April the equation of time is nil: at 7.5 W the sun is due south at 12:30, the middle of the hour from 12."""
    sun = hourly_sun_position(pd.DatetimeIndex(["2023-04-15 12:00"], tz="UTC"), 45.0, -7.5, 0.0)
    assert sun.azimuth_deg[0] == pytest.approx(180.0, abs=0.1)


# --- light on the plane -----------------------------------------------------------------------------------------------


@given(sky=skies, azimuth_deg=angles)
def test_a_level_plane_gets_the_horizontal_light(sky, azimuth_deg):
    total = hourly_plane_light(sky, 0.0, azimuth_deg).total_w_m2
    # Within a degree of the horizon the bright ring is held back.
    if sky.zenith_deg[0] < 89.0:
        assert total == pytest.approx(sky.ghi)
    assert (total <= sky.ghi + 1e-9).all()


def test_a_sun_below_the_horizon_gives_no_beam():
    plane = hourly_plane_light(made_sky(92.0, 180.0, dni=300.0, dhi=20.0), 90.0, 180.0)
    assert plane.beam_w_m2[0] == 0.0
    assert plane.sky_w_m2[0] == pytest.approx(10.0)


@given(sky=skies, tilt_deg=st.floats(0.0, 90.0), beam_frac=st.floats(0.0, 1.0), diffuse_frac=st.floats(0.0, 1.0))
def test_shade_takes_its_share_of_each_kind(sky, tilt_deg, beam_frac, diffuse_frac):
    whole = hourly_plane_light(sky, tilt_deg, 180.0)
    shaded = hourly_plane_light(sky, tilt_deg, 180.0, beam_frac, diffuse_frac)
    assert shaded.beam_w_m2 == pytest.approx(beam_frac * whole.beam_w_m2)
    assert shaded.sky_w_m2 == pytest.approx(diffuse_frac * whole.sky_w_m2)
    assert shaded.ground_w_m2 == pytest.approx(diffuse_frac * whole.ground_w_m2)


# --- the panel's curve --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("panel", PANELS, ids=["36 cells", "60 cells", "half cells"])
def test_the_curve_meets_the_data_sheet(panel):
    fit = fit_panel(panel)
    assert fit.worst_miss_frac < 0.005
    numbers = (fit.photocurrent_a, fit.saturation_current_a, fit.series_ohm, fit.shunt_ohm, fit.diode_v)
    curve = pvlib.pvsystem.singlediode(*numbers)
    assert curve["i_sc"] == pytest.approx(panel.i_sc, rel=1e-6)
    assert curve["v_oc"] == pytest.approx(panel.v_oc, rel=1e-6)
    assert curve["v_mp"] == pytest.approx(panel.v_mp, rel=0.005)
    assert curve["i_mp"] == pytest.approx(panel.i_mp, rel=0.005)


@pytest.mark.parametrize("panel", PANELS, ids=["36 cells", "60 cells", "half cells"])
def test_power_falls_with_heat_as_the_sheet_says(panel):
    cool, warm = best_point(panel, np.array([1000.0, 1000.0]), np.array([25.0, 50.0])).power_w
    assert 100.0 * (warm / cool - 1.0) / 25.0 == pytest.approx(panel.gamma_pct_per_c, abs=0.002)


def test_half_cells_are_counted_as_strings():
    """A sheet of 108 half cells describes the same curve as one of 54 cells."""
    assert fit_panel(HALF_CELLS) == fit_panel(replace(HALF_CELLS, cells=54))


@pytest.mark.parametrize("panel", PANELS, ids=["36 cells", "60 cells", "half cells"])
def test_the_table_of_best_points_against_brentq(panel):
    chance = np.random.default_rng(5)
    light, cell_c = np.exp(chance.uniform(np.log(1.0), np.log(1300.0), 250)), chance.uniform(-30.0, 90.0, 250)
    fit = fit_panel(panel)
    curve = pvlib.pvsystem.calcparams_cec(
        light,
        cell_c,
        fit.alpha_a_per_c,
        fit.diode_v,
        fit.photocurrent_a,
        fit.saturation_current_a,
        fit.shunt_ohm,
        fit.series_ohm,
        fit.adjust_pct,
    )
    exact = pvlib.pvsystem.max_power_point(*curve, method="brentq")
    found = best_point(panel, light, cell_c)
    assert found.power_w == pytest.approx(exact["p_mp"], rel=3e-4)
    assert found.power_w.sum() == pytest.approx(exact["p_mp"].sum(), rel=1e-4)
    assert found.voltage_v == pytest.approx(exact["v_mp"], rel=1e-3)
    assert found.open_circuit_v == pytest.approx(pvlib.pvsystem.v_from_i(0.0, *curve), rel=1e-4)


ANY_SHEET = st.builds(
    Panel,
    p_w=st.floats(0.1, 2000.0),
    v_mp=st.floats(0.1, 300.0),
    i_mp=st.floats(0.01, 50.0),
    v_oc=st.floats(0.1, 300.0),
    i_sc=st.floats(0.01, 50.0),
    cells=st.integers(1, 1000),
    alpha_pct_per_c=st.floats(-1.0, 1.0),
    beta_pct_per_c=st.floats(-2.0, 2.0),
    gamma_pct_per_c=st.floats(-2.0, 2.0),
)


@settings(max_examples=40, deadline=None)
@given(panel=ANY_SHEET)
def test_no_sheet_however_absurd_brings_the_fit_down(panel):
    light, cell_c = np.array([0.0, 0.5, 100.0, 1500.0]), np.array([-80.0, 0.0, 70.0, 150.0])
    assert np.isfinite(list(vars(fit_panel(panel)).values())).all()
    for values in (*best_point(panel, light, cell_c), panel_current_a(panel, 50.0, light, cell_c)):
        assert np.isfinite(values).all()
        assert (values >= 0.0).all()


def test_a_sheet_that_cannot_be_is_told():
    assert panel_notes(ROOF) == ()
    impossible = replace(SMALL, v_mp=22.0, i_mp=5.85, p_w=128.7)
    (note,) = panel_notes(replace(ROOF, panel=impossible))
    assert note.startswith('array 1 "roof" (line 7): ')
    assert "v_mp, i_mp, v_oc, i_sc" in note
    (note,) = panel_notes(replace(ROOF, panel=replace(SMALL, p_w=150.0)))
    assert "150 W" in note
    assert "100.4 W" in note


def test_nothing_flows_back_above_open_circuit():
    assert panel_current_a(SMALL, 28.8, np.array([1000.0, 100.0, 0.0]), np.full(3, 25.0)).tolist() == [0.0, 0.0, 0.0]


# --- heading, cold, mounts ----------------------------------------------------------------------------------------------


@given(heading_deg=angles, bearing_deg=angles, turn_deg=angles)
def test_turning_the_nose_with_the_bearing_changes_nothing(heading_deg, bearing_deg, turn_deg):
    tilted = replace(ROOF, tilt_deg=40.0, bearing_deg=bearing_deg)
    turned = replace(tilted, bearing_deg=(bearing_deg - turn_deg) % 360.0)
    yields = [
        hourly_sun_w(array, DAYS, 40.0, array_azimuth_deg(array, np.full(240, heading)), 1.0, 1.0, BUS_V).sum()
        for array, heading in ((tilted, heading_deg), (turned, heading_deg + turn_deg))
    ]
    assert yields[0] == pytest.approx(yields[1], rel=1e-9)


def test_bearing_counts_from_the_nose_and_an_absolute_azimuth_ignores_it():
    heading = np.array([0.0, 90.0, 300.0])
    assert array_azimuth_deg(ROOF, heading).tolist() == [90.0, 180.0, 30.0]
    fixed = replace(ROOF, azimuth_deg=200.0, bearing_deg=None)
    assert array_azimuth_deg(fixed, heading).tolist() == [200.0, 200.0, 200.0]


def test_cold_voltage_by_hand():
    """Two panels of 22.5 V, 35 K below 25 C at -0.337 %/K: 45 x 1.11795 V."""
    assert cold_open_circuit_v(ROOF, -10.0) == pytest.approx(50.30775)


def test_every_number_of_the_mounts_has_unit_source_and_range():
    text = (files("simulator") / "presets" / "mounts.toml").read_text(encoding="utf-8")
    mounts = tomllib.loads(text)
    assert set(mounts) == {"bonded", "gap", "open"}
    for mount in mounts.values():
        assert mount["says"]
        numbers = {key: value for key, value in mount.items() if isinstance(value, dict)}
        assert set(numbers) == {"a", "b", "deltat_c"}
        for number in numbers.values():
            assert number["unit"]
            assert "SAND2004-3535" in number["source"]
            assert number["valid"][0] <= number["value"] <= number["valid"][1]


# --- watts at the bus -----------------------------------------------------------------------------------------------------


@given(array=arrays, sky=skies, tilt_deg=st.floats(0.0, 90.0), azimuth_deg=angles, bus_v=st.sampled_from([12.0, 24.0, 48.0]))
def test_nothing_negative_and_no_controller_beats_the_one_without_limits(array, sky, tilt_deg, azimuth_deg, bus_v):
    watts = hourly_sun_w(array, sky, tilt_deg, azimuth_deg, 1.0, 1.0, (bus_v, 1.2 * bus_v))
    assert watts.shape == (1, 3)
    assert np.isfinite(watts).all()
    assert (watts >= 0.0).all()
    assert (watts[:, 2] >= watts[:, :2].max(axis=1)).all()


@given(
    sky=skies,
    more=st.floats(1.0, 1.5),
    panel=st.sampled_from(PANELS),
    mount=st.sampled_from(["bonded", "gap", "open"]),
)
def test_more_sun_more_watts(sky, more, panel, mount):
    """On a level roof, with the sun 10 deg up or hidden: else light may leave the dome for a ring that glass throws back."""
    if sky.zenith_deg[0] > 80.0:
        sky = replace(sky, ghi=sky.dhi, dni=0.0 * sky.dni)
    array = replace(ROOF, panel=panel, mount=mount)
    brighter = replace(sky, ghi=more * sky.ghi, dni=more * sky.dni, dhi=more * sky.dhi)
    less, greater = (hourly_sun_w(array, light, 0.0, 180.0, 1.0, 1.0, BUS_V)[0, 2] for light in (sky, brighter))
    assert greater >= less * (1.0 - 1e-9)


@given(sky=skies, tilt_deg=st.floats(0.0, 90.0), low=st.floats(0.0, 1.0), high=st.floats(0.0, 1.0))
def test_less_shade_more_watts(sky, tilt_deg, low, high):
    low, high = min(low, high), max(low, high)
    for shares in ((low, 1.0), (1.0, low)):
        opened = tuple(high if share == low else share for share in shares)
        less, greater = (hourly_sun_w(ROOF, sky, tilt_deg, 180.0, *pair, BUS_V)[0, 2] for pair in (shares, opened))
        # Light that glances off the glass still counts as heat: at most a fraction of a percent.
        assert greater >= less * (1.0 - 2e-3)


def test_nothing_at_night_and_something_by_day():
    watts = hourly_sun_w(ROOF, DAYS, 0.0, 180.0, 1.0, 1.0, BUS_V)
    night = SUN.elevation_deg < -1.0
    assert night.sum() > 60
    assert (watts[night] == 0.0).all()
    assert (watts[DAYS.ghi > 200.0, 0] > 0.0).all()
    dark = replace(DAYS, ghi=0.0 * DAYS.ghi, dni=0.0 * DAYS.dni, dhi=0.0 * DAYS.dhi)
    assert (hourly_sun_w(ROOF, dark, 0.0, 180.0, 1.0, 1.0, BUS_V) == 0.0).all()


def test_rows_of_weather_equal_each_row_alone():
    rows = [weather_of(SUN, seed) for seed in range(3)]
    together = hourly_sky(UTC, SUN, {name: np.stack([row[name] for row in rows]) for name in rows[0]})
    tilt, azimuth = np.repeat([0.0, 30.0], 120), np.linspace(0.0, 360.0, 240)
    shade = np.repeat([1.0, 0.5, 0.2], 80)
    for controller in (MPPT, PWM):
        array = replace(ROOF, controller=controller)
        watts = hourly_sun_w(array, together, tilt, azimuth, shade, shade, BUS_V)
        assert watts.shape == (3, 240, 3)
        for row, weather in enumerate(rows):
            alone = hourly_sun_w(array, hourly_sky(UTC, SUN, weather), tilt, azimuth, shade, shade, BUS_V)
            assert watts[row] == pytest.approx(alone, rel=1e-12)


def test_losses_are_plain_shares_of_the_power():
    noon = made_sky(30.0, 180.0, dni=800.0, dhi=100.0)

    def best(array):
        return hourly_sun_w(array, noon, 0.0, 180.0, 1.0, 1.0, BUS_V)[0, 2]

    whole = best(BARE)
    assert best(replace(BARE, mismatch_frac=0.05)) == pytest.approx(0.95 * whole)
    assert best(replace(BARE, wiring_frac=0.03)) == pytest.approx(0.97 * whole)
    assert best(replace(BARE, age_years=10.0, ageing_frac_per_year=0.015)) == pytest.approx(0.85 * whole)
    assert best(replace(BARE, age_years=1000.0)) == 0.0
    assert best(replace(BARE, controller=replace(BOOST, efficiency_frac=0.96, tracking_frac=0.99))) == pytest.approx(
        0.9504 * whole
    )
    assert best(replace(BARE, in_series=1, in_parallel=2)) == pytest.approx(whole)
    # Dirt takes light: a shade more than its share at this brightness would be wrong, a shade less too.
    assert best(replace(BARE, soiling_frac=0.10)) == pytest.approx(0.90 * whole, rel=0.02)


def test_glass_throws_back_a_little_of_steep_light_and_much_of_low():
    def kept(zenith_deg):
        sky = made_sky(zenith_deg, 180.0, dni=400.0 / np.cos(np.radians(zenith_deg)), dhi=0.0)
        return hourly_sun_w(BARE, sky, 0.0, 180.0, 1.0, 1.0, BUS_V)[0, 2]

    assert kept(40.0) == pytest.approx(kept(0.0), rel=0.01)
    # 2 mm of plain glass at 75 deg: 0.77 of what passes square (De Soto et al. 2006, figure 2: about 0.75 to 0.8).
    assert 0.72 < kept(75.0) / kept(0.0) < 0.82


def test_dirt_takes_light_from_the_cells_but_not_heat():
    """By parts: 800 W/m2 square on the glass, a fifth of it stopped by dirt, cells as hot as under the whole of it."""
    square = made_sky(0.0, 180.0, dni=800.0, dhi=0.0)
    cell_c = hourly_cell_c("gap", square.ghi, square.temp_air, square.wind_speed)
    expected_w = 2.0 * best_point(SMALL, 0.8 * square.ghi, cell_c).power_w
    found_w = hourly_sun_w(replace(BARE, soiling_frac=0.2), square, 0.0, 180.0, 1.0, 1.0, BUS_V)[:, 2]
    assert found_w == pytest.approx(expected_w, rel=1e-9)


def test_glass_throws_back_a_twentieth_of_the_light_of_an_even_sky():
    """B. Marion (2017), Solar Energy 147, 344-348: 0.944 of it passes on a level plane, beside light that meets it square."""
    square = made_sky(0.0, 180.0, dni=500.0, dhi=0.0)
    even = made_sky(0.0, 180.0, dni=0.0, dhi=500.0)
    beam_w, sky_w = (hourly_sun_w(BARE, sky, 0.0, 180.0, 1.0, 1.0, BUS_V)[0, 2] for sky in (square, even))
    assert sky_w / beam_w == pytest.approx(0.944, abs=0.01)


def test_pwm_holds_its_panels_above_the_bus_by_the_wiring_share():
    noon = made_sky(30.0, 180.0, dni=800.0, dhi=100.0, temp_air=-25.0)
    array = replace(BARE, in_series=1, in_parallel=3, controller=PWM)
    lossless, wired = (
        hourly_sun_w(replace(array, wiring_frac=share), noon, 0.0, 180.0, 1.0, 1.0, BUS_V)[0] for share in (0.0, 0.05)
    )
    # Far below the best point current hardly depends on voltage: the bus gets the same amperes.
    assert wired[:2] == pytest.approx(lossless[:2], rel=0.01)
    assert lossless[1] / lossless[0] == pytest.approx(14.4 / 12.0, rel=0.01)
    assert lossless[2] > lossless[1]


def test_a_small_panel_cannot_charge_a_24_v_bus():
    noon = made_sky(30.0, 180.0, dni=800.0, dhi=100.0)
    for controller in (MPPT, PWM):
        single = replace(ROOF, in_series=1, controller=controller)
        low, high, best = hourly_sun_w(single, noon, 0.0, 180.0, 1.0, 1.0, (24.0, 28.8))[0]
        assert (low, high) == (0.0, 0.0)
        assert best > 50.0


def test_the_controller_limits_its_output_current():
    noon = made_sky(20.0, 180.0, dni=900.0, dhi=100.0)
    for controller in (MPPT, PWM):
        free = replace(ROOF, in_series=2, in_parallel=3, controller=controller)
        limited = replace(free, controller=replace(controller, max_charge_a=10.0))
        unlimited_w, limited_w = (hourly_sun_w(array, noon, 0.0, 180.0, 1.0, 1.0, BUS_V)[0] for array in (free, limited))
        assert limited_w[:2] == pytest.approx([120.0, 144.0])
        assert (unlimited_w[:2] > limited_w[:2]).all()
        assert limited_w[2] == unlimited_w[2]


# A cool morning, then a noon so hot that open circuit stays less than 5 V, but more than 1 V, above the bus.
MORNING = (65.0, 300.0, 15.0)
HOT_NOON = (15.0, 900.0, 45.0)


def a_day_of(*hours):
    """Zenith, beam and air temperature of each hour; zenith 100 is night."""
    zenith, dni, air = (np.array(values) for values in zip(*hours, strict=True))
    return made_sky(zenith, 180.0, dni, np.where(dni > 0.0, 60.0, 0.0), air, wind_speed=0.5)


def test_an_mppt_controller_that_started_in_the_cool_runs_on_through_the_heat():
    single = replace(ROOF, in_series=1, mount="bonded")

    def watts(*hours):
        return hourly_sun_w(single, a_day_of(*hours), 0.0, 180.0, 1.0, 1.0, (12.4, 14.4))[:, 1]

    assert watts(HOT_NOON)[0] == 0.0
    assert watts(MORNING, HOT_NOON, HOT_NOON)[2] > 30.0
    # The night ends the run, whatever started it the day before.
    assert watts(MORNING, HOT_NOON, (100.0, 0.0, 15.0), HOT_NOON)[3] == 0.0
    # Rows keep their own latch.
    rows = [a_day_of(MORNING, HOT_NOON), a_day_of((65.0, 0.0, 15.0), HOT_NOON)]
    both = replace(rows[0], **{name: np.stack([getattr(row, name) for row in rows]) for name in ("ghi", "dni", "dhi")})
    both = replace(both, temp_air=np.stack([row.temp_air for row in rows]), wind_speed=np.stack([row.wind_speed for row in rows]))
    running = hourly_sun_w(single, both, 0.0, 180.0, 1.0, 1.0, (12.4, 14.4))[:, 1, 1]
    assert running[0] > 30.0
    assert running[1] == 0.0


def test_heat_that_pulls_the_best_point_to_the_bus_costs_mppt_power():
    """Held 1 V above the bus, beyond its best point, a hot panel gives less than its best, and more than nothing."""
    single = replace(ROOF, in_series=1, mount="bonded", controller=replace(MPPT, headroom_v=1.0))
    hot = made_sky(15.0, 180.0, dni=900.0, dhi=60.0, temp_air=45.0, wind_speed=0.5)
    low, high, best = hourly_sun_w(single, hot, 0.0, 180.0, 1.0, 1.0, (10.0, 14.4))[0]
    assert low == pytest.approx(best, rel=1e-3)
    assert 0.3 * best < high < 0.98 * best
