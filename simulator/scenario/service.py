"""What a bank has behind it and what its sheet says it yields: capacities by rate, age, state of health, the rest of the year."""

from __future__ import annotations

import math
from itertools import pairwise

from simulator.scenario.desk import Desk
from simulator.scenario.lines import Path
from simulator.scenario.parts import StoredBank
from simulator.scenario.presets import load_preset
from simulator.scenario.written import BankTable, RestOfYearTable
from simulator.units import DAYS_PER_YEAR

RATED_H = 20.0
"""Rate at which lead-acid and drop-in lithium units are labelled (common practice, no source)."""
LARGEST_EXPONENT = 1.6
"""Peukert exponents of batteries lie from 1 to 1.3 (common statement, from memory); beyond this a sheet contradicts itself."""
LABEL_TOLERANCE_FRAC = 0.10
"""The label may differ this much from the capacities of the sheet (common practice, no source)."""
LFP_FADE_PER_ROOT_YEAR = 0.0425
"""Naumann et al. (2018), doi:10.1016/j.est.2018.01.019: loss in the first year at half charge and 25 C; grows with the root."""
END_FADE = 0.2
"""Share lost at the end of a lead-acid life, evenly over its shelf life (common practice, no source)."""
LEAST_SOH = 0.3
STORED_SOC = {"lfp": 0.5}
STORED_LEAD_SOC = 1.0
"""Charge a bank is put away at: lithium half full, lead-acid full (common practice, no source)."""
STORED_C = 15.0
"""Mean temperature of a stored bank (common practice, no source)."""


def merge_capacities(written: BankTable, desk: Desk) -> tuple[tuple[float, float], ...]:
    """Return the (hours, Ah) of the sheet in order of hours; nothing when none or when they contradict each other."""
    rows = written.capacities
    path: Path = ("bank", "capacities")
    if rows is None:
        return ()
    before = desk.mistakes
    hours = [row[0] for row in rows]
    if hours not in (sorted(set(hours)), sorted(set(hours), reverse=True)):
        desk.mistake(path, "hours in order, each once", ", ".join(f"{hour:g}" for hour in hours), "Sort the rows by hours.")
        return ()
    rows = tuple(sorted(rows))
    for (fast_h, fast_ah), (slow_h, slow_ah) in pairwise(rows):
        most_ah = fast_ah * (slow_h / fast_h) ** (1.0 - 1.0 / LARGEST_EXPONENT)
        if not fast_ah <= slow_ah <= most_ah:
            desk.mistake(
                path,
                f"from {fast_ah:g} to {most_ah:.4g} Ah in {slow_h:g} h beside {fast_ah:g} Ah in {fast_h:g} h, as a slower "
                "discharge yields more, but not that much more",
                f"{slow_ah:g} Ah",
                "Each row is [hours, Ah]; check it against the data sheet.",
            )
    if written.well_c is not None:
        desk.mistake(
            ("bank", "well_c"), "capacities or well_c, not both", "both", "Leave out well_c: it is fitted to the capacities."
        )
    elif written.well_k_per_h is not None and len(rows) > 2:
        desk.mistake(
            ("bank", "well_k_per_h"),
            "it only with two capacities",
            f"{len(rows)}",
            "Leave it out: it is fitted to the capacities.",
        )
    low_ah, high_ah = rows[0][1] * (1.0 - LABEL_TOLERANCE_FRAC), rows[-1][1] * (1.0 + LABEL_TOLERANCE_FRAC)
    if written.unit_ah is not None and not low_ah <= written.unit_ah <= high_ah and desk.sound(("bank", "unit_ah")):
        desk.mistake(
            ("bank", "unit_ah"),
            f"the label of one unit within its capacities, {rows[0][1]:g} to {rows[-1][1]:g} Ah",
            f"{written.unit_ah:g} Ah",
            "Both are of one unit.",
        )
    return rows if desk.mistakes == before else ()


