"""Long runs of two other lithium iron phosphate cells, against our closed forms and against the band we state.

Source: blast-lite 1.1.1 (P. Gasper et al., doi:10.1149/1945-7111/ac86a8 and doi:10.1016/j.est.2023.109042), run hour by hour
for ten years and on; figures in reference/blast_lite.json, built by reference/build_blast_lite.py.
"""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from simulator.battery.ageing import estimate_life
from simulator.battery.fade import LFP_LAWS
from tests.outside_checks import apart, reached
from tests.steady import steady_use

RUNS = json.loads((Path(__file__).parent / "reference" / "blast_lite.json").read_text(encoding="utf-8"))
LAW_OF_MODEL = {"cylindrical_3ah": "Gasper 2022", "prismatic_250ah": "Gasper 2023"}
PRINTED_YEARS = np.array([1, 5, 10]) * 365 / 365.25


def _name(run: dict[str, float]) -> str:
    return "{model} {highest_soc}-{lowest_soc} at {cell_c} C".format(**run)


def _hourly_soc(run: dict[str, float]) -> np.ndarray:
    hour_of_day = np.arange(1, 8761) % 24
    return run["lowest_soc"] + (run["highest_soc"] - run["lowest_soc"]) * np.abs(hour_of_day - 12) / 12


def _estimate(run: dict[str, float]):
    bank = SimpleNamespace(
        chemistry="lfp",
        unit_ah=100.0,
        in_parallel=1,
        soh_start=1.0,
        start_soc=run["highest_soc"],
        full_soc=0.95,
        cycles_depth_frac=(1.0,),
        cycles_to_end=(20000.0,),
        calendar_years=60.0,
        age_years=None,
    )
    return estimate_life(bank, _hourly_soc(run), np.full(8760, run["cell_c"]))


@pytest.mark.parametrize(
    ("law", "soc", "cell_c", "loss_pct"),
    [
        ("Gasper 2022", 0.5, 25, [3.825, 8.191, 11.234]),
        ("Gasper 2022", 0.9, 25, [5.847, 10.885, 14.077]),
        ("Gasper 2022", 0.5, 40, [5.980, 13.699, 19.331]),
        ("Gasper 2022", 0.5, 10, [1.743, 3.928, 5.504]),
        ("Gasper 2023", 0.5, 25, [1.102, 2.569, 3.699]),
    ],
)
def test_shelf_laws_evaluated_with_the_published_coefficients(law, soc, cell_c, loss_pct):
    """After 1, 5 and 10 years of 365 days."""
    shelf, _ = LFP_LAWS[law](steady_use(soc, cell_c, 0.8, 0.0, 0.2), PRINTED_YEARS)
    assert 100 * shelf == pytest.approx(loss_pct, abs=6e-4)
    reached(
        "LFP loss on the shelf by law",
        "Gasper et al. (2022, 2023), published coefficients",
        "0.0006 % of capacity",
        apart(100 * shelf, loss_pct),
    )


@pytest.mark.parametrize(
    ("law", "full_cycles", "loss_pct"),
    [
        ("Gasper 2022", 1000, 0.946),
        ("Gasper 2022", 3000, 3.269),
        ("Gasper 2022", 6000, 7.146),
        ("Gasper 2023", 500, 2.388),
        ("Gasper 2023", 1000, 4.239),
        ("Gasper 2023", 3000, 10.528),
    ],
)
def test_cycling_laws_evaluated_with_the_published_coefficients(law, full_cycles, loss_pct):
    """Depth 0.8 at C/5, half charge, 25 C."""
    _, cycling = LFP_LAWS[law](steady_use(0.5, 25.0, 0.8, full_cycles, 0.2), 1.0)
    assert 100 * cycling == pytest.approx(loss_pct, abs=6e-4)


@pytest.mark.parametrize("run", [run for run in RUNS if run["highest_soc"] == run["lowest_soc"]], ids=_name)
def test_storage_agrees_with_the_closed_form(run):
    """Their steps are a day long; that alone makes up to 0.03 % of the capacity."""
    use = steady_use(run["highest_soc"], run["cell_c"], 0.8, 0.0, 0.1)
    shelf, _ = LFP_LAWS[LAW_OF_MODEL[run["model"]]](use, PRINTED_YEARS)
    assert 1 - shelf == pytest.approx(run["capacity_frac"], abs=3e-4)
    reached(
        "LFP ten years on the shelf", "blast-lite 1.1.1, day by day", "0.0003 of capacity", apart(1 - shelf, run["capacity_frac"])
    )


@pytest.mark.parametrize("run", [run for run in RUNS if run["lowest_soc"] == 0.2], ids=_name)
def test_a_daily_deep_cycle_agrees_within_the_charge_their_run_leaves_out(run):
    """Their run moves up to 5 % fewer full cycles in ten years than a steady 0.8 a day."""
    years = _estimate(run).model_years[LAW_OF_MODEL[run["model"]]]
    assert years == pytest.approx(run["years_to_80_pct"], rel=0.06)
    reached(
        "LFP years to 80 % under a daily deep cycle",
        "blast-lite 1.1.1, hour by hour",
        "6 %",
        apart(years, run["years_to_80_pct"], rel=True),
    )


@pytest.mark.parametrize("run", RUNS, ids=_name)
def test_ten_year_runs_lie_inside_the_stated_band(run):
    low, high = _estimate(run).capacity_10_years_frac
    assert low <= run["capacity_frac"][2] <= high
    assert high - low < 0.15
