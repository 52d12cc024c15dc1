"""What the commands share: printing, the bar of long work, the files of a run."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from simulator.outcome import Outcome

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

EXIT_FLAT = 4
BAR_WIDTH, LINE_WIDTH = 24, 79


def print_lines(lines: Sequence[str]) -> None:
    sys.stdout.write("\n".join(lines) + "\n")


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

        files["report.html"] = render_page(outcome, arguments.scenario.read_text(encoding="utf-8"))
    write_files(folder, files)
    if not arguments.json:
        print_lines(["", f"Written to {folder}: {', '.join(files)}"])
