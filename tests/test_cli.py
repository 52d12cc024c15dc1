"""The command as a person meets it: exit status, one sentence a mistake, nothing half-written."""

from __future__ import annotations

import io
import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from simulator.cli import build_parser, main
from simulator.cli.shared import NO_UNITS
from simulator.errors import InputError
from simulator.scenario import parse_scenario, read_scenario, starter_text

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
    assert max(map(len, lines)) <= 100


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


# ---- what people read ----

PARSER = build_parser()
SUBPARSERS = PARSER._subparsers._group_actions[0].choices
HELP = {choice.dest: choice.help for choice in PARSER._subparsers._group_actions[0]._choices_actions}


def examples_in(text):
    """Commands in an epilog; what follows two blanks is a remark, what follows > a file."""
    lines = [line.strip() for line in text.splitlines() if line.startswith("  flatdays ")]
    return [re.split(r"\s{2,}|\s>\s", line)[0] for line in lines]


@pytest.mark.parametrize("command", sorted(SUBPARSERS))
def test_every_command_has_a_purpose_in_a_line_and_an_example_that_parses(command, capsys):
    purpose = HELP[command]
    assert purpose and purpose[0].islower() and not purpose.endswith(".")
    assert len(purpose) <= 110, purpose
    found = examples_in(SUBPARSERS[command].format_help())
    assert found, f"{command} has no example in its help"
    for line in found:
        words = shlex.split(line)[1:]
        assert words[0] == command
        assert build_parser().parse_args(words).command == command


def test_the_examples_of_the_main_help_parse():
    found = examples_in(PARSER.format_help())
    assert len(found) >= 7
    for line in found:
        build_parser().parse_args(shlex.split(line)[1:])


@pytest.mark.parametrize("command", sorted(set(SUBPARSERS) - NO_UNITS))
def test_every_command_that_prints_for_a_person_takes_units(command):
    (units,) = [action for action in SUBPARSERS[command]._actions if "--units" in action.option_strings]
    assert list(units.choices) == ["metric", "us"]


