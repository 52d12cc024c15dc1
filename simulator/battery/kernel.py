"""The compiled hour loop: charge, discharge, wells, cell temperature, lockouts, generator; nothing else.

Every function that is compiled lives in this file, because numba's cache does not see edits in the callees of other
files. NumPy and numba only. Power into the bank is positive; state of charge ``soc`` runs 0..1 of ``capacity_ah``.

Within a segment the bank meets one constant power (or one constant current, or the falling current of the absorption
phase). With E the integral of the open-circuit voltage over charge, a segment of length dt at power P obeys

    E(q1) - E(q0) + R (q1 - q0)^2 / dt = P dt

and, while charging, the same with Ec = integral of (ocv + polarisation) / efficiency and G = integral of 1 / efficiency in
place of q, so that an efficiency that depends on charge stays exact. A threshold (floor, full, reconnect, generator, switch-off
level, onset of the absorption phase) ends a segment at the very moment it is reached; its time is the root of
P t^2 - dE t - R dQ^2 = 0. What depends on temperature or on the clock is decided once an hour; what depends on the voltage under
load at the beginning of each part of it (the peak, the rest), and again when load or generator are switched.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt
from numba import njit

_Compiled = TypeVar("_Compiled", bound=Callable[..., Any])

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

NODES = 1024
"""Cells of the uniform charge grid; a curve has NODES + 1 nodes."""
OCV, ENERGY, CHARGE_V, CHARGE_STORED, CHARGE_ENERGY, CHARGE_PASSED, INV_EFFICIENCY = range(7)
"""Columns of a packed curve (rows, NODES + 1, 7): bus V; V x soc; bus V; V x soc with nothing lost to gassing; V x soc; soc;
1 / efficiency of the cell above."""
CURVE_FIELDS = 7
CAPACITY_COLD_C, CAPACITY_STEP_C, CAPACITY_NODES = -40.0, 5.0, 21
"""Grid of the temperature curve: share of the rated charge that can be drawn, from -40 C to 60 C."""
LEVELS = 3
MAX_EVENTS = 20
TINY_H = 1e-12
TINY_SOC = 1e-12
TINY_W = 1e-9
"""A balance of power nearer to zero than this is none. A heater on spare power takes just what the load leaves, and what rounding
leaves of the difference must not switch anything."""

# State that goes in and comes out, one row a lane.
SOC, WELL, CELL_C, OWN_HEAT_W, DARK, BACK_SOC, COLD, GENERATOR, GENERATOR_RUN_H, SHED, BY_FLOOR, AC_OFF, CHILL = range(13)
STATE_SIZE = 13

# What an hour books, in watt-hours unless the name says otherwise.
(
    LOAD_WH,
    MISSED_DARK_WH,
    MISSED_SHED_WH,
    MISSED_LIMIT_WH,
    MISSED_ESSENTIAL_WH,
    MISSED_COMFORT_WH,
    MISSED_LUXURY_WH,
    ESSENTIAL_DARK_WH,
    SUN_OFFERED_WH,
    SUN_USED_WH,
    SPILLED_CONTROLLER_WH,
    SPILLED_FULL_WH,
    SPILLED_ACCEPTANCE_WH,
    SPILLED_LIMIT_WH,
    REFUSED_COLD_WH,
    REFUSED_HOT_WH,
    REFUSED_HIGH_WH,
    REFUSED_CHARGER_WH,
    SHORE_WH,
    DRIVE_WH,
    GENERATOR_WH,
    OTHER_WH,
    STANDBY_WH,
    HEATER_WH,
    CHARGED_WH,
    DISCHARGED_WH,
    LOSS_OHMIC_WH,
    LOSS_CHARGING_WH,
    LOSS_SELF_WH,
    CHARGED_AH,
    DISCHARGED_AH,
    SOC_END,
    SOC_LOWEST,
    CELL_END_C,
    BUS_V,
    LOWEST_V,
    DARK_H,
    DARK_AT_START,
    DARK_AT_END,
    LOCKED_H,
    LOW_V_H,
    INVERTER_OFF_H,
    CHILL_END,
    GENERATOR_H,
    FULL_H,
    SEGMENTS,
    RESIDUAL_WH,
    RESIDUAL_H,
) = range(48)
HOUR_FIELDS = 48
SCRATCH = HOUR_FIELDS + 2 * LEVELS
"""What a block writes on while it walks: the hour's book, and load by switch-off level, all of it and what the inverter took."""

# What a day keeps for every lane.
DAY_LOAD_WH, DAY_MISSED_WH, DAY_DARK_H, DAY_LOWEST_SOC, DAY_SUN_OFFERED_WH, DAY_SUN_USED_WH, DAY_FULL_H, DAY_ESSENTIAL_WH = range(
    8
)
DAY_FIELDS = 8

POWER_LIMITED, CURRENT_LIMITED, ACCEPTANCE_LIMITED = range(3)

REST_W, REST_AC_W, PEAK_W, PEAK_AC_W = range(4)
"""Last axis of the load rows: at the bus, and the part of it that goes when the inverter does (0 where it feeds nothing); outside
the peak and in it."""
SHORE_A, DRIVE_A, GENERATOR_SHARE, OTHER_W, AWAKE = range(5)
"""Last axis of the source rows."""


class Lanes(NamedTuple):
    """One design a lane: ``(lanes,)`` arrays, bank totals at bus voltage. Rows index the histories and the curves."""

    sun_row: IntArray
    bay_row: IntArray
    load_row: IntArray
    source_row: IntArray
    curve_row: IntArray
    sun_scale: FloatArray
    load_scale: FloatArray
    capacity_ah: FloatArray
    resistance_ohm: FloatArray
    resistance_per_c: FloatArray
    charge_limit_a: FloatArray
    charge_cold_limit_a: FloatArray
    charge_min_c: FloatArray
    charge_resume_c: FloatArray
    charge_full_c: FloatArray
    charge_max_c: FloatArray
    discharge_limit_a: FloatArray
    discharge_min_c: FloatArray
    discharge_max_c: FloatArray
    floor_soc: FloatArray
    reconnect_soc: FloatArray
    target_soc: FloatArray
    full_soc: FloatArray
    taper_per_h: FloatArray
    taper_soc: FloatArray
    """The charge the absorption phase heads for (a little above full, so that full is reached)."""
    well_c: FloatArray
    well_k_per_h: FloatArray
    self_discharge_per_h: FloatArray
    standby_w: FloatArray
    absorb_v: FloatArray
    absorb_v_per_c: FloatArray
    """Temperature compensation of the chargers [V/K], from 25 C."""
    absorb_cap_v: FloatArray
    overvoltage_v: FloatArray
    """Absorption voltage less the rest voltage of the full bank, at 25 C: what drives the falling current."""
    gassing_per_v: FloatArray
    """How the charge lost to gassing grows with voltage [1/V] and with temperature [1/K] (Schiffer et al. 2007)."""
    gassing_per_c: FloatArray
    cutoff_v: FloatArray
    """Bus voltage under load at which the bank's own electronics end supply, to try again in the next hour; 0: none."""
    charge_max_v: FloatArray
    """Bus voltage at which they end charging; 0: none."""
    inverter_off_v: FloatArray
    """Bus voltage under load at which the inverter switches off, and takes the AC side with it; 0: never."""
    inverter_on_v: FloatArray
    cabin_tau_h: FloatArray
    """Time constant of a cabin whose heating stops when the bank leaves essential load unserved [h]; 0: it needs no bank."""
    step_h: FloatArray
    """Longest segment [h]; 1: as long as nothing happens. Shorter ones only show what the length of a segment does."""
    sun_low_v: FloatArray
    """Bus voltages at which the first two sun columns hold."""
    sun_high_v: FloatArray
    heat_capacity_wh_per_c: FloatArray
    loss_w_per_c: FloatArray
    heater_w: FloatArray
    heater_on_c: FloatArray
    heater_off_c: FloatArray
    heater_from_bank: FloatArray
    generator_a: FloatArray
    generator_start_soc: FloatArray
    generator_stop_soc: FloatArray
    generator_min_h: FloatArray
    shed_soc: FloatArray
    """(lanes, LEVELS): the level is switched off at this charge; below 0: never. Level 0 is never switched off."""
    restore_soc: FloatArray


