"""What all walks of a study share: the route, its weather years, and the chance of each day's load."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from simulator import timeline
from simulator.engine import Setting
from simulator.route import WeatherYears, drawn_years, past_years
from simulator.scenario.parts import Scenario

FloatArray = npt.NDArray[np.float64]

LOAD_SPREAD_FRAC = 0.15
"""Standard deviation of a day's load about the audit (common practice, no source)."""
LOAD_STREAM = 7_001
"""Keeps the chance of the load apart from that of the weather."""


@dataclass(frozen=True)
class Ground:
    """What all chunks of a study share: the route, its weather years and the chance of the load."""

    scenario: Scenario
    source: str
    """``past`` or ``drawn``."""
    years: int
    """Of drawn weather; past years are all that the cache has."""
    seed: int
    load_spread_frac: float = LOAD_SPREAD_FRAC


def fresh_weather(ground: Ground) -> WeatherYears:
    """Weather years of a study; past years as the cache has them at this moment.

    Raises
    ------
    InputError, ArchiveError
        As :func:`simulator.route.drawn_years` and :func:`simulator.route.past_years`.
    """
    scenario = ground.scenario
    clock = timeline.build_timeline(scenario)
    if ground.source == "past":
        return past_years(scenario, clock, ground.seed)
    return drawn_years(scenario, clock, ground.years, ground.seed)


@lru_cache(maxsize=4)
def ground_weather(ground: Ground) -> WeatherYears:
    """The same, made once in a process: for the many chunks of one study."""
    return fresh_weather(ground)


def draw_load_factors(years: int, days: int, spread_frac: float, seed: int, first_year: int = 0) -> FloatArray:
    """Factor on each day's load, ``(years, days)``: log-normal about 1; each year hangs on (seed, number) alone."""
    if spread_frac == 0.0:
        return np.ones((years, days))
    width = np.sqrt(np.log1p(spread_frac * spread_frac))
    rows = [
        np.random.default_rng(np.random.SeedSequence((seed, year, LOAD_STREAM))).standard_normal(days)
        for year in range(first_year, first_year + years)
    ]
    return np.asarray(np.exp(width * np.stack(rows) - 0.5 * width * width))


def with_load(setting: Setting, factors: FloatArray) -> Setting:
    """Load rows of each year: the day's factor on the audit."""
    inputs = setting.inputs
    hourly = factors[:, setting.timeline.local_day]
    peak_h = np.ascontiguousarray(np.broadcast_to(inputs.peak_h, hourly.shape))
    return replace(setting, inputs=inputs._replace(load_w=inputs.load_w * hourly[:, :, None, None], peak_h=peak_h))
