"""The method, in order: a scenario becomes a timeline; the timeline gets weather, sun, loads and other charging; one walk of
many lanes meets the hours; the outcome says which days run flat, why, and what would mend it.

Three functions, :func:`histories`, :func:`lanes` and :func:`run`; :func:`simulate` is these three in a row.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from simulator import battery, loads, solar, sources, timeline
from simulator.battery import FAR_C, Histories, Lanes, kernel
from simulator.battery.kernel import FloatArray
from simulator.cabin import hourly_bay_c, hourly_cabin_c, hourly_unheated_bay_c
from simulator.outcome import COLD_CELLS_C, Outcome, Refill
from simulator.route import RouteWeather, route_weather
from simulator.scenario.parts import Bank, Scenario, Vehicle
from simulator.units import HOURS_PER_DAY

SNOW_MELT_C = 0.0
"""Snow that stays lies on the array while the mean air of the last day is at or below this (common practice, no source)."""
CONTROLLER_MATTERS_W = 1e-6
DAYLIGHT_W_M2 = 20.0
"""From this light on a panel is near its full voltage (common practice, no source)."""
REFILL_HOURS = 20 * HOURS_PER_DAY
REFILL_CELL_C = 20.0

LaneValues = dict[str, float | int | tuple[float, ...]]


@dataclass(frozen=True)
class Setting:
    """Everything the lanes meet on this route. A name in ``sun_rows`` or ``bay_rows`` gives the row of the first weather year."""

    scenario: Scenario
    timeline: timeline.Timeline
    weather: RouteWeather
    load: loads.LoadHistory
    inputs: Histories
    sun_rows: Mapping[str, int]
    bay_rows: Mapping[str, int]


def _snow_covered(
    scenario: Scenario, clock: timeline.Timeline, temp_air: FloatArray, told: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """(..., hours) True where snow lies on the arrays of a stop whose snow stays, but where past years tell it (hours,)."""
    stays = np.array([stop.snow == "stays" for stop in scenario.stops])[clock.stop] & ~told
    if not stays.any():
        return np.zeros(temp_air.shape, dtype=bool)
    total = np.concatenate([np.zeros((*temp_air.shape[:-1], 1)), np.cumsum(temp_air, axis=-1)], axis=-1)
    hour = np.arange(1, clock.hours + 1)
    first = np.maximum(hour - HOURS_PER_DAY, 0)
    mean_c = (total[..., hour] - total[..., first]) / (hour - first)
    return np.asarray(stays & (mean_c <= SNOW_MELT_C))


def _snow_told(scenario: Scenario, clock: timeline.Timeline, found: RouteWeather) -> npt.NDArray[np.bool_]:
    """(hours,) True where past years say what fell, and nobody brushes the panels or said that no snow lies there."""
    if found.precipitation_mm is None:
        return np.zeros(clock.hours, dtype=bool)
    left = np.array([not stop.snow_stated or stop.snow == "stays" for stop in scenario.stops])[clock.stop]
    known = ~np.isnan(found.precipitation_mm)
    return np.asarray(left & (known if known.ndim == 1 else known.all(axis=0)))


def _snow_cover(
    scenario: Scenario,
    clock: timeline.Timeline,
    found: RouteWeather,
    told: npt.NDArray[np.bool_],
    tilt_deg: FloatArray,
    light_w_m2: FloatArray,
) -> FloatArray:
    """(..., hours) Share of an array's sun that lying snow takes where past years tell it; each stay begins with bare panels."""
    cover = np.zeros(np.shape(found.table["ghi"]))
    rain_mm = found.precipitation_mm
    for place in range(len(scenario.stops)):
        here = told & (clock.stop == place)
        if rain_mm is not None and here.any():
            cover[..., here] = solar.hourly_snow_cover(
                clock.utc[here], rain_mm[..., here], found.table["temp_air"][..., here], light_w_m2[..., here], tilt_deg[here]
            )
    return cover


