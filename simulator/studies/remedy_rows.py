"""The remedies as rows of a table and as one object for other programs."""

from __future__ import annotations

from typing import Any

from simulator.studies.remedies import Remedies
from simulator.version import package_version


def _money(value: float | None) -> float | None:
    return None if value is None else round(value, 2) + 0.0


def remedy_rows(found: Remedies) -> list[dict[str, Any]]:
    """One row a change or pair, in their order, for a table of other programs."""
    rows = []
    for remedy in (*found.singles, *found.pairs):
        low, high = remedy.interval
        rows.append(
            {
                "change": remedy.name,
                "changes": len(remedy.changes),
                "complete": remedy.complete,
                "gives_up": ("nothing", "comfort", "essential")[remedy.gives_up],
                "flat_days_cured": round(remedy.cured, 3),
                "flat_days_made": round(remedy.made, 3),
                "flat_days_left": round(remedy.left, 3),
                "years": remedy.years,
                "flat_free_share": round(remedy.without_flat / remedy.years, 4),
                "flat_free_low": round(low, 4),
                "flat_free_high": round(high, 4),
                "flat_free_share_gained": round(remedy.share_gained, 4),
                "price": _money(remedy.price),
                "mass_kg": None if remedy.kg is None else round(remedy.kg, 2),
                "fuel_l_per_trip": round(remedy.litres, 2) + 0.0,
                "hookup_nights_per_trip": round(remedy.nights, 2) + 0.0,
                "cost_per_year": _money(remedy.cost_per_year),
                "cost_per_flat_day_avoided": _money(remedy.cost_per_flat_day),
                "price_per_flat_day_avoided": _money(remedy.price_per_flat_day),
            }
        )
    return rows


def remedies_summary(found: Remedies) -> dict[str, Any]:
    """The remedies as one object for other programs; no NaN, no clock time, no path."""
    before = int((~found.flat.any(axis=1)).sum())
    rows = remedy_rows(found)
    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "kind": found.choice.kind,
        "years": found.years,
        "seed": found.choice.seed,
        "load_spread_frac": found.choice.load_spread_frac,
        "source": list(found.sources),
        "notes": list(found.notes),
        "currency": found.scenario.costs.currency,
        "flat_days_mean": round(float(found.flat.sum() / found.years), 3),
        "flat_free_share": round(before / found.years, 4),
        "singles": rows[: len(found.singles)],
        "pairs": rows[len(found.singles) :],
        "pairs_walked": found.pairs_walked,
        "hookup_nights_tried": found.nights_tried,
        "spells": [
            {
                "year": spell.year,
                "first": spell.first.isoformat(),
                "last": spell.last.isoformat(),
                "days": spell.days,
                "cured_by": list(spell.cured_by),
            }
            for spell in found.spells
        ],
        "nothing_in_reach": [
            {"year": spell.year, "first": spell.first.isoformat(), "last": spell.last.isoformat()} for spell in found.hopeless
        ],
        "cautions": list(found.cautions),
    }
