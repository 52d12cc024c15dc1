"""Laying the running time of a day into its hours: usual hours of each kind of appliance, clock windows, odd days.

* **Counted by the day** (``hours_per_day``, ``clock``, ``uses_per_day``, ``wh_per_day``): the energy of a local day is
  exactly the audit's, also when the day has 23 or 25 hours or was bent by a zone crossing. The running time is laid into
  the usual hours of that kind of appliance (presets/hours.toml) or into the clock windows, at most sixty minutes an hour
  as long as the day is long enough. A window that the clock skipped runs in the next hour that exists.
* **Running around the clock** (``duty_frac``): every real hour counts, so a day takes power x duty x the hours that day
  has, 4 % less on a day of 23 hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.scenario import load_preset
from simulator.scenario.parts import Appliance
from simulator.timeline import Timeline, day_starts, hourly_window_frac, merge_windows
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

Floats = NDArray[np.float64]

SUNSET_ELEVATION_DEG: Final = -0.833
"""The sun's centre at sunset [deg]: 34' refraction and 16' radius (J. Meeus 1998, Astronomical Algorithms, 2nd ed., ch. 15)."""
REACH_H: Final = ((0.0, 1.0), (0.0, 2.0), (4.0, 4.0))
"""How far before and after a clock window its appliance may run for minutes that the clock skipped, tried in this order [h]."""
DAYS_PER_WEEK: Final = 7
MOST_POWER_RUN_H: Final = 1.0
"""A metered appliance of unknown watts is taken to need this long for its day's energy (common practice, no source) [h]."""
ROUNDING_H: Final = 1e-9
"""Running time below this is rounding, not a need for another hour [h]."""


class _Pattern(NamedTuple):
    """Usual hours of a kind of appliance."""

    windows: tuple[tuple[float, float], ...]
    then: tuple[tuple[float, float], ...]
    dark: bool


@cache
def _usual_hours() -> dict[str, _Pattern]:
    """Patterns by kind of appliance, from presets/hours.toml."""
    table = load_preset("hours").tables
    patterns = {
        name: _Pattern(
            windows=tuple((float(start_h), float(end_h)) for start_h, end_h in pattern["windows"]),
            then=tuple((float(start_h), float(end_h)) for start_h, end_h in pattern.get("then", [])),
            dark=bool(pattern.get("dark", False)),
        )
        for name, pattern in table["patterns"].items()
    }
    return {kind: patterns[name] for kind, name in table["kinds"].items()}


@dataclass(frozen=True)
class Tiers:
    """Where running time may go: ``room[i]`` (hours,) is filled, evenly by room, before ``room[i + 1]``; ``room_h`` by day."""

    room: tuple[Floats, ...]
    room_h: tuple[Floats, ...]


class Clock:
    """The timeline as the appliances read it, with what they share kept.

    Parameters
    ----------
    timeline : Timeline
    sun_elevation_deg : (hours,)
        Of the sun at mid-hour [deg]; lights follow it.
    """

    def __init__(self, timeline: Timeline, sun_elevation_deg: Floats) -> None:
        self.timeline = timeline
        self.day = timeline.local_day
        self.starts = day_starts(timeline.local_day)
        self.weekday = timeline.weekday[self.starts]
        self.day_h = np.add.reduceat(np.ones(timeline.hours), self.starts)
        # The sun's path through the hour, taken as straight, gives the dark share of the hour of sunset.
        slope_deg = np.abs(np.gradient(sun_elevation_deg)) if timeline.hours > 1 else np.ones(timeline.hours)
        above_deg = sun_elevation_deg - SUNSET_ELEVATION_DEG
        self.dark_frac = np.clip(0.5 - above_deg / np.maximum(slope_deg, 1e-9), 0.0, 1.0)
        self._usual: dict[_Pattern, Tiers] = {}

    def tiers(self, reach: Sequence[Floats]) -> Tiers:
        """Tiers that reach ever further, each given as a share of the hour; what an earlier one holds is not in a later."""
        room: list[Floats] = []
        so_far = np.zeros(len(self.day))
        for frac in reach:
            wider = np.maximum(so_far, frac)
            room.append(wider - so_far)
            so_far = wider
        return Tiers(tuple(room), tuple(np.add.reduceat(piece, self.starts) for piece in room))

    def usual(self, kind: str) -> Tiers:
        """Tiers of a kind of appliance: its windows, then its second choice, then the whole day."""
        pattern = _usual_hours().get(kind, _usual_hours()["other"])
        if pattern not in self._usual:
            first = hourly_window_frac(self.timeline.local_hour, pattern.windows)
            if pattern.dark:
                first = first * self.dark_frac
            second = [hourly_window_frac(self.timeline.local_hour, pattern.then)] if pattern.then else []
            self._usual[pattern] = self.tiers([first, *second, np.ones(len(self.day))])
        return self._usual[pattern]

    def fill(self, run_h: Floats, tiers: Tiers, *, must_fit: bool) -> Floats:
        """Lay the running time of each day, ``(days,)`` [h], into the tiers: share of each hour spent running, ``(hours,)``.

        What exceeds all tiers is dropped, or with ``must_fit`` spread over the whole day beyond sixty minutes an hour: a
        day of 23 hours cannot hold 24, and the energy of the day counts.
        """
        run = np.zeros(len(self.day))
        left_h = run_h
        for room, room_h in zip(tiers.room, tiers.room_h, strict=True):
            fits = left_h <= room_h + ROUNDING_H
            taken = np.where(fits, left_h / np.maximum(room_h, ROUNDING_H), 1.0)
            run += room * taken[self.day]
            left_h = np.where(fits, 0.0, left_h - room_h)
            if not left_h.any():
                break
        if must_fit and left_h.any():
            run += (left_h / self.day_h)[self.day]
        return run


