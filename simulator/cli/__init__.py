"""The ``flatdays`` command: arguments and printing only, one file a command; heavy imports stay inside the commands."""

from __future__ import annotations

import argparse
import atexit
import gc
import os
import shlex
import sys
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from simulator.cli import (
    budget,
    check,
    compare,
    completion,
    dates,
    fetch,
    life,
    new,
    normals,
    odds,
    remedies,
    run,
    schema,
    size,
    stretch,
    worksheet,
)
from simulator.cli.shared import NO_UNITS, add_units, measures_of, print_lines, print_mistakes
from simulator.errors import FlatdaysError, InputError

EXIT_FAULT = 70
DESCRIPTION_WIDTH = 79
EXIT_INTERRUPTED = 130
RARELY = (200_000, 20, 100)
"""Thresholds of the garbage collector: new objects before the young are looked at, and rounds before the older are."""
COMMANDS = (
    run,
    odds,
    size,
    remedies,
    budget,
    compare,
    dates,
    life,
    worksheet,
    stretch,
    fetch,
    normals,
    check,
    new,
    schema,
    completion,
)
"""In the order of the help text."""

EXAMPLES = """examples
  flatdays new my-trip.toml                 write a commented scenario that runs as it is
  flatdays check my-trip.toml               say what was understood, and every mistake at once
  flatdays run my-trip.toml                 on which days does the bank run flat, and why
  flatdays odds my-trip.toml --years 200    the same over many weather years
  flatdays size my-trip.toml --in-parallel 1-6   the cheapest bank that is hardly ever flat
  flatdays fetch my-trip.toml --years 2005-2024   bring the past years of every stop, once, for weather = { years = ... }
  flatdays run my-trip.toml --out results   also write summary.json, days.csv, hours.csv and report.html
  flatdays remedies my-trip.toml            every change that may end the flat days, and what it costs
  flatdays life my-trip.toml                how many years the bank lasts on this route
  flatdays compare my-trip.toml             hold the [[variant]]s in a file, or several files, against each other
  flatdays run my-trip.toml --units us      pounds, degrees F, miles and gallons; or set FLATDAYS_UNITS=us once

flatdays COMMAND --help says more, with an example. A terminal's width is heeded, and NO_COLOR=1 takes the colours away.
exit status: 0 it ran, 2 the input is wrong, 3 no weather from the archive, 4 a flat day (with --fail-on-flat), 70 a fault of ours
"""


def build_parser() -> argparse.ArgumentParser:
    """Every command with its arguments."""
    parser = argparse.ArgumentParser(
        prog="flatdays",
        description="On which days of a trip does a vehicle's battery bank run flat, why, and what would mend it.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")

    for command in COMMANDS:
        command.add(commands)
    for name, each in commands.choices.items():
        # Examples keep their lines, so a description has to be wrapped here.
        each.description = textwrap.fill(each.description, DESCRIPTION_WIDTH) if each.description else None
        if name not in NO_UNITS:
            add_units(each)
    return parser


def _with_file(mistake: str, parsed: argparse.Namespace) -> str:
    """The sentence with the name of the scenario, where the layers below know the stop alone."""
    file = getattr(parsed, "scenario", None)
    return f"{file.name}: {mistake}" if isinstance(file, Path) and mistake.startswith("stop ") else mistake


@contextmanager
def _few_collections() -> Iterator[None]:
    """Look for cyclic garbage seldom: the libraries leave three hundred thousand objects that stay, and every search walks them.

    At the end of the process the same objects are set aside first, so that nothing is searched that goes anyway. Together this
    takes a quarter off the time of a short command; what is freed by counting references is freed as ever.
    """
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)
    before = gc.get_threshold()
    gc.set_threshold(*RARELY)
    try:
        yield
    finally:
        gc.set_threshold(*before)


@_few_collections()
def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit status; never a traceback for what a person wrote."""
    parser = build_parser()
    parsed = parser.parse_args(arguments)
    if parsed.version:
        from simulator.version import package_version

        print_lines([f"flatdays {package_version()}"])
        return 0
    if parsed.command is None:
        parser.print_help()
        return 0
    try:
        measures_of(parsed)
        return int(parsed.act(parsed))
    except InputError as error:
        print_mistakes([_with_file(mistake, parsed) for mistake in error.mistakes])
        return error.exit_status
    except FlatdaysError as error:
        # What the layers below call SCENARIO is the file that was given.
        file = shlex.quote(str(getattr(parsed, "scenario", "SCENARIO")))
        print_mistakes(str(error).replace("SCENARIO", file).splitlines())
        return error.exit_status
    except BrokenPipeError:
        # The reader of our output went away (a pager was closed): not a fault of anybody.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        print("Stopped; nothing was written.", file=sys.stderr)
        return EXIT_INTERRUPTED
    except Exception as error:
        if os.environ.get("FLATDAYS_DEBUG"):
            raise
        print(
            f"A fault of ours ({type(error).__name__}: {error}). Set FLATDAYS_DEBUG=1 and run again for the details, and please "
            "report them with the scenario.",
            file=sys.stderr,
        )
        return EXIT_FAULT