ROWS = ("sun_row", "bay_row", "load_row", "source_row", "curve_row")
LANE = np.dtype(
    [
        (name, np.int64 if name in ROWS else np.float64, (LEVELS,) if name in ("shed_soc", "restore_soc") else ())
        for name in Lanes._fields
    ]
)
"""One lane as the loop reads it: everything of a lane side by side, so that the compiler meets one argument, not one each."""


def capacity_grid_c() -> FloatArray:
    """Temperatures at which the share of the charge that can be drawn is given [deg C]."""
    return CAPACITY_COLD_C + CAPACITY_STEP_C * np.arange(CAPACITY_NODES, dtype=np.float64)


def records(lanes: Lanes) -> np.recarray[Any, Any]:
    """The lanes as the loop takes them: ``(lanes,)`` records of :data:`LANE`."""
    packed = np.recarray((len(lanes.capacity_ah),), dtype=LANE)
    for name, values in zip(Lanes._fields, lanes, strict=True):
        packed[name] = values
    return packed


class Histories(NamedTuple):
    """What the lanes meet, one row for each distinct input; never copied per lane."""

    sun_w: FloatArray
    """(rows, hours, 3): at the low bus voltage, at the high one, and with a controller that has no limit."""
    bay_c: FloatArray
    """(rows, hours, 2): air around the bank, as heated, and if the heating has been out for long."""
    load_w: FloatArray
    """(rows, hours, LEVELS, 4): cumulative by switch-off level, at the bus; last axis REST_W to PEAK_AC_W."""
    peak_h: FloatArray
    """(rows, hours): the part of the hour, at its start, in which the peak holds; same rows as ``load_w``."""
    source_a: FloatArray
    """(rows, hours, 5): amperes of shore charger and alternator, share of its charger that the generator can feed (0:
    it may not run), watts of other sources, share of the electronics that is awake."""
    day: IntArray
    """(hours,): number of the local day."""


class Steady(NamedTuple):
    """What follows from a lane alone, worked out before its first hour."""

    two_wells: bool
    decay: float
    fade: float
    ramp: float
    """:func:`_well_terms` of a whole hour."""
    cooling: float
    """Share of the way to the air's temperature that cells still have to go after an hour."""
    c_per_w: float
    """Kelvin above the air in the long run for each watt of heat, and after an hour (``warming``)."""
    warming: float
    chilling: float
    """Share of the way that a cabin cools in an hour without its heating, and warms with it (``rewarming``)."""
    rewarming: float
    charge_limit_per_h: float
    cold_limit_per_h: float
    range_v: float
    """One over the span of bus voltage between the two sun columns [1/V]."""
    hysteresis: float
    """Charge from the floor to the way back; 0: no latch."""
    minds_v: bool
    """Whether inverter or electronics switch on voltage."""


class Hour(NamedTuple):
    """What is decided once an hour, before its first segment. ``cold`` and ``back_soc`` may change within the hour: the loop goes
    on with values of its own."""

    load_wh: float
    essential_wh: float
    electronics_w: float
    other_w: float
    shore_w: float
    drive_w: float
    sun_w: float
    offered_w: float
    fixed_w: float
    """All sources but the generator."""
    generator_a: float
    """0: it may not run."""
    volts: float
    """Of the bus, at which panels and chargers are taken, and the bank's amperes there (``current``)."""
    current: float
    absorb_v: float
    resistance: float
    """Of the bank [ohm], and over that at 25 C (``stiffness``)."""
    stiffness: float
    rate_c: float
    """Temperature of the cells, within the range in which laws of temperature hold."""
    end_c: float
    """Where the cells end without a heater."""
    heater_w: float
    cold: bool
    hot: bool
    cut: bool
    charge_floor: float
    back_soc: float
    charge_limit: float
    """Amperes per ampere-hour, like ``discharge_limit``."""
    discharge_limit: float
    limit_a: float
    """Most amperes of a draw."""
    high_soc: float
    """Charge at which the electronics end charging on voltage; 2: never."""


OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    # No function makes an array, so none needs numba's reference counts, for whose counters all threads would wait.
    "_nrt": False,
    # What nobody uses takes time to make: a way in from C; a search for expressions of whole arrays and for dead branches.
    "no_cfunc_wrapper": True,
    "no_rewrites": True,
}
INNER: dict[str, Any] = {**OPTIONS, "no_cpython_wrapper": True}


def _compile(function: _Compiled) -> _Compiled:
    """Compile without the GIL, cached on disk; where no cache folder can be written, go on uncached."""
    try:
        compiled: Any = njit(cache=True, **OPTIONS)(function)
    except RuntimeError:
        compiled = njit(**OPTIONS)(function)
    return compiled  # type: ignore[no-any-return]


def _inner(function: _Compiled) -> _Compiled:
    """Compile for other compiled functions alone: a way in from Python and a place in the cache would cost as much again.

    A call from Python crashes the process; ``tests/inside_the_loop.py`` opens a way for tests.
    """
    compiled: Any = njit(**INNER)(function)
    return compiled  # type: ignore[no-any-return]


def _woven(function: _Compiled) -> _Compiled:
    """Like :func:`_inner`, and always set into its caller: a part of the loop with a name, whose many arguments cost nothing.

    numba's own work on a function grows faster than its length, so parts are compiled sooner than one long loop.
    """
    compiled: Any = njit(forceinline=True, **INNER)(function)
    return compiled  # type: ignore[no-any-return]


@_inner
def _least(a, b):
    """min(a, b), compiled sooner than the built-in; the first wins a tie."""
    return b if b < a else a


@_inner
def _most(a, b):
    """max(a, b), compiled sooner than the built-in; the first wins a tie."""
    return b if b > a else a


@_inner
def _cell_at(position):
    """The cell of a curve that holds this place on its grid; the first and the last one beyond its ends."""
    cell = int(position)
    if cell < 0:
        cell = 0
    elif cell > NODES - 1:
        cell = NODES - 1
    return cell


@_inner
def _clear(values):
    """Zeros in place."""
    for place in range(len(values)):
        values[place] = 0.0


@_woven
def _copy(values, target):
    """Values into an array of the same length."""
    for place in range(len(values)):
        target[place] = values[place]


@_inner
def _ocv(curve, soc):
    """Open-circuit voltage at soc [V]."""
    position = soc * NODES
    cell = _cell_at(position)
    return curve[cell, OCV] + (position - cell) * (curve[cell + 1, OCV] - curve[cell, OCV])


@_inner
def _charge_v(curve, soc):
    """Voltage at soc while charging, less what the resistance takes [V]."""
    position = soc * NODES
    cell = _cell_at(position)
    return curve[cell, CHARGE_V] + (position - cell) * (curve[cell + 1, CHARGE_V] - curve[cell, CHARGE_V])


@_inner
def _energy(curve, soc):
    """Integral of the open-circuit voltage from 0 to soc [V]; exact for a voltage that is linear inside a cell."""
    position = soc * NODES
    cell = _cell_at(position)
    part = position - cell
    low = curve[cell, OCV]
    return curve[cell, ENERGY] + part * (low + 0.5 * part * (curve[cell + 1, OCV] - low)) / NODES


