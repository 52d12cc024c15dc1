"""Where the sun stands, and the light that falls on a tilted plane.

Geometry has shape (hours,); weather may have rows before it, (rows, hours), and everything broadcasts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import pvlib
from numpy.typing import ArrayLike, NDArray

from simulator.quiet import without_warning

Floats = NDArray[np.float64]

GROUND_ALBEDO_FRAC = 0.2
"""Grass and bare ground; the customary value (Liu & Jordan 1963, Solar Energy 7(2); Duffie & Beckman section 2.15)."""

MIDDLE_OF_THE_HOUR = pd.Timedelta(minutes=30)
"""Labels are the start of the hour and values its mean, so that the sun is looked up half an hour later."""

LOWEST_COS_ZENITH = 0.01745
"""Keeps the ratio of tilted to horizontal beam finite at sunrise: cos 89 deg, the bound that pvlib uses."""


@dataclass(frozen=True)
class SunPosition:
    """Where the sun stands in the middle of every hour, with refraction [deg]; azimuth clockwise from north; (hours,)."""

    zenith_deg: Floats
    azimuth_deg: Floats

    @property
    def elevation_deg(self) -> Floats:
        """Height above the horizon [deg], below zero at night; (hours,)."""
        return 90.0 - self.zenith_deg


@dataclass(frozen=True)
class Sky:
    """Sun and weather of every hour; geometry (hours,), weather (hours,) or (rows, hours).

    ``ghi dni dhi dni_extra`` are in W/m2 (global, direct normal, diffuse horizontal, beyond the atmosphere),
    ``temp_air`` in deg C, ``wind_speed`` at 10 m in m/s, ``albedo`` the share that the ground throws back (0..1).
    """

    zenith_deg: Floats
    azimuth_deg: Floats
    ghi: Floats
    dni: Floats
    dhi: Floats
    dni_extra: Floats
    temp_air: Floats
    wind_speed: Floats
    albedo: Floats


@dataclass(frozen=True)
class PlaneLight:
    """Light on a plane by where it comes from [W/m2], shade taken off; (..., hours). ``aoi_deg`` (hours,) is the beam's angle."""

    aoi_deg: Floats
    beam_w_m2: Floats
    """From the direction of the sun: direct, and the bright ring around it."""
    sky_w_m2: Floats
    """From the rest of the sky."""
    ground_w_m2: Floats

    @property
    def total_w_m2(self) -> Floats:
        """All light that falls on the plane [W/m2]; (..., hours)."""
        return self.beam_w_m2 + self.sky_w_m2 + self.ground_w_m2


@dataclass(frozen=True)
class SkyLine:
    """What hills and houses around leave of the light; ``(hours,)`` each, 0..1, and 1 where the horizon is open."""

    beam_frac: Floats
    """Of the sun's own light."""
    view_frac: Floats
    """Of the light of an even sky, on the plane."""
    level_frac: Floats
    """The same on level ground, which throws light onto the plane."""


def hourly_sun_position(
    utc: pd.DatetimeIndex, latitude_deg: ArrayLike, longitude_deg: ArrayLike, elevation_m: ArrayLike
) -> SunPosition:
    """Find the sun in the middle of every hour of a whole route in one call.

    Parameters
    ----------
    utc : DatetimeIndex (hours,)
        Tz-aware, label = start of the hour.
    latitude_deg, longitude_deg : array_like, scalar or (hours,)
        Where the vehicle is; north and east are positive [deg].
    elevation_m : array_like, scalar or (hours,)
        Height above the sea [m]; enters the refraction only.

    Returns
    -------
    SunPosition
        Zenith with refraction and azimuth [deg]; (hours,).

    Raises
    ------
    ValueError
        If ``utc`` has no time zone.

    Notes
    -----
    The algorithm of G. Hughes (Sandia, 1985) as ``pvlib.solarposition.ephemeris`` has it: within 0.011 deg of the
    SPA of Reda and Andreas (2004), doi:10.1016/j.solener.2003.12.003, in a seventh of its time.
    """
    if utc.tz is None:
        raise ValueError("hourly_sun_position needs an index with a time zone, got a naive one: tz_localize it")
    shape = (len(utc),)
    latitude, longitude = (np.broadcast_to(np.asarray(value, float), shape) for value in (latitude_deg, longitude_deg))
    pressure_pa = np.broadcast_to(pvlib.atmosphere.alt2pres(np.asarray(elevation_m, float)), shape)
    # pvlib asks the index for a name that pandas 3 has renamed; nothing a caller could do about it.
    with without_warning("DatetimeIndex.dayofyear", DeprecationWarning):
        found = pvlib.solarposition.ephemeris(utc + MIDDLE_OF_THE_HOUR, latitude, longitude, pressure=pressure_pa)
    return SunPosition(found["apparent_zenith"].to_numpy(float), found["azimuth"].to_numpy(float))


