"""The method, in order: a scenario becomes a timeline; the timeline gets weather, sun, loads and other charging; one walk of
many lanes meets the hours; the outcome says which days run flat, why, and what would mend it.

Three functions, :func:`histories`, :func:`lanes` and :func:`run`; :func:`simulate` is these three in a row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from simulator import battery, loads, solar, sources, timeline, weather
from simulator.battery import FAR_C, Histories, Lanes, kernel
from simulator.battery.kernel import FloatArray
from simulator.cabin import hourly_bay_c
from simulator.errors import InputError
from simulator.outcome import Outcome, Refill
from simulator.scenario.parts import Bank, Scenario
from simulator.units import HOURS_PER_DAY

SNOW_MELT_C = 0.0
"""Snow that stays on the array lies while the mean air temperature of the last day is at or below this (common practice, no source)."""
REFILL_HOURS = 20 * HOURS_PER_DAY
REFILL_CELL_C = 20.0

LaneValues = dict[str, float | int | tuple[float, ...]]


@dataclass(frozen=True)
class Setting:
    """Everything the lanes meet on this route, all ``(hours,)`` unless the name says otherwise."""

    scenario: Scenario
    timeline: timeline.Timeline
    sky: solar.Sky
    load: loads.LoadHistory
    inputs: Histories
    sun_rows: Mapping[str, int]
    bay_rows: Mapping[str, int]
    weather_sources: tuple[str, ...]
    notes: tuple[str, ...]


def _hourly_weather(scenario: Scenario, clock: timeline.Timeline) -> tuple[dict[str, FloatArray], FloatArray, list[str], list[str]]:
    """Weather of every hour from the stop it belongs to; also elevation, and sentences on where it comes from."""
    table = {name: np.zeros(clock.hours) for name in weather.COLUMNS}
    elevation_m = np.zeros(clock.hours)
    said: dict[str, None] = {}
    notes: dict[str, None] = {}
    mistakes: list[str] = []
    for place, stop in enumerate(scenario.stops):
        here = clock.stop == place
        if not here.any():
            continue
        choice = stop.weather
        if choice is None:
            mistakes.append(f'stop {stop.number} "{stop.name}": no weather is given; add weather = {{ file = "year.epw" }} to it')
            continue
        utc = clock.utc[here]
        if choice.clear:
            height = stop.elevation_m if stop.elevation_m is not None else weather.look_up_elevation_m(stop.latitude_deg, stop.longitude_deg)
            found = weather.hourly_clear_weather(utc, clock.latitude_deg[here], clock.longitude_deg[here], height, choice.temp_c)
            said[f"clear sky all day at {choice.temp_c:g} C, the upper bound of what the sun can give"] = None
        else:
            try:
                station = weather.read_sample(choice.sample) if choice.sample else weather.read_weather_file(choice.file)
            except InputError as error:
                mistakes.extend(error.mistakes)
                continue
            found = weather.hourly_weather(station, utc)
            height = stop.elevation_m if stop.elevation_m is not None else station.elevation_m
            said[station.source] = None
            for note in (*station.notes, *weather.distance_notes(station, stop)):
                notes[note] = None
        for name, column in table.items():
            column[here] = found[name]
        elevation_m[here] = height
    if mistakes:
        raise InputError(dict.fromkeys(mistakes))
    return table, elevation_m, list(said), list(notes)


def _snow_covered(scenario: Scenario, clock: timeline.Timeline, temp_air: FloatArray) -> np.ndarray:
    """(hours,) True where snow lies on the arrays of a stop whose snow stays."""
    stays = np.array([stop.snow == "stays" for stop in scenario.stops])[clock.stop]
    if not stays.any():
        return np.zeros(clock.hours, dtype=bool)
    total = np.concatenate([[0.0], np.cumsum(temp_air)])
    hour = np.arange(1, clock.hours + 1)
    first = np.maximum(hour - HOURS_PER_DAY, 0)
    return stays & ((total[hour] - total[first]) / (hour - first) <= SNOW_MELT_C)


def histories(scenario: Scenario, bus_v: tuple[float, float]) -> Setting:
    """Timeline, weather, sun, loads and other charging of the route; ``bus_v`` are the voltages the first two sun columns hold at."""
    clock = timeline.build_timeline(scenario)
    table, elevation_m, said, notes = _hourly_weather(scenario, clock)
    position = solar.hourly_sun_position(clock.utc, clock.latitude_deg, clock.longitude_deg, elevation_m)
    sky = solar.hourly_sky(clock.utc, position, table)

    beam = np.array([stop.beam_frac for stop in scenario.stops])[clock.stop]
    diffuse = np.array([stop.diffuse_frac for stop in scenario.stops])[clock.stop]
    own_tilt = np.array([np.nan if stop.tilt_deg is None else stop.tilt_deg for stop in scenario.stops])[clock.stop]
    tilt_stop = np.where(clock.driving_frac > 0.0, np.nan, own_tilt)

    def sun(beam_frac: FloatArray, diffuse_frac: FloatArray) -> FloatArray:
        watts = np.zeros((clock.hours, 3))
        for array in scenario.arrays:
            tilt_deg = np.where(np.isnan(tilt_stop), array.tilt_deg, tilt_stop)
            azimuth_deg = solar.array_azimuth_deg(array, clock.heading_deg)
            watts += solar.hourly_sun_w(array, sky, tilt_deg, azimuth_deg, beam_frac, diffuse_frac, bus_v)
        return watts

    bare = sun(beam, diffuse)
    covered = _snow_covered(scenario, clock, table["temp_air"])
    as_built = np.where(covered[:, None], 0.0, bare)
    rows = {"as built": as_built}
    if covered.any():
        rows["no snow"] = bare
    if (beam < 1.0).any() or (diffuse < 1.0).any():
        rows["no shade"] = np.where(covered[:, None], 0.0, sun(np.ones_like(beam), np.ones_like(diffuse)))
    if (as_built[:, 2] - np.minimum(as_built[:, 0], as_built[:, 1])).max(initial=0.0) > 1e-6:
        rows["no controller limit"] = np.repeat(as_built[:, 2:], 3, axis=1)

    place = scenario.bank.place
    places = [place, *(other for other in ("inside", "heated") if other != place)]
    bays = [hourly_bay_c(name, scenario.vehicle, table["temp_air"], table["ghi"], clock.local_hour) for name in places]
    load = loads.hourly_load_w(scenario, clock, position.elevation_deg)
    charging = sources.hourly_sources(scenario, clock)
    dark = np.zeros_like(charging)
    inputs = Histories(
        sun_w=np.ascontiguousarray(np.stack(list(rows.values()))),
        bay_c=np.ascontiguousarray(np.stack(bays)),
        load_w=np.ascontiguousarray(load.dc_w[None]),
        source_a=np.ascontiguousarray(np.stack([charging, dark])),
        day=np.ascontiguousarray(clock.local_day, dtype=np.int64),
    )
    return Setting(
        scenario=scenario,
        timeline=clock,
        sky=sky,
        load=load,
        inputs=inputs,
        sun_rows={name: row for row, name in enumerate(rows)},
        bay_rows={name: row for row, name in enumerate(places)},
        weather_sources=tuple(said),
        notes=tuple(notes),
    )


def lanes(setting: Setting) -> tuple[tuple[str, ...], Lanes]:
    """The bank as proposed, and the questions beside it, one lane each.

    ``base`` comes first; ``load +20 %`` and ``sun -15 %`` follow; ``lift ...`` lanes take one constraint away (they find the cause);
    ``mend ...`` lanes change one thing (they find the cure); ``no sun`` starts full and gets nothing (autonomy).
    """
    scenario = setting.scenario
    bank = scenario.bank
    base = battery.pack_lane(bank, scenario.generator)
    named: dict[str, LaneValues] = {
        "base": base,
        "load +20 %": base | {"load_scale": 1.2},
        "sun -15 %": base | {"sun_scale": 0.85},
        "no sun": base | {"sun_scale": 0.0, "source_row": 1, "generator_a": 0.0},
        "lift cold": base | {"charge_min_c": -FAR_C, "charge_resume_c": -FAR_C, "charge_cold_limit_a": base["charge_limit_a"]},
    }
    for cause in ("snow", "shade", "controller limit"):
        row = setting.sun_rows.get(f"no {cause}")
        if row is not None:
            named[f"lift {cause.split()[0]}"] = base | {"sun_row": row}
    named["lift acceptance"] = base | {"taper_per_h": 0.0, "charge_limit_a": 1e6, "charge_cold_limit_a": 1e6}

    def mended(changed: Bank) -> LaneValues:
        return battery.pack_lane(changed, scenario.generator)

    named["mend one more unit in parallel"] = mended(replace(bank, in_parallel=bank.in_parallel + 1))
    named["mend twice the bank"] = mended(replace(bank, in_parallel=2 * bank.in_parallel))
    if scenario.arrays:
        named["mend half as much panel again"] = base | {"sun_scale": 1.5}
        named["mend twice the panels"] = base | {"sun_scale": 2.0}
    named["mend a fifth less load"] = base | {"load_scale": 0.8}
    if bank.place != "inside":
        named["mend the bank moved inside"] = base | {"bay_row": setting.bay_rows["inside"]}
    return tuple(named), battery.stack_lanes(list(named.values()))


def run(setting: Setting, names: tuple[str, ...], design: Lanes, threads: int | None = None) -> Outcome:
    """Walk the lanes and gather the outcome."""
    scenario = setting.scenario
    curve, capacity = battery.pack_curve(scenario.bank)
    start_soc = np.full(len(names), scenario.bank.start_soc)
    start_soc[names.index("no sun")] = 1.0
    state = battery.start_state(design, start_soc, setting.inputs.bay_c[design.bay_row, 0])
    watch = (names.index("base"), names.index("no sun"))
    walked = battery.walk(design, setting.inputs, curve[None], capacity[None], state, watch=watch, threads=threads)
    return Outcome(
        scenario=scenario,
        timeline=setting.timeline,
        temp_air=setting.sky.temp_air,
        load=setting.load,
        weather_sources=setting.weather_sources,
        notes=(*scenario.notes, *setting.notes),
        curve=curve,
        start_soc=float(state[0, kernel.SOC]),
        lane_names=names,
        totals=walked.totals,
        days=walked.days,
        hours=walked.hours[0],
        no_sun_hours=walked.hours[1],
        refills=refills(scenario),
    )


def refills(scenario: Scenario) -> tuple[Refill, ...]:
    """Hours from the planning line to full on each charger alone, at 20 C and without load (None: not within 20 days)."""
    bank = scenario.bank
    base = battery.pack_lane(bank) | {"generator_a": 0.0, "standby_w": 0.0}
    chargers = [
        (name, part.charger_a)
        for name, part in (
            ("hookup", scenario.shore),
            ("driving", scenario.alternator),
            ("generator", scenario.generator),
        )
        if part is not None
    ]
    if not chargers:
        return ()
    curve, capacity = battery.pack_curve(bank)
    offered = np.zeros((len(chargers), REFILL_HOURS, 3))
    offered[:, :, 0] = np.array([amperes for _, amperes in chargers])[:, None]
    design = battery.stack_lanes([base | {"source_row": row} for row in range(len(chargers))])
    inputs = Histories(
        sun_w=np.zeros((1, REFILL_HOURS, 3)),
        bay_c=np.full((1, REFILL_HOURS), REFILL_CELL_C),
        load_w=np.zeros((1, kernel.LEVELS, REFILL_HOURS)),
        source_a=offered,
        day=np.arange(REFILL_HOURS, dtype=np.int64) // HOURS_PER_DAY,
    )
    start = max(1.0 - bank.usable_frac, bank.cutoff_soc)
    state = battery.start_state(design, start, np.full(len(chargers), REFILL_CELL_C))
    walked = battery.walk(design, inputs, curve[None], capacity[None], state, watch=range(len(chargers)))
    found = []
    goal = min(bank.full_soc, bank.target_soc)
    for place, (name, amperes) in enumerate(chargers):
        soc = np.concatenate([[start], walked.hours[place, :, kernel.SOC_END]])
        reached = np.flatnonzero(soc >= goal - 1e-9)
        hours: float | None = None
        if len(reached) and reached[0] > 0:
            last = reached[0]
            hours = float(last - 1 + (goal - soc[last - 1]) / (soc[last] - soc[last - 1]))
        found.append(Refill(name, amperes, start, goal, hours))
    return tuple(found)


def simulate(scenario: Scenario, threads: int | None = None) -> Outcome:
    """Which days this bank runs flat on this route, why, and what would mend it.

    Parameters
    ----------
    scenario : a finished scenario, as :func:`simulator.read_scenario` gives it.
    threads : worker threads; the answer does not depend on it.

    Raises
    ------
    InputError
        A weather file cannot be used; all such mistakes at once.
    """
    series = scenario.bank.in_series
    bus_v = (0.9 * min(scenario.bank.curve.ocv_v) * series, scenario.bank.absorb_v * series)
    setting = histories(scenario, bus_v)
    names, design = lanes(setting)
    return run(setting, names, design, threads)
