"""What a person may write: strict, frozen models of every table, all keys optional, unknown keys refused.

Whether values fit together is judged where they are merged.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator

from simulator.scenario.parts import PRIORITIES
from simulator.scenario.values import (
    choice,
    clock_hour,
    counts,
    flag,
    gauge,
    given,
    hookup_nights,
    moment,
    months,
    normals_place,
    number,
    panel_counts,
    past_years,
    rest_words,
    row,
    several,
    sheet_rows,
    sides,
    skyline,
    text,
    weekdays,
    whole,
    windows,
)
from simulator.units import HOURS_PER_DAY

SAMPLES = ("greensboro", "miami", "sandpoint")
"""Station-years that come with flatdays."""

Text = Annotated[str, PlainValidator(text)]
Flag = Annotated[bool, PlainValidator(flag)]
Frac = Annotated[float, number(0, 1)]
Soc = Annotated[float, number(0, 1)]
Volts = Annotated[float, number(0, 1000, "V", above=True)]
Amperes = Annotated[float, number(0, 2000, "A", above=True)]
Watts = Annotated[float, number(0, 50_000, "W")]
Celsius = Annotated[float, number(-60, 90, "C")]
Price = Annotated[float, number(0, 1e7)]
Degrees = Annotated[float, number(-360, 360, "degrees")]
Count = Annotated[int, whole(1, 1000)]
Kilograms = Annotated[float, number(0, 2000, "kg")]
LifeYears = Annotated[float, number(0.5, 60, "years")]
Windows = Annotated[tuple[tuple[float, float], ...], PlainValidator(windows)]
StopNames = Annotated[tuple[str, ...], row(PlainValidator(text), 'a list of names of stops such as ["Lake"]', 1000)]


class Table(BaseModel):
    """What all tables share. Deferred: the validators are built once, as parts of the whole file's, and only if one is read."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


class CabinTable(Table):
    """``[vehicle] cabin = {...}``."""

    awake_c: Annotated[float, number(-40, 50, "C")] | None = None
    asleep_c: Annotated[float, number(-40, 50, "C")] | None = None
    heated: Flag | None = None
    heat_loss_w_per_c: Annotated[float, number(1, 2000, "W/K")] | None = None
    time_constant_h: Annotated[float, number(0.1, 100, "h")] | None = None


class VehicleTable(Table):
    """``[vehicle]``."""

    kind: Annotated[str, choice("van", "trailer", "coach")] | None = None
    bus_v: Annotated[int, choice(12, 24, 48)] | None = None
    heading_deg: Degrees | None = None
    cabin: CabinTable | None = None
    standing_draw_w: Annotated[float, number(0, 500, "W")] | None = None
    payload_margin_kg: Annotated[float, number(0, 20_000, "kg")] | None = None
    budget: Price | None = None
    roof_m2: Annotated[float, number(0, 200, "m2", above=True)] | None = None
    bay_m: Annotated[tuple[float, float, float], PlainValidator(sides)] | None = None


class HeaterTable(Table):
    """``[bank.heater]``."""

    power_w: Annotated[float, number(0, 5000, "W", above=True)] | None = None
    on_below_c: Annotated[float, number(-40, 40, "C")] | None = None
    off_above_c: Annotated[float, number(-40, 40, "C")] | None = None
    source: Annotated[str, choice("surplus", "bank")] | None = Field(default=None, alias="from")


