"""Presets are data: every number has a unit, a valid range and a source, and says what it claims to say."""

from __future__ import annotations

import hashlib
import math
from importlib import resources

import pytest

from simulator.scenario import load_preset
from simulator.scenario.appliances import STANDING
from simulator.scenario.values import choice
from simulator.scenario.written import ApplianceTable, ArrayTable, BankTable, StopTable

OURS = ("chemistries", "appliances", "converters")
CHEMISTRIES = sorted(load_preset("chemistries").tables)


def numbers_of(name):
    """Path and entry of every number in a preset; whatever is neither a number nor a table of them is words."""
    pending = [((name,), load_preset(name).tables)]
    while pending:
        path, table = pending.pop()
        for key, entry in table.items():
            if isinstance(entry, dict) and "value" in entry:
                yield (*path, key), entry
            elif isinstance(entry, dict):
                pending.append(((*path, key), entry))
            else:
                assert isinstance(entry, str), f"{path} {key}: a bare {entry!r} has no source"


@pytest.mark.parametrize("name", OURS)
def test_every_number_has_unit_source_and_a_valid_range_that_holds_it(name):
    found = list(numbers_of(name))
    assert found
    for path, entry in found:
        assert set(entry) == {"value", "unit", "valid", "source"}, path
        assert entry["unit"] and len(entry["source"]) > 5, path
        low, high = entry["valid"]
        values = entry["value"] if isinstance(entry["value"], list) else [entry["value"]]
        assert all(isinstance(value, float) and low <= value <= high for value in values), path


@pytest.mark.parametrize("name", [*OURS, "hours", "mounts"])
def test_a_preset_knows_its_own_bytes(name):
    preset = load_preset(name)
    data = resources.files("simulator").joinpath("presets", f"{name}.toml").read_bytes()
    assert preset.sha256 == hashlib.sha256(data).hexdigest()
    assert preset is load_preset(name)


@pytest.mark.parametrize("chemistry", CHEMISTRIES)
def test_curves_are_curves(chemistry):
    preset = load_preset("chemistries")
    row = {
        key: preset.numbers(chemistry, key)
        for key in preset.tables[chemistry]
        if isinstance(preset.tables[chemistry][key], dict) and isinstance(preset.tables[chemistry][key]["value"], list)
    }
    assert row["soc"][0] == 0.0
    assert row["soc"][-1] == 1.0
    for key in ("soc", "ocv_v_per_cell", "capacity_temp_c", "cycles_depth_frac"):
        assert list(row[key]) == sorted(set(row[key])), key
    assert list(row["charge_efficiency_frac"]) == sorted(row["charge_efficiency_frac"], reverse=True)
    assert list(row["capacity_frac"]) == sorted(row["capacity_frac"])
    assert row["capacity_frac"][-1] == 1.0
    assert list(row["cycles_to_end"]) == sorted(row["cycles_to_end"], reverse=True)
    assert len({len(row[key]) for key in ("soc", "ocv_v_per_cell", "polarisation_v_per_cell", "charge_efficiency_frac")}) == 1
    assert len(row["capacity_temp_c"]) == len(row["capacity_frac"])
    assert len(row["cycles_depth_frac"]) == len(row["cycles_to_end"])


def test_all_chemistries_have_the_same_numbers():
    """Alternatives sit the same exam."""
    tables = load_preset("chemistries").tables
    assert len({frozenset(tables[chemistry]) for chemistry in CHEMISTRIES}) == 1


def volts(chemistry, soc, *keys):
    """Sum of rows at a state of charge, per cell, linear between knots."""
    preset = load_preset("chemistries")
    knots = preset.numbers(chemistry, "soc")
    row = [sum(values) for values in zip(*(preset.numbers(chemistry, key) for key in keys), strict=True)]
    for left, right, left_v, right_v in zip(knots, knots[1:], row, row[1:], strict=False):
        if soc <= right:
            return left_v + (soc - left) / (right - left) * (right_v - left_v)
    raise AssertionError(soc)


