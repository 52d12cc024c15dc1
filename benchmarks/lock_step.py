"""Lanes one by one or eight in lock step (lock_step.c): what vector registers gain on the plain case, one step an hour."""

from __future__ import annotations

import ctypes
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
from cases import LoopCase

from simulator.battery import kernel as k
from simulator.battery.kernel import FloatArray

FLAGS = ("-std=gnu99", "-O3", "-march=native", "-ffast-math", "-fopenmp-simd", "-shared", "-fPIC")
NAMES = ("one_by_one", "eight_together")


def walks(folder: Path, compiler: str, case: LoopCase) -> dict[str, Callable[[], tuple[FloatArray, FloatArray]]]:
    """Both orders as calls that answer with ``days`` (lanes, days, DAY_FIELDS) and the charge at the end (lanes,).

    Raises
    ------
    subprocess.CalledProcessError
        The compiler refuses the file.
    """
    library_file = folder / "lock_step.so"
    source = Path(__file__).resolve().with_suffix(".c")
    subprocess.run([compiler, *FLAGS, "-o", str(library_file), str(source), "-lm"], check=True, capture_output=True, text=True)
    library = ctypes.CDLL(str(library_file))
    lanes, histories = case.lanes, case.histories
    count, hours = len(case.start), histories.day.shape[0]
    columns = np.stack(
        [
            lanes.sun_scale,
            lanes.load_scale,
            lanes.capacity_ah,
            lanes.resistance_ohm,
            lanes.resistance_per_c,
            lanes.charge_limit_a,
            lanes.discharge_limit_a,
            lanes.floor_soc,
            lanes.reconnect_soc - lanes.floor_soc,
            lanes.target_soc,
            lanes.full_soc,
            lanes.taper_per_h,
            lanes.taper_soc,
            lanes.self_discharge_per_h,
            lanes.standby_w,
            lanes.absorb_v,
            lanes.sun_low_v,
            lanes.sun_high_v,
            lanes.loss_w_per_c,
            np.exp(-lanes.loss_w_per_c / lanes.heat_capacity_wh_per_c),
        ]
    )
    load_w = np.ascontiguousarray(histories.load_w[:, :, k.LEVELS - 1, k.REST_W])
    essential_w = np.ascontiguousarray(histories.load_w[:, :, 0, k.REST_W])
    # Sun, load and bay of a lane share a row here.
    bay_c = np.ascontiguousarray(np.broadcast_to(histories.bay_c[:1, :, 0], load_w.shape))
    curve = [
        np.ascontiguousarray(case.curves[int(lanes.curve_row[0])][:, column]) for column in (k.OCV, k.CHARGE_V, k.INV_EFFICIENCY)
    ]
    capacity_curve = np.ascontiguousarray(case.capacities[int(lanes.curve_row[0])])
    day_count = int(histories.day[-1]) + 1

    def call(name: str) -> Callable[[], tuple[FloatArray, FloatArray]]:
        out = np.zeros((day_count, k.DAY_FIELDS, count))
        function = getattr(library, name)

        def job() -> tuple[FloatArray, FloatArray]:
            state = np.ascontiguousarray(case.start[:, [k.SOC, k.CELL_C]].T)
            arrays = (lanes.sun_row, histories.sun_w, load_w, essential_w, bay_c, histories.day)
            function(
                _at(columns),
                ctypes.c_int64(count),
                *map(_at, arrays),
                ctypes.c_int64(hours),
                ctypes.c_int64(day_count),
                *map(_at, (*curve, capacity_curve, state, out)),
            )
            return out.transpose(2, 0, 1), state[0]

        return job

    return {name: call(name) for name in NAMES}


def _at(array: np.ndarray) -> ctypes.c_void_p:
    assert array.flags.c_contiguous
    return ctypes.c_void_p(array.ctypes.data)
