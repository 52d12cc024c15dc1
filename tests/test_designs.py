"""Many designs in one walk: equal to what each of them gives alone, whatever they share."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simulator import timeline
from simulator.route import drawn_years
from simulator.scenario import read_scenario
from simulator.studies import changes, designs
from simulator.studies.designs import walk_designs
from simulator.studies.odds import odds

ROOT = Path(__file__).resolve().parents[1]
SCENARIO = ROOT / "scenarios" / "channel-autumn.toml"
SEED = 5
YEARS = 6


@pytest.fixture(scope="module")
def boat():
    return read_scenario(SCENARIO)


@pytest.fixture(scope="module")
def weather(boat):
    return drawn_years(boat, timeline.build_timeline(boat), YEARS, SEED)


@pytest.fixture(scope="module")
def variants(boat):
    return (
        boat,
        changes.with_parallel(boat, 4),
        changes.with_panels(boat, 0, 3),
        changes.with_tilt(boat, 0.0),
        changes.with_chemistry(boat, "lfp"),
        changes.with_soh(changes.with_place(boat, "outside"), 0.8),
        changes.with_panels(changes.with_chemistry(boat, "gel"), 0, 2),
        changes.with_bus(boat, 12),
    )


def test_each_design_is_exactly_what_odds_give_for_it_alone(variants, weather):
    walked = walk_designs(variants, weather, seed=SEED, keep_flat=True, threads=1)
    assert walked.flat_days.max() > 0
    assert len(np.unique(walked.missed_wh.sum(axis=1))) > 4
    for place, design in enumerate(variants):
        alone = odds(design, YEARS, SEED, threads=1)
        assert np.array_equal(walked.flat[place], alone.flat[0])
        assert np.array_equal(walked.flat_days[place], alone.flat_days)
        assert np.array_equal(walked.missed_wh[place], alone.missed_wh)


def test_no_number_depends_on_how_the_work_is_cut(variants, weather, monkeypatch):
    whole = walk_designs(variants, weather, seed=SEED, threads=2, keep_days=True)
    monkeypatch.setattr(designs, "MOST_LANES", 5)
    monkeypatch.setattr(designs, "BLOCK_YEARS", 2)
    monkeypatch.setattr(designs, "MOST_ROW_HOURS", 9000)
    cut = walk_designs(variants, weather, seed=SEED, threads=1, keep_days=True)
    for name in ("flat_days", "missed_wh", "lowest_soc", "totals", "days"):
        assert np.array_equal(getattr(whole, name), getattr(cut, name)), name
    later = walk_designs(variants[::-1], weather, first_year=3, year_count=2, seed=SEED, threads=1)
    assert np.array_equal(later.totals[::-1], whole.totals[:, 3:5])
    assert later.year_names == ("4", "5")
    mixed = designs.Fleet(variants, weather, seed=SEED).walk([2, 0], 0, 0, years=(4, 0, 1), threads=1)
    assert mixed.year_names == ("5", "1", "2")
    assert np.array_equal(mixed.totals, whole.totals[[2, 0]][:, [4, 0, 1]])


def test_rows_that_designs_share_are_reckoned_once(boat, weather, monkeypatch):
    asked = []

    def counted(scenario, *arguments, **named):
        asked.append(scenario)
        return histories(scenario, *arguments, **named)

    histories = designs.histories
    monkeypatch.setattr(designs, "histories", counted)
    banks = [changes.with_parallel(boat, count) for count in range(1, 9)]
    walk_designs(banks, weather, seed=SEED, threads=1)
    assert len(asked) == 1
    asked.clear()
    grid = [changes.with_panels(bank, 0, panels) for bank in banks for panels in (1, 2, 3)]
    walk_designs(grid, weather, seed=SEED, threads=1)
    assert len(asked) == 3


def test_scales_and_watched_hours(boat, weather):
    walked = walk_designs(
        [boat, boat, boat], weather, year_count=2, seed=SEED, load_scale=[1.0, 1.5, 1.0], sun_scale=[1, 1, 0.9], watch=[2, 0]
    )
    assert walked.missed_wh[1].sum() > walked.missed_wh[0].sum()
    alone = odds(boat, 2, SEED, threads=1)
    assert np.array_equal(walked.flat_days[2], alone.flat[1].sum(axis=1))
    assert walked.hours.shape[0] == 2
    assert np.allclose(walked.hours.sum(axis=1)[1], walked.totals[0, 0])
    assert np.allclose(walked.hours.sum(axis=1)[0], walked.totals[2, 0])


def test_designs_of_two_routes_are_refused(boat, weather):
    other = read_scenario(ROOT / "scenarios" / "worksheet.toml")
    with pytest.raises(ValueError, match="their hours differ"):
        walk_designs([boat, other], weather, seed=SEED)
