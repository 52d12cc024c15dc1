"""The sun over a station, and the sky without a cloud; pvlib is imported when first needed, never with this file."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from simulator.quiet import without_warning
from simulator.units import MINUTES_PER_HOUR
from simulator.weather.station import COLUMNS, Floats

SAMPLES_PER_HOUR = 4
"""Moments of an hour that stand for it under a clear sky; 60 instead of 4 move no day of a year by 0.1 Wh/m2."""

CLEAR_WIND_M_S = 2.0
"""Light wind of a fair day (common practice, no source); it only cools the panels a little."""


def _sun(moments: pd.DatetimeIndex, latitude_deg: ArrayLike, longitude_deg: ArrayLike, pressure_pa: ArrayLike = 101325.0) -> Any:
    """Solar position by G. Hughes (Sandia, 1985), as pvlib's ``ephemeris`` has it; a DataFrame (moments,)."""
    import pvlib

    # pvlib asks the index for a name that pandas 3 has renamed; nothing a caller could do about it.
    with without_warning("DatetimeIndex.dayofyear", DeprecationWarning):
        return pvlib.solarposition.ephemeris(moments, latitude_deg, longitude_deg, pressure=pressure_pa)


def sun_elevation_deg(moments: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float) -> Floats:
    """Height of the sun's centre above the horizon without refraction [deg]; (moments,)."""
    found: Floats = _sun(moments, latitude_deg, longitude_deg)["elevation"].to_numpy(dtype=np.float64)
    return found


def look_up_elevation_m(latitude_deg: float, longitude_deg: float) -> float:
    """Height of a place above the sea [m], from the coarse map that pvlib carries.

    Notes
    -----
    Good to a few tens of metres in flat country, and up to 1000-2000 m wrong in mountains (compared with known stations):
    there the height is the person's to give.
    """
    import pvlib

    return float(pvlib.location.lookup_altitude(latitude_deg, longitude_deg))


def _turbidity(utc: pd.DatetimeIndex, latitude_deg: Floats, longitude_deg: Floats) -> Floats:
    """(hours,) Linke turbidity; the map is asked once for every cell of one degree that the route touches."""
    import pvlib

    cell, first, member = np.unique(
        np.stack([np.floor(latitude_deg), np.floor(longitude_deg)]), axis=1, return_index=True, return_inverse=True
    )
    found = np.empty(len(utc))
    for number in range(cell.shape[1]):
        inside = member.reshape(-1) == number
        with without_warning("DatetimeIndex.dayofyear", DeprecationWarning):
            found[inside] = pvlib.clearsky.lookup_linke_turbidity(
                utc[inside], float(latitude_deg[first[number]]), float(longitude_deg[first[number]])
            )
    return found


def hourly_clear_weather(
    utc: pd.DatetimeIndex, latitude_deg: ArrayLike, longitude_deg: ArrayLike, elevation_m: ArrayLike, temp_c: float
) -> dict[str, Floats]:
    """Weather of a sky without a cloud: the upper bound of what the sun can give.

    Parameters
    ----------
    utc : DatetimeIndex (hours,)
        Tz-aware, label = start of the hour.
    latitude_deg, longitude_deg : array_like, scalar or (hours,)
        North and east are positive [deg].
    elevation_m : array_like, scalar or (hours,)
        Height above the sea [m].
    temp_c : float
        Air temperature of every hour [deg C].

    Returns
    -------
    dict of str to ndarray (hours,)
        ``ghi dni dhi`` means over the hour [W/m2]; ``temp_air`` as given [deg C]; ``wind_speed`` 2 m/s.

    Raises
    ------
    ValueError
        If ``utc`` has no time zone.

    Notes
    -----
    P. Ineichen, R. Perez (2002), Solar Energy 73(3), 151-157, doi:10.1016/S0038-092X(02)00045-2, with the monthly Linke
    turbidity of J. Remund et al. (2003), ISES Solar World Congress; air mass by F. Kasten, A. Young (1989), Applied
    Optics 28(22), doi:10.1364/AO.28.004735.
    """
    if utc.tz is None:
        raise ValueError("hourly_clear_weather needs an index with a time zone, got a naive one: tz_localize it")
    hours = len(utc)
    if hours == 0:
        return {name: np.zeros(0) for name in COLUMNS}
    import pvlib

    latitude, longitude, elevation = (
        np.broadcast_to(np.asarray(value, dtype=np.float64), (hours,)) for value in (latitude_deg, longitude_deg, elevation_m)
    )
    pressure_pa = np.asarray(pvlib.atmosphere.alt2pres(elevation), dtype=np.float64)
    light = {name: np.zeros(hours) for name in ("ghi", "dni", "dhi")}
    turbidity = _turbidity(utc, latitude, longitude)
    # Day numbers instead of the index: given an index, pvlib answers with a Series and warns.
    dni_extra = pvlib.irradiance.get_extra_radiation(np.asarray(utc.day_of_year, dtype=np.float64))
    for sample in range(SAMPLES_PER_HOUR):
        moment = utc + pd.Timedelta(minutes=MINUTES_PER_HOUR * (sample + 0.5) / SAMPLES_PER_HOUR)
        zenith = _sun(moment, latitude, longitude, pressure_pa)["apparent_zenith"].to_numpy(dtype=np.float64)
        up = zenith < 90.0
        airmass = pvlib.atmosphere.get_absolute_airmass(pvlib.atmosphere.get_relative_airmass(zenith[up]), pressure_pa[up])
        clear = pvlib.clearsky.ineichen(zenith[up], airmass, turbidity[up], elevation[up], dni_extra[up])
        for name, mean in light.items():
            mean[up] += np.asarray(clear[name], dtype=np.float64) / SAMPLES_PER_HOUR
    return light | {"temp_air": np.full(hours, float(temp_c)), "wind_speed": np.full(hours, CLEAR_WIND_M_S)}
