"""How long a bank lives on a route: the estimate, its band, what it assumes and what it warns of."""

from __future__ import annotations

import json
import warnings
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.battery.ageing import Storage, assumption, estimate_life
from simulator.battery.fade import LFP_LAWS
from simulator.battery.use import lfp_use, year_of_use
from simulator.errors import InputError
from simulator.scenario.parts import Bank, Curve

FLAT = Curve((0.0, 1.0), (12.0, 13.0), (0.0, 0.0), (1.0, 1.0), (-20.0, 25.0), (0.7, 1.0))
AGM = Bank(
    chemistry="agm",
    unit_v=12.0,
    unit_ah=100.0,
    in_series=1,
    in_parallel=4,
    curve=FLAT,
    soh_start=1.0,
    start_soc=1.0,
    usable_frac=0.5,
    at_floor="keep",
    cutoff_soc=0.2,
    reconnect_soc=0.3,
    target_soc=1.0,
    full_soc=0.98,
    charge_limit_a=20.0,
    charge_cold_limit_a=20.0,
    discharge_limit_a=100.0,
    charge_min_c=-20.0,
    charge_resume_c=-20.0,
    charge_full_c=-20.0,
    charge_max_c=50.0,
    discharge_min_c=-20.0,
    discharge_max_c=50.0,
    resistance_ohm=0.004,
    resistance_per_c=0.01,
    absorb_v=14.4,
    taper_h=2.0,
    taper_end_frac=0.02,
    well_c=0.4,
    well_k_per_h=1.0,
    self_discharge_frac_per_day=0.001,
    standby_w=0.0,
    place="inside",
    heat_capacity_j_per_c=25000.0,
    loss_w_per_c=2.0,
    unit_kg=30.0,
    unit_m=None,
    unit_price=None,
    owned=False,
    heater=None,
    cycles_depth_frac=(0.3, 0.5, 0.8, 1.0),
    cycles_to_end=(1300.0, 600.0, 350.0, 250.0),
    calendar_years=5.5,
)
LFP = replace(
    AGM,
    chemistry="lfp",
    usable_frac=0.9,
    cutoff_soc=0.05,
    full_soc=0.95,
    cycles_depth_frac=(0.5, 0.8, 1.0),
    cycles_to_end=(9000.0, 5000.0, 3500.0),
    calendar_years=15.0,
)


def _days(days: int, depth: float) -> np.ndarray:
    """Down by ``depth`` in twelve hours and up to full in the next twelve, every day."""
    hour = np.arange(1, 24 * days + 1) % 24
    return 1.0 - depth * (1.0 - np.abs(hour - 12) / 12)


def _estimate(bank: Bank, depth: float, days: int = 365, cell_c: float = 25.0, **more):
    soc = _days(days, depth)
    return estimate_life(bank, soc, np.full(soc.size, cell_c), **more)


def test_a_daily_cycle_counts_once_a_day_and_its_depth_of_full_cycles():
    estimate = _estimate(LFP, 0.4)
    assert estimate.counted_cycles == pytest.approx(365)
    assert estimate.counted_cycles_per_year == pytest.approx(365.25)
    assert estimate.full_cycles == pytest.approx(365 * 0.4)
    assert estimate.full_cycles_per_year == pytest.approx(365.25 * 0.4)
    assert sum(estimate.depth_histogram) == pytest.approx(365.25)
    assert np.argmax(estimate.depth_histogram) == 4


def test_charge_drawn_within_the_hours_is_taken_when_given():
    assert _estimate(LFP, 0.4, ah_out=np.full(8760, 400.0 / 24)).full_cycles == pytest.approx(365)


def test_per_year_figures_do_not_hang_on_the_length_of_the_run():
    long, short = _estimate(LFP, 0.5), _estimate(LFP, 0.5, days=30)
    assert short.full_cycles_per_year == pytest.approx(long.full_cycles_per_year)
    assert short.counted_cycles_per_year == pytest.approx(long.counted_cycles_per_year)
    assert short.life_years == pytest.approx(long.life_years)
    assert short.band_years == pytest.approx(long.band_years)
    assert short.depth_histogram == pytest.approx(long.depth_histogram)
    assert "the route again all year: its 30 days come 12.2 times a year" in short.assumption
    assert "365 days itself" in long.assumption


