"""How it is measured: repetitions in turn, medians, CPU time beside wall time, and rows of one table."""

from __future__ import annotations

import os
import resource
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from statistics import median

import numpy as np
import numpy.typing as npt
from table import Row

Samples = npt.NDArray[np.float64]
"""(repetitions, 2): seconds of wall and of CPU time."""
WALL, CPU = 0, 1
NANO, MILLI = 1e9, 1e3


def take_turns(jobs: Sequence[Callable[[], object]], repetitions: int, warm_up: int = 1) -> list[Samples]:
    """Run the jobs one after the other, again and again, so that what disturbs the machine disturbs all of them alike.

    A job that measures itself (a child process) returns its seconds of wall and CPU time as a tuple.
    """
    taken = np.zeros((len(jobs), repetitions, 2))
    for repetition in range(-warm_up, repetitions):
        for place, job in enumerate(jobs):
            cpu, wall = time.process_time(), time.perf_counter()
            result = job()
            seconds = result if isinstance(result, tuple) else (time.perf_counter() - wall, time.process_time() - cpu)
            if repetition >= 0:
                taken[place, repetition] = seconds
    return list(taken)


def spread_frac(values: npt.NDArray[np.float64]) -> float:
    """Half the interquartile range over the median."""
    low, middle, high = np.quantile(values, (0.25, 0.5, 0.75))
    return float(0.5 * (high - low) / middle)


def time_row(key: str, what: str, samples: Samples, unit: str, per: float, *, note: str = "") -> Row:
    """Median time; ``per`` turns seconds into the unit."""
    wall, cpu = (median(samples[:, column]) * per for column in (WALL, CPU))
    return Row(key, what, unit, wall, cpu, spread_frac(samples[:, CPU]), note=note)


def ratio_row(
    key: str,
    what: str,
    above: Samples,
    below: Samples,
    expected: str = "",
    *,
    better: str = "lower",
    strict: bool = False,
) -> Row:
    """Median over the repetitions of the quotient of two jobs that took turns."""
    quotients = above / np.maximum(below, 1e-9)
    wall, cpu = (median(quotients[:, column]) for column in (WALL, CPU))
    return Row(key, what, "x", wall, cpu, spread_frac(quotients[:, CPU]), expected, better=better, strict=strict)


def run_process(arguments: Sequence[str], environment: Mapping[str, str] | None = None) -> tuple[float, float]:
    """Seconds of wall and CPU time of one child process.

    Raises
    ------
    subprocess.CalledProcessError
        The child failed; its standard error is in the exception.
    """
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    wall = time.perf_counter()
    subprocess.run(arguments, env={**os.environ, **(environment or {})}, check=True, capture_output=True, text=True)
    wall = time.perf_counter() - wall
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
