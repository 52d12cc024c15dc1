"""Appliances that follow the weather, and those known by a file of their watts."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.engine import histories
from simulator.errors import EngineFault, InputError
from simulator.loads import follows_weather, hourly_load_w, running_peak_w
from simulator.loads.following import fridge_factor, heating_duty
from simulator.route import drawn_years, route_weather
from simulator.scenario import parse_scenario
from simulator.scenario.parts import Appliance, Inverter, Scenario, Stop, Vehicle
from simulator.timeline import build_timeline

INVERTER = Inverter(rated_w=1000.0, surge_w=2000.0, p_self=0.01, v=0.02, r=0.05, always_on=False)


def thing(number=1, *, bus="dc", power_w=100.0, kind="other", standby_w=0.0, **pattern):
    return Appliance(number, f"thing {number}", None, kind, bus, power_w, standby_w, power_w, 0, **pattern)


def trip(*appliances, days=2, vehicle=None, first=date(2024, 1, 1)):
    begin = datetime(first.year, first.month, first.day, tzinfo=UTC)
    end = begin + timedelta(days=days)
    stop = Stop(1, "x", None, 0.0, 0.0, None, "UTC", first, end.date(), begin, end, None)
    return Scenario("t", 1, None, vehicle or Vehicle(), None, (), INVERTER, appliances, (stop,))


def load_of(scenario, outside_c=10.0, cabin_c=20.0, free_c=12.0, rows=None):
    timeline = build_timeline(scenario)
    shape = (timeline.hours,) if rows is None else (rows, timeline.hours)
    air = {
        name: np.array(np.broadcast_to(np.asarray(value, dtype=float), shape))
        for name, value in (("temp_air", outside_c), ("cabin_c", cabin_c), ("free_cabin_c", free_c))
    }
    return hourly_load_w(scenario, timeline, np.full(timeline.hours, -10.0), **air)


# --- fridge ---


def test_a_fridge_takes_15_to_53_percent_more_at_33_than_at_20_degrees():
    """'Effect of different operating variables on energy consumption of household refrigerator', Int. J. Energy Engineering:
    ambient from 20 to 33 C raises the energy by 15 to 53 %; the middle was chosen."""
    fridge = thing(kind="fridge", power_w=45.0, duty_frac=0.4, follows="fridge")
    warm, hot = (load_of(trip(fridge), cabin_c=cabin_c).dc_w[0].sum() for cabin_c in (20.0, 33.0))
    assert 1.15 <= hot / warm <= 1.53
    assert hot / warm == pytest.approx(1.34, abs=0.005)


def test_what_is_written_holds_at_25_degrees_in_the_cabin():
    for pattern, expected_wh in (
        ({"duty_frac": 0.4}, 432.0),
        ({"wh_per_day": 400.0}, 400.0),
        ({"hours_per_day": 9.0}, 405.0),
    ):
        fridge = thing(kind="fridge", power_w=45.0, follows="fridge", **pattern)
        assert load_of(trip(fridge, days=1), cabin_c=25.0).dc_w[0].sum() == pytest.approx(expected_wh)
        metered = replace(fridge, power_w=0.0)
        if "wh_per_day" in pattern:
            load = load_of(trip(metered, days=1), cabin_c=33.0)
            assert load.dc_w[0].sum() == pytest.approx(400.0 * fridge_factor(np.array(33.0)))
            assert not load.peak_h.any()  # nobody knows its watts


def test_a_fridge_runs_longer_and_not_stronger_up_to_all_the_time():
    fridge = thing(kind="fridge", power_w=45.0, duty_frac=0.9, follows="fridge")
    load = load_of(trip(fridge), cabin_c=[25.0] * 24 + [60.0] * 24)
    assert load.dc_w[0].max() == pytest.approx(45.0)
    assert load.peak_h[0, 0] == pytest.approx(0.9)
    assert load.bus_w[0, 0, 0, 2] == pytest.approx(45.0)
    frost = load_of(trip(fridge), cabin_c=[5.0] * 24 + [-20.0] * 24).dc_w[0]
    assert np.ptp(frost) == 0.0  # held where the published range is far away
    assert 0.0 < frost[0] < 0.9 * 45.0 * 0.6


@given(st.floats(-40, 60), st.floats(-40, 60))
def test_a_warmer_cabin_never_takes_less(one_c, other_c):
    low, high = sorted((one_c, other_c))
    assert fridge_factor(np.array(low)) <= fridge_factor(np.array(high))


# --- heating, cooling, pads ---


def test_a_heater_fan_runs_as_long_as_the_cabin_needs():
    """Heat balance by hand: 150 W/K x (20 - 0) K = 3,000 W of a burner of 6,000 W: half of the time."""
    fan = thing(kind="heater_fan", power_w=96.0, standby_w=2.0, duty_frac=1.0, follows="heating", heat_w=6000.0)
    vehicle = Vehicle(cabin_heat_loss_w_per_c=150.0)
    assert heating_duty(vehicle, 6000.0, np.array(20.0), np.array(0.0)) == 0.5
    load = load_of(trip(fan, vehicle=vehicle), cabin_c=20.0, free_c=0.0)
    assert load.dc_w[0] == pytest.approx(48.0 + 1.0)
    assert load.peak_h == pytest.approx(0.5)
    assert load.notes == ()
    warm = load_of(trip(fan, vehicle=vehicle), cabin_c=25.0, free_c=25.0)
    assert warm.dc_w[0] == pytest.approx(2.0)


def test_a_burner_too_small_never_rests_and_is_told():
    fan = thing(power_w=20.0, duty_frac=1.0, follows="heating", heat_w=2000.0)
    vehicle = Vehicle(cabin_heat_loss_w_per_c=150.0)
    load = load_of(trip(fan, vehicle=vehicle), cabin_c=20.0, free_c=[0.0] * 6 + [19.0] * 42)
    assert load.dc_w[0, :6] == pytest.approx(20.0)
    assert load.dc_w[0, 6:] == pytest.approx(20.0 * 0.075)
    (note,) = load.notes
    assert "in 6 hours of the trip" in note and "needs up to 3,000 W" in note


def test_a_cooler_runs_while_the_cabin_would_be_hot_and_pads_while_it_freezes():
    cooler = thing(1, kind="cooling", power_w=60.0, duty_frac=0.5, follows="cooling", above_c=27.0)
    clocked = thing(1, power_w=60.0, clock=((10.0, 14.0),), follows="cooling", above_c=27.0)
    free_c = np.where(np.arange(48) % 24 >= 12, 28.0, 27.0)
    assert np.flatnonzero(load_of(trip(cooler), free_c=free_c).dc_w[0]).tolist() == [h for h in range(48) if h % 24 >= 12]
    assert np.flatnonzero(load_of(trip(clocked), free_c=free_c).dc_w[0]).tolist() == [12, 13, 36, 37]
    pads = thing(1, kind="pads", power_w=60.0, duty_frac=1.0, follows="pads", below_c=3.0)
    outside_c = np.where(np.arange(48) < 5, -4.0, 3.0)
    assert load_of(trip(pads), outside_c=outside_c).dc_w[0].tolist() == [60.0] * 5 + [0.0] * 43


def test_years_of_weather_are_rows_and_each_is_as_if_it_were_alone():
    things = (
        thing(1, kind="fridge", power_w=45.0, duty_frac=0.4, follows="fridge"),
        thing(2, bus="ac", power_w=1500.0, hours_per_day=0.2),
        thing(3, power_w=400.0, duty_frac=0.5, follows="cooling", above_c=27.0),
    )
    cabin_c = np.linspace(10.0, 40.0, 3 * 48).reshape(3, 48)
    rows = load_of(trip(*things), cabin_c=cabin_c, free_c=cabin_c, rows=3)
    assert rows.bus_w.shape == (3, 48, 3, 4)
    assert rows.peak_h.shape == rows.overload_w.shape == (3, 48)
    assert rows.mean_w.shape == (3, 48, 3)
    for row in range(3):
        alone = load_of(trip(*things), cabin_c=cabin_c[row], free_c=cabin_c[row])
        assert np.array_equal(alone.bus_w[0], rows.bus_w[row])
        assert np.array_equal(alone.peak_h[0], rows.peak_h[row])
        assert np.array_equal(alone.overload_w[0], rows.overload_w[row])
    # Where nothing follows the weather, all years are one row.
    assert load_of(trip(things[1]), rows=3).bus_w.shape[0] == 1


def test_what_follows_the_weather_asks_for_temperatures():
    fridge = trip(thing(duty_frac=0.4, follows="fridge"))
    assert follows_weather(fridge) and not follows_weather(trip(thing(duty_frac=0.4)))
    with pytest.raises(EngineFault, match="no temperatures"):
        hourly_load_w(fridge, build_timeline(fridge), np.zeros(48))


# --- measured profiles ---


@pytest.fixture
def profile(tmp_path):
    def write(text):
        file = tmp_path / "measured.csv"
        file.write_text(text, encoding="utf-8")
        return file

    return write


def test_a_day_by_the_clock_is_the_same_every_day(profile):
    """By hand: 30 minutes at 600 W a day, 10 W else: 300 + 235 = 535 Wh."""
    file = profile("time,watts\n00:00,10\n12:15,600\n12:45,10\n")
    load = load_of(trip(thing(bus="ac", power_w=0.0, profile=file)))
    assert load.ac_w.sum() == pytest.approx(2 * (0.5 * 600.0 + 23.5 * 10.0))
    assert load.ac_w[[11, 12, 36]] == pytest.approx([10.0, 305.0, 305.0])
    # Its half hour at 600 W is the peak of that hour.
    assert load.peak_h[0, 12] == pytest.approx(0.5)
    law_w = 600.0 + 1000.0 * (0.01 + 0.02 * 0.6 + 0.05 * 0.36)
    assert load.bus_w[0, 12, 0, 3] == pytest.approx(law_w)
    assert load.audit[0].power_w == 600.0
    assert running_peak_w(trip(thing(bus="ac", power_w=0.0, profile=file))) == 600.0


def test_hours_of_the_day_as_bare_numbers(profile):
    file = profile("hour,watts\n" + "".join(f"{hour},{10 * hour}\n" for hour in range(24)))
    assert load_of(trip(thing(power_w=0.0, profile=file))).dc_w[0] == pytest.approx([10.0 * (hour % 24) for hour in range(48)])
    with pytest.raises(InputError, match="line 3"):
        load_of(trip(thing(profile=profile("hour,watts\n0,5\n24,5\n"))))


def test_dated_rows_are_taken_at_their_dates_and_masks_hold(profile):
    rows = "".join(f"2024-01-01T{hour:02d}:00:00Z,{hour}\n2024-01-01T{hour:02d}:30:00Z,{hour + 1}\n" for hour in range(24))
    file = profile("time,watts\n" + rows)
    load = load_of(trip(thing(power_w=0.0, profile=file), days=1))
    assert load.dc_w[0] == pytest.approx(np.arange(24) + 0.5)
    weekend = load_of(trip(thing(power_w=0.0, profile=file, weekdays=frozenset({5, 6})), days=1))
    assert not weekend.dc_w.any()
    assert not load_of(trip(thing(power_w=0.0, profile=file, only="driving"), days=1)).dc_w.any()


def test_all_profiles_that_cannot_be_used_are_told_at_once(profile, tmp_path):
    garbled = profile("time,watts\n00:00,ten\n25:00,10\n")
    things = (thing(1, profile=garbled), thing(2, profile=tmp_path / "missing.csv"))
    with pytest.raises(InputError) as caught:
        load_of(trip(*things))
    text = "\n".join(caught.value.mistakes)
    assert "measured.csv: line 2" in text and "measured.csv: line 3" in text and "missing.csv" in text


def test_a_file_that_changed_is_read_again(profile):
    file = profile("time,watts\n00:00,10\n12:00,10\n")
    scenario = trip(thing(power_w=0.0, profile=file), days=1)
    assert load_of(scenario).dc_w[0].sum() == pytest.approx(240.0)
    profile("time,watts\n00:00,20.0\n12:00,20.0\n")
    assert load_of(scenario).dc_w[0].sum() == pytest.approx(480.0)


# --- from a scenario to the hours ---

COLD = """\
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 100
[[appliance]]
name = "heater"
kind = "heater_fan"
follows = "heating"
[[appliance]]
name = "fridge"
kind = "fridge"
power_w = 45
duty_frac = 0.4
follows = "fridge"
[weather]
{weather}
[[stop]]
name = "Glade"
latitude_deg = 36.1
longitude_deg = -79.95
zone = "America/New_York"
arrive = 2026-01-10
depart = 2026-01-12
"""


def test_a_heater_of_a_scenario_by_hand():
    """At -5 C outside an unheated cabin has -2 C at night; 45 W/K x 18 K = 810 W of 7,000 W: 11.6 % of 96 W. The fridge stands in
    16 C: 18 W x (1 - 9 x 0.0231)."""
    scenario = parse_scenario(COLD.format(weather="clear = true\ntemp_c = -5"))
    clock = build_timeline(scenario)
    setting = histories(scenario, clock, route_weather(scenario, clock))
    at_three = int(np.flatnonzero(clock.local_hour == 3.0)[0])
    expected_w = 96.0 * 45.0 * 18.0 / 7000.0 + 18.0 * (1.0 - 9.0 * 0.0231)
    assert setting.load.dc_w[0, at_three] == pytest.approx(expected_w, abs=0.01)
    # The heater's burst is worth a phase of its own at 100 Ah.
    rest_w, _, peak_w, _ = setting.inputs.load_w[0, at_three, 0]
    part_h = setting.inputs.peak_h[0, at_three]
    assert part_h == pytest.approx(45.0 * 18.0 / 7000.0)
    assert peak_w - rest_w == pytest.approx(96.0)
    assert rest_w * (1.0 - part_h) + peak_w * part_h == pytest.approx(expected_w, abs=0.01)


def test_each_year_of_weather_has_its_own_load():
    scenario = parse_scenario(COLD.format(weather='normals = "nearest"'))
    clock = build_timeline(scenario)
    years = drawn_years(scenario, clock, 3, 1).block(0, 3)
    setting = histories(scenario, clock, years, questions=False)
    assert setting.inputs.load_w.shape == (3, clock.hours, 3, 4)
    assert setting.inputs.peak_h.shape == (3, clock.hours)
    whole_wh = setting.load.mean_w[..., -1].sum(axis=1)
    assert len(set(whole_wh.tolist())) == 3
    outside_c = np.asarray(years.table["temp_air"]).mean(axis=1)
    assert np.argmax(whole_wh) == np.argmin(outside_c)
