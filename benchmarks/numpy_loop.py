"""The plain case of the hour loop as numpy would have it: all lanes at once, one hour after the other, one step an hour.

What is left out, and so what the difference in the answer is made of: thresholds inside the hour (the way back after an outage
waits for the next full hour), voltages that move within the hour, and everything that the plain case does not use (lockouts,
heater, generator, hookup, switch-off levels, voltage limits, peaks).
"""

from __future__ import annotations

import numpy as np
from cases import LoopCase

from simulator.battery import kernel as k
from simulator.battery.kernel import FloatArray


def walk_numpy(case: LoopCase) -> tuple[FloatArray, FloatArray]:
    """Walk all lanes; ``days`` (lanes, days, DAY_FIELDS) as the compiled loop has it, and the charge at the end (lanes,)."""
    lanes, histories = case.lanes, case.histories
    if (lanes.heater_w > 0.0).any() or (lanes.generator_a > 0.0).any() or histories.peak_h.any() or (lanes.cutoff_v > 0.0).any():
        raise ValueError("this loop knows the plain case only: no heater, generator, peak or voltage limit")
    row = int(lanes.curve_row[0])
    if (lanes.curve_row != row).any():
        raise ValueError("this loop takes lanes of one chemistry")
    ocv, charge_v, inverse_of = (
        np.ascontiguousarray(case.curves[row][:, column]) for column in (k.OCV, k.CHARGE_V, k.INV_EFFICIENCY)
    )
    capacity_curve = case.capacities[row]
    grid_c = k.CAPACITY_COLD_C + k.CAPACITY_STEP_C * np.arange(k.CAPACITY_NODES)
    count, hours = len(case.start), histories.day.shape[0]
    days = np.zeros((int(histories.day[-1]) + 1, k.DAY_FIELDS, count))
    days[:, k.DAY_LOWEST_SOC] = 1.0
    soc, well, cell_c, heat_w = (case.start[:, field].copy() for field in (k.SOC, k.WELL, k.CELL_C, k.OWN_HEAT_W))
    dark = case.start[:, k.DARK] > 0.0
    back_soc = case.start[:, k.BACK_SOC].copy()
    capacity = lanes.capacity_ah
    cooling = np.exp(-lanes.loss_w_per_c / lanes.heat_capacity_wh_per_c)
    two_wells = bool((lanes.well_c < 1.0).any())
    decay = np.exp(-lanes.well_k_per_h)
    gassing = bool((lanes.gassing_per_c != 0.0).any())
    tapers = bool((lanes.taper_per_h > 0.0).any())
    hysteresis = lanes.reconnect_soc - lanes.floor_soc

    for hour in range(hours):
        sun_low, sun_high, offered_w = (lanes.sun_scale * histories.sun_w[lanes.sun_row, hour, face] for face in range(3))
        load_w = lanes.load_scale * histories.load_w[lanes.load_row, hour, k.LEVELS - 1, k.REST_W]
        essential_w = lanes.load_scale * histories.load_w[lanes.load_row, hour, 0, k.REST_W]
        bay_c = histories.bay_c[lanes.bay_row, hour, 0]
        # ---- decided once an hour ----
        rate_c = np.clip(cell_c, -30.0, 60.0)
        stiffness = np.exp(lanes.resistance_per_c * (25.0 - rate_c))
        resistance = lanes.resistance_ohm * stiffness
        absorb_v = np.minimum(lanes.absorb_v + lanes.absorb_v_per_c * (rate_c - 25.0), lanes.absorb_cap_v)
        warmer_v = absorb_v - lanes.absorb_v
        position = soc * k.NODES
        cell = np.clip(position.astype(np.int64), 0, k.NODES - 1)
        part = position - cell
        rest_v = ocv[cell] + part * (ocv[cell + 1] - ocv[cell])
        rise_v = charge_v[cell] + part * (charge_v[cell + 1] - charge_v[cell])
        inverse = inverse_of[cell]
        if gassing:
            gas = np.minimum(np.exp(lanes.gassing_per_v * warmer_v + lanes.gassing_per_c * (rate_c - 25.0)), 4.0)
            inverse = 1.0 + gas * (inverse - 1.0)
        guess_a = np.clip((sun_low - load_w) / rest_v, -lanes.discharge_limit_a, lanes.charge_limit_a)
        volts = np.where(guess_a > 0.0, rise_v, rest_v) + resistance * guess_a
        volts = np.minimum(np.maximum(volts, lanes.sun_low_v), absorb_v)
        sun_w = sun_low + np.clip((volts - lanes.sun_low_v) / (lanes.sun_high_v - lanes.sun_low_v), 0.0, 1.0) * (
            sun_high - sun_low
        )
        floor = 1.0 - np.interp(cell_c, grid_c, capacity_curve) * (1.0 - lanes.floor_soc)
        dark &= soc < back_soc
        served = ~dark
        asked_w = np.where(served, load_w + lanes.standby_w, 0.0)
        net_w = sun_w - asked_w
        # ---- charge ----
        into_w = np.maximum(net_w, 0.0)
        rate = np.minimum(2.0 * into_w / (rise_v + np.sqrt(rise_v * rise_v + 4.0 * resistance * into_w)), lanes.charge_limit_a)
        rate = rate / (capacity * inverse)
        end = soc + rate
        if tapers:
            taper = lanes.taper_per_h * np.maximum(1.0 + warmer_v / lanes.overvoltage_v, 0.05) / stiffness
            with np.errstate(divide="ignore", invalid="ignore"):
                onset_h = np.where(rate > 0.0, (lanes.taper_soc - soc) / rate - 1.0 / taper, 1.0)
            onset_h = np.clip(onset_h, 0.0, 1.0)
            onset = soc + rate * onset_h
            end = np.minimum(end, lanes.taper_soc - (lanes.taper_soc - onset) * np.exp(-taper * (1.0 - onset_h)))
        end = np.minimum(end, np.maximum(lanes.target_soc, soc))
        # ---- discharge ----
        out_w = np.maximum(-net_w, 0.0)
        root = np.sqrt(np.maximum(rest_v * rest_v - 4.0 * resistance * out_w, 0.0))
        drawn = np.minimum((rest_v - root) / (2.0 * resistance), lanes.discharge_limit_a) / capacity
        lowest = np.minimum(floor, soc)
        drawing = net_w < 0.0
        lit_h = np.where(drawing & (soc - drawn < lowest), (soc - lowest) / np.maximum(drawn, 1e-12), 1.0)
        end = np.where(drawing, np.maximum(soc - drawn, lowest), end)
        if two_wells:
            moved = end - soc
            after = _well_after(lanes, soc, well, moved, decay)
            dry = drawing & (after < 0.0)
            lit_h = np.where(dry, np.minimum(lit_h, well / np.maximum(well - after, 1e-12)), lit_h)
            end = np.where(dry, soc - drawn * lit_h, end)
            well = np.clip(after, np.maximum(end - (1.0 - lanes.well_c), 0.0), np.minimum(lanes.well_c, end))
        else:
            well = end
        falls = lit_h < 1.0
        dark |= falls
        back_soc = np.where(falls, np.minimum(np.minimum(lowest, end) + hysteresis, lanes.target_soc), back_soc)
        dark_h = np.where(served, 1.0 - lit_h, np.where(essential_w > 0.0, 1.0, 0.0))
        # ---- end of the hour ----
        stored_wh = (end - soc) * capacity * rest_v
        charge_wh = (end - soc) * capacity * inverse * (rise_v + resistance * (end - soc) * capacity * inverse)
        used_w = np.minimum(sun_w, asked_w * lit_h + np.where(drawing, 0.0, charge_wh))
        lost_wh = np.where(drawing, resistance * (drawn * capacity) ** 2 * lit_h, charge_wh - stored_wh)
        settle_c = bay_c + heat_w / lanes.loss_w_per_c
        cell_c = settle_c + (cell_c - settle_c) * cooling
        heat_w = lost_wh
        kept = 1.0 - lanes.self_discharge_per_h * np.exp(0.06931471805599453 * (rate_c - 25.0))
        low_here = np.minimum(soc, end)
        soc = end * kept
        well = well * kept
        low_here = np.minimum(low_here, soc)
        day = days[histories.day[hour]]
        day[k.DAY_LOAD_WH] += load_w
        day[k.DAY_MISSED_WH] += essential_w * dark_h
        day[k.DAY_DARK_H] += dark_h
        np.minimum(day[k.DAY_LOWEST_SOC], low_here, out=day[k.DAY_LOWEST_SOC])
        day[k.DAY_SUN_OFFERED_WH] += offered_w
        day[k.DAY_SUN_USED_WH] += used_w
        day[k.DAY_FULL_H] += soc >= lanes.full_soc - 1e-9
        day[k.DAY_ESSENTIAL_WH] += essential_w
    return np.ascontiguousarray(days.transpose(2, 0, 1)), soc


