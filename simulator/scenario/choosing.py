"""What only matters when one design is held against another: limits of the vehicle, prices and weights of parts, what money is
counted over.
"""

from __future__ import annotations

from typing import Final, TypedDict

from simulator.scenario.desk import Desk
from simulator.scenario.parts import Costs, Vehicle
from simulator.scenario.written import AlternatorTable, CostsTable, GeneratorTable, ShoreTable, VehicleTable

STANDS_ONLY: Final = frozenset({"flooded"})
"""Free acid runs out of a unit that lies; others may lie on a side (common practice, no source: the maker's sheet decides)."""


class Tag(TypedDict):
    """Price and weight of one part, None where not stated."""

    price: float | None
    kg: float | None


def tag(written: ShoreTable | AlternatorTable | GeneratorTable | None) -> Tag:
    """Return what a charger costs and weighs, as written."""
    return Tag(price=None, kg=None) if written is None else Tag(price=written.price, kg=written.kg)


def stands_only(written: bool | None, chemistry: str) -> bool:
    """Whether a unit may only stand: as written, or by its chemistry."""
    return chemistry in STANDS_ONLY if written is None else written


class Limits(TypedDict):
    """What the vehicle leaves for the system; None where not stated."""

    payload_margin_kg: float | None
    budget: float | None
    roof_m2: float | None
    bay_m: tuple[float, float, float] | None


def merge_limits(written: VehicleTable) -> Limits:
    """Return the limits of the vehicle, as written."""
    return Limits(
        payload_margin_kg=written.payload_margin_kg,
        budget=written.budget,
        roof_m2=written.roof_m2,
        bay_m=written.bay_m,
    )


def merge_costs(written: CostsTable | None, vehicle: Vehicle, desk: Desk) -> Costs:
    """Return what money is counted over, as written; what is missing is told where a cost is reckoned, and only there."""
    if vehicle.budget == 0.0:
        desk.note(("vehicle", "budget"), "nothing may be bought with a budget of 0.")
    if written is None:
        return Costs()
    return Costs(
        horizon_years=written.horizon_years,
        discount_rate=written.discount_rate,
        fuel_price_per_l=written.fuel_price_per_l,
        hookup_price_per_night=written.hookup_price_per_night,
        currency=written.currency,
    )
