"""Path data in a box 1000 wide and 100 high, and what a picture of the page is made of.

The browser stretches the box to the width of the screen; lines keep their thickness, and all words are HTML beside the
drawing, so that they keep their size on a telephone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from math import floor, log10

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

WIDTH, HEIGHT = 1000.0, 100.0
TOP, BASE = 8.0, 92.0
"""Heights in the box at which 1 and 0 of a plot's scale lie."""
LEAST_SPAN = 2.5
"""Width of the shortest mark, so that an hour in a year can be seen."""


@dataclass(frozen=True)
class Shape:
    """One path and its class in the style sheet."""

    kind: str
    path: str


@dataclass(frozen=True)
class Mark:
    """Words inside the plot; position in percent of its width and height."""

    text: str
    left_pct: float
    top_pct: float
    side: str = "left"
    """``left``: begins there; ``right``: ends there."""
    below: bool = False
    kind: str = ""


@dataclass(frozen=True)
class Tick:
    """A label of the time axis; it begins where its day, month or hour begins."""

    text: str
    left_pct: float
    wide_only: bool


@dataclass(frozen=True)
class Track:
    """A row below the plot in which a state is marked over time."""

    kind: str
    name: str
    words: str
    path: str


@dataclass(frozen=True)
class Leg:
    """A stop's share of the time axis."""

    number: int
    name: str
    left_pct: float
    width_pct: float
    number_wide: bool = True
    number_narrow: bool = True
    """Whether its number has room there, on a laptop and on a telephone."""
    name_wide: bool = True
    name_narrow: bool = True
    """Whether its name has room there; where one has not, the names are listed below."""


@dataclass(frozen=True)
class Plot:
    """Everything the template needs to draw one picture."""

    key: str
    title: str
    text: str
    """What the picture shows, in words, for those who cannot see it."""
    shapes: tuple[Shape, ...]
    marks: tuple[Mark, ...] = ()
    ticks: tuple[Tick, ...] = ()
    tracks: tuple[Track, ...] = ()
    legs: tuple[Leg, ...] = ()

    @property
    def names_below(self) -> str:
        """On which screens the names of the stops must be listed below: ``all``, ``narrow`` or nowhere."""
        if len(self.legs) > 1 and not all(leg.name_wide for leg in self.legs):
            return "all"
        return "narrow" if len(self.legs) > 1 and not all(leg.name_narrow for leg in self.legs) else ""


def number(value: float) -> str:
    """A coordinate with at most one decimal."""
    return f"{value:.1f}".removesuffix(".0")


def height(frac: npt.ArrayLike) -> Floats:
    """Height in the box at which a share of the scale lies."""
    return BASE - (BASE - TOP) * np.clip(np.asarray(frac, dtype=np.float64), 0.0, 1.0)


def _points(x: Iterable[float], y: Iterable[float]) -> str:
    return " ".join(f"{number(across)} {number(down)}" for across, down in zip(x, y, strict=True))


def line_path(x: Floats, frac: Floats) -> str:
    """Straight lines through points."""
    return "M" + _points(x, height(frac))


def band_path(x: Floats, low_frac: Floats, high_frac: Floats) -> str:
    """Filled band between two lines."""
    return "M" + _points(np.concatenate([x, x[::-1]]), np.concatenate([height(high_frac), height(low_frac)[::-1]])) + "z"


def bars_path(edges: Floats, low_frac: Floats, high_frac: Floats) -> str:
    """Filled bars between ``edges`` (bars + 1,), from low to high; empty ones are left out."""
    down, up = height(low_frac), height(high_frac)
    return "".join(
        f"M{number(left)} {number(foot)}H{number(right)}V{number(head)}H{number(left)}z"
        for left, right, foot, head in zip(edges[:-1], edges[1:], down, up, strict=True)
        if foot - head >= 0.05
    )


def steps_path(edges: Floats, frac: Floats) -> str:
    """Line that is level from edge to edge."""
    heights = height(frac)
    return f"M{number(edges[0])} {number(heights[0])}" + "".join(
        f"V{number(height)}H{number(right)}" for height, right in zip(heights, edges[1:], strict=True)
    )


def level_path(*shares: float) -> str:
    """Lines from side to side at shares of the scale."""
    return "".join(f"M0 {number(float(height(share)))}H{number(WIDTH)}" for share in shares)


def runs(flags: Flags) -> list[tuple[int, int]]:
    """First and one past the last position of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(first), int(last)) for first, last in zip(edges[::2], edges[1::2], strict=True)]


def spans_path(flags: Flags) -> str:
    """Boxes from top to bottom over every run of True."""
    scale = WIDTH / len(flags)
    found = []
    for first, last in runs(flags):
        left, right = first * scale, last * scale
        if right - left < LEAST_SPAN:
            left = min(left, WIDTH - LEAST_SPAN)
            right = left + LEAST_SPAN
        found.append(f"M{number(left)} 0H{number(right)}V{number(HEIGHT)}H{number(left)}z")
    return "".join(found)


def nice_ceiling(value: float) -> float:
    """The next round number at or above a positive value (1, 1.5, 2, 3, 4, 5, 6, 8 or 10 times a power of ten)."""
    if value <= 0.0:
        return 1.0
    power = 10.0 ** floor(log10(value))
    return next(step for step in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * power >= value * (1 - 1e-9)) * power


def day_marks(ceiling: float) -> tuple[Mark, ...]:
    """Marks at the top and in the middle of a scale of days."""
    shown = ((share, ceiling * share) for share in (1.0, 0.5))
    return tuple(Mark(f"{days:g} {'day' if days == 1.0 else 'days'}", 0.0, float(height(share))) for share, days in shown)


def amount_text(value: float, unit: str) -> str:
    """A round number with its unit, thousands as k."""
    return f"{value / 1000:g} k{unit}" if value >= 1000 else f"{value:g} {unit}"
