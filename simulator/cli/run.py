"""``flatdays run``: simulate the trip and give the answer."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.shared import EXIT_FLAT, Commands, print_lines, write_run


def add(commands: Commands) -> None:
    """Its arguments."""
    run = commands.add_parser("run", help="simulate the trip and give the answer")
    run.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    run.add_argument("--out", type=Path, metavar="FOLDER", help="also write summary.json, days.csv, hours.csv, report.html there")
    run.add_argument("--no-page", action="store_true", help="with --out: leave report.html out")
    run.add_argument("--json", action="store_true", help="print the summary as JSON and nothing else")
    run.add_argument("--fail-on-flat", action="store_true", help="exit with status 4 when there is a flat day")
    run.set_defaults(act=_run)


def _run(arguments: argparse.Namespace) -> int:
    from simulator.record import check_folder, summary_text
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    if arguments.out is not None:
        check_folder(arguments.out)
    from simulator.engine import simulate

    outcome = simulate(scenario)
    if arguments.json:
        sys.stdout.write(summary_text(outcome))
    else:
        from simulator.report.tables import answer_lines

        print_lines(answer_lines(outcome))
        sys.stdout.flush()
    if arguments.out is not None:
        write_run(outcome, arguments, arguments.out, page=not arguments.no_page)
    return EXIT_FLAT if arguments.fail_on_flat and outcome.flat_days else 0
