"""The command as a person meets it: exit status, one sentence a mistake, nothing half-written."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from simulator.cli import main

ROOT = Path(__file__).resolve().parents[1]
WORKSHEET = ROOT / "scenarios" / "worksheet.toml"
BLOOM = ROOT / "scenarios" / "bloom-route.toml"

SUMMARY_KEYS = {
    "scenario",
    "days",
    "flat_days",
    "outages",
    "thin_days",
    "harvest_ratio",
    "if_load_plus_20_pct",
    "if_sun_minus_15_pct",
    "lowest_soc",
    "missed_wh",
    "load_wh",
    "solar_offered_wh",
    "solar_used_wh",
    "full_cycles_per_year",
    "counted_cycles_per_year",
    "life_years",
    "ledger",
}
HOUR_COLUMNS = {
    "utc",
    "local",
    "stop",
    "load_w",
    "solar_offered_w",
    "solar_used_w",
    "other_charge_w",
    "bank_w",
    "bus_v",
    "soc",
    "cell_c",
    "temp_air",
    "spilled_w",
    "missed_w",
}
DAY_COLUMNS = {
    "date",
    "stop",
    "load_wh",
    "solar_offered_wh",
    "solar_used_wh",
    "missed_wh",
    "dark_h",
    "lowest_soc",
    "flat",
    "thin",
    "cause",
}


def test_run_prints_the_verdict_before_everything_else(capsys):
    assert main(["run", str(WORKSHEET)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Worksheet: four lithium units, no sun"
    assert lines[2].startswith("This bank (4 x 100 Ah LFP) runs flat on 3 of 5 days, first on 03 June 2026")


def test_json_is_the_summary_and_nothing_else(capsys):
    assert main(["run", str(WORKSHEET), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert set(found) >= SUMMARY_KEYS
    assert found["days"] == 5
    assert [day["date"] for day in found["flat_days"]] == ["2026-06-03", "2026-06-04", "2026-06-05"]


def test_fail_on_flat_has_a_status_of_its_own(capsys):
    assert main(["run", str(WORKSHEET), "--json", "--fail-on-flat"]) == 4
    capsys.readouterr()


def test_files_are_written_whole_and_agree_with_each_other(tmp_path, capsys):
    folder = tmp_path / "deep" / "results"
    assert main(["run", str(BLOOM), "--out", str(folder)]) == 0
    capsys.readouterr()
    assert sorted(path.name for path in folder.iterdir()) == ["days.csv", "hours.csv", "report.html", "summary.json"]
    found = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    days = pd.read_csv(folder / "days.csv", keep_default_na=False)
    hours = pd.read_csv(folder / "hours.csv")
    assert set(days.columns) >= DAY_COLUMNS
    assert set(hours.columns) >= HOUR_COLUMNS
    assert len(days) == found["days"]
    assert days.flat.sum() == len(found["flat_days"])
    assert days.load_wh.sum() == pytest.approx(found["load_wh"], abs=0.1 * len(days))
    assert hours.load_w.sum() == pytest.approx(found["load_wh"], abs=0.01 * len(hours))
    assert hours.missed_w.sum() >= found["missed_wh"] - 0.01 * len(hours)
    assert str(tmp_path) not in (folder / "summary.json").read_text(encoding="utf-8")


def test_same_scenario_gives_the_same_bytes(tmp_path, capsys):
    for name in ("first", "second"):
        assert main(["run", str(BLOOM), "--out", str(tmp_path / name)]) == 0
    capsys.readouterr()
    for path in (tmp_path / "first").iterdir():
        assert path.read_bytes() == (tmp_path / "second" / path.name).read_bytes(), path.name


def test_no_page_leaves_the_page_out(tmp_path, capsys):
    assert main(["run", str(WORKSHEET), "--out", str(tmp_path), "--no-page"]) == 0
    capsys.readouterr()
    assert not (tmp_path / "report.html").exists()


def test_new_writes_a_scenario_that_checks_and_runs(tmp_path, capsys):
    file = tmp_path / "trip.toml"
    assert main(["new", str(file)]) == 0
    assert main(["check", str(file)]) == 0
    assert main(["run", str(file)]) == 0
    capsys.readouterr()
    before = file.read_bytes()
    assert main(["new", str(file)]) == 2
    assert "there already" in capsys.readouterr().err
    assert file.read_bytes() == before


def test_no_command_prints_the_help(capsys):
    assert main([]) == 0
    assert "flatdays run my-trip.toml" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["run", "no-such-file.toml"], "no-such-file.toml"),
        (["run", "."], "folder"),
        (["check", os.devnull], ""),
        (["new", "no-such-folder/trip.toml"], "cannot be written"),
    ],
)
def test_bad_arguments_are_a_sentence_and_status_2(arguments, words, capsys):
    assert main(arguments) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert words in printed.err
    assert "Traceback" not in printed.err


def test_output_folder_that_is_a_file(tmp_path, capsys):
    file = tmp_path / "results"
    file.write_text("keep me")
    for target in (file, file / "below"):
        assert main(["run", str(WORKSHEET), "--out", str(target)]) == 2
        assert "is a file" in capsys.readouterr().err
    assert file.read_text() == "keep me"


def test_output_folder_without_permission(tmp_path, capsys, monkeypatch):
    # The superuser may write anywhere, so the question to the system is answered for it here.
    monkeypatch.setattr("simulator.record.os.access", lambda *_: False)
    assert main(["run", str(WORKSHEET), "--out", str(tmp_path / "locked")]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert not (tmp_path / "locked").exists()


def test_disk_full_leaves_nothing_behind(tmp_path, capsys, monkeypatch):
    def full(self, *_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    assert main(["run", str(WORKSHEET), "--out", str(tmp_path / "results")]) == 2
    assert "No space left on device" in capsys.readouterr().err
    assert not (tmp_path / "results").exists()


def test_a_fault_of_ours_says_so_and_shows_no_traceback(capsys, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError("deep inside")

    monkeypatch.setattr("simulator.engine.simulate", broken)
    assert main(["run", str(WORKSHEET)]) == 70
    printed = capsys.readouterr().err
    assert "A fault of ours (ZeroDivisionError: deep inside)" in printed
    assert "Traceback" not in printed


def test_as_a_real_process_with_a_closed_pipe_and_a_mistake():
    """The installed command itself; a reader that goes away is nobody's fault."""
    done = subprocess.run(
        [sys.executable, "-m", "simulator", "run", "missing.toml"], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.strip().splitlines()) == 1
    piped = subprocess.run(
        f"{sys.executable} -m simulator run {WORKSHEET.name} | head -n 1",
        shell=True,
        capture_output=True,
        text=True,
        check=False,
        cwd=WORKSHEET.parent,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert piped.stdout == "Worksheet: four lithium units, no sun\n"
    assert "Traceback" not in piped.stderr
