"""Files that a scenario names, and stops that its parts refer to: one sentence for whatever is wrong with a name."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from simulator.errors import InputError
from simulator.scenario import parse_scenario

TRIP = """
[bank]
chemistry = "lfp"
unit_ah = 100
[[appliance]]
name = "load"
profile = {name}
[weather]
clear = true
[[stop]]
name = "Glade"
latitude_deg = 45.0
longitude_deg = 7.0
arrive = 2026-03-01
depart = 2026-03-05
"""
DAY = "time,watts\n" + "".join(f"{hour:02d}:00,10\n" for hour in range(24))


def told(folder: Path, name: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_scenario(TRIP.format(name=name), path=folder / "trip.toml")
    (mistake,) = caught.value.mistakes
    return mistake


def test_a_file_beside_the_scenario_is_found(tmp_path):
    (tmp_path / "load.csv").write_text(DAY, encoding="utf-8")
    found = parse_scenario(TRIP.format(name='"load.csv"'), path=tmp_path / "trip.toml")
    assert found.appliances[0].profile == tmp_path / "load.csv"


def test_a_name_that_is_nearly_right(tmp_path):
    (tmp_path / "load.csv").write_text(DAY, encoding="utf-8")
    assert 'got "laod.csv", which is not. Did you mean "load.csv"?' in told(tmp_path, '"laod.csv"')


def test_a_name_that_is_nowhere(tmp_path):
    mistake = told(tmp_path, '"elsewhere/wind.csv"')
    assert mistake.endswith('got "elsewhere/wind.csv", which is not. The name is taken from the folder of the scenario.')
    assert 'appliance 1 "load", profile (line 7)' in mistake


def test_a_folder_instead_of_a_file(tmp_path):
    (tmp_path / "loads").mkdir()
    assert 'got the folder "loads". Name the file in it.' in told(tmp_path, '"loads"')


def test_an_empty_file(tmp_path):
    (tmp_path / "load.csv").touch()
    assert 'got "load.csv", which is empty. Save it again.' in told(tmp_path, '"load.csv"')


def test_a_pipe_is_never_waited_for(tmp_path):
    os.mkfifo(tmp_path / "load.csv")
    assert 'got "load.csv", a device or a pipe.' in told(tmp_path, '"load.csv"')


def test_a_file_that_may_not_be_read(tmp_path, monkeypatch):
    (tmp_path / "load.csv").write_text(DAY, encoding="utf-8")
    whole = Path.open

    def refuse(file, *how, **more):
        if file.name == "load.csv":
            raise PermissionError(13, "Permission denied")
        return whole(file, *how, **more)

    monkeypatch.setattr(Path, "open", refuse)
    assert 'got "load.csv", which may not be read. Give yourself permission to read it.' in told(tmp_path, '"load.csv"')


@pytest.mark.parametrize("name", ['"a\\u0000b.csv"', f'"{"x" * 300}.csv"'])
def test_a_name_that_no_file_can_have(name, tmp_path):
    mistake = told(tmp_path, name)
    assert "profile" in mistake
    assert "a name that no file can have" in mistake or "expected text of one line" in mistake