@_inner
def _discharge_terms(curve, soc):
    """Integral of the open-circuit voltage, the voltage itself, and half its slope inside the cell."""
    position = soc * NODES
    cell = _cell_at(position)
    part = position - cell
    low = curve[cell, OCV]
    slope = curve[cell + 1, OCV] - low
    return curve[cell, ENERGY] + part * (low + 0.5 * part * slope) / NODES, low + part * slope, (0.5 * NODES) * slope


@_inner
def _charge_terms(curve, soc, gas):
    """Ec, G, their derivatives, and half the second derivative of Ec inside the cell, at soc while charging.

    ``gas`` scales the charge that is lost to gassing (1: as at 25 C).
    """
    position = soc * NODES
    cell = _cell_at(position)
    part = position - cell
    inverse = 1.0 + gas * (curve[cell, INV_EFFICIENCY] - 1.0)
    low = curve[cell, CHARGE_V]
    slope = curve[cell + 1, CHARGE_V] - low
    stored = curve[cell, CHARGE_STORED]
    start = cell / NODES
    energy = stored + gas * (curve[cell, CHARGE_ENERGY] - stored) + inverse * part * (low + 0.5 * part * slope) / NODES
    passed = start + gas * (curve[cell, CHARGE_PASSED] - start) + inverse * part / NODES
    return energy, passed, inverse * (low + part * slope), inverse, (0.5 * NODES) * (inverse * slope)


@_inner
def _invert_passed(curve, soc, passed, upper, gas):
    """The soc at which G equals ``passed``: Newton on a convex, piecewise linear function, from its right."""
    _, now, _, inverse, _ = _charge_terms(curve, soc, gas)
    guess = _least(soc + (passed - now) / inverse, upper)
    for _step in range(60):
        _, here, _, inverse, _ = _charge_terms(curve, guess, gas)
        change = (here - passed) / inverse
        guess -= change
        if abs(change) < 1e-15:
            break
    return _least(_most(guess, soc), upper)


@_inner
def _charging_rate(curve, soc, power, limit, resistance, gas):
    """Stored rate [1/h] at this soc under ``power`` (W per Ah) and a current limit (A per Ah)."""
    _, _, slope, inverse, _ = _charge_terms(curve, soc, gas)
    volts = slope / inverse
    # The stable root of R I^2 + V I - P = 0; it does not cancel for a small R.
    current = 2.0 * power / (volts + math.sqrt(volts * volts + 4.0 * resistance * power))
    return _least(current, limit) / inverse


@_inner
def _absorption_onset(curve, end, power, limit, resistance, taper, taper_soc, gas):
    """The charge at which the falling current of the absorption phase takes over: at ``end`` it already holds.

    The fixed point of q = q_inf - rate(q) / g. The rate falls with charge, so the steps go down and never pass it.
    """
    onset = end
    for _step in range(60):
        before = onset
        onset = taper_soc - _charging_rate(curve, onset, power, limit, resistance, gas) / taper
        if before - onset < 1e-12:
            break
    return onset


@_woven
def _charge_segment(curve, soc, upper, power, limit, resistance, taper, taper_soc, accepting, gas, dt):
    """Charge for at most dt hours or up to ``upper``; all quantities per ampere-hour of capacity.

    Returns the time taken [h], the new soc, the energy that entered at the terminals, the rise of Ec, the charge that
    passed the terminals, what limited it, and whether the absorption phase begins (or goes on) at the end.
    """
    energy_0, passed_0, slope, inverse, _ = _charge_terms(curve, soc, gas)
    # Without resistance the stored rate were power / slope, which is more: most hours need no closer look.
    falling = taper * (taper_soc - soc)
    if taper > 0.0 and (
        accepting or (power >= falling * slope and _charging_rate(curve, soc, power, limit, resistance, gas) >= falling)
    ):
        # Absorption: dq/dt = g (q_inf - q), an exact exponential.
        distance = taper_soc - soc
        end = taper_soc - distance * math.exp(-taper * dt)
        time = dt
        if end >= upper:
            end = upper
            if taper_soc > upper:
                time = _least(math.log(distance / (taper_soc - upper)) / taper, dt)
        energy_1, passed_1, _, _, _ = _charge_terms(curve, end, gas)
        moved = passed_1 - passed_0
        if time <= 0.0:
            return 0.0, end, 0.0, 0.0, 0.0, ACCEPTANCE_LIMITED, True
        rise = energy_1 - energy_0
        energy = rise + resistance * moved * moved / time
        if energy <= power * time and moved <= limit * time * (1.0 + 1e-12):
            return time, end, energy, rise, moved, ACCEPTANCE_LIMITED, True
    # Power-limited, from where the resistance alone would lead.
    time = dt
    wanted = power * dt
    per_h = resistance / dt
    step = wanted / slope
    pull = per_h * inverse * inverse
    end = _least(soc + step - pull * step * step / (slope + 2.0 * pull * step), upper)
    low, high = soc, upper
    for _step in range(60):
        energy_1, passed_1, slope, inverse, bend = _charge_terms(curve, end, gas)
        moved = passed_1 - passed_0
        rise = energy_1 - energy_0
        excess = rise + per_h * moved * moved - wanted
        if excess > 0.0:
            high = end
        elif end >= upper:
            # The threshold comes first.
            time = _least(dt, (rise + math.sqrt(rise * rise + 4.0 * power * resistance * moved * moved)) / (2.0 * power))
            break
        else:
            low = end
        # Inside a cell the excess is a parabola: its root lies this far below.
        steep = slope + 2.0 * per_h * moved * inverse
        bend += per_h * inverse * inverse
        change = 2.0 * excess / (steep + math.sqrt(_most(steep * steep - 4.0 * bend * excess, 0.0)))
        root = end - change
        if root >= upper and high == upper:
            end = upper
        elif low <= root <= high:
            found = _cell_at(root * NODES) == _cell_at(end * NODES) or abs(change) < 1e-15
            end = root
            if found:
                break
        else:
            end = 0.5 * (low + high)
    energy_1, passed_1, slope, inverse, _ = _charge_terms(curve, end, gas)
    moved = passed_1 - passed_0
    energy = power * time
    regime = POWER_LIMITED
    if moved > limit * time:
        regime = CURRENT_LIMITED
        energy_1, passed_1, _, _, _ = _charge_terms(curve, upper, gas)
        time = (passed_1 - passed_0) / limit if limit > 0.0 else math.inf
        if time <= dt:
            end = upper
        else:
            time = dt
            end = _invert_passed(curve, soc, passed_0 + limit * dt, upper, gas)
        energy_1, passed_1, slope, _, _ = _charge_terms(curve, end, gas)
        moved = passed_1 - passed_0
        energy = energy_1 - energy_0 + resistance * moved * moved / time if time > 0.0 else 0.0
    falling = taper * (taper_soc - end) * (1.0 + 1e-12)
    if (
        taper > 0.0
        and not accepting
        and power > falling * slope
        and _charging_rate(curve, end, power, limit, resistance, gas) > falling
    ):
        # The absorption phase begins inside: its onset is the threshold of a shorter segment.
        onset = _most(_absorption_onset(curve, end, power, limit, resistance, taper, taper_soc, gas), soc)
        if onset < end:
            energy_1, passed_1, _, _, _ = _charge_terms(curve, onset, gas)
            rise = energy_1 - energy_0
            moved = passed_1 - passed_0
            # The slower of the two limits holds up to there, whichever held for the hour as a whole.
            time = (rise + math.sqrt(rise * rise + 4.0 * power * resistance * moved * moved)) / (2.0 * power)
            energy = power * time
            regime = POWER_LIMITED
            if moved > limit * time:
                time = moved / limit
                energy = rise + resistance * moved * moved / time
                regime = CURRENT_LIMITED
            return _least(time, dt), onset, energy, rise, moved, regime, True
    return time, end, energy, energy_1 - energy_0, moved, regime, False


