"""Years of weather along a route, drawn by chance from the normals of its stops."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from simulator import solar
from simulator.errors import InputError
from simulator.route.parts import RouteWeather, WeatherYears, asks_for_normals, height_m, kept_years, station_of
from simulator.scenario.parts import Scenario, Stop
from simulator.timeline import Timeline
from simulator.weather.climate import climate_notes, mean_normals, written_normals
from simulator.weather.normals import Normals, normals_from_station
from simulator.weather.past import cell_of
from simulator.weather.seasons import extraterrestrial_w_m2
from simulator.weather.station import refuse_other_hemisphere, where_of

NEVER_VARIES: Final = (
    "weather: odds need weather that varies, got a clear sky; give it "
    '{ normals = "nearest" }, { years = [2005, 2024] } (after flatdays fetch), { file = "year.epw" } or { sample = "greensboro" }'
)


def route_normals(scenario: Scenario) -> tuple[Normals, ...]:
    """Monthly normals of every stop, at its own height.

    Raises
    ------
    InputError
        For every stop that has none, all at once.
    ArchiveError
        They are to come from past years, and none is in the cache.
    """
    found: list[Normals] = []
    mistakes: dict[str, None] = {}
    known: dict[object, Normals] = {}
    for stop in scenario.stops:
        choice = stop.weather
        if choice is None or choice.clear:
            mistakes[f"{where_of(stop)}, {NEVER_VARIES}"] = None
            continue
        try:
            if choice.normals is not None:
                found.append(written_normals(stop))
                continue
            cell = cell_of(stop.latitude_deg, stop.longitude_deg) if choice.years is not None else None
            key = (choice.file, choice.sample, choice.years, cell)
            if key not in known:
                known[key] = (
                    mean_normals(kept_years(stop)) if choice.years is not None else normals_from_station(station_of(stop))
                )
            if choice.years is None:
                # Places that share a file need not lie on one side of the equator.
                refuse_other_hemisphere(known[key].name, known[key].latitude_deg, stop)
            found.append(known[key].at_elevation(stop.elevation_m))
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
    # Brings much of scipy along, which a run on measured weather need not wait for.
    from simulator.weather.draws import draw_weather

    heights = [height_m(stop, normal.elevation_m) for stop, normal in zip(stops, normals, strict=True)]
    elevation_m = np.array(heights)[clock.stop]
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
    return RouteWeather(table, elevation_m, drawn_sources(normals), ())


def drawn_sources(normals: Sequence[Normals]) -> tuple[str, ...]:
    said = dict.fromkeys(
        f"years drawn by chance from the monthly normals of {normal.name} ({normal.source})" for normal in normals
    )
    return tuple(said)


def drawn_years(scenario: Scenario, clock: Timeline, years: int, seed: int) -> WeatherYears:
    """Years drawn by chance from the normals of the stops.

    Raises
    ------
    InputError, ArchiveError
        As :func:`route_normals`.
    """
    normals = route_normals(scenario)

    def block(first: int, count: int) -> RouteWeather:
        return drawn_weather(clock, normals, scenario.stops, count, seed, first)

    notes = [note for stop, normal in zip(scenario.stops, normals, strict=True) for note in climate_notes(stop, normal)]
    return WeatherYears(
        "drawn",
        tuple(str(year + 1) for year in range(years)),
        block,
        drawn_sources(normals),
        tuple(dict.fromkeys(notes)),
        stops_that_freeze(scenario, clock, normals),
    )


def stops_that_freeze(scenario: Scenario, clock: Timeline, normals: Sequence[Normals]) -> tuple[bool, ...]:
    """(stops,) Whether the mean daily lowest is below freezing in a month of the stay."""
    found = []
    for place, normal in enumerate(normals):
        months = {day.month for day, where in zip(clock.dates, clock.day_stop, strict=True) if where == place}
        found.append(any(normal.temp_min_c[month - 1] < 0.0 for month in months))
    return tuple(found)


def first_drawn(scenario: Scenario, clock: Timeline) -> RouteWeather:
    """The first drawn year of the stops that have normals; what it holds for the other stops means nothing."""
    mistakes: dict[str, None] = {}
    known: list[Normals | None] = []
    for stop in scenario.stops:
        try:
            known.append(written_normals(stop) if asks_for_normals(stop) else None)
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
            known.append(None)
    if mistakes:
        raise InputError(mistakes)
    own = [normals for normals in known if normals is not None]
    filled, last = [], own[0]
    for normals in known:
        last = normals or last
        filled.append(last)
    found = drawn_weather(clock, filled, scenario.stops, 1, scenario.seed)
    said = dict.fromkeys(
        f"one year drawn by chance (seed {scenario.seed}, year 1) from {normals.source}; flatdays odds draws many"
        for normals in own
    )
    pairs = zip(scenario.stops, known, strict=True)
    notes = [note for stop, normals in pairs if normals is not None for note in climate_notes(stop, normals)]
    return RouteWeather(found.table, found.elevation_m, tuple(said), tuple(dict.fromkeys(notes)))
