"""Ends a command of flatdays without warning, at a moment that chance picks."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
SLOW_DISK = """\
import pathlib, tempfile, time

def slow(deed):
    def do(*args, **more):
        time.sleep({wait_s})
        done = deed(*args, **more)
        time.sleep({wait_s})
        return done
    return do

pathlib.Path.write_text = slow(pathlib.Path.write_text)
pathlib.Path.replace = slow(pathlib.Path.replace)
tempfile.mkstemp = slow(tempfile.mkstemp)
"""
KILLS = int(os.environ.get("FLATDAYS_KILLS", "5"))
"""How often each command is killed; ``FLATDAYS_KILLS=50`` for the long run."""
LONGEST_WAIT_S = 120.0


def slow_disk(folder: Path, wait_s: float) -> dict[str, str]:
    """Environment in which making, writing and renaming a file take a while, so that a kill can fall in between."""
    folder.mkdir(exist_ok=True)
    (folder / "sitecustomize.py").write_text(SLOW_DISK.format(wait_s=wait_s))
    return {"PYTHONPATH": f"{folder}{os.pathsep}{ROOT}"}


def kill(
    arguments: Sequence[str],
    folder: Path,
    *,
    until: Callable[[], bool],
    after_s: float,
    env: Mapping[str, str] | None = None,
) -> bool:
    """Start ``flatdays ARGUMENTS`` in a folder, and kill it (SIGKILL) so many seconds after ``until`` has become true.

    Returns
    -------
    bool
        Whether it was killed; False: it had come to its end by itself before.
    """
    process = subprocess.Popen(
        [sys.executable, "-m", "simulator", *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | dict(env or {}),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    give_up_s = time.monotonic() + LONGEST_WAIT_S
    try:
        while process.poll() is None and not until():
            assert time.monotonic() < give_up_s, "it neither ends nor begins its work"
            time.sleep(0.004)
        if after_s:
            time.sleep(after_s)
        ended = process.poll() is not None
    finally:
        process.kill()
        process.wait()
    return not ended
