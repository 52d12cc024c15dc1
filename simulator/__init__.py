"""flatdays: on which days of a trip does a vehicle's battery bank run flat, why, and what would mend it.

>>> from simulator import read_scenario, simulate
>>> outcome = simulate(read_scenario("scenarios/worksheet.toml"))  # doctest: +SKIP
>>> outcome.flat_days[0].cause  # doctest: +SKIP
'structural'
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulator.engine import simulate
    from simulator.errors import ArchiveError, EngineFault, FlatdaysError, InputError, WeatherFileError
    from simulator.outcome import Outcome
    from simulator.record import days_table, hours_table, summary
    from simulator.scenario import Scenario, parse_scenario, read_scenario

__all__ = [
    "ArchiveError",
    "EngineFault",
    "FlatdaysError",
    "InputError",
    "Outcome",
    "Scenario",
    "WeatherFileError",
    "days_table",
    "hours_table",
    "parse_scenario",
    "read_scenario",
    "simulate",
    "summary",
]

_HOME = {
    "simulate": "engine",
    "Outcome": "outcome",
    "days_table": "record",
    "hours_table": "record",
    "summary": "record",
    "Scenario": "scenario",
    "parse_scenario": "scenario",
    "read_scenario": "scenario",
}


def __getattr__(name: str) -> Any:
    """Hand out public names on first use, so that a check or a help text loads no heavy library (PEP 562)."""
    from importlib import import_module

    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"simulator.{_HOME.get(name, 'errors')}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