@_woven
def _discharge_segment(curve, soc, energy_0, lower, power, limit, resistance, dt):
    """Discharge at ``power`` (positive, W per Ah) for at most dt hours or down to ``lower``; per ampere-hour of capacity.

    ``energy_0`` is the integral of the open-circuit voltage at ``soc``. Returns the time taken [h], the new soc, the energy
    delivered at the terminals and what limited it.
    """
    bound = _most(lower, soc - limit * dt)
    wanted = power * dt
    per_h = resistance / dt
    volts = _ocv(curve, soc)
    step = wanted / volts
    slack = volts - 2.0 * per_h * step
    end = bound
    if slack > 0.0:
        # Where the resistance alone would lead.
        end = _most(soc - step - per_h * step * step / slack, bound)
    low, high = bound, soc
    drop = 0.0
    moved = 0.0
    reached = False
    for _step in range(60):
        energy_1, volts, bend = _discharge_terms(curve, end)
        drop = energy_0 - energy_1
        moved = soc - end
        excess = drop - per_h * moved * moved - wanted
        if excess >= 0.0:
            low = end
        elif end <= bound:
            reached = True
            break
        else:
            high = end
        # Inside a cell the excess is a parabola: its root lies this far above.
        steep = volts - 2.0 * per_h * moved
        change = 2.0 * excess / (steep + math.sqrt(_most(steep * steep + 4.0 * (bend + per_h) * excess, 0.0)))
        root = end + change
        if root <= bound and low == bound:
            if end == bound:
                break
            end = bound
        elif low <= root <= high:
            found = _cell_at(root * NODES) == _cell_at(end * NODES) or abs(change) < 1e-15
            end = root
            if found:
                break
        else:
            end = 0.5 * (low + high)
    if not reached:
        return dt, end, wanted, POWER_LIMITED
    if bound > lower:
        return dt, bound, drop - resistance * moved * moved / dt, CURRENT_LIMITED
    # The threshold comes first; the larger root is the one with the smaller current.
    root = drop * drop - 4.0 * power * resistance * moved * moved
    if root >= 0.0:
        time = (drop + math.sqrt(root)) / (2.0 * power)
        if moved <= limit * time * (1.0 + 1e-12):
            return _least(time, dt), lower, power * _least(time, dt), POWER_LIMITED
    time = _least(moved / limit, dt) if limit > 0.0 else dt
    energy = drop - resistance * moved * moved / time if time > 0.0 else 0.0
    return time, lower, energy, CURRENT_LIMITED


@_inner
def _well_terms(k, dt):
    """What the available well after dt hours depends on beside charge and rate."""
    decay = math.exp(-k * dt)
    return decay, (1.0 - decay) / k, (k * dt - 1.0 + decay) / k


@_inner
def _well_next(soc, well, rate, c, k, decay, fade, ramp):
    """Available well after the time of :func:`_well_terms` at a constant stored rate [1/h] (Manwell & McGowan 1993)."""
    return well * decay + (soc * k * c + rate) * fade + rate * c * ramp


@_inner
def _well_after(soc, well, rate, c, k, dt):
    """Available well after dt hours at a constant stored rate [1/h], charging positive."""
    decay, fade, ramp = _well_terms(k, dt)
    return _well_next(soc, well, rate, c, k, decay, fade, ramp)


@_inner
def _well_empty_time(soc, well, rate, c, k, dt):
    """The moment in (0, dt] at which the available well runs empty at this rate: Newton, kept inside by bisection."""
    low, high = 0.0, dt
    time = 0.5 * dt
    for _step in range(80):
        value = _well_after(soc, well, rate, c, k, time)
        if value > 0.0:
            low = time
        else:
            high = time
        # dq1/dt = rate - k (q1 - c q), by the definition of the two wells.
        slope = rate - k * (value - c * (soc + rate * time))
        candidate = time - value / slope if slope != 0.0 else 0.5 * (low + high)
        if not (low < candidate < high):
            candidate = 0.5 * (low + high)
        change = abs(candidate - time)
        time = candidate
        if change < 1e-14:
            break
    return time


@_inner
def _capacity_frac(capacity, cell_c):
    """Share of the rated charge that can be drawn at this cell temperature, linear between nodes."""
    position = (cell_c - CAPACITY_COLD_C) / CAPACITY_STEP_C
    node = int(_least(_most(position, 0.0), CAPACITY_NODES - 2.0))
    part = _least(_most(position - node, 0.0), 1.0)
    return capacity[node] + part * (capacity[node + 1] - capacity[node])


@_inner
def _loaded_v(rest_v, power, resistance, limit_a):
    """Bus voltage while ``power`` is drawn from a bank that rests at ``rest_v`` and gives no more than ``limit_a``."""
    root = rest_v * rest_v - 4.0 * resistance * power
    return _most(0.5 * (rest_v + math.sqrt(_most(root, 0.0))), rest_v - resistance * limit_a)


@_inner
def _soc_at(column, volts, low, high):
    """The charge in [low, high] at which a rising voltage column of a curve reaches ``volts``."""
    for _step in range(40):
        middle = 0.5 * (low + high)
        position = middle * NODES
        cell = _cell_at(position)
        here = column[cell] + (position - cell) * (column[cell + 1] - column[cell])
        if here < volts:
            low = middle
        else:
            high = middle
        if high - low < 1e-9:
            break
    return high


@_inner
def _inverter_lets_go(lane, curve, soc, rest_v, draw_w, through_w, resistance, limit_a, current, was_off, begins):
    """Whether the inverter is off: under the load of this part of the hour, and, when the hour begins, back on or not."""
    if was_off and begins:
        without_w = draw_w - through_w
        if without_w > -TINY_W:
            bus_v = _loaded_v(rest_v, _most(without_w, 0.0), resistance, limit_a)
        else:
            bus_v = _most(_charge_v(curve, soc), rest_v) + resistance * _least(-without_w / rest_v, _most(current, 0.0))
        if bus_v < lane.inverter_on_v:
            return True
        return draw_w > TINY_W and _loaded_v(rest_v, draw_w, resistance, limit_a) < lane.inverter_off_v
    if lane.inverter_off_v > 0.0 and through_w > 0.0 and draw_w > TINY_W:
        return was_off or _loaded_v(rest_v, draw_w, resistance, limit_a) < lane.inverter_off_v
    return was_off


@_inner
def _volt_floor(curve, soc, rest_v, supply_w, resistance, limit_a, cutoff_v, charge_floor, two_wells):
    """The charge at which the electronics would let go on voltage under this load; no lower than the floor of the charge."""
    floor = charge_floor
    if supply_w > TINY_W:
        amperes = _least(supply_w / cutoff_v, limit_a)
        least_v = cutoff_v + resistance * amperes
        if two_wells and rest_v < least_v:
            # What is bound in the other well holds no voltage up.
            floor = _most(floor, soc)
        if _ocv(curve, floor) < least_v:
            floor = _soc_at(curve[:, OCV], least_v, floor, 1.0)
    return floor


@_inner
def _charging_terms(lane, warmer_v, rate_c, stiffness):
    """How fast the absorption phase closes in on its end [1/h], and gassing over that at 25 C."""
    taper = lane.taper_per_h
    if taper > 0.0:
        # The current that falls at absorption voltage is driven by the voltage above rest, held back by a stiff, cold bank.
        taper *= _most(1.0 + warmer_v / lane.overvoltage_v, 0.05) / stiffness
    gas = 1.0
    if lane.gassing_per_c != 0.0:
        gas = _least(math.exp(lane.gassing_per_v * warmer_v + lane.gassing_per_c * (rate_c - 25.0)), 4.0)
    return taper, gas