def test_a_short_trip_that_only_empties_the_bank_is_charged_back_before_the_next():
    soc = np.linspace(1.0, 0.2, 73)[1:]
    estimate = estimate_life(LFP, soc, np.full(72, 25.0))
    assert estimate.counted_cycles == 0.5
    assert estimate.full_cycles == pytest.approx(0.8)
    assert estimate.counted_cycles_per_year == pytest.approx(365.25 / 3)
    assert estimate.full_cycles_per_year == pytest.approx(0.8 * 365.25 / 3)


def test_lfp_follows_naumann_where_that_is_the_shortest():
    """Every day to half, 25 C, by hand from the two laws with the mean of the squared pace over the triangle."""
    estimate = _estimate(LFP, 0.5)
    soc = _days(1, 0.5)
    shelf = np.sqrt(np.mean((1.2571e-5 * (2.8575 * (soc - 0.5) ** 3 + 0.60225)) ** 2) * 365.25 * 86400)
    cycling = (0.0630 * 0.5 / 12 + 0.0971) * (4.0253 * (0.5 - 0.6) ** 3 + 1.0923) / 100 * np.sqrt(0.5 * 365.25)
    assert estimate.life_years == pytest.approx((0.2 / (shelf + cycling)) ** 2, rel=1e-4)
    assert estimate.ended_by == "calendar"
    assert estimate.band_years[0] <= estimate.life_years <= estimate.band_years[1]
    assert set(estimate.model_years) == {"Naumann 2018/2020", "Gasper 2022", "Gasper 2023", "depth curve"}
    assert any("More of the fade comes from time" in note for note in estimate.notes)


def test_lfp_life_is_capped_by_the_shelf_life_and_cut_by_a_poor_data_sheet():
    cool = _estimate(LFP, 0.1, cell_c=10.0)
    assert (cool.life_years, cool.ended_by) == (15.0, "calendar")
    assert any("stops at its shelf life of 15.0 years" in note for note in cool.notes)
    assert cool.band_years[0] == pytest.approx(12.0)
    poor = _estimate(replace(LFP, cycles_depth_frac=(0.8,), cycles_to_end=(1000.0,)), 0.8)
    assert (poor.life_years, poor.ended_by) == (pytest.approx(1000 / 365.25), "cycles")


def test_hot_cells_shorten_the_shelf_life_of_lfp():
    hot = _estimate(replace(LFP, calendar_years=3.0), 0.1, cell_c=45.0)
    assert hot.life_years == pytest.approx(3.0 / 1.5439**2, rel=1e-3)


def test_lead_acid_by_hand_with_a_full_charge_every_day():
    """A day to half: 600 cycles, 1.64 years, less the little weight of hours since the last full charge."""
    estimate = _estimate(AGM, 0.5)
    assert estimate.model_years["depth curve"] == pytest.approx(600 / 365.25)
    assert 0.95 * 600 / 365.25 < estimate.life_years < 600 / 365.25
    assert estimate.ended_by == "cycles"
    assert estimate.notes == ()


def test_a_cycling_agm_dies_years_before_an_lfp():
    agm, lfp = _estimate(AGM, 0.5).life_years, _estimate(LFP, 0.5).life_years
    assert lfp > 3 * agm


def test_ten_kelvin_halve_a_lead_acid_life_either_way():
    for depth in (0.5, 0.01):
        warm, cool = _estimate(AGM, depth, cell_c=35.0), _estimate(AGM, depth, cell_c=25.0)
        assert warm.life_years == pytest.approx(cool.life_years / 2)
    assert _estimate(AGM, 0.01).ended_by == "calendar"
    assert any("2.0 times as fast" in note for note in warm.notes)


def test_weeks_without_a_full_charge_cost_lead_acid_years_and_are_told():
    full = _estimate(AGM, 0.4)
    soc = 0.55 + 0.75 * (_days(365, 0.4) - 0.6)  # the same days, never above 0.85, a little shallower
    never = estimate_life(AGM, soc, np.full(soc.size, 25.0), soc_before=float(soc[-1]))
    assert never.model_years["depth curve"] > full.model_years["depth curve"]
    assert never.life_years < 0.6 * full.life_years
    assert any("Spells without a full charge" in note for note in never.notes)
    assert any("More than 30 days" in note for note in never.notes)
    short = estimate_life(AGM, soc[:240], np.full(240, 25.0), soc_before=float(soc[-1]))
    assert short.life_years == pytest.approx(never.life_years, rel=0.02)


