"""The compile cache of the hour loop may be damaged, or its disk full: then the loop is compiled anew, and nothing is said."""

from __future__ import annotations

from contextlib import suppress
from typing import Any


def bear_damage(module: Any) -> None:
    """Let the compiled functions of a module live with a cache that cannot be read or written.

    numba itself minds folders that cannot be written and other versions of the file; a file cut short (a power cut, a full disk)
    would end every later start with an error of its own.
    """
    for function in vars(module).values():
        cache = getattr(function, "_cache", None)
        if hasattr(cache, "load_overload") and hasattr(cache, "save_overload"):
            _bear(cache)


def _bear(cache: Any) -> None:
    load, save = cache.load_overload, cache.save_overload

    def load_overload(*arguments: Any) -> Any:
        try:
            return load(*arguments)
        except Exception:
            # Whatever is wrong with the files, an empty index is put in their place: the next save begins afresh.
            with suppress(Exception):
                cache.flush()
            return None

    def save_overload(*arguments: Any) -> None:
        with suppress(Exception):
            save(*arguments)

    cache.load_overload, cache.save_overload = load_overload, save_overload
