"""What other chargers have on offer each hour; whether it is taken is decided by the bank.

Limits that lie before the charger are taken off here: what a pedestal gives beside the AC appliances on the hookup, what an
alternator can spare, what a generator gives in thin air. A charger draws most at the bank's upper charging voltage, so the
limits are held against that.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulator.errors import InputError
from simulator.profiles import Profile, read_profile
from simulator.scenario.chargers import charging_v
from simulator.scenario.parts import Appliance, Generator, OtherSource, Scenario
from simulator.timeline import Timeline, day_starts, hourly_window_frac
from simulator.units import HOURS_PER_DAY

Floats = NDArray[np.float64]

SOURCES = ("hookup", "alternator", "generator")
"""Chargers in the order of the first columns of :func:`hourly_sources`."""
SHORE_A, ALTERNATOR_A, GENERATOR_ALLOWED, OTHER_W, AWAKE = range(5)
"""Columns of :func:`hourly_sources`."""
COLUMNS = 5
WHOLE_HOUR_FRAC = 1.0 - 1e-9
"""An hour lies inside a window when this share of it does (1, less rounding)."""
DAYS_PER_WEEK = 7
QUARTER, FULL = 0.25, 1.0
"""Loads at which a generator's litres an hour are known."""


class Offer(NamedTuple):
    """What one charger could give over the trip."""

    source: str
    """One of :data:`SOURCES`, or the name of another source."""
    charger_a: float
    """Most output while it charges, at bus voltage, its limits taken off; the alternator's is its mean while driving; of another
    source its mean watts while it gives, over the bank's upper charging voltage [A]."""
    offered_h: float
    """Hours in which it is on offer over the whole trip, driving counted by the minute [h]."""
    hours_per_day: float
    """The same per local day of the trip [h/day]."""
    longest_h: float
    """Longest run of hours without a break, driving counted by the minute [h]."""
    watts: float | None = None
    """Of another source, which gives watts instead of amperes: mean while it gives [W]."""


def hourly_sources(
    scenario: Scenario, timeline: Timeline, hookup_w: Floats | None = None, elevation_m: ArrayLike | None = None
) -> Floats:
    """What shore power, alternator, generator and other sources offer, and whether the bank's electronics are awake.

    Parameters
    ----------
    scenario : Scenario
        Its shore charger, alternator, generator and other sources; any of them may be missing.
    timeline : Timeline
        Of the same scenario.
    hookup_w : (hours,), optional
        Mean watts that the AC appliances take straight from the hookup; left out: none.
    elevation_m : (hours,), optional
        Height above the sea; left out: as written for the stops, or 0.

    Returns
    -------
    (hours, 5)
        [0] amperes of the shore charger at bus voltage, in hours on a hookup, no more than the pedestal has left; [1] mean
        amperes of the alternator charger, its output x the share of the hour spent driving x the share of driving in which
        it charges; [2] 0 where the generator may not run, else the share of its charger's amperes that its engine can feed
        there, 1 but in thin air or with a charger too large for it: it may run in hours that lie wholly inside its clock
        windows (if it has any) and wholly outside its quiet hours; [3] watts of all other sources at the bus; [4] share of
        the bank's standby that is drawn: 0 where it is stored disconnected, and then nothing else is on offer, else 1.

    Raises
    ------
    InputError
        A measured course of watts cannot be used.
    """
    offered = np.zeros((timeline.hours, COLUMNS))
    offered[:, AWAKE] = 1.0
    volts = charging_v(scenario.bank, scenario.vehicle)
    shore, alternator, generator = scenario.shore, scenario.alternator, scenario.generator
    if shore is not None:
        offered[:, SHORE_A] = shore.charger_a * timeline.hookup
        if shore.pedestal_a is not None and shore.pedestal_v is not None:
            left_w = np.maximum(shore.pedestal_a * shore.pedestal_v - (0.0 if hookup_w is None else hookup_w), 0.0)
            offered[:, SHORE_A] = np.minimum(offered[:, SHORE_A], left_w * shore.efficiency_frac / volts)
    if alternator is not None:
        most_a = alternator.charger_a
        if alternator.max_a is not None:
            most_a = min(most_a, alternator.max_a * alternator.alternator_v * alternator.efficiency_frac / volts)
        offered[:, ALTERNATOR_A] = most_a * alternator.driving_frac * timeline.driving_frac
    if generator is not None:
        heights_m = _written_heights_m(scenario, timeline) if elevation_m is None else np.asarray(elevation_m, float)
        offered[:, GENERATOR_ALLOWED] = _may_run(generator, timeline) * charger_share(generator, heights_m, volts)
    if scenario.sources:
        profiles = _read_profiles(scenario.sources)
        for source in scenario.sources:
            offered[:, OTHER_W] += _hourly_other_w(source, profiles, timeline)
    dead = np.array([stop.storage == "disconnected" for stop in scenario.stops])
    if dead.any():
        offered[dead[timeline.stop] & timeline.stored] = 0.0
    return offered


