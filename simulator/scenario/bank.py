"""The bank: what the person wrote over what its chemistry is like."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from simulator.scenario.bank_volts import merge_volts
from simulator.scenario.choosing import stands_only
from simulator.scenario.desk import Desk, unit_of
from simulator.scenario.lines import Path
from simulator.scenario.parts import Bank, Curve, Heater, Vehicle
from simulator.scenario.presets import Preset, load_preset
from simulator.scenario.service import judge_service, merge_capacities, merge_soh, rated_ah
from simulator.scenario.written import BankTable

SERIES_TOLERANCE_FRAC = 0.10
"""A bank's nominal voltage may differ this much from the bus's: 12.8 V is a 12 V bank (common practice, no source)."""
CELL_TOLERANCE_FRAC = 0.08
"""A unit's voltage may differ this much from a whole number of cells: 12 and 12.8 V are both four lithium cells."""
LEAST_HYSTERESIS_SOC = 0.005
"""Between off and on; with less, switching would pile up inside an hour."""
DISCONNECT_HYSTERESIS_SOC = 0.05
"""A disconnect at the planning line lets the loads come back this much above it (common practice, no source)."""


MOST_PER_H = {"charge_limit_a": 4.0, "discharge_limit_a": 20.0}
"""Rates above which a limit is a slip: filled in a quarter of an hour, empty in three minutes (common practice, no source)."""


MOST_WH_PER_KG = 1000.0
"""Several times what any cell on sale stores (common practice, no source: 30 to 45 lead-acid, 90 to 160 LFP)."""


class _Numbers:
    """Numbers of one unit: as written, or from the preset times what it is counted per."""

    def __init__(self, written: BankTable, chemistry: str, desk: Desk) -> None:
        self.written = written
        self.chemistry = chemistry
        self.desk = desk
        self.preset: Preset = load_preset("chemistries")

    def has(self, key: str) -> bool:
        """Whether the person wrote it."""
        return getattr(self.written, key) is not None

    def usual(self, key: str, preset_key: str = "", times: float = 1.0) -> float:
        """Return the written value, or the preset's; a written one outside of the preset's range gets a note."""
        keys = (self.chemistry, preset_key or key)
        value = getattr(self.written, key)
        if value is None:
            return self.preset.number(*keys) * times
        low, high = self.preset.valid(*keys)
        self.desk.judge_usual(("bank", key), value, (low * times, high * times), f"for {self.chemistry}")
        return float(value)

    def row(self, key: str, times: float = 1.0) -> tuple[float, ...]:
        """Return a row of the preset."""
        return tuple(value * times for value in self.preset.numbers(self.chemistry, key))

    def default(self, key: str, sentence: str, preset_key: str = "") -> None:
        """Say that a default was taken, with its source, unless the person wrote the key."""
        if not self.has(key):
            self.desk.default(f"{sentence} ({self.preset.source(self.chemistry, preset_key or key)}).", f"[bank] {key}")


