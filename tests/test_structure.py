"""The house itself: imports go downwards, help and check stay light, the public names hold, the wheel is whole."""

from __future__ import annotations

import ast
import subprocess
import sys
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

import simulator

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "simulator"
LAYERS = {
    "errors": 0,
    "units": 0,
    "quiet": 0,
    "version": 0,
    "scenario": 1,
    "presets": 1,
    "timeline": 2,
    "profiles": 2,
    "weather": 3,
    "solar": 3,
    "loads": 3,
    "sources": 3,
    "cabin": 3,
    "battery": 3,
    "outcome": 4,
    "protections": 4,
    "electrics": 4,
    "reasons": 4,
    "record": 4,
    "route": 4,
    "engine": 5,
    "studies": 6,
    "report": 7,
    "cli": 8,
    "__main__": 9,
    "__init__": 10,
}
SAME_LAYER_ALLOWED = {
    ("profiles", "timeline"),
    ("outcome", "protections"),
    ("outcome", "electrics"),
    ("outcome", "reasons"),
    ("record", "outcome"),
}
NETWORK_HOME = "weather/archive.py"
PRINT_HOME = "cli/"


def _modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py"))


def _room(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def _imports(path: Path) -> set[str]:
    """Rooms of the package that a file imports, at the top or inside a function."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("simulator"):
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("simulator.")}
    return found


@pytest.mark.parametrize("path", _modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_go_downwards(path):
    room = _room(path)
    for other in _imports(path) - {room}:
        below = LAYERS[other] < LAYERS[room]
        assert below or (room, other) in SAME_LAYER_ALLOWED, (
            f"{path.name} (layer {LAYERS[room]}) imports {other} (layer {LAYERS[other]})"
        )


@pytest.mark.parametrize("path", _modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_pickle_eval_shell_print_or_socket_outside_their_homes(path):
    relative = path.relative_to(PACKAGE).as_posix()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in {"eval", "exec"}, relative
            if not relative.startswith(PRINT_HOME):
                assert node.func.id != "print", relative
        if isinstance(node, (ast.Import, ast.ImportFrom)):
            names = {alias.name.split(".")[0] for alias in node.names} | (
                {node.module.split(".")[0]} if getattr(node, "module", None) else set()
            )
            assert not names & {"pickle", "subprocess", "shelve"}, relative
            if relative != NETWORK_HOME:
                assert not names & {"socket", "urllib", "requests", "http"}, relative


def _loaded_after(*arguments: str) -> set[str]:
    """Top-level modules that a fresh process has loaded after ``flatdays ARGUMENTS``."""
    code = (
        "import sys\nfrom simulator.cli import main\n"
        f"try:\n    status = main({list(arguments)!r})\nexcept SystemExit as stop:\n    status = stop.code\n"
        "print('\\n' + ' '.join(sorted({name.split('.')[0] for name in sys.modules})), file=sys.stderr)\nsys.exit(status or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return set(done.stderr.splitlines()[-1].split())


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), ("run", "--help"), ("check", "scenarios/bloom-route.toml")])
def test_light_commands_load_no_heavy_library(arguments):
    assert not _loaded_after(*arguments) & {"pvlib", "numba", "matplotlib", "scipy"}


def test_public_names_are_exactly_these_and_all_work():
    assert simulator.__all__ == sorted(simulator.__all__)
    for name in simulator.__all__:
        assert getattr(simulator, name).__doc__, f"{name} has no docstring"
    assert dir(simulator) == simulator.__all__
    with pytest.raises(AttributeError, match="no attribute 'simulation'"):
        _ = simulator.simulation


def test_the_installed_package_carries_its_data():
    installed = {str(file) for file in metadata.files("flatdays") or []}
    if any(name.endswith(".pth") for name in installed):
        pytest.fail("flatdays is installed in editable mode; install it as the README says: pip install '.[test]'")
    for path in PACKAGE.rglob("*"):
        if path.is_file() and "__pycache__" not in path.parts and not path.name.startswith("."):
            assert path.relative_to(ROOT).as_posix() in installed, f"{path.name} is missing in the built wheel"


def test_nothing_in_the_tree_is_a_zip_in_disguise():
    """Binary data does not belong in the tree: every preset, scenario and table can be read."""
    for folder in ("simulator", "scenarios"):
        for path in (ROOT / folder).rglob("*"):
            if path.is_file() and "__pycache__" not in path.parts:
                assert not zipfile.is_zipfile(path)
                path.read_text(encoding="utf-8")