def test_lead_acid_band_spans_makers_and_weights():
    low, high = _estimate(AGM, 0.5).band_years
    assert low == pytest.approx(0.8 * _estimate(AGM, 0.5).life_years)
    assert high == pytest.approx(1.2 * 600 / 365.25)
    assert _estimate(AGM, 0.5).capacity_10_years_frac is None


@pytest.mark.parametrize("bank", [AGM, LFP], ids=["agm", "lfp"])
def test_a_resting_bank_ends_by_the_calendar(bank):
    estimate = estimate_life(bank, np.ones(240), np.full(240, 25.0))
    assert estimate.ended_by == "calendar"
    assert estimate.counted_cycles_per_year == estimate.full_cycles_per_year == 0
    assert 0 < estimate.life_years <= bank.calendar_years


@pytest.mark.parametrize("bank", [AGM, LFP], ids=["agm", "lfp"])
def test_a_used_bank_has_less_ahead_of_it_and_a_worn_one_nothing(bank):
    new, used, worn = (_estimate(replace(bank, soh_start=soh), 0.5) for soh in (1.0, 0.9, 0.78))
    assert 0 < used.life_years < new.life_years
    assert worn.life_years == 0
    assert "at the end of its life" in _estimate(replace(bank, soh_start=0.8), 0.5).notes[0]
    assert not _noted(_estimate(replace(bank, soh_start=0.81), 0.5), "at the end of its life")
    assert "at the end of its life" in worn.notes[0]


def test_either_life_of_a_lead_bank_may_be_over_already():
    """5.5 years on the shelf with all of its capacity, or down to 80 % when young: nothing lies ahead, for its own reason."""
    old = _estimate(replace(AGM, age_years=5.5), 0.5)
    assert (old.life_years, old.ended_by) == (0.0, "calendar")
    worn = _estimate(replace(AGM, age_years=1.0, soh_start=0.8), 0.5)
    assert (worn.life_years, worn.ended_by) == (0.0, "cycles")
    assert old.band_years == worn.band_years == (0.0, 0.0)


def test_what_is_left_of_a_lead_bank_is_shared_by_both_lives():
    """A year old of 5.5, and half of the fifth lost: 300 of the 600 cycles, and 4.5 years of shelf life."""
    used = _estimate(replace(AGM, age_years=1.0, soh_start=0.9), 0.5)
    assert used.model_years["depth curve"] == pytest.approx(300 / 365.25)
    assert used.model_years["float life"] == pytest.approx(4.5)
    assert used.band_years[1] == pytest.approx(1.2 * 300 / 365.25)


@pytest.mark.parametrize(("spell_h", "told"), [(720, False), (721, True)])
@pytest.mark.parametrize("begins", ["full", "low"])
def test_a_spell_is_told_from_the_first_hour_beyond_thirty_days(spell_h, told, begins):
    """Counted between two full hours, a hair below full included, and from the start of a run that does not begin full."""
    low = np.full(spell_h if begins == "full" else spell_h - 1, 0.7)
    soc = np.append(low, 0.98 - 5e-10)
    notes = estimate_life(AGM, soc, np.full(soc.size, 25.0), soc_before=1.0 if begins == "full" else 0.7).notes
    assert any("More than 30 days" in note for note in notes) is told


def test_every_model_of_a_lead_bank_tells_its_years():
    """The weighted curve is what ends a bank that cycles; shelf lives and curves beyond thirty years are told as thirty."""
    for bank in (AGM, replace(AGM, soh_start=0.9, age_years=1.0)):
        found = _estimate(bank, 0.5)
        assert found.model_years["depth curve, Schiffer 2007 weights"] == pytest.approx(found.life_years)
        assert found.model_years["depth curve"] > found.life_years
    idle = _estimate(replace(AGM, calendar_years=50.0), 0.001)
    assert set(idle.model_years.values()) == {30.0}


