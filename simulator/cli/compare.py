"""``flatdays compare``: designs side by side over the same weather years."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.csv_file import check_csv, write_csv
from simulator.cli.shared import Commands, example, measures_of, print_json, print_lines
from simulator.cli.study_files import write_study
from simulator.errors import InputError


def add(commands: Commands) -> None:
    """Its arguments."""
    beside = commands.add_parser(
        "compare",
        help="hold designs against each other over the same weather: files, or the variants inside one",
        **example(
            "flatdays compare lithium.toml agm.toml       two files with the same stops",
            "flatdays compare my-trip.toml                the file as written and each [[variant]] in it",
            "flatdays compare my-trip.toml --out beside   also the page compare.html",
        ),
    )
    beside.add_argument(
        "scenarios", type=Path, nargs="+", metavar="SCENARIO", help="scenario files (TOML); variants in them count"
    )
    beside.add_argument("--years", type=int, default=20, metavar="N", help="weather years to draw (20)")
    beside.add_argument(
        "--source",
        choices=("written", "past", "drawn"),
        help="the one year of a plain run, past years of the archive, or drawn ones; left out: past ones if a stop asks for them",
    )
    beside.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: that of the first scenario")
    beside.add_argument("--load-spread", type=float, metavar="SHARE", help="how much a day's load varies over many years (0.15)")
    beside.add_argument(
        "--out", type=Path, metavar="FOLDER", help="also write compare.json, compare.html, designs.csv and years.csv there"
    )
    beside.add_argument("--csv", type=Path, metavar="FILE", help="also write one row a design there")
    beside.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    beside.set_defaults(act=_compare)


def _compare(arguments: argparse.Namespace) -> int:
    from simulator.scenario.variants import AS_WRITTEN, read_variants

    designs = []
    mistakes: list[str] = []
    several = len(arguments.scenarios) > 1
    for path in arguments.scenarios:
        try:
            variants = read_variants(path)
        except InputError as error:
            mistakes += error.mistakes
            continue
        for name, scenario in variants:
            label = name if not several else path.stem if name == AS_WRITTEN else f"{path.stem}: {name}"
            designs.append((label, scenario))
    if mistakes:
        raise InputError(mistakes)
    check_csv(arguments.csv)
    if arguments.out is not None:
        from simulator.record import check_folder

        check_folder(arguments.out)
    from simulator.report.compare import comparison_lines
    from simulator.studies.compare import compare
    from simulator.studies.compare_tables import comparison_rows, comparison_summary

    found = compare(designs, arguments.years, arguments.seed, source=arguments.source, load_spread_frac=arguments.load_spread)
    if arguments.json:
        print_json(comparison_summary(found))
    else:
        print_lines(comparison_lines(found, measures_of(arguments)))
    if arguments.out is not None:
        from simulator.report.files import comparison_files

        sys.stdout.flush()
        texts = [(path.name, path.read_text(encoding="utf-8")) for path in arguments.scenarios]
        write_study(comparison_files(found, texts, measures_of(arguments)), arguments)
    if arguments.csv is not None:
        write_csv(arguments.csv, comparison_rows(found))
        if not arguments.json:
            print_lines(["", f"Written: {arguments.csv}"], wrap=False)
    return 0
