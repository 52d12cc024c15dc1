"""The hour loop against scipy's integrator (rtol 1e-10) on the same curve and resistance, with powers that step every hour.

Between two steps the terminals see a constant power: V(q) I + R I^2 = P while charging (V with the overpotential, stored
dq = eta I) and ocv(q) I - R I^2 = P while discharging; the absorption phase caps the stored rate at g (q_inf - q). The loop
solves an hour at its mean current, so the two differ by what the voltage moves within it: the bound is 1e-5 of the charge, and
less is reached.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulator.battery import kernel as k
from tests.outside_checks import reached

HOURS = 240
TAPER_HOURS = 96


def power_steps(hours: int, low: float, high: float, peak_w: float, round_trip: float, seed: int) -> np.ndarray:
    """Hourly powers [W], positive into a 100 Ah, 12 V bank, that keep it roughly between two charges."""
    chance = np.random.default_rng(seed)
    powers = np.zeros(hours)
    soc, rising = 0.6, False
    for hour in range(hours):
        rising = soc < low or (rising and soc < high)
        powers[hour] = (1.0 if rising else -1.0) * peak_w * chance.random()
        if chance.random() < 0.2:
            powers[hour] *= -0.5
        soc += powers[hour] * (round_trip if powers[hour] > 0.0 else 1.0) / 1280.0
    return powers


def integrate(walked, powers: np.ndarray, tapers: bool) -> np.ndarray:
    """Charge after every hour, by the integrator: one run an hour, so that no step of the power is straddled."""
    lanes, curve = walked.lanes, walked.curves[0]
    capacity_ah, resistance_ohm = lanes.capacity_ah[0], lanes.resistance_ohm[0]
    taper_per_h, taper_soc = lanes.taper_per_h[0], lanes.taper_soc[0]
    # Plain lists: the integrator asks a million times.
    ocv_v, charge_v, inverse = (curve[:, column].tolist() for column in (k.OCV, k.CHARGE_V, k.INV_EFFICIENCY))

    def between(values: list[float], soc: float) -> float:
        cell = min(int(soc * k.NODES), k.NODES - 1)
        return values[cell] + (soc * k.NODES - cell) * (values[cell + 1] - values[cell])

    def slope(power: float, soc: float) -> float:
        if power >= 0.0 and soc >= 1.0:
            return 0.0
        if power >= 0.0:
            volts = between(charge_v, soc)
            amperes = 2.0 * power / (volts + math.sqrt(volts * volts + 4.0 * resistance_ohm * power))
            rate = amperes / inverse[min(int(soc * k.NODES), k.NODES - 1)] / capacity_ah
            return min(rate, taper_per_h * (taper_soc - soc)) if tapers else rate
        volts = between(ocv_v, soc)
        return 2.0 * power / (volts + math.sqrt(volts * volts + 4.0 * resistance_ohm * power)) / capacity_ah

    soc = float(walked.start[0, k.SOC])
    after = np.zeros(len(powers))
    for hour, power in enumerate(powers.tolist()):
        solved = solve_ivp(
            lambda _, state, power=power: [slope(power, state[0])], (0.0, 1.0), [soc], rtol=1e-10, atol=1e-12, max_step=0.02
        )
        soc = float(solved.y[0, -1])
        after[hour] = soc
    return after


# Reached: LFP 8.4e-7, AGM 5.6e-6, at powers of up to a quarter of the capacity.
@pytest.mark.parametrize(("chemistry", "seed"), [("lfp", 1), ("agm", 2)])
def test_a_rough_ten_days_of_power_steps(chemistry, seed, make_bank, walk_bank):
    bank = make_bank(
        chemistry,
        start_soc=0.6,
        charge_limit_a=1e6,
        charge_cold_limit_a=1e6,
        discharge_limit_a=1e6,
        taper_h=0.0,
        well_c=1.0,
        self_discharge_frac_per_day=0.0,
        standby_w=0.0,
        resistance_per_c=0.0,
        charge_max_c=1000.0,
        discharge_max_c=1000.0,
    )
    powers = power_steps(HOURS, 0.4, 0.75, 300.0, {"lfp": 0.96, "agm": 0.92}[chemistry], seed)
    walked = walk_bank(bank, HOURS, sun_w=np.maximum(powers, 0.0), load_w=np.maximum(-powers, 0.0))
    assert walked.total(k.CHARGED_AH) > 500.0
    assert walked.total(k.DISCHARGED_AH) > 500.0
    assert walked.total(k.MISSED_DARK_WH) == 0.0
    assert walked.soc().min() > 0.1
    assert walked.soc().max() < 0.98
    off = np.abs(walked.soc()[1:] - integrate(walked, powers, tapers=False)).max()
    reached("Hour loop: charge over ten rough days", "scipy solve_ivp, rtol 1e-10", "1e-5 of the charge", off)
    assert off < 1e-5


# Reached: 1.8e-6 and 9.4e-7.
@pytest.mark.parametrize(("taper_h", "seed"), [(0.15, 3), (2.0, 4)])
def test_the_onset_of_the_absorption_phase(taper_h, seed, make_bank, walk_bank):
    """Power-limited up to the charge at which the taper takes over, exponential from there."""
    bank = make_bank(
        "agm",
        start_soc=0.6,
        charge_limit_a=1e6,
        charge_cold_limit_a=1e6,
        discharge_limit_a=1e6,
        taper_h=taper_h,
        well_c=1.0,
        self_discharge_frac_per_day=0.0,
        resistance_per_c=0.0,
        charge_max_c=1000.0,
        discharge_max_c=1000.0,
    )
    powers = power_steps(TAPER_HOURS, 0.6, 1.0, 300.0, 0.82, seed)
    walked = walk_bank(bank, TAPER_HOURS, sun_w=np.maximum(powers, 0.0), load_w=np.maximum(-powers, 0.0))
    assert walked.total(k.SPILLED_ACCEPTANCE_WH) > 100.0
    assert walked.total(k.MISSED_DARK_WH) == 0.0
    off = np.abs(walked.soc()[1:] - integrate(walked, powers, tapers=True)).max()
    reached("Hour loop: onset of the absorption phase", "scipy solve_ivp, rtol 1e-10", "1e-5 of the charge", off)
    assert off < 1e-5
