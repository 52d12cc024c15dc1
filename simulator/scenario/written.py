"""What a person may write: strict, frozen models of every table, all keys optional, unknown keys refused.

A value is judged alone here, and only for being absurd; whether values fit together is judged where they are merged.
Every refusal says what was expected.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import date, datetime, time
from typing import Annotated, Any, NoReturn, TypeVar

from pydantic import BaseModel, ConfigDict, Field, PlainValidator
from pydantic_core import PydanticCustomError

from simulator.scenario.desk import either, nearest, shown
from simulator.scenario.parts import PRIORITIES
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

EXPECTED = "expected"
"""Type of the errors raised here; their message is what was expected, their cure may be empty."""
SAMPLES = ("greensboro", "miami", "sandpoint")
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
FIRST_YEAR, LAST_YEAR = 1950, 2100
_WINDOW = re.compile(r"\s*(\d{1,2}):(\d{2})\s*[-–]\s*(\d{1,2}):(\d{2})\s*")
_CLOCK = re.compile(r"\s*(\d{1,2}):(\d{2})\s*")
_EVERY_NIGHT = re.compile(r"\s*every(?:\s+(\d{1,3})\s*(?:st|nd|rd|th))?\s+night\s*")


def _refuse(expected: str, got: Any, cure: str = "") -> NoReturn:
    raise PydanticCustomError(EXPECTED, "{expected}", {"expected": expected, "got": shown(got), "cure": cure})


def _span(low: float, high: float, unit: str) -> str:
    return f"from {low:g} to {high:g}{' ' if unit else ''}{unit}"


def number(low: float, high: float, unit: str = "", above: bool = False) -> PlainValidator:
    """A finite number in a range that only absurd values miss; ``above``: the lower end itself is refused."""
    what = f"a number above {low:g} up to {high:g} {unit}".rstrip() if above else f"a number {_span(low, high, unit)}"

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            cure = ""
            if isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+(\.\d+)?\s*", value):
                cure = "Write the number without quotes."
            elif isinstance(value, str) and re.match(r"\s*[-+]?\d", value):
                cure = "Write the bare number, without quotes or unit; the unit is in the name of the key."
            _refuse(what, value, cure)
        if (isinstance(value, float) and not math.isfinite(value)) or not low <= value <= high or (above and value == low):
            _refuse(what, value)
        return float(value)

    return PlainValidator(check)


def whole(low: int, high: int) -> PlainValidator:
    """A whole number in a range."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            _refuse(f"a whole number {_span(low, high, '')}" if high < 10**6 else f"a whole number of at least {low}", value)
        return value

    return PlainValidator(check)


def choice(*words: str | int) -> PlainValidator:
    """One of a closed list."""
    listed = either([f'"{word}"' if isinstance(word, str) else str(word) for word in words])

    def check(value: Any) -> str | int:
        if isinstance(value, bool) or value not in words:
            _refuse(listed, value, nearest(value, [str(word) for word in words]) if isinstance(value, str) else "")
        found: str | int = value
        return found

    return PlainValidator(check)


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        _refuse("text in quotes", value)
    return value


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        cure = "Write true or false without quotes." if value in ("true", "false") else ""
        _refuse("true or false", value, cure)
    return value


def _given(value: Any) -> bool:
    if value is not True:
        _refuse("true", value, "Leave the key out for no clear sky.")
    return True


def row(each: PlainValidator, what: str, most: int = 100) -> PlainValidator:
    """A list of values of one kind, not empty."""

    def check(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, (list, tuple)) or not 0 < len(value) <= most:
            _refuse(what, value)
        return tuple(each.func(item) for item in value)  # type: ignore[call-arg]

    return PlainValidator(check)


def sides(value: Any) -> tuple[float, float, float]:
    """Length, width and height in metres."""
    if not isinstance(value, (list, tuple)) or len(value) != 3:
        _refuse("[length, width, height] in metres", value)
    length, width, height = (number(0, 50, "m", above=True).func(item) for item in value)  # type: ignore[call-arg]
    return length, width, height


