"""More is never worse until the first dark day; and, as tests of their own, the cases in which it is.

Behind a latch, or with electronics that draw, more bank or more sun may well mean more dark hours: the exceptions are kept here
so that nobody takes the law for more than it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.battery import kernel as k
from simulator.scenario.parts import Bank


def floats(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_subnormal=False)


@dataclass(frozen=True)
class Season:
    """A plain season: a daily sun and load without generator, levels, heater or cold; powers in watts."""

    sun_w: np.ndarray
    load_w: np.ndarray
    bank: Bank
    start_soc: float


@st.composite
def seasons(draw: st.DrawFn, make_bank: Any) -> Season:
    """LFP units that neither leak nor feed electronics of their own, so that a larger bank has nothing more to carry.

    Their resistance does not depend on temperature: a bank that filled earlier has cooled again, which costs it a millionth.
    """
    latch = draw(st.booleans())
    bank = make_bank(
        "lfp",
        in_parallel=draw(st.integers(1, 4)),
        cutoff_soc=0.05,
        reconnect_soc=0.1 if latch else 0.05,
        self_discharge_frac_per_day=0.0,
        standby_w=0.0,
        resistance_per_c=0.0,
        charge_limit_a=draw(floats(5.0, 100.0)),
        discharge_limit_a=100.0,
        taper_h=draw(st.sampled_from([0.0, 0.15])),
    )
    days = draw(st.integers(2, 20))
    clock = np.arange(24 * days) % 24
    clear = np.repeat(draw(st.lists(floats(0.0, 1.0), min_size=days, max_size=days)), 24)
    shape = np.maximum(np.sin((clock - 6) / 12 * np.pi), 0.0)
    evening = 1.0 + draw(floats(0.0, 3.0)) * (clock > 17)
    return Season(
        sun_w=draw(floats(10.0, 600.0)) * shape * clear,
        load_w=draw(floats(1.0, 100.0)) * evening,
        bank=bank,
        start_soc=draw(floats(0.3, 1.0)),
    )


def first_dark_hour(walked: Any, lane: int) -> int:
    dark = np.flatnonzero(walked.hour(k.DARK_H, lane) > 1e-9)
    return int(dark[0]) if len(dark) else len(walked.histories.day)


@pytest.fixture(scope="module")
def any_season(make_bank):
    return seasons(make_bank)


@given(data=st.data())
def test_more_of_anything_never_brings_the_first_dark_day_forward(data, any_season, make_histories, walk_banks):
    """More units, more sun or less load: until the first dark hour the bank stands no lower, so that hour comes no earlier."""
    season = data.draw(any_season)
    more = 1.0 + data.draw(floats(0.0, 1.0))
    histories = make_histories(len(season.sun_w), sun_w=season.sun_w, load_w=season.load_w)
    larger = replace(season.bank, in_parallel=season.bank.in_parallel + data.draw(st.integers(1, 3)))
    walked = walk_banks(
        [season.bank, larger, season.bank, season.bank],
        histories,
        lane=[{}, {}, {"sun_scale": more}, {"load_scale": 1.0 / more}],
        start_soc=season.start_soc,
    )
    first = [first_dark_hour(walked, lane) for lane in range(4)]
    assert min(first[1:]) >= first[0]
    stored = [walked.lanes.capacity_ah[lane] * walked.soc(lane)[: first[0] + 1] for lane in range(4)]
    for lane in (2, 3):
        assert (stored[lane] >= stored[0] - 1e-6).all(), "more sun, less load"


def test_a_larger_bank_goes_dark_earlier_when_its_own_electronics_outweigh_the_surplus(make_bank, walk_banks, make_histories):
    """Why the law above speaks of units without standby: what one unit leaves of a thin surplus, two may eat."""
    days = 400
    clock = np.arange(24 * days) % 24
    sun_w = 10.0 * 24 / 6 * 1.04 * ((clock >= 9) & (clock < 15))
    small = make_bank("lfp", unit_ah=20.0, standby_w=0.1, self_discharge_frac_per_day=0.0)
    walked = walk_banks([small, replace(small, in_parallel=8)], make_histories(24 * days, sun_w=sun_w, load_w=10.0))
    assert first_dark_hour(walked, 0) == 24 * days
    assert first_dark_hour(walked, 1) < 24 * days


def test_a_larger_latched_bank_may_be_dark_longer(make_bank, walk_banks, make_histories):
    """The latch wants a share of the capacity back: once dark, twice the bank waits for twice the sun."""
    days = 5
    clock = np.arange(24 * days) % 24
    sun_w = np.where((clock >= 9) & (clock < 15), 16.0, 0.0)
    small = make_bank("lfp", standby_w=0.0, self_discharge_frac_per_day=0.0, reconnect_soc=0.25)
    walked = walk_banks(
        [small, replace(small, in_parallel=2)], make_histories(24 * days, sun_w=sun_w, load_w=20.0), start_soc=0.05
    )
    assert first_dark_hour(walked, 0) == first_dark_hour(walked, 1)
    assert walked.total(k.DARK_H, 1) > walked.total(k.DARK_H, 0) + 6.0


def test_more_sun_may_mean_more_dark_hours_behind_a_latch(make_bank, walk_banks, make_histories):
    """A latch may open just before an evening that takes everything again: no law holds beyond the first dark day."""
    found = 0
    chance = np.random.default_rng(11)
    bank = make_bank("lfp", standby_w=0.0, self_discharge_frac_per_day=0.0, reconnect_soc=0.3)
    clock = np.arange(24 * 12) % 24
    scales = np.linspace(1.0, 1.5, 26)
    for _ in range(10):
        sun_w = 150.0 * np.maximum(np.sin((clock - 6) / 12 * np.pi), 0.0) * np.repeat(chance.random(12), 24)
        load_w = 30.0 + 300.0 * ((clock == 19) & np.repeat(chance.random(12) < 0.5, 24))
        walked = walk_banks(
            [bank] * len(scales),
            make_histories(24 * 12, sun_w=sun_w, load_w=load_w),
            lane=[{"sun_scale": scale} for scale in scales],
            start_soc=0.2,
        )
        found += int((np.diff(walked.result.totals[:, k.DARK_H]) > 0.1).any())
    assert found > 0
