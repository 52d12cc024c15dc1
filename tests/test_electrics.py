"""Who was served, days flat for all load, fuel, and the cabin that went cold: from hours written down by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from simulator.battery import kernel as k
from simulator.electrics import PriorityLine, cold_cabin_sentence, flat_for_all_load, priority_lines
from simulator.outcome import Outcome


def hours_with(count, **fields):
    """``(count, HOUR_FIELDS)``: zero but for the fields given by their names in lower case."""
    hours = np.zeros((count, k.HOUR_FIELDS))
    for name, values in fields.items():
        hours[:, getattr(k, name.upper())] = values
    return hours


def test_missed_by_priority_in_watt_hours_and_hours():
    """Half a watt-hour in an hour is rounding."""
    hours = hours_with(
        4,
        missed_essential_wh=[0.0, 10.0, 0.0, 0.4],
        missed_comfort_wh=[5.0, 5.0, 0.6, 0.0],
        missed_luxury_wh=[0.0, 0.0, 0.0, 0.0],
    )
    assert priority_lines(hours) == (
        PriorityLine("essential", pytest.approx(10.4), 1.0),
        PriorityLine("comfort", pytest.approx(10.6), 3.0),
        PriorityLine("luxury", 0.0, 0.0),
    )


def test_days_flat_for_all_load_by_darkness_or_by_share():
    """Five days of 100 Wh: nothing missed; a quarter hour dark; 2 % dark or switched off; less than that; no load at all."""
    local_day = np.repeat(np.arange(5), 2)
    hours = hours_with(
        10,
        load_wh=[50.0] * 8 + [0.0] * 2,
        dark_h=[0.0, 0.0, 0.1, 0.15, 0.0, 0.0, 0.1, 0.1, 0.0, 0.0],
        missed_dark_wh=[0.0, 0.0, 0.0, 0.0, 0.5, 0.5, 0.9, 0.0, 0.0, 0.0],
        missed_shed_wh=[0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0],
    )
    flat = flat_for_all_load(hours, local_day, 5, dark_h=0.25, missed_frac=0.02)
    assert flat.tolist() == [False, True, True, False, False]
    told = Outcome.flat_for_all_load.func(SimpleNamespace(hours=hours, timeline=SimpleNamespace(local_day=local_day, days=5)))
    assert told.tolist() == flat.tolist()


def test_a_cabin_that_kept_its_heat_needs_no_sentence():
    assert cold_cabin_sentence(hours_with(0)) is None
    assert cold_cabin_sentence(hours_with(3, chill_end=[0.0, 0.09, 0.05], cell_end_c=-5.0)) is None


def test_a_cabin_that_went_cold_with_the_bank():
    """Only the hours in which a tenth of the heating was lost count: two of the four, the coldest of them at 4 C."""
    hours = hours_with(4, chill_end=[0.0, 0.2, 0.6, 0.05], cell_end_c=[15.0, 9.0, 4.0, -3.0], locked_h=[0.0, 0.0, 0.0, 1.0])
    assert cold_cabin_sentence(hours) == (
        "While the bank was dark the heating stood still: for 2 hours the cabin was colder than set, and the cells "
        "came down to 4 C."
    )


def test_what_a_cold_cabin_refused_is_told():
    hours = hours_with(
        4,
        chill_end=[0.0, 0.2, 0.6, 0.5],
        cell_end_c=[15.0, 2.0, -1.0, -2.0],
        locked_h=[1.0, 0.0, 1.0, 1.0],
        refused_cold_wh=[500.0, 0.0, 700.0, 800.0],
        refused_charger_wh=[50.0, 0.0, 0.0, 90.0],
    )
    assert cold_cabin_sentence(hours) == (
        "While the bank was dark the heating stood still: for 3 hours the cabin was colder than set, and the cells came down "
        "to -2 C; in 2 of them they were too cold to be charged, and 1,590 Wh on offer were refused."
    )


def test_fuel_of_a_trip(make_generator):
    """A quarter load: 0.45 L/h; full load: 1 L/h; 2 kW at the shaft of a charger without losses."""
    hours = hours_with(3, generator_h=[1.0, 0.0, 0.5], generator_wh=[500.0, 0.0, 1000.0])
    generator = make_generator(rated_w=2000.0, fuel_l_per_h_quarter=0.45, fuel_l_per_h_full=1.0, efficiency_frac=1.0)
    litres = Outcome.generator_litres.func
    assert litres(SimpleNamespace(scenario=SimpleNamespace(generator=generator), hours=hours)) == pytest.approx(0.45 + 0.5)
    assert litres(SimpleNamespace(scenario=SimpleNamespace(generator=None), hours=hours)) == 0.0
