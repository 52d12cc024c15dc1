"""What the archive answers, made into a year: everything that can be wrong with it, and the hours it lacks."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from simulator.errors import ArchiveError
from simulator.units import FULL_TURN_DEG, HOURS_PER_DAY
from simulator.weather.checks import LATE_MIN, NIGHT_OFFSET_W_M2, RANGES, SAID, SOLAR_CONSTANT_W_M2, clear_day_lateness_min
from simulator.weather.past import CELLS_PER_DEG, Cell, hours_of
from simulator.weather.station import COLUMNS, Floats, year_index

PARAMETERS: Final = {
    "ghi": "ALLSKY_SFC_SW_DWN",
    "dni": "ALLSKY_SFC_SW_DNI",
    "dhi": "ALLSKY_SFC_SW_DIFF",
    "temp_air": "T2M",
    "wind_speed": "WS10M",
    "precipitation_mm": "PRECTOTCORR",
}
"""The archive's names of our columns. With ``community=re`` light is in Wh/m2 of the hour, which is its mean in W/m2;
precipitation is in mm of the hour (NASA POWER, parameter dictionary)."""
FILL_VALUE: Final = -999.0
"""How the archive writes "there is none", unless its header names another value."""

LARGEST_FILL_FRAC: Final = 0.02
"""Up to this share of a year's hours (a week) may be lacking and is filled (common practice, no source)."""
DARK_W_M2: Final = 20.0
"""Every place on earth has hours with more light than this; a year without is in another unit (MJ or kWh instead of Wh)."""
MOST_RAIN_MM: Final = 500.0
"""No hour had more; the record is about 300 mm in 42 minutes (Holt, Missouri, 1947; from memory)."""
ELEVATIONS_M: Final = (-500.0, 9000.0)
POLAR_DEG: Final = 66.0
"""Beyond this the sun goes round, and noon says little."""
MOST_RANGES: Final = 4
MOST_LETTERS: Final = 300


class GarbledReplyError(Exception):
    """The reply is not whole, or no data at all: worth asking again. The text goes on from "the archive"."""


def read_reply(body: bytes, cell: Cell, year: int, asked: str) -> tuple[dict[str, Any], Floats]:
    """Read the archive's answer for one cell and year, check it and fill the few hours it lacks.

    Parameters
    ----------
    body : bytes
        The answer, JSON.
    cell, year
        What was asked for.
    asked : str
        The same in words: sentences begin with it.

    Returns
    -------
    told : dict
        ``latitude_deg longitude_deg elevation_m notes``.
    values : ndarray (6, rows)
        The columns of the contract in their order, then precipitation [mm of the hour]; complete and in their ranges, save
        that precipitation is NaN all year if the archive has none.

    Raises
    ------
    GarbledReplyError
        The answer is a page for people, broken off, or not JSON.
    ArchiveError
        The answer is whole, but not the year asked for.
    """
    reply = _parsed(body)
    wrong = _Wrong(asked)
    header = reply.get("header")
    header = header if isinstance(header, dict) else {}
    clock = header.get("time_standard", header.get("time-standard", "UTC"))
    if str(clock).upper() != "UTC":
        raise wrong(f"its hours are on the clock {_clean(str(clock))}, UTC was asked for")
    latitude_deg, longitude_deg, elevation_m = _place(reply, cell, wrong)
    codes = {FILL_VALUE, float(header["fill_value"])} if _is_number(header.get("fill_value")) else {FILL_VALUE}
    index = year_index(hours_of(year), year)
    series = _series(reply, wrong)
    columns = {name: _column(series[name], name, index, codes, wrong) for name in COLUMNS}
    rain = series["precipitation_mm"]
    columns["precipitation_mm"] = (
        np.full(len(index), np.nan) if rain is None else _column(rain, "precipitation_mm", index, codes, wrong)
    )
    notes = _fill(columns, index, wrong)
    _check_ranges(columns, index, wrong)
    if columns["ghi"].max() < DARK_W_M2:
        raise wrong(f"its global light never exceeds {columns['ghi'].max():.1f} W/m2, so it is in another unit than asked for")
    notes += _sun_notes(columns["ghi"], index, latitude_deg, longitude_deg)
    told = {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg, "elevation_m": elevation_m, "notes": notes}
    return told, np.stack(list(columns.values()))


