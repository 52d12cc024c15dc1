"""What stands between an array and the sky: trees, hills, boxes on the roof; and how the array stands, hour by hour.

While the vehicle drives, the sky is open and nothing is put out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.scenario.deployed import is_put_out
from simulator.scenario.parts import Array, Scenario, Stop
from simulator.scenario.presets import load_preset
from simulator.solar.array import array_azimuth_deg, hourly_sun_w
from simulator.solar.sky import Sky, SkyLine, SunPosition
from simulator.timeline import Timeline, hourly_window_frac
from simulator.units import FULL_TURN_DEG

Floats = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]

VIEW_STEP_DEG = 1.0
"""Step of azimuth in the integral of the sky that a plane sees."""


class Trees(NamedTuple):
    """Share of the light that trees and the like let through, ``(hours,)`` each, 0..1."""

    beam_frac: Floats
    diffuse_frac: Floats


@dataclass(frozen=True)
class Stand:
    """How one array stands in every hour, and what it sees; ``(hours,)`` each."""

    tilt_deg: Floats
    azimuth_deg: Floats
    out_frac: Floats | None
    """Share of the hour in which it is out and connected; None: always."""
    skyline: SkyLine | None
    """What the horizon takes; None: the horizon is open."""


def horizon_elevation_deg(points: Points, azimuth_deg: Floats) -> Floats:
    """Elevation of a horizon in some directions.

    Parameters
    ----------
    points : (points, 2)
        Azimuth, rising, and elevation [deg]; linear between, all round; empty: 0 everywhere.
    azimuth_deg : (...)
        Clockwise from north [deg].

    Returns
    -------
    (...)
        Elevation [deg].
    """
    if not points:
        return np.zeros_like(np.asarray(azimuth_deg, float))
    azimuth, elevation = np.array(points, dtype=float).T
    return np.asarray(np.interp(azimuth_deg, azimuth, elevation, period=FULL_TURN_DEG), dtype=np.float64)


@lru_cache(maxsize=4096)
def sky_view_frac(points: Points, tilt_deg: float, azimuth_deg: float) -> float:
    """Share of an even sky's light on a plane that a horizon leaves, 0..1; exactly 1 under an open horizon.

    Parameters
    ----------
    points : (points, 2)
        See :func:`horizon_elevation_deg`.
    tilt_deg, azimuth_deg : float
        Of the plane [deg].

    Notes
    -----
    Over one direction, the light of an isotropic sky between the horizon h and the zenith is, with tilt b and the angle d
    from the plane's azimuth: cos b cos^2 h / 2 + sin b cos d (pi/2 - h - sin h cos h) / 2; the integral over all
    directions beside that of an open horizon, which is pi (1 + cos b) / 2 (B. Y. H. Liu, R. C. Jordan 1963, Solar Energy
    7(2), 53-74). On a level plane it is the mean of cos^2 h; J. Dozier, J. Frew (1990), IEEE Trans. Geosci. Remote
    Sensing 28(5), 963-969, doi:10.1109/36.58986.
    """
    direction_deg = np.arange(0.5 * VIEW_STEP_DEG, FULL_TURN_DEG, VIEW_STEP_DEG)
    tilt = np.radians(tilt_deg)
    facing = np.cos(np.radians(direction_deg - azimuth_deg))
    # Behind the plane its own back is the horizon.
    own = np.where(facing < 0.0, np.arctan2(-np.sin(tilt) * facing, np.cos(tilt)), 0.0)

    def seen(horizon: Floats) -> float:
        over = np.maximum(horizon, own)
        across = 0.5 * np.pi - over - np.sin(over) * np.cos(over)
        return float(np.sum(np.cos(tilt) * np.cos(over) ** 2 + np.sin(tilt) * facing * across))

    whole = seen(np.zeros_like(own))
    if whole <= 0.0:
        return 1.0
    return min(max(seen(np.radians(horizon_elevation_deg(points, direction_deg))) / whole, 0.0), 1.0)


def hourly_trees(scenario: Scenario, timeline: Timeline) -> Trees:
    """What the trees of each stop let through: its shade class, and hours in which they stand before the sun.

    In ``tree_hours`` the beam passes as in a wood (shade class ``wooded``), or less if the stop's own class says so; the
    diffuse light as the stop's class says. Both only while the vehicle stands.
    """
    stops = scenario.stops
    standing = 1.0 - timeline.driving_frac
    beam_frac = 1.0 - standing * (1.0 - _by_stop(timeline, [stop.beam_frac for stop in stops]))
    diffuse_frac = 1.0 - standing * (1.0 - _by_stop(timeline, [stop.diffuse_frac for stop in stops]))
    for place, stop in enumerate(stops):
        if stop.tree_hours:
            wooded = min(stop.beam_frac, load_preset("converters").number("shade", "wooded", "beam_frac"))
            here = timeline.stop == place
            inside = hourly_window_frac(timeline.local_hour[here], stop.tree_hours)
            passing = inside * wooded + (1.0 - inside) * stop.beam_frac
            beam_frac[here] = 1.0 - standing[here] * (1.0 - passing)
    return Trees(beam_frac, diffuse_frac)


def hourly_stand(array: Array, scenario: Scenario, timeline: Timeline, sun: SunPosition) -> Stand:
    """Lay out how one array stands in every hour.

    Parameters
    ----------
    array : Array
    scenario : Scenario
        For the tilts, horizons and lengths of the stops.
    timeline : Timeline
        Of the same scenario.
    sun : SunPosition (hours,)

    Returns
    -------
    Stand
    """
    azimuth_deg = _azimuth_deg(array, timeline)
    if array.fixed or array.deployed is not None:
        tilt_deg = np.full(timeline.hours, array.tilt_deg)
    else:
        stop_tilt = _by_stop(timeline, [np.nan if stop.tilt_deg is None else stop.tilt_deg for stop in scenario.stops])
        stop_tilt = np.where(timeline.driving_frac > 0.0, np.nan, stop_tilt)
        tilt_deg = np.where(np.isnan(stop_tilt), array.tilt_deg, stop_tilt)
    return Stand(
        tilt_deg=tilt_deg,
        azimuth_deg=azimuth_deg,
        out_frac=_out_frac(array, scenario, timeline),
        skyline=_skyline(scenario, timeline, sun, tilt_deg, azimuth_deg),
    )


def hourly_stand_w(array: Array, stand: Stand, sky: Sky, trees: Trees, bus_v: tuple[float, float], shade: bool = True) -> Floats:
    """What an array offers the bus as it stands, ``(..., hours, 3)``: see :func:`simulator.solar.hourly_sun_w`.

    Without ``shade`` trees, hills and roof objects are away; what is put in the cupboard stays there.
    """
    if not shade:
        open_sky = np.ones_like(trees.beam_frac)
        array, trees = replace(array, roof_shade_frac=0.0), Trees(open_sky, open_sky)
    watts = hourly_sun_w(array, sky, stand.tilt_deg, stand.azimuth_deg, *trees, bus_v, skyline=stand.skyline if shade else None)
    return watts if stand.out_frac is None else watts * stand.out_frac[:, None]


def is_shaded(arrays: Sequence[Array], stands: Sequence[Stand], trees: Trees) -> bool:
    """Whether anything but snow stands before an array at any time."""
    return bool(
        arrays
        and (
            (trees.beam_frac < 1.0).any()
            or (trees.diffuse_frac < 1.0).any()
            or any(stand.skyline is not None for stand in stands)
            or any(array.roof_shade_frac > 0.0 for array in arrays)
        )
    )


def _by_stop(timeline: Timeline, values: list[float]) -> Floats:
    """(hours,): the value of the stop each hour belongs to."""
    return np.array(values, dtype=np.float64)[timeline.stop]


def _azimuth_deg(array: Array, timeline: Timeline) -> Floats:
    """By compass or nose; or where the sun stands at noon: in the south where it passes south of overhead, else in the north."""
    if array.deployed is None or not array.deployed.to_noon_sun:
        return array_azimuth_deg(array, timeline.heading_deg)
    # P. I. Cooper (1969), Solar Energy 12(3), 333-346: declination of the sun, good to a degree; only its sign beside the
    # latitude matters here.
    day = timeline.utc.day_of_year.to_numpy()
    declination_deg = 23.45 * np.sin(2.0 * np.pi * (284.0 + day) / 365.0)
    return np.where(timeline.latitude_deg >= declination_deg, 180.0, 0.0)


def _out_frac(array: Array, scenario: Scenario, timeline: Timeline) -> Floats | None:
    """Share of the hour in which it is out and connected; None: always."""
    dead = np.array([stop.storage == "disconnected" for stop in scenario.stops])
    if array.deployed is None and not dead.any():
        return None
    out = np.ones(timeline.hours)
    if array.deployed is not None:
        placed = np.array([is_put_out(array.deployed, stop) for stop in scenario.stops])
        out = placed[timeline.stop] * timeline.staying * (1.0 - timeline.driving_frac)
    out[dead[timeline.stop] & timeline.stored] = 0.0
    return out


def _skyline(scenario: Scenario, timeline: Timeline, sun: SunPosition, tilt_deg: Floats, azimuth_deg: Floats) -> SkyLine | None:
    """What the horizons of the stops take from this plane; None: all are open."""
    if not any(stop.horizon for stop in scenario.stops):
        return None
    beam_frac = np.ones(timeline.hours)
    view_frac = np.ones(timeline.hours)
    level_frac = np.ones(timeline.hours)
    standing = 1.0 - timeline.driving_frac
    for place, stop in enumerate(scenario.stops):
        # A night on the way, or half an hour of the road, is not behind the hills of the stop.
        here = np.flatnonzero((timeline.stop == place) & timeline.staying)
        if not stop.horizon or not here.size:
            continue
        stands = standing[here]
        beam_frac[here] = 1.0 - stands * (1.0 - _beam_above(stop, sun, here))
        planes, which = np.unique(np.stack([tilt_deg[here], azimuth_deg[here]]), axis=1, return_inverse=True)
        views = np.array([sky_view_frac(stop.horizon, float(tilt), float(azimuth)) for tilt, azimuth in planes.T])
        view_frac[here] = 1.0 - stands * (1.0 - views[which])
        level_frac[here] = 1.0 - stands * (1.0 - sky_view_frac(stop.horizon, 0.0, 0.0))
    return SkyLine(beam_frac, view_frac, level_frac)


def _beam_above(stop: Stop, sun: SunPosition, here: NDArray[np.intp]) -> Floats:
    """Share of each hour's direct light that comes over the horizon of a stop, ``(here,)``.

    Of the time in which the sun is up, the part in which it stands above the horizon, its path through the hour taken as
    straight.
    """
    elevation = sun.elevation_deg[here]
    clearance = elevation - horizon_elevation_deg(stop.horizon, sun.azimuth_deg[here])
    up, clear = (_time_above(height) for height in (elevation, clearance))
    return np.where(up > 0.0, np.minimum(clear / np.where(up > 0.0, up, 1.0), 1.0), 1.0)


def _time_above(height_deg: Floats) -> Floats:
    """Share of the hour spent above zero, from the heights in the middle of the hours."""
    slope = np.abs(np.gradient(height_deg)) if height_deg.size > 1 else np.zeros_like(height_deg)
    return np.clip(0.5 + height_deg / np.maximum(slope, 1e-9), 0.0, 1.0)