@_inner
def _book_chargers(book, rest_wh, other_w, drive_w, shore_w, generator_w, time, spill_field):
    """What each source beside the sun gives of ``rest_wh``, in their order, and what a bank that may not be charged refused.

    Returns what no source gave: nothing, but for rounding.
    """
    other_wh = _least(other_w * time, _most(rest_wh, 0.0))
    rest_wh -= other_wh
    drive_wh = _least(drive_w * time, _most(rest_wh, 0.0))
    rest_wh -= drive_wh
    shore_wh = _least(shore_w * time, _most(rest_wh, 0.0))
    rest_wh -= shore_wh
    generator_wh = _least(generator_w * time, _most(rest_wh, 0.0))
    book[OTHER_WH] += other_wh
    book[DRIVE_WH] += drive_wh
    book[SHORE_WH] += shore_wh
    book[GENERATOR_WH] += generator_wh
    if spill_field == REFUSED_COLD_WH or spill_field == REFUSED_HOT_WH or spill_field == REFUSED_HIGH_WH:  # noqa: PLR1714, SIM109
        offered_wh = (other_w + drive_w + shore_w + generator_w) * time
        book[REFUSED_CHARGER_WH] += offered_wh - other_wh - drive_wh - shore_wh - generator_wh
    return rest_wh - generator_wh


@_inner
def _book_missed(book, demand, through, level, served_w, missed_field, by_volts, time):
    """Whose load is missed in this segment, and why. Returns whether essential load is dark, and whether the bus is."""
    book[MISSED_SHED_WH] += (demand[LEVELS - 1] - demand[level]) * time
    # What the inverter took with it is missed in the dark, whatever else is served.
    without_ac_w = through[level]
    if missed_field >= 0:
        book[missed_field] += (demand[level] - without_ac_w - served_w) * time
    book[MISSED_DARK_WH] += without_ac_w * time
    # An idle draw counts at levels that feed nothing through the inverter, yet goes with it: hold to what is left.
    direct_w = _least(demand[0] - through[0], demand[level] - without_ac_w)
    essential_w = through[0] + _most(direct_w - served_w, 0.0)
    comfort_direct_w = _most(_least(demand[1] - through[1], demand[level] - without_ac_w) - direct_w, 0.0)
    if level > 0:
        comfort_w = through[1] - through[0] + comfort_direct_w
        comfort_w -= _least(_most(served_w - direct_w, 0.0), comfort_direct_w)
    else:
        comfort_w = demand[1] - demand[0]
    book[MISSED_ESSENTIAL_WH] += essential_w * time
    book[MISSED_COMFORT_WH] += comfort_w * time
    book[MISSED_LUXURY_WH] += _most(demand[LEVELS - 1] - served_w - essential_w - comfort_w, 0.0) * time
    unserved = missed_field == MISSED_DARK_WH
    dark_w = essential_w if unserved else through[0]
    if dark_w > 0.0:
        book[ESSENTIAL_DARK_WH] += dark_w * time
        book[DARK_H] += time
    if unserved:
        if by_volts:
            book[LOW_V_H] += time
    elif without_ac_w > 0.0:
        book[INVERTER_OFF_H] += time
    return dark_w > 0.0, unserved and direct_w > served_w


@_woven
def _steady(lane):
    """What follows from a lane alone."""
    two_wells = lane.well_c < 1.0
    decay, fade, ramp = _well_terms(lane.well_k_per_h if two_wells else 1.0, 1.0)
    cooling = math.exp(-lane.loss_w_per_c / lane.heat_capacity_wh_per_c)
    c_per_w = 1.0 / lane.loss_w_per_c
    tau_h = lane.cabin_tau_h
    chilling = 0.0
    rewarming = 0.0
    if tau_h > 0.0:
        # A burner sized for twice the cabin's loss warms it in half the time it takes to cool (common practice, no source).
        chilling = 1.0 - math.exp(-1.0 / tau_h)
        rewarming = 1.0 - math.exp(-2.0 / tau_h)
    minds_v = lane.inverter_off_v > 0.0 or lane.cutoff_v > 0.0
    return Steady(
        two_wells=two_wells,
        decay=decay,
        fade=fade,
        ramp=ramp,
        cooling=cooling,
        c_per_w=c_per_w,
        warming=(1.0 - cooling) * c_per_w,
        chilling=chilling,
        rewarming=rewarming,
        charge_limit_per_h=lane.charge_limit_a / lane.capacity_ah,
        cold_limit_per_h=lane.charge_cold_limit_a / lane.capacity_ah,
        range_v=1.0 / (lane.sun_high_v - lane.sun_low_v),
        hysteresis=lane.reconnect_soc - lane.floor_soc,
        minds_v=minds_v,
    )


@_woven
def _well_then(lane, steady, soc, well, end, time):
    """Available well after ``time`` hours on an even way from ``soc`` to ``end``; below 0 if it runs empty."""
    decay, fade, ramp = steady.decay, steady.fade, steady.ramp
    if time != 1.0:
        decay, fade, ramp = _well_terms(lane.well_k_per_h, time)
    return _well_next(soc, well, (end - soc) / time, lane.well_c, lane.well_k_per_h, decay, fade, ramp)


@_woven
def _mean_load(load_scale, load, peak_h, demand):
    """Fill ``demand`` with the mean load of the hour by switch-off level [W]."""
    rest_h = 1.0 - peak_h
    for level in range(LEVELS):
        watts = load_scale * load[level, REST_W]
        if peak_h > 0.0:
            watts = rest_h * watts + peak_h * load_scale * load[level, PEAK_W]
        demand[level] = watts


