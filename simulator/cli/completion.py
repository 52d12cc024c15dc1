"""``flatdays completion``: what a shell needs to complete commands, options and names of files."""

from __future__ import annotations

import argparse
import sys

from simulator.cli.shared import Commands, example

SHELLS = ("bash", "zsh", "fish")
FOLDERS = ("FOLDER",)
"""What the help calls a name that stands for a folder."""


def add(commands: Commands) -> None:
    """Its arguments."""
    completion = commands.add_parser(
        "completion",
        help="print a script that lets your shell complete flatdays commands",
        description="Print a script that lets your shell complete commands, options and names of files.",
        **example(
            "flatdays completion bash > ~/.local/share/bash-completion/completions/flatdays",
            "flatdays completion zsh > ~/.zfunc/_flatdays",
            "flatdays completion fish > ~/.config/fish/completions/flatdays.fish",
        ),
    )
    completion.add_argument("shell", choices=SHELLS, metavar="SHELL", help="bash, zsh or fish")
    completion.set_defaults(act=_completion)


def _completion(arguments: argparse.Namespace) -> int:
    sys.stdout.write(completion_script(arguments.shell))
    return 0


def completion_script(shell: str) -> str:
    """The script for ``bash``, ``zsh`` or ``fish``, made from the commands as they are."""
    import shtab

    from simulator.cli import build_parser

    parser = build_parser()
    for command in _commands(parser):
        for action in command._actions:
            # shtab reads what a value stands for from this attribute.
            if action.type is not None and getattr(action.type, "__name__", "") == "Path":
                action.complete = shtab.DIRECTORY if action.metavar in FOLDERS else shtab.FILE  # type: ignore[attr-defined]
    return str(shtab.complete(parser, shell=shell)).rstrip("\n") + "\n"


def _commands(parser: argparse.ArgumentParser) -> list[argparse.ArgumentParser]:
    groups = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    return [parser, *(each for group in groups for each in group.choices.values())]