def service_words(body: bytes) -> str:
    """What the service itself says is wrong, as one line of plain text; empty if it says nothing a person can read."""
    try:
        reply = _parsed(body)
    except GarbledReplyError:
        return ""
    said = reply.get("messages") or reply.get("detail") or reply.get("message") or []
    words = []
    for each in said if isinstance(said, list) else [said]:
        text = each.get("msg", each.get("message", "")) if isinstance(each, dict) else each
        if isinstance(text, str) and text.strip():
            words.append(_clean(text))
    return _clean("; ".join(words))


class _Wrong:
    """Makes the error for an answer that was not what was asked for."""

    def __init__(self, asked: str) -> None:
        self.asked = asked

    def __call__(self, what: str, cure: str = "it was not used; try again another day, or use a weather file") -> ArchiveError:
        return ArchiveError(f"{self.asked}: the archive's answer is not usable, {what}; {cure}")


def _parsed(body: bytes) -> dict[str, Any]:
    """The JSON object in a reply."""
    if body.lstrip()[:1] == b"<":
        raise GarbledReplyError("sent a web page instead of data (the login page of a hotspot does this)")
    try:
        reply = json.loads(body.decode("utf-8"))
    except UnicodeDecodeError:
        raise GarbledReplyError("sent something that is not text") from None
    except (ValueError, RecursionError):
        raise GarbledReplyError("sent data that breaks off or is damaged") from None
    if not isinstance(reply, dict):
        raise GarbledReplyError("sent something else than data of a year")
    return reply


def _clean(text: str) -> str:
    """Make it one line without control characters, not too long, without the full stop."""
    line = " ".join("".join(letter if letter.isprintable() else " " for letter in text).split()).rstrip(". ")
    return line if len(line) <= MOST_LETTERS else f"{line[:MOST_LETTERS]} [...]"


def _is_number(value: object) -> bool:
    """Whether a JSON value is a finite number."""
    # An integer too large for a float is none we could use.
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:
        return False


def _place(reply: Mapping[str, Any], cell: Cell, wrong: Callable[[str], ArchiveError]) -> tuple[float, float, float]:
    """Latitude, longitude [deg] and height [m] that the reply is for."""
    geometry = reply.get("geometry")
    found = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if not isinstance(found, list) or len(found) != 3 or not all(_is_number(value) for value in found):
        said = service_words(json.dumps(dict(reply)).encode("utf-8"))
        raise wrong("it does not say for which place and height it is" + (f' (the archive says: "{said}")' if said else ""))
    longitude_deg, latitude_deg, elevation_m = (float(value) for value in found)
    east_deg = (longitude_deg - cell.longitude_deg + FULL_TURN_DEG / 2.0) % FULL_TURN_DEG - FULL_TURN_DEG / 2.0
    half_cell_deg = 0.5 / CELLS_PER_DEG + 0.01
    if abs(latitude_deg - cell.latitude_deg) > half_cell_deg or abs(east_deg) > half_cell_deg:
        raise wrong(f"it is for another place (latitude {latitude_deg:g}, longitude {longitude_deg:g})")
    if not ELEVATIONS_M[0] < elevation_m < ELEVATIONS_M[1]:
        raise wrong(f"it gives {elevation_m:g} m as the height of the place")
    return latitude_deg, longitude_deg, elevation_m


def _series(reply: Mapping[str, Any], wrong: Callable[[str], ArchiveError]) -> dict[str, dict[str, Any] | None]:
    """The series of a reply by our names; only that of precipitation may be lacking."""
    properties = reply.get("properties")
    found = properties.get("parameter") if isinstance(properties, dict) else None
    if not isinstance(found, dict):
        raise wrong("it holds no data")
    series: dict[str, dict[str, Any] | None] = {}
    lacking = []
    for name, parameter in PARAMETERS.items():
        values = found.get(parameter)
        series[name] = values if isinstance(values, dict) else None
        if series[name] is None and name in COLUMNS:
            lacking.append(f"{SAID[name]} ({parameter})")
    if lacking:
        raise wrong(f"it lacks {', '.join(lacking)}")
    return series


