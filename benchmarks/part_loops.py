"""The hour loop: beside C, plain Python and numpy, on one thread and many, against size; and that all of them agree."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from functools import partial
from importlib import import_module
from itertools import pairwise
from pathlib import Path

import by_chance
import loops
import numpy as np
from cases import BANKS, LoopCase, check_case, full_case, plain_case
from measure import CPU, NANO, WALL, ratio_row, take_turns, time_row
from table import Report, Row

from simulator import battery

LANES = 64
MANY_LANES = 1024
THREADED_LANES = 512
"""A second of work: with a tenth of one, starting the threads is part of what is timed."""
QUARTER_HOURS = 2190
SEEDS = 100
"""Cases by chance in which loop and twin are compared."""


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
        differing, endless = (sum(counts) for counts in zip(*(_by_chance(c_loop, seed) for seed in range(SEEDS)), strict=True))
        report.check(
            f"so they do where all is drawn by chance: {differing} values differ, {endless} hours do not end "
            f"({SEEDS} times {by_chance.LANES} lanes, {by_chance.HOURS} hours)",
            differing + endless == 0,
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
    _full_beside_plain(report, repetitions)
    _plain_python(report, folder)
    _in_numpy(report, max(repetitions // 3, 3))
    _in_lock_step(report, folder, repetitions)
    for build in (plain_case, full_case):
        _threads(report, build("lfp", THREADED_LANES), max(repetitions // 2, 5))
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


def _by_chance(c_loop: loops.CLoop, seed: int) -> tuple[int, int]:
    """Values that differ between the compiled loop and C, and lanes with an hour whose events would not end."""
    case = by_chance.case_by_chance(seed)
    compiled, in_c = (loops.new_outputs(case, watched=True) for _ in range(2))
    loops.walk_compiled(case, compiled)
    c_loop.walk(case, in_c)
    return loops.differing_values(compiled, in_c), int((compiled["status"] > 0).sum())


def _time_loop(report: Report, case: LoopCase, c_loop: loops.CLoop | None, repetitions: int) -> None:
    per = NANO / case.lane_hours
    jobs = [_walker(case, loops.walk_compiled)] + ([_walker(case, c_loop.walk)] if c_loop else [])
    compiled, *in_c = take_turns(jobs, repetitions)
    report.rows.append(time_row(f"loop {case.name}", f"hour loop, {case.name}", compiled, "ns/lane-hour", per, note=case.words))
    if in_c:
        report.rows.append(time_row(f"C {case.name}", "  the same in C", in_c[0], "ns/lane-hour", per))
        report.rows.append(ratio_row(f"loop / C {case.name}", "  compiled loop / C", compiled, in_c[0], "<= 1.1"))


def _full_beside_plain(report: Report, repetitions: int) -> None:
    """What everything that can be switched on costs, beside sun and load only."""
    for chemistry in BANKS:
        cases = [build(chemistry, LANES) for build in (full_case, plain_case)]
        full, plain = take_turns([_walker(case, loops.walk_compiled) for case in cases], repetitions)
        report.rows.append(ratio_row(f"full / plain {chemistry}", f"everything on / plain, {chemistry}", full, plain, "<= 1.5"))


def _plain_python(report: Report, folder: Path) -> None:
    case = check_case(loops.PLAIN_HOURS)
    compiled = loops.new_outputs(case, watched=True)
    plain, seconds = loops.plain_python(folder)
    loops.walk_compiled(case, compiled)
    differing = loops.differing_values(compiled, plain)
    report.check(
        f"compiled loop and plain Python agree in every bit: {differing} values differ "
        f"({len(case.start)} lanes, {loops.PLAIN_HOURS} hours)",
        differing == 0,
    )
    for name, timed in {"check": case, **loops.small_cases()}.items():
        per = NANO / timed.lane_hours
        wall, cpu = seconds[name]
        (samples,) = take_turns([_walker(timed, loops.walk_compiled)], 5)
        compiled_wall, compiled_cpu = np.median(samples, axis=0)
        report.rows += [
            Row(f"Python {name}", f"hour loop, {timed.name}, plain Python", "ns/lane-hour", wall * per, cpu * per),
            Row(
                f"Python / loop {name}",
                "  plain Python / compiled loop",
                "x",
                wall / compiled_wall,
                cpu / compiled_cpu,
                better="none",
            ),
        ]


def _in_numpy(report: Report, repetitions: int) -> None:
    """A loop over the hours with all lanes in numpy arrays, and how far off it is."""
    numpy_loop = import_module("numpy_loop")
    for chemistry in BANKS:
        few, many = plain_case(chemistry, LANES), plain_case(chemistry, MANY_LANES, QUARTER_HOURS)
        for case in (few, many):
            count = len(case.start)
            jobs = [_walker(case, loops.walk_compiled), partial(_no_result, numpy_loop.walk_numpy, case)]
            compiled, arrays = take_turns(jobs, repetitions)
            what = f"plain, {chemistry}, {count:,} lanes as numpy arrays, one step an hour"
            key = f"{chemistry} {count}"
            report.rows += [
                time_row(f"numpy {key}", what, arrays, "ns/lane-hour", NANO / case.lane_hours),
                ratio_row(f"numpy / loop {key}", "  numpy / compiled loop", arrays, compiled, better="none"),
            ]
        out = loops.new_outputs(few, watched=False)
        loops.walk_compiled(few, out)
        days, _ = numpy_loop.walk_numpy(few)
        for what, share in numpy_loop.misses(days, out["days"]).items():
            unit = {"flat days told wrong": "of all days", "lowest charge": "of the bank"}.get(what, "of the load")
            report.rows.append(Row(f"numpy {chemistry} {what}", f"  its error in a day: {what}", unit, share, better="none"))


def _in_lock_step(report: Report, folder: Path, repetitions: int) -> None:
    """The same one step an hour in C, lanes one by one and eight together: what vector registers would gain."""
    compiler = loops.find_compiler()
    if compiler is None:
        return
    lock_step, numpy_loop = import_module("lock_step"), import_module("numpy_loop")
    case = plain_case("lfp", LANES)
    try:
        walks = lock_step.walks(folder, compiler, case)
    except subprocess.CalledProcessError as error:
        report.skipped.append(
            f"Lock step was left out: {Path(compiler).name} refuses it ({error.stderr.strip().splitlines()[0]})."
        )
        return
    days, _ = numpy_loop.walk_numpy(case)
    far = max(float(abs(walk()[0] - days).max()) for walk in walks.values())
    report.check(f"one step an hour in C as in numpy, one by one and in lock step: within {far:.0e} Wh and h", far < 1e-6)
    alone, together = take_turns([partial(_no_result, walk) for walk in walks.values()], repetitions)
    per = NANO / case.lane_hours
    report.rows += [
        time_row("alone", "plain, lfp, one step an hour in C, lanes one by one", alone, "ns/lane-hour", per),
        time_row("lock step", "  eight lanes in lock step", together, "ns/lane-hour", per),
        ratio_row("lock step gain", "  gain of lock step", alone, together, better="higher"),
    ]


def _no_result(walk: Callable[..., object], *arguments: object) -> None:
    """Call it and drop what it answers: a tuple would be taken for seconds."""
    walk(*arguments)


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
    report.check(f"{case.name}: on 1 and on {threads} threads the same bits", same)
    efficiency = one[:, WALL] / (threads * many[:, WALL])
    report.rows += [
        Row(
            f"threads {case.name}",
            f"hour loop, {case.name}, on {threads} threads: share of the ideal gain",
            "of 1",
            float(np.median(efficiency)),
            better="higher",
            note="wall time: an idle machine only",
        ),
        Row(
            f"blocks {case.name}",
            "  the same if nothing else ran, by the CPU time of every block",
            "of 1",
            loops.ideal_efficiency(case, threads, repetitions),
            better="higher",
            expected=">= 0.95",
        ),
    ]


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
