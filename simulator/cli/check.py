"""``flatdays check``: only read the scenario."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.shared import Commands, example, measures_of, print_lines
from simulator.errors import InputError


def add(commands: Commands) -> None:
    """Its arguments."""
    check = commands.add_parser(
        "check",
        help="only read the scenario: what was understood, and every mistake in it at once",
        **example("flatdays check my-trip.toml"),
    )
    check.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    check.set_defaults(act=_check)


def _check(arguments: argparse.Namespace) -> int:
    from simulator.report.layout import Line
    from simulator.scenario import describe
    from simulator.scenario.variants import read_variants
    from simulator.weather import look_at_weather_file
    from simulator.weather.heads import Origin, origin_of_file, origin_of_sample, origin_words
    from simulator.weather.station import refuse_other_hemisphere

    (_, scenario), *variants = read_variants(arguments.scenario)
    weather: dict[int, str] = {}
    mistakes: dict[str, None] = {}
    files = dict.fromkeys(stop.weather.file for stop in scenario.stops if stop.weather is not None)
    for path in filter(None, files):
        try:
            look_at_weather_file(path)
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    for stop in scenario.stops:
        choice = stop.weather
        if choice is not None and (choice.file is not None or choice.sample is not None):
            found = origin_of_sample(choice.sample) if choice.sample is not None else origin_of_file(choice.file or Path())
            if found is not None:
                weather[stop.number] = origin_words(found, stop)
                try:
                    refuse_other_hemisphere(found.name, found.latitude_deg, stop)
                except InputError as error:
                    mistakes |= dict.fromkeys(error.mistakes)
    # A stop that asks for the nearest place has to look up its height, which takes the heavy libraries.
    named = [stop for stop in scenario.stops if stop.weather is not None and stop.weather.normals is not None]
    if named:
        from simulator.weather.climate import written_normals

        for stop in named:
            try:
                normals = written_normals(stop)
                if stop.weather is not None and stop.weather.normals is not None and stop.weather.normals.place is not None:
                    origin = Origin(normals.name, normals.latitude_deg, normals.longitude_deg, normals.elevation_m)
                    words = origin_words(origin, stop)
                    known = stop.weather.normals.place.casefold() == normals.name.casefold()
                    weather[stop.number] = words.removeprefix(f"{normals.name}, ") if known else words
            except InputError as error:
                mistakes |= dict.fromkeys(error.mistakes)
    if any(appliance.profile is not None for appliance in scenario.appliances):
        from simulator.loads import judge_profiles

        try:
            judge_profiles(scenario.appliances)
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    if mistakes:
        raise InputError(mistakes)
    measures = measures_of(arguments)
    title, *lines = describe(scenario, weather)
    if variants:
        lines += ["", "Variants for flatdays compare", *(f"  - {name}" for name, _ in variants)]
    print_lines([Line(title), *(measures.sentence(line) for line in lines)])
    return 0
