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
MAX_EVENTS = 20
LEVELS = 3
TINY_H = 1e-12
TINY_SOC = 1e-12

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


def _compile(function: _Compiled) -> _Compiled:
    """Compile without the GIL, cached on disk; where no cache folder can be written, go on uncached."""
    try:
        compiled: Any = njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        compiled = njit(nogil=True, error_model="numpy")(function)
    return compiled  # type: ignore[no-any-return]


@_compile
def _ocv(curve, soc):
    """Open-circuit voltage at soc [V]."""
    position = soc * NODES
    cell = min(max(int(position), 0), NODES - 1)
    return curve[cell, OCV] + (position - cell) * (curve[cell + 1, OCV] - curve[cell, OCV])


@_compile
def _charge_v(curve, soc):
    """Voltage at soc while charging, less what the resistance takes [V]."""
    position = soc * NODES
    cell = min(max(int(position), 0), NODES - 1)
    return curve[cell, CHARGE_V] + (position - cell) * (curve[cell + 1, CHARGE_V] - curve[cell, CHARGE_V])


@_compile
def _energy(curve, soc):
    """Integral of the open-circuit voltage from 0 to soc [V]; exact for a voltage that is linear inside a cell."""
    position = soc * NODES
    cell = min(max(int(position), 0), NODES - 1)
    part = position - cell
    low = curve[cell, OCV]
    return curve[cell, ENERGY] + part * (low + 0.5 * part * (curve[cell + 1, OCV] - low)) / NODES


@_compile
def _charge_terms(curve, soc, gas):
    """Ec, G and the two derivatives at soc while charging; ``gas`` scales the charge that is lost to gassing (1: as at 25 C)."""
    position = soc * NODES
    cell = min(max(int(position), 0), NODES - 1)
    part = position - cell
    inverse = 1.0 + gas * (curve[cell, INV_EFFICIENCY] - 1.0)
    low = curve[cell, CHARGE_V]
    slope = curve[cell + 1, CHARGE_V] - low
    stored = curve[cell, CHARGE_STORED]
    start = cell / NODES
    energy = stored + gas * (curve[cell, CHARGE_ENERGY] - stored) + inverse * part * (low + 0.5 * part * slope) / NODES
    passed = start + gas * (curve[cell, CHARGE_PASSED] - start) + inverse * part / NODES
    return energy, passed, inverse * (low + part * slope), inverse


@_compile
def _invert_passed(curve, soc, passed, upper, gas):
    """The soc at which G equals ``passed``: Newton on a convex, piecewise linear function, from its right."""
    _, now, _, inverse = _charge_terms(curve, soc, gas)
    guess = min(soc + (passed - now) / inverse, upper)
    for _step in range(60):
        _, here, _, inverse = _charge_terms(curve, guess, gas)
        change = (here - passed) / inverse
        guess -= change
        if abs(change) < 1e-15:
            break
    return min(max(guess, soc), upper)


@_compile
def _charging_rate(curve, soc, power, limit, resistance, gas):
    """Stored rate [1/h] at this soc under ``power`` (W per Ah) and a current limit (A per Ah)."""
    _, _, slope, inverse = _charge_terms(curve, soc, gas)
    volts = slope / inverse
    # The stable root of R I^2 + V I - P = 0; it does not cancel for a small R.
    current = 2.0 * power / (volts + math.sqrt(volts * volts + 4.0 * resistance * power))
    return min(current, limit) / inverse


