"""A trip of 192 days with everything on: what the histories of many weather years cost beside the walk of their lanes.

Two arrays (one put out at longer stays, one flat under a roof box), a skyline, trees by the hour, an inverter, a converter,
cables, appliances that follow the weather, a heater, generator, hookup, engine and another source, switch-off levels. Invented.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simulator import battery, timeline
from simulator.engine import histories, pack
from simulator.route import drawn_years
from simulator.route.parts import RouteWeather
from simulator.scenario import parse_scenario
from simulator.scenario.parts import Scenario
from simulator.studies.odds import SUN_SCALES, odds

FULL_ROUTE = """
title = "Half a year with everything on"
[vehicle]
bus_v = 24
cabin = { heated = true, awake_c = 19, asleep_c = 12 }
standing_draw_w = 3
[bank]
chemistry = "lfp"
unit_v = 25.6
unit_ah = 100
in_parallel = 2
at_floor = "off"
place = "outside"
heater = { power_w = 60, on_below_c = 3, off_above_c = 8, from = "bank" }
[[array]]
name = "roof"
panel = { p_w = 180 }
in_series = 2
in_parallel = 2
tilt_deg = 0
bearing_deg = 0
mount = "gap"
roof_shade_frac = 0.05
controller = { kind = "mppt", max_charge_a = 30 }
[[array]]
name = "folded"
panel = { p_w = 100 }
in_series = 2
tilt_deg = 35
azimuth_deg = 180
mount = "open"
fixed = false
deployed_from_days = 3
controller = { kind = "mppt" }
[inverter]
rated_w = 1500
always_on = false
cutoff_v = 22
restart_v = 25
[converter]
efficiency_frac = 0.9
idle_w = 2
[alternator]
charger_a = 20
[shore]
charger_a = 20
[generator]
rated_w = 1500
charger_a = 30
start_soc = 0.25
stop_soc = 0.7
[[source]]
name = "small wheel"
kind = "hydro"
watts = 12
[switch_off]
comfort_soc = 0.2
luxury_soc = 0.35
[[cable]]
name = "to the pump"
appliance = "water pump"
length_m = 6
mm2 = 2.5
[[appliance]]
name = "fridge"
kind = "fridge"
follows = "fridge"
wh_per_day = 500
[[appliance]]
name = "heating fan"
kind = "heater_fan"
follows = "heating"
[[appliance]]
name = "oven"
bus = "ac"
power_w = 900
uses = { per_day = 1, minutes = 10 }
priority = "luxury"
[[appliance]]
name = "computer"
bus = "ac"
power_w = 60
hours_per_day = 5
priority = "comfort"
[[appliance]]
name = "lights"
kind = "lights"
power_w = 6
quantity = 3
hours_per_day = 4
volts = 12
[[appliance]]
name = "water pump"
power_w = 60
uses = { per_day = 8, minutes = 3 }
[weather.normals]
kt = [0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]
temp_mean_c = [-2, -1, 2, 6, 11, 15, 18, 17, 13, 8, 3, -1]
"""
STOPS = (
    ('name = "Moor"', 48.0, 8.0, 400, "2026-01-15", "2026-03-01", "horizon = [[90, 8], [180, 3], [270, 12]]"),
    ('name = "Coast"', 46.2, -1.2, 5, "2026-03-01", "2026-04-20", 'tree_hours = ["15:00-18:00"]\nhookup = "every 7th night"'),
    ('name = "Fell"', 45.2, 3.2, 900, "2026-04-20", "2026-06-10", 'shade = "few trees"\nsnow = "stays"'),
    ('name = "Plain"', 44.4, 0.5, 60, "2026-06-10", "2026-07-26", 'shade = "half"'),
)
YEARS = 24


def full_route() -> Scenario:
    """The trip, read."""
    stops = [
        f"[[stop]]\n{name}\nlatitude_deg = {north}\nlongitude_deg = {east}\nelevation_m = {height}\n"
        f"{'drive_h = 4' if number else ''}\narrive = {arrive}\ndepart = {depart}\n{more}\n"
        for number, (name, north, east, height, arrive, depart, more) in enumerate(STOPS)
    ]
    return parse_scenario(FULL_ROUTE + "".join(stops))


def whole_and_parts(scenario: Scenario) -> dict[str, Callable[[], object]]:
    """The odds over YEARS years, and its three parts alone: weather, histories, walk (one thread each)."""
    clock = timeline.build_timeline(scenario)
    years = drawn_years(scenario, clock, YEARS, scenario.seed)
    found: RouteWeather = years.block(0, YEARS)
    setting = histories(scenario, clock, found, questions=False)
    base = pack(scenario)
    load_rows = len(setting.inputs.load_w)
    design = battery.stack_lanes(
        [
            base | {"sun_row": year, "bay_row": year, "load_row": year % load_rows, "sun_scale": scale}
            for scale in SUN_SCALES
            for year in range(YEARS)
        ]
    )
    curve, capacity = battery.pack_curve(scenario.bank)
    start = battery.start_state(design, scenario.bank.start_soc, setting.inputs.bay_c[design.bay_row, 0, 0])
    return {
        "odds": lambda: odds(scenario, YEARS, threads=1),
        "weather": lambda: years.block(0, YEARS),
        "histories": lambda: histories(scenario, clock, found, questions=False),
        "walk": lambda: battery.walk(design, setting.inputs, curve[None], capacity[None], start, threads=1),
    }


def hours_of_trip(scenario: Scenario) -> int:
    """Hours of the timeline."""
    return int(timeline.build_timeline(scenario).hours)


def same_on_any_number_of_threads(scenario: Scenario, years: int) -> bool:
    """Whether the odds are the same bits on one thread and on two."""
    one, two = (odds(scenario, years, threads=threads) for threads in (1, 2))
    return bool(np.array_equal(one.flat, two.flat) and np.array_equal(one.missed_wh, two.missed_wh))