def charger_share(generator: Generator, elevation_m: ArrayLike, volts: float) -> Floats:
    """Share of its charger's amperes that a generator can feed at some heights, 0..1.

    Parameters
    ----------
    generator : Generator
    elevation_m : array_like
        Above the sea [m]; below it nothing is gained.
    volts : float
        Of the bus while charging [V].

    Notes
    -----
    The rating falls by ``derate_frac_per_m``: 3.5 % for every 300 m, common practice, no source.
    """
    rated_w = generator.rated_w * np.clip(1.0 - generator.derate_frac_per_m * np.maximum(elevation_m, 0.0), 0.0, 1.0)
    if generator.charger_a <= 0.0:
        return np.ones_like(rated_w)
    return np.minimum(rated_w * generator.efficiency_frac / (volts * generator.charger_a), 1.0)


def fuel_litres(generator: Generator, hours: ArrayLike, energy_wh: ArrayLike) -> Floats:
    """Fuel for some hours of running.

    Parameters
    ----------
    generator : Generator
    hours : array_like
        Running time [h].
    energy_wh : array_like
        What its charger put onto the bus in that time [Wh].

    Returns
    -------
    array
        Litres; 0 for no running time.

    Notes
    -----
    Litres an hour are linear in the load between a quarter and the full one (common practice, no source; engineers know it
    as the line of Willans, from memory), and go on straight below a quarter down to what idling takes.
    """
    run_h, output_wh = np.asarray(hours, float), np.asarray(energy_wh, float) / generator.efficiency_frac
    load = np.where(run_h > 0.0, output_wh / (generator.rated_w * np.where(run_h > 0.0, run_h, 1.0)), 0.0)
    slope = (generator.fuel_l_per_h_full - generator.fuel_l_per_h_quarter) / (FULL - QUARTER)
    litres_per_h = generator.fuel_l_per_h_quarter + slope * (np.minimum(load, FULL) - QUARTER)
    return np.asarray(run_h * np.maximum(litres_per_h, 0.0), dtype=np.float64)


