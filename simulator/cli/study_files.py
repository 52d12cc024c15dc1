"""Writing what a study leaves behind, whole or not at all."""

from __future__ import annotations

import argparse

from simulator.cli.shared import print_lines


def write_study(files: dict[str, str], arguments: argparse.Namespace) -> None:
    """Write the files into the folder that was asked for, and say so unless only JSON was wanted."""
    from simulator.record import write_files

    write_files(arguments.out, files)
    if not arguments.json:
        print_lines(["", f"Written to {arguments.out}: {', '.join(files)}"], wrap=False)
