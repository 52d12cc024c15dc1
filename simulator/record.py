"""What a run leaves behind for other programs: the summary object, tidy tables, and files that are whole or not there."""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from simulator.battery import kernel as k
from simulator.errors import InputError, printable
from simulator.outcome import BROUGHT, SPILLED, Outcome
from simulator.scenario.cautions import cautions_of
from simulator.units import MINUTES_PER_HOUR, SECONDS_PER_HOUR
from simulator.version import package_version

SCRATCH = ".flatdays-"
"""How the temporary folder begins in which results are written before they are renamed."""
LEFT_BEHIND_S = float(SECONDS_PER_HOUR)
"""One that is older belongs to a run that was killed: writing takes a second."""


def _round(value: float | None, digits: int) -> float | None:
    """Fixed decimals; what is not a finite number becomes null."""
    if value is None or not np.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def summary(outcome: Outcome) -> dict[str, Any]:
    """The answer as one object without NaN, clock time or path; watt-hours to 0.1, shares to 0.0001."""
    lowest_soc, lowest_hour = outcome.lowest
    life = outcome.life
    ledger = outcome.ledger
    utc = outcome.timeline.utc
    return {
        "flatdays": package_version(),
        "scenario": outcome.scenario.title,
        "scenario_sha256": outcome.scenario.sha256,
        "seed": outcome.scenario.seed,
        "weather": list(outcome.weather_sources),
        "days": outcome.timeline.days,
        "flat_days": [
            {
                "date": day.date.isoformat(),
                "day": day.day + 1,
                "stop": day.stop,
                "dark_h": _round(day.dark_h, 2),
                "missed_wh": _round(day.missed_wh, 1),
                "cause": day.cause,
                "before": outcome.reason_of_day(day.day).sentence,
            }
            for day in outcome.flat_days
        ],
        "flat_nights": outcome.flat_nights,
        "medical": [
            {
                "appliance": line.name,
                "asked_h": _round(line.asked_h, 1),
                "dark_h": _round(line.dark_h, 2),
                "days": line.days,
                "first_utc": None if line.first_hour < 0 else utc[line.first_hour].isoformat(),
                "overload_h": _round(line.overload_h, 1),
            }
            for line in outcome.medical
        ],
        "outages": [
            {
                "start": outage.start.round("min").isoformat(),
                "end": None if outage.end is None else outage.end.round("min").isoformat(),
                "stop": outage.stop,
                "dark_h": _round(outage.dark_h, 2),
                "missed_wh": _round(outage.missed_wh, 1),
                "cause": outage.cause,
            }
            for outage in outcome.outages
        ],
        "thin_days": int(outcome.thin.sum()),
        "overload_wh": _round(outcome.overload_wh, 1),
        "missed_by_priority": {
            line.name: {"missed_wh": _round(line.missed_wh, 1), "hours": _round(line.hours, 1)} for line in outcome.priorities
        },
        "flat_days_of_all_load": int(outcome.flat_for_all_load.sum()),
        "harvest_ratio": {name: _round(ratio, 3) for name, ratio in outcome.harvest_ratio_by_stop.items()},
        "harvest_ratio_by_sun_alone": {name: _round(ratio, 3) for name, ratio in outcome.sun_ratio_by_stop.items()},
        "harvest_ratio_by_month": {name: _round(ratio, 3) for name, ratio in outcome.harvest_ratio_by_month.items()},
        "if_load_plus_20_pct": outcome.flat_day_counts["load +20 %"],
        "if_sun_minus_15_pct": outcome.flat_day_counts["sun -15 %"],
        "if_lifted": {
            name.removeprefix("lift "): count for name, count in outcome.flat_day_counts.items() if name.startswith("lift ")
        },
        "if_mended": {
            name.removeprefix("mend "): count for name, count in outcome.flat_day_counts.items() if name.startswith("mend ")
        },
        "autonomy_days": _round(outcome.autonomy_days, 2),
        "refill_hours": {
            refill.source: {
                "charger_a": _round(refill.charger_a, 2),
                "hours": _round(refill.hours, 2),
                "offered_h": _round(refill.offered_h, 1),
            }
            for refill in outcome.refills
        },
        "lowest_soc": _round(lowest_soc, 4),
        "lowest_soc_utc": utc[lowest_hour].isoformat(),
        "longest_days_without_full": _round(outcome.longest_without_full, 2),
        "protections": {
            act.name: {
                "times": act.times,
                "hours": _round(act.hours, 2),
                "wh": _round(act.wh, 1),
                "first_utc": utc[act.first_hour].isoformat() if act.times else None,
                "longest_h": _round(act.longest_h, 2),
                "longest_utc": utc[act.longest_hour].isoformat() if act.times else None,
            }
            for act in outcome.protections
        },
        "bank_warnings": list(outcome.warnings),
        "missed_wh": _round(float(outcome.hours[:, k.ESSENTIAL_DARK_WH].sum()), 1),
        "load_wh": _round(float(outcome.hours[:, k.LOAD_WH].sum()), 1),
        "solar_offered_wh": _round(float(outcome.hours[:, k.SUN_OFFERED_WH].sum()), 1),
        "solar_used_wh": _round(float(outcome.hours[:, k.SUN_USED_WH].sum()), 1),
        "generator_litres": _round(outcome.generator_litres, 2),
        "generator_h": _round(float(outcome.hours[:, k.GENERATOR_H].sum()), 2),
        "full_cycles_per_year": _round(life.full_cycles_per_year, 2),
        "counted_cycles_per_year": _round(life.counted_cycles_per_year, 2),
        "life_years": _round(life.life_years, 2),
        "life_ended_by": life.ended_by,
        "life_band_years": [_round(years, 2) for years in life.band_years],
        "life_assumption": life.assumption,
        "idle_share_of_load": _round(outcome.waste, 4),
        "stops": [
            {
                "stop": line.name,
                "days": line.days,
                "load_wh_per_day": _round(line.load_wh_per_day, 1),
                "solar_offered_wh_per_day": _round(line.sun_wh_per_day, 1),
                "harvest_ratio": _round(line.harvest_ratio, 3),
                "lowest_soc": _round(line.lowest_soc, 4),
                "flat_days": line.flat_days,
            }
            for line in outcome.stop_lines
        ],
        "ledger": {name: _round(value, 1) for name, value in ledger.items()} | {"closure": float(f"{outcome.closure:.1e}")},
        "defaults_used": list(outcome.scenario.defaults_used),
        "notes": list(outcome.notes),
        "cautions": list(cautions_of([outcome.scenario])),
    }