def _column(
    series: Mapping[str, Any] | None, name: str, index: pd.DatetimeIndex, codes: set[float], wrong: Callable[[str], ArchiveError]
) -> Floats:
    """(hours,) One series in the order of its hours, NaN where the archive has none."""
    series = series or {}
    said, parameter = _said(name), PARAMETERS[name]
    keys = index.strftime("%Y%m%d%H").tolist()
    values = [series.get(key, "") for key in keys]
    absent = np.array([value == "" and key not in series for key, value in zip(keys, values, strict=True)])
    if absent.any() or len(series) != len(keys):
        spare = "" if absent.any() else ", some of them twice or of other years"
        gone = f"; lacking: {_spans(absent, index)}" if absent.any() else ""
        raise wrong(f"it has {len(series)} hours of {said} ({parameter}), the year has {len(keys)}{spare}{gone}")
    odd = next((place for place, value in enumerate(values) if not _is_number(value)), None)
    if odd is not None:
        got = _clean(json.dumps(values[odd]))[:40]
        raise wrong(f"{said} ({parameter}) at {index[odd]:%Y-%m-%d %H:%M} UTC is {got}, not a number")
    column = np.array(values, dtype=np.float64)
    for code in codes:
        column[np.abs(column - code) < 1e-6] = np.nan
    return column


def _said(name: str) -> str:
    return SAID.get(name, "precipitation")


def _fill(columns: dict[str, Floats], index: pd.DatetimeIndex, wrong: Callable[..., ArchiveError]) -> list[str]:
    """Fill the hours that are lacking, in place, or refuse the year with these hours named.

    Returns
    -------
    list of str
        What was filled, a sentence each.
    """
    notes = []
    gone = np.any([np.isnan(columns[name]) for name in COLUMNS], axis=0)
    if gone.any():
        names = [SAID[name] for name in COLUMNS if np.isnan(columns[name]).any()]
        share_frac = float(gone.mean())
        told = f"{gone.sum()} of {len(index)} hours lack {', '.join(names)}"
        if share_frac > LARGEST_FILL_FRAC:
            raise wrong(
                f"{told} ({_spans(gone, index)}), and no more than {100 * LARGEST_FILL_FRAC:g} % of a year are filled",
                "leave this year out, or wait: the archive is filled some months late",
            )
        for name in COLUMNS:
            columns[name] = _bridged(columns[name])
        notes.append(
            f"{told} in the archive ({100 * share_frac:.2g} %, at most {_longest(gone)} h in a row; {_spans(gone, index)}); "
            "each was filled from the same hour of the days around it"
        )
    rain = columns["precipitation_mm"]
    dry = np.isnan(rain)
    if dry.mean() > LARGEST_FILL_FRAC:
        columns["precipitation_mm"] = np.full(len(rain), np.nan)
        notes.append("the archive has no precipitation for this year, so snow cannot be reckoned from it")
    elif dry.any():
        columns["precipitation_mm"] = np.where(dry, 0.0, rain)
        notes.append(f"{dry.sum()} of {len(index)} hours lack precipitation in the archive; they were taken for dry")
    return notes


def _bridged(column: Floats) -> Floats:
    """The column without NaN: on a straight line from day to day between values of the same hour, also across New Year."""
    days = column.reshape(-1, HOURS_PER_DAY).copy()
    number = np.arange(len(days))
    for hour in range(HOURS_PER_DAY):
        there = ~np.isnan(days[:, hour])
        if not there.all():
            days[:, hour] = np.interp(number, number[there], days[there, hour], period=len(days))
    return days.reshape(-1)