class BankTable(Table):
    """``[bank]``; amperes, ohms, watts, kilograms are of one unit."""

    chemistry: Annotated[str, choice("lfp", "agm", "gel", "flooded")] | None = None
    unit_v: Annotated[float, number(1, 120, "V")] | None = None
    unit_ah: Annotated[float, number(1, 5000, "Ah")] | None = None
    in_series: Count | None = None
    in_parallel: Count | None = None
    soh_start: Annotated[float, number(0.3, 1)] | None = None
    start_soc: Soc | None = None
    usable_frac: Annotated[float, number(0.05, 1)] | None = None
    at_floor: Annotated[str, choice("keep", "off")] | None = None
    cutoff_soc: Annotated[float, number(0, 0.95)] | None = None
    reconnect_soc: Soc | None = None
    target_soc: Annotated[float, number(0.2, 1)] | None = None
    full_soc: Annotated[float, number(0.2, 1)] | None = None
    charge_limit_a: Amperes | None = None
    charge_cold_limit_a: Amperes | None = None
    discharge_limit_a: Annotated[float, number(0, 10_000, "A", above=True)] | None = None
    charge_min_c: Celsius | None = None
    charge_resume_c: Celsius | None = None
    charge_full_c: Celsius | None = None
    charge_max_c: Celsius | None = None
    discharge_min_c: Celsius | None = None
    discharge_max_c: Celsius | None = None
    resistance_ohm: Annotated[float, number(0, 1, "ohm")] | None = None
    resistance_per_c: Annotated[float, number(0, 0.2, "/K")] | None = None
    absorb_v: Volts | None = None
    absorb_v_per_c: Annotated[float, number(-0.5, 0, "V/K (it falls as the bank warms)")] | None = None
    absorb_cap_v: Volts | None = None
    cutoff_v: Annotated[float, number(0, 120, "V")] | None = None
    charge_max_v: Annotated[float, number(0, 150, "V")] | None = None
    taper_h: Annotated[float, number(0, 24, "h")] | None = None
    taper_end_frac: Annotated[float, number(0, 0.5, above=True)] | None = None
    well_c: Annotated[float, number(0.05, 1)] | None = None
    well_k_per_h: Annotated[float, number(0.01, 100, "/h")] | None = None
    self_discharge_frac_per_day: Annotated[float, number(0, 0.1)] | None = None
    standby_w: Annotated[float, number(0, 100, "W")] | None = None
    place: Annotated[str, choice("outside", "inside", "heated")] | None = None
    heat_capacity_j_per_c: Annotated[float, number(100, 1e7, "J/K")] | None = None
    loss_w_per_c: Annotated[float, number(0.001, 1000, "W/K")] | None = None
    unit_kg: Annotated[float, number(0, 2000, "kg", above=True)] | None = None
    unit_m: Annotated[tuple[float, float, float], PlainValidator(sides)] | None = None
    unit_price: Price | None = None
    owned: Flag | None = None
    cycles_depth_frac: (
        Annotated[tuple[float, ...], row(number(0, 1, above=True), "a list of depths such as [0.5, 0.8]")] | None
    ) = None
    cycles_to_end: Annotated[tuple[float, ...], row(number(1, 1e6), "a list of cycles such as [6000, 3500]")] | None = None
    calendar_years: Annotated[float, number(0.5, 50, "years")] | None = None
    capacities: Annotated[tuple[tuple[float, float], ...], PlainValidator(sheet_rows)] | None = None
    age_years: Annotated[float, number(0, 40, "years")] | None = None
    warranty_years: Annotated[float, number(0, 40, "years")] | None = None
    extra_price: Price | None = None
    upright: Flag | None = None
    heater: HeaterTable | None = None


class PanelTable(Table):
    """``panel = {...}`` of an array: one panel at standard test conditions."""

    p_w: Annotated[float, number(0, 2000, "W", above=True)] | None = None
    v_mp: Annotated[float, number(0, 300, "V", above=True)] | None = None
    i_mp: Annotated[float, number(0, 50, "A", above=True)] | None = None
    v_oc: Annotated[float, number(0, 300, "V", above=True)] | None = None
    i_sc: Annotated[float, number(0, 50, "A", above=True)] | None = None
    cells: Annotated[int, whole(1, 400)] | None = None
    alpha_pct_per_c: Annotated[float, number(-0.1, 0.5, "%/K")] | None = None
    beta_pct_per_c: Annotated[float, number(-1, 0, "%/K")] | None = None
    gamma_pct_per_c: Annotated[float, number(-1, 0, "%/K")] | None = None
    kg: Annotated[float, number(0, 200, "kg", above=True)] | None = None
    area_m2: Annotated[float, number(0, 20, "m2", above=True)] | None = None
    price: Price | None = None


class ControllerTable(Table):
    """``[array.controller]``."""

    kind: Annotated[str, choice("mppt", "pwm")] | None = None
    max_charge_a: Amperes | None = None
    max_input_v: Volts | None = None
    efficiency_frac: Annotated[float, number(0.3, 1)] | None = None
    tracking_frac: Annotated[float, number(0.3, 1)] | None = None
    headroom_v: Annotated[float, number(0, 50, "V")] | None = None
    price: Price | None = None


class ArrayTable(Table):
    """``[[array]]``."""

    name: Text | None = None
    panel: PanelTable | None = None
    in_series: Count | None = None
    in_parallel: Count | None = None
    tilt_deg: Annotated[float, number(0, 90, "degrees")] | None = None
    azimuth_deg: Degrees | None = None
    bearing_deg: Degrees | None = None
    mount: Annotated[str, choice("bonded", "gap", "open")] | None = None
    controller: ControllerTable | None = None
    wiring_frac: Annotated[float, number(0, 0.5)] | None = None
    mismatch_frac: Annotated[float, number(0, 0.5)] | None = None
    soiling_frac: Annotated[float, number(0, 0.9)] | None = None
    fixed: Flag | None = None
    deployed_from_days: Annotated[float, number(0, 366, "days")] | None = None
    stops: StopNames | None = None
    roof_shade_frac: Annotated[float, number(0, 0.9)] | None = None
    age_years: Annotated[float, number(0, 60, "years")] | None = None
    ageing_frac_per_year: Annotated[float, number(0, 0.2)] | None = None


