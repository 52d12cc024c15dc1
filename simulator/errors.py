"""What can go wrong, as one tree.

::

    FlatdaysError
    ├── InputError          what a person wrote, or a file they named, cannot be used (exit status 2)
    │   └── WeatherFileError    a weather file is missing, foreign, truncated or wrong
    ├── ArchiveError        weather could not be had from the archive (exit status 3)
    └── EngineFault         a fault of ours (exit status 70)

Every message is one sentence a person can act on: where, what was expected, what was found, how to mend it.
"""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike

LONGEST_NAME = 200
"""Letters of a file's name that a message repeats."""


def printable(path: str | PathLike[str]) -> str:
    """Name a file or folder on one line: nothing in a name may steer the terminal or break the line."""
    name = "".join(letter if letter.isprintable() else "?" for letter in str(path))
    return name if len(name) <= LONGEST_NAME else f"...{name[-LONGEST_NAME:]}"


class FlatdaysError(Exception):
    """Root of every error that flatdays raises on purpose."""

    exit_status = 70


class InputError(FlatdaysError):
    """One or more mistakes in what a person wrote; all of them are collected before this is raised.

    Parameters
    ----------
    mistakes : str or iterable of str
        One finished sentence per mistake.
    """

    exit_status = 2

    def __init__(self, mistakes: str | Iterable[str]) -> None:
        self.mistakes: tuple[str, ...] = (mistakes,) if isinstance(mistakes, str) else tuple(mistakes)
        super().__init__("\n".join(self.mistakes))


class WeatherFileError(InputError):
    """A weather file cannot be used as it is."""


class ArchiveError(FlatdaysError):
    """Weather could not be had from the archive."""

    exit_status = 3


class EngineFault(FlatdaysError):
    """A law that must hold did not: a fault of ours, never of the person."""

    exit_status = 70
