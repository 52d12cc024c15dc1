"""The hour loop against PyBaMM's equivalent-circuit model: same curve, same resistance, a rough month of hourly powers.

V. Sulzer et al. (2021), Python Battery Mathematical Modelling, J. Open Research Software 9(1), 14, doi:10.5334/jors.309.
Its figures are kept in reference/pybamm.json; reference/build_pybamm.py wrote them.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simulator.battery import kernel as k
from tests.outside_checks import apart, reached

MONTH = json.loads((Path(__file__).parent / "reference" / "pybamm.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def walked(make_bank, walk_bank):
    """The same month in the hour loop: no loss but the resistance, no limit, no taper."""
    lfp = make_bank("lfp")
    count = len(lfp.curve.soc)
    bank = replace(
        lfp,
        curve=replace(lfp.curve, polarisation_v=(0.0,) * count, charge_efficiency_frac=(1.0,) * count),
        unit_ah=MONTH["capacity_ah"],
        resistance_ohm=MONTH["resistance_ohm"],
        resistance_per_c=0.0,
        start_soc=MONTH["start_soc"],
        charge_limit_a=1e6,
        charge_cold_limit_a=1e6,
        discharge_limit_a=1e6,
        charge_max_c=1000.0,
        discharge_max_c=1000.0,
        taper_h=0.0,
        self_discharge_frac_per_day=0.0,
        standby_w=0.0,
    )
    powers = np.array(MONTH["power_w"])
    return walk_bank(bank, powers.size, sun_w=np.maximum(powers, 0.0), load_w=np.maximum(-powers, 0.0))


def test_the_month_is_rough(walked):
    soc = np.array(MONTH["soc"])
    assert soc.size == 720
    assert soc.min() < 0.2
    assert soc.max() > 0.85
    assert walked.total(k.MISSED_DARK_WH) + walked.total(k.SPILLED_FULL_WH) == 0.0


# Reached: 5.8e-5.
def test_charge_at_every_hour(walked):
    assert np.abs(walked.soc()[1:] - np.array(MONTH["soc"])).max() < 1e-4
    reached(
        "Hour loop: charge over a rough month",
        "PyBaMM, equivalent circuit (Sulzer et al. 2021)",
        "1e-4 of the charge",
        apart(walked.soc()[1:], MONTH["soc"]),
    )


def test_energy_and_charge_of_the_month(walked):
    """The terminals see the same power; what is stored, what the resistance turns to heat and what passes must agree."""
    passed_ah = walked.total(k.CHARGED_AH) + walked.total(k.DISCHARGED_AH)
    assert passed_ah == pytest.approx(MONTH["passed_ah"], rel=5e-3)
    reached(
        "Hour loop: ampere-hours passed in a month",
        "PyBaMM, equivalent circuit (Sulzer et al. 2021)",
        "0.5 %",
        apart(passed_ah, MONTH["passed_ah"], rel=True),
    )
    assert walked.total(k.LOSS_OHMIC_WH) == pytest.approx(MONTH["resistance_heat_wh"], rel=5e-3)
    stored_wh = walked.total(k.CHARGED_WH) - walked.total(k.DISCHARGED_WH) - walked.total(k.LOSS_OHMIC_WH)
    assert stored_wh == pytest.approx(
        np.sum(MONTH["power_w"]) - MONTH["resistance_heat_wh"], abs=5e-3 * np.abs(MONTH["power_w"]).sum()
    )
