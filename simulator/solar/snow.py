"""Snow on the panels, reckoned from what fell and how warm it was: it lies, slides off a tilted panel in the sun, or melts."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from simulator.quiet import without_warning
from simulator.units import HOURS_PER_DAY

Floats = NDArray[np.float64]

SNOW_BELOW_C: Final = 1.0
"""At this air temperature half of what falls is snow (Jennings et al. 2018, Nature Communications 9, 1148: 1.0 C, northern
hemisphere)."""
SNOW_CM_PER_MM: Final = 1.0
"""Fresh snow has a tenth of the density of water (common practice, no source: 50 to 150 kg/m3)."""
MELT_MM_PER_C_DAY: Final = 3.0
"""Water that a degree above freezing melts in a day (R. Hock 2003, J. Hydrology 282, 104-115: 2 to 6, from memory)."""


def snow_depth_cm(snowfall_cm: Floats, temp_air: Floats) -> Floats:
    """Depth of the snow that lies at the end of each hour [cm], melting by degrees above freezing; same shape.

    Parameters
    ----------
    snowfall_cm : ndarray (..., hours)
        Fresh snow of each hour [cm].
    temp_air : ndarray (..., hours)
        Air temperature [deg C].
    """
    melt_cm = np.maximum(temp_air, 0.0) * MELT_MM_PER_C_DAY * SNOW_CM_PER_MM / HOURS_PER_DAY
    # A store that cannot go below empty: what was gained since the lowest point so far.
    balance = np.cumsum(snowfall_cm - melt_cm, axis=-1)
    return np.asarray(balance - np.minimum(np.minimum.accumulate(balance, axis=-1), 0.0), dtype=np.float64)


def hourly_snow_cover(
    utc: pd.DatetimeIndex, precipitation_mm: Floats, temp_air: Floats, light_w_m2: Floats, tilt_deg: Floats
) -> Floats:
    """Share of an array's output that lying snow takes, hour by hour, for one stay that begins with bare panels.

    Parameters
    ----------
    utc : DatetimeIndex (hours,)
        Hourly, without gaps.
    precipitation_mm, temp_air, light_w_m2 : ndarray (hours,) or (rows, hours)
        What fell in the hour as water [mm], air temperature [deg C], light in the plane of the array [W/m2].
    tilt_deg : ndarray (hours,)
        Of the array [deg]; from flat panels snow only melts.

    Returns
    -------
    ndarray, shape of ``precipitation_mm``
        0 or 1: while any part of a string is covered the whole string gives nothing.

    Notes
    -----
    ``pvlib.snow``: B. Marion et al. (2013), Solar Energy 97, 112-121, doi:10.1016/j.solener.2013.07.029, for covering (more than
    1 cm in an hour) and sliding; D. Ryberg, J. Freeman (2017), NREL/TP-6A20-68705, for bare panels below 1 cm on the ground.
    """
    from pvlib import snow

    snowfall = np.where(temp_air <= SNOW_BELOW_C, precipitation_mm * SNOW_CM_PER_MM, 0.0)
    cover = np.zeros(snowfall.shape)
    if len(utc) < 3 or not (snowfall > 0.0).any():
        return cover
    depth = snow_depth_cm(snowfall, temp_air)
    warmth, light = (np.broadcast_to(values, snowfall.shape) for values in (temp_air, light_w_m2))
    for row in np.ndindex(snowfall.shape[:-1]):
        if not (snowfall[row] > 0.0).any():
            continue
        fell, deep, warm, bright = (pd.Series(values[row], index=utc) for values in (snowfall, depth, warmth, light))
        # pvlib asks for the step of the index, whose type pandas will change; nothing a caller could do about it.
        with without_warning("A future version of pandas will return a BaseOffset"):
            covered = snow.coverage_nrel(fell, bright, warm, tilt_deg, snow_depth=deep)
        cover[row] = snow.dc_loss_nrel(covered.to_numpy(), 1)
    return cover