def histories(scenario: Scenario, clock: timeline.Timeline, found: RouteWeather, *, questions: bool = True) -> Setting:
    """Sun, bay, loads and other charging of every hour, as rows that the lanes look up.

    With ``questions`` there are also rows without snow, shade or controller limit, and for the bank in other places.
    """
    table = found.table
    position = solar.hourly_sun_position(clock.utc, clock.latitude_deg, clock.longitude_deg, found.elevation_m)
    sky = solar.hourly_sky(clock.utc, position, table)
    trees = solar.hourly_trees(scenario, clock)
    stands = [solar.hourly_stand(array, scenario, clock, position) for array in scenario.arrays]
    base = battery.pack_lane(scenario.bank)
    bus_v = (float(base["sun_low_v"]), float(base["sun_high_v"]))  # type: ignore[arg-type]

    told = _snow_told(scenario, clock, found)
    stays = _snow_covered(scenario, clock, table["temp_air"], told)
    free: list[FloatArray] = []
    for stand in stands:
        light_w_m2 = sky.ghi
        if told.any():
            plane = (sky, stand.tilt_deg, stand.azimuth_deg, *trees)
            light_w_m2 = solar.hourly_plane_light(*plane, skyline=stand.skyline).total_w_m2
        free.append(np.where(stays, 0.0, 1.0 - _snow_cover(scenario, clock, found, told, stand.tilt_deg, light_w_m2)))
    snowed = any((share < 1.0).any() for share in free)

    def sun(shade: bool, snow: bool) -> FloatArray:
        watts = np.zeros((*np.shape(table["ghi"]), 3))
        for array, stand, share in zip(scenario.arrays, stands, free, strict=True):
            given = solar.hourly_stand_w(array, stand, sky, trees, bus_v, shade=shade)
            watts += given * share[..., None] if snow else given
        return watts

    as_built = sun(True, snowed)
    sun_rows = {"as built": as_built}
    if questions and snowed:
        sun_rows["no snow"] = sun(True, False)
    if questions and solar.is_shaded(scenario.arrays, stands, trees):
        sun_rows["no shade"] = sun(False, snowed)
    held_back = as_built[..., 2] - np.minimum(as_built[..., 0], as_built[..., 1])
    if questions and held_back.max(initial=0.0) > CONTROLLER_MATTERS_W:
        sun_rows["no controller limit"] = np.repeat(as_built[..., 2:], 3, axis=-1)

    built = scenario.bank.place
    places = [built, *(other for other in ("inside",) if questions and other != built)]
    around = (scenario.vehicle, table["temp_air"], table["ghi"], clock.local_hour)
    bay_rows = {name: np.stack([hourly_bay_c(name, *around), hourly_unheated_bay_c(name, *around)], axis=-1) for name in places}
    notes = []
    rated_w = scenario.inverter.rated_w if scenario.inverter is not None else np.inf
    peak_w = loads.running_peak_w(scenario)
    # A single appliance beyond it has a note of its own, from the reader.
    if peak_w > rated_w and all(it.power_w <= rated_w for it in scenario.appliances if it.bus == "ac"):
        notes.append(
            f"the AC appliances may draw {peak_w:,.0f} W together, the inverter gives {rated_w:,.0f} W; "
            "what runs at once must stay below that"
        )
    notes += [note for array in scenario.arrays for note in solar.panel_notes(array)]
    daylight = np.asarray(sky.ghi) > DAYLIGHT_W_M2
    coldest_c = float(np.min(np.asarray(table["temp_air"])[daylight], initial=25.0))
    for array in scenario.arrays:
        limit_v = array.controller.max_input_v
        cold_v = solar.cold_open_circuit_v(array, coldest_c)
        if limit_v is not None and cold_v > limit_v:
            notes.append(
                f'array {array.number} "{array.name}": at {coldest_c:.0f} C, the coldest daylight of the trip, its open-circuit '
                f"voltage of {cold_v:.0f} V is above the controller's {limit_v:g} V and may destroy it; put fewer in series"
            )
    load = loads.hourly_load_w(
        scenario, clock, position.elevation_deg, **(_cabin_air(around) if loads.follows_weather(scenario) else {})
    )
    notes += load.notes
    charging = sources.hourly_sources(scenario, clock, load.hookup_w, found.elevation_m)
    notes += sources.source_notes(scenario, clock, load.hookup_w, found.elevation_m)
    years = table["ghi"].size // clock.hours
    inputs = Histories(
        sun_w=np.concatenate([rows.reshape(years, clock.hours, 3) for rows in sun_rows.values()]),
        bay_c=np.concatenate([rows.reshape(years, clock.hours, 2) for rows in bay_rows.values()]),
        load_w=load.bus_w,
        peak_h=load.peak_h,
        source_a=np.stack([charging, _nothing_offered(charging)]),
        day=np.ascontiguousarray(clock.local_day, dtype=np.int64),
    )
    return Setting(
        scenario=scenario,
        timeline=clock,
        weather=replace(found, notes=(*found.notes, *dict.fromkeys(notes))),
        load=load,
        inputs=inputs,
        sun_rows={name: years * place for place, name in enumerate(sun_rows)},
        bay_rows={name: years * place for place, name in enumerate(bay_rows)},
    )


