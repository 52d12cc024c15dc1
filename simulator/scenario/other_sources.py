"""Sources of charge beside sun, hookup, engine and generator: watts at the bus, by the clock or as measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path as FilePath

from simulator.scenario.desk import Desk, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import OtherSource
from simulator.scenario.stop_names import look_at_file, stop_numbers
from simulator.scenario.written import SourceTable
from simulator.units import HOURS_PER_DAY

RESERVED = ("hookup", "alternator", "generator", "sun")
"""Names that the answer gives to other chargers."""


def merge_sources(
    written: Sequence[SourceTable] | None, stops: Mapping[str, set[int]], desk: Desk, scenario: FilePath | None
) -> tuple[OtherSource, ...]:
    """Finish all other sources.

    Parameters
    ----------
    written : sequence of SourceTable or None
    stops : mapping
        Numbers of the stops by name.
    desk : Desk
        Takes mistakes and notes.
    scenario : file path or None
        Of the scenario, for names of files.

    Returns
    -------
    tuple of OtherSource
        Those that can be used.
    """
    names: dict[str, int] = {}
    found = []
    for position, source in enumerate(written or ()):
        path: Path = ("source", position)
        name = source.name or source.kind or f"source {position + 1}"
        first = names.setdefault(name, position)
        if first != position:
            desk.mistake(
                (*path, "name"), "a name of its own for every source", f"the name of source {first + 1}", "Write name = another."
            )
        if name in RESERVED:
            cure = f"Write for example name = {quote('my ' + name)}."
            desk.mistake((*path, "name"), "a name that no other charger has", quote(name), cure)
        merged = _source(source, name, path, stops, desk, scenario)
        if merged is not None:
            found.append(merged)
    return tuple(found)


def _source(
    written: SourceTable, name: str, path: Path, stops: Mapping[str, set[int]], desk: Desk, scenario: FilePath | None
) -> OtherSource | None:
    at_stops = stop_numbers(written.stops, (*path, "stops"), stops, desk)
    if (written.watts is None) == (written.profile is None):
        if desk.sound((*path, "watts"), (*path, "profile")):
            desk.mistake(
                path,
                "exactly one of watts and profile",
                "none of them" if written.watts is None else "both",
                'Write watts = 60, or profile = "wind.csv" with columns time and watts.',
            )
        return None
    profile = None
    if written.profile is not None:
        profile = look_at_file(written.profile, (*path, "profile"), desk, scenario, "a CSV file of times and watts")
        for key in ("clock", "hours_per_day"):
            if getattr(written, key) is not None:
                desk.mistake(
                    (*path, key), f"no {key} beside a profile", "both", "The file says when it gives; take one of the two out."
                )
    if written.clock is not None and written.hours_per_day is not None:
        desk.mistake(
            (*path, "hours_per_day"),
            "either clock or hours_per_day",
            "both",
            "Windows on the clock say how long, too.",
        )
    if written.watts == 0.0:
        desk.note((*path, "watts"), "a source of 0 W gives nothing.")
    return OtherSource(
        number=int(path[1]) + 1,
        name=name,
        line=desk.line(path),
        kind=written.kind or "other",
        watts=written.watts,
        profile=profile,
        efficiency_frac=1.0 if written.efficiency_frac is None else written.efficiency_frac,
        clock=written.clock,
        hours_per_day=None if written.hours_per_day == HOURS_PER_DAY else written.hours_per_day,
        weekdays=frozenset(range(7)) if written.days is None else written.days,
        stops=at_stops,
        only=written.only,
    )
