"""Named variants in one file: what they may change, and where their mistakes land."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulator.errors import InputError
from simulator.scenario import parse_scenario
from simulator.scenario.variants import AS_WRITTEN, read_variants, variants_of

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
BASE = (SCENARIOS / "bloom-route.toml").read_text(encoding="utf-8")
FIRST_LINE = BASE.count("\n") + 1


def read(text):
    return dict(variants_of(BASE + text, SCENARIOS / "trip.toml"))


def mistakes(text, base=BASE):
    with pytest.raises(InputError) as caught:
        variants_of(base + text, SCENARIOS / "trip.toml")
    return caught.value.mistakes


def test_as_written_comes_first_and_is_what_the_reader_gives():
    found = variants_of(BASE + '[[variant]]\nname = "more"\nset = { "bank.in_parallel" = 3 }\n')
    assert [name for name, _ in found] == [AS_WRITTEN, "more"]
    assert found[0][1].bank == parse_scenario(BASE).bank
    assert [scenario.bank.in_parallel for _, scenario in found] == [2, 3]


def test_a_file_without_variants_is_one_design():
    assert [name for name, _ in read_variants(SCENARIOS / "bloom-route.toml")] == [AS_WRITTEN]


def test_the_plain_reader_takes_a_file_with_variants_as_written():
    assert parse_scenario(BASE + '[[variant]]\nname = "more"\nset = { "bank.in_parallel" = 3 }\n').bank.in_parallel == 2


def test_elements_are_found_by_name_or_number():
    found = read(
        '[[variant]]\nname = "a"\nset = { "array.roof.in_parallel" = 3, "appliance.honey extractor.power_w" = 200, '
        '"stop.2.shade" = "open", "appliance.1.duty_frac" = 0.5, "array.1.panel.p_w" = 120 }\n'
    )["a"]
    assert found.arrays[0].in_parallel == 3
    assert found.arrays[0].panel.p_w == 120.0
    assert found.appliances[2].power_w == 200.0
    assert found.appliances[0].duty_frac == 0.5
    assert found.stops[1].beam_frac == 1.0


def test_dotted_keys_without_quotes_and_tables_of_their_own_do_as_well():
    found = read('[[variant]]\nname = "a"\n[variant.set]\nbank.in_parallel = 5\narray.roof.in_parallel = 1\n')["a"]
    assert (found.bank.in_parallel, found.arrays[0].in_parallel) == (5, 1)


def test_what_is_not_touched_stays():
    found = read('[[variant]]\nname = "a"\nset = { "array.roof.panel" = { p_w = 200 } }\n')
    assert found["a"].arrays[0].panel.p_w == 200.0
    assert found["a"].bank == found[AS_WRITTEN].bank
    assert found["a"].stops == found[AS_WRITTEN].stops
    assert found[AS_WRITTEN].arrays[0].panel.p_w == 110.0


def test_tables_and_elements_can_be_added_and_taken_out():
    found = read(
        '[[variant]]\nname = "a"\nwithout = ["alternator", "appliance.lights", "appliance.3", "bank.start_soc"]\n'
        'set = { generator = { rated_w = 1000 }, "array.portable" = { panel = { p_w = 100 }, controller = { kind = "mppt" } } }\n'
    )["a"]
    assert found.alternator is None
    assert found.generator is not None
    assert found.bank.start_soc == 1.0
    assert [array.name for array in found.arrays] == ["roof", "portable"]
    names = [appliance.name for appliance in found.appliances]
    assert "lights" not in names
    assert "honey extractor" not in names
    assert names[0] == "fridge for queen cages and food"


def test_an_empty_table_adds_what_has_defaults_and_wipes_nothing():
    assert read('[[variant]]\nname = "a"\nset = { generator = {} }\n')["a"].generator is not None
    assert "expected what changes in it, got nothing" in mistakes('[[variant]]\nname = "a"\nset = { bank = {} }\n')[0]


def test_names_with_dots_in_them():
    text = BASE.replace('name = "roof"', 'name = "roof 1.5 m"')
    found = dict(variants_of(text + '[[variant]]\nname = "a"\nset = { "array.roof 1.5 m.in_parallel" = 2 }\n'))
    assert found["a"].arrays[0].in_parallel == 2


def test_every_mistake_of_every_variant_at_once_each_on_its_line():
    found = mistakes(
        '[[variant]]\nname = "AGM"\nset = { "bank.chemistri" = "agm", "array.rof.in_parallel" = 3, "bnk.x" = 2 }\n'
        '[[variant]]\nname = "AGM"\nset = { "bank.unit_price" = -4, "bank.in_series" = 7 }\n'
        '[[variant]]\nname = "empty"\n'
        '[[variant]]\nset = { "bank.in_parallel" = 3 }\nwithout = ["bank.owned", "array.4"]\n'
    )
    text = "\n".join(found)
    first = FIRST_LINE + 2
    assert f'bank, chemistri (line {first}): expected a known key, got "chemistri". Did you mean "chemistry"?' in text
    assert f'(line {first}): expected the name or the number of one array, got "rof". Did you mean "roof"?' in text
    assert 'got "bnk.x". Did you mean "bank"?' in text
    assert f"(line {first + 2}): expected a name of its own for every variant, got the name of variant 1." in text
    assert f'trip.toml: variant 2 "AGM": bank, unit_price (line {first + 3}):' in text
    assert f'variant 2 "AGM": bank, in_series (line {first + 3}): expected units in series' in text
    assert 'variant 3 "empty"' in text
    assert "expected what it changes, got nothing." in text
    assert "expected a name such as" in text
    assert 'expected a key that the scenario has, got "bank.owned".' in text
    assert 'got "4". There is "roof".' in text
    assert len(found) == len(set(found)) == 10


def test_what_is_wrong_in_the_file_is_told_once():
    broken = BASE.replace('chemistry = "lfp"', 'chemistry = "lfq"')
    found = mistakes(
        '[[variant]]\nname = "a"\nset = { "bank.in_parallel" = 3 }\n[[variant]]\nname = "b"\nset = { "bank.unit_price" = -1 }\n',
        broken,
    )
    assert len(found) == 2
    assert "lfq" in found[0]
    assert 'variant 2 "b"' in found[1]


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ('"bank.chemistry.x" = 2', "expected a table at chemistry"),
        ('"variant.1.name" = "x"', "expected a key of a scenario"),
        ('"stop.9.shade" = "open"', "expected the name or the number of one stop"),
        ('"array.5" = { panel = { p_w = 100 } }', "expected the name or the number of one array"),
        ('"bank" = 3', "expected a table, got 3"),
        ('"array.roof" = 3', "expected"),
        ('"" = 3', "expected a key of a scenario"),
        ('"." = 3', "expected a key of a scenario"),
        ('"array." = { }', "expected"),
        ('"bank." = 3', "expected"),
        ('"stop.new" = { }', "expected the name or the number of one stop"),
        ('"appliance.0.power_w" = 3', "expected the name or the number of one appliance"),
        ('"appliance.99999999999999999999.power_w" = 3', "expected the name or the number of one appliance"),
    ],
)
def test_paths_that_lead_nowhere(key, words):
    found = mistakes(f'[[variant]]\nname = "a"\nset = {{ {key} }}\n')
    assert any(words in mistake for mistake in found), found


@pytest.mark.parametrize(
    "text",
    [
        "variant = 3\n",
        '[[variant]]\nname = 3\nset = { "bank.in_parallel" = 3 }\n',
        '[[variant]]\nname = "a"\nset = 3\n',
        '[[variant]]\nname = "a"\nset = { "bank.in_parallel" = 3 }\nwithout = "generator"\n',
        '[[variant]]\nname = "a"\nset = { "bank.in_parallel" = 3 }\nwithout = [3]\n',
        '[variant]\nname = "a"\n',
        '[[variant]]\nname = "a"\nset = { bank = { } }\n',
        '[[variant]]\nname = "a"\nwithout = ["bank"]\n',
        '[[variant]]\nname = "a"\nwithout = ["stop.1", "stop.2", "stop.3"]\n',
        '[[variant]]\nname = "a"\nwithout = ["array.roof", "array.roof.name"]\n',
    ],
)
def test_wrong_shapes_are_mistakes_and_no_faults(text):
    base = text + BASE if text.startswith("variant") else BASE
    assert mistakes("" if base != BASE else text, base)


def test_two_elements_of_one_name_ask_for_the_number():
    text = BASE + '[[appliance]]\nname = "lights"\npower_w = 5\nhours_per_day = 1\n'
    found = mistakes('[[variant]]\nname = "a"\nset = { "appliance.lights.power_w" = 6 }\n', text)
    assert any("expected one appliance of that name, got 2 of them. Write its number, from 1." in mistake for mistake in found)


def test_limits_prices_and_terms_are_read():
    text = (
        BASE.replace("[vehicle]\n", "[vehicle]\npayload_margin_kg = 200\nbudget = 3000\nroof_m2 = 4\nbay_m = [0.8, 0.5, 0.3]\n")
        .replace("[bank]\n", "[bank]\nextra_price = 120\nupright = true\nunit_price = 400\n")
        .replace("rated_w = 1000\n", "rated_w = 1000\nprice = 300\nkg = 3\nlife_years = 8\n")
        .replace("charger_a = 20\n", "charger_a = 20\nprice = 200\nkg = 2\n")
    )
    found = parse_scenario(text + "[costs]\nhorizon_years = 12\ndiscount_rate = 0.02\nfuel_price_per_l = 1.9\n")
    assert found.vehicle.bay_m == (0.8, 0.5, 0.3)
    assert (found.vehicle.payload_margin_kg, found.vehicle.budget, found.vehicle.roof_m2) == (200.0, 3000.0, 4.0)
    assert (found.bank.extra_price, found.bank.upright) == (120.0, True)
    assert found.inverter is not None
    assert (found.inverter.price, found.inverter.kg, found.inverter.life_years) == (300.0, 3.0, 8.0)
    assert found.alternator is not None
    assert (found.alternator.price, found.alternator.kg) == (200.0, 2.0)
    assert (found.costs.horizon_years, found.costs.discount_rate, found.costs.currency) == (12.0, 0.02, None)
    # Nothing is said of money where no cost is reckoned.
    assert not any("discount" in line for line in found.defaults_used)


def test_flooded_units_stand_unless_written_otherwise(preset_bank):
    assert [preset_bank(name).upright for name in ("lfp", "agm", "gel", "flooded")] == [False, False, False, True]
    assert preset_bank("agm", upright=True).upright


@pytest.mark.parametrize(
    "line",
    [
        ("[vehicle]\n", "budget = -1"),
        ("[vehicle]\n", "bay_m = [0.5, 0.4]"),
        ("[vehicle]\n", "roof_m2 = 0"),
        ("[vehicle]\n", "payload_margin_kg = -5"),
        ("[bank]\n", "extra_price = -2"),
        ("[bank]\n", 'upright = "yes"'),
        ("[inverter]\n", "price = -3"),
        ("[inverter]\n", "life_years = 0"),
    ],
)
def test_absurd_limits_and_prices_are_refused(line):
    table, key = line
    with pytest.raises(InputError, match=key.split(" ", 1)[0]):
        parse_scenario(BASE.replace(table, f"{table}{key}\n"))


@pytest.mark.parametrize("key", ["horizon_years = 0", "discount_rate = 3", "fuel_price_per_l = -1", "interest = 0.1"])
def test_absurd_terms_are_refused(key):
    with pytest.raises(InputError, match="costs"):
        parse_scenario(BASE + f"[costs]\n{key}\n")


def test_check_reads_the_variants_too(tmp_path, capsys):
    from simulator.cli import main

    file = tmp_path / "trip.toml"
    file.write_text(BASE + '[[variant]]\nname = "more"\nset = { "bank.in_parallel" = 3 }\n', encoding="utf-8")
    assert main(["check", str(file)]) == 0
    assert "  - more" in capsys.readouterr().out
    file.write_text(BASE + '[[variant]]\nname = "more"\nset = { "bank.in_paralel" = 3 }\n', encoding="utf-8")
    assert main(["check", str(file)]) == 2
    assert 'Did you mean "in_parallel"?' in capsys.readouterr().err