def test_us_units_where_a_person_reads_and_never_in_files(tmp_path, capsys, monkeypatch):
    monkeypatch.delenv("FLATDAYS_UNITS", raising=False)
    assert main(["run", str(BLOOM), "--assumptions"]) == 0
    metric = capsys.readouterr().out
    assert main(["run", str(BLOOM), "--assumptions", "--units", "us", "--out", str(tmp_path / "us"), "--no-page"]) == 0
    us = capsys.readouterr().out
    assert "No charging below 0 C" in metric and "No charging below 32 F" in us
    assert "112 km" in metric and "70 mi" in us and "75 km/h" not in us
    assert not re.search(r"\d C\b(?! \(common practice, no source: 0\.2)", us.replace("0.5 C", ""))
    assert main(["run", str(BLOOM), "--out", str(tmp_path / "metric"), "--no-page"]) == 0
    capsys.readouterr()
    for file in sorted((tmp_path / "us").iterdir()):
        assert file.read_bytes() == (tmp_path / "metric" / file.name).read_bytes()
    monkeypatch.setenv("FLATDAYS_UNITS", "us")
    assert main(["run", str(BLOOM), "--assumptions"]) == 0
    assert capsys.readouterr().out == us.replace(f"\nWritten to {tmp_path / 'us'}: summary.json, days.csv, hours.csv\n", "")
    assert main(["run", str(BLOOM), "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == json.loads((tmp_path / "metric" / "summary.json").read_text("utf-8"))


def test_units_that_are_none_are_refused_by_option_and_by_variable(capsys, monkeypatch):
    with pytest.raises(SystemExit) as stopped:
        main(["run", str(WORKSHEET), "--units", "imperial"])
    assert stopped.value.code == 2
    monkeypatch.setenv("FLATDAYS_UNITS", "imperial")
    assert main(["run", str(WORKSHEET)]) == 2
    assert 'FLATDAYS_UNITS: expected "metric" or "us", got "imperial"' in capsys.readouterr().err
    assert main(["schema"]) == 0
    capsys.readouterr()


@pytest.mark.parametrize("command", ["run", "odds", "life", "check", "stretch"])
@pytest.mark.parametrize("columns", [40, 64, 100])
def test_no_line_is_wider_than_the_terminal(command, columns, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", str(columns))
    more = {"odds": ["--years", "2"], "stretch": ["--stop", "1"]}.get(command, [])
    assert main([command, str(BLOOM), *more]) == 0
    out = capsys.readouterr().out
    # A word that is longer than the line may stand out of it: keys, and names of files.
    wide = [line for line in out.splitlines() if len(line) > columns and len(line.split()) > 1]
    assert not wide
    assert "\x1b" not in out


def test_colour_on_a_terminal_says_nothing_that_the_words_do_not(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    said = {}
    for name, variables in {"colour": {}, "plain": {"NO_COLOR": "1"}}.items():
        stream = Terminal()
        with monkeypatch.context() as patch:
            patch.setattr("sys.stdout", stream)
            patch.setenv("COLUMNS", "80")
            patch.setenv("TERM", "xterm")
            patch.delenv("NO_COLOR", raising=False)
            for variable, value in variables.items():
                patch.setenv(variable, value)
            assert main(["run", str(WORKSHEET)]) == 0
        said[name] = stream.getvalue()
    assert "\x1b[1;31mThis bank (4 x 100 Ah LFP) runs flat" in said["colour"]
    assert "\x1b" not in said["plain"]
    assert re.sub(r"\x1b\[[\d;]*m", "", said["colour"]) == said["plain"]


def test_the_few_assumptions_that_decide_come_with_their_key_and_the_rest_on_request(capsys):
    assert main(["run", str(BLOOM)]) == 0
    few = capsys.readouterr().out
    assert main(["run", str(BLOOM), "--assumptions"]) == 0
    every = capsys.readouterr().out
    keys = re.findall(r"^  - (\[\[?[\w.]+\]\]?(?: [\w, ]+)?): ", every, re.MULTILINE)
    taken = read_scenario(BLOOM).defaults_used
    assert len(keys) == len(taken) > 8
    shown = re.findall(r"^  - (\[\[?[\w.]+\]\]?(?: [\w, ]+)?): ", few, re.MULTILINE)
    assert shown == keys[: len(shown)] and 3 <= len(shown) <= 5
    assert f"{len(taken) - len(shown)} more were taken: --assumptions lists all of them" in few
    assert "more were taken" not in every


def test_when_the_cold_acted_its_limit_is_the_first_assumption(capsys):
    assert main(["run", str(ROOT / "scenarios" / "winter-survey-greensboro.toml")]) == 0
    first = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("  - ["))
    assert first.startswith("  - [bank] charge_min_c")


def test_check_says_where_weather_hours_and_hookups_come_from(tmp_path, capsys):
    assert main(["check", str(ROOT / "scenarios" / "channel-autumn.toml")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "every 14th night (6 of 84 nights)" in said
    assert "drawn from the normals of London/Gatwick: 51 km away" in said
    assert "4 h a day in 12:00-23:00, once the sun is down" in said
    file = tmp_path / "far.toml"
    file.write_text(BLOOM.read_text("utf-8").replace("latitude_deg = 25.47", "latitude_deg = 38.47"), encoding="utf-8")
    assert main(["check", str(file), "--units", "us"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "sample miami: Miami, Florida, 876 mi away (that is another climate" in said


def test_a_nearest_place_is_named_by_check_and_one_that_is_none_names_the_file(tmp_path, capsys):
    file = tmp_path / "near.toml"
    file.write_text(starter_text().replace('sample = "greensboro"', 'normals = "nearest"'), encoding="utf-8")
    assert main(["check", str(file)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "drawn from the normals of the nearest place: GREENSBORO PIEDMONT TRIAD INT, 0 km away" in said
    file.write_text(starter_text().replace('sample = "greensboro"', 'normals = "Atlantis Harbour"'), encoding="utf-8")
    for command in ("check", "run"):
        assert main([command, str(file)]) == 2
        lines = capsys.readouterr().err.splitlines()
        assert [line[:17] for line in lines] == ["near.toml: stop 1", "near.toml: stop 2"]
        assert all("expected a place of the table of normals" in line for line in lines)


def test_places_of_the_table_are_listed_in_order(capsys):
    assert main(["normals", "--places"]) == 0
    names = [line.split("  ")[1] for line in capsys.readouterr().out.splitlines()[1:]]
    assert names == sorted(names, key=str.casefold)
    assert len(names) > 25
    assert main(["normals"]) == 0
    said = capsys.readouterr().out
    assert all(name in said for name in names)
    assert "How to ask" in said and 'weather = { normals = "nearest" }' in said and "flatdays normals place.epw" in said


def test_normals_of_a_place_of_the_table_by_its_name(capsys):
    assert main(["normals", "london"]) == 0
    found = tomllib.loads(capsys.readouterr().out)["weather"]["normals"]
    assert len(found["kt"]) == 12
    assert main(["normals", "Atlantis"]) == 2
    said = capsys.readouterr().err
    assert (
        "there is no such file, and no one place of this name comes along" in said and "flatdays normals lists the places" in said
    )
    assert main(["normals", "atlantis.epw"]) == 2
    assert "atlantis.epw" in capsys.readouterr().err


def test_what_to_fetch_names_the_file(tmp_path, capsys):
    file = tmp_path / "my trip.toml"
    file.write_text(starter_text().replace('sample = "greensboro"', "years = [2019, 2020]"), encoding="utf-8")
    for arguments in (["run"], ["fetch", "--offline"]):
        assert main([arguments[0], str(file), *arguments[1:]]) == 3
        printed = capsys.readouterr().err
        assert f"flatdays fetch '{file}' --years 2019-2020" in printed
        assert "SCENARIO" not in printed


def test_a_day_outside_the_stay_is_said(capsys):
    assert main(["stretch", str(BLOOM), "--stop", "1", "--date", "2026-12-20"]) == 0
    assert "20 December 2026 lies outside the stay at Citrus grove, Homestead" in " ".join(capsys.readouterr().out.split())
    assert main(["stretch", str(BLOOM), "--stop", "1", "--date", "2026-12-20", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["within_stay"] is False
    assert main(["stretch", str(BLOOM), "--stop", "1"]) == 0
    assert "outside" not in capsys.readouterr().out


def test_an_unknown_key_lists_a_few_and_says_where_all_are(tmp_path, capsys):
    file = tmp_path / "keys.toml"
    file.write_text(WORKSHEET.read_text("utf-8").replace("[bank]", "[bank]\nzzz = 1"), encoding="utf-8")
    assert main(["check", str(file)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert len(line) < 300
    assert "in all; flatdays schema lists them" in line


@pytest.mark.parametrize(
    ("written", "days"),
    [
        ('"weekend"', {5, 6}),
        ('["weekend", "mon"]', {0, 5, 6}),
        ('"Weekdays"', {0, 1, 2, 3, 4}),
        ('"every day"', set(range(7))),
        ('"working-days"', {0, 1, 2, 3, 4}),
        ('["Monday"]', {0}),
    ],
)
def test_words_for_days(written, days):
    text = starter_text().replace("\nhours_per_day = 4", f"\nhours_per_day = 4\ndays = {written}", 1)
    lights = next(appliance for appliance in parse_scenario(text).appliances if appliance.name == "lights")
    assert lights.weekdays == days


def test_words_that_are_no_days_get_a_hint():
    with pytest.raises(InputError, match=r'got "weekedn"\. Did you mean "weekend"'):
        parse_scenario(starter_text().replace("\nhours_per_day = 4", '\nhours_per_day = 4\ndays = "weekedn"', 1))


@pytest.mark.parametrize(
    ("zone", "words"),
    [
        ("CEST", "Write the zone of a city"),
        ("GMT+1", "Write the zone of a city"),
        # POSIX, and the zone data base after it, count hours behind Greenwich: Etc/GMT-5 is five hours ahead.
        (
            "UTC+5",
            'Did you mean "Etc/GMT-5", which is 5 h ahead of UTC all year (in such names the sign is the other way round)?',
        ),
        ("utc -03:00", 'Did you mean "Etc/GMT+3", which is 3 h behind UTC all year'),
        ("+14", 'Did you mean "Etc/GMT-14"'),
        ("UTC+15", "Write the zone of a city"),
        ("UTC+5:30", "Write the zone of a city"),
        ("GMT-00", 'Did you mean "Etc/UTC"?'),
        ("Lissabon", 'Did you mean "Europe/Lisbon"?'),
        ("new york", 'Did you mean "America/New_York"?'),
        ("Europe/Berln", 'Did you mean "Europe/Berlin"?'),
    ],
)
def test_zones_as_people_write_them(zone, words):
    text = starter_text().replace("longitude_deg = -79.95", f'zone = "{zone}"\nlongitude_deg = -79.95', 1)
    with pytest.raises(InputError) as caught:
        parse_scenario(text)
    assert words in str(caught.value)


def test_the_page_of_a_run_is_in_the_units_that_were_asked_for(tmp_path, capsys):
    pages = {}
    for units in ("metric", "us"):
        assert main(["run", str(BLOOM), "--out", str(tmp_path / units), "--units", units]) == 0
        pages[units] = (tmp_path / units / "report.html").read_text("utf-8")
    capsys.readouterr()
    assert "32 F" in pages["us"] and "32 F" not in pages["metric"]
    assert "70 mi" in pages["us"] and "112 km" in pages["metric"]