def _cabin_air(around: tuple[Vehicle, FloatArray, FloatArray, FloatArray]) -> dict[str, FloatArray]:
    """What appliances follow: the air outside, in the cabin, and in the cabin if nothing heated it."""
    vehicle, temp_air, *sun_and_clock = around
    return {
        "temp_air": temp_air,
        "cabin_c": hourly_cabin_c(vehicle, temp_air, *sun_and_clock),
        "free_cabin_c": hourly_cabin_c(replace(vehicle, cabin_heated=False), temp_air, *sun_and_clock),
    }


def _nothing_offered(charging: FloatArray) -> FloatArray:
    """The same hours with no charger at all; the electronics stay as awake as they were."""
    none = np.zeros_like(charging)
    none[:, kernel.AWAKE] = charging[:, kernel.AWAKE]
    return none


def cabin_tau_h(scenario: Scenario) -> float:
    """Time constant of a cabin that cools when the bank is dark [h]; 0: its heating needs no bank."""
    needs_bank = scenario.vehicle.cabin_heated and any(it.follows == "heating" for it in scenario.appliances)
    return scenario.vehicle.cabin_time_constant_h if needs_bank else 0.0


def pack(scenario: Scenario, bank: Bank | None = None) -> LaneValues:
    """Lane parameters of the scenario's system, or of the same system with another bank."""
    return battery.pack_lane(
        bank or scenario.bank, scenario.generator, scenario.inverter, scenario.switch_off, cabin_tau_h(scenario)
    )


def lanes(setting: Setting) -> tuple[tuple[str, ...], Lanes]:
    """The bank as proposed, and the questions beside it, one lane each.

    ``base`` comes first; ``load +20 %`` and ``sun -15 %`` follow; ``lift ...`` lanes take one constraint away (they find
    the cause); ``mend ...`` lanes change one thing (they find the cure); ``no sun`` starts full and gets nothing (autonomy).
    """
    scenario = setting.scenario
    bank = scenario.bank
    base = pack(scenario)
    named: dict[str, LaneValues] = {
        "base": base,
        "load +20 %": base | {"load_scale": 1.2},
        "sun -15 %": base | {"sun_scale": 0.85},
        # How long the charge lasts, not how soon a kettle trips the inverter.
        "no sun": base | {"sun_scale": 0.0, "source_row": 1, "generator_a": 0.0, "inverter_off_v": 0.0},
        "lift cold": base
        | {
            "charge_min_c": -FAR_C,
            "charge_resume_c": -FAR_C,
            "charge_cold_limit_a": base["charge_limit_a"],
            "discharge_min_c": -FAR_C,
            # Stiff cells let the voltage sag: what goes dark for that is cold too. So is what cold cells hold back.
            "resistance_per_c": 0.0,
            "curve_row": 1,
        },
    }
    for cause in ("snow", "shade", "controller limit"):
        row = setting.sun_rows.get(f"no {cause}")
        if row is not None:
            named[f"lift {cause.split()[0]}"] = base | {"sun_row": row}
    no_volts: LaneValues = {"inverter_off_v": 0.0, "cutoff_v": 0.0}
    if base["inverter_off_v"] != 0.0 or base["cutoff_v"] != 0.0:
        named["lift voltage"] = base | no_volts
    named["lift acceptance"] = base | {"taper_per_h": 0.0, "charge_limit_a": 1e6, "charge_cold_limit_a": 1e6}

    named["mend one more unit in parallel"] = pack(scenario, replace(bank, in_parallel=bank.in_parallel + 1))
    named["mend twice the bank"] = pack(scenario, replace(bank, in_parallel=2 * bank.in_parallel))
    if scenario.arrays:
        named["mend half as much panel again with its controller"] = base | {"sun_scale": 1.5}
        named["mend twice the panels with their controllers"] = base | {"sun_scale": 2.0}
    named["mend a fifth less load"] = base | {"load_scale": 0.8}
    if bank.place != "inside":
        named["mend the bank moved inside"] = base | {"bay_row": setting.bay_rows["inside"]}
    return tuple(named), battery.stack_lanes(list(named.values()))


def bank_curves(bank: Bank) -> tuple[FloatArray, FloatArray]:
    """Curves that the rows of :func:`lanes` point at: the bank as it is, and one from which cold takes nothing.

    Returns
    -------
    curves : (2, NODES + 1, CURVE_FIELDS)
    capacities : (2, CAPACITY_NODES)
    """
    curve, capacity = battery.pack_curve(bank)
    warm = np.maximum(capacity, np.interp(COLD_CELLS_C, kernel.capacity_grid_c(), capacity))
    return np.stack([curve, curve]), np.stack([capacity, warm])


