"""A warning of a library that nothing here could mend, kept quiet while one call runs, from any thread."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

_ONE_AT_A_TIME = threading.RLock()
"""The filters of Python's warnings are one list for all threads: two that put theirs back in turn would undo each other."""


@contextmanager
def without_warning(beginning: str, category: type[Warning] = Warning) -> Iterator[None]:
    """Ignore warnings of ``category`` whose text begins with ``beginning`` (a regular expression)."""
    with _ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=beginning, category=category)
        yield
