"""Arrays that are put out beside the vehicle, and arrays that can be tilted: whether the route ever lets them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from simulator.scenario.desk import Desk
from simulator.scenario.lines import Path
from simulator.scenario.parts import Array, Deployed, Stop
from simulator.scenario.stop_names import stop_numbers
from simulator.scenario.written import ArrayTable


def merge_deployed(written: ArrayTable, path: Path, stops: Mapping[str, set[int]], desk: Desk) -> Deployed | None:
    """When it is put out; None for an array that stays on the vehicle."""
    at_stops = stop_numbers(written.stops, (*path, "stops"), stops, desk)
    if written.deployed_from_days is None and at_stops is None:
        return None
    if written.fixed:
        desk.mistake(
            (*path, "fixed"),
            "either fixed = true or an array that is put out at stops",
            "both",
            "fixed is for panels screwed to the roof; take it out, or take deployed_from_days and stops out.",
        )
    return Deployed(
        from_nights=written.deployed_from_days or 0.0,
        stops=at_stops,
        to_noon_sun=written.azimuth_deg is None and written.bearing_deg is None,
    )


def nights_of(stop: Stop) -> int:
    """Nights of a stay."""
    return (stop.depart - stop.arrive).days


def is_put_out(deployed: Deployed, stop: Stop) -> bool:
    """Whether an array is put out at this stop at all."""
    named = deployed.stops is not None and stop.number in deployed.stops
    # Nobody leaves a loose panel outside for months, unless it is said.
    lived_in = not stop.storage or (named and stop.storage == "float")
    return (named or deployed.stops is None) and lived_in and nights_of(stop) >= deployed.from_nights


def judge_deployed(array: Array, path: Path, stays: Sequence[Stop], desk: Desk) -> None:
    """Say when an array never leaves the cupboard."""
    if array.deployed is None or not stays or any(is_put_out(array.deployed, stop) for stop in stays):
        return
    named = [stop for stop in stays if array.deployed.stops is None or stop.number in array.deployed.stops]
    longest = max((nights_of(stop) for stop in named), default=0)
    where = "stay" if array.deployed.stops is None else "stay at its stops"
    desk.note(
        (*path, "deployed_from_days"),
        f"it is put out from {array.deployed.from_nights:g} nights on, and the longest {where} has {longest}: "
        "it gives nothing on this trip.",
    )


def judge_tilts(arrays: Sequence[Array], stays: Sequence[Stop], desk: Desk) -> None:
    """Say when the tilt of a stop tilts nothing."""
    if any(not array.fixed and array.deployed is None for array in arrays):
        return
    for stop in stays:
        if stop.tilt_deg is not None and arrays:
            at: Path = ("stop", stop.number - 1, "tilt_deg")
            desk.note(at, "no array follows it: all are fixed = true, or put out with a tilt of their own.")
