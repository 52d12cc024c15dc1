"""``flatdays budget``: what the system as it stands can give."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.adding import add_added, print_effect, with_all_added
from simulator.cli.csv_file import check_csv, write_csv
from simulator.cli.shared import (
    Commands,
    add_weather_years,
    example,
    print_json,
    print_lines,
    progress,
    say_written,
    weather_years,
)


def add(commands: Commands) -> None:
    """Its arguments."""
    budget = commands.add_parser(
        "budget",
        help="how many watt-hours a day the system can give at each stop and month without a flat day",
        **example(
            "flatdays budget my-trip.toml",
            'flatdays budget my-trip.toml --add "60 W, 3 h"   the same with one more appliance',
        ),
    )
    budget.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    add_weather_years(budget)
    budget.add_argument(
        "--target", type=float, default=0.9, metavar="SHARE", help="over many years: this share must have no flat day (0.9)"
    )
    add_added(budget)
    budget.add_argument("--csv", type=Path, metavar="FILE", help="also write one row a stop and month there")
    budget.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    budget.set_defaults(act=_budget)


def _budget(arguments: argparse.Namespace) -> int:
    from simulator.scenario import read_scenario

    plain = read_scenario(arguments.scenario)
    scenario, added = with_all_added(plain, arguments)
    from simulator.studies.budget import budget, budget_rows, budget_summary

    check_csv(arguments.csv)
    found = budget(
        scenario,
        **weather_years(arguments),
        target_frac=arguments.target,
        progress=progress("rounds"),
    )
    effect = None
    if added:
        from simulator.studies.added import added_effect, effect_summary

        effect = added_effect(
            plain,
            added,
            found.weather,
            seed=found.choice.seed,
            load_spread_frac=found.choice.load_spread_frac,
            target_frac=1.0 if found.years == 1 else found.target_frac,
        )
        if not arguments.json:
            print_effect(effect)
    if arguments.json:
        print_json(budget_summary(found) | ({} if effect is None else {"added": effect_summary(effect)}))
    else:
        from simulator.report.budget import budget_lines

        print_lines(budget_lines(found))
    if arguments.csv is not None:
        rows = [row | {"passes_again_at": " ".join(map(str, row["passes_again_at"]))} for row in budget_rows(found)]
        write_csv(arguments.csv, rows)
        say_written(arguments.csv, arguments)
    return 0
