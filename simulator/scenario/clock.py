"""Local time becomes UTC, and dies here.

Zones come from the place or from the person. A time that the clock skips or shows twice is refused where somebody wrote it,
and resolved (to the first moment that exists) where it only follows from a date.
"""

from __future__ import annotations

import difflib
import re
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

import tzfpy

from simulator.scenario.desk import nearest, quote
from simulator.units import HOURS_PER_DAY

_LETTERS = re.compile(r"[A-Z]{2,4}")
"""A zone as on a watch, ``CET``."""
_OFFSET = re.compile(r"(?:UTC|GMT|Z)?\s*([+\N{MINUS SIGN}-])\s*(\d{1,2})(?::?(\d\d))?(?:\s*h)?", re.IGNORECASE)
"""Hours ahead of Greenwich: ``UTC+5``, ``GMT-3``, ``+05:30``."""
_CITY = ' Write the zone of a city, such as "Europe/Lisbon", or leave zone out: it follows from the place.'


class LocalTimeError(ValueError):
    """A time on the clock that does not exist, or exists twice; ``got`` and ``cure`` go into the message."""

    def __init__(self, got: str, cure: str) -> None:
        super().__init__(f"{got} {cure}")
        self.got = got
        self.cure = cure


def zone_of(name: str) -> ZoneInfo | None:
    """Look a zone up by its IANA name; None if there is none of that name."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


@cache
def nearest_zone(name: str) -> str:
    """Return `` Did you mean "Europe/Lisbon"?`` for the zone of the nearest name, or how zones are written."""
    known = sorted(zone for zone in available_timezones() if not zone.startswith(("Etc/", "SystemV/", "posix/", "right/")))
    # A person may know the city only: the last part of the name.
    city = name.rsplit("/", 1)[-1].strip().replace(" ", "_").lower()
    by_city: dict[str, str] = {}
    for zone in known:
        if "/" in zone:
            by_city.setdefault(zone.rsplit("/", 1)[-1].lower(), zone)
    if city in by_city:
        return f" Did you mean {quote(by_city[city])}?"
    if _LETTERS.fullmatch(name.strip()):
        # CET, EST, PST: such letters mean several zones, and their nearest neighbour by spelling means nothing.
        return _CITY
    if offset := _OFFSET.fullmatch(name.strip()):
        return _at_offset(*offset.groups()) + _CITY
    near = nearest(name, known)
    if not near and (cities := difflib.get_close_matches(city, by_city, n=1, cutoff=0.75)):
        near = f" Did you mean {quote(by_city[cities[0]])}?"
    return near or ' Write a name such as "Europe/Lisbon", or leave zone out: it follows from the place.'


def _at_offset(sign: str, hours: str, minutes: str | None) -> str:
    """Name the zone that is so many hours ahead of Greenwich all year; names of that kind count the other way round."""
    ahead, count = sign == "+", int(hours)
    if int(minutes or 0):
        return ""
    if count == 0:
        return ' Did you mean "Etc/UTC"?'
    meant = f"Etc/GMT{'-' if ahead else '+'}{count}"
    if zone_of(meant) is None:
        return ""
    side = "ahead of" if ahead else "behind"
    return (
        f" Did you mean {quote(meant)}, which is {count} h {side} UTC all year (in such names the sign is the other way round)?"
    )


def zone_at(latitude_deg: float, longitude_deg: float) -> str:
    """Name the zone of a place; on the open sea it is one of whole hours (``Etc/GMT+3``)."""
    return str(tzfpy.get_tz(longitude_deg, latitude_deg))


def to_utc(local: datetime, zone: ZoneInfo) -> datetime:
    """Turn a written local time into UTC.

    Raises
    ------
    LocalTimeError
        The clock of the zone skips it, or shows it twice.
    """
    early, late = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    shown = f"{local:%Y-%m-%d %H:%M}"
    if not _exists(local, zone):
        # Before the jump's offset the skipped time lies just as far behind it.
        after = early.astimezone(UTC).astimezone(zone)
        raise LocalTimeError(
            f"{shown}, which does not exist there: the clock jumps over it",
            f"Write {after:%H:%M} for the same moment, or another time.",
        )
    if early.utcoffset() != late.utcoffset():
        raise LocalTimeError(
            f"{shown}, which comes twice there: the clock is set back",
            "Write a time an hour or two earlier or later, which comes once.",
        )
    return early.astimezone(UTC)


def first_moment(local: datetime, zone: ZoneInfo) -> datetime:
    """Turn a local time that follows from a date into UTC: the first moment at or after it on the clock."""
    found = local.replace(tzinfo=zone, fold=0).astimezone(UTC)
    if _exists(local, zone):
        return found
    # The jump itself: the last moment of the old offset and the first of the new one are the same.
    shift = (local.replace(tzinfo=zone, fold=0).utcoffset() or timedelta()) - (
        local.replace(tzinfo=zone, fold=1).utcoffset() or timedelta()
    )
    low, high = found - abs(shift), found
    before = low.astimezone(zone).utcoffset()
    while high - low > timedelta(seconds=1):
        middle = low + (high - low) / 2
        low, high = (middle, high) if middle.astimezone(zone).utcoffset() == before else (low, middle)
    return high.replace(microsecond=0)


def day_start(day: date, zone: ZoneInfo) -> datetime:
    """First moment of a local date, in UTC."""
    return first_moment(datetime.combine(day, time()), zone)


def has_day(day: date, zone: ZoneInfo) -> bool:
    """Whether the zone has that date; one that moved over the date line has skipped one."""
    noon = datetime.combine(day, time(HOURS_PER_DAY // 2))
    return _exists(noon, zone)


def _exists(local: datetime, zone: ZoneInfo) -> bool:
    return local.replace(tzinfo=zone, fold=0).astimezone(UTC).astimezone(zone).replace(tzinfo=None, fold=0) == local


def at_hour(day: date, hour: float) -> datetime:
    """Combine a date and an hour on the clock, 0 to below 24."""
    minutes = round(hour * 60)
    return datetime.combine(day, time(minutes // 60, minutes % 60))


def split_at_midnight(start_utc: datetime, drive_s: int, leave_h: float, zone: ZoneInfo) -> tuple[tuple[datetime, datetime], ...]:
    """Cut a drive into days: what would pass midnight goes on the next day at the hour of leaving.

    Parameters
    ----------
    start_utc : datetime
    drive_s : int
        Time on the road [s].
    leave_h : float
        Hour of the clock at which it goes on.
    zone : ZoneInfo
        Whose midnight.

    Returns
    -------
    tuple of (datetime, datetime)
        In order, in UTC; empty for no drive.
    """
    drives = []
    left = timedelta(seconds=drive_s)
    start = start_utc
    while left > timedelta():
        tomorrow = start.astimezone(zone).date() + timedelta(days=1)
        end = min(start + left, day_start(tomorrow, zone))
        if end > start:
            drives.append((start, end))
        left -= end - start
        start = first_moment(at_hour(tomorrow, leave_h), zone)
    return tuple(drives)
