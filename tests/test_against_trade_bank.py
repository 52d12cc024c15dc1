"""What people in the trade know about banks; common practice without a source unless one is named.

The banks are what a person gets who writes only chemistry and ampere-hours, so the presets are checked along with the hour loop.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulator.battery import kernel as k
from tests.outside_checks import apart, lies, reached

WORKSHEET_V = 12.0
"""Worksheets count watt-hours at this voltage, whatever the cells really have."""
HOURS_PER_DAY = 24


def hours_to(soc: np.ndarray, goal: float) -> float:
    """Hours until the charge first reaches the goal, linear inside the hour."""
    reached = np.flatnonzero(soc >= goal - 1e-9)
    assert len(reached), f"{goal} is never reached"
    last = int(reached[0])
    return last - 1 + float((goal - soc[last - 1]) / (soc[last] - soc[last - 1]))


def first_dark_hour(walked) -> int:
    return int(np.flatnonzero(walked.hour(k.DARK_H))[0])


# ---- what a bank holds ----


def test_a_hundred_ampere_hours_at_the_worksheet_voltage_are_1200_wh(make_bank, walk_bank):
    walked = walk_bank(make_bank("tank"), 48, load_w=60.0)
    assert walked.total(k.DISCHARGED_WH) == pytest.approx(1200.0)
    assert walked.total(k.DISCHARGED_AH) == pytest.approx(100.0)


@pytest.mark.parametrize(("units", "usable", "ampere_hours", "watt_hours"), [(4, 0.8, 320.0, 3840.0), (6, 0.5, 300.0, 3600.0)])
def test_usable_part_down_to_the_planning_line(units, usable, ampere_hours, watt_hours, make_bank, walk_bank):
    """Four lithium units used to 80 %, six lead-acid units used to 50 %, at the worksheet voltage."""
    bank = make_bank("tank", in_parallel=units, cutoff_soc=1.0 - usable, reconnect_soc=1.0 - usable)
    walked = walk_bank(bank, 100, load_w=100.0)
    assert walked.total(k.DISCHARGED_AH) == pytest.approx(ampere_hours)
    assert walked.total(k.DISCHARGED_WH) == pytest.approx(watt_hours)


def test_four_lithium_units_without_sun_go_dark_on_the_third_day(preset_bank, make_bank, walk_bank):
    """3,840 Wh at 1,550 Wh a day are 2.5 days; a real lithium unit, above 13 V most of the time, lasts a little longer."""
    by_hand = walk_bank(make_bank("tank", in_parallel=4, cutoff_soc=0.2, reconnect_soc=0.25), 96, load_w=1550.0 / 24)
    assert first_dark_hour(by_hand) + 1.0 - by_hand.hour(k.DARK_H)[first_dark_hour(by_hand)] == pytest.approx(
        3840.0 / 1550.0 * 24
    )
    real = walk_bank(preset_bank("lfp", in_parallel=4, usable_frac=0.8, at_floor="off"), 96, load_w=1550.0 / 24, bay_c=20.0)
    for walked in (by_hand, real):
        assert first_dark_hour(walked) // HOURS_PER_DAY == 2
        assert (walked.result.days[0, :, k.DAY_DARK_H] > 0.25).tolist() == [False, False, True, True]
    assert first_dark_hour(real) > first_dark_hour(by_hand)


def test_twice_the_bus_voltage_halves_the_current(preset_bank, walk_bank):
    low = walk_bank(preset_bank("lfp", in_parallel=2), 5, load_w=400.0)
    bank = preset_bank("lfp", in_parallel=2)
    high = walk_bank(replace(bank, in_series=2, in_parallel=1), 5, load_w=400.0)
    assert high.total(k.DISCHARGED_AH) == pytest.approx(0.5 * low.total(k.DISCHARGED_AH), rel=1e-12)
    assert high.total(k.DISCHARGED_WH) == pytest.approx(low.total(k.DISCHARGED_WH), rel=1e-12)
    assert high.soc() == pytest.approx(low.soc(), abs=1e-13)


def test_half_an_ampere_nobody_sees_empties_a_hundred_ampere_hours_in_eight_days(make_bank, walk_bank):
    walked = walk_bank(make_bank("tank"), 300, load_w=0.5 * WORKSHEET_V)
    assert first_dark_hour(walked) // HOURS_PER_DAY == 8


# ---- charging ----


def test_400_ah_lithium_from_20_percent_at_60_a(preset_bank, walk_bank):
    """320 Ah at 60 A are 5.3 h; the last percent tapers, and the cells keep half a percent for themselves."""
    walked = walk_bank(preset_bank("lfp", in_parallel=4), 12, shore_a=60.0, start_soc=0.2)
    assert walked.hour(k.CHARGED_AH)[:5] == pytest.approx(60.0, rel=0.02)
    assert 320.0 / walked.hour(k.CHARGED_AH)[:5].mean() == pytest.approx(5.3, abs=0.15)
    assert hours_to(walked.soc(), 0.95) == pytest.approx(300.0 / 60.0, abs=0.25)
    reached(
        "Hours from 20 to 95 %, 400 Ah LFP at 60 A",
        "common practice: ampere-hours over amperes",
        "0.25 h",
        apart(hours_to(walked.soc(), 0.95), 300.0 / 60.0),
    )
    assert hours_to(walked.soc(), 0.999) < 6.1


def test_300_ah_agm_from_half_at_60_a(preset_bank, walk_bank):
    """6 to 8 h, of which the last 20 % take at least as long as the 30 % before."""
    walked = walk_bank(preset_bank("agm", in_parallel=3), 24, shore_a=60.0, start_soc=0.5)
    soc = walked.soc()
    bulk = hours_to(soc, 0.8)
    full = hours_to(soc, 0.9995)
    assert 6.0 <= full <= 8.0
    lies("Hours from half to full, 300 Ah AGM at 60 A", "common practice, no source", "6 to 8 h", full)
    assert full - bulk >= bulk
    assert walked.total(k.SPILLED_ACCEPTANCE_WH) == 0.0
    assert (np.diff(walked.hour(k.CHARGED_AH)[:7]) < 0.0).all(), "the current falls from hour to hour"


def test_round_trip_of_a_full_cycle_at_a_fifth_of_the_capacity(preset_bank, walk_bank):
    """LFP 0.92 to 0.95 and AGM 0.75 to 0.85 in energy; the hour loop yields 0.954 and 0.839."""
    found = {}
    for chemistry in ("lfp", "agm"):
        bank = preset_bank(chemistry)
        down = walk_bank(bank, 4, load_w=20.0 * bank.unit_v, start_soc=1.0)
        back = walk_bank(bank, 60, shore_a=20.0, state=down.result.state)
        assert back.soc()[0] < 0.3
        assert back.soc()[-1] > 0.999
        found[chemistry] = down.total(k.DISCHARGED_WH) / back.total(k.CHARGED_WH)
    assert 0.92 <= found["lfp"] <= 0.96
    assert 0.75 <= found["agm"] <= 0.85


# ---- cold ----


def test_agm_charges_below_freezing_and_lithium_does_not(preset_bank, walk_bank):
    for bay_c, lithium in ((-5.0, 0.0), (8.0, 1.0)):
        banks = [preset_bank(chemistry) for chemistry in ("agm", "lfp")]
        charged = [walk_bank(bank, 48, sun_w=60.0, bay_c=bay_c, start_soc=0.3).total(k.CHARGED_WH) for bank in banks]
        assert charged[0] > 100.0
        assert (charged[1] > 100.0) == bool(lithium)


def test_sun_refused_in_the_cold_is_booked_as_such(preset_bank, walk_bank):
    walked = walk_bank(preset_bank("lfp"), 24, sun_w=60.0, load_w=20.0, bay_c=-5.0, start_soc=0.5)
    assert walked.total(k.REFUSED_COLD_WH) == pytest.approx(24 * 40.0, rel=0.02)
    assert walked.total(k.SUN_USED_WH) == pytest.approx(24 * 20.0, rel=0.02), "the load is still served from the sun"
    assert walked.total(k.LOCKED_H) == 24.0


def test_lithium_below_ten_degrees_takes_a_tenth_of_its_capacity_an_hour(preset_bank, walk_bank):
    walked = walk_bank(preset_bank("lfp"), 5, sun_w=600.0, bay_c=6.0, start_soc=0.2)
    assert walked.hour(k.CHARGED_AH) == pytest.approx(10.0, rel=1e-9)


def test_agm_at_minus_ten_yields_60_to_70_percent(preset_bank, walk_bank):
    yields = [
        walk_bank(preset_bank("agm", loss_w_per_c=50.0), 60, load_w=60.0, bay_c=bay_c).total(k.DISCHARGED_AH)
        for bay_c in (-10.0, 25.0)
    ]
    assert 60.0 <= yields[0] <= 70.0
    assert yields[1] > 93.0


def test_a_flat_cold_lithium_bank_stays_dark_until_it_thaws(preset_bank, walk_bank):
    """No charge below freezing, nothing to serve from: the sun shines in vain until the cells are warm."""
    thaw = 96
    hours = np.arange(192)
    bay_c = np.where(hours < thaw, -8.0, 15.0)
    sun_w = np.where((hours % 24 >= 8) & (hours % 24 < 16), 150.0, 0.0)
    walked = walk_bank(preset_bank("lfp"), 192, sun_w=sun_w, load_w=20.0, bay_c=bay_c, start_soc=0.05)
    dark_h = walked.hour(k.DARK_H)
    assert (dark_h[:thaw] > 0.999).all()
    assert walked.hour(k.SUN_USED_WH)[:thaw].sum() == 0.0
    assert walked.hour(k.CHARGED_WH)[:thaw].sum() == 0.0
    assert (dark_h[thaw + 24 :] < 0.001).all()
    charging = np.flatnonzero(walked.hour(k.CHARGED_WH))
    assert walked.cell_c()[charging[0]] >= 3.0, "it waited for charge_resume_c, not for the first degree above freezing"


def test_a_heater_on_the_charge_side_brings_it_back(preset_bank, make_heater, walk_bank):
    hours = np.arange(96)
    sun_w = np.where((hours % 24 >= 8) & (hours % 24 < 16), 150.0, 0.0)
    heated = replace(preset_bank("lfp"), heater=make_heater())
    walked = walk_bank(heated, 96, sun_w=sun_w, load_w=20.0, bay_c=-8.0, start_soc=0.05)
    assert walked.hour(k.DARK_H)[:8].sum() == pytest.approx(8.0, abs=0.01)
    assert walked.total(k.HEATER_WH) > 53.0
    assert walked.total(k.CHARGED_WH) > 500.0
    assert walked.hour(k.DARK_H)[20] == 0.0


def test_warming_a_hundred_ampere_hours_of_lithium_by_15_degrees_takes_53_wh_and_what_leaks(preset_bank, make_heater, walk_bank):
    """12 kg at 1,050 J/(kg K) by 15 K are 53 Wh (calculated)."""
    bank = replace(preset_bank("lfp", unit_kg=12), heater=make_heater(on_below_c=5.0, off_above_c=5.0, power_w=60.0))
    walked = walk_bank(bank, 6, sun_w=100.0, bay_c=-10.0, start_soc=1.0, cell_c=-10.0)
    warmed = int(np.flatnonzero(walked.cell_c() > 4.999)[0])
    cells_c, heater_wh = walked.cell_c()[: warmed + 1], walked.hour(k.HEATER_WH)[:warmed]
    # Within an hour the cells approach where they settle, exponentially: their mean excess over the air follows from both ends.
    ratio = bank.loss_w_per_c / (bank.heat_capacity_j_per_c / 3600.0)
    settle_c = -10.0 + heater_wh / bank.loss_w_per_c
    mean_c = settle_c + (cells_c[:-1] - settle_c) * (1.0 - np.exp(-ratio)) / ratio
    leaked_wh = bank.loss_w_per_c * (mean_c + 10.0).sum()
    assert heater_wh.sum() - leaked_wh == pytest.approx(53.0, abs=1.0)
    reached(
        "Heat to warm a 100 Ah LFP unit by 15 K",
        "1,050 J/(kg K) by 12 kg, calculated",
        "1 Wh of 53",
        apart(heater_wh.sum() - leaked_wh, 53.0),
    )
    assert 1.0 < leaked_wh < 40.0


# ---- the shelf ----


def test_lithium_stored_half_a_year_keeps_four_fifths(preset_bank, walk_bank):
    """With its electronics asleep; at the 20 mA they draw awake, a hundred ampere-hours are nearly gone by then."""
    hours = 183 * HOURS_PER_DAY
    asleep = walk_bank(preset_bank("lfp", standby_w=0.0), hours, start_soc=1.0)
    awake = walk_bank(preset_bank("lfp"), hours, start_soc=1.0)
    assert asleep.soc()[-1] >= 0.8
    assert awake.soc()[-1] < 0.2
    assert awake.total(k.STANDBY_WH) == pytest.approx(preset_bank("lfp").standby_w * hours)


def test_self_discharge_doubles_every_ten_degrees(preset_bank, walk_bank):
    bank = preset_bank("agm")
    lost = [1.0 - walk_bank(bank, 240, bay_c=bay_c).soc()[-1] for bay_c in (15.0, 25.0, 35.0)]
    assert lost[1] / lost[0] == pytest.approx(2.0, rel=0.01)
    assert lost[2] / lost[1] == pytest.approx(2.0, rel=0.02)
    assert lost[1] == pytest.approx(10 * bank.self_discharge_frac_per_day, rel=0.01)
