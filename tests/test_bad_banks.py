"""What a person may get wrong about a bank and the rest of its year: a sentence each, with its cure, and never a traceback."""

from __future__ import annotations

import pytest

from simulator.errors import InputError
from simulator.scenario import describe, parse_scenario
from simulator.scenario.starter import starter_text

STARTER = starter_text()


def read(bank="", *, unit="unit_ah = 100", chemistry="lfp", rest=""):
    """The starter with other keys in its [bank]; the unit's voltage goes with the chemistry."""
    text = STARTER.replace("unit_ah = 100", f"{unit}\n{bank}", 1).replace('chemistry = "lfp"', f'chemistry = "{chemistry}"', 1)
    text = text.replace("unit_v = 12.8", "unit_v = 12.8" if chemistry == "lfp" else "unit_v = 12.0", 1)
    return parse_scenario(text + rest)


ONE_MISTAKE = {
    "a slower discharge that yields less": (
        {"bank": "capacities = [[1, 66], [5, 105], [20, 100]]", "chemistry": "agm"},
        ["capacities", "[hours, Ah]"],
    ),
    "a slower discharge that yields too much more": (
        {"bank": "capacities = [[10, 50], [20, 99]]", "chemistry": "agm"},
        ["capacities", "not that much more"],
    ),
    "hours out of order": (
        {"bank": "capacities = [[5, 89], [1, 66], [20, 100]]", "chemistry": "agm"},
        ["hours in order", "Sort the rows"],
    ),
    "an hour twice": ({"bank": "capacities = [[20, 100], [20, 98]]", "chemistry": "agm"}, ["hours in order"]),
    "one row": ({"bank": "capacities = [[20, 100]]"}, ["at least two"]),
    "a row of three": ({"bank": "capacities = [[20, 100, 1], [5, 90]]"}, ["rows [hours, Ah]"]),
    "no rows": ({"bank": 'capacities = "100 Ah"'}, ["rows [hours, Ah]"]),
    "a label that is none of the capacities": (
        {"bank": "capacities = [[5, 89], [20, 100]]", "unit": "unit_ah = 200"},
        ["unit_ah", "89 to 100 Ah"],
    ),
    "capacities and a well": ({"bank": "capacities = [[5, 89], [20, 100]]\nwell_c = 0.4"}, ["well_c", "not both"]),
    "capacities and a rate": (
        {"bank": "capacities = [[1, 66], [5, 89], [20, 100]]\nwell_k_per_h = 2", "chemistry": "agm"},
        ["well_k_per_h", "fitted"],
    ),
    "cycles that rise with depth": (
        {"bank": "cycles_depth_frac = [0.5, 0.8]\ncycles_to_end = [500, 900]"},
        ["cycles_to_end", "fewer cycles at greater depth"],
    ),
    "depths out of order": (
        {"bank": "cycles_depth_frac = [0.8, 0.5]\ncycles_to_end = [900, 500]"},
        ["cycles_depth_frac", "rise"],
    ),
    "a charge limit of the whole house": ({"bank": "charge_limit_a = 1500"}, ["charge_limit_a", "at most 400 A", "of one unit"]),
    "a discharge limit of a crane": ({"bank": "discharge_limit_a = 9000"}, ["discharge_limit_a", "at most 2000 A"]),
    "chargers set to the volts of the whole bank": (
        {"bank": "absorb_v = 28.8"},
        ["absorb_v", "at most 17.28 V", "got 28.8 V", "of one unit, not of the bank"],
    ),
    "lead charged beyond any equalising": ({"bank": "absorb_v = 16.3", "chemistry": "flooded"}, ["absorb_v", "at most 16.2 V"]),
    "a cap in the cold that no charger has": (
        {"bank": "absorb_cap_v = 40", "chemistry": "agm"},
        ["absorb_cap_v", "at most 16.2 V, what a charger adds", "got 40 V"],
    ),
    "more in the cold than in the warm": (
        {"bank": "charge_limit_a = 20\ncharge_cold_limit_a = 30"},
        ["charge_cold_limit_a", "at most charge_limit_a, 20 A", "got 30 A", "Swap them"],
    ),
    "a temperature of the moon": ({"bank": "charge_min_c = -180"}, ["charge_min_c", "from -60 to 90 C"]),
    "limits the wrong way round": ({"bank": "charge_max_c = 1"}, ["charge_max_c", "at least 4 C"]),
    "an age of a house": ({"bank": "age_years = 100"}, ["age_years", "from 0 to 40 years"]),
    "electronics that let go above the rest voltage": (
        {"bank": "cutoff_v = 13.5"},
        ["bank, cutoff_v (line", "rests half full", "got 13.5 V", "0 for a unit without electronics"],
    ),
    "electronics that end charging below the rest voltage": (
        {"bank": "charge_max_v = 12.0"},
        ["bank, charge_max_v (line", "rests when full", "got 12 V"],
    ),
    "a cap of the absorption voltage below it": (
        {"bank": "absorb_v = 14.6\nabsorb_cap_v = 14.0", "chemistry": "agm"},
        ["bank, absorb_cap_v (line", "at least absorb_v, 14.6 V", "got 14 V", "caps what the charger adds in the cold"],
    ),
    "a word for the rest of the year": ({"rest": '\n[rest_of_year]\nstorage = "shed"\n'}, ["rest_of_year", "a table"]),
    "both halves of the year": (
        {"rest": "\n[rest_of_year]\nroute_again = true\nstorage = { soc = 0.5 }\n"},
        ["exactly one", "both"],
    ),
    "nothing for the rest of the year": ({"rest": "\n[rest_of_year]\n"}, ["exactly one", "neither"]),
    "stored at 500 percent": ({"rest": "\n[rest_of_year]\nstorage = { soc = 5 }\n"}, ["soc", "from 0 to 1"]),
    "stored in a kiln": ({"rest": "\n[rest_of_year]\nstorage = { temp_c = 300 }\n"}, ["temp_c", "from -40 to 60 C"]),
    "a key of the storage that is none": ({"rest": "\n[rest_of_year]\nstorage = { charge = 1 }\n"}, ["known key", "soc"]),
}


