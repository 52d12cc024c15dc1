"""Many designs over many years: what a lane-hour costs, whether it grows in a straight line, and what early exits save.

``flatdays size`` rests on it. The route is a season of 90 days on drawn weather; designs differ in bank, panels and tilt.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from itertools import product

import numpy as np

from simulator import timeline
from simulator.route import drawn_years
from simulator.scenario import parse_scenario
from simulator.scenario.parts import Scenario, SizeWish
from simulator.studies import changes
from simulator.studies.chunks import ARRAYS, Chunk, walk_chunk, walk_in_chunks
from simulator.studies.designs import DesignYears, walk_designs
from simulator.studies.ground import Ground
from simulator.studies.sizing import Sizing, size

SEASON = """
title = "A season of ninety days"
[bank]
chemistry = "lfp"
unit_ah = 100
unit_price = 390
place = "inside"
[[array]]
name = "roof"
panel = { p_w = 100, price = 80 }
azimuth_deg = 180
controller = { kind = "mppt" }
[[appliance]]
name = "fridge, light, computer"
wh_per_day = 900
[[stop]]
name = "Plain"
latitude_deg = 48.0
longitude_deg = 8.0
elevation_m = 400
arrive = 2026-08-15
depart = 2026-11-12
[stop.weather.normals]
kt = [0.30, 0.35, 0.40, 0.45, 0.50, 0.52, 0.55, 0.52, 0.47, 0.40, 0.33, 0.28]
temp_mean_c = [1, 2, 5, 9, 13, 17, 19, 18, 15, 10, 5, 2]
"""
UNITS, PANELS, TILTS, CHEMISTRIES = tuple(range(1, 26)), (2, 4, 6, 8, 10), (0.0, 20.0, 40.0, 60.0), ("lfp", "agm")
"""A thousand designs, forty different suns."""


def season() -> Scenario:
    """Ninety days at one place, one bank unit and one panel."""
    return parse_scenario(SEASON)


def designs_of(scenario: Scenario, count: int) -> list[Scenario]:
    """So many designs of the thousand, every kind among them."""
    found = []
    for chemistry, panels, tilt, units in product(CHEMISTRIES, PANELS, TILTS, UNITS):
        design = changes.with_parallel(changes.with_chemistry(scenario, chemistry), units)
        found.append(changes.with_tilt(changes.with_panels(design, 0, panels), tilt))
    step = len(found) / count
    return [found[int(place * step)] for place in range(count)]


def walk(scenario: Scenario, count: int, years: int, threads: int | None = None) -> Callable[[], DesignYears]:
    """Everything from packing to flat days for so many designs and years."""

    def call() -> DesignYears:
        clock = timeline.build_timeline(scenario)
        weather = drawn_years(scenario, clock, years, scenario.seed)
        return walk_designs(designs_of(scenario, count), weather, seed=scenario.seed, threads=threads)

    return call


def sizing(scenario: Scenario, years: int, flat_days: int, threads: int | None = None) -> Callable[[], Sizing]:
    """The thousand designs sized for a target, with early exits."""
    wish = SizeWish(
        in_parallel=UNITS,
        panels=((0, PANELS),),
        tilt_deg=TILTS,
        chemistry=CHEMISTRIES,
        units=(("agm", (("unit_price", 180.0),)),),
        flat_days=flat_days,
        years=years,
    )
    return lambda: size(scenario, wish, threads=threads)


def measure(
    sizes: Sequence[tuple[int, int]] = ((125, 25), (250, 50), (500, 100), (1000, 100)), threads: int = 2
) -> dict[str, float]:
    """Wall and CPU seconds, CPU time a lane-hour and peak memory of each size, then what early exits save on a hard target."""
    scenario = season()
    hours = timeline.build_timeline(scenario).hours
    walk(scenario, 4, 1, threads)()
    found: dict[str, float] = {}
    for count, years in sizes:
        began, cpu = time.perf_counter(), time.process_time()
        walk(scenario, count, years, threads)()
        found[f"{count} designs x {years} years, wall s"] = time.perf_counter() - began
        used = time.process_time() - cpu
        found[f"{count} designs x {years} years, CPU s"] = used
        found[f"{count} designs x {years} years, CPU ns a lane-hour"] = used * 1e9 / (count * years * hours)
    found["peak memory, MB"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    began = time.perf_counter()
    sized = sizing(scenario, 100, 1, threads)()
    found["sizing 1000 designs, at most 1 flat day in 100 years, wall s"] = time.perf_counter() - began
    found["share of lane-hours walked"] = sized.lane_hours / sized.lane_hours_whole
    found["designs that meet it"] = float(sized.met.sum())
    return found


def _count(finished: list[int], done: int, _total: int) -> None:
    finished.append(done)


def walk_over_workers(workers: Sequence[int] = (1, 2), count: int = 500, years: int = 96) -> dict[str, float]:
    """Wall seconds of the same chunks, of half a second of work and more, on Dask's workers of this machine, and the quotient.

    Each worker is a process with one thread. Before the clock starts it has loaded the program, made the weather and walked a
    chunk, and the share of a processor it then gets is told too: on a busy machine two workers are no twice one.
    """
    import distributed

    ground = Ground(season(), "drawn", years, season().seed)
    designs = designs_of(season(), count)
    found: dict[str, float] = {}
    results = []
    for each in workers:
        with (
            distributed.LocalCluster(
                n_workers=each, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
            ) as cluster,
            distributed.Client(cluster) as client,
            client.get_executor(pure=False) as executor,
        ):
            first = Chunk(ground, tuple(designs[:4]), (0,))
            client.run(walk_chunk, first)
            cpu_s = sum(client.run(time.process_time).values())
            finished: list[int] = []
            began = time.perf_counter()
            results.append(walk_in_chunks(designs, ground, executor=executor, progress=partial(_count, finished)))
            wall_s = time.perf_counter() - began
            cpu_s = sum(client.run(time.process_time).values()) - cpu_s
        found[f"{each} of Dask's workers: {count} designs x {years} years, wall s"] = wall_s
        found[f"{each} of Dask's workers: CPU s a chunk"] = cpu_s / len(finished)
        found[f"{each} of Dask's workers: share of a processor each got"] = cpu_s / wall_s / each
    for each, other in zip(workers, results, strict=True):
        assert all(np.array_equal(getattr(other, name), getattr(results[0], name)) for name in ARRAYS), "results differ"
        if each != workers[0]:
            one, many = (
                found[f"{number} of Dask's workers: {count} designs x {years} years, wall s"] for number in (workers[0], each)
            )
            found[f"{each} workers beside {workers[0]}, times as fast"] = one / many
    return found


if __name__ == "__main__":
    # "python benchmarks/designs.py workers" measures Dask's workers alone (needs the package distributed).
    for name, value in (walk_over_workers() if sys.argv[1:] == ["workers"] else measure()).items():
        print(f"{name:64s} {value:10.3g}")
