"""Weather along the whole route: from files and samples, from past years of the archive, or drawn by chance from normals.

A plain run has one year of weather (:func:`route_weather`); the odds have many (:func:`drawn_years`, :func:`past_years`).
Nothing here opens a socket: past years come from the cache that ``flatdays fetch`` fills.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulator import weather
from simulator.errors import InputError
from simulator.route.drawn import drawn_weather, drawn_years, first_drawn, route_normals
from simulator.route.parts import (
    CLEAR_TEMP_C,
    RouteWeather,
    WeatherYears,
    asks_for_normals,
    asks_for_past,
    height_m,
    station_of,
    usual_sun_of,
)
from simulator.route.past import last_past, past_years
from simulator.scenario.parts import Scenario
from simulator.timeline import Timeline
from simulator.weather.climate import written_normals

__all__ = ["RouteWeather", "WeatherYears", "drawn_weather", "drawn_years", "past_years", "route_normals", "route_weather"]


def route_weather(scenario: Scenario, clock: Timeline) -> RouteWeather:
    """One year of weather for every hour, from the stop it belongs to, and sentences on where it comes from.

    Stops with normals get the first of the years drawn by the scenario's seed; stops with past years the last whole trip
    that is in the cache.

    Raises
    ------
    InputError
        For every stop whose weather cannot be used, all at once.
    ArchiveError
        No past year is in the cache.
    """
    table = {name: np.zeros(clock.hours) for name in weather.COLUMNS}
    elevation_m = np.zeros(clock.hours)
    rain_mm = np.full(clock.hours, np.nan)
    usual_sun: list[tuple[float, ...] | None] = [None] * len(scenario.stops)
    said: dict[str, None] = {}
    notes: dict[str, None] = {}
    mistakes: dict[str, None] = {}
    drawn: RouteWeather | None = None
    past: RouteWeather | None = None
    if any(map(asks_for_normals, scenario.stops)):
        try:
            drawn = first_drawn(scenario, clock)
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    if any(map(asks_for_past, scenario.stops)):
        past = last_past(scenario, clock)
    for found_before in filter(None, (drawn, past)):
        said |= dict.fromkeys(found_before.sources)
        notes |= dict.fromkeys(found_before.notes)
    for place, stop in enumerate(scenario.stops):
        here = clock.stop == place
        if not here.any():
            continue
        ready = drawn if asks_for_normals(stop) else past if asks_for_past(stop) else None
        if ready is not None:
            for name, column in table.items():
                column[here] = ready.table[name][0, here]
            elevation_m[here] = ready.elevation_m[here]
            if ready.precipitation_mm is not None:
                rain_mm[here] = ready.precipitation_mm[0, here]
            if asks_for_normals(stop):
                # Years are drawn from the clearness, under the sun of the stop: at another latitude that is another light.
                usual_sun[place] = replace(written_normals(stop), latitude_deg=stop.latitude_deg).sun_kwh_m2_day
            continue
        if asks_for_normals(stop):
            continue
        utc = clock.utc[here]
        choice = stop.weather
        if choice is None or choice.clear:
            height = height_m(stop, None)
            temp_c = choice.temp_c if choice is not None else CLEAR_TEMP_C
            found = weather.hourly_clear_weather(utc, clock.latitude_deg[here], clock.longitude_deg[here], height, temp_c)
            said[f"clear sky all day at {temp_c:g} C: the upper bound of what the sun can give"] = None
        else:
            try:
                station = station_of(stop)
            except InputError as error:
                mistakes |= dict.fromkeys(error.mistakes)
                continue
            found = weather.hourly_weather(station, utc)
            height = height_m(stop, station.elevation_m)
            said[station.source] = None
            usual_sun[place] = usual_sun_of(station)
            notes |= dict.fromkeys((*station.notes, *weather.distance_notes(station, stop)))
        for name, column in table.items():
            column[here] = found[name]
        elevation_m[here] = height
    if mistakes:
        raise InputError(mistakes)
    rain = None if np.isnan(rain_mm).all() else rain_mm
    return RouteWeather(table, elevation_m, tuple(said), tuple(notes), rain, tuple(usual_sun))