def merge_bank(written: BankTable | None, vehicle: Vehicle, desk: Desk) -> Bank | None:
    """Finish the bank; None when too little is known about it (which has been told).

    Parameters
    ----------
    written : BankTable or None
    vehicle : Vehicle
        For the bus voltage.
    desk : Desk
        Takes mistakes, notes and defaults.

    Returns
    -------
    Bank or None
    """
    if written is None:
        if desk.sound(("bank",)):
            desk.mistake((), "a [bank]", "none", "Add one with at least chemistry and unit_ah.")
        return None
    if written.chemistry is None and desk.sound(("bank", "chemistry")):
        desk.mistake(("bank",), 'chemistry = "lfp", "agm", "gel" or "flooded"', "none", "Write which of them it is.")
    capacities = merge_capacities(written, desk)
    unit_ah = rated_ah(capacities, desk) if written.unit_ah is None and capacities else written.unit_ah
    if unit_ah is None and written.capacities is None and desk.sound(("bank", "unit_ah"), ("bank", "capacities")):
        desk.mistake(("bank",), "unit_ah, the ampere-hours of one unit", "none", "Write what stands on its label.")
    if written.chemistry is None or unit_ah is None:
        return None

    chemistry = written.chemistry
    numbers = _Numbers(written, chemistry, desk)
    cells = _cells(written, numbers, vehicle, desk)
    nominal_v = cells * numbers.preset.number(chemistry, "cell_v")
    unit_v = nominal_v if written.unit_v is None else written.unit_v
    in_series = _in_series(written, nominal_v, vehicle, desk)
    wh = unit_v * unit_ah
    kg = numbers.usual("unit_kg", "kg_per_wh", wh)
    charge_limit_a = numbers.usual("charge_limit_a", "charge_limit_per_h", unit_ah)
    charge_cold_limit_a = numbers.usual("charge_cold_limit_a", "charge_cold_limit_per_h", unit_ah)
    usable_frac = numbers.usual("usable_frac")
    cutoff_soc, reconnect_soc = _floor(written, numbers, usable_frac, desk)
    charge_min_c, charge_resume_c, charge_full_c = _cold_limits(numbers)
    depth_frac, to_end = _depth_curve(written, numbers, desk)
    calendar_years = numbers.usual("calendar_years")
    judge_service(written, calendar_years, desk)
    bank = Bank(
        chemistry=chemistry,
        unit_v=unit_v,
        unit_ah=unit_ah,
        in_series=in_series,
        in_parallel=1 if written.in_parallel is None else written.in_parallel,
        curve=Curve(
            soc=numbers.row("soc"),
            ocv_v=numbers.row("ocv_v_per_cell", cells),
            polarisation_v=numbers.row("polarisation_v_per_cell", cells),
            charge_efficiency_frac=numbers.row("charge_efficiency_frac"),
            capacity_temp_c=numbers.row("capacity_temp_c"),
            capacity_frac=numbers.row("capacity_frac"),
        ),
        soh_start=merge_soh(written, chemistry, calendar_years, desk),
        start_soc=1.0 if written.start_soc is None else written.start_soc,
        usable_frac=usable_frac,
        at_floor=written.at_floor or "keep",
        cutoff_soc=cutoff_soc,
        reconnect_soc=reconnect_soc,
        target_soc=numbers.usual("target_soc"),
        full_soc=numbers.usual("full_soc"),
        charge_limit_a=charge_limit_a,
        charge_cold_limit_a=min(charge_cold_limit_a, charge_limit_a),
        discharge_limit_a=numbers.usual("discharge_limit_a", "discharge_limit_per_h", unit_ah),
        charge_min_c=charge_min_c,
        charge_resume_c=charge_resume_c,
        charge_full_c=charge_full_c,
        charge_max_c=numbers.usual("charge_max_c"),
        discharge_min_c=numbers.usual("discharge_min_c"),
        discharge_max_c=numbers.usual("discharge_max_c"),
        resistance_ohm=numbers.usual("resistance_ohm", "resistance_ohm_ah_per_cell", cells / unit_ah),
        resistance_per_c=numbers.usual("resistance_per_c"),
        absorb_v=numbers.usual("absorb_v", "absorb_v_per_cell", cells),
        taper_h=numbers.usual("taper_h"),
        taper_end_frac=numbers.usual("taper_end_frac"),
        well_c=numbers.usual("well_c"),
        well_k_per_h=numbers.usual("well_k_per_h"),
        self_discharge_frac_per_day=numbers.usual("self_discharge_frac_per_day"),
        standby_w=numbers.usual("standby_w", "standby_a", unit_v),
        place=written.place or "inside",
        heat_capacity_j_per_c=numbers.usual("heat_capacity_j_per_c", "heat_capacity_j_per_kg_c", kg),
        loss_w_per_c=numbers.usual("loss_w_per_c", "loss_w_per_c_kg", kg),
        unit_kg=kg,
        unit_m=written.unit_m,
        unit_price=written.unit_price,
        owned=bool(written.owned),
        heater=None,
        cycles_depth_frac=depth_frac,
        cycles_to_end=to_end,
        calendar_years=calendar_years,
        capacities=capacities,
        age_years=written.age_years,
        warranty_years=written.warranty_years,
        extra_price=written.extra_price,
        upright=stands_only(written.upright, chemistry),
    )
    bank = merge_volts(bank, written, numbers.usual, cells, lambda soc: rest_voltage_v(bank.curve, soc), desk)
    _judge(bank, desk)
    _judge_cold_limit(written, desk)
    heater = _heater(written, bank, desk)
    _tell_defaults(bank, numbers, desk)
    return replace(bank, heater=heater)


