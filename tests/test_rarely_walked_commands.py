"""Options of the commands that are seldom given, answers that are seldom typed, and outputs that go somewhere else."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import pytest

from simulator.cli import main, shared
from simulator.cli import new as new_command
from simulator.errors import InputError
from simulator.scenario import places, read_scenario

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
WORKSHEET = SCENARIOS / "worksheet.toml"
BLOOM = SCENARIOS / "bloom-route.toml"
BOAT = SCENARIOS / "channel-autumn.toml"
TOWN = {"country": "PT", "region": "08", "latitude_deg": 38.5, "longitude_deg": -7.9, "people": 50_000}
SHORT = """
title = "Short stay"
[bank]
chemistry = "lfp"
unit_ah = 60
unit_price = 100
unit_kg = 12
[[array]]
name = "roof"
panel = { p_w = 60, price = 50, kg = 4, area_m2 = 0.4 }
controller = { kind = "mppt" }
[[appliance]]
name = "all"
wh_per_day = 90
[[stop]]
name = "Field"
latitude_deg = 51.2
longitude_deg = -0.3
elevation_m = 60
arrive = 2026-09-01
depart = 2026-09-06
weather = { normals = "London/Gatwick" }
[size]
in_parallel = [1, 2]
years = 4
"""


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def short(tmp_path):
    file = tmp_path / "short.toml"
    file.write_text(SHORT, encoding="utf-8")
    return file


def printed(capsys, *arguments, status=0):
    assert main([str(argument) for argument in arguments]) == status
    return capsys.readouterr()


# ---- new ----


@pytest.mark.parametrize(
    ("flag", "value", "words"),
    [
        ("--from", "1890-05-01", "expected a date from 1950 to 2097, got 1890-05-01"),
        ("--appliances", " , ", "expected at least one appliance, got none"),
        ("--at", " ", "expected 1 to 20 places, got 0"),
    ],
)
def test_new_refuses_with_a_sentence(tmp_path, capsys, flag, value, words):
    file = tmp_path / "trip.toml"
    assert words in printed(capsys, "new", file, "--yes", flag, value, status=2).err
    assert not file.exists()


def test_new_takes_the_usual_answer_after_many_that_cannot_be(tmp_path, capsys, monkeypatch):
    """Answers that cannot be used, again and again: the usual one is taken, and said."""
    answers = iter(["penguin\n"] * new_command.MOST_TRIES)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(readline=lambda: next(answers, "\n"), isatty=lambda: True))
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    file = tmp_path / "trip.toml"
    assert main(["new", str(file)]) == 0
    assert terminal.getvalue().count("Taken for now: ") == 1
    assert read_scenario(file).bank.chemistry == "lfp"


def test_new_takes_a_town_by_its_name(tmp_path, capsys, monkeypatch):
    town = places.Town(name="Vila", **TOWN)
    monkeypatch.setattr(
        places, "find_town", lambda text, path, desk: town if text.startswith("Vila") else desk.mistake(path, "a town", text)
    )
    file = tmp_path / "trip.toml"
    printed(capsys, "new", file, "--yes", "--at", "Vila, PT")
    (stop,) = read_scenario(file).stops
    assert (stop.name, stop.latitude_deg, stop.longitude_deg) == ("Vila", 38.5, -7.9)
    assert f"{places.Town(name='Vila', **TOWN).said} (GeoNames)" in file.read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    assert "--at: expected a town" in printed(capsys, "new", other, "--yes", "--at", "Nowhere", status=2).err
    assert not other.exists()


def test_new_never_overwrites_a_file_that_came_meanwhile(tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="left as it is"):
        new_command._write(file, "another")
    assert file.read_text(encoding="utf-8") == "mine"


# ---- check, odds, stretch, size ----


def test_check_judges_what_was_measured(tmp_path, capsys):
    text = (
        WORKSHEET.read_text(encoding="utf-8").replace("wh_per_day = 1550", 'profile = "watts.csv"').replace("power_w = 200\n", "")
    )
    file = tmp_path / "trip.toml"
    file.write_text(text, encoding="utf-8")
    watts = tmp_path / "watts.csv"
    rows = [f"2026-01-0{1 + hour // 24} {hour % 24:02d}:00,{50}" for hour in range(49)]
    watts.write_text("\n".join(["time,w", *rows]), encoding="utf-8")
    printed(capsys, "check", file)
    watts.write_text("time,w\nnoon,much\n", encoding="utf-8")
    assert "watts.csv" in printed(capsys, "check", file, status=2).err


def test_odds_with_an_appliance_added(short, capsys):
    out = printed(capsys, "odds", short, "--years", 3, "--add", "5 W, 1 h").out
    assert out.startswith('With "5 W, 1 h" added: no flat day in ')
    assert re.search(r"It could run .* a day without a flat day in at least 90 ?% of the years", " ".join(out.split()))
    found = json.loads(printed(capsys, "odds", short, "--years", 3, "--add", "5 W, 1 h", "--json").out)
    assert found["years"] == 3
    assert found["added"]["appliances"][0]["text"] == "5 W, 1 h"


def test_budget_with_an_appliance_added_as_numbers(capsys):
    found = json.loads(printed(capsys, "budget", WORKSHEET, "--add", "5 W, 1 h", "--json").out)
    assert found["whole_trip"]["budget_wh_per_day"] > 0.0
    assert found["added"]["appliances"][0]["text"] == "5 W, 1 h"


def test_stretch_asks_which_stop(capsys):
    found = printed(capsys, "stretch", BLOOM, status=2)
    assert found.out == ""
    assert "--stop: expected the number or the name of a stop, got none. The stops are 1 " in found.err


def test_size_by_workers_gives_the_same_and_lets_them_go(short, tmp_path, capsys, monkeypatch):
    """A thread stands in for the processes, which other tests start; they must be fresh ones, as the loop survives no fork."""
    asked = []

    class Worker(ThreadPoolExecutor):
        def __init__(self, workers, mp_context):
            super().__init__(1)
            asked.append((workers, mp_context.get_start_method()))

        def shutdown(self, wait=True, *, cancel_futures=False):
            asked.append(("shut", cancel_futures))
            super().shutdown(wait, cancel_futures=cancel_futures)

    alone, both = (tmp_path / f"{name}.csv" for name in ("alone", "both"))
    here = printed(capsys, "size", short, "--json", "--csv", alone).out
    monkeypatch.setattr("concurrent.futures.ProcessPoolExecutor", Worker)
    there = printed(capsys, "size", short, "--json", "--workers", 2, "--csv", both).out
    assert asked == [(2, "spawn"), ("shut", True)]
    assert json.loads(here) == json.loads(there)
    assert alone.read_bytes() == both.read_bytes()


def test_size_that_cannot_write_its_table_leaves_nothing(tmp_path):
    from simulator.cli.size import _write_table

    pytest.importorskip("pyarrow")
    target = tmp_path / "table.parquet"
    (target / "inside").mkdir(parents=True)
    with pytest.raises(InputError, match="could not be written"):
        _write_table(target, [{"design": 1}])
    assert [path.name for path in tmp_path.iterdir()] == ["table.parquet"]


def test_a_picture_folder_is_not_told_among_numbers(tmp_path, capsys):
    folder = tmp_path / "pictures"
    found = json.loads(printed(capsys, "run", WORKSHEET, "--plots", folder, "--json").out)
    assert found["days"] == 5
    assert list(folder.iterdir())


@pytest.mark.parametrize("command", ["compare", "remedies"])
def test_a_table_that_is_written_is_told(command, tmp_path, capsys):
    table = tmp_path / "table.csv"
    source = tmp_path / "trip.toml"
    variant = '[[variant]]\nname = "more"\nset = { "bank.in_parallel" = 5 }\n' if command == "compare" else ""
    source.write_text(WORKSHEET.read_text(encoding="utf-8") + variant, encoding="utf-8")
    more = ["--source", "written"] if command == "compare" else []
    assert f"Written: {table}" in printed(capsys, command, source, *more, "--csv", table).out.splitlines()
    assert len(table.read_text(encoding="utf-8").splitlines()) > 1


# ---- what a terminal sees, and faults ----


def test_progress_is_for_a_person_only(monkeypatch):
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    assert shared.progress("years") is None
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    show = shared.progress("years")
    show(3, 10)
    assert terminal.getvalue() == "\r3 of 10 years"
    show(10, 10)
    # The line is wiped at the end.
    assert terminal.getvalue().endswith("\r" + " " * 40 + "\r")


def test_a_fault_of_ours_is_shown_whole_on_request(monkeypatch, capsys):
    def broken(*_, **__):
        raise RuntimeError("of ours")

    monkeypatch.setattr("simulator.engine.simulate", broken)
    monkeypatch.delenv("FLATDAYS_DEBUG", raising=False)
    status = main(["run", str(WORKSHEET)])
    assert status not in (0, 2)
    assert "A fault of ours (RuntimeError: of ours)" in capsys.readouterr().err
    monkeypatch.setenv("FLATDAYS_DEBUG", "1")
    with pytest.raises(RuntimeError, match="of ours"):
        main(["run", str(WORKSHEET)])


def test_a_pager_that_is_closed_is_no_fault(tmp_path):
    """The reader goes away before anything is written: status 0, and not a word on the error stream."""
    program = (
        "import sys\nfrom simulator.cli import main, shared\n"
        "def gone(*_, **__):\n    raise BrokenPipeError\n"
        "sys.modules['simulator.cli.check']._check = gone\n"
        "import argparse\n"
        "from simulator import cli\n"
        "parser = cli.build_parser()\n"
        "cli.build_parser = lambda: parser\n"
        "usual = parser.parse_args\n"
        "def parse(arguments=None):\n    found = usual(arguments)\n    found.act = gone\n    return found\n"
        "parser.parse_args = parse\n"
        f"sys.exit(main(['check', {str(WORKSHEET)!r}]))\n"
    )
    root = str(SCENARIOS.parent)
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        check=False,
        cwd=root,
        env=os.environ | {"PYTHONPATH": root},
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
