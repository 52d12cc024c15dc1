"""The table that a run prints, the file that it keeps, and what a second run says beside it."""

from __future__ import annotations

import json
import os
import platform
import subprocess
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
NEUTRAL_FRAC = 0.10
"""Changes smaller than this, or than twice the spread of both runs, are called the same."""
LIBRARIES = ("numpy", "pandas", "pvlib", "numba", "scipy", "pydantic")


@dataclass(frozen=True)
class Row:
    """One line of the table. ``spread_frac``: half the interquartile range over the median."""

    key: str
    what: str
    unit: str
    wall: float
    cpu: float | None = None
    spread_frac: float = 0.0
    expected: str = ""
    """Like ``<= 1.3``; judged on CPU time, or on wall time where there is no other: a busy machine must not decide."""
    better: str = "lower"
    note: str = ""
    strict: bool = False
    """Judged on the worse of wall and CPU time: thread pools that spin while libraries load add CPU to both sides."""

    @property
    def met(self) -> bool | None:
        """Whether the expectation holds; None where there is none."""
        if not self.expected:
            return None
        sign, bound = self.expected.split()
        judged = [self.wall] if self.cpu is None else [self.wall, self.cpu] if self.strict else [self.cpu]
        # A plain bool: numpy's own false is not False, and a miss would pass.
        return bool(max(judged) <= float(bound) if sign == "<=" else min(judged) >= float(bound))


@dataclass
class Report:
    """What one run of the benchmarks found."""

    rows: list[Row] = field(default_factory=list)
    checks: list[tuple[str, bool]] = field(default_factory=list)
    skipped: list[str] = field(default_factory=list)

    def check(self, words: str, holds: bool) -> None:
        self.checks.append((words, holds))


def commit() -> str:
    """The commit measured, marked where the folder differs from it."""
    try:
        name = subprocess.run(
            ["git", "-C", str(ROOT), "rev-parse", "--short", "HEAD"], check=True, capture_output=True, text=True
        ).stdout.strip()
        changed = subprocess.run(
            ["git", "-C", str(ROOT), "status", "--porcelain", "simulator"], check=True, capture_output=True, text=True
        ).stdout
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return name + (" and changes" if changed else "")


def processor_model() -> str:
    """Model name of the processor, as the system gives it."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        return next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        return platform.processor() or platform.machine()


def machine() -> dict[str, object]:
    """What the numbers depend on; nothing that tells whose machine it is."""
    libraries = {}
    for name in LIBRARIES:
        try:
            libraries[name] = version(name)
        except PackageNotFoundError:
            libraries[name] = "none"
    return {
        "processor": processor_model(),
        "processors": os.cpu_count(),
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "libraries": libraries,
    }


def table_lines(report: Report) -> list[str]:
    """The table, then what was checked and what was left out."""
    width = max(len(row.what) for row in report.rows)
    lines = [f"{'':{width}}  {'wall':>10}  {'CPU':>10}  {'unit':<13}  {'spread':>6}  expected"]
    for row in report.rows:
        cpu = "" if row.cpu is None else _number(row.cpu)
        spread = f"{row.spread_frac:.0%}" if row.spread_frac else ""
        word = {None: "", True: "met", False: "NOT MET"}[row.met]
        figures = f"{_number(row.wall):>10}  {cpu:>10}  {row.unit:<13}  {spread:>6}"
        lines.append(f"{row.what:{width}}  {figures}  {row.expected:<8} {word:<8}{row.note}".rstrip())
    lines.append("")
    lines += [f"{'ok ' if holds else 'NO '} {words}" for words, holds in report.checks]
    return [*lines, *report.skipped]


def _number(value: float) -> str:
    if value == 0.0 or 0.01 <= abs(value) < 1e5:
        return f"{value:,.3g}" if abs(value) < 100 else f"{value:,.0f}"
    return f"{value:.1e}"


def read_kept(path: Path) -> dict[str, Any]:
    """Read a file that ``--save`` has written.

    Raises
    ------
    OSError, ValueError
        It cannot be read, or is something else.
    """
    kept = json.loads(path.read_text(encoding="utf-8"))
    try:
        kept["before"] = {entry["key"]: Row(**entry) for entry in kept["rows"]}
        return {name: kept[name] for name in ("commit", "machine", "before")}
    except (KeyError, TypeError) as error:
        raise ValueError(f"{type(error).__name__}: {error}") from None


def compare_lines(rows: list[Row], kept: dict[str, Any], here: dict[str, object]) -> list[str]:
    """Better, same or worse for every row that the baseline has too; on another machine only what is a quotient."""
    before = kept["before"]
    elsewhere = any(kept["machine"].get(name) != here[name] for name in ("processor", "processors"))
    lines = [f"against commit {kept['commit']}" + (", measured on another machine: quotients only" if elsewhere else "")]
    for row in rows:
        old = before.get(row.key)
        if old is None or row.better == "none" or (elsewhere and row.unit not in {"x", "of 1", "power"}):
            continue
        # CPU time suffers less than wall time from what else the machine does.
        now, then = (row.wall, old.wall) if row.cpu is None or old.cpu is None else (row.cpu, old.cpu)
        band = max(NEUTRAL_FRAC, 2.0 * (row.spread_frac + old.spread_frac))
        gain = then / now if row.better == "lower" else now / then
        word = "better" if gain > 1.0 + band else "worse" if gain < 1.0 / (1.0 + band) else "same"
        lines.append(f"{word:<7} {now / then:6.2f}x  (neutral within {band:.0%})  {row.key}")
    return lines