def run(setting: Setting, names: tuple[str, ...], design: Lanes, threads: int | None = None) -> Outcome:
    """Walk the lanes and gather the outcome."""
    scenario = setting.scenario
    curves, capacities = bank_curves(scenario.bank)
    start_soc = np.full(len(names), scenario.bank.start_soc)
    start_soc[names.index("no sun")] = 1.0
    state = battery.start_state(design, start_soc, setting.inputs.bay_c[design.bay_row, 0, 0])
    watch = (names.index("base"), names.index("no sun"))
    walked = battery.walk(design, setting.inputs, curves, capacities, state, watch=watch, threads=threads)
    offered = setting.inputs.source_a[0]
    sources_a = offered[:, kernel.SHORE_A] + offered[:, kernel.DRIVE_A]
    if scenario.generator is not None:
        sources_a = sources_a + offered[:, kernel.GENERATOR_SHARE] * scenario.generator.charger_a
    return Outcome(
        scenario=scenario,
        timeline=setting.timeline,
        temp_air=setting.weather.table["temp_air"],
        ghi=setting.weather.table["ghi"],
        usual_sun=setting.weather.usual_sun,
        load=setting.load,
        weather_sources=setting.weather.sources,
        notes=(*scenario.notes, *setting.weather.notes),
        curve=curves[0],
        start_soc=float(state[0, kernel.SOC]),
        cell_c_before=float(state[0, kernel.CELL_C]),
        lane_names=names,
        totals=walked.totals,
        days=walked.days,
        hours=walked.hours[0],
        no_sun_hours=walked.hours[1],
        charger_a=sources_a,
        other_w=setting.inputs.source_a[0, :, kernel.OTHER_W],
        refills=refills(scenario, setting.timeline),
    )


def refills(scenario: Scenario, clock: timeline.Timeline) -> tuple[Refill, ...]:
    """Hours from the planning line to full on each charger alone, at 20 C and without load (None: not within 20 days)."""
    bank = scenario.bank
    base = battery.pack_lane(bank) | {"generator_a": 0.0, "standby_w": 0.0}
    chargers = sources.charging_offers(scenario, clock)
    if not chargers:
        return ()
    # Only here: a run without chargers need not wait for them.
    from scipy.interpolate import PchipInterpolator
    from scipy.optimize import brentq

    curve, capacity = battery.pack_curve(bank)
    offered = np.zeros((len(chargers), REFILL_HOURS, sources.COLUMNS))
    offered[:, :, sources.AWAKE] = 1.0
    for row, offer in enumerate(chargers):
        # Chargers give amperes, other sources watts.
        column, given = (sources.SHORE_A, offer.charger_a) if offer.watts is None else (sources.OTHER_W, offer.watts)
        offered[row, :, column] = given
    design = battery.stack_lanes([base | {"source_row": row} for row in range(len(chargers))])
    inputs = Histories(
        sun_w=np.zeros((1, REFILL_HOURS, 3)),
        bay_c=np.full((1, REFILL_HOURS, 2), REFILL_CELL_C),
        load_w=np.zeros((1, REFILL_HOURS, kernel.LEVELS, 4)),
        peak_h=np.zeros((1, REFILL_HOURS)),
        source_a=offered,
        day=np.arange(REFILL_HOURS, dtype=np.int64) // HOURS_PER_DAY,
    )
    start = max(1.0 - bank.usable_frac, bank.cutoff_soc)
    state = battery.start_state(design, start, np.full(len(chargers), REFILL_CELL_C))
    walked = battery.walk(design, inputs, curve[None], capacity[None], state, watch=range(len(chargers)))
    found = []
    goal = min(bank.full_soc, bank.target_soc)
    for place, offer in enumerate(chargers):
        soc = np.concatenate([[start], walked.hours[place, :, kernel.SOC_END]])
        reached = np.flatnonzero(soc >= float(base["full_soc"]) - 1e-9)  # type: ignore[arg-type]
        hours: float | None = 0.0 if len(reached) and reached[0] == 0 else None
        if len(reached) and reached[0] > 0:
            # A curve through the hours, because the current falls towards the end.
            last = int(reached[0])
            course = soc[: last + 2]
            through = PchipInterpolator(np.arange(len(course)), course)
            # A bank that is held at its charge target stands a hair below it at the end of an hour.
            there = min(goal, float(soc[last]))
            hours = float(brentq(lambda hour, through=through, there=there: through(hour) - there, last - 1, last, xtol=1e-6))
        found.append(Refill(offer.source, offer.charger_a, start, goal, hours, offer.offered_h))
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
    clock = timeline.build_timeline(scenario)
    setting = histories(scenario, clock, route_weather(scenario, clock))
    names, design = lanes(setting)
    return run(setting, names, design, threads)