@pytest.mark.parametrize(("soc", "four_cells_v"), [(0.5, 13.20), (0.2, 12.95), (0.9, 13.37)])
def test_lithium_rest_voltage(soc, four_cells_v):
    """Sunil, Pattipati, Balasingam (2025), IEEE Trans. Instrum. Meas.: volts of four cells interpolated from its breakpoints."""
    assert 4 * volts("lfp", soc, "ocv_v_per_cell") == pytest.approx(four_cells_v, abs=0.01)


@pytest.mark.parametrize(("soc", "flooded_v"), [(0.0, 11.89), (0.25, 12.06), (0.5, 12.24), (0.75, 12.45), (1.0, 12.65)])
def test_agm_rests_0_15_v_above_a_flooded_unit(soc, flooded_v):
    """From memory: specific gravity + 0.84 V a cell for flooded cells; AGM's acid is stronger."""
    assert 6 * volts("agm", soc, "ocv_v_per_cell") == pytest.approx(flooded_v + 0.15, abs=0.005)


def test_agm_meets_the_charger_s_limit_from_the_onset_of_absorption_on():
    """Common practice, no source: 14.4 V for six cells, met near 80 to 85 % at ordinary currents."""
    limit_v = load_preset("chemistries").number("agm", "absorb_v_per_cell")
    for soc in (0.85, 0.95, 1.0):
        assert volts("agm", soc, "ocv_v_per_cell", "polarisation_v_per_cell") == pytest.approx(limit_v, abs=0.001)
    assert volts("agm", 0.5, "ocv_v_per_cell", "polarisation_v_per_cell") < limit_v - 0.1


def round_trip_frac(chemistry, low, high, rate_per_h, steps=2000):
    """Energy out over energy in, at a constant rate [1/h] both ways."""
    preset = load_preset("chemistries")
    drop_v = rate_per_h * preset.number(chemistry, "resistance_ohm_ah_per_cell")
    out = into = 0.0
    for step in range(steps):
        soc = low + (high - low) * (step + 0.5) / steps
        knots = preset.numbers(chemistry, "soc")
        row = preset.numbers(chemistry, "charge_efficiency_frac")
        place = max(index for index, knot in enumerate(knots[:-1]) if knot <= soc)
        share = (soc - knots[place]) / (knots[place + 1] - knots[place])
        efficiency = row[place] + share * (row[place + 1] - row[place])
        out += volts(chemistry, soc, "ocv_v_per_cell") - drop_v
        into += (volts(chemistry, soc, "ocv_v_per_cell", "polarisation_v_per_cell") + drop_v) / efficiency
    return out / into


@pytest.mark.parametrize(
    ("chemistry", "low", "rate_per_h", "least", "most"),
    [("lfp", 0.2, 0.2, 0.92, 0.96), ("agm", 0.5, 0.1, 0.75, 0.85), ("agm", 0.2, 0.1, 0.75, 0.85)],
)
def test_energy_round_trip(chemistry, low, rate_per_h, least, most):
    """Common practice, no source: lithium 0.92 to 0.95 at ordinary currents, AGM 0.75 to 0.85."""
    assert least <= round_trip_frac(chemistry, low, 1.0, rate_per_h) <= most


@pytest.mark.parametrize(("hours", "least", "most"), [(20, 0.97, 0.98), (5, 0.87, 0.90), (1, 0.63, 0.68)])
def test_agm_gives_less_charge_the_faster_it_is_drawn(hours, least, most):
    """Manwell & McGowan (1993), Solar Energy 50(5), 399-405: q / qmax = k c t / (1 - r + c (k t - 1 + r)), r = exp(-k t).

    Common practice, no source: a 100 Ah (20 h) AGM unit gives 87 to 90 Ah in 5 h and 63 to 68 Ah in 1 h.
    """
    preset = load_preset("chemistries")
    c, k = preset.number("agm", "well_c"), preset.number("agm", "well_k_per_h")
    r = math.exp(-k * hours)
    assert least <= k * c * hours / (1.0 - r + c * (k * hours - 1.0 + r)) <= most


