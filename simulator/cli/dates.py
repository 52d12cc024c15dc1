"""``flatdays dates``: the trip in other weeks of the year."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

from simulator.cli.csv_file import check_csv, write_csv
from simulator.cli.shared import Commands, example, print_json, print_lines, progress, say_written


def add(commands: Commands) -> None:
    """Its arguments."""
    dates = commands.add_parser(
        "dates",
        help="move the trip through the year week by week: when is it safe to go",
        **example(
            "flatdays dates my-trip.toml                         every week of the year",
            "flatdays dates my-trip.toml --stop 2 --weeks -4..4  leave the second stop up to four weeks earlier or later",
        ),
    )
    # A range such as -8..8 begins like an option; for argparse it must look like a number.
    dates._negative_number_matcher = re.compile(r"^-\d")
    dates.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    dates.add_argument(
        "--weeks", metavar="FROM..TO", help="weeks earlier and later, such as -8..8; left out: the whole calendar year"
    )
    dates.add_argument("--step", type=int, default=1, metavar="W", help="only every so many weeks (1)")
    dates.add_argument(
        "--stop",
        type=int,
        metavar="N",
        help="only leave stop N earlier or later, and reach the next one as much earlier or later",
    )
    dates.add_argument("--years", type=int, default=50, metavar="N", help="weather years to draw for every week (50)")
    dates.add_argument(
        "--source",
        choices=("written", "past", "drawn"),
        help="the one year of a plain run, past years of the archive, or drawn ones; left out: past years if a stop has them",
    )
    dates.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: the scenario's")
    dates.add_argument("--load-spread", type=float, metavar="SHARE", help="how much a day's load varies (0.15)")
    dates.add_argument(
        "--target", type=float, default=0.9, metavar="SHARE", help="a week is safe when this share of years has no flat day (0.9)"
    )
    dates.add_argument("--csv", type=Path, metavar="FILE", help="also write one row a week there")
    dates.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    dates.set_defaults(act=_dates)


def _dates(arguments: argparse.Namespace) -> int:
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    from simulator.studies.dates import dates, dates_rows, dates_summary, read_weeks

    check_csv(arguments.csv)
    found = dates(
        scenario,
        read_weeks(arguments.weeks),
        step_weeks=arguments.step,
        stop=arguments.stop,
        years=arguments.years,
        seed=arguments.seed,
        source=arguments.source,
        load_spread_frac=arguments.load_spread,
        target_frac=arguments.target,
        progress=progress("weeks"),
    )
    if arguments.json:
        print_json(dates_summary(found))
    else:
        from simulator.report.dates import dates_lines

        print_lines(dates_lines(found))
    if arguments.csv is not None:
        write_csv(arguments.csv, dates_rows(found))
        say_written(arguments.csv, arguments)
    return 0
