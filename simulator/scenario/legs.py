"""The road between stops: every stay and drive of the route put on the axis of UTC."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from simulator.scenario import clock
from simulator.scenario.desk import Desk, quote
from simulator.scenario.lines import Path
from simulator.scenario.presets import Preset, load_preset
from simulator.scenario.written import StopTable
from simulator.units import EARTH_RADIUS_KM, HOURS_PER_DAY, SECONDS_PER_HOUR

SAME_PLACE_KM = 0.05
"""Two positions nearer than this are one place: no drive."""
FAST_KM_H = 130.0
"""A drive that needs more over the great circle deserves a word."""
CLOCK_TOLERANCE_H = 0.25
"""Two written times and a written ``drive_h`` may differ this much."""


@dataclass
class Leg:
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


def distance_km(left: Leg, ahead: Leg) -> float:
    """Shortest way between two stops [km]."""
    ends = [(leg.written.latitude_deg or 0.0, leg.written.longitude_deg or 0.0) for leg in (left, ahead)]
    return great_circle_km(ends[0], ends[1])


def said(moment: date) -> str:
    """Write a date, with its time if it has one."""
    return f"{moment:%Y-%m-%d %H:%M}" if isinstance(moment, datetime) else f"{moment:%Y-%m-%d}"


def written_time(leg: Leg, key: str, moment: datetime, desk: Desk) -> datetime | None:
    """UTC of a time that somebody wrote; None if there is no such time (which has been told)."""
    assert leg.zone is not None
    try:
        return clock.to_utc(moment, leg.zone)
    except clock.LocalTimeError as error:
        desk.mistake((*leg.path, key), f"a time that {leg.zone_name} has exactly once", error.got, error.cure)
        return None


def lay_out(legs: list[Leg], desk: Desk) -> None:
    """Put stays and drives on the axis of UTC, stop by stop; stops where one cannot be placed."""
    if any(leg.zone is None or leg.written.arrive is None or leg.written.depart is None for leg in legs):
        return
    first, last = legs[0], legs[-1]
    first.stand_from = _edge(first, "arrive", desk)
    for left, ahead in pairwise(legs):
        if left.stand_from is None or not _drive(left, ahead, desk):
            return
    last.stand_to = _edge(last, "depart", desk)
    if last.stand_from is not None and last.stand_to is not None and last.stand_to <= last.stand_from:
        assert last.zone is not None
        desk.mistake(
            (*last.path, "depart"),
            f"a depart after the arrival at {last.stand_from.astimezone(last.zone):%Y-%m-%d %H:%M}",
            said(last.written.depart or date.min),
            "The drive takes until then.",
        )


def _edge(leg: Leg, key: str, desk: Desk) -> datetime | None:
    """Start of the first stay or end of the last one: midnight of a date, or the written time."""
    moment = getattr(leg.written, key)
    assert leg.zone is not None
    if isinstance(moment, datetime):
        return written_time(leg, key, moment, desk)
    return clock.day_start(moment if key == "arrive" else moment + timedelta(days=1), leg.zone)


def _drive(left: Leg, ahead: Leg, desk: Desk) -> bool:
    """Lay out one leg; False if it cannot be (which has been told)."""
    known = all(
        desk.sound((*ahead.path, key), (*left.path, key)) for key in ("latitude_deg", "longitude_deg", "drive_h", "leave")
    )
    assert left.zone is not None and ahead.zone is not None and left.stand_from is not None
    if not known:
        return False
    preset = load_preset("converters")
    straight_km = distance_km(left, ahead)
    ahead.km = straight_km * preset.number("drive", "detour_frac")
    departs, arrives = left.written.depart, ahead.written.arrive
    both_written = isinstance(departs, datetime) and isinstance(arrives, datetime)
    hours = ahead.written.drive_h
    if hours is None and not both_written:
        ahead.estimated = straight_km > SAME_PLACE_KM
        hours = ahead.km / preset.number("drive", "speed_km_h") if ahead.estimated else 0.0
    drive_s = 60 * round((hours or 0.0) * SECONDS_PER_HOUR / 60)

    start = written_time(left, "depart", departs, desk) if isinstance(departs, datetime) else None
    end = written_time(ahead, "arrive", arrives, desk) if isinstance(arrives, datetime) else None
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
                f"an arrival at least {drive_s / SECONDS_PER_HOUR:.1f} h into the day on which "
                f"{desk.name('stop', left.position)} is left",
                said(arrives or date.min),
                "Arrive later, leave a day earlier, or write drive_h.",
            )
            return False
        ahead.drives = ((leaves, comes),) if drive_s else ()
    else:
        if start is None:
            moment = clock.at_hour(day_of(departs or date.min), left.leave_h)
            start = written_time(left, "leave" if left.written.leave is not None else "depart", moment, desk)
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
    left: Leg, ahead: Leg, start: datetime, end: datetime, hours: float | None, desk: Desk
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


def _tell_too_early(left: Leg, ahead: Leg, leaves: datetime, desk: Desk) -> None:
    """Say that a stop is left before it is reached."""
    assert left.zone is not None and left.stand_from is not None
    came = left.stand_from.astimezone(left.zone)
    desk.mistake(
        (*left.path, "depart"),
        f"a departure towards {desk.name('stop', ahead.position)} after the arrival at {came:%Y-%m-%d %H:%M}",
        f"{leaves.astimezone(left.zone):%Y-%m-%d %H:%M}",
        'Stay a day longer, or write leave = "HH:MM" later than the arrival.',
    )


def _note_drive(left: Leg, ahead: Leg, straight_km: float, preset: Preset, desk: Desk) -> None:
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