class LossTable(Table):
    """``loss = {...}`` of the inverter: its three-parameter law."""

    p_self: Annotated[float, number(0, 0.3)] | None = None
    v: Annotated[float, number(0, 1)] | None = None
    r: Annotated[float, number(0, 1)] | None = None


class InverterTable(Table):
    """``[inverter]``."""

    rated_w: Annotated[float, number(0, 50_000, "W", above=True)] | None = None
    surge_w: Annotated[float, number(0, 200_000, "W", above=True)] | None = None
    idle_w: Annotated[float, number(0, 500, "W")] | None = None
    best_efficiency_frac: Annotated[float, number(0.4, 0.995)] | None = None
    loss: LossTable | None = None
    always_on: Flag | None = None
    price: Price | None = None
    kg: Kilograms | None = None
    life_years: LifeYears | None = None
    sleep_w: Annotated[float, number(0, 500, "W")] | None = None
    cutoff_v: Annotated[float, number(0, 100, "V")] | None = None
    restart_v: Annotated[float, number(0, 100, "V")] | None = None


class ConverterTable(Table):
    """``[converter]``: DC-DC, for 12 V appliances on a higher bus."""

    efficiency_frac: Annotated[float, number(0, 100, above=True)] | None = None
    idle_w: Annotated[float, number(0, 200, "W")] | None = None


class CableTable(Table):
    """``[[cable]]``: one run of copper on the DC side."""

    name: Text | None = None
    appliance: Text | None = None
    appliances: Annotated[tuple[str, ...], row(PlainValidator(text), 'a list of names such as ["winch"]', 500)] | None = None
    length_m: Annotated[float, number(0, 200, "m")] | None = None
    length_ft: Annotated[float, number(0, 600, "ft")] | None = None
    mm2: Annotated[float, number(0, 1000, "mm2")] | None = None
    awg: Annotated[str, PlainValidator(gauge)] | None = None
    temp_c: Annotated[float, number(-50, 150, "C")] | None = None


class SwitchOffTable(Table):
    """``[switch_off]``: what is switched off before the bank is empty."""

    comfort_soc: Soc | None = None
    luxury_soc: Soc | None = None
    margin_soc: Annotated[float, number(0.01, 0.9)] | None = None


class UsesTable(Table):
    """``uses = { per_day = 8, minutes = 3 }``."""

    per_day: Annotated[float, number(0, 1440)] | None = None
    minutes: Annotated[float, number(0, 1440, "minutes")] | None = None


class ApplianceTable(Table):
    """``[[appliance]]``; watts and amperes are of one piece."""

    name: Text | None = None
    kind: Text | None = None
    bus: Annotated[str, choice("dc", "ac")] | None = None
    power_w: Watts | None = None
    current_a: Annotated[float, number(0, 2000, "A")] | None = None
    quantity: Count | None = None
    hours_per_day: Annotated[float, number(0, HOURS_PER_DAY, "h")] | None = None
    clock: Windows | None = None
    duty_frac: Frac | None = None
    wh_per_day: Annotated[float, number(0, 1e6, "Wh")] | None = None
    uses: UsesTable | None = None
    days: Annotated[frozenset[int], PlainValidator(weekdays)] | None = None
    stops: Annotated[tuple[str, ...], row(PlainValidator(text), 'a list of names of stops such as ["Lake"]', 1000)] | None = None
    only: Annotated[str, choice("off-grid", "hookup", "driving")] | None = None
    standby_w: Annotated[float, number(0, 2000, "W")] | None = None
    surge_w: Annotated[float, number(0, 200_000, "W")] | None = None
    priority: Annotated[str, choice(*PRIORITIES)] | None = None
    medical: Flag | None = None
    volts: Annotated[str | int, choice(12, "bus")] | None = None
    follows: Annotated[str, choice("fridge", "heating", "cooling", "pads")] | None = None
    heat_w: Annotated[float, number(0, 50_000, "W", above=True)] | None = None
    above_c: Celsius | None = None
    below_c: Celsius | None = None
    profile: Text | None = None


