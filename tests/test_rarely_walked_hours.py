"""The hour loop where a watched voltage is never met, and where too much falls into one hour."""

from __future__ import annotations

import numba
import numpy as np
import pytest

from simulator.battery import kernel as k
from simulator.errors import EngineFault


@pytest.mark.parametrize("min_run_h", [0.0, 1.3])
def test_a_generator_that_stops_within_an_hour_beside_a_voltage_that_is_never_met(
    min_run_h, make_bank, make_generator, walk_bank
):
    """An inverter that lets go at 1 V is asked about in every part of an hour, and changes nothing when the generator stops."""
    bank = make_bank("lfp")
    given = {
        "load_w": 120.0,
        "ac_w": 40.0,
        "start_soc": 0.31,
        "generator_allowed": 1.0,
        "generator": make_generator(min_run_h=min_run_h, start_soc=0.3, stop_soc=0.55),
    }
    plain = walk_bank(bank, 30, **given)
    watched = walk_bank(bank, 30, lane={"inverter_off_v": 1.0, "inverter_on_v": 2.0}, **given)
    runs_h = plain.hour(k.GENERATOR_H)
    # It starts and stops inside of hours, more than once.
    assert ((runs_h > 0.0) & (runs_h < 1.0)).sum() >= 3
    for field in (k.GENERATOR_H, k.SOC_END, k.DISCHARGED_WH, k.GENERATOR_WH):
        np.testing.assert_allclose(watched.hour(field), plain.hour(field), rtol=1e-9, atol=1e-9)
    assert watched.total(k.INVERTER_OFF_H) == 0.0


@pytest.mark.skipif(not numba.config.DISABLE_JIT, reason="compiled, the bound is a constant of the loop")
def test_more_thresholds_than_an_hour_may_hold_are_a_fault(make_bank, walk_bank, monkeypatch):
    monkeypatch.setattr(k, "MAX_EVENTS", -1000)
    with pytest.raises(EngineFault):
        walk_bank(make_bank("lfp"), 3, load_w=50.0)