def source_notes(
    scenario: Scenario, timeline: Timeline, hookup_w: Floats | None = None, elevation_m: ArrayLike | None = None
) -> tuple[str, ...]:
    """Say in sentences where a limit before a charger binds on this trip; arguments as for :func:`hourly_sources`."""
    notes = []
    volts = charging_v(scenario.bank, scenario.vehicle)
    shore, generator = scenario.shore, scenario.generator
    if shore is not None and shore.pedestal_a is not None and shore.pedestal_v is not None and hookup_w is not None:
        pedestal_w = shore.pedestal_a * shore.pedestal_v
        taken_w = hookup_w[timeline.hookup]
        peak_w = float(taken_w.max(initial=0.0))
        alone = max(
            (it for it in scenario.appliances if it.bus == "ac" and it.only in (None, "hookup")), key=_watts, default=None
        )
        beside_a = (pedestal_w - taken_w) * shore.efficiency_frac / volts
        if alone is not None and alone.power_w > pedestal_w and timeline.hookup.any():
            notes.append(
                f'on the hookup "{alone.name}" takes {alone.power_w:,.0f} W, the pedestal gives {pedestal_w:,.0f} W: its breaker '
                "trips; take it out of use there"
            )
        elif peak_w > pedestal_w:
            notes.append(
                f"on the hookup the AC appliances take up to {peak_w:,.0f} W in the mean of an hour, the pedestal gives "
                f"{pedestal_w:,.0f} W: its breaker trips; run fewer at once"
            )
        elif peak_w > 0.0 and (beside_a < shore.charger_a).any() and beside_a.max() >= shore.charger_a:
            notes.append(
                f"while AC appliances take up to {peak_w:,.0f} W of the pedestal's {pedestal_w:,.0f} W, the shore charger is "
                f"held down to {max(float(beside_a.min()), 0.0):.0f} A"
            )
    if generator is not None:
        heights_m = _written_heights_m(scenario, timeline) if elevation_m is None else np.asarray(elevation_m, float)
        highest_m = float(np.max(heights_m))
        low, high = (float(charger_share(generator, height_m, volts)) for height_m in (0.0, highest_m))
        if high < low:
            left_w = generator.rated_w * max(1.0 - generator.derate_frac_per_m * highest_m, 0.0)
            notes.append(
                f"at {highest_m:,.0f} m the generator gives {left_w:,.0f} of its {generator.rated_w:,.0f} W, which hold its "
                f"charger down to {high * generator.charger_a:.0f} A (3.5 % less for every 300 m; common practice, no source)"
            )
    return tuple(notes)


def charging_offers(
    scenario: Scenario, timeline: Timeline, hookup_w: Floats | None = None, elevation_m: ArrayLike | None = None
) -> tuple[Offer, ...]:
    """How much, how long and how long at a stretch each charger of the scenario is on offer.

    With the amperes a bank still takes, this answers how many hours, and how many such days, a refill needs.

    Parameters
    ----------
    scenario, timeline, hookup_w, elevation_m
        As for :func:`hourly_sources`.

    Returns
    -------
    tuple of Offer
        One for each charger that the scenario has, in the order of :data:`SOURCES`, then the other sources; also for one
        that is never on offer on this trip (``offered_h`` 0).
    """
    offered = hourly_sources(scenario, timeline, hookup_w, elevation_m)
    volts = charging_v(scenario.bank, scenario.vehicle)
    shore, alternator, generator = scenario.shore, scenario.alternator, scenario.generator
    found = []
    if shore is not None:
        most_a = float(offered[:, SHORE_A].max(initial=0.0)) or shore.charger_a
        found.append(_offer("hookup", most_a, timeline.hookup * (offered[:, SHORE_A] > 0.0), timeline))
    if alternator is not None:
        most_a = alternator.charger_a
        if alternator.max_a is not None:
            most_a = min(most_a, alternator.max_a * alternator.alternator_v * alternator.efficiency_frac / volts)
        driving = timeline.driving_frac * (offered[:, ALTERNATOR_A] > 0.0)
        found.append(_offer("alternator", most_a * alternator.driving_frac, driving, timeline))
    if generator is not None:
        allowed = offered[:, GENERATOR_ALLOWED]
        share = float(allowed.max(initial=0.0)) or float(charger_share(generator, 0.0, volts))
        found.append(_offer("generator", generator.charger_a * share, allowed > 0.0, timeline))
    profiles = _read_profiles(scenario.sources)
    alive = offered[:, AWAKE]
    for source in scenario.sources:
        watts = _hourly_other_w(source, profiles, timeline) * alive
        giving = watts > 0.0
        # Of a source that never gives on this trip, what it is rated for.
        mean_w = float(watts[giving].mean()) if giving.any() else (source.watts or 0.0) * source.efficiency_frac
        found.append(_offer(source.name, mean_w / volts, giving, timeline)._replace(watts=mean_w))
    return tuple(found)


def _watts(appliance: Appliance) -> float:
    return appliance.power_w


def _offer(source: str, charger_a: float, share: NDArray[np.float64] | NDArray[np.bool_], timeline: Timeline) -> Offer:
    share = share.astype(np.float64)
    return Offer(source, charger_a, float(share.sum()), float(share.sum()) / timeline.days, _longest_h(share))


