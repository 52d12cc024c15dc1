"""From the audit of appliances to the watts of every hour, by priority, at the terminals of the bus.

How a day's energy becomes hours:

* **Counted by the day** (``hours_per_day``, ``clock``, ``uses_per_day``, ``wh_per_day``): the energy of a local day is
  exactly the audit's, also when the day has 23 or 25 hours or was bent by a zone crossing. The running time is laid into
  the usual hours of that kind of appliance (presets/hours.toml) or into the clock windows, at most sixty minutes an hour
  as long as the day is long enough. A window that the clock skipped runs in the next hour that exists.
* **Running around the clock** (``duty_frac`` and standby): every real hour counts, so a day takes power x duty x the
  hours that day has, 4 % less on a day of 23 hours.

Then come the masks, hour by hour, which take energy away and move none: ``stops`` and ``only`` say where an appliance
is connected at all, ``weekdays`` on which local days it is used (a window over midnight belongs to the day it opens on).
With ``only = "driving"`` an appliance runs while the wheels turn, up to its running time a day.

Standby is drawn by a connected appliance for the share of the hour in which it does not run, on every weekday; a metered
``wh_per_day`` already holds it.

AC appliances reach the bus through the inverter's three-parameter law, with the mean AC watts of the hour. On a hookup
they are passed through to the pedestal and the inverter is off.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.errors import InputError
from simulator.scenario.parts import PRIORITIES, Appliance, Inverter, Scenario
from simulator.timeline import Timeline, day_starts, hourly_window_frac, merge_windows
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

SUNSET_ELEVATION_DEG: Final = -0.833
"""The sun's centre at sunset [deg]: 34' refraction and 16' radius (J. Meeus 1998, Astronomical Algorithms, 2nd ed., ch. 15)."""
REACH_H: Final = ((0.0, 1.0), (0.0, 2.0), (4.0, 4.0))
"""How far before and after a clock window its appliance may run for minutes that the clock skipped, tried in this order [h]."""
DAYS_PER_WEEK: Final = 7
MOST_POWER_RUN_H: Final = 1.0
"""A metered appliance of unknown watts is taken to need this long for its day's energy (common practice, no source) [h]."""
ROUNDING_H: Final = 1e-9
"""Running time below this is rounding, not a need for another hour [h]."""


class AuditRow(NamedTuple):
    """One line of the audit as the bus sees it, averaged over the days of the trip."""

    name: str
    power_w: float
    """While running, at the appliance (of the idle row: at the bus)."""
    wh_per_day: float
    """At the bus, an AC appliance with its share of the inverter's losses; what a hookup carried is not in it."""
    priority: int


@dataclass(frozen=True, eq=False)
class LoadHistory:
    """Watts of every hour. ``dc_w[-1]`` = DC appliances + ``ac_w`` + ``inverter_loss_w`` + ``inverter_idle_w``."""

    dc_w: Floats
    """``(levels, hours)`` at the bus, cumulative by priority: essential, + comfort, + luxury [W]."""
    ac_w: Floats
    """``(hours,)`` at the inverter's output [W]."""
    hookup_w: Floats
    """``(hours,)`` AC appliances fed straight from the hookup, not on the bus [W]."""
    inverter_idle_w: Floats
    """``(hours,)`` constant term of the inverter's law, in the hours in which it is on [W]."""
    inverter_loss_w: Floats
    """``(hours,)`` the terms of the law that grow with the load [W]."""
    audit: tuple[AuditRow, ...]
    """One row an appliance, in the order of the scenario, then the inverter's idle draw; they add up to ``dc_w[-1]``."""


