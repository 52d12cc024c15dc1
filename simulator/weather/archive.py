"""Hourly weather of past years, anywhere on earth, from an open archive: the only module that opens a socket.

The archive is the hourly point service of NASA POWER (no key, from 2001 on; https://power.larc.nasa.gov/docs/services/api/).
One request brings one cell and calendar year; it is checked, kept on disk and never asked for again. Beside
it, ``archive_gather`` divides the work, ``archive_manners`` holds the patience, ``archive_reply`` knows what an answer must
be, ``archive_files`` how a year is kept, ``past`` what it is. The environment variable
``FLATDAYS_ARCHIVE_URL`` names another server that answers like it, ``FLATDAYS_ARCHIVE_TIMEOUT_S`` how long to wait for one.
"""

from __future__ import annotations

import contextlib
import ipaddress
import math
import os
import time
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

from simulator.errors import InputError
from simulator.version import package_version
from simulator.weather.archive_files import DamagedFileError, folder, keep, pack, read_kept
from simulator.weather.archive_gather import Line, Progress, Take, gather
from simulator.weather.archive_manners import (
    URL_SETTING,
    BusyError,
    GaveUpError,
    OutOfReachError,
    Patience,
    StoppedError,
    patience_from_settings,
    refusal,
)
from simulator.weather.archive_reply import PARAMETERS, GarbledReplyError, read_reply
from simulator.weather.archive_words import asked_for
from simulator.weather.past import (
    FIRST_YEAR,
    ArchiveYear,
    Cell,
    cell_of,
    check_years,
    elevation_corrected,
    hourly_past_weather,
    year_from,
    years_needed,
)

if TYPE_CHECKING:
    from http.client import HTTPMessage, HTTPResponse
    from urllib.request import OpenerDirector, Request

__all__ = [
    "ArchiveYear",
    "Fetched",
    "Patience",
    "cached_years",
    "check_years",
    "elevation_corrected",
    "get_into_cache",
    "get_year",
    "get_years",
    "hourly_past_weather",
    "years_needed",
]

OFFICIAL_URL: Final = "https://power.larc.nasa.gov/api/temporal/hourly/point"

LARGEST_REPLY_BYTES: Final = 32 * 1024 * 1024
"""A year of six parameters takes about 1.3 MB."""
PIECE_BYTES: Final = 64 * 1024

Point = tuple[float, float]
"""Latitude and longitude [deg]."""


@dataclass(frozen=True)
class Fetched:
    """What :func:`get_into_cache` did.

    Attributes
    ----------
    cells : how many cells of the archive the points lie in.
    asked : years of cells that came from the archive.
    kept : years of cells that were there before.
    notes : what was filled or looks odd, a sentence each.
    """

    cells: int
    asked: int
    kept: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Asking:
    """Where and how to ask, and the line to those who wait."""

    url: str
    patience: Patience
    line: Line


def get_year(
    latitude_deg: float,
    longitude_deg: float,
    year: int,
    *,
    offline: bool = False,
    url: str | None = None,
    progress: Callable[[str], None] | None = None,
    patience: Patience | None = None,
) -> ArchiveYear:
    """Get the hourly weather of one past year at a point, from the cache or else from the archive.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        North and east are positive [deg]. Points of one cell of half a degree share their weather.
    year : int
        A whole calendar year, from 2001 on (:func:`check_years`).
    offline : bool
        Never open a socket.
    url : str, optional
        Another server that answers like the archive; by default ``FLATDAYS_ARCHIVE_URL``, or else the official one.
    progress : callable, optional
        Is given a sentence when the archive keeps us waiting.
    patience : Patience, optional
        Time-outs and attempts.

    Returns
    -------
    ArchiveYear
        Its temperature is for its own ``elevation_m``: :func:`elevation_corrected`.

    Raises
    ------
    InputError
        No such point, a year before 2001, or a setting that cannot be read.
    ArchiveError
        The weather could not be had; the sentence says what was asked, what happened and what to do.
    """
    found = get_years(
        [(latitude_deg, longitude_deg)],
        [year],
        offline=offline,
        url=url,
        on_progress=(lambda _done, _total, said: progress(said)) if progress is not None else None,
        patience=patience,
    )
    return found[(latitude_deg, longitude_deg), year]


