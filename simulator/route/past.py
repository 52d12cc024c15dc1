"""Past years of the archive along a route, from the cache that ``flatdays fetch`` fills; no socket is opened here."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from simulator import weather
from simulator.errors import ArchiveError, InputError
from simulator.route.drawn import drawn_sources, drawn_weather, route_normals
from simulator.route.parts import RouteWeather, WeatherYears, asks_for_past, fetch_first, height_m, kept_year
from simulator.scenario.parts import Scenario
from simulator.timeline import Timeline
from simulator.weather.archive import cached_years
from simulator.weather.archive_files import kept_checksum
from simulator.weather.past import ArchiveYear, cell_of, elevation_corrected, hourly_past_weather, years_needed
from simulator.weather.station import short_sum


def past_years(scenario: Scenario, clock: Timeline, seed: int) -> WeatherYears:
    """Every past year of the archive in which the whole trip can be laid, as one trace each.

    A stay over New Year takes its days from consecutive years. Stops without past years get drawn years beside them.

    Raises
    ------
    InputError
        No stop asks for past years, or theirs have none in common, or a stop has no weather that varies.
    ArchiveError
        Not one such trip is in the cache.
    """
    if not any(map(asks_for_past, scenario.stops)):
        raise InputError(
            "--source: expected a stop with weather = { years = [2005, 2024] } for past years, got none; "
            "write it, or take drawn years"
        )
    traces, missing = _past_traces(scenario, clock)
    # The normals of years that are laid on the trip themselves are only asked for where other stops need drawn ones.
    normals = None if all(map(asks_for_past, scenario.stops)) else route_normals(scenario)

    def block(first: int, count: int) -> RouteWeather:
        beside = None if normals is None else drawn_weather(clock, normals, scenario.stops, count, seed, first)
        return _past_rows(scenario, clock, traces[first : first + count], beside)

    notes = []
    if missing:
        notes.append(
            f"{len(missing)} of {len(traces) + len(missing)} past years are left out, because they are not in the cache: "
            f"{_in_words(missing)}; flatdays fetch gets them"
        )
    names = tuple(_trace_name(scenario, clock, trace) for trace in traces)
    touched = range(traces[0], traces[-1] + clock.dates[-1].year - _trip_year(scenario) + 1)
    sources = [
        f"past years {names[0]} to {names[-1]} ({len(names)}) at {stop.name}: "
        f"the archive's half-degree cell around {cell.said}, checksum {short_sum(kept_checksum(cell, touched))}"
        for stop, cell in ((stop, cell_of(stop.latitude_deg, stop.longitude_deg)) for stop in scenario.stops)
        if asks_for_past(stop)
    ]
    if normals is not None:
        sources += drawn_sources([one for stop, one in zip(scenario.stops, normals, strict=True) if not asks_for_past(stop)])
    last = block(len(names) - 1, 1)
    rain_mm = np.full(clock.hours, np.nan) if last.precipitation_mm is None else last.precipitation_mm[0]
    untold_frost = np.isnan(rain_mm) & (last.table["temp_air"][0] < 0.0)
    freezes = tuple(bool(untold_frost[clock.stop == place].any()) for place in range(len(scenario.stops)))
    return WeatherYears("past", names, block, tuple(dict.fromkeys(sources)), tuple(notes), freezes)


def _in_words(years: Sequence[int]) -> str:
    """Years in a sentence: ``2005-2009, 2011``."""
    spans: list[list[int]] = []
    for year in years:
        if spans and year == spans[-1][-1] + 1:
            spans[-1][1:] = [year]
        else:
            spans.append([year])
    return ", ".join("-".join(map(str, span)) for span in spans)


def _trip_year(scenario: Scenario) -> int:
    return scenario.stops[0].arrive.year


def _trace_name(scenario: Scenario, clock: Timeline, trace: int) -> str:
    """``2005``, or ``2005/06`` for a trip over New Year."""
    last = trace + clock.dates[-1].year - _trip_year(scenario)
    return str(trace) if last == trace else f"{trace}/{last % 100:02d}"


def _past_traces(scenario: Scenario, clock: Timeline) -> tuple[list[int], list[int]]:
    """Years in which the trip may begin: those the cache has whole, and those it has not."""
    places = [place for place, stop in enumerate(scenario.stops) if asks_for_past(stop) and (clock.stop == place).any()]
    choices = [scenario.stops[place].weather for place in places]
    spans = [choice.years for choice in choices if choice is not None and choice.years is not None]
    if not spans:
        raise InputError("weather.years: expected a stop with past years at which some hours are spent, got none")
    first, last = max(span[0] for span in spans), min(span[1] for span in spans)
    asked = [
        [years_needed(clock.utc[clock.stop == place], _trip_year(scenario) - trace) for place in places]
        for trace in range(first, last + 1)
    ]
    fits = [
        trace
        for trace, needed in zip(range(first, last + 1), asked, strict=True)
        if all(first <= year <= last for years in needed for year in years)
    ]
    if not fits:
        needs = clock.dates[-1].year - _trip_year(scenario) + 1
        raise InputError(
            f"weather.years: expected at least {needs} past years that all stops have in common, got "
            f"{f'{first} to {last}' if first <= last else 'none'}; the trip runs through {needs} calendar years, ask for more"
        )
    kept: dict[object, frozenset[int]] = {}
    for place in places:
        stop = scenario.stops[place]
        cell = cell_of(stop.latitude_deg, stop.longitude_deg)
        if cell not in kept:
            kept[cell] = frozenset(cached_years(stop.latitude_deg, stop.longitude_deg))
    there: list[int] = []
    missing: list[int] = []
    lacking: dict[int, None] = {}
    for trace in fits:
        whole = True
        for place, years in zip(places, asked[trace - first], strict=True):
            stop = scenario.stops[place]
            if not kept[cell_of(stop.latitude_deg, stop.longitude_deg)].issuperset(years):
                whole = False
                lacking[place] = None
        (there if whole else missing).append(trace)
    if not there:
        raise ArchiveError("\n".join(fetch_first(scenario.stops[place]) for place in lacking))
    return there, missing


def _past_rows(scenario: Scenario, clock: Timeline, traces: Sequence[int], beside: RouteWeather | None = None) -> RouteWeather:
    """Past years as rows, at the height of each stop; ``beside`` is the weather of stops that ask for none."""
    rows = len(traces)
    table = {name: np.zeros((rows, clock.hours)) if beside is None else beside.table[name] for name in weather.COLUMNS}
    elevation_m = np.zeros(clock.hours) if beside is None else beside.elevation_m.copy()
    rain_mm = np.full((rows, clock.hours), np.nan)
    said: dict[str, None] = {}
    notes: dict[str, None] = {}
    for place, stop in enumerate(scenario.stops):
        here = clock.stop == place
        if not asks_for_past(stop) or not here.any():
            continue
        utc = clock.utc[here]
        cell = cell_of(stop.latitude_deg, stop.longitude_deg)
        years: dict[int, ArchiveYear] = {}
        for row, trace in enumerate(traces):
            back = _trip_year(scenario) - trace
            for year in years_needed(utc, back):
                if year not in years:
                    kept = kept_year(cell, year)
                    if kept is None:
                        raise ArchiveError(fetch_first(stop))
                    years[year] = kept
            found = hourly_past_weather(years, utc, back)
            for name, values in table.items():
                values[row, here] = found[name]
            rain_mm[row, here] = found["precipitation_mm"]
        for station in years.values():
            said[station.source] = None
            notes |= dict.fromkeys(f"{stop.name}, {station.year}: {note}" for note in station.notes)
        cell_m = next(iter(years.values())).elevation_m
        height = height_m(stop, cell_m)
        elevation_m[here] = height
        table["temp_air"][:, here] = elevation_corrected(table["temp_air"][:, here], cell_m, height)
    return RouteWeather(table, elevation_m, tuple(said), tuple(notes), None if np.isnan(rain_mm).all() else rain_mm)


def last_past(scenario: Scenario, clock: Timeline) -> RouteWeather:
    """The last whole trip of the past years that is in the cache, for the stops that ask for past years."""
    traces, missing = _past_traces(scenario, clock)
    trace = traces[-1]
    found = _past_rows(scenario, clock, [trace])
    notes = list(found.notes)
    if missing and missing[-1] > trace:
        notes.append(f"past years after {_trace_name(scenario, clock, trace)} are not in the cache; flatdays fetch gets them")
    return RouteWeather(found.table, found.elevation_m, found.sources, tuple(notes), found.precipitation_mm)
