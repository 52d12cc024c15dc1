"""Loads and chargers against the figures people in the trade carry in their heads.

Authority: common practice, no source, unless a check says otherwise. They are bands, not laws.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from simulator.loads import hourly_load_w
from simulator.scenario.parts import Alternator, Appliance, Inverter, Scenario, Stop, Vehicle
from simulator.sources import charging_offers, hourly_sources
from simulator.timeline import build_timeline
from tests.outside_checks import apart, lies, reached

BUS_V = 12.0
CHARGING_V = 13.2
"""A 12 V bank in the middle of its charge."""
GOOD = (0.01, 0.02, 0.05)
ORDINARY = (0.02, 0.025, 0.08)
"""Good and ordinary unit of the three-parameter law (Sauer & Schmidt 1994; sets from memory)."""


def days(*audit, inverter=None, count=1, drive_h_per_day=0.0, alternator=None):
    begin = datetime(2024, 1, 1, tzinfo=UTC)
    end = begin + timedelta(days=count)
    first = date(2024, 1, 1)
    stop = Stop(1, "x", None, 0.0, 0.0, None, "UTC", first, first, begin, end, None, drive_h_per_day=drive_h_per_day)
    return Scenario("t", 1, None, Vehicle(), None, (), inverter, audit, (stop,), alternator=alternator)


def audit_line(bus, power_w, kind="other", **pattern):
    return Appliance(1, "x", None, kind, bus, power_w, 0.0, power_w, 0, **pattern)


def load_of(scenario):
    timeline = build_timeline(scenario)
    return hourly_load_w(scenario, timeline, np.full(timeline.hours, -10.0)), timeline


def inverter(rated_w, parameters, always_on=False):
    return Inverter(rated_w, 2 * rated_w, *parameters, always_on=always_on)


@pytest.mark.parametrize("parameters", [GOOD, ORDINARY])
def test_a_tenth_of_the_ac_watts_are_the_amperes_at_twelve_volts(parameters):
    for watts in (500.0, 1000.0, 1500.0):
        load, _ = load_of(days(audit_line("ac", watts, duty_frac=1.0), inverter=inverter(2000.0, parameters)))
        assert load.dc_w[0, 0] / BUS_V == pytest.approx(watts / 10.0, rel=0.15)
        reached(
            "Amperes at 12 V of AC watts",
            "common practice: a tenth of the watts",
            "15 %",
            apart(load.dc_w[0, 0] / BUS_V, watts / 10.0, rel=True),
        )


def test_a_thousand_ac_watts_are_85_to_95_amperes():
    """At the 12 to 13 V that a bank has under this load."""
    for parameters in (GOOD, ORDINARY):
        load, _ = load_of(days(audit_line("ac", 1000.0, duty_frac=1.0), inverter=inverter(2000.0, parameters)))
        assert 85.0 <= load.dc_w[0, 0] / 12.5 <= 95.0
        lies("Amperes of 1,000 AC watts", "common practice, no source", "85 to 95 A", load.dc_w[0, 0] / 12.5)


def test_25_watts_idle_are_600_watt_hours_a_day():
    load, _ = load_of(days(inverter=inverter(2500.0, GOOD, always_on=True), count=7))
    assert load.audit == (("inverter idle", 25.0, pytest.approx(600.0), 0),)
    assert load.dc_w.sum(axis=1) == pytest.approx([7 * 600.0] * 3)


def test_half_an_ampere_unseen_empties_a_hundred_ampere_hours_in_eight_days():
    load, _ = load_of(days(audit_line("dc", 0.5 * BUS_V, kind="standing", duty_frac=1.0), count=10))
    empty_after_h = int(np.argmax(np.cumsum(load.dc_w[0]) / BUS_V >= 100.0)) + 1
    assert 8.0 <= empty_after_h / 24 <= 8.5


def test_two_hours_of_driving_at_forty_amperes_are_a_kilowatt_hour():
    """1.05 kWh."""
    scenario = days(drive_h_per_day=2.0, alternator=Alternator(40.0, 0.9, driving_frac=1.0))
    timeline = build_timeline(scenario)
    charge_ah = hourly_sources(scenario, timeline)[:, 1].sum()
    assert charge_ah == pytest.approx(80.0)
    assert charge_ah * CHARGING_V / 1000.0 == pytest.approx(1.05, abs=0.01)
    (offer,) = charging_offers(scenario, timeline)
    assert (offer.charger_a, offer.offered_h, offer.longest_h) == (40.0, 2.0, 2.0)


def test_one_litre_boiled():
    """One litre from 15 to 100 C at 85 %: 0.116 kWh (specific heat of water 4.186 kJ/kg K); a 1500 W kettle on for as long."""
    energy_kwh = 4.186 * 85.0 / 0.85 / 3600.0
    assert energy_kwh == pytest.approx(0.116, abs=5e-4)
    kettle = audit_line("ac", 1500.0, kind="kettle", uses_per_day=1.0, use_minutes=energy_kwh / 1.5 * 60.0)
    load, _ = load_of(days(kettle, inverter=inverter(2000.0, GOOD)))
    assert load.ac_w.sum() == pytest.approx(1000.0 * energy_kwh)


def test_a_worked_fridge():
    """160 W x 24 h x 30 % = 1152 Wh a day: worked example of an open off-grid teaching wiki."""
    load, _ = load_of(days(audit_line("dc", 160.0, kind="fridge", duty_frac=0.3), count=3))
    assert load.audit[0].wh_per_day == pytest.approx(1152.0)
    assert np.ptp(load.dc_w[0]) == 0.0


def test_a_roof_air_conditioner_for_ten_hours_at_half_duty():
    """6 to 7 kWh on the AC side for the 1.2 to 1.4 kW that a roof unit takes; about seven 100 Ah LFP units at the bus."""
    windows = ((12.0, 22.0),)
    load, _ = load_of(days(audit_line("ac", 0.5 * 1300.0, clock=windows), inverter=inverter(3000.0, ORDINARY)))
    assert 6.0 <= load.ac_w.sum() / 1000.0 <= 7.0
    assert 6.0 <= load.dc_w[0].sum() / (12.8 * 100.0 * 0.9) <= 7.5


def test_a_three_way_fridge_on_the_road():
    """120 to 180 W at 12 V, only driving: three hours on the road take 0.36 to 0.54 kWh, a parked day nothing."""
    fridge = audit_line("dc", 150.0, kind="fridge", duty_frac=1.0, only="driving")
    load, timeline = load_of(days(fridge, drive_h_per_day=3.0))
    assert 360.0 <= load.dc_w[0].sum() <= 540.0
    assert not load.dc_w[0][timeline.driving_frac == 0.0].any()
    parked, _ = load_of(days(fridge))
    assert not parked.dc_w.any()


def test_a_breathing_aid_runs_through_the_night():
    """10 W for eight hours: 80 Wh, all of it between 23:00 and 07:00."""
    load, timeline = load_of(days(audit_line("dc", 10.0, kind="breathing", hours_per_day=8.0)))
    assert load.dc_w[0].sum() == pytest.approx(80.0)
    assert sorted(timeline.local_hour[load.dc_w[0] > 0.0].tolist()) == [0, 1, 2, 3, 4, 5, 6, 23]
