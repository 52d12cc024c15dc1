"""How many watt-hours a day the system as it stands can give without a flat day: over the whole trip, and at each stop and month.

The whole load is multiplied, every appliance alike and at its own hours, until a day runs flat. For one stop and month only the
days there are multiplied and only they are judged; the bank comes to them from the trip as it was written. What such a load
would leave for the days after is the matter of the figure for the whole trip.

More load is not always worse (a generator that starts sooner may save a day), so a range of multipliers is tried first, and the
answer is the largest below which all that were tried pass.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator import timeline
from simulator.battery import kernel as k
from simulator.battery.kernel import FloatArray
from simulator.errors import InputError
from simulator.outcome import flat_mask
from simulator.route import WeatherYears
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario
from simulator.studies.weather_years import YearBlock, YearChoice, base_lanes, choose_years, year_blocks
from simulator.version import package_version

Progress = Callable[[int, int], None]

COARSE = (0.0, *(2.0 ** (step / 4.0) for step in range(-20, 21)))
"""Multipliers tried first: from a thirty-second of the load to 32 times it, each a fifth more than the last."""
SECTIONS = 12
"""A bracket is cut into so many more at a time."""
TOLERANCE_FRAC = 0.001
"""The answer passes, and a load this share above it fails."""
LEAST_STEP = 1e-5
"""Of the audit; below this an answer near nothing is not narrowed."""
TARGET_FRAC = 0.9
"""Over many years: the share that must stay without a flat day (common practice, no source)."""
MOST_ROW_HOURS = 2_500_000
"""Hours of load rows held at a time (24 bytes each): bounds the memory and changes no number."""
ROUNDS = 5
"""About so many; for the progress only."""


@dataclass(frozen=True)
class BudgetLine:
    """What can be given on some days of the trip."""

    stop: str | None
    """None: the whole trip."""
    month: str | None
    days: int
    """On which somebody lives off the bank; of a stop where the vehicle is only stored, all."""
    audit_wh_per_day: float
    multiplier: float
    """Of the audit: the largest that passes, with all below it that were tried."""
    wh_per_day: float
    open_ended: bool
    """Even the largest multiplier tried passes."""
    arrives_dark: bool
    """No load at all passes: the bank is dark already when these days begin."""
    limit: str
    """What fails beyond: ``flat`` a day runs flat, ``overload`` more is asked for at once than bank or inverter deliver."""
    passes_again: tuple[float, ...]
    """Multipliers above the answer that pass all the same."""


@dataclass(frozen=True, eq=False)
class Budget:
    """The budget of a system on a trip."""

    scenario: Scenario
    choice: YearChoice
    years: int
    target_frac: float
    whole: BudgetLine
    lines: tuple[BudgetLine, ...]
    """One for each stop and month, in the order of the trip."""
    essential: tuple[BudgetLine, ...] | None
    """The same, the whole trip first, with only the essential appliances running; None: all are essential, or none."""
    weather: WeatherYears

    @property
    def sources(self) -> tuple[str, ...]:
        """Where the weather comes from."""
        return self.weather.sources

    @property
    def notes(self) -> tuple[str, ...]:
        """What the scenario and its weather have to say."""
        return tuple(dict.fromkeys((*self.scenario.notes, *self.weather.notes)))


@dataclass(frozen=True)
class _Days:
    """Days that are multiplied and judged together."""

    stop: str | None
    month: str | None
    mask: npt.NDArray[np.bool_]
    lived: npt.NDArray[np.bool_]
    """Those of them on which somebody lives off the bank: only they are counted and averaged."""


def _parts(scenario: Scenario, clock: timeline.Timeline) -> list[_Days]:
    """The whole trip, then every stop and month."""
    lived = np.bincount(clock.local_day, weights=~clock.stored, minlength=clock.days) > 0.0

    def days(stop: str | None, month: str | None, mask: npt.NDArray[np.bool_]) -> _Days:
        # Days off the road ask for nothing; alone, they have no others to be left out for.
        return _Days(stop, month, mask, mask & lived if (mask & lived).any() else mask)

    found = [days(None, None, np.ones(clock.days, dtype=bool))]
    keys = [(int(place), f"{day:%Y-%m}") for place, day in zip(clock.day_stop, clock.dates, strict=True)]
    for place, month in dict.fromkeys(keys):
        found.append(days(scenario.stops[place].name, month, np.array([key == (place, month) for key in keys])))
    return found


@dataclass(frozen=True)
class _Trial:
    """What multipliers of one part came to."""

    share: float
    """Of years that pass."""
    overload: bool
    """Some year fails by overload alone."""


class _Trials:
    """Walks pairs of (part, multiplier) over all years and remembers what each came to."""

    def __init__(self, scenario: Scenario, parts: Sequence[_Days], blocks: Sequence[YearBlock], threads: int | None) -> None:
        self.scenario, self.parts, self.blocks, self.threads = scenario, parts, blocks, threads
        self.known: list[dict[float, _Trial]] = [{} for _ in parts]
        self.base_overload_wh = [self._walk(block, [(0, 1.0)])[1][0] for block in blocks]

    def _walk(self, block: YearBlock, pairs: Sequence[tuple[int, float]]) -> tuple[npt.NDArray[np.bool_], FloatArray]:
        """(pairs, years) whether a judged day is flat, and the watt-hours of overload."""
        rows = np.concatenate([block.factors * np.where(self.parts[part].mask, times, 1.0) for part, times in pairs])
        lanes = [
            lane | {"load_row": place * block.count + year}
            for place in range(len(pairs))
            for year, lane in enumerate(base_lanes(self.scenario, block.count))
        ]
        walked = block.walk(block.with_loads(rows), lanes, self.threads)
        flat = flat_mask(walked.days).reshape(len(pairs), block.count, -1)
        judged = np.stack([self.parts[part].mask for part, _ in pairs])[:, None, :]
        overload_wh = walked.totals[:, k.MISSED_LIMIT_WH].reshape(len(pairs), block.count)
        return np.asarray((flat & judged).any(axis=2), dtype=np.bool_), overload_wh

    def ask(self, wanted: Sequence[tuple[int, float]]) -> None:
        """Walk what is not known yet."""
        pairs = [pair for pair in dict.fromkeys(wanted) if pair[1] not in self.known[pair[0]]]
        if not pairs:
            return
        flat: list[list[npt.NDArray[np.bool_]]] = [[] for _ in pairs]
        over: list[list[npt.NDArray[np.bool_]]] = [[] for _ in pairs]
        for block, base_wh in zip(self.blocks, self.base_overload_wh, strict=True):
            most = max(1, MOST_ROW_HOURS // (block.count * block.setting.timeline.hours))
            for first in range(0, len(pairs), most):
                chunk = pairs[first : first + most]
                is_flat, overload_wh = self._walk(block, chunk)
                for place in range(len(chunk)):
                    flat[first + place].append(is_flat[place])
                    over[first + place].append(overload_wh[place] > base_wh + 1e-6 * (1.0 + base_wh))
        for (part, times), flats, overs in zip(pairs, flat, over, strict=True):
            is_flat, is_over = np.concatenate(flats), np.concatenate(overs)
            self.known[part][times] = _Trial(float(np.mean(~is_flat & ~is_over)), bool((is_over & ~is_flat).any()))

    def loads_wh(self, pairs: Sequence[tuple[int, float]]) -> list[float]:
        """Mean watt-hours a day asked for on the days of each part, without the spread from day to day."""
        block = self.blocks[0]
        rows = np.stack([np.where(self.parts[part].mask, times, 1.0) for part, times in pairs])
        base = base_lanes(self.scenario, 1)[0]
        walked = block.walk(block.with_loads(rows), [base | {"load_row": row} for row in range(len(pairs))], self.threads)
        asked = walked.days[:, :, k.DAY_LOAD_WH]
        return [float(asked[row, self.parts[part].lived].mean()) for row, (part, _) in enumerate(pairs)]


def _bracket(trials: dict[float, _Trial], target_frac: float) -> tuple[float, float | None]:
    """The largest multiplier below which all tried pass (-1: not even the first), and the first that fails."""
    passed = -1.0
    for times in sorted(trials):
        if trials[times].share < target_frac - 1e-12:
            return passed, times
        passed = times
    return passed, None


def _solve(
    scenario: Scenario,
    parts: Sequence[_Days],
    blocks: Sequence[YearBlock],
    target_frac: float,
    threads: int | None,
    tell: Callable[[], None],
) -> tuple[BudgetLine, ...]:
    """Find the multiplier of every part."""
    trials = _Trials(scenario, parts, blocks, threads)
    audit_wh = trials.loads_wh([(part, 1.0) for part in range(len(parts))])
    asking = [part for part, watt_hours in enumerate(audit_wh) if watt_hours > 0.0]
    trials.ask([(part, times) for part in asking for times in COARSE])
    tell()
    while True:
        wanted: list[tuple[int, float]] = []
        for part in asking:
            low, high = _bracket(trials.known[part], target_frac)
            if high is not None and low >= 0.0 and high - low > max(TOLERANCE_FRAC * high, LEAST_STEP):
                wanted += [(part, float(times)) for times in np.linspace(low, high, SECTIONS + 1)[1:-1]]
        if not wanted:
            break
        trials.ask(wanted)
        tell()
    found: list[tuple[int, float, float | None]] = []
    for part in range(len(parts)):
        low, high = _bracket(trials.known[part], target_frac) if part in asking else (0.0, None)
        found.append((part, max(low, 0.0), high))
    given_wh = trials.loads_wh([(part, low) for part, low, _ in found])
    lines = []
    for part, low, high in found:
        known = trials.known[part]
        again = tuple(
            times for times in sorted(known) if high is not None and times > high and known[times].share >= target_frac - 1e-12
        )
        lines.append(
            BudgetLine(
                stop=parts[part].stop,
                month=parts[part].month,
                days=int(parts[part].lived.sum()),
                audit_wh_per_day=audit_wh[part],
                multiplier=low,
                wh_per_day=given_wh[part],
                open_ended=high is None,
                arrives_dark=part in asking and low <= LEAST_STEP,
                limit="overload" if high is not None and known[high].overload else "flat",
                passes_again=again,
            )
        )
    return tuple(lines)


def budget(
    scenario: Scenario,
    *,
    years: int | None = None,
    seed: int | None = None,
    source: str | None = None,
    load_spread_frac: float | None = None,
    target_frac: float = TARGET_FRAC,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Budget:
    """Find how many watt-hours a day the system can give.

    Parameters
    ----------
    scenario : a finished scenario.
    years : weather years; None: the one year of a plain run, or 20 drawn ones where that would be drawn.
    seed, source, load_spread_frac : as in :func:`simulator.studies.odds.odds`, or ``written`` for the year of a plain run.
    target_frac : over many years, the share of them that must stay without a flat day.
    threads : the answer does not depend on it.
    progress : called with (rounds done, about how many).

    Raises
    ------
    InputError
        What was asked for cannot be, or nothing draws power on this trip.
    """
    mistakes = []
    if not 0.0 < target_frac <= 1.0:
        mistakes.append(f"--target: expected a share above 0 up to 1 (0.9 is usual), got {target_frac:g}")
    choice = choose_years(scenario, years, seed, source, load_spread_frac, mistakes)
    clock = timeline.build_timeline(scenario)
    weather = choice.find(scenario, clock)
    parts = _parts(scenario, clock)
    done = 0
    essentials = tuple(it for it in scenario.appliances if it.priority == 0)
    both = 0 < len(essentials) < len(scenario.appliances)
    total = ROUNDS * (2 if both else 1)

    def tell() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(min(done, total - 1), total)

    def solved(each: Scenario) -> tuple[BudgetLine, ...]:
        blocks = list(year_blocks(each, clock, weather, choice))
        return _solve(each, parts, blocks, target_frac if len(weather.names) > 1 else 1.0, threads, tell)

    whole, *lines = solved(scenario)
    if whole.audit_wh_per_day <= 0.0:
        raise InputError(
            "appliance: expected something that draws power on this trip, got none; a budget is a multiple of the load"
        )
    essential = solved(replace(scenario, appliances=essentials)) if both else None
    if progress is not None:
        progress(total, total)
    return Budget(
        scenario=scenario,
        choice=choice,
        years=len(weather.names),
        target_frac=target_frac,
        whole=whole,
        lines=tuple(lines),
        essential=essential,
        weather=weather,
    )


def budget_rows(found: Budget) -> list[dict[str, Any]]:
    """One row for the whole trip and one for each stop and month, for a table of other programs."""
    rows = []
    for position, line in enumerate((found.whole, *found.lines)):
        other = None if found.essential is None else found.essential[position]
        rows.append(
            {
                "stop": line.stop,
                "month": line.month,
                "days": line.days,
                "audit_wh_per_day": round(line.audit_wh_per_day, 1),
                "budget_wh_per_day": round(line.wh_per_day, 1),
                "multiplier": round(line.multiplier, 5),
                "at_least": line.open_ended,
                "arrives_dark": line.arrives_dark,
                "limit": None if line.open_ended else line.limit,
                "passes_again_at": [round(times, 5) for times in line.passes_again],
                "essential_audit_wh_per_day": None if other is None else round(other.audit_wh_per_day, 1),
                "essential_budget_wh_per_day": None if other is None else round(other.wh_per_day, 1),
            }
        )
    return rows


def budget_summary(found: Budget) -> dict[str, Any]:
    """The budget as one object for other programs; no NaN, no clock time, no path."""
    whole, *lines = budget_rows(found)
    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "kind": found.choice.kind,
        "years": found.years,
        "seed": found.choice.seed,
        "load_spread_frac": found.choice.load_spread_frac,
        "target_frac": 1.0 if found.years == 1 else found.target_frac,
        "tolerance_frac": TOLERANCE_FRAC,
        "source": list(found.sources),
        "notes": list(found.notes),
        "whole_trip": {key: value for key, value in whole.items() if key not in ("stop", "month")},
        "by_stop_and_month": lines,
        "cautions": list(cautions_of([found.scenario])),
    }
