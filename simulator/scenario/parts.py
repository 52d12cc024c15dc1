"""The finished scenario: frozen, complete, in plain units. Everything below this layer reads these and nothing else.

A person may leave out almost everything; by the time these objects exist, presets and defaults have been merged in,
zones have been looked up, local times have become UTC and every number is present.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

PRIORITIES = ("essential", "comfort", "luxury")
"""Switch-off levels, most needed first; an appliance carries the position in this tuple."""


@dataclass(frozen=True)
class WrittenNormals:
    """Monthly normals as a person gives them: the name of a place (``nearest``: the nearest one), or (12,) values each.

    Exactly one of ``place``, ``kt`` and ``sun_kwh_m2_day`` is not None. ``elevation_m`` is the height that the temperatures
    hold for; None: that of the stop.
    """

    place: str | None = None
    kt: tuple[float, ...] | None = None
    sun_kwh_m2_day: tuple[float, ...] | None = None
    temp_mean_c: tuple[float, ...] | None = None
    temp_min_c: tuple[float, ...] | None = None
    temp_max_c: tuple[float, ...] | None = None
    wind_speed_m_s: tuple[float, ...] | None = None
    kt_daily_sd: tuple[float, ...] | None = None
    elevation_m: float | None = None


@dataclass(frozen=True)
class WeatherChoice:
    """Where one stop's weather comes from: exactly one of file, sample, clear, normals and years is not None/False.

    ``line`` is the line in the scenario file [1..], for messages. ``temp_c`` goes with ``clear`` only: the constant
    air temperature [deg C] taken under the clear sky. ``years`` are the first and the last past year, both included.
    """

    file: Path | None = None
    sample: str | None = None
    clear: bool = False
    temp_c: float = 20.0
    line: int | None = None
    normals: WrittenNormals | None = None
    years: tuple[int, int] | None = None


@dataclass(frozen=True)
class Stop:
    """One place the vehicle stands at, and the drive that led there.

    ``stand_from_utc``/``stand_to_utc`` bound the stay (tz-aware UTC). ``drives_utc`` are the driving intervals of the
    leg that ends here, in order (empty for the first stop); normally one, several when a leg had to be split over days.
    """

    number: int
    name: str
    line: int | None
    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None
    """None: take the weather file's elevation, or look it up."""
    zone: str
    arrive: date
    depart: date
    stand_from_utc: datetime
    stand_to_utc: datetime
    weather: WeatherChoice | None
    drives_utc: tuple[tuple[datetime, datetime], ...] = ()
    leg_km: float = 0.0
    leg_estimated: bool = False
    """True when the driving time was estimated from the great circle."""
    hookup_every_nights: int = 0
    """0: never on a hookup; 1: always; n: on the n-th, 2n-th ... night of the stay (noon to noon)."""
    drive_h_per_day: float = 0.0
    """Hours driven a day during the stay, errands and work, from ``leave_h`` on."""
    leave_h: float = 9.0
    """Clock hour at which drives start [h]."""
    heading_deg: float | None = None
    """Where the nose points while parked, clockwise from north; None: not stated, see Vehicle."""
    tilt_deg: float | None = None
    """Tilt of all arrays at this stop, None: each array's own."""
    beam_frac: float = 1.0
    """Share of the beam that passes the trees (shade class)."""
    diffuse_frac: float = 1.0
    """Share of the diffuse light that passes the trees (shade class)."""
    snow: str = "none"
    """``none``, ``brushed`` or ``stays``: what lies on the array when it snows."""
    snow_stated: bool = False
    """True: a person wrote ``snow``, which then holds even where past years say when it snowed."""
    horizon: tuple[tuple[float, float], ...] = ()
    """What stands around: (azimuth clockwise from north, elevation) [deg], azimuth rising, linear between, all round; empty: the
    open horizon."""
    tree_hours: tuple[tuple[float, float], ...] = ()
    """Windows (from, to) on the local clock [h] in which trees stand before the sun."""
    storage: str = ""
    """``disconnected`` or ``float``: the vehicle is off the road here, nothing draws; empty: it is lived in."""