def test_cycling_ends_a_lithium_bank_where_it_takes_more_than_the_shelf():
    """Cold and deep, with a data sheet that promises more: the law of cycling alone, with the little the shelf adds."""
    bank = replace(LFP, calendar_years=60.0, cycles_depth_frac=(1.0,), cycles_to_end=(1e6,))
    found = _estimate(bank, 0.95, cell_c=0.0)
    assert found.ended_by == "cycles"
    assert found.life_years == found.model_years["Naumann 2018/2020"]
    assert found.band_years[1] == max(found.model_years[name] for name in LFP_LAWS)
    assert found.model_years["depth curve"] == 30.0


def test_the_band_of_a_capped_lithium_bank_ends_a_fifth_beyond_its_shelf_life():
    cool = _estimate(LFP, 0.1, cell_c=10.0)
    assert max(cool.model_years[name] for name in LFP_LAWS) > 18.0
    assert cool.band_years[1] == pytest.approx(18.0)


def test_capacity_after_ten_years_is_widened_to_whole_percents():
    """From the laws themselves, evaluated at ten years of the same use."""
    soc = _days(365, 0.6)
    use = lfp_use(year_of_use(LFP, soc, np.full(soc.size, 25.0), 1.0))
    left = [1.0 - sum(float(part) for part in law(use, 10.0)) for law in LFP_LAWS.values()]
    low, high = _estimate(LFP, 0.6).capacity_10_years_frac
    assert (low, high) == (np.floor(min(left) * 100) / 100, np.ceil(max(left) * 100) / 100)
    assert low < min(left) < max(left) < high


def test_full_cycles_of_a_shrunken_bank_are_of_its_rated_charge():
    """Nine tenths of the rated charge are left: a swing of 0.4 draws 0.36 of it."""
    assert _estimate(replace(LFP, soh_start=0.9), 0.4).full_cycles == pytest.approx(365 * 0.36)


def test_a_worn_lithium_bank_has_no_year_ahead_by_any_law():
    worn = _estimate(replace(LFP, soh_start=0.78), 0.5)
    assert [worn.model_years[name] for name in LFP_LAWS] == [0.0, 0.0, 0.0]


def _noted(estimate, words):
    return [note for note in estimate.notes if words in note]


@pytest.mark.parametrize(
    ("hours", "cell_c", "share"),
    [(4380, 61.0, "50%"), (4380, -1.0, "50%"), (8760, 60.0, None), (8760, 0.0, None), (87, 61.0, None), (100, 61.0, "1%")],
)
def test_hours_outside_the_storage_tests_are_told_from_one_in_a_hundred_on(hours, cell_c, share):
    """Of 8,760; the ends of the range, 0 and 60 C, were measured."""
    soc = _days(365, 0.5)
    temperature = np.full(soc.size, 25.0)
    temperature[:hours] = cell_c
    notes = _noted(estimate_life(LFP, soc, temperature), "where the loss on the shelf was not measured")
    assert (f"in {share} of the hours" in notes[0]) if share else not notes


@pytest.mark.parametrize(("cell_c", "share"), [(9.0, "50%"), (46.0, "50%"), (10.0, None), (45.0, None)])
@pytest.mark.parametrize("step", [0.05, 0.0011])
def test_only_hours_in_which_charge_moves_count_as_cycled(step, cell_c, share):
    """Six hours down, six up and twelve at rest a day; cold or hot while it falls, and while it rests."""
    day = 1.0 - step * np.concatenate([np.arange(1, 7), np.arange(5, -1, -1), np.zeros(12)])
    soc = np.tile(day, 365)
    outside = np.tile(np.repeat([True, False, True], [6, 6, 12]), 365)
    notes = _noted(estimate_life(LFP, soc, np.where(outside, cell_c, 25.0)), "where cycling was")
    notes = notes or _noted(estimate_life(LFP, soc, np.where(outside, cell_c, 25.0)), "of the working hours")
    assert (f"In {share} of the working hours" in notes[0]) if share else not notes


@pytest.mark.parametrize(("depth", "hours"), [(0.25, 48), (0.5, 24), (1.0, 12)])
def test_a_current_gentler_than_the_cycling_tests_is_told(depth, hours):
    """A day's triangle moves its depth in twelve hours; cycling was measured from 5 hours down to one."""
    (note,) = _noted(_estimate(LFP, depth), "fill the bank")
    assert f"The mean current would fill the bank in {hours} hours" in note


