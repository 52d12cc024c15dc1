"""Whole processes: the command beside the bare imports, the very first start, and the memory of many lanes."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module
from itertools import count
from pathlib import Path

from measure import MILLI, ratio_row, take_turns, time_row
from table import Report, Row

FIRST_STARTS = 3
"""Each compiles the loop into an empty cache, which takes seconds."""


def measure_processes(report: Report, folder: Path, repetitions: int) -> None:
    """The command as a whole process beside the bare imports; the first start of all apart."""
    processes = import_module("processes")
    trouble = processes.why_it_fails("--help")
    if trouble:
        report.skipped.append(f"The command was left out: flatdays --help does not run here ({trouble}).")
        return
    scenario, season = str(processes.write_year_scenario(folder)), str(processes.SEASON)
    jobs = {"imports": processes.bare_imports, "numba": processes.imports_and_numba, "help": processes.command("--help")}
    without_page = ("run", scenario, "--out", str(folder / "out"), "--no-page")
    trouble = processes.why_it_fails(*without_page)
    if trouble:
        report.skipped.append(f"flatdays run was left out: the one-year scenario does not run here ({trouble}).")
    else:
        jobs |= {
            "check": processes.command("check", season),
            "season": processes.command("run", season),
            "run": processes.command("run", scenario),
            "run files": processes.command(*without_page),
        }
        trouble = processes.why_it_fails("run", scenario, "--out", str(folder / "page"))
        if trouble:
            report.skipped.append(f"The page was left out: it does not render here ({trouble}).")
        else:
            jobs["run page"] = processes.command("run", scenario, "--out", str(folder / "page"))
    found = dict(zip(jobs, take_turns(list(jobs.values()), repetitions), strict=True))
    imports = found["imports"]
    report.rows.append(time_row("imports", f"bare imports: {', '.join(processes.LIBRARIES)}", imports, "ms", MILLI))
    report.rows.append(time_row("numba", "  and numba made ready for its first call", found["numba"], "ms", MILLI))
    words = {
        "help": ("flatdays --help", "<= 0.25"),
        "check": ("flatdays check, a season", ""),
        "season": ("flatdays run, a season", "<= 1.4"),
        "run": ("flatdays run, a year", "<= 1.4"),
        "run files": ("flatdays run --out --no-page, a year", ""),
        "run page": ("flatdays run --out with the page, a year", ""),
    }
    for name, (what, expected) in words.items():
        if name in found:
            report.rows.append(time_row(name, what, found[name], "ms", MILLI))
            report.rows.append(
                ratio_row(f"{name} / imports", "  of the bare imports", found[name], imports, expected, strict=True)
            )
        if name in {"season", "run"} and name in found:
            report.rows.append(ratio_row(f"{name} / numba", "  of the imports with numba ready", found[name], found["numba"]))
    if "run" in found:
        beyond = sorted(set(processes.heavy_libraries(*without_page)) - set(processes.LIBRARIES))
        report.check(
            "a run without the page loads no heavy library beyond the imports"
            + (f": not so, {', '.join(beyond)}" if beyond else ""),
            not beyond,
        )
    kept = folder / "kept cache"
    processes.compile_loop(kept)
    empty = (folder / f"empty cache {number}" for number in count())
    first, warm = take_turns(
        [lambda: processes.compile_loop(next(empty)), lambda: processes.compile_loop(kept)], FIRST_STARTS, warm_up=0
    )
    report.rows += [
        time_row("first start", "first start: compile the loop, walk a day", first, "s", 1.0),
        time_row("compile warm", "  next start: the loop from the cache", warm, "s", 1.0),
        replace(time_row("compiling", "  compiling the loop: the first less the next", first - warm, "s", 1.0), expected="<= 8"),
    ]


def measure_memory(report: Report) -> None:
    """Peak memory of a year of many lanes with daily results, in a process of its own."""
    memory = import_module("memory")
    few, many = (memory.peak_of_a_year(lanes) for lanes in (1_000, 10_000))
    per_lane_day = (many.peak_mb - few.peak_mb) * memory.MB / (9_000 * memory.DAYS)
    report.rows += [
        Row("memory", "peak memory of 10,000 lanes through a year, daily results", "MB", many.peak_mb, expected="<= 600"),
        Row("memory before", "  before the first lane: libraries and compiled loop", "MB", few.libraries_mb),
        Row(
            "memory lane-day",
            "  a lane and day more",
            "bytes",
            per_lane_day,
            note=f"of which {memory.DAY_BYTES} are the day's results",
        ),
        Row("memory time", "  its walk", "s", many.wall, many.cpu, better="none"),
    ]
