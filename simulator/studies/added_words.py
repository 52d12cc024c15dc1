"""One more appliance in a few words: ``1400 W, 6 h``."""

from __future__ import annotations

import re
from dataclasses import dataclass

from simulator.errors import InputError
from simulator.scenario.desk import either, nearest
from simulator.scenario.parts import PRIORITIES
from simulator.timeline import merge_windows
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

MOST_W = 50_000.0
MOST_PIECES = 1000
EXAMPLES = '"1400 W, 6 h", "2 x 60 W dc, 10 h, night", "1.2 kW ac, 30 min, 12:00-13:00"'
HOURS_WORDS = {"day": "other", "evening": "tv", "night": "breathing", "meals": "cooking", "morning": "coffee", "office": "tools"}
"""Words for the time of day, and a kind of appliance whose usual hours (presets/hours.toml) they are."""
ALWAYS = ("always", "around the clock")
_POWER = re.compile(r"(?:(\d+)\s*(?:x|\u00d7|\*)\s*)?(\d+(?:[.]\d+)?)\s*(k?w)(?:\s+(ac|dc))?", re.IGNORECASE)
_TIME = re.compile(r"(\d+(?:[.]\d+)?)\s*(h|hours?|hrs?|min|minutes?)(?:\s*(?:a|per)\s*day|\s*/\s*day)?", re.IGNORECASE)
_WINDOW = re.compile(r"(\d{1,2}):(\d{2})\s*[-\u2013]\s*(\d{1,2}):(\d{2})")


@dataclass(frozen=True)
class Added:
    """One more appliance as a person wrote it."""

    text: str
    pieces: int
    power_w: float
    """Of one piece."""
    bus: str | None
    """None: not said."""
    hours_per_day: float
    kind: str
    windows: tuple[tuple[float, float], ...]
    """On the clock; empty: at the usual hours of its kind. It runs from the beginning of the first one on."""
    priority: int

    @property
    def most_h(self) -> float:
        """Hours a day in which it may run at all."""
        if not self.windows:
            return float(HOURS_PER_DAY)
        return sum(end_h - start_h for start_h, end_h in merge_windows(self.windows))


def read_added(text: str) -> Added:
    """Read ``1400 W, 6 h`` and the like.

    Parts stand between commas, in any order: watts (``2 x 50 W``, ``1.2 kW ac``), a running time a day (``6 h``, ``30 min``,
    ``always``), a time of day (``night``, ``12:00-13:00``), ``ac`` or ``dc``, and ``essential``, ``comfort`` or ``luxury``.

    Raises
    ------
    InputError
        With everything that cannot be understood.
    """
    mistakes: list[str] = []
    power: re.Match[str] | None = None
    time: float | None = None
    words: list[str] = []
    windows: list[tuple[float, float]] = []
    bus: str | None = None
    priority = 0
    shown = text if len(text) <= 60 else text[:57] + "..."

    def wrong(what: str, got: str, cure: str = "") -> None:
        mistakes.append(f'--add "{shown}": expected {what}, got {got}{f". {cure.strip()}" if cure else ""}')

    for part in (piece.strip() for piece in text.split(",")):
        low = part.lower()
        found_power, found_time, found_window = _POWER.fullmatch(part), _TIME.fullmatch(part), _WINDOW.fullmatch(part)
        if found_power:
            if power is not None:
                wrong("its watts once", f'also "{part}"', "Give --add once for each appliance.")
            power = found_power
            bus = found_power.group(4).lower() if found_power.group(4) else bus
        elif low in ALWAYS:
            time = float(HOURS_PER_DAY)
        elif found_time:
            hours = float(found_time.group(1)) / (1.0 if found_time.group(2).lower().startswith("h") else MINUTES_PER_HOUR)
            if time is not None:
                wrong("its running time once", f'also "{part}"')
            if not 0.0 < hours <= HOURS_PER_DAY:
                wrong(f"a running time above 0 up to {HOURS_PER_DAY} h a day", f'"{part}"')
            time = hours
        elif found_window:
            opens_h, closes_h = (
                int(h) + int(m) / MINUTES_PER_HOUR for h, m in (found_window.group(1, 2), found_window.group(3, 4))
            )
            minutes = [int(found_window.group(place)) for place in (2, 4)]
            if max(minutes) >= MINUTES_PER_HOUR or opens_h >= HOURS_PER_DAY or closes_h > HOURS_PER_DAY or opens_h == closes_h:
                wrong("a window on the clock such as 12:00-13:00", f'"{part}"')
            else:
                windows.append((opens_h, closes_h))
        elif low in ("ac", "dc"):
            bus = low
        elif low in PRIORITIES:
            priority = PRIORITIES.index(low)
        elif low in HOURS_WORDS:
            words.append(low)
        else:
            known = (*HOURS_WORDS, *PRIORITIES, "always", "ac", "dc")
            wrong(f"parts such as {EXAMPLES}", f'"{part}"' if part else "nothing between two commas", nearest(low, known))
    if power is None and not mistakes:
        wrong(f"its watts, as in {EXAMPLES}", "none")
    if time is None and not windows and not mistakes:
        wrong("a running time a day such as 6 h, 30 min, always or 12:00-13:00", "none")
    if windows and words:
        wrong("one time of day", f'"{words[0]}" and a window on the clock', "Leave one of them out.")
    if len(words) > 1:
        wrong("one time of day", either([f'"{word}"' for word in words], "and"))
    if (
        len(merge_windows(windows))
        and sum(length_h(window) for window in windows) > sum(e - s for s, e in merge_windows(windows)) + 1e-9
    ):
        wrong("windows that do not overlap", ", ".join(clock_text(window) for window in windows))
    watts = 0.0 if power is None else float(power.group(2)) * (1000.0 if power.group(3).lower() == "kw" else 1.0)
    pieces = int(power.group(1) or 1) if power is not None else 1
    if power is not None and not 0.0 < watts <= MOST_W:
        wrong(f"watts above 0 up to {MOST_W:,.0f}", f"{watts:g} W")
    if not 1 <= pieces <= MOST_PIECES:
        wrong(f"from 1 to {MOST_PIECES} pieces", str(pieces))
    most_h = sum(end_h - start_h for start_h, end_h in merge_windows(windows))
    if windows and time is not None and time > most_h + 1e-9:
        wrong(f"a running time of at most {most_h:g} h, the length of its window", f"{time:g} h")
    if mistakes:
        raise InputError(mistakes)
    return Added(
        text=text.strip(),
        pieces=pieces,
        power_w=watts,
        bus=bus,
        hours_per_day=most_h if time is None else time,
        kind=HOURS_WORDS[words[0]] if words else "other",
        windows=tuple(windows),
        priority=priority,
    )


def length_h(window: tuple[float, float]) -> float:
    start_h, end_h = window
    return end_h - start_h if end_h > start_h else end_h + HOURS_PER_DAY - start_h


def clock_text(window: tuple[float, float]) -> str:
    return "-".join(f"{int(hour):02d}:{round(hour % 1 * MINUTES_PER_HOUR):02d}" for hour in window)
