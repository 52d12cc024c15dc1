"""``flatdays run``: simulate the trip and give the answer."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from simulator.cli.adding import add_added, print_effect, with_all_added
from simulator.cli.shared import EXIT_FLAT, Commands, example, measures_of, print_json, print_lines, write_run


def add(commands: Commands) -> None:
    """Its arguments."""
    run = commands.add_parser(
        "run",
        help="simulate the trip: on which days the bank runs flat, why, and what would mend it",
        **example(
            "flatdays run my-trip.toml",
            "flatdays run my-trip.toml --out results --plots results/plots",
            "flatdays run my-trip.toml --units us --assumptions",
        ),
    )
    run.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    run.add_argument("--out", type=Path, metavar="FOLDER", help="also write summary.json, days.csv, hours.csv, report.html there")
    run.add_argument("--no-page", action="store_true", help="with --out: leave report.html out")
    add_added(run)
    run.add_argument("--plots", type=Path, metavar="FOLDER", help="also draw charge, sun and energy there, as PNG and SVG")
    run.add_argument(
        "--assumptions", action="store_true", help="list every value that was taken where nothing was written, with its source"
    )
    run.add_argument("--json", action="store_true", help="print the summary as JSON and nothing else")
    run.add_argument("--fail-on-flat", action="store_true", help="exit with status 4 when there is a flat day")
    run.set_defaults(act=_run)


def _run(arguments: argparse.Namespace) -> int:
    from simulator.record import check_folder, summary, summary_text
    from simulator.scenario import read_scenario

    plain = read_scenario(arguments.scenario)
    scenario, added = with_all_added(plain, arguments)
    for folder in (arguments.out, arguments.plots):
        if folder is not None:
            check_folder(folder)
    from simulator.engine import simulate

    outcome = simulate(scenario)
    effect = None
    if added:
        from simulator.studies.added import effect_in_written_year, effect_summary

        effect = effect_in_written_year(plain, added)
        if not arguments.json:
            print_effect(effect)
    if arguments.json and effect is not None:
        print_json(summary(outcome) | {"added": effect_summary(effect)})
    elif arguments.json:
        sys.stdout.write(summary_text(outcome))
    else:
        from simulator.report.tables import answer_lines

        print_lines(answer_lines(outcome, measures_of(arguments), every_assumption=arguments.assumptions))
        sys.stdout.flush()
    if arguments.out is not None:
        write_run(outcome, arguments, arguments.out, page=not arguments.no_page)
    if arguments.plots is not None:
        from simulator.report.plots import run_plots, write_plots

        written = write_plots(arguments.plots, run_plots(outcome, measures_of(arguments)))
        if not arguments.json:
            print_lines(["", f"Drawn in {arguments.plots}: {', '.join(written)}"], wrap=False)
    return EXIT_FLAT if arguments.fail_on_flat and outcome.flat_days else 0