def get_years(
    points: Iterable[Point],
    years: Iterable[int],
    *,
    offline: bool = False,
    url: str | None = None,
    on_progress: Progress | None = None,
    max_workers: int = 2,
    patience: Patience | None = None,
) -> dict[tuple[Point, int], ArchiveYear]:
    """Get the hourly weather of several past years at several points; only what is not in the cache is asked for.

    Parameters
    ----------
    points : iterable of (latitude_deg, longitude_deg)
    years : iterable of int
    offline, url, patience
        As in :func:`get_year`.
    on_progress : callable, optional
        Is given how many years of cells are done, how many there are, and a sentence; never twice at once, but also from
        other threads.
    max_workers : int
        Requests at once, up to 4.

    Returns
    -------
    dict of (point, year) to ArchiveYear
        Points of one cell share one object. A year that could be had but not kept says so in its notes.

    Raises
    ------
    InputError, ArchiveError
        As in :func:`get_year`, with a sentence for every year that could not be had. What was fetched before stays in
        the cache: the same call goes on from there.
    """
    points, years = [(float(north), float(east)) for north, east in points], list(years)
    by_cell: dict[tuple[Cell, int], ArchiveYear] = {}

    def take(cell: Cell, year: int, found: ArchiveYear, *, asked: bool, unkept: str | None) -> None:
        if unkept is not None:
            found = replace(found, notes=(*found.notes, f"it could not be kept for the next time: {unkept}"))
        by_cell[cell, year] = found

    _gather(points, years, take, offline, url, on_progress, max_workers, patience)
    return {(point, year): by_cell[cell_of(*point), year] for point in points for year in years}


def get_into_cache(
    points: Iterable[Point],
    years: Iterable[int],
    *,
    offline: bool = False,
    url: str | None = None,
    on_progress: Progress | None = None,
    max_workers: int = 2,
    patience: Patience | None = None,
) -> Fetched:
    """Make sure that past years are in the cache; as :func:`get_years`, but without holding them in memory.

    Raises
    ------
    InputError, ArchiveError
        As in :func:`get_years`; also if the cache cannot be written.
    """
    points, years = [(float(north), float(east)) for north, east in points], list(years)
    notes: dict[str, None] = {}
    count = {True: 0, False: 0}

    def take(cell: Cell, year: int, found: ArchiveYear, *, asked: bool, unkept: str | None) -> None:
        if unkept is not None:
            raise OutOfReachError(
                f"weather of past years was fetched but could not be kept: {unkept}; make room or rights there, "
                "or name another folder in FLATDAYS_CACHE"
            )
        count[asked] += 1
        notes.update(dict.fromkeys(f"{year}, cell around {cell.said}: {note}" for note in found.notes))

    _gather(points, years, take, offline, url, on_progress, max_workers, patience)
    return Fetched(len({cell_of(*point) for point in points}), count[True], count[False], tuple(notes))


def cached_years(latitude_deg: float, longitude_deg: float) -> tuple[int, ...]:
    """Tell which years of a point are in the cache and sound, in order; each file is read and its checksum tried."""
    cell, where = cell_of(latitude_deg, longitude_deg), folder()
    found = []
    for path in where.glob(f"archive-{cell.key}-*.npz") if where is not None and where.is_dir() else ():
        year = path.name.removeprefix(f"archive-{cell.key}-")[:4]
        with contextlib.suppress(DamagedFileError):
            if year.isdecimal() and int(year) >= FIRST_YEAR and read_kept(cell, int(year)) is not None:
                found.append(int(year))
    return tuple(sorted(set(found)))