@_compile
def _charge_segment(curve, soc, upper, power, limit, resistance, taper, taper_soc, accepting, gas, dt):
    """Charge for at most dt hours or up to ``upper``; all quantities per ampere-hour of capacity.

    Returns the time taken [h], the new soc, the energy that entered at the terminals, the rise of Ec, the charge that
    passed the terminals, what limited it, and whether the absorption phase begins (or goes on) at the end.
    """
    energy_0, passed_0, _, _ = _charge_terms(curve, soc, gas)
    if taper > 0.0 and (accepting or _charging_rate(curve, soc, power, limit, resistance, gas) >= taper * (taper_soc - soc)):
        # Absorption: dq/dt = g (q_inf - q), an exact exponential.
        distance = taper_soc - soc
        end = taper_soc - distance * math.exp(-taper * dt)
        time = dt
        if end >= upper:
            end = upper
            if taper_soc > upper:
                time = min(math.log(distance / (taper_soc - upper)) / taper, dt)
        energy_1, passed_1, _, _ = _charge_terms(curve, end, gas)
        moved = passed_1 - passed_0
        if time <= 0.0:
            return 0.0, end, 0.0, 0.0, 0.0, ACCEPTANCE_LIMITED, True
        rise = energy_1 - energy_0
        energy = rise + resistance * moved * moved / time
        if energy <= power * time and moved <= limit * time * (1.0 + 1e-12):
            return time, end, energy, rise, moved, ACCEPTANCE_LIMITED, True
    # Power-limited: thresholds first, they bracket the root.
    energy_1, passed_1, _, _ = _charge_terms(curve, upper, gas)
    rise = energy_1 - energy_0
    moved = passed_1 - passed_0
    if power * dt >= rise + resistance * moved * moved / dt:
        end = upper
        time = min(dt, (rise + math.sqrt(rise * rise + 4.0 * power * resistance * moved * moved)) / (2.0 * power))
    else:
        time = dt
        low, high = soc, upper
        _, _, slope, _ = _charge_terms(curve, soc, gas)
        end = min(soc + power * dt / slope, upper)
        for _step in range(60):
            energy_1, passed_1, slope, inverse = _charge_terms(curve, end, gas)
            moved = passed_1 - passed_0
            excess = energy_1 - energy_0 + resistance * moved * moved / dt - power * dt
            if excess > 0.0:
                high = end
            else:
                low = end
            change = excess / (slope + 2.0 * resistance * moved * inverse / dt)
            candidate = end - change
            if not (low <= candidate <= high):
                candidate = 0.5 * (low + high)
            change = candidate - end
            end = candidate
            if abs(change) < 1e-15:
                break
    energy_1, passed_1, _, _ = _charge_terms(curve, end, gas)
    moved = passed_1 - passed_0
    energy = power * time
    regime = POWER_LIMITED
    if moved > limit * time:
        regime = CURRENT_LIMITED
        energy_1, passed_1, _, _ = _charge_terms(curve, upper, gas)
        time = (passed_1 - passed_0) / limit if limit > 0.0 else math.inf
        if time <= dt:
            end = upper
        else:
            time = dt
            end = _invert_passed(curve, soc, passed_0 + limit * dt, upper, gas)
        energy_1, passed_1, _, _ = _charge_terms(curve, end, gas)
        moved = passed_1 - passed_0
        energy = energy_1 - energy_0 + resistance * moved * moved / time if time > 0.0 else 0.0
    if (
        taper > 0.0
        and not accepting
        and _charging_rate(curve, end, power, limit, resistance, gas) > taper * (taper_soc - end) * (1.0 + 1e-12)
    ):
        # The absorption phase begins inside: bisect for its onset, which then is the threshold of a shorter segment.
        low, high = soc, end
        for _step in range(60):
            middle = 0.5 * (low + high)
            if _charging_rate(curve, middle, power, limit, resistance, gas) > taper * (taper_soc - middle):
                high = middle
            else:
                low = middle
            if high - low < 1e-13:
                break
        onset = high
        if onset < end:
            energy_1, passed_1, _, _ = _charge_terms(curve, onset, gas)
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
            return min(time, dt), onset, energy, rise, moved, regime, True
    return time, end, energy, energy_1 - energy_0, moved, regime, False


@_compile
def _discharge_segment(curve, soc, lower, power, limit, resistance, dt):
    """Discharge at ``power`` (positive, W per Ah) for at most dt hours or down to ``lower``; per ampere-hour of capacity.

    Returns the time taken [h], the new soc, the energy delivered at the terminals and what limited it.
    """
    energy_0 = _energy(curve, soc)
    at_limit = soc - limit * dt
    bound = max(lower, at_limit)
    drop = energy_0 - _energy(curve, bound)
    moved = soc - bound
    if drop - resistance * moved * moved / dt >= power * dt:
        low, high = bound, soc
        end = max(soc - power * dt / _ocv(curve, soc), bound)
        for _step in range(60):
            moved = soc - end
            excess = energy_0 - _energy(curve, end) - resistance * moved * moved / dt - power * dt
            if excess > 0.0:
                low = end
            else:
                high = end
            slope = _ocv(curve, end) - 2.0 * resistance * moved / dt
            candidate = end + excess / slope
            if not (low <= candidate <= high):
                candidate = 0.5 * (low + high)
            change = candidate - end
            end = candidate
            if abs(change) < 1e-15:
                break
        return dt, end, power * dt, POWER_LIMITED
    if bound > lower:
        return dt, bound, drop - resistance * moved * moved / dt, CURRENT_LIMITED
    # The threshold comes first; the larger root is the one with the smaller current.
    root = drop * drop - 4.0 * power * resistance * moved * moved
    if root >= 0.0:
        time = (drop + math.sqrt(root)) / (2.0 * power)
        if moved <= limit * time * (1.0 + 1e-12):
            return min(time, dt), lower, power * min(time, dt), POWER_LIMITED
    time = min(moved / limit, dt) if limit > 0.0 else dt
    energy = drop - resistance * moved * moved / time if time > 0.0 else 0.0
    return time, lower, energy, CURRENT_LIMITED


