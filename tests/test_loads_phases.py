"""An hour in two phases: peak and rest carry the hour's energy, level by level; what the inverter refuses is apart."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.loads import PEAK_AC_W, PEAK_W, REST_AC_W, REST_W, hourly_load_w
from simulator.scenario.parts import Appliance, Cable, Converter, Inverter, Scenario, Stop, Vehicle
from simulator.timeline import build_timeline

INVERTER = Inverter(rated_w=1000.0, surge_w=2000.0, p_self=0.01, v=0.02, r=0.05, always_on=False)
HOURS = 24


def thing(number=1, *, bus="dc", power_w=100.0, priority=0, kind="other", standby_w=0.0, **pattern):
    return Appliance(number, f"thing {number}", None, kind, bus, power_w, standby_w, power_w, priority, **pattern)


def minutes(count, at=12.0):
    """A clock window of so many minutes at noon."""
    return {"clock": ((at, at + count / 60),)}


def day(*appliances, inverter=INVERTER, bank=None, **other):
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    stop = Stop(1, "x", None, 0.0, 0.0, None, "UTC", begin.date(), date(2024, 1, 2), begin, begin + timedelta(days=1), None)
    return Scenario("t", 1, None, Vehicle(), bank, (), inverter, appliances, (replace(stop, **other.pop("stop", {})),), **other)


def load_of(scenario):
    timeline = build_timeline(scenario)
    return hourly_load_w(scenario, timeline, np.full(timeline.hours, -10.0))


def law_w(watts, inverter=INVERTER):
    """At the bus, by the three-parameter law."""
    share = watts / inverter.rated_w
    return inverter.rated_w * (share + inverter.p_self + inverter.v * share + inverter.r * share**2)


def test_ten_minutes_of_an_oven_are_a_peak_of_ten_minutes_at_full_power():
    oven = thing(1, bus="ac", power_w=900.0, **minutes(10))
    lamp = thing(2, power_w=20.0, duty_frac=1.0)
    load = load_of(day(oven, lamp))
    assert load.bus_w.shape == (1, HOURS, 3, 4)
    assert load.peak_h[0].tolist() == pytest.approx([0.0] * 12 + [1 / 6] + [0.0] * 11)
    rest_w, rest_ac_w, peak_w, peak_ac_w = load.bus_w[0, 12, 0]
    assert peak_ac_w == pytest.approx(law_w(900.0))  # the losses of 900 W, not of the 150 W of the hour's mean
    assert peak_w == pytest.approx(20.0 + law_w(900.0))
    # Between the runs of that hour nothing runs on it, and it is off.
    assert (rest_w, rest_ac_w) == pytest.approx((20.0, 0.0))
    assert load.mean_w[0, 12, 0] == pytest.approx(20.0 + law_w(900.0) / 6)
    assert (load.bus_w[0, 11] == [[20.0, 0.0, 20.0, 0.0]] * 3).all()


def test_rest_and_peak_are_the_energy_of_the_hour_and_dc_w_is_their_mean():
    load = load_of(day(thing(1, bus="ac", power_w=600.0, hours_per_day=2.0), thing(2, power_w=300.0, hours_per_day=1.0)))
    part = load.peak_h[..., None]
    mean_w = load.bus_w[..., REST_W] * (1 - part) + load.bus_w[..., PEAK_W] * part
    assert np.array_equal(load.mean_w, mean_w)
    assert np.array_equal(load.dc_w, mean_w[0].T)
    assert (load.peak_h > 0.0).sum() == 16


def test_losses_are_those_of_running_watts_for_the_time_on_wherever_the_peak_is():
    """Two appliances that run a tenth of every hour: only one of them makes the peak, and both lose as much as they run."""
    inverter = replace(INVERTER, p_self=0.0, v=0.0, rated_w=10_000.0)
    first, second = (thing(n, bus="ac", power_w=watts, duty_frac=0.1) for n, watts in ((1, 2000.0), (2, 1000.0)))
    alone = [load_of(day(each, inverter=inverter)).inverter_loss_w[0] for each in (first, second)]
    assert alone == pytest.approx([0.1 * 0.05 * 2000.0**2 / 10_000.0, 0.1 * 0.05 * 1000.0**2 / 10_000.0])
    both = load_of(day(first, second, inverter=inverter)).inverter_loss_w[0]
    # Independent of each other, they meet for a hundredth of the time; (a + b)^2 = a^2 + b^2 + 2 a b.
    assert both == pytest.approx(sum(alone) + 0.01 * 0.05 * 2 * 2000.0 * 1000.0 / 10_000.0)


def test_the_highest_above_its_mean_at_the_bus_makes_the_peak():
    kettle = thing(1, bus="ac", power_w=800.0, **minutes(15))
    pump = thing(2, power_w=850.0, **minutes(30))  # 425 W above its mean, the kettle 600 W
    load = load_of(day(kettle, pump))
    assert load.peak_h[0, 12] == pytest.approx(0.25)
    rest_w, rest_ac_w, peak_w, peak_ac_w = load.bus_w[0, 12, 0]
    assert peak_ac_w == pytest.approx(law_w(800.0))
    assert (rest_w, rest_ac_w) == pytest.approx((425.0, 0.0))
    assert peak_w == pytest.approx(425.0 + law_w(800.0))


def test_a_level_has_only_the_peaks_of_what_it_holds():
    lamp = thing(1, power_w=50.0, duty_frac=1.0)
    saw = thing(2, bus="ac", power_w=700.0, priority=1, **minutes(20))
    load = load_of(day(lamp, saw))
    essential, comfort, luxury = load.bus_w[0, 12]
    assert essential.tolist() == [50.0, 0.0, 50.0, 0.0]
    assert comfort == pytest.approx([50.0, 0.0, 50.0 + law_w(700.0), law_w(700.0)])
    assert np.array_equal(comfort, luxury)
    assert load.peak_h[0, 12] == pytest.approx(1 / 3)


def test_a_peak_that_cannot_matter_to_the_bank_is_averaged_out(make_bank):
    bank = make_bank("lfp", in_parallel=2)  # 2,560 W, measured by 1,200 W: 5 % are 60 W
    fridge = thing(1, power_w=45.0, duty_frac=0.4)
    load = load_of(day(fridge, bank=bank))
    assert not load.peak_h.any()
    assert load.bus_w[0, :, 0] == pytest.approx(np.array([[18.0, 0.0, 18.0, 0.0]] * HOURS))
    kettle = thing(2, bus="ac", power_w=1000.0, **minutes(5))
    load = load_of(day(fridge, kettle, bank=bank))
    assert np.flatnonzero(load.peak_h[0]).tolist() == [12]
    # It stands out by 60 W, but not by a fifth of the rest of its hour.
    base = thing(1, power_w=400.0, duty_frac=1.0)
    mixer = thing(2, power_w=75.0, **minutes(5))
    assert not load_of(day(base, mixer, bank=bank)).peak_h.any()
    # Where half of 1,200 W is asked for, every such peak counts; a small one never does.
    assert load_of(day(replace(base, power_w=600.0), mixer, bank=bank)).peak_h.any()
    assert not load_of(day(replace(base, power_w=600.0), replace(mixer, power_w=50.0), bank=bank)).peak_h.any()
    assert load_of(day(mixer, bank=bank)).peak_h.any()
    # A small bank minds smaller peaks, and four small units are one large one.
    small = make_bank("lfp", unit_ah=5.0, discharge_limit_a=5.0)
    few = day(replace(mixer, power_w=15.0), bank=replace(small, in_parallel=4))
    one = day(replace(mixer, power_w=15.0), bank=replace(small, unit_ah=20.0, discharge_limit_a=20.0))
    assert load_of(few).peak_h.any()
    assert np.array_equal(load_of(few).bus_w, load_of(one).bus_w)


def test_averaging_a_peak_out_leaves_the_energy_as_it_is(make_bank):
    things = [thing(1, bus="ac", power_w=40.0, **minutes(30)), thing(2, power_w=20.0, duty_frac=0.3)]
    split = load_of(day(*things, bank=make_bank("lfp", unit_ah=10.0)))
    even = load_of(day(*things, bank=make_bank("lfp")))
    assert split.peak_h.any() and not even.peak_h.any()
    # But for the idle draw: within the hour the inverter of the split one rests.
    assert even.mean_w - split.mean_w == pytest.approx(
        np.where(np.arange(HOURS)[None, :, None] == 12, 0.5 * 0.01 * 1000.0, 0.0) * np.ones((1, 1, 3)), abs=1e-9
    )


# --- the inverter's rating ---


def test_an_oven_beyond_the_rating_is_refused_and_not_on_the_bus():
    oven = thing(1, bus="ac", power_w=1500.0, **minutes(10))
    load = load_of(day(oven))
    assert load.bus_w[0, 12, 0, PEAK_AC_W] == pytest.approx(law_w(1000.0))
    assert load.overload_w[0].tolist() == pytest.approx([0.0] * 12 + [500.0 / 6] + [0.0] * 11)
    assert load.overload_names == ("thing 1",)
    assert any("83 Wh over the trip are refused" in note and '"thing 1"' in note for note in load.notes)
    assert load.ac_w.sum() == pytest.approx(1000.0 / 6)


def test_what_together_goes_beyond_the_rating_is_refused_even_for_a_small_bank(make_bank):
    base = thing(1, bus="ac", power_w=700.0, duty_frac=1.0)
    iron = thing(2, bus="ac", power_w=400.0, priority=2, **minutes(30))
    winch = thing(3, power_w=3000.0, **minutes(3))  # a far higher peak, but the inverter comes first
    for bank in (None, make_bank("lfp", in_parallel=50)):
        load = load_of(day(base, iron, winch, bank=bank))
        assert load.peak_h[0, 12] == pytest.approx(0.5)
        assert load.overload_w[0, 12] == pytest.approx(0.5 * 100.0)
        assert load.overload_names == ("thing 2",)
        # Without luxury nothing is beyond it.
        assert load.bus_w[0, 12, 1, PEAK_AC_W] == pytest.approx(law_w(700.0))
        assert load.bus_w[0, 12, 2, PEAK_AC_W] == pytest.approx(law_w(1000.0))
        assert sum(row.wh_per_day for row in load.audit) == pytest.approx(load.dc_w[-1].sum())
        iron_row = load.audit[1]
        assert 150.0 < iron_row.wh_per_day < 165.0  # of its 200 Wh the refused 50 are its own; losses come on top


def test_a_steady_overload_is_refused_all_day():
    load = load_of(day(*(thing(n, bus="ac", power_w=600.0, duty_frac=1.0) for n in (1, 2))))
    assert load.overload_w == pytest.approx(200.0)
    assert load.dc_w == pytest.approx(law_w(1000.0))
    assert load.overload_names == ("thing 1",)


def test_nothing_is_refused_within_the_rating_nor_on_a_hookup():
    assert not load_of(day(thing(1, bus="ac", power_w=1000.0, **minutes(30)))).overload_w.any()
    hooked = load_of(day(thing(1, bus="ac", power_w=3000.0, **minutes(30)), stop={"hookup_every_nights": 1}))
    assert not hooked.overload_w.any()
    assert not hooked.bus_w.any()
    assert hooked.notes == ()
    assert hooked.hookup_w.sum() == 1500.0


# --- idle and sleep ---


def test_asleep_it_draws_its_sleeping_watts_and_wakes_for_the_peak_alone():
    oven = thing(1, bus="ac", power_w=500.0, **minutes(30))
    asleep = load_of(day(oven, inverter=replace(INVERTER, always_on=True, sleep_w=2.0)))
    assert asleep.dc_w[0, 0] == 2.0
    assert asleep.bus_w[0, 12, 0] == pytest.approx([2.0, 0.0, law_w(500.0), law_w(500.0)])
    awake = load_of(day(oven, inverter=replace(INVERTER, always_on=True)))
    assert awake.dc_w[0, 0] == 10.0
    # 25 W idle are 600 Wh a day (common practice); asleep at 3 W a day without AC takes 72 Wh.
    idle = replace(INVERTER, rated_w=2500.0, always_on=True)
    assert load_of(day(inverter=idle)).dc_w[0].sum() == pytest.approx(600.0)
    assert load_of(day(inverter=replace(idle, sleep_w=3.0))).dc_w[0].sum() == pytest.approx(72.0)
    assert load_of(day(oven, inverter=replace(INVERTER, sleep_w=2.0))).dc_w[0, 0] == 0.0  # off is off


def test_everything_is_off_where_the_vehicle_is_stored():
    things = (thing(1, bus="ac", duty_frac=1.0), thing(2, duty_frac=1.0, via_converter=True), thing(3, hours_per_day=2.0))
    stored = day(
        *things,
        inverter=replace(INVERTER, always_on=True),
        converter=Converter(0.9, 2.0),
        stop={"storage": "disconnected"},
    )
    load = load_of(stored)
    assert not load.bus_w.any()
    assert load.audit[-1].wh_per_day == 0.0


# --- converter and cables ---


def test_the_converter_takes_its_loss_and_its_idle_draw():
    lamp = thing(1, power_w=46.0, duty_frac=1.0, via_converter=True)
    motor = thing(2, power_w=100.0, duty_frac=1.0)
    load = load_of(day(lamp, motor, converter=Converter(efficiency_frac=0.92, idle_w=1.5)))
    assert load.dc_w == pytest.approx(100.0 + 46.0 / 0.92 + 1.5)
    assert load.converter_loss_w == pytest.approx(4.0 + 1.5)
    row = {row.name: row for row in load.audit}["DC-DC converter"]
    assert (row.wh_per_day, row.priority) == (pytest.approx(24 * 5.5), 0)
    assert sum(row.wh_per_day for row in load.audit) == pytest.approx(load.dc_w[-1].sum())


def cable(*numbers, ohm, volts=12.0, feeds="appliances"):
    return Cable(1, "c", None, frozenset(numbers), feeds, volts, 1.0, 1.0, 20.0, ohm)


def test_a_cable_heats_by_the_square_of_what_runs_through_it():
    winch = thing(1, power_w=1200.0, **minutes(6))
    load = load_of(day(winch, cables=(cable(1, ohm=0.01),)))
    heat_w = 100.0**2 * 0.01  # 100 A through 10 milliohm
    assert load.bus_w[0, 12, 0] == pytest.approx([0.0, 0.0, 1300.0, 0.0])
    assert load.wiring_loss_w[12] == pytest.approx(heat_w / 10)
    assert load.audit[-1] == ("wiring", pytest.approx(100.0), pytest.approx(10.0), 0)
    assert sum(row.wh_per_day for row in load.audit) == pytest.approx(load.dc_w[-1].sum())
    # Averaged out or not, the heat is that of 100 A for six minutes.
    other = thing(2, power_w=2400.0, **minutes(6))
    shared = load_of(day(winch, other, cables=(cable(1, ohm=0.01),)))
    assert shared.wiring_loss_w[12] == pytest.approx(heat_w / 10)


def test_a_cable_behind_the_converter_is_at_twelve_volts():
    lamp = thing(1, power_w=60.0, duty_frac=1.0, via_converter=True)
    load = load_of(day(lamp, converter=Converter(0.9, 0.0), cables=(cable(1, ohm=0.1),)))
    assert load.wiring_loss_w == pytest.approx(2.5)  # 5 A
    assert load.dc_w == pytest.approx(62.5 / 0.9)


def test_leads_of_the_inverter_fall_away_with_it():
    load = load_of(day(thing(1, bus="ac", power_w=500.0, duty_frac=1.0), cables=(cable(ohm=0.002, feeds="inverter"),)))
    heat_w = 0.002 * (law_w(500.0) / 12.0) ** 2
    assert load.bus_w[..., REST_AC_W] == pytest.approx(law_w(500.0) + heat_w)
    assert load.wiring_loss_w == pytest.approx(heat_w)


# --- laws ---

patterns = st.one_of(
    st.builds(lambda hours: {"hours_per_day": hours}, st.floats(0, 24)),
    st.builds(lambda at, count: minutes(count, at), st.integers(0, 22), st.floats(1, 90)),
    st.builds(lambda wh: {"wh_per_day": wh}, st.floats(0, 2000)),
    st.builds(lambda duty: {"duty_frac": duty}, st.floats(0, 1)),
)
appliances = st.builds(
    lambda pattern, **fields: thing(**fields, **pattern),
    patterns,
    bus=st.sampled_from(["dc", "ac"]),
    power_w=st.floats(1, 2500),
    standby_w=st.floats(0, 1),
    priority=st.integers(0, 2),
    kind=st.sampled_from(["other", "fridge", "cooking", "night"]),
    via_converter=st.booleans(),
)


@settings(max_examples=80)
@given(
    audit=st.lists(appliances, max_size=6), always_on=st.booleans(), sleep=st.sampled_from([None, 1.0]), ohm=st.floats(0, 0.01)
)
def test_laws_of_both_phases(audit, always_on, sleep, ohm):
    things = [
        replace(it, number=number, via_converter=it.via_converter and it.bus == "dc") for number, it in enumerate(audit, start=1)
    ]
    direct = frozenset(it.number for it in things if it.bus == "dc" and not it.via_converter)
    scenario = day(
        *things,
        inverter=replace(INVERTER, always_on=always_on, sleep_w=sleep),
        converter=Converter(0.9, 1.0),
        cables=(cable(*direct, ohm=ohm), cable(ohm=ohm, feeds="inverter")),
    )
    load = load_of(scenario)
    rest_w, rest_ac_w, peak_w, peak_ac_w = (load.bus_w[..., column] for column in (REST_W, REST_AC_W, PEAK_W, PEAK_AC_W))
    assert np.isfinite(load.bus_w).all() and (load.bus_w >= 0.0).all()
    assert (np.diff(load.bus_w, axis=2) >= -1e-8).all()  # more levels never take less (watts below 1e-9 are set to nothing)
    assert (rest_ac_w <= rest_w + 1e-9).all() and (peak_ac_w <= peak_w + 1e-9).all()
    assert ((load.peak_h >= 0.0) & (load.peak_h < 1.0)).all()
    none = load.peak_h == 0.0
    assert np.array_equal(load.bus_w[none][..., :2], load.bus_w[none][..., 2:])
    assert (peak_w[..., -1] >= rest_w[..., -1] - 1e-9).all()
    assert (load.overload_w >= 0.0).all()
    assert bool(load.overload_names) == bool((load.overload_w > 1e-12).any())
    most_w = law_w(1000.0) + ohm * ((law_w(1000.0) / 12.0) ** 2)
    if sum(it.bus == "ac" for it in things) == 1:
        assert (np.maximum(rest_ac_w, peak_ac_w) <= most_w + 1e-9).all()
    # Nothing asked for is lost: what reaches the appliances and what is refused are the audit.
    asked_wh = sum(load_of(day(replace(it, bus="dc", via_converter=False))).dc_w[-1].sum() for it in things if it.bus == "ac")
    assert load.ac_w.sum() + load.overload_w.sum() == pytest.approx(asked_wh, rel=1e-9, abs=1e-6)
    assert sum(row.wh_per_day for row in load.audit) == pytest.approx(load.dc_w[-1].sum(), rel=1e-9, abs=1e-6)
    dc_w = sum((load_of(day(replace(it, via_converter=False))).dc_w[-1] for it in things if it.bus == "dc"), np.zeros(HOURS))
    parts_w = load.ac_w + load.inverter_loss_w + load.inverter_idle_w + load.converter_loss_w + load.wiring_loss_w
    assert dc_w + parts_w == pytest.approx(load.dc_w[-1], rel=1e-9, abs=1e-9)
