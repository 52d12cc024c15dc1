"""``flatdays new``: a scenario to start from."""

from __future__ import annotations

import argparse
from pathlib import Path

from simulator.cli.shared import Commands, print_lines
from simulator.errors import InputError


def add(commands: Commands) -> None:
    """Its arguments."""
    new = commands.add_parser("new", help="write a commented scenario to start from; it runs as it is")
    new.add_argument(
        "file", type=Path, metavar="FILE", nargs="?", default=Path("my-trip.toml"), help="the new file (my-trip.toml)"
    )
    new.set_defaults(act=_new)


def _new(arguments: argparse.Namespace) -> int:
    from simulator.scenario.starter import starter_text

    target: Path = arguments.file
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(starter_text())
    except FileExistsError:
        raise InputError(f"{target}: this file is there already and was left as it is; give another name") from None
    except OSError as error:
        raise InputError(f"{target}: cannot be written ({error.strerror}); give a name in a folder of your own") from None
    print_lines([f"Written: {target}", f"Next: flatdays run {target}"])
    return 0
