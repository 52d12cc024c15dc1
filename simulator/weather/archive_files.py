"""Years of the archive on disk: one file per cell and calendar year, whole and with its checksum, or not there.

An ``.npz`` archive (numbers and JSON, nothing that could be executed), in the cache folder of
:mod:`simulator.weather.cache`. Unlike the entries kept there, these cost somebody a download, so that "not there" and
"there, but damaged" are told apart.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np

from simulator.units import SECONDS_PER_HOUR
from simulator.weather import cache
from simulator.weather.past import ArchiveYear, Cell, hours_of, year_from
from simulator.weather.station import COLUMNS, Floats

FORMAT_VERSION: Final = 1
"""Raise this whenever what is asked for, checked or filled changes, so that no older file is used."""
LARGEST_FILE_BYTES: Final = 4 * 1024 * 1024
"""Six columns of a year take 0.1 to 0.4 MB; anything larger is not ours."""
LEFT_BEHIND_H: Final = 1.0
"""A temporary file older than this belongs to a process that was killed: writing takes well under a second."""

NO_FOLDER: Final = "there is no cache folder (FLATDAYS_CACHE is set but empty, or there is no home folder)"


class DamagedFileError(Exception):
    """A kept year is there and cannot be used; the text says which file and why."""


def folder() -> Path | None:
    """Where years are kept; None: nowhere."""
    try:
        return cache._folder()
    except RuntimeError:
        # There is no home folder.
        return None


def path_of(where: Path, cell: Cell, year: int) -> Path:
    """The file of a cell and year."""
    return where / f"archive-{cell.key}-{year}-v{FORMAT_VERSION}.npz"


def pack(cell: Cell, year: int, told: dict[str, Any], values: Floats) -> tuple[bytes, bytes]:
    """Write down what was told about a year, and the checksum over that, the values, the cell and the year."""
    words = json.dumps(told, sort_keys=True).encode("utf-8")
    return words, cache._checksum(f"{cell.key}-{year}-v{FORMAT_VERSION}", words, values)


def read_kept(cell: Cell, year: int) -> ArchiveYear | None:
    """Read a kept year; None if it is not there.

    Raises
    ------
    DamagedFileError
        It is there, but half-written, altered, of another cell or year, or cannot be read.
    """
    where = folder()
    if where is None:
        return None
    path = path_of(where, cell, year)
    try:
        # Opened here, because the library leaves a file open that turns out to be no archive.
        with path.open("rb") as file:
            if os.fstat(file.fileno()).st_size > LARGEST_FILE_BYTES:
                raise DamagedFileError(f"{path} is too large to be a year of weather")
            with np.load(file, allow_pickle=False) as kept:
                words, checksum = kept["told"].tobytes(), kept["checksum"].tobytes()
                values = np.ascontiguousarray(kept["values"])
        if values.dtype != np.float64 or values.shape != (len(COLUMNS) + 1, hours_of(year)):
            raise DamagedFileError(f"{path} is damaged")
        told = json.loads(words)
        if pack(cell, year, told, values) != (words, checksum):
            raise DamagedFileError(f"{path} is damaged (its checksum does not fit)")
        return year_from(cell, year, told, values, checksum.hex())
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise DamagedFileError(f"{path} cannot be read ({error.strerror or error})") from None
    except DamagedFileError:
        raise
    except Exception:
        # A damaged archive fails in more ways than the library lists; none of them gives a year.
        raise DamagedFileError(f"{path} is damaged") from None


def kept_checksum(cell: Cell, years: Iterable[int]) -> str:
    """One checksum over those of the kept years of a cell; a year that is not there, or damaged, has no part in it."""
    where = folder()
    digest = hashlib.sha256()
    for year in years:
        # Whoever uses a damaged year says what is wrong with it.
        with contextlib.suppress(Exception):
            if where is not None:
                with path_of(where, cell, year).open("rb") as file, np.load(file, allow_pickle=False) as kept:
                    digest.update(kept["checksum"].tobytes())
    return digest.hexdigest()


def keep(cell: Cell, year: int, told: dict[str, Any], values: Floats) -> str | None:
    """Keep a year, whole or not at all; says why if that could not be done.

    Returns
    -------
    str or None
        None: it is kept. Otherwise words that end a sentence, such as ``no room is left in ...``.
    """
    where = folder()
    if where is None:
        return NO_FOLDER
    words, checksum = pack(cell, year, told, values)
    try:
        where.mkdir(parents=True, exist_ok=True)
        # Under a name of its own first: a reader never meets half a file, nor do two writers meet each other.
        with tempfile.NamedTemporaryFile(dir=where, prefix="archive-", suffix=".part", delete=False) as part:
            try:
                np.savez_compressed(
                    part,
                    told=np.frombuffer(words, dtype=np.uint8),
                    values=np.ascontiguousarray(values, dtype=np.float64),
                    checksum=np.frombuffer(checksum, dtype=np.uint8),
                )
                part.close()
                _sweep(where, Path(part.name))
                os.replace(part.name, path_of(where, cell, year))
            except BaseException:
                with contextlib.suppress(OSError):
                    part.close()
                with contextlib.suppress(OSError):
                    os.unlink(part.name)
                raise
    except OSError as error:
        # Another process may have put the same year there while we tried.
        with contextlib.suppress(DamagedFileError):
            if read_kept(cell, year) is not None:
                return None
        return f"{where} cannot be written ({error.strerror or error})"
    return None


def _sweep(where: Path, mine: Path) -> None:
    """Remove the temporary files of processes that were killed long ago."""
    now_s = mine.stat().st_mtime
    for left in where.glob("archive-*.part"):
        with contextlib.suppress(OSError):
            if now_s - left.stat().st_mtime > LEFT_BEHIND_H * SECONDS_PER_HOUR:
                left.unlink()
