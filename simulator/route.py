"""Weather along the whole route: from files and samples, from past years of the archive, or drawn by chance from normals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulator import solar, weather
from simulator.errors import InputError
from simulator.scenario.parts import Scenario, Stop
from simulator.timeline import Timeline
from simulator.weather.draws import draw_weather
from simulator.weather.normals import Normals, normals_from_station
from simulator.weather.seasons import extraterrestrial_w_m2

FloatArray = npt.NDArray[np.float64]

CLEAR_TEMP_C = 20.0


@dataclass(frozen=True)
class RouteWeather:
    """Weather of every hour: ``table`` by pvlib's names, each ``(hours,)`` or ``(years, hours)``; ``elevation_m`` (hours,)."""

    table: Mapping[str, FloatArray]
    elevation_m: FloatArray
    sources: tuple[str, ...]
    notes: tuple[str, ...]


def _where(stop: Stop) -> str:
    line = "" if stop.line is None else f" (line {stop.line})"
    return f'stop {stop.number} "{stop.name}"{line}'


def _station(stop: Stop) -> weather.StationYear:
    """The station-year of a stop whose weather is a file or a sample."""
    choice = stop.weather
    assert choice is not None
    return weather.read_sample(choice.sample) if choice.sample else weather.read_weather_file(choice.file or "")


def route_weather(scenario: Scenario, clock: Timeline) -> RouteWeather:
    """One year of weather for every hour, from the stop it belongs to, and sentences on where it comes from.

    Raises
    ------
    InputError
        For every stop whose weather cannot be used, all at once.
    """
    table = {name: np.zeros(clock.hours) for name in weather.COLUMNS}
    elevation_m = np.zeros(clock.hours)
    said: dict[str, None] = {}
    notes: dict[str, None] = {}
    mistakes: dict[str, None] = {}
    for place, stop in enumerate(scenario.stops):
        here = clock.stop == place
        if not here.any():
            continue
        utc = clock.utc[here]
        choice = stop.weather
        if choice is None or choice.clear:
            height = stop.elevation_m
            if height is None:
                height = weather.look_up_elevation_m(stop.latitude_deg, stop.longitude_deg)
            temp_c = choice.temp_c if choice is not None else CLEAR_TEMP_C
            found = weather.hourly_clear_weather(utc, clock.latitude_deg[here], clock.longitude_deg[here], height, temp_c)
            said[f"clear sky all day at {temp_c:g} C: the upper bound of what the sun can give"] = None
        else:
            try:
                station = _station(stop)
            except InputError as error:
                mistakes |= dict.fromkeys(error.mistakes)
                continue
            found = weather.hourly_weather(station, utc)
            height = stop.elevation_m if stop.elevation_m is not None else station.elevation_m
            said[station.source] = None
            notes |= dict.fromkeys((*station.notes, *weather.distance_notes(station, stop)))
        for name, column in table.items():
            column[here] = found[name]
        elevation_m[here] = height
    if mistakes:
        raise InputError(mistakes)
    return RouteWeather(table, elevation_m, tuple(said), tuple(notes))


def route_normals(scenario: Scenario) -> tuple[Normals, ...]:
    """Monthly normals of every stop, at its own height.

    Raises
    ------
    InputError
        For every stop that has none, all at once.
    """
    found: list[Normals] = []
    mistakes: dict[str, None] = {}
    for stop in scenario.stops:
        choice = stop.weather
        if choice is None or choice.clear:
            mistakes[
                f"{_where(stop)}, weather: odds need weather that varies, got a clear sky; "
                'give it { file = "year.epw" } or { sample = "greensboro" }'
            ] = None
            continue
        try:
            found.append(normals_from_station(_station(stop)).at_elevation(stop.elevation_m))
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    if mistakes:
        raise InputError(mistakes)
    return tuple(found)


def drawn_weather(
    clock: Timeline, normals: Sequence[Normals], stops: Sequence[Stop], years: int, seed: int, first_year: int = 0
) -> RouteWeather:
    """Years of weather drawn by chance from the stops' normals; ``table`` is ``(years, hours)``.

    ``normals`` as :func:`route_normals` gives them. The same seed and number of the year give the same weather, however
    many are drawn.
    """
    elevation_m = np.array(
        [
            stop.elevation_m if stop.elevation_m is not None else (normal.elevation_m or 0.0)
            for stop, normal in zip(stops, normals, strict=True)
        ]
    )[clock.stop]
    position = solar.hourly_sun_position(clock.utc, clock.latitude_deg, clock.longitude_deg, elevation_m)
    table = draw_weather(
        normals,
        clock.stop,
        clock.utc,
        clock.longitude_deg,
        np.cos(np.radians(position.zenith_deg)),
        extraterrestrial_w_m2(clock.utc.day_of_year.to_numpy(dtype=np.float64)),
        clock.local_day,
        years,
        seed,
        first_year,
    )
    said = dict.fromkeys(
        f"years drawn by chance from the monthly normals of {normal.name} ({normal.source})" for normal in normals
    )
    return RouteWeather(table, elevation_m, tuple(said), ())
