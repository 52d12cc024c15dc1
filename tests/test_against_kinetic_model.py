"""The two wells against published lifetimes of the kinetic battery model.

M. Jongerden, B. Haverkort, H. Bohnenkamp, J.-P. Katoen (2009), Maximizing system lifetime by battery scheduling, DSN 2009:
battery B1 of 5.5 A min with c = 0.166 and k' = 0.122 per minute, loads in steps of one minute (from memory, recomputed).
Model: J. F. Manwell, J. G. McGowan (1993), Lead acid battery storage model for hybrid energy systems, Solar Energy 50(5),
399-405.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from simulator.battery import kernel as k
from tests import inside_the_loop
from tests.outside_checks import apart, reached

CAPACITY_A_MIN, SHARE, RATE_PER_MIN = 5.5, 0.166, 0.122
VOLTS = 12.0
LIFETIMES_MIN = {
    "continuous 250": (0.25, 1, 4.53),
    "continuous 500": (0.5, 1, 2.02),
    "intermittent 250": (0.25, 2, 10.80),
    "intermittent 500": (0.5, 2, 4.30),
}
"""Amperes; 1 = every minute, 2 = every second minute; minutes to empty."""

CAPACITY_FRACTIONS = {
    (0.5, 0.3): {1.0: 0.3526, 5.0: 0.5386, 10.0: 0.6833, 20.0: 0.8108, 100.0: 0.9554},
    (1.0, 0.4): {1.0: 0.5133, 5.0: 0.7704, 10.0: 0.8696, 20.0: 0.9302, 100.0: 0.9852},
}
"""(k per hour, c): hours at constant current to the share of the charge they yield, k c t / (1 - r + c (k t - 1 + r)) with
r = exp(-k t) (calculated from Manwell & McGowan)."""


def lifetime(rates: np.ndarray) -> float:
    """Steps until the available well is empty, by the kernel's closed forms; rates are stored shares of the charge a step."""
    soc, well = 1.0, SHARE
    for step, rate in enumerate(rates):
        if inside_the_loop.well_after(soc, well, rate, SHARE, RATE_PER_MIN, 1.0) < 0.0:
            return step + inside_the_loop.well_empty_time(soc, well, rate, SHARE, RATE_PER_MIN, 1.0)
        well = inside_the_loop.well_after(soc, well, rate, SHARE, RATE_PER_MIN, 1.0)
        soc += rate
    raise AssertionError("never empty")


@pytest.mark.parametrize("name", LIFETIMES_MIN)
def test_published_lifetimes_by_the_closed_forms(name):
    amperes, every, minutes = LIFETIMES_MIN[name]
    rates = np.where(np.arange(40) % every == 0, -amperes / CAPACITY_A_MIN, 0.0)
    assert lifetime(rates) == pytest.approx(minutes, abs=0.01)
    reached(
        "Two wells: minutes to empty, closed forms",
        "Jongerden et al. (2009), battery B1",
        "0.01 min, the printed digits",
        apart(lifetime(rates), minutes),
    )


@pytest.mark.parametrize("name", LIFETIMES_MIN)
def test_published_lifetimes_by_the_hour_loop(name, make_bank, walk_bank):
    """One hour of the loop stands for one minute: the equations know no unit of time."""
    amperes, every, minutes = LIFETIMES_MIN[name]
    bank = make_bank("tank", unit_ah=CAPACITY_A_MIN, well_c=SHARE, well_k_per_h=RATE_PER_MIN)
    load_w = np.where(np.arange(40) % every == 0, amperes * VOLTS, 0.0)
    dark_h = walk_bank(bank, 40, load_w=load_w).hour(k.DARK_H)
    first = int(np.flatnonzero(dark_h)[0])
    assert first + 1.0 - dark_h[first] == pytest.approx(minutes, abs=0.01)
    reached(
        "Two wells: minutes to empty, hour loop",
        "Jongerden et al. (2009), battery B1",
        "0.01 min, the printed digits",
        apart(first + 1.0 - dark_h[first], minutes),
    )