@pytest.mark.parametrize(
    ("fahrenheit", "factor"), [(25, 1.52), (30, 1.43), (35, 1.35), (40, 1.30), (50, 1.19), (60, 1.11), (70, 1.04), (77, 1.0)]
)
def test_agm_in_the_cold_follows_ieee_485(fahrenheit, factor):
    """IEEE 485-2010, table 1: cell-size factor for temperature; capacity is its inverse."""
    preset = load_preset("chemistries")
    knots = dict(zip(preset.numbers("agm", "capacity_temp_c"), preset.numbers("agm", "capacity_frac"), strict=True))
    celsius = (fahrenheit - 32) / 1.8
    nearest = min(knots, key=lambda knot: abs(knot - celsius))
    assert nearest == pytest.approx(celsius, abs=0.01)
    assert knots[nearest] == pytest.approx(1.0 / factor, abs=0.001)


def test_agm_at_minus_10_keeps_60_to_70_percent():
    """Common practice, no source."""
    preset = load_preset("chemistries")
    knots = dict(zip(preset.numbers("agm", "capacity_temp_c"), preset.numbers("agm", "capacity_frac"), strict=True))
    assert 0.60 <= knots[-10.0] <= 0.70


def test_agm_tail_current_when_full():
    """Common practice, no source: full when no more than 0.02 C flow at absorption voltage; the last 20 % take 3 to 6 h."""
    preset = load_preset("chemistries")
    taper_h, end_per_h = preset.number("agm", "taper_h"), preset.number("agm", "taper_end_frac")
    goal = 1.0 + end_per_h * taper_h
    full = preset.number("agm", "full_soc")
    terminal_per_h = (goal - full) / taper_h / 0.853
    assert terminal_per_h == pytest.approx(0.02, abs=0.001)
    assert 3.0 <= taper_h * math.log((goal - 0.8) / (goal - 1.0)) <= 6.0


def test_lithium_resistance_grows_fourfold_from_25_to_minus_20():
    """Common practice, no source: 10 to 15 mOhm for a 12 V 100 Ah unit, twice at 0 C, four times at -20 C."""
    preset = load_preset("chemistries")
    per_c = preset.number("lfp", "resistance_per_c")
    assert 4 * preset.number("lfp", "resistance_ohm_ah_per_cell") / 100 == pytest.approx(0.012)
    assert math.exp(45 * per_c) == pytest.approx(4.0, rel=0.01)
    assert math.exp(25 * per_c) == pytest.approx(2.0, rel=0.1)


def test_inverter_is_best_at_the_efficiency_it_claims():
    """Sauer & Schmidt (1994): best efficiency 1 / (1 + v + 2 sqrt(p_self r)); common practice 0.90 to 0.92 at 12 V."""
    preset = load_preset("converters")
    p_self, v, r, best = (preset.number("inverter", key) for key in ("p_self", "v", "r", "best_efficiency_frac"))
    assert 1.0 / (1.0 + v + 2.0 * math.sqrt(p_self * r)) == pytest.approx(best, abs=0.0005)
    assert 0.90 <= best <= 0.92


def test_shade_classes_let_ever_less_light_through():
    preset = load_preset("converters")
    shares = [
        (preset.number("shade", name, "beam_frac"), preset.number("shade", name, "diffuse_frac"))
        for name in ("open", "few trees", "half", "wooded")
    ]
    assert len(shares) == len(preset.tables["shade"])
    assert shares == sorted(shares, reverse=True)
    assert all(beam <= diffuse for beam, diffuse in shares)


def accepted(model, key):
    """Words that a key accepts."""
    (validator,) = (
        item for item in model.model_fields[key].annotation.__args__[0].__metadata__ if type(item) is type(choice("x"))
    )
    return {
        word
        for word in (
            *load_preset("chemistries").tables,
            *load_preset("mounts").tables,
            *load_preset("converters").tables["shade"],
            "x",
        )
        if _accepts(validator, word)
    }


def _accepts(validator, word):
    try:
        return validator.func(word) == word
    except ValueError:
        return False


def test_what_a_person_may_choose_is_what_the_presets_hold():
    assert accepted(BankTable, "chemistry") == set(load_preset("chemistries").tables)
    assert accepted(ArrayTable, "mount") == set(load_preset("mounts").tables)
    assert accepted(StopTable, "shade") == set(load_preset("converters").tables["shade"])
    assert "kind" in ApplianceTable.model_fields


def test_usual_watts_are_of_kinds_that_have_usual_hours():
    kinds = load_preset("hours").tables["kinds"]
    assert set(load_preset("appliances").tables) <= set(kinds)
    assert STANDING in kinds
