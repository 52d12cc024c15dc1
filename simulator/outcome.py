"""What a run found: hours, days, flat days with their cause, the energy ledger. Words as DEVELOPERS.md defines them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from simulator.battery import kernel as k
from simulator.battery.ageing import LifeEstimate, estimate_life
from simulator.battery.kernel import FloatArray
from simulator.battery.use import stored_mean
from simulator.battery.wells import bank_charge_ah
from simulator.electrics import (
    MedicalLine,
    PriorityLine,
    cold_cabin_sentence,
    flat_for_all_load,
    medical_lines,
    priority_lines,
)
from simulator.loads import LoadHistory
from simulator.protections import Protection, bank_warnings, protections
from simulator.reasons import Reason, reason, usual_light_wh_m2
from simulator.scenario.parts import Scenario
from simulator.sources import fuel_litres
from simulator.timeline import Timeline
from simulator.units import DAYS_PER_YEAR, HOURS_PER_DAY

FLAT_DARK_H = 0.25
"""A day is flat when essential load was unserved this long ..."""
FLAT_MISSED_FRAC = 0.02
"""... or for this share of the day's load."""
CAUSES = ("cold", "snow", "shade", "controller", "acceptance", "voltage", "structural", "buffer")
"""In the order in which they are tried."""
COLD_CELLS_C = 10.0
"""Cells that were never colder are not called cold, though a lead-acid bank at 20 C gives a little less than at 25 (common
practice, no source)."""
STRUCTURAL_DAYS = 30
LEAST_STRUCTURAL_DAYS = 7
"""Fewer days than this tell nothing of weeks (common practice, no source)."""
THIN_RATIO = 1.2
"""Below this harvest ratio little is left for a dark spell (common practice, no source)."""
UNSERVED_WH = 1e-6
"""Less than this served in an hour is nothing."""
SAME_SOC = 0.0005
"""States of charge this close are one for a person."""
WASTE_FRAC = 0.15
"""Idle draw above this share of the load is named as waste."""

BROUGHT = (k.SHORE_WH, k.DRIVE_WH, k.GENERATOR_WH, k.OTHER_WH)
"""What charges besides the sun."""
SPILLED = {
    "controller": k.SPILLED_CONTROLLER_WH,
    "full": k.SPILLED_FULL_WH,
    "acceptance": k.SPILLED_ACCEPTANCE_WH,
    "charge_limit": k.SPILLED_LIMIT_WH,
    "cold": k.REFUSED_COLD_WH,
    "hot": k.REFUSED_HOT_WH,
    "high_voltage": k.REFUSED_HIGH_WH,
}


@dataclass(frozen=True)
class Refill:
    """Hours from ``from_soc`` to ``to_soc`` on one charger alone; None: not within 20 days."""

    source: str
    charger_a: float
    from_soc: float
    to_soc: float
    hours: float | None
    offered_h: float
    """Hours in which it is on offer over the whole trip."""


@dataclass(frozen=True)
class FlatDay:
    """One local day on which the bank left essential load unserved."""

    day: int
    date: date
    stop: str
    dark_h: float
    missed_wh: float
    cause: str


@dataclass(frozen=True)
class Outage:
    """Essential load unserved without a break; ends None when the trip ended in the dark."""

    start: pd.Timestamp
    end: pd.Timestamp | None
    stop: str
    missed_wh: float
    dark_h: float
    cause: str


@dataclass(frozen=True)
class StopLine:
    """One stop's sums."""

    name: str
    days: int
    load_wh_per_day: float
    sun_wh_per_day: float
    harvest_ratio: float | None
    lowest_soc: float
    flat_days: int


def flat_mask(days: FloatArray) -> npt.NDArray[np.bool_]:
    """Which days are flat, from ``(..., days, DAY_FIELDS)``: at least 15 minutes or 2 % of the day's load in an outage."""
    missed = days[..., k.DAY_MISSED_WH]
    share = (missed > 0.0) & (missed >= FLAT_MISSED_FRAC * days[..., k.DAY_LOAD_WH])
    return np.asarray((days[..., k.DAY_DARK_H] >= FLAT_DARK_H) | share)