@pytest.mark.parametrize("wells", CAPACITY_FRACTIONS)
@pytest.mark.parametrize("hours", [1.0, 5.0, 10.0, 20.0, 100.0])
def test_share_of_the_charge_at_constant_current(wells, hours, make_bank, walk_bank):
    """A current that takes exactly the published share in that time empties the available well in that time."""
    per_h, share = wells
    printed = CAPACITY_FRACTIONS[wells][hours]
    bank = make_bank("tank", well_c=share, well_k_per_h=per_h)

    def hours_to_empty(part: float) -> float:
        dark_h = walk_bank(bank, int(hours) + 5, load_w=part * bank.unit_ah / hours * VOLTS).hour(k.DARK_H)
        first = int(np.flatnonzero(dark_h)[0])
        return first + 1.0 - float(dark_h[first])

    # The figures are printed with four digits; the truth lies within half of the last one.
    assert hours_to_empty(printed + 0.5e-4) <= hours * (1.0 + 1e-9)
    assert hours_to_empty(printed - 0.5e-4) >= hours * (1.0 - 1e-9)


def test_a_rest_brings_charge_back(make_bank, walk_bank):
    """Emptied at a high current, the bound well refills the available one towards c of what is left."""
    bank = make_bank("tank", well_c=0.4, well_k_per_h=1.0)
    load_w = np.where(np.arange(60) < 2, 1200.0, 0.0)
    walked = walk_bank(bank, 60, load_w=load_w)
    left = walked.soc()[-1]
    assert 0.0 < left < 1.0
    assert walked.total(k.MISSED_DARK_WH) > 0.0
    assert walked.result.state[0, k.WELL] == pytest.approx(0.4 * left, rel=1e-9)


def wells() -> st.SearchStrategy[dict[str, float]]:
    return st.fixed_dictionaries(
        {
            "c": st.floats(0.05, 0.95),
            "k": st.floats(0.01, 5.0),
            "soc": st.floats(0.05, 1.0),
            "fill": st.floats(0.0, 1.0),
            "rate": st.floats(-3.0, 1.0),
        }
    )


def available(given_wells: dict[str, float]) -> float:
    """A charge of the available well that leaves the bound one within its bounds."""
    c, soc = given_wells["c"], given_wells["soc"]
    lowest, highest = max(0.0, soc - (1.0 - c)), min(c, soc)
    return lowest + given_wells["fill"] * (highest - lowest)


@given(wells())
def test_the_available_well_follows_its_differential_equation(given_wells):
    """dq1/dt = rate - k (1 - c) q1 + k c q2, integrated numerically."""
    c, per_h, soc, rate = (given_wells[name] for name in ("c", "k", "soc", "rate"))
    start = available(given_wells)
    exact = solve_ivp(
        lambda _, q: [rate - per_h * (1.0 - c) * q[0] + per_h * c * q[1], per_h * (1.0 - c) * q[0] - per_h * c * q[1]],
        (0.0, 1.0),
        [start, soc - start],
        rtol=1e-10,
        atol=1e-12,
    )
    assert inside_the_loop.well_after(soc, start, rate, c, per_h, 1.0) == pytest.approx(exact.y[0, -1], abs=1e-8)


@given(wells())
def test_the_moment_the_available_well_runs_empty(given_wells):
    c, per_h, soc, rate = (given_wells[name] for name in ("c", "k", "soc", "rate"))
    start = available(given_wells)
    assume(start > 1e-3 and inside_the_loop.well_after(soc, start, rate, c, per_h, 1.0) < -1e-6)
    exact = brentq(lambda time: inside_the_loop.well_after(soc, start, rate, c, per_h, time), 0.0, 1.0, xtol=1e-14)
    assert inside_the_loop.well_empty_time(soc, start, rate, c, per_h, 1.0) == pytest.approx(exact, abs=1e-9)
