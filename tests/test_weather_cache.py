"""Parsed weather on disk: the same year again, faster; and whatever is wrong with an entry, nobody notices."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from simulator.weather import cache as weather_cache
from simulator.weather import read_sample, read_weather_file

DATA = Path(pvlib.__file__).parent / "data"


def _copy(folder: Path, name: str = "year.csv", warm: bool = False) -> Path:
    """Greensboro's year; ``warm``: with 31 C in its 12th hour (16:00 UTC) and one hour of temperature missing."""
    lines = (DATA / "723170TYA.CSV").read_text(encoding="ascii").split("\n")
    if warm:
        column = lines[1].split(",").index("Dry-bulb (C)")
        for line, value in ((13, "31.0"), (1000, "-9900")):
            fields = lines[line].split(",")
            fields[column] = value
            lines[line] = ",".join(fields)
    path = folder / name
    path.write_text("\n".join(lines), encoding="ascii")
    return path


@pytest.fixture
def empty_cache(tmp_path, monkeypatch):
    """A cache with nothing in it."""
    folder = tmp_path / "cache"
    monkeypatch.setenv("FLATDAYS_CACHE", str(folder))
    return folder


def test_a_second_reading_gives_the_same_year_without_the_library(tmp_path, empty_cache):
    path = _copy(tmp_path, warm=True)
    first = read_weather_file(path)
    assert [entry.suffix for entry in empty_cache.iterdir()] == [".npz"]
    code = (
        "import sys\nfrom simulator.weather import read_weather_file\n"
        f"station = read_weather_file({str(path)!r})\n"
        "heavy = {'pvlib', 'scipy', 'numba', 'h5py', 'matplotlib'} & set(sys.modules)\n"
        "print(heavy or 'light', station.source, station.notes, float(station.table.ghi.sum()))"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()
    assert told == f"light {first.source} {first.notes} {float(first.table.ghi.sum())}"
    second = read_weather_file(path)
    pd.testing.assert_frame_equal(first.table, second.table, check_exact=True, check_freq=False)
    assert (first.latitude_deg, first.typical, first.sha256) == (second.latitude_deg, second.typical, second.sha256)


def test_the_same_content_under_another_name_and_other_content_under_the_same(tmp_path, empty_cache):
    first = read_weather_file(_copy(tmp_path, "one.csv"))
    renamed = read_weather_file(_copy(tmp_path, "two.csv"))
    assert renamed.source.endswith(f"from two.csv, checksum {first.sha256[:12]}")
    changed = read_weather_file(_copy(tmp_path, "one.csv", warm=True))
    assert changed.sha256 != first.sha256
    assert changed.table.temp_air.iloc[16] == 31.0 != first.table.temp_air.iloc[16]
    assert read_weather_file(_copy(tmp_path, "one.csv")).table.temp_air.iloc[16] == first.table.temp_air.iloc[16]


def _flip(data: bytes) -> bytes:
    middle = len(data) // 2
    return data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]


@pytest.mark.parametrize(
    "spoil", [lambda _: b"", lambda data: data[:5000], _flip, lambda _: b"not an archive", lambda data: data * 20]
)
def test_a_spoiled_entry_is_read_again_and_mended(tmp_path, empty_cache, spoil):
    path = _copy(tmp_path)
    truth = read_weather_file(path).table
    (entry,) = empty_cache.iterdir()
    good = entry.read_bytes()
    entry.write_bytes(spoil(good))
    pd.testing.assert_frame_equal(read_weather_file(path).table, truth, check_exact=True, check_freq=False)
    assert len(entry.read_bytes()) == len(good)


def test_an_entry_that_another_file_left_under_our_name_is_not_believed(empty_cache):
    greensboro, miami = read_sample("greensboro"), read_sample("miami")
    entries = {entry.name.split("-")[1]: entry for entry in empty_cache.iterdir()}
    entries[miami.sha256].write_bytes(entries[greensboro.sha256].read_bytes())
    assert weather_cache.load(miami.sha256) is None
    assert read_sample("miami").table.temp_air.mean() == miami.table.temp_air.mean()


def test_an_entry_with_true_checksum_and_impossible_shape_is_not_believed(empty_cache):
    weather_cache.store("ab", {"name": "x"}, np.zeros((5, 12)))
    assert len(list(empty_cache.iterdir())) == 1
    assert weather_cache.load("ab") is None


def test_without_a_cache_everything_goes_on(tmp_path, monkeypatch):
    path = _copy(tmp_path)
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where the folder should be")
    for folder in ("", str(blocked), str(blocked / "below")):
        monkeypatch.setenv("FLATDAYS_CACHE", folder)
        assert len(read_weather_file(path).table) == 8760
    assert blocked.read_text() == "a file where the folder should be"

    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path / "full"))

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(np, "savez", full)
    assert len(read_weather_file(path).table) == 8760
    assert list((tmp_path / "full").iterdir()) == []


def test_the_cache_lies_in_the_persons_cache_folder_unless_told_otherwise(tmp_path, monkeypatch):
    monkeypatch.delenv("FLATDAYS_CACHE", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "home-cache"))
    monkeypatch.setattr("platformdirs.user_cache_dir", lambda name, **_: str(tmp_path / "home-cache" / name))
    read_sample("greensboro")
    assert [entry.suffix for entry in (tmp_path / "home-cache" / "flatdays").iterdir()] == [".npz"]
