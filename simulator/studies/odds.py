"""In how many weather years would this bank run flat: the whole trip over many years at once, past ones or drawn ones.

A typical year understates the bad one. Each year of weather is a row of the histories and three lanes: the weather as it is,
and the same years with a tenth less and a tenth more sun, because more years shrink the error of sampling, never the model's.
What the load really is differs from day to day too: each day's load is multiplied by a factor drawn by chance.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import beta

from simulator import battery, timeline
from simulator.battery import kernel as k
from simulator.engine import histories, lanes, pack, run
from simulator.errors import FlatdaysError, InputError
from simulator.outcome import Outcome, flat_mask
from simulator.route import RouteWeather, WeatherYears
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario
from simulator.studies.ground import LOAD_SPREAD_FRAC, Ground, draw_load_factors, fresh_weather, ground_weather, with_load
from simulator.version import package_version

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[int, int], None]

SUN_SCALES = (1.0, 0.9, 1.1)
"""The weather as it is, a tenth less sun and a tenth more: about what models of a place's sun differ by (no source)."""
CONFIDENCE = 0.95
BLOCK_ROWS = 24
"""Years walked at a time: bounds the memory and changes no number."""
MOST_YEARS = 10_000
SOURCES = ("past", "drawn")


@dataclass(frozen=True, eq=False)
class Odds:
    """Flat days of one design over many weather years.

    ``flat`` (suns, years, days) in the order of ``SUN_SCALES``; ``missed_wh`` and ``stretch_days`` (years,) for the weather
    as it is: essential load missed, and the longest run of days without a full bank.
    """

    scenario: Scenario
    timeline: timeline.Timeline
    source: tuple[str, ...]
    seed: int
    year_names: tuple[str, ...]
    flat: npt.NDArray[np.bool_]
    missed_wh: FloatArray
    stretch_days: FloatArray
    weather: WeatherYears
    load_spread_frac: float

    @property
    def years(self) -> int:
        """Number of weather years."""
        return len(self.year_names)

    @property
    def notes(self) -> tuple[str, ...]:
        """What the weather has to say, and where snow is left out although it freezes and nobody said what becomes of it."""
        where = [
            stop.name
            for stop, freezes in zip(self.scenario.stops, self.weather.freezes, strict=True)
            if freezes and stop.snow == "none" and not stop.snow_stated
        ]
        if not where:
            return tuple(self.weather.notes)
        snow = (
            f"It freezes at {', '.join(dict.fromkeys(where))}, and snow on the panels is not in these odds: "
            "in a snowy winter they are optimistic (write snow in that stop)."
        )
        return (*self.weather.notes, snow)

    @property
    def flat_days(self) -> npt.NDArray[np.int64]:
        """(years,): flat days in each year."""
        return np.asarray(self.flat[0].sum(axis=1), dtype=np.int64)

    def flat_free_share(self, sun: int = 0) -> float:
        """Share of years without a flat day, at the sun of ``SUN_SCALES[sun]``."""
        return float(np.mean(~self.flat[sun].any(axis=1)))

    def flat_free_interval(self, sun: int = 0) -> tuple[float, float]:
        """Exact 95 % interval of that share."""
        return clopper_pearson(int((~self.flat[sun].any(axis=1)).sum()), self.years)

    @property
    def worst_year(self) -> int:
        """Position of the year with most flat days; of equals the one that missed most."""
        return int(np.lexsort((self.missed_wh, self.flat_days))[-1])


