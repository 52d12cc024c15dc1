"""``flatdays life``: year after year until the bank is worn out."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.shared import Commands, print_json, print_lines


def add(commands: Commands) -> None:
    """Its arguments."""
    life = commands.add_parser(
        "life", help="repeat the route year after year: how long the bank lasts, and when it first runs flat"
    )
    life.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    life.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    life.set_defaults(act=_life)


def _life(arguments: argparse.Namespace) -> int:
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    from simulator.studies.life import life_summary, live

    found = live(scenario)
    if arguments.json:
        print_json(life_summary(found))
    else:
        from simulator.report.life import life_lines

        print_lines(life_lines(found))
    return 0
