"""Work for many designs and years, cut into chunks that say all about themselves.

A chunk is a slice of designs over a slice of years. It can be walked here, in threads, in processes or on other machines:
anything that is a ``concurrent.futures.Executor``. No number depends on the cut, on the order or on who walks it. A finished
chunk can be kept in a folder, under a name made from everything its numbers hang on; what is there, whole and by that name, is
not walked again.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import tempfile
import time
import zipfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.errors import FlatdaysError, InputError, printable
from simulator.scenario.parts import Scenario
from simulator.studies.designs import BLOCK_YEARS, DesignYears, Fleet, year_runs
from simulator.studies.ground import Ground, ground_weather
from simulator.version import package_version

IntArray = npt.NDArray[np.int64]
Progress = Callable[[int, int], None]

CHUNK_LANES = 2000
"""Designs x years of a chunk: half a second to a second of work for a season."""
WAITING_CHUNKS = 64
"""Chunks handed to an executor at a time; more would only fill its memory."""
ARRAYS = ("flat_days", "missed_wh", "lowest_soc", "totals")
SUFFIX = ".npz"
LEFT_BEHIND_S = 3600.0
"""A half-written file that is older belongs to a run that was killed: writing takes a moment."""


@dataclass(frozen=True)
class Chunk:
    """A slice of designs over a slice of years."""

    ground: Ground
    designs: tuple[Scenario, ...]
    years: tuple[int, ...]
    """Numbers of the years, in any order."""

    def name(self) -> str:
        """Name made from all that its numbers hang on: designs, years, weather, chance, and the program itself."""
        digest = hashlib.sha256()
        for part in (package_version(), program_sha256(), k.HOUR_FIELDS, self.years):
            digest.update(repr(part).encode())
        ground = self.ground
        digest.update(repr((ground.seed, ground.load_spread_frac, ground.source)).encode())
        digest.update(weather_sha256(ground, self.years).encode())
        for design in self.designs:
            digest.update(design_text(design).encode())
        return digest.hexdigest()[:40]


@dataclass(frozen=True, eq=False)
class ChunkResult:
    """Numbers of a chunk, each (designs, years); ``totals`` (designs, years, HOUR_FIELDS)."""

    flat_days: IntArray
    missed_wh: npt.NDArray[np.float64]
    lowest_soc: npt.NDArray[np.float64]
    totals: npt.NDArray[np.float64]


def design_text(design: Scenario) -> str:
    """All of a design that numbers hang on, as text: without title, path and sentences."""
    plain = replace(design, title="", path=None, notes=(), defaults_used=(), sha256="", weather_default=None)
    stops = tuple(replace(stop, weather=None, line=None) for stop in plain.stops)
    arrays = tuple(replace(array, line=None) for array in plain.arrays)
    appliances = tuple(replace(appliance, line=None) for appliance in plain.appliances)
    return repr(replace(plain, stops=stops, arrays=arrays, appliances=appliances))


@lru_cache(maxsize=1)
def program_sha256() -> str:
    """Of the program's own text and presets, so that no result outlives a change of the arithmetic."""
    root = Path(__file__).resolve().parents[1]
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.suffix in (".py", ".toml"):
            digest.update(path.relative_to(root).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


@lru_cache(maxsize=64)
def weather_sha256(ground: Ground, years: tuple[int, ...]) -> str:
    """Of the weather itself, year names included: a file that was changed, or a year that came into the cache, tells."""
    weather = ground_weather(ground)
    digest = hashlib.sha256()
    for first, count in year_runs(years):
        for begin in range(first, first + count, BLOCK_YEARS):
            here = min(BLOCK_YEARS, first + count - begin)
            found = weather.block(begin, here)
            digest.update(repr(weather.names[begin : begin + here]).encode())
            for name in sorted(found.table):
                digest.update(np.ascontiguousarray(found.table[name]).tobytes())
            digest.update(np.ascontiguousarray(found.elevation_m).tobytes())
            if found.precipitation_mm is not None:
                digest.update(np.ascontiguousarray(found.precipitation_mm).tobytes())
    return digest.hexdigest()


def walk_chunk(chunk: Chunk, threads: int | None = 1) -> ChunkResult:
    """Walk one chunk; top-level and with plain arguments, so that processes and other machines can be sent it."""
    ground = chunk.ground
    fleet = Fleet(chunk.designs, ground_weather(ground), seed=ground.seed, load_spread_frac=ground.load_spread_frac)
    found = fleet.walk(None, 0, 0, years=chunk.years, threads=threads)
    return ChunkResult(found.flat_days, found.missed_wh, found.lowest_soc, found.totals)


class Kept:
    """A folder of finished chunks; each file is written whole and carries the checksum of its numbers."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except (OSError, ValueError) as error:
            # ValueError: a zero byte.
            reason = getattr(error, "strerror", None) or "it holds a zero byte"
            raise InputError(f"--keep: {printable(folder)} cannot be used as a folder ({reason}); name one of your own") from None
        if not os.access(folder, os.W_OK | os.X_OK):
            raise InputError(f"--keep: {folder} cannot be written; name a folder of your own")
        for left in folder.glob(f".*{SUFFIX}"):
            with contextlib.suppress(OSError):
                if time.time() - left.stat().st_mtime > LEFT_BEHIND_S:
                    left.unlink()

    def find(self, chunk: Chunk) -> ChunkResult | None:
        """The numbers of a chunk if they are there and whole; else None, and it is walked again."""
        try:
            data = (self.folder / (chunk.name() + SUFFIX)).read_bytes()
        except OSError:
            return None
        return unpacked(data, (len(chunk.designs), len(chunk.years)))

    def keep(self, chunk: Chunk, result: ChunkResult) -> None:
        """Put the numbers of a chunk away; a half-written file never bears its name."""
        try:
            handle, scratch = tempfile.mkstemp(prefix=".", suffix=SUFFIX, dir=self.folder)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(packed(result))
                Path(scratch).replace(self.folder / (chunk.name() + SUFFIX))
            except BaseException:
                Path(scratch).unlink(missing_ok=True)
                raise
        except OSError as error:
            raise InputError(f"--keep: {self.folder} could not be written ({error.strerror}); free some space") from None


def _checksum(arrays: dict[str, npt.NDArray[np.generic]]) -> str:
    digest = hashlib.sha256()
    for name in ARRAYS:
        array = np.ascontiguousarray(arrays[name])
        digest.update(repr((name, array.shape, array.dtype.str)).encode())
        digest.update(array.tobytes())
    return digest.hexdigest()


def packed(result: ChunkResult) -> bytes:
    """A chunk's numbers with their checksum, as the bytes of an npz file (plain arrays, nothing that could run)."""
    arrays: dict[str, npt.NDArray[np.generic]] = {name: getattr(result, name) for name in ARRAYS}
    head = json.dumps({"sha256": _checksum(arrays)}).encode()
    buffer = io.BytesIO()
    np.savez(buffer, head=np.frombuffer(head, dtype=np.uint8), **arrays)  # type: ignore[arg-type]
    return buffer.getvalue()


def unpacked(data: bytes, shape: tuple[int, int]) -> ChunkResult | None:
    """The numbers if the file is whole, of that shape and agrees with its checksum; else None."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as file:
            arrays = {name: file[name] for name in ARRAYS}
            head = json.loads(file["head"].tobytes())
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, NotImplementedError):
        # The last: a broken head may name a way of packing that zipfile does not know.
        return None
    whole = isinstance(head, dict) and head.get("sha256") == _checksum(arrays)
    fits = all(arrays[name].shape[:2] == shape for name in ARRAYS) and arrays["totals"].shape[2:] == (k.HOUR_FIELDS,)
    return ChunkResult(**arrays) if whole and fits else None


def run_chunks(
    chunks: Sequence[Chunk],
    executor: Executor | None = None,
    kept: Kept | None = None,
    threads: int | None = None,
) -> Iterator[tuple[int, ChunkResult]]:
    """Walk chunks, or find them among those kept; yields (position, numbers) as they come, in any order.

    Parameters
    ----------
    executor : None walks them here, one after the other, on ``threads`` threads.

    Raises
    ------
    FlatdaysError
        A worker process ended; says what is kept.
    """
    waiting: dict[Future[ChunkResult], int] = {}
    done = 0

    def finished(place: int, result: ChunkResult) -> tuple[int, ChunkResult]:
        nonlocal done
        if kept is not None:
            kept.keep(chunks[place], result)
        done += 1
        return place, result

    def take_finished() -> Iterator[tuple[int, ChunkResult]]:
        ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
        for future in ready:
            place = waiting.pop(future)
            yield finished(place, future.result())

    try:
        for place, chunk in enumerate(chunks):
            found = kept.find(chunk) if kept is not None else None
            if found is not None:
                done += 1
                yield place, found
            elif executor is None:
                yield finished(place, walk_chunk(chunk, threads))
            else:
                while len(waiting) >= WAITING_CHUNKS:
                    yield from take_finished()
                waiting[executor.submit(walk_chunk, chunk)] = place
        while waiting:
            yield from take_finished()
    except BrokenExecutor:
        # What the others finished meanwhile is worth keeping too.
        for future, place in waiting.items():
            if kept is not None and future.done() and not future.cancelled() and future.exception() is None:
                finished(place, future.result())
        where = (
            f"The {done} of {len(chunks)} chunks finished so far are kept in {kept.folder}: give the same command again to go on."
            if kept is not None
            else "Nothing is kept, as no folder was named for it (--keep FOLDER)."
        )
        raise FlatdaysError(f"A worker process ended before its work was done (out of memory, or killed). {where}") from None
    finally:
        for future in waiting:
            future.cancel()


def cut(
    fleet: Fleet, ground: Ground, which: IntArray, years: Sequence[int], most_lanes: int = CHUNK_LANES
) -> list[tuple[IntArray, Chunk]]:
    """Cut these designs of a fleet over these years into chunks; each with the positions of its designs in the fleet."""
    return [
        (part, Chunk(ground, tuple(fleet.designs[place] for place in part), tuple(years)))
        for part in fleet.slices(which, len(years), most_lanes)
    ]


def walk_in_chunks(
    designs: Sequence[Scenario],
    ground: Ground,
    *,
    first_year: int = 0,
    year_count: int | None = None,
    most_lanes: int = CHUNK_LANES,
    most_years: int = BLOCK_YEARS,
    executor: Executor | None = None,
    keep: Path | None = None,
    progress: Progress | None = None,
    threads: int | None = None,
) -> DesignYears:
    """As :func:`simulator.studies.designs.walk_designs`, number for number, cut into chunks.

    Parameters
    ----------
    designs : finished scenarios on one route.
    ground : that route, its weather years and the chance of the load.
    first_year, year_count : which of its years; None: to the last.
    most_lanes, most_years : size of a chunk; no number depends on it.
    executor : any ``concurrent.futures.Executor``; None: here.
    keep : folder for finished chunks; they are not walked again.
    progress : called with (lanes done, lanes) now and then.
    threads : without an executor.

    Returns
    -------
    DesignYears

    Raises
    ------
    FlatdaysError
        A worker process ended.
    InputError
        The folder cannot be written.
    """
    weather = ground_weather(ground)
    fleet = Fleet(designs, weather, seed=ground.seed, load_spread_frac=ground.load_spread_frac)
    count = len(weather.names) - first_year if year_count is None else year_count
    shape = (len(designs), count)
    whole = ChunkResult(np.zeros(shape, np.int64), np.zeros(shape), np.zeros(shape), np.zeros((*shape, k.HOUR_FIELDS)))
    last = first_year + count
    pieces = [
        piece
        for first in range(first_year, last, most_years)
        for piece in cut(fleet, ground, np.arange(len(designs)), range(first, min(first + most_years, last)), most_lanes)
    ]
    lanes = 0
    for place, result in run_chunks([chunk for _, chunk in pieces], executor, None if keep is None else Kept(keep), threads):
        part, chunk = pieces[place]
        span = np.asarray(chunk.years) - first_year
        for name in ARRAYS:
            getattr(whole, name)[part[:, None], span] = getattr(result, name)
        lanes += len(part) * len(chunk.years)
        if progress is not None:
            progress(lanes, len(designs) * count)
    return DesignYears(
        year_names=weather.names[first_year : first_year + count],
        flat_days=whole.flat_days,
        missed_wh=whole.missed_wh,
        lowest_soc=whole.lowest_soc,
        totals=whole.totals,
        days=None,
        flat=None,
        hours=np.zeros((0, fleet.clock.hours, k.HOUR_FIELDS)),
        timeline=fleet.clock,
    )