def hourly_load_w(scenario: Scenario, timeline: Timeline, sun_elevation_deg: Floats) -> LoadHistory:
    """Lay the audit out in hours.

    Parameters
    ----------
    scenario : Scenario
        Its appliances and inverter.
    timeline : Timeline
        Of the same scenario.
    sun_elevation_deg : (hours,)
        Elevation of the sun at mid-hour [deg]; lights follow it.

    Returns
    -------
    LoadHistory

    Raises
    ------
    InputError
        An AC appliance runs off the hookup and there is no inverter.
    """
    clock = _Clock(timeline, sun_elevation_deg)
    dc_level_w = np.zeros((len(PRIORITIES), timeline.hours))
    ac_level_w = np.zeros((len(PRIORITIES), timeline.hours))
    hookup_w = np.zeros(timeline.hours)
    bus_w: list[Floats] = []
    for appliance in scenario.appliances:
        watts = _hourly_appliance_w(appliance, scenario, clock)
        if appliance.bus == "ac":
            hookup_w += watts * timeline.hookup
            watts = watts * ~timeline.hookup
            ac_level_w[appliance.priority] += watts
        else:
            dc_level_w[appliance.priority] += watts
        bus_w.append(watts)
    _refuse_ac_without_inverter(scenario, bus_w)

    dc_w = np.cumsum(dc_level_w, axis=0)
    ac_w = np.cumsum(ac_level_w, axis=0)
    idle_w, loss_w = inverter_draw_w(scenario.inverter, ac_w, timeline.hookup)
    return LoadHistory(
        dc_w=dc_w + ac_w + idle_w + loss_w,
        ac_w=ac_w[-1],
        hookup_w=hookup_w,
        inverter_idle_w=idle_w[-1],
        inverter_loss_w=loss_w[-1],
        audit=_audit(scenario, timeline, bus_w, ac_w[-1], idle_w[-1], loss_w[-1]),
    )


def inverter_draw_w(inverter: Inverter | None, ac_w: Floats, hookup: Flags) -> tuple[Floats, Floats]:
    """Idle draw and load-dependent loss of the inverter for the mean AC watts of each hour.

    Parameters
    ----------
    inverter : Inverter or None
        None draws nothing.
    ac_w : (..., hours)
        Watts at its output; cumulative by priority, so that the idle draw falls to the first level that needs AC.
    hookup : (hours,)
        Hours in which a hookup carries the AC appliances and the inverter is off.

    Returns
    -------
    idle_w, loss_w : (..., hours)
        ``rated_w * p_self`` while it is on: always with ``always_on``, else only in hours with AC watts; and
        ``rated_w * (v p + r p**2)`` with ``p = ac_w / rated_w`` [1]_.

    References
    ----------
    .. [1] D. U. Sauer, H. Schmidt (1994), 9. Internationales Sonnenforum, 550-557.
    """
    if inverter is None:
        return np.zeros_like(ac_w), np.zeros_like(ac_w)
    load = ac_w / inverter.rated_w
    switched_on = ~hookup & (inverter.always_on | (ac_w > 0.0))
    idle_w = inverter.rated_w * inverter.p_self * switched_on
    loss_w = inverter.rated_w * (inverter.v + inverter.r * load) * load
    return np.asarray(idle_w, dtype=np.float64), loss_w


def running_peak_w(scenario: Scenario) -> float:
    """Most AC watts that can run off the hookup at the same moment, without starting surges.

    Clock windows, weekdays, stops and ``only`` keep appliances apart; whatever has no clock windows may run at any
    moment. An appliance that only a hookup feeds does not count.

    Returns
    -------
    float
        Running watts of all that can coincide [W].
    """
    candidates = [appliance for appliance in scenario.appliances if appliance.bus == "ac" and appliance.only != "hookup"]
    # The sum only goes up where a window opens, so those moments and midnight are enough.
    opening_h = {0.0} | {opens_h for appliance in candidates for opens_h, _ in appliance.clock or ()}
    return max(
        sum(
            _running(appliance)[0]
            for appliance in candidates
            if (appliance.stops is None or stop.number in appliance.stops) and _may_run(appliance, weekday, moment_h)
        )
        for stop in scenario.stops
        for weekday in range(DAYS_PER_WEEK)
        for moment_h in opening_h
    )


