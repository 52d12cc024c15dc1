"""The yield of one site-year: the project's array chain beside pvlib's ModelChain on the same panel, mount and weather."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
from cases import ARRAY

from simulator import solar
from simulator.solar.panel import BAND_GAP_EV, BAND_GAP_FRAC_PER_K

SITE_FILE = "723170TYA.CSV"
"""Greensboro, TMY3, as pvlib ships it."""
YEAR = 2025
COLUMNS = ("ghi", "dni", "dhi", "temp_air", "wind_speed")
BUS_V = (12.0, 14.4)
HALF_AN_HOUR = pd.Timedelta(minutes=30)


def read_site() -> tuple[pd.DataFrame, dict[str, float]]:
    """One site-year, UTC, labelled with the start of the hour; latitude, longitude and altitude beside it."""
    table, place = pvlib.iotools.read_tmy3(Path(pvlib.__file__).parent / "data" / SITE_FILE, coerce_year=YEAR, map_variables=True)
    table = table[list(COLUMNS)].astype(float).tz_convert("UTC")
    # The file labels hours with their end; its last row lands on the first hour of the next year.
    table.index = pd.date_range(table.index[0] - pd.Timedelta(hours=1), periods=len(table), freq="h")
    return table, {name: float(place[name]) for name in ("latitude", "longitude", "altitude")}


def own_chain(table: pd.DataFrame, place: dict[str, float], years: int = 1) -> Callable[[], np.ndarray]:
    """Sun position, light on the plane, cells and controller for ``years`` rows of weather on one geometry; (rows, hours, 3)."""
    rows = 1.0 - 0.01 * np.arange(years)[:, None]
    weather = {name: table[name].to_numpy() * (rows if years > 1 else 1.0) for name in COLUMNS}
    index = pd.DatetimeIndex(table.index)

    def run() -> np.ndarray:
        sun = solar.hourly_sun_position(index, place["latitude"], place["longitude"], place["altitude"])
        sky = solar.hourly_sky(index, sun, weather)
        return solar.hourly_sun_w(ARRAY, sky, ARRAY.tilt_deg, ARRAY.azimuth_deg or 0.0, 1.0, 1.0, BUS_V)

    return run


def _no_inverter(chain: pvlib.modelchain.ModelChain) -> pvlib.modelchain.ModelChain:
    """Leave the watts as the panels give them: a vehicle charges its bank with direct current."""
    chain.results.ac = chain.results.dc["p_mp"]
    return chain


def model_chain(table: pd.DataFrame, place: dict[str, float], sun_method: str = "nrel_numpy") -> Callable[[], np.ndarray]:
    """pvlib's ModelChain with the same fitted panel, mount, glass and sky model; direct-current watts (hours,)."""
    fit = solar.fit_panel(ARRAY.panel)
    mount = solar.read_mounts()[ARRAY.mount]
    module = {
        "alpha_sc": fit.alpha_a_per_c,
        "a_ref": fit.diode_v,
        "I_L_ref": fit.photocurrent_a,
        "I_o_ref": fit.saturation_current_a,
        "R_sh_ref": fit.shunt_ohm,
        "R_s": fit.series_ohm,
        "Adjust": fit.adjust_pct,
        "EgRef": BAND_GAP_EV,
        "dEgdT": BAND_GAP_FRAC_PER_K,
    }
    system = pvlib.pvsystem.PVSystem(
        arrays=[
            pvlib.pvsystem.Array(
                pvlib.pvsystem.FixedMount(ARRAY.tilt_deg, ARRAY.azimuth_deg),
                albedo=solar.sky.GROUND_ALBEDO_FRAC,
                module_parameters=module,
                temperature_model_parameters={"a": mount.a, "b": mount.b, "deltaT": mount.deltat_c},
                modules_per_string=ARRAY.in_series,
                strings=ARRAY.in_parallel,
            )
        ],
        inverter_parameters={
            "pdc0": ARRAY.panel.p_w * ARRAY.in_series * ARRAY.in_parallel,
            "eta_inv_nom": ARRAY.controller.efficiency_frac,
        },
    )
    location = pvlib.location.Location(place["latitude"], place["longitude"], tz="UTC", altitude=place["altitude"])
    chain = pvlib.modelchain.ModelChain(
        system,
        location,
        solar_position_method=sun_method,
        transposition_model="haydavies",
        aoi_model="physical",
        spectral_model="no_loss",
        temperature_model="sapm",
        dc_model="cec",
        ac_model=_no_inverter,
        losses_model="no_loss",
    )
    middle = table.set_axis(table.index + HALF_AN_HOUR)

    def run() -> np.ndarray:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            chain.run_model(middle)
        return np.asarray(chain.results.dc["p_mp"].fillna(0.0))

    return run


def energy_ratio(own: np.ndarray, other_w: np.ndarray) -> float:
    """The project's yearly energy before its plain losses, over ModelChain's at the panels."""
    kept = (
        (1.0 - ARRAY.mismatch_frac)
        * (1.0 - ARRAY.wiring_frac)
        * ARRAY.controller.efficiency_frac
        * ARRAY.controller.tracking_frac
    )
    return float(own[..., 2].sum() / kept / other_w.sum())


def table_error_frac(table: pd.DataFrame, place: dict[str, float]) -> float:
    """Relative miss of the year's energy by the table of best points, against Newton on every hour's own curve."""
    index = pd.DatetimeIndex(table.index)
    sun = solar.hourly_sun_position(index, place["latitude"], place["longitude"], place["altitude"])
    sky = solar.hourly_sky(index, sun, {name: table[name].to_numpy() for name in COLUMNS})
    light = solar.hourly_plane_light(sky, ARRAY.tilt_deg, ARRAY.azimuth_deg or 0.0).total_w_m2
    cell_c = solar.hourly_cell_c(ARRAY.mount, light, sky.temp_air, sky.wind_speed)
    lit = light > 0.0
    curves = solar.panel._curves_at(solar.fit_panel(ARRAY.panel), light[lit], cell_c[lit])
    exact_w = pvlib.pvsystem.max_power_point(*curves, method="newton")["p_mp"]
    return float(solar.best_point(ARRAY.panel, light, cell_c).power_w.sum() / np.sum(exact_w) - 1.0)


def forget_panel() -> None:
    """Make the next call fit the panel and fill its table again, as the first call of a process does."""
    solar.panel.fit_panel.cache_clear()
    solar.panel._best_point_table.cache_clear()
    solar.array._diffuse_through_glass.cache_clear()
