"""From an itinerary to hours: UTC index, local clock, place, nose and driving state of every hour of the trip.

The UTC hour is the only index; the local clock is a column derived from it. Two rules carry everything that is odd
about local time:

* The clock of an hour is the clock of the place it **starts** at; on the road that is the clock of the stop being left,
  until the arrival. An hour belongs to the local day in which it starts, so in a zone that is 30 or 45 minutes off, the
  trip begins with the first UTC hour that starts at or after local midnight.
* Days are counted, not dated. The number goes up when the wall clock passes midnight. A change of the clock (summer time,
  a zone crossing, the date line) is taken as the shift by at most half a day that the traveller sees on the dial, so
  crossing the date line makes that day a few hours longer or shorter, and its *date* repeats or vanishes, while every
  day still holds about one morning, one noon and one evening. When the clock falls back over midnight, the day goes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from simulator.errors import EngineFault
from simulator.scenario.parts import Scenario, Stop
from simulator.units import FULL_TURN_DEG, HOURS_PER_DAY, SECONDS_PER_HOUR

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Windows = Iterable[tuple[float, float]]
"""Windows (from, to) on the local clock [h]; to <= from means over midnight."""

SECONDS_PER_DAY: Final = HOURS_PER_DAY * SECONDS_PER_HOUR
NOON_H: Final = HOURS_PER_DAY / 2
EPOCH_WEEKDAY: Final = 3
"""1970-01-01 was a Thursday (0 = Monday)."""


@dataclass(frozen=True, eq=False)
class Timeline:
    """Every hour of the trip. All arrays are ``(hours,)`` unless said otherwise.

    A drive that is split over several days leaves the vehicle parked on the way, at the point reached, with its nose in
    the direction of travel. Driving during a stay (errands, work) starts and ends at the stop: it counts in
    ``driving_frac``, while place and nose stay those of the stop.
    """

    utc: pd.DatetimeIndex
    """Start of each hour, UTC."""
    local_hour: Floats
    """Clock hour at the start [h], [0, 24)."""
    local_day: Ints
    """Number of the local day in the trip, from 0, never decreasing, none left out."""
    weekday: Ints
    """Of the local day (0 = Monday): the weekday of the date on which that day began."""
    utc_offset_h: Floats
    """What the local clock shows more than UTC [h]."""
    stop: Ints
    """Position in ``scenario.stops``; on the way, the stop being left in the first half of the leg, then the stop ahead."""
    driving_frac: Floats
    """Share of the hour spent driving [0..1]."""
    hookup: Flags
    """On a campsite hookup; only in hours that stand still throughout."""
    latitude_deg: Floats
    """At mid-hour; on the way, along the great circle [deg]."""
    longitude_deg: Floats
    """At mid-hour; on the way, along the great circle [deg]."""
    heading_deg: Floats
    """Where the nose points, clockwise from north [deg], [0, 360)."""
    dates: tuple[date, ...]
    """``(days,)`` local date on which each day began; can repeat or skip at the date line."""
    day_stop: Ints
    """``(days,)`` stop at which most of the day's hours are spent; the earlier one on a tie."""
    zones: tuple[str, ...]
    """``(stops,)`` zone of each stop."""
    staying: Flags
    """At the stop for the whole hour, not on a leg; errands from there count as staying."""
    stored: Flags
    """Staying at a stop that is storage: off the road, nothing draws."""

    @property
    def hours(self) -> int:
        """Number of hours."""
        return len(self.local_day)

    @property
    def days(self) -> int:
        """Number of local days."""
        return len(self.dates)