def _may_run(appliance: Appliance, weekday: int, moment_h: float) -> bool:
    """Whether an appliance can run at this moment on the clock of this weekday."""
    if appliance.clock is None:
        return weekday in appliance.weekdays
    own, carried = _by_opening_day(appliance.clock)
    opened = [(weekday, window) for window in own] + [((weekday - 1) % DAYS_PER_WEEK, window) for window in carried]
    return any(day in appliance.weekdays and opens_h <= moment_h < closes_h for day, (opens_h, closes_h) in opened)


class _Pattern(NamedTuple):
    """Usual hours of a kind of appliance."""

    windows: tuple[tuple[float, float], ...]
    then: tuple[tuple[float, float], ...]
    dark: bool


@cache
def _usual_hours() -> dict[str, _Pattern]:
    """Patterns by kind of appliance, from presets/hours.toml."""
    table = tomllib.loads(resources.files("simulator").joinpath("presets", "hours.toml").read_text(encoding="utf-8"))
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
class _Tiers:
    """Where running time may go: ``room[i]`` (hours,) is filled, evenly by room, before ``room[i + 1]``; ``room_h`` by day."""

    room: tuple[Floats, ...]
    room_h: tuple[Floats, ...]


class _Clock:
    """The timeline as the appliances read it, with what they share kept."""

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
        self._usual: dict[_Pattern, _Tiers] = {}

    def tiers(self, reach: Sequence[Floats]) -> _Tiers:
        """Tiers that reach ever further, each given as a share of the hour; what an earlier one holds is not in a later."""
        room: list[Floats] = []
        so_far = np.zeros(len(self.day))
        for frac in reach:
            wider = np.maximum(so_far, frac)
            room.append(wider - so_far)
            so_far = wider
        return _Tiers(tuple(room), tuple(np.add.reduceat(piece, self.starts) for piece in room))

    def usual(self, kind: str) -> _Tiers:
        """Tiers of a kind of appliance: its windows, then its second choice, then the whole day."""
        pattern = _usual_hours().get(kind, _usual_hours()["other"])
        if pattern not in self._usual:
            first = hourly_window_frac(self.timeline.local_hour, pattern.windows)
            if pattern.dark:
                first = first * self.dark_frac
            second = [hourly_window_frac(self.timeline.local_hour, pattern.then)] if pattern.then else []
            self._usual[pattern] = self.tiers([first, *second, np.ones(len(self.day))])
        return self._usual[pattern]

    def fill(self, run_h: Floats, tiers: _Tiers, *, must_fit: bool) -> Floats:
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


def _hourly_appliance_w(appliance: Appliance, scenario: Scenario, clock: _Clock) -> Floats:
    """Watts of one appliance at its own terminals, standby included, wherever they come from."""
    connected = _hourly_connected_frac(appliance, scenario, clock.timeline)
    used = np.isin(clock.weekday, list(appliance.weekdays)).astype(np.float64)
    if appliance.duty_frac is not None:
        run = appliance.duty_frac * used[clock.day] * connected
        return appliance.power_w * run + appliance.standby_w * (connected - run)

    running_w, run_h = _running(appliance)
    if appliance.clock is not None:
        tiers, day_run_h = _clock_tiers(appliance, clock)
    else:
        tiers, day_run_h = clock.usual(appliance.kind), run_h * used
    if appliance.only == "driving":
        # The wheels decide, not the usual hours; clock windows hold all the same, and what does not fit is not run.
        within = np.minimum(tiers.room[0], 1.0) if appliance.clock is not None else 1.0
        run = clock.fill(day_run_h, clock.tiers([within * connected]), must_fit=False)
    else:
        run = clock.fill(day_run_h, tiers, must_fit=True) * connected
    if appliance.wh_per_day is not None:
        return running_w * run
    return running_w * run + appliance.standby_w * np.maximum(connected - run, 0.0)


