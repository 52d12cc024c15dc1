"""The same scenario, seed and version give the same bytes; and every output says what it was made from."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from simulator import battery
from simulator.cli import main
from simulator.studies import life, odds, stretch
from simulator.version import package_version

ROOT = Path(__file__).resolve().parents[1]
TRIP = """
title = "Two places, drawn years"
seed = 7
[vehicle]
standing_draw_w = 3
[bank]
chemistry = "agm"
unit_ah = 90
unit_price = 200
place = "inside"
[[array]]
panel = { p_w = 120, price = 90 }
controller = { kind = "mppt", max_charge_a = 20 }
[[appliance]]
name = "fridge"
kind = "fridge"
power_w = 45
duty_frac = 0.4
[weather]
sample = "greensboro"
[[stop]]
name = "Wood"
latitude_deg = 36.1
longitude_deg = -79.9
arrive = 2026-03-06
depart = 2026-03-12
[[stop]]
name = "Shore"
latitude_deg = 36.4
longitude_deg = -79.2
arrive = 2026-03-12
depart = 2026-03-18
[[variant]]
name = "two of them"
set = { "bank.in_parallel" = 2 }
"""
COMMANDS = {
    "run": ("run", "trip.toml", "--json", "--out", "out"),
    "odds": ("odds", "trip.toml", "--years", "12", "--json"),
    "stretch": ("stretch", "trip.toml", "--stop", "1", "--spell", "3", "--years", "8", "--json"),
    "life": ("life", "trip.toml", "--json"),
    "size": ("size", "trip.toml", "--in-parallel", "1-3", "--years", "4", "--json", "--out", "out"),
    "compare": ("compare", "trip.toml", "--years", "4", "--json", "--out", "out"),
    "remedies": ("remedies", "trip.toml", "--years", "2", "--json", "--out", "out"),
    "budget": ("budget", "trip.toml", "--years", "3", "--json", "--csv", "out/budget.csv"),
    "dates": ("dates", "trip.toml", "--weeks", "-2..2", "--step", "2", "--years", "4", "--json", "--csv", "out/dates.csv"),
    "worksheet": ("worksheet", "trip.toml", "--years", "3", "--json"),
}


@pytest.fixture
def trip(tmp_path, monkeypatch):
    (tmp_path / "trip.toml").write_text(TRIP, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def outputs(folder: Path, command: tuple[str, ...], capsys) -> dict[str, bytes]:
    """What a command prints, and the files it leaves."""
    assert main(list(command)) == 0
    printed = {"printed": capsys.readouterr().out.encode()}
    written = {path.name: path.read_bytes() for path in sorted((folder / "out").glob("*"))}
    assert bool(written) == ("--out" in command or "--csv" in command)
    return printed | written


@pytest.mark.parametrize("command", COMMANDS)
def test_threads_change_no_byte(trip, monkeypatch, capsys, command):
    """One, two and five threads, and blocks of lanes of several sizes, wherever lanes are walked."""
    walk = battery.walk
    told = []

    def walk_with(count: int) -> Callable[..., battery.Walk]:
        def walker(*args: Any, **more: Any) -> battery.Walk:
            told.append(count)
            return walk(*args, **(more | {"threads": count}))

        return walker

    for threads in (1, 2, 5):
        monkeypatch.setattr(battery, "walk", walk_with(threads))
        found = outputs(trip, COMMANDS[command], capsys)
        if threads == 1:
            first = found
        assert found == first, f"{command} with {threads} threads"
    assert set(told) == {1, 2, 5}


def test_processes_with_other_hash_seeds_locales_and_zones_change_no_byte(trip):
    """What iterates over a set, asks the locale or reads the clock of the machine would show here."""
    found = []
    for number, own in enumerate(
        ({"PYTHONHASHSEED": "1", "TZ": "UTC"}, {"PYTHONHASHSEED": "4242", "TZ": "Asia/Tokyo", "LC_ALL": "C"})
    ):
        env = {name: value for name, value in os.environ.items() if not name.startswith("LC_")}
        printed = subprocess.run(
            [sys.executable, "-c", EACH, f"all{number}"],
            cwd=trip,
            env=env | {"PYTHONPATH": str(ROOT), "PYTHONUTF8": "1"} | own,
            capture_output=True,
            check=True,
        ).stdout
        files = sorted(path for path in (trip / f"all{number}").rglob("*") if path.is_file())
        found.append({"printed": printed} | {str(path.relative_to(trip / f"all{number}")): path.read_bytes() for path in files})
    assert len(found[0]) == 1 + 4 + 4 + 4 + 3 + 1 + 1, sorted(found[0])
    assert found[0].keys() == found[1].keys()
    assert [name for name in found[0] if found[0][name] != found[1][name]] == []


EACH = f"""
import sys
from simulator.cli import main
for command in {list(COMMANDS.values())}:
    here = sys.argv[1] + "/" + command[0]
    status = main([word.replace("out", here, 1) if word.startswith("out") else word for word in command])
    if status:
        sys.exit(status)
