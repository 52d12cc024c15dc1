"""``flatdays odds``: the trip over many weather years."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.shared import Commands, print_json, print_lines, progress, write_run


def add(commands: Commands) -> None:
    """Its arguments."""
    chances = commands.add_parser("odds", help="run the trip over many weather years: in how many does the bank run flat")
    chances.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    chances.add_argument("--years", type=int, default=100, metavar="N", help="weather years to draw (100)")
    chances.add_argument(
        "--source",
        choices=("past", "drawn", "both"),
        help="past years of the archive, drawn ones, or both side by side; left out: past years if a stop asks for them",
    )
    chances.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: the scenario's")
    chances.add_argument("--load-spread", type=float, default=0.15, metavar="SHARE", help="how much a day's load varies (0.15)")
    chances.add_argument(
        "--worst", type=Path, metavar="FOLDER", help="also run the worst year hour by hour and write its files there"
    )
    chances.add_argument("--json", action="store_true", help="print the odds as JSON and nothing else")
    chances.set_defaults(act=_odds)


def _odds(arguments: argparse.Namespace) -> int:
    from simulator.record import check_folder
    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    if arguments.worst is not None:
        check_folder(arguments.worst)
    from simulator.report.chances import odds_lines
    from simulator.studies.odds import odds, odds_summary, worst_outcome

    each = [
        odds(
            scenario,
            arguments.years,
            arguments.seed,
            source=source,
            load_spread_frac=arguments.load_spread,
            progress=progress("years"),
        )
        for source in (("past", "drawn") if arguments.source == "both" else (arguments.source,))
    ]
    found = each[0]
    if arguments.json:
        summary = odds_summary(found)
        for beside in each[1:]:
            summary["beside"] = odds_summary(beside)
        print_json(summary)
    else:
        print_lines(odds_lines(*each))
    if arguments.worst is not None:
        write_run(worst_outcome(found), arguments, arguments.worst)
    return 0