def rated_ah(capacities: tuple[tuple[float, float], ...], desk: Desk) -> float:
    """Return the ampere-hours a unit would be labelled with: those nearest to the 20-hour rate."""
    hours, ah = min(capacities, key=lambda row: abs(math.log(row[0] / RATED_H)))
    desk.default(f"One unit of the bank is taken as {ah:g} Ah, its capacity in {hours:g} h.", "[bank] unit_ah")
    return ah


def merge_soh(written: BankTable, chemistry: str, calendar_years: float, desk: Desk) -> float:
    """Return the state of health: as written, or what the age leaves of it."""
    if written.soh_start is not None:
        return written.soh_start
    age_years = written.age_years or 0.0
    if age_years == 0.0:
        return 1.0
    if chemistry == "lfp":
        soh, source = 1.0 - LFP_FADE_PER_ROOT_YEAR * math.sqrt(age_years), "Naumann et al. 2018, at half charge and 25 C"
    else:
        soh, source = 1.0 - END_FADE * age_years / calendar_years, "an even fade over its shelf life; common practice, no source"
    soh = max(LEAST_SOH, round(soh, 3))
    sentence = f"After {age_years:g} years the bank is taken to hold {soh:.0%} of its rated charge ({source})."
    desk.default(sentence, "[bank] soh_start")
    return soh


def judge_service(written: BankTable, calendar_years: float, desk: Desk) -> None:
    """Say what is odd about age and warranty."""
    if written.age_years is not None and written.age_years >= calendar_years:
        desk.note(
            ("bank", "age_years"),
            f"the bank is {written.age_years:g} years old, and its shelf life is {calendar_years:g}: it counts as worn out.",
        )
    if written.warranty_years is not None and written.warranty_years > calendar_years:
        desk.note(
            ("bank", "warranty_years"),
            f"the warranty of {written.warranty_years:g} years is longer than the shelf life of {calendar_years:g} years; "
            "write calendar_years if the maker promises more.",
        )


def merge_rest_of_year(written: RestOfYearTable | None, chemistry: str, trip_days: int, desk: Desk) -> StoredBank | None:
    """Finish the rest of the year; None: the route again, which is the default. ``trip_days`` is the length of the route."""
    if written is None:
        if trip_days < DAYS_PER_YEAR - 1:
            desk.default(
                "Every year the route is driven again and again, for all figures per year and for the life (no source; "
                "write storage = { soc, temp_c, on_float } for a bank that rests).",
                "[rest_of_year]",
            )
        return None
    if (written.route_again is None) == (written.storage is None):
        got = "neither" if written.route_again is None else "both"
        if desk.sound(("rest_of_year", "route_again"), ("rest_of_year", "storage")):
            desk.mistake(("rest_of_year",), "exactly one of route_again = true and storage = {...}", got)
        return None
    storage = written.storage
    if storage is None:
        return None
    path: Path = ("rest_of_year", "storage")
    if trip_days >= DAYS_PER_YEAR:
        desk.note(path, f"the route takes {trip_days} days: no rest of the year is left, and the storage has no effect.")
    on_float = bool(storage.on_float)
    usual_soc = STORED_LEAD_SOC if on_float else STORED_SOC.get(chemistry, STORED_LEAD_SOC)
    soc = usual_soc if storage.soc is None else storage.soc
    temp_c = STORED_C if storage.temp_c is None else storage.temp_c
    if storage.soc is None or storage.temp_c is None:
        desk.default(f"Stored at {soc:.0%} charge and {temp_c:g} C (common practice, no source).", "[rest_of_year] storage")
    if chemistry != "lfp" and not on_float and soc < 0.8:
        desk.note(path, f"a lead-acid bank put away at {soc:.0%} hardens (sulphation); store it full and charge it now and then.")
    if chemistry == "lfp" and (on_float or soc > 0.9):
        desk.note(path, f"a lithium bank kept at {soc:.0%} ages faster than at half charge.")
    low_c = load_preset("chemistries").number(chemistry, "discharge_min_c")
    if temp_c < low_c:
        desk.note(path, f"{temp_c:g} C is colder than the {low_c:g} C its cells are rated for.")
    return StoredBank(soc=soc, temp_c=temp_c, on_float=on_float)
