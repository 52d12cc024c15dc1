"""What a run says of the system around the bank: who was served, what the generator burned, whether the cabin went cold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.battery.kernel import FloatArray
from simulator.scenario.parts import PRIORITIES

MISSED = (k.MISSED_ESSENTIAL_WH, k.MISSED_COMFORT_WH, k.MISSED_LUXURY_WH)
"""In the order of PRIORITIES."""
LEAST_W: Final = 0.5
"""Less than this missed in an hour is rounding."""
CHILLED: Final = 0.1
"""Share of the heating's work that has to be lost before it is worth a sentence (no source)."""


@dataclass(frozen=True)
class PriorityLine:
    """What one priority missed over the run, whatever the reason: dark, switched off, or refused by a limit."""

    name: str
    missed_wh: float
    hours: float
    """Hours in which some of it was missed."""


def priority_lines(hours: FloatArray) -> tuple[PriorityLine, ...]:
    """Missed energy and hours by priority, from ``(hours, HOUR_FIELDS)``."""
    return tuple(
        PriorityLine(name, float(hours[:, column].sum()), float((hours[:, column] > LEAST_W).sum()))
        for name, column in zip(PRIORITIES, MISSED, strict=True)
    )


def flat_for_all_load(
    hours: FloatArray, local_day: npt.NDArray[np.int64], days: int, *, dark_h: float, missed_frac: float
) -> npt.NDArray[np.bool_]:
    """(days,): days that would be flat if comfort and luxury counted as essential, switched off by priority or dark.

    Parameters
    ----------
    hours : (hours, HOUR_FIELDS)
    local_day : (hours,)
    days : int
    dark_h, missed_frac : a day is flat from so many dark hours, or from this share of its load missed, on.
    """
    missed = hours[:, k.MISSED_DARK_WH] + hours[:, k.MISSED_SHED_WH]
    by_day = np.bincount(local_day, weights=missed, minlength=days)
    load = np.bincount(local_day, weights=hours[:, k.LOAD_WH], minlength=days)
    dark = np.bincount(local_day, weights=hours[:, k.DARK_H], minlength=days)
    return np.asarray((dark >= dark_h) | ((by_day > 0.0) & (by_day >= missed_frac * load)))


def cold_cabin_sentence(hours: FloatArray) -> str | None:
    """How a dark bank cooled the cabin and, with it, itself; None when its heating never stood still for long."""
    chill = hours[:, k.CHILL_END]
    if chill.max(initial=0.0) < CHILLED:
        return None
    cold = chill > CHILLED
    locked_h = float(hours[cold, k.LOCKED_H].sum())
    text = (
        f"While the bank was dark the heating stood still: for {cold.sum():.0f} hours the cabin was colder than set, and the "
        f"cells came down to {hours[cold, k.CELL_END_C].min():.0f} C"
    )
    if locked_h > 0.0:
        refused_wh = float(hours[cold][:, [k.REFUSED_COLD_WH, k.REFUSED_CHARGER_WH]].sum())
        text += f"; in {locked_h:.0f} of them they were too cold to be charged, and {refused_wh:,.0f} Wh were refused"
    return text + "."
