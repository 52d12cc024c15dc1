"""A comparison for other programs: one row a design, and one object with everything."""

from __future__ import annotations

from typing import Any

import pandas as pd

from simulator.studies.compare import Comparison
from simulator.version import package_version


def comparison_rows(found: Comparison) -> list[dict[str, Any]]:
    """One row a design, each figure with its unit in its name; None where it is not known."""

    def number(value: float | None, digits: int) -> float | None:
        return None if value is None else round(float(value), digits)

    rows = []
    for design in found.designs:
        bank, cost = design.scenario.bank, design.cost
        low, high = design.flat_free_interval
        rows.append(
            {
                "design": design.name,
                "chemistry": bank.chemistry,
                "units": design.units,
                "rated_wh": number(design.rated_wh, 1),
                "usable_wh": number(design.usable_wh, 1),
                "panels_w": number(sum(it.panel.p_w * it.in_series * it.in_parallel for it in design.scenario.arrays), 1),
                "volume_l": number(design.volume_l, 2),
                "footprint_m2": number(design.footprint_m2, 4),
                "mass_kg": number(design.mass_kg, 2),
                "mass_is_whole": not design.mass_missing,
                "payload_left_kg": number(design.payload_left_kg, 2),
                "units_that_fit_the_bay": None if design.bay is None else design.bay.units,
                "roof_m2": number(design.roof_m2, 3),
                "roof_left_m2": number(design.roof_left_m2, 3),
                "price": number(design.price, 2),
                "extra_price": number(design.extra_price, 2),
                "budget_left": number(design.budget_left, 2),
                "flat_days_mean": number(design.flat_mean, 3),
                "flat_days_worst": design.flat_worst,
                "flat_free_share": number(design.flat_free_share, 4),
                "flat_free_low": number(low, 4),
                "flat_free_high": number(high, 4),
                "lowest_soc": number(design.lowest_soc, 4),
                "spilled_kwh_per_year": number(design.spilled_kwh, 2),
                "spilled_frac": number(design.spilled_frac, 4),
                "delivered_kwh_per_year": number(design.delivered_kwh, 2),
                "full_cycles_per_year": number(design.full_cycles, 2),
                "life_years": number(design.life.years_to_end, 2),
                "life_low_years": number(design.life.band_years[0], 2),
                "life_high_years": number(design.life.band_years[1], 2),
                "warranty_years": number(bank.warranty_years, 2),
                "bank_replacements": None if cost is None else cost.bank_replacements,
                "cost_per_year": None if cost is None else number(cost.per_year, 2),
                "cost_per_kwh": None if cost is None else number(cost.per_kwh, 4),
                "fuel_cost_per_year": None if cost is None else number(cost.fuel_per_year, 2),
                "hookup_cost_per_year": None if cost is None else number(cost.hookup_per_year, 2),
                "generator_h_per_year": number(design.generator_h, 2),
                "generator_l_per_year": number(design.generator_l, 2),
                "hookup_nights_per_year": number(design.hookup_nights, 2),
                "same_service": found.same_service(design),
            }
        )
    return rows


def comparison_table(found: Comparison) -> pd.DataFrame:
    """The same as a table; what is not known is empty."""
    return pd.DataFrame(comparison_rows(found))


def comparison_summary(found: Comparison) -> dict[str, Any]:
    """The comparison as one object for other programs; no NaN, no clock time, no path."""
    table = comparison_rows(found)
    for row, design in zip(table, found.designs, strict=True):
        cost = design.cost
        row["flat_days"] = [int(count) for count in design.flat_days]
        row["scenario_sha256"] = design.scenario.sha256
        row["limits_broken"] = list(design.limits_broken)
        row["mass_missing"] = list(design.mass_missing)
        row["cost_missing"] = list(design.cost_missing)
        row["costs"] = (
            []
            if cost is None
            else [
                {
                    "part": part.name,
                    "now": round(part.now, 2),
                    "later": round(part.later, 2),
                    "taken_back": round(part.taken_back, 2),
                    "replacements": part.replacements,
                    "per_year": round(part.per_year, 2),
                }
                for part in cost.parts
            ]
        )
        row["bay_layers"] = (
            []
            if design.bay is None
            else [{"up": layer.up, "height_m": layer.height_m, "units": layer.units} for layer in design.bay.layers]
        )
    return {
        "flatdays": package_version(),
        "years": found.years,
        "year_names": list(found.year_names),
        "kind": found.kind,
        "source": list(found.sources),
        "notes": list(found.notes),
        "seed": found.seed,
        "days": found.days,
        "horizon_years": found.terms.horizon_years,
        "discount_rate": found.terms.discount_rate,
        "currency": found.designs[0].scenario.costs.currency,
        "costs_leave_out": list(found.left_out),
        "designs": table,
        "cautions": list(found.cautions),
    }
