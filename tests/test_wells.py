"""The two wells fitted to a data sheet: what is put in comes out, and the bank packs what was fitted."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import battery
from simulator.battery import kernel as k
from simulator.battery.wells import Wells, bank_charge_ah, bank_wells, fit_wells

HOURS = (1.0, 3.0, 5.0, 10.0, 20.0, 100.0)


def sheet(wells: Wells, hours: tuple[float, ...] = HOURS) -> tuple[tuple[float, float], ...]:
    return tuple(zip(hours, wells.capacity_ah(hours).tolist(), strict=True))


@given(c=st.floats(0.1, 0.9), per_h=st.floats(0.05, 5.0), charge_ah=st.floats(10.0, 500.0))
def test_a_sheet_made_by_two_wells_gives_them_back(c, per_h, charge_ah):
    """To what the capacities of the sheet can tell: c and k may trade against each other where they hardly matter."""
    made = Wells(c, per_h, charge_ah, 0.0)
    found = fit_wells(sheet(made), 1.0)
    assert found.worst_misfit_frac < 1e-4
    between = np.array([2.0, 4.0, 7.0, 15.0, 40.0])
    assert found.capacity_ah(between) == pytest.approx(made.capacity_ah(between), rel=1e-3)


def test_two_rows_keep_the_rate_they_are_given():
    made = Wells(0.45, 2.0, 103.0, 0.0)
    found = fit_wells(sheet(made, (5.0, 20.0)), 2.0)
    assert found.k_per_h == 2.0
    assert found.c == pytest.approx(0.45, rel=1e-9)
    assert found.charge_ah == pytest.approx(103.0, rel=1e-9)


def test_equal_capacities_are_a_single_well():
    found = fit_wells(((1.0, 100.0), (5.0, 100.0), (20.0, 100.0)), 1.0)
    assert found.c == 1.0
    assert found.charge_ah == pytest.approx(100.0)


def test_one_row_is_no_sheet():
    with pytest.raises(ValueError, match="at least two"):
        fit_wells(((20.0, 100.0),), 1.0)


def test_capacity_rises_with_time_and_ends_at_the_whole_charge():
    found = fit_wells(((1.0, 60.0), (5.0, 85.0), (20.0, 100.0)), 1.0)
    drawn = found.capacity_ah(np.array([0.01, 1.0, 5.0, 20.0, 100.0, 1e5]))
    assert (np.diff(drawn) > 0.0).all()
    assert drawn[-1] == pytest.approx(found.charge_ah, rel=1e-3)
    assert drawn[0] == pytest.approx(found.c * found.charge_ah, rel=0.02)


@pytest.mark.parametrize("hours", [1, 5, 20])
def test_the_hour_loop_yields_what_the_sheet_says(hours, make_bank, walk_bank):
    """A tank of 12 V drawn at the sheet's current is empty after the sheet's hours."""
    rows = ((1.0, 66.0), (5.0, 89.0), (20.0, 100.0))
    bank = make_bank("tank", capacities=rows, unit_ah=100.0, in_parallel=2)
    drawn_ah = float(fit_wells(rows, 1.0).capacity_ah(float(hours)))
    load_w = 2.0 * drawn_ah / hours * 12.0
    dark_h = walk_bank(bank, hours + 3, load_w=load_w).hour(k.DARK_H)
    first = int(np.flatnonzero(dark_h > 1e-9)[0])
    assert first + 1.0 - dark_h[first] == pytest.approx(hours, abs=1e-6)


def test_the_whole_charge_of_the_bank_is_packed(make_bank):
    rows = ((5.0, 85.0), (10.0, 93.0), (20.0, 100.0))
    bank = make_bank("agm", capacities=rows, in_parallel=3, soh_start=0.9)
    fitted = fit_wells(rows, bank.well_k_per_h)
    lane = battery.pack_lane(bank)
    assert lane["capacity_ah"] == pytest.approx(fitted.charge_ah * 3 * 0.9)
    assert lane["capacity_ah"] == bank_charge_ah(bank)
    assert (lane["well_c"], lane["well_k_per_h"]) == (fitted.c, fitted.k_per_h)


def test_without_a_sheet_the_rated_charge_is_the_whole(make_bank):
    bank = make_bank("agm")
    assert bank_wells(bank) == Wells(bank.well_c, bank.well_k_per_h, bank.unit_ah, 0.0)


def test_reading_a_sheet_loads_no_scipy():
    """The reader finds contradictions by itself; only a packed bank is fitted."""
    program = (
        "import sys; from simulator.scenario.starter import starter_text; from simulator.scenario import parse_scenario; "
        "bank = parse_scenario(starter_text().replace('unit_ah = 100', 'capacities = [[20, 100], [5, 99], [1, 97]]')).bank; "
        "assert len(bank.capacities) == 3 and bank.unit_ah == 100.0; print('scipy' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
