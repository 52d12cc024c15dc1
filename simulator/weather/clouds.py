"""What clouds leave of the light: of a day, of an hour, and how it splits into direct and diffuse. Nothing here is random."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betaincinv, gammaln, ndtr

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LOWEST_KT, CLEAREST_KT = 0.03, 0.82
"""The darkest and the brightest day; with these ends a beta distribution gives the runs of dark days of 40 site-years."""
_ROOM_KT: Final = 0.06
"""A month's mean stays this far below its brightest day."""
_WIDEST_SHARE: Final = 0.7
"""Widest spread, as a share of what all-or-nothing days would have; wider ones would pile up at both ends."""

CLEAREST_TURBIDITY: Final = 2.0
"""Linke turbidity of very clean, cold air (F. Kasten 1996, Solar Energy 56(3), 239-244): the bound of a clear hour."""
CLOUD_SPREAD: Final = 0.30
"""How far the clouds of an hour carry it from its day, halfway between a black sky and a clear one, as a share of the clear
sky; less towards both ends, by the sine of V. A. Graham, K. G. T. Hollands (1990), Solar Energy 44(6), 333-341. Set so that
the spread inside a day comes out as the 0.16 of 40 site-years, after all the bounds below."""
_DARKEST_SHARE: Final = 0.05
"""No hour is darker than this share of its day's mean (common practice, no source)."""

NODES = np.linspace(-5.5, 5.5, 1101)
"""Where the beta distribution is tabled, on the Gaussian scale; one day in 25 million lies outside."""
_HERMITE_ORDERS: Final = 12
_HERMITE_X, _HERMITE_WEIGHT = np.polynomial.hermite_e.hermegauss(80)

_LOWEST_COS_ZENITH: Final = 0.065
_HIGHEST_ZENITH_DEG: Final = 87.0
"""Nearer to the horizon the direct light cannot be told from the horizontal: bounds of pvlib's ``erbs``."""


@lru_cache(maxsize=4096)
def _quantiles(kt_mean: float, kt_sd: float, kt_highest: float) -> Floats:
    high = max(kt_highest, kt_mean + _ROOM_KT)
    low = min(LOWEST_KT, kt_mean / 2.0)
    middle, widest_variance = (kt_mean - low) / (high - low), (kt_mean - low) * (high - kt_mean)
    variance = min(kt_sd**2, _WIDEST_SHARE**2 * widest_variance)
    weight = widest_variance / variance - 1.0
    table = np.asarray(low + (high - low) * betaincinv(middle * weight, (1.0 - middle) * weight, ndtr(NODES)), dtype=np.float64)
    table.flags.writeable = False
    return table


def clearness_quantiles(kt_mean: float, kt_sd: float, kt_highest: float = CLEAREST_KT) -> Floats:
    """Table the beta distribution of the daily clearness index of a month against :data:`NODES`; (nodes,), rising.

    Parameters
    ----------
    kt_mean, kt_sd : float
        Mean and spread of the daily index; a spread that no such distribution can have is narrowed.
    kt_highest : float
        The brightest day; raised where the mean comes too close to it.
    """
    return _quantiles(float(kt_mean), float(kt_sd), float(kt_highest))


@lru_cache(maxsize=4096)
def gaussian_lag1(kt_mean: float, kt_sd: float, kt_highest: float, lag1: float) -> float:
    """Correlation that a Gaussian chain needs for the clearness it is bent into to have the correlation ``lag1``.

    Notes
    -----
    Bending weakens correlations: with the bend written as a sum of normalised Hermite polynomials of coefficients c, a
    correlation r becomes the sum of c_n^2 r^n over the sum of c_n^2, n = 1, 2 ... (H. O. Lancaster 1957, Biometrika 44, 289).
    """
    bent = np.interp(_HERMITE_X, NODES, _quantiles(kt_mean, kt_sd, kt_highest))
    orders = np.arange(1, _HERMITE_ORDERS + 1)
    polynomials = np.polynomial.hermite_e.hermevander(_HERMITE_X, _HERMITE_ORDERS)[:, 1:]
    part = (polynomials.T @ (_HERMITE_WEIGHT / _HERMITE_WEIGHT.sum() * bent)) ** 2 / np.exp(gammaln(orders + 1.0))
    part /= part.sum()
    return float(brentq(lambda chain: float(np.sum(part * chain**orders)) - lag1, -0.999, 0.999))


