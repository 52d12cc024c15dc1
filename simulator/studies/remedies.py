"""What ends the flat days: every single change that applies, and pairs of the best, each walked through the same weather.

Nothing is added up: a pair is a walk of its own. More is not always better (a bigger bank warms more slowly, a generator that
starts sooner runs at other hours), so the flat days that a change makes are counted beside those it cures.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import combinations, groupby

import numpy as np
import numpy.typing as npt

from simulator import timeline
from simulator.battery import kernel as k
from simulator.errors import InputError
from simulator.route import WeatherYears
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario
from simulator.studies.costs import Terms, terms_of
from simulator.studies.designs import Fleet
from simulator.studies.remedy import Change, Remedy, Spell, Walked, applied, judge
from simulator.studies.remedy_changes import noon_utc, single_changes
from simulator.studies.weather_years import YearChoice, choose_years

BoolArray = npt.NDArray[np.bool_]
Progress = Callable[[int, int], None]

PAIRED = 8
"""So many of the best single changes that do not cure alone are paired with each other."""
WORST_RUNS = 4
"""Dark spells for which single nights on a hookup are tried."""


@dataclass(frozen=True, eq=False)
class Remedies:
    """Everything that was tried against the flat days of a trip."""

    scenario: Scenario
    choice: YearChoice
    terms: Terms
    year_names: tuple[str, ...]
    dates: tuple[date, ...]
    flat: BoolArray
    """(years, days) of the trip as it is."""
    singles: tuple[Remedy, ...]
    """All that were walked, in their order."""
    pairs: tuple[Remedy, ...]
    """Those that cure more than either of the two alone."""
    pairs_walked: int
    nights_tried: int
    """Single nights on a hookup that were tried; only the best is among ``singles``."""
    spells: tuple[Spell, ...]
    sources: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def years(self) -> int:
        """Number of weather years."""
        return len(self.year_names)

    @property
    def cautions(self) -> tuple[str, ...]:
        """Of the system as it is, and of every change that helps."""
        useful = (remedy for remedy in (*self.singles, *self.pairs) if remedy.net > 0.0)
        return cautions_of([self.scenario], [change.caution for remedy in useful for change in remedy.changes])

    @property
    def hopeless(self) -> tuple[Spell, ...]:
        """Flat days that nothing in reach cures."""
        return tuple(spell for spell in self.spells if not spell.cured_by)


class _Walker:
    """Walks designs over the same years; those whose stays moved get the weather of their own route."""

    def __init__(
        self, scenario: Scenario, choice: YearChoice, weather: WeatherYears, threads: int | None, tell: Callable[[int], None]
    ) -> None:
        self.scenario, self.choice, self.weather, self.threads, self.tell = scenario, choice, weather, threads, tell
        self.names = weather.names
        self.known: dict[tuple[str, ...], tuple[WeatherYears, npt.NDArray[np.int64]]] = {}

    def _weather(self, moving: tuple[Change, ...]) -> tuple[WeatherYears, npt.NDArray[np.int64]] | None:
        """Weather of a moved route, and which of its years are those of the base; None: it lacks some of them."""
        if not moving:
            return self.weather, np.arange(len(self.names))
        key = tuple(change.name for change in moving)
        if key not in self.known:
            moved = applied(self.scenario, moving)
            found = self.choice.find(moved, timeline.build_timeline(moved))
            at = [found.names.index(name) if name in found.names else -1 for name in self.names]
            self.known[key] = found, np.array(at, dtype=np.int64)
        found, places = self.known[key]
        return None if (places < 0).any() else (found, places)

    def walk(self, wanted: Sequence[tuple[Change, ...]]) -> list[Walked | None]:
        """Walk each combination of changes; None where it cannot be done."""
        results: list[Walked | None] = [None] * len(wanted)
        moving = [tuple(change for change in changes if change.moves) for changes in wanted]
        order = sorted(range(len(wanted)), key=lambda place: tuple(change.name for change in moving[place]))
        for _, group in groupby(order, key=lambda place: tuple(change.name for change in moving[place])):
            places = list(group)
            designs, kept = [], []
            for place in places:
                try:
                    designs.append(applied(self.scenario, wanted[place]))
                    kept.append(place)
                except InputError:
                    continue
            try:
                ready = self._weather(moving[places[0]]) if designs else None
            except InputError:
                ready = None
            if ready is not None:
                weather, years = ready
                fleet = Fleet(designs, weather, seed=self.choice.seed, load_spread_frac=self.choice.load_spread_frac)
                walked = fleet.walk(None, 0, len(weather.names), keep_flat=True, threads=self.threads)
                assert walked.flat is not None
                for row, place in enumerate(kept):
                    totals = walked.totals[row, years]
                    results[place] = Walked(
                        flat=walked.flat[row, years],
                        generator_h=totals[:, k.GENERATOR_H],
                        generator_wh=totals[:, k.GENERATOR_WH],
                        locked_h=float(totals[:, k.LOCKED_H].sum()),
                        hookup_h=float(fleet.clocks[row].hookup.sum()),
                    )
            self.tell(len(places))
        return results


def _runs(flat_days: BoolArray) -> list[tuple[int, int]]:
    """First and last of each run of flat days, ``(days,)``."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flat_days, [False]))))
    return [(int(first), int(end) - 1) for first, end in zip(edges[::2], edges[1::2], strict=True)]


