"""A small map of the route: the stops where they lie, north up, each with its number and the worst kind of day spent there.

It carries no coast and no road, since the page fetches nothing: a line from stop to stop, a grid of latitude and longitude, and
a scale. Badges and names are HTML over the drawing, so that they keep their size on a telephone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10
from typing import Final

import numpy as np

from simulator.report import drawing
from simulator.report.drawing import Floats, Mark, Shape
from simulator.report.measures import M_PER_MILE, METRIC, Measures
from simulator.report.words import plural_text
from simulator.scenario.parts import Stop

KM_PER_DEG: Final = 111.195
"""Of a great circle on a sphere of 6371.0 km (IUGG mean radius R1)."""
KM_PER_MILE: Final = M_PER_MILE / 1000.0
LEAST_EXTENT_KM = 0.3
"""Stops closer together than this are one place."""
LEAST_ASPECT, MOST_ASPECT = 1.6, 3.0
"""Width over height of the map."""
MARGIN_FRAC = 0.16
"""Of the map's height on each side, so that a badge at the edge stays inside."""
NARROW_PX, WIDE_PX = 286.0, 640.0
BADGE_PX, LETTER_PX, LINE_PX = 30.0, 7.6, 20.0
STEPS_DEG = (30.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
LEAST_GRID_LINES = 2
MOST_SCALE_FRAC = 0.3
SIGNS_OF = {"flat": 0, "thin": 1, "good": 2}


@dataclass(frozen=True)
class Badge:
    """One or several stops at one place of the map; several when they would cover each other."""

    text: str
    state: str
    """The worst kind of day spent there."""
    words: str
    left_pct: float
    top_pct: float
    label: str
    side: str
    """``right`` or ``left`` of it, where its label has room; empty: nowhere."""
    wide_only: bool


@dataclass(frozen=True)
class RouteMap:
    """What the template needs to draw the map; sizes in percent of its box."""

    title: str
    text: str
    aspect: float
    shapes: tuple[Shape, ...]
    badges: tuple[Badge, ...]
    marks: tuple[Mark, ...]
    scale_text: str
    scale_pct: float


def _unwrapped_deg(stops: Sequence[Stop]) -> Floats:
    """Longitudes without a jump at the date line."""
    return np.asarray(np.unwrap([stop.longitude_deg for stop in stops], period=360.0))


def _grid(low: float, high: float) -> list[float]:
    """Round degrees between two limits."""
    step = next((step for step in STEPS_DEG if floor(high / step) - ceil(low / step) + 1 >= LEAST_GRID_LINES), STEPS_DEG[-1])
    return [number * step for number in range(ceil(low / step), floor(high / step) + 1)]


def _degrees(value: float, positive: str, negative: str) -> str:
    wrapped = (value + 180.0) % 360.0 - 180.0 if positive == "E" else value
    letter = "" if abs(wrapped) < 1e-9 else f" {positive if wrapped > 0 else negative}"
    return f"{abs(round(wrapped, 2)):g}°{letter}"


def _span(values_deg: Floats, positive: str, negative: str) -> str:
    least, most = (_degrees(float(value), positive, negative) for value in (values_deg.min(), values_deg.max()))
    return least if least == most else f"{least} to {most}"


def _scale(width: float) -> float:
    """The longest round length within a share of the map's width: 1, 2 or 5 times a power of ten."""
    most = width * MOST_SCALE_FRAC
    power = 10.0 ** floor(log10(most))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most)


def _groups(x: Floats, y: Floats) -> list[list[int]]:
    """Stops that would cover each other on a telephone, each with the first it would cover; in the order of the first of each."""
    found: list[list[int]] = []
    for place in range(len(x)):
        for group in found:
            if max(abs(x[place] - x[group[0]]), abs(y[place] - y[group[0]])) < BADGE_PX:
                group.append(place)
                break
        else:
            found.append([place])
    return found


def _numbers_text(numbers: Sequence[int]) -> str:
    """Numbers with those in a row as a span: 1, 3-5."""
    rows = drawing.runs(np.isin(np.arange(max(numbers) + 2), np.asarray(numbers)))
    return ", ".join(str(first) if last - first == 1 else f"{first}–{last - 1}" for first, last in rows)


def _boxes_meet(one: tuple[float, float, float, float], other: tuple[float, float, float, float]) -> bool:
    return one[0] < other[1] and other[0] < one[1] and one[2] < other[3] and other[2] < one[3]


class _Room:
    """Where labels still fit on a map of a certain width."""

    def __init__(self, width_px: float, height_px: float, centres: Sequence[tuple[float, float, float]]) -> None:
        self.width_px, self.height_px = width_px, height_px
        self.taken = [
            (x - half, x + half, y - BADGE_PX / 2, y + BADGE_PX / 2)
            for x, y, half in ((left * width_px, top * height_px, half) for left, top, half in centres)
        ]
        # The corner of the scale and the arrow to the north.
        self.taken += [(0.0, width_px * MOST_SCALE_FRAC + 60.0, height_px - 26.0, height_px), (0.0, 34.0, 0.0, 40.0)]

    def side(self, left: float, top: float, half_px: float, label: str) -> str:
        """The side on which a label fits; its room is then taken."""
        x, y, length = left * self.width_px, top * self.height_px, LETTER_PX * len(label) + 6.0
        for side, start in (("right", x + half_px + 3.0), ("left", x - half_px - 3.0 - length)):
            box = (start, start + length, y - LINE_PX / 2, y + LINE_PX / 2)
            inside = box[0] >= 2.0 and box[1] <= self.width_px - 2.0
            if inside and not any(_boxes_meet(box, other) for other in self.taken):
                self.taken.append(box)
                return side
        return ""