def moment(value: Any) -> date:
    """A local date, or a local date with a time; no offset, since the zone of the stop is known."""
    what = "a date such as 2026-06-01, or with the time on the clock 2026-06-01T14:30:00"
    if isinstance(value, str):
        _refuse(what, value, "Write it without quotes." if re.match(r"\s*\d{4}-\d{1,2}-\d{1,2}", value) else "")
    if not isinstance(value, date):
        _refuse(what, value)
    if isinstance(value, datetime) and value.tzinfo is not None:
        _refuse(what, value, "Leave the offset out: the time is read on the clock of the stop.")
    if not FIRST_YEAR <= value.year <= LAST_YEAR:
        _refuse(f"a date from {FIRST_YEAR} to {LAST_YEAR}", value)
    return value.replace(microsecond=0) if isinstance(value, datetime) else value


def _hour(hour: str, minute: str) -> float:
    found = int(hour) + int(minute) / MINUTES_PER_HOUR
    if int(minute) >= MINUTES_PER_HOUR or found > HOURS_PER_DAY:
        raise ValueError
    return found


def clock_hour(value: Any) -> float:
    """A time on the clock, as hours."""
    if isinstance(value, time):
        return value.hour + value.minute / MINUTES_PER_HOUR
    found = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    try:
        hour = _hour(*found.groups()) if found else float(HOURS_PER_DAY)
    except ValueError:
        hour = float(HOURS_PER_DAY)
    if hour >= HOURS_PER_DAY:
        _refuse('a time on the clock such as "09:00", from "00:00" to "23:59"', value)
    return hour


def windows(value: Any) -> tuple[tuple[float, float], ...]:
    """Windows on the clock, as pairs of hours; one may run over midnight; none may overlap."""
    what = 'windows on the clock such as ["07:00-08:30", "22:00-02:00"]'
    items = (value,) if isinstance(value, str) else value
    if not isinstance(items, (list, tuple)) or not 0 < len(items) <= HOURS_PER_DAY:
        _refuse(what, value)
    found = []
    for item in items:
        match = _WINDOW.fullmatch(item) if isinstance(item, str) else None
        if match is None:
            _refuse(what, item)
        try:
            start_h, end_h = _hour(*match.groups()[:2]), _hour(*match.groups()[2:])
        except ValueError:
            _refuse(what, item, "An hour has 60 minutes and a day 24 hours.")
        if start_h == end_h or start_h == HOURS_PER_DAY:
            _refuse(what, item, 'A window needs two different times; the whole day is "00:00-24:00".')
        found.append((start_h, end_h))
    pieces = sorted(piece for start_h, end_h in found for piece in _unfolded(start_h, end_h))
    if any(after[0] < before[1] for before, after in zip(pieces, pieces[1:], strict=False)):
        _refuse("windows that do not overlap", ", ".join(items), "Join them, or raise the quantity.")
    return tuple(found)


def _unfolded(start_h: float, end_h: float) -> list[tuple[float, float]]:
    """Split a window at midnight."""
    return [(start_h, end_h)] if end_h > start_h else [(start_h, float(HOURS_PER_DAY)), (0.0, end_h)]


def weekdays(value: Any) -> frozenset[int]:
    """Days of the week, Monday 0."""
    what = 'days such as ["sat", "sun"]'
    items: Iterable[Any] = (value,) if isinstance(value, str) else value
    if not isinstance(items, (list, tuple)) or not items:
        _refuse(what, value)
    found = [item.strip().lower()[:3] if isinstance(item, str) else "" for item in items]
    for item, day in zip(items, found, strict=True):
        if day not in WEEKDAYS:
            _refuse(what, item, nearest(item, WEEKDAYS) if isinstance(item, str) else "")
    return frozenset(WEEKDAYS.index(day) for day in found)


def hookup_nights(value: Any) -> int:
    """How often the stay is on a hookup: 0 never, 1 always, n every n-th night."""
    if isinstance(value, bool):
        return int(value)
    found = _EVERY_NIGHT.fullmatch(value.lower()) if isinstance(value, str) else None
    nights = int(found.group(1) or 1) if found else 0
    if nights == 0:
        _refuse('true, false or "every 7th night"', value)
    return nights