def clearest_w_m2(cos_zenith: Floats, dni_extra: Floats, elevation_m: Floats) -> Floats:
    """Light on the flat that no hour exceeds: a clear sky of very clean air [W/m2]; (hours,), the sun above the horizon in all.

    Notes
    -----
    P. Ineichen, R. Perez (2002), Solar Energy 73(3), 151-157, doi:10.1016/S0038-092X(02)00045-2, at a Linke turbidity of 2.
    """
    import pvlib

    zenith_deg = np.degrees(np.arccos(np.clip(cos_zenith, 0.0, 1.0)))
    airmass = pvlib.atmosphere.get_absolute_airmass(
        pvlib.atmosphere.get_relative_airmass(zenith_deg), pvlib.atmosphere.alt2pres(elevation_m)
    )
    clear = pvlib.clearsky.ineichen(zenith_deg, airmass, CLEAREST_TURBIDITY, elevation_m, dni_extra)["ghi"]
    return np.asarray(np.minimum(np.maximum(clear, 0.0), cos_zenith * dni_extra), dtype=np.float64)


def spread_over_hours(want: Floats, bound: Floats, bound_sum: Floats, clouds: Floats, start: Ints, day: Ints) -> Floats:
    """Spread each day's light over its hours, so that it adds up exactly and no hour passes the clear sky.

    Parameters
    ----------
    want : ndarray (years, lit days)
        Sum of each day [W/m2, hours added up].
    bound : ndarray (lit hours,)
        The clear sky [W/m2]; ``bound_sum`` (lit days,) its sums.
    clouds : ndarray (years, lit hours)
        Normal deviates: how much brighter than its day each hour would be.
    start : ndarray of int (lit days,)
        First lit hour of each lit day.
    day : ndarray of int (lit hours,)
        Lit day of each lit hour.

    Returns
    -------
    ndarray (years, lit hours)
        W/m2. On a day that is brighter than the clear sky, all hours are raised alike.
    """
    share = want / bound_sum
    raised = np.maximum(share, 1.0)
    share = np.minimum(share, 1.0)
    spread = CLOUD_SPREAD * np.sin(np.pi * share)
    light = share[:, day]
    darkest = _DARKEST_SHARE * light
    light = light + spread[:, day] * clouds
    np.clip(light, darkest, 1.0, out=light)
    light *= bound
    total = np.add.reduceat(light, start, axis=1)
    wanted = share * bound_sum
    # Too bright a day is dimmed in proportion; too dark a one fills what is left below the clear sky in proportion.
    dimmed = np.minimum(wanted / total, 1.0)
    room = bound_sum - total
    filled = np.where(wanted > total, np.minimum((wanted - total) / np.where(room > 0.0, room, 1.0), 1.0), 0.0)
    light = light * (dimmed - filled)[:, day] + bound * filled[:, day]
    if (raised > 1.0).any():
        light *= raised[:, day]
    return np.asarray(light, dtype=np.float64)


def split_by_erbs(ghi: Floats, cos_zenith: Floats, beyond: Floats) -> tuple[Floats, Floats]:
    """Split light on the flat into direct and diffuse by the hour's clearness.

    Parameters
    ----------
    ghi : ndarray (..., hours)
        W/m2.
    cos_zenith : ndarray (hours,)
        Of the sun, above zero.
    beyond : ndarray (hours,)
        Light facing the sun beyond the atmosphere [W/m2].

    Returns
    -------
    tuple of ndarray (..., hours)
        Direct normal and diffuse horizontal [W/m2]; with the sun within 3 deg of the horizon all is diffuse.

    Notes
    -----
    D. G. Erbs, S. A. Klein, J. A. Duffie (1982), Solar Energy 28(4), 293-302, doi:10.1016/0038-092X(82)90302-4; same numbers as
    ``pvlib.irradiance.erbs``, in a third of its time.
    """
    kt = np.minimum(ghi * (1.0 / (beyond * np.maximum(cos_zenith, _LOWEST_COS_ZENITH))), 1.0)
    middle = 0.9511 + kt * (-0.1604 + kt * (4.388 + kt * (-16.638 + kt * 12.336)))
    diffuse_frac = np.where(kt <= 0.22, 1.0 - 0.09 * kt, np.where(kt <= 0.8, middle, 0.165))
    low = cos_zenith < np.cos(np.radians(_HIGHEST_ZENITH_DEG))
    dni = ghi * (1.0 - diffuse_frac) * np.where(low, 0.0, 1.0 / cos_zenith)
    return dni, ghi - dni * cos_zenith