"""


def test_the_past_of_a_process_changes_no_byte(trip, capsys):
    """Another scenario in between, with another seed, leaves nothing behind."""
    first = outputs(trip, COMMANDS["odds"], capsys)
    (trip / "other.toml").write_text(TRIP.replace("seed = 7", "seed = 8").replace("unit_ah = 90", "unit_ah = 200"))
    assert main(["odds", "other.toml", "--years", "5", "--json"]) == 0
    assert main(["life", "other.toml", "--json"]) == 0
    capsys.readouterr()
    assert outputs(trip, COMMANDS["odds"], capsys) == first


def test_another_seed_is_another_answer(trip, capsys):
    """Or the tests above would show nothing."""
    first = json.loads(outputs(trip, COMMANDS["odds"], capsys)["printed"])
    other = json.loads(outputs(trip, (*COMMANDS["odds"], "--seed", "99"), capsys)["printed"])
    assert (first["seed"], other["seed"]) == (7, 99)
    assert first["missed_wh_mean"] != other["missed_wh_mean"]


def words_in(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_answer_says_what_it_was_made_from(trip, capsys, command):
    """Version, seed, the scenario's checksum, and the weather with its own."""
    found = json.loads(outputs(trip, COMMANDS[command], capsys)["printed"])
    assert found["flatdays"] == package_version()
    # A comparison may be of several files: each design names its own.
    checksums = [each["scenario_sha256"] for each in (found["designs"] if command == "compare" else [found])]
    assert checksums and set(checksums) == {hashlib.sha256(TRIP.encode()).hexdigest()}
    assert found["seed"] == 7
    sources = found.get("weather", found.get("source"))
    assert sources and all(re.search(r"checksum [0-9a-f]{12}", source) for source in sources), sources
    assert "/tmp" not in words_in(found) and str(trip) not in words_in(found)


def test_the_page_and_the_tables_of_a_run_go_with_their_summary(trip, capsys):
    """The tables hold numbers alone; the summary beside them says what they come from, and the page says it by itself."""
    found = outputs(trip, COMMANDS["run"], capsys)
    assert sorted(found) == ["days.csv", "hours.csv", "printed", "report.html", "summary.json"]
    assert found["summary.json"] == found["printed"]
    page = found["report.html"].decode()
    for word in (package_version(), hashlib.sha256(TRIP.encode()).hexdigest(), *json.loads(found["printed"])["weather"]):
        assert word in page, word
    for name, data in found.items():
        text = data.decode()
        assert str(trip) not in text and not re.search(r"\b(nan|NaN|inf|Infinity)\b", text), name


@pytest.mark.parametrize("command", [name for name, command in COMMANDS.items() if "--out" in command and name != "run"])
def test_the_page_of_a_study_says_what_it_was_made_from(trip, capsys, command):
    found = outputs(trip, COMMANDS[command], capsys)
    summary = json.loads(found["printed"])
    assert json.loads(found[f"{command}.json"]) == summary
    page = found[f"{command}.html"].decode()
    sources = summary.get("weather", summary.get("source"))
    for word in (package_version(), hashlib.sha256(TRIP.encode()).hexdigest(), "seed 7", *sources):
        assert word in page, word
    for name, data in found.items():
        text = data.decode()
        assert str(trip) not in text and not re.search(r"\b(nan|NaN|inf|Infinity)\b", text), name


def test_the_checksum_of_a_weather_file_follows_its_content(trip, capsys):
    from tests.weather_texts import weather_texts

    data = weather_texts()["epw"]
    seen = set()
    for name, content in (("a.epw", data), ("b.epw", data.replace(b"COMMENTS 2,-", b"COMMENTS 2,x"))):
        (trip / name).write_bytes(content)
        (trip / "trip.toml").write_text(TRIP.replace('sample = "greensboro"', f'file = "{name}"'))
        (source,) = json.loads(outputs(trip, ("run", "trip.toml", "--json"), capsys)["printed"])["weather"]
        assert source.endswith(f"from {name}, checksum {hashlib.sha256(content).hexdigest()[:12]}")
        seen.add(source[-12:])
    assert len(seen) == 2


def test_studies_look_for_the_walk_where_it_is_replaced_here():
    """If a study took the function itself along, the test of threads would not reach it."""
    for study in (odds, life, stretch):
        assert not hasattr(study, "walk")