@dataclass(frozen=True)
class Vehicle:
    """The vehicle around the system."""

    bus_v: int = 12
    heading_deg: float | None = None
    cabin_awake_c: float = 20.0
    cabin_asleep_c: float = 16.0
    cabin_heated: bool = True
    payload_margin_kg: float | None = None
    """What may still be loaded; None: not stated, as for the three below."""
    budget: float | None = None
    roof_m2: float | None = None
    """Roof free for panels."""
    bay_m: tuple[float, float, float] | None = None
    """Inside length, width and height of the bay of the bank."""
    cabin_heat_loss_w_per_c: float = 45.0
    """Heat the cabin loses for each degree it is warmer than it would be unheated."""
    cabin_time_constant_h: float = 4.0
    """Hours in which an unheated cabin has come 63 % of the way to the temperature it drifts to."""


@dataclass(frozen=True)
class Curve:
    """What a chemistry looks like against state of charge: knots, linear between; per unit.

    ``ocv_v`` open-circuit voltage [V a unit]; ``polarisation_v`` what charging needs above it, besides the resistance
    [V a unit]; ``charge_efficiency_frac`` coulombic efficiency of charging (0..1]. All three share ``soc``.
    ``capacity_frac`` at ``capacity_temp_c``: the share of the rated charge that can be drawn at that cell temperature.
    """

    soc: tuple[float, ...]
    ocv_v: tuple[float, ...]
    polarisation_v: tuple[float, ...]
    charge_efficiency_frac: tuple[float, ...]
    capacity_temp_c: tuple[float, ...]
    capacity_frac: tuple[float, ...]


@dataclass(frozen=True)
class Heater:
    """A battery heater; of the whole bank."""

    power_w: float
    on_below_c: float
    off_above_c: float
    from_bank: bool


@dataclass(frozen=True)
class Bank:
    """The bank, from one unit's data sheet. Amperes, ohms and watts are **per unit**; the engine packs the whole."""

    chemistry: str
    unit_v: float
    unit_ah: float
    in_series: int
    in_parallel: int
    curve: Curve
    soh_start: float
    start_soc: float
    usable_frac: float
    """The planning share; the planning line lies at 1 - usable_frac."""
    at_floor: str
    """``keep``: loads run on below the planning line; ``off``: a disconnect is set there."""
    cutoff_soc: float
    """Where supply really ends (already the planning line when at_floor is ``off``)."""
    reconnect_soc: float
    """Loads come back here; equal to cutoff_soc: no latch, the bank is held at the floor."""
    target_soc: float
    """Charging stops here (1: full)."""
    full_soc: float
    """From here on the bank counts as full."""
    charge_limit_a: float
    charge_cold_limit_a: float
    """Limit between charge_min_c and charge_full_c."""
    discharge_limit_a: float
    charge_min_c: float
    charge_resume_c: float
    charge_full_c: float
    charge_max_c: float
    discharge_min_c: float
    discharge_max_c: float
    resistance_ohm: float
    """At 25 C."""
    resistance_per_c: float
    """k in R(T) = R(25 C) * exp(k * (25 - T))."""
    absorb_v: float
    """Charger's upper voltage, per unit."""
    taper_h: float
    """Time constant of the falling current at absorption voltage."""
    taper_end_frac: float
    """Stored current at which the bank is full, as a share of the capacity per hour."""
    well_c: float
    """Share of the charge that is available at once (two-well model); 1: a single well."""
    well_k_per_h: float
    self_discharge_frac_per_day: float
    """At 25 C; doubles every 10 K."""
    standby_w: float
    """Draw of the electronics in the unit."""
    place: str
    """``outside``, ``inside`` or ``heated`` (where the bank sits)."""
    heat_capacity_j_per_c: float
    loss_w_per_c: float
    unit_kg: float
    unit_m: tuple[float, float, float] | None
    unit_price: float | None
    owned: bool
    heater: Heater | None
    cycles_depth_frac: tuple[float, ...]
    cycles_to_end: tuple[float, ...]
    """Depth curve: full cycles to 80 % of the capacity at that depth, 25 C."""
    calendar_years: float
    """Life on the shelf at 25 C; caps the estimate from cycles."""
    capacities: tuple[tuple[float, float], ...] = ()
    """Rising (hours, Ah) of one unit at constant current, 25 C, as the data sheet prints them; the two wells are fitted to
    them when the bank is packed. Empty: ``well_c`` and ``well_k_per_h`` hold, and the rated charge is the whole charge."""
    age_years: float | None = None
    """Years the bank has served already; None: not stated."""
    warranty_years: float | None = None
    extra_price: float | None = None
    """Parts that this kind of bank brings along (a charger, a monitor); None: not stated."""
    upright: bool = False
    """True: its units may only stand; False: they may lie on a side."""
    absorb_v_per_c: float = 0.0
    """Temperature compensation of the chargers' upper voltage, from 25 C [V/K a unit]."""
    absorb_cap_v: float = math.inf
    """It is never raised above this [V a unit]."""
    gassing_per_v: float = 0.0
    """Growth of the charge lost to gassing with the unit's voltage [1/V] ..."""
    gassing_per_c: float = 0.0
    """... and with temperature [1/K]; 0: as at 25 C always."""
    cutoff_v: float = 0.0
    """Voltage of one unit under load at which its electronics end supply; 0: none."""
    charge_max_v: float = 0.0
    """Voltage of one unit at which its electronics end charging; 0: none."""

    @property
    def chemistry_name(self) -> str:
        """As people write it: LFP and AGM are short for something, gel and flooded are words."""
        return self.chemistry.upper() if self.chemistry in ("lfp", "agm") else self.chemistry


