"""How much memory a year of many lanes takes, measured in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass

from processes import ROOT, environment

from simulator.battery import kernel

MB = 1e6
DAYS = 365
DAY_BYTES = 8 * kernel.DAY_FIELDS
"""Of one lane: what a day keeps. Every lane has 8 x (HOUR_FIELDS + STATE_SIZE) more, every watched hour 8 x HOUR_FIELDS."""

WALK_A_YEAR = """\
import json, sys, time; sys.path[:0] = [{here!r}, {root!r}]
from cases import plain_case
from memory import peak_bytes
from simulator import battery
from simulator.outcome import flat_mask
small = plain_case("lfp", 1, 24)
battery.walk(small.lanes, small.histories, small.curves, small.capacities, small.start)
libraries = peak_bytes()
case = plain_case("lfp", {lanes})
wall, cpu = time.perf_counter(), time.process_time()
walked = battery.walk(case.lanes, case.histories, case.curves, case.capacities, case.start)
wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
flat = int(flat_mask(walked.days).sum())
print(json.dumps([libraries, peak_bytes(), wall, cpu, flat]))
"""


@dataclass(frozen=True)
class Peak:
    """Peak memory [MB of 10^6 bytes] before the first lane and at the end; seconds of the walk."""

    libraries_mb: float
    peak_mb: float
    wall: float
    cpu: float


def peak_bytes() -> int:
    """Most memory that this process has held so far.

    From the kernel's own account where there is one: the figure of getrusage begins with what the parent held when it forked.
    """
    try:
        with open("/proc/self/status", encoding="utf-8") as status:
            return next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmHWM:"))
    except (OSError, StopIteration):
        import resource

        held = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return held if sys.platform == "darwin" else held * 1024


def peak_of_a_year(lanes: int) -> Peak:
    """Walk so many lanes through a year, keep their days, and say which are flat.

    Raises
    ------
    subprocess.CalledProcessError
        The process failed.
    """
    code = WALK_A_YEAR.format(here=str(ROOT / "benchmarks"), root=str(ROOT), lanes=lanes)
    done = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, **environment()}, check=True, capture_output=True, text=True
    )
    libraries, peak, wall, cpu, _ = json.loads(done.stdout)
    return Peak(libraries / MB, peak / MB, wall, cpu)