class NormalsTable(Table):
    """``normals = {...}``: twelve values of each kind; the name of a place of the shipped table stands for ``place``."""

    place: Text | None = None
    kt: Annotated[tuple[float, ...], months(0, 0.85, above=True)] | None = None
    sun_kwh_m2_day: Annotated[tuple[float, ...], months(0, 15, "kWh/m2 a day")] | None = None
    temp_mean_c: Annotated[tuple[float, ...], months(-90, 60, "C")] | None = None
    temp_min_c: Annotated[tuple[float, ...], months(-90, 60, "C")] | None = None
    temp_max_c: Annotated[tuple[float, ...], months(-90, 60, "C")] | None = None
    wind_speed_m_s: Annotated[tuple[float, ...], months(0, 30, "m/s")] | None = None
    kt_daily_sd: Annotated[tuple[float, ...], months(0, 0.35, above=True)] | None = None
    elevation_m: Annotated[float, number(-450, 7000, "m")] | None = None


class WeatherTable(Table):
    """``[weather]``, or ``weather = {...}`` of a stop: exactly one of file, sample, clear, normals, years."""

    file: Text | None = None
    sample: Annotated[str, choice(*SAMPLES)] | None = None
    clear: Annotated[bool, PlainValidator(given)] | None = None
    temp_c: Annotated[float, number(-60, 60, "C")] | None = None
    normals: Annotated[NormalsTable, BeforeValidator(normals_place)] | None = None
    years: Annotated[tuple[int, int], PlainValidator(past_years)] | None = None


class StopTable(Table):
    """``[[stop]]``."""

    name: Text | None = None
    place: Text | None = None
    latitude_deg: Annotated[float, number(-90, 90, "degrees (north is positive)")] | None = None
    longitude_deg: Annotated[float, number(-180, 180, "degrees (east is positive)")] | None = None
    elevation_m: Annotated[float, number(-450, 7000, "m")] | None = None
    zone: Text | None = None
    arrive: Annotated[date, PlainValidator(moment)] | None = None
    depart: Annotated[date, PlainValidator(moment)] | None = None
    leave: Annotated[float, PlainValidator(clock_hour)] | None = None
    drive_h: Annotated[float, number(0, 200, "h")] | None = None
    drive_h_per_day: Annotated[float, number(0, 20, "h")] | None = None
    hookup: Annotated[int, PlainValidator(hookup_nights)] | None = None
    heading_deg: Degrees | None = None
    tilt_deg: Annotated[float, number(0, 90, "degrees")] | None = None
    shade: Annotated[str, choice("open", "few trees", "half", "wooded")] | None = None
    horizon: Annotated[tuple[tuple[float, float], ...], PlainValidator(skyline)] | None = None
    tree_hours: Windows | None = None
    snow: Annotated[str, choice("none", "brushed", "stays")] | None = None
    storage: Annotated[str, choice("disconnected", "float")] | None = None
    weather: WeatherTable | None = None


class ShoreTable(Table):
    """``[shore]``."""

    charger_a: Amperes | None = None
    efficiency_frac: Annotated[float, number(0.3, 1)] | None = None
    price: Price | None = None
    kg: Kilograms | None = None
    pedestal_a: Annotated[float, number(0, 400, "A", above=True)] | None = None
    pedestal_v: Annotated[float, number(90, 480, "V")] | None = None


class AlternatorTable(Table):
    """``[alternator]``."""

    charger_a: Amperes | None = None
    efficiency_frac: Annotated[float, number(0.3, 1)] | None = None
    driving_frac: Frac | None = None
    price: Price | None = None
    kg: Kilograms | None = None
    alternator_max_a: Amperes | None = None
    alternator_v: Annotated[float, number(10, 60, "V")] | None = None


class GeneratorTable(Table):
    """``[generator]``."""

    rated_w: Annotated[float, number(0, 50_000, "W", above=True)] | None = None
    charger_a: Amperes | None = None
    start_soc: Soc | None = None
    stop_soc: Soc | None = None
    min_run_h: Annotated[float, number(0, 24, "h")] | None = None
    windows: Windows | None = None
    quiet: Windows | None = None
    efficiency_frac: Annotated[float, number(0.3, 1)] | None = None
    fuel_l_per_h_quarter: Annotated[float, number(0, 50, "L/h")] | None = None
    fuel_l_per_h_full: Annotated[float, number(0, 100, "L/h")] | None = None
    price: Price | None = None
    kg: Kilograms | None = None


