"""``flatdays fetch``: past years of weather into the cache."""

from __future__ import annotations

import argparse
import shlex
from pathlib import Path

from simulator.cli.shared import Commands, bar, example, measures_of, print_lines
from simulator.errors import InputError


def add(commands: Commands) -> None:
    """Its arguments."""
    fetch = commands.add_parser(
        "fetch",
        help="bring past years of weather for every stop into the cache; the only command that uses the network",
        **example("flatdays fetch my-trip.toml --years 2005-2024", "flatdays fetch my-trip.toml --offline"),
    )
    fetch.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    fetch.add_argument("--years", metavar="FIRST-LAST", help="such as 2005-2024; left out: the years its stops ask for")
    fetch.add_argument("--offline", action="store_true", help="ask nobody: only look whether they are all there")
    fetch.set_defaults(act=_fetch)


def _fetch(arguments: argparse.Namespace) -> int:
    from datetime import date

    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    asking = [stop for stop in scenario.stops if stop.weather is not None and stop.weather.years is not None]
    if arguments.years is None:
        spans = [stop.weather.years for stop in asking if stop.weather is not None and stop.weather.years is not None]
        if not spans:
            raise InputError(
                "--years: expected the first and the last year such as 2005-2024, got none, and no stop asks for any"
            )
        first, last = min(span[0] for span in spans), max(span[1] for span in spans)
    else:
        first, last = _year_span(arguments.years)
    from simulator.weather.archive import check_years, get_into_cache

    check_years(first, last, date.today())
    stops = asking if arguments.years is None else scenario.stops
    points = list(dict.fromkeys((stop.latitude_deg, stop.longitude_deg) for stop in stops))
    found = get_into_cache(points, range(first, last + 1), offline=arguments.offline, on_progress=bar())
    cells = "1 cell" if found.cells == 1 else f"{found.cells} cells"
    print_lines(
        [
            f"{first} to {last} in {cells} of the archive: {found.asked} years of cells fetched, {found.kept} were there before.",
            *(f"  - {measures_of(arguments).sentence(note)}" for note in found.notes),
            f"Use them with weather = {{ years = [{first}, {last}] }}, then:",
            f"  flatdays odds {shlex.quote(str(arguments.scenario))}",
        ]
    )
    return 0


def _year_span(text: str) -> tuple[int, int]:
    """First and last year of ``2005-2024`` or ``2010``."""
    parts = text.split("-")
    if len(parts) > 2 or not all(part.isdecimal() and len(part) == 4 for part in parts):
        raise InputError(f'--years: expected the first and the last year such as 2005-2024, got "{text}"')
    return int(parts[0]), int(parts[-1])