def days_until_dark(hours: FloatArray) -> float | None:
    """Days until essential load goes dark for the first time, from ``(hours, HOUR_FIELDS)``; None: it never does."""
    dark = np.flatnonzero(hours[:, k.DARK_H] > 0.0)
    if not len(dark):
        return None
    hour = int(dark[0])
    part = 0.0 if hours[hour, k.DARK_AT_START] > 0.0 else 1.0 - float(hours[hour, k.DARK_H])
    return (hour + part) / HOURS_PER_DAY


@dataclass(frozen=True, eq=False)
class Outcome:
    """Everything a run found. Arrays: ``hours`` and ``no_sun_hours`` (hours, HOUR_FIELDS), ``days`` (lanes, days, DAY_FIELDS)."""

    scenario: Scenario
    timeline: Timeline
    temp_air: FloatArray
    ghi: FloatArray
    usual_sun: tuple[tuple[float, ...] | None, ...]
    """By stop: usual light on the flat, month by month [kWh/m2 a day]; None: nobody knows."""
    load: LoadHistory
    weather_sources: tuple[str, ...]
    notes: tuple[str, ...]
    curve: FloatArray
    start_soc: float
    cell_c_before: float
    lane_names: tuple[str, ...]
    totals: FloatArray
    days: FloatArray
    hours: FloatArray
    no_sun_hours: FloatArray
    charger_a: FloatArray
    """(hours,): amperes that hookup, engine and generator offer."""
    other_w: FloatArray
    """(hours,): watts that other sources offer."""
    refills: tuple[Refill, ...]

    # ---- days ----

    @cached_property
    def flat(self) -> npt.NDArray[np.bool_]:
        """(lanes, days): which days are flat in each lane."""
        return flat_mask(self.days)

    @cached_property
    def flat_day_counts(self) -> dict[str, int]:
        """Flat days of every lane by its name."""
        return {name: int(count) for name, count in zip(self.lane_names, self.flat.sum(axis=1), strict=True)}

    def _stop_name(self, day: int) -> str:
        return self.scenario.stops[int(self.timeline.day_stop[day])].name

    @cached_property
    def flat_days(self) -> tuple[FlatDay, ...]:
        """Flat days of the bank as proposed, in order."""
        base = self.days[0]
        return tuple(
            FlatDay(
                day=int(day),
                date=self.timeline.dates[day],
                stop=self._stop_name(int(day)),
                dark_h=float(base[day, k.DAY_DARK_H]),
                missed_wh=float(base[day, k.DAY_MISSED_WH]),
                cause=self.cause_of_day(int(day)),
            )
            for day in np.flatnonzero(self.flat[0])
        )

    @cached_property
    def thin(self) -> npt.NDArray[np.bool_]:
        """(days,): no outage, but below the planning line, or less than a day's essential load left above the cut-off.

        Days that are spent wholly off the road are never thin: nobody wants anything of the bank.
        """
        bank = self.scenario.bank
        base = self.days[0]
        lowest = base[:, k.DAY_LOWEST_SOC]
        below = (lowest < 1.0 - bank.usable_frac - 1e-9) & (bank.at_floor == "keep")
        left_wh = self.stored_wh(lowest) - self.stored_wh(np.full_like(lowest, bank.cutoff_soc))
        short = left_wh < base[:, k.DAY_ESSENTIAL_WH]
        clock = self.timeline
        lived_in = np.bincount(clock.local_day, weights=~clock.stored, minlength=clock.days) > 0.0
        return np.asarray((below | short) & (base[:, k.DAY_MISSED_WH] <= 0.0) & lived_in)

    @cached_property
    def flat_nights(self) -> int:
        """Nights (local noon to noon) touched by at least 15 minutes of outage."""
        night = self.timeline.local_day + (self.timeline.local_hour >= HOURS_PER_DAY / 2)
        dark_h = np.bincount(night, weights=self.hours[:, k.DARK_H])
        return int((dark_h >= FLAT_DARK_H).sum())

    # ---- causes ----

    def cause_of_day(self, day: int) -> str:
        """The first constraint whose lifting cures a flat day; else structural (too little comes in, for weeks) or buffer.

        A day that is not flat has no constraint to lift. Structural asks for at least a week to judge by, or for a trip on
        which nothing comes in at all.
        """
        if self.flat[0, day]:
            for name in CAUSES[:-2]:
                lane = f"lift {name}"
                if name == "voltage" and self.days[0, day, k.DAY_LOWEST_SOC] < 1.0 - self.scenario.bank.usable_frac:
                    # Below the planning line a falling voltage only says that the bank is nearly empty.
                    continue
                if name == "cold" and not self._cells_were_cold(day):
                    continue
                if lane in self.lane_names and not self.flat[self.lane_names.index(lane), day]:
                    return name
        first = max(day - STRUCTURAL_DAYS + 1, 0)
        ratio = self._ratio(self._hours_of_days(first, day))
        if ratio is None or ratio >= 1.0 or (ratio > 0.0 and day - first + 1 < LEAST_STRUCTURAL_DAYS):
            return "buffer"
        return "structural"

    def _cells_were_cold(self, day: int) -> bool:
        """Whether the cells were cold within the days that tell of weeks, or as cold as the bank's own limits."""
        bank = self.scenario.bank
        coldest_c = self.hours[self._hours_of_days(max(day - STRUCTURAL_DAYS + 1, 0), day), k.CELL_END_C].min()
        return bool(coldest_c <= max(COLD_CELLS_C, bank.charge_resume_c, bank.discharge_min_c))

    def looked_back(self, day: int) -> tuple[int, bool]:
        """Days that tell whether a flat day is structural, that day included, and whether the trip began with them."""
        first = max(day - STRUCTURAL_DAYS + 1, 0)
        return day - first + 1, first == 0

    def carries_day(self, day: int) -> bool:
        """Whether the full bank holds, down to its cut-off, what is asked for on that day."""
        full_wh, empty_wh = self.stored_wh(np.array([1.0, self.scenario.bank.cutoff_soc]))
        return bool(full_wh - empty_wh >= self.days[0, day, k.DAY_LOAD_WH])

    @cached_property
    def _usual_light(self) -> FloatArray | None:
        return usual_light_wh_m2(self.timeline, self.usual_sun)

    def reason_of_day(self, day: int) -> Reason:
        """The ledger of the days before a flat day."""
        return reason(self.hours, self.timeline, day, self.ghi, self._usual_light)

    def _hours_of_days(self, first: int, last: int) -> npt.NDArray[np.bool_]:
        return (self.timeline.local_day >= first) & (self.timeline.local_day <= last)

    def _ratio(self, mask: npt.NDArray[np.bool_], *, sun_only: bool = False) -> float | None:
        """What panels and chargers offer over what load, heater and electronics ask for; None without any load."""
        # Months off the road ask for nothing and say nothing of the system.
        mask = mask & ~self.timeline.stored
        here = self.hours[mask]
        load = here[:, k.LOAD_WH].sum()
        if load <= 0.0:
            return None
        asked = load + here[:, k.HEATER_WH].sum() + here[:, k.STANDBY_WH].sum()
        # Charge that ends at a high voltage ends near full, and is no more lost to the system than what a full bank leaves.
        refused = here[:, [k.SPILLED_CONTROLLER_WH, k.REFUSED_COLD_WH, k.REFUSED_HOT_WH]].sum()
        sun = here[:, k.SUN_OFFERED_WH].sum() - refused
        offered = self.charger_a[mask] * here[:, k.BUS_V] + self.other_w[mask]
        # Of what the cold locks out, chargers still bring what the load takes.
        brought = here[:, list(BROUGHT)].sum(axis=1)
        other = 0.0 if sun_only else np.where(here[:, k.LOCKED_H] > 0.0, brought, offered).sum()
        return float((sun + other) / asked)

    @cached_property
    def harvest_ratio_by_stop(self) -> dict[str, float | None]:
        """Harvest ratio of each stop (with its number, since names may repeat)."""
        return {
            f"{stop.number} {stop.name}": self._ratio(self.timeline.stop == place)
            for place, stop in enumerate(self.scenario.stops)
        }

    @cached_property
    def sun_ratio_by_stop(self) -> dict[str, float | None]:
        """The same from the sun alone."""
        return {
            f"{stop.number} {stop.name}": self._ratio(self.timeline.stop == place, sun_only=True)
            for place, stop in enumerate(self.scenario.stops)
        }

    @cached_property
    def harvest_ratio_by_month(self) -> dict[str, float | None]:
        """Harvest ratio of each calendar month of the trip, as YYYY-MM."""
        month = np.array([f"{day:%Y-%m}" for day in self.timeline.dates])[self.timeline.local_day]
        return {str(name): self._ratio(month == name) for name in dict.fromkeys(month)}

    @cached_property
    def sun_ratio_by_month(self) -> dict[str, float | None]:
        """The same from the sun alone."""
        month = np.array([f"{day:%Y-%m}" for day in self.timeline.dates])[self.timeline.local_day]
        return {str(name): self._ratio(month == name, sun_only=True) for name in dict.fromkeys(month)}

    # ---- outages ----

    @cached_property
    def outages(self) -> tuple[Outage, ...]:
        """Runs of dark time, to the moment inside the hour at which they begin and end."""
        dark_h = self.hours[:, k.DARK_H]
        at_start = self.hours[:, k.DARK_AT_START] > 0.0
        at_end = self.hours[:, k.DARK_AT_END] > 0.0
        missed = self.hours[:, [k.MISSED_DARK_WH, k.MISSED_SHED_WH, k.MISSED_LIMIT_WH]].sum(axis=1)
        nothing_served = self.hours[:, k.LOAD_WH] - missed <= UNSERVED_WH
        # Essential load that asks only in the peak of each hour is not served in the rest of it: that is no light in between.
        asks_no_more = self.load.bus_w[0, :, 0, k.REST_W] <= 0.0
        goes_on = at_end | nothing_served | (~at_start & asks_no_more)
        found: list[Outage] = []
        first: int | None = None
        for hour in np.flatnonzero(dark_h > 0.0):
            if first is None:
                first = int(hour)
            if goes_on[hour] and hour + 1 < len(dark_h) and at_start[hour + 1]:
                continue
            last = int(hour)
            start = self.timeline.utc[first] + pd.Timedelta(hours=0.0 if at_start[first] else 1.0 - float(dark_h[first]))
            end: pd.Timestamp | None = self.timeline.utc[last] + pd.Timedelta(hours=1.0 if at_end[last] else float(dark_h[last]))
            if last == len(dark_h) - 1 and at_end[last]:
                end = None
            if not at_start[first] and not at_end[first]:
                start = self.timeline.utc[first]
                if first == last:
                    end = start + pd.Timedelta(hours=float(dark_h[first]))
            touched = np.unique(self.timeline.local_day[first : last + 1])
            flat = touched[self.flat[0, touched]]
            day = int(flat[0] if flat.size else touched[0])
            found.append(
                Outage(
                    start=start,
                    end=end,
                    stop=self.scenario.stops[int(self.timeline.stop[first])].name,
                    missed_wh=float(self.hours[first : last + 1, k.ESSENTIAL_DARK_WH].sum()),
                    dark_h=float(dark_h[first : last + 1].sum()),
                    cause=self.cause_of_day(day),
                )
            )
            first = None
        return tuple(found)

    def local(self, moment: pd.Timestamp) -> pd.Timestamp:
        """The moment on the clock of the hour it falls into (naive: for reading, not for reckoning)."""
        hour = min(max(int((moment - self.timeline.utc[0]) / pd.Timedelta(hours=1)), 0), len(self.timeline.utc) - 1)
        return moment.tz_localize(None) + timedelta(hours=float(self.timeline.utc_offset_h[hour]))

    # ---- the bank ----

    def stored_wh(self, soc: FloatArray) -> FloatArray:
        """Energy stored at ``soc`` [Wh], from the open-circuit curve."""
        bank = self.scenario.bank
        grid = np.linspace(0.0, 1.0, k.NODES + 1)
        return np.asarray(np.interp(soc, grid, self.curve[:, k.ENERGY]) * bank_charge_ah(bank))

    @cached_property
    def lowest(self) -> tuple[float, int]:
        """Lowest state of charge and the hour in which it was first met, but for a little self-discharge."""
        lowest = self.hours[:, k.SOC_LOWEST]
        return float(lowest.min()), int(np.argmax(lowest <= lowest.min() + SAME_SOC))

    @cached_property
    def autonomy_days(self) -> float | None:
        """Days the full bank carries this load from the trip's start without any charging; None: longer than the trip."""
        return days_until_dark(self.no_sun_hours)

    @cached_property
    def longest_without_full(self) -> float:
        """Longest stretch without a full bank [days]."""
        full = self.hours[:, k.FULL_H] > 0.0
        edges = np.concatenate([[-1], np.flatnonzero(full), [len(full)]])
        return float((np.diff(edges) - 1).max() / HOURS_PER_DAY)

    @cached_property
    def life(self) -> LifeEstimate:
        """Cycles and years, by the published laws and the depth curve of the bank's preset."""
        bank, rest = self.scenario.bank, self.scenario.rest_of_year
        return estimate_life(
            bank,
            self.hours[:, k.SOC_END],
            self.hours[:, k.CELL_END_C],
            ah_out=float(self.hours[:, k.DISCHARGED_AH].sum()),
            soc_before=self.start_soc,
            storage=None if rest is None else stored_mean(bank, rest, DAYS_PER_YEAR - self.timeline.days),
        )

    @cached_property
    def protections(self) -> tuple[Protection, ...]:
        """Every protection of the bank: how often it acted, when first, what it cost."""
        return protections(self.scenario.bank, self.hours, self.cell_c_before)

    @cached_property
    def warnings(self) -> tuple[str, ...]:
        """Sentences on what ought to be looked at in the bank."""
        cold_cabin = cold_cabin_sentence(self.hours)
        found = bank_warnings(self.scenario.bank, self.hours, self.longest_without_full)
        return found if cold_cabin is None else (*found, cold_cabin)

    @cached_property
    def priorities(self) -> tuple[PriorityLine, ...]:
        """What each priority missed."""
        return priority_lines(self.hours)

    @cached_property
    def medical(self) -> tuple[MedicalLine, ...]:
        """How every appliance marked medical fared, in the order of the scenario."""
        devices = [it for it in self.scenario.appliances if it.medical]
        return medical_lines(devices, self.hours, self.load, self.timeline.local_day)

    @cached_property
    def flat_for_all_load(self) -> npt.NDArray[np.bool_]:
        """(days,): days that are flat when comfort and luxury count like essential load."""
        return flat_for_all_load(
            self.hours, self.timeline.local_day, self.timeline.days, dark_h=FLAT_DARK_H, missed_frac=FLAT_MISSED_FRAC
        )

    @cached_property
    def generator_litres(self) -> float:
        """Fuel of the generator over the trip [l]."""
        if self.scenario.generator is None:
            return 0.0
        run_h, given_wh = self.hours[:, k.GENERATOR_H], self.hours[:, k.GENERATOR_WH]
        return float(fuel_litres(self.scenario.generator, run_h, given_wh).sum())

    @cached_property
    def overload_wh(self) -> float:
        """Load that a limit refused while the bank was not empty: the bank's discharge limit, or the inverter's rating [Wh]."""
        return float(self.hours[:, k.MISSED_LIMIT_WH].sum() + self.load.overload_w[0].sum())

    @cached_property
    def stop_lines(self) -> tuple[StopLine, ...]:
        """One line a stop."""
        found = []
        for place, stop in enumerate(self.scenario.stops):
            here = self.timeline.stop == place
            days = here.sum() / HOURS_PER_DAY
            rows = self.hours[here]
            found.append(
                StopLine(
                    name=stop.name,
                    days=int((self.timeline.day_stop == place).sum()),
                    load_wh_per_day=float(rows[:, k.LOAD_WH].sum() / days) if days else 0.0,
                    sun_wh_per_day=float(rows[:, k.SUN_OFFERED_WH].sum() / days) if days else 0.0,
                    harvest_ratio=self._ratio(here),
                    lowest_soc=float(rows[:, k.SOC_LOWEST].min()) if days else 1.0,
                    flat_days=int(self.flat[0][self.timeline.day_stop == place].sum()),
                )
            )
        return tuple(found)

    # ---- the ledger ----

    @cached_property
    def hourly_closure_wh(self) -> FloatArray:
        """(hours,): what the books of each hour leave open [Wh], with the stored energy taken from the charge series."""
        h = self.hours
        soc = np.concatenate([[self.start_soc], h[:, k.SOC_END]])
        stored = np.diff(self._exact_stored_wh(soc))
        missed = h[:, [k.MISSED_DARK_WH, k.MISSED_SHED_WH, k.MISSED_LIMIT_WH]].sum(axis=1)
        came = h[:, [k.SUN_OFFERED_WH, *BROUGHT]].sum(axis=1)
        went = h[:, k.LOAD_WH] - missed + h[:, k.STANDBY_WH] + h[:, k.HEATER_WH] + h[:, list(SPILLED.values())].sum(axis=1)
        lost = h[:, [k.LOSS_OHMIC_WH, k.LOSS_CHARGING_WH, k.LOSS_SELF_WH]].sum(axis=1)
        return np.asarray(came - went - lost - stored)

    def _exact_stored_wh(self, soc: FloatArray) -> FloatArray:
        """As :meth:`stored_wh`, but exact between nodes (a line through two integrals is not the integral of a line)."""
        position = soc * k.NODES
        cell = np.clip(position.astype(np.int64), 0, k.NODES - 1)
        part = position - cell
        low, high = self.curve[cell, k.OCV], self.curve[cell + 1, k.OCV]
        energy = self.curve[cell, k.ENERGY] + part * (low + 0.5 * part * (high - low)) / k.NODES
        return np.asarray(energy * bank_charge_ah(self.scenario.bank))

    @cached_property
    def closure(self) -> float:
        """Largest open item of any hour, as a share of max(throughput, 1 Wh)."""
        came = self.hours[:, [k.SUN_OFFERED_WH, *BROUGHT, k.DISCHARGED_WH]].sum(axis=1)
        through = np.maximum(np.maximum(came, self.hours[:, k.LOAD_WH]), 1.0)
        return float(np.max(np.abs(self.hourly_closure_wh) / through))

    @cached_property
    def ledger(self) -> dict[str, float]:
        """Terms of the energy ledger over the trip [Wh]; what came equals what went plus what is stored more."""
        t = self.hours.sum(axis=0)
        soc_end = self.hours[-1, k.SOC_END]
        stored = self._exact_stored_wh(np.array([self.start_soc, soc_end]))
        terms = {
            "solar_offered_wh": t[k.SUN_OFFERED_WH],
            "shore_wh": t[k.SHORE_WH],
            "driving_wh": t[k.DRIVE_WH],
            "generator_wh": t[k.GENERATOR_WH],
            "other_sources_wh": t[k.OTHER_WH],
            "load_served_wh": t[k.LOAD_WH] - t[k.MISSED_DARK_WH] - t[k.MISSED_SHED_WH] - t[k.MISSED_LIMIT_WH],
            "standby_wh": t[k.STANDBY_WH],
            "heater_wh": t[k.HEATER_WH],
        }
        terms |= {f"spilled_{name}_wh": t[column] for name, column in SPILLED.items()}
        terms |= {
            "loss_resistance_wh": t[k.LOSS_OHMIC_WH],
            "loss_charging_wh": t[k.LOSS_CHARGING_WH],
            "loss_self_discharge_wh": t[k.LOSS_SELF_WH],
            "stored_more_wh": stored[1] - stored[0],
            "missed_dark_wh": t[k.MISSED_DARK_WH],
            "missed_switched_off_wh": t[k.MISSED_SHED_WH],
            "missed_overload_wh": t[k.MISSED_LIMIT_WH],
            "refused_by_inverter_wh": self.load.overload_w[0].sum(),
            "charger_refused_wh": t[k.REFUSED_CHARGER_WH],
        }
        return {name: float(value) for name, value in terms.items()}

    @cached_property
    def waste(self) -> float:
        """Share of the load that is the inverter's idle draw."""
        total = float(self.hours[:, k.LOAD_WH].sum())
        return float(self.load.inverter_idle_w.sum()) / total if total > 0.0 else 0.0
