"""The hand calculation against the arithmetic of IEEE 1013 and the temperature table of IEEE 485.

IEEE Std 1013-2007, Recommended Practice for Sizing Lead-Acid Batteries for Stand-Alone Photovoltaic Systems: adjusted capacity =
max(unadjusted / MDOD, daily / MDDOD, unadjusted / end of life) x temperature factor x margin (from memory; its worked examples
were not at hand, so the instance below is arithmetic). IEEE Std 485-2010, table 1: cell-size factor by electrolyte temperature.
"""

from __future__ import annotations

import pytest

from simulator.studies.worksheet import adjusted_ah, temperature_factor
from tests.outside_checks import apart, reached


def test_the_instance():
    """100 Ah a day, 5 days, depth 0.8, a day 0.2, end of life 0.8, 60 F, margin 10 %: 100 x 5 / 0.8 x 1.11 x 1.1 = 763 Ah."""
    found = adjusted_ah(
        100.0, 5.0, depth_frac=0.8, daily_depth_frac=0.2, end_frac=0.8, temperature_factor=1.11, margin_factor=1.10
    )
    assert found == pytest.approx(763.0, abs=0.5)
    reached(
        "Hand calculation of a bank",
        "IEEE 1013-2007 (from memory), an instance by arithmetic",
        "0.5 Ah of 763",
        apart(found, 763.0),
    )


@pytest.mark.parametrize(
    ("days", "depth", "daily", "expected"),
    [
        (5.0, 0.5, 0.2, 1000.0),  # the depth rules: 500 / 0.5
        (1.0, 0.8, 0.1, 1000.0),  # the day rules: 100 / 0.1
        (5.0, 0.9, 0.2, 625.0),  # the end of life rules: 500 / 0.8
    ],
)
def test_each_of_the_three_may_rule(days, depth, daily, expected):
    found = adjusted_ah(
        100.0, days, depth_frac=depth, daily_depth_frac=daily, end_frac=0.8, temperature_factor=1.0, margin_factor=1.0
    )
    assert found == pytest.approx(expected)


@pytest.mark.parametrize(
    ("fahrenheit", "factor"), [(30, 1.430), (35, 1.350), (40, 1.300), (50, 1.190), (60, 1.110), (70, 1.040), (77, 1.000)]
)
@pytest.mark.parametrize("chemistry", ["agm", "gel", "flooded"])
def test_the_temperature_table(preset_bank, chemistry, fahrenheit, factor):
    assert temperature_factor(preset_bank(chemistry), (fahrenheit - 32) / 1.8) == pytest.approx(factor, rel=0.003)
    reached(
        "Temperature factor of the hand calculation",
        "IEEE 485-2010, table 1",
        "0.3 %",
        apart(temperature_factor(preset_bank(chemistry), (fahrenheit - 32) / 1.8), factor, rel=True),
    )


@pytest.mark.parametrize(("fahrenheit", "factor"), [(45, 1.250), (55, 1.150), (65, 1.080)])
def test_between_its_knots(preset_bank, fahrenheit, factor):
    assert temperature_factor(preset_bank("agm"), (fahrenheit - 32) / 1.8) == pytest.approx(factor, rel=0.01)


def test_heat_never_makes_the_bank_smaller(preset_bank):
    """The table goes on to 0.86 at 120 F; the capacity that heat lends is not counted on (a cautious choice)."""
    assert temperature_factor(preset_bank("agm"), 45.0) == 1.0