@_woven
def _begin_hour(
    lane,
    steady,
    curve,
    capacity_curve,
    sun,
    bay,
    source,
    demand,
    level,
    soc,
    cell_c,
    own_heat_w,
    chill,
    back_soc,
    dark,
    by_floor,
    was_cold,
    was_running,
):
    """Temperature, lockouts, limits, voltage and what the sources offer, for the hour that begins."""
    bay_c = bay[0]
    if lane.cabin_tau_h > 0.0:
        bay_c -= chill * (bay_c - bay[1])
    shore_a = source[SHORE_A]
    drive_a = source[DRIVE_A]
    other_w = source[OTHER_W]
    awake = source[AWAKE]
    generator_a = lane.generator_a * source[GENERATOR_SHARE]
    running = was_running and generator_a > 0.0
    running_a = generator_a if running else 0.0
    rate_c = _least(_most(cell_c, -30.0), 60.0)
    stiffness = math.exp(lane.resistance_per_c * (25.0 - rate_c))
    resistance = lane.resistance_ohm * stiffness
    absorb_v = _least(lane.absorb_v + lane.absorb_v_per_c * (rate_c - 25.0), lane.absorb_cap_v)
    rest_v = _ocv(curve, soc)
    scale = lane.sun_scale
    sun_low_w = sun[0]
    low_v = lane.sun_low_v
    current = (sun_low_w * scale + other_w - demand[level]) / rest_v + (shore_a + drive_a + running_a)
    current = _least(_most(current, -lane.discharge_limit_a), lane.charge_limit_a)
    if current > 0.0:
        rest_v = _charge_v(curve, soc)
    volts = _least(_most(rest_v + resistance * current, low_v), absorb_v)
    part = _least(_most((volts - low_v) * steady.range_v, 0.0), 1.0)
    sun_w = scale * (sun_low_w + part * (sun[1] - sun_low_w))
    shore_w = shore_a * volts
    drive_w = drive_a * volts
    fixed_w = sun_w + other_w + shore_w + drive_w
    settle_c = bay_c + own_heat_w * steady.c_per_w
    end_c = settle_c + (cell_c - settle_c) * steady.cooling
    charge_floor = 1.0 - _capacity_frac(capacity_curve, cell_c) * (1.0 - lane.floor_soc)
    if dark and by_floor:
        # What cold cells hold back comes with warmth: the way back follows the floor.
        back_soc = _least(charge_floor + steady.hysteresis, lane.target_soc)
    heater_w = 0.0
    if lane.heater_w > 0.0 and _least(cell_c, end_c) < lane.heater_on_c:
        heater_w = _least((lane.heater_off_c - end_c) / steady.warming, lane.heater_w)
        if lane.heater_from_bank == 0.0 or awake == 0.0 or dark or soc <= charge_floor + TINY_SOC:
            # A dark bus feeds nothing else, but for a hookup or a generator that holds it up for the load.
            taken_w = 0.0 if dark and shore_a <= 0.0 and not running else demand[level]
            spare_w = fixed_w + running_a * volts - taken_w
            heater_w = _least(heater_w, _most(spare_w, 0.0))
        heater_w = _most(heater_w, 0.0)
    warmed_c = end_c + heater_w * steady.warming
    coldest_c = _least(cell_c, warmed_c)
    hottest_c = _most(cell_c, warmed_c)
    charge_limit = steady.charge_limit_per_h
    if coldest_c < lane.charge_full_c:
        charge_limit = _least(charge_limit, steady.cold_limit_per_h)
    # Beyond ocv / 2R more current gives less power: the equation would have no root there.
    limit_a = lane.discharge_limit_a
    most_v = 0.45 * _ocv(curve, charge_floor)
    if limit_a * resistance > most_v:
        limit_a = most_v / resistance
    high_soc = 2.0
    if lane.charge_max_v > 0.0 and absorb_v > lane.charge_max_v:
        # Chargers set higher than the electronics allow: they end charging where the cells reach their limit.
        reached_v = lane.charge_max_v - resistance * _most(current, 0.0)
        if _charge_v(curve, lane.target_soc) > reached_v:
            high_soc = _soc_at(curve[:, CHARGE_V], reached_v, 0.0, lane.target_soc)
    # numba takes so many names only without a condition among them.
    lock_c = lane.charge_resume_c if was_cold else lane.charge_min_c
    cut = coldest_c < lane.discharge_min_c or hottest_c > lane.discharge_max_c
    return Hour(
        load_wh=demand[LEVELS - 1],
        essential_wh=demand[0],
        electronics_w=lane.standby_w * awake,
        other_w=other_w,
        shore_w=shore_w,
        drive_w=drive_w,
        sun_w=sun_w,
        offered_w=scale * sun[2],
        fixed_w=fixed_w,
        generator_a=generator_a,
        volts=volts,
        current=current,
        absorb_v=absorb_v,
        resistance=resistance,
        stiffness=stiffness,
        rate_c=rate_c,
        end_c=end_c,
        heater_w=heater_w,
        cold=coldest_c < lock_c,
        hot=hottest_c > lane.charge_max_c,
        cut=cut,
        charge_floor=charge_floor,
        back_soc=back_soc,
        charge_limit=charge_limit,
        discharge_limit=limit_a / lane.capacity_ah,
        limit_a=limit_a,
        high_soc=high_soc,
    )


@_woven
def _book_charge(lane, curve, book, per_ah, stored_v, end, energy, rise, moved, time):
    """Book where the energy of a charge goes.

    Returns the energy and the voltage at the terminals, the integral of the open-circuit voltage at the new soc, and what became
    heat.
    """
    capacity = lane.capacity_ah
    charged_wh = energy * capacity
    terminal_v = energy / moved if moved > 0.0 else 0.0
    now_v = _energy(curve, end)
    stored_wh = capacity * (now_v - stored_v)
    ohmic_wh = per_ah * moved * moved / time * capacity if time > 0.0 else 0.0
    rise_wh = rise * capacity
    book[LOSS_OHMIC_WH] += ohmic_wh
    book[LOSS_CHARGING_WH] += rise_wh - stored_wh
    book[RESIDUAL_WH] += abs(charged_wh - rise_wh - ohmic_wh)
    book[CHARGED_AH] += moved * capacity
    return charged_wh, terminal_v, now_v, charged_wh - stored_wh


@_woven
def _book_draw(lane, curve, book, per_ah, stored_v, soc, end, energy, time):
    """Book where the energy of a draw goes; returns the same as :func:`_book_charge`."""
    capacity = lane.capacity_ah
    discharged_wh = energy * capacity
    moved = soc - end
    terminal_v = energy / moved if moved > 0.0 else 0.0
    now_v = _energy(curve, end)
    stored_wh = capacity * (now_v - stored_v)
    ohmic_wh = per_ah * moved * moved / time * capacity if time > 0.0 else 0.0
    book[LOSS_OHMIC_WH] += ohmic_wh
    book[RESIDUAL_WH] += abs(discharged_wh + stored_wh + ohmic_wh)
    book[DISCHARGED_AH] += moved * capacity
    return discharged_wh, terminal_v, now_v, ohmic_wh


@_woven
def _gauge(lane, steady, now, curve, load, column, demand, through, level, soc, well, sources_w, was_off, begins):
    """The voltage under the load of this part of the hour: whether the inverter is off, and where the electronics would let go.

    Fills ``through`` with what goes with the inverter [W]: nothing while it is on.
    """
    for each in range(LEVELS):
        through[each] = lane.load_scale * load[each, column + 1]
    rest_v = _ocv(curve, _least(well / lane.well_c, 1.0) if steady.two_wells else soc)
    draw_w = demand[level] + now.electronics_w + now.heater_w - sources_w
    ac_off = _inverter_lets_go(
        lane, curve, soc, rest_v, draw_w, through[level], now.resistance, now.limit_a, now.current, was_off, begins
    )
    if not ac_off:
        _clear(through)
    floor = now.charge_floor
    if lane.cutoff_v > 0.0:
        supply_w = draw_w - through[level]
        floor = _volt_floor(curve, soc, rest_v, supply_w, now.resistance, now.limit_a, lane.cutoff_v, floor, steady.two_wells)
    return ac_off, floor


@_woven
def _book_part(
    now,
    book,
    demand,
    through,
    level,
    served_w,
    standby_w,
    heating_w,
    generator_w,
    charged_wh,
    discharged_wh,
    missed_field,
    spill_field,
    by_volts,
    first,
    time,
):
    """Book one segment: who gave, what was spilled, whose load is missed. Returns the hours in which the bus was down."""
    need_wh = (served_w + standby_w + heating_w) * time + charged_wh
    from_sources_wh = need_wh - discharged_wh
    sun_wh = _least(now.sun_w * time, _most(from_sources_wh, 0.0))
    rest_wh = from_sources_wh - sun_wh
    if now.fixed_w + generator_w > now.sun_w:
        rest_wh = _book_chargers(book, rest_wh, now.other_w, now.drive_w, now.shore_w, generator_w, time, spill_field)
    book[RESIDUAL_WH] += abs(rest_wh)
    book[SUN_USED_WH] += sun_wh
    book[spill_field] += now.sun_w * time - sun_wh
    book[STANDBY_WH] += standby_w * time
    book[HEATER_WH] += heating_w * time
    book[CHARGED_WH] += charged_wh
    book[DISCHARGED_WH] += discharged_wh
    book[SEGMENTS] += 1.0
    in_dark = False
    down_h = 0.0
    if missed_field >= 0 or level < LEVELS - 1 or through[LEVELS - 1] > 0.0:
        in_dark, down = _book_missed(book, demand, through, level, served_w, missed_field, by_volts, time)
        if down:
            down_h = time
    if time > 0.0:
        if first:
            book[DARK_AT_START] = in_dark
        book[DARK_AT_END] = in_dark
    return down_h