def _well_after(lanes: k.Lanes, soc: FloatArray, well: FloatArray, rate: FloatArray, decay: FloatArray) -> FloatArray:
    """Available well after an hour at a constant stored rate (Manwell & McGowan 1993)."""
    c, speed = lanes.well_c, lanes.well_k_per_h
    return np.asarray(well * decay + (soc * speed * c + rate) * (1.0 - decay) / speed + rate * c * (speed - 1.0 + decay) / speed)


def misses(days: FloatArray, exact: FloatArray) -> dict[str, float]:
    """How far off the answer is: flat days (of all lane-days), the sun used and the load missed (of the load)."""
    flat, exact_flat = (found[:, :, k.DAY_DARK_H] >= 0.25 for found in (days, exact))
    load_wh = exact[:, :, k.DAY_LOAD_WH].sum()
    return {
        "flat days told wrong": float((flat != exact_flat).mean()),
        "sun used": float(abs(days[:, :, k.DAY_SUN_USED_WH] - exact[:, :, k.DAY_SUN_USED_WH]).sum() / load_wh),
        "load missed": float(abs(days[:, :, k.DAY_MISSED_WH] - exact[:, :, k.DAY_MISSED_WH]).sum() / load_wh),
        "lowest charge": float(abs(days[:, :, k.DAY_LOWEST_SOC] - exact[:, :, k.DAY_LOWEST_SOC]).mean()),
    }
