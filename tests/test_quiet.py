"""A library's warning kept quiet: in every thread, and no longer than the call."""

from __future__ import annotations

import warnings
from concurrent.futures import ThreadPoolExecutor

import pytest

from simulator.quiet import without_warning


def test_many_threads_hear_nothing_and_what_else_is_said_is_heard():
    def call(_number: int) -> None:
        for _ in range(200):
            with without_warning("an old name", DeprecationWarning):
                warnings.warn("an old name is used", DeprecationWarning, stacklevel=1)

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(call, range(8)))
    with pytest.warns(DeprecationWarning, match="an old name"):
        warnings.warn("an old name is used", DeprecationWarning, stacklevel=1)
    with pytest.warns(UserWarning, match="another"), without_warning("an old name"):
        warnings.warn("another", UserWarning, stacklevel=1)
