"""Cases in which the hour loop and what feeds it once decided with the wrong load, floor, order or reason, each by hand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from simulator import parse_scenario, simulate
from simulator.battery import kernel as k
from simulator.engine import histories, lanes
from simulator.errors import EngineFault
from simulator.loads import PEAK_AC_W, PEAK_W, REST_AC_W, REST_W
from simulator.protections import protections
from simulator.route import route_weather
from simulator.scenario.parts import Curve
from simulator.timeline import build_timeline

INVERTER = {"inverter_off_v": 11.8, "inverter_on_v": 12.6}
STRAIGHT = Curve((0.0, 1.0), (12.0, 13.0), (0.0, 0.0), (1.0, 1.0), (-40.0, 60.0), (1.0, 1.0))
"""From 12 to 13 V: a tenth of the charge is a tenth of a volt."""
FLAT = Curve((0.0, 1.0), (12.8, 12.8), (0.0, 0.0), (1.0, 1.0), (-40.0, 60.0), (1.0, 1.0))


def acts(walked: Any, bank: Any) -> dict[str, Any]:
    """Protections by name."""
    return {act.name: act for act in protections(bank, walked.result.hours[0], float(walked.start[0, k.CELL_C]))}


def missed(walked: Any) -> list[float]:
    """By priority, over all hours [Wh]."""
    return [walked.total(field) for field in (k.MISSED_ESSENTIAL_WH, k.MISSED_COMFORT_WH, k.MISSED_LUXURY_WH)]


# ---- the voltage at which the electronics let go ----


def test_without_resistance_the_rest_voltage_itself_meets_the_cut_off(make_bank, walk_bank):
    """12.5 V on a straight line from 12 to 13 V is half the charge, with nothing lost on the way to the terminals."""
    bank = make_bank("tank", curve=STRAIGHT, cutoff_v=12.5, reconnect_soc=0.1)
    walked = walk_bank(bank, 8, load_w=125.0, start_soc=0.8)
    assert walked.hour(k.SOC_LOWEST).min() == pytest.approx(0.5, abs=1e-6)
    assert acts(walked, bank)["low_voltage"].times == 1


def test_the_bank_s_own_heater_pulls_the_voltage_down_too(make_bank, make_heater, walk_bank):
    """480 W of load and 120 W of heater are 50 A at 12 V, 0.5 V in 10 mOhm: half the charge, not four tenths."""
    heater = make_heater(power_w=120.0, on_below_c=20.0, off_above_c=1000.0, from_bank=True)
    bank = make_bank("tank", curve=STRAIGHT, resistance_ohm=0.01, cutoff_v=12.0, reconnect_soc=0.1, heater=heater)
    walked = walk_bank(bank, 2, load_w=480.0, bay_c=-30.0, start_soc=1.0)
    assert walked.hour(k.HEATER_WH)[0] == pytest.approx(120.0)
    assert walked.hour(k.SOC_LOWEST).min() == pytest.approx(0.5, abs=1e-6)


@pytest.mark.parametrize("lane", [{}, {"inverter_off_v": 11.5, "inverter_on_v": 12.6}])
@pytest.mark.parametrize("peak_h", [0.0, 0.1])
def test_an_overload_sags_the_bus_by_what_the_bank_gives_not_by_what_is_asked(lane, peak_h, make_bank, walk_bank):
    """1500 W are asked, 50 A may be given: 12.8 V - 0.02 Ohm x 50 A = 11.8 V, above both cut-offs. Overload, no outage."""
    bank = make_bank("tank", curve=FLAT, resistance_ohm=0.02, discharge_limit_a=50.0, cutoff_v=11.5, reconnect_soc=0.1)
    asked = {"load_w": 1500.0, "ac_w": 1500.0} if peak_h == 0.0 else {"load_w": 0.0, "peak_w": 1500.0, "peak_ac_w": 1500.0}
    walked = walk_bank(bank, 1, **asked, peak_h=peak_h, start_soc=0.9, lane=lane)
    time_h = peak_h or 1.0
    assert walked.total(k.DARK_H) == 0.0
    assert walked.hour(k.LOWEST_V)[0] == pytest.approx(11.8)
    assert walked.hour(k.MISSED_LIMIT_WH)[0] == pytest.approx(time_h * (1500.0 - 50.0 * 11.8))


def test_a_drained_available_well_lets_the_electronics_go_although_charge_is_left(make_bank, walk_bank):
    """Half the charge is left, but a quarter of it is available: the terminals rest at 12.25 V, below 12.3 V."""
    bank = make_bank("tank", curve=STRAIGHT, well_c=0.5, well_k_per_h=0.2, cutoff_v=12.3, reconnect_soc=0.1)
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C]] = 0.5, 0.125, 25.0
    walked = walk_bank(bank, 4, load_w=12.0, state=state)
    assert walked.hour(k.LOW_V_H)[0] == pytest.approx(1.0)
    # The wells level out: q1 tends to half of 0.5 by exp(-0.2 t), past 0.15 within two hours.
    well = 0.25 - 0.125 * math.exp(-0.2 * 2.0)
    assert well > 0.3 * 0.5
    assert walked.hour(k.DARK_H)[2:].tolist() == [0.0, 0.0]


# ---- what is told of it ----


def test_a_peak_that_trips_the_electronics_is_low_voltage_for_as_long_as_they_stay_off(make_bank, walk_bank):
    bank = make_bank("lfp", resistance_ohm=0.045, resistance_per_c=0.0, cutoff_v=10.4, standby_w=0.0)
    walked = walk_bank(bank, 2, load_w=50.0, peak_w=[900.0, 50.0], peak_h=[0.1, 0.0], start_soc=0.6)
    assert walked.hour(k.DARK_H) == pytest.approx([1.0, 0.0])
    assert walked.hour(k.LOW_V_H) == pytest.approx([1.0, 0.0])
    assert acts(walked, bank)["low_voltage"].hours == pytest.approx(1.0)
    assert acts(walked, bank)["low_charge"].times == 0


def test_a_bank_that_waits_for_charge_is_not_blamed_on_voltage(make_bank, walk_bank):
    """It went dark at its cut-off of 5 % and waits for 30 %; the load it would have to carry sags the bus below both cut-offs."""
    bank = make_bank("lfp", resistance_ohm=0.05, cutoff_v=10.4, reconnect_soc=0.3, standby_w=0.0)
    load = [60.0] * 3 + [800.0] * 3
    walked = walk_bank(bank, 6, load_w=load, ac_w=np.multiply(0.9, load), start_soc=0.06, lane=INVERTER)
    assert walked.hour(k.DARK_H)[1:] == pytest.approx(1.0)
    assert walked.total(k.LOW_V_H) == 0.0
    assert walked.total(k.INVERTER_OFF_H) == 0.0
    found = acts(walked, bank)
    assert found["low_charge"].hours == pytest.approx(walked.total(k.DARK_H))
    assert (found["low_voltage"].times, found["inverter_voltage"].times) == (0, 0)


def test_heat_that_the_engine_brings_keeps_the_cells_open_for_charge(make_bank, make_heater, walk_bank):
    """Cells at 0.5 C in a bay of -8 C, kept above 0 C by 40 W; the bank goes dark within the hour, 10 A of the engine go on.

    They feed the heater, so that the rest of them is charged and not refused; 3 A would not feed it, and the cells get too cold.
    """
    heater = make_heater(power_w=40.0, on_below_c=2.0, off_above_c=8.0, from_bank=True)
    bank = make_bank("lfp", heater=heater, standby_w=0.0, loss_w_per_c=4.0)
    enough, little = (
        walk_bank(bank, 1, load_w=300.0, drive_a=amperes, bay_c=-8.0, cell_c=0.5, start_soc=0.12) for amperes in (10.0, 3.0)
    )
    assert 0.0 < enough.total(k.DARK_H) < 1.0
    assert enough.cell_c()[-1] > 0.0
    assert enough.hour(k.HEATER_WH)[0] == pytest.approx(40.0)
    assert enough.total(k.REFUSED_CHARGER_WH) == 0.0
    assert enough.total(k.CHARGED_WH) > 30.0
    assert little.cell_c()[-1] < enough.cell_c()[-1]
    assert little.total(k.CHARGED_WH) == 0.0
    assert little.result.state[0, k.COLD] == 1.0


def test_chargers_set_above_the_electronics_are_told_without_any_sun(make_bank, walk_bank):
    bank = make_bank("agm", charge_max_v=13.8, well_c=1.0, taper_h=0.0, standby_w=0.0)
    walked = walk_bank(bank, 24, shore_a=10.0, start_soc=0.8)
    assert walked.total(k.REFUSED_HIGH_WH) == 0.0
    assert acts(walked, bank)["high_voltage"].wh == pytest.approx(walked.total(k.REFUSED_CHARGER_WH))
    assert walked.total(k.REFUSED_CHARGER_WH) > 500.0


# ---- the inverter ----


def test_nobody_misses_the_idle_draw_of_an_inverter(make_bank, walk_bank):
    """30 W of lights and 10 W of idle draw are essential; 100 W of luxury hang on the inverter, which takes that draw along."""
    load = np.array([[40.0], [40.0], [140.0]])
    walked = walk_bank(
        make_bank("lfp", resistance_ohm=0.02, standby_w=0.0),
        1,
        load_w=load,
        ac_w=[[0.0], [0.0], [110.0]],
        start_soc=0.5,
        lane={"inverter_off_v": 13.1, "inverter_on_v": 13.5},
    )
    assert walked.hour(k.INVERTER_OFF_H)[0] == pytest.approx(1.0)
    assert walked.hour(k.DARK_H)[0] == 0.0
    assert missed(walked) == pytest.approx([0.0, 0.0, 110.0])
    assert walked.hour(k.DISCHARGED_WH)[0] == pytest.approx(30.0)


def test_what_is_switched_off_at_this_moment_trips_no_inverter(make_bank, walk_bank):
    """At 30 % the oven is switched off by priority; the 100 W that stay would have kept the inverter on."""
    lane = {**INVERTER, "shed_soc": (-1.0, -1.0, 0.3), "restore_soc": (-1.0, -1.0, 0.5)}
    bank = make_bank("lfp", resistance_ohm=0.02, standby_w=0.0)
    load = np.array([[100.0], [100.0], [1500.0]])
    walked = walk_bank(bank, 1, load_w=load, ac_w=load, start_soc=0.3, lane=lane)
    assert walked.total(k.INVERTER_OFF_H) == 0.0
    assert missed(walked) == pytest.approx([0.0, 0.0, 1400.0])


def test_what_comes_back_at_this_moment_sags_the_bus(make_bank, walk_bank):
    """The oven comes back at 60 %: its 1500 W take the bus to 10.2 V, and the inverter goes off with it."""
    lane = {**INVERTER, "shed_soc": (-1.0, -1.0, 0.3), "restore_soc": (-1.0, -1.0, 0.6)}
    load = np.array([[100.0], [100.0], [1500.0]])
    bank = make_bank("lfp", resistance_ohm=0.02, standby_w=0.0)
    given = {"load_w": load, "ac_w": load, "start_soc": 0.61, "lane": lane}
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.SHED]] = 0.61, 0.61, 25.0, 1.0
    walked = walk_bank(bank, 1, **(given | {"state": state}))
    assert walked.hour(k.INVERTER_OFF_H)[0] == pytest.approx(1.0)


def sagging(make_bank, walk_bank, make_generator, hours=3, **given):
    """1500 W through an inverter that goes off below 11 V, beside a generator of 45 A that starts at 30 %."""
    given = {"load_w": 1500.0, "ac_w": 1400.0, "generator_allowed": 1.0, "start_soc": 0.5} | given
    return walk_bank(
        make_bank("lfp", unit_ah=800.0, resistance_ohm=0.02, discharge_limit_a=800.0, standby_w=0.0),
        hours,
        generator=make_generator(),
        lane={"inverter_off_v": 11.0, "inverter_on_v": 12.0, "loss_w_per_c": 50.0},
        **given,
    )


def test_a_generator_that_starts_at_this_moment_holds_the_inverter_up(make_bank, walk_bank, make_generator):
    """140 A would take 13.1 V to 10.3; with 45 A from the generator the bank gives 80 A and the bus holds 11.5 V."""
    walked = sagging(make_bank, walk_bank, make_generator, 1, start_soc=0.3)
    assert walked.hour(k.GENERATOR_H)[0] == pytest.approx(1.0)
    assert walked.total(k.INVERTER_OFF_H) == 0.0
    assert walked.total(k.DARK_H) == 0.0


def test_essential_ac_that_is_off_wants_the_generator(make_bank, walk_bank, make_generator):
    """At 50 % the generator has no reason of its own to start; the dead AC side is one."""
    walked = sagging(make_bank, walk_bank, make_generator)
    assert walked.hour(k.GENERATOR_H)[0] == pytest.approx(1.0)
    assert walked.total(k.DARK_H) == 0.0
    quiet = sagging(make_bank, walk_bank, make_generator, generator_allowed=0.0)
    assert quiet.total(k.DARK_H) == pytest.approx(3.0)


def test_luxury_that_is_off_or_a_full_bank_wants_no_generator(make_bank, walk_bank, make_generator):
    luxury = sagging(
        make_bank, walk_bank, make_generator, load_w=np.array([[60.0], [60.0], [1500.0]]), ac_w=np.array([[0.0], [0.0], [1400.0]])
    )
    assert luxury.total(k.INVERTER_OFF_H) == pytest.approx(3.0)
    assert luxury.total(k.GENERATOR_H) == 0.0
    full = sagging(make_bank, walk_bank, make_generator, start_soc=0.95)
    assert full.total(k.INVERTER_OFF_H) == pytest.approx(3.0)
    assert full.total(k.GENERATOR_H) == 0.0


# ---- heat ----


def test_a_heater_for_the_surplus_takes_nothing_from_a_load_that_the_hookup_holds(make_bank, make_heater, walk_bank):
    """A dark bank, 5 A of hookup at some 12.4 V: 50 W of load come first, the cells get the rest."""
    state = np.zeros((1, k.STATE_SIZE))
    state[0, [k.SOC, k.WELL, k.CELL_C, k.DARK, k.BACK_SOC, k.COLD, k.BY_FLOOR]] = 0.05, 0.05, -5.0, 1.0, 0.1, 1.0, 1.0
    bank = make_bank("lfp", heater=make_heater(power_w=50.0))
    walked = walk_bank(bank, 1, load_w=50.0, shore_a=5.0, bay_c=-5.0, state=state)
    assert walked.hour(k.MISSED_DARK_WH)[0] == pytest.approx(0.0, abs=1e-9)
    assert walked.hour(k.SHORE_WH)[0] == pytest.approx(50.0 + walked.hour(k.HEATER_WH)[0])
    assert 5.0 < walked.hour(k.HEATER_WH)[0] < 16.0


def test_a_cabin_does_not_cool_while_only_comfort_is_missed(make_bank, walk_bank):
    """Held at its floor without a latch, 30 W of sun carry 20 W of essential load; 40 W of comfort are missed."""
    bank = make_bank("tank", reconnect_soc=0.0)
    load = np.array([[20.0], [60.0], [60.0]])
    lane = {"cabin_tau_h": 4.0}
    walked = walk_bank(bank, 5, sun_w=30.0, load_w=load, bay_c=18.0, unheated_c=-10.0, start_soc=0.0, lane=lane)
    assert missed(walked) == pytest.approx([0.0, 150.0, 0.0])
    assert walked.hour(k.CHILL_END).max() == 0.0
    gone = walk_bank(bank, 5, sun_w=10.0, load_w=load, bay_c=18.0, unheated_c=-10.0, start_soc=0.0, lane=lane)
    assert gone.hour(k.CHILL_END)[-1] == pytest.approx(1.0 - math.exp(-5.0 / 4.0))


def test_a_running_generator_warms_the_cells_that_refuse_its_charge(make_bank, make_heater, make_generator, walk_bank):
    """A dark bank at -5 C, a heater for the surplus: beside 60 W of load the generator has some 500 W to spare."""
    bank = make_bank(
        "lfp", heater=make_heater(power_w=50.0, on_below_c=5.0, off_above_c=10.0), cutoff_soc=0.2, reconnect_soc=0.25
    )
    walked = walk_bank(
        bank, 12, load_w=60.0, bay_c=-5.0, cell_c=-5.0, start_soc=0.2, generator=make_generator(), generator_allowed=1.0
    )
    # From the hour after it started; 50 W against 1 W/K hold 45 K, and lift 3.5 Wh/K above 3 C within the first of them.
    assert walked.hour(k.HEATER_WH)[1] == pytest.approx(50.0)
    assert walked.hour(k.REFUSED_CHARGER_WH)[0] > 400.0
    assert walked.soc()[-1] > 0.5


# ---- whole scenarios ----

TRIP = """
title = "Trip"
[vehicle]
bus_v = 12
standing_draw_w = 0
heading_deg = 180
[bank]
unit_ah = 100
{bank}
[[appliance]]
name = "lamp"
power_w = {power_w}
duty_frac = 1.0
{more}
[[stop]]
name = "Camp"
latitude_deg = 64.1
longitude_deg = -149.95
arrive = 2026-{month}-01
depart = 2026-{month}-{depart}
{stop}
"""
COLD = "weather = { normals = { sun_kwh_m2_day = [0.2,0.8,2,4,5,5,5,4,2,1,0.4,0.1], temp_mean_c = [%s] } }"
ROOF = """
[[array]]
name = "roof"
panel = { p_w = 400 }
tilt_deg = 0
azimuth_deg = 180
controller = { kind = "mppt" }
"""


def trip(*, bank='chemistry = "lfp"', power_w=10, more="", month="01", depart="08", stop="weather = { clear = true }"):
    return parse_scenario(TRIP.format(bank=bank, power_w=power_w, more=more, month=month, depart=depart, stop=stop))


def test_an_inverter_that_waits_for_luxury_makes_no_flat_day():
    """At 11.5 V it lets an iron go: at -12 C 12 mOhm have become 37. All night it feeds nothing, and nobody misses it."""
    scenario = trip(
        bank='chemistry = "lfp"\nplace = "outside"\ndischarge_min_c = -60\nin_parallel = 2\nresistance_ohm = 0.024',
        power_w=5,
        more="[inverter]\nrated_w = 2000\nidle_w = 5\nalways_on = true\n"
        '[[appliance]]\nname = "iron"\nbus = "ac"\npower_w = 1500\nclock = ["07:00-07:30"]\npriority = "luxury"',
        stop=COLD % ", ".join(["-12"] * 12),
    )
    outcome = simulate(scenario)
    assert outcome.hours[:, k.INVERTER_OFF_H].sum() == pytest.approx(8 * 0.5)
    essential, _, luxury = outcome.priorities
    assert essential.missed_wh == 0.0
    assert luxury.missed_wh > 8 * 750.0
    assert outcome.flat_days == ()
    # The iron takes the idle draw along while it asks for it; at all other hours nothing would be missed.
    load_w = outcome.load.bus_w[0]
    seven = outcome.timeline.local_hour == 7.0
    assert (load_w[~seven][:, :, [REST_AC_W, PEAK_AC_W]] == 0.0).all()
    assert (load_w[seven][:, :2, PEAK_AC_W] == 0.0).all()
    assert load_w[seven][:, 2, PEAK_AC_W] == pytest.approx(load_w[seven][:, 2, PEAK_W] - 5.0)
    assert load_w[~seven][:, 0, REST_W] == pytest.approx(10.0)


@pytest.mark.parametrize("bus", ["ac", "dc"])
def test_a_bank_that_sags_in_the_cold_is_dark_for_the_cold(bus):
    """1500 W ask some 130 A of two units: 0.8 V in 6 mOhm at 25 C, 2.4 V and more at -12 C. A fuel cell keeps it charged."""
    inverter = "[inverter]\nrated_w = 2000\n" if bus == "ac" else ""
    outcome = simulate(
        trip(
            bank='chemistry = "lfp"\nplace = "outside"\ndischarge_min_c = -60\ncharge_min_c = -60\ncharge_resume_c = -60\n'
            "in_parallel = 2\ncutoff_v = 11.5",
            more=f'{inverter}[[appliance]]\nname = "kettle"\nbus = "{bus}"\npower_w = 1500\nclock = ["07:00-07:20"]\n'
            '[[source]]\nname = "fuel cell"\nwatts = 40',
            stop=COLD % ", ".join(["-14"] * 12),
        )
    )
    assert len(outcome.flat_days) >= 3
    assert outcome.hours[:, k.SOC_LOWEST].min() > 0.2
    assert {day.cause for day in outcome.flat_days} == {"cold"}
    assert outcome.flat_day_counts["lift cold"] == 0


def test_the_lanes_that_lift_one_thing_lift_no_other():
    scenario = trip(more=ROOF)
    clock = build_timeline(scenario)
    names, design = lanes(histories(scenario, clock, route_weather(scenario, clock)))
    allowed = {
        "load +20 %": {"load_scale"},
        "sun -15 %": {"sun_scale"},
        "no sun": {"sun_scale", "source_row", "generator_a"},
        "lift cold": {"charge_min_c", "charge_resume_c", "charge_cold_limit_a", "discharge_min_c"}
        | {"resistance_per_c", "curve_row"},
        "lift acceptance": {"taper_per_h", "charge_limit_a", "charge_cold_limit_a"},
        "mend a fifth less load": {"load_scale"},
        "mend twice the panels with their controllers": {"sun_scale"},
        "mend twice the bank": {
            "capacity_ah", "resistance_ohm", "charge_limit_a", "charge_cold_limit_a", "discharge_limit_a", "standby_w",
            "heat_capacity_wh_per_c", "loss_w_per_c",
        },
    }  # fmt: skip
    for name, fields in allowed.items():
        lane = names.index(name)
        changed = {field for field, values in design._asdict().items() if not np.array_equal(values[lane], values[0])}
        assert changed <= fields, name
        assert changed, name


def test_chargers_set_too_high_leave_the_harvest_ratio_alone():
    """The electronics end charging near full; what is left over then is left over, as with chargers set right."""
    right, high = (
        simulate(trip(bank=f'chemistry = "lfp"\nabsorb_v = {volts}', power_w=20, more=ROOF, month="07")) for volts in (14.6, 15.0)
    )
    assert high.ledger["spilled_high_voltage_wh"] > 5_000.0
    assert high.harvest_ratio_by_stop["1 Camp"] == pytest.approx(right.harvest_ratio_by_stop["1 Camp"], rel=0.02)


def test_amperes_that_the_cold_refuses_are_no_harvest():
    """At -12 C the hookup carries the lamp and can charge nothing: what it brings is what the lamp takes."""
    stop = COLD % ", ".join(["-12"] * 12) + "\nhookup = true"
    outcome = simulate(trip(bank='chemistry = "lfp"\nplace = "outside"', more="[shore]\ncharger_a = 20", stop=stop))
    assert (outcome.hours[:, k.LOCKED_H] == 1.0).all()
    assert outcome.ledger["charger_refused_wh"] > 100.0
    assert outcome.harvest_ratio_by_stop["1 Camp"] == pytest.approx(1.0, abs=0.02)


def test_a_row_that_is_not_there_is_refused(make_bank, walk_bank):
    """The compiled loop does not look: it would read whatever lies behind the array."""
    with pytest.raises(EngineFault, match="curve_row asks for row 1 where there are 1"):
        walk_bank(make_bank("lfp"), 2, lane={"curve_row": 1})
    with pytest.raises(EngineFault, match="load_row asks for row -1 where there are 1"):
        walk_bank(make_bank("lfp"), 2, lane={"load_row": -1})


def agm_outside(power_w, air_c):
    """A trip of two AGM units outside, in air of one temperature all year, with a source beside the sun."""
    return trip(
        bank='chemistry = "agm"\nplace = "outside"\nin_parallel = 2\nresistance_per_c = 0',
        power_w=power_w,
        more='[[source]]\nname = "fuel cell"\nwatts = 5\n',
        stop=COLD % ", ".join([str(air_c)] * 12),
    )


def test_what_a_cold_bank_holds_back_is_lifted_with_the_cold():
    """AGM at -20 C gives about half of its charge; its chargers work, so nothing else about it is cold."""
    outcome = simulate(agm_outside(14, -20))
    assert outcome.flat_day_counts["base"] > outcome.flat_day_counts["lift cold"]
    assert outcome.flat_days[0].cause == "cold"


def test_a_bank_in_a_warm_cabin_is_not_called_cold():
    """AGM at 18 C gives a few per cent less than at 25 C, but nobody would call it cold."""
    outcome = simulate(agm_outside(22, 18))
    first = outcome.flat_days[0]
    assert outcome.flat_day_counts["lift cold"] == outcome.flat_day_counts["base"]
    assert outcome.hours[:, k.CELL_END_C].min() > 10.0
    assert first.cause == "buffer"
