"""``flatdays normals``: monthly normals of a weather file."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.shared import Commands


def add(commands: Commands) -> None:
    """Its arguments."""
    normals = commands.add_parser("normals", help="monthly normals of a weather file, ready to be pasted into a scenario")
    normals.add_argument("file", type=Path, metavar="FILE", help="a weather year: EPW, TMY2, TMY3 or NSRDB csv")
    normals.set_defaults(act=_normals)


def _normals(arguments: argparse.Namespace) -> int:
    from simulator.weather import read_weather_file
    from simulator.weather.climate import normals_toml
    from simulator.weather.normals import normals_from_station

    sys.stdout.write(normals_toml(normals_from_station(read_weather_file(arguments.file))))
    return 0
