"""Every single change worth trying against flat days, offered only where it applies.

What nobody stated (a price, a mass) stays unknown; it is never taken as nothing.
"""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from simulator.scenario.clock import first_moment
from simulator.scenario.parts import Scenario
from simulator.studies.remedy import Change
from simulator.studies.remedy_habits import departure_changes, hookup_changes, load_changes, stop_changes
from simulator.studies.remedy_parts import bank_changes, charger_changes, panel_changes

NOON_H = 12


def single_changes(
    scenario: Scenario, *, locked: bool, driving: bool, snow: bool, worst_days: tuple[datetime, ...]
) -> list[Change]:
    """List every change that applies.

    Parameters
    ----------
    scenario : as it stands.
    locked : whether the cells were ever too cold to be charged.
    driving : whether the vehicle is ever driven.
    snow : whether snow ever lies on the panels.
    worst_days : noons (UTC) of days on which the bank runs flat; a night on a hookup is tried before and after each.
    """
    return [
        *bank_changes(scenario, locked),
        *panel_changes(scenario),
        *charger_changes(scenario, driving),
        *load_changes(scenario),
        *stop_changes(scenario, snow),
        *hookup_changes(scenario, worst_days),
        *departure_changes(scenario),
    ]


def noon_utc(scenario: Scenario, place: int, year: int, month: int, day: int) -> datetime:
    """Noon on the clock of a stop, in UTC."""
    return first_moment(datetime(year, month, day, NOON_H), ZoneInfo(scenario.stops[place].zone)).astimezone(UTC)
