"""``flatdays life``: year after year until the bank is worn out."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.shared import Commands, example, measures_of, print_json, print_lines
from simulator.cli.study_files import write_study


def add(commands: Commands) -> None:
    """Its arguments."""
    life = commands.add_parser(
        "life",
        help="repeat the route year after year: how long the bank lasts, and when it first runs flat",
        **example("flatdays life my-trip.toml"),
    )
    life.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    life.add_argument("--out", type=Path, metavar="FOLDER", help="also write life.json, life.html and years.csv there")
    life.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    life.set_defaults(act=_life)


def _life(arguments: argparse.Namespace) -> int:
    from simulator.record import check_folder
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    if arguments.out is not None:
        check_folder(arguments.out)
    from simulator.studies.life import life_summary, live

    found = live(scenario)
    if arguments.json:
        print_json(life_summary(found))
    else:
        from simulator.report.life import life_lines

        print_lines(life_lines(found, measures_of(arguments)))
    if arguments.out is not None:
        from simulator.report.files import life_files

        sys.stdout.flush()
        write_study(life_files(found, arguments.scenario.read_text(encoding="utf-8"), measures_of(arguments)), arguments)
    return 0
