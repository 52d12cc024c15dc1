"""The climate of a place in twelve numbers of each kind: how bright, how warm, how changeable.

A place's monthly normals come from the shipped table, from a person's hand, or from a year of hourly weather; whatever they
come from, they are one :class:`Normals`, and :mod:`simulator.weather.draws` draws years from it. Nothing here is random, and
nothing here imports pvlib.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from simulator.errors import InputError
from simulator.units import FULL_TURN_DEG, HOURS_PER_DAY, WH_PER_KWH
from simulator.weather.seasons import (
    MONTHS,
    extraterrestrial_kwh_m2_day,
    extraterrestrial_w_m2,
    month_position,
    seasonal_knots,
    seasonal_values,
)
from simulator.weather.sky import sun_elevation_deg
from simulator.weather.station import LAPSE_C_PER_M, StationYear

Floats = NDArray[np.float64]
Months = tuple[float, ...]
"""Twelve values, January first."""

HIGHEST_KT: Final = 0.85
"""No month on earth is brighter: the driest high deserts reach about 0.80 (from memory, satellite climatologies)."""

KT_LAG1: Final = 0.30
"""Day-to-day correlation of the clearness index, for every place.

Inside single months of 31 site-years it comes out as 0.25 on average (``kt_daily_lag1`` of the table); thirty days are few, and
what one month says is 0.05 to 0.06 too low (n = 30; M. H. Quenouille 1949, J. R. Stat. Soc. B 11, 68). The long records of
V. A. Graham, K. G. T. Hollands, A. P. Brunger (1988), Solar Energy 40(2), 83-92, gave 0.29 on the Gaussian scale (from memory).
"""

USUAL_RANGE_C: Final = 10.0
"""Mean daily highest less mean daily lowest temperature [K]: the mean of 31 site-years (3 on coasts, 14 in high deserts)."""

USUAL_WIND_M_S: Final = 3.0
"""Mean wind at 10 m where none is stated: a little under the 3.7 m/s of the table's airports (common practice, no source)."""

_SPREAD_KT: Final = (0.0, 0.20, 0.29, 0.35, 0.45, 0.55, 0.65, 0.72)
_SPREAD_SD: Final = (0.0, 0.12, 0.135, 0.14, 0.16, 0.15, 0.12, 0.07)
"""Spread of the daily kt inside a month against the month's mean: means of 40 site-years; below 0.2 carried on to nothing."""

_CALM_SWING_C, _WILD_SWING_C = 12.0, 28.0
_CALM_SD_C, _WILD_SD_C = 2.4, 4.0
"""Spread of the daily mean temperature about its season [K]: 2.4 over 40 site-years, 4 at the continental ones. The difference
between the warmest and the coldest month [K] tells which: 12 on coasts, 28 deep inland (where to draw the line: no source)."""
_WINTER_SHARE: Final = 1.0 / 3.0
"""Winters are the more changeable: a third above the year's mean in the coldest month, a third below in the warmest (from memory,
daily records of the mid-latitudes)."""

MIDDLE_OF_THE_HOUR: Final = pd.Timedelta(minutes=30)
"""Labels are the start of the hour; the sun is looked up half an hour later."""

DARK_KWH_M2_DAY: Final = 0.05
"""Below this daily light beyond the atmosphere [kWh/m2] a month is polar night, and its clearness means nothing."""

HIGHEST_TEMP_C, LOWEST_TEMP_C = 60.0, -90.0
"""Air temperatures beyond these were never measured on earth (records: 56.7 and -89.2 deg C, WMO archive of extremes)."""
HIGHEST_WIND_M_S: Final = 30.0
HIGHEST_KT_SD: Final = 0.35


