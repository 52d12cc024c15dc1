"""``--add "1400 W, 6 h"``: one more appliance for this answer, the scenario file left as it is."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from simulator.cli.shared import print_lines
from simulator.errors import InputError

if TYPE_CHECKING:
    from simulator.scenario.parts import Scenario
    from simulator.studies.added import Effect
    from simulator.studies.added_words import Added


def add_added(command: argparse.ArgumentParser) -> None:
    """The argument; it may be given several times."""
    command.add_argument(
        "--add",
        action="append",
        default=[],
        metavar='"1400 W, 6 h"',
        help='one more appliance, also "60 W dc, 10 h, night" or "1.2 kW, 30 min, 12:00-13:00": what it does, and how long it '
        "could run; may be given several times",
    )


def with_all_added(scenario: Scenario, arguments: argparse.Namespace) -> tuple[Scenario, tuple[Added, ...]]:
    """The scenario with everything that was added (behind a larger inverter where that is needed), and what was added.

    Raises
    ------
    InputError
        With every mistake in any of them.
    """
    texts: list[str] = arguments.add
    if not texts:
        return scenario, ()
    from simulator.studies.added import with_added, with_everything
    from simulator.studies.added_words import read_added

    mistakes: dict[str, None] = {}
    found = []
    for text in texts:
        try:
            each = read_added(text)
            with_added(scenario, each)
            found.append(each)
        except InputError as error:
            mistakes |= dict.fromkeys(error.mistakes)
    if mistakes:
        raise InputError(mistakes)
    return with_everything(scenario, found)[0], tuple(found)


def print_effect(effect: Effect) -> None:
    """Print what they do before the answer itself."""
    from simulator.report.added import added_lines

    print_lines([*added_lines(effect), ""])
