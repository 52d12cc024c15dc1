"""Bus voltage and inverter: rules of the trade against the computed amperes, and what is said of them."""

from __future__ import annotations

import json

import pytest

from simulator.scenario import parse_scenario
from simulator.studies.advice import advice_summary, advise, running_and_surge_w, usual_inverter_w

BASE = """
[vehicle]
bus_v = {bus_v}
standing_draw_w = 0
[bank]
chemistry = "{chemistry}"
unit_ah = 100
in_parallel = {units}
{inverter}
{appliances}
[weather]
clear = true
[[stop]]
name = "here"
latitude_deg = 36.0
longitude_deg = -80.0
zone = "America/New_York"
arrive = 2026-06-01
depart = 2026-06-02
"""


def ac(name, power_w, clock="12:00-13:00", **keys):
    extra = "".join(f"{key} = {json.dumps(value)}\n" for key, value in keys.items())
    return f'[[appliance]]\nname = "{name}"\nbus = "ac"\npower_w = {power_w}\nclock = ["{clock}"]\n{extra}'


def van(*appliances, rated_w=None, bus_v=12, units=2, chemistry="lfp"):
    inverter = "" if rated_w is None else f"[inverter]\nrated_w = {rated_w}\nalways_on = true\n"
    dc = '[[appliance]]\nname = "fridge"\npower_w = 45\nduty_frac = 0.4\n'
    return parse_scenario(
        BASE.format(bus_v=bus_v, units=units, inverter=inverter, appliances=dc + "".join(appliances), chemistry=chemistry)
    )


@pytest.mark.parametrize("chemistry", ["lfp", "agm"])
def test_a_thousand_watts_are_85_to_95_amperes_at_12_v(chemistry):
    """Common practice, no source: AC watts / 10 are about the amperes at 12 V; 1,000 W are 85 to 95 A."""
    found = advise(van(ac("kettle", 1000), rated_w=1500, chemistry=chemistry), 1000.0, 432.0)
    assert found.running_w == 1000.0
    assert 85.0 <= found.buses[0].current_a <= 95.0
    assert found.rules[0].fits


def test_twice_the_volts_halve_the_amperes_and_quarter_the_loss():
    found = advise(van(ac("kettle", 1000), rated_w=1500), 1000.0, 432.0)
    twelve, twenty_four, forty_eight = found.buses
    assert twenty_four.current_a == pytest.approx(twelve.current_a / 2)
    assert forty_eight.current_a == pytest.approx(twelve.current_a / 4)
    assert (twelve.loss_times, twenty_four.loss_times, forty_eight.loss_times) == (1.0, 0.25, 0.0625)
    assert twelve.converter_w == 0.0
    assert twenty_four.converter_w == 45.0
    # 432 Wh through 90 %: 48 Wh are lost.
    assert twenty_four.converter_wh_per_day == pytest.approx(48.0)


def test_only_what_can_coincide_is_added():
    apart = van(ac("kettle", 1000), ac("saw", 1200, "14:00-15:00"), rated_w=2000)
    together = van(ac("kettle", 1000), ac("saw", 1200), rated_w=3000)
    shore = van(ac("kettle", 1000), ac("heater", 1500, only="hookup"), rated_w=2000)
    assert running_and_surge_w(apart)[0] == 1200.0
    assert running_and_surge_w(together)[0] == 2200.0
    assert running_and_surge_w(shore)[0] == 1000.0


def test_one_start_on_top_of_all_that_runs():
    running_w, surge_w = running_and_surge_w(van(ac("kettle", 1000), ac("pump", 300, surge_w=1200), rated_w=2000))
    assert (running_w, surge_w) == (1300.0, 1300.0 + 900.0)


@pytest.mark.parametrize(("watts", "volts"), [(2900, 12), (3000, 12), (3200, 24), (5900, 24), (6500, 48)])
def test_above_three_thousand_watts_24_v_is_considered(watts, volts):
    """Common practice, no source: above about 3,000 W consider 24 V."""
    found = advise(van(ac("all", watts), rated_w=8000, units=8), 1000.0, 432.0)
    assert found.suggested_bus_v == volts
    rule = next(rule for rule in found.rules if "24 V" in rule.rule)
    assert rule.fits == (volts == 12)
    assert any("Consider" in sentence for sentence in found.findings) == (volts > 12)


def test_a_higher_bus_than_needed_is_told_with_the_price_of_its_converter():
    found = advise(van(ac("kettle", 1000), rated_w=1500, bus_v=24), 1000.0, 432.0)
    assert any(sentence.startswith("12 V would do as well") for sentence in found.findings)


@pytest.mark.parametrize(("units", "fits"), [(2, False), (4, True), (6, True)])
def test_units_that_go_with_a_3000_w_inverter(units, fits):
    """Common practice, no source: four to six 100 Ah units; the current at full load asks for three of 100 A each."""
    found = advise(van(ac("kettle", 2000), rated_w=3000, units=units), 1000.0, 432.0)
    rule = next(rule for rule in found.rules if "3,000 W inverter" in rule.rule)
    assert rule.fits == fits
    assert "asks for 3 of these" in rule.computed


@pytest.mark.parametrize(("units", "fits"), [(7, False), (8, True), (12, True)])
def test_units_that_go_with_air_conditioning(units, fits):
    """Common practice, no source: eight to twelve 100 Ah units; 10 h at half duty are 6 to 7 kWh, seven of them."""
    scenario = van(ac("cooling", 1300, "11:00-21:00", kind="air_conditioner"), rated_w=2000, units=units)
    found = advise(scenario, 1300 * 10 * 0.5, 432.0)
    rule = next(rule for rule in found.rules if "air conditioning" in rule.rule)
    assert rule.fits == fits
    days_units = float(rule.computed.rsplit(" ", 1)[1])
    assert 5.0 < days_units < 8.0


def test_a_small_bank_is_told_what_the_current_asks_for():
    found = advise(van(ac("kettle", 2000), rated_w=3000, units=1), 1000.0, 432.0)
    assert found.bank_limit_a == 100.0
    assert found.bank_current_a == pytest.approx(found.buses[0].current_a + 45.0 / 12.8)
    assert found.units_for_current == 2
    assert any("takes 2 in parallel" in sentence for sentence in found.findings)


def test_too_small_too_weak_and_too_large_inverters_are_told():
    small = advise(van(ac("kettle", 1400), rated_w=1000), 1000.0, 432.0)
    assert any("too small" in sentence for sentence in small.findings)
    weak = advise(van(ac("pump", 900, surge_w=2500), rated_w=1200), 1000.0, 432.0)
    assert any("start the heaviest appliance alone" in sentence for sentence in weak.findings)
    large = advise(van(ac("laptop", 60), rated_w=3000, units=4), 1000.0, 432.0)
    assert any("An inverter of 150 W would do" in sentence for sentence in large.findings)
    # 1 % of 3,000 W day and night (common practice, no source): 720 Wh.
    assert large.idle_wh_per_day == pytest.approx(720.0)


def test_sizes():
    assert usual_inverter_w(0.0, 0.0) == 0.0
    assert usual_inverter_w(1000.0, 1000.0) == 1500.0
    assert usual_inverter_w(100.0, 3900.0) == 2000.0
    assert usual_inverter_w(20_000.0, 20_000.0) == 25_000.0


def test_no_ac_no_inverter():
    found = advise(van(), 432.0, 432.0)
    assert found.running_w == 0.0
    assert found.suggested_inverter_w == 0.0
    assert found.rules == ()
    assert "no inverter is needed" in found.findings[0]
    json.dumps(advice_summary(found), allow_nan=False)
