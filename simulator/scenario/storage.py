"""Months off the road as a stop of the route: what may be said of it, and what contradicts it."""

from __future__ import annotations

from collections.abc import Sequence

from simulator.scenario.deployed import is_put_out
from simulator.scenario.desk import Desk, either, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import Appliance, Array, OtherSource, Stop
from simulator.scenario.written import StopTable


def hookup_nights(written: StopTable) -> int:
    """How often a stop is on a hookup: as written; a bank on float needs one unless it is denied."""
    if written.hookup is None:
        return int(written.storage == "float")
    return written.hookup


def judge_storage(written: StopTable, path: Path, desk: Desk) -> None:
    """Hold the keys of one stop off the road against each other."""
    if written.storage is None or not desk.sound((*path, "storage")):
        return
    if written.storage == "disconnected" and written.hookup and desk.sound((*path, "hookup")):
        desk.mistake(
            (*path, "hookup"),
            'no hookup beside storage = "disconnected"',
            "both",
            'Take hookup out, or write storage = "float", which keeps the charger on.',
        )
    if written.storage == "float" and written.hookup is not None and written.hookup > 1:
        desk.mistake(
            (*path, "hookup"),
            'hookup = true beside storage = "float"',
            f"one night in {written.hookup}",
            "A bank on float hangs on its charger all the time; write true, or false if panels hold it.",
        )
    if written.drive_h_per_day:
        desk.mistake(
            (*path, "drive_h_per_day"),
            f"no daily driving beside storage = {quote(written.storage)}",
            f"{written.drive_h_per_day:g} h",
            "A stored vehicle stands still; take one of the two out.",
        )


def judge_stored_route(
    stops: Sequence[Stop],
    arrays: Sequence[Array],
    appliances: Sequence[Appliance],
    sources: Sequence[OtherSource],
    desk: Desk,
) -> None:
    """See that nothing is meant to run only where the vehicle is stored, and that a bank on float has something to hang on."""
    stored = {stop.number: stop for stop in stops if stop.storage}
    if not stored:
        return
    for appliance in appliances:
        _refuse_listed(appliance.stops, stored, ("appliance", appliance.number - 1, "stops"), "an appliance", "draws", desk)
    dead = {number: stop for number, stop in stored.items() if stop.storage == "disconnected"}
    for array in arrays:
        if array.deployed is not None:
            _refuse_listed(array.deployed.stops, dead, ("array", array.number - 1, "stops"), "an array", "charges", desk)
    for source in sources:
        _refuse_listed(source.stops, dead, ("source", source.number - 1, "stops"), "a source", "charges", desk)
    for stop in stored.values():
        held = stop.hookup_every_nights == 1 or any(
            array.deployed is None or is_put_out(array.deployed, stop) for array in arrays
        )
        if stop.storage == "float" and not held:
            desk.mistake(
                ("stop", stop.number - 1, "storage"),
                'a hookup or panels beside storage = "float"',
                "neither",
                'Write hookup = true, add an [[array]], or write storage = "disconnected".',
            )


def _refuse_listed(listed: frozenset[int] | None, stored: dict[int, Stop], path: Path, what: str, does: str, desk: Desk) -> None:
    if listed and listed <= set(stored):
        names = either(sorted({quote(stored[number].name) for number in listed}), "and")
        desk.mistake(
            path,
            f"{what} with a stop at which the vehicle is not stored",
            f"only {names}",
            f"Nothing {does} there; take it out, or take storage out of the stop.",
        )
