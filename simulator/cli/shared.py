"""What the commands share: printing, the bar of long work, the files of a run."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, TypeAlias

from simulator.errors import InputError, printable
from simulator.report.layout import columns_of, laid_out, wants_colour
from simulator.report.measures import METRIC, WORDS, Measures, measures_named

if TYPE_CHECKING:
    from simulator.outcome import Outcome

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

EXIT_FLAT = 4
BAR_WIDTH, LINE_WIDTH = 24, 79


NO_UNITS = frozenset({"new", "schema", "completion", "normals"})
"""Commands that print nothing with a unit for a person."""


def add_units(command: argparse.ArgumentParser) -> None:
    """The choice of units; every command that prints for a person has it."""
    command.add_argument(
        "--units",
        choices=WORDS,
        help="units of what is printed, never of JSON and CSV; left out: those of the variable FLATDAYS_UNITS, or metric",
    )


def measures_of(arguments: argparse.Namespace) -> Measures:
    """The units that were asked for."""
    if getattr(arguments, "command", None) in NO_UNITS:
        return METRIC
    return measures_named(getattr(arguments, "units", None))


def print_lines(lines: Sequence[str], *, wrap: bool = True) -> None:
    """Print for a person, as wide as the terminal is; ``wrap=False`` for what is copied: commands and names of files."""
    _write(sys.stdout, laid_out(lines, columns_of(sys.stdout), wants_colour(sys.stdout)) if wrap else lines)


def print_mistakes(mistakes: Sequence[str]) -> None:
    """A line each on the error stream; on a terminal wrapped, each after the first line set in."""
    if not sys.stderr.isatty():
        _write(sys.stderr, mistakes)
        return
    columns = columns_of(sys.stderr)
    for mistake in mistakes:
        first, *rest = laid_out([f"- {mistake}"], columns)
        _write(sys.stderr, [first[2:], *rest])


def _write(stream: TextIO, lines: Sequence[str]) -> None:
    """A name with letters that the terminal does not know must not stop an answer."""
    text = "\n".join(lines) + "\n"
    known = getattr(stream, "encoding", None) or "utf-8"
    stream.write(text.encode(known, "replace").decode(known))


def example(*lines: str) -> dict[str, Any]:
    """What ``add_parser`` takes to end a help text with commands that can be copied."""
    words = "example" if len(lines) == 1 else "examples"
    return {
        "epilog": "\n".join([words, *(f"  {line}" for line in lines)]),
        "formatter_class": argparse.RawDescriptionHelpFormatter,
    }


def add_weather_years(command: argparse.ArgumentParser) -> None:
    """Which weather a study is judged by: years, source, seed, and how much the load varies."""
    command.add_argument(
        "--years", type=int, metavar="N", help="judge over so many weather years; left out: over the year of a plain run"
    )
    command.add_argument(
        "--source",
        choices=("written", "past", "drawn"),
        help="the one year of a plain run, past years of the archive, or drawn ones; left out: by --years and the stops",
    )
    command.add_argument("--seed", type=int, metavar="S", help="start of the chance; left out: the scenario's")
    command.add_argument("--load-spread", type=float, metavar="SHARE", help="how much a day's load varies over many years (0.15)")


def weather_years(arguments: argparse.Namespace) -> dict[str, Any]:
    """What was asked for by :func:`add_weather_years`, by the names that the studies have for it."""
    return {
        "years": arguments.years,
        "source": arguments.source,
        "seed": arguments.seed,
        "load_spread_frac": arguments.load_spread,
    }


def say_written(path: Path, arguments: argparse.Namespace) -> None:
    """Say that a file was written, unless only JSON was wanted."""
    if not arguments.json:
        print_lines(["", f"Written: {path}"], wrap=False)


def refuse_impossible(path: Path, cure: str) -> None:
    """Refuse a name that no file can have, before any work is done.

    Raises
    ------
    InputError
        It is too long, or holds a zero byte.
    """
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError, PermissionError):
        return
    except (OSError, ValueError) as error:
        # ValueError: a zero byte.
        reason = getattr(error, "strerror", None) or "it holds a zero byte"
        raise InputError(f"{printable(path)}: no file can have this name ({reason}); {cure}") from None


def print_json(summary: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False) + "\n")


def bar() -> Callable[[int, int, str], None] | None:
    """A bar on the error stream, for a person only."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int, said: str) -> None:
        filled = BAR_WIDTH * done // total
        line = f"[{'#' * filled}{'.' * (BAR_WIDTH - filled)}] {done} of {total}  {said}"[:LINE_WIDTH]
        sys.stderr.write(f"\r{line:<{LINE_WIDTH}}" + ("\r" + " " * LINE_WIDTH + "\r" if done == total else ""))
        sys.stderr.flush()

    return show


def progress(what: str) -> Callable[[int, int], None] | None:
    """A counter of ``what`` on the error stream, for a person only."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        sys.stderr.write(f"\r{done} of {total} {what}" + ("\r" + " " * 40 + "\r" if done == total else ""))
        sys.stderr.flush()

    return show


def write_run(outcome: Outcome, arguments: argparse.Namespace, folder: Path, *, page: bool = True) -> None:
    """Write the files of a run and say so."""
    from simulator.record import days_table, hours_table, summary_text, table_text, write_files

    files = {
        "summary.json": summary_text(outcome),
        "days.csv": table_text(days_table(outcome)),
        "hours.csv": table_text(hours_table(outcome)),
    }
    if page:
        from simulator.report.page import render_page

        files["report.html"] = render_page(
            outcome, arguments.scenario.read_text(encoding="utf-8"), measures=measures_of(arguments)
        )
    write_files(folder, files)
    if not arguments.json:
        print_lines(["", f"Written to {folder}: {', '.join(files)}"], wrap=False)
