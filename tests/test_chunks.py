"""Chunks of designs x years: the same numbers however they are cut and whoever walks them; what is kept is trusted if whole."""

from __future__ import annotations

import multiprocessing
import os
import signal
import warnings
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simulator.errors import FlatdaysError, InputError
from simulator.scenario import read_scenario
from simulator.studies import changes, chunks
from simulator.studies.chunks import ARRAYS, Ground, walk_in_chunks
from simulator.studies.designs import walk_designs

SEED, YEARS = 5, 5


@pytest.fixture(scope="module")
def boat():
    return read_scenario(Path(__file__).resolve().parents[1] / "scenarios" / "channel-autumn.toml")


@pytest.fixture(scope="module")
def ground(boat):
    return Ground(boat, "drawn", YEARS, SEED)


@pytest.fixture(scope="module")
def grid(boat):
    return [changes.with_panels(changes.with_parallel(boat, units), 0, panels) for units in (1, 2, 3, 4) for panels in (1, 2, 3)]


@pytest.fixture(scope="module")
def whole(grid, ground):
    return walk_designs(grid, chunks.ground_weather(ground), seed=SEED, threads=1)


def same(one, other):
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in ARRAYS)


def spawned(workers):
    # Threads of the compiled loop do not survive a fork.
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


@pytest.mark.parametrize(("most_lanes", "most_years"), [(1, 1), (7, 2), (2000, 24), (10, 4)])
def test_any_cut_gives_the_same_bits(grid, ground, whole, most_lanes, most_years):
    assert same(walk_in_chunks(grid, ground, most_lanes=most_lanes, most_years=most_years, threads=1), whole)


def test_threads_give_the_same_bits(grid, ground, whole):
    with ThreadPoolExecutor(2) as executor:
        assert same(walk_in_chunks(grid, ground, most_lanes=10, most_years=2, executor=executor), whole)


def test_processes_give_the_same_bits_and_what_one_that_dies_had_done_is_kept(grid, ground, whole, tmp_path, monkeypatch):
    cut = {"most_lanes": 4, "most_years": 2}
    with spawned(2) as executor:
        assert same(walk_in_chunks(grid, ground, executor=executor, **cut), whole)
        monkeypatch.setattr(chunks, "WAITING_CHUNKS", 2)

        def kill(done, total):
            for process in multiprocessing.active_children():
                process.kill()

        with pytest.raises(FlatdaysError, match=r"kept in .*give the same command again"):
            walk_in_chunks(grid, ground, executor=executor, progress=kill, keep=tmp_path, **cut)
    kept = {path.stem for path in tmp_path.iterdir()}
    assert 0 < len(kept) < 18
    walked = counted(monkeypatch)
    assert same(walk_in_chunks(grid, ground, keep=tmp_path, threads=1, **cut), whole)
    assert walked and not kept & set(walked)


class Broken(Executor):
    """Its only worker is gone."""

    def submit(self, call, /, *arguments, **named):
        raise BrokenExecutor


def test_a_broken_pool_says_when_nothing_is_kept(grid, ground):
    with pytest.raises(FlatdaysError, match="Nothing is kept"):
        walk_in_chunks(grid, ground, executor=Broken())


def test_dask_workers_give_the_same_bits_also_when_one_is_killed(grid, ground, whole):
    """Two processes, one of which gets SIGKILL after the first chunks came back, with most of its own still to do."""
    distributed = pytest.importorskip("distributed")
    with warnings.catch_warnings():
        # Of the library's own start, not of ours.
        warnings.simplefilter("ignore")
        with (
            distributed.LocalCluster(
                n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
            ) as cluster,
            distributed.Client(cluster) as client,
            client.get_executor(pure=False) as executor,
        ):
            assert same(walk_in_chunks(grid, ground, most_lanes=10, most_years=2, executor=executor), whole)
            before = client.run(os.getpid)
            assert len(set(before.values()) - {os.getpid()}) == 2
            victim, pid = next(iter(before.items()))
            left = []
            other = replace(ground, seed=SEED + 1)

            def kill(done, total):
                if not left:
                    left.extend(client.processing()[victim])
                    os.kill(pid, signal.SIGKILL)

            # Two lanes a chunk, and another chance of the load, so that nothing is remembered from before.
            found = walk_in_chunks(grid, other, most_lanes=2, most_years=1, executor=executor, progress=kill)
            assert left, "the one that was killed had nothing left to do"
            assert pid not in client.run(os.getpid).values()
    assert same(found, walk_in_chunks(grid, other, threads=1))


