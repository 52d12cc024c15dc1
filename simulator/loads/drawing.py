"""What one appliance draws at its own terminals: watts while it runs, watts while it does not, and its share of each hour.

The masks come last, hour by hour; they take energy away and move none: ``stops`` and ``only`` say where an appliance is
connected at all, ``weekdays`` on which local days it is used (a window over midnight belongs to the day it opens on). With
``only = "driving"`` an appliance runs while the wheels turn, up to its running time a day. A stored vehicle draws nothing.

Standby is drawn by a connected appliance for the share of the hour in which it does not run, on every weekday; a metered
``wh_per_day`` and a measured profile already hold it.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.loads.following import Climate, following_factor
from simulator.loads.laying import Clock, clock_tiers, running
from simulator.loads.measured import hourly_measured
from simulator.profiles import read_profile
from simulator.scenario.parts import Appliance, Scenario
from simulator.timeline import Timeline

Floats = NDArray[np.float64]

LEAST_RUN_H: Final = 1.0 / 3600.0
"""Running for less than a second, or resting for less, is rounding and no phase of its own [h]."""


class Draw(NamedTuple):
    """Watts of one appliance at its terminals; each ``(rows, hours)``, with one row where the years are alike.

    Made by :meth:`of`, so that mean and variance are reckoned once.
    """

    on_w: Floats
    """While it runs."""
    off_w: Floats
    """While it does not."""
    run_h: Floats
    """Share of the hour in which it runs; 0: it draws ``off_w`` evenly all hour, or nobody knows when."""

    mean_w: Floats
    """Mean of the hour."""
    variance_w2: Floats
    """Of its watts about their mean [W2]."""

    @classmethod
    def of(cls, on_w: Floats, off_w: Floats, run_h: Floats) -> Draw:
        """Reckon mean and variance."""
        burst_w = on_w - off_w
        return cls(on_w, off_w, run_h, off_w + run_h * burst_w, run_h * (1.0 - run_h) * burst_w**2)

    def row(self, number: int) -> Draw:
        """One year of it, ``(1, hours)``."""
        return Draw(*(each[min(number, len(each) - 1)][None] for each in self))

    def only_where(self, mask: Floats | NDArray[np.bool_]) -> Draw:
        """The same in some hours, nothing in the others."""
        return Draw(*(each * mask for each in self))

    def at_most(self, limit_w: float) -> Draw:
        """The same with what is above a limit refused."""
        if float(max(self.on_w.max(initial=0.0), self.off_w.max(initial=0.0))) <= limit_w:
            return self
        return Draw.of(np.minimum(self.on_w, limit_w), np.minimum(self.off_w, limit_w), self.run_h)


def drawn(on_w: Floats | float, run: Floats, mean_w: Floats) -> Draw:
    """Split the mean of each hour into running and resting; where one of them lasts less than a second there is no split."""
    splits = (run > LEAST_RUN_H) & (run < 1.0 - LEAST_RUN_H)
    run_h = np.where(splits, run, 0.0)
    off_w = np.where(splits, np.maximum((mean_w - on_w * run) / np.where(splits, 1.0 - run, 1.0), 0.0), mean_w)
    return Draw.of(np.where(splits, on_w, mean_w), off_w, run_h)


def hourly_draw(appliance: Appliance, scenario: Scenario, clock: Clock, climate: Climate | None) -> Draw:
    """What an appliance draws, wherever it comes from: bus or hookup.

    Parameters
    ----------
    appliance : Appliance
    scenario : Scenario
        For its stops and its cabin.
    clock : Clock
    climate : Climate or None
        None: nothing follows the weather.

    Returns
    -------
    Draw
    """
    connected = _hourly_connected_frac(appliance, scenario, clock.timeline)
    used = np.isin(clock.weekday, list(appliance.weekdays)).astype(np.float64)
    if appliance.profile is not None:
        mean_w, running_w, share = hourly_measured(read_profile(appliance.profile), clock.timeline)
        present = connected * used[clock.day]
        return drawn(running_w[None], (share * present)[None], (mean_w * present)[None])

    running_w_each, run_h = running(appliance)
    if appliance.duty_frac is not None:
        run = appliance.duty_frac * used[clock.day] * connected
    else:
        if appliance.clock is not None:
            tiers, day_run_h = clock_tiers(appliance, clock)
        else:
            tiers, day_run_h = clock.usual(appliance.kind), run_h * used
        if appliance.only == "driving":
            # The wheels decide, not the usual hours; clock windows hold all the same, and what does not fit is not run.
            within = np.minimum(tiers.room[0], 1.0) if appliance.clock is not None else 1.0
            run = clock.fill(day_run_h, clock.tiers([within * connected]), must_fit=False)
        else:
            run = clock.fill(day_run_h, tiers, must_fit=True) * connected
    run = run[None]
    if appliance.follows is not None and climate is not None:
        # A fridge in the heat cannot run for more than it is connected; a day of 23 hours may hold a little more.
        run = np.minimum(run * following_factor(appliance, scenario.vehicle, climate), np.maximum(run, connected))
    mean_w = running_w_each * run
    if appliance.wh_per_day is not None and appliance.power_w <= 0.0:
        # Metered, of unknown watts: nobody knows how high it goes.
        return drawn(0.0, np.zeros_like(run), mean_w)
    if appliance.wh_per_day is None:
        mean_w = mean_w + appliance.standby_w * np.maximum(connected - run, 0.0)
    return drawn(running_w_each, run, mean_w)


def _hourly_connected_frac(appliance: Appliance, scenario: Scenario, timeline: Timeline) -> Floats:
    """Share of each hour in which the appliance is connected at all: ``stops`` and ``only``; never where all is stored."""
    connected = np.ones(timeline.hours)
    if appliance.only == "driving":
        connected = timeline.driving_frac.copy()
    elif appliance.only is not None:
        connected[timeline.hookup != (appliance.only == "hookup")] = 0.0
    if appliance.stops is not None:
        listed = np.array([stop.number in appliance.stops for stop in scenario.stops])
        connected[~listed[timeline.stop]] = 0.0
    connected[timeline.stored] = 0.0
    return connected