def _gather(
    points: list[Point],
    years: list[int],
    take: Take,
    offline: bool,
    url: str | None,
    on_progress: Progress | None,
    max_workers: int,
    patience: Patience | None,
) -> None:
    """Check what is asked for and how, then gather it."""
    early = [year for year in years if year < FIRST_YEAR]
    if early:
        raise InputError(f"years: the archive begins in {FIRST_YEAR}, got {min(early)}; ask for {FIRST_YEAR} or later")
    tasks = [(cell_of(*point), year) for point in points for year in years]
    if offline:
        gather(tasks, take, None, on_progress, max_workers)
        return
    address, manners = _checked_url(url), patience or patience_from_settings()

    def fetch(cell: Cell, year: int, line: Line) -> tuple[ArchiveYear, str | None]:
        told, values = _ask(cell, year, _Asking(address, manners, line))
        told["official"] = address == OFFICIAL_URL
        sha256 = pack(cell, year, told, values)[1].hex()
        return year_from(cell, year, told, values, sha256), keep(cell, year, told, values)

    gather(tasks, take, fetch, on_progress, max_workers)


def _ask(cell: Cell, year: int, asking: _Asking) -> tuple[dict[str, Any], Any]:
    """Ask until there is a sound answer, the patience is at its end, or the answer is no."""
    patience, asked = asking.patience, asked_for(cell, year)
    for attempt in range(1, patience.attempts + 1):
        if asking.line.stop.is_set():
            raise StoppedError(f"{asked} was not asked for any more")
        try:
            return read_reply(_request(cell, year, asking), cell, year, asked)
        except GarbledReplyError as error:
            trouble = BusyError(str(error))
        except BusyError as error:
            trouble = error
        wait_s = min(patience.first_wait_s * 2.0 ** (attempt - 1), patience.longest_wait_s)
        if trouble.wait_s is not None:
            if trouble.wait_s > patience.longest_wait_s:
                raise OutOfReachError(
                    f"{asked}: the archive {trouble} and asks to be left alone for {math.ceil(trouble.wait_s / 60.0)} minutes; "
                    "try again after that"
                )
            wait_s = max(wait_s, trouble.wait_s)
        if attempt < patience.attempts:
            asking.line.tell(f"{asked}: the archive {trouble}; attempt {attempt + 1} of {patience.attempts} in {wait_s:.0f} s")
            (patience.sleep or asking.line.stop.wait)(wait_s)
    times = f", {patience.attempts} times in a row" if patience.attempts > 1 else ""
    raise GaveUpError(f"{asked}: the archive {trouble}{times}; try again later")


def _request(cell: Cell, year: int, asking: _Asking) -> bytes:
    """Send one request and read the whole answer.

    Raises
    ------
    BusyError
        Worth another attempt.
    ArchiveError
        The archive says no.
    """
    import http.client
    import ssl
    import urllib.error
    import urllib.request
    from urllib.parse import urlencode

    query = {
        "latitude": f"{cell.latitude_deg:g}",
        "longitude": f"{cell.longitude_deg:g}",
        "start": f"{year:04d}0101",
        "end": f"{year:04d}1231",
        "community": "re",
        "parameters": ",".join(PARAMETERS.values()),
        "format": "json",
        "header": "True",
        "time-standard": "utc",
    }
    request = urllib.request.Request(
        f"{asking.url}?{urlencode(query, safe=',')}",
        headers={
            "User-Agent": f"flatdays/{package_version()}",
            "Accept": "application/json",
            "Accept-Encoding": "gzip",
        },
    )
    patience = asking.patience
    until_s = time.monotonic() + patience.deadline_s
    try:
        with _opener(asking.url).open(request, timeout=patience.timeout_s) as response:
            return _whole(response, until_s, patience, asking.line)
    except urllib.error.HTTPError as error:
        with error:
            body = b""
            # What the service says about it is welcome, but not worth another error.
            with contextlib.suppress(BusyError, OSError, http.client.HTTPException):
                body = _whole(error, until_s, patience, asking.line)
        raise refusal(error.code, error.reason, error.headers, body, asked_for(cell, year)) from None
    except urllib.error.URLError as error:
        reason = error.reason
        if isinstance(reason, ssl.SSLCertVerificationError):
            raise OutOfReachError(
                f"{asked_for(cell, year)}: the archive's certificate could not be verified ({reason.verify_message}), so it was "
                "not asked; check the clock of this machine and its network (a login page of a hotspot does this)"
            ) from None
        if isinstance(reason, TimeoutError):
            raise BusyError(f"did not answer within {patience.timeout_s:g} s") from None
        why = (reason.strerror or str(reason)) if isinstance(reason, OSError) else str(reason)
        raise BusyError(f"cannot be reached ({why})") from None
    except TimeoutError:
        raise BusyError(f"was silent for {patience.timeout_s:g} s") from None
    except (OSError, http.client.HTTPException):
        raise BusyError("broke the connection off") from None
    except ValueError:
        raise BusyError("sent us on to an address that cannot be read") from None


