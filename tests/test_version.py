"""The version that every output names, and the command as a module."""

from __future__ import annotations

import runpy
import sys
from importlib import metadata

import pytest

from simulator import version


def test_the_installed_version_is_named():
    assert version.package_version() == metadata.version("flatdays")


def test_from_a_bare_folder_the_version_is_unknown(monkeypatch):
    def nowhere(name):
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(version, "version", nowhere)
    assert version.package_version() == "unknown"


def test_the_package_runs_as_a_module(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["flatdays", "--version"])
    with pytest.raises(SystemExit) as stop:
        runpy.run_module("simulator", run_name="__main__")
    assert stop.value.code == 0
    assert version.package_version() in capsys.readouterr().out
