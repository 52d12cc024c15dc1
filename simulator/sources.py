"""What other chargers have on offer each hour; whether it is taken is decided by the bank."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.scenario.parts import Scenario
from simulator.timeline import Timeline, hourly_window_frac

Floats = NDArray[np.float64]

SOURCES = ("hookup", "alternator", "generator")
"""Order of the columns of :func:`hourly_sources`."""
WHOLE_HOUR_FRAC = 1.0 - 1e-9
"""An hour lies inside a window when this share of it does (1, less rounding)."""


class Offer(NamedTuple):
    """What one charger could give over the trip."""

    source: str
    """One of :data:`SOURCES`."""
    charger_a: float
    """Output while it charges, at bus voltage; the alternator's is its mean while driving [A]."""
    offered_h: float
    """Hours in which it is on offer over the whole trip, driving counted by the minute [h]."""
    hours_per_day: float
    """The same per local day of the trip [h/day]."""
    longest_h: float
    """Longest run of hours without a break, driving counted by the minute [h]."""


def hourly_sources(scenario: Scenario, timeline: Timeline) -> Floats:
    """What shore power, alternator and generator offer.

    Parameters
    ----------
    scenario : Scenario
        Its shore charger, alternator and generator; any of them may be missing.
    timeline : Timeline
        Of the same scenario.

    Returns
    -------
    (hours, 3)
        [0] amperes of the shore charger at bus voltage, in hours on a hookup; [1] mean amperes of the alternator charger,
        its output x the share of the hour spent driving x the share of driving in which it charges; [2] 1 where the
        generator may run, else 0: hours that lie wholly inside its clock windows, or all hours if it has none.
    """
    offered = np.zeros((timeline.hours, len(SOURCES)))
    if scenario.shore is not None:
        offered[:, 0] = scenario.shore.charger_a * timeline.hookup
    if scenario.alternator is not None:
        offered[:, 1] = scenario.alternator.charger_a * scenario.alternator.driving_frac * timeline.driving_frac
    if scenario.generator is not None:
        windows = scenario.generator.windows
        inside = hourly_window_frac(timeline.local_hour, windows) >= WHOLE_HOUR_FRAC
        offered[:, 2] = inside if windows else 1.0
    return offered


def charging_offers(scenario: Scenario, timeline: Timeline) -> tuple[Offer, ...]:
    """How much, how long and how long at a stretch each charger of the scenario is on offer.

    With the amperes a bank still takes, this answers how many hours, and how many such days, a refill needs.

    Parameters
    ----------
    scenario : Scenario
    timeline : Timeline
        Of the same scenario.

    Returns
    -------
    tuple of Offer
        One for each charger that the scenario has, in the order of :data:`SOURCES`; also for one that is never on offer
        on this trip (``offered_h`` 0).
    """
    offered = hourly_sources(scenario, timeline)
    shore, alternator, generator = scenario.shore, scenario.alternator, scenario.generator
    chargers = (
        (shore is not None, shore.charger_a if shore else 0.0, timeline.hookup * (offered[:, 0] > 0.0)),
        (
            alternator is not None,
            alternator.charger_a * alternator.driving_frac if alternator else 0.0,
            timeline.driving_frac * (offered[:, 1] > 0.0),
        ),
        (generator is not None, generator.charger_a if generator else 0.0, offered[:, 2]),
    )
    return tuple(
        Offer(source, charger_a, float(share.sum()), float(share.sum()) / timeline.days, _longest_h(share.astype(np.float64)))
        for source, (there, charger_a, share) in zip(SOURCES, chargers, strict=True)
        if there
    )


def _longest_h(share: Floats) -> float:
    """Hours of the longest unbroken run of hours with a share above zero, each counted by its share."""
    total_h = np.concatenate(([0.0], np.cumsum(share)))
    # At each hour, what had been offered when the last hour without any offer ended.
    at_break_h = np.maximum.accumulate(np.where(np.append(True, share <= 0.0), total_h, 0.0))
    return float(np.max(total_h - at_break_h))