@dataclass(frozen=True)
class Normals:
    """What the weather of a place is like, month by month; ``(12,)`` tuples, January first.

    Attributes
    ----------
    name, source : what the place is called, and one phrase saying where the numbers come from.
    latitude_deg, longitude_deg : north and east are positive [deg].
    elevation_m : height above the sea that the temperatures hold for [m]; None: that of whatever place they are used at.
    kt : light on the flat over what reaches the top of the atmosphere, 0..0.85.
    temp_mean_c, temp_min_c, temp_max_c : mean, mean daily lowest and mean daily highest air temperature [deg C].
    wind_speed_m_s : mean wind at 10 m [m/s].
    kt_daily_sd : spread of the daily kt inside the month; None: the usual one at that kt.
    temp_daily_sd_c : spread of the daily mean temperature about its season [K]; None: the usual one of such a climate.
    kt_lag1 : day-to-day correlation of the daily kt.
    typical : False if all months come from one single year, which may have been an odd one.
    """

    name: str
    source: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    kt: Months
    temp_mean_c: Months
    temp_min_c: Months
    temp_max_c: Months
    wind_speed_m_s: Months = (USUAL_WIND_M_S,) * 12
    kt_daily_sd: Months | None = None
    temp_daily_sd_c: Months | None = None
    kt_lag1: float = KT_LAG1
    typical: bool = True

    @property
    def kt_spread(self) -> Months:
        """Spread of the daily kt inside each month: as measured, or the usual one."""
        return self.kt_daily_sd or tuple(usual_kt_daily_sd(self.kt).tolist())

    @property
    def temp_spread_c(self) -> Months:
        """Spread of the daily mean temperature about its season [K]: as measured, or the usual one."""
        return self.temp_daily_sd_c or tuple(usual_temp_daily_sd_c(self.temp_mean_c).tolist())

    @property
    def sun_kwh_m2_day(self) -> Months:
        """Light on the flat [kWh/m2 a day]."""
        return tuple((np.array(self.kt) * extraterrestrial_kwh_m2_day(self.latitude_deg)).tolist())

    def at_elevation(self, elevation_m: float | None) -> Normals:
        """Carry the temperatures to another height, 6.5 K colder for every 1000 m up; unknown heights change nothing."""
        if elevation_m is None or self.elevation_m is None:
            return self
        warmer_c = (self.elevation_m - elevation_m) * LAPSE_C_PER_M

        def moved(values: Months) -> Months:
            return tuple(value + warmer_c for value in values)

        return replace(
            self,
            elevation_m=elevation_m,
            temp_mean_c=moved(self.temp_mean_c),
            temp_min_c=moved(self.temp_min_c),
            temp_max_c=moved(self.temp_max_c),
        )


def usual_kt_daily_sd(kt: ArrayLike) -> Floats:
    """Spread of the daily clearness index inside a month whose mean is ``kt``; any shape."""
    return np.asarray(np.interp(np.asarray(kt, dtype=np.float64), _SPREAD_KT, _SPREAD_SD), dtype=np.float64)


def usual_temp_daily_sd_c(temp_mean_c: Sequence[float]) -> Floats:
    """Spread of the daily mean temperature about its season [K]; (12,), from the twelve monthly means [deg C]."""
    mean_c = np.asarray(temp_mean_c, dtype=np.float64)
    coldest_c, warmest_c = float(mean_c.min()), float(mean_c.max())
    swing_c = warmest_c - coldest_c
    sd_c = np.interp(swing_c, (_CALM_SWING_C, _WILD_SWING_C), (_CALM_SD_C, _WILD_SD_C))
    season = 2.0 * (mean_c - coldest_c) / swing_c - 1.0 if swing_c > 0.0 else np.zeros(12)
    return np.asarray(sd_c * (1.0 - _WINTER_SHARE * season), dtype=np.float64)


