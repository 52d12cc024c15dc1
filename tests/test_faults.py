"""Faults of machine and network: whatever breaks in the middle, files are whole or absent, and the answer is never a wrong one.

``FLATDAYS_KILLS=50 pytest tests/test_faults.py`` kills each command fifty times instead of five.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import random
import re
import resource
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simulator.cli import main
from simulator.errors import WeatherFileError
from simulator.scenario import values
from simulator.studies import chunks
from simulator.weather import archive, archive_files, cache, read_sample
from simulator.weather.archive import Patience
from simulator.weather.past import cell_of
from simulator.weather.station import COLUMNS
from tests.killing import KILLS, ROOT, kill, slow_disk
from tests.loopback_archive import Archive, Handler, Query, archive_on_this_machine, body_of, good

TRIP = """
title = "Two places in spring"
[vehicle]
standing_draw_w = 0
[bank]
chemistry = "lfp"
unit_ah = 50
place = "inside"
[[array]]
panel = { p_w = 100 }
controller = { kind = "mppt", max_charge_a = 20 }
[[appliance]]
name = "fridge and light"
power_w = 10
duty_frac = 1.0
[weather]
years = [2015, 2018]
[[stop]]
name = "Valley"
latitude_deg = 38.6
longitude_deg = -7.9
arrive = 2026-03-20
depart = 2026-03-24
[[stop]]
name = "Pass"
latitude_deg = 40.3
longitude_deg = -7.6
drive_h = 4
arrive = 2026-03-24
depart = 2026-03-27
"""
TASKS = {(lat, lon, year) for lat, lon in (("38.5", "-8"), ("40.5", "-7.5")) for year in range(2015, 2019)}
NO_SPACE = OSError(28, "No space left on device")


@pytest.fixture
def trip(tmp_path, monkeypatch):
    (tmp_path / "trip.toml").write_text(TRIP, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def service(trip, monkeypatch) -> Iterator[Archive]:
    """The archive on this machine, a cache of its own, and little patience."""
    with archive_on_this_machine() as server:
        monkeypatch.setenv("FLATDAYS_ARCHIVE_URL", server.url)
        monkeypatch.setenv("FLATDAYS_CACHE", str(trip / "cache"))
        patience = Patience(timeout_s=60.0, deadline_s=120.0, attempts=2, sleep=lambda _: None)
        monkeypatch.setattr(archive, "patience_from_settings", lambda: patience)
        yield server


def files_in(folder: Path, pattern: str = "*") -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.glob(pattern)) if path.is_file()} if folder.is_dir() else {}


def task_of(name: str) -> tuple[str, str, int]:
    """What was asked for a kept file: ``archive-N38.5W008.0-2015-v1.npz``."""
    for lat, lon, year in TASKS:
        if name.startswith(f"archive-{cell_of(float(lat), float(lon)).key}-{year}-"):
            return lat, lon, year
    raise AssertionError(name)


def said(capsys) -> str:
    printed = capsys.readouterr()
    assert "Traceback" not in printed.err and "fault of ours" not in printed.err
    return printed.err


# ---- killed ------------------------------------------------------------------------------------------------------------------


def test_a_fetch_killed_at_any_moment_goes_on_where_it_was(service, trip, capsys):
    assert main(["fetch", "trip.toml"]) == 0
    capsys.readouterr()
    assert main(["odds", "trip.toml", "--json"]) == 0
    answer = capsys.readouterr().out
    whole = files_in(trip / "cache")
    assert {task_of(name) for name in whole} == TASKS
    chance = random.Random(4)

    def slow(handler: Handler, query: Query) -> None:
        time.sleep(chance.uniform(0.0, 0.05))
        good(handler, query)

    killed = in_the_middle = 0
    for number in range(KILLS):
        shutil.rmtree(trip / "cache")
        service.asked.clear()
        service.turn = slow
        # Between the first question and the last answer, and a little before and after.
        asked = chance.randrange(len(TASKS) + 1)
        killed += kill(
            ["fetch", "trip.toml"], trip, until=lambda asked=asked: len(service.asked) >= asked, after_s=chance.uniform(0, 0.06)
        )
        kept = files_in(trip / "cache", "*.npz")
        for name, data in kept.items():
            assert data == whole[name], f"kill {number}: {name} is not whole"
        in_the_middle += 0 < len(kept) < len(TASKS)
        service.asked.clear()
        service.turn = good
        assert main(["fetch", "trip.toml"]) == 0
        assert set(service.asked) == TASKS - {task_of(name) for name in kept}, "finished work was done again"
        assert len(service.asked) == len(set(service.asked))
        assert files_in(trip / "cache", "*.npz") == whole
        capsys.readouterr()
        assert main(["odds", "trip.toml", "--json"]) == 0
        assert capsys.readouterr().out == answer
    with capsys.disabled():
        sys.stdout.write(f"\nfetch: killed {killed} of {KILLS} times, {in_the_middle} with some of its files there\n")
    assert killed


def test_a_run_killed_at_any_moment_leaves_whole_files_or_none(trip, capsys):
    command = ["run", str(ROOT / "scenarios" / "worksheet.toml"), "--out", "out"]
    assert main(command) == 0
    whole = files_in(trip / "out")
    assert len(whole) == 4
    shutil.rmtree(trip / "out")
    chance = random.Random(5)
    wait_s = 0.02
    slow = slow_disk(trip / "slow", wait_s)
    killed = writing = 0
    for number in range(KILLS):

        def begun(early: bool = number % 5 == 4) -> bool:
            return early or any(trip.glob("out/.flatdays-*"))

        # Four files are written and renamed, each with a wait before and after; every fifth kill comes while it reckons.
        last_s = 1.0 if number % 5 == 4 else 2 * 2 * len(whole) * wait_s
        killed += kill(command, trip, until=begun, after_s=chance.uniform(0.0, last_s), env=slow)
        for name, data in files_in(trip / "out").items():
            assert data == whole[name], f"kill {number}: {name} is not whole"
        writing += len(list(trip.glob("out/.flatdays-*")))
        assert main(command) == 0
        assert files_in(trip / "out") == whole
        shutil.rmtree(trip / "out")
    with capsys.disabled():
        sys.stdout.write(f"\nrun: killed {killed} of {KILLS} times, {writing} while it wrote\n")
    assert writing


PRICED = re.sub(r"unit_ah = 50", "unit_ah = 50\nunit_price = 200", TRIP).replace("p_w = 100", "p_w = 100, price = 90")
PRICED = PRICED.replace("years = [2015, 2018]", 'sample = "greensboro"').replace(" = 40.3", " = 38.9").replace("-7.", "-79.")
SIZE = ("size", "priced.toml", "--in-parallel", "1-6", "--panels", "1-4", "--years", "40", "--whole", "--json")


def test_a_sizing_killed_at_any_moment_goes_on_where_it_was(trip, capsys, monkeypatch):
    (trip / "priced.toml").write_text(PRICED, encoding="utf-8")
    assert main(list(SIZE)) == 0
    answer = capsys.readouterr().out
    command = [*SIZE, "--keep", "keep"]
    assert main(command) == 0
    assert capsys.readouterr().out == answer
    keep = trip / "keep"
    whole = files_in(keep)
    assert len(whole) >= 5
    walked: list[str] = []
    walk_chunk = chunks.walk_chunk

    def walk(chunk: chunks.Chunk, *more: Any) -> chunks.ChunkResult:
        walked.append(f"{chunk.name()}{chunks.SUFFIX}")
        return walk_chunk(chunk, *more)

    monkeypatch.setattr(chunks, "walk_chunk", walk)
    chance = random.Random(6)
    wait_s = 0.04
    slow = slow_disk(trip / "slow", wait_s)
    killed = in_the_middle = half_written = 0
    for number in range(KILLS):
        shutil.rmtree(keep)
        # While it keeps its chunks, each with waits around making and renaming its file; every fifth kill comes before them.
        least = chance.randrange(1, len(whole)) if number % 5 != 4 else 0

        def begun(least: int = least) -> bool:
            return len(list(keep.glob("[!.]*"))) >= least

        killed += kill(command, trip, until=begun, after_s=chance.uniform(0.0, 8 * wait_s if least else 2.0), env=slow)
        kept = {name: (data, (keep / name).stat().st_mtime_ns) for name, data in files_in(keep, "[!.]*").items()}
        for name, (data, _) in kept.items():
            assert data == whole[name], f"kill {number}: {name} is not whole"
        in_the_middle += 0 < len(kept) < len(whole)
        half_written += len(list(keep.glob(".*")))
        walked.clear()
        assert main(command) == 0
        assert capsys.readouterr().out == answer, f"kill {number}"
        assert set(walked) == set(whole) - set(kept), f"kill {number}: finished work was done again"
        assert len(walked) == len(set(walked))
        assert files_in(keep, "[!.]*") == whole
        assert {name: (keep / name).stat().st_mtime_ns for name in kept} == {name: when for name, (_, when) in kept.items()}
    with capsys.disabled():
        sys.stdout.write(
            f"\nsize: killed {killed} of {KILLS} times, {in_the_middle} with some of its {len(whole)} chunks kept, "
            f"{half_written} while one was written\n"
        )
    assert in_the_middle


def test_what_a_killed_sizing_left_behind_goes_when_it_is_old(tmp_path):
    for name, age_s in ((".tmp-old.npz", 7200.0), (".tmp-new.npz", 60.0), (".mine.txt", 7200.0), ("whole.npz", 7200.0)):
        (tmp_path / name).write_text("half")
        os.utime(tmp_path / name, (time.time() - age_s,) * 2)
    chunks.Kept(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [".mine.txt", ".tmp-new.npz", "whole.npz"]


def test_what_a_killed_run_left_behind_goes_when_it_is_old(trip, capsys):
    for name, age_s in (("old", 7200.0), ("new", 60.0)):
        left = trip / "out" / f".flatdays-{name}"
        left.mkdir(parents=True)
        (left / "hours.csv").write_text("half")
        os.utime(left, (time.time() - age_s,) * 2)
    (trip / "out" / "mine.txt").write_text("keep me")
    assert main(["run", str(ROOT / "scenarios" / "worksheet.toml"), "--out", "out", "--no-page"]) == 0
    names = sorted(path.name for path in (trip / "out").iterdir())
    assert names == [".flatdays-new", "days.csv", "hours.csv", "mine.txt", "summary.json"]


def test_interrupted_by_the_person(trip, capsys, monkeypatch):
    """Control-C while the results are written: nothing half is left, and no traceback is shown."""

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    (trip / "trip.toml").write_text((ROOT / "scenarios" / "worksheet.toml").read_text())
    monkeypatch.setattr(Path, "replace", interrupted)
    assert main(["run", "trip.toml", "--out", "out"]) == 130
    assert "Stopped" in said(capsys)
    assert files_in(trip / "out") == {} and not list(trip.glob("out/.flatdays-*"))


# ---- disks -------------------------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def no_file_above(size_bytes: int) -> Iterator[None]:
    """The system itself refuses larger files to this process, as a full disk or a quota does."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)


