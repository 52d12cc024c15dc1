"""The hour loop three times over the same lanes: compiled by numba, by a C compiler, and as plain Python."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from cases import LoopCase, check_case, full_case, plain_case

from simulator import battery
from simulator.battery import kernel
from simulator.battery.kernel import FloatArray

HERE = Path(__file__).resolve().parent
FLAGS = ("-std=c99", "-O3", "-march=native", "-ffp-contract=off", "-shared", "-fPIC")
PLAIN_HOURS = 1200
OUTPUTS = ("state", "totals", "days", "hours", "status")


def new_outputs(case: LoopCase, watched: bool) -> dict[str, np.ndarray]:
    """Fresh arrays for one walk: the state to begin with, zeros for the rest; all lanes watched or none."""
    lanes, hours = len(case.start), case.histories.bay_c.shape[1]
    days = np.zeros((lanes, int(case.histories.day[-1]) + 1, kernel.DAY_FIELDS))
    days[:, :, kernel.DAY_LOWEST_SOC] = 1.0
    return {
        "state": case.start.copy(),
        "totals": np.zeros((lanes, kernel.HOUR_FIELDS)),
        "days": days,
        "watch": np.arange(lanes, dtype=np.int64) if watched else np.full(lanes, -1, dtype=np.int64),
        "hours": np.zeros((lanes if watched else 0, hours, kernel.HOUR_FIELDS)),
        "status": np.zeros(lanes, dtype=np.int64),
    }


def walk_compiled(case: LoopCase, out: dict[str, np.ndarray], first: int = 0, last: int | None = None) -> None:
    """The loop as the engine runs it (plain Python where numba is switched off)."""
    last = len(case.start) if last is None else last
    kernel.run_block(  # type: ignore[no-untyped-call]
        case.records,
        case.histories,
        case.curves,
        case.capacities,
        first,
        last,
        *(out[name] for name in ("state", "totals", "days", "watch", "hours", "status")),
        np.empty(kernel.SCRATCH),
    )


class CLoop:
    """hour_loop.c, compiled into ``folder`` and called through ctypes."""

    def __init__(self, folder: Path, compiler: str) -> None:
        library = folder / "hour_loop.so"
        subprocess.run(
            [compiler, *FLAGS, "-o", str(library), str(HERE / "hour_loop.c"), "-lm"], check=True, capture_output=True, text=True
        )
        self.library = ctypes.CDLL(str(library))
        meant = (
            kernel.LANE.itemsize,
            len(kernel.Histories._fields),
            kernel.NODES,
            kernel.INV_EFFICIENCY + 1,
            kernel.CAPACITY_NODES,
            kernel.LEVELS,
            kernel.STATE_SIZE,
            kernel.HOUR_FIELDS,
            kernel.DAY_FIELDS,
            kernel.MAX_EVENTS,
        )
        written = tuple((ctypes.c_int64 * len(meant)).in_dll(self.library, "layout"))
        if written != meant:
            raise ValueError(f"hour_loop.c is laid out for {written}, kernel.py for {meant}: bring the C file up to date")

    def walk(self, case: LoopCase, out: dict[str, np.ndarray]) -> None:
        """The same call as :func:`walk_compiled`."""
        self.library.run_block(
            _pointer(case.records),
            _pointers(case.histories),
            _pointer(case.curves),
            _pointer(case.capacities),
            ctypes.c_int64(case.histories.bay_c.shape[1]),
            ctypes.c_int64(out["days"].shape[1]),
            ctypes.c_int64(0),
            ctypes.c_int64(len(case.start)),
            *(_pointer(out[name]) for name in ("state", "totals", "days", "watch", "hours", "status")),
        )


def find_compiler() -> str | None:
    """A C compiler that understands the flags; None where there is none."""
    return shutil.which("gcc") or shutil.which("clang")


def _pointer(array: np.ndarray) -> ctypes.c_void_p:
    assert array.flags.c_contiguous
    return ctypes.c_void_p(array.ctypes.data)


def _pointers(arrays: tuple[np.ndarray, ...]) -> Any:
    return ctypes.byref((ctypes.c_void_p * len(arrays))(*(_pointer(array) for array in arrays)))


def differing_values(one: dict[str, np.ndarray], other: dict[str, np.ndarray]) -> int:
    """Count the values of all outputs that are not the same bits."""
    return sum(int((one[name].view(np.int64) != other[name].view(np.int64)).sum()) for name in OUTPUTS)


def unexercised_fields(out: dict[str, np.ndarray]) -> list[str]:
    """Hour fields that stay zero in every lane and hour: what a comparison on this case says nothing about."""
    names: dict[int, str] = {}
    for name, value in vars(kernel).items():
        if name.isupper() and isinstance(value, int) and not name.startswith("DAY_"):
            # The hour's columns are the last to be numbered in the file, but for the day's.
            names[value] = name
    return [names.get(int(field), str(field)) for field in np.flatnonzero((out["hours"] == 0.0).all(axis=(0, 1)))]


def ledger_miss_frac(case: LoopCase, out: dict[str, np.ndarray]) -> float:
    """Largest miss of the bank's energy ledger in any watched hour, over max(throughput, 1 Wh).

    The stored energy is recomputed from the charge series, so that the ledger is not compared with itself.
    """
    worst = 0.0
    for lane, hours in enumerate(out["hours"]):
        curve = case.curves[case.lanes.curve_row[lane]]
        soc = np.concatenate([case.start[lane, kernel.SOC : kernel.SOC + 1], hours[:, kernel.SOC_END]])
        stored_wh = np.diff(_stored_v(curve, soc)) * case.lanes.capacity_ah[lane]
        losses_wh = hours[:, [kernel.LOSS_OHMIC_WH, kernel.LOSS_CHARGING_WH, kernel.LOSS_SELF_WH]].sum(axis=1)
        miss_wh = hours[:, kernel.CHARGED_WH] - hours[:, kernel.DISCHARGED_WH] - stored_wh - losses_wh
        throughput_wh = np.maximum(hours[:, kernel.CHARGED_WH] + hours[:, kernel.DISCHARGED_WH], 1.0)
        worst = max(worst, float(np.abs(miss_wh / throughput_wh).max()))
    return worst


def _stored_v(curve: FloatArray, soc: FloatArray) -> FloatArray:
    """Integral of the open-circuit voltage from 0 to soc [V]."""
    position = soc * kernel.NODES
    cell = np.clip(position.astype(np.int64), 0, kernel.NODES - 1)
    part = position - cell
    low = curve[cell, kernel.OCV]
    return np.asarray(curve[cell, kernel.ENERGY] + part * (low + 0.5 * part * (curve[cell + 1, kernel.OCV] - low)) / kernel.NODES)


def small_cases() -> dict[str, LoopCase]:
    """What plain Python is timed on beside the check case: few lanes and hours."""
    return {"plain": plain_case("lfp", 4, PLAIN_HOURS), "full": full_case("lfp", 4, PLAIN_HOURS)}


def plain_python(folder: Path, python: str = sys.executable) -> tuple[dict[str, np.ndarray], dict[str, tuple[float, float]]]:
    """Walk the short check case, and time the small ones, in a process whose numba is switched off.

    Answers with the outputs of the check case, and wall and CPU seconds of all (``check``, ``plain``, ``full``).
    """
    target = folder / "plain.npz"
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    subprocess.run(
        [python, str(HERE / "run.py"), "--plain-loop", str(target)], check=True, capture_output=True, text=True, env=environment
    )
    with np.load(target) as found:
        seconds = {name.removeprefix("seconds "): tuple(found[name].tolist()) for name in found if name.startswith("seconds ")}
        return {name: found[name] for name in OUTPUTS}, seconds


def write_plain_loop(target: Path) -> None:
    """The other end of :func:`plain_python`: runs in the child process."""
    seconds = {}
    outputs: dict[str, np.ndarray] = {}
    for name, case in {**small_cases(), "check": check_case(PLAIN_HOURS)}.items():
        outputs = new_outputs(case, watched=True)
        cpu, wall = time.process_time(), time.perf_counter()
        with np.errstate(all="ignore"):
            walk_compiled(case, outputs)
        seconds[f"seconds {name}"] = np.array([time.perf_counter() - wall, time.process_time() - cpu])
    np.savez(target, allow_pickle=False, **seconds, **{name: outputs[name] for name in OUTPUTS})


def ideal_efficiency(case: LoopCase, threads: int, repetitions: int) -> float:
    """Share of the ideal gain that the engine's blocks allow on a machine that does nothing else.

    The CPU time of one walk of all lanes, over ``threads`` times that of the busiest thread, when every block goes to the thread
    that is free first. It sees uneven blocks and the cost of calling, not what threads take from each other's memory.
    """
    edges = np.linspace(0, len(case.start), min(len(case.start), threads * battery.BLOCKS_A_THREAD) + 1).astype(int)
    pairs = list(pairwise(edges.tolist()))
    out = new_outputs(case, watched=False)
    whole = np.zeros(repetitions)
    blocks = np.zeros((repetitions, len(pairs)))
    for repetition in range(repetitions):
        out["state"][:] = case.start
        begin = time.thread_time()
        walk_compiled(case, out)
        whole[repetition] = time.thread_time() - begin
        out["state"][:] = case.start
        for place, (first, last) in enumerate(pairs):
            begin = time.thread_time()
            walk_compiled(case, out, first, last)
            blocks[repetition, place] = time.thread_time() - begin
    busy = np.zeros(threads)
    # The least of all repetitions: what else runs only ever adds.
    for cost in blocks.min(axis=0):
        busy[np.argmin(busy)] += cost
    return float(whole.min() / (threads * busy.max()))
