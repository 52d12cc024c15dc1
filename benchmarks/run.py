"""Measure flatdays and print one table: ``python benchmarks/run.py [--save FILE] [--compare FILE]``.

Every pair that is divided takes turns in the same process, so that a busy machine slows both. Times are medians after a
warm-up; CPU time stands beside wall time. What the two sides compute is compared as well: speed without that says nothing.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

import loops  # noqa: E402
from part_loops import measure_loops  # noqa: E402
from part_processes import measure_memory, measure_processes  # noqa: E402
from part_years import measure_years, measure_yield  # noqa: E402
from table import Report, commit, compare_lines, machine, read_kept, table_lines  # noqa: E402


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description="Measure flatdays: hour loop, yield, whole command, memory. Takes three or four minutes."
    )
    parser.add_argument(
        "--save", type=Path, metavar="FILE", help="write the numbers to FILE (benchmarks/baseline.json is the kept one)"
    )
    parser.add_argument("--compare", type=Path, metavar="FILE", help="say better, same or worse than the numbers in FILE")
    parser.add_argument("--only", choices=("loops", "yield", "years", "processes", "memory"), help="measure one part only")
    parser.add_argument("--repetitions", type=int, default=9, metavar="N", help="repetitions of every timing (9)")
    parser.add_argument("--plain-loop", type=Path, help=argparse.SUPPRESS)
    return parser.parse_args()


def main() -> int:
    """Measure, print, save, compare; status 1 when a check fails or an expectation is not met."""
    arguments = _arguments()
    if arguments.plain_loop:
        loops.write_plain_loop(arguments.plain_loop)
        return 0
    if arguments.repetitions < 3:
        print("--repetitions: expected 3 or more, or there is no median to speak of", file=sys.stderr)
        return 2
    baseline = None
    if arguments.compare:
        try:
            baseline = read_kept(arguments.compare)
        except (OSError, ValueError) as error:
            print(f"{arguments.compare}: cannot be read as a saved run ({error}); make one with --save", file=sys.stderr)
            return 2
    here = machine()
    report = Report()
    print(f"flatdays at {commit()}; {here['processors']} x {here['processor']}, {here['system']}, Python {here['python']}")
    load = os.getloadavg()[0]
    if load > 0.3:
        print(f"The machine was busy when this began (load {load:.1f}): trust CPU time and quotients more than wall time.")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # Parsed weather is kept here: warm after the first run, and nobody's own.
        os.environ["FLATDAYS_CACHE"] = str(folder / "weather")
        if arguments.only in {None, "loops"}:
            measure_loops(report, folder, arguments.repetitions)
        if arguments.only in {None, "yield"}:
            measure_yield(report, arguments.repetitions)
        if arguments.only in {None, "years"}:
            measure_years(report, max(arguments.repetitions // 2, 3))
        if arguments.only in {None, "processes"}:
            try:
                measure_processes(report, folder, max(arguments.repetitions // 2, 3))
            except subprocess.CalledProcessError as error:
                said = error.stderr.strip().splitlines() or [f"exit status {error.returncode}"]
                report.check(f"every process ends well: not so, {said[-1]}", False)
        if arguments.only in {None, "memory"}:
            measure_memory(report)
    print("\n".join(table_lines(report)))
    if baseline is not None:
        print("\n" + "\n".join(compare_lines(report.rows, baseline, here)))
    if arguments.save:
        kept = {
            "commit": commit(),
            "machine": here,
            "threads": os.cpu_count(),
            "load_at_start": round(load, 1),
            "rows": [asdict(row) for row in report.rows],
            "checks": [{"what": words, "holds": holds} for words, holds in report.checks],
        }
        arguments.save.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    return 0 if all(holds for _, holds in report.checks) and all(row.met is not False for row in report.rows) else 1


if __name__ == "__main__":
    sys.exit(main())
