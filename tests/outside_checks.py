"""The figures that the checks against outside authorities reach, gathered while they run and kept in ``CHECKS.md``.

A check says what it compares, with whom, what is allowed and what it reached: :func:`reached` for how far two figures lie
apart, :func:`lies` for a value inside a band. Each call is held against the table; ``python tests/outside_checks.py`` runs
the checks and writes the table anew.
"""

from __future__ import annotations

import ast
import atexit
import os
import re
import subprocess
import sys
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
PAGE = HERE / "CHECKS.md"
WRITE = "FLATDAYS_CHECKS"
"""``write``: the table is written when the run ends, and nothing is held against the old one."""
COMMAND = "python tests/outside_checks.py"
NOISE = 1e-9
"""Figures below this are rounding of the machine, which differs from one to the next."""
SLACK_FRAC = 0.15
"""Two digits are printed; libraries and machines may move the second one."""

HEAD = f"""# What was checked from outside, and how well it was met

Written by the tests (`{COMMAND}`); a test fails when a figure is no longer the one below. "Reached" is the
largest distance over all cases of a check, or the span of values where a band is given. "From memory" and "common practice" mean
that no source was at hand.

"""
UNCHECKED = HERE / "reference" / "not_checked.md"
"""What no check reaches, written by hand; it goes below the table."""


@dataclass
class Check:
    """One line of the table."""

    topic: str
    source: str
    allowed: str
    band: bool
    figures: list[float] = field(default_factory=list)

    @property
    def shown(self) -> str:
        """What was reached, in two digits, or three for a band."""
        if self.band:
            low, high = (f"{value:.3g}" for value in (min(self.figures), max(self.figures)))
            return low if low == high else f"{low} to {high}"
        worst = max(self.figures)
        if worst < NOISE:
            return "exact" if worst == 0.0 else f"below {NOISE:g}"
        return f"{100.0 * worst:.2g} %" if PER_CENT.match(self.allowed) else f"{worst:.2g}"

    @property
    def line(self) -> str:
        return f"| {self.topic} | {self.source} | {self.allowed} | {self.shown} | {len(self.figures)} |"


PER_CENT = re.compile(r"[\d.]+ %(?! of capacity)")
"""What is allowed in per cent is reached in per cent; losses of capacity are handed over in per cent already."""
FOUND: dict[str, Check] = {}


def apart(got: Any, expected: Any, *, rel: bool = False) -> float:
    """Largest distance between two sets of figures; ``rel``: as a share of the expected ones."""
    got, expected = np.broadcast_arrays(np.asarray(got, dtype=float), np.asarray(expected, dtype=float))
    distance = np.abs(got - expected)
    return float((distance / np.abs(expected) if rel else distance).max())


def reached(topic: str, source: str, allowed: str, figure: float) -> None:
    """Say how far apart two figures lie; fails if that is more than the table says."""
    _note(topic, source, allowed, float(figure), band=False)


def lies(topic: str, source: str, allowed: str, value: float) -> None:
    """Say which value was found inside of an allowed band; fails if it lies outside of what the table says."""
    _note(topic, source, allowed, float(value), band=True)


def _note(topic: str, source: str, allowed: str, figure: float, *, band: bool) -> None:
    check = FOUND.setdefault(topic, Check(topic, source, allowed, band))
    assert (check.source, check.allowed, check.band) == (source, allowed, band), f"{topic}: two different checks of one name"
    check.figures.append(figure)
    if os.environ.get(WRITE) == "write":
        return
    row = rows().get(topic)
    assert row is not None, f'"{topic}" is not in tests/CHECKS.md; run {COMMAND}'
    assert (row.source, row.allowed) == (source, allowed), f'"{topic}" says otherwise in tests/CHECKS.md; run {COMMAND}'
    low, high = spans(row.shown)
    slack = SLACK_FRAC * max(abs(low), abs(high)) if not band else 0.02 * max(abs(low), abs(high))
    assert figure <= max(high + slack, NOISE), f'"{topic}": {figure:.3g}, and tests/CHECKS.md says {row.shown}; run {COMMAND}'
    if band:
        assert figure >= low - slack, f'"{topic}": {figure:.3g}, and tests/CHECKS.md says {row.shown}; run {COMMAND}'


@dataclass(frozen=True)
class Row:
    """A line of the table as it stands in the file."""

    topic: str
    source: str
    allowed: str
    shown: str
    cases: int


@cache
def rows() -> dict[str, Row]:
    """The table in ``CHECKS.md`` by topic."""
    if not PAGE.exists():
        return {}
    found = {}
    for line in PAGE.read_text(encoding="utf-8").split("## What is not checked")[0].splitlines():
        cells = [cell.strip() for cell in line.strip("|").split(" | ")]
        if line.startswith("| ") and len(cells) == 5 and cells[4].isdecimal():
            found[cells[0]] = Row(cells[0], cells[1], cells[2], cells[3], int(cells[4]))
    return found


def spans(shown: str) -> tuple[float, float]:
    """Lowest and highest figure of ``2.2e-05``, ``1.2 %``, ``exact``, ``below 1e-09`` or ``87.1 to 93``."""
    if shown == "exact":
        return 0.0, 0.0
    scale = 0.01 if shown.endswith(" %") else 1.0
    numbers = [scale * float(number) for number in re.findall(r"-?\d[\d.]*(?:e[-+]?\d+)?", shown)]
    return (0.0, numbers[0]) if shown.startswith("below") else (numbers[0], numbers[-1])


def topics_in_tests() -> dict[str, str]:
    """Every topic that the tests register, with the file it stands in, read from their text."""
    found = {}
    for path in sorted(HERE.glob("test_*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in {"reached", "lies"}
                and len(node.args) == 4
            ):
                topic = node.args[0]
                assert isinstance(topic, ast.Constant), f"{path.name}:{node.lineno}: a topic is a plain text"
                assert topic.value not in found, f"{path.name}:{node.lineno}: {topic.value!r} is registered twice"
                found[str(topic.value)] = path.name
    return found


def silent_files() -> list[str]:
    """Checks against outside authorities that register no figure; they pass or fail all the same."""
    speaking = set(topics_in_tests().values())
    return [path.name for path in sorted(HERE.glob("test_against_*.py")) if path.name not in speaking]


def page(checks: dict[str, Check]) -> str:
    """The whole page."""
    order = topics_in_tests()
    silent = silent_files()
    lines = [checks[topic].line for topic in order if topic in checks]
    beside = f"\nWithout a figure here: {', '.join(f'`{name}`' for name in silent)}.\n" if silent else ""
    table = "| What | Against | Allowed | Reached | Cases |\n|---|---|---|---|---|\n"
    return HEAD + table + "\n".join(lines) + "\n" + beside + "\n" + UNCHECKED.read_text(encoding="utf-8")


def write() -> None:
    """Write the page from what this run has gathered."""
    missing = set(topics_in_tests()) - set(FOUND)
    if missing:
        sys.stderr.write(f"tests/CHECKS.md was left as it is: these checks did not run: {', '.join(sorted(missing))}\n")
        return
    PAGE.write_text(page(FOUND), encoding="utf-8")


if os.environ.get(WRITE) == "write" and __name__ != "__main__":
    atexit.register(write)

if __name__ == "__main__":
    files = sorted({str(HERE / name) for name in topics_in_tests().values()})
    sys.exit(
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", *files], env=os.environ | {WRITE: "write"}, cwd=HERE.parent, check=False
        ).returncode
    )