@pytest.mark.parametrize(("step", "hours"), [(0.2, None), (0.22, None), (0.1875, 5)])
def test_the_gentlest_current_that_was_measured_fills_a_bank_in_five_hours(step, hours):
    """From memory, Naumann et al. (2020): C/5, C/2 and 1C; the slowest of them needs no note."""
    notes = _noted(estimate_life(LFP, np.tile([0.0, step], 12), np.full(24, 25.0), soc_before=step), "fill the bank")
    assert (f"would fill the bank in {hours} hours" in notes[0]) if hours else not notes


@pytest.mark.parametrize("step", [0.25, 0.5, 1.0])
def test_a_current_within_the_cycling_tests_needs_no_note(step):
    soc = np.tile([1.0 - step, 1.0], 200)
    assert not _noted(estimate_life(LFP, soc, np.full(soc.size, 25.0)), "fill the bank")


def test_the_ends_of_the_depth_curve_belong_to_it_and_the_share_outside_is_told():
    """A quarter down and up: the first point. A small cycle of 0.1 in a day of 0.4 moves a fifth of the charge."""
    curve = {"cycles_depth_frac": (0.25, 0.5), "cycles_to_end": (1300.0, 600.0)}
    for depth in (0.25, 0.5):
        assert not _noted(_estimate(replace(AGM, **curve), depth), "outside the depth curve")
    soc = np.tile([0.8, 0.9, 0.6, 1.0], 90)
    (note,) = _noted(estimate_life(replace(AGM, **curve), soc, np.full(360, 25.0)), "outside the depth curve")
    assert note.startswith("20% of the charge moves in cycles outside the depth curve (25% to 50%)")


def test_one_part_in_a_hundred_outside_the_data_needs_no_word_and_a_little_more_does():
    """Of hours, of working hours (each of these hours is one), and of the charge moved."""
    soc = np.tile([0.5, 1.0], 50)
    storage, cycling = "where the loss on the shelf was not measured", "of the working hours"
    for hot, told in ((1, False), (2, True)):
        notes = estimate_life(LFP, soc, np.repeat([65.0, 25.0], [hot, 100 - hot])).notes
        assert [any(words in note for note in notes) for words in (storage, cycling)] == [told, told]
    # 9 of 800 are 1.1 %; the ends of the range of storage were measured.
    many = estimate_life(LFP, np.tile(soc, 8), np.repeat([60.0, 25.0], [9, 791])).notes
    assert any("In 1% of the working hours" in note for note in many)
    assert not any(storage in note for note in many)
    bank = replace(AGM, cycles_depth_frac=(0.5, 1.0), cycles_to_end=(600.0, 250.0))
    for deep, told in ((33, False), (30, True)):
        # One cycle of a quarter: 0.25 of 25 or of 22.75.
        series = np.append(np.tile([0.25, 1.0], deep), [0.75, 1.0])
        notes = _noted(estimate_life(bank, series, np.full(series.size, 25.0)), "outside the depth curve")
        assert bool(notes) is told
        assert all(note.startswith("1% of the charge") for note in notes)


def test_a_single_working_hour_in_the_cold_is_all_of_them():
    soc = np.append(0.5, np.full(23, 0.5))
    assert _noted(estimate_life(LFP, soc, np.full(24, 5.0)), "In 100% of the working hours")


@pytest.mark.parametrize("bank", [AGM, LFP], ids=["agm", "lfp"])
def test_a_bank_at_rest_divides_nothing_by_nothing(bank):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert estimate_life(bank, np.ones(240), np.full(240, 25.0)).counted_cycles == 0.0


def test_a_poor_data_sheet_tells_the_years_of_its_own_curve():
    """A cycle of 80 % a day, a thousand of them."""
    poor = _estimate(replace(LFP, cycles_depth_frac=(0.8,), cycles_to_end=(1000.0,)), 0.8)
    assert poor.model_years["depth curve"] == pytest.approx(1000 / 365.25)


def test_what_is_left_of_a_shelf_life_is_what_its_age_has_not_used():
    """A year of five and a half; it hardly works, so the calendar ends it."""
    aged = _estimate(replace(AGM, age_years=1.0), 0.01)
    assert (aged.life_years, aged.ended_by) == (pytest.approx(4.5), "calendar")