def _cells(written: BankTable, numbers: _Numbers, vehicle: Vehicle, desk: Desk) -> int:
    """Cells in series in one unit."""
    cell_v = numbers.preset.number(numbers.chemistry, "cell_v")
    if written.unit_v is None:
        per_12_v = numbers.preset.number(numbers.chemistry, "cells_at_12_v")
        cells = max(1, round(per_12_v * vehicle.bus_v / 12.0 / (written.in_series or 1)))
        if desk.sound(("bank", "unit_v"), ("bank", "in_series"), ("vehicle", "bus_v")):
            desk.default(
                f"One unit of the bank has {cells * cell_v:g} V, {cells} cells in series (from the bus voltage).", "[bank] unit_v"
            )
        return cells
    cells = max(1, round(written.unit_v / cell_v))
    if abs(written.unit_v / (cells * cell_v) - 1.0) > CELL_TOLERANCE_FRAC:
        desk.mistake(
            ("bank", "unit_v"),
            f"a whole number of {numbers.chemistry} cells of {cell_v:g} V",
            f"{written.unit_v:g} V",
            f"Write {cells * cell_v:g} for {cells} cells, or check the chemistry.",
        )
    return cells


def _in_series(written: BankTable, nominal_v: float, vehicle: Vehicle, desk: Desk) -> int:
    """Units in series, held against the bus."""
    fitting = max(1, round(vehicle.bus_v / nominal_v))
    in_series = fitting if written.in_series is None else written.in_series
    paths: tuple[Path, ...] = (("bank", "unit_v"), ("bank", "in_series"), ("vehicle", "bus_v"))
    if not desk.sound(*paths) or abs(in_series * nominal_v / vehicle.bus_v - 1.0) <= SERIES_TOLERANCE_FRAC:
        return in_series
    unit_v = nominal_v if written.unit_v is None else written.unit_v
    if abs(fitting * nominal_v / vehicle.bus_v - 1.0) <= SERIES_TOLERANCE_FRAC:
        cure = f"Set in_series = {fitting} in [bank], or mend bus_v in [vehicle]."
    else:
        cure = "Mend unit_v in [bank] or bus_v in [vehicle]."
    desk.mistake(
        ("bank", "in_series"),
        f"units in series that make up the bus voltage of {vehicle.bus_v} V",
        f"{in_series} x {unit_v:g} V = {in_series * unit_v:g} V",
        cure,
    )
    return in_series


def _floor(written: BankTable, numbers: _Numbers, usable_frac: float, desk: Desk) -> tuple[float, float]:
    """Where supply ends and where it comes back."""
    hardware_soc = numbers.usual("cutoff_soc")
    planning_soc = 1.0 - usable_frac
    if hardware_soc > planning_soc + 1e-9:
        text = (
            f"the planning line ({planning_soc:.0%} left with usable_frac = {usable_frac:g}) lies below the cut-off at "
            f"{hardware_soc:.0%}: supply ends before the line is reached."
        )
        if numbers.has("cutoff_soc") and numbers.has("usable_frac"):
            desk.mistake(
                ("bank", "cutoff_soc"),
                f"at most {planning_soc:.3g}, the planning line with usable_frac = {usable_frac:g}",
                f"{hardware_soc:g}",
                "Lower one of the two.",
            )
        else:
            desk.note(("bank", "cutoff_soc" if numbers.has("cutoff_soc") else "usable_frac"), text)
    off = written.at_floor == "off"
    cutoff_soc = max(hardware_soc, round(planning_soc, 12)) if off else hardware_soc
    if written.reconnect_soc is not None:
        reconnect_soc = written.reconnect_soc
    elif off:
        reconnect_soc = cutoff_soc + DISCONNECT_HYSTERESIS_SOC
    else:
        gap_soc = numbers.preset.number(numbers.chemistry, "reconnect_soc") - numbers.preset.number(
            numbers.chemistry, "cutoff_soc"
        )
        reconnect_soc = cutoff_soc + gap_soc
    target_soc = 1.0 if written.target_soc is None else written.target_soc
    if written.reconnect_soc is None:
        reconnect_soc = min(reconnect_soc, target_soc)
    gap_soc = reconnect_soc - cutoff_soc
    paths: tuple[Path, ...] = tuple(
        ("bank", key) for key in ("reconnect_soc", "cutoff_soc", "usable_frac", "at_floor", "target_soc")
    )
    if not desk.sound(*paths):
        return cutoff_soc, reconnect_soc
    if cutoff_soc >= target_soc:
        desk.mistake(("bank", "target_soc"), f"a charge target above the floor at {cutoff_soc:g}", f"{target_soc:g}")
    elif gap_soc < 0.0 or 0.0 < gap_soc < LEAST_HYSTERESIS_SOC - 1e-9 or reconnect_soc > target_soc:
        desk.mistake(
            ("bank", "reconnect_soc"),
            f"the floor ({cutoff_soc:g}, to be held there without switching) or from {cutoff_soc + LEAST_HYSTERESIS_SOC:g} "
            f"to the charge target of {target_soc:g}",
            f"{reconnect_soc:g}",
        )
    return cutoff_soc, reconnect_soc


