"""The inverter's three-parameter law, its idle draw and its sleep; what can run on it at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simulator.errors import InputError
from simulator.loads.laying import DAYS_PER_WEEK, by_opening_day, running
from simulator.loads.measured import judge_profiles
from simulator.profiles import read_profile
from simulator.scenario.parts import Appliance, Inverter, Scenario

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


def inverter_draw_w(
    inverter: Inverter | None, ac_w: Floats, off: Flags, ac_var_w2: Floats | float = 0.0
) -> tuple[Floats, Floats]:
    """Idle draw and load-dependent loss of the inverter.

    Parameters
    ----------
    inverter : Inverter or None
        None draws nothing.
    ac_w : (..., hours)
        Mean watts at its output; cumulative by priority, so that the idle draw falls to the first level that needs AC.
    off : (hours,)
        Hours in which it is off: a hookup carries the AC appliances, or the vehicle is stored.
    ac_var_w2 : (..., hours), optional
        Variance of these watts [W2]. Appliances that run a part of the time lose as much as they lose while they run:
        the mean of the square is the square of the mean and the variance.

    Returns
    -------
    idle_w, loss_w : (..., hours)
        ``rated_w * p_self`` while it is on: always with ``always_on`` (``sleep_w`` instead while it has nothing to feed, if it
        can sleep), else only in hours with AC watts; and the mean of ``rated_w * (v p + r p**2)`` with
        ``p = output / rated_w`` [1]_.

    References
    ----------
    .. [1] D. U. Sauer, H. Schmidt (1994), 9. Internationales Sonnenforum, 550-557.
    """
    if inverter is None:
        return np.zeros_like(ac_w), np.zeros_like(ac_w)
    rated_w = inverter.rated_w
    feeding = ac_w > 0.0
    awake_w = rated_w * inverter.p_self
    waiting_w = 0.0 if not inverter.always_on else awake_w if inverter.sleep_w is None else inverter.sleep_w
    idle_w = np.where(feeding, awake_w, waiting_w) * ~off
    loss_w = inverter.v * ac_w + inverter.r / rated_w * (ac_w**2 + ac_var_w2)
    return np.asarray(idle_w, dtype=np.float64), np.asarray(loss_w, dtype=np.float64)


def running_peak_w(scenario: Scenario) -> float:
    """Most AC watts that can run off the hookup at the same moment, without starting surges.

    Clock windows, weekdays, stops and ``only`` keep appliances apart; whatever has no clock windows may run at any
    moment. An appliance that only a hookup feeds does not count.

    Returns
    -------
    float
        Running watts of all that can coincide [W].

    Raises
    ------
    InputError
        A measured profile cannot be read.
    """
    candidates = [appliance for appliance in scenario.appliances if appliance.bus == "ac" and appliance.only != "hookup"]
    judge_profiles(candidates)
    # The sum only goes up where a window opens, so those moments and midnight are enough.
    opening_h = {0.0} | {opens_h for appliance in candidates for opens_h, _ in appliance.clock or ()}
    watts = {it.number: running(it)[0] if it.profile is None else read_profile(it.profile).peak_w for it in candidates}
    return max(
        sum(
            watts[appliance.number]
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
    own, carried = by_opening_day(appliance.clock)
    opened = [(weekday, window) for window in own] + [((weekday - 1) % DAYS_PER_WEEK, window) for window in carried]
    return any(day in appliance.weekdays and opens_h <= moment_h < closes_h for day, (opens_h, closes_h) in opened)


def refuse_ac_without_inverter(scenario: Scenario, runs: Sequence[bool]) -> None:
    """Raise one sentence for each AC appliance that would need an inverter; ``runs``: whether each draws on the bus at all."""
    if scenario.inverter is not None:
        return
    file_name = scenario.path.name if scenario.path is not None else "scenario"
    mistakes = []
    for appliance, draws in zip(scenario.appliances, runs, strict=True):
        if appliance.bus == "ac" and draws:
            line = f" (line {appliance.line})" if appliance.line is not None else ""
            mistakes.append(
                f'{file_name}: appliance {appliance.number} "{appliance.name}"{line}: expected an [inverter], because this AC '
                'appliance also runs off the hookup, got none. Add an [inverter], or set only = "hookup".'
            )
    if mistakes:
        raise InputError(mistakes)
