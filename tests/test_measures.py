"""Units for a person: against the exact factors of NIST Special Publication 811 (2008), appendix B, and by laws of conversion."""

from __future__ import annotations

import doctest
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.errors import InputError
from simulator.report import measures
from simulator.report.measures import METRIC, US, figure, measures_named


@pytest.mark.parametrize(
    ("said", "metric", "us"),
    [
        # NIST SP 811, B.8: 1 lb = 0.453 592 37 kg; 1 ft = 0.3048 m; 1 in = 2.54 cm; 1 mile = 1.609 344 km;
        # 1 gal (US) = 3.785 412 L; 1 ft3 = 28.316 85 L; 1 ft2 = 0.092 903 04 m2; t/F = 1.8 t/C + 32; 1 K = 1.8 degrees F.
        (lambda unit: unit.mass(45.359237), "45.4 kg", "100 lb"),
        (lambda unit: unit.mass(0.45359237), "0.454 kg", "1 lb"),
        (lambda unit: unit.temp(100.0), "100 C", "212 F"),
        (lambda unit: unit.temp(-40.0), "-40 C", "-40 F"),
        (lambda unit: unit.temp(37.0, 1), "37 C", "98.6 F"),
        (lambda unit: unit.litres(37.85411784), "37.9 L", "10 gal"),
        (lambda unit: unit.length(3.048), "3.05 m", "10 ft"),
        (lambda unit: unit.length(0.254), "25.4 cm", "10 in"),
        (lambda unit: unit.thickness(25.4), "25.4 mm", "1 in"),
        (lambda unit: unit.height(1609.344), "1,609 m", "5,280 ft"),
        (lambda unit: unit.distance(160.9344), "161 km", "100 mi"),
        (lambda unit: unit.area(9.290304), "9.29 m2", "100 sq ft"),
        (lambda unit: unit.volume(28.316846592), "28.3 L", "1 cu ft"),
        (lambda unit: unit.speed(0.44704), "0.447 m/s", "1 mph"),
    ],
)
def test_each_quantity_in_both_units(said, metric, us):
    assert said(METRIC) == metric
    assert said(US) == us


@given(st.floats(-1e5, 1e5))
def test_a_figure_keeps_three_digits_and_has_no_idle_zeros_nor_minus_nought(value):
    text = figure(value)
    back = float(text.replace(",", ""))
    assert back == pytest.approx(value, rel=0.006, abs=6e-5)
    assert text != "-0"
    assert not re.search(r"\.\d*0$|\.$", text)


@given(st.floats(-60, 90).map(lambda c: round(c, 1)))
def test_temperatures_in_a_sentence_are_what_the_formula_says(c):
    said = US.sentence(f"No charging below {c:g} C in the cells.")
    found = re.fullmatch(r"No charging below (-?[\d.]+) F in the cells\.", said)
    assert found
    assert float(found.group(1)) == pytest.approx(c * 1.8 + 32.0, abs=0.0501)


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        ("112 km (great circle x 1.3) and 1.5 h (at 75 km/h)", "70 mi (great circle x 1.3) and 1.5 h (at 47 mph)"),
        ("29 months of tests at 0 to 60 C, cycling at 40 C", "29 months of tests at 32 to 140 F, cycling at 104 F"),
        ("its normals are 1,234 km away and 300 m higher", "its normals are 767 mi away and 984 ft higher"),
        ("it doubles every 10 K", "it doubles every 18 degrees F"),
        ("burns 0.45 L/h, 24 kg, 2 m2, 5 mm and 12 cm", "burns 0.119 gal/h, 53 lb, 22 sq ft, 0.2 in and 4.7 in"),
        # These stay: rates of charge, quoted names, compound units, keys, and what only looks like a unit.
        ("Charge limit 50 A a unit, 0.5 C (no source: 0.2 to 0.5 C)", None),
        ('stop 2 "Camp 5 km" (line 3)', None),
        ("loses 3 W/K, 5 kWh/m2 a day, R(T) of 25 Copper", None),
        ("temp_c = 5, [bank] charge_min_c, 5th km", None),
        ("2.8 V a cell, 100 Ah, 9 m/sx", None),
    ],
)
def test_finished_sentences(metric, us):
    assert US.sentence(metric) == (metric if us is None else us)
    assert METRIC.sentence(metric) == metric


def test_units_by_option_or_variable(monkeypatch):
    monkeypatch.delenv("FLATDAYS_UNITS", raising=False)
    assert measures_named() is METRIC
    monkeypatch.setenv("FLATDAYS_UNITS", " US ")
    assert measures_named() is US
    assert measures_named("metric") is METRIC
    monkeypatch.setenv("FLATDAYS_UNITS", "")
    assert measures_named() is METRIC
    monkeypatch.setenv("FLATDAYS_UNITS", "imperial")
    with pytest.raises(InputError, match='FLATDAYS_UNITS: expected "metric" or "us", got "imperial"'):
        measures_named()


def test_the_examples_of_the_module():
    assert doctest.testmod(measures).failed == 0
