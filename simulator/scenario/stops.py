"""The route: places, zones, weather and stays, without gap or overlap."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime
from itertools import pairwise
from pathlib import Path as FilePath

from simulator.scenario import clock
from simulator.scenario.desk import Desk, quote
from simulator.scenario.legs import Leg, day_of, distance_km, lay_out, said, written_time
from simulator.scenario.lines import Path
from simulator.scenario.parts import Stop, WeatherChoice
from simulator.scenario.presets import Preset, load_preset
from simulator.scenario.storage import hookup_nights, judge_storage
from simulator.scenario.weather_choice import GET_SOME, WAYS, merge_weather
from simulator.scenario.written import StopTable
from simulator.units import HOURS_PER_DAY

LONGEST_TRIP_DAYS = 3 * 366


def merge_stops(
    written: tuple[StopTable, ...] | None, desk: Desk, default_weather: WeatherChoice | None, scenario: FilePath | None
) -> tuple[Stop, ...]:
    """Finish the route.

    Parameters
    ----------
    written : tuple of StopTable or None
    desk : Desk
        Takes mistakes and notes.
    default_weather : WeatherChoice or None
        For stops without their own.
    scenario : file path or None
        Of the scenario, for names of weather files.

    Returns
    -------
    tuple of Stop
        Empty if anything is wrong (which has been told).
    """
    if not written:
        if desk.sound(("stop",)):
            desk.mistake(
                (), "at least one [[stop]]", "none", "Add one with latitude_deg, longitude_deg, arrive, depart and weather."
            )
        return ()
    before = len(desk.mistakes)
    legs = [Leg(stop, position, stop.name or f"stop {position + 1}") for position, stop in enumerate(written)]
    for leg in legs:
        _ask_for_the_necessary(leg, desk)
        _find_zone(leg, desk)
        _judge_stay(leg, desk)
        judge_storage(leg.written, leg.path, desk)
    each_fits = len(desk.mistakes) == before
    _judge_names(legs, desk)
    in_order = [_judge_order(left, ahead, desk) for left, ahead in pairwise(legs)]
    weather = [_weather(leg, desk, default_weather, scenario) for leg in legs]
    if each_fits and all(in_order):
        _judge_length(legs, desk)
        lay_out(legs, desk)
    unplaced = any(leg.written.latitude_deg is None or leg.written.longitude_deg is None for leg in legs)
    if unplaced or len(desk.mistakes) > before or any(leg.stand_from is None or leg.stand_to is None for leg in legs):
        return ()
    return tuple(_finished(leg, choice, load_preset("converters"), desk) for leg, choice in zip(legs, weather, strict=True))


def _ask_for_the_necessary(leg: Leg, desk: Desk) -> None:
    for key, example in (
        ("latitude_deg", "38.57"),
        ("longitude_deg", "-7.91"),
        ("arrive", "2026-06-01"),
        ("depart", "2026-06-08"),
    ):
        if getattr(leg.written, key) is None and desk.sound((*leg.path, key)):
            desk.mistake(leg.path, key, "none", f"Write for example {key} = {example}.")


def _find_zone(leg: Leg, desk: Desk) -> None:
    stop = leg.written
    path: Path = (*leg.path, "zone")
    if stop.zone is not None:
        leg.zone, leg.zone_name = clock.zone_of(stop.zone), stop.zone
        if leg.zone is None:
            desk.mistake(path, "an IANA zone", quote(stop.zone), clock.nearest_zone(stop.zone))
    elif stop.latitude_deg is not None and stop.longitude_deg is not None and desk.sound(path):
        leg.zone_name = clock.zone_at(stop.latitude_deg, stop.longitude_deg)
        leg.zone = clock.zone_of(leg.zone_name)
        if leg.zone is None:
            desk.mistake(
                leg.path, "a place with a known zone", f"{leg.zone_name or 'none'} there", 'Write zone = "Etc/UTC" or the like.'
            )
        elif leg.zone_name.startswith("Etc/"):
            desk.note(leg.path, f"this place lies on the open sea or where nobody lives; its clock was taken as {leg.zone_name}.")


def _judge_stay(leg: Leg, desk: Desk) -> None:
    """Hold the two dates of a stop, and its hours, against each other."""
    stop = leg.written
    for key in ("arrive", "depart"):
        moment = getattr(stop, key)
        if moment is None or leg.zone is None:
            continue
        if not clock.has_day(day_of(moment), leg.zone):
            desk.mistake(
                (*leg.path, key), "a date that exists there", f"{day_of(moment)}, which {leg.zone_name} skipped", "Take another."
            )
            return
        if isinstance(moment, datetime) and written_time(leg, key, moment, desk) is None:
            return
    if stop.arrive is not None and stop.depart is not None:
        backwards = day_of(stop.arrive) > day_of(stop.depart)
        if isinstance(stop.arrive, datetime) and isinstance(stop.depart, datetime):
            backwards = stop.arrive >= stop.depart
        if backwards:
            desk.mistake(
                (*leg.path, "depart"),
                f"a depart after the arrival on {said(stop.arrive)}",
                said(stop.depart),
                "Swap them, or mend the year.",
            )
    if stop.drive_h_per_day and leg.leave_h + stop.drive_h_per_day > HOURS_PER_DAY:
        desk.mistake(
            (*leg.path, "drive_h_per_day"),
            f"at most {HOURS_PER_DAY - leg.leave_h:g} h between leave and midnight",
            f"{stop.drive_h_per_day:g} h",
        )


def _judge_names(legs: list[Leg], desk: Desk) -> None:
    """Two different places need two names, or nobody knows which one an appliance or a table speaks of."""
    by_name = defaultdict(list)
    for leg in legs:
        if leg.written.latitude_deg is not None and leg.written.longitude_deg is not None:
            by_name[leg.name].append(leg)
    for same in by_name.values():
        for other in same[1:]:
            if distance_km(same[0], other) > 1.0:
                desk.mistake(
                    (*other.path, "name"),
                    "a name of its own for every place",
                    f"the name of stop {same[0].position + 1}, {distance_km(same[0], other):.0f} km away",
                )


def _judge_order(left: Leg, ahead: Leg, desk: Desk) -> bool:
    """See that the next stop begins on the day on which this one ends; name both otherwise."""
    departs, arrives = left.written.depart, ahead.written.arrive
    known = desk.sound((*left.path, "depart"), (*ahead.path, "arrive"))
    if departs is None or arrives is None or not known:
        return False
    gap_days = (day_of(arrives) - day_of(departs)).days
    if isinstance(departs, datetime) and isinstance(arrives, datetime) and -1 <= gap_days <= 1:
        # Both clocks are known, and they may lie on both sides of midnight or of the date line.
        return True
    if gap_days == 0:
        return True
    previous = desk.name("stop", left.position)
    if gap_days > 0:
        what = f"leaves a gap of {gap_days} day{'s' if gap_days > 1 else ''}"
    elif left.written.arrive is not None and day_of(arrives) < day_of(left.written.arrive):
        what = "comes before it: stops stand in the order of the route"
    else:
        what = f"overlaps by {-gap_days} day{'s' if gap_days < -1 else ''}"
    desk.mistake(
        (*ahead.path, "arrive"),
        f"{day_of(departs)}, the day on which {previous} is left",
        f"{said(arrives)}, which {what}",
        "Where did the vehicle stand? The arrival is the departure of the stop before.",
    )
    return False


def _judge_length(legs: list[Leg], desk: Desk) -> None:
    first, last = legs[0].written.arrive, legs[-1].written.depart
    if first is None or last is None:
        return
    days = (day_of(last) - day_of(first)).days + 1
    if days > LONGEST_TRIP_DAYS:
        desk.mistake(
            (*legs[-1].path, "depart"), f"a trip of at most {LONGEST_TRIP_DAYS} days", f"{days} days", "Check the years."
        )


def _weather(leg: Leg, desk: Desk, default: WeatherChoice | None, scenario: FilePath | None) -> WeatherChoice | None:
    path: Path = (*leg.path, "weather")
    if leg.written.weather is None and default is None:
        if desk.sound(path, ("weather",), *(("weather", way) for way in WAYS)) and "weather" not in desk.raw:
            desk.mistake(leg.path, "weather for this stop", "none", GET_SOME)
        return None
    if leg.written.weather is None:
        return default
    return merge_weather(leg.written.weather, path, desk, scenario)


def _finished(leg: Leg, weather: WeatherChoice | None, preset: Preset, desk: Desk) -> Stop:
    stop = leg.written
    shade = stop.shade or "open"
    assert (
        stop.latitude_deg is not None and stop.longitude_deg is not None and stop.arrive is not None and stop.depart is not None
    )
    assert leg.stand_from is not None and leg.stand_to is not None
    return Stop(
        number=leg.position + 1,
        name=leg.name,
        line=desk.line(leg.path),
        latitude_deg=stop.latitude_deg,
        longitude_deg=stop.longitude_deg,
        elevation_m=stop.elevation_m,
        zone=leg.zone_name,
        arrive=day_of(stop.arrive),
        depart=day_of(stop.depart),
        stand_from_utc=leg.stand_from,
        stand_to_utc=leg.stand_to,
        weather=weather,
        drives_utc=leg.drives,
        leg_km=leg.km,
        leg_estimated=leg.estimated,
        hookup_every_nights=hookup_nights(stop),
        drive_h_per_day=stop.drive_h_per_day or 0.0,
        leave_h=leg.leave_h,
        heading_deg=stop.heading_deg,
        tilt_deg=stop.tilt_deg,
        beam_frac=preset.number("shade", shade, "beam_frac"),
        diffuse_frac=preset.number("shade", shade, "diffuse_frac"),
        snow=stop.snow or "none",
        snow_stated=stop.snow is not None,
        # A horizon at 0 degrees all round is the open one.
        horizon=stop.horizon if stop.horizon is not None and any(elevation for _, elevation in stop.horizon) else (),
        tree_hours=stop.tree_hours or (),
        storage=stop.storage or "",
    )
