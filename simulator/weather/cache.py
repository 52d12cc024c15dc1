"""Parsed weather years on disk, so that a file is read through the slow libraries once only.

An entry is an ``.npz`` archive (numbers and JSON, nothing that could be executed) named after the SHA-256 of the weather
file. It carries its own checksum. Whatever is wrong with an entry or its folder, the answer is "not there": the file
is read again, and nothing is said.

The folder is the user's cache folder, or the one named by the environment variable ``FLATDAYS_CACHE``; set but empty,
nothing is kept.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from simulator.weather.station import COLUMNS, ROWS_WITH_LEAP_DAY, ROWS_WITHOUT_LEAP_DAY, Floats

FORMAT_VERSION = 1
"""Raise this whenever reading, filling or checking changes, so that no older entry is used."""

LARGEST_ENTRY_BYTES = 4 * 1024 * 1024
"""Five columns of a year take 0.35 MB; anything larger is not ours."""


def _folder() -> Path | None:
    """Where entries are kept; None: nowhere."""
    named = os.environ.get("FLATDAYS_CACHE")
    if named is not None:
        return Path(named) if named else None
    import platformdirs

    return Path(platformdirs.user_cache_dir("flatdays", appauthor=False))


def _entry(folder: Path, sha256: str) -> Path:
    return folder / f"weather-{sha256}-v{FORMAT_VERSION}.npz"


def _checksum(sha256: str, told: bytes, values: Floats) -> bytes:
    """Over the key too, so that an entry renamed to another file's key is noticed."""
    return hashlib.sha256(sha256.encode("ascii") + told + values.tobytes()).digest()


def load(sha256: str) -> tuple[dict[str, Any], Floats] | None:
    """Fetch what was kept for a weather file; None if there is nothing sound.

    Returns
    -------
    told : dict
        What was said about the station.
    values : ndarray (5, rows)
        The columns of the contract, in its order.
    """
    try:
        folder = _folder()
        if folder is None:
            return None
        path = _entry(folder, sha256)
        if path.stat().st_size > LARGEST_ENTRY_BYTES:
            return None
        # Opened here, because the library leaves a file open that turns out to be no archive.
        with path.open("rb") as file, np.load(file, allow_pickle=False) as kept:
            told = kept["told"].tobytes()
            values = np.ascontiguousarray(kept["values"])
            checksum = kept["checksum"].tobytes()
        sound = values.dtype == np.float64 and values.shape in {
            (len(COLUMNS), ROWS_WITHOUT_LEAP_DAY),
            (len(COLUMNS), ROWS_WITH_LEAP_DAY),
        }
        if not sound or checksum != _checksum(sha256, told, values):
            return None
        return dict(json.loads(told)), values
    except Exception:
        # A cache may be missing, locked, half-written or foreign in more ways than can be listed; none of them matters.
        return None


def store(sha256: str, told: dict[str, Any], values: Floats) -> None:
    """Keep a parsed year; silently does nothing where that cannot be done."""
    try:
        folder = _folder()
        if folder is None:
            return
        folder.mkdir(parents=True, exist_ok=True)
        words = json.dumps(told, sort_keys=True).encode("utf-8")
        values = np.ascontiguousarray(values, dtype=np.float64)
        # Under a name of its own first: a reader never meets half an entry, nor do two writers meet each other.
        with tempfile.NamedTemporaryFile(dir=folder, prefix="weather-", suffix=".part", delete=False) as part:
            try:
                np.savez(
                    part,
                    told=np.frombuffer(words, dtype=np.uint8),
                    values=values,
                    checksum=np.frombuffer(_checksum(sha256, words, values), dtype=np.uint8),
                )
                part.close()
                os.replace(part.name, _entry(folder, sha256))
            except BaseException:
                # Closing writes what is left, which may fail like the rest.
                with contextlib.suppress(OSError):
                    part.close()
                with contextlib.suppress(OSError):
                    os.unlink(part.name)
                raise
    except (OSError, RuntimeError):
        # RuntimeError: there is no home folder to put a cache in.
        return