def _badges(stops: Sequence[Stop], states: Sequence[str], left: Floats, top: Floats, aspect: float) -> tuple[Badge, ...]:
    groups = _groups(left * NARROW_PX, top * NARROW_PX / aspect)
    texts = [_numbers_text([stops[place].number for place in group]) for group in groups]
    halves = [max(BADGE_PX, LETTER_PX * (len(text) + 2) + 8.0) / 2 for text in texts]
    centres = [(float(left[group[0]]), float(top[group[0]]), half) for group, half in zip(groups, halves, strict=True)]
    # A long row of numbers must not reach over the edge.
    centres = [(float(np.clip(x, half / NARROW_PX, 1.0 - half / NARROW_PX)), y, half) for x, y, half in centres]
    narrow = _Room(NARROW_PX, NARROW_PX / aspect, centres)
    wide = _Room(WIDE_PX, WIDE_PX / aspect, centres)
    found = []
    for group, text, (x, y, half) in zip(groups, texts, centres, strict=True):
        names = list(dict.fromkeys(stops[place].name for place in group))
        label = names[0] if len(names) == 1 else ""
        on_wide = wide.side(x, y, half, label) if label else ""
        on_narrow = narrow.side(x, y, half, label) if on_wide else ""
        state = min((states[place] for place in group), key=SIGNS_OF.__getitem__)
        words = "; ".join(f"{stops[place].number} {stops[place].name}: {states[place]}" for place in group)
        found.append(Badge(text, state, words, 100.0 * x, 100.0 * y, label, on_wide, wide_only=on_narrow != on_wide))
    return tuple(found)


def route_map(stops: Sequence[Stop], states: Sequence[str], measures: Measures = METRIC) -> RouteMap | None:
    """Draw the stops where they lie; None when all of them are one place.

    Parameters
    ----------
    stops : the scenario's, in order.
    states : of each stop, the worst kind of day spent there: ``flat``, ``thin`` or ``good``.
    measures : kilometres or miles for the scale.
    """
    latitude_deg = np.array([stop.latitude_deg for stop in stops])
    longitude_deg = _unwrapped_deg(stops)
    middle_deg = float((latitude_deg.min() + latitude_deg.max()) / 2)
    east_km_per_deg = KM_PER_DEG * max(float(np.cos(np.radians(middle_deg))), 0.05)
    x_km, y_km = longitude_deg * east_km_per_deg, latitude_deg * KM_PER_DEG
    across_km, down_km = float(np.ptp(x_km)), float(np.ptp(y_km))
    if max(across_km, down_km) < LEAST_EXTENT_KM:
        return None
    aspect = float(np.clip(across_km / max(down_km, 1e-9), LEAST_ASPECT, MOST_ASPECT))
    inner = 1.0 - 2.0 * MARGIN_FRAC
    height_km = max(down_km / inner, across_km / (aspect - 2.0 * MARGIN_FRAC))
    width_km = height_km * aspect
    west_km = float(x_km.min() + x_km.max() - width_km) / 2
    north_km = float(y_km.min() + y_km.max() + height_km) / 2
    left, top = (x_km - west_km) / width_km, (north_km - y_km) / height_km

    def across(km: float) -> float:
        return drawing.WIDTH * (km - west_km) / width_km

    def down(km: float) -> float:
        return drawing.HEIGHT * (north_km - km) / height_km

    meridians = _grid(west_km / east_km_per_deg, (west_km + width_km) / east_km_per_deg)
    parallels = _grid((north_km - height_km) / KM_PER_DEG, north_km / KM_PER_DEG)
    grid = "".join(f"M{drawing.number(across(one * east_km_per_deg))} 0V{drawing.number(drawing.HEIGHT)}" for one in meridians)
    grid += "".join(f"M0 {drawing.number(down(one * KM_PER_DEG))}H{drawing.number(drawing.WIDTH)}" for one in parallels)
    way = "M" + " ".join(
        f"{drawing.number(drawing.WIDTH * x)} {drawing.number(drawing.HEIGHT * y)}" for x, y in zip(left, top, strict=True)
    )
    heights = [(one, down(one * KM_PER_DEG)) for one in parallels]
    marks = [Mark(_degrees(one, "N", "S"), 100.0, height, "right") for one, height in heights if 10.0 < height < 95.0]
    unit_km = KM_PER_MILE if measures.us else 1.0
    scale = _scale(width_km / unit_km)
    north_south, east_west = _span(latitude_deg, "N", "S"), _span(longitude_deg, "E", "W")
    by_state = {state: [stop.number for stop, its in zip(stops, states, strict=True) if its == state] for state in SIGNS_OF}
    said = "; ".join(
        f"{state}: {'stop' if len(numbers) == 1 else 'stops'} {_numbers_text(numbers)}"
        for state, numbers in by_state.items()
        if numbers
    )
    return RouteMap(
        title=f"The route: {plural_text(len(stops), 'stop')} on a map, north up",
        text=(
            f"Straight lines from stop to stop, not the roads; latitude {north_south}, longitude {east_west}. "
            f"The sign at each stop is that of its worst day ({said})."
        ),
        aspect=aspect,
        shapes=(Shape("grid", grid), Shape("rim", way), Shape("way", way)),
        badges=_badges(stops, states, left, top, aspect),
        marks=tuple(marks),
        scale_text=f"{scale:g} {'mi' if measures.us else 'km'}",
        scale_pct=100.0 * scale * unit_km / width_km,
    )
