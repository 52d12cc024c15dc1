"""An hour in two phases: the running peak of one appliance, and the rest.

Of the appliances that run only a part of an hour, the one whose running watts stand highest above its mean of the hour, as
drawn at the bus, runs at full power for its share; everything else draws its mean throughout. An AC appliance that would
take the inverter beyond its rating comes before all others. What each of the others loses by running in bursts is booked
with their variance, so the energy of an hour does not depend on which appliance makes the peak.

A peak that cannot matter is averaged out, because each costs the hour loop a segment. It is kept when

* it goes beyond the inverter's rating, or
* it stands above the rest of its hour by 5 % of what the bank may give at its one-hour rate (60 W, if that is less), and
  either by a fifth of that rest, or so that half of what the bank may give (600 W, if that is less) is asked for.

Both are common practice, no source: a fridge of 45 W makes no peak at 100 Ah, a kettle does.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.loads.drawing import Draw
from simulator.loads.sums import AtBus, Sums, at_bus
from simulator.scenario.parts import Scenario

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ABOVE_REST_FRAC: Final = 0.2
MOST_YARDSTICK_W: Final = 1200.0
ABOVE_BANK_FRAC: Final = 0.05
NEAR_BANK_FRAC: Final = 0.5
NOBODY: Final = -1
ROUNDING: Final = 1e-9
"""Watts, or their square, below this are rounding."""


class Phases(NamedTuple):
    """Both phases of every hour; where there is no peak they are the same."""

    rest: AtBus
    peak: AtBus
    peak_h: Floats
    """``(rows, hours)`` part of the hour in which the peak holds [h]."""
    peaking: NDArray[np.int64]
    """``(rows, hours)`` position of the appliance that makes the peak; -1: there is none."""


def bank_yardstick_w(scenario: Scenario) -> float:
    """What peaks are measured by: what the bank gives at once, at its one-hour rate if that is less, and no more than 1,200 W.

    Banks of any size beyond that meet the same phases, so that designs which differ in it share their load; 0 W without a bank.
    """
    bank = scenario.bank
    # Parts of a scenario can be laid out before the bank is known.
    if bank is None:
        return 0.0  # type: ignore[unreachable]
    given_w = min(bank.discharge_limit_a, bank.unit_ah) * bank.in_parallel * bank.unit_v * bank.in_series
    return min(given_w, MOST_YARDSTICK_W)


def two_phases(scenario: Scenario, draws: Sequence[Draw], rows: int, hours: int, off: Flags, stored: Flags) -> Phases:
    """Find the peak of each hour and bring both phases to the bus.

    Parameters
    ----------
    scenario : Scenario
    draws : sequence of Draw
        One an appliance, in the order of the scenario; AC ones only in the hours in which they are on the inverter.
    rows, hours : int
    off, stored : (hours,)
        See :func:`simulator.loads.sums.at_bus`.

    Returns
    -------
    Phases
    """
    base = Sums.none(scenario, rows, hours)
    means = [draw.mean_w for draw in draws]
    for appliance, draw, mean_w in zip(scenario.appliances, draws, means, strict=True):
        base.add(appliance, scenario, mean_w, draw.variance_w2)
    peaking = _peaking(scenario, draws, means, base, rows, hours)
    mean = at_bus(base, scenario, off, stored)
    if (peaking == NOBODY).all():
        return Phases(mean, mean, np.zeros((rows, hours)), peaking)

    rest_sums, peak_sums = base.copy(), base.copy()
    peak_h = np.zeros((rows, hours))
    for position, (appliance, draw, mean_w) in enumerate(zip(scenario.appliances, draws, means, strict=True)):
        own = peaking == position
        if own.any():
            variance_w2 = draw.variance_w2
            rest_sums.add(appliance, scenario, np.where(own, draw.off_w - mean_w, 0.0), np.where(own, -variance_w2, 0.0))
            peak_sums.add(appliance, scenario, np.where(own, draw.on_w - mean_w, 0.0), np.where(own, -variance_w2, 0.0))
            peak_h = np.where(own, draw.run_h, peak_h)
    for sums in (rest_sums, peak_sums):
        _tidy(sums)
    rest, peak = at_bus(rest_sums, scenario, off, stored), at_bus(peak_sums, scenario, off, stored)
    kept = (peaking != NOBODY) & _matters(scenario, rest, peak)
    return Phases(
        AtBus(*(np.where(kept, part, even) for part, even in zip(rest, mean, strict=True))),
        AtBus(*(np.where(kept, part, even) for part, even in zip(peak, mean, strict=True))),
        np.where(kept, peak_h, 0.0),
        np.where(kept, peaking, NOBODY),
    )


def _peaking(
    scenario: Scenario, draws: Sequence[Draw], means: Sequence[Floats], base: Sums, rows: int, hours: int
) -> NDArray[np.int64]:
    """Position of the appliance that makes the peak of each hour, ``(rows, hours)``."""
    inverter, converter = scenario.inverter, scenario.converter
    ac_w = base.ac_w[-1]
    highest = np.zeros((rows, hours))
    peaking = np.full((rows, hours), NOBODY, dtype=np.int64)
    for position, (appliance, draw, mean_w) in enumerate(zip(scenario.appliances, draws, means, strict=True)):
        above_w = np.where(draw.run_h > 0.0, draw.on_w - mean_w, 0.0)
        if not (above_w > 0.0).any():
            continue
        if appliance.bus == "ac" and inverter is not None:
            beyond = (above_w > 0.0) & (ac_w + above_w > inverter.rated_w)
            above_w = above_w * (1.0 + inverter.v) + np.where(beyond, 1e9, 0.0)
        elif appliance.via_converter and converter is not None:
            above_w = above_w / converter.efficiency_frac
        higher = above_w > highest
        peaking = np.where(higher, position, peaking)
        highest = np.where(higher, above_w, highest)
    return peaking


def _tidy(sums: Sums) -> None:
    """Set what is left over from taking an appliance out of its mean to nothing: rounding must wake no inverter."""
    for each in (sums.bus_w, sums.low_w, sums.low_w2, sums.ac_w, sums.ac_w2, *sums.cable_w, *sums.cable_w2):
        each[each < ROUNDING] = 0.0


def _matters(scenario: Scenario, rest: AtBus, peak: AtBus) -> Flags:
    """Which peaks are kept, ``(rows, hours)``."""
    rest_w, peak_w = rest.all_w[-1], peak.all_w[-1]
    yardstick_w = bank_yardstick_w(scenario)
    above_w = peak_w - rest_w
    tall = (above_w > 0.0) & (above_w >= ABOVE_BANK_FRAC * yardstick_w)
    stands_out = (above_w >= ABOVE_REST_FRAC * rest_w) | (peak_w >= NEAR_BANK_FRAC * yardstick_w)
    return np.asarray((peak.refused_w[-1] > 0.0) | (tall & stands_out))