def normals_from_station(station: StationYear) -> Normals:
    """Reckon the normals of a year of hourly weather.

    Parameters
    ----------
    station : StationYear

    Returns
    -------
    Normals
        With the spreads of that year. Days and months are those of the sun at the place, to the nearest hour.

    Raises
    ------
    InputError
        A month of the file is brighter than light can be: its hours or its place are wrong.

    Notes
    -----
    Light beyond the atmosphere is taken at mid-hour, as everywhere here; at the ends of the day that is right on average.
    """
    table = station.table
    index = pd.DatetimeIndex(table.index)
    elevation = np.radians(sun_elevation_deg(index + MIDDLE_OF_THE_HOUR, station.latitude_deg, station.longitude_deg))
    beyond = np.maximum(np.sin(elevation), 0.0) * extraterrestrial_w_m2(np.asarray(index.day_of_year, dtype=np.float64))
    # The year is a ring: turning it lays midnight by the sun on the first row.
    ahead_h = round(station.longitude_deg * HOURS_PER_DAY / FULL_TURN_DEG)

    def by_day(hourly: Floats) -> Floats:
        return np.roll(hourly, ahead_h).reshape(-1, HOURS_PER_DAY)

    beyond_days, ghi_days = by_day(beyond).sum(axis=1), by_day(table["ghi"].to_numpy(dtype=np.float64)).sum(axis=1)
    temp_days, wind_days = (by_day(table[name].to_numpy(dtype=np.float64)) for name in ("temp_air", "wind_speed"))
    noon = index[HOURS_PER_DAY // 2 :: HOURS_PER_DAY]
    month = np.asarray(noon.month) - 1

    def months(daily: Floats) -> Floats:
        return np.asarray(np.bincount(month, daily, 12) / np.bincount(month, minlength=12), dtype=np.float64)

    lit = months(beyond_days) > DARK_KWH_M2_DAY * WH_PER_KWH
    kt = np.where(lit, months(ghi_days) / np.where(lit, months(beyond_days), 1.0), _MIDDLING_KT)
    daily_kt = np.where(beyond_days > 0.0, ghi_days / np.where(beyond_days > 0.0, beyond_days, 1.0), _MIDDLING_KT)
    too_bright = [f"{MONTHS[number]} {kt[number]:.2f}" for number in np.flatnonzero(kt > HIGHEST_KT)]
    if too_bright:
        raise InputError(
            f"{station.name}: expected a clearness index of at most {HIGHEST_KT:.2f} in every month, "
            f"got {', '.join(too_bright)}: the file's light, its place or its clock is wrong; mend the file or take another."
        )
    temp_mean = months(temp_days.mean(axis=1))
    unusual = temp_days.mean(axis=1) - seasonal_values(seasonal_knots(temp_mean.tolist()), month_position(noon))
    spread = _spread(daily_kt, month)
    return Normals(
        name=station.name,
        source=f"monthly figures computed from: {station.source}",
        latitude_deg=station.latitude_deg,
        longitude_deg=station.longitude_deg,
        elevation_m=station.elevation_m,
        kt=tuple(kt.tolist()),
        temp_mean_c=tuple(temp_mean.tolist()),
        temp_min_c=tuple(months(temp_days.min(axis=1)).tolist()),
        temp_max_c=tuple(months(temp_days.max(axis=1)).tolist()),
        wind_speed_m_s=tuple(months(wind_days.mean(axis=1)).tolist()),
        kt_daily_sd=tuple(np.where(lit, spread, usual_kt_daily_sd(kt)).tolist()),
        temp_daily_sd_c=tuple(_spread(unusual, month).tolist()),
        typical=station.typical,
    )


_MIDDLING_KT: Final = 0.4
"""Stands in a month of polar night, where no clearness can be measured and none matters."""


def _spread(daily: Floats, month: NDArray[np.int64]) -> Floats:
    """(12,) Standard deviation of the days of each month."""
    return np.array([daily[month == number].std(ddof=1) for number in range(12)])


def normals_from_written(
    name: str,
    latitude_deg: float,
    longitude_deg: float,
    elevation_m: float | None = None,
    *,
    kt: Sequence[float] | None = None,
    sun_kwh_m2_day: Sequence[float] | None = None,
    temp_mean_c: Sequence[float] | None = None,
    temp_min_c: Sequence[float] | None = None,
    temp_max_c: Sequence[float] | None = None,
    wind_speed_m_s: Sequence[float] | None = None,
    kt_daily_sd: Sequence[float] | None = None,
    where: str = "",
) -> Normals:
    """Take normals that a person wrote down; twelve values each, January first.

    Parameters
    ----------
    name : str
        What the place is called.
    latitude_deg, longitude_deg : float
        Where the normals are used; the latitude turns ``sun_kwh_m2_day`` into a clearness index [deg].
    elevation_m : float, optional
        Height that the temperatures hold for [m]; None: that of the place they are used at.
    kt : clearness index of the month, above 0 and at most 0.85; exactly one of this and ``sun_kwh_m2_day``.
    sun_kwh_m2_day : light on the flat [kWh/m2 a day].
    temp_mean_c : mean air temperature [deg C]; may be left out where both extremes are given.
    temp_min_c, temp_max_c : mean daily lowest and highest [deg C]. Given one and the mean, the other lies as far on
        the other side; given the mean alone, the day's range is 10 K.
    wind_speed_m_s : mean wind at 10 m [m/s]; 3 if left out.
    kt_daily_sd : spread of the daily clearness index inside the month; the usual one if left out.
    where : str
        What an error begins with: file, stop, key and line.

    Returns
    -------
    Normals

    Raises
    ------
    InputError
        With every mistake at once.
    """
    form = _Form(where)
    given_kt = form.twelve("kt", kt, 0.0, HIGHEST_KT, above=True)
    given_sun = form.twelve("sun_kwh_m2_day", sun_kwh_m2_day, 0.0, 15.0)
    if kt is not None and sun_kwh_m2_day is not None:
        form.mistake("expected either kt or sun_kwh_m2_day, got both", "Remove one of them.")
    elif kt is None and sun_kwh_m2_day is None:
        form.mistake(
            "expected kt or sun_kwh_m2_day, got neither", "Write kt = [12 values], January to December, each between 0 and 1."
        )
    elif given_sun is not None:
        given_kt = _kt_of_sun(form, np.array(given_sun), latitude_deg)
    mean_c, min_c, max_c = (
        form.twelve(key, value, LOWEST_TEMP_C, HIGHEST_TEMP_C)
        for key, value in (("temp_mean_c", temp_mean_c), ("temp_min_c", temp_min_c), ("temp_max_c", temp_max_c))
    )
    if temp_mean_c is None and (temp_min_c is None or temp_max_c is None):
        form.mistake(
            "expected temp_mean_c, got none",
            "Write temp_mean_c = [12 values] in deg C; both temp_min_c and temp_max_c can stand for it.",
        )
    form.ordered("temp_min_c", min_c, "temp_mean_c", mean_c)
    form.ordered("temp_mean_c", mean_c, "temp_max_c", max_c)
    form.ordered("temp_min_c", min_c, "temp_max_c", max_c)
    wind = form.twelve("wind_speed_m_s", wind_speed_m_s, 0.0, HIGHEST_WIND_M_S)
    spread = form.twelve("kt_daily_sd", kt_daily_sd, 0.0, HIGHEST_KT_SD, above=True)
    if form.mistakes:
        raise InputError(form.mistakes)
    assert given_kt is not None
    low, mean, high = _temperatures(min_c, mean_c, max_c)
    return Normals(
        name=name,
        source=f"monthly normals as written for {name}",
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        elevation_m=elevation_m,
        kt=given_kt,
        temp_mean_c=mean,
        temp_min_c=low,
        temp_max_c=high,
        wind_speed_m_s=wind or (USUAL_WIND_M_S,) * 12,
        kt_daily_sd=spread,
    )


def _temperatures(low: Months | None, mean: Months | None, high: Months | None) -> tuple[Months, Months, Months]:
    """Fill in what was left out of lowest, mean and highest, of which the mean or both others are there."""
    if mean is None:
        assert low is not None and high is not None
        mean = tuple((one + other) / 2.0 for one, other in zip(low, high, strict=True))
    if low is None:
        low = tuple(
            middle - USUAL_RANGE_C / 2.0 if high is None else 2.0 * middle - high[number] for number, middle in enumerate(mean)
        )
    if high is None:
        high = tuple(2.0 * middle - one for middle, one in zip(mean, low, strict=True))
    return low, mean, high


def _kt_of_sun(form: _Form, sun_kwh_m2_day: Floats, latitude_deg: float) -> Months:
    """Clearness index from light on the flat; a month of polar night takes a middling one, which then means nothing."""
    beyond = extraterrestrial_kwh_m2_day(latitude_deg)
    here = f"at latitude {latitude_deg:g}"
    night = beyond < DARK_KWH_M2_DAY
    kt = np.where(night, _MIDDLING_KT, sun_kwh_m2_day / np.where(night, 1.0, beyond))
    for number in range(12):
        most = HIGHEST_KT * beyond[number]
        if sun_kwh_m2_day[number] > max(most, DARK_KWH_M2_DAY):
            form.mistake(
                f"sun_kwh_m2_day: expected at most {most:.2f} for {MONTHS[number]} {here}, got {sun_kwh_m2_day[number]:g}",
                "It is the mean light a day on the flat in kWh/m2, not a month's sum nor that on a tilted plane.",
            )
        elif sun_kwh_m2_day[number] <= 0.0 and not night[number]:
            form.mistake(
                f"sun_kwh_m2_day: expected more than 0 for {MONTHS[number]} {here}, got {sun_kwh_m2_day[number]:g}",
                f"The sun rises there in that month and brings up to {most:.2f} kWh/m2 a day.",
            )
    return tuple(kt.tolist())


def prefix(where: str) -> str:
    """What a sentence begins with: the place in the person's file, if there is one."""
    return f"{where}: " if where else ""


class _Form:
    """Looks at what was written, and gathers the sentences about what cannot be."""

    def __init__(self, where: str) -> None:
        self.mistakes: list[str] = []
        self._prefix = prefix(where)

    def mistake(self, what: str, cure: str) -> None:
        self.mistakes.append(f"{self._prefix}{what}. {cure}")

    def twelve(self, key: str, values: Sequence[float] | None, low: float, high: float, *, above: bool = False) -> Months | None:
        """Twelve finite numbers from ``low`` (left out itself if ``above``) to ``high``; None if left out or not usable."""
        if values is None:
            return None
        if len(values) != 12:
            self.mistake(f"{key}: expected 12 values, January to December, got {len(values)}", "Write one for every month.")
            return None
        wrong = [
            f"{MONTHS[number]} {value:g}"
            for number, value in enumerate(values)
            if not (math.isfinite(value) and low <= value <= high and (value > low or not above))
        ]
        if wrong:
            span = f"above {low:g} and at most {high:g}" if above else f"between {low:g} and {high:g}"
            cure = (
                "It is a share of the light beyond the atmosphere: 0.3 is dull, 0.7 is desert."
                if key == "kt"
                else "Mend these months."
            )
            self.mistake(f"{key}: expected values {span}, got {', '.join(wrong)}", cure)
            return None
        return tuple(float(value) for value in values)

    def ordered(self, low_key: str, low: Months | None, high_key: str, high: Months | None) -> None:
        """Say where the lower of two rows lies above the higher one."""
        if low is None or high is None:
            return
        wrong = [f"{month} {one:g} above {other:g}" for month, one, other in zip(MONTHS, low, high, strict=True) if one > other]
        if wrong:
            self.mistake(f"{low_key}: expected nothing above {high_key}, got {', '.join(wrong)}", "Swap or mend these values.")
