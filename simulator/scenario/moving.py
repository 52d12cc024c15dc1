"""The same route on other dates: the written dates are moved, and every stay and drive is laid out again by the reader.

Nothing is moved on the axis of UTC: a departure at nine stays one at nine on the clock of its stop, in summer time or out of
it, and a stay keeps its count of days through 29 February.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

from simulator.errors import InputError
from simulator.scenario.desk import Desk
from simulator.scenario.parts import Scenario
from simulator.scenario.stops import merge_stops
from simulator.scenario.values import FIRST_YEAR, LAST_YEAR


def route_moved(scenario: Scenario, days: int) -> Scenario:
    """Move the whole route: every arrival and every departure by the same number of days.

    Parameters
    ----------
    scenario : Scenario
        As it was read; changes made to its parts since then are kept.
    days : int
        Later when positive.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        The route cannot be laid out there: a written time that the clock skips on that day, a year out of range.
    """
    return _laid_out(scenario, {position: {"arrive": days, "depart": days} for position in range(len(scenario.stops))})


def departure_moved(scenario: Scenario, number: int, days: int) -> Scenario:
    """Leave one stop earlier or later; the next one is reached as much earlier or later, and all other dates stay.

    Parameters
    ----------
    scenario : Scenario
    number : int
        Of the stop, from 1. Of the last stop the end of the trip is moved.
    days : int
        Later when positive.

    Raises
    ------
    InputError
        No such stop, or one of the two stays would be gone.
    """
    if not 1 <= number <= len(scenario.stops):
        raise InputError(f"--stop: expected the number of a stop from 1 to {len(scenario.stops)}, got {number}")
    return _laid_out(scenario, {number - 1: {"depart": days}, number: {"arrive": days}})


def _laid_out(scenario: Scenario, moves: Mapping[int, Mapping[str, int]]) -> Scenario:
    """Lay the route out again with some dates moved; only the dates and what follows from them change."""
    file = scenario.path.name if scenario.path is not None else "scenario"
    if len(scenario.route_written) != len(scenario.stops):
        raise InputError(f"{file}: expected a route as it was written, got one made by a program; read it from a scenario file")
    written = []
    for position, stop in enumerate(scenario.route_written):
        update: dict[str, Any] = {}
        for key, days in moves.get(position, {}).items():
            try:
                update[key] = getattr(stop, key) + timedelta(days=days)
            except OverflowError:
                update[key] = None
            if update[key] is None or not FIRST_YEAR <= update[key].year <= LAST_YEAR:
                raise InputError(f"{file}: expected dates from {FIRST_YEAR} to {LAST_YEAR}, got a route moved by {days} days")
        written.append(stop.model_copy(update=update))
    desk = Desk(file=file, raw={"stop": [{"name": stop.name} for stop in scenario.stops]})
    stops = merge_stops(tuple(written), desk, scenario.weather_default, scenario.path)
    if desk.mistakes or len(stops) != len(scenario.stops):
        raise InputError(desk.mistakes)
    return replace(
        scenario,
        stops=tuple(
            replace(
                old,
                arrive=new.arrive,
                depart=new.depart,
                stand_from_utc=new.stand_from_utc,
                stand_to_utc=new.stand_to_utc,
                drives_utc=new.drives_utc,
            )
            for old, new in zip(scenario.stops, stops, strict=True)
        ),
        route_written=tuple(written),
    )
