"""An hour in two parts with the same load is the hour: whatever happens on the way happens at the same moment."""

from __future__ import annotations

import pytest

from simulator import battery
from simulator.battery import kernel as k
from simulator.scenario.parts import Heater

COUNTED = {k.SEGMENTS, k.RESIDUAL_WH, k.RESIDUAL_H}
"""What may differ: how many segments there were, and rounding."""


def alike(whole, parted, rel=1e-6):
    """Every field of every hour."""
    for field in range(k.HOUR_FIELDS):
        if field not in COUNTED:
            assert parted.hour(field) == pytest.approx(whole.hour(field), rel=rel, abs=rel), field


def in_parts(walk_bank, bank, hours, share, **given):
    """The same hours whole, and with a first part that is called a peak and has the same load."""
    return walk_bank(bank, hours, **given), walk_bank(bank, hours, peak_h=share, **given)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.9])
def test_a_well_runs_empty_at_the_same_moment(share, make_bank, walk_bank):
    """A heavy load empties the available well, with much charge left in the other one, within the hour.

    Within a segment the current of a constant power is held even, so the moment moves a little with the length of the segments.
    """
    bank = make_bank("agm", standby_w=0.0, resistance_ohm=0.001, well_c=0.3, well_k_per_h=0.2, discharge_limit_a=1e6)
    load_w = 0.4 * bank.curve.ocv_v[0] * battery.pack_lane(bank, None)["capacity_ah"]
    whole, parted = in_parts(walk_bank, bank, 3, share, load_w=load_w, start_soc=0.9)
    assert 0.05 < whole.hour(k.DARK_H)[0] < 0.95
    assert whole.soc()[-1] > 0.3
    alike(whole, parted, rel=0.01)


@pytest.mark.parametrize("share", [0.3, 0.5, 0.9])
@pytest.mark.parametrize("field", [k.REFUSED_COLD_WH, k.REFUSED_HOT_WH, k.REFUSED_HIGH_WH])
def test_what_is_refused_is_the_same(share, field, make_bank, walk_bank):
    """Sun and hookup to a bank that may not be charged: too cold, too hot, or at the voltage where charging ends."""
    cell_c = {k.REFUSED_COLD_WH: -8.0, k.REFUSED_HOT_WH: 55.0}.get(field, 25.0)
    bank = make_bank("lfp", standby_w=0.0, charge_max_v=13.0 if field == k.REFUSED_HIGH_WH else 0.0)
    whole, parted = in_parts(
        walk_bank, bank, 4, share, load_w=30.0, sun_w=80.0, shore_a=20.0, bay_c=cell_c, cell_c=cell_c, start_soc=0.7
    )
    assert (whole.hour(field) > 1.0).all()
    assert (whole.hour(k.REFUSED_CHARGER_WH) > 1.0).all()
    alike(whole, parted)


def test_a_level_that_was_switched_off_stays_off_for_the_hour(make_bank, walk_bank, make_generator):
    """The generator that starts at the same charge lifts the bank past the way back well within the hour."""
    bank = make_bank("lfp", standby_w=0.0)
    walked = walk_bank(
        bank,
        2,
        load_w=[[60.0], [60.0], [120.0]],
        start_soc=0.5001,
        generator=make_generator(start_soc=0.5, stop_soc=0.9, charger_a=60.0),
        generator_allowed=1.0,
        lane={"shed_soc": (-1.0, -1.0, 0.5), "restore_soc": (-1.0, -1.0, 0.52)},
    )
    assert walked.hour(k.SOC_END)[0] > 0.55
    assert walked.hour(k.MISSED_SHED_WH)[0] > 50.0
    assert walked.hour(k.MISSED_SHED_WH)[1] == 0.0


def test_a_heater_on_spare_power_has_all_the_sun_of_a_dark_bus(make_bank, walk_bank, start_of):
    """Nothing holds the bus up, so no load takes any of it; a hookup would."""
    heater = Heater(power_w=500.0, on_below_c=2.0, off_above_c=8.0, from_bank=False)
    bank = make_bank("lfp", standby_w=0.0, heater=heater, reconnect_soc=0.3)
    state = start_of(bank, 0.1, -15.0)
    state[0, [k.DARK, k.BACK_SOC]] = (1.0, 0.9)
    given = {"load_w": 20.0, "sun_w": 30.0, "bay_c": -15.0, "lane": {"loss_w_per_c": 50.0}}
    dark = walk_bank(bank, 1, state=state.copy(), **given)
    assert dark.total(k.HEATER_WH) == pytest.approx(30.0)
    assert dark.total(k.MISSED_DARK_WH) == pytest.approx(20.0)
    held = walk_bank(bank, 1, state=state.copy(), shore_a=0.1, **given)
    assert held.total(k.HEATER_WH) == pytest.approx(30.0 + held.total(k.SHORE_WH) - 20.0)
    assert held.total(k.MISSED_DARK_WH) == 0.0


def test_a_dark_bank_that_has_warmed_up_comes_back_at_the_charge_of_warm_cells(make_bank, walk_bank, start_of):
    """It went dark in the cold, which asked for nine tenths; at 25 C a fifth is enough."""
    bank = make_bank("lfp", standby_w=0.0, cutoff_soc=0.1, reconnect_soc=0.2)
    state = start_of(bank, 0.6, 25.0)
    for by_floor, dark_h in ((1.0, 0.0), (0.0, 3.0)):
        state[0, [k.DARK, k.BY_FLOOR, k.BACK_SOC]] = (1.0, by_floor, 0.9)
        walked = walk_bank(bank, 3, load_w=20.0, bay_c=25.0, state=state.copy())
        assert walked.total(k.DARK_H) == dark_h
