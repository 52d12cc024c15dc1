"""The odds over many drawn years beside the bare array calls of pvlib for the same route.

Ours draws the weather, works out the yield, draws the load and walks the bank, three lanes a year; pvlib's side is only what
any yield needs: sun position (once for all years), split, light on the plane, glass, cells, best point of the hours with light.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
import pvlib

from simulator import solar, timeline
from simulator.engine import histories
from simulator.route import drawn_years
from simulator.scenario import parse_scenario
from simulator.scenario.parts import Scenario
from simulator.studies.odds import BLOCK_ROWS, Odds, odds

HALF_AN_HOUR = pd.Timedelta(minutes=30)
PLACES = (
    ("Moor", 48.0, 8.0, 400, "2026-01-01", "2026-04-01"),
    ("Coast", 41.2, -8.6, 50, "2026-04-01", "2026-07-01"),
    ("Fell", 57.2, -2.2, 65, "2026-07-01", "2026-10-01"),
    ("Plain", 37.4, -5.9, 30, "2026-10-01", "2026-12-31"),
)
HEAD = """
title = "A year over four stops"
[bank]
chemistry = "lfp"
unit_ah = 100
in_parallel = 2
place = "inside"
[[array]]
panel = { p_w = 200 }
in_parallel = 2
tilt_deg = 20
azimuth_deg = 180
controller = { kind = "mppt" }
[[appliance]]
name = "fridge, light, computer"
wh_per_day = 900
[weather.normals]
kt = [0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]
temp_mean_c = [1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]
"""
STOP = """
[[stop]]
name = "{}"
latitude_deg = {}
longitude_deg = {}
elevation_m = {}
drive_h = 4
arrive = {}
depart = {}
"""


def route_of_a_year() -> Scenario:
    """Four stops, 365 days, weather from normals."""
    stops = [STOP.format(*place) for place in PLACES]
    return parse_scenario(HEAD + stops[0].replace("drive_h = 4\n", "") + "".join(stops[1:]))


def own_years(scenario: Scenario, years: int, threads: int | None = None) -> Callable[[], Odds]:
    """Drawing, yield, load and hour loop over so many years."""
    return lambda: odds(scenario, years, threads=threads)


def own_weather_and_yield(scenario: Scenario, years: int) -> Callable[[], None]:
    """The same without the walk: drawing, sun, loads and bay of so many years, in the blocks that the odds take."""
    clock = timeline.build_timeline(scenario)
    weather = drawn_years(scenario, clock, years, scenario.seed)

    def run() -> None:
        for first in range(0, years, BLOCK_ROWS):
            histories(scenario, clock, weather.block(first, min(BLOCK_ROWS, years - first)), questions=False)

    return run


def bare_years(scenario: Scenario, years: int) -> Callable[[], np.ndarray]:
    """The array calls of pvlib for so many years of the route: watts at the panels' best point (years, hours).

    The sun is looked up once, and the years are rows of the arrays, as far as the calls allow it.
    """
    clock = timeline.build_timeline(scenario)
    array = scenario.arrays[0]
    fit = solar.fit_panel(array.panel)
    weather = drawn_years(scenario, clock, years, scenario.seed).block(0, years)
    ghi, air, wind = (weather.table[name] for name in ("ghi", "temp_air", "wind_speed"))
    pressure = pvlib.atmosphere.alt2pres(weather.elevation_m)
    azimuth = solar.array_azimuth_deg(array, clock.heading_deg)
    model = pvlib.temperature.TEMPERATURE_MODEL_PARAMETERS["sapm"]["open_rack_glass_polymer"]
    middle = clock.utc + HALF_AN_HOUR
    day_of_year = np.asarray(middle.day_of_year, dtype=float)

    def run() -> np.ndarray:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            sun = pvlib.solarposition.ephemeris(middle, clock.latitude_deg, clock.longitude_deg, pressure=pressure)
            zenith, direction = sun["apparent_zenith"].to_numpy(), sun["azimuth"].to_numpy()
            beyond = pvlib.irradiance.get_extra_radiation(day_of_year)
            aoi = pvlib.irradiance.aoi(array.tilt_deg, azimuth, zenith, direction)
            glass = pvlib.iam.physical(aoi)
            watts = np.zeros(ghi.shape)
            # Row by row stays near the processor; all rows at once take longer.
            for year in range(years):
                split = pvlib.irradiance.erbs(ghi[year], zenith, day_of_year)
                plane = pvlib.irradiance.get_total_irradiance(
                    array.tilt_deg,
                    azimuth,
                    zenith,
                    direction,
                    split["dni"],
                    ghi[year],
                    split["dhi"],
                    dni_extra=beyond,
                    model="haydavies",
                )
                light = np.nan_to_num(plane["poa_direct"] * glass + plane["poa_diffuse"])
                cell = pvlib.temperature.sapm_cell(np.nan_to_num(plane["poa_global"]), air[year], wind[year], **model)
                lit = light > 0.0
                curves = pvlib.pvsystem.calcparams_cec(
                    light[lit],
                    cell[lit],
                    fit.alpha_a_per_c,
                    fit.diode_v,
                    fit.photocurrent_a,
                    fit.saturation_current_a,
                    fit.shunt_ohm,
                    fit.series_ohm,
                    fit.adjust_pct,
                )
                watts[year, lit] = pvlib.pvsystem.max_power_point(*curves, method="newton")["p_mp"]
        return watts

    return run


def same_result_in_blocks(scenario: Scenario, years: int) -> bool:
    """Whether the first half of the years is the same bit for bit when asked for alone."""
    whole, half = odds(scenario, years), odds(scenario, years // 2)
    return bool((whole.missed_wh[: years // 2] == half.missed_wh).all())
