"""``flatdays normals``: monthly normals of a weather file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.shared import Commands, example, print_lines
from simulator.errors import InputError


def add(commands: Commands) -> None:
    """Its arguments."""
    normals = commands.add_parser(
        "normals",
        help="monthly normals of a weather file, ready to be pasted into a scenario; or the places that come along",
        **example("flatdays normals place.epw", "flatdays normals --places"),
    )
    normals.add_argument("file", type=Path, metavar="FILE", nargs="?", help="a weather year: EPW, TMY2, TMY3 or NSRDB csv")
    normals.add_argument("--places", action="store_true", help="list the places whose normals come with flatdays, by name")
    normals.set_defaults(act=_normals)


def _normals(arguments: argparse.Namespace) -> int:
    if arguments.places:
        _print_places()
        return 0
    if arguments.file is None:
        raise InputError("expected a weather file, got none. flatdays normals --places lists what comes along.")
    from simulator.weather import read_weather_file
    from simulator.weather.climate import normals_toml
    from simulator.weather.normals import normals_from_station

    sys.stdout.write(normals_toml(normals_from_station(read_weather_file(arguments.file))))
    return 0


def _print_places() -> None:
    from simulator.report.layout import text_table
    from simulator.weather.normals_table import normals_from_table, normals_names

    places = sorted((normals_from_table(name) for name in normals_names()), key=lambda place: place.name.casefold())
    head = ("place", "latitude", "longitude", "height m", "figures from")
    rows = [
        (
            place.name,
            f"{place.latitude_deg:.2f}",
            f"{place.longitude_deg:.2f}",
            f"{place.elevation_m or 0.0:.0f}",
            "a typical year" if place.typical else "a single year",
        )
        for place in places
    ]
    print_lines(list(text_table(head, rows)))