@pytest.mark.parametrize(("cell_c", "share", "by"), [(15.0, 0.593, "calendar"), (0.0, 0.496, "cycles")])
def test_the_larger_half_of_the_fade_says_what_ends_a_lithium_bank(cell_c, share, by):
    """Every day by 0.95, by hand from the two laws of Naumann et al. (2018, 2020); both go with the root of time."""
    soc = _days(1, 0.95)
    pace = 1.2571e-5 * np.exp(-17126.0 / 8.314 * (1 / (cell_c + 273.15) - 1 / 298.15)) * (2.8575 * (soc - 0.5) ** 3 + 0.60225)
    shelf = np.sqrt(np.mean(pace**2) * 365.25 * 86400)
    cycling = (0.0630 * 0.95 / 12 + 0.0971) * (4.0253 * (0.95 - 0.6) ** 3 + 1.0923) / 100 * np.sqrt(0.95 * 365.25)
    assert shelf / (shelf + cycling) == pytest.approx(share, abs=5e-4)
    bank = replace(LFP, calendar_years=90.0, cycles_depth_frac=(1.0,), cycles_to_end=(1e6,))
    assert _estimate(bank, 0.95, cell_c=cell_c).ended_by == by


def test_a_sixth_more_wear_by_partial_charge_is_told():
    """By hand, weights of Schiffer et al. (2007): half the charge goes in the first hour after full, a quarter in hour 400.

    The mean rate is (0.5^2 + 0.25^2) / 0.75 = 0.41667 per hour, 4.1667 ten-hour currents.
    """
    soc = np.concatenate([np.full(399, 0.5), [0.25, 1.0]])
    found = estimate_life(AGM, soc, np.full(401, 25.0), soc_before=1.0)
    first = 1.0 + (6.614e-5 + 3.307e-3 * 0.5) / np.sqrt(4.16667)
    late = 1.0 + (6.614e-5 + 3.307e-3 * 0.75) * 400 / np.sqrt(4.16667)
    weight = (0.5 * first + 0.25 * late) / 0.75
    assert weight == pytest.approx(1.167, abs=5e-4)
    years = found.model_years
    assert years["depth curve"] / years["depth curve, Schiffer 2007 weights"] == pytest.approx(weight, rel=1e-5)
    assert "make each ampere-hour wear 1.2 times" in _noted(found, "Spells without a full charge")[0]


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (1.0, "the route again all year: its 1 day come 365.2 times a year"),
        (2.0, "the route again all year: its 2 days come 182.6 times a year"),
        (364.2, "the route again all year: its 364 days come 1.0 times a year"),
        (364.25, "those of the route of 364 days itself"),
    ],
)
def test_what_the_years_take_for_granted(days, words):
    assert words in assumption(days, None)
    told = assumption(days, Storage(0.5, 12.0))
    assert f"storage at 50% charge and 12 C for the other {365.25 - days:.0f} days" in told


def test_a_bank_at_rest_is_spoken_of_without_cycling():
    """No share of cycling in the fade, no charge outside the curve; the band is that of shelf lives alone."""
    lithium = estimate_life(replace(LFP, calendar_years=60.0), np.full(240, 0.5), np.full(240, 25.0), soc_before=0.5)
    assert not _noted(lithium, "More of the fade")
    lead = estimate_life(AGM, np.ones(240), np.full(240, 25.0))
    assert lead.notes == ()
    assert lead.band_years == pytest.approx((0.73 * 5.5, 1.27 * 5.5))


def test_one_shallow_cycle_among_deep_ones_is_told_and_eighty_percent_is_none():
    deep = np.tile([1.0, 0.2], 100)
    words = "Two of the three laws"
    assert not _noted(estimate_life(LFP, deep, np.full(200, 25.0)), words)
    mixed = np.append(deep, [1.0, 0.9, 1.0])
    assert _noted(estimate_life(LFP, mixed, np.full(203, 25.0)), words)


def test_warmth_is_told_from_a_twentieth_more_wear_on():
    """2 ^ (0.5 / 10) is 1.035, 2 ^ (1 / 10) is 1.07."""
    assert not _noted(_estimate(AGM, 0.5, cell_c=25.5), "Warm cells")
    assert "wear 1.1 times as fast" in _noted(_estimate(AGM, 0.5, cell_c=26.0), "Warm cells")[0]


