"""Build blast_lite.json: long runs of the two lithium iron phosphate cells of blast-lite, kept as reference figures.

Not part of the test suite. blast-lite pins old libraries, so it wants an environment of its own::

    python3 -m venv somewhere_else && somewhere_else/bin/pip install blast-lite==1.1.1
    somewhere_else/bin/python build_blast_lite.py > blast_lite.json

Each case is a year of hours repeated for ten years (and on, until 80 % of the capacity is left or 40 years have passed). The
daily triangle runs from full to ``lowest_soc`` at noon and back; ``lowest_soc`` equal to ``highest_soc`` is storage.
"""

import json
import sys

import numpy as np
from blast import models


def _model(size: str) -> type:
    """The lithium iron phosphate model whose name holds this size."""
    (name,) = [name for name in dir(models) if name.startswith("Lfp_Gr_") and size in name]
    return getattr(models, name)


MODELS = {"cylindrical_3ah": _model("3Ah"), "prismatic_250ah": _model("250Ah")}
CASES = [
    {"highest_soc": 1.0, "lowest_soc": 0.2, "cell_c": 25.0},
    {"highest_soc": 1.0, "lowest_soc": 0.2, "cell_c": 35.0},
    {"highest_soc": 0.9, "lowest_soc": 0.5, "cell_c": 25.0},
    {"highest_soc": 0.5, "lowest_soc": 0.5, "cell_c": 25.0},
    {"highest_soc": 0.9, "lowest_soc": 0.9, "cell_c": 15.0},
]
HOURS_PER_YEAR = 8760
MOST_YEARS = 40


def hourly_soc(case: dict[str, float]) -> np.ndarray:
    """A year of the daily triangle."""
    hour_of_day = np.arange(HOURS_PER_YEAR + 1) % 24
    swing = case["highest_soc"] - case["lowest_soc"]
    return case["lowest_soc"] + swing * np.abs(hour_of_day - 12) / 12


def years_to_80_pct(days: np.ndarray, q: np.ndarray) -> float | None:
    """Years until the capacity first falls to 80 %, linear between steps; None if it never does."""
    below = np.flatnonzero(q <= 0.8)
    if not below.size:
        return None
    after = below[0]
    share = (q[after - 1] - 0.8) / (q[after - 1] - q[after])
    return float((days[after - 1] + share * (days[after] - days[after - 1])) / 365)


def run(model_name: str, case: dict[str, float]) -> dict[str, object]:
    """One model, one case; as the cell shrinks its swing widens, to move the same energy until it hits a limit."""
    cell = MODELS[model_name]()
    soc = hourly_soc(case)
    history = {
        "Time_s": np.arange(HOURS_PER_YEAR + 1) * 3600.0,
        "SOC": soc,
        "Temperature_C": np.full(soc.shape, case["cell_c"]),
    }
    cell.simulate_battery_life(history, threshold_time=MOST_YEARS, threshold_capacity=0.795, is_conserve_energy_throughput=True)
    if cell.stressors["t_days"][-1] < 3651:
        raise SystemExit("a run ended before ten years")
    days, efc, q = cell.stressors["t_days"], cell.stressors["efc"], cell.outputs["q"]
    return {
        "model": model_name,
        **case,
        "years": [1, 5, 10],
        "capacity_frac": [round(float(np.interp(365 * years, days, q)), 6) for years in (1, 5, 10)],
        "full_cycles": [round(float(np.interp(365 * years, days, efc)), 2) for years in (1, 5, 10)],
        "years_to_80_pct": years_to_80_pct(days, q),
    }


if __name__ == "__main__":
    json.dump([run(name, case) for name in MODELS for case in CASES], sys.stdout, indent=1)
    sys.stdout.write("\n")