class SourceTable(Table):
    """``[[source]]``: watts at the bus of whatever else charges."""

    name: Text | None = None
    kind: Annotated[str, choice("wind", "hydro", "fuel cell", "other")] | None = None
    watts: Watts | None = None
    profile: Text | None = None
    efficiency_frac: Annotated[float, number(0.3, 1)] | None = None
    hours_per_day: Annotated[float, number(0, HOURS_PER_DAY, "h")] | None = None
    clock: Windows | None = None
    days: Annotated[frozenset[int], PlainValidator(weekdays)] | None = None
    stops: StopNames | None = None
    only: Annotated[str, choice("off-grid", "hookup", "driving", "standing")] | None = None


class StorageTable(Table):
    """``storage = {...}`` of the rest of the year."""

    soc: Soc | None = None
    temp_c: Annotated[float, number(-40, 60, "C")] | None = None
    on_float: Flag | None = None


class RestOfYearTable(Table):
    """``[rest_of_year]``, or ``rest_of_year = "route again"``: exactly one of its keys."""

    route_again: Annotated[bool, PlainValidator(given)] | None = None
    storage: StorageTable | None = None


class CostsTable(Table):
    """``[costs]``: what money is counted over."""

    horizon_years: Annotated[float, number(1, 60, "years")] | None = None
    discount_rate: Annotated[float, number(0, 0.5)] | None = None
    fuel_price_per_l: Annotated[float, number(0, 1000)] | None = None
    hookup_price_per_night: Annotated[float, number(0, 10_000)] | None = None
    currency: Text | None = None


class VariantTable(Table):
    """``[[variant]]``: a name, and what it changes of the scenario; how it does so is judged where variants are made."""

    name: Text | None = None
    set: dict[str, Any] | None = None
    without: Annotated[tuple[str, ...], row(PlainValidator(text), 'a list of keys such as ["bank.unit_v"]')] | None = None


class UnitsTable(Table):
    """``[size.unit]``: what a unit of another chemistry is, as keys of ``[bank]``."""

    lfp: BankTable | None = None
    agm: BankTable | None = None
    gel: BankTable | None = None
    flooded: BankTable | None = None


class SizeTable(Table):
    """``[size]``: designs to try, what they must meet, and what they may cost."""

    in_parallel: Annotated[tuple[int, ...], counts(1, 1000)] | None = None
    in_series: Annotated[tuple[int, ...], counts(1, 16)] | None = None
    bus_v: Annotated[tuple[int, ...], several(choice(12, 24, 48), "bus voltages such as [12, 24]")] | None = None
    chemistry: (
        Annotated[tuple[str, ...], several(choice("lfp", "agm", "gel", "flooded"), 'chemistries such as ["lfp", "agm"]')] | None
    ) = None
    panels: Annotated[tuple[tuple[str | None, tuple[int, ...]], ...], PlainValidator(panel_counts)] | None = None
    tilt_deg: Annotated[tuple[float, ...], several(number(0, 90, "degrees"), "tilts such as [0, 30]")] | None = None
    generator: Annotated[tuple[bool, ...], several(PlainValidator(flag), "[true, false]")] | None = None
    controllers: Annotated[str, choice("as given", "large enough")] | None = None
    unit: UnitsTable | None = None
    flat_days: Annotated[int, whole(0, 366)] | None = None
    odds: Annotated[float, number(0, 1, above=True)] | None = None
    years: Annotated[int, whole(1, 10_000)] | None = None
    soh: Annotated[float, number(0.3, 1)] | None = None
    max_price: Price | None = None
    max_kg: Annotated[float, number(0, 20_000, "kg", above=True)] | None = None
    max_volume_l: Annotated[float, number(0, 20_000, "L", above=True)] | None = None
    max_roof_m2: Annotated[float, number(0, 200, "m2", above=True)] | None = None


class ScenarioFile(Table):
    """A whole scenario file."""

    title: Text | None = None
    seed: Annotated[int, whole(0, 2**53)] | None = None
    vehicle: VehicleTable | None = None
    bank: BankTable | None = None
    array: tuple[ArrayTable, ...] | None = None
    inverter: InverterTable | None = None
    converter: ConverterTable | None = None
    appliance: tuple[ApplianceTable, ...] | None = None
    cable: tuple[CableTable, ...] | None = None
    switch_off: SwitchOffTable | None = None
    weather: WeatherTable | None = None
    stop: tuple[StopTable, ...] | None = None
    shore: ShoreTable | None = None
    alternator: AlternatorTable | None = None
    generator: GeneratorTable | None = None
    costs: CostsTable | None = None
    variant: tuple[VariantTable, ...] | None = None
    size: SizeTable | None = None
    source: tuple[SourceTable, ...] | None = None
    rest_of_year: Annotated[RestOfYearTable, BeforeValidator(rest_words)] | None = None
