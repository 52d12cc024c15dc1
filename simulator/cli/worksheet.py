"""``flatdays worksheet``: the hand calculation beside the simulation, bus voltage and inverter."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.shared import Commands, example, measures_of, print_json, print_lines


def add(commands: Commands) -> None:
    """Its arguments."""
    sheet = commands.add_parser(
        "worksheet",
        help="the hand calculation beside the simulated answer, and what bus voltage and inverter the load asks for",
        **example("flatdays worksheet my-trip.toml", "flatdays worksheet my-trip.toml --autonomy 4 --margin 0.15"),
    )
    sheet.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    sheet.add_argument("--autonomy", type=float, default=3.0, metavar="DAYS", help="days without sun to count by hand (3)")
    sheet.add_argument("--margin", type=float, default=0.10, metavar="SHARE", help="margin of the hand calculation (0.10)")
    sheet.add_argument(
        "--daily-depth",
        type=float,
        metavar="SHARE",
        help="deepest discharge of an ordinary day; left out: 0.2 for lead-acid, the planning share for lithium",
    )
    sheet.add_argument("--years", type=int, metavar="N", help="also simulate over so many weather years")
    sheet.add_argument("--seed", type=int, metavar="S", help="with --years: start of the chance; left out: the scenario's")
    sheet.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    sheet.set_defaults(act=_worksheet)


def _worksheet(arguments: argparse.Namespace) -> int:
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    from simulator.report.worksheet import worksheet_lines
    from simulator.studies.worksheet import worksheet, worksheet_summary

    found = worksheet(scenario, arguments.autonomy, arguments.margin, arguments.daily_depth, arguments.years, arguments.seed)
    if arguments.json:
        print_json(worksheet_summary(found))
    else:
        print_lines(worksheet_lines(found, measures_of(arguments)))
    return 0
