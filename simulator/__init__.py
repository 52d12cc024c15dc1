"""flatdays: on which days of a trip does a vehicle's battery bank run flat, why, and what would mend it.

The same answers as the commands give, for programs. A scenario is read once, and everything else takes it:

>>> from simulator import parse_scenario, read_scenario, starter_text
>>> scenario = read_scenario("scenarios/worksheet.toml")
>>> scenario.bank.chemistry
'lfp'
>>> parse_scenario(starter_text()).title  # a scenario from text; this is the one that "flatdays new" writes
'My trip'

**One run** (``flatdays run``): an :class:`Outcome` with every hour and day, its flat days and their causes.

>>> from simulator import simulate
>>> outcome = simulate(scenario)
>>> [(day.date.isoformat(), day.cause) for day in outcome.flat_days]
[('2026-06-03', 'structural'), ('2026-06-04', 'structural'), ('2026-06-05', 'structural')]

What other programs read: one object for JSON, and tables as pandas frames.

>>> from simulator import days_table, hours_table, summary
>>> summary(outcome)["days"], len(days_table(outcome)), len(hours_table(outcome))
(5, 5, 120)

**The page** (``--out``) as one string of HTML.

>>> from simulator import page
>>> page(outcome).startswith("<!DOCTYPE html>")
True

**Many weather years** (``flatdays odds``): :class:`Odds` with the share of years without a flat day, and its interval.

>>> from simulator import odds
>>> trip = read_scenario("scenarios/channel-autumn.toml")
>>> found = odds(trip, years=3)
>>> found.years, found.flat.shape
(3, (3, 3, 85))

**Years of service** (``flatdays life``): a :class:`Life`, from now to the end of the bank.

>>> from simulator import life
>>> served = life(scenario)
>>> served.ended_by in ("cycles", "calendar"), served.years[0].soh
(True, 1.0)

**Designs side by side** (``flatdays compare``) and **what would mend it** (``flatdays remedies``).

>>> from dataclasses import replace
>>> from simulator import compare, remedies
>>> larger = replace(scenario, bank=replace(scenario.bank, in_parallel=6))
>>> beside = compare([("four units", scenario), ("six units", larger)], source="written")
>>> [design.flat_mean for design in beside.designs]
[3.0, 1.0]
>>> cures = remedies(scenario, source="written", pairs=False)
>>> cures.years, len(cures.singles) > 0
(1, True)

**How much is needed** (``flatdays size``): the grid and the target as ``[size]`` of the scenario says.

>>> from simulator import size
>>> priced = starter_text().replace("unit_ah = 100", f"unit_price = 300{chr(10)}unit_ah = 100")
>>> grid = chr(10).join(("[size]", "in_parallel = [1, 4]", "flat_days = 0", "years = 2"))
>>> sized = size(parse_scenario(priced + grid))
>>> len(sized.grid.designs), int(sized.met.sum()) > 0
(4, True)

**Types** to write down: ``Scenario``, ``Outcome``, ``Odds``, ``Life``.

>>> from simulator import Life, Odds, Outcome, Scenario
>>> isinstance(scenario, Scenario), isinstance(outcome, Outcome), isinstance(found, Odds), isinstance(served, Life)
(True, True, True, True)

**Errors** form one tree under ``FlatdaysError``. ``InputError`` (``WeatherFileError`` is one) has every mistake as a sentence;
``ArchiveError`` says what past weather is missing; ``EngineFault`` is a fault of ours.

>>> from simulator import ArchiveError, EngineFault, FlatdaysError, InputError, WeatherFileError
>>> try:
...     parse_scenario("[bank]")
... except InputError as error:
...     print(len(error.mistakes), "mistakes, the first:", error.mistakes[0])  # doctest: +ELLIPSIS
4 mistakes, the first: scenario: bank (line 1): expected chemistry ...
>>> [issubclass(kind, FlatdaysError) for kind in (ArchiveError, EngineFault, WeatherFileError)]
[True, True, True]

Pictures for matplotlib are in :mod:`simulator.report.plots`, lines for a terminal in the other modules of ``simulator.report``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulator.engine import simulate
    from simulator.errors import ArchiveError, EngineFault, FlatdaysError, InputError, WeatherFileError
    from simulator.outcome import Outcome
    from simulator.record import days_table, hours_table, summary
    from simulator.report.page import render_page as page
    from simulator.scenario import Scenario, parse_scenario, read_scenario, starter_text
    from simulator.studies.compare import compare
    from simulator.studies.life import Life
    from simulator.studies.life import live as life
    from simulator.studies.odds import Odds, odds
    from simulator.studies.remedies import remedies
    from simulator.studies.sizing import size

__all__ = [
    "ArchiveError",
    "EngineFault",
    "FlatdaysError",
    "InputError",
    "Life",
    "Odds",
    "Outcome",
    "Scenario",
    "WeatherFileError",
    "compare",
    "days_table",
    "hours_table",
    "life",
    "odds",
    "page",
    "parse_scenario",
    "read_scenario",
    "remedies",
    "simulate",
    "size",
    "starter_text",
    "summary",
]

# Where each public name lives, as "module" or "module:name there". A new one goes here, into __all__, into the imports above
# for type checkers, and into the examples.
_HOME = {
    "ArchiveError": "errors",
    "EngineFault": "errors",
    "FlatdaysError": "errors",
    "InputError": "errors",
    "WeatherFileError": "errors",
    "Scenario": "scenario",
    "parse_scenario": "scenario",
    "read_scenario": "scenario",
    "starter_text": "scenario",
    "simulate": "engine",
    "Outcome": "outcome",
    "days_table": "record",
    "hours_table": "record",
    "summary": "record",
    "page": "report.page:render_page",
    "Odds": "studies.odds",
    "odds": "studies.odds",
    "Life": "studies.life",
    "life": "studies.life:live",
    "compare": "studies.compare",
    "remedies": "studies.remedies",
    "size": "studies.sizing",
}


def __getattr__(name: str) -> Any:
    """Hand out public names on first use, so that a check or a help text loads no heavy library (PEP 562)."""
    from importlib import import_module

    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    module, _, there = _HOME[name].partition(":")
    return getattr(import_module(f"simulator.{module}"), there or name)


def __dir__() -> list[str]:
    return sorted(__all__)
