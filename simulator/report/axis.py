"""The time axis under the pictures: local days with their labels, and the stops along it by number and name."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from math import ceil

import numpy as np
import numpy.typing as npt

from simulator.report import drawing
from simulator.report.drawing import WIDTH, Leg, Shape, Tick
from simulator.scenario.parts import Stop
from simulator.timeline import Timeline, day_starts

WIDE_LABELS, NARROW_LABELS = 13, 5
"""How many labels the time axis carries on a laptop and on a telephone."""
WIDE_PX, NARROW_PX = 890.0, 286.0
"""Width of a picture on a laptop and on the narrowest telephone that is thought of, in pixels of the style sheet."""
LETTER_PX, DIGIT_PX, LEG_PADDING_PX = 7.4, 8.4, 12.0
"""Width of a letter and a digit of the strip of stops in a wide typeface, and what surrounds them."""


def calendar_marks(dates: Sequence[date]) -> list[tuple[int, str]]:
    """Days that get a line on the axis, and what is written at them."""
    if len(dates) <= 16:
        return [(day, f"{moment.day} {moment:%b}") for day, moment in enumerate(dates)]
    if len(dates) <= 120:
        return [(day, f"{moment.day} {moment:%b}") for day, moment in enumerate(dates) if moment.weekday() == 0]
    years = len({moment.year for moment in dates}) > 1
    return [
        (day, f"{moment:%b}" + (f" {moment:%Y}" if years and moment.month == 1 else ""))
        for day, moment in enumerate(dates)
        if moment.day == 1
    ]


def ticks_at(places: Sequence[tuple[float, str]]) -> tuple[tuple[Tick, ...], Shape]:
    """Labels and grid lines at shares of the width; labels are thinned out for each kind of screen."""
    wide = max(1, ceil(len(places) / WIDE_LABELS))
    narrow = wide * max(1, ceil(len(places) / NARROW_LABELS / wide))
    ticks = tuple(
        Tick(text, 100.0 * share, wide_only=position % narrow != 0)
        for position, (share, text) in enumerate(places)
        if position % wide == 0 and share <= 0.94
    )
    grid = "".join(f"M{drawing.number(WIDTH * share)} 0V100" for share, _ in places if 0.0 < share < 1.0)
    return ticks, Shape("grid", grid)


def season_ticks(clock: Timeline) -> tuple[tuple[Tick, ...], Shape]:
    """Labels and grid lines of the whole trip."""
    starts = day_starts(clock.local_day)
    return ticks_at([(float(starts[day]) / clock.hours, text) for day, text in calendar_marks(clock.dates)])


def legs(stop: npt.NDArray[np.int64], stops: Sequence[Stop]) -> tuple[Leg, ...]:
    """Each stop's share of the axis, and on which screens its number and its name have room there.

    Parameters
    ----------
    stop : ndarray (positions,)
        Which stop each position of the axis belongs to, in order.
    stops : the scenario's.
    """
    found = []
    for place in np.unique(stop):
        here = np.flatnonzero(stop == place)
        left, width = float(here[0]) / len(stop), float(len(here)) / len(stop)
        there = stops[int(place)]
        number_px = DIGIT_PX * len(str(there.number)) + LEG_PADDING_PX / 2
        name_px = number_px + LETTER_PX * len(there.name) + LEG_PADDING_PX
        found.append(
            Leg(
                number=there.number,
                name=there.name,
                left_pct=100.0 * left,
                width_pct=100.0 * width,
                number_wide=width * WIDE_PX >= number_px,
                number_narrow=width * NARROW_PX >= number_px,
                name_wide=width * WIDE_PX >= name_px,
                name_narrow=width * NARROW_PX >= name_px,
            )
        )
    return tuple(found)
