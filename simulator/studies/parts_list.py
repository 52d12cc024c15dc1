"""What the parts of a design cost, weigh and fill, and which figures nobody wrote."""

from __future__ import annotations

from dataclasses import dataclass

from simulator.scenario.parts import Scenario

LITRES_PER_M3 = 1000.0


@dataclass(frozen=True)
class PartsList:
    """Price, mass and room of the parts of a design; what a figure misses is named.

    ``price`` in the money of the scenario; a part that is ``owned`` costs nothing. ``missing`` holds, for each figure, the
    keys that were not written: what they stand for is not in the figure.
    """

    price: float
    mass_kg: float
    volume_l: float
    footprint_m2: float
    roof_m2: float
    missing: dict[str, tuple[str, ...]]

    def whole(self, figure: str) -> bool:
        """Whether everything that belongs to a figure is in it."""
        return not self.missing[figure]


OTHER_PARTS = ("inverter", "shore", "alternator", "generator")
"""Parts with a price and a mass of their own."""
FIGURES = ("price", "mass_kg", "volume_l", "footprint_m2", "roof_m2")


def parts_list(scenario: Scenario, have: Scenario | None = None) -> PartsList:
    """Add up what a scenario states of its parts.

    Parameters
    ----------
    scenario : a finished scenario.
    have : of a design made from this one, whose bank may be ``owned``: so many units of that chemistry cost nothing, only
        further ones do. Left out: an owned bank costs nothing.

    Returns
    -------
    PartsList
        Bank: units x price, mass, sides; arrays: panels x price, mass, area, and the controller's price; what a bank
        brings along (``extra_price``); inverter, chargers and generator. Wires, fuses and work are in none of the figures.
    """
    sums = dict.fromkeys(FIGURES, 0.0)
    missing: dict[str, list[str]] = {figure: [] for figure in FIGURES}

    def take(figure: str, key: str, value: float | None, times: float = 1.0) -> None:
        if value is None:
            missing[figure].append(key)
        else:
            sums[figure] += value * times

    bank = scenario.bank
    units = bank.in_series * bank.in_parallel
    owned = units if bank.owned else 0
    if bank.owned and have is not None:
        owned = min(units, have.bank.in_series * have.bank.in_parallel)
    bought = units - owned
    take("price", f"[bank] unit_price ({bank.chemistry})", bank.unit_price if bought else 0.0, bought)
    take("mass_kg", "[bank] unit_kg", bank.unit_kg, units)
    sides = bank.unit_m
    key = f"[bank] unit_m ({bank.chemistry})"
    take("volume_l", key, None if sides is None else sides[0] * sides[1] * sides[2] * LITRES_PER_M3, units)
    take("footprint_m2", key, None if sides is None else sides[0] * sides[1], units)
    for array in scenario.arrays:
        panels = array.in_series * array.in_parallel
        where = f'array {array.number} "{array.name}",'
        take("price", f"{where} panel.price", array.panel.price, panels)
        take("price", f"{where} controller.price", array.controller.price)
        take("mass_kg", f"{where} panel.kg", array.panel.kg, panels)
        take("roof_m2", f"{where} panel.area_m2", array.panel.area_m2, panels)
    if not bank.owned and bank.extra_price is not None:
        take("price", "[bank] extra_price", bank.extra_price)
    for name in OTHER_PARTS:
        part = getattr(scenario, name)
        if part is not None:
            take("price", f"[{name}] price", part.price)
            take("mass_kg", f"[{name}] kg", part.kg)
    return PartsList(**sums, missing={figure: tuple(keys) for figure, keys in missing.items()})