def build_timeline(scenario: Scenario) -> Timeline:
    """Lay the itinerary out in hours.

    Parameters
    ----------
    scenario : Scenario
        Finished scenario: stays and drives already in UTC, in order, without gap or overlap.

    Returns
    -------
    Timeline
        From the first UTC hour that starts at or after the start of the first stay, to the last that starts before the
        end of the last stay.

    Raises
    ------
    EngineFault
        The stays hold no hour, which a finished scenario cannot have.
    """
    stops = scenario.stops
    came_s = np.array([round(stop.stand_from_utc.timestamp()) for stop in stops], dtype=np.int64)
    left_s = np.array([round(stop.stand_to_utc.timestamp()) for stop in stops], dtype=np.int64)
    first_s, end_s = (-(-edge_s // SECONDS_PER_HOUR) * SECONDS_PER_HOUR for edge_s in (int(came_s[0]), int(left_s[-1])))
    if end_s <= first_s:
        raise EngineFault("The itinerary holds no hour: it ends before it starts.")
    start_s = np.arange(first_s, end_s, SECONDS_PER_HOUR, dtype=np.int64)
    mid_s = start_s + SECONDS_PER_HOUR // 2
    utc = pd.date_range(pd.Timestamp(first_s, unit="s", tz="UTC"), periods=len(start_s), freq="h")

    offset_s = _hourly_offset_s(utc, _standing_at(came_s, start_s), [stop.zone for stop in stops])
    local_s = start_s + offset_s
    local_hour = (local_s % SECONDS_PER_DAY) / SECONDS_PER_HOUR
    local_day = _hourly_day(start_s, offset_s)
    day_start = day_starts(local_day)
    epoch_day = local_s[day_start] // SECONDS_PER_DAY

    standing = _standing_at(came_s, mid_s)
    on_leg, progress = _hourly_progress(stops, left_s, standing, mid_s)
    latitude_deg, longitude_deg, heading_deg = _hourly_place(scenario, standing, on_leg, progress)
    legs = [drive for stop in stops for drive in _seconds(stop.drives_utc)]
    errands = [drive for stop in stops for drive in _errands_s(stop)]
    leg_frac = _hourly_covered_frac(legs, start_s)
    driving_frac = np.minimum(leg_frac + _hourly_covered_frac(errands, start_s), 1.0)
    stop_at = standing + (on_leg & (progress >= 0.5))
    # A leg that goes on tomorrow leaves the vehicle on the way for the night: at no stop.
    staying = ~on_leg & (leg_frac == 0.0)

    return Timeline(
        utc=utc,
        local_hour=local_hour,
        local_day=local_day,
        weekday=((epoch_day + EPOCH_WEEKDAY) % 7)[local_day],
        utc_offset_h=offset_s / SECONDS_PER_HOUR,
        stop=stop_at,
        driving_frac=driving_frac,
        hookup=_hourly_hookup(stops, came_s, start_s, local_hour, local_day, standing) & ~on_leg & (driving_frac == 0.0),
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        heading_deg=heading_deg,
        dates=tuple(epoch_day.astype("datetime64[D]").tolist()),
        day_stop=_day_stop(local_day, stop_at),
        zones=tuple(stop.zone for stop in stops),
        staying=staying,
        stored=staying & np.array([bool(stop.storage) for stop in stops])[stop_at],
    )


def day_starts(local_day: Ints) -> Ints:
    """Return the position of the first hour of each day, ``(days,)``, for sums with ``numpy.add.reduceat``."""
    return np.flatnonzero(np.diff(local_day, prepend=-1)).astype(np.int64)


def merge_windows(windows: Windows) -> tuple[tuple[float, float], ...]:
    """Put clock windows in order within one day: split at midnight, joined where they touch, empty ones left out.

    Parameters
    ----------
    windows : iterable of (float, float)
        From and to on the local clock [h], 0..24; to <= from means over midnight, so (h, h) is the whole day.

    Returns
    -------
    tuple of (float, float)
        Disjoint windows with from < to.
    """
    pieces: list[tuple[float, float]] = []
    for start_h, end_h in windows:
        over_midnight = [(start_h, float(HOURS_PER_DAY)), (0.0, end_h)]
        pieces += over_midnight if end_h <= start_h else [(start_h, end_h)]
    merged: list[tuple[float, float]] = []
    for start_h, end_h in sorted(piece for piece in pieces if piece[1] > piece[0]):
        if merged and start_h <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end_h))
        else:
            merged.append((start_h, end_h))
    return tuple(merged)


