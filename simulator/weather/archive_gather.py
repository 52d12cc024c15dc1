"""Many years of many cells: what is kept comes from disk, the rest is fetched a few at a time, and nothing is lost on the way."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from typing import Final, Protocol

from simulator.errors import ArchiveError
from simulator.weather.archive_files import DamagedFileError, read_kept
from simulator.weather.archive_manners import GaveUpError, OutOfReachError, StoppedError
from simulator.weather.archive_words import asked_for, not_offline, summed_up
from simulator.weather.past import ArchiveYear, Cell

MOST_WORKERS: Final = 4
"""More requests at once are not kind to a service that costs nothing (common practice, no source)."""
MOST_IN_A_ROW: Final = 2
"""So many years given up one after the other, and the archive is taken for out of reach (common practice, no source)."""

Progress = Callable[[int, int, str], None]
"""Is given how many years of cells are done, how many there are, and a sentence; never twice at once."""


class Line:
    """What the workers share: a way to say something, and whether to go on."""

    def __init__(self, total: int, on_progress: Progress | None) -> None:
        self.total, self.done = total, 0
        self.stop = threading.Event()
        """Start nothing more; downloads under way are finished."""
        self.drop = threading.Event()
        """Give up downloads under way too."""
        self._on_progress, self._lock = on_progress, threading.Lock()

    def tell(self, said: str) -> None:
        """Pass a sentence on."""
        if self._on_progress is not None:
            with self._lock:
                self._on_progress(self.done, self.total, said)


class Take(Protocol):
    """Receives a year; ``asked``: it had to be fetched; ``unkept``: why it could not be kept."""

    def __call__(self, cell: Cell, year: int, found: ArchiveYear, *, asked: bool, unkept: str | None) -> None: ...


Fetch = Callable[[Cell, int, Line], tuple[ArchiveYear, str | None]]
"""Fetches and keeps one year; the second value is why it could not be kept."""


def gather(
    tasks: Iterable[tuple[Cell, int]], take: Take, fetch: Fetch | None, on_progress: Progress | None, max_workers: int
) -> None:
    """Hand every year of every cell to ``take``, in the thread that called.

    Parameters
    ----------
    tasks : iterable of (Cell, int)
    take : Take
    fetch : Fetch or None
        None: offline.
    on_progress : Progress, optional
    max_workers : int
        Fetches at once.

    Raises
    ------
    ArchiveError
        A sentence for every year that could not be had. One year refused does not keep the others from being fetched; an
        archive out of reach does.
    """
    tasks = list(dict.fromkeys(tasks))
    line = Line(len(tasks), on_progress)
    missing: dict[tuple[Cell, int], str] = {}
    for cell, year in tasks:
        try:
            kept = read_kept(cell, year)
        except DamagedFileError as error:
            missing[cell, year] = str(error)
            continue
        if kept is None:
            missing[cell, year] = ""
            continue
        take(cell, year, kept, asked=False, unkept=None)
        line.done += 1
        line.tell(f"{asked_for(cell, year)} was in the cache")
    if not missing:
        return
    if fetch is None:
        raise ArchiveError(not_offline(missing))
    for damage in filter(None, missing.values()):
        line.tell(f"{damage} and is fetched again")
    failed = _fetch_all(list(missing), take, fetch, line, max_workers)
    if failed:
        raise ArchiveError(summed_up(failed, line.done, line.total))


def _fetch_all(missing: list[tuple[Cell, int]], take: Take, fetch: Fetch, line: Line, max_workers: int) -> list[str]:
    """Fetch what is missing; returns what went wrong, a sentence each."""
    failed: dict[str, None] = {}
    in_a_row = 0
    workers = ThreadPoolExecutor(max_workers=max(1, min(max_workers, MOST_WORKERS)), thread_name_prefix="archive")
    try:
        running: dict[Future[tuple[ArchiveYear, str | None]], tuple[Cell, int]] = {
            workers.submit(_fetch_unless_kept, cell, year, fetch, line): (cell, year) for cell, year in missing
        }
        for future in as_completed(running):
            # Taken out, so that no year is held on to: a long list of them would not fit in memory.
            cell, year = running.pop(future)
            if future.cancelled():
                continue
            try:
                found, unkept = future.result()
                take(cell, year, found, asked=True, unkept=unkept)
                in_a_row = 0
                line.done += 1
                line.tell(f"{asked_for(cell, year)} was fetched")
            except StoppedError:
                continue
            except ArchiveError as error:
                failed[str(error)] = None
                in_a_row = in_a_row + 1 if isinstance(error, GaveUpError) else 0
                if isinstance(error, OutOfReachError) or in_a_row >= MOST_IN_A_ROW:
                    line.stop.set()
                    for other in running:
                        other.cancel()
    except BaseException:
        line.drop.set()
        raise
    finally:
        line.stop.set()
        workers.shutdown(wait=True, cancel_futures=True)
    return list(failed)


def _fetch_unless_kept(cell: Cell, year: int, fetch: Fetch, line: Line) -> tuple[ArchiveYear, str | None]:
    """Fetch a year, unless another process has done so since."""
    with contextlib.suppress(DamagedFileError):
        kept = read_kept(cell, year)
        if kept is not None:
            return kept, None
    return fetch(cell, year, line)
