"""Writing what a study leaves behind, whole or not at all."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import Any

from simulator.cli.csv_file import check_csv
from simulator.cli.shared import measures_of, print_lines


def check_written(arguments: argparse.Namespace) -> None:
    """Refuse a file or folder that cannot be written, before any work is done.

    Raises
    ------
    InputError
        ``--csv`` or ``--out`` cannot be.
    """
    check_csv(arguments.csv)
    if arguments.out is not None:
        from simulator.record import check_folder

        check_folder(arguments.out)


def write_page(files: Callable[..., dict[str, str]], found: Any, arguments: argparse.Namespace) -> None:
    """Write what a study leaves in the folder that was asked for; ``files`` makes the texts."""
    sys.stdout.flush()
    text = arguments.scenario.read_text(encoding="utf-8")
    write_study(files(found, text, measures_of(arguments)), arguments)


def write_study(files: dict[str, str], arguments: argparse.Namespace) -> None:
    """Write the files into the folder that was asked for, and say so unless only JSON was wanted."""
    from simulator.record import write_files

    write_files(arguments.out, files)
    if not arguments.json:
        print_lines(["", f"Written to {arguments.out}: {', '.join(files)}"], wrap=False)
