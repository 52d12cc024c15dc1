"""``flatdays check``: only read the scenario."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.shared import Commands, print_lines
from simulator.errors import InputError


def add(commands: Commands) -> None:
    """Its arguments."""
    check = commands.add_parser("check", help="only read the scenario: what was understood, and every mistake in it at once")
    check.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    check.set_defaults(act=_check)


def _check(arguments: argparse.Namespace) -> int:
    from simulator.scenario import describe, read_scenario
    from simulator.weather import look_at_weather_file

    scenario = read_scenario(arguments.scenario)
    mistakes: dict[str, None] = {}
    files = dict.fromkeys(stop.weather.file for stop in scenario.stops if stop.weather is not None)
    for path in filter(None, files):
        try:
            look_at_weather_file(path)
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    # A stop that asks for the nearest place has to look up its height, which takes the heavy libraries.
    named = [stop for stop in scenario.stops if stop.weather is not None and stop.weather.normals is not None]
    if named:
        from simulator.weather.climate import written_normals

        for stop in named:
            try:
                written_normals(stop)
            except InputError as error:
                mistakes |= dict.fromkeys(error.mistakes)
    if mistakes:
        raise InputError(mistakes)
    print_lines(describe(scenario))
    return 0
