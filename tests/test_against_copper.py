"""Cable runs against published resistances and worked examples.

Authorities: IEC 60028 (0.017241 ohm mm2/m at 20 C, 0.393 % more a kelvin); NEC chapter 9, table 8 (resistance of conductors at
75 C); wire tables at 20 C; circular mils of the American gauges; ABYC E-11 (area for a drop, from memory, and its table of
currents for 105 C insulation outside engine spaces).
"""

import pytest

from simulator.scenario import load_preset
from simulator.scenario.wires import METRES_PER_FOOT, ampacity_a, copper_ohm, gauge_mm2
from tests.outside_checks import apart, reached

MM2_PER_CMIL = 5.067e-4
CIRCULAR_MILS = {
    "14": 4110, "12": 6530, "10": 10380, "8": 16510, "6": 26240, "4": 41740, "2": 66360, "1/0": 105600, "2/0": 133100,
    "4/0": 211600,
}  # fmt: skip
OHM_PER_KFT_20_C = {
    "18": 6.385, "16": 4.016, "14": 2.525, "12": 1.588, "10": 0.9989, "8": 0.6282, "6": 0.3951, "4": 0.2485,
}  # fmt: skip
OHM_PER_KFT_75_C = {
    "12": 1.93, "10": 1.21, "8": 0.764, "6": 0.491, "4": 0.308, "3": 0.245, "2": 0.194, "1": 0.154, "1/0": 0.122,
    "2/0": 0.0967, "3/0": 0.0766, "4/0": 0.0608,
}  # fmt: skip
AMPACITY_A = {
    "18": 20, "16": 25, "14": 35, "12": 45, "10": 60, "8": 80, "6": 120, "4": 160, "2": 210, "1": 245, "1/0": 285, "2/0": 330,
    "3/0": 385, "4/0": 445,
}  # fmt: skip


def ohm_per_kft(gauge, temp_c):
    return copper_ohm(1000.0 * METRES_PER_FOOT, gauge_mm2(gauge), temp_c) / 2.0


@pytest.mark.parametrize("gauge", CIRCULAR_MILS)
def test_area_of_a_gauge(gauge):
    assert gauge_mm2(gauge) / MM2_PER_CMIL == pytest.approx(CIRCULAR_MILS[gauge], rel=1e-3)


@pytest.mark.parametrize("gauge", OHM_PER_KFT_20_C)
def test_resistance_at_20_degrees(gauge):
    assert ohm_per_kft(gauge, 20.0) == pytest.approx(OHM_PER_KFT_20_C[gauge], rel=1e-3)
    reached(
        "Resistance of a wire at 20 C", "wire tables", "0.1 %", apart(ohm_per_kft(gauge, 20.0), OHM_PER_KFT_20_C[gauge], rel=True)
    )


@pytest.mark.parametrize("gauge", OHM_PER_KFT_75_C)
def test_resistance_at_75_degrees_of_the_code(gauge):
    """Solid up to 8 AWG; the stranded ones of the table are 2 % longer by their lay."""
    assert ohm_per_kft(gauge, 75.0) == pytest.approx(OHM_PER_KFT_75_C[gauge], rel=0.03)
    reached(
        "Resistance of a wire at 75 C",
        "NEC chapter 9, table 8",
        "3 %",
        apart(ohm_per_kft(gauge, 75.0), OHM_PER_KFT_75_C[gauge], rel=True),
    )


def test_copper_by_iec_60028():
    assert copper_ohm(0.5, 1.0, 20.0) == pytest.approx(0.017241, rel=1e-12)
    assert copper_ohm(0.5, 1.0, 30.0) / copper_ohm(0.5, 1.0, 20.0) == pytest.approx(1.0393, rel=1e-12)


@pytest.mark.parametrize(
    ("current_a", "length_m", "mm2", "drop_v"), [(10.0, 5.0, 2.5, 0.690), (50.0, 3.0, 16.0, 0.323), (100.0, 2.0, 50.0, 0.138)]
)
def test_drops_worked_by_hand(current_a, length_m, mm2, drop_v):
    """2 x length x 0.017241 / area x current, at 20 C."""
    assert current_a * copper_ohm(length_m, mm2, 20.0) == pytest.approx(drop_v, abs=5e-4)


@pytest.mark.parametrize(
    ("current_a", "feet", "gauge", "drop_v"), [(20.0, 15.0, "10", 0.744), (20.0, 15.0, "6", 0.295), (100.0, 6.0, "1/0", 0.146)]
)
def test_drops_by_the_code_s_table(current_a, feet, gauge, drop_v):
    """NEC chapter 9, table 8, 75 C, stranded; ours is the bare copper, up to 3 % less."""
    assert current_a * copper_ohm(feet * METRES_PER_FOOT, gauge_mm2(gauge), 75.0) == pytest.approx(drop_v, rel=0.035)


@pytest.mark.parametrize(
    ("current_a", "round_trip_ft", "drop_v", "cmil"),
    [(10.0, 40.0, 0.36, 11944), (10.0, 40.0, 1.2, 3583), (25.0, 20.0, 0.36, 14931), (50.0, 20.0, 0.36, 29861)],
)
def test_area_for_a_drop_by_the_boat_builders_rule(current_a, round_trip_ft, drop_v, cmil):
    """ABYC E-11: CM = 10.75 I L / E; our copper at the default temperature of a cable."""
    temp_c = load_preset("wires").number("cable", "temp_c")
    ohm = copper_ohm(round_trip_ft / 2.0 * METRES_PER_FOOT, cmil * MM2_PER_CMIL, temp_c)
    assert current_a * ohm == pytest.approx(drop_v, rel=0.005)


@pytest.mark.parametrize(
    ("current_a", "one_way_ft", "frac", "enough", "too_thin"),
    [
        (10.0, 20.0, 0.03, "8", "10"),
        (10.0, 20.0, 0.10, "14", "16"),
        (25.0, 10.0, 0.03, "8", "10"),
        (50.0, 10.0, 0.03, "4", "6"),
        (100.0, 5.0, 0.03, "4", "6"),
    ],
)
def test_gauge_for_a_drop(current_a, one_way_ft, frac, enough, too_thin):
    """ABYC E-11 at 12 V: 11,944 CM are 8 AWG, 3,583 CM 14 AWG, 29,861 CM 4 AWG."""
    drops_v = [current_a * copper_ohm(one_way_ft * METRES_PER_FOOT, gauge_mm2(gauge), 30.0) for gauge in (enough, too_thin)]
    assert drops_v[0] <= frac * 12.0 < drops_v[1]


@pytest.mark.parametrize("gauge", AMPACITY_A)
def test_currents_of_the_table(gauge):
    assert ampacity_a(gauge_mm2(gauge)) == (AMPACITY_A[gauge], gauge)


def test_a_metric_size_takes_the_row_of_the_next_thinner_gauge():
    assert ampacity_a(16.0) == (120.0, "6")
    assert ampacity_a(2.5) == (35.0, "14")
    assert ampacity_a(95.0) == (385.0, "3/0")
    assert ampacity_a(0.5) is None
    assert ampacity_a(300.0) == (445.0, "4/0")