def hourly_window_frac(local_hour: Floats, windows: Windows) -> Floats:
    """Share of each hour that lies inside any of the clock windows.

    Parameters
    ----------
    local_hour : (hours,)
        Clock hour at the start of the hour [h]. The hour is taken to last one hour on the clock; one that runs over
        midnight meets the windows of the morning with its end.
    windows : iterable of (float, float)
        See :func:`merge_windows`.

    Returns
    -------
    (hours,)
        0..1.
    """
    frac = np.zeros_like(local_hour)
    for start_h, end_h in merge_windows(windows):
        for shift_h in (0, HOURS_PER_DAY):
            inside_h = np.minimum(local_hour + 1.0, end_h + shift_h) - np.maximum(local_hour, start_h + shift_h)
            frac += np.maximum(inside_h, 0.0)
    return frac


def _hourly_offset_s(utc: pd.DatetimeIndex, clock_of: Ints, zones: Sequence[str]) -> Ints:
    """What the local clock shows more than UTC [s]; one conversion per distinct zone, not per stop."""
    names = sorted(set(zones))
    zone_of = np.array([names.index(zone) for zone in zones])[clock_of]
    offset_s = np.empty(len(utc), dtype=np.int64)
    for position, name in enumerate(names):
        there = np.flatnonzero(zone_of == position)
        if len(there):
            moment = utc[there].as_unit("s")
            offset_s[there] = moment.tz_convert(ZoneInfo(name)).tz_localize(None).asi8 - moment.asi8
    return offset_s


def _hourly_day(start_s: Ints, offset_s: Ints) -> Ints:
    """Number the local days: whole days are taken out of every shift of the clock, then midnights are counted."""
    shift_s = np.diff(offset_s, prepend=offset_s[:1])
    shift_s -= SECONDS_PER_DAY * np.round(shift_s / SECONDS_PER_DAY).astype(np.int64)
    day = (start_s + offset_s[0] + np.cumsum(shift_s)) // SECONDS_PER_DAY
    # A clock that is set back over midnight would open the old day again; the day that has begun goes on instead.
    day = np.maximum.accumulate(day)
    return np.asarray(day - day[0], dtype=np.int64)


def _standing_at(came_s: Ints, moment_s: Ints) -> Ints:
    """Return the last stop reached at each moment, ``(hours,)``."""
    return np.maximum(np.searchsorted(came_s, moment_s, side="right") - 1, 0).astype(np.int64)


def _hourly_progress(stops: Sequence[Stop], left_s: Ints, standing: Ints, mid_s: Ints) -> tuple[Flags, Floats]:
    """Whether mid-hour lies between two stops, and the share of that leg's driving done by then [0..1]."""
    on_leg = (mid_s >= left_s[standing]) & (standing < len(stops) - 1)
    progress = np.zeros(len(mid_s))
    if not on_leg.any():
        return on_leg, progress
    leg_s = np.array([sum(end_s - begin_s for begin_s, end_s in _seconds(stop.drives_utc)) for stop in stops])
    before_s = np.cumsum(leg_s) - leg_s
    driven_s = _driven_s([drive for stop in stops for drive in _seconds(stop.drives_utc)], mid_s[on_leg])
    ahead = standing[on_leg] + 1
    progress[on_leg] = np.clip((driven_s - before_s[ahead]) / np.maximum(leg_s[ahead], 1), 0.0, 1.0)
    return on_leg, progress


def _hourly_place(scenario: Scenario, standing: Ints, on_leg: Flags, progress: Floats) -> tuple[Floats, Floats, Floats]:
    """Latitude, longitude and heading of every hour [deg]."""
    stops = scenario.stops
    stop_latitude_deg = np.array([stop.latitude_deg for stop in stops], dtype=float)
    stop_longitude_deg = np.array([stop.longitude_deg for stop in stops], dtype=float)
    latitude_deg = stop_latitude_deg[standing]
    longitude_deg = stop_longitude_deg[standing]
    heading_deg = np.array([_parked_heading_deg(scenario, stop) for stop in stops])[standing]
    if on_leg.any():
        left, ahead = standing[on_leg], standing[on_leg] + 1
        latitude_deg[on_leg], longitude_deg[on_leg], course_deg = along_great_circle(
            stop_latitude_deg[left],
            stop_longitude_deg[left],
            stop_latitude_deg[ahead],
            stop_longitude_deg[ahead],
            progress[on_leg],
        )
        # Between two stops at one and the same place there is no course; the nose stays where it was.
        heading_deg[on_leg] = np.where(np.isnan(course_deg), heading_deg[on_leg], course_deg)
    return latitude_deg, longitude_deg, heading_deg


