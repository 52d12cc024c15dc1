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
from collections.abc import Callable
from dataclasses import asdict
from importlib import import_module
from itertools import pairwise
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

import loops  # noqa: E402
from cases import BANKS, LoopCase, check_case, full_case, plain_case  # noqa: E402
from measure import CPU, WALL, ratio_row, take_turns, time_row  # noqa: E402
from table import Report, Row, commit, compare_lines, machine, read_kept, table_lines  # noqa: E402

from simulator import battery  # noqa: E402

NANO, MILLI = 1e9, 1e3
LANES = 64
YEARS = 200


def measure_loops(report: Report, folder: Path, repetitions: int) -> None:
    """The compiled loop beside C and plain Python, bit for bit and in nanoseconds."""
    case = check_case(8760)
    compiled = loops.new_outputs(case, watched=True)
    loops.walk_compiled(case, compiled)
    values = sum(compiled[name].size for name in loops.OUTPUTS)
    silent = loops.unexercised_fields(compiled)
    report.check(f"the check case makes every booked column move{': not ' + ', '.join(silent) if silent else ''}", not silent)
    c_loop = _c_loop(report, folder)
    if c_loop:
        in_c = loops.new_outputs(case, watched=True)
        c_loop.walk(case, in_c)
        differing = loops.differing_values(compiled, in_c)
        report.check(
            f"compiled loop and C agree in every bit: {differing} of {values:,} values differ ({len(case.start)} lanes, a year)",
            differing == 0,
        )
    in_blocks = loops.new_outputs(case, watched=True)
    edges = [0, 1, 6, 7, 30, len(case.start)]
    for first, last in pairwise(edges):
        loops.walk_compiled(case, in_blocks, first, last)
    report.check("in uneven blocks of lanes: the same bits", loops.differing_values(compiled, in_blocks) == 0)
    report.rows.append(
        Row(
            "ledger miss",
            "  worst miss of the energy ledger in an hour",
            "of throughput",
            loops.ledger_miss_frac(case, compiled),
            expected="<= 1e-9",
            better="none",
        )
    )

    for build in (plain_case, full_case):
        for chemistry in BANKS:
            _time_loop(report, build(chemistry, LANES), c_loop, repetitions)
    _plain_python(report, folder)
    _threads(report, full_case("lfp", LANES), repetitions)
    _growth(report, max(repetitions // 3, 3))


def _c_loop(report: Report, folder: Path) -> loops.CLoop | None:
    """The loop in C, or None and a word on why not."""
    compiler = loops.find_compiler()
    if compiler is None:
        report.skipped.append("The C loop was left out: there is no gcc or clang on this machine.")
        return None
    try:
        return loops.CLoop(folder, compiler)
    except subprocess.CalledProcessError as error:
        report.skipped.append(
            f"The C loop was left out: {Path(compiler).name} refuses it ({error.stderr.strip().splitlines()[0]})."
        )
    except ValueError as error:
        report.check(str(error), False)
    return None


def _walker(case: LoopCase, walk: Callable[[LoopCase, dict[str, np.ndarray]], None]) -> Callable[[], None]:
    """A job that starts the case afresh in arrays of its own."""
    out = loops.new_outputs(case, watched=False)

    def job() -> None:
        out["state"][:] = case.start
        walk(case, out)

    return job


def _time_loop(report: Report, case: LoopCase, c_loop: loops.CLoop | None, repetitions: int) -> None:
    per = NANO / case.lane_hours
    jobs = [_walker(case, loops.walk_compiled)] + ([_walker(case, c_loop.walk)] if c_loop else [])
    compiled, *in_c = take_turns(jobs, repetitions)
    report.rows.append(time_row(f"loop {case.name}", f"hour loop, {case.name}", compiled, "ns/lane-hour", per, note=case.words))
    if in_c:
        report.rows.append(time_row(f"C {case.name}", "  the same in C", in_c[0], "ns/lane-hour", per))
        report.rows.append(ratio_row(f"loop / C {case.name}", "  compiled loop / C", compiled, in_c[0], "<= 1.3"))


def _plain_python(report: Report, folder: Path) -> None:
    case = check_case(loops.PLAIN_HOURS)
    compiled = loops.new_outputs(case, watched=True)
    plain, wall, cpu = loops.plain_python(folder)
    loops.walk_compiled(case, compiled)
    differing = loops.differing_values(compiled, plain)
    report.check(
        f"compiled loop and plain Python agree in every bit: {differing} values differ "
        f"({len(case.start)} lanes, {loops.PLAIN_HOURS} hours)",
        differing == 0,
    )
    per = NANO / case.lane_hours
    report.rows.append(Row("plain Python", "hour loop, check case, plain Python", "ns/lane-hour", wall * per, cpu * per))
    (samples,) = take_turns([_walker(case, loops.walk_compiled)], 5)
    compiled_wall, compiled_cpu = np.median(samples, axis=0)
    report.rows.append(
        Row("plain Python / loop", "  plain Python / compiled loop", "x", wall / compiled_wall, cpu / compiled_cpu, better="none")
    )


def _threads(report: Report, case: LoopCase, repetitions: int) -> None:
    """The engine's own walk on one thread and on one for each processor."""
    threads = os.cpu_count() or 1
    found: dict[int, battery.Walk] = {}

    def on(count: int) -> Callable[[], None]:
        def job() -> None:
            found[count] = battery.walk(case.lanes, case.histories, case.curves, case.capacities, case.start, threads=count)

        return job

    one, many = take_turns([on(1), on(threads)], repetitions)
    same = all(np.array_equal(getattr(found[1], name), getattr(found[threads], name)) for name in ("totals", "days", "state"))
    report.check(f"on 1 and on {threads} threads: the same bits", same)
    efficiency = one[:, WALL] / (threads * many[:, WALL])
    report.rows.append(
        Row(
            "threads",
            f"hour loop on {threads} threads: share of the ideal gain",
            "of 1",
            float(np.median(efficiency)),
            better="higher",
            note="an idle machine only",
        )
    )


def _growth(report: Report, repetitions: int) -> None:
    """Cost against size, as the exponent of a power law fitted over three decades: 1 is linear."""
    more_lanes: Callable[[int], LoopCase] = lambda size: plain_case("lfp", size)  # noqa: E731
    more_hours: Callable[[int], LoopCase] = lambda size: plain_case("lfp", 16, size)  # noqa: E731
    for what, sizes, build in (("lanes", (1, 10, 100, 1000), more_lanes), ("hours", (87, 876, 8760, 87600), more_hours)):
        cpu = [take_turns([_walker(build(size), loops.walk_compiled)], repetitions)[0][:, CPU].min() for size in sizes]
        # Process time ticks in nanoseconds, but a walk of a microsecond is mostly the call itself: the largest sizes weigh most.
        exponent = float(np.polyfit(np.log(sizes), np.log(cpu), 1, w=np.sqrt(np.arange(1, len(sizes) + 1)))[0])
        report.rows.append(
            Row(
                f"growth {what}",
                f"cost against {what}, {sizes[0]:,} to {sizes[-1]:,}: exponent",
                "power",
                exponent,
                better="none",
                expected="<= 1.05",
            )
        )


def measure_yield(report: Report, repetitions: int) -> None:
    """One site-year through the array chain beside pvlib's ModelChain."""
    yields = import_module("yields")
    table, place = yields.read_site()
    own, ten = yields.own_chain(table, place), yields.own_chain(table, place, years=10)
    chain, alike = yields.model_chain(table, place), yields.model_chain(table, place, "ephemeris")

    def first() -> None:
        yields.forget_panel()
        own()

    mine, ten_rows, theirs, theirs_alike, cold = take_turns([own, ten, chain, alike, first], repetitions)
    report.rows += [
        time_row("yield", "yield of one site-year", mine, "ms", MILLI, note="sun position, light, glass, cells, controller"),
        time_row("yield first", "  with the panel fitted anew", cold, "ms", MILLI),
        time_row("yield ten", "  each of ten weather years on one geometry", ten_rows, "ms", MILLI / 10),
        time_row("ModelChain", "  pvlib ModelChain, as it comes", theirs, "ms", MILLI),
        ratio_row("ModelChain / yield", "  ModelChain / yield", theirs, mine, ">= 5", better="higher"),
        ratio_row("ModelChain alike / yield", "  the same with our sun position", theirs_alike, mine, better="higher"),
        Row(
            "yield energy",
            "  year's energy / ModelChain's",
            "x",
            yields.energy_ratio(own(), chain()),
            better="none",
            note="ModelChain lets diffuse light through the glass unreflected",
        ),
        Row(
            "yield table",
            "  energy missed by the table of best points",
            "share",
            abs(yields.table_error_frac(table, place)),
            expected="<= 3e-4",
            better="none",
        ),
    ]


def measure_years(report: Report, repetitions: int) -> None:
    """Many drawn years, drawing and hour loop included, beside the bare array calls of pvlib for one year."""
    drawn = import_module("drawn_years")
    scenario = drawn.route_of_a_year()
    ours, bare = take_turns([drawn.own_years(scenario, YEARS), drawn.bare_year(scenario)], repetitions)
    report.rows += [
        time_row("drawn year", f"one of {YEARS} drawn years, four stops", ours, "ms", MILLI / YEARS, note="three lanes a year"),
        time_row("bare year", "  bare pvlib array calls of one year", bare, "ms", MILLI),
        ratio_row("drawn year / bare", "  drawn year / bare calls", ours / YEARS, bare, "<= 1"),
    ]
    report.check("the first half of the drawn years alone: the same bits", drawn.same_result_in_blocks(scenario, 60))


def measure_processes(report: Report, folder: Path, repetitions: int) -> None:
    """The command as a whole process beside the bare imports; the first start of all apart."""
    processes = import_module("processes")
    trouble = processes.why_it_fails("--help")
    if trouble:
        report.skipped.append(f"The command was left out: flatdays --help does not run here ({trouble}).")
        return
    scenario = str(processes.write_year_scenario(folder))
    jobs = {"imports": processes.bare_imports, "numba": processes.imports_and_numba, "help": processes.command("--help")}
    without_page = ("run", scenario, "--out", str(folder / "out"), "--no-page")
    trouble = processes.why_it_fails(*without_page)
    if trouble:
        report.skipped.append(f"flatdays run was left out: the one-year scenario does not run here ({trouble}).")
    else:
        jobs |= {
            "check": processes.command("check", scenario),
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
        "check": ("flatdays check, a year", ""),
        "run": ("flatdays run, a year", "<= 1.6"),
        "run files": ("flatdays run --out --no-page, a year", "<= 1.6"),
        "run page": ("flatdays run --out with the page, a year", ""),
    }
    for name, (what, expected) in words.items():
        if name in found:
            report.rows.append(time_row(name, what, found[name], "ms", MILLI))
            report.rows.append(
                ratio_row(f"{name} / imports", "  of the bare imports", found[name], imports, expected, strict=True)
            )
        if name in {"run", "run files"} and name in found:
            report.rows.append(ratio_row(f"{name} / numba", "  of the imports with numba ready", found[name], found["numba"]))
    if "run" in found:
        beyond = sorted(set(processes.heavy_libraries(*without_page)) - set(processes.LIBRARIES))
        report.check(
            "a run without the page loads no heavy library beyond the imports"
            + (f": not so, {', '.join(beyond)}" if beyond else ""),
            not beyond,
        )
    cache = folder / "cache"
    cold = processes.compile_loop(cache)
    (warm,) = take_turns([lambda: processes.compile_loop(cache)], max(repetitions // 2, 2), warm_up=0)
    report.rows.append(Row("compile", "first start: compile the loop, walk a day", "s", cold[0], cold[1], expected="<= 8"))
    report.rows.append(time_row("compile warm", "  next start: the loop from the cache", warm, "s", 1.0))


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Measure flatdays: hour loop, yield, whole command. Takes about two minutes.")
    parser.add_argument(
        "--save", type=Path, metavar="FILE", help="write the numbers to FILE (benchmarks/baseline.json is the kept one)"
    )
    parser.add_argument("--compare", type=Path, metavar="FILE", help="say better, same or worse than the numbers in FILE")
    parser.add_argument("--only", choices=("loops", "yield", "years", "processes"), help="measure one part only")
    parser.add_argument("--repetitions", type=int, default=11, metavar="N", help="repetitions of every timing (11)")
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
    print("\n".join(table_lines(report)))
    if baseline is not None:
        print("\n" + "\n".join(compare_lines(report.rows, baseline, here)))
    if arguments.save:
        kept = {
            "commit": commit(),
            "machine": here,
            "threads": os.cpu_count(),
            "rows": [asdict(row) for row in report.rows],
            "checks": [{"what": words, "holds": holds} for words, holds in report.checks],
        }
        arguments.save.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    return 0 if all(holds for _, holds in report.checks) and all(row.met is not False for row in report.rows) else 1


if __name__ == "__main__":
    sys.exit(main())