@dataclass(frozen=True)
class Panel:
    """One panel's data sheet at standard test conditions (1000 W/m2, 25 C cell, AM 1.5)."""

    p_w: float
    v_mp: float
    i_mp: float
    v_oc: float
    i_sc: float
    cells: int
    alpha_pct_per_c: float
    beta_pct_per_c: float
    gamma_pct_per_c: float
    kg: float | None = None
    area_m2: float | None = None
    price: float | None = None


@dataclass(frozen=True)
class Controller:
    """The charge controller of one array."""

    kind: str
    """``mppt`` or ``pwm``."""
    max_charge_a: float | None
    """Output current limit; None: large enough for anything."""
    max_input_v: float | None
    efficiency_frac: float
    """Conversion, 1 for PWM."""
    tracking_frac: float
    """How well the maximum power point is held, 1 for PWM."""
    headroom_v: float
    """MPPT needs the array this far above the bus to start."""
    price: float | None = None


@dataclass(frozen=True)
class Deployed:
    """When an array is put out beside the vehicle; else it lies indoors and gives nothing."""

    from_nights: float
    """Only at stays of at least this many nights."""
    stops: frozenset[int] | None = None
    """Only at the stops of these numbers; None: at all."""
    to_noon_sun: bool = False
    """True: turned towards the noon sun; False: by azimuth or bearing."""


@dataclass(frozen=True)
class Array:
    """Panels wired together behind one controller. Exactly one of azimuth and bearing is not None.

    Of an array that is turned towards the noon sun when it is put out, both are None.
    """

    number: int
    name: str
    line: int | None
    panel: Panel
    in_series: int
    in_parallel: int
    tilt_deg: float
    azimuth_deg: float | None
    """Absolute, clockwise from north."""
    bearing_deg: float | None
    """Relative to the vehicle's nose, clockwise."""
    mount: str
    """Key of presets/mounts.toml: ``bonded``, ``gap`` or ``open``."""
    controller: Controller
    wiring_frac: float
    """Share lost in the array's wiring."""
    mismatch_frac: float
    """Share lost to nameplate tolerance and mismatch."""
    soiling_frac: float
    age_years: float
    ageing_frac_per_year: float
    fixed: bool = False
    """True: it cannot be tilted, whatever a stop says."""
    deployed: Deployed | None = None
    """None: it stays on the vehicle."""
    roof_shade_frac: float = 0.0
    """Share of the light that objects on the roof keep from it."""


@dataclass(frozen=True)
class Inverter:
    """Three-parameter law, with p = P_out / rated: loss / rated = p_self + v p + r p^2 (Sauer & Schmidt 1994)."""

    rated_w: float
    surge_w: float
    p_self: float
    v: float
    r: float
    always_on: bool
    """True: the idle draw runs day and night; False: only in hours in which an AC appliance runs."""
    price: float | None = None
    kg: float | None = None
    life_years: float | None = None
    sleep_w: float | None = None
    """Drawn instead of the idle draw while nothing runs on an inverter that is always on; None: it has no sleep mode."""
    cutoff_v: float = 0.0
    """Bus voltage under load below which it switches off, the AC side alone; 0: never."""
    restart_v: float = 0.0
    """Bus voltage at which it comes back."""