def _parked_heading_deg(scenario: Scenario, stop: Stop) -> float:
    """Heading at a stop: its own, else the vehicle's, else drawn from (seed, stop number), so that later stops change none."""
    for stated_deg in (stop.heading_deg, scenario.vehicle.heading_deg):
        if stated_deg is not None:
            return float(stated_deg) % FULL_TURN_DEG % FULL_TURN_DEG
    return float(np.random.default_rng((scenario.seed, stop.number)).uniform(0.0, FULL_TURN_DEG))


def along_great_circle(
    from_latitude_deg: Floats, from_longitude_deg: Floats, to_latitude_deg: Floats, to_longitude_deg: Floats, progress: Floats
) -> tuple[Floats, Floats, Floats]:
    """Position and course after a share of the shortest way between two places on a sphere.

    Parameters
    ----------
    from_latitude_deg, from_longitude_deg, to_latitude_deg, to_longitude_deg : (places,)
        Both ends [deg].
    progress : (places,)
        Share of the way behind [0..1].

    Returns
    -------
    latitude_deg, longitude_deg, course_deg : (places,)
        Longitude in [-180, 180]; course clockwise from north in [0, 360), NaN where both ends are the same place.
        Between opposite ends of the earth, where every direction is the shortest, the way leads over the north pole.

    Notes
    -----
    Spherical linear interpolation with unit vectors [1]_, written with the tangent at the start, which stays exact for
    short legs.

    References
    ----------
    .. [1] K. Shoemake (1985), "Animating rotation with quaternion curves", SIGGRAPH Computer Graphics 19(3), 245-254,
       doi:10.1145/325165.325242.
    """
    here, north, _ = _local_axes(from_latitude_deg, from_longitude_deg)
    there, _, _ = _local_axes(to_latitude_deg, to_longitude_deg)
    cosine = np.sum(here * there, axis=0)
    across = there - cosine * here
    sine = np.linalg.norm(across, axis=0)
    angle = np.arctan2(sine, cosine)
    same = (sine < 1e-12) & (cosine > 0.0)
    tangent = np.where(sine < 1e-12, north, across / np.maximum(sine, 1e-300))
    done = np.where(same, 0.0, progress * angle)
    position = np.cos(done) * here + np.sin(done) * tangent
    direction = np.cos(done) * tangent - np.sin(done) * here
    latitude_deg = np.degrees(np.arctan2(position[2], np.hypot(position[0], position[1])))
    longitude_deg = np.degrees(np.arctan2(position[1], position[0]))
    _, north, east = _local_axes(latitude_deg, longitude_deg)
    course = np.arctan2(np.sum(direction * east, axis=0), np.sum(direction * north, axis=0))
    # Twice, since a hair west of north is rounded up to a full turn.
    course_deg = np.where(same, np.nan, np.degrees(course) % FULL_TURN_DEG % FULL_TURN_DEG)
    return latitude_deg, longitude_deg, course_deg


def _local_axes(latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats, Floats]:
    """Unit vectors up, north and east at places on the sphere, each ``(3, places)``."""
    latitude, longitude = np.radians(latitude_deg), np.radians(longitude_deg)
    nil = np.zeros_like(latitude)
    up = np.stack((np.cos(latitude) * np.cos(longitude), np.cos(latitude) * np.sin(longitude), np.sin(latitude)))
    north = np.stack((-np.sin(latitude) * np.cos(longitude), -np.sin(latitude) * np.sin(longitude), np.cos(latitude)))
    east = np.stack((-np.sin(longitude), np.cos(longitude), nil))
    return up, north, east


