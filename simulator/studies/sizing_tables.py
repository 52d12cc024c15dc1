"""A sizing as rows of a table and as one object for other programs."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from simulator.studies.designs import NOT_WALKED
from simulator.studies.grid import Axis, Design
from simulator.studies.odds import clopper_pearson
from simulator.studies.sizing import Sizing
from simulator.version import package_version


def column_of(axis: Axis) -> str:
    """Name of an axis as a column: ``panels_roof``."""
    return axis.name.replace(" ", "_")


def value_of(value: Any) -> Any:
    """A value of an axis as programs take it."""
    return bool(value) if isinstance(value, (bool, np.bool_)) else value


def design_row(found: Sizing, design: Design) -> dict[str, Any]:
    """One design: what is varied, its parts, and what it came to; what was not walked is None.

    ``worst_flat_days`` of a design that was stopped is what it had by then, at least.
    """
    flat = found.walked.flat_days[design.number]
    ran = flat != NOT_WALKED
    whole = bool(ran.all())
    bank = design.fresh.bank
    parts = design.parts
    missing = parts.missing
    return {
        "design": design.number + 1,
        **{column_of(axis): value_of(design.choice[axis.name]) for axis in found.grid.axes},
        "bank_wh": round(bank.unit_v * bank.unit_ah * bank.in_series * bank.in_parallel, 1),
        "panels_w": round(sum(each.panel.p_w * each.in_series * each.in_parallel for each in design.fresh.arrays), 1),
        "price": round(parts.price, 2),
        "mass_kg": round(parts.mass_kg, 3),
        "volume_l": None if missing["volume_l"] else round(parts.volume_l, 2),
        "roof_m2": None if missing["roof_m2"] else round(parts.roof_m2, 3),
        "over": " and ".join(design.over) or None,
        "meets": bool(found.met[design.number] or found.met_beyond[design.number]),
        "years_walked": int(ran.sum()),
        "worst_flat_days": int(flat.max()) if ran.any() else None,
        "flat_free_share": round(float((flat == 0).mean()), 4) if whole else None,
        "flat_days_mean": round(float(flat.mean()), 3) if whole else None,
        "missed_wh_mean": round(float(found.walked.missed_wh[design.number].mean()), 1) if whole else None,
        "lowest_soc": round(float(found.walked.lowest_soc[design.number].min()), 4) if whole else None,
        "generator_h_mean": round(float(found.walked.sums["generator_h"][design.number].mean()), 2) if whole else None,
        "life_years": round(found.life_years[design.number], 2) if design.number in found.life_years else None,
    }


def size_rows(found: Sizing) -> list[dict[str, Any]]:
    """A row for every design, in the order of price."""
    return [design_row(found, design) for design in found.grid.designs]


def size_table(found: Sizing) -> pd.DataFrame:
    """The same as a data frame, one row a design."""
    return pd.DataFrame(size_rows(found))


def size_summary(found: Sizing) -> dict[str, Any]:
    """The sizing as one object for other programs; no NaN, no clock time, no path."""

    def one(design: Design | None) -> dict[str, Any] | None:
        if design is None:
            return None
        row = design_row(found, design)
        share = found.flat_free_share(design)
        if share is not None:
            years = found.target.years
            low, high = clopper_pearson(round(share * years), years)
            row["flat_free_interval"] = [round(low, 4), round(high, 4)]
        return row

    target = found.target
    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "target": {"flat_days": target.flat_days, "odds": target.odds, "years": target.years, "soh": found.soh},
        "usual_target": "target" in found.usual,
        "source": found.source,
        "weather": list(found.weather_sources),
        "seed": found.seed,
        "days": found.days,
        "notes": [*found.notes, *found.weather_notes],
        "grid": {column_of(axis): [value_of(value) for value in axis.values] for axis in found.grid.axes},
        "currency": found.scenario.costs.currency,
        "limits": {limit.said: limit.most for limit in found.grid.limits},
        "simulated": {
            "lane_hours": found.lane_hours,
            "of_lane_hours": found.lane_hours_whole,
            "beyond_limits_lane_hours": found.lane_hours_beyond,
            "designs": len(found.grid.designs),
            "designs_within_limits": sum(not design.over for design in found.grid.designs),
            "designs_that_meet_the_target": int(found.met.sum()),
            "whole": found.whole,
        },
        "cheapest": one(found.cheapest),
        "lightest": one(found.lightest),
        "longest_lived": one(found.longest_lived),
        "nearest": one(found.nearest),
        "front": [one(design) for design in found.front],
        "steps": [
            {
                "axis": step.axis.replace(" ", "_"),
                "from": value_of(step.value_from),
                "to": value_of(step.value_to),
                "price_more": round(step.price_more, 2),
                "design": step.design.number + 1,
            }
            for step in found.steps
        ],
        "binding": [{"limit": each.said, "without_it": each.better, "design": one(each.design)} for each in found.binding],
        "designs": size_rows(found),
        "cautions": list(found.cautions),
    }