def _written_heights_m(scenario: Scenario, timeline: Timeline) -> Floats:
    """Height of the stop each hour belongs to, 0 where none is written; ``(hours,)`` [m]."""
    return np.array([stop.elevation_m or 0.0 for stop in scenario.stops])[timeline.stop]


def _may_run(generator: Generator, timeline: Timeline) -> NDArray[np.bool_]:
    """Hours that lie wholly inside its windows and wholly outside its quiet hours, ``(hours,)``."""
    allowed = np.ones(timeline.hours, dtype=bool)
    if generator.windows:
        allowed &= hourly_window_frac(timeline.local_hour, generator.windows) >= WHOLE_HOUR_FRAC
    if generator.quiet:
        allowed &= hourly_window_frac(timeline.local_hour, generator.quiet) <= 1.0 - WHOLE_HOUR_FRAC
    return allowed


def _read_profiles(sources: Sequence[OtherSource]) -> dict[Path, Profile]:
    """Each measured course once; every mistake in all of them at once."""
    found: dict[Path, Profile] = {}
    mistakes: list[str] = []
    for source in sources:
        if source.profile is not None and source.profile not in found:
            try:
                found[source.profile] = read_profile(source.profile)
            except InputError as error:
                mistakes += error.mistakes
    if mistakes:
        raise InputError(mistakes)
    return found


def _hourly_other_w(source: OtherSource, profiles: dict[Path, Profile], timeline: Timeline) -> Floats:
    """Watts of one other source at the bus, ``(hours,)``."""
    if source.profile is not None:
        watts = profiles[source.profile].hourly_w(timeline) * _used_days(source.weekdays, timeline)[0]
    else:
        watts = np.full(timeline.hours, source.watts or 0.0) * _hourly_clock_frac(source, timeline)
    if source.only == "driving":
        watts = watts * timeline.driving_frac
    elif source.only == "standing":
        watts = watts * (1.0 - timeline.driving_frac)
    elif source.only is not None:
        watts = watts * (timeline.hookup == (source.only == "hookup"))
    if source.stops is not None:
        numbers = np.arange(1, len(timeline.zones) + 1)
        watts = watts * (np.isin(numbers, list(source.stops))[timeline.stop] & timeline.staying)
    return np.asarray(watts * source.efficiency_frac, dtype=np.float64)


def _used_days(weekdays: frozenset[int], timeline: Timeline) -> tuple[Floats, Floats]:
    """1 where the local day of the hour, and where the day before it, is one of these weekdays; ``(hours,)`` each."""
    if len(weekdays) == DAYS_PER_WEEK:
        return np.ones(timeline.hours), np.ones(timeline.hours)
    by_day = timeline.weekday[day_starts(timeline.local_day)]
    before = np.append((by_day[0] - 1) % DAYS_PER_WEEK, by_day[:-1])
    today, yesterday = (np.isin(day, list(weekdays)).astype(np.float64)[timeline.local_day] for day in (by_day, before))
    return today, yesterday


def _hourly_clock_frac(source: OtherSource, timeline: Timeline) -> Floats:
    """Share of each hour in which clock and weekday let it give; a window over midnight belongs to the day it opens on."""
    today, yesterday = _used_days(source.weekdays, timeline)
    if source.clock is None:
        share = 1.0 if source.hours_per_day is None else source.hours_per_day / HOURS_PER_DAY
        return today * share
    midnight = float(HOURS_PER_DAY)
    own = [(start_h, end_h if end_h > start_h else midnight) for start_h, end_h in source.clock]
    carried = [(0.0, end_h) for start_h, end_h in source.clock if 0.0 < end_h <= start_h]
    frac = hourly_window_frac(timeline.local_hour, own) * today
    return frac + hourly_window_frac(timeline.local_hour, carried) * yesterday if carried else frac


def _longest_h(share: Floats) -> float:
    """Hours of the longest unbroken run of hours with a share above zero, each counted by its share."""
    total_h = np.concatenate(([0.0], np.cumsum(share)))
    # At each hour, what had been offered when the last hour without any offer ended.
    at_break_h = np.maximum.accumulate(np.where(np.append(True, share <= 0.0), total_h, 0.0))
    return float(np.max(total_h - at_break_h))