def _runs(gone: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last place of every stretch of True."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], gone, [False]]).astype(np.int8)))
    return [(int(begin), int(end) - 1) for begin, end in zip(edge[::2], edge[1::2], strict=True)]


def _longest(gone: NDArray[np.bool_]) -> int:
    return max(last - first + 1 for first, last in _runs(gone))


def _spans(gone: NDArray[np.bool_], index: pd.DatetimeIndex) -> str:
    """The hours that are gone, by name; only the longest stretches if there are many."""
    runs = _runs(gone)
    shown = sorted(sorted(runs, key=lambda run: run[0] - run[1])[:MOST_RANGES])
    words = [
        f"{index[first]:%Y-%m-%d %H:00}" + (f" to {index[last]:%Y-%m-%d %H:00}" if last > first else "") for first, last in shown
    ]
    more = f" and {len(runs) - len(shown)} shorter stretches" if len(runs) > len(shown) else ""
    return ", ".join(words) + " UTC" + more


def _check_ranges(columns: dict[str, Floats], index: pd.DatetimeIndex, wrong: Callable[[str], ArchiveError]) -> None:
    """Refuse what cannot be; a little below zero counts as no light, no wind, no rain."""
    for name, column in columns.items():
        low, high, unit = RANGES.get(name, (0.0, MOST_RAIN_MM, "mm"))
        if low == 0.0:
            slack = NIGHT_OFFSET_W_M2 if unit == "W/m2" else -0.05
            column[(column < 0.0) & (column >= slack)] = 0.0
        outside = np.flatnonzero((column < low) | (column > high))
        if len(outside):
            at = int(outside[0])
            raise wrong(
                f"{_said(name)} at {index[at]:%Y-%m-%d %H:%M} UTC is {column[at]:g} {unit}, possible is {low:g} to {high:g}"
                + (f" ({len(outside)} such hours)" if len(outside) > 1 else "")
            )


def _sun_notes(ghi: Floats, index: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float) -> list[str]:
    """Say if the light is not centred on solar noon."""
    if abs(latitude_deg) > POLAR_DEG:
        return []
    late_min = clear_day_lateness_min(ghi, _beyond_w_m2(index, latitude_deg, longitude_deg), longitude_deg)
    if abs(late_min) <= LATE_MIN:
        return []
    side = "late" if late_min > 0.0 else "early"
    return [f"its sun is {abs(late_min):.0f} minutes {side} against solar noon of the place; used as it is"]


def _beyond_w_m2(index: pd.DatetimeIndex, latitude_deg: float, longitude_deg: float) -> Floats:
    """(hours,) Light on the flat beyond the atmosphere in the middle of each hour [W/m2], good to about a minute.

    Declination and equation of time by J. W. Spencer (1971), Fourier series representation of the position of the sun,
    Search 2(5), 172: enough to see a wrong clock, and without the library that knows better.
    """
    turn = 2.0 * np.pi * (np.asarray(index.day_of_year, dtype=np.float64) - 1.0) / 365.0
    one_c, one_s, two_c, two_s = np.cos(turn), np.sin(turn), np.cos(2.0 * turn), np.sin(2.0 * turn)
    three_c, three_s = np.cos(3.0 * turn), np.sin(3.0 * turn)
    tilt = (
        0.006918
        - 0.399912 * one_c
        + 0.070257 * one_s
        - 0.006758 * two_c
        + 0.000907 * two_s
        - 0.002697 * three_c
        + 0.00148 * three_s
    )
    ahead = 0.000075 + 0.001868 * one_c - 0.032077 * one_s - 0.014615 * two_c - 0.040849 * two_s
    clock_h = np.asarray(index.hour, dtype=np.float64) + 0.5
    from_noon = (clock_h / HOURS_PER_DAY - 0.5) * 2.0 * np.pi + math.radians(longitude_deg) + ahead
    latitude = math.radians(latitude_deg)
    height = math.sin(latitude) * np.sin(tilt) + math.cos(latitude) * np.cos(tilt) * np.cos(from_noon)
    beyond: Floats = SOLAR_CONSTANT_W_M2 * np.maximum(height, 0.0)
    return beyond