@pytest.mark.parametrize("case", ONE_MISTAKE)
def test_one_mistake_is_one_sentence(case):
    keywords, words = ONE_MISTAKE[case]
    with pytest.raises(InputError) as caught:
        read(**keywords)
    assert len(caught.value.mistakes) == 1, caught.value.mistakes
    for word in words:
        assert word in caught.value.mistakes[0]


def test_volts_and_amperes_at_their_limits_are_taken():
    """Flooded cells are equalised at 2.5 to 2.67 V a cell (common practice, no source); as much in the cold as in the warm."""
    assert read("absorb_v = 16.2", chemistry="flooded").bank.absorb_v == 16.2
    assert read("charge_limit_a = 20\ncharge_cold_limit_a = 20").bank.charge_cold_limit_a == 20.0
    # Only one of the two written: the usual other one is no promise of the maker, so the smaller of both holds.
    assert read("charge_limit_a = 5").bank.charge_cold_limit_a == 5.0


def test_more_cells_than_the_volts_allow():
    """Five lithium cells make no 12 V bank, and six units of 12 V no bus of 12 V."""
    with pytest.raises(InputError) as caught:
        parse_scenario(STARTER.replace("unit_v = 12.8", "unit_v = 16.0", 1))
    assert len(caught.value.mistakes) == 1
    assert "bus voltage of 12 V" in caught.value.mistakes[0]
    with pytest.raises(InputError) as caught:
        parse_scenario(STARTER.replace("in_series = 1   ", "in_series = 6   ", 1))
    assert len(caught.value.mistakes) == 1
    assert "in_series = 1" in caught.value.mistakes[0]


def test_the_words_route_again_and_none_mean_the_same():
    assert read().rest_of_year is None
    again = parse_scenario('rest_of_year = "route again"\n' + STARTER)
    assert again.rest_of_year is None
    with pytest.raises(InputError) as caught:
        parse_scenario('rest_of_year = "the shed"\n' + STARTER)
    assert '"route again"' in caught.value.mistakes[0]