T = TypeVar("T")
Text = Annotated[str, PlainValidator(_text)]
Flag = Annotated[bool, PlainValidator(_flag)]
Frac = Annotated[float, number(0, 1)]
Soc = Annotated[float, number(0, 1)]
Volts = Annotated[float, number(0, 1000, "V", above=True)]
Amperes = Annotated[float, number(0, 2000, "A", above=True)]
Watts = Annotated[float, number(0, 50_000, "W")]
Celsius = Annotated[float, number(-60, 90, "C")]
Price = Annotated[float, number(0, 1e7)]
Degrees = Annotated[float, number(-360, 360, "degrees")]
Count = Annotated[int, whole(1, 1000)]
Windows = Annotated[tuple[tuple[float, float], ...], PlainValidator(windows)]


class Table(BaseModel):
    """What all tables share."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class CabinTable(Table):
    """``[vehicle] cabin = {...}``."""

    awake_c: Annotated[float, number(-40, 50, "C")] | None = None
    asleep_c: Annotated[float, number(-40, 50, "C")] | None = None
    heated: Flag | None = None


class VehicleTable(Table):
    """``[vehicle]``."""

    bus_v: Annotated[int, choice(12, 24, 48)] | None = None
    heading_deg: Degrees | None = None
    cabin: CabinTable | None = None
    standing_draw_w: Annotated[float, number(0, 500, "W")] | None = None


class HeaterTable(Table):
    """``[bank.heater]``."""

    power_w: Annotated[float, number(0, 5000, "W", above=True)] | None = None
    on_below_c: Annotated[float, number(-40, 40, "C")] | None = None
    off_above_c: Annotated[float, number(-40, 40, "C")] | None = None
    source: Annotated[str, choice("surplus", "bank")] | None = Field(default=None, alias="from")


class BankTable(Table):
    """``[bank]``; amperes, ohms, watts, kilograms are of one unit."""

    chemistry: Annotated[str, choice("lfp", "agm")] | None = None
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
    stops: Annotated[tuple[str, ...], row(PlainValidator(_text), 'a list of names of stops such as ["Lake"]', 1000)] | None = None
    only: Annotated[str, choice("off-grid", "hookup", "driving")] | None = None
    standby_w: Annotated[float, number(0, 2000, "W")] | None = None
    surge_w: Annotated[float, number(0, 200_000, "W")] | None = None
    priority: Annotated[str, choice(*PRIORITIES)] | None = None
    medical: Flag | None = None


class WeatherTable(Table):
    """``[weather]``, or ``weather = {...}`` of a stop: exactly one of file, sample, clear."""

    file: Text | None = None
    sample: Annotated[str, choice(*SAMPLES)] | None = None
    clear: Annotated[bool, PlainValidator(_given)] | None = None
    temp_c: Annotated[float, number(-60, 60, "C")] | None = None


class StopTable(Table):
    """``[[stop]]``."""

    name: Text | None = None
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
    snow: Annotated[str, choice("none", "brushed", "stays")] | None = None
    weather: WeatherTable | None = None


class ShoreTable(Table):
    """``[shore]``."""

    charger_a: Amperes | None = None
    efficiency_frac: Annotated[float, number(0.3, 1)] | None = None


class AlternatorTable(Table):
    """``[alternator]``."""

    charger_a: Amperes | None = None
    efficiency_frac: Annotated[float, number(0.3, 1)] | None = None
    driving_frac: Frac | None = None


class GeneratorTable(Table):
    """``[generator]``."""

    rated_w: Annotated[float, number(0, 50_000, "W", above=True)] | None = None
    charger_a: Amperes | None = None
    start_soc: Soc | None = None
    stop_soc: Soc | None = None
    min_run_h: Annotated[float, number(0, 24, "h")] | None = None
    windows: Windows | None = None
    fuel_l_per_h_quarter: Annotated[float, number(0, 50, "L/h")] | None = None
    fuel_l_per_h_full: Annotated[float, number(0, 100, "L/h")] | None = None


class ScenarioFile(Table):
    """A whole scenario file."""

    title: Text | None = None
    seed: Annotated[int, whole(0, 2**53)] | None = None
    vehicle: VehicleTable | None = None
    bank: BankTable | None = None
    array: tuple[ArrayTable, ...] | None = None
    inverter: InverterTable | None = None
    appliance: tuple[ApplianceTable, ...] | None = None
    weather: WeatherTable | None = None
    stop: tuple[StopTable, ...] | None = None
    shore: ShoreTable | None = None
    alternator: AlternatorTable | None = None
    generator: GeneratorTable | None = None