@_compile
def _well_after(soc, well, rate, c, k, dt):
    """Available well after dt hours at a constant stored rate [1/h] (Manwell & McGowan 1993, charging positive)."""
    decay = math.exp(-k * dt)
    return well * decay + (soc * k * c + rate) * (1.0 - decay) / k + rate * c * (k * dt - 1.0 + decay) / k


@_compile
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


@_compile
def _capacity_frac(capacity, cell_c):
    """Share of the rated charge that can be drawn at this cell temperature, linear between nodes."""
    position = (cell_c - CAPACITY_COLD_C) / CAPACITY_STEP_C
    node = min(max(int(position), 0), CAPACITY_NODES - 2)
    part = min(max(position - node, 0.0), 1.0)
    return capacity[node] + part * (capacity[node + 1] - capacity[node])


@_compile
def _loaded_v(rest_v, power, resistance, limit_a):
    """Bus voltage while ``power`` is drawn from a bank that rests at ``rest_v`` and gives no more than ``limit_a``."""
    root = rest_v * rest_v - 4.0 * resistance * power
    return max(0.5 * (rest_v + math.sqrt(max(root, 0.0))), rest_v - resistance * limit_a)


@_compile
def _soc_at(curve, column, volts, low, high):
    """The charge in [low, high] at which a rising voltage column reaches ``volts``."""
    for _step in range(40):
        middle = 0.5 * (low + high)
        position = middle * NODES
        cell = min(max(int(position), 0), NODES - 1)
        here = curve[cell, column] + (position - cell) * (curve[cell + 1, column] - curve[cell, column])
        if here < volts:
            low = middle
        else:
            high = middle
        if high - low < 1e-9:
            break
    return high


