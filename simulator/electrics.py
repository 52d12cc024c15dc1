"""What a run says of the system around the bank: who was served, what the generator burned, whether the cabin went cold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.battery.kernel import FloatArray
from simulator.loads import PEAK_AC_W, REST_AC_W, LoadHistory
from simulator.scenario.parts import PRIORITIES, Appliance

MISSED = (k.MISSED_ESSENTIAL_WH, k.MISSED_COMFORT_WH, k.MISSED_LUXURY_WH)
"""In the order of PRIORITIES."""
LEAST_W: Final = 0.5
"""Less than this missed in an hour is rounding."""
LEAST_DARK_H: Final = 1.0 / 60.0
"""Less than a minute in an hour is rounding [h]."""
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


@dataclass(frozen=True)
class MedicalLine:
    """How one appliance marked medical fared off the hookup, where the bank is all it has."""

    name: str
    asked_h: float
    """Hours in which it asks for power of the bank."""
    dark_h: float
    """Of them without: the bank dark, the inverter off, or its priority switched off."""
    days: int
    """Local days touched by that."""
    first_hour: int
    """Position of the first such hour; -1: none."""
    overload_h: float
    """Of the others those in which bank or inverter were asked for more than they give, which may cut it off too."""


def medical_lines(
    devices: Sequence[Appliance], hours: FloatArray, load: LoadHistory, local_day: npt.NDArray[np.int64]
) -> tuple[MedicalLine, ...]:
    """Hours without power of every medical device.

    Parameters
    ----------
    devices : appliances marked medical, in the order of the scenario.
    hours : (hours, HOUR_FIELDS)
    load : their watts stand in ``medical_w``.
    local_day : (hours,)

    Notes
    -----
    A DC device is not dark while only the inverter has let go. Of an hour in which it runs for a part, the dark share counts.
    """
    found = []
    # The hours without the inverter count as dark only while essential load asks for it: in the peak, in the rest, or in both.
    peak_h = load.peak_h[0]
    asking_h = np.where(load.bus_w[0, :, 0, REST_AC_W] > 0.0, 1.0 - peak_h, 0.0)
    asking_h = asking_h + np.where(load.bus_w[0, :, 0, PEAK_AC_W] > 0.0, peak_h, 0.0)
    by_bank_h = np.maximum(hours[:, k.DARK_H] - np.minimum(hours[:, k.INVERTER_OFF_H], asking_h), 0.0)
    level_wh = np.diff(load.mean_w[0], axis=-1, prepend=0.0)
    for device, watts in zip(devices, load.medical_w, strict=True):
        asks = watts > LEAST_W
        dark_h = by_bank_h if device.bus == "dc" else np.maximum(hours[:, k.DARK_H], hours[:, k.INVERTER_OFF_H])
        asked_wh = level_wh[:, device.priority]
        missed = hours[:, MISSED[device.priority]] / np.where(asked_wh > 0.0, asked_wh, np.inf)
        if device.priority > 0:
            dark_h = np.maximum(dark_h, np.minimum(missed, 1.0))
        dark_h = np.where(asks, np.minimum(dark_h, 1.0), 0.0)
        dark = dark_h > LEAST_DARK_H
        over = (hours[:, k.MISSED_LIMIT_WH] > LEAST_W) | ((load.overload_w[0] > LEAST_W) & (device.bus == "ac"))
        first = np.flatnonzero(dark)
        found.append(
            MedicalLine(
                name=device.name,
                asked_h=float(asks.sum()),
                dark_h=float(dark_h[dark].sum()),
                days=len(np.unique(local_day[dark])),
                first_hour=int(first[0]) if first.size else -1,
                overload_h=float((asks & over & ~dark).sum()),
            )
        )
    return tuple(found)


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
        text += f"; in {locked_h:.0f} of them they were too cold to be charged, and {refused_wh:,.0f} Wh on offer were refused"
    return text + "."
