"""What flatdays takes where a person wrote nothing: data files, each number with its unit, its valid range and its source."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any


@dataclass(frozen=True, eq=False)
class Preset:
    """One file of simulator/presets.

    Attributes
    ----------
    name : str
        File name without ``.toml``.
    sha256 : str
        Of the bytes of the file.
    tables : mapping
        As it stands in the file; a number is ``{value, unit, valid, source}``.
    """

    name: str
    sha256: str
    tables: Mapping[str, Any]

    def _entry(self, *keys: str) -> Any:
        entry: Any = self.tables
        for key in keys:
            entry = entry[key]
        return entry

    def number(self, *keys: str) -> float:
        """Return the value of one number, in the unit that its name ends with."""
        return float(self._entry(*keys)["value"])

    def numbers(self, *keys: str) -> tuple[float, ...]:
        """Return the values of one row of numbers."""
        return tuple(float(value) for value in self._entry(*keys)["value"])

    def valid(self, *keys: str) -> tuple[float, float]:
        """Return the usual range of a number; outside of it a written one deserves a word."""
        low, high = self._entry(*keys)["valid"]
        return float(low), float(high)

    def source(self, *keys: str) -> str:
        """Return where a number comes from."""
        return str(self._entry(*keys)["source"])


@cache
def load_preset(name: str) -> Preset:
    """Read one file of simulator/presets.

    Parameters
    ----------
    name : str
        ``chemistries``, ``appliances``, ``converters``, ``hours`` or ``mounts``.

    Returns
    -------
    Preset
    """
    data = resources.files("simulator").joinpath("presets", f"{name}.toml").read_bytes()
    return Preset(name, hashlib.sha256(data).hexdigest(), tomllib.loads(data.decode("utf-8")))
