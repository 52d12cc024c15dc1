"""Days of a stated sky that a full bank carries the load through, at one stop and date: by simulation, beside the hand formula.

The vehicle stands at the stop on its own: no hookup, no driving, no generator. The bank is full at midnight; from then on every
day has the stated share of the light beyond the atmosphere, or the weather of the darkest days that the years of the stop know.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from simulator import battery, solar, timeline
from simulator.battery import kernel as k
from simulator.engine import Setting, histories, pack
from simulator.errors import InputError
from simulator.outcome import days_until_dark
from simulator.route import RouteWeather, drawn_years, past_years, route_normals
from simulator.route.parts import CLEAR_TEMP_C, height_m
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario, Stop
from simulator.studies.odds import BLOCK_ROWS, MOST_YEARS, SOURCES, usual_source
from simulator.units import HOURS_PER_DAY
from simulator.version import package_version
from simulator.weather.clouds import split_by_erbs
from simulator.weather.seasons import extraterrestrial_w_m2

FloatArray = npt.NDArray[np.float64]

DULL_KT: Final = 0.2
"""An overcast day: one in ten is darker where the mean is 0.5 (Bendt, Collares-Pereira, Rabl 1981, Solar Energy 27(1), 1-5)."""
LONGEST_DAYS: Final = 60
"""Looked no further than this: whoever lasts two months is not living from the bank."""
SEASON_DAYS: Final = 30
"""The darkest days are looked for this far before and after the date (no source)."""
CALM_WIND_M_S: Final = 3.0


@dataclass(frozen=True, eq=False)
class Stretch:
    """What a full bank carries. Days are ``None`` where it was not dark within ``looked_days``."""

    scenario: Scenario
    stop: Stop
    first_day: date
    sky: str
    kt: float
    """Mean share of the light beyond the atmosphere [0..1]."""
    source: tuple[str, ...]
    looked_days: int
    days: float | None
    """Until it is dark, under this sky, by simulation."""
    lowest_soc: float
    days_without_sun: float | None
    load_wh_per_day: float
    sun_wh_per_day: float
    """At the bus, if the bank took it all."""
    usable_wh: float
    """By the label: volts times ampere-hours, down to the cut-off."""
    planned_wh: float
    """The same down to the planning line."""
    seed: int = 1
    """Of the chance by which a spell was looked for."""

    @property
    def hand_days(self) -> float:
        """Usable watt-hours over the daily load: days without sun by hand."""
        return self.usable_wh / self.load_wh_per_day

    @property
    def hand_days_planned(self) -> float:
        """The same down to the planning line."""
        return self.planned_wh / self.load_wh_per_day

    @property
    def hand_days_with_sun(self) -> float | None:
        """Usable watt-hours over what the sun leaves of the daily load; None: the sun brings it all."""
        left_wh = self.load_wh_per_day - self.sun_wh_per_day
        return self.usable_wh / left_wh if left_wh > 0.0 else None


def find_stop(scenario: Scenario, wanted: str) -> Stop:
    """Find a stop by its number, from 1, or by its name.

    Raises
    ------
    InputError
        There is none.
    """
    for stop in scenario.stops:
        if wanted == str(stop.number) or wanted.strip().casefold() == stop.name.casefold():
            return stop
    listed = ", ".join(f'{stop.number} "{stop.name}"' for stop in scenario.stops[:20])
    raise InputError(f'--stop: expected the number or the name of a stop, got "{wanted}". The stops are {listed}.')


def stretch(
    scenario: Scenario,
    stop: Stop,
    day: date,
    *,
    kt: float = DULL_KT,
    temp_c: float | None = None,
    spell_days: int | None = None,
    years: int = 100,
    source: str | None = None,
    seed: int | None = None,
) -> Stretch:
    """Simulate how long a full bank carries the load.

    Parameters
    ----------
    scenario : a finished scenario.
    stop : one of its stops.
    day : the first day.
    kt : share of the light beyond the atmosphere that every hour brings, 0..0.85.
    temp_c : air temperature [deg C]; None: the mean of the month at the stop.
    spell_days : instead of ``kt``: the darkest run of so many days that the years of the stop have about that date.
    years, source, seed : which years, as in :func:`simulator.studies.odds.odds`.

    Raises
    ------
    InputError
        A number cannot be, or there is nothing that draws power, or the stop has no weather to find a spell in.
    ArchiveError
        Past years are asked for, and none is in the cache.
    """
    source = source or usual_source(replace(scenario, stops=(stop,)))
    seed = scenario.seed if seed is None else seed
    _check(kt, temp_c, spell_days, years, source, seed)
    if spell_days is None:
        alone = _alone(scenario, stop, day, LONGEST_DAYS)
        clock = timeline.build_timeline(alone)
        found = _even_sky(alone, clock, kt, temp_c)
        sky = f"every day with {kt:.2f} of the light beyond the atmosphere"
    else:
        alone, clock, found, kt, sky = _darkest(scenario, stop, day, spell_days, years, source, seed)
    return replace(_walked(scenario, stop, alone, clock, found, kt, sky), seed=seed)


def _check(kt: float, temp_c: float | None, spell_days: int | None, years: int, source: str, seed: int) -> None:
    mistakes = []
    if not 0.0 <= kt <= 0.85:
        mistakes.append(f"--kt: expected a share from 0 to 0.85 (0.2 is overcast), got {kt:g}")
    if temp_c is not None and not -60.0 <= temp_c <= 60.0:
        mistakes.append(f"--temp: expected -60 to 60 C, got {temp_c:g}")
    if spell_days is not None and not 1 <= spell_days <= SEASON_DAYS:
        mistakes.append(f"--spell: expected 1 to {SEASON_DAYS} days, got {spell_days}")
    if not 1 <= years <= MOST_YEARS:
        mistakes.append(f"--years: expected 1 to {MOST_YEARS}, got {years}")
    if source not in SOURCES:
        mistakes.append(f'--source: expected one of {", ".join(SOURCES)}, got "{source}"')
    if not 0 <= seed < 2**63:
        mistakes.append(f"--seed: expected a whole number from 0 on, got {seed}")
    if mistakes:
        raise InputError(mistakes)


def _alone(scenario: Scenario, stop: Stop, first: date, days: int) -> Scenario:
    """The scenario as a stay of so many days at one stop, living from bank and panels."""
    try:
        last = first + timedelta(days=days - 1)
    except OverflowError:
        raise InputError(f"--date: expected a date up to 2100, got {first}") from None
    if first.year < 1950 or last.year > 2100:
        raise InputError(f"--date: expected a date from 1950 to 2100, got {first}")
    zone = ZoneInfo(stop.zone)
    stay = replace(
        stop,
        number=1,
        arrive=first,
        depart=last,
        stand_from_utc=datetime.combine(first, time(), zone).astimezone(UTC),
        stand_to_utc=datetime.combine(last + timedelta(days=1), time(), zone).astimezone(UTC),
        drives_utc=(),
        hookup_every_nights=0,
        drive_h_per_day=0.0,
    )
    here = tuple(
        replace(appliance, stops=None)
        for appliance in scenario.appliances
        if appliance.stops is None or stop.number in appliance.stops
    )
    return replace(scenario, stops=(stay,), appliances=here, shore=None, alternator=None, generator=None)


def _even_sky(alone: Scenario, clock: timeline.Timeline, kt: float, temp_c: float | None) -> RouteWeather:
    """The same share of the light in every hour, split as such hours are, and a steady temperature."""
    stop = alone.stops[0]
    choice = stop.weather
    source = []
    if choice is None or choice.clear:
        month_c = choice.temp_c if choice is not None else CLEAR_TEMP_C
        other_m = None
        air_c = np.full(clock.hours, month_c if temp_c is None else temp_c)
    else:
        normals = route_normals(alone)[0]
        other_m = normals.elevation_m
        month = np.array([clock.dates[number].month for number in clock.local_day]) - 1
        air_c = np.array(normals.temp_mean_c)[month] if temp_c is None else np.full(clock.hours, temp_c)
        if temp_c is None:
            source.append(f"temperature: mean of the month, {normals.source}")
    elevation_m = np.full(clock.hours, height_m(stop, other_m))
    position = solar.hourly_sun_position(clock.utc, clock.latitude_deg, clock.longitude_deg, elevation_m)
    up = np.maximum(np.cos(np.radians(position.zenith_deg)), 0.0)
    beyond = extraterrestrial_w_m2(clock.utc.day_of_year.to_numpy(dtype=np.float64))
    ghi, dni, dhi = kt * beyond * up, np.zeros(clock.hours), np.zeros(clock.hours)
    lit = up > 0.0
    dni[lit], dhi[lit] = split_by_erbs(ghi[lit], up[lit], beyond[lit])
    table = {"ghi": ghi, "dni": dni, "dhi": dhi, "temp_air": air_c, "wind_speed": np.full(clock.hours, CALM_WIND_M_S)}
    return RouteWeather(table, elevation_m, tuple(source), ())


def _darkest(
    scenario: Scenario, stop: Stop, day: date, spell_days: int, years: int, source: str, seed: int
) -> tuple[Scenario, timeline.Timeline, RouteWeather, float, str]:
    """The darkest run of days in the years of the stop, about the date: its stay, its weather, its mean share of light."""
    season = _alone(scenario, stop, day - timedelta(days=SEASON_DAYS), 2 * SEASON_DAYS + spell_days)
    clock = timeline.build_timeline(season)
    known = past_years(season, clock, seed) if source == "past" else drawn_years(season, clock, years, seed)
    least, year, start = np.inf, 0, 0
    for first in range(0, len(known.names), BLOCK_ROWS):
        block = known.block(first, min(BLOCK_ROWS, len(known.names) - first))
        edges = np.flatnonzero(np.diff(clock.local_day, prepend=-1))
        daily = np.add.reduceat(block.table["ghi"], edges, axis=1)
        total = np.concatenate([np.zeros((len(daily), 1)), np.cumsum(daily, axis=1)], axis=1)
        runs = total[:, spell_days:] - total[:, :-spell_days]
        row, column = divmod(int(np.argmin(runs)), runs.shape[1])
        if runs[row, column] < least:
            least, year, start = float(runs[row, column]), first + row, column
    row_weather = known.block(year, 1)
    alone = _alone(scenario, stop, clock.dates[start], spell_days)
    own = timeline.build_timeline(alone)
    at = clock.utc.get_indexer(own.utc)
    rain = row_weather.precipitation_mm
    found = RouteWeather(
        {name: values[0, at] for name, values in row_weather.table.items()},
        row_weather.elevation_m[at],
        known.sources,
        row_weather.notes,
        None if rain is None else rain[0, at],
    )
    position = solar.hourly_sun_position(own.utc, own.latitude_deg, own.longitude_deg, found.elevation_m)
    up = np.maximum(np.cos(np.radians(position.zenith_deg)), 0.0)
    beyond = float((up * extraterrestrial_w_m2(own.utc.day_of_year.to_numpy(dtype=np.float64))).sum())
    kt = float(found.table["ghi"].sum()) / beyond if beyond > 0.0 else 0.0
    kind = "past years" if source == "past" else "drawn years"
    sky = (
        f"the darkest {spell_days} days about {day:%d %B} of {len(known.names)} {kind} "
        f"(year {known.names[year]}, {kt:.2f} of the light beyond the atmosphere)"
    )
    return alone, own, found, kt, sky


def _walked(
    scenario: Scenario, stop: Stop, alone: Scenario, clock: timeline.Timeline, found: RouteWeather, kt: float, sky: str
) -> Stretch:
    """Walk the bank from full, with the sun and without."""
    bank = alone.bank
    setting: Setting = histories(alone, clock, found, questions=False)
    load_w = setting.load.dc_w[-1]
    load_wh = float(load_w.sum()) * HOURS_PER_DAY / clock.hours
    if load_wh <= 0.0:
        raise InputError(f'stop {stop.number} "{stop.name}": expected something that draws power there, got none')
    base = pack(alone) | {"generator_a": 0.0}
    design = battery.stack_lanes([base, base | {"sun_scale": 0.0}])
    curve, capacity = battery.pack_curve(bank)
    state = battery.start_state(design, 1.0, setting.inputs.bay_c[design.bay_row, 0, 0])
    walked = battery.walk(design, setting.inputs, curve[None], capacity[None], state, watch=(0, 1))
    days = [days_until_dark(walked.hours[lane]) for lane in (0, 1)]
    usable_ah = bank.unit_ah * bank.in_parallel * bank.soh_start
    label_wh = usable_ah * bank.unit_v * bank.in_series
    sun_w = setting.inputs.sun_w[0, :, :2].mean(axis=1)
    return Stretch(
        scenario=scenario,
        stop=stop,
        first_day=clock.dates[0],
        sky=sky,
        kt=kt,
        source=found.sources,
        looked_days=clock.days,
        days=days[0],
        lowest_soc=float(walked.hours[0, :, k.SOC_LOWEST].min()),
        days_without_sun=days[1],
        load_wh_per_day=load_wh,
        sun_wh_per_day=float(sun_w.sum()) * HOURS_PER_DAY / clock.hours,
        usable_wh=label_wh * (1.0 - bank.cutoff_soc),
        planned_wh=label_wh * min(bank.usable_frac, 1.0 - bank.cutoff_soc),
    )


def stretch_summary(found: Stretch) -> dict[str, Any]:
    """The stretch as one object for other programs."""

    def days(value: float | None) -> float | None:
        return None if value is None else round(value, 2)

    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "seed": found.seed,
        "stop": found.stop.name,
        "first_day": found.first_day.isoformat(),
        "within_stay": found.stop.arrive <= found.first_day <= found.stop.depart,
        "sky": found.sky,
        "kt": round(found.kt, 4),
        "source": list(found.source),
        "looked_days": found.looked_days,
        "days": days(found.days),
        "lowest_soc": round(found.lowest_soc, 4),
        "days_without_sun": days(found.days_without_sun),
        "load_wh_per_day": round(found.load_wh_per_day, 1),
        "sun_wh_per_day": round(found.sun_wh_per_day, 1),
        "usable_wh": round(found.usable_wh, 1),
        "by_hand": {
            "days_without_sun": days(found.hand_days),
            "days_without_sun_to_planning_line": days(found.hand_days_planned),
            "days_under_this_sky": days(found.hand_days_with_sun),
        },
        "cautions": list(cautions_of([found.scenario])),
    }