def clopper_pearson(successes: int, trials: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact interval of a share.

    Parameters
    ----------
    successes, trials : counts, ``0 <= successes <= trials``, at least one trial.
    confidence : 0..1, of both sides together.

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson (1934), Biometrika 26(4), 404-413, doi:10.1093/biomet/26.4.404.
    """
    tail = (1.0 - confidence) / 2.0
    low = 0.0 if successes == 0 else float(beta.ppf(tail, successes, trials - successes + 1))
    high = 1.0 if successes == trials else float(beta.ppf(1.0 - tail, successes + 1, trials - successes))
    return low, high


def longest_run(without: npt.NDArray[np.bool_]) -> FloatArray:
    """Longest run of True along the last axis of ``(years, days)``."""
    run_length = np.zeros(without.shape[0])
    longest = np.zeros(without.shape[0])
    for day in range(without.shape[1]):
        run_length = np.where(without[:, day], run_length + 1.0, 0.0)
        longest = np.maximum(longest, run_length)
    return longest


def _check(years: int, seed: int, load_spread_frac: float, source: str) -> None:
    mistakes = []
    if source not in SOURCES:
        mistakes.append(f'--source: expected one of {", ".join(SOURCES)}, got "{source}"')
    if not 1 <= years <= MOST_YEARS:
        mistakes.append(f"--years: expected 1 to {MOST_YEARS}, got {years}")
    if not 0 <= seed < 2**63:
        mistakes.append(f"--seed: expected a whole number from 0 on, got {seed}")
    if not 0.0 <= load_spread_frac <= 1.0:
        mistakes.append(f"--load-spread: expected a share from 0 to 1 (0.15 is usual), got {load_spread_frac:g}")
    if mistakes:
        raise InputError(mistakes)


def odds(
    scenario: Scenario,
    years: int = 100,
    seed: int | None = None,
    *,
    source: str | None = None,
    load_spread_frac: float = LOAD_SPREAD_FRAC,
    executor: Executor | None = None,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Odds:
    """Run the trip over many years of weather: past ones, or drawn from the monthly normals of its stops.

    Parameters
    ----------
    scenario : a finished scenario.
    years : 1 to 10,000 drawn ones; 200 years begin with the same 100. Past years are all those that the cache has.
    seed : None takes the scenario's.
    source : ``past`` or ``drawn``; None: past years if a stop asks for them.
    load_spread_frac : standard deviation of a day's load about the audit, 0..1.
    executor : any ``concurrent.futures.Executor`` (threads, processes, other machines); None: here, on ``threads`` threads.
    threads : the answer depends on neither.
    progress : called with (years done, years) now and then.

    Raises
    ------
    InputError
        The counts cannot be, or a stop has no weather that varies.
    ArchiveError
        Past years are asked for, and none is in the cache.
    FlatdaysError
        A worker process ended.
    """
    seed = scenario.seed if seed is None else seed
    source = source or usual_source(scenario)
    _check(years, seed, load_spread_frac, source)
    clock = timeline.build_timeline(scenario)
    ground = Ground(scenario, source, years, seed, load_spread_frac)
    return _walk_years(ground, clock, fresh_weather(ground), executor, threads, progress)


def usual_source(scenario: Scenario) -> str:
    """Past years if a stop asks for them, else drawn ones."""
    return "past" if any(stop.weather is not None and stop.weather.years is not None for stop in scenario.stops) else "drawn"


def walk_block(
    ground: Ground, first: int, count: int, threads: int | None = 1, weather: WeatherYears | None = None
) -> tuple[npt.NDArray[np.bool_], FloatArray, FloatArray]:
    """Walk years ``first`` .. ``first + count - 1``; top-level and with plain arguments, so that processes can be sent it.

    Returns
    -------
    flat : (suns, count, days)
    missed_wh, stretch_days : (count,)
    """
    scenario = ground.scenario
    clock = timeline.build_timeline(scenario)
    base = pack(scenario)
    curve, capacity = battery.pack_curve(scenario.bank)
    found = (weather or ground_weather(ground)).block(first, count)
    factors = draw_load_factors(count, clock.days, ground.load_spread_frac, ground.seed, first)
    setting = with_load(histories(scenario, clock, found, questions=False), factors)
    design = battery.stack_lanes(
        [
            base | {"sun_row": year, "bay_row": year, "load_row": year, "sun_scale": scale}
            for scale in SUN_SCALES
            for year in range(count)
        ]
    )
    state = battery.start_state(design, scenario.bank.start_soc, setting.inputs.bay_c[design.bay_row, 0, 0])
    walked = battery.walk(design, setting.inputs, curve[None], capacity[None], state, threads=threads)
    days = walked.days.reshape(len(SUN_SCALES), count, clock.days, k.DAY_FIELDS)
    return flat_mask(days), days[0, :, :, k.DAY_MISSED_WH].sum(axis=1), longest_run(days[0, :, :, k.DAY_FULL_H] <= 0.0)


def _walk_years(
    ground: Ground,
    clock: timeline.Timeline,
    weather: WeatherYears,
    executor: Executor | None,
    threads: int | None,
    progress: Progress | None,
) -> Odds:
    """Walk all years, a block at a time, here or by an executor."""
    years = len(weather.names)
    flat = np.zeros((len(SUN_SCALES), years, clock.days), dtype=bool)
    missed_wh = np.zeros(years)
    stretch_days = np.zeros(years)
    blocks = [(first, min(BLOCK_ROWS, years - first)) for first in range(0, years, BLOCK_ROWS)]
    waiting = [] if executor is None else [executor.submit(walk_block, ground, *block) for block in blocks]
    try:
        for place, (first, count) in enumerate(blocks):
            here = slice(first, first + count)
            found = walk_block(ground, first, count, threads, weather) if executor is None else waiting[place].result()
            flat[:, here], missed_wh[here], stretch_days[here] = found
            if progress is not None:
                progress(first + count, years)
    except BrokenExecutor:
        raise FlatdaysError(
            "A worker process ended before its work was done (out of memory, or killed). Give the same command again."
        ) from None
    finally:
        for future in waiting:
            future.cancel()
    return Odds(
        ground.scenario,
        clock,
        weather.sources,
        ground.seed,
        weather.names,
        flat,
        missed_wh,
        stretch_days,
        weather,
        ground.load_spread_frac,
    )


def worst_outcome(found: Odds, threads: int | None = None) -> Outcome:
    """Run the worst of the years again, hour by hour, with all the questions of a single run."""
    scenario, clock = found.scenario, found.timeline
    year = found.worst_year
    row = found.weather.block(year, 1)
    single = RouteWeather(
        {name: values[0] for name, values in row.table.items()},
        row.elevation_m,
        tuple(f"year {found.year_names[year]} of: {source}" for source in found.source),
        (*found.weather.notes, *row.notes),
        None if row.precipitation_mm is None else row.precipitation_mm[0],
    )
    factors = draw_load_factors(1, clock.days, found.load_spread_frac, found.seed, year)
    setting = with_load(histories(scenario, clock, single), factors)
    return run(setting, *lanes(setting), threads)


def _share(values: npt.NDArray[Any], digits: int = 4) -> float:
    return round(float(np.mean(values)), digits)


def odds_summary(found: Odds) -> dict[str, Any]:
    """The odds as one object for other programs; no NaN, no clock time, no path."""
    clock = found.timeline
    base = found.flat[0]
    dates = clock.dates
    months = list(dict.fromkeys(f"{day:%Y-%m}" for day in dates))
    month_of = np.array([months.index(f"{day:%Y-%m}") for day in dates])
    week_of = np.arange(clock.days) // 7
    worst = found.worst_year

    def at(sun: int) -> dict[str, Any]:
        low, high = found.flat_free_interval(sun)
        return {"flat_free_share": round(found.flat_free_share(sun), 4), "flat_free_interval": [round(low, 4), round(high, 4)]}

    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "years": found.years,
        "kind": found.weather.kind,
        "source": list(found.source),
        "notes": list(found.notes),
        "cautions": list(cautions_of([found.scenario])),
        "seed": found.seed,
        "load_spread_frac": found.load_spread_frac,
        "days": clock.days,
        **at(0),
        "flat_days_mean": round(float(found.flat_days.mean()), 3),
        "flat_days_worst": int(found.flat_days.max()),
        "flat_days_one_year_in_ten": int(np.quantile(found.flat_days, 0.9, method="higher")),
        "missed_wh_mean": round(float(found.missed_wh.mean()), 1),
        "longest_stretch_days": {
            "median": float(np.median(found.stretch_days)),
            "p95": float(np.quantile(found.stretch_days, 0.95, method="higher")),
            "worst": float(found.stretch_days.max()),
        },
        "if_sun_minus_10_pct": at(1),
        "if_sun_plus_10_pct": at(2),
        "by_stop": [
            {
                "stop": stop.name,
                "share_of_years_with_a_flat_day": _share(base[:, clock.day_stop == place].any(axis=1)),
                "flat_days_mean": round(float(base[:, clock.day_stop == place].sum(axis=1).mean()), 3),
            }
            for place, stop in enumerate(found.scenario.stops)
        ],
        "by_month": {
            name: {
                "share_of_years_with_a_flat_day": _share(base[:, month_of == place].any(axis=1)),
                "flat_days_mean": round(float(base[:, month_of == place].sum(axis=1).mean()), 3),
            }
            for place, name in enumerate(months)
        },
        "by_week": [
            {
                "from": dates[int(np.argmax(week_of == week))].isoformat(),
                "share_of_years_with_a_flat_day": _share(base[:, week_of == week].any(axis=1)),
            }
            for week in range(int(week_of[-1]) + 1)
        ],
        "worst_year": {
            "year": found.year_names[worst],
            "flat_days": int(found.flat_days[worst]),
            "missed_wh": round(float(found.missed_wh[worst]), 1),
            "dates": [dates[int(day)].isoformat() for day in np.flatnonzero(base[worst])],
        },
    }