@dataclass(frozen=True)
class Converter:
    """DC-DC converter that feeds the 12 V appliances of a 24 or 48 V bank."""

    efficiency_frac: float
    idle_w: float
    """Drawn from the bus day and night, load or not."""
    output_v: float = 12.0


@dataclass(frozen=True)
class Cable:
    """One run of copper, there and back; what it feeds is on the DC side."""

    number: int
    name: str
    line: int | None
    appliances: frozenset[int]
    """Numbers of the appliances at its end."""
    feeds: str
    """``appliances``, ``inverter`` or ``converter``."""
    volts: float
    """Voltage at which its current is reckoned."""
    length_m: float
    """One way."""
    mm2: float
    temp_c: float
    resistance_ohm: float
    """Of both ways at ``temp_c``."""


@dataclass(frozen=True)
class SwitchOff:
    """State of charge at which each level of appliances is switched off, and at which it returns; below 0: never."""

    shed_soc: tuple[float, ...]
    """By position in ``PRIORITIES``; the first is never switched off."""
    restore_soc: tuple[float, ...]


@dataclass(frozen=True)
class Appliance:
    """One line of the audit; watts are of all pieces together. Exactly one pattern field is not None."""

    number: int
    name: str
    line: int | None
    kind: str
    """Key of presets/appliances.toml: usual hours of the day."""
    bus: str
    """``dc`` or ``ac``."""
    power_w: float
    standby_w: float
    surge_w: float
    priority: int
    hours_per_day: float | None = None
    clock: tuple[tuple[float, float], ...] | None = None
    """Windows (from, to) in local clock hours; to <= from means over midnight."""
    duty_frac: float | None = None
    """Runs around the clock at this share of its power."""
    wh_per_day: float | None = None
    uses_per_day: float | None = None
    use_minutes: float | None = None
    """Goes with uses_per_day."""
    weekdays: frozenset[int] = frozenset(range(7))
    """0 = Monday."""
    stops: frozenset[int] | None = None
    """Numbers of the stops it runs at; None: all."""
    only: str | None = None
    """None, ``off-grid``, ``hookup`` or ``driving``."""
    medical: bool = False
    via_converter: bool = False
    """True: a 12 V appliance behind the DC-DC converter of a higher bus."""
    follows: str | None = None
    """None, or what its running time follows: ``fridge``, ``heating``, ``cooling`` or ``pads``."""
    heat_w: float | None = None
    """What the burner gives to the cabin; goes with ``heating``."""
    above_c: float | None = None
    """Cabin temperature from which it runs; goes with ``cooling``."""
    below_c: float | None = None
    """Outdoor temperature below which it runs; goes with ``pads``."""
    profile: Path | None = None
    """File of its measured watts; a pattern like the others."""


@dataclass(frozen=True)
class Shore:
    """Charger on a campsite hookup."""

    charger_a: float
    efficiency_frac: float
    price: float | None = None
    kg: float | None = None
    pedestal_a: float | None = None
    """What the pedestal gives; None: more than enough."""
    pedestal_v: float | None = None
    """Goes with ``pedestal_a``."""


@dataclass(frozen=True)
class Alternator:
    """Charger on the engine."""

    charger_a: float
    efficiency_frac: float
    driving_frac: float
    """Share of driving time in which it really charges."""
    price: float | None = None
    kg: float | None = None
    max_a: float | None = None
    """Amperes that the alternator itself can spare beside the vehicle's own needs; None: enough."""
    alternator_v: float = 14.0
    """Its voltage, at which ``max_a`` flow into the charger."""


@dataclass(frozen=True)
class Generator:
    """Auto-start generator through a charger."""

    rated_w: float
    charger_a: float
    start_soc: float
    stop_soc: float
    min_run_h: float
    windows: tuple[tuple[float, float], ...]
    """Local clock hours in which it may run."""
    fuel_l_per_h_quarter: float
    fuel_l_per_h_full: float
    price: float | None = None
    kg: float | None = None
    quiet: tuple[tuple[float, float], ...] = ()
    """Local clock hours in which it may not run, whatever ``windows`` says."""
    efficiency_frac: float = 0.87
    """Of the charger between generator and bank."""
    derate_frac_per_m: float = 0.035 / 300.0
    """Share of the rating lost per metre of elevation, in thin air (common practice, no source)."""