def hourly_sky(
    utc: pd.DatetimeIndex, sun: SunPosition, weather: Mapping[str, Floats], albedo_frac: ArrayLike = GROUND_ALBEDO_FRAC
) -> Sky:
    """Put sun and weather together.

    Parameters
    ----------
    utc : DatetimeIndex (hours,)
    sun : SunPosition (hours,)
    weather : mapping of str to array
        ``ghi dni dhi temp_air wind_speed``, each (hours,) or (rows, hours).
    albedo_frac : array_like, scalar or (hours,)
        Share of the light that the ground throws back, 0..1.

    Returns
    -------
    Sky
    """
    # Day numbers instead of the index: given an index, pvlib answers with a Series and warns.
    dni_extra = pvlib.irradiance.get_extra_radiation(np.asarray(utc.day_of_year, float))
    return Sky(
        zenith_deg=sun.zenith_deg,
        azimuth_deg=sun.azimuth_deg,
        ghi=weather["ghi"],
        dni=weather["dni"],
        dhi=weather["dhi"],
        dni_extra=dni_extra,
        temp_air=weather["temp_air"],
        wind_speed=weather["wind_speed"],
        albedo=np.broadcast_to(np.asarray(albedo_frac, float), (len(utc),)),
    )


def hourly_plane_light(
    sky: Sky,
    tilt_deg: ArrayLike,
    azimuth_deg: ArrayLike,
    beam_frac: ArrayLike = 1.0,
    diffuse_frac: ArrayLike = 1.0,
    model: Literal["haydavies", "isotropic"] = "haydavies",
    skyline: SkyLine | None = None,
) -> PlaneLight:
    """Carry the light of the horizontal plane over to a tilted one.

    Parameters
    ----------
    sky : Sky
    tilt_deg, azimuth_deg : array_like, scalar or (hours,)
        Of the plane; 0 lies flat; azimuth clockwise from north [deg].
    beam_frac, diffuse_frac : array_like, scalar or (hours,)
        Share of the sun's own light, and of the rest, that trees and roof objects let through, 0..1.
    model : {"haydavies", "isotropic"}
        How the sky's diffuse light is spread.
    skyline : SkyLine, optional
        What the horizon takes, beside trees and roof objects; what it hides of the sky is taken as dark.

    Returns
    -------
    PlaneLight
        W/m2; (..., hours); nothing negative.

    Notes
    -----
    J. E. Hay, J. A. Davies (1980), Proc. First Canadian Solar Radiation Data Workshop, 59; the isotropic sky is that of
    B. Y. H. Liu, R. C. Jordan (1963), Solar Energy 7(2), 53-74, doi:10.1016/0038-092X(63)90006-9. The bright ring around
    the sun is shaded and reflected with the beam. In an hour in whose middle the sun is down only diffuse light counts.
    """
    tilt, azimuth = np.asarray(tilt_deg, float), np.asarray(azimuth_deg, float)
    cos_aoi = np.clip(pvlib.irradiance.aoi_projection(tilt, azimuth, sky.zenith_deg, sky.azimuth_deg), -1.0, 1.0)
    cos_zenith = np.cos(np.radians(sky.zenith_deg))
    sun_is_up = cos_zenith > 0.0
    facing = np.where(sun_is_up, np.maximum(cos_aoi, 0.0), 0.0)
    dni = np.where(sun_is_up, sky.dni, 0.0)
    if model == "haydavies":
        ratio = facing / np.maximum(cos_zenith, LOWEST_COS_ZENITH)
        arguments = (tilt, azimuth, sky.dhi, dni, sky.dni_extra, sky.zenith_deg, sky.azimuth_deg)
        rest = pvlib.irradiance.haydavies(*arguments, projection_ratio=0.0)
        ring = np.maximum(pvlib.irradiance.haydavies(*arguments, projection_ratio=ratio) - rest, 0.0)
    else:
        rest, ring = pvlib.irradiance.isotropic(tilt, sky.dhi), 0.0
    ghi = sky.ghi
    if skyline is not None:
        beam_frac = np.asarray(beam_frac, float) * skyline.beam_frac
        rest = rest * skyline.view_frac
        taken = dni * np.maximum(cos_zenith, 0.0) * (1.0 - skyline.beam_frac) + sky.dhi * (1.0 - skyline.level_frac)
        ghi = np.maximum(ghi - taken, 0.0)
    ground = pvlib.irradiance.get_ground_diffuse(tilt, ghi, sky.albedo)
    return PlaneLight(
        aoi_deg=np.degrees(np.arccos(cos_aoi)),
        beam_w_m2=(dni * facing + ring) * beam_frac,
        sky_w_m2=rest * diffuse_frac,
        ground_w_m2=ground * diffuse_frac,
    )
