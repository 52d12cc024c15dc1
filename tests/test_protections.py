"""Every act of a protection is counted and dated; warnings come when they should and only then."""

from __future__ import annotations

import numpy as np
import pytest

from simulator.battery import kernel as k
from simulator.protections import ACTS, bank_warnings, freezing_c, protections

DAY_H = 24


def acts(walked, bank):
    found = protections(bank, walked.result.hours[0], float(walked.start[0, k.CELL_C]))
    assert [act.name for act in found] == list(ACTS)
    return {act.name: act for act in found}


def test_a_quiet_bank_has_no_acts(make_bank, walk_bank):
    bank = make_bank("lfp", start_soc=0.6)
    found = acts(walk_bank(bank, 48, load_w=20.0, sun_w=25.0, bay_c=20.0), bank)
    assert all(act.times == 0 and act.hours == 0.0 and act.first_hour == -1 for act in found.values())


def test_cold_spells_are_counted_with_the_sun_they_refused(make_bank, walk_bank):
    bank = make_bank("lfp", start_soc=0.5)
    bay_c = np.full(6 * DAY_H, 15.0)
    bay_c[30:60] = -10.0
    bay_c[90:110] = -10.0
    walked = walk_bank(bank, 6 * DAY_H, sun_w=80.0, load_w=10.0, bay_c=bay_c, cell_c=15.0)
    cold = acts(walked, bank)["cold_charge"]
    assert cold.times == 2
    assert 30 <= cold.first_hour <= 40
    assert cold.longest_hour == cold.first_hour
    assert cold.hours == walked.total(k.LOCKED_H)
    assert cold.wh == pytest.approx(walked.total(k.REFUSED_COLD_WH))
    assert cold.wh > 0.0


@pytest.mark.parametrize(
    ("bay_c", "charging", "giving"),
    [(55.0, "hot_charge", None), (65.0, "hot_charge", "hot_discharge"), (-30.0, "cold_charge", "cold_discharge")],
)
def test_too_hot_and_too_cold(bay_c, charging, giving, make_bank, walk_bank):
    bank = make_bank("lfp", start_soc=0.5)
    walked = walk_bank(bank, 3 * DAY_H, sun_w=np.where(np.arange(72) < 36, 60.0, 0.0), load_w=10.0, bay_c=bay_c, cell_c=bay_c)
    found = acts(walked, bank)
    acted = {name for name, act in found.items() if act.times}
    assert acted == {charging, giving} - {None}
    if charging == "hot_charge":
        assert found[charging].wh == pytest.approx(walked.total(k.REFUSED_HOT_WH))
    if giving:
        # In the dark for its temperature, not because it was empty.
        assert walked.total(k.DARK_H) > 0.0
        assert found[giving].wh == pytest.approx(walked.total(k.MISSED_DARK_WH))


def test_hot_hours_are_the_hours_in_which_the_loop_refused(make_bank, walk_bank):
    """The loop keeps no record of a hot lockout; it is read off the temperatures at both ends, and agrees with its books."""
    bank = make_bank("lfp", start_soc=0.2, loss_w_per_c=3.0)
    bay_c = 48.0 + 8.0 * np.sin(np.arange(10 * DAY_H) / 24 * 2 * np.pi)
    walked = walk_bank(bank, 10 * DAY_H, sun_w=12.0, load_w=2.0, bay_c=bay_c)
    refused = walked.hour(k.REFUSED_HOT_WH) > 0.0
    cell_c = walked.cell_c()
    assert refused.any()
    assert not refused.all()
    np.testing.assert_array_equal(refused, np.maximum(cell_c[1:], cell_c[:-1]) > bank.charge_max_c)
    assert acts(walked, bank)["hot_charge"].hours == refused.sum()


def test_an_empty_bank_is_a_low_charge_act(make_bank, walk_bank):
    bank = make_bank("lfp", start_soc=0.3)
    walked = walk_bank(bank, 4 * DAY_H, load_w=30.0)
    low = acts(walked, bank)["low_charge"]
    assert low.times == 1
    assert low.hours == pytest.approx(walked.total(k.DARK_H))
    assert low.wh == pytest.approx(walked.total(k.MISSED_DARK_WH))
    assert low.first_hour == int(np.flatnonzero(walked.hour(k.DARK_H))[0])


