"""How the archive is asked: how long it is waited for, and what its refusals mean."""

from __future__ import annotations

import datetime
import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simulator.errors import ArchiveError, InputError
from simulator.units import SECONDS_PER_HOUR
from simulator.weather.archive_reply import service_words

if TYPE_CHECKING:
    from email.message import Message

URL_SETTING: Final = "FLATDAYS_ARCHIVE_URL"
TIMEOUT_SETTING: Final = "FLATDAYS_ARCHIVE_TIMEOUT_S"
LONGEST_TIMEOUT_S: Final = float(SECONDS_PER_HOUR)

BUSY_STATUSES: Final = frozenset({408, 429, 500, 502, 503, 504})
"""Answers that mean "not now" (RFC 9110, RFC 6585); whatever else is not 200 means "not like this"."""


@dataclass(frozen=True)
class Patience:
    """How long the archive is waited for (all: common practice, no source).

    Attributes
    ----------
    timeout_s : silence after which an attempt is given up [s].
    deadline_s : time one attempt may take in all, however steadily it drips [s].
    attempts : how often a year is asked for before it is given up.
    first_wait_s : pause before the second attempt; it doubles from one to the next [s].
    longest_wait_s : longest pause, also when the archive asks for one [s].
    sleep : what pauses; None: the clock.
    """

    timeout_s: float = 40.0
    deadline_s: float = 240.0
    attempts: int = 4
    first_wait_s: float = 1.0
    longest_wait_s: float = 120.0
    sleep: Callable[[float], object] | None = None


class BusyError(Exception):
    """Worth another attempt; the text goes on from "the archive"."""

    def __init__(self, why: str, wait_s: float | None = None) -> None:
        super().__init__(why)
        self.wait_s = wait_s


class OutOfReachError(ArchiveError):
    """No use in asking for another year now."""


class GaveUpError(ArchiveError):
    """The patience for one year is at its end; another year may go better, or not."""


class StoppedError(ArchiveError):
    """The archive was not asked any more, because others had no luck."""


def refusal(status: int, reason: str, headers: Message, body: bytes, asked: str) -> Exception:
    """What an answer other than 200 means."""
    said = service_words(body)
    quoted = f': "{said}"' if said else ""
    answered = f"answered {status} {reason}".rstrip()
    if status in BUSY_STATUSES:
        return BusyError(answered + (f" ({said})" if said else ""), wait_asked_for(headers))
    if status == 422:
        return ArchiveError(
            f"{asked}: the archive refused the request{quoted or ' without saying why'}; "
            "change the place or the years accordingly, or use a weather file"
        )
    return OutOfReachError(
        f"{asked}: the archive {answered}{quoted}; check {URL_SETTING} if it is set, "
        "or try again later: the service may have moved"
    )


def wait_asked_for(headers: Message) -> float | None:
    """The pause that a Retry-After header asks for [s], in seconds or as a date (RFC 9110, 10.2.3)."""
    import email.utils

    asked = (headers.get("Retry-After") or "").strip()
    if asked.isdecimal() and len(asked) < 10:
        return float(asked)
    try:
        until = email.utils.parsedate_to_datetime(asked)
        sent = headers.get("Date")
        # The server's own clock, if it gives it: ours may be wrong.
        now = email.utils.parsedate_to_datetime(sent) if sent else datetime.datetime.now(datetime.UTC)
        return max(0.0, (until - now).total_seconds())
    except (TypeError, ValueError, IndexError):
        return None


def patience_from_settings() -> Patience:
    """The usual patience, with the time-out of the environment."""
    given = os.environ.get(TIMEOUT_SETTING)
    if not given:
        return Patience()
    try:
        timeout_s = float(given)
    except ValueError:
        timeout_s = math.nan
    if not 0.0 < timeout_s <= LONGEST_TIMEOUT_S:
        raise InputError(f'{TIMEOUT_SETTING}: expected seconds above 0 up to {LONGEST_TIMEOUT_S:g}, got "{given}"; correct it')
    return Patience(timeout_s=timeout_s, deadline_s=6.0 * timeout_s)
