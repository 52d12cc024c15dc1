"""Things to do otherwise against flat days: appliances, parking, snow, nights on a hookup, the day of leaving."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from itertools import pairwise
from zoneinfo import ZoneInfo

from simulator.errors import InputError
from simulator.scenario.cautions import GAS, SAFETY
from simulator.scenario.chargers import merge_shore
from simulator.scenario.desk import Desk
from simulator.scenario.moving import departure_moved
from simulator.scenario.parts import Appliance, Scenario, Stop
from simulator.studies.remedy import COMFORT, ESSENTIAL, NOTHING, Change
from simulator.timeline import merge_windows
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

SUN_FROM_H, SUN_TO_H = 10.0, 16.0
"""Hours of sun that a load can be moved into."""
LEAST_SHARE = 0.02
"""An appliance below this share of the load is not worth a line."""
MOST_SHARE = 0.95
"""Beyond this nothing would be left to run."""
DAYS_PER_WEEK = 7
GAS_KINDS = frozenset(
    {"cooking", "kettle", "microwave", "induction", "oven", "toaster", "coffee", "heating", "dishwasher", "hairdryer", "blanket"}
)
"""What makes heat, and could burn gas instead or be done on gas."""
GAS_FROM_W = 300.0
DARK_KINDS = frozenset({"lights", "lighting", "breathing", "cpap", "standing", "standby", "alarm"})
"""Nobody moves these to noon."""
NEVER_LEFT_OUT = frozenset({"standing", "alarm", "breathing", "cpap", "heater_fan", "furnace"})
"""Nobody is told to do without these."""


def running_h(appliance: Appliance) -> float | None:
    """Hours a day that an appliance runs, where it is counted by the day; None: it runs around the clock, or nobody knows."""
    if appliance.hours_per_day is not None:
        return appliance.hours_per_day
    if appliance.clock is not None:
        return sum(end_h - start_h for start_h, end_h in merge_windows(appliance.clock))
    if appliance.uses_per_day is not None:
        return appliance.uses_per_day * (appliance.use_minutes or 0.0) / MINUTES_PER_HOUR
    if appliance.wh_per_day is not None and appliance.power_w > 0.0:
        return appliance.wh_per_day / appliance.power_w
    return None


def _without(scenario: Scenario, number: int) -> Scenario:
    return replace(scenario, appliances=tuple(it for it in scenario.appliances if it.number != number))


def _at_noon(scenario: Scenario, number: int) -> Scenario:
    """One appliance moved into the hours of sun, around their middle."""
    changed = []
    for it in scenario.appliances:
        hours = running_h(it)
        if it.number == number and hours:
            middle_h = 0.5 * (SUN_FROM_H + SUN_TO_H)
            window = ((middle_h - 0.5 * hours, middle_h + 0.5 * hours),)
            changed.append(replace(it, clock=window, hours_per_day=None, uses_per_day=None, use_minutes=None, wh_per_day=None))
        else:
            changed.append(it)
    return replace(scenario, appliances=tuple(changed))


def load_changes(scenario: Scenario) -> Iterator[Change]:
    inverter = scenario.inverter
    if inverter is not None and inverter.always_on:
        idle_w = inverter.rated_w * inverter.p_self
        yield Change(
            f"the inverter ({idle_w:g} W idle) off while nothing runs on it, at night too",
            "inverter",
            lambda s: s if s.inverter is None else replace(s, inverter=replace(s.inverter, always_on=False)),
        )
    day_wh = {it.number: _wh_per_day(it) for it in scenario.appliances}
    total_wh = sum(day_wh.values())
    for it in scenario.appliances:
        if it.medical or it.kind in NEVER_LEFT_OUT or not LEAST_SHARE <= day_wh[it.number] / max(total_wh, 1e-9) <= MOST_SHARE:
            continue
        gas = it.bus == "ac" and it.kind in GAS_KINDS and it.power_w >= GAS_FROM_W
        yield Change(
            f'gas instead of electricity for "{it.name}"' if gas else f'without "{it.name}"',
            f"appliance {it.number}",
            partial(_without, number=it.number),
            price=None if gas else 0.0,
            kg=None if gas else 0.0,
            caution=GAS if gas else SAFETY,
            gives_up=NOTHING if gas else ESSENTIAL if it.priority == 0 else COMFORT,
        )
        hours = running_h(it)
        movable = it.kind not in DARK_KINDS and it.only != "driving" and hours is not None
        if movable and hours is not None and 0.0 < hours <= SUN_TO_H - SUN_FROM_H + 1e-9 and not _in_sun(it):
            yield Change(
                f'"{it.name}" run between {SUN_FROM_H:.0f} and {SUN_TO_H:.0f} h',
                f"appliance {it.number}",
                partial(_at_noon, number=it.number),
            )


def _in_sun(appliance: Appliance) -> bool:
    """Whether it runs in the hours of sun already."""
    return appliance.clock is not None and all(
        SUN_FROM_H <= start_h < end_h <= SUN_TO_H for start_h, end_h in merge_windows(appliance.clock)
    )


def _wh_per_day(appliance: Appliance) -> float:
    """Its share of the audit, roughly: only to leave small ones out."""
    if appliance.wh_per_day is not None:
        day_wh = appliance.wh_per_day
    elif appliance.duty_frac is not None:
        day_wh = appliance.power_w * appliance.duty_frac * HOURS_PER_DAY
    else:
        day_wh = appliance.power_w * (running_h(appliance) or 0.0)
    return day_wh * len(appliance.weekdays) / DAYS_PER_WEEK


def _with_stops(scenario: Scenario, numbers: frozenset[int], **changed: object) -> Scenario:
    return replace(
        scenario,
        stops=tuple(replace(stop, **changed) if stop.number in numbers else stop for stop in scenario.stops),  # type: ignore[arg-type]
    )


def stop_changes(scenario: Scenario, snow: bool) -> Iterator[Change]:
    shaded = [stop for stop in scenario.stops if stop.beam_frac < 1.0 or stop.diffuse_frac < 1.0]
    sets = [(f"parked out of the trees at {stop.name}", frozenset({stop.number})) for stop in shaded]
    if len(shaded) > 1:
        sets.append(("parked out of the trees everywhere", frozenset(stop.number for stop in shaded)))
    for name, numbers in sets:
        smaller = tuple(each for each, _ in sets[:-1]) if len(numbers) > 1 else ()
        open_sky = partial(_with_stops, numbers=numbers, beam_frac=1.0, diffuse_frac=1.0)
        yield Change(name, "shade", open_sky, more_than=smaller)
    if snow:
        lying = frozenset(stop.number for stop in scenario.stops if stop.snow == "stays" or not stop.snow_stated)
        yield Change("snow brushed off the panels", "snow", lambda s: _with_stops(s, lying, snow="brushed", snow_stated=True))


def _with_shore(scenario: Scenario) -> Scenario:
    """The scenario with a usual charger for a hookup, where it has none."""
    if scenario.shore is not None:
        return scenario
    return replace(scenario, shore=merge_shore(None, scenario.vehicle, True, Desk(file="change")))


def hookup_night(scenario: Scenario, noon: datetime) -> Scenario:
    """One night on a hookup, noon to noon: the stay is cut in up to three, all at one place and with one number.

    Raises
    ------
    InputError
        The vehicle does not stand anywhere then.
    """
    end = noon + timedelta(hours=HOURS_PER_DAY)
    stops: list[Stop] = []
    found = False
    for stop in scenario.stops:
        begin, close = max(stop.stand_from_utc, noon), min(stop.stand_to_utc, end)
        if begin >= close or stop.hookup_every_nights == 1:
            stops.append(stop)
            continue
        found = True
        cuts = sorted({stop.stand_from_utc, begin, close, stop.stand_to_utc})
        for piece, (start, finish) in enumerate(pairwise(cuts)):
            inside = start >= begin and finish <= close
            stops.append(
                replace(
                    stop,
                    stand_from_utc=start,
                    stand_to_utc=finish,
                    drives_utc=stop.drives_utc if piece == 0 else (),
                    hookup_every_nights=1 if inside else 0,
                )
            )
    if not found:
        raise InputError("a hookup night: expected a night at a stop, got one on the road")
    return _with_shore(replace(scenario, stops=tuple(stops)))


def hookup_changes(scenario: Scenario, worst_days: tuple[datetime, ...]) -> Iterator[Change]:
    price = 0.0 if scenario.shore is not None else None
    kg = price
    bare = frozenset(stop.number for stop in scenario.stops if stop.hookup_every_nights == 0)
    if not bare:
        return
    shore = " (with a charger for it)" if scenario.shore is None else ""
    known: set[datetime] = set()
    for noon in worst_days:
        for before in (2, 1, 0):
            night = noon - timedelta(days=before)
            where = next((stop for stop in scenario.stops if stop.stand_from_utc <= night < stop.stand_to_utc), None)
            if where is None or where.hookup_every_nights or night in known:
                continue
            known.add(night)
            local = night.astimezone(ZoneInfo(where.zone))
            yield Change(
                f"one night on a hookup at {where.name}, that of {local.day} {local:%B %Y}{shore}",
                "hookup",
                partial(hookup_night, noon=night),
                price=price,
                kg=kg,
                nights=1,
            )
    yield Change(
        f"every 7th night of a stay on a hookup{shore}",
        "hookup",
        lambda s: _with_shore(_with_stops(s, bare, hookup_every_nights=DAYS_PER_WEEK)),
        price=price,
        kg=kg,
        nights=-1,
    )


def departure_changes(scenario: Scenario) -> Iterator[Change]:
    """Each stop but the last left a week earlier or later, or as many days as there is room for."""
    for stop in scenario.stops[:-1]:
        for sign, word in ((-1, "earlier"), (1, "later")):
            for days in range(DAYS_PER_WEEK, 0, -1):
                try:
                    departure_moved(scenario, stop.number, sign * days)
                except InputError:
                    continue
                much = "a week" if days == DAYS_PER_WEEK else f"{days} day{'s' if days > 1 else ''}"
                yield Change(
                    f"leaving {stop.name} {much} {word}",
                    f"departure {stop.number}",
                    partial(departure_moved, number=stop.number, days=sign * days),
                    moves=True,
                )
                break