def _opener(url: str) -> OpenerDirector:
    """What opens an address: HTTP and HTTPS only, through the proxy that is set unless this machine is asked."""
    import urllib.request
    from urllib.parse import urlsplit

    class Redirects(urllib.request.HTTPRedirectHandler):
        """Lets go of an answer that points to what is no address; the ready-made one leaves it open."""

        def http_error_302(self, req: Request, fp: Any, code: int, msg: str, headers: HTTPMessage) -> Any:
            try:
                return super().http_error_302(req, fp, code, msg, headers)
            except ValueError:
                fp.close()
                raise

        http_error_301 = http_error_303 = http_error_307 = http_error_308 = http_error_302

    proxies: dict[str, str] | None = {} if _is_this_machine(urlsplit(url).hostname or "") else None
    opener = urllib.request.OpenerDirector()
    # By hand, because the ready-made opener also opens files and FTP, and a redirect could lead there.
    for handler in (
        urllib.request.ProxyHandler(proxies),
        urllib.request.HTTPHandler(),
        urllib.request.HTTPSHandler(),
        Redirects(),
        urllib.request.HTTPDefaultErrorHandler(),
        urllib.request.HTTPErrorProcessor(),
        urllib.request.UnknownHandler(),
    ):
        opener.add_handler(handler)
    return opener


def _whole(response: HTTPResponse | Any, until_s: float, patience: Patience, line: Line) -> bytes:
    """Read an answer to its end, however it is packed, but not for ever."""
    pieces, length = [], 0
    # One piece at a time, as it comes: a plain read would wait for all of it, and no time-out ends a steady drip.
    while piece := response.read1(PIECE_BYTES):
        pieces.append(piece)
        length += len(piece)
        if length > LARGEST_REPLY_BYTES:
            raise BusyError("sent more than a year of weather can be")
        if time.monotonic() > until_s or line.drop.is_set():
            raise BusyError(f"did not finish its answer within {patience.deadline_s:g} s")
    promised = response.headers.get("Content-Length", "")
    if promised.isdecimal() and length < int(promised):
        raise BusyError("broke the connection off in the middle of its answer")
    body = b"".join(pieces)
    if response.headers.get("Content-Encoding", "").lower() == "gzip":
        unpacking = zlib.decompressobj(16 + zlib.MAX_WBITS)
        try:
            body = unpacking.decompress(body, LARGEST_REPLY_BYTES)
        except zlib.error:
            raise BusyError("sent data that is damaged") from None
        if not unpacking.eof:
            raise BusyError("sent data that breaks off or is too long")
    return body


def _checked_url(url: str | None) -> str:
    """The address to ask, checked."""
    from urllib.parse import urlsplit

    named = url or os.environ.get(URL_SETTING) or OFFICIAL_URL
    try:
        parts = urlsplit(named)
        sound = parts.scheme in {"http", "https"} and bool(parts.hostname) and not parts.query and not parts.fragment
        sound = sound and (parts.port is None or parts.port > 0) and named.isascii() and named.isprintable() and " " not in named
    except ValueError:
        sound = False
    if not sound:
        raise InputError(f'{URL_SETTING}: expected an address such as {OFFICIAL_URL}, got "{named}"; correct it, or leave it out')
    return named


def _is_this_machine(host: str) -> bool:
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
