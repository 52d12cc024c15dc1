"""Appliances known by a file of their watts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulator.errors import InputError
from simulator.profiles import Profile, read_profile
from simulator.scenario.parts import Appliance
from simulator.timeline import Timeline

Floats = NDArray[np.float64]

HIGH_FRAC: Final = 0.5
"""Rows above this share of the highest one count as running (common practice, no source): a motor is on or off."""
LEAST_SHARE: Final = 1e-9


def judge_profiles(appliances: Iterable[Appliance]) -> None:
    """Read every profile and raise all mistakes in them at once.

    Raises
    ------
    InputError
        A file is missing or cannot be used.
    """
    mistakes: dict[str, None] = {}
    for appliance in appliances:
        if appliance.profile is not None:
            try:
                read_profile(appliance.profile)
            except InputError as error:
                mistakes |= dict.fromkeys(error.mistakes)
    if mistakes:
        raise InputError(list(mistakes))


def hourly_measured(profile: Profile, timeline: Timeline) -> tuple[Floats, Floats, Floats]:
    """Mean watts of each hour, watts while it runs, and the share of the hour in which it does; each ``(hours,)``.

    Running are the rows above half of the highest; their mean is what it draws then. Mean x 1 h is the file's energy.
    """
    mean_w = profile.hourly_w(timeline)
    high = profile.watts > HIGH_FRAC * profile.peak_w
    share = np.clip(replace(profile, watts=high.astype(np.float64)).hourly_w(timeline), 0.0, 1.0)
    high_w = replace(profile, watts=profile.watts * high).hourly_w(timeline)
    running_w = np.divide(high_w, share, out=mean_w.copy(), where=share > LEAST_SHARE)
    return mean_w, running_w, share
