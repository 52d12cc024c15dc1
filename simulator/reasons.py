"""Why a run of flat days came: the ledger of the days before it, in one plain sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.battery.kernel import FloatArray
from simulator.timeline import Timeline
from simulator.units import HOURS_PER_DAY

LOOKED_DAYS: Final = 7
"""Days before an outage that are looked at: about what a bank of a few days remembers (common practice, no source)."""
TOLD_FRAC: Final = 0.05
"""Differences and losses below this share are not worth a word."""
HELD_BACK: Final = (k.SPILLED_CONTROLLER_WH, k.SPILLED_LIMIT_WH, k.SPILLED_ACCEPTANCE_WH)


@dataclass(frozen=True)
class Reason:
    """The ledger of the days before a run of flat days, with its first day.

    Attributes
    ----------
    days : int
        How many were looked at, the first flat day included.
    sun_over_usual : float or None
        Light on the flat over what is usual there in those months, less 1; None: nobody knows what is usual.
    load_over_usual : float
        Load over the mean of the trip, less 1.
    came_wh, load_wh : float
        What panels and chargers brought, and what the load asked for [Wh].
    refused_wh : float
        Charge on offer that the cells refused, too cold or too hot: of panels and chargers, also above the charge limit [Wh].
    held_back_wh : float
        Sun that controller, charge limit or acceptance held back [Wh].
    since_start : bool
        The trip began with the first of these days, so there is nothing before them.
    """

    days: int
    sun_over_usual: float | None
    load_over_usual: float
    came_wh: float
    load_wh: float
    refused_wh: float
    held_back_wh: float
    since_start: bool = False

    @property
    def sentence(self) -> str:
        """The ledger in plain words."""
        when = looked_back_words(self.days, self.since_start, "in the {} days up to it")
        words = [f"{when} {self.came_wh:,.0f} Wh came in and {self.load_wh:,.0f} Wh were asked for"]
        if self.sun_over_usual is not None:
            words.append(f"the light was {_compared(self.sun_over_usual)} what is usual there at that time of year")
        if abs(self.load_over_usual) >= TOLD_FRAC:
            words.append(f"the load was {_compared(self.load_over_usual)} the trip's mean")
        asked = max(self.load_wh, 1.0)
        if self.refused_wh >= TOLD_FRAC * asked:
            words.append(f"{self.refused_wh:,.0f} Wh on offer were refused by cells too cold or too hot")
        if self.held_back_wh >= TOLD_FRAC * asked:
            words.append(f"{self.held_back_wh:,.0f} Wh were held back by controller or charge limit")
        return "; ".join(words)


def looked_back_words(days: int, since_start: bool, otherwise: str) -> str:
    """Which days before a flat day were looked at; ``otherwise`` tells of those that do not reach back to the start."""
    if days == 1:
        return "on the first day of the trip" if since_start else "on that day"
    return f"in the {days} days since the trip began" if since_start else otherwise.format(days)


def _compared(over: float) -> str:
    if abs(over) < TOLD_FRAC:
        return "about"
    return f"{abs(over):.0%} {'above' if over > 0.0 else 'below'}"


def usual_light_wh_m2(clock: Timeline, usual_sun: tuple[tuple[float, ...] | None, ...]) -> FloatArray | None:
    """(hours,): an even share of the usual light of each hour's stop and month [Wh/m2]; None where a stop has no usual light."""
    if not usual_sun or any(months is None for months in usual_sun):
        return None
    table = np.array(usual_sun, dtype=np.float64)
    month = np.array([day.month for day in clock.dates])[clock.local_day] - 1
    return np.asarray(table[clock.stop, month] * 1000.0 / HOURS_PER_DAY)


def reason(
    hours: FloatArray,
    clock: Timeline,
    first_flat_day: int,
    ghi: FloatArray,
    usual_light: FloatArray | None,
) -> Reason:
    """Read the ledger of the days before a run of flat days.

    Parameters
    ----------
    hours : (hours, HOUR_FIELDS)
        The bank as proposed.
    clock : Timeline
    first_flat_day : int
        Number of the day in the trip.
    ghi : (hours,)
        Light on the flat [W/m2].
    usual_light : (hours,) or None
        See :func:`usual_light_wh_m2`.
    """
    first = max(first_flat_day - LOOKED_DAYS + 1, 0)
    here: npt.NDArray[np.bool_] = (clock.local_day >= first) & (clock.local_day <= first_flat_day)
    lived_in = ~clock.stored
    rows = hours[here]
    came = rows[:, [k.SUN_USED_WH, k.SHORE_WH, k.DRIVE_WH, k.GENERATOR_WH, k.OTHER_WH]].sum()
    load = float(rows[:, k.LOAD_WH].sum())
    mean = float(hours[lived_in, k.LOAD_WH].mean()) * float((here & lived_in).sum()) if lived_in.any() else 0.0
    usual = None if usual_light is None else float(usual_light[here].sum())
    return Reason(
        days=first_flat_day - first + 1,
        sun_over_usual=float(ghi[here].sum()) / usual - 1.0 if usual else None,
        load_over_usual=load / mean - 1.0 if mean > 0.0 else 0.0,
        came_wh=float(came),
        load_wh=load,
        refused_wh=float(rows[:, [k.REFUSED_COLD_WH, k.REFUSED_HOT_WH, k.REFUSED_CHARGER_WH]].sum()),
        held_back_wh=float(rows[:, list(HELD_BACK)].sum()),
        since_start=first == 0,
    )