def test_a_used_lfp_bank_stands_further_along_its_root_of_time():
    """Half of the fifth is lost in a quarter of the life; three quarters of it lie ahead."""
    new, used = (_estimate(replace(LFP, soh_start=soh, calendar_years=60.0), 0.0) for soh in (1.0, 0.9))
    law = "Naumann 2018/2020"
    assert used.model_years[law] == pytest.approx(0.75 * new.model_years[law], rel=1e-3)


def test_storage_for_the_rest_of_the_year_spares_the_bank():
    again = _estimate(AGM, 0.5, days=60)
    kept = _estimate(AGM, 0.5, days=60, storage=Storage(soc=1.0, cell_c=15.0))
    assert kept.full_cycles_per_year == pytest.approx(30)
    assert kept.counted_cycles_per_year == pytest.approx(60)
    assert kept.life_years > 3 * again.life_years
    assert "once a year, and storage at 100% charge and 15 C for the other 305 days" in kept.assumption
    half, full = (_estimate(LFP, 0.5, days=60, storage=Storage(soc, 25.0)).model_years["Naumann 2018/2020"] for soc in (0.5, 1.0))
    assert half > full


def test_storage_means_nothing_to_a_run_of_a_year():
    assert _estimate(LFP, 0.3, days=366, storage=Storage(0.5, 10.0)) == _estimate(LFP, 0.3, days=366)


def test_use_outside_the_data_is_told():
    cold = _estimate(LFP, 0.9, cell_c=-5.0).notes
    assert any("below 10 or above 45 C" in note for note in cold)
    assert any("below 0 or above 60 C" in note for note in cold)
    gentle = _estimate(LFP, 0.3).notes
    assert any("fill the bank in 40 hours" in note for note in gentle)
    assert any("80% and deeper" in note for note in gentle)
    hour = np.tile([0.0, 1.0], 12)
    fast = estimate_life(LFP, hour, np.full(24, 25.0))
    assert not any("fill the bank" in note for note in fast.notes)
    ripple = _estimate(AGM, 0.1).notes
    assert any("outside the depth curve (30% to 100%)" in note for note in ripple)


@pytest.mark.parametrize(
    ("soc", "cell_c"),
    [
        ([], []),
        ([0.5, 0.6], [25.0]),
        ([0.5, float("nan")], [25.0, 25.0]),
        ([0.5], [float("nan")]),
        ([0.5, 0.6], [25.0, float("nan")]),
    ],
)
def test_series_that_do_not_fit_are_refused(soc, cell_c):
    with pytest.raises(ValueError, match="expected"):
        estimate_life(LFP, soc, cell_c)


def test_a_curve_that_rises_with_depth_is_told_to_the_person():
    with pytest.raises(InputError, match="fewer cycles for deeper ones"):
        _estimate(replace(AGM, cycles_depth_frac=(0.3, 0.5), cycles_to_end=(600.0, 1300.0)), 0.5)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([AGM, LFP]),
    st.lists(st.floats(0, 1), min_size=1, max_size=100),
    st.floats(-30, 60),
    st.floats(0.5, 1.0),
    st.sampled_from([None, Storage(0.5, 10.0)]),
)
def test_whatever_happened_the_answer_is_finite_and_in_order(bank, soc, cell_c, soh_start, storage):
    estimate = estimate_life(replace(bank, soh_start=soh_start), soc, np.full(len(soc), cell_c), storage=storage)
    low, high = estimate.band_years
    assert 0 <= low <= estimate.life_years <= high < 100
    assert estimate.life_years <= bank.calendar_years
    assert estimate.ended_by in {"cycles", "calendar"}
    assert sum(estimate.depth_histogram) == pytest.approx(estimate.counted_cycles_per_year)
    assert all(note.endswith(".") for note in (*estimate.notes, estimate.assumption))
    json.dumps([estimate.model_years, estimate.band_years, estimate.depth_histogram], allow_nan=False)


def test_deeper_and_hotter_never_live_longer():
    for bank in (AGM, LFP):
        by_depth = [_estimate(bank, depth).life_years for depth in (0.2, 0.4, 0.6, 0.8, 1.0)]
        by_heat = [_estimate(bank, 0.5, cell_c=cell_c).life_years for cell_c in (0.0, 15.0, 25.0, 35.0, 45.0)]
        assert by_depth == sorted(by_depth, reverse=True)
        assert by_heat == sorted(by_heat, reverse=True)