def test_currents_that_were_held_back(make_bank, walk_bank):
    bank = make_bank("lfp", start_soc=0.5, charge_limit_a=5.0, charge_cold_limit_a=5.0, discharge_limit_a=10.0)
    hours = np.arange(DAY_H)
    walked = walk_bank(bank, DAY_H, sun_w=np.where(hours < 4, 200.0, 0.0), load_w=np.where(hours >= 20, 400.0, 0.0))
    found = acts(walked, bank)
    assert (found["charge_current"].times, found["charge_current"].hours) == (1, 4.0)
    assert found["charge_current"].wh == pytest.approx(walked.total(k.SPILLED_LIMIT_WH))
    assert (found["discharge_current"].times, found["discharge_current"].first_hour) == (1, 20)
    assert found["discharge_current"].wh == pytest.approx(walked.total(k.MISSED_LIMIT_WH))


def test_a_discharged_flooded_bank_freezes_sooner(preset_bank):
    """From memory, battery handbooks: acid of 1.265 freezes at -57 C, of 1.155 at -15 C, of 1.120 at -10 C."""
    bank = preset_bank("flooded")
    assert float(freezing_c(bank, 1.0)) == pytest.approx(-57.0, abs=5.0)
    assert float(freezing_c(bank, 0.25)) == pytest.approx(-18.0, abs=4.0)
    assert float(freezing_c(bank, 0.0)) == pytest.approx(-13.0, abs=3.0)
    assert (np.diff(freezing_c(bank, np.linspace(0.0, 0.95, 50))) < 0.0).all()


def test_frost_in_a_flooded_bank_is_warned_of_only_when_it_is_empty(preset_bank, walk_bank):
    bank = preset_bank("flooded", usable_frac=0.8)
    words = {
        soc: bank_warnings(bank, walk_bank(bank, DAY_H, bay_c=-18.0, cell_c=-18.0, start_soc=soc).result.hours[0], 0.0)
        for soc in (1.0, 0.1)
    }
    assert not words[1.0]
    assert any("freeze" in sentence for sentence in words[0.1])


@pytest.mark.parametrize(
    ("chemistry", "days", "warned"), [("agm", 15.0, True), ("agm", 13.0, False), ("lfp", 30.0, False), ("gel", 15.0, True)]
)
def test_chronic_undercharge(chemistry, days, warned, preset_bank, walk_bank):
    bank = preset_bank(chemistry)
    hours = walk_bank(bank, 40 * DAY_H).result.hours[0]
    assert any("undercharged" in sentence for sentence in bank_warnings(bank, hours, days)) is warned


def test_cells_beyond_their_rating(preset_bank, walk_bank):
    bank = preset_bank("lfp")
    cold = bank_warnings(bank, walk_bank(bank, DAY_H, bay_c=-28.0, cell_c=-28.0).result.hours[0], 0.0)
    assert any("rated for -20 to 60 C" in sentence for sentence in cold)
    assert any("nothing is known of the capacity" in sentence for sentence in cold)
    assert not bank_warnings(bank, walk_bank(bank, DAY_H, bay_c=15.0, cell_c=15.0).result.hours[0], 0.0)


def test_two_spells_in_hours_side_by_side_are_two(make_bank, walk_bank):
    """Dark to within one hour, with power again, dark from within the next: as often as the outages say."""
    bank = make_bank("lfp", start_soc=0.3)
    hours = walk_bank(bank, 4 * DAY_H, load_w=30.0).result.hours[0].copy()
    hours[:, [k.DARK_H, k.DARK_AT_START, k.DARK_AT_END, k.LOW_V_H, k.INVERTER_OFF_H]] = 0.0
    hours[10:14, k.DARK_H] = (0.5, 0.3, 0.7, 0.1)
    hours[[11, 13], k.DARK_AT_START] = 1.0
    (low,) = [act for act in protections(bank, hours, 20.0) if act.name == "low_charge"]
    assert (low.times, low.first_hour, low.longest_hour) == (2, 10, 10)
    assert (low.hours, low.longest_h) == (pytest.approx(1.6), pytest.approx(0.8))