def _worst_days(flat: BoolArray) -> list[int]:
    """Days before which a night on a hookup may help: the first of the longest dark spells, or of the most frequent."""
    often = flat.mean(axis=0)
    runs = _runs(np.asarray(flat.any(axis=0), dtype=np.bool_))
    runs.sort(key=lambda run: (-float(often[run[0] : run[1] + 1].sum()), run[0]))
    return sorted(
        first if len(flat) == 1 else first + int(np.argmax(often[first : last + 1])) for first, last in runs[:WORST_RUNS]
    )


def _spells(
    found: Sequence[Remedy], pairs: Sequence[Remedy], base: BoolArray, names: Sequence[str], dates: Sequence[date]
) -> list[Spell]:
    spells = []
    for year, name in enumerate(names):
        for first, last in _runs(base[year]):
            cured = [remedy.name for remedy in found if not remedy.flat[year, first : last + 1].any()]
            if not cured:
                cured = [remedy.name for remedy in pairs if not remedy.flat[year, first : last + 1].any()]
            spells.append(Spell(name, dates[first], dates[last], last - first + 1, tuple(cured)))
    return spells


def remedies(
    scenario: Scenario,
    *,
    years: int | None = None,
    seed: int | None = None,
    source: str | None = None,
    load_spread_frac: float | None = None,
    pairs: bool = True,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Remedies:
    """Try every change that applies, and pairs of the best of those that do not cure alone.

    Parameters
    ----------
    scenario : a finished scenario.
    years : weather years; None: the one year of a plain run, or 20 drawn ones where that would be drawn.
    seed, source, load_spread_frac : as in :func:`simulator.studies.odds.odds`, or ``written`` for the year of a plain run.
    pairs : whether pairs are tried.
    threads : the answer does not depend on it.
    progress : called with (changes walked, changes).

    Raises
    ------
    InputError
        What was asked for cannot be, or a weather file cannot be used.
    """
    choice = choose_years(scenario, years, seed, source, load_spread_frac)
    clock = timeline.build_timeline(scenario)
    weather = choice.find(scenario, clock)
    terms = terms_of(scenario.costs)
    done, total = 0, 1

    def tell(count: int) -> None:
        nonlocal done
        done += count
        if progress is not None:
            progress(min(done, total - 1), total)

    walker = _Walker(scenario, choice, weather, threads, tell)
    (base,) = walker.walk([()])
    assert base is not None
    singles: list[Remedy] = []
    found_pairs: list[Remedy] = []
    nights_tried = pairs_walked = 0
    if base.flat.any():
        rain_mm = weather.block(0, 1).precipitation_mm
        changes = single_changes(
            scenario,
            locked=base.locked_h > 0.0,
            driving=bool(clock.driving_frac.any()),
            snow=any(stop.snow == "stays" or (rain_mm is not None and not stop.snow_stated) for stop in scenario.stops),
            worst_days=tuple(
                noon_utc(scenario, int(clock.day_stop[day]), day_date.year, day_date.month, day_date.day)
                for day in _worst_days(base.flat)
                for day_date in (clock.dates[day],)
            ),
        )
        total = 1 + len(changes) + (PAIRED * (PAIRED - 1) // 2 if pairs else 0)
        walked = walker.walk([(change,) for change in changes])
        judged = [
            judge(scenario, (change,), each, base, terms)
            for change, each in zip(changes, walked, strict=True)
            if each is not None
        ]
        one_night = [remedy for remedy in judged if remedy.changes[0].nights == 1]
        nights_tried = len(one_night)
        # Of the single nights only the best is worth a line, of a larger change only what it brings beyond the smaller one.
        singles = [remedy for remedy in judged if remedy.changes[0].nights != 1] + sorted(one_night, key=lambda one: one.rank)[:1]
        by_name = {remedy.name: remedy for remedy in singles}
        singles = [
            remedy
            for remedy in singles
            if not any((by_name[name].flat == remedy.flat).all() for name in remedy.changes[0].more_than if name in by_name)
        ]
        singles.sort(key=lambda remedy: remedy.rank)
        some = [one for one in singles if not one.complete and one.net > 0.0]
        best = sorted(some, key=lambda one: (-one.net, one.rank))[:PAIRED]
        wanted = [
            (one, other)
            for one, other in combinations(best, 2)
            if one.changes[0].group != other.changes[0].group and not (one.changes[0].moves and other.changes[0].moves)
        ]
        if pairs and wanted:
            total = done + len(wanted) + 1
            both = walker.walk([(*one.changes, *other.changes) for one, other in wanted])
            pairs_walked = sum(each is not None for each in both)
            for (one, other), each in zip(wanted, both, strict=True):
                if each is None:
                    continue
                remedy = judge(scenario, (*one.changes, *other.changes), each, base, terms)
                if remedy.net > max(one.net, other.net) + 1e-9:
                    found_pairs.append(remedy)
            found_pairs.sort(key=lambda remedy: remedy.rank)
    if progress is not None:
        progress(total, total)
    return Remedies(
        scenario=scenario,
        choice=choice,
        terms=terms,
        year_names=weather.names,
        dates=clock.dates,
        flat=base.flat,
        singles=tuple(singles),
        pairs=tuple(found_pairs),
        pairs_walked=pairs_walked,
        nights_tried=nights_tried,
        spells=tuple(_spells(singles, found_pairs, base.flat, weather.names, clock.dates)),
        sources=weather.sources,
        notes=weather.notes,
    )
