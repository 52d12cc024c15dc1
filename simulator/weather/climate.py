"""What the weather of a stop is usually like: its monthly normals, from what a person named or wrote, or from its past years.

Light enough for a scenario to be checked with: neither pvlib nor scipy is needed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simulator.scenario.parts import Stop
from simulator.weather.normals import Months, Normals, normals_from_station, normals_from_written
from simulator.weather.normals_table import nearest_normals, normals_from_table
from simulator.weather.station import FAR_KM, StationYear, distance_km, refuse_other_hemisphere, where_of

NEAREST = "nearest"
"""Written for the name of a place: the nearest of the table, if one is near enough."""


def written_normals(stop: Stop) -> Normals:
    """Monthly normals that a stop's weather names or lists, at the stop's height.

    Parameters
    ----------
    stop : Stop
        With ``weather.normals``.

    Returns
    -------
    Normals

    Raises
    ------
    InputError
        There is no such place, it lies beyond the equator, none is near enough, or a
        month has more sun than there can be at that latitude.
    """
    choice = stop.weather
    assert choice is not None and choice.normals is not None
    written = choice.normals
    where = f"{where_of(stop)}, weather.normals"
    if written.place is None:
        normals = normals_from_written(
            stop.name,
            stop.latitude_deg,
            stop.longitude_deg,
            stop.elevation_m if written.elevation_m is None else written.elevation_m,
            kt=written.kt,
            sun_kwh_m2_day=written.sun_kwh_m2_day,
            temp_mean_c=written.temp_mean_c,
            temp_min_c=written.temp_min_c,
            temp_max_c=written.temp_max_c,
            wind_speed_m_s=written.wind_speed_m_s,
            kt_daily_sd=written.kt_daily_sd,
            where=where,
        )
    elif written.place.strip().lower() != NEAREST:
        normals = normals_from_table(written.place, where)
        refuse_other_hemisphere(normals.name, normals.latitude_deg, stop)
    else:
        elevation_m = stop.elevation_m
        if elevation_m is None:
            from simulator.weather.sky import look_up_elevation_m

            elevation_m = look_up_elevation_m(stop.latitude_deg, stop.longitude_deg)
        normals = nearest_normals(stop.latitude_deg, stop.longitude_deg, elevation_m, where)
    return normals.at_elevation(stop.elevation_m)


def climate_notes(stop: Stop, normals: Normals) -> tuple[str, ...]:
    """Say what is doubtful about normals at a stop: measured far away, or in a single year."""
    notes = []
    away_km = distance_km(stop.latitude_deg, stop.longitude_deg, normals.latitude_deg, normals.longitude_deg)
    if away_km > FAR_KM:
        notes.append(
            f"{where_of(stop)}: its normals are those of {normals.name}, {away_km:,.0f} km away; its sky may be another one"
        )
    if not normals.typical:
        notes.append(f"{where_of(stop)}: its normals come from a single year of {normals.name}, which may have been an odd one")
    return tuple(notes)


def mean_normals(years: Sequence[StationYear]) -> Normals:
    """Normals of several real years of one place: means of the months, spreads of the days about their own month.

    Parameters
    ----------
    years : sequence of StationYear
        At least one.

    Raises
    ------
    InputError
        A year is brighter than light can be.
    """
    each = [normals_from_station(year) for year in years]

    def mean(values: Sequence[Months | None]) -> Months:
        return tuple(np.mean(np.array(values, dtype=np.float64), axis=0).tolist())

    def pooled(values: Sequence[Months | None]) -> Months:
        return tuple(np.sqrt(np.mean(np.square(np.array(values, dtype=np.float64)), axis=0)).tolist())

    first = each[0]
    count = f"{len(each)} past years" if len(each) > 1 else "a single past year"
    return replace(
        first,
        source=f"monthly figures computed from {count} of the archive",
        kt=mean([one.kt for one in each]),
        temp_mean_c=mean([one.temp_mean_c for one in each]),
        temp_min_c=mean([one.temp_min_c for one in each]),
        temp_max_c=mean([one.temp_max_c for one in each]),
        wind_speed_m_s=mean([one.wind_speed_m_s for one in each]),
        kt_daily_sd=pooled([one.kt_daily_sd for one in each]),
        temp_daily_sd_c=pooled([one.temp_daily_sd_c for one in each]),
        typical=len(each) > 1,
    )


def normals_toml(normals: Normals) -> str:
    """Normals as a table that can be pasted into a scenario."""

    def row(key: str, values: Months, digits: int) -> str:
        return f"{key} = [{', '.join(f'{value:.{digits}f}' for value in values)}]"

    lines = [
        f"# {normals.name}: {normals.source}",
        "[weather.normals]             # for one stop: [stop.weather.normals] below that stop",
        *([] if normals.elevation_m is None else [f"elevation_m = {normals.elevation_m:g}"]),
        row("kt", normals.kt, 3),
        row("kt_daily_sd", normals.kt_spread, 3),
        row("temp_mean_c", normals.temp_mean_c, 1),
        row("temp_min_c", normals.temp_min_c, 1),
        row("temp_max_c", normals.temp_max_c, 1),
        row("wind_speed_m_s", normals.wind_speed_m_s, 1),
    ]
    return "\n".join(lines) + "\n"
