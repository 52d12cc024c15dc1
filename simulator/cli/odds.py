"""``flatdays odds``: the trip over many weather years."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.adding import add_added, print_effect, with_all_added
from simulator.cli.shared import Commands, example, measures_of, print_json, print_lines, progress, write_run
from simulator.cli.study_files import write_study


def add(commands: Commands) -> None:
    """Its arguments."""
    chances = commands.add_parser(
        "odds",
        help="run the trip over many weather years: in how many does the bank run flat",
        **example("flatdays odds my-trip.toml --years 200", "flatdays odds my-trip.toml --source both --worst worst-year"),
    )
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
        "--out", type=Path, metavar="FOLDER", help="also write odds.json, odds.html, weeks.csv and years.csv there"
    )
    chances.add_argument(
        "--worst", type=Path, metavar="FOLDER", help="also run the worst year hour by hour and write its files there"
    )
    add_added(chances)
    chances.add_argument("--json", action="store_true", help="print the odds as JSON and nothing else")
    chances.set_defaults(act=_odds)


def _odds(arguments: argparse.Namespace) -> int:
    from simulator.record import check_folder
    from simulator.scenario import read_scenario

    plain = read_scenario(arguments.scenario)
    scenario, added = with_all_added(plain, arguments)
    for folder in (arguments.out, arguments.worst):
        if folder is not None:
            check_folder(folder)
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
    effect = None
    if added:
        from simulator.studies.added import effect_over_years, effect_summary

        effect = effect_over_years(found, plain, added)
        if not arguments.json:
            print_effect(effect)
    if arguments.json:
        summary = odds_summary(found)
        for beside in each[1:]:
            summary["beside"] = odds_summary(beside)
        if effect is not None:
            summary["added"] = effect_summary(effect)
        print_json(summary)
    else:
        print_lines(odds_lines(each[0], each[1] if len(each) > 1 else None, measures_of(arguments)))
    if arguments.out is not None:
        from simulator.report.files import odds_files

        sys.stdout.flush()
        told = None if effect is None else effect_summary(effect)
        text = arguments.scenario.read_text(encoding="utf-8")
        write_study(odds_files(each, text, measures_of(arguments), arguments.add, told), arguments)
    if arguments.worst is not None:
        write_run(worst_outcome(found), arguments, arguments.worst)
    return 0
