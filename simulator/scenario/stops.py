"""The route: places, zones, stays and the drives between them, without gap or overlap."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path as FilePath
from zoneinfo import ZoneInfo

from simulator.scenario import clock
from simulator.scenario.desk import Desk, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import Stop, WeatherChoice
from simulator.scenario.presets import Preset, load_preset
from simulator.scenario.weather_choice import GET_SOME, WAYS, merge_weather
from simulator.scenario.written import StopTable
from simulator.units import EARTH_RADIUS_KM, HOURS_PER_DAY, SECONDS_PER_HOUR

LONGEST_TRIP_DAYS = 3 * 366
SAME_PLACE_KM = 0.05
"""Two positions nearer than this are one place: no drive."""
FAST_KM_H = 130.0
"""A drive that needs more over the great circle deserves a word."""
CLOCK_TOLERANCE_H = 0.25
"""Two written times and a written ``drive_h`` may differ this much."""


@dataclass
class _Leg:
    """One stop while the route is laid out."""

    written: StopTable
    position: int
    name: str
    zone: ZoneInfo | None = None
    zone_name: str = ""
    stand_from: datetime | None = None
    stand_to: datetime | None = None
    drives: tuple[tuple[datetime, datetime], ...] = ()
    km: float = 0.0
    estimated: bool = False

    @property
    def path(self) -> Path:
        return ("stop", self.position)

    @property
    def leave_h(self) -> float:
        return load_preset("converters").number("drive", "leave_h") if self.written.leave is None else self.written.leave


def day_of(moment: date) -> date:
    """Date of a date or of a local time."""
    return moment.date() if isinstance(moment, datetime) else moment


def great_circle_km(from_deg: tuple[float, float], to_deg: tuple[float, float]) -> float:
    """Shortest way between two places (latitude, longitude) on a sphere [km].

    The haversine form, exact for short ways (R. W. Sinnott 1984, Virtues of the haversine, Sky and Telescope 68(2), 159).
    """
    (latitude_1, longitude_1), (latitude_2, longitude_2) = (tuple(map(math.radians, place)) for place in (from_deg, to_deg))
    half = math.sin((latitude_2 - latitude_1) / 2) ** 2
    half += math.cos(latitude_1) * math.cos(latitude_2) * math.sin((longitude_2 - longitude_1) / 2) ** 2
    return 2.0 * EARTH_RADIUS_KM * math.asin(math.sqrt(min(half, 1.0)))


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
    legs = [_Leg(stop, position, stop.name or f"stop {position + 1}") for position, stop in enumerate(written)]
    for leg in legs:
        _ask_for_the_necessary(leg, desk)
        _find_zone(leg, desk)
        _judge_stay(leg, desk)
    _judge_names(legs, desk)
    dated = all([_judge_order(left, ahead, desk) for left, ahead in zip(legs, legs[1:], strict=False)])
    weather = [_weather(leg, desk, default_weather, scenario) for leg in legs]
    if dated:
        _judge_length(legs, desk)
        _lay_out(legs, desk)
    if len(desk.mistakes) > before or any(leg.stand_from is None or leg.stand_to is None for leg in legs):
        return ()
    return tuple(_finished(leg, choice, load_preset("converters"), desk) for leg, choice in zip(legs, weather, strict=True))


def _ask_for_the_necessary(leg: _Leg, desk: Desk) -> None:
    for key, example in (
        ("latitude_deg", "38.57"),
        ("longitude_deg", "-7.91"),
        ("arrive", "2026-06-01"),
        ("depart", "2026-06-08"),
    ):
        if getattr(leg.written, key) is None and desk.sound((*leg.path, key)):
            desk.mistake(leg.path, key, "none", f"Write for example {key} = {example}.")


def _find_zone(leg: _Leg, desk: Desk) -> None:
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


def _judge_stay(leg: _Leg, desk: Desk) -> None:
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
        elif isinstance(moment, datetime):
            _written_time(leg, key, moment, desk)
    if stop.arrive is not None and stop.depart is not None:
        backwards = day_of(stop.arrive) > day_of(stop.depart)
        if isinstance(stop.arrive, datetime) and isinstance(stop.depart, datetime):
            backwards = stop.arrive >= stop.depart
        if backwards:
            desk.mistake(
                (*leg.path, "depart"),
                f"a depart after the arrival on {_said(stop.arrive)}",
                _said(stop.depart),
                "Swap them, or mend the year.",
            )
    if stop.drive_h_per_day and leg.leave_h + stop.drive_h_per_day > HOURS_PER_DAY:
        desk.mistake(
            (*leg.path, "drive_h_per_day"),
            f"at most {HOURS_PER_DAY - leg.leave_h:g} h between leave and midnight",
            f"{stop.drive_h_per_day:g} h",
        )


def _written_time(leg: _Leg, key: str, moment: datetime, desk: Desk) -> datetime | None:
    """UTC of a time that somebody wrote; None if there is no such time (which has been told)."""
    assert leg.zone is not None
    try:
        return clock.to_utc(moment, leg.zone)
    except clock.LocalTimeError as error:
        desk.mistake((*leg.path, key), f"a time that {leg.zone_name} has exactly once", error.got, error.cure)
        return None


def _judge_names(legs: list[_Leg], desk: Desk) -> None:
    """Two different places need two names, or nobody knows which one an appliance or a table speaks of."""
    by_name = defaultdict(list)
    for leg in legs:
        if leg.written.latitude_deg is not None and leg.written.longitude_deg is not None:
            by_name[leg.name].append(leg)
    for same in by_name.values():
        for other in same[1:]:
            if _distance_km(same[0], other) > 1.0:
                desk.mistake(
                    (*other.path, "name"),
                    "a name of its own for every place",
                    f"the name of stop {same[0].position + 1}, {_distance_km(same[0], other):.0f} km away",
                )


def _distance_km(left: _Leg, ahead: _Leg) -> float:
    ends = [(leg.written.latitude_deg or 0.0, leg.written.longitude_deg or 0.0) for leg in (left, ahead)]
    return great_circle_km(ends[0], ends[1])


def _said(moment: date) -> str:
    return f"{moment:%Y-%m-%d %H:%M}" if isinstance(moment, datetime) else f"{moment:%Y-%m-%d}"


def _judge_order(left: _Leg, ahead: _Leg, desk: Desk) -> bool:
    """See that the next stop begins on the day on which this one ends; name both otherwise."""
    departs, arrives = left.written.depart, ahead.written.arrive
    if departs is None or arrives is None:
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
        f"{_said(arrives)}, which {what}",
        "Where did the vehicle stand? The arrival is the departure of the stop before.",
    )
    return False


def _judge_length(legs: list[_Leg], desk: Desk) -> None:
    first, last = legs[0].written.arrive, legs[-1].written.depart
    if first is None or last is None:
        return
    days = (day_of(last) - day_of(first)).days + 1
    if days > LONGEST_TRIP_DAYS:
        desk.mistake(
            (*legs[-1].path, "depart"), f"a trip of at most {LONGEST_TRIP_DAYS} days", f"{days} days", "Check the years."
        )


def _weather(leg: _Leg, desk: Desk, default: WeatherChoice | None, scenario: FilePath | None) -> WeatherChoice | None:
    path: Path = (*leg.path, "weather")
    if leg.written.weather is None and default is None:
        if desk.sound(path, ("weather",), *(("weather", way) for way in WAYS)) and "weather" not in desk.raw:
            desk.mistake(leg.path, "weather for this stop", "none", GET_SOME)
        return None
    if leg.written.weather is None:
        return default
    return merge_weather(leg.written.weather, path, desk, scenario)


def _lay_out(legs: list[_Leg], desk: Desk) -> None:
    """Put stays and drives on the axis of UTC, stop by stop; stops where one cannot be placed."""
    if any(leg.zone is None or leg.written.arrive is None or leg.written.depart is None for leg in legs):
        return
    first, last = legs[0], legs[-1]
    first.stand_from = _edge(first, "arrive", desk)
    for left, ahead in zip(legs, legs[1:], strict=False):
        if left.stand_from is None or not _drive(left, ahead, desk):
            return
    last.stand_to = _edge(last, "depart", desk)
    if last.stand_from is not None and last.stand_to is not None and last.stand_to <= last.stand_from:
        assert last.zone is not None
        desk.mistake(
            (*last.path, "depart"),
            f"a depart after the arrival at {last.stand_from.astimezone(last.zone):%Y-%m-%d %H:%M}",
            _said(last.written.depart or date.min),
            "The drive takes until then.",
        )


def _edge(leg: _Leg, key: str, desk: Desk) -> datetime | None:
    """Start of the first stay or end of the last one: midnight of a date, or the written time."""
    moment = getattr(leg.written, key)
    assert leg.zone is not None
    if isinstance(moment, datetime):
        return _written_time(leg, key, moment, desk)
    return clock.day_start(moment if key == "arrive" else moment + timedelta(days=1), leg.zone)


def _drive(left: _Leg, ahead: _Leg, desk: Desk) -> bool:
    """Lay out one leg; False if it cannot be (which has been told)."""
    known = all(
        desk.sound((*ahead.path, key), (*left.path, key)) for key in ("latitude_deg", "longitude_deg", "drive_h", "leave")
    )
    assert left.zone is not None and ahead.zone is not None and left.stand_from is not None
    if not known:
        return False
    preset = load_preset("converters")
    straight_km = _distance_km(left, ahead)
    ahead.km = straight_km * preset.number("drive", "detour_frac")
    departs, arrives = left.written.depart, ahead.written.arrive
    both_written = isinstance(departs, datetime) and isinstance(arrives, datetime)
    hours = ahead.written.drive_h
    if hours is None and not both_written:
        ahead.estimated = straight_km > SAME_PLACE_KM
        hours = ahead.km / preset.number("drive", "speed_km_h") if ahead.estimated else 0.0
    drive_s = 60 * round((hours or 0.0) * SECONDS_PER_HOUR / 60)

    start = _written_time(left, "depart", departs, desk) if isinstance(departs, datetime) else None
    end = _written_time(ahead, "arrive", arrives, desk) if isinstance(arrives, datetime) else None
    if (start is None) == isinstance(departs, datetime) or (end is None) == isinstance(arrives, datetime):
        return False
    if start is not None and end is not None:
        drives = _drive_between(left, ahead, start, end, hours, desk)
        if drives is None:
            return False
        ahead.drives, leaves, comes = drives, start, end
    elif end is not None:
        leaves, comes = end - timedelta(seconds=drive_s), end
        if leaves < clock.day_start(day_of(departs or date.min), left.zone):
            desk.mistake(
                (*ahead.path, "arrive"),
                f"an arrival at least {drive_s / SECONDS_PER_HOUR:.1f} h into the day on which {desk.name('stop', left.position)} is left",
                _said(arrives or date.min),
                "Arrive later, leave a day earlier, or write drive_h.",
            )
            return False
        ahead.drives = ((leaves, comes),) if drive_s else ()
    else:
        if start is None:
            moment = clock.at_hour(day_of(departs or date.min), left.leave_h)
            start = _written_time(left, "leave" if left.written.leave is not None else "depart", moment, desk)
            if start is None:
                return False
        leaves = start
        ahead.drives = clock.split_at_midnight(start, drive_s, left.leave_h, left.zone)
        comes = ahead.drives[-1][1] if ahead.drives else start
    if leaves <= left.stand_from:
        _tell_too_early(left, ahead, leaves, desk)
        return False
    left.stand_to, ahead.stand_from = leaves, comes
    _note_drive(left, ahead, straight_km, preset, desk)
    return True


def _drive_between(
    left: _Leg, ahead: _Leg, start: datetime, end: datetime, hours: float | None, desk: Desk
) -> tuple[tuple[datetime, datetime], ...] | None:
    """Drive between two written times; None if they cannot be (which has been told)."""
    between_h = (end - start).total_seconds() / SECONDS_PER_HOUR
    previous = desk.name("stop", left.position)
    if between_h < 0.0:
        desk.mistake(
            (*ahead.path, "arrive"),
            f"an arrival after {previous} is left",
            f"one {-between_h:.1f} h before, which overlaps",
            "Each time is read on the clock of its own stop.",
        )
        return None
    if hours is not None and abs(hours - between_h) > CLOCK_TOLERANCE_H:
        desk.mistake(
            (*ahead.path, "drive_h"),
            f"{between_h:.1f} h, the time between leaving {previous} and arriving",
            f"{hours:g} h",
            "Give the two times or drive_h, not both.",
        )
        return None
    if hours is None and between_h > HOURS_PER_DAY:
        desk.mistake(
            (*ahead.path, "arrive"),
            f"an arrival within {HOURS_PER_DAY} h of leaving {previous}",
            f"one {between_h:.1f} h later, which leaves a gap",
            "Add a stop on the way.",
        )
        return None
    return ((start, end),) if end > start else ()


def _tell_too_early(left: _Leg, ahead: _Leg, leaves: datetime, desk: Desk) -> None:
    """Say that a stop is left before it is reached."""
    assert left.zone is not None and left.stand_from is not None
    came = left.stand_from.astimezone(left.zone)
    desk.mistake(
        (*left.path, "depart"),
        f"a departure towards {desk.name('stop', ahead.position)} after the arrival at {came:%Y-%m-%d %H:%M}",
        f"{leaves.astimezone(left.zone):%Y-%m-%d %H:%M}",
        'Stay a day longer, or write leave = "HH:MM" later than the arrival.',
    )


def _note_drive(left: _Leg, ahead: _Leg, straight_km: float, preset: Preset, desk: Desk) -> None:
    """Say what was estimated about a drive, and what looks odd."""
    assert left.zone is not None and ahead.stand_from is not None and ahead.zone is not None
    on_road_h = sum((end - start).total_seconds() for start, end in ahead.drives) / SECONDS_PER_HOUR
    if ahead.estimated:
        detour, speed = (preset.number("drive", key) for key in ("detour_frac", "speed_km_h"))
        desk.note(
            ahead.path,
            f"the drive from {quote(left.name)} was taken as {ahead.km:.0f} km (great circle x {detour:g}) and {on_road_h:.1f} h "
            f"(at {speed:g} km/h); write drive_h to change it.",
        )
    if len(ahead.drives) > 1:
        reached = ahead.stand_from.astimezone(ahead.zone)
        desk.note(
            ahead.path,
            f"the drive of {on_road_h:.1f} h would pass midnight and goes on the next day; arrival {reached:%Y-%m-%d %H:%M}.",
        )
    longest_h = max(((end - start).total_seconds() / SECONDS_PER_HOUR for start, end in ahead.drives), default=0.0)
    if longest_h > preset.number("drive", "long_day_h") + 1e-6:
        desk.note(ahead.path, f"{longest_h:.1f} h of driving on one day is long; a stop on the way would shorten it.")
    if straight_km > SAME_PLACE_KM and straight_km > FAST_KM_H * on_road_h:
        speed_text = f"{straight_km / on_road_h:.0f} km/h" if on_road_h else "no time at all"
        desk.note(
            ahead.path,
            f"{straight_km:.0f} km as the crow flies in {on_road_h:.1f} h ({speed_text}): is the drive a ferry, or a slip?",
        )


def _finished(leg: _Leg, weather: WeatherChoice | None, preset: Preset, desk: Desk) -> Stop:
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
        hookup_every_nights=stop.hookup or 0,
        drive_h_per_day=stop.drive_h_per_day or 0.0,
        leave_h=leg.leave_h,
        heading_deg=stop.heading_deg,
        tilt_deg=stop.tilt_deg,
        beam_frac=preset.number("shade", shade, "beam_frac"),
        diffuse_frac=preset.number("shade", shade, "diffuse_frac"),
        snow=stop.snow or "none",
    )
