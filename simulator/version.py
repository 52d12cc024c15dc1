"""The version of flatdays, as every output names it."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def package_version() -> str:
    """Version of the installed package, or ``unknown`` when it runs from a bare folder."""
    try:
        return version("flatdays")
    except PackageNotFoundError:
        return "unknown"
