"""``flatdays remedies``: what would end the flat days."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.csv_file import check_csv, write_csv
from simulator.cli.shared import Commands, example, measures_of, print_json, print_lines, progress
from simulator.cli.study_files import write_study


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
    remedies.add_argument(
        "--years", type=int, metavar="N", help="judge over so many weather years; left out: over the year of a plain run"
    )
    remedies.add_argument(
        "--source",
        choices=("written", "past", "drawn"),
        help="the one year of a plain run, past years of the archive, or drawn ones; left out: by --years and the stops",
    )
    remedies.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: the scenario's")
    remedies.add_argument("--load-spread", type=float, metavar="SHARE", help="how much a day's load varies (0.15)")
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

    check_csv(arguments.csv)
    if arguments.out is not None:
        from simulator.record import check_folder

        check_folder(arguments.out)
    found = remedies(
        scenario,
        years=arguments.years,
        seed=arguments.seed,
        source=arguments.source,
        load_spread_frac=arguments.load_spread,
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

        sys.stdout.flush()
        text = arguments.scenario.read_text(encoding="utf-8")
        write_study(remedies_files(found, text, measures_of(arguments)), arguments)
    if arguments.csv is not None:
        write_csv(arguments.csv, remedy_rows(found))
        if not arguments.json:
            print_lines(["", f"Written: {arguments.csv}"], wrap=False)
    return 0