@pytest.mark.parametrize(("chemistry", "on_float", "soc"), [("lfp", "false", 0.5), ("agm", "false", 1.0), ("lfp", "true", 1.0)])
def test_a_storage_says_what_it_takes(chemistry, on_float, soc):
    scenario = read(chemistry=chemistry, rest=f"\n[rest_of_year]\nstorage = {{ on_float = {on_float} }}\n")
    assert scenario.rest_of_year.soc == soc
    assert scenario.rest_of_year.temp_c == 15.0
    assert any("Stored at" in sentence for sentence in scenario.defaults_used)


def test_capacities_of_a_sheet_in_either_order():
    rising = read("capacities = [[1, 66], [5, 89], [20, 100]]", chemistry="agm").bank
    falling = read("capacities = [[20, 100], [5, 89], [1, 66]]", chemistry="agm").bank
    assert rising.capacities == falling.capacities == ((1.0, 66.0), (5.0, 89.0), (20.0, 100.0))


def test_a_sheet_is_label_enough():
    scenario = read("capacities = [[5, 89], [10, 95], [20, 100]]", unit="", chemistry="agm")
    assert scenario.bank.unit_ah == 100.0
    assert any("100 Ah, its capacity in 20 h" in sentence for sentence in scenario.defaults_used)


@pytest.mark.parametrize(("chemistry", "age_years", "soh"), [("lfp", 4, 0.915), ("agm", 2.5, 0.9), ("gel", 6.5, 0.8)])
def test_age_alone_tells_a_state_of_health(chemistry, age_years, soh):
    scenario = read(f"age_years = {age_years}", chemistry=chemistry)
    assert scenario.bank.soh_start == pytest.approx(soh, abs=1e-9)
    assert any(f"After {age_years:g} years" in sentence for sentence in scenario.defaults_used)
    assert read(f"age_years = {age_years}\nsoh_start = 0.95", chemistry=chemistry).bank.soh_start == 0.95


def test_odd_but_possible_is_a_note():
    assert any("worn out" in note for note in read("age_years = 20").notes)
    assert any("warranty" in note for note in read("warranty_years = 20").notes)
    assert any("sulphation" in note for note in read(chemistry="agm", rest="\n[rest_of_year]\nstorage = { soc = 0.4 }\n").notes)
    assert any("ages faster" in note for note in read(rest="\n[rest_of_year]\nstorage = { soc = 1.0 }\n").notes)


def test_chargers_set_above_what_the_electronics_allow_are_told():
    (note,) = [note for note in read("absorb_v = 14.6\ncharge_max_v = 14.5").notes if "will not fill up" in note]
    assert "the chargers are set to 14.6 V, the electronics of one unit end charging at 14.5 V" in note
    assert not [note for note in read("absorb_v = 14.5\ncharge_max_v = 14.5").notes if "will not fill up" in note]


def test_voltages_of_electronics_at_their_bounds():
    """0 is a unit without electronics; the rest voltages themselves are out of bounds."""
    bare = read("cutoff_v = 0\ncharge_max_v = 0").bank
    assert (bare.cutoff_v, bare.charge_max_v) == (0.0, 0.0)
    assert not any("The electronics end supply" in sentence for sentence in read("cutoff_v = 0").defaults_used)
    assert any("The electronics end supply at 10.4 V" in sentence for sentence in read().defaults_used)


@pytest.mark.parametrize("chemistry", ["lfp", "agm", "gel", "flooded"])
def test_every_chemistry_can_be_written_and_is_described(chemistry):
    assert any(chemistry in line.lower() for line in describe(read(chemistry=chemistry)))


@pytest.mark.parametrize(("label", "meant"), [("lithium", "lfp"), ("LiFePO4", "lfp"), ("wet", "flooded")])
def test_the_word_on_the_label_leads_to_the_chemistry(label, meant):
    with pytest.raises(InputError) as found:
        parse_scenario(STARTER.replace('chemistry = "lfp"', f'chemistry = "{label}"', 1))
    (mistake,) = found.value.mistakes
    assert mistake.endswith(f'got "{label}". Did you mean "{meant}"?')
