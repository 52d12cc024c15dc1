"""What was understood of a scenario, in plain sentences: for a person who wants to see whether it is what they meant."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any
from zoneinfo import ZoneInfo

from simulator.scenario.desk import either
from simulator.scenario.parts import PRIORITIES, Appliance, Array, Bank, OtherSource, Scenario, Stop, WeatherChoice
from simulator.scenario.presets import load_preset
from simulator.scenario.understood_wires import follows_text, way_lines
from simulator.scenario.values import WEEKDAYS
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR, SECONDS_PER_HOUR


def describe(scenario: Scenario, weather: Mapping[int, str] | None = None) -> list[str]:
    """Say what was understood.

    Parameters
    ----------
    scenario : Scenario
    weather : mapping, optional
        By the number of a stop: where its weather was measured, as far as that is known before anything is read.

    Returns
    -------
    list of str
        A line each, headings included; empty lines between parts.
    """
    parts: list[tuple[str, list[str]]] = [
        ("Bank", list(_bank(scenario.bank))),
        ("Charging", list(_charging(scenario))),
        ("Load", list(_load(scenario))),
        ("Route", [line for stop in scenario.stops for line in _stop(stop, (weather or {}).get(stop.number, ""))]),
        ("Rest of the year", list(_rest(scenario))),
        ("Taken where nothing was written", list(scenario.defaults_used)),
        ("Note", list(scenario.notes)),
    ]
    lines = [f"{scenario.title}: understood, no mistakes."]
    for heading, sentences in parts:
        if sentences:
            lines += ["", heading, *(f"  - {sentence}" for sentence in sentences)]
    return lines


def _ordinal(number: int) -> str:
    """1st, 2nd, 3rd, 4th, 11th ..."""
    ending = "th" if number % 100 in {11, 12, 13} else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def _plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _clock(hour: float) -> str:
    minutes = round(hour * MINUTES_PER_HOUR)
    return f"{minutes // MINUTES_PER_HOUR:02d}:{minutes % MINUTES_PER_HOUR:02d}"


def _bank(bank: Bank) -> Iterator[str]:
    ah = bank.unit_ah * bank.in_parallel
    volts = bank.unit_v * bank.in_series
    yield (
        f"{bank.in_series} in series x {bank.in_parallel} in parallel of {bank.unit_v:g} V {bank.unit_ah:g} Ah "
        f"{bank.chemistry_name}: "
        f"{ah:g} Ah at {volts:g} V, {ah * volts / 1000:.2f} kWh, {bank.unit_kg * bank.in_series * bank.in_parallel:.0f} kg"
    )
    yield f"Planned use {bank.usable_frac:.0%}, {ah * volts * bank.usable_frac / 1000:.2f} kWh; starts at {bank.start_soc:.0%}"
    switch = "a disconnect is set there" if bank.at_floor == "off" else f"loads run on below that, until {bank.cutoff_soc:.0%}"
    yield f"At the planning line of {1 - bank.usable_frac:.0%} {switch}; back at {bank.reconnect_soc:.0%}"
    cold = f"no charging below {bank.charge_min_c:g} C"
    if bank.charge_resume_c > bank.charge_min_c:
        cold += f", again from {bank.charge_resume_c:g} C"
    place = "in a heated bay" if bank.place == "heated" else bank.place
    yield f"Takes up to {bank.charge_limit_a * bank.in_parallel:g} A; {cold}; it sits {place}"
    if bank.capacities:
        rows = ", ".join(f"{ah:g} Ah in {hours:g} h" for hours, ah in bank.capacities)
        yield f"By its sheet one unit gives {rows}; its two wells are fitted to that"
    if bank.owned or bank.age_years is not None or bank.soh_start < 1.0:
        years = "" if bank.age_years is None else f", {bank.age_years:g} years old"
        yield f"{'Owned already' if bank.owned else 'Bought used'}{years}, holding {bank.soh_start:.0%} of its rated charge"
    if bank.heater is not None:
        heater = bank.heater
        source = "the bank too" if heater.from_bank else "surplus only"
        yield f"Heater {heater.power_w:g} W, on below {heater.on_below_c:g} C, off above {heater.off_above_c:g} C, from {source}"


def _rest(scenario: Scenario) -> Iterator[str]:
    rest = scenario.rest_of_year
    if rest is not None:
        how = "on float" if rest.on_float else "disconnected"
        yield f"Stored at {rest.soc:.0%} charge and {rest.temp_c:g} C, {how}"


def _array(array: Array, scenario: Scenario) -> str:
    panels = array.in_series * array.in_parallel
    direction = "towards the noon sun"
    if array.azimuth_deg is not None:
        direction = f"azimuth {array.azimuth_deg:g} degrees"
    elif array.bearing_deg is not None:
        direction = f"bearing {array.bearing_deg:g} degrees from the nose"
    tilt = "flat" if array.tilt_deg == 0.0 else f"tilted {array.tilt_deg:g} degrees, {direction}"
    if array.fixed:
        tilt += " and fixed"
    if array.roof_shade_frac > 0.0:
        tilt += f", {array.roof_shade_frac:.0%} behind objects on the roof"
    if array.deployed is not None:
        nights = array.deployed.from_nights
        where = [] if array.deployed.stops is None else [f"at {_stops_named(scenario, array.deployed.stops)}"]
        if nights > 0.0 or not where:
            where.append(f"at stays of {_plural(math.ceil(nights), 'night')} and more" if nights > 0.0 else "at every stop")
        tilt += f", put out {', '.join(where)}"
    limit = "" if array.controller.max_charge_a is None else f" of {array.controller.max_charge_a:g} A"
    return (
        f'"{array.name}": {array.in_series} in series x {array.in_parallel} in parallel of {array.panel.p_w:g} W, '
        f"{panels * array.panel.p_w:g} W, {tilt}, {array.controller.kind.upper()} controller{limit}"
    )


def _charging(scenario: Scenario) -> Iterator[str]:
    yield from (_array(array, scenario) for array in scenario.arrays)
    shore, alternator, generator = scenario.shore, scenario.alternator, scenario.generator
    if shore is not None:
        pedestal = "" if shore.pedestal_a is None else f", on a pedestal of {shore.pedestal_a:g} A at {shore.pedestal_v:g} V"
        yield f"Hookup: charger of {shore.charger_a:.4g} A{pedestal}"
    if alternator is not None:
        spare = "" if alternator.max_a is None else f", the alternator spares {alternator.max_a:g} A"
        yield f"Driving: charger of {alternator.charger_a:.4g} A{spare}"
    if generator is not None:
        when = f"within {_windows(generator.windows)}" if generator.windows else "at any hour"
        when += f", quiet {_windows(generator.quiet)}" if generator.quiet else ""
        yield (
            f"Generator {generator.rated_w:g} W: {generator.charger_a:.4g} A from {generator.start_soc:.0%} "
            f"to {generator.stop_soc:.0%}, {when}; {generator.fuel_l_per_h_quarter:.3g} L/h at a quarter load, "
            f"{generator.fuel_l_per_h_full:.3g} at full"
        )
    yield from (_source(source, scenario) for source in scenario.sources)
    if not (scenario.arrays or scenario.sources or shore or alternator or generator):
        yield "Nothing charges this bank"


def _windows(windows: Iterable[tuple[float, float]]) -> str:
    return ", ".join(f"{_clock(start_h)}-{_clock(end_h)}" for start_h, end_h in windows)


def _stops_named(scenario: Scenario, numbers: Iterable[int]) -> str:
    return either([scenario.stops[number - 1].name for number in sorted(numbers)], "and")


def _source(source: OtherSource, scenario: Scenario) -> str:
    """What another source gives, and when."""
    kind = "" if source.kind in ("other", source.name) else f" ({source.kind})"
    gives = f"{source.watts:g} W" if source.profile is None else f"as measured in {source.profile.name}"
    if source.efficiency_frac < 1.0:
        gives += f" through a charger of {source.efficiency_frac:.0%}"
    when = ["at all hours"]
    if source.clock is not None:
        when = [_windows(source.clock)]
    elif source.hours_per_day is not None:
        when = [f"{source.hours_per_day:g} h a day, spread evenly"]
    elif source.profile is not None:
        when = []
    if len(source.weekdays) < len(WEEKDAYS):
        when.append("on " + either([WEEKDAYS[day] for day in sorted(source.weekdays)], "and"))
    if source.stops is not None:
        when.append("at " + _stops_named(scenario, source.stops))
    if source.only is not None:
        when.append(f"only {source.only if source.only != 'hookup' else 'on a hookup'}")
    return f"{source.name}{kind}: " + ", ".join([gives, *when])


def _run(appliance: Appliance) -> tuple[str, float]:
    """How it runs, and watt-hours on a day of use."""
    watts = appliance.power_w
    if appliance.wh_per_day is not None:
        return f"as metered, {_usual_hours(appliance.kind)}", appliance.wh_per_day
    if appliance.uses_per_day is not None:
        minutes = appliance.use_minutes or 0.0
        how = f"{appliance.uses_per_day:g} x {minutes:g} min a day {_usual_hours(appliance.kind)}"
        return how, watts * appliance.uses_per_day * minutes / MINUTES_PER_HOUR
    if appliance.clock is not None:
        hours = sum((end_h - start_h) % HOURS_PER_DAY or HOURS_PER_DAY for start_h, end_h in appliance.clock)
        return ", ".join(f"{_clock(start_h)}-{_clock(end_h)}" for start_h, end_h in appliance.clock), watts * hours
    if appliance.duty_frac is not None:
        return (
            "day and night" if appliance.duty_frac == 1.0 else f"{appliance.duty_frac:.0%} of the time",
            watts * appliance.duty_frac * HOURS_PER_DAY,
        )
    return f"{appliance.hours_per_day or 0.0:g} h a day {_usual_hours(appliance.kind)}", watts * (appliance.hours_per_day or 0.0)


def _usual_hours(kind: str) -> str:
    """The hours of the day that an appliance of this kind runs in first, for those of which only the length is known."""
    hours: Any = load_preset("hours").tables
    pattern = hours["patterns"][hours["kinds"].get(kind, hours["kinds"]["other"])]
    windows = [f"{_clock(float(start_h))}-{_clock(float(end_h))}" for start_h, end_h in pattern["windows"]]
    if windows == ["00:00-24:00"]:
        return "spread over day and night"
    return f"in {either(windows, 'and')}{', once the sun is down' if pattern.get('dark') else ''}"


def _load(scenario: Scenario) -> Iterator[str]:
    for appliance in scenario.appliances:
        how, wh = _run(appliance)
        watts = f"{appliance.power_w:g} W {appliance.bus.upper()}" if appliance.power_w > 0.0 else appliance.bus.upper()
        extras = [text for text in (follows_text(appliance),) if text]
        if appliance.standby_w > 0.0:
            extras.append(f"standby {appliance.standby_w:g} W")
        if len(appliance.weekdays) < len(WEEKDAYS):
            extras.append("on " + either([WEEKDAYS[day] for day in sorted(appliance.weekdays)], "and"))
        if appliance.stops is not None:
            extras.append("at " + either([scenario.stops[number - 1].name for number in sorted(appliance.stops)], "and"))
        if appliance.only is not None:
            extras.append(f"only {appliance.only if appliance.only != 'hookup' else 'on a hookup'}")
        if appliance.priority > 0:
            extras.append(PRIORITIES[appliance.priority])
        tail = f" ({'; '.join(extras)})" if extras else ""
        if appliance.profile is not None:
            yield f"{appliance.name}: {watts}, as measured in {appliance.profile.name}{tail}"
        elif appliance.follows in ("heating", "cooling", "pads"):
            at_most = "day and night at most" if appliance.duty_frac == 1.0 else how
            yield f"{appliance.name}: {watts}, {at_most}{tail}"
        else:
            yield f"{appliance.name}: {watts}, {how}, {wh:,.0f} Wh on a day of use{tail}"
    yield from way_lines(scenario)


def _weather(choice: WeatherChoice) -> str:
    if choice.clear:
        return "clear sky"
    if choice.sample is not None:
        return f"sample {choice.sample}"
    if choice.years is not None:
        first, last = choice.years
        return f"past years {first} to {last}"
    if choice.normals is not None:
        place = choice.normals.place
        if place is not None and place.strip().lower() == "nearest":
            place = "the nearest place"
        return f"drawn from the normals of {place}" if place is not None else "drawn from normals as written"
    return f"file {choice.file.name if choice.file else ''}"


def _hookup(stop: Stop) -> str:
    """On which nights the stay has a hookup; a night runs from noon to noon."""
    every = stop.hookup_every_nights
    if every == 0:
        return ""
    nights = (stop.depart - stop.arrive).days
    if every == 1:
        return ", on a hookup"
    return f", on a hookup every {_ordinal(every)} night ({nights // every} of {_plural(nights, 'night')})"


def _surroundings(stop: Stop) -> str:
    """What stands around it, and whether it is lived in."""
    words = ""
    if stop.horizon:
        highest = max(elevation for _, elevation in stop.horizon)
        words += f", horizon up to {highest:g} degrees"
    if stop.tree_hours:
        words += f", trees before the sun {_windows(stop.tree_hours)}"
    if stop.storage:
        how = "the bank disconnected" if stop.storage == "disconnected" else "the bank on float"
        words += f"; off the road, {how}"
    return words


def _stop(stop: Stop, origin: str) -> Iterator[str]:
    zone = ZoneInfo(stop.zone)
    came, left = stop.stand_from_utc.astimezone(zone), stop.stand_to_utc.astimezone(zone)
    if stop.drives_utc:
        hours = sum((end - start).total_seconds() for start, end in stop.drives_utc) / SECONDS_PER_HOUR
        yield f"drive of {hours:.1f} h, about {stop.leg_km:.0f} km{' (estimated)' if stop.leg_estimated else ''}"
    choice = stop.weather
    weather = "no weather"
    if choice is not None:
        weather = _weather(choice) + (f": {origin}" if origin else "")
    days = (stop.depart - stop.arrive).days + 1
    yield (
        f"{stop.number}. {stop.name} ({stop.latitude_deg:.2f}, {stop.longitude_deg:.2f}; {stop.zone}): {came:%Y-%m-%d %H:%M} to "
        f"{left:%Y-%m-%d %H:%M}, {_plural(days, 'calendar day')}{_hookup(stop)}; {weather}{_surroundings(stop)}"
    )