def running(appliance: Appliance) -> tuple[float, float]:
    """Watts while running and hours of it a day, for whatever is counted by the day (0 h for clock windows).

    Of a metered appliance of unknown watts both are only a way to lay its energy out.
    """
    if appliance.wh_per_day is not None:
        running_w = appliance.power_w if appliance.power_w > 0.0 else appliance.wh_per_day / MOST_POWER_RUN_H
        return running_w, (appliance.wh_per_day / running_w if running_w > 0.0 else 0.0)
    if appliance.uses_per_day is not None:
        return appliance.power_w, appliance.uses_per_day * (appliance.use_minutes or 0.0) / MINUTES_PER_HOUR
    return appliance.power_w, appliance.hours_per_day or 0.0


def by_opening_day(
    windows: Sequence[tuple[float, float]],
) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Clock windows of the day they open on, and what is carried over midnight into the next."""
    own = [(start_h, end_h if end_h > start_h else float(HOURS_PER_DAY)) for start_h, end_h in windows]
    return own, [(0.0, end_h) for start_h, end_h in windows if 0.0 < end_h <= start_h]


def clock_tiers(appliance: Appliance, clock: Clock) -> tuple[Tiers, Floats]:
    """Tiers and running time of each day [h] for clock windows."""
    own, carried = by_opening_day(appliance.clock or ())
    used = np.isin(clock.weekday, list(appliance.weekdays))
    yesterday = np.append((clock.weekday[0] - 1) % DAYS_PER_WEEK, clock.weekday[:-1])
    used_yesterday = np.isin(yesterday, list(appliance.weekdays))

    def length_h(windows: Sequence[tuple[float, float]]) -> float:
        return sum(end_h - start_h for start_h, end_h in merge_windows(windows))

    # A day holds its own windows, those carried into it from the day before, or both.
    cases = ((used & used_yesterday, own + carried), (used & ~used_yesterday, own), (used_yesterday & ~used, carried))

    def hourly_reach(before_h: float, after_h: float) -> Floats:
        frac = np.zeros(len(clock.day))
        for day_used, windows in cases:
            wider = [(max(start_h - before_h, 0.0), min(end_h + after_h, float(HOURS_PER_DAY))) for start_h, end_h in windows]
            if wider and day_used.any():
                frac += hourly_window_frac(clock.timeline.local_hour, wider) * day_used[clock.day]
        return frac

    day_run_h = np.zeros(len(clock.starts))
    for day_used, windows in cases:
        day_run_h[day_used] = length_h(windows)
    reach = [hourly_reach(0.0, 0.0)]
    tiers = clock.tiers(reach)
    if (tiers.room_h[0] < day_run_h - ROUNDING_H).any():
        tiers = clock.tiers([*reach, *(hourly_reach(*reach_h) for reach_h in REACH_H), np.ones(len(clock.day))])
    return tiers, day_run_h
