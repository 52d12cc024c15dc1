"""Counting cycles: rainflow ranges of a series, cycles of a state of charge, full cycles of a throughput.

A *full cycle* is the rated charge drawn once, in whatever portions. *Counted cycles* are the closed loops and open halves
that rainflow counting finds, each with its depth; they are what a depth curve wants.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

LEAST_DEPTH_FRAC: Final = 1e-9
"""Shallower loops are rounding noise of a bank at rest, and no cycles."""

DEPTH_EDGES_FRAC: Final = tuple(tenth / 10 for tenth in range(11))
"""Edges of the depth histogram that is shown to people."""


@dataclass(frozen=True)
class Ranges:
    """What rainflow counting finds, in the order in which the ranges are closed; all arrays ``(ranges,)``.

    Attributes
    ----------
    size : ndarray
        Distance between peak and valley, never negative, in the unit of the series.
    mean : ndarray
        Halfway between peak and valley.
    count : ndarray
        1 for a full cycle, 0.5 for a half cycle.
    first, last : ndarray of int
        Positions in the series of the two turning points; of a plateau its last sample.
    """

    size: FloatArray
    mean: FloatArray
    count: FloatArray
    first: IntArray
    last: IntArray


@dataclass(frozen=True)
class Cycles:
    """Cycles of one bank, full and half; all arrays ``(cycles,)``.

    Attributes
    ----------
    depth_frac : ndarray
        Swing of the state of charge, 0..1.
    mean_soc : ndarray
        Middle of the swing, 0..1.
    count : ndarray
        1 for a full cycle, 0.5 for a half cycle.
    first_hour, last_hour : ndarray of int
        Positions in the series of the two turning points.
    """

    depth_frac: FloatArray
    mean_soc: FloatArray
    count: FloatArray
    first_hour: IntArray
    last_hour: IntArray

    @property
    def full_cycles(self) -> FloatArray:
        """Full cycles that each counted cycle amounts to (cycles,): depth times count."""
        return self.depth_frac * self.count


def turning_points(series: npt.ArrayLike) -> IntArray:
    """Find where a series turns, with its first and last sample.

    Parameters
    ----------
    series : array_like (samples,)
        Finite numbers in time order.

    Returns
    -------
    ndarray of int (points,)
        Positions of the turning points; of a plateau its last sample. Empty for a series that never moves.

    Raises
    ------
    ValueError
        If the series is not one-dimensional or holds a NaN or an infinity.
    """
    values = np.asarray(series, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"expected a one-dimensional series, got shape {values.shape}")
    if not np.isfinite(values).all():
        raise ValueError(
            f"expected finite numbers, got {values[~np.isfinite(values)][0]} at position {np.argmin(np.isfinite(values))}"
        )
    steps = np.diff(values)
    moving = np.flatnonzero(steps)
    if not moving.size:
        return np.empty(0, dtype=np.intp)
    rising = steps[moving] > 0
    turns = moving[1:][rising[1:] != rising[:-1]]
    return np.concatenate(([0], turns, [values.size - 1])).astype(np.intp)


def rainflow(series: npt.ArrayLike) -> Ranges:
    """Count the ranges of a series by the rainflow method.

    Parameters
    ----------
    series : array_like (samples,)
        Finite numbers in time order; plateaus are allowed.

    Returns
    -------
    Ranges
        Full and half cycles; none for a series that never moves, one half cycle for two different samples.

    Raises
    ------
    ValueError
        If the series is not one-dimensional or holds a NaN or an infinity.

    References
    ----------
    .. [1] ASTM E1049-85 (2017), Standard practices for cycle counting in fatigue analysis, section 5.4.4,
       doi:10.1520/E1049-85R17.
    """
    values = np.asarray(series, dtype=np.float64)
    points = turning_points(values)
    heights = values[points]
    first, last, whole = _close_ranges(heights.tolist())
    start, end = heights[first], heights[last]
    return Ranges(
        size=np.abs(start - end),
        mean=0.5 * (start + end),
        count=np.where(whole, 1.0, 0.5),
        first=points[first],
        last=points[last],
    )


def _close_ranges(heights: Sequence[float]) -> tuple[IntArray, IntArray, npt.NDArray[np.bool_]]:
    """Pair turning points into ranges: positions of both ends, and whether the range is a whole cycle.

    Plain indices into flat storage, each point pushed once and popped at most once, so that it is linear in the number of
    points and could be compiled as it stands.
    """
    size = len(heights)
    first: list[int] = []
    last: list[int] = []
    whole: list[bool] = []
    # Open points are stack[bottom:top]; the bottom moves up when the range that holds the start of the series is counted.
    stack = [0] * size
    bottom = top = 0
    for point in range(size):
        stack[top] = point
        top += 1
        while top - bottom >= 3:
            newest = abs(heights[stack[top - 1]] - heights[stack[top - 2]])
            before = abs(heights[stack[top - 2]] - heights[stack[top - 3]])
            if newest < before:
                break
            first.append(stack[top - 3])
            last.append(stack[top - 2])
            if top - bottom == 3:
                # The range before holds the starting point: half a cycle, and the start moves on to its other end.
                whole.append(False)
                bottom += 1
            else:
                # A loop has closed inside a larger range: both its ends go.
                whole.append(True)
                stack[top - 3] = point
                top -= 2
    for place in range(bottom, top - 1):
        first.append(stack[place])
        last.append(stack[place + 1])
        whole.append(False)
    return np.array(first, dtype=np.intp), np.array(last, dtype=np.intp), np.array(whole, dtype=np.bool_)


def count_cycles(soc: npt.ArrayLike) -> Cycles:
    """Count the cycles of a state of charge by the rainflow method.

    Parameters
    ----------
    soc : array_like (hours,)
        State of charge, 0..1, in time order.

    Returns
    -------
    Cycles
        Every full and half cycle deeper than `LEAST_DEPTH_FRAC`.

    Raises
    ------
    ValueError
        If the series is not one-dimensional, holds a NaN, or leaves 0..1 by more than rounding.
    """
    values = np.asarray(soc, dtype=np.float64)
    ranges = rainflow(values)
    if values.size and (values.min() < -1e-6 or values.max() > 1 + 1e-6):
        raise ValueError(f"expected a state of charge from 0 to 1, got {values.min():g} to {values.max():g}")
    real = ranges.size > LEAST_DEPTH_FRAC
    return Cycles(ranges.size[real], ranges.mean[real], ranges.count[real], ranges.first[real], ranges.last[real])


def counted_cycles(cycles: Cycles, least_depth_frac: float = 0.0) -> float:
    """Add up counted cycles, half ones as halves.

    Parameters
    ----------
    cycles : Cycles
    least_depth_frac : float, optional
        Leave out shallower ones, 0..1.

    Returns
    -------
    float
        Number of cycles [-].
    """
    return float(cycles.count[cycles.depth_frac >= least_depth_frac].sum())


def full_cycles(ah_out: npt.ArrayLike, rated_ah: float) -> float:
    """Say how many times the rated charge was drawn.

    Parameters
    ----------
    ah_out : array_like
        Charge drawn from the bank [Ah], a total or one figure per hour; never negative.
    rated_ah : float
        Rated charge of the whole bank [Ah], above 0.

    Returns
    -------
    float
        Full cycles [-].

    Raises
    ------
    ValueError
        If the rated charge is not positive, or the charge drawn is negative or not finite.
    """
    drawn = np.asarray(ah_out, dtype=np.float64)
    if not rated_ah > 0:
        raise ValueError(f"expected a rated charge above 0 Ah, got {rated_ah}")
    if not np.isfinite(drawn).all() or (drawn < 0).any():
        raise ValueError("expected the charge drawn to be finite and never negative")
    return float(drawn.sum() / rated_ah)


def depth_histogram(cycles: Cycles, edges_frac: Sequence[float] = DEPTH_EDGES_FRAC) -> FloatArray:
    """Sort counted cycles by depth.

    Parameters
    ----------
    cycles : Cycles
    edges_frac : sequence of float (bins + 1,), optional
        Rising edges of the bins, 0..1; a bin holds its lower edge, the last one also its upper edge.

    Returns
    -------
    ndarray (bins,)
        Number of cycles in each bin; those outside the edges go into the outermost bins, so that none is lost.

    Raises
    ------
    ValueError
        If there are fewer than two edges or they do not rise.
    """
    edges = np.asarray(edges_frac, dtype=np.float64)
    if edges.ndim != 1 or edges.size < 2 or not (np.diff(edges) > 0).all():
        raise ValueError(f"expected at least two rising edges, got {edges_frac}")
    # One part in 1e9 of slack: a swing of 0.5 computed as 0.49999999999 belongs where a person would put it.
    places = np.searchsorted(edges, cycles.depth_frac + LEAST_DEPTH_FRAC, side="right") - 1
    places = np.clip(places, 0, edges.size - 2)
    return np.bincount(places, weights=cycles.count, minlength=edges.size - 1).astype(np.float64)
