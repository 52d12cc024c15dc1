"""Write pybamm.json: the state of charge of an equivalent-circuit model over a rough month of hourly powers.

Run once, in an environment of its own: `pip install pybamm`, then `PYBAMM_DISABLE_TELEMETRY=true python build_pybamm.py`.
PyBaMM: V. Sulzer et al. (2021), Python Battery Mathematical Modelling, J. Open Research Software 9(1), 14, doi:10.5334/jors.309.

The model is Thevenin's with the series resistance alone. One 12.8 V unit of 100 Ah is taken as one cell: its voltage is four
times the open-circuit curve of S. Sunil, K. R. Pattipati, B. Balasingam (2025), IEEE Trans. Instrum. Meas. (breakpoints at
C/32), linear between; its resistance 12 mOhm. Power into the unit is positive here, negative there.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"

import numpy as np
import pybamm

SOC = [0.0, 0.0033, 0.0117, 0.0267, 0.0534, 0.0885, 0.2972, 0.9833, 0.9950, 1.0]
CELL_V = [2.0102, 2.4177, 2.7405, 2.9299, 3.0872, 3.1942, 3.2772, 3.3511, 3.4180, 3.5981]
RESISTANCE_OHM = 0.012
CAPACITY_AH = 100.0
HOURS = 30 * 24
START_SOC = 0.6
PEAK_W = 400.0
UNIT_WH = 1315.0


class Traveller:
    """Hourly powers that swing between nearly empty and nearly full, with gusts against the trend."""

    def __init__(self) -> None:
        self.chance = np.random.default_rng(20)
        self.rising = False

    def power_w(self, soc: float) -> float:
        """Power of the next hour, into the unit positive, never so much that the unit would be empty or full in it."""
        self.rising = soc < 0.2 or (self.rising and soc < 0.85)
        wanted = (1.0 if self.rising else -1.0) * PEAK_W * self.chance.random() * (-0.5 if self.chance.random() < 0.2 else 1.0)
        return round(float(np.clip(wanted, (0.12 - soc) * UNIT_WH, (0.94 - soc) * UNIT_WH)), 1)


def main() -> None:
    """Step hour by hour and write the file beside this one."""
    traveller, powers = Traveller(), []
    model = pybamm.equivalent_circuit.Thevenin(options={"number of rc elements": 0, "operating mode": "power"})
    values = model.default_parameter_values
    values.update(
        {
            "Initial SoC": START_SOC,
            "Cell capacity [A.h]": CAPACITY_AH,
            "Nominal cell capacity [A.h]": CAPACITY_AH,
            "Open-circuit voltage [V]": lambda soc: pybamm.Interpolant(
                np.array(SOC), 4.0 * np.array(CELL_V), soc, interpolator="linear"
            ),
            "R0 [Ohm]": lambda temperature, current, soc: pybamm.Scalar(RESISTANCE_OHM),
            "Entropic change [V/K]": lambda voltage, temperature: pybamm.Scalar(0.0),
            "Upper voltage cut-off [V]": 20.0,
            "Lower voltage cut-off [V]": 6.0,
            "Power function [W]": "[input]",
        },
        check_already_exists=False,
    )
    simulation = pybamm.Simulation(model, parameter_values=values, solver=pybamm.IDAKLUSolver(rtol=1e-9, atol=1e-10))
    soc, heat_wh, passed_ah = [], 0.0, 0.0
    for _ in range(HOURS):
        power = traveller.power_w(soc[-1] if soc else START_SOC)
        powers.append(power)
        solution = simulation.step(3600.0, t_eval=np.linspace(0.0, 3600.0, 61), inputs={"Power function [W]": -power}, save=False)
        soc.append(round(float(solution["SoC"].entries[-1]), 8))
        current = solution["Current [A]"].entries
        hours = solution["Time [h]"].entries
        heat_wh += float(np.trapezoid(current**2 * RESISTANCE_OHM, hours))
        passed_ah += float(np.trapezoid(np.abs(current), hours))
    found = {
        "pybamm": pybamm.__version__,
        "capacity_ah": CAPACITY_AH,
        "resistance_ohm": RESISTANCE_OHM,
        "start_soc": START_SOC,
        "resistance_heat_wh": round(heat_wh, 3),
        "passed_ah": round(passed_ah, 3),
        "power_w": powers,
        "soc": soc,
    }
    Path(__file__).with_name("pybamm.json").write_text(json.dumps(found) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
