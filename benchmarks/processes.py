"""Whole processes: the command beside a process that only imports the same libraries, and the very first start."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from cases import YEAR_SCENARIO
from measure import run_process

ROOT = Path(__file__).resolve().parents[1]
SEASON = ROOT / "scenarios" / "bloom-route.toml"
LIBRARIES = ("numpy", "pandas", "pvlib", "numba", "pydantic", "scipy.optimize", "tzfpy")
"""What the command needs for a run without the page; anything heavier that it loads counts against it."""
HEAVY = (*LIBRARIES, "matplotlib", "jinja2", "scipy.stats")
IMPORTS = f"import {', '.join(LIBRARIES)}\nfrom pydantic import BaseModel"
"""pydantic loads its models only when they are asked for, and every use of it asks."""
NUMBA_READY = (
    "\nfrom numba.core.registry import cpu_target\ncpu_target.typing_context.refresh()\ncpu_target.target_context.refresh()"
)
"""What numba does once, before the first compiled function of a process, even one that comes from its cache."""

COMPILE_ONCE = """\
import sys; sys.path[:0] = [{here!r}, {root!r}]
from cases import plain_case
from loops import new_outputs, walk_compiled
case = plain_case("lfp", 1, 24)
walk_compiled(case, new_outputs(case, False))
"""
LOADED = """\
import contextlib, io, sys
from simulator.cli import main
with contextlib.redirect_stdout(io.StringIO()):
    status = main({arguments!r})
print(" ".join(name for name in {heavy!r} if name in sys.modules))
sys.exit(status)
"""


def environment(**more: str) -> dict[str, str]:
    """The child runs the package that lies beside this folder, whatever else is installed."""
    path = os.pathsep.join(part for part in (str(ROOT), os.environ.get("PYTHONPATH", "")) if part)
    # An installed package comes with its byte code, so these processes may keep theirs (an empty value switches the ban off).
    return {"PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "", **more}


def write_year_scenario(folder: Path) -> Path:
    """The one-year scenario as a file."""
    target = folder / "year.toml"
    target.write_text(YEAR_SCENARIO, encoding="utf-8")
    return target


def command(*arguments: str) -> Callable[[], tuple[float, float]]:
    """One ``flatdays`` process."""
    return lambda: run_process([sys.executable, "-m", "simulator", *arguments], environment())


def bare_imports() -> tuple[float, float]:
    """One process that imports the libraries and ends."""
    return run_process([sys.executable, "-c", IMPORTS], environment())


def imports_and_numba() -> tuple[float, float]:
    """The same, and numba made ready for its first compiled call, which every program that uses numba pays once."""
    return run_process([sys.executable, "-c", IMPORTS + NUMBA_READY], environment())


def compile_loop(folder: Path) -> tuple[float, float]:
    """One process that compiles the hour loop into an empty cache folder (or takes it from a filled one) and walks a day."""
    code = COMPILE_ONCE.format(here=str(ROOT / "benchmarks"), root=str(ROOT))
    return run_process([sys.executable, "-c", code], environment(NUMBA_CACHE_DIR=str(folder)))


def heavy_libraries(*arguments: str) -> list[str]:
    """Which heavy libraries a fresh process has loaded after ``flatdays ARGUMENTS``."""
    code = LOADED.format(arguments=list(arguments), heavy=HEAVY)
    done = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, **environment()}, check=True, capture_output=True, text=True
    )
    return done.stdout.split()


def why_it_fails(*arguments: str) -> str | None:
    """None if ``flatdays ARGUMENTS`` runs; otherwise the last line it says."""
    done = subprocess.run(
        [sys.executable, "-m", "simulator", *arguments],
        env={**os.environ, **environment()},
        check=False,
        capture_output=True,
        text=True,
    )
    if done.returncode == 0:
        return None
    return (done.stderr.strip().splitlines() or [f"exit status {done.returncode}"])[-1]