@_woven
def _keep_hour(book, essential_wh, totals, day):
    """Add an hour to the sums of the lane and of its day."""
    for field in range(HOUR_FIELDS):
        totals[field] += book[field]
    day[DAY_LOAD_WH] += book[LOAD_WH]
    day[DAY_MISSED_WH] += book[ESSENTIAL_DARK_WH]
    day[DAY_DARK_H] += book[DARK_H]
    day[DAY_LOWEST_SOC] = _least(day[DAY_LOWEST_SOC], book[SOC_LOWEST])
    day[DAY_SUN_OFFERED_WH] += book[SUN_OFFERED_WH]
    day[DAY_SUN_USED_WH] += book[SUN_USED_WH]
    day[DAY_FULL_H] += book[FULL_H]
    day[DAY_ESSENTIAL_WH] += essential_wh


@_compile
def run_block(lanes, histories, curves, capacities, first, last, state, totals, days, watch, hours_out, status, scratch):
    """Walk lanes ``first`` to ``last`` through all hours; fills the arrays behind ``histories`` in the argument list.

    Shapes: ``curves`` (rows, NODES + 1, 7); ``capacities`` (rows, CAPACITY_NODES); ``state`` (lanes, STATE_SIZE), in and out;
    ``totals`` (lanes, HOUR_FIELDS); ``days`` (lanes, days, DAY_FIELDS); ``watch`` (lanes,) place in ``hours_out``
    (watched, hours, HOUR_FIELDS) or -1; ``status`` (lanes,): 0, or 1 + the hour in which the events would not end;
    ``scratch`` (SCRATCH,): of this call alone.
    """
    hours = histories.bay_c.shape[1]
    book = scratch[:HOUR_FIELDS]
    demand = scratch[HOUR_FIELDS : HOUR_FIELDS + LEVELS]
    through = scratch[HOUR_FIELDS + LEVELS : SCRATCH]
    for place in range(first, last):
        lane = lanes[place]
        curve = curves[lane.curve_row]
        capacity_curve = capacities[lane.curve_row]
        sun_row = histories.sun_w[lane.sun_row]
        bay_row = histories.bay_c[lane.bay_row]
        load_row = histories.load_w[lane.load_row]
        peak_row = histories.peak_h[lane.load_row]
        source_row = histories.source_a[lane.source_row]
        steady = _steady(lane)
        two_wells, minds_v, hysteresis = steady.two_wells, steady.minds_v, steady.hysteresis
        capacity = lane.capacity_ah
        target = lane.target_soc
        step_h = lane.step_h
        most_events = MAX_EVENTS + int(1.0 / step_h)
        own = state[place]
        soc = own[SOC]
        well = own[WELL]
        cell_c = own[CELL_C]
        own_heat_w = own[OWN_HEAT_W]
        dark = own[DARK] > 0.0
        back_soc = own[BACK_SOC]
        cold = own[COLD] > 0.0
        running = own[GENERATOR] > 0.0
        run_h = own[GENERATOR_RUN_H]
        shed = int(own[SHED])
        by_floor = own[BY_FLOOR] > 0.0
        ac_off = own[AC_OFF] > 0.0
        chill = own[CHILL]
        stored_v = _energy(curve, soc)
        _clear(through)
        for hour in range(hours):
            _clear(book)
            peak_h = peak_row[hour]
            load = load_row[hour]
            _mean_load(lane.load_scale, load, peak_h, demand)
            now = _begin_hour(
                lane,
                steady,
                curve,
                capacity_curve,
                sun_row[hour],
                bay_row[hour],
                source_row[hour],
                demand,
                LEVELS - 1 - shed,
                soc,
                cell_c,
                own_heat_w,
                chill,
                back_soc,
                dark,
                by_floor,
                cold,
                running,
            )
            was_cold = cold
            cold = now.cold
            back_soc = now.back_soc
            charge_floor = now.charge_floor
            allowed = now.generator_a > 0.0
            running = running and allowed
            generating_w = now.generator_a * now.volts
            per_ah = now.resistance * capacity
            # What only charging asks for is worked out when it first does.
            taper = -1.0
            gas = 1.0
            # ---- the hour in segments ----
            remaining = 1.0
            part_h = 0.0
            column = REST_W
            gauge = False
            ac_was_off = ac_off
            floor = charge_floor
            exhausted = False
            # Not False: the compiler would make the charging code twice, once for the constant.
            accepting = bool(0)
            # What has been switched off within the hour is not switched on again before the next one.
            cut_now = False
            stopped_now = False
            shed_now = False
            lowest = soc
            lowest_v = math.inf
            down_h = 0.0
            events = 0
            lost_wh = 0.0
            while remaining > TINY_H:
                events += 1
                if events > most_events:
                    status[place] = hour + 1
                    break
                if part_h <= TINY_H:
                    # ---- a part of the hour begins: the peak, or the rest ----
                    column = REST_W
                    part_h = remaining
                    if peak_h > 0.0:
                        if remaining == 1.0:
                            column = PEAK_W
                            part_h = _least(peak_h, 1.0)
                        for level in range(LEVELS):
                            demand[level] = lane.load_scale * load[level, column]
                    gauge = minds_v
                while shed > 0 and not shed_now and soc >= lane.restore_soc[LEVELS - shed]:
                    shed -= 1
                    gauge = minds_v
                while shed < LEVELS - 1 and soc <= lane.shed_soc[LEVELS - 1 - shed] + TINY_SOC:
                    shed += 1
                    shed_now = True
                    gauge = minds_v
                level = LEVELS - 1 - shed
                if gauge:
                    # ---- voltage under the load of this part; once more when load is switched, or the generator ----
                    gauge = False
                    begins = remaining == 1.0
                    ac_off, floor = _gauge(
                        lane,
                        steady,
                        now,
                        curve,
                        load,
                        column,
                        demand,
                        through,
                        level,
                        soc,
                        well,
                        now.fixed_w + (generating_w if running else 0.0),
                        ac_was_off if begins else ac_off,
                        begins,
                    )
                if dark and not cut_now and soc >= back_soc - TINY_SOC and soc > floor + TINY_SOC:
                    dark = False
                enough = soc >= lane.generator_stop_soc - TINY_SOC and run_h >= lane.generator_min_h - TINY_H
                # A bank that gives nothing wants the generator too: in the cold it may be empty above the starting charge.
                wants = dark or exhausted or soc <= _most(lane.generator_start_soc, floor) + TINY_SOC
                # So does essential AC load that the inverter has let go.
                wants = wants or (through[0] > 0.0 and soc < lane.generator_stop_soc - TINY_SOC)
                if running and enough and not dark:
                    running = False
                    stopped_now = True
                    if minds_v:
                        gauge = True
                        continue
                elif allowed and not running and not stopped_now and wants:
                    running = True
                    run_h = 0.0
                    if minds_v:
                        gauge = True
                        continue
                empty = exhausted or soc <= floor + TINY_SOC
                generator_w = generating_w if running else 0.0
                sources_w = now.fixed_w + generator_w
                # A dark bank gives nothing; only a charger with a supply of its own (hookup, generator) still holds the bus up.
                held = dark or now.cut
                unserved = held and now.shore_w + generator_w <= 0.0
                wanted_w = 0.0 if unserved else demand[level] - through[level]
                standby_w = 0.0 if held or empty else now.electronics_w
                heating_w = _least(now.heater_w, sources_w) if held or empty else now.heater_w
                net_w = sources_w - wanted_w - standby_w - heating_w
                if abs(net_w) < TINY_W:
                    net_w = 0.0
                if net_w < 0.0 and empty and not held and hysteresis > 0.0:
                    dark = True
                    cut_now = True
                    # Heat that was to come from the bank does not: the cells end the hour colder than planned.
                    cold = cold or (now.heater_w > sources_w and _least(cell_c, now.end_c) < lane.charge_min_c)
                    by_floor = soc <= charge_floor + TINY_SOC
                    if by_floor:
                        back_soc = _least(charge_floor + hysteresis, target)
                    elif exhausted:
                        back_soc = _least(soc + hysteresis, target)
                    else:
                        # The electronics let go on voltage and try again in the next hour.
                        back_soc = 0.0
                    continue
                time = _least(part_h, step_h)
                end = soc
                charged_wh = 0.0
                discharged_wh = 0.0
                served_w = wanted_w
                missed_field = -1
                spill_field = SPILLED_LIMIT_WH
                now_v = stored_v
                terminal_v = 0.0
                next_well = -1.0
                if unserved:
                    missed_field = MISSED_DARK_WH
                if running and run_h < lane.generator_min_h:
                    time = _least(time, lane.generator_min_h - run_h)
                if net_w > 0.0:
                    if soc >= target - TINY_SOC:
                        spill_field = SPILLED_FULL_WH
                    elif cold:
                        spill_field = REFUSED_COLD_WH
                    elif now.hot:
                        spill_field = REFUSED_HOT_WH
                    elif soc >= now.high_soc - TINY_SOC:
                        spill_field = REFUSED_HIGH_WH
                    else:
                        if taper < 0.0:
                            taper, gas = _charging_terms(lane, now.absorb_v - lane.absorb_v, now.rate_c, now.stiffness)
                        upper = _least(target, now.high_soc)
                        if dark and not cut_now and back_soc > soc:
                            upper = _least(upper, back_soc)
                        if running and lane.generator_stop_soc > soc + TINY_SOC:
                            upper = _least(upper, lane.generator_stop_soc)
                        if shed > 0 and not shed_now:
                            upper = _least(upper, lane.restore_soc[level + 1])
                        time, end, energy, rise, moved, regime, accepting = _charge_segment(
                            curve,
                            soc,
                            upper,
                            net_w / capacity,
                            now.charge_limit,
                            per_ah,
                            taper,
                            lane.taper_soc,
                            accepting,
                            gas,
                            time,
                        )
                        charged_wh, terminal_v, now_v, heat_wh = _book_charge(
                            lane, curve, book, per_ah, stored_v, end, energy, rise, moved, time
                        )
                        if regime == ACCEPTANCE_LIMITED:
                            spill_field = SPILLED_ACCEPTANCE_WH
                        lost_wh += heat_wh
                elif net_w < 0.0:
                    if empty or held:
                        # The bank gives nothing; the sources serve what they can.
                        served_w = _most(sources_w - heating_w, 0.0)
                        missed_field = MISSED_DARK_WH
                    else:
                        lower = floor
                        if allowed and not running and not stopped_now and lane.generator_start_soc < soc:
                            lower = _most(lower, lane.generator_start_soc)
                        if level > 0 and lane.shed_soc[level] < soc:
                            lower = _most(lower, lane.shed_soc[level])
                        time, end, energy, regime = _discharge_segment(
                            curve, soc, stored_v, lower, -net_w / capacity, now.discharge_limit, per_ah, time
                        )
                        if two_wells and time > 0.0:
                            next_well = _well_then(lane, steady, soc, well, end, time)
                            if next_well < 0.0:
                                # The well that can be drawn from runs empty on the way: once more, up to there.
                                exhausted = True
                                time = _well_empty_time(soc, well, (end - soc) / time, lane.well_c, lane.well_k_per_h, time)
                                time, end, energy, regime = _discharge_segment(
                                    curve, soc, stored_v, lower, -net_w / capacity, now.discharge_limit, per_ah, time
                                )
                        discharged_wh, terminal_v, now_v, heat_wh = _book_draw(
                            lane, curve, book, per_ah, stored_v, soc, end, energy, time
                        )
                        lost_wh += heat_wh
                        if regime == CURRENT_LIMITED and time > 0.0:
                            # Electronics, then the heater as planned, then the load; short of that the heater takes what is left.
                            delivered_w = sources_w + discharged_wh / time
                            standby_w = _least(standby_w, delivered_w)
                            served_w = _most(_least(delivered_w - standby_w - heating_w, wanted_w), 0.0)
                            heating_w = _most(_least(heating_w, delivered_w - standby_w - served_w), 0.0)
                            missed_field = MISSED_LIMIT_WH
                if not two_wells:
                    well = end
                elif time > 0.0:
                    if next_well < 0.0:
                        next_well = _well_then(lane, steady, soc, well, end, time)
                    well = _least(_least(_most(_most(next_well, 0.0), end - (1.0 - lane.well_c)), lane.well_c), end)
                if terminal_v == 0.0:
                    terminal_v = _ocv(curve, soc)
                if dark:
                    # Only the electronics that let go on voltage try again at any charge.
                    by_volts = not by_floor and back_soc == 0.0
                else:
                    by_volts = floor > charge_floor and soc > charge_floor + TINY_SOC and not exhausted and not now.cut
                down_h += _book_part(
                    now,
                    book,
                    demand,
                    through,
                    level,
                    served_w,
                    standby_w,
                    heating_w,
                    generator_w,
                    charged_wh,
                    discharged_wh,
                    missed_field,
                    spill_field,
                    by_volts,
                    remaining == 1.0,
                    time,
                )
                book[BUS_V] += terminal_v * time
                if time > 0.0:
                    lowest_v = _least(lowest_v, terminal_v)
                if running:
                    book[GENERATOR_H] += time
                    run_h += time
                soc = end
                stored_v = now_v
                lowest = _least(lowest, soc)
                remaining -= time
                part_h -= time
            if status[place] > 0:
                break
            # ---- end of the hour: temperature, self-discharge, sums ----
            start_c = cell_c
            cell_c = now.end_c + book[HEATER_WH] * steady.warming
            # Heat that was planned may not have come: the lock opens for warmth that is there.
            cold = cold or (was_cold and _least(start_c, cell_c) < lane.charge_resume_c)
            own_heat_w = lost_wh
            if lane.cabin_tau_h > 0.0:
                chill += (down_h - chill) * (steady.chilling if down_h > chill else steady.rewarming)
            kept = 1.0 - lane.self_discharge_per_h * math.exp(0.06931471805599453 * (now.rate_c - 25.0))
            soc *= kept
            now_v = _energy(curve, soc)
            book[LOSS_SELF_WH] = capacity * (stored_v - now_v)
            stored_v = now_v
            well *= kept
            lowest = _least(lowest, soc)
            book[LOAD_WH] = now.load_wh
            book[SUN_OFFERED_WH] = now.offered_w
            book[SPILLED_CONTROLLER_WH] = now.offered_w - now.sun_w
            book[SOC_END] = soc
            book[SOC_LOWEST] = lowest
            book[CELL_END_C] = cell_c
            book[LOWEST_V] = lowest_v
            book[LOCKED_H] = now.cold
            book[CHILL_END] = chill
            book[FULL_H] = soc >= lane.full_soc - 1e-9
            book[RESIDUAL_H] = abs(remaining)
            _keep_hour(book, now.essential_wh, totals[place], days[place, histories.day[hour]])
            if watch[place] >= 0:
                _copy(book, hours_out[watch[place], hour])
        own[SOC] = soc
        own[WELL] = well
        own[CELL_C] = cell_c
        own[OWN_HEAT_W] = own_heat_w
        own[DARK] = dark
        own[BACK_SOC] = back_soc
        own[COLD] = cold
        own[GENERATOR] = running
        own[GENERATOR_RUN_H] = run_h
        own[SHED] = shed
        own[BY_FLOOR] = by_floor
        own[AC_OFF] = ac_off
        own[CHILL] = chill
