"""When a bank's protection acted, and what ought to be looked at: counted and dated from the hours of a run.

What the hour loop decides once an hour (too cold or too hot to charge or to discharge) is read off the cell temperatures at the
two ends of each hour, as the loop reads it; what ends supply or holds a current back is read off its books.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from simulator.battery import kernel as k
from simulator.battery.kernel import FloatArray
from simulator.scenario.parts import Bank
from simulator.units import HOURS_PER_DAY

BoolArray = npt.NDArray[np.bool_]

ACTS = (
    "cold_charge",
    "hot_charge",
    "cold_discharge",
    "hot_discharge",
    "low_charge",
    "low_voltage",
    "high_voltage",
    "inverter_voltage",
    "discharge_current",
    "charge_current",
)
"""Every protection that is watched, in the order in which it is told."""
LEAST_WH: Final = 0.5
"""A current was held back in an hour when this much was missed or spilled for it; less is rounding."""
LEAD_FULL_EVERY_DAYS: Final = 14.0
"""A lead-acid bank wants to be full this often (common practice, no source: every one to two weeks)."""
FREEZING_MARGIN_C: Final = 2.0
"""Warned this much above the freezing point: charge is not the same everywhere in a cell (common practice, no source)."""
GRAVITY_FROM_V: Final = 0.84
"""From memory: the rest voltage of a lead-acid cell is its specific gravity + 0.84 V."""
FREEZING_GRAVITY: Final = (1.000, 1.050, 1.100, 1.120, 1.155, 1.190, 1.225, 1.265)
FREEZING_C: Final = (0.0, -3.3, -7.7, -10.0, -15.0, -23.0, -37.0, -57.0)
"""From memory: freezing point of sulphuric acid by specific gravity, as battery handbooks print it."""


@dataclass(frozen=True)
class Protection:
    """One protection over a run.

    Attributes
    ----------
    name : str
        One of `ACTS`.
    times : int
        Spells without a break.
    hours : float
        Time in it; of currents, the hours in which a current was held back [h].
    wh : float
        What it cost: load missed, or sun refused [Wh].
    first_hour, longest_hour : int
        Positions in the series at which the first and the longest spell began; -1 when there was none.
    longest_h : float
        Time in the longest spell [h].
    """

    name: str
    times: int
    hours: float
    wh: float
    first_hour: int
    longest_hour: int
    longest_h: float


def _spells(acting: BoolArray) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """First hours and lengths of the spells in which something acted."""
    edges = np.diff(np.concatenate(([0], acting.astype(np.int8), [0])))
    first = np.flatnonzero(edges == 1)
    return first, np.flatnonzero(edges == -1) - first


def _told(
    name: str, acting: BoolArray, hours: FloatArray, wh: FloatArray, anew: npt.NDArray[np.bool_] | None = None
) -> Protection:
    """``anew``: hours that begin with nothing acting, so that a spell in them is another one."""
    first, length = _spells(acting)
    if anew is not None and first.size:
        first = np.flatnonzero(acting & (anew | np.concatenate(([True], ~acting[:-1]))))
        length = np.array([acting[begin:end].sum() for begin, end in zip(first, [*first[1:], len(acting)], strict=True)])
    if not first.size:
        return Protection(name, 0, 0.0, 0.0, -1, -1, 0.0)
    spell_h = np.array([hours[begin : begin + count].sum() for begin, count in zip(first, length, strict=True)])
    longest = int(np.argmax(spell_h))
    return Protection(
        name=name,
        times=int(first.size),
        hours=float(hours[acting].sum()),
        wh=float(wh[acting].sum()),
        first_hour=int(first[0]),
        longest_hour=int(first[longest]),
        longest_h=float(spell_h[longest]),
    )


def protections(bank: Bank, hours: FloatArray, cell_c_before: float) -> tuple[Protection, ...]:
    """Count and date every time a protection acted.

    Parameters
    ----------
    bank : Bank
    hours : ndarray (hours, HOUR_FIELDS)
        The watched lane.
    cell_c_before : float
        Cell temperature as the run began [deg C].

    Returns
    -------
    tuple of Protection
        All of `ACTS`, in their order; those that never acted with 0 times.

    Notes
    -----
    ``low_charge``: supply ended at a state of charge, or at an empty available well. ``low_voltage``: the electronics ended it,
    because the voltage under load fell to their limit. A bank that is dark because it is too cold or too hot to discharge is
    counted there and not as either. ``high_voltage`` acts only where chargers are set above what the electronics allow.
    ``inverter_voltage``: the inverter switched off on the voltage under load, and took the AC side with it. Energy that hookup,
    engine, generator and other sources could have given is counted with the sun that was refused in the same hour.
    """
    cell_c = np.concatenate(([cell_c_before], hours[:, k.CELL_END_C]))
    coldest, hottest = np.minimum(cell_c[1:], cell_c[:-1]), np.maximum(cell_c[1:], cell_c[:-1])
    each = np.ones(len(hours))
    too_cold, too_hot = coldest < bank.discharge_min_c, hottest > bank.discharge_max_c
    dark_h, missed_wh = hours[:, k.DARK_H], hours[:, k.MISSED_DARK_WH]
    short_wh, spilled_wh = hours[:, k.MISSED_LIMIT_WH], hours[:, k.SPILLED_LIMIT_WH]
    chargers_wh, high_wh = hours[:, k.REFUSED_CHARGER_WH], hours[:, k.REFUSED_HIGH_WH]
    locked, too_hot_to_charge = hours[:, k.LOCKED_H] > 0.0, hottest > bank.charge_max_c
    low_v_h, ac_off_h = hours[:, k.LOW_V_H], hours[:, k.INVERTER_OFF_H]
    high = (high_wh > LEAST_WH) | ((chargers_wh > LEAST_WH) & ~locked & ~too_hot_to_charge)
    return (
        _told("cold_charge", locked, each, hours[:, k.REFUSED_COLD_WH] + chargers_wh),
        _told("hot_charge", too_hot_to_charge & ~locked, each, hours[:, k.REFUSED_HOT_WH] + chargers_wh),
        _told("cold_discharge", too_cold, each, missed_wh),
        _told("hot_discharge", too_hot, each, missed_wh),
        _told(
            "low_charge",
            (dark_h > low_v_h + ac_off_h) & ~too_cold & ~too_hot,
            dark_h,
            missed_wh,
            hours[:, k.DARK_AT_START] <= 0.0,
        ),
        _told("low_voltage", (low_v_h > 0.0) & ~too_cold & ~too_hot, low_v_h, missed_wh),
        _told("high_voltage", high, each, high_wh + chargers_wh),
        _told("inverter_voltage", ac_off_h > 0.0, ac_off_h, missed_wh),
        _told("discharge_current", short_wh > LEAST_WH, each, short_wh),
        _told("charge_current", spilled_wh > LEAST_WH, each, spilled_wh),
    )


def freezing_c(bank: Bank, soc: npt.ArrayLike) -> FloatArray:
    """Temperature at which the acid of a flooded bank begins to freeze.

    Parameters
    ----------
    bank : Bank
        Its rest voltage tells how strong the acid is.
    soc : array_like
        State of charge, 0..1.

    Returns
    -------
    ndarray
        Freezing point [deg C], shape of soc.
    """
    # A lead-acid unit has one cell for each 2 V of its name.
    cells = max(1, round(bank.unit_v / 2.0))
    cell_v = np.interp(np.asarray(soc, dtype=np.float64), bank.curve.soc, bank.curve.ocv_v) / cells
    return np.asarray(np.interp(cell_v - GRAVITY_FROM_V, FREEZING_GRAVITY, FREEZING_C))


def bank_warnings(bank: Bank, hours: FloatArray, longest_without_full_days: float) -> tuple[str, ...]:
    """Sentences on what ought to be looked at; none of it changes a figure.

    Parameters
    ----------
    bank : Bank
    hours : ndarray (hours, HOUR_FIELDS)
        The watched lane.
    longest_without_full_days : float
        Longest stretch without a full bank [days].
    """
    found = []
    soc, cell_c = hours[:, k.SOC_END], hours[:, k.CELL_END_C]
    if bank.chemistry == "flooded":
        above_c = cell_c - freezing_c(bank, soc)
        worst = int(np.argmin(above_c))
        if above_c[worst] < FREEZING_MARGIN_C:
            found.append(
                f"The acid may freeze and burst the cells: at {soc[worst]:.0%} charge it does so at "
                f"{float(freezing_c(bank, soc[worst])):.0f} C, and the cells were at {cell_c[worst]:.0f} C; keep a flooded bank "
                "full in the cold (from memory, battery handbooks)."
            )
    if bank.chemistry != "lfp" and longest_without_full_days > LEAD_FULL_EVERY_DAYS:
        full_days = len(hours) / HOURS_PER_DAY
        what = (
            "never full"
            if longest_without_full_days >= full_days - 1e-9
            else f"{longest_without_full_days:.0f} days without a full charge"
        )
        found.append(
            f"Chronically undercharged: {what} on this route; lead-acid hardens and loses capacity (sulphation) unless it is "
            f"full every {LEAD_FULL_EVERY_DAYS:.0f} days or so (common practice, no source)."
        )
    coldest, hottest = float(cell_c.min()), float(cell_c.max())
    low_c, high_c = bank.discharge_min_c, bank.discharge_max_c
    if coldest < low_c or hottest > high_c:
        found.append(
            f"The cells are between {coldest:.0f} and {hottest:.0f} C; they are rated for {low_c:g} to {high_c:g} C, and beyond "
            "that the bank gives nothing here."
        )
    knots = bank.curve.capacity_temp_c
    if coldest < knots[0]:
        found.append(
            f"Below {knots[0]:g} C nothing is known of the capacity, and the cells were at {coldest:.0f} C; it is held at "
            f"{bank.curve.capacity_frac[0]:.0%}."
        )
    return tuple(found)