@_compile
def run_block(lanes, histories, curves, capacities, first, last, state, totals, days, watch, hours_out, status):
    """Walk lanes ``first`` to ``last`` through all hours; fills the arrays behind ``histories`` in the argument list.

    Shapes: ``curves`` (rows, NODES + 1, 7); ``capacities`` (rows, CAPACITY_NODES); ``state`` (lanes, STATE_SIZE), in and out;
    ``totals`` (lanes, HOUR_FIELDS); ``days`` (lanes, days, DAY_FIELDS); ``watch`` (lanes,) place in ``hours_out``
    (watched, hours, HOUR_FIELDS) or -1; ``status`` (lanes,): 0, or 1 + the hour in which the events would not end.
    """
    hours = histories.bay_c.shape[1]
    book = np.zeros(HOUR_FIELDS)
    demand = np.zeros(LEVELS)
    through = np.zeros(LEVELS)
    for lane in range(first, last):
        curve = curves[lanes.curve_row[lane]]
        capacity_curve = capacities[lanes.curve_row[lane]]
        sun_row = lanes.sun_row[lane]
        bay_row = lanes.bay_row[lane]
        load_row = lanes.load_row[lane]
        source_row = lanes.source_row[lane]
        capacity = lanes.capacity_ah[lane]
        target = lanes.target_soc[lane]
        low_v = lanes.sun_low_v[lane]
        high_v = lanes.sun_high_v[lane]
        conductance = lanes.loss_w_per_c[lane]
        cooling = math.exp(-conductance / lanes.heat_capacity_wh_per_c[lane])
        hysteresis = lanes.reconnect_soc[lane] - lanes.floor_soc[lane]
        well_c = lanes.well_c[lane]
        well_k = lanes.well_k_per_h[lane]
        two_wells = well_c < 1.0
        cutoff_v = lanes.cutoff_v[lane]
        charge_max_v = lanes.charge_max_v[lane]
        inverter_off_v = lanes.inverter_off_v[lane]
        minds_v = inverter_off_v > 0.0 or cutoff_v > 0.0
        step_h = lanes.step_h[lane]
        most_events = MAX_EVENTS + int(1.0 / step_h)
        gassing = lanes.gassing_per_c[lane] != 0.0
        tau_h = lanes.cabin_tau_h[lane]
        # A burner sized for twice the cabin's loss warms it in half the time it takes to cool (common practice, no source).
        chilling = 1.0 - math.exp(-1.0 / tau_h) if tau_h > 0.0 else 0.0
        rewarming = 1.0 - math.exp(-2.0 / tau_h) if tau_h > 0.0 else 0.0
        own = state[lane]
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
        for level in range(LEVELS):
            through[level] = 0.0
        for hour in range(hours):
            for field in range(HOUR_FIELDS):
                book[field] = 0.0
            # ---- decided once an hour: loads, temperature, lockouts, limits, voltage ----
            load_scale = lanes.load_scale[lane]
            peak_h = histories.peak_h[load_row, hour]
            rest_h = 1.0 - peak_h
            for level in range(LEVELS):
                demand[level] = load_scale * histories.load_w[load_row, hour, level, REST_W]
                if peak_h > 0.0:
                    demand[level] = rest_h * demand[level] + peak_h * load_scale * histories.load_w[load_row, hour, level, PEAK_W]
            load_wh = demand[LEVELS - 1]
            essential_wh = demand[0]
            bay_c = histories.bay_c[bay_row, hour, 0]
            if tau_h > 0.0:
                bay_c -= chill * (bay_c - histories.bay_c[bay_row, hour, 1])
            shore_a = histories.source_a[source_row, hour, SHORE_A]
            drive_a = histories.source_a[source_row, hour, DRIVE_A]
            other_w = histories.source_a[source_row, hour, OTHER_W]
            awake = histories.source_a[source_row, hour, AWAKE]
            electronics_w = lanes.standby_w[lane] * awake
            generator_a = lanes.generator_a[lane] * histories.source_a[source_row, hour, GENERATOR_SHARE]
            allowed = generator_a > 0.0
            if running and not allowed:
                running = False
            rate_c = min(max(cell_c, -30.0), 60.0)
            stiffness = math.exp(lanes.resistance_per_c[lane] * (25.0 - rate_c))
            resistance = lanes.resistance_ohm[lane] * stiffness
            absorb_v = min(lanes.absorb_v[lane] + lanes.absorb_v_per_c[lane] * (rate_c - 25.0), lanes.absorb_cap_v[lane])
            warmer_v = absorb_v - lanes.absorb_v[lane]
            # The current that falls at absorption voltage is driven by the voltage above rest, held back by a stiff, cold bank.
            taper = lanes.taper_per_h[lane] * max(1.0 + warmer_v / lanes.overvoltage_v[lane], 0.05) / stiffness
            gas = 1.0
            if gassing:
                gas = math.exp(lanes.gassing_per_v[lane] * warmer_v + lanes.gassing_per_c[lane] * (rate_c - 25.0))
                gas = min(gas, 4.0)
            volts = _ocv(curve, soc)
            scale = lanes.sun_scale[lane]
            charger_a = shore_a + drive_a + (generator_a if running else 0.0)
            current = (histories.sun_w[sun_row, hour, 0] * scale + other_w - load_wh) / volts + charger_a
            current = min(max(current, -lanes.discharge_limit_a[lane]), lanes.charge_limit_a[lane])
            if current > 0.0:
                volts = _charge_v(curve, soc)
            volts = min(max(volts + resistance * current, low_v), absorb_v)
            part = min(max((volts - low_v) / (high_v - low_v), 0.0), 1.0)
            sun_low_w = histories.sun_w[sun_row, hour, 0]
            sun_w = scale * (sun_low_w + part * (histories.sun_w[sun_row, hour, 1] - sun_low_w))
            offered_w = scale * histories.sun_w[sun_row, hour, 2]
            shore_w = shore_a * volts
            drive_w = drive_a * volts
            fixed_w = sun_w + other_w + shore_w + drive_w
            settle_c = bay_c + own_heat_w / conductance
            end_c = settle_c + (cell_c - settle_c) * cooling
            charge_floor = 1.0 - _capacity_frac(capacity_curve, cell_c) * (1.0 - lanes.floor_soc[lane])
            if dark and by_floor:
                # What cold cells hold back comes with warmth: the way back follows the floor.
                back_soc = min(charge_floor + hysteresis, target)
            heater_w = 0.0
            if lanes.heater_w[lane] > 0.0 and min(cell_c, end_c) < lanes.heater_on_c[lane]:
                wanted = (lanes.heater_off_c[lane] - end_c) * conductance / (1.0 - cooling)
                heater_w = min(wanted, lanes.heater_w[lane])
                if lanes.heater_from_bank[lane] == 0.0 or awake == 0.0 or dark or soc <= charge_floor + TINY_SOC:
                    # A dark bus feeds nothing else, but for a hookup or a generator that holds it up for the load.
                    taken = 0.0 if dark and shore_a <= 0.0 and not running else demand[LEVELS - 1 - shed]
                    spare_w = fixed_w + (generator_a * volts if running else 0.0) - taken
                    heater_w = min(heater_w, max(spare_w, 0.0))
                heater_w = max(heater_w, 0.0)
            warmed_c = end_c + heater_w * (1.0 - cooling) / conductance
            coldest_c = min(cell_c, warmed_c)
            hottest_c = max(cell_c, warmed_c)
            was_cold = cold
            cold = coldest_c < (lanes.charge_resume_c[lane] if cold else lanes.charge_min_c[lane])
            locked = cold
            hot = hottest_c > lanes.charge_max_c[lane]
            cut = coldest_c < lanes.discharge_min_c[lane] or hottest_c > lanes.discharge_max_c[lane]
            charge_limit = lanes.charge_limit_a[lane] / capacity
            if coldest_c < lanes.charge_full_c[lane]:
                charge_limit = min(charge_limit, lanes.charge_cold_limit_a[lane] / capacity)
            # Beyond ocv / 2R more current gives less power: the equation would have no root there.
            discharge_limit = min(lanes.discharge_limit_a[lane], 0.45 * _ocv(curve, charge_floor) / resistance) / capacity
            per_ah = resistance * capacity
            high_soc = 2.0
            if charge_max_v > 0.0 and absorb_v > charge_max_v:
                # Chargers set higher than the electronics allow: they end charging where the cells reach their limit.
                reached_v = charge_max_v - resistance * max(current, 0.0)
                if _charge_v(curve, target) > reached_v:
                    high_soc = _soc_at(curve, CHARGE_V, reached_v, 0.0, target)
            # ---- the hour in segments ----
            remaining = 1.0
            part_h = 0.0
            column = REST_W
            gauge = False
            ac_was_off = ac_off
            floor = charge_floor
            exhausted = False
            accepting = False
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
                    status[lane] = hour + 1
                    break
                if part_h <= TINY_H:
                    # ---- a part of the hour begins: the peak, or the rest ----
                    column = REST_W
                    part_h = remaining
                    if peak_h > 0.0:
                        if remaining == 1.0:
                            column = PEAK_W
                            part_h = min(peak_h, 1.0)
                        for level in range(LEVELS):
                            demand[level] = load_scale * histories.load_w[load_row, hour, level, column]
                    gauge = minds_v
                while shed > 0 and not shed_now and soc >= lanes.restore_soc[lane, LEVELS - shed]:
                    shed -= 1
                    gauge = minds_v
                while shed < LEVELS - 1 and soc <= lanes.shed_soc[lane, LEVELS - 1 - shed] + TINY_SOC:
                    shed += 1
                    shed_now = True
                    gauge = minds_v
                level = LEVELS - 1 - shed
                if gauge:
                    # ---- voltage under the load of this part; once more when load is switched, or the generator ----
                    gauge = False
                    for each in range(LEVELS):
                        through[each] = load_scale * histories.load_w[load_row, hour, each, column + 1]
                    limit_a = discharge_limit * capacity
                    rest_v = _ocv(curve, min(well / well_c, 1.0) if two_wells else soc)
                    draw_w = demand[level] + electronics_w + heater_w - fixed_w - (generator_a * volts if running else 0.0)
                    if remaining == 1.0:
                        ac_off = ac_was_off
                    if ac_off and remaining == 1.0:
                        without_w = draw_w - through[level]
                        if without_w > 0.0:
                            bus_v = _loaded_v(rest_v, without_w, resistance, limit_a)
                        else:
                            bus_v = max(_charge_v(curve, soc), rest_v) + resistance * min(-without_w / rest_v, max(current, 0.0))
                        ac_off = bus_v < lanes.inverter_on_v[lane] or (
                            draw_w > 0.0 and _loaded_v(rest_v, draw_w, resistance, limit_a) < inverter_off_v
                        )
                    elif inverter_off_v > 0.0 and through[level] > 0.0 and draw_w > 0.0:
                        ac_off = ac_off or _loaded_v(rest_v, draw_w, resistance, limit_a) < inverter_off_v
                    if not ac_off:
                        for each in range(LEVELS):
                            through[each] = 0.0
                    floor = charge_floor
                    if cutoff_v > 0.0:
                        amperes = min((draw_w - through[level]) / cutoff_v, limit_a)
                        if amperes > 0.0:
                            least_v = cutoff_v + resistance * amperes
                            if two_wells and rest_v < least_v:
                                # What is bound in the other well holds no voltage up.
                                floor = max(floor, soc)
                            if _ocv(curve, floor) < least_v:
                                floor = _soc_at(curve, OCV, least_v, floor, 1.0)
                if dark and not cut_now and soc >= back_soc - TINY_SOC and soc > floor + TINY_SOC:
                    dark = False
                enough = soc >= lanes.generator_stop_soc[lane] - TINY_SOC and run_h >= lanes.generator_min_h[lane] - TINY_H
                # A bank that gives nothing wants the generator too: in the cold it may be empty above the starting charge.
                wants = dark or exhausted or soc <= max(lanes.generator_start_soc[lane], floor) + TINY_SOC
                # So does essential AC load that the inverter has let go.
                wants = wants or (through[0] > 0.0 and soc < lanes.generator_stop_soc[lane] - TINY_SOC)
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
                generator_w = generator_a * volts if running else 0.0
                sources_w = fixed_w + generator_w
                # A dark bank gives nothing; only a charger with a supply of its own (hookup, generator) still holds the bus up.
                held = dark or cut
                unserved = held and shore_w + generator_w <= 0.0
                wanted_w = 0.0 if unserved else demand[level] - through[level]
                standby_w = 0.0 if held or empty else electronics_w
                heating_w = min(heater_w, sources_w) if held or empty else heater_w
                net_w = sources_w - wanted_w - standby_w - heating_w
                if net_w < 0.0 and empty and not held and hysteresis > 0.0:
                    dark = True
                    cut_now = True
                    # Heat that was to come from the bank does not: the cells end the hour colder than planned.
                    cold = cold or (heater_w > sources_w and min(cell_c, end_c) < lanes.charge_min_c[lane])
                    by_floor = soc <= charge_floor + TINY_SOC
                    if by_floor:
                        back_soc = min(charge_floor + hysteresis, target)
                    elif exhausted:
                        back_soc = min(soc + hysteresis, target)
                    else:
                        # The electronics let go on voltage and try again in the next hour.
                        back_soc = 0.0
                    continue
                time = min(part_h, step_h)
                end = soc
                charged_wh = 0.0
                discharged_wh = 0.0
                moved = 0.0
                served_w = wanted_w
                missed_field = -1
                spill_field = SPILLED_LIMIT_WH
                terminal_v = _ocv(curve, soc)
                stored_wh = 0.0
                if unserved:
                    missed_field = MISSED_DARK_WH
                if running and run_h < lanes.generator_min_h[lane]:
                    time = min(time, lanes.generator_min_h[lane] - run_h)
                if net_w > 0.0:
                    if soc >= target - TINY_SOC:
                        spill_field = SPILLED_FULL_WH
                    elif cold:
                        spill_field = REFUSED_COLD_WH
                    elif hot:
                        spill_field = REFUSED_HOT_WH
                    elif soc >= high_soc - TINY_SOC:
                        spill_field = REFUSED_HIGH_WH
                    else:
                        upper = min(target, high_soc)
                        if dark and not cut_now and back_soc > soc:
                            upper = min(upper, back_soc)
                        if running and lanes.generator_stop_soc[lane] > soc + TINY_SOC:
                            upper = min(upper, lanes.generator_stop_soc[lane])
                        if shed > 0 and not shed_now:
                            upper = min(upper, lanes.restore_soc[lane, level + 1])
                        time, end, energy, rise, moved, regime, accepting = _charge_segment(
                            curve,
                            soc,
                            upper,
                            net_w / capacity,
                            charge_limit,
                            per_ah,
                            taper,
                            lanes.taper_soc[lane],
                            accepting,
                            gas,
                            time,
                        )
                        if regime == ACCEPTANCE_LIMITED:
                            spill_field = SPILLED_ACCEPTANCE_WH
                        charged_wh = energy * capacity
                        stored_wh = capacity * (_energy(curve, end) - _energy(curve, soc))
                        ohmic_wh = per_ah * moved * moved / time * capacity if time > 0.0 else 0.0
                        rise_wh = rise * capacity
                        book[LOSS_OHMIC_WH] += ohmic_wh
                        book[LOSS_CHARGING_WH] += rise_wh - stored_wh
                        book[RESIDUAL_WH] += abs(charged_wh - rise_wh - ohmic_wh)
                        book[CHARGED_AH] += moved * capacity
                        lost_wh += charged_wh - stored_wh
                        if moved > 0.0:
                            terminal_v = energy / moved
                elif net_w < 0.0:
                    if empty or held:
                        # The bank gives nothing; the sources serve what they can.
                        served_w = max(sources_w - heating_w, 0.0)
                        missed_field = MISSED_DARK_WH
                    else:
                        lower = floor
                        if allowed and not running and not stopped_now and lanes.generator_start_soc[lane] < soc:
                            lower = max(lower, lanes.generator_start_soc[lane])
                        if level > 0 and lanes.shed_soc[lane, level] < soc:
                            lower = max(lower, lanes.shed_soc[lane, level])
                        start = soc
                        time, end, energy, regime = _discharge_segment(
                            curve, soc, lower, -net_w / capacity, discharge_limit, per_ah, time
                        )
                        if two_wells and time > 0.0:
                            rate = (end - start) / time
                            if _well_after(start, well, rate, well_c, well_k, time) < 0.0:
                                time = _well_empty_time(start, well, rate, well_c, well_k, time)
                                time, end, energy, regime = _discharge_segment(
                                    curve, soc, lower, -net_w / capacity, discharge_limit, per_ah, time
                                )
                                exhausted = True
                        discharged_wh = energy * capacity
                        moved = start - end
                        stored_wh = capacity * (_energy(curve, end) - _energy(curve, soc))
                        ohmic_wh = per_ah * moved * moved / time * capacity if time > 0.0 else 0.0
                        book[LOSS_OHMIC_WH] += ohmic_wh
                        book[RESIDUAL_WH] += abs(discharged_wh + stored_wh + ohmic_wh)
                        book[DISCHARGED_AH] += moved * capacity
                        lost_wh += ohmic_wh
                        if moved > 0.0:
                            terminal_v = energy / moved
                        if regime == CURRENT_LIMITED and time > 0.0:
                            # Electronics, then the heater as planned, then the load; short of that the heater takes what is left.
                            delivered_w = sources_w + discharged_wh / time
                            standby_w = min(standby_w, delivered_w)
                            served_w = max(min(delivered_w - standby_w - heating_w, wanted_w), 0.0)
                            heating_w = max(min(heating_w, delivered_w - standby_w - served_w), 0.0)
                            missed_field = MISSED_LIMIT_WH
                if two_wells and time > 0.0:
                    well = _well_after(soc, well, (end - soc) / time, well_c, well_k, time)
                    well = min(max(well, 0.0, end - (1.0 - well_c)), well_c, end)
                else:
                    well = end if not two_wells else well
                # ---- book the segment ----
                need_wh = (served_w + standby_w + heating_w) * time + charged_wh
                from_sources_wh = need_wh - discharged_wh
                sun_wh = min(sun_w * time, max(from_sources_wh, 0.0))
                rest_wh = from_sources_wh - sun_wh
                other_wh = min(other_w * time, max(rest_wh, 0.0))
                rest_wh -= other_wh
                drive_wh = min(drive_w * time, max(rest_wh, 0.0))
                rest_wh -= drive_wh
                shore_wh = min(shore_w * time, max(rest_wh, 0.0))
                rest_wh -= shore_wh
                generator_wh = min(generator_w * time, max(rest_wh, 0.0))
                book[RESIDUAL_WH] += abs(rest_wh - generator_wh)
                book[SUN_USED_WH] += sun_wh
                book[OTHER_WH] += other_wh
                book[DRIVE_WH] += drive_wh
                book[SHORE_WH] += shore_wh
                book[GENERATOR_WH] += generator_wh
                book[spill_field] += sun_w * time - sun_wh
                if spill_field == REFUSED_COLD_WH or spill_field == REFUSED_HOT_WH or spill_field == REFUSED_HIGH_WH:  # noqa: PLR1714, SIM109
                    book[REFUSED_CHARGER_WH] += (
                        (other_w + drive_w + shore_w + generator_w) * time - other_wh - drive_wh - shore_wh - generator_wh
                    )
                book[STANDBY_WH] += standby_w * time
                book[HEATER_WH] += heating_w * time
                book[CHARGED_WH] += charged_wh
                book[DISCHARGED_WH] += discharged_wh
                book[MISSED_SHED_WH] += (demand[LEVELS - 1] - demand[level]) * time
                # What the inverter took with it is missed in the dark, whatever else is served.
                without_ac_w = through[level]
                if missed_field >= 0:
                    book[missed_field] += (demand[level] - without_ac_w - served_w) * time
                book[MISSED_DARK_WH] += without_ac_w * time
                # An idle draw counts at levels that feed nothing through the inverter, yet goes with it: hold to what is left.
                direct_w = min(demand[0] - through[0], demand[level] - without_ac_w)
                essential_w = through[0] + max(direct_w - served_w, 0.0)
                comfort_direct_w = max(min(demand[1] - through[1], demand[level] - without_ac_w) - direct_w, 0.0)
                comfort_w = 0.0
                if level > 0:
                    comfort_w = through[1] - through[0] + comfort_direct_w
                    comfort_w -= min(max(served_w - direct_w, 0.0), comfort_direct_w)
                else:
                    comfort_w = demand[1] - demand[0]
                book[MISSED_ESSENTIAL_WH] += essential_w * time
                book[MISSED_COMFORT_WH] += comfort_w * time
                book[MISSED_LUXURY_WH] += max(demand[LEVELS - 1] - served_w - essential_w - comfort_w, 0.0) * time
                dark_w = essential_w if missed_field == MISSED_DARK_WH else through[0]
                in_dark = dark_w > 0.0
                if in_dark:
                    book[ESSENTIAL_DARK_WH] += dark_w * time
                    book[DARK_H] += time
                if missed_field == MISSED_DARK_WH:
                    if direct_w > served_w:
                        down_h += time
                    if dark:
                        # Only the electronics that let go on voltage try again at any charge.
                        by_volts = not by_floor and back_soc == 0.0
                    else:
                        by_volts = floor > charge_floor and soc > charge_floor + TINY_SOC and not exhausted and not cut
                    if by_volts:
                        book[LOW_V_H] += time
                elif without_ac_w > 0.0:
                    book[INVERTER_OFF_H] += time
                if time > 0.0:
                    if remaining == 1.0:
                        book[DARK_AT_START] = 1.0 if in_dark else 0.0
                    book[DARK_AT_END] = 1.0 if in_dark else 0.0
                    lowest_v = min(lowest_v, terminal_v)
                book[BUS_V] += terminal_v * time
                if running:
                    book[GENERATOR_H] += time
                    run_h += time
                book[SEGMENTS] += 1.0
                soc = end
                lowest = min(lowest, soc)
                remaining -= time
                part_h -= time
            if status[lane] > 0:
                break
            # ---- end of the hour: temperature, self-discharge, sums ----
            start_c = cell_c
            cell_c = end_c + book[HEATER_WH] * (1.0 - cooling) / conductance
            # Heat that was planned may not have come: the lock opens for warmth that is there.
            cold = cold or (was_cold and min(start_c, cell_c) < lanes.charge_resume_c[lane])
            own_heat_w = lost_wh
            if tau_h > 0.0:
                chill += (down_h - chill) * (chilling if down_h > chill else rewarming)
            kept = 1.0 - lanes.self_discharge_per_h[lane] * math.exp(0.06931471805599453 * (rate_c - 25.0))
            book[LOSS_SELF_WH] = capacity * (_energy(curve, soc) - _energy(curve, soc * kept))
            soc *= kept
            well *= kept
            lowest = min(lowest, soc)
            book[LOAD_WH] = load_wh
            book[SUN_OFFERED_WH] = offered_w
            book[SPILLED_CONTROLLER_WH] = offered_w - sun_w
            book[SOC_END] = soc
            book[SOC_LOWEST] = lowest
            book[CELL_END_C] = cell_c
            book[LOWEST_V] = lowest_v
            book[LOCKED_H] = 1.0 if locked else 0.0
            book[CHILL_END] = chill
            book[FULL_H] = 1.0 if soc >= lanes.full_soc[lane] - 1e-9 else 0.0
            book[RESIDUAL_H] = abs(remaining)
            for field in range(HOUR_FIELDS):
                totals[lane, field] += book[field]
            day = histories.day[hour]
            days[lane, day, DAY_LOAD_WH] += book[LOAD_WH]
            days[lane, day, DAY_MISSED_WH] += book[ESSENTIAL_DARK_WH]
            days[lane, day, DAY_DARK_H] += book[DARK_H]
            days[lane, day, DAY_LOWEST_SOC] = min(days[lane, day, DAY_LOWEST_SOC], lowest)
            days[lane, day, DAY_SUN_OFFERED_WH] += offered_w
            days[lane, day, DAY_SUN_USED_WH] += book[SUN_USED_WH]
            days[lane, day, DAY_FULL_H] += book[FULL_H]
            days[lane, day, DAY_ESSENTIAL_WH] += essential_wh
            if watch[lane] >= 0:
                for field in range(HOUR_FIELDS):
                    hours_out[watch[lane], hour, field] = book[field]
        own[SOC] = soc
        own[WELL] = well
        own[CELL_C] = cell_c
        own[OWN_HEAT_W] = own_heat_w
        own[DARK] = 1.0 if dark else 0.0
        own[BACK_SOC] = back_soc
        own[COLD] = 1.0 if cold else 0.0
        own[GENERATOR] = 1.0 if running else 0.0
        own[GENERATOR_RUN_H] = run_h
        own[SHED] = shed
        own[BY_FLOOR] = 1.0 if by_floor else 0.0
        own[AC_OFF] = 1.0 if ac_off else 0.0
        own[CHILL] = chill