@pytest.fixture
def small_disk(tmp_path) -> Iterator[Path]:
    """A disk of 64 kB; only the superuser can make one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = shutil.which("mount") and subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(folder)], capture_output=True, check=False
    )
    if not made or made.returncode:
        pytest.skip("a small disk cannot be mounted here; the test of a limit on files asks the same")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_results_on_a_full_disk(small_disk, trip, capsys):
    command = ["run", str(ROOT / "scenarios" / "bloom-route.toml"), "--out"]
    for target in (small_disk, small_disk / "new"):
        assert main([*command, str(target)]) == 2
        assert "No space left on device" in said(capsys)
        assert list(small_disk.iterdir()) == []


def test_a_cache_on_a_full_disk(small_disk, service, monkeypatch, capsys):
    monkeypatch.setenv("FLATDAYS_CACHE", str(small_disk))
    assert main(["fetch", "trip.toml"]) == 3
    words = said(capsys)
    assert "could not be kept" in words and "No space left on device" in words and "FLATDAYS_CACHE" in words
    assert not list(small_disk.glob("*.part"))
    for path in small_disk.iterdir():
        lat, lon, year = task_of(path.name)
        assert archive_files.read_kept(cell_of(float(lat), float(lon)), year) is not None


def test_a_limit_on_files_stops_results_and_cache_with_a_sentence(service, trip, monkeypatch, capsys):
    with no_file_above(4096):
        assert main(["fetch", "trip.toml"]) == 3
        assert "could not be kept" in said(capsys)
        assert files_in(trip / "cache") == {}
        assert main(["run", str(ROOT / "scenarios" / "worksheet.toml"), "--out", "out"]) == 2
        assert "out: the results could not be written (File too large)" in said(capsys)
        assert not (trip / "out").exists()
        # Parsed weather is kept for speed alone: without it the answer is the same. One format needs a copy to be read from.
        assert len(read_sample("greensboro").table) == 8760
        with pytest.raises(WeatherFileError, match=r"a working copy of it could not be written \(File too large\)"):
            read_sample("miami")
        assert files_in(trip / "cache") == {}
    assert main(["fetch", "trip.toml"]) == 0


def test_a_disk_that_fills_up_between_two_files_keeps_what_was_there(trip, monkeypatch, capsys):
    command = ["run", str(ROOT / "scenarios" / "worksheet.toml"), "--out", "out"]
    assert main(command) == 0
    before = files_in(trip / "out")
    write = Path.write_text

    def full(self: Path, text: str, *args: object, **more: object) -> int:
        if self.name == "hours.csv":
            raise NO_SPACE
        return write(self, text, *args, **more)

    monkeypatch.setattr(Path, "write_text", full)
    (trip / "other.toml").write_text((ROOT / "scenarios" / "worksheet.toml").read_text().replace("title =", "# another\ntitle ="))
    assert main(["run", "other.toml", "--out", "out"]) == 2
    assert "free some space" in said(capsys)
    assert files_in(trip / "out") == before
    assert not list(trip.glob("out/.flatdays-*"))


def test_a_folder_in_the_place_of_a_file_keeps_what_was_there(trip, capsys):
    (trip / "out" / "days.csv").mkdir(parents=True)
    (trip / "out" / "summary.json").write_text("old")
    assert main(["run", str(ROOT / "scenarios" / "worksheet.toml"), "--out", "out"]) == 2
    assert "days.csv is a folder in there" in said(capsys)
    assert files_in(trip / "out") == {"summary.json": b"old"}


def test_a_system_folder_that_takes_no_files(trip, capsys):
    """Not even the superuser may write there."""
    assert main(["run", str(ROOT / "scenarios" / "worksheet.toml"), "--out", "/proc/flatdays"]) == 2
    assert "/proc/flatdays: the results could not be written" in said(capsys)


def test_a_cache_that_may_only_be_read(service, trip, monkeypatch, capsys):
    """What is kept is used; what is new is answered, and a fetch says that it could not be kept."""
    assert main(["fetch", "trip.toml", "--years", "2015-2016"]) == 0

    def refused(*_: object, **__: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("tempfile.NamedTemporaryFile", refused)
    capsys.readouterr()
    asked = len(service.asked)
    assert main(["fetch", "trip.toml", "--years", "2015-2016"]) == 0
    assert len(service.asked) == asked
    capsys.readouterr()
    assert main(["fetch", "trip.toml"]) == 3
    assert "could not be kept" in (words := said(capsys)) and "Read-only file system" in words


# ---- clocks ------------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("when_s", [0, 4_000_000_000])
def test_a_clock_set_back_or_forward_changes_nothing_kept(service, trip, capsys, when_s):
    assert main(["fetch", "trip.toml"]) == 0
    before = files_in(trip / "cache")
    for path in (trip / "cache").iterdir():
        os.utime(path, (when_s, when_s))
    asked = len(service.asked)
    assert main(["fetch", "trip.toml"]) == 0
    assert main(["run", "trip.toml"]) == 0
    assert len(service.asked) == asked
    assert files_in(trip / "cache") == before


def test_a_clock_set_back_below_the_years_is_said(service, trip, capsys, monkeypatch):
    class Earlier(date):
        @classmethod
        def today(cls) -> date:
            return date(2012, 5, 1)

    monkeypatch.setattr(values, "date", Earlier)
    assert main(["fetch", "trip.toml"]) == 2
    assert "The last whole year is 2011." in said(capsys)
    assert service.asked == []


# ---- a cache that rots -------------------------------------------------------------------------------------------------------


def flipped(data: bytes, place: int) -> bytes:
    return data[:place] + bytes([data[place] ^ (1 << place % 8)]) + data[place + 1 :]


def test_every_byte_of_a_kept_past_year_may_rot(tmp_path, monkeypatch):
    """A year of constants packs small enough to try every byte of it."""
    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path))
    cell, rows = cell_of(38.6, -7.9), 8760
    told = {"latitude_deg": 38.5, "longitude_deg": -8.0, "elevation_m": 300.0, "notes": [], "official": False}
    truth = np.repeat([[500.0], [400.0], [150.0], [12.5], [3.0], [0.0]], rows, axis=1)
    assert archive_files.keep(cell, 2019, told, truth) is None
    (path,) = tmp_path.iterdir()
    data = path.read_bytes()
    refused = 0
    for place in range(len(data)):
        path.write_bytes(flipped(data, place))
        try:
            found = archive_files.read_kept(cell, 2019)
        except archive_files.DamagedFileError:
            refused += 1
            continue
        # A byte that carries nothing, such as a date inside the archive.
        assert found is not None
        assert (found.table.to_numpy() == truth[: len(COLUMNS)].T).all()
        assert (found.latitude_deg, found.longitude_deg, found.elevation_m, found.notes) == (38.5, -8.0, 300.0, ())
    assert refused > len(data) / 2


def test_every_byte_of_a_kept_weather_file_may_rot(tmp_path, monkeypatch):
    monkeypatch.setenv("FLATDAYS_CACHE", str(tmp_path))
    truth = np.repeat([[500.0], [400.0], [150.0], [12.5], [3.0]], 8760, axis=1)
    cache.store("ab" * 32, {"name": "Here"}, truth)
    (path,) = tmp_path.iterdir()
    with np.load(path) as kept:
        np.savez_compressed(path, **kept)
    data = path.read_bytes()
    refused = 0
    for place in range(len(data)):
        path.write_bytes(flipped(data, place))
        found = cache.load("ab" * 32)
        refused += found is None
        assert found is None or (found[0] == {"name": "Here"} and (found[1] == truth).all())
    assert refused > len(data) / 2


# ---- an archive that lies, stalls or drops -----------------------------------------------------------------------------------


def altered(change):
    def turn(handler: Handler, query: Query) -> None:
        reply = json.loads(body_of(query))
        change(reply)
        handler.send(json.dumps(reply).encode())

    return turn


def scaled(name: str, factor: float, shift: float = 0.0):
    def change(reply):
        series = reply["properties"]["parameter"][name]
        for hour in series:
            series[hour] = series[hour] * factor + shift

    return altered(change)


def moved(reply):
    reply["geometry"]["coordinates"][0] += 5.0


def swapped(reply):
    reply["geometry"]["coordinates"][:2] = reply["geometry"]["coordinates"][1::-1]


def short(reply):
    for series in reply["properties"]["parameter"].values():
        for hour in list(series)[-48:]:
            del series[hour]


def other_year(handler: Handler, query: Query) -> None:
    handler.send(body_of(query | {"start": f"{int(query['start'][:4]) - 1}0101"}))


def half(handler: Handler, query: Query) -> None:
    handler.send(body_of(query)[:5000], length=len(body_of(query)))


def dropped(handler: Handler, _query: Query) -> None:
    handler.connection.shutdown(socket.SHUT_RDWR)


def stalled(handler: Handler, _query: Query) -> None:
    handler.server.over.wait(3.0)


LIES = {
    "light in MJ": (scaled("ALLSKY_SFC_SW_DWN", 0.0036), "another unit"),
    "light in kW": (scaled("ALLSKY_SFC_SW_DWN", 0.001), "another unit"),
    "light in kJ": (scaled("ALLSKY_SFC_SW_DWN", 3.6), "possible is 0 to 1500"),
    "air in kelvin": (scaled("T2M", 1.0, 273.15), "possible is -90 to 60"),
    "wind in knots of a storm": (scaled("WS10M", 50.0), "possible is 0 to 75"),
    "another place": (altered(moved), "another place"),
    "latitude and longitude swapped": (altered(swapped), "another place"),
    "another year": (other_year, "hours"),
    "two days too few": (altered(short), "8736 hours of global light"),
    "local clock": (altered(lambda reply: reply["header"].update(time_standard="LST")), "UTC was asked for"),
    "a web page": (lambda handler, _: handler.send(b"<html>please log in</html>"), "web page"),
    "nothing": (lambda handler, _: handler.send(b""), "breaks off or is damaged"),
    "an empty object": (lambda handler, _: handler.send(b"{}"), "which place"),
    "half an answer": (half, "broke the connection off"),
    "a hung-up line": (dropped, "broke the connection off"),
    "silence": (stalled, "was silent for 0.3 s"),
    "a bomb": (lambda handler, _: handler.send(gzip.compress(bytes(64 * 1024 * 1024)), Content_Encoding="gzip"), "too long"),
    "an error without words": (lambda handler, _: handler.send(b"", status=500), "500"),
}


@pytest.mark.parametrize("lie", LIES)
def test_an_archive_that_lies_is_not_believed(service, trip, capsys, monkeypatch, lie):
    service.turn, words = LIES[lie]
    if service.turn is stalled:
        patience = Patience(timeout_s=0.3, deadline_s=2.0, attempts=2, sleep=lambda _: None)
        monkeypatch.setattr(archive, "patience_from_settings", lambda: patience)
    (trip / "trip.toml").write_text(TRIP[: TRIP.rindex("[[stop]]")], encoding="utf-8")
    assert main(["fetch", "trip.toml", "--years", "2016-2016"]) == 3
    told = said(capsys)
    assert len(told.splitlines()) == 1
    assert words in told, told
    assert all(line.isprintable() for line in told.splitlines())
    assert files_in(trip / "cache") == {}


def test_an_archive_that_fails_now_and_then_gives_the_same_years(service, trip, capsys):
    assert main(["fetch", "trip.toml"]) == 0
    whole = files_in(trip / "cache")
    shutil.rmtree(trip / "cache")
    seen: set[Query | tuple[str, ...]] = set()

    def first_time_bad(handler: Handler, query: Query) -> None:
        key = (query["latitude"], query["start"])
        turn = good if key in seen else (half, dropped, LIES["a web page"][0])[int(query["start"][:4]) % 3]
        seen.add(key)
        turn(handler, query)

    service.turn = first_time_bad
    assert main(["fetch", "trip.toml"]) == 0
    assert files_in(trip / "cache") == whole
