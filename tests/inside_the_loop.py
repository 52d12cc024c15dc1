"""Ways from Python into the compiled functions inside the hour loop, which are compiled for other compiled functions alone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit

from simulator.battery import kernel


def opened(function: Callable[..., Any]) -> Callable[..., Any]:
    """A compiled function that only hands its arguments on to ``function``."""

    def call(*arguments: Any) -> Any:
        return function(*arguments)

    compiled: Callable[..., Any] = njit(call)
    return compiled


ocv = opened(kernel._ocv)
charge_v = opened(kernel._charge_v)
energy = opened(kernel._energy)
charge_terms = opened(kernel._charge_terms)
charging_rate = opened(kernel._charging_rate)
capacity_frac = opened(kernel._capacity_frac)
well_after = opened(kernel._well_after)
well_empty_time = opened(kernel._well_empty_time)
