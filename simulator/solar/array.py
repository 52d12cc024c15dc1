"""An array on a vehicle: light to cells to controller to bus.

Order of the losses: trees, horizon, roof objects, reflection at the glass, dirt, heat, the curve of the panel, mismatch and
age, wiring, controller. All but the curve and the glass are plain shares from the scenario.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np
import pvlib
from numpy.typing import ArrayLike, NDArray

from simulator.scenario.parts import Array
from simulator.solar.panel import STC_CELL_C, STC_LIGHT_W_M2, TOLERATED_MISS_FRAC, best_point, fit_panel, panel_current_a
from simulator.solar.sky import PlaneLight, Sky, SkyLine, hourly_plane_light
from simulator.units import FULL_TURN_DEG

Floats = NDArray[np.float64]

RUNNING_HEADROOM_V = 1.0
"""Once started, an MPPT controller runs on down to this far above the bus; common practice, no source."""

DIFFUSE_STEPS = 60
"""Steps of Marion's integral, 3 deg each: a ninth of the time of 1 deg, and within 0.0004 of it from 30 deg of tilt on
(the ground's share on flatter planes is off by up to 0.005, of next to no light)."""

CONTRADICTORY_WATTS_FRAC = 0.05
"""Nameplate watts and v_mp x i_mp further apart than this deserve a word; sheets round within 2 %."""


@dataclass(frozen=True)
class Mount:
    """How hot cells run on one kind of mount: T_module = E exp(a + b v) + T_air, plus deltat_c at 1000 W/m2."""

    a: float
    b: float
    deltat_c: float


@lru_cache(maxsize=1)
def read_mounts() -> dict[str, Mount]:
    """Read the mounts that come with flatdays, by their key (``bonded``, ``gap``, ``open``); sources stand in the file."""
    text = (files("simulator") / "presets" / "mounts.toml").read_text(encoding="utf-8")
    names = ("a", "b", "deltat_c")
    return {key: Mount(*(float(entry[name]["value"]) for name in names)) for key, entry in tomllib.loads(text).items()}


def array_azimuth_deg(array: Array, heading_deg: ArrayLike) -> Floats:
    """Turn an array's direction into the compass's.

    Parameters
    ----------
    array : Array
        With an absolute azimuth, or with a bearing clockwise from the vehicle's nose.
    heading_deg : array_like (hours,)
        Where the nose points, clockwise from north [deg].

    Returns
    -------
    array (hours,)
        Azimuth [deg], 0..360.
    """
    heading = np.asarray(heading_deg, float)
    if array.azimuth_deg is not None:
        return np.full_like(heading, array.azimuth_deg % FULL_TURN_DEG)
    return np.asarray((heading + (array.bearing_deg or 0.0)) % FULL_TURN_DEG)


def cold_open_circuit_v(array: Array, min_cell_c: float) -> float:
    """Find the highest voltage that the array can put on its controller's input [V].

    Parameters
    ----------
    array : Array
    min_cell_c : float
        Coldest cell in daylight: the lowest air temperature [deg C].

    Notes
    -----
    Straight from the sheet's own coefficient, as a person would check it, at full sun.
    """
    panel = array.panel
    return array.in_series * panel.v_oc * (1.0 + panel.beta_pct_per_c / 100.0 * (min_cell_c - STC_CELL_C))


def panel_notes(array: Array) -> tuple[str, ...]:
    """Say in sentences what is wrong with an array's data sheet; empty if a single-diode curve meets it."""
    panel = array.panel
    where = f'array {array.number} "{array.name}"' + (f" (line {array.line})" if array.line is not None else "")
    notes = []
    product_w = panel.v_mp * panel.i_mp
    if abs(product_w - panel.p_w) > CONTRADICTORY_WATTS_FRAC * panel.p_w:
        notes.append(
            f"{where}: the panel's data sheet contradicts itself: p_w is {panel.p_w:g} W, but v_mp x i_mp is "
            f"{product_w:.4g} W, and that is what was used. Check p_w, v_mp and i_mp."
        )
    miss = fit_panel(panel).worst_miss_frac
    if miss > TOLERATED_MISS_FRAC:
        notes.append(
            f"{where}: no solar cell behaves as the panel's data sheet says: the nearest curve misses it by "
            f"{100.0 * miss:.0f} % and was used. Check v_mp, i_mp, v_oc, i_sc, cells and the temperature coefficients."
        )
    return tuple(notes)


def hourly_cell_c(mount: str, light_w_m2: Floats, temp_air: Floats, wind_speed: Floats) -> Floats:
    """Find the cell temperature by mount.

    Parameters
    ----------
    mount : str
        Key of presets/mounts.toml.
    light_w_m2 : array (..., hours)
        All light that falls on the module [W/m2].
    temp_air, wind_speed : array (..., hours)
        Air temperature [deg C] and wind at 10 m [m/s].

    Returns
    -------
    array (..., hours)
        Cell temperature [deg C].

    Notes
    -----
    D. L. King, W. E. Boyson, J. A. Kratochvil (2004), SAND2004-3535, doi:10.2172/919131; steady state, no thermal mass.
    """
    values = read_mounts()[mount]
    found = pvlib.temperature.sapm_cell(
        light_w_m2, temp_air, wind_speed, values.a, values.b, values.deltat_c, irrad_ref=STC_LIGHT_W_M2
    )
    return np.asarray(found, float)


def hourly_sun_w(
    array: Array,
    sky: Sky,
    tilt_deg: ArrayLike,
    azimuth_deg: ArrayLike,
    beam_frac: ArrayLike,
    diffuse_frac: ArrayLike,
    bus_v: tuple[float, float],
    skyline: SkyLine | None = None,
) -> Floats:
    """Find what an array offers the bus.

    Parameters
    ----------
    array : Array
    sky : Sky
        Geometry (hours,), weather (hours,) or (rows, hours).
    tilt_deg, azimuth_deg : array_like, scalar or (hours,)
        Of the array; azimuth clockwise from north, see `array_azimuth_deg` [deg].
    beam_frac, diffuse_frac : array_like, scalar or (hours,)
        Share of the light that passes trees, 0..1; roof objects take the array's own share off both.
    bus_v : (float, float)
        A low and a high voltage of the bus [V].
    skyline : SkyLine (hours,), optional
        What the horizon around takes.

    Returns
    -------
    array (..., hours, 3)
        Watts at the bus terminals of the controller: at the low bus voltage, at the high one, and what an MPPT
        controller without limits, of the same efficiency, would give. Never negative; the third is never the least.

    Notes
    -----
    Reflection: Fresnel and Bougouer through 2 mm of plain glass for the beam (De Soto et al. 2006,
    doi:10.1016/j.solener.2005.06.010), integrated over sky and ground for the diffuse light (B. Marion 2017, Solar
    Energy 147, 344-348, doi:10.1016/j.solener.2017.03.027). Wiring takes its share of the power: a PWM controller's
    panels sit that share above the bus. An MPPT controller cannot raise voltage: it needs ``headroom_v`` above the bus
    to start, 1 V to go on, and where heat pulls the best point below that it holds the panels there.
    """
    shape = np.broadcast_shapes(sky.zenith_deg.shape, *(np.shape(value) for value in (sky.ghi, sky.dni, sky.dhi)))
    hours = shape[-1]
    watts = np.zeros((*np.broadcast_shapes(shape, np.shape(sky.temp_air), np.shape(sky.wind_speed)), 3))
    shining = (np.asarray(sky.ghi) > 0.0) | (np.asarray(sky.dhi) > 0.0) | (np.asarray(sky.dni) > 0.0)
    lit = np.flatnonzero(np.broadcast_to(shining, shape).reshape(-1, hours).any(axis=0))
    if lit.size == 0:
        return watts

    def pick(values: ArrayLike) -> Floats:
        """Keep the hours in which anything shines; scalars become (hours,)."""
        found = np.asarray(values, float)
        return np.broadcast_to(found, (*found.shape[:-1], hours))[..., lit]

    sky = Sky(**{name: pick(values) for name, values in vars(sky).items()})
    tilt = pick(tilt_deg)
    if skyline is not None:
        skyline = SkyLine(**{name: pick(values) for name, values in vars(skyline).items()})
    beam, diffuse = pick(beam_frac), pick(diffuse_frac)
    if array.roof_shade_frac > 0.0:
        beam, diffuse = beam * (1.0 - array.roof_shade_frac), diffuse * (1.0 - array.roof_shade_frac)
    plane = hourly_plane_light(sky, tilt, pick(azimuth_deg), beam, diffuse, skyline=skyline)
    light = _light_on_cells(plane, tilt) * (1.0 - array.soiling_frac)
    cell_c = hourly_cell_c(array.mount, plane.total_w_m2, sky.temp_air, sky.wind_speed)
    light, cell_c = np.broadcast_arrays(light, cell_c)
    new_day = np.diff(lit, prepend=-2) > 1
    watts[..., lit, :] = _controller_w(array, light, cell_c, new_day, bus_v)
    return watts


def _light_on_cells(plane: PlaneLight, tilt_deg: Floats) -> Floats:
    """Take off what the glass throws back [W/m2]; (..., hours)."""
    tilts, which = np.unique(tilt_deg, return_inverse=True)
    sky_frac, ground_frac = np.array([_diffuse_through_glass(float(tilt)) for tilt in tilts]).T
    beam = plane.beam_w_m2 * pvlib.iam.physical(plane.aoi_deg)
    return np.asarray(beam + plane.sky_w_m2 * sky_frac[which] + plane.ground_w_m2 * ground_frac[which])


@lru_cache(maxsize=1024)
def _diffuse_through_glass(tilt_deg: float) -> tuple[float, float]:
    """Share of the sky's and of the ground's diffuse light that passes the glass, beside light that meets it square."""
    through = (
        pvlib.iam.marion_integrate(pvlib.iam.physical, tilt_deg, region, num=DIFFUSE_STEPS) for region in ("sky", "ground")
    )
    sky, ground = (float(value) for value in through)
    return sky, ground


def _controller_w(
    array: Array, light_w_m2: Floats, cell_c: Floats, new_day: NDArray[np.bool_], bus_v: tuple[float, float]
) -> Floats:
    """Carry cells to the bus: (..., hours, 3) as `hourly_sun_w` promises."""
    controller = array.controller
    kept = (1.0 - array.mismatch_frac) * max(0.0, 1.0 - array.ageing_frac_per_year * array.age_years)
    kept *= (
        (1.0 - array.wiring_frac) * controller.efficiency_frac * controller.tracking_frac * array.in_series * array.in_parallel
    )
    point = best_point(array.panel, light_w_m2, cell_c)
    best_w = point.power_w * kept
    faces = []
    for volts in bus_v:
        if controller.kind == "pwm":
            panel_v = _panel_v(array, volts)
            offered = panel_v * panel_current_a(array.panel, panel_v, light_w_m2, cell_c) * kept
        else:
            offered = best_w.copy()
            start_v = _panel_v(array, volts + controller.headroom_v)
            going_v = _panel_v(array, volts + min(RUNNING_HEADROOM_V, controller.headroom_v))
            held = point.voltage_v < going_v
            if held.any():
                offered[held] = going_v * panel_current_a(array.panel, going_v, light_w_m2[held], cell_c[held]) * kept
            offered *= _runs(point.open_circuit_v >= start_v, point.open_circuit_v >= going_v, new_day)
        if controller.max_charge_a is not None:
            offered = np.minimum(offered, controller.max_charge_a * volts)
        faces.append(offered)
    # The exact current of a PWM panel may pass the tabulated best power by a hair.
    return np.stack([*faces, np.maximum(best_w, np.maximum(*faces))], axis=-1)


def _panel_v(array: Array, controller_v: float) -> float:
    """Voltage of one panel when the controller's input is at this voltage: the wiring's share lies between [V]."""
    return controller_v / (1.0 - array.wiring_frac) / array.in_series


def _runs(starts: NDArray[np.bool_], goes_on: NDArray[np.bool_], new_day: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Latch: on from an hour that starts it until one in which it cannot go on; off again every night; (..., hours)."""
    if starts.all():
        return starts
    order = np.arange(starts.shape[-1])
    last_start = np.maximum.accumulate(np.where(starts, order, -1), axis=-1)
    # An hour that cannot go on ends the run with itself; a new day ends it just before its first hour.
    last_stop = np.maximum.accumulate(np.where(goes_on, np.where(new_day, order - 1, -1), order), axis=-1)
    return last_start > last_stop
