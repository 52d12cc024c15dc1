"""Starting: the compile cache under two processes at once and where nothing can be written; what the command leaves as it was."""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from simulator.battery import kernel
from simulator.cli import main
from simulator.record import table_text

PACKAGE = Path(kernel.__file__).resolve().parents[1]
SOC = (0.0, 0.2501, 0.5, 0.99, 1.0)
"""Points of a tiny job: a small function of the hour loop's file, by the loop's own decorator and with the same cache."""

JOB = f"""
import json, sys
import numpy as np
from simulator.battery import keeping, kernel
kernel.job = kernel._compile(kernel._energy.py_func)
keeping.bear_damage(kernel)
curve = np.outer(np.linspace(0.0, 1.0, kernel.NODES + 1), np.arange(1.0, 8.0)) + 10.0
found = [kernel.job(curve, soc) for soc in {SOC}]
stats = kernel.job.stats
print(json.dumps([found, [str(stats.cache_path), sum(stats.cache_hits.values()), sum(stats.cache_misses.values())]]))
"""


def start(package_parent: Path, **environment: str) -> subprocess.Popen[str]:
    """A process that imports the package from ``package_parent`` and does the tiny job."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("NUMBA_")}
    return subprocess.Popen(
        [sys.executable, "-c", JOB],
        cwd=package_parent,
        env={**clean, "PYTHONPATH": str(package_parent), **environment},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def answer(process: subprocess.Popen[str]) -> tuple[list[float], list[int]]:
    """What it found, and how often the cache was hit and missed."""
    said, trouble = process.communicate(timeout=120)
    assert process.returncode == 0, trouble
    found, (_, hits, misses) = json.loads(said)
    return found, [hits, misses]


def expected() -> list[float]:
    """Column 0 rises from 10 to 11, column 1 from 10 to 12: the voltage is 10 + soc, and its integral as the nodes have it."""
    integrals = []
    for soc in SOC:
        cell = min(int(soc * kernel.NODES), kernel.NODES - 1)
        part_soc = soc - cell / kernel.NODES
        low = 10.0 + cell / kernel.NODES
        integrals.append(10.0 + 2.0 * cell / kernel.NODES + part_soc * (low + 0.5 * part_soc))
    return integrals


def right(found: list[float]) -> bool:
    return found == pytest.approx(expected(), rel=1e-12)


def again(cache: Path) -> list[int]:
    """Hits and misses of one more process, which must answer right."""
    found, counted = answer(start(PACKAGE.parent, NUMBA_CACHE_DIR=str(cache)))
    assert right(found)
    return counted


def test_two_processes_at_once_fill_one_empty_cache_and_both_answer_right(tmp_path):
    cache = tmp_path / "cache"
    cache.mkdir()
    both = [start(PACKAGE.parent, NUMBA_CACHE_DIR=str(cache)) for _ in range(2)]
    for process in both:
        found, (hits, misses) = answer(process)
        assert right(found)
        assert hits + misses == 1
    assert list(cache.rglob("*.nbi"))
    assert not list(cache.rglob("tmp*"))
    assert again(cache) == [1, 0], "the third process takes it from the cache"

    # A power cut may leave half a file: compiled anew, and whole at the next start.
    for pattern in ("*_energy*.nbc", "*_energy*.nbi"):
        (damaged,) = cache.rglob(pattern)
        damaged.write_bytes(damaged.read_bytes()[:40])
        assert again(cache) == [0, 1], pattern
    assert again(cache) == [1, 0]


def test_the_package_lets_the_loop_live_with_a_damaged_cache():
    """The tiny job above calls ``bear_damage`` itself; for the loop the package has to, when it is imported."""
    assert kernel.run_block._cache.load_overload.__module__ == "simulator.battery.keeping"


def test_where_no_cache_folder_can_be_written_the_answer_is_the_same(tmp_path):
    """A file stands where each folder would have to be, which stops even an administrator, as a read-only disk would."""
    parent = tmp_path / "installed"
    battery = parent / "simulator" / "battery"
    battery.mkdir(parents=True)
    for relative in ("__init__.py", "errors.py", "units.py", "battery/kernel.py", "battery/keeping.py"):
        (parent / "simulator" / relative).write_bytes((PACKAGE / relative).read_bytes())
    (battery / "__init__.py").write_text("")
    (battery / "__pycache__").write_text("no folder")
    wall = tmp_path / "wall"
    wall.write_text("no folder")
    closed = str(wall / "below")
    process = start(
        parent, NUMBA_CACHE_DIR=closed, HOME=closed, XDG_CACHE_HOME=closed, LOCALAPPDATA=closed, PYTHONDONTWRITEBYTECODE="1"
    )
    said, trouble = process.communicate(timeout=120)
    assert process.returncode == 0, trouble
    found, (cache_path, _, _) = json.loads(said)
    assert right(found)
    assert cache_path == "None"
    assert not list(tmp_path.rglob("*.nb?"))


def test_the_command_leaves_the_garbage_collector_as_it_was(capsys):
    before = gc.get_threshold()
    assert main(["--version"]) == 0
    assert gc.get_threshold() == before
    with pytest.raises(SystemExit):
        main(["no such command"])
    assert gc.get_threshold() == before
    assert "flatdays" in capsys.readouterr().out


def test_tables_are_written_byte_for_byte_as_pandas_writes_them():
    """The authority is pandas itself: names with commas, quotes and line ends, small and large numbers, yes and no."""
    table = pd.DataFrame(
        {
            "utc": np.array(["2026-03-01T00:00Z", "2026-03-01T01:00Z", "2026-03-01T02:00Z"]),
            "stop": np.array(["Moor, north", 'the "Fell"', "two\nlines"], dtype=object),
            "hookup": np.array([True, False, True]),
            "load_w": np.array([0.1, -0.0, 1e-7]).round(8),
            "soc": np.array([1.0, 1234567.25, 1e16]),
            "day": np.arange(3),
        }
    )
    assert table_text(table) == table.to_csv(index=False, lineterminator="\n")
    assert table_text(table[:0]) == table[:0].to_csv(index=False, lineterminator="\n")
