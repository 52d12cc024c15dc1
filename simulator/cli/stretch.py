"""``flatdays stretch``: a dark spell from a full bank."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.shared import Commands, example, measures_of, print_json, print_lines
from simulator.errors import InputError

MOST_NAMED = 20


def add(commands: Commands) -> None:
    """Its arguments."""
    spell = commands.add_parser(
        "stretch",
        help="how many dull days a full bank carries the load through, beside the hand formula",
        **example(
            "flatdays stretch my-trip.toml --stop 1",
            'flatdays stretch my-trip.toml --stop "Lake shore" --date 2026-12-15 --spell 5',
        ),
    )
    spell.add_argument("scenario", type=Path, metavar="SCENARIO", help="the scenario file (TOML)")
    spell.add_argument("--stop", metavar="N", help="number of the stop, from 1, or its name; left out: the only one there is")
    spell.add_argument("--date", metavar="YYYY-MM-DD", help="first day, full at midnight; left out: the arrival")
    spell.add_argument(
        "--kt", type=float, default=0.2, metavar="SHARE", help="share of the light that comes through (0.2: overcast)"
    )
    spell.add_argument("--temp", type=float, metavar="C", help="air temperature; left out: the mean of the month there")
    spell.add_argument("--spell", type=int, metavar="DAYS", help="instead of --kt: the darkest so many days about that date")
    spell.add_argument("--years", type=int, default=100, metavar="N", help="with --spell: weather years to draw (100)")
    spell.add_argument("--seed", type=int, metavar="S", help="with --spell: start of the chance; left out: the scenario's")
    spell.add_argument("--source", choices=("past", "drawn"), help="with --spell: which years to look in")
    spell.add_argument("--json", action="store_true", help="print the answer as JSON and nothing else")
    spell.set_defaults(act=_stretch)


def _stretch(arguments: argparse.Namespace) -> int:
    from datetime import date

    from simulator.scenario import read_scenario

    scenario = read_scenario(arguments.scenario)
    try:
        day = None if arguments.date is None else date.fromisoformat(arguments.date)
    except ValueError:
        raise InputError(f'--date: expected a date such as 2026-12-15, got "{arguments.date}"') from None
    from simulator.report.spell import stretch_lines
    from simulator.studies.stretch import find_stop, stretch, stretch_summary

    if arguments.stop is None and len(scenario.stops) > 1:
        names = ", ".join(f'{stop.number} "{stop.name}"' for stop in scenario.stops[:MOST_NAMED])
        raise InputError(f"--stop: expected the number or the name of a stop, got none. The stops are {names}.")
    stop = find_stop(scenario, arguments.stop or "1")
    found = stretch(
        scenario,
        stop,
        stop.arrive if day is None else day,
        kt=arguments.kt,
        temp_c=arguments.temp,
        spell_days=arguments.spell,
        years=arguments.years,
        source=arguments.source,
        seed=arguments.seed,
    )
    if arguments.json:
        print_json(stretch_summary(found))
    else:
        print_lines(stretch_lines(found, measures_of(arguments)))
    return 0