def _running(appliance: Appliance) -> tuple[float, float]:
    """Watts while running and hours of it a day, for whatever is counted by the day (0 h for clock windows)."""
    if appliance.wh_per_day is not None:
        running_w = appliance.power_w if appliance.power_w > 0.0 else appliance.wh_per_day / MOST_POWER_RUN_H
        return running_w, (appliance.wh_per_day / running_w if running_w > 0.0 else 0.0)
    if appliance.uses_per_day is not None:
        return appliance.power_w, appliance.uses_per_day * (appliance.use_minutes or 0.0) / MINUTES_PER_HOUR
    return appliance.power_w, appliance.hours_per_day or 0.0


def _hourly_connected_frac(appliance: Appliance, scenario: Scenario, timeline: Timeline) -> Floats:
    """Share of each hour in which the appliance is connected at all: ``stops`` and ``only``."""
    connected = np.ones(timeline.hours)
    if appliance.only == "driving":
        connected = timeline.driving_frac.copy()
    elif appliance.only is not None:
        connected[timeline.hookup != (appliance.only == "hookup")] = 0.0
    if appliance.stops is not None:
        listed = np.array([stop.number in appliance.stops for stop in scenario.stops])
        connected[~listed[timeline.stop]] = 0.0
    return connected


def _by_opening_day(
    windows: Sequence[tuple[float, float]],
) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Clock windows of the day they open on, and what is carried over midnight into the next."""
    own = [(start_h, end_h if end_h > start_h else float(HOURS_PER_DAY)) for start_h, end_h in windows]
    return own, [(0.0, end_h) for start_h, end_h in windows if 0.0 < end_h <= start_h]


def _clock_tiers(appliance: Appliance, clock: _Clock) -> tuple[_Tiers, Floats]:
    """Tiers and running time of each day [h] for clock windows."""
    own, carried = _by_opening_day(appliance.clock or ())
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


def _refuse_ac_without_inverter(scenario: Scenario, bus_w: Sequence[Floats]) -> None:
    """Raise one sentence for each AC appliance that would need an inverter."""
    if scenario.inverter is not None:
        return
    file_name = scenario.path.name if scenario.path is not None else "scenario"
    mistakes = []
    for appliance, watts in zip(scenario.appliances, bus_w, strict=True):
        if appliance.bus == "ac" and watts.any():
            line = f" (line {appliance.line})" if appliance.line is not None else ""
            mistakes.append(
                f'{file_name}: appliance {appliance.number} "{appliance.name}"{line}: expected an [inverter], because this AC '
                'appliance also runs off the hookup, got none. Add an [inverter], or set only = "hookup".'
            )
    if mistakes:
        raise InputError(mistakes)


def _audit(
    scenario: Scenario, timeline: Timeline, bus_w: Sequence[Floats], ac_w: Floats, idle_w: Floats, loss_w: Floats
) -> tuple[AuditRow, ...]:
    """Mean day of every appliance at the bus; the load-dependent loss of an hour is shared by AC watts."""
    with_loss = 1.0 + np.divide(loss_w, ac_w, out=np.zeros_like(ac_w), where=ac_w > 0.0)
    rows = []
    for appliance, watts in zip(scenario.appliances, bus_w, strict=True):
        energy_wh = float(watts @ with_loss) if appliance.bus == "ac" else float(watts.sum())
        rows.append(AuditRow(appliance.name, appliance.power_w, energy_wh / timeline.days, appliance.priority))
    if scenario.inverter is not None and idle_w.any():
        # The idle draw falls to the first level that keeps the inverter on.
        needing = [it.priority for it, watts in zip(scenario.appliances, bus_w, strict=True) if it.bus == "ac" and watts.any()]
        priority = 0 if scenario.inverter.always_on else min(needing)
        idle_rated_w = scenario.inverter.rated_w * scenario.inverter.p_self
        rows.append(AuditRow("inverter idle", idle_rated_w, float(idle_w.sum()) / timeline.days, priority))
    return tuple(rows)