def _cold_limits(numbers: _Numbers) -> tuple[float, float, float]:
    """Charging stops, resumes, is full; a moved first limit takes the others along."""
    stop_c = numbers.usual("charge_min_c")
    gap_c = numbers.preset.number(numbers.chemistry, "charge_resume_c") - numbers.preset.number(numbers.chemistry, "charge_min_c")
    resume_c = numbers.usual("charge_resume_c") if numbers.has("charge_resume_c") else stop_c + gap_c
    full_c = numbers.usual("charge_full_c") if numbers.has("charge_full_c") else max(numbers.usual("charge_full_c"), stop_c)
    return stop_c, resume_c, full_c


def _depth_curve(written: BankTable, numbers: _Numbers, desk: Desk) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Cycles against depth: both rows as written, or both from the preset."""
    depths, ends = written.cycles_depth_frac, written.cycles_to_end
    usual = numbers.row("cycles_depth_frac"), numbers.row("cycles_to_end")
    if not desk.sound(("bank", "cycles_depth_frac"), ("bank", "cycles_to_end")) or (depths is None and ends is None):
        return usual
    if depths is None or ends is None or len(depths) != len(ends):
        desk.mistake(
            ("bank", "cycles_depth_frac" if depths is not None else "cycles_to_end"),
            "as many depths in cycles_depth_frac as cycles in cycles_to_end",
            f"{len(depths or ())} and {len(ends or ())}",
        )
        return usual
    if list(depths) != sorted(set(depths)):
        desk.mistake(("bank", "cycles_depth_frac"), "depths that rise", str(list(depths)), "Put both rows in order of depth.")
    elif list(ends) != sorted(ends, reverse=True):
        desk.mistake(("bank", "cycles_to_end"), "fewer cycles at greater depth", str(list(ends)))
    return depths, ends


def _judge(bank: Bank, desk: Desk) -> None:
    """Hold limits against each other."""
    pairs = (
        ("charge_resume_c", bank.charge_resume_c, "charge_min_c", bank.charge_min_c, 0.0),
        ("charge_full_c", bank.charge_full_c, "charge_min_c", bank.charge_min_c, 0.0),
        ("charge_max_c", bank.charge_max_c, "charge_resume_c", bank.charge_resume_c, 1.0),
        ("discharge_max_c", bank.discharge_max_c, "discharge_min_c", bank.discharge_min_c, 1.0),
    )
    for upper_key, upper, lower_key, lower, gap in pairs:
        if upper < lower + gap and desk.sound(("bank", upper_key), ("bank", lower_key)):
            desk.mistake(("bank", upper_key), f"at least {lower + gap:g} C, as {lower_key} is {lower:g} C", f"{upper:g} C")
    for key, limit_a in (("charge_limit_a", bank.charge_limit_a), ("discharge_limit_a", bank.discharge_limit_a)):
        most_a = MOST_PER_H[key] * bank.unit_ah
        if limit_a > most_a and desk.sound(("bank", key), ("bank", "unit_ah")):
            desk.mistake(
                ("bank", key),
                f"at most {most_a:g} A, what one unit of {bank.unit_ah:g} Ah could carry at all",
                f"{limit_a:g} A",
                f"{key} is of one unit, not of the bank.",
            )
    least_kg = bank.unit_v * bank.unit_ah / MOST_WH_PER_KG
    if bank.unit_kg < least_kg and desk.sound(("bank", "unit_kg"), ("bank", "unit_ah"), ("bank", "unit_v")):
        desk.mistake(
            ("bank", "unit_kg"),
            f"at least {least_kg:.3g} kg for a unit of {bank.unit_v * bank.unit_ah:,.4g} Wh",
            f"{bank.unit_kg:g} kg",
            "unit_kg is of one unit, in kilograms.",
        )
    rest_v = rest_voltage_v(bank.curve, min(bank.full_soc, bank.target_soc))
    if bank.absorb_v <= rest_v and desk.sound(("bank", "absorb_v"), ("bank", "unit_v")):
        desk.mistake(
            ("bank", "absorb_v"),
            f"a charging voltage above {rest_v:.2f} V, at which one unit rests when full",
            f"{bank.absorb_v:g} V",
            "absorb_v is of one unit, not of the bank.",
        )
    if bank.start_soc > bank.target_soc:
        desk.note(
            ("bank", "start_soc"), f"the bank starts at the charge target of {bank.target_soc:g}, not at {bank.start_soc:g}."
        )
    elif bank.start_soc <= bank.cutoff_soc:
        desk.note(("bank", "start_soc"), f"the bank starts empty: supply ends at {bank.cutoff_soc:g}.")


def _judge_cold_limit(written: BankTable, desk: Desk) -> None:
    """Both limits written: in the cold a bank takes no more than in the warm."""
    cold_a, limit_a = written.charge_cold_limit_a, written.charge_limit_a
    at: Path = ("bank", "charge_cold_limit_a")
    if cold_a is not None and limit_a is not None and cold_a > limit_a and desk.sound(at, ("bank", "charge_limit_a")):
        desk.mistake(at, f"at most charge_limit_a, {limit_a:g} A", f"{cold_a:g} A", "Swap them if they changed places.")


def rest_voltage_v(curve: Curve, soc: float) -> float:
    """Read the rest voltage of one unit off its curve [V], linear between knots."""
    for left, right, left_v, right_v in zip(curve.soc, curve.soc[1:], curve.ocv_v, curve.ocv_v[1:], strict=False):
        if soc <= right:
            return left_v + (soc - left) / (right - left) * (right_v - left_v)
    return curve.ocv_v[-1]


def _heater(written: BankTable, bank: Bank, desk: Desk) -> Heater | None:
    """Finish the heater; of the whole bank."""
    if written.heater is None:
        return None
    preset = load_preset("converters")
    units_ah = bank.unit_ah * bank.in_series * bank.in_parallel * bank.unit_v / 12.8
    given = written.heater
    values: dict[str, Any] = {}
    for key, preset_key, times in (
        ("power_w", "power_w_per_ah", units_ah),
        ("on_below_c", "on_below_c", 1.0),
        ("off_above_c", "off_above_c", 1.0),
    ):
        value = getattr(given, key)
        path: Path = ("bank", "heater", key)
        if value is None:
            value = preset.number("heater", preset_key) * times
            desk.default(f"{value:g}{unit_of(key)} ({preset.source('heater', preset_key)}).", f"[bank.heater] {key}")
        else:
            low, high = preset.valid("heater", preset_key)
            desk.judge_usual(path, value, (low * times, high * times), "for a heater")
        values[key] = float(value)
    if values["off_above_c"] <= values["on_below_c"] and desk.sound(
        ("bank", "heater", "on_below_c"), ("bank", "heater", "off_above_c")
    ):
        desk.mistake(
            ("bank", "heater", "off_above_c"),
            f"more than on_below_c, {values['on_below_c']:g} C",
            f"{values['off_above_c']:g} C",
        )
    elif values["off_above_c"] < bank.charge_resume_c:
        desk.note(
            ("bank", "heater", "off_above_c"),
            f"the heater stops at {values['off_above_c']:g} C, but charging resumes only at {bank.charge_resume_c:g} C.",
        )
    return Heater(from_bank=given.source == "bank", **values)


def _tell_defaults(bank: Bank, numbers: _Numbers, desk: Desk) -> None:
    """Name the defaults that decide the answer."""
    numbers.default("usable_frac", f"Planning share: {bank.usable_frac:.0%} of the bank")
    if bank.at_floor != "off":
        numbers.default("cutoff_soc", f"Supply ends at {bank.cutoff_soc:.0%} left")
        numbers.default("reconnect_soc", f"After that the loads come back at {bank.reconnect_soc:.0%}")
    if bank.charge_min_c > numbers.preset.number("agm", "charge_min_c"):
        numbers.default("charge_min_c", f"No charging below {bank.charge_min_c:g} C in the cells")
        numbers.default("charge_resume_c", f"Charging resumes at {bank.charge_resume_c:g} C")
    numbers.default(
        "charge_limit_a",
        f"Charge limit {bank.charge_limit_a:g} A a unit, {bank.charge_limit_a / bank.unit_ah:.2g} C",
        "charge_limit_per_h",
    )
    if not numbers.has("place"):
        desk.default("The bank sits inside the cabin (no source).", "[bank] place")