def summary_text(outcome: Outcome) -> str:
    """The summary as JSON text."""
    return json.dumps(summary(outcome), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def days_table(outcome: Outcome) -> pd.DataFrame:
    """One row a local day of the trip, in order (a date can repeat or skip at the date line)."""
    clock = outcome.timeline
    base = outcome.days[0]
    other_wh = np.bincount(
        clock.local_day,
        weights=outcome.hours[:, list(BROUGHT)].sum(axis=1),
        minlength=clock.days,
    )
    cause = {day.day: day.cause for day in outcome.flat_days}
    return pd.DataFrame(
        {
            "date": [day.isoformat() for day in clock.dates],
            "day": np.arange(1, clock.days + 1),
            "stop": [outcome.scenario.stops[int(place)].name for place in clock.day_stop],
            "load_wh": base[:, k.DAY_LOAD_WH].round(1),
            "solar_offered_wh": base[:, k.DAY_SUN_OFFERED_WH].round(1),
            "solar_used_wh": base[:, k.DAY_SUN_USED_WH].round(1),
            "other_charge_wh": other_wh.round(1),
            "missed_wh": base[:, k.DAY_MISSED_WH].round(1),
            "dark_h": base[:, k.DAY_DARK_H].round(3),
            "lowest_soc": base[:, k.DAY_LOWEST_SOC].round(4),
            "flat": outcome.flat[0],
            "thin": outcome.thin,
            "cause": [cause.get(day, "") for day in range(clock.days)],
        }
    )


def hours_table(outcome: Outcome) -> pd.DataFrame:
    """One row an hour: means in watts, charge at the hour's end; power into the bank is positive."""
    clock = outcome.timeline
    h = outcome.hours
    minutes = clock.utc.tz_localize(None).to_numpy().astype("datetime64[m]")
    # The date is the day's own, not the dial's: at the date line they part.
    dates = np.array(clock.dates, dtype="datetime64[m]")[clock.local_day]
    local = dates + np.round(clock.local_hour * MINUTES_PER_HOUR).astype("timedelta64[m]")
    names = np.array([stop.name for stop in outcome.scenario.stops], dtype=object)
    return pd.DataFrame(
        {
            "utc": np.char.add(np.datetime_as_string(minutes), "Z"),
            "local": np.datetime_as_string(local),
            "stop": names[clock.stop],
            "driving_frac": clock.driving_frac.round(3),
            "hookup": clock.hookup,
            "load_w": h[:, k.LOAD_WH].round(2),
            "solar_offered_w": h[:, k.SUN_OFFERED_WH].round(2),
            "solar_used_w": h[:, k.SUN_USED_WH].round(2),
            "other_charge_w": h[:, list(BROUGHT)].sum(axis=1).round(2),
            "bank_w": (h[:, k.CHARGED_WH] - h[:, k.DISCHARGED_WH]).round(2),
            "bus_v": h[:, k.BUS_V].round(3),
            "soc": h[:, k.SOC_END].round(5),
            "cell_c": h[:, k.CELL_END_C].round(2),
            "temp_air": np.asarray(outcome.temp_air).round(2),
            "charge_locked": h[:, k.LOCKED_H] > 0.0,
            "heater_w": h[:, k.HEATER_WH].round(2),
            "spilled_w": h[:, list(SPILLED.values())].sum(axis=1).round(2),
            "refused_cold_w": h[:, k.REFUSED_COLD_WH].round(2),
            "missed_w": h[:, [k.MISSED_DARK_WH, k.MISSED_SHED_WH, k.MISSED_LIMIT_WH]].sum(axis=1).round(2),
            "dark_h": h[:, k.DARK_H].round(4),
        }
    )


def table_text(table: pd.DataFrame) -> str:
    """A table as CSV, byte for byte as pandas would write it, in half the time."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table.columns)
    writer.writerows(zip(*(table[name].tolist() for name in table.columns), strict=True))
    return text.getvalue()


def check_folder(folder: Path) -> None:
    """Refuse, before any work is done, a folder that cannot be written.

    Raises
    ------
    InputError
        The folder is a file, a link that leads nowhere or a name that cannot be, or it and its nearest existing parent cannot be
        written.
    """
    name = printable(folder)
    try:
        if "\0" in str(folder):
            raise ValueError("it holds a zero byte")
        for part in (folder, *folder.parents):
            if part.is_symlink() and not part.exists():
                raise InputError(f"{name}: {printable(part)} is a link that leads nowhere; give --out another name")
        if folder.exists() and not folder.is_dir():
            raise InputError(f"{name}: this is a file, not a folder; give --out another name")
        existing = folder
        while not existing.exists() and existing != existing.parent:
            existing = existing.parent
        if not existing.is_dir():
            raise InputError(
                f"{name}: {printable(existing)} is a file, so no folder can be made below it; give --out another name"
            )
        if not os.access(existing, os.W_OK | os.X_OK):
            raise InputError(
                f"{name}: {printable(existing)} cannot be written; give --out a folder of your own, or change its permission"
            )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{name}: no folder can have this name ({reason}); give --out another name") from None


def write_files(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write texts or bytes by name into ``folder``: first into a temporary folder inside, then renamed: none is half there.

    Raises
    ------
    InputError
        The folder cannot be written, a folder stands where a file should be, or the disk is full; nothing is left behind, and
        what was there before is as it was.
    """
    check_folder(folder)
    name = printable(folder)
    made = not folder.exists()
    try:
        in_the_way = [file for file in files if (folder / file).is_dir() and not (folder / file).is_symlink()]
        if in_the_way:
            raise InputError(f"{name}: {in_the_way[0]} is a folder in there, not a file; move it away or give --out another name")
        folder.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(prefix=SCRATCH, dir=folder))
        try:
            for file, text in files.items():
                if isinstance(text, bytes):
                    (scratch / file).write_bytes(text)
                else:
                    (scratch / file).write_text(text, encoding="utf-8")
            for file in files:
                (scratch / file).replace(folder / file)
            _sweep(folder, scratch.stat().st_mtime)
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    except OSError as error:
        if made:
            shutil.rmtree(folder, ignore_errors=True)
        cure = "free some space, or give" if error.errno in (errno.ENOSPC, errno.EDQUOT) else "give"
        raise InputError(
            f"{name}: the results could not be written ({error.strerror or error}); {cure} --out another folder"
        ) from None


def _sweep(folder: Path, now_s: float) -> None:
    """Remove the temporary folders of runs that were killed long ago."""
    for left in folder.glob(f"{SCRATCH}*"):
        with contextlib.suppress(OSError):
            if left.is_dir() and not left.is_symlink() and now_s - left.stat().st_mtime > LEFT_BEHIND_S:
                shutil.rmtree(left, ignore_errors=True)
