"""What a year asks of a bank, and how it ages from year to year, each by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulator.battery import fade
from simulator.battery.aged import Age, LeadModel, LfpModel, aged_bank, end_within, models_of
from simulator.battery.use import (
    Storage,
    held_rounds,
    lead_wear,
    left_frac,
    lfp_shelf_pace,
    lfp_use,
    shelf_left_frac,
    stored_mean,
    year_of_use,
)
from simulator.scenario.parts import StoredBank

NAUMANN = "Naumann 2018/2020"


def days(count, depth):
    """Down by ``depth`` in twelve hours and back to full in twelve, every day: ``(hours,)``."""
    hour = np.arange(1, 24 * count + 1) % 24
    return 1.0 - depth * (1.0 - np.abs(hour - 12) / 12)


def year_of(bank, depth=0.5, cell_c=25.0, count=365, storage=None):
    soc = days(count, depth)
    return year_of_use(bank, soc, np.full(soc.size, cell_c), 1.0, storage)


# ---- what a year asks ----


def test_the_rate_is_the_mean_over_the_charge_moved(make_bank):
    """Down by 0.3 in an hour and by 0.1 in the next: (0.09 + 0.01) / 0.4."""
    year = year_of_use(make_bank("lfp"), np.array([0.7, 0.6, 0.6]), np.full(3, 20.0), 1.0)
    assert year.rate_per_h == pytest.approx(0.25)
    assert year.out == pytest.approx([0.3, 0.1, 0.0])
    assert year_of_use(make_bank("lfp"), np.array([0.7]), np.array([20.0]), 0.7).rate_per_h == 0.0


def test_a_round_ends_where_it_began(make_bank):
    """Left at 40 % the bank is charged back to 100 % first: a whole cycle of 0.6; one that ends higher is left as it is."""
    emptied = year_of_use(make_bank("lfp"), np.array([0.4]), np.array([20.0]), 1.0)
    assert emptied.cycles.full_cycles.sum() == pytest.approx(0.6)
    assert emptied.rounds == pytest.approx(365.25 * 24.0)
    filled = year_of_use(make_bank("lfp"), np.array([1.0]), np.array([20.0]), 0.4)
    assert filled.cycles.full_cycles.sum() == pytest.approx(0.3)


def test_storage_fills_the_year_behind_a_route_and_counts_by_its_hours(make_bank):
    year = year_of(make_bank("lfp"), count=73, storage=Storage(0.6, 10.0))
    assert year.rounds == 1.0
    assert year.storage_h == pytest.approx((365.25 - 73.0) * 24.0)
    assert year.mean(lambda soc, cell_c: cell_c) == pytest.approx((73.0 * 25.0 + 292.25 * 10.0) / 365.25)
    use = lfp_use(year)
    assert use.weight_h.sum() == pytest.approx(365.25 * 24.0)
    assert (use.soc[-1], use.cell_c[-1], use.weight_h[-1]) == (0.6, 10.0, year.storage_h)
    assert use.full_cycles.sum() == pytest.approx(73 * 0.5)
    assert (year_of(make_bank("lfp"), count=366, storage=Storage(0.6, 10.0)).storage, held_rounds(year)) == (None, 1)


def test_a_shrunken_bank_cycles_fewer_of_its_rated_charges(make_bank):
    """The laws count full cycles of a new cell: half the capacity moved through the same swing is half a full cycle."""
    whole, half = (lfp_use(year_of(make_bank("lfp", soh_start=soh))).full_cycles.sum() for soh in (1.0, 0.5))
    assert whole == pytest.approx(0.5 * 365.25)
    assert half == pytest.approx(whole / 2)
    assert lfp_use(year_of(make_bank("lfp"))).weight_h.sum() == pytest.approx(365.25 * 24.0)


def test_the_shelf_runs_faster_in_warmth_and_no_slower_in_the_cold(make_bank):
    """Naumann et al. 2018: k rises by exp(17126 / 8.314 x (1/298.15 - 1/T)); the time to a loss goes with its square."""
    pace = math.exp(17126.0 / 8.314 * (1.0 / 298.15 - 1.0 / 318.15)) ** 2
    assert lfp_shelf_pace(year_of(make_bank("lfp"), cell_c=45.0)) == pytest.approx(pace, rel=1e-9)
    assert lfp_shelf_pace(year_of(make_bank("lfp"), cell_c=5.0)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("keys", "left", "shelf"),
    [
        ({}, 1.0, 1.0),
        ({"soh_start": 0.95}, 0.75, 0.75),
        ({"soh_start": 0.7}, 0.0, 0.0),
        ({"soh_start": 0.95, "age_years": 3.0}, 0.75, 0.75),
        ({"soh_start": 0.9, "age_years": 9.0}, 0.5, 0.25),
        ({"age_years": 20.0}, 1.0, 0.0),
        ({"soh_start": 1.05}, 1.0, 1.0),
    ],
)
def test_what_is_left_of_both_lives(keys, left, shelf, make_bank):
    """Of a bank that keeps 12 years on the shelf and ends at 80 %."""
    bank = make_bank("lfp", **keys)
    assert left_frac(bank) == pytest.approx(left)
    assert shelf_left_frac(bank) == pytest.approx(shelf)


def test_a_disconnected_bank_that_loses_nothing_stays_where_it_was(make_bank):
    bank = make_bank("lfp", self_discharge_frac_per_day=0.0)
    assert stored_mean(bank, StoredBank(0.8, 25.0, False), 200.0) == Storage(0.8, 25.0)
    leaky = make_bank("lfp", self_discharge_frac_per_day=0.001)
    assert stored_mean(leaky, StoredBank(0.8, 25.0, False), -1.0).soc == 0.8
    # Twice as fast 10 K above 25 C: lost = 0.001 x 2 x 100 = 0.2.
    warm = stored_mean(leaky, StoredBank(0.8, 35.0, False), 100.0)
    assert warm.soc == pytest.approx(0.8 * (1.0 - math.exp(-0.2)) / 0.2)
    assert warm.cell_c == 35.0


@pytest.mark.parametrize("count", [1, 365])
def test_lead_wear_of_a_daily_half_by_hand(count, make_bank):
    """600 cycles to 50 %. Hours since full 1 to 12 while it falls by 1/24 an hour; 0.417 of the ten-hour current."""
    wear = lead_wear(year_of(make_bank("agm"), count=count))
    fallen = np.arange(1, 13) / 24.0
    weight = 1.0 + (6.614e-5 + 3.307e-3 * fallen) / math.sqrt((1.0 / 24.0) / 0.1) * np.arange(1, 13)
    assert wear.damage == pytest.approx(365.25 / 600.0)
    assert wear.partial_weight == pytest.approx(weight.mean(), rel=1e-12)
    assert (wear.cycle_heat, wear.shelf_heat) == (1.0, 1.0)
    warm = lead_wear(year_of(make_bank("agm"), cell_c=35.0))
    assert (warm.cycle_heat, warm.shelf_heat, warm.damage) == pytest.approx((2.0, 2.0, 2.0 * 365.25 / 600.0))


def test_heat_counts_for_cycling_only_while_charge_is_drawn(make_bank):
    """45 C while it charges, 25 C while it is drawn: the shelf ages two and a half times as fast, cycling does not."""
    soc = days(365, 0.5)
    falls = np.diff(np.concatenate(([1.0], soc))) < 0.0
    wear = lead_wear(year_of_use(make_bank("agm"), soc, np.where(falls, 25.0, 45.0), 1.0))
    assert wear.cycle_heat == pytest.approx(1.0)
    assert wear.shelf_heat == pytest.approx(2.5)


def test_a_bank_that_is_never_full_weighs_as_after_thirty_days(make_bank):
    """Ten days of it come again and again, so that the spell is as long as the weight grows."""
    soc = 0.8 - (1.0 - days(10, 0.3))
    year = year_of_use(make_bank("agm"), soc, np.full(soc.size, 25.0), 0.8)
    assert held_rounds(year) == math.ceil(720.0 / 241.0) + 1
    ratio = (0.3 / 12.0) / 0.1
    held = 1.0 + (6.614e-5 + 3.307e-3 * 0.5) / math.sqrt(ratio) * 720.0
    assert lead_wear(year).partial_weight == pytest.approx(held, rel=1e-12)


def test_a_resting_lead_bank_wears_by_the_shelf_alone(make_bank):
    wear = lead_wear(year_of_use(make_bank("agm"), np.ones(48), np.full(48, 25.0), 1.0))
    assert (wear.damage, wear.partial_weight, wear.cycle_heat, wear.shelf_heat) == (0.0, 1.0, 1.0, 1.0)


# ---- which life ends first ----


def age(**spent):
    return Age(0.9, 0.0, tuple(spent.items()))


@pytest.mark.parametrize(
    ("before", "after", "found"),
    [
        ({"cycles": 0.5, "calendar": 0.9}, {"cycles": 0.9, "calendar": 0.99}, None),
        ({"cycles": 0.5, "calendar": 0.9}, {"cycles": 1.5, "calendar": 1.3}, (0.25, "calendar")),
        ({"cycles": 0.6, "calendar": 0.0}, {"cycles": 1.1, "calendar": 1.0}, (0.8, "cycles")),
        ({"cycles": 1.2, "calendar": 0.9}, {"cycles": 1.4, "calendar": 1.0}, (0.0, "cycles")),
        ({"cycles": 1.0, "calendar": 0.2}, {"cycles": 1.0, "calendar": 0.2}, (0.0, "cycles")),
        ({"cycles": 0.5, "calendar": 0.2}, {"cycles": 1.0 - 1e-13, "calendar": 0.2}, (1.0, "cycles")),
    ],
)
def test_the_first_life_to_be_spent(before, after, found):
    told = end_within(age(**before), age(**after))
    if found is None:
        assert told is None
    else:
        assert told == (pytest.approx(found[0]), found[1])
    assert age(**after).ended is (found is not None)


# ---- lithium ----


def test_a_used_lithium_bank_stands_on_the_root_of_its_law(make_bank):
    """Both losses go with the root of time, so 10 % lost is shared as a year shares it, after (10 % / that year's)^2 years."""
    bank = make_bank("lfp", soh_start=0.9)
    year = year_of(bank)
    shelf, cycling = (float(part) for part in fade.naumann_loss(lfp_use(year), 1.0))
    start = LfpModel(NAUMANN, fade.naumann_loss, carries=True).start(year)
    assert start.soh == pytest.approx(0.9, abs=1e-6)
    assert start.shelf_loss_frac == pytest.approx(0.1 * shelf / (shelf + cycling), rel=1e-4)
    assert start.cycle_loss_frac == pytest.approx(0.1 * cycling / (shelf + cycling), rel=1e-4)
    use = lfp_use(year)
    a_year = fade.NaumannState().after_time(use.soc, use.cell_c, use.weight_h)
    gain = a_year.after_cycles(use.depth_frac, use.full_cycles, use.rate_per_h).resistance_gain_frac
    assert start.resistance_gain_frac == pytest.approx(gain * (0.1 / (shelf + cycling)) ** 2, rel=1e-4)
    assert start.spent[0] == ("calendar", pytest.approx(0.5, abs=1e-5))
    assert start.spent[1:] == (("cycles", pytest.approx(0.5)), ("calendar", pytest.approx(0.5)))


def test_the_data_sheet_cuts_a_lithium_life_only_where_the_model_carries_it(make_bank):
    """365.25 cycles of 0.8 a year, 1000 to the end: 73 % of the curve and 14.6 % of the capacity are gone after two years."""
    bank = make_bank("lfp", cycles_depth_frac=(0.8,), cycles_to_end=(1000.0,))
    year = year_of(bank, 0.8)
    carrying, *others = models_of(bank)
    assert (carrying.name, [other.name for other in others]) == (NAUMANN, ["Gasper 2022", "Gasper 2023"])
    after = carrying.after(carrying.start(year), year, 2.0)
    assert after.damage == pytest.approx(0.7305)
    assert after.soh == pytest.approx(1.0 - 0.7305 * 0.2)
    assert after.shelf_spent == pytest.approx(2.0 / 12.0)
    assert after.spent[1:] == (("cycles", after.damage), ("calendar", after.shelf_spent))
    lost = sum(float(part) for part in fade.naumann_loss(lfp_use(year), 2.0))
    assert after.spent[0][1] == pytest.approx(lost / 0.2, rel=1e-3)
    for other, law in zip(others, (fade.cylindrical_loss, fade.prismatic_loss), strict=True):
        alone = other.after(other.start(year), year, 2.0)
        assert len(alone.spent) == 1
        assert alone.soh == pytest.approx(1.0 - sum(float(part) for part in law(lfp_use(year), 2.0)), abs=1e-5)


def test_a_lithium_bank_shrinks_by_the_law_where_that_is_the_larger_loss(make_bank):
    """3000 full cycles would last 24 years at a third a day; in 45 C the shelf life runs by its pace, twelve years at 25 C."""
    bank = make_bank("lfp", cycles_depth_frac=(1.0,), cycles_to_end=(3000.0,))
    year = year_of(bank, 1.0 / 3.0, 45.0)
    model = models_of(bank)[0]
    after = model.after(model.start(year), year, 1.0)
    lost = sum(float(part) for part in fade.naumann_loss(lfp_use(year), 1.0))
    assert lost > 0.2 * after.damage
    assert after.damage == pytest.approx(365.25 / 9000.0)
    assert after.soh == pytest.approx(1.0 - lost, rel=1e-4)
    assert after.shelf_spent == pytest.approx(math.exp(17126.0 / 8.314 * (1.0 / 298.15 - 1.0 / 318.15)) ** 2 / 12.0, rel=1e-9)


def test_the_larger_loss_names_what_ends_a_lithium_bank(make_bank):
    """Deep cycles from morning to evening in the cool against a bank at rest in the warmth."""
    model = LfpModel(NAUMANN, fade.naumann_loss, carries=False)
    bank = make_bank("lfp")
    busy, resting = year_of(bank, 0.95, 0.0), year_of(bank, 0.01, 40.0)
    assert model.after(model.start(busy), busy, 1.0).spent[0][0] == "cycles"
    assert model.after(model.start(resting), resting, 1.0).spent[0][0] == "calendar"


def test_a_gentle_year_gives_nothing_back(make_bank):
    """A bank at rest adds nothing to what its cycles took; a loss beyond anything the new use could bring stays as it is."""
    model = LfpModel(NAUMANN, fade.naumann_loss, carries=False)
    resting = year_of_use(make_bank("lfp"), np.full(48, 0.5), np.full(48, 10.0), 0.5)
    worn = Age(0.85, 0.02, (), shelf_loss_frac=0.05, cycle_loss_frac=0.10)
    rested = model.after(worn, resting, 1.0)
    assert rested.cycle_loss_frac == 0.10
    shelf, _ = fade.naumann_loss(lfp_use(resting), 1.0)
    assert rested.shelf_loss_frac == pytest.approx(math.hypot(0.05, float(shelf)), rel=1e-3)
    assert rested.resistance_gain_frac > 0.02
    ruined = model.after(Age(0.0, 0.5, (), shelf_loss_frac=0.9, cycle_loss_frac=0.4), resting, 1.0)
    assert (ruined.shelf_loss_frac, ruined.cycle_loss_frac, ruined.soh) == (0.9, 0.4, 0.0)


# ---- lead-acid ----


def test_three_years_of_lead_acid_by_hand(make_bank):
    """600 cycles to half at 25 C, 6 years of shelf life; 35 C halves both. Two months of it, every day to half."""
    bank = make_bank("agm", soh_start=0.95, age_years=1.5)
    year = year_of(bank, cell_c=35.0)
    model = LeadModel("by hand", weighted=False, curve_scale=0.5, shelf_scale=2.0)
    start = model.start(year)
    assert start.spent == (("cycles", pytest.approx(0.25)), ("calendar", pytest.approx(0.25)))
    assert start.resistance_gain_frac == pytest.approx(0.4 * 0.05 / 0.2)
    after = model.after(start, year, 1.0 / 6.0)
    cycles, shelf = 2.0 * 365.25 / 600.0 / 0.5 / 6.0, 2.0 / 12.0 / 6.0
    assert after.damage == pytest.approx(0.25 + cycles)
    assert after.shelf_spent == pytest.approx(0.25 + shelf)
    assert after.soh == pytest.approx(0.95 - 0.2 * cycles)
    assert after.resistance_gain_frac == pytest.approx(0.4 * (0.05 + 0.2 * cycles) / 0.2)
    assert model.after(start, year, 100.0).soh == 0.0


def test_a_resting_lead_bank_fades_with_the_shelf(make_bank):
    bank = make_bank("agm")
    year = year_of_use(bank, np.ones(48), np.full(48, 25.0), 1.0)
    carrying = models_of(bank)[0]
    after = carrying.after(carrying.start(year), year, 1.5)
    assert after.spent == (("cycles", 0.0), ("calendar", pytest.approx(0.25)))
    assert after.soh == pytest.approx(0.95)


def test_the_band_of_lead_acid_is_that_of_makers_and_weights(make_bank):
    """Poorest and best curve: 0.8 and 1.2 of the cycles, 0.73 and 1.27 of the shelf life; the best without weights."""
    bank = make_bank("agm")
    year = year_of(bank)
    weight = lead_wear(year).partial_weight
    spent = {model.name: model.after(model.start(year), year, 1.0) for model in models_of(bank)}
    carried, poorest, best = spent.values()
    assert list(spent) == ["depth curve, Schiffer 2007 weights", "poorest curve", "best curve, no weights"]
    assert carried.damage == pytest.approx(365.25 / 600.0 * weight)
    assert poorest.damage == pytest.approx(365.25 / 600.0 * weight / 0.8)
    assert best.damage == pytest.approx(365.25 / 600.0 / 1.2)
    assert [found.shelf_spent for found in spent.values()] == pytest.approx([1 / 6.0, 1 / (6.0 * 0.73), 1 / (6.0 * 1.27)])


def test_the_bank_as_it_has_become(make_bank):
    """20 % more resistance now than when it was new, 10 % more at the start, where 4 mOhm are stated."""
    then, now = Age(0.95, 0.10, ()), Age(0.85, 0.20, ())
    become = aged_bank(make_bank("agm"), now, then)
    assert become.soh_start == 0.85
    assert become.resistance_ohm == pytest.approx(0.004 * 1.2 / 1.1)
