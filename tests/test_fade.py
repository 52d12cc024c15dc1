"""Laws of fade: invariance, direction, and that the three of them answer the same question."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.battery.fade import LFP_LAWS, NaumannState, anode_potential_v
from tests.steady import steady_use

SOC = st.floats(0, 1)
CELL_C = st.floats(-10, 60)


@settings(max_examples=50)
@given(st.lists(st.tuples(SOC, CELL_C, st.floats(0.1, 5000)), min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_neither_order_nor_pieces_matter(spells, shuffle):
    soc, cell_c, hours = (np.array(column) for column in zip(*spells, strict=True))
    whole = NaumannState().after_time(soc, cell_c, hours)
    pieces = NaumannState()
    shuffled = list(spells)
    shuffle.shuffle(shuffled)
    for state, temperature, length_h in shuffled:
        for _ in range(3):
            pieces = pieces.after_time(state, temperature, length_h / 3).after_cycles(0.3 * state, 1.0, 0.2)
    whole = whole.after_cycles(0.3 * np.repeat(soc, 3), np.ones(3 * soc.size), 0.2)
    assert pieces.calendar_loss_frac == pytest.approx(whole.calendar_loss_frac, rel=1e-12)
    assert pieces.cycle_loss_frac == pytest.approx(whole.cycle_loss_frac, rel=1e-12)
    assert pieces.resistance_gain_frac == pytest.approx(whole.resistance_gain_frac, rel=1e-12)
    assert pieces.soh == pytest.approx(1 - whole.calendar_loss_frac - whole.cycle_loss_frac)


@pytest.mark.parametrize(("soc", "cell_c"), [(0.5, 25.0), (0.9, 40.0), (0.1, 10.0)])
def test_resistance_grows_on_the_shelf_as_published(soc, cell_c):
    """M. Naumann et al. (2018), J. Energy Storage 17, 153-169: 3.4194e-10 / s at 25 C, 71.8 kJ/mol, a cubic in the charge."""
    pace = 3.4194e-10 * np.exp(-71827.0 / 8.314 * (1.0 / (cell_c + 273.15) - 1.0 / 298.15))
    grown = pace * (-3.3903 * (soc - 0.5) ** 3 + 1.5604) * 1000.0 * 3600.0
    assert NaumannState().after_time(soc, cell_c, 1000.0).resistance_gain_frac == pytest.approx(grown, rel=1e-9)


def test_a_fast_bank_does_not_heal_its_resistance():
    """The law of the resistance would fall with cycling above about 1C."""
    assert NaumannState().after_cycles(1.0, 1000.0, 2.0).resistance_gain_frac == 0.0


def test_health_stops_at_nothing():
    assert NaumannState(calendar_loss_squared=1.0, cycle_loss_squared=1.0).soh == 0.0


@pytest.mark.parametrize("law", LFP_LAWS.values(), ids=LFP_LAWS.keys())
def test_loss_starts_at_nothing_and_grows_with_time_warmth_charge_and_cycles(law):
    use = steady_use(0.5, 25.0, 0.8, 200.0, 0.2)
    shelf, cycling = law(use, np.linspace(0, 20, 50))
    assert shelf[0] == cycling[0] == 0
    assert (np.diff(shelf) > 0).all()
    assert (np.diff(cycling) > 0).all()
    assert law(steady_use(0.5, 40.0, 0.8, 200.0, 0.2), 10)[0] > law(use, 10)[0]
    assert law(steady_use(0.9, 25.0, 0.8, 200.0, 0.2), 10)[0] > law(use, 10)[0]
    assert law(steady_use(0.5, 25.0, 0.8, 400.0, 0.2), 10)[1] > law(use, 10)[1]
    assert law(steady_use(0.5, 25.0, 1.0, 200.0, 0.2), 10)[1] > law(use, 10)[1]
    assert law(replace(use, depth_frac=np.empty(0), full_cycles=np.empty(0)), 10)[1] == 0


@pytest.mark.parametrize("law", LFP_LAWS.values(), ids=LFP_LAWS.keys())
def test_a_year_in_samples_is_the_same_as_the_year_at_once(law):
    use = steady_use(0.7, 20.0, 0.8, 200.0, 0.2)
    cut = replace(
        use,
        soc=np.full(12, 0.7),
        cell_c=np.full(12, 20.0),
        weight_h=np.full(12, use.weight_h[0] / 12),
        depth_frac=np.full(5, 0.8),
        full_cycles=np.full(5, 40.0),
    )
    assert np.array(law(cut, 7.0)) == pytest.approx(np.array(law(use, 7.0)), rel=1e-12)


@pytest.mark.parametrize("law", LFP_LAWS.values(), ids=LFP_LAWS.keys())
def test_no_law_breaks_down_in_frost_or_at_an_empty_bank(law):
    for cell_c in (-40.0, 0.0, 80.0):
        for soc in (0.0, 1.0):
            shelf, cycling = law(steady_use(soc, cell_c, 0.01, 100.0, 0.0), np.linspace(0, 30, 5))
            assert np.isfinite(shelf).all()
            assert (np.diff(shelf) > 0).all()
            assert (np.diff(cycling) > 0).all()


def test_anode_potential_falls_with_charge():
    """Points computed from Safari & Delacourt (2011), J. Electrochem. Soc. 158(5), A562."""
    assert anode_potential_v([0, 0.25, 0.5, 0.8, 1]) == pytest.approx([0.68435, 0.16388, 0.12330, 0.09426, 0.08638], abs=5e-6)
