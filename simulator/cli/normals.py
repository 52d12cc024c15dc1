"""``flatdays normals``: monthly normals of a weather file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from simulator.cli.shared import Commands, example, print_lines
from simulator.errors import InputError, printable

if TYPE_CHECKING:
    from simulator.weather.normals import Normals

HOW_TO_ASK = (
    "How to ask",
    "  In a [[stop]]: the nearest of them (within 100 km), or one by name (in [weather], for all stops: normals = alone)",
    '    weather = { normals = "nearest" }',
    '    weather = { normals = "London/Gatwick" }',
    "  The figures of a place, to be looked at or changed",
    "    flatdays normals London",
    "  The figures of a weather file (EPW, TMY2, TMY3 or NSRDB csv)",
    "    flatdays normals place.epw",
    "  The real past years of any other point, once, over the network",
    "    flatdays fetch my-trip.toml --years 2005-2024",
)


def add(commands: Commands) -> None:
    """Its arguments."""
    normals = commands.add_parser(
        "normals",
        help="monthly normals of a weather file, ready to be pasted into a scenario; or the places that come along",
        **example(
            "flatdays normals                 the places that come along, and how to ask",
            "flatdays normals place.epw       the normals of a weather file",
            "flatdays normals London          those of a place that comes along",
        ),
    )
    normals.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        nargs="?",
        help="a weather year (EPW, TMY2, TMY3 or NSRDB csv), or a place of the list; left out: the list",
    )
    normals.add_argument("--places", action="store_true", help="list the places whose normals come with flatdays, by name")
    normals.set_defaults(act=_normals)


def _normals(arguments: argparse.Namespace) -> int:
    if arguments.places:
        _print_places()
        return 0
    if arguments.file is None:
        print_lines(["Places whose monthly climate figures come with flatdays"])
        _print_places()
        print_lines(["", *HOW_TO_ASK], wrap=False)
        return 0
    from simulator.weather import read_weather_file
    from simulator.weather.climate import normals_toml
    from simulator.weather.normals import normals_from_station

    found = _place_named(arguments.file)
    sys.stdout.write(normals_toml(normals_from_station(read_weather_file(arguments.file)) if found is None else found))
    return 0


def _place_named(file: Path) -> Normals | None:
    """A place of the table by its name, where no such file is; None: what was given is meant as a file.

    Raises
    ------
    InputError
        It has no ending as a file would, and is no place of the table.
    """
    name = str(file)
    if file.suffix or len(file.parts) > 2 or not name.isprintable() or file.exists():
        return None
    from simulator.weather.normals_table import normals_from_table

    try:
        return normals_from_table(name)
    except InputError as error:
        told, hint, near = error.mistakes[0].partition("Did you mean")
        several = "" if hint or "may be" not in told else f" {told}"
        raise InputError(
            f"{printable(name)}: there is no such file, and no one place of this name comes along.{several} "
            f"{hint}{near}{' ' if hint else ''}flatdays normals lists the places."
        ) from None


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