def _seconds(drives_utc: Iterable[tuple[datetime, datetime]]) -> list[tuple[int, int]]:
    """Driving intervals in seconds since 1970."""
    return [(round(begin.timestamp()), round(end.timestamp())) for begin, end in drives_utc]


def _errands_s(stop: Stop) -> list[tuple[int, int]]:
    """Drives during the stay: each day from ``leave_h`` on, unless the vehicle arrived later; they end with the stay."""
    if stop.drive_h_per_day <= 0.0:
        return []
    zone = ZoneInfo(stop.zone)
    came_s, left_s = round(stop.stand_from_utc.timestamp()), round(stop.stand_to_utc.timestamp())
    day, last_day = (moment.astimezone(zone).date() for moment in (stop.stand_from_utc, stop.stand_to_utc))
    drives: list[tuple[int, int]] = []
    while day <= last_day:
        leave_s = round((datetime.combine(day, time(), tzinfo=zone) + timedelta(hours=stop.leave_h)).timestamp())
        end_s = min(leave_s + round(stop.drive_h_per_day * SECONDS_PER_HOUR), left_s)
        # A date that the zone skipped gives the moments of the day after it a second time: driven once.
        begin_s = max(leave_s, drives[-1][1]) if drives else leave_s
        if leave_s >= came_s and end_s > begin_s:
            drives.append((begin_s, end_s))
        day += timedelta(days=1)
    return drives


def _driven_s(drives_s: Sequence[tuple[int, int]], moment_s: Ints) -> Floats:
    """Seconds of driving done by each moment; the intervals are in order and disjoint."""
    if not drives_s:
        return np.zeros(len(moment_s))
    edges_s = np.array(drives_s, dtype=float)
    done_s = np.cumsum(edges_s[:, 1] - edges_s[:, 0])
    knots_s = np.column_stack((np.concatenate(([0.0], done_s[:-1])), done_s)).ravel()
    return np.asarray(np.interp(moment_s, edges_s.ravel(), knots_s), dtype=np.float64)


def _hourly_covered_frac(drives_s: Sequence[tuple[int, int]], start_s: Ints) -> Floats:
    """Share of each hour inside the intervals [0..1]."""
    edges_s = np.append(start_s, start_s[-1] + SECONDS_PER_HOUR)
    return np.diff(_driven_s(drives_s, edges_s)) / SECONDS_PER_HOUR


def _hourly_hookup(
    stops: Sequence[Stop], came_s: Ints, start_s: Ints, local_hour: Floats, local_day: Ints, standing: Ints
) -> Flags:
    """Whether the stop offers a hookup in this hour: always, or in the n-th, 2n-th ... night of the stay, noon to noon."""
    every = np.array([stop.hookup_every_nights for stop in stops], dtype=np.int64)[standing]
    if not every.any():
        return np.zeros(len(start_s), dtype=bool)
    arrival = np.clip((came_s - start_s[0]) // SECONDS_PER_HOUR, 0, len(start_s) - 1)
    # Night 1 begins at noon of the day of arrival; the morning before that noon belongs to no night of the stay.
    night = local_day - (local_hour < NOON_H) - local_day[arrival][standing] + 1
    return np.asarray((every > 0) & ((every == 1) | ((night > 0) & (night % np.maximum(every, 1) == 0))), dtype=np.bool_)


def _day_stop(local_day: Ints, stop: Ints) -> Ints:
    """Return the stop of most hours of each day, ``(days,)``; both inputs never decrease, so equal pairs lie together."""
    changes = (np.diff(local_day, prepend=-1) != 0) | (np.diff(stop, prepend=-1) != 0)
    begin = np.flatnonzero(changes)
    length = np.diff(np.append(begin, len(stop)))
    longest_last = np.lexsort((-begin, length, local_day[begin]))
    day_of_piece = local_day[begin][longest_last]
    last_of_day = np.append(np.diff(day_of_piece) != 0, True)
    return np.asarray(stop[begin][longest_last][last_of_day], dtype=np.int64)
