"""``flatdays remedies``: what would end the flat days."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.csv_file import write_csv
from simulator.cli.shared import (
    Commands,
    add_weather_years,
    example,
    measures_of,
    print_json,
    print_lines,
    progress,
    say_written,
    weather_years,
)
from simulator.cli.study_files import check_written, write_page


def add(commands: Commands) -> None:
    """Its arguments."""
    remedies = commands.add_parser(
        "remedies",
        help="try every change that may end the flat days, and pairs of them, with what they cost",
        **example(
            "flatdays remedies my-trip.toml               against the flat days of the year of a plain run",
            "flatdays remedies my-trip.toml --years 50    and how much they raise the odds",
        ),
    )
    remedies.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    add_weather_years(remedies)
    remedies.add_argument("--no-pairs", action="store_true", help="try single changes only")
    remedies.add_argument(
        "--out", type=Path, metavar="FOLDER", help="also write remedies.json, remedies.html and changes.csv there"
    )
    remedies.add_argument("--csv", type=Path, metavar="FILE", help="also write one row a change there")
    remedies.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    remedies.set_defaults(act=_remedies)


def _remedies(arguments: argparse.Namespace) -> int:
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    from simulator.studies.remedies import remedies
    from simulator.studies.remedy_rows import remedies_summary, remedy_rows

    check_written(arguments)
    found = remedies(
        scenario,
        **weather_years(arguments),
        pairs=not arguments.no_pairs,
        progress=progress("changes"),
    )
    if arguments.json:
        print_json(remedies_summary(found))
    else:
        from simulator.report.remedies import remedies_lines

        print_lines(remedies_lines(found, measures_of(arguments)))
    if arguments.out is not None:
        from simulator.report.files import remedies_files

        write_page(remedies_files, found, arguments)
    if arguments.csv is not None:
        write_csv(arguments.csv, remedy_rows(found))
        say_written(arguments.csv, arguments)
    return 0
