"""``flatdays schema``: what an editor needs to complete and check scenario files."""

from __future__ import annotations

import argparse
import sys

from simulator.cli.shared import Commands, example


def add(commands: Commands) -> None:
    """Its arguments."""
    schema = commands.add_parser(
        "schema",
        help="print a JSON Schema with which an editor completes and checks scenario files",
        description=(
            "Print a JSON Schema (draft 2020-12) of scenario files. Keep it beside your scenarios as flatdays.schema.json: "
            "the first line of a scenario that flatdays new wrote names it, and editors that read TOML take it from there."
        ),
        **example("flatdays schema > flatdays.schema.json"),
    )
    schema.set_defaults(act=_schema)


def _schema(arguments: argparse.Namespace) -> int:
    from simulator.scenario.schema import schema_text

    sys.stdout.write(schema_text())
    return 0
