"""A measured course of watts: a CSV file with a column of times and a column of watts, laid onto the hours of a trip.

The times may be

* clock times (``06:30``) or hours of the day (``0`` to ``23``): one day, the same every day of the trip;
* dates with a time (``2025-11-03 06:30``), on the clock of the place; with an offset (``Z``, ``+01:00``) they are moments.

Every value holds from its time until the next row; the last one as long as the row before it did. Where dated rows cover
the whole trip they are taken at their dates. Otherwise they repeat: whole weeks if there are any, so that a weekday meets
its weekday, else whole days; the hour of the day is kept either way.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulator.errors import InputError
from simulator.timeline import Timeline
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR, SECONDS_PER_HOUR

Floats = NDArray[np.float64]

TIME_HEADS: Final = ("time", "hour", "clock", "local", "utc", "timestamp", "datetime", "date")
WATT_HEADS: Final = ("watts", "power_w", "watt", "w")
EXAMPLE: Final = "the first line time,watts and then rows such as 2026-05-01 06:30,45"
MOST_BYTES: Final = 50_000_000
MOST_W: Final = 50_000.0
MOST_MISTAKES: Final = 10
"""Of one file; whatever is wrong with its rows is usually wrong with all of them."""
LONGEST_GAP_S: Final = HOURS_PER_DAY * SECONDS_PER_HOUR
SECONDS_PER_DAY: Final = HOURS_PER_DAY * SECONDS_PER_HOUR
DAYS_PER_WEEK: Final = 7
_CLOCK = re.compile(r"(\d{1,2})(?::(\d{2})(?::(\d{2})(?:\.\d*)?)?)?")


@dataclass(frozen=True, eq=False)
class Profile:
    """A measured course of watts; rows are in order, each holds until the next."""

    kind: str
    """``clock``: seconds of the day; ``local``: seconds on the wall clock since 1970; ``utc``: seconds since 1970, UTC."""
    start_s: Floats
    """``(rows,)``"""
    watts: Floats
    """``(rows,)``"""
    end_s: float
    """Where the last row ends; on the clock, one day after the first row."""

    @property
    def peak_w(self) -> float:
        """The highest row [W]."""
        return float(self.watts.max())

    @property
    def days(self) -> float:
        """How long it is [days]."""
        return (self.end_s - float(self.start_s[0])) / SECONDS_PER_DAY

    @property
    def mean_w(self) -> float:
        """Mean over its whole length [W]."""
        return float(self._energy_ws()[-1]) / (self.end_s - float(self.start_s[0]))

    def hourly_w(self, timeline: Timeline) -> Floats:
        """Mean watts of every hour of the trip, ``(hours,)``.

        Parameters
        ----------
        timeline : Timeline

        Returns
        -------
        (hours,)
            Watts. An hour is taken to last one hour on the clock, as for clock windows.
        """
        first_s, length_s = float(self.start_s[0]), self.end_s - float(self.start_s[0])
        utc_s = timeline.utc.as_unit("s").asi8.astype(np.float64)
        local_s = utc_s + timeline.utc_offset_h * SECONDS_PER_HOUR
        if self.kind == "clock":
            return self._hourly_w(timeline.local_hour * SECONDS_PER_HOUR - first_s, float(SECONDS_PER_DAY))
        hour_s = utc_s if self.kind == "utc" else local_s
        if hour_s.min() >= first_s and hour_s.max() + SECONDS_PER_HOUR <= self.end_s:
            return self._hourly_w(hour_s - first_s, length_s)
        if self.kind == "utc":
            # Shown on the clock on which the trip begins, so that the evening of the record is the evening of the trip.
            first_s += float(timeline.utc_offset_h[0]) * SECONDS_PER_HOUR
        whole_days = length_s // SECONDS_PER_DAY
        kept_days = whole_days - whole_days % DAYS_PER_WEEK if whole_days >= DAYS_PER_WEEK else whole_days
        return self._hourly_w(local_s - first_s, kept_days * SECONDS_PER_DAY)

    def _energy_ws(self) -> Floats:
        """Energy up to the start of each row and to the end [Ws]; ``(rows + 1,)``."""
        held_s = np.diff(np.append(self.start_s, self.end_s))
        return np.concatenate(([0.0], np.cumsum(self.watts * held_s)))

    def _hourly_w(self, since_s: Floats, cycle_s: float) -> Floats:
        """Mean over the hour that begins so long after the first row, in a course that repeats after ``cycle_s``."""
        knots_s = np.append(self.start_s, self.end_s) - self.start_s[0]
        energy_ws = self._energy_ws()
        whole_ws = float(np.interp(cycle_s, knots_s, energy_ws))

        def used_ws(moment_s: Floats) -> Floats:
            rounds = np.floor(moment_s / cycle_s)
            return rounds * whole_ws + np.interp(moment_s - rounds * cycle_s, knots_s, energy_ws)

        # Both ends in the same round of the course: far from it, differences of large sums would round.
        into_s = since_s % cycle_s
        watts = (used_ws(into_s + SECONDS_PER_HOUR) - used_ws(into_s)) / SECONDS_PER_HOUR
        return np.asarray(np.maximum(watts, 0.0), dtype=np.float64)


def read_profile(path: str | Path) -> Profile:
    """Read a measured course of watts.

    Parameters
    ----------
    path : str or path
        CSV, UTF-8, at most 50 MB; columns may be parted by comma, semicolon (then with decimal commas too) or tab. Lines
        that start with # are left out.

    Returns
    -------
    Profile

    Raises
    ------
    InputError
        The file is missing or cannot be used; up to ten mistakes at once, each with its line.
    """
    file = Path(path)
    try:
        status = file.stat()
    except (OSError, ValueError):
        return _parsed(file)
    return _kept(file, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=16)
def _kept(file: Path, _mtime_ns: int, _size: int) -> Profile:
    """A file is read once as long as it does not change: studies of many years ask for it again and again."""
    return _parsed(file)


def _parsed(file: Path) -> Profile:
    rows = [
        (number, line) for number, line in enumerate(_text_of(file).splitlines(), 1) if line.strip() and line.strip()[0] != "#"
    ]
    if not rows:
        raise InputError(f"{file.name}: expected {EXAMPLE}, got an empty file. Write one row for every change.")
    parted = next((sign for sign in (";", "\t", ",") if sign in rows[0][1]), ",")
    time_at, watts_at = _columns(file.name, rows[0], parted)
    mistakes: list[str] = []
    kinds: list[str] = []
    start_s: list[float] = []
    watts: list[float] = []
    for number, line in rows[1:]:
        if len(mistakes) >= MOST_MISTAKES:
            raise InputError([*mistakes, f"{file.name}: line {number} and what follows was not looked at any more."])
        cells = next(csv.reader(io.StringIO(line), delimiter=parted))
        where = f"{file.name}: line {number}"
        if len(cells) <= max(time_at, watts_at):
            mistakes.append(f"{where}: expected a time and watts, got {_shown(line)}. Fill the row, or take it out.")
            continue
        moment, power = _moment(cells[time_at].strip()), _power(cells[watts_at].strip(), parted)
        if moment is None:
            mistakes.append(
                f"{where}: expected a time such as 06:30 or 2026-05-01 06:30, got {_shown(cells[time_at])}. "
                "Write the year first, and hours from 00:00 to 23:59."
            )
        if power is None:
            mistakes.append(
                f"{where}: expected watts from 0 to {MOST_W:g}, got {_shown(cells[watts_at])}. "
                "Write the bare number; take rows without one out."
            )
        if moment is None or power is None:
            continue
        if kinds and moment[0] != kinds[0]:
            mistakes.append(
                f"{where}: expected times of one kind in the whole file, got {_shown(cells[time_at])}. "
                "Write all with a date or none, and all with an offset or none."
            )
            continue
        if start_s and moment[1] <= start_s[-1]:
            mistakes.append(
                f"{where}: expected a time after that of the row before, got {_shown(cells[time_at])}. "
                "Sort the rows, each time once."
            )
            continue
        if start_s and moment[1] - start_s[-1] > LONGEST_GAP_S:
            mistakes.append(
                f"{where}: expected a row at least every {HOURS_PER_DAY} hours, got a gap of "
                f"{(moment[1] - start_s[-1]) / SECONDS_PER_HOUR:.0f} h. Fill it, with 0 where nothing ran."
            )
        kinds.append(moment[0])
        start_s.append(moment[1])
        watts.append(power)
    if not mistakes and len(start_s) < 2:
        mistakes.append(f"{file.name}: expected at least two rows, got {len(start_s)}. Write one row for every change.")
    if mistakes:
        raise InputError(mistakes)
    end_s = start_s[0] + SECONDS_PER_DAY if kinds[0] == "clock" else 2.0 * start_s[-1] - start_s[-2]
    if end_s - start_s[0] < SECONDS_PER_DAY:
        raise InputError(
            f"{file.name}: expected at least one whole day, got {(end_s - start_s[0]) / SECONDS_PER_HOUR:.3g} h. "
            "Measure a day and a night at least, or write the clock times alone."
        )
    return Profile(kind=kinds[0], start_s=np.array(start_s), watts=np.array(watts), end_s=end_s)


def _text_of(file: Path) -> str:
    try:
        if not file.is_file():
            got = "a folder" if file.is_dir() else "no such file"
            raise InputError(f"{file.name}: expected a CSV file with times and watts, got {got}. Check the name.")
        if file.stat().st_size > MOST_BYTES:
            raise InputError(
                f"{file.name}: expected a CSV file of at most {MOST_BYTES / 1e6:g} MB, got "
                f"{file.stat().st_size / 1e6:.1f} MB. Keep one row a minute, or fewer."
            )
        return file.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError(f"{file.name}: expected UTF-8 text, got a byte that is none. Save it as CSV in UTF-8.") from None
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or "unknown reason").lower()
        raise InputError(f"{file.name}: expected a CSV file, got one that cannot be read ({reason}). Check the name.") from None


def _columns(name: str, head: tuple[int, str], parted: str) -> tuple[int, int]:
    """Position of the times and of the watts."""
    number, line = head
    heads = [cell.strip().lower() for cell in next(csv.reader(io.StringIO(line), delimiter=parted))]
    found = [next((heads.index(word) for word in words if word in heads), None) for words in (TIME_HEADS, WATT_HEADS)]
    if found[0] is None or found[1] is None:
        raise InputError(
            f"{name}: line {number}: expected {EXAMPLE}, got {_shown(line)}. "
            "Name the two columns time and watts; others may stay."
        )
    return found[0], found[1]


def _moment(text: str) -> tuple[str, float] | None:
    """Kind of a time and its seconds; None if it is none."""
    clock = _CLOCK.fullmatch(text)
    if clock:
        hour, minute, second = (int(part or 0) for part in clock.groups())
        if hour >= HOURS_PER_DAY or minute >= MINUTES_PER_HOUR or second >= MINUTES_PER_HOUR:
            return None
        return "clock", float(hour * SECONDS_PER_HOUR + minute * MINUTES_PER_HOUR + second)
    if not re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", text):
        return None
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            return "local", moment.replace(tzinfo=UTC).timestamp()
        return "utc", moment.timestamp()
    except (ValueError, OverflowError):
        return None


def _power(text: str, parted: str) -> float | None:
    try:
        watts = float(text.replace(",", ".") if parted != "," else text)
    except ValueError:
        return None
    return watts if math.isfinite(watts) and 0.0 <= watts <= MOST_W else None


def _shown(text: str) -> str:
    kept = "".join(character if character.isprintable() else " " for character in text.strip())
    return f'"{kept[:57]}..."' if len(kept) > 60 else f'"{kept}"'