class Backwards(Executor):
    """Waits for so many pieces of work, then does the last of them first."""

    def __init__(self, count):
        self.given = []
        self.count = count

    def submit(self, call, /, *arguments, **named):
        future = Future()
        self.given.append((future, call, arguments))
        if len(self.given) == self.count:
            for waiting, each, own in reversed(self.given):
                waiting.set_result(each(*own))
            self.given = []
        return future


def test_the_order_does_not_matter(grid, ground, whole):
    # One design a chunk.
    found = walk_in_chunks(grid, ground, most_lanes=YEARS, most_years=YEARS, executor=Backwards(len(grid)))
    assert same(found, whole)


def counted(monkeypatch):
    walked = []

    def walk(chunk, *arguments):
        walked.append(chunk.name())
        return walk_chunk(chunk, *arguments)

    walk_chunk = chunks.walk_chunk
    monkeypatch.setattr(chunks, "walk_chunk", walk)
    return walked


def test_what_is_kept_is_not_walked_again(grid, ground, whole, tmp_path, monkeypatch):
    walked = counted(monkeypatch)

    class EnoughError(Exception):
        pass

    def stop(done, total):
        if done >= total // 2:
            raise EnoughError

    cut = {"most_lanes": 10, "most_years": 2, "keep": tmp_path, "threads": 1}
    with pytest.raises(EnoughError):
        walk_in_chunks(grid, ground, progress=stop, **cut)
    before = len(walked)
    assert before == len(list(tmp_path.iterdir())) > 0
    assert same(walk_in_chunks(grid, ground, **cut), whole)
    assert len(walked) == len(set(walked)) == len(list(tmp_path.iterdir())) > before
    walked.clear()
    assert same(walk_in_chunks(grid, ground, **cut), whole)
    assert walked == []


def test_damaged_chunks_are_walked_again(grid, ground, whole, tmp_path, monkeypatch):
    walked = counted(monkeypatch)
    cut = {"most_lanes": 20, "most_years": 3, "keep": tmp_path, "threads": 1}
    walk_in_chunks(grid, ground, **cut)
    files = sorted(tmp_path.iterdir())
    assert len(files) >= 4
    first = files[0].read_bytes()
    # Cut short, a flipped bit in the numbers, another chunk's numbers of another shape, emptied.
    files[0].write_bytes(first[: len(first) // 2])
    data = bytearray(files[1].read_bytes())
    data[len(data) // 2] ^= 1
    files[1].write_bytes(bytes(data))
    arrays = chunks.ChunkResult(np.zeros((1, 1), np.int64), np.zeros((1, 1)), np.zeros((1, 1)), np.zeros((1, 1, 3)))
    files[2].write_bytes(chunks.packed(arrays))
    files[3].write_bytes(b"")
    walked.clear()
    assert same(walk_in_chunks(grid, ground, **cut), whole)
    assert sorted(walked) == sorted(file.stem for file in files[:4])
    assert all(chunks.unpacked(file.read_bytes(), shape_of(file)) is not None for file in files)


def shape_of(file):
    with np.load(file) as kept:
        return kept["flat_days"].shape


def test_numbers_that_were_changed_with_care_are_not_believed(ground, grid, tmp_path):
    chunk = chunks.Chunk(ground, tuple(grid[:2]), (0,))
    kept = chunks.Kept(tmp_path)
    result = chunks.walk_chunk(chunk)
    kept.keep(chunk, result)
    assert same(kept.find(chunk), result)
    with np.load(tmp_path / f"{chunk.name()}.npz") as file:
        arrays = dict(file)
    arrays["flat_days"] = arrays["flat_days"] + 1
    np.savez(tmp_path / f"{chunk.name()}.npz", **arrays)
    assert kept.find(chunk) is None


def test_a_name_hangs_on_all_that_the_numbers_hang_on(ground, grid, boat):
    one = chunks.Chunk(ground, tuple(grid[:2]), (0, 1))
    others = [
        chunks.Chunk(ground, tuple(grid[1:3]), (0, 1)),
        chunks.Chunk(ground, tuple(grid[:2]), (1, 2)),
        chunks.Chunk(ground, tuple(grid[:2]), (0,)),
        chunks.Chunk(Ground(boat, "drawn", YEARS, SEED + 1), tuple(grid[:2]), (0, 1)),
        chunks.Chunk(Ground(boat, "drawn", YEARS, SEED, 0.2), tuple(grid[:2]), (0, 1)),
    ]
    assert len({one.name(), *(other.name() for other in others)}) == 6
    # More years drawn begin with the same ones.
    assert chunks.Chunk(Ground(boat, "drawn", YEARS + 3, SEED), tuple(grid[:2]), (0, 1)).name() == one.name()


def test_a_folder_that_cannot_be_is_a_mistake(grid, ground, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="--keep"):
        walk_in_chunks(grid, ground, keep=tmp_path / "file")
