"""The files that the studies leave behind: one object, one page, and tidy tables, each as text by its name."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from simulator.report.compare_page import compare_page
from simulator.report.frame import ScenarioText
from simulator.report.life_page import life_page
from simulator.report.measures import METRIC, Measures
from simulator.report.odds_page import DAYS_PER_WEEK, odds_page
from simulator.report.remedies_page import remedies_page
from simulator.report.size_page import size_page
from simulator.studies.compare import Comparison
from simulator.studies.compare_tables import comparison_summary, comparison_table
from simulator.studies.designs import NOT_WALKED
from simulator.studies.life import Life, life_summary
from simulator.studies.odds import Odds, odds_summary
from simulator.studies.remedies import Remedies
from simulator.studies.remedy_rows import remedies_summary, remedy_rows
from simulator.studies.sizing import Sizing
from simulator.studies.sizing_tables import size_summary, size_table


def _json_text(summary: dict[str, Any]) -> str:
    return json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _csv_text(table: pd.DataFrame) -> str:
    return table.to_csv(index=False, lineterminator="\n")


def weeks_table(each: Sequence[Odds]) -> pd.DataFrame:
    """One row a week of the trip and kind of years: in how many of them it has a flat day."""
    rows = []
    for found in each:
        base, dates = found.flat[0], found.timeline.dates
        for first in range(0, found.timeline.days, DAYS_PER_WEEK):
            here = base[:, first : first + DAYS_PER_WEEK]
            last = min(first + DAYS_PER_WEEK, found.timeline.days) - 1
            with_flat = int(here.any(axis=1).sum())
            rows.append(
                {
                    "kind": found.weather.kind,
                    "week": first // DAYS_PER_WEEK + 1,
                    "from": dates[first].isoformat(),
                    "to": dates[last].isoformat(),
                    "years": found.years,
                    "years_with_a_flat_day": with_flat,
                    "share_of_years_frac": round(with_flat / found.years, 4),
                    "flat_days_mean": round(float(here.sum(axis=1).mean()), 4),
                }
            )
    return pd.DataFrame(rows)


def years_table(each: Sequence[Odds]) -> pd.DataFrame:
    """One row a weather year: its flat days with the sun as it is, a tenth less and a tenth more, and what it missed."""
    tables = []
    for found in each:
        flat_days = found.flat.sum(axis=2)
        tables.append(
            pd.DataFrame(
                {
                    "kind": found.weather.kind,
                    "year": list(found.year_names),
                    "flat_days": flat_days[0],
                    "flat_days_sun_minus_10_pct": flat_days[1],
                    "flat_days_sun_plus_10_pct": flat_days[2],
                    "missed_wh": np.round(found.missed_wh, 1),
                    "longest_without_full_days": np.round(found.stretch_days, 2),
                }
            )
        )
    return pd.concat(tables, ignore_index=True)


def life_years_table(found: Life) -> pd.DataFrame:
    """One row a year of the bank's life, as it begins."""
    return pd.DataFrame(
        [
            {
                "year": year.year,
                "lived_years": round(year.part, 4),
                "soh": round(year.soh, 4),
                "resistance_gain_frac": round(year.resistance_gain_frac, 4),
                "flat_days": year.flat_days,
                "lowest_soc": round(year.lowest_soc, 4),
                "full_cycles": round(year.full_cycles, 2),
                "counted_cycles": round(year.counted_cycles, 2),
                "delivered_kwh": round(year.delivered_kwh, 1),
            }
            for year in found.years
        ]
    )


def odds_files(
    each: Sequence[Odds],
    scenario_text: str | None = None,
    measures: Measures = METRIC,
    added: Sequence[str] = (),
    effect: dict[str, Any] | None = None,
) -> dict[str, str]:
    """``odds.json``, ``odds.html``, ``weeks.csv`` and ``years.csv``; a second kind of years stands beside the first.

    Parameters
    ----------
    each : one kind of years, or two.
    scenario_text : the scenario as written.
    measures : units of the page; the others are always metric.
    added : what was added for this answer alone, as it was asked for; ``effect``: what it does, for ``odds.json``.
    """
    found, *beside = each
    summary = odds_summary(found)
    if beside:
        summary["beside"] = odds_summary(beside[0])
    if effect is not None:
        summary["added"] = effect
    return {
        "odds.json": _json_text(summary),
        "odds.html": odds_page(found, beside[0] if beside else None, scenario_text, measures=measures, added=added),
        "weeks.csv": _csv_text(weeks_table(each)),
        "years.csv": _csv_text(years_table(each)),
    }


def life_files(found: Life, scenario_text: str | None = None, measures: Measures = METRIC) -> dict[str, str]:
    """``life.json``, ``life.html`` and ``years.csv``."""
    return {
        "life.json": _json_text(life_summary(found)),
        "life.html": life_page(found, scenario_text, measures=measures),
        "years.csv": _csv_text(life_years_table(found)),
    }


def comparison_files(found: Comparison, scenario_text: ScenarioText = None, measures: Measures = METRIC) -> dict[str, str]:
    """``compare.json``, ``compare.html``, ``designs.csv`` (a row a design) and ``years.csv`` (a row a design and year)."""
    years = pd.DataFrame(
        [
            {"design": design.name, "kind": found.kind, "year": name, "flat_days": int(flat)}
            for design in found.designs
            for name, flat in zip(found.year_names, design.flat_days, strict=True)
        ]
    )
    return {
        "compare.json": _json_text(comparison_summary(found)),
        "compare.html": compare_page(found, scenario_text, measures=measures),
        "designs.csv": _csv_text(comparison_table(found)),
        "years.csv": _csv_text(years),
    }


def size_files(found: Sizing, scenario_text: str | None = None, measures: Measures = METRIC) -> dict[str, str]:
    """``size.json``, ``size.html``, ``designs.csv`` (a row a design) and ``years.csv`` (a row a design and year walked)."""
    years = pd.DataFrame(
        [
            (design.number + 1, name, int(flat))
            for design in found.grid.designs
            for name, flat in zip(found.year_names, found.walked.flat_days[design.number], strict=True)
            if flat != NOT_WALKED
        ],
        columns=["design", "year", "flat_days"],
    )
    return {
        "size.json": _json_text(size_summary(found)),
        "size.html": size_page(found, scenario_text, measures=measures),
        "designs.csv": _csv_text(size_table(found)),
        "years.csv": _csv_text(years),
    }


def remedies_files(found: Remedies, scenario_text: str | None = None, measures: Measures = METRIC) -> dict[str, str]:
    """``remedies.json``, ``remedies.html`` and ``changes.csv`` (a row a change or pair)."""
    return {
        "remedies.json": _json_text(remedies_summary(found)),
        "remedies.html": remedies_page(found, scenario_text, measures=measures),
        "changes.csv": _csv_text(pd.DataFrame(remedy_rows(found))),
    }