@dataclass(frozen=True)
class OtherSource:
    """Any other source: watts at the bus, after its own charger. Exactly one of ``watts`` and ``profile`` is not None."""

    number: int
    name: str
    line: int | None
    kind: str
    """``wind``, ``hydro``, ``fuel cell`` or ``other``: a label only."""
    watts: float | None = None
    profile: Path | None = None
    """CSV with a measured course of watts."""
    efficiency_frac: float = 1.0
    """Of a charger between what was measured and the bus."""
    clock: tuple[tuple[float, float], ...] | None = None
    """Windows (from, to) on the local clock [h]; None: around the clock."""
    hours_per_day: float | None = None
    """Spread evenly over the day."""
    weekdays: frozenset[int] = frozenset(range(7))
    stops: frozenset[int] | None = None
    """Numbers of the stops at which it works, while the vehicle stands there; None: everywhere."""
    only: str | None = None
    """None, ``off-grid``, ``hookup``, ``driving`` or ``standing``."""


@dataclass(frozen=True)
class StoredBank:
    """The bank off the road for the rest of the year."""

    soc: float
    """Charge it is put away at, 0..1; on float: held there."""
    temp_c: float
    """Mean temperature of its cells."""
    on_float: bool


@dataclass(frozen=True)
class Costs:
    """What money is counted over, as stated; None: not stated."""

    horizon_years: float | None = None
    discount_rate: float | None = None
    fuel_price_per_l: float | None = None
    hookup_price_per_night: float | None = None
    currency: str | None = None


@dataclass(frozen=True)
class SizeWish:
    """Designs to try, what they must meet and what they may cost; empty or None: not stated."""

    in_parallel: tuple[int, ...] = ()
    in_series: tuple[int, ...] = ()
    bus_v: tuple[int, ...] = ()
    chemistry: tuple[str, ...] = ()
    panels: tuple[tuple[int, tuple[int, ...]], ...] = ()
    """Position of an array, from 0, and panels in parallel to try."""
    tilt_deg: tuple[float, ...] = ()
    generator: tuple[bool, ...] = ()
    controllers: str = "as given"
    """``as given``, or ``large enough``: without a limit of current where the panels are varied."""
    units: tuple[tuple[str, tuple[tuple[str, Any], ...]], ...] = ()
    """By chemistry, keys of ``[bank]`` that its unit has."""
    flat_days: int | None = None
    odds: float | None = None
    years: int | None = None
    soh: float | None = None
    max_price: float | None = None
    max_kg: float | None = None
    max_volume_l: float | None = None
    max_roof_m2: float | None = None


@dataclass(frozen=True)
class Scenario:
    """Everything flatdays knows about one question."""

    title: str
    seed: int
    path: Path | None
    vehicle: Vehicle
    bank: Bank
    arrays: tuple[Array, ...]
    inverter: Inverter | None
    appliances: tuple[Appliance, ...]
    """The standing draw nobody lists is the last of them, unless removed."""
    stops: tuple[Stop, ...]
    shore: Shore | None = None
    alternator: Alternator | None = None
    generator: Generator | None = None
    sources: tuple[OtherSource, ...] = ()
    defaults_used: tuple[str, ...] = ()
    """Sentences: each default that decides the answer, with its value and source."""
    notes: tuple[str, ...] = ()
    """Sentences: what was estimated or looks odd, none of it an error."""
    sha256: str = ""
    """Of the file as written."""
    weather_default: WeatherChoice | None = field(default=None, repr=False)
    rest_of_year: StoredBank | None = None
    """How the bank spends the rest of the year; None: the route again."""
    costs: Costs = Costs()
    size: SizeWish | None = field(default=None, repr=False, compare=False)
    """Designs to try, as ``[size]`` says; None: nothing was written."""
    route_written: tuple[Any, ...] = field(default=(), repr=False, compare=False)
    """The stops as they were written (``written.StopTable``), so that the route can be laid out again on other dates."""
    converter: Converter | None = None
    cables: tuple[Cable, ...] = ()
    switch_off: SwitchOff | None = None
    """None: nothing is switched off before the bank is at its cut-off."""
