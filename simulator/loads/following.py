"""Appliances whose running time the weather decides: fridge, heating, cooling, heating pads."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulator.errors import EngineFault
from simulator.scenario import load_preset
from simulator.scenario.parts import Appliance, Scenario, Vehicle

Floats = NDArray[np.float64]


class Climate(NamedTuple):
    """Temperatures that appliances follow, ``(rows, hours)`` [deg C]."""

    temp_air: Floats
    cabin_c: Floats
    """As its heating keeps it."""
    free_cabin_c: Floats
    """As it would be unheated."""


def climate_of(
    scenario: Scenario, hours: int, temp_air: Floats | None, cabin_c: Floats | None, free_cabin_c: Floats | None
) -> Climate | None:
    """Bring temperatures of ``(hours,)`` or ``(years, hours)`` into rows; None when nothing follows them.

    Raises
    ------
    EngineFault
        Something follows the weather, and a temperature is missing.
    """
    if all(appliance.follows is None for appliance in scenario.appliances):
        return None
    if temp_air is None or cabin_c is None or free_cabin_c is None:
        raise EngineFault("An appliance follows the weather, and no temperatures were handed in.")
    return Climate(*(np.asarray(each, dtype=np.float64).reshape(-1, hours) for each in (temp_air, cabin_c, free_cabin_c)))


def fridge_factor(cabin_c: Floats) -> Floats:
    """Energy of a fridge over what it takes at the reference temperature of its data sheet, 25 C.

    Linear, the middle of the published +15 to +53 % from 20 to 33 C; held below 5 C, where the published range does not reach.

    References
    ----------
    "Effect of different operating variables on energy consumption of household refrigerator", Int. J. Energy Engineering.
    """
    preset = load_preset("appliances")
    least_c, reference_c, per_c = (preset.number("fridge", key) for key in ("least_c", "reference_c", "energy_per_c"))
    return np.asarray(1.0 + per_c * (np.maximum(cabin_c, least_c) - reference_c), dtype=np.float64)


def heating_duty(vehicle: Vehicle, heat_w: float, cabin_c: Floats, free_cabin_c: Floats) -> Floats:
    """Share of the time a burner runs to hold the cabin; above 1 it cannot.

    Heat balance: heat loss x (cabin held at - cabin unheated) / what the burner gives.
    """
    return vehicle.cabin_heat_loss_w_per_c * np.maximum(cabin_c - free_cabin_c, 0.0) / heat_w


def following_factor(appliance: Appliance, vehicle: Vehicle, climate: Climate) -> Floats:
    """Factor on the running time of an appliance, ``(rows, hours)``."""
    if appliance.follows == "fridge":
        return fridge_factor(climate.cabin_c)
    if appliance.follows == "heating" and appliance.heat_w is not None:
        return np.minimum(heating_duty(vehicle, appliance.heat_w, climate.cabin_c, climate.free_cabin_c), 1.0)
    if appliance.follows == "cooling" and appliance.above_c is not None:
        return np.asarray(climate.free_cabin_c > appliance.above_c, dtype=np.float64)
    if appliance.follows == "pads" and appliance.below_c is not None:
        return np.asarray(climate.temp_air < appliance.below_c, dtype=np.float64)
    raise EngineFault(f'Appliance {appliance.number} follows "{appliance.follows}" without its number.')


def following_notes(scenario: Scenario, climate: Climate) -> list[str]:
    """Hours in which a burner is too small for the cabin."""
    notes = []
    for appliance in scenario.appliances:
        if appliance.follows == "heating" and appliance.heat_w is not None:
            duty = heating_duty(scenario.vehicle, appliance.heat_w, climate.cabin_c, climate.free_cabin_c)
            hours = float((duty > 1.0).sum()) / len(duty)
            if hours > 0.0:
                notes.append(
                    f'appliance {appliance.number} "{appliance.name}": in {hours:.0f} hours of the trip its '
                    f"{appliance.heat_w:,.0f} W of heat cannot hold the cabin, which needs up to "
                    f"{duty.max() * appliance.heat_w:,.0f} W; its fan then never rests"
                )
    return notes
