"""One more appliance: what it does to the flat days, and for how many hours a day it could run."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator import timeline
from simulator.errors import InputError
from simulator.route import WeatherYears
from simulator.scenario.parts import Appliance, Scenario
from simulator.studies.added_words import Added, clock_text, length_h
from simulator.studies.advice import running_and_surge_w, usual_inverter_w
from simulator.studies.designs import Fleet
from simulator.studies.odds import Odds
from simulator.studies.weather_years import written_year
from simulator.units import HOURS_PER_DAY, MINUTES_PER_HOUR

BoolArray = npt.NDArray[np.bool_]

TARGET_FRAC = 0.9
"""Over many years: the share that must stay without a flat day (common practice, no source)."""
COARSE_H = 1.0
FINE_H = 5.0 / MINUTES_PER_HOUR
"""Hours a day are found to within five minutes."""


def _first_hours(windows: Sequence[tuple[float, float]], hours: float) -> tuple[tuple[float, float], ...]:
    """The first so many hours of the windows, in the order written."""
    left_h = hours
    taken = []
    for start_h, end_h in windows:
        here_h = min(length_h((start_h, end_h)), left_h)
        if here_h > 1e-9:
            end = start_h + here_h
            taken.append((start_h, end if end <= HOURS_PER_DAY else end - HOURS_PER_DAY))
        left_h -= here_h
    return tuple(taken)


def bus_of(scenario: Scenario, added: Added) -> str:
    """Where it is connected: as said, else behind the inverter where there is one."""
    if added.bus is not None:
        return added.bus
    return "ac" if scenario.inverter is not None else "dc"


def with_added(scenario: Scenario, added: Added, hours_per_day: float | None = None) -> Scenario:
    """Put one more appliance into the audit, running so many hours a day (None: as written; 0: not at all).

    Raises
    ------
    InputError
        It needs an inverter, and there is none.
    """
    hours = added.hours_per_day if hours_per_day is None else hours_per_day
    bus = bus_of(scenario, added)
    if bus == "ac" and scenario.inverter is None:
        raise InputError(
            f'--add "{added.text}": expected an [inverter] in the scenario, because an AC appliance needs one, got none. '
            "Write dc for one on the bus."
        )
    if hours <= 0.0:
        return scenario
    watts = added.power_w * added.pieces
    whole_day = hours >= HOURS_PER_DAY - 1e-9
    windows = _first_hours(added.windows, hours) if added.windows else None
    appliance = Appliance(
        number=max((it.number for it in scenario.appliances), default=0) + 1,
        name=f"added: {added.text}",
        line=None,
        kind=added.kind,
        bus=bus,
        power_w=watts,
        standby_w=0.0,
        surge_w=watts,
        priority=added.priority,
        hours_per_day=None if windows or whole_day else hours,
        clock=None if whole_day else windows,
        duty_frac=1.0 if whole_day else None,
    )
    return replace(
        scenario,
        appliances=(*scenario.appliances, appliance),
        notes=(*scenario.notes, f'the appliance "{added.text}" was added to what the scenario says.'),
    )


@dataclass(frozen=True)
class Fitting:
    """A larger inverter, without which what was added could not run."""

    texts: tuple[str, ...]
    """What the inverter cannot run."""
    rated_w: float
    """Of the inverter as it is."""
    running_w: float
    """AC watts that can run at the same moment with all that was added."""
    needed_w: float
    """Of the least usual size that runs them with headroom."""


def with_everything(scenario: Scenario, added: Sequence[Added]) -> tuple[Scenario, Fitting | None]:
    """Put all of them into the audit; where one is beyond the inverter, behind one that is large enough.

    Raises
    ------
    InputError
        With every one that needs an inverter where there is none.
    """
    fitted, fitting = with_fitted(scenario, added)
    for each in added:
        fitted = with_added(fitted, each)
    return fitted, fitting


def with_fitted(scenario: Scenario, added: Sequence[Added]) -> tuple[Scenario, Fitting | None]:
    """The scenario without any of it, with the inverter that they take; of the same make, so that its losses grow with it."""
    inverter = scenario.inverter
    if inverter is None:
        return scenario, None
    beyond = [each for each in added if bus_of(scenario, each) == "ac" and each.power_w * each.pieces > inverter.rated_w]
    if not beyond:
        return scenario, None
    everything = scenario
    for each in added:
        everything = with_added(everything, each)
    running_w, surge_w = running_and_surge_w(everything)
    needed_w = usual_inverter_w(running_w, surge_w)
    larger = replace(inverter, rated_w=needed_w, surge_w=inverter.surge_w * needed_w / inverter.rated_w, price=None, kg=None)
    fitting = Fitting(tuple(each.text for each in beyond), inverter.rated_w, running_w, needed_w)
    note = f"the inverter was taken as one of {needed_w:,.0f} W instead of {inverter.rated_w:,.0f} W, for what was added."
    return replace(scenario, inverter=larger, notes=(*scenario.notes, note)), fitting


def added_notes(scenario: Scenario, added: Added) -> Iterator[str]:
    """What was taken where nothing was said."""
    bus = bus_of(scenario, added)
    if added.bus is None:
        yield (
            f'"{added.text}" was taken as an AC appliance behind the inverter; write dc for one on the bus.'
            if bus == "ac"
            else f'"{added.text}" was taken as a DC appliance on the bus, since there is no inverter.'
        )
    if added.windows and added.hours_per_day < added.most_h - 1e-9:
        first = ", ".join(map(clock_text, _first_hours(added.windows, added.hours_per_day)))
        yield f'"{added.text}" runs at the beginning of its window: {first}.'


@dataclass(frozen=True)
class Effect:
    """What one more appliance does over some years of weather.

    ``flat_days`` (years,) with all that was added, ``flat_days_before`` without any of it.
    """

    added: tuple[Added, ...]
    flat_days: tuple[int, ...]
    flat_days_before: tuple[int, ...]
    hours: tuple[float | None, ...]
    """For each, hours a day it alone could run (none of the others added) without a flat day; None: not even minutes."""
    runs_all_hours: tuple[bool, ...]
    """Whether that is all the hours it may run at all."""
    again: tuple[bool, ...]
    """Whether some longer time passes too, although a shorter one fails."""
    target_frac: float
    """Share of the years that must stay without a flat day; 1 for a single year."""
    notes: tuple[str, ...]
    fitting: Fitting | None = None
    """The larger inverter that all of this rests on; None: the one of the scenario does."""

    @property
    def years(self) -> int:
        """Number of weather years."""
        return len(self.flat_days)

    @property
    def nothing_to_spare(self) -> bool:
        """Whether the trip misses the target already without any of it."""
        return float(np.mean([count == 0 for count in self.flat_days_before])) < self.target_frac - 1e-12


def added_effect(
    scenario: Scenario,
    added: Sequence[Added],
    weather: WeatherYears,
    *,
    seed: int,
    load_spread_frac: float = 0.0,
    target_frac: float = 1.0,
    threads: int | None = None,
) -> Effect:
    """Walk the trip with and without what was added, and find for how many hours a day each of them could run.

    Parameters
    ----------
    scenario : without any of it.
    added : as :func:`read_added` gives them.
    weather : years of the route.
    seed, load_spread_frac : of the chance of the load.
    target_frac : share of years that must stay without a flat day.
    threads : the answer does not depend on it.

    Raises
    ------
    InputError
        An AC appliance, and no inverter.
    """
    years = len(weather.names)

    def flat_of(designs: Sequence[Scenario]) -> BoolArray:
        fleet = Fleet(designs, weather, seed=seed, load_spread_frac=load_spread_frac)
        flat = fleet.walk(None, 0, years, keep_flat=True, threads=threads).flat
        assert flat is not None
        return flat

    fitted, fitting = with_fitted(scenario, added)
    everything, _ = with_everything(scenario, added)
    before, after = flat_of([scenario, everything])
    hours: list[float | None] = []
    whole: list[bool] = []
    again: list[bool] = []
    for each in added:

        def passing(times_h: Sequence[float], each: Added = each) -> list[bool]:
            flat = flat_of([with_added(fitted, each, hours) for hours in times_h])
            return [bool(share >= target_frac - 1e-12) for share in np.mean(~flat.any(axis=2), axis=1)]

        spare = float(np.mean(~before.any(axis=1))) >= target_frac - 1e-12
        found, passes_again = _hours(passing, each.most_h) if spare else (0.0, False)
        hours.append(found if found > 0.0 else None)
        whole.append(found >= each.most_h - 1e-9)
        again.append(passes_again)
    notes = [note for each in added for note in added_notes(scenario, each)]
    return Effect(
        added=tuple(added),
        flat_days=tuple(int(count) for count in after.sum(axis=1)),
        flat_days_before=tuple(int(count) for count in before.sum(axis=1)),
        hours=tuple(hours),
        runs_all_hours=tuple(whole),
        again=tuple(again),
        target_frac=target_frac,
        notes=tuple(notes),
        fitting=fitting,
    )


def _hours(passing: Callable[[Sequence[float]], list[bool]], most_h: float) -> tuple[float, bool]:
    """The longest running time below which all tried ones pass, to five minutes; and whether a longer one passes again."""
    count = max(1, round(most_h / COARSE_H))
    times = [most_h * (step + 1) / count for step in range(count)]
    passed = passing(times)
    if all(passed):
        return most_h, False
    first = passed.index(False)
    low_h = times[first - 1] if first else 0.0
    again = any(passed[first + 1 :])
    fine = [low_h + FINE_H * step for step in range(1, int((times[first] - low_h) / FINE_H - 1e-9) + 1)]
    fine = [time_h for time_h in fine if time_h < times[first] - 1e-9]
    if fine:
        finely = passing(fine)
        stop = finely.index(False) if False in finely else len(fine)
        again = again or any(finely[stop + 1 :])
        low_h = fine[stop - 1] if stop else low_h
    return low_h, again


def effect_in_written_year(scenario: Scenario, added: Sequence[Added], threads: int | None = None) -> Effect:
    """Return the effect over the one year of a plain run; ``scenario`` is without what was added."""
    weather = written_year(scenario, timeline.build_timeline(scenario))
    return added_effect(scenario, added, weather, seed=scenario.seed, threads=threads)


def effect_over_years(found: Odds, scenario: Scenario, added: Sequence[Added], threads: int | None = None) -> Effect:
    """Return the effect over the years of these odds; ``scenario`` is without what was added."""
    return added_effect(
        scenario,
        added,
        found.weather,
        seed=found.seed,
        load_spread_frac=found.load_spread_frac,
        target_frac=TARGET_FRAC,
        threads=threads,
    )


def effect_summary(found: Effect) -> dict[str, Any]:
    """The effect as one object for other programs."""
    return {
        "years": found.years,
        "flat_days_mean": round(float(np.mean(found.flat_days)), 3),
        "flat_days_mean_without": round(float(np.mean(found.flat_days_before)), 3),
        "flat_free_years": sum(count == 0 for count in found.flat_days),
        "flat_free_years_without": sum(count == 0 for count in found.flat_days_before),
        "target_frac": found.target_frac,
        "inverter_too_small": None
        if found.fitting is None
        else {
            "rated_w": found.fitting.rated_w,
            "running_w": round(found.fitting.running_w, 1),
            "needed_w": found.fitting.needed_w,
            "for": list(found.fitting.texts),
        },
        "appliances": [
            {
                "text": each.text,
                "power_w": each.power_w * each.pieces,
                "hours_per_day": round(each.hours_per_day, 4),
                "possible_hours_per_day": None if hours is None else round(hours, 4),
                "all_hours": whole,
                "longer_passes_again": again,
            }
            for each, hours, whole, again in zip(found.added, found.hours, found.runs_all_hours, found.again, strict=True)
        ],
        "notes": list(found.notes),
    }
