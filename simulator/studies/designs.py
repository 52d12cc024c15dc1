"""Many designs over the same weather years: one walk of designs x years, where what designs share is reckoned once.

Designs are finished scenarios on one route: bank, arrays, inverter, appliances, chargers, place, shade or snow may differ, the
hours may not. Sun, bay, loads and other charging are rows; designs that share what a row hangs on share the row, and the lanes
look it up. All designs meet the same years and the same chance of the load, so that differences are the designs' own.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from simulator import battery, timeline
from simulator.battery import Histories, Lanes
from simulator.battery import kernel as k
from simulator.engine import LaneValues, Setting, histories, pack
from simulator.loads.phases import bank_yardstick_w
from simulator.outcome import flat_mask
from simulator.route import RouteWeather, WeatherYears
from simulator.scenario.parts import Scenario
from simulator.studies.ground import LOAD_SPREAD_FRAC, draw_load_factors, with_load

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Progress = Callable[[int, int], None]

MOST_LANES = 4096
"""Lanes walked at a time: bounds the memory of their days and changes no number."""
MOST_ROW_HOURS = 3_000_000
"""Hours of sun rows held at a time (24 bytes each): bounds the memory and changes no number."""
BLOCK_YEARS = 24
NOT_WALKED = -1

PARTS = {
    "bank",
    "arrays",
    "inverter",
    "appliances",
    "shore",
    "alternator",
    "generator",
    "rest_of_year",
    "title",
    "seed",
    "path",
    "defaults_used",
    "notes",
    "sha256",
    "weather_default",
    "costs",
    "size",
    "route_written",
}
"""Fields of a scenario that rows do not hang on, or by a key of their own; by every other one (stops, vehicle) all are apart."""
ROW_OF = {"sun_w": "sun", "bay_c": "bay", "load_w": "load", "peak_h": "load", "source_a": "source"}
"""Which row of a lane looks up which history."""


@dataclass(frozen=True, eq=False)
class DesignYears:
    """What designs x years came to; a year that was not walked has ``flat_days`` = -1 and zeros elsewhere.

    Attributes
    ----------
    year_names : (years,)
    flat_days : (designs, years)
        Flat days of each year, as ``studies.odds`` counts them.
    missed_wh : (designs, years)
        Essential load missed in outages [Wh].
    lowest_soc : (designs, years)
        Lowest state of charge of the year, 0..1.
    totals : (designs, years, HOUR_FIELDS)
        Sums over the trip, columns as named in :mod:`simulator.battery.kernel` (those of states, such as SOC_END, mean nothing).
    days : (designs, years, days, DAY_FIELDS) or None
        Only if asked for.
    flat : (designs, years, days) or None
        Which days are flat; only if asked for.
    hours : (watched, hours, HOUR_FIELDS)
        Of the watched designs in the first of the years, in the order they were asked for.
    timeline : of the route.
    """

    year_names: tuple[str, ...]
    flat_days: IntArray
    missed_wh: FloatArray
    lowest_soc: FloatArray
    totals: FloatArray
    days: FloatArray | None
    flat: BoolArray | None
    hours: FloatArray
    timeline: timeline.Timeline

    @property
    def worst_flat_days(self) -> IntArray:
        """(designs,): flat days in the worst of the years walked."""
        return np.asarray(self.flat_days.max(axis=1), dtype=np.int64)

    @property
    def flat_free_share(self) -> FloatArray:
        """(designs,): share of the years walked without a flat day."""
        walked = np.maximum((self.flat_days != NOT_WALKED).sum(axis=1), 1)
        return np.asarray((self.flat_days == 0).sum(axis=1) / walked)


@dataclass(frozen=True)
class _Keys:
    """What the rows of one design hang on; designs with equal keys share rows."""

    sun: Hashable
    bay: Hashable
    load: Hashable
    source: Hashable


def _keys(design: Scenario, lane: LaneValues) -> _Keys:
    ground = tuple(getattr(design, field.name) for field in fields(design) if field.name not in PARTS)
    drawing = (design.appliances, design.inverter)
    return _Keys(
        sun=(design.arrays, lane["sun_low_v"], lane["sun_high_v"], ground),
        bay=(design.bank.place, ground),
        load=(*drawing, bank_yardstick_w(design), ground),
        # A pedestal feeds the AC appliances first; a generator's charger is held back by its size and thin air.
        source=(design.shore, design.alternator, design.generator, *drawing, lane["absorb_v"], ground),
    )


class _Rows:
    """Rows of the histories for a set of designs over a block of years, each distinct one reckoned once."""

    def __init__(self) -> None:
        self.first: dict[str, dict[Hashable, int]] = {kind: {} for kind in ROW_OF.values()}
        self.pieces: dict[str, list[npt.NDArray[np.float64]]] = {name: [] for name in ROW_OF}
        self.count: dict[str, int] = dict.fromkeys(ROW_OF.values(), 0)
        self.day: IntArray | None = None

    def lacks(self, keys: _Keys) -> bool:
        return any(getattr(keys, kind) not in known for kind, known in self.first.items())

    def add(self, setting: Setting, keys: _Keys) -> None:
        """Take over the rows that were not there yet."""
        new = {kind for kind, known in self.first.items() if getattr(keys, kind) not in known}
        self.day = setting.inputs.day
        for kind in new:
            self.first[kind][getattr(keys, kind)] = self.count[kind]
        for name, kind in ROW_OF.items():
            if kind in new:
                self.pieces[name].append(getattr(setting.inputs, name))
        for kind in new:
            name = next(name for name, other in ROW_OF.items() if other == kind)
            self.count[kind] += len(self.pieces[name][-1])

    def histories(self) -> Histories:
        assert self.day is not None
        return Histories(**{name: np.concatenate(pieces) for name, pieces in self.pieces.items()}, day=self.day)


def _settle(
    designs: Sequence[Scenario],
    keys: Sequence[_Keys],
    clocks: Sequence[timeline.Timeline],
    found: RouteWeather,
    factors: FloatArray,
) -> _Rows:
    """Reckon every distinct sun, bay, load and source row of these designs once."""
    rows = _Rows()
    for design, own, clock in zip(designs, keys, clocks, strict=True):
        if not rows.lacks(own):
            continue
        known_sun = own.sun in rows.first["sun"]
        setting = histories(replace(design, arrays=()) if known_sun else design, clock, found, questions=False)
        rows.add(with_load(setting, factors), own)
    return rows


def year_runs(years: Sequence[int]) -> list[tuple[int, int]]:
    """Years in any order as runs (first, count) of years that follow each other."""
    runs: list[tuple[int, int]] = []
    for year in years:
        if runs and year == sum(runs[-1]):
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((year, 1))
    return runs


def joined_weather(found: Sequence[RouteWeather]) -> RouteWeather:
    """Blocks of years of one route, one after the other."""
    if len(found) == 1:
        return found[0]
    rain = [block.precipitation_mm for block in found if block.precipitation_mm is not None]
    return replace(
        found[0],
        table={name: np.concatenate([block.table[name] for block in found]) for name in found[0].table},
        precipitation_mm=np.concatenate(rain) if len(rain) == len(found) else None,
    )


def _expanded(lanes: Lanes, which: IntArray, years: int) -> Lanes:
    """These designs once a year, the years of a design side by side."""
    columns: dict[str, Any] = {name: np.repeat(column[which], years, axis=0) for name, column in lanes._asdict().items()}
    return Lanes(**columns)


class Fleet:
    """Designs ready to be walked over any of the years: lanes packed and rows told apart once.

    Parameters
    ----------
    designs : finished scenarios on one route (equal hours; checked).
    weather : many years of that route's weather.
    seed : of the chance of the load.
    load_spread_frac : standard deviation of a day's load about the audit, 0..1.
    load_scale, sun_scale : (designs,), optional
        Factor on each design's load and sun.
    """

    def __init__(
        self,
        designs: Sequence[Scenario],
        weather: WeatherYears,
        *,
        seed: int,
        load_spread_frac: float = LOAD_SPREAD_FRAC,
        load_scale: npt.ArrayLike | None = None,
        sun_scale: npt.ArrayLike | None = None,
    ) -> None:
        if not designs:
            raise ValueError("expected at least one design")
        self.designs = tuple(designs)
        self.weather = weather
        self.seed = seed
        self.load_spread_frac = load_spread_frac
        clocks: dict[Hashable, timeline.Timeline] = {}
        self.clocks: list[timeline.Timeline] = []
        for design in designs:
            ground = (design.stops, design.vehicle)
            if ground not in clocks:
                clocks[ground] = timeline.build_timeline(design)
            self.clocks.append(clocks[ground])
        self.clock = self.clocks[0]
        if any(not clock.utc.equals(self.clock.utc) for clock in clocks.values()):
            raise ValueError("expected designs on one route: their hours differ")
        packed = [pack(design) for design in designs]
        self.keys = [_keys(design, lane) for design, lane in zip(designs, packed, strict=True)]
        curve_rows: dict[Hashable, int] = {}
        curves: list[tuple[FloatArray, FloatArray]] = []
        for design, lane in zip(designs, packed, strict=True):
            key = (design.bank.curve, design.bank.in_series)
            if key not in curve_rows:
                curve_rows[key] = len(curves)
                curves.append(battery.pack_curve(design.bank))
            lane["curve_row"] = curve_rows[key]
        self.curves = np.stack([curve for curve, _ in curves])
        self.capacities = np.stack([capacity for _, capacity in curves])
        lanes = battery.stack_lanes(packed)

        def scaled(scale: npt.ArrayLike | None) -> FloatArray:
            return np.broadcast_to(np.asarray(1.0 if scale is None else scale, dtype=np.float64), (len(designs),)).copy()

        self.lanes = lanes._replace(load_scale=scaled(load_scale), sun_scale=scaled(sun_scale))
        self.start_soc = np.array([design.bank.start_soc for design in designs])

    def slices(self, which: IntArray, years: int, most_lanes: int | None = None) -> Iterator[IntArray]:
        """Cut designs into slices of at most so many lanes that keep the memory bounded; those that share sun stay together."""
        order: dict[Hashable, list[int]] = {}
        for place in which:
            order.setdefault(self.keys[place].sun, []).append(int(place))
        most_designs = max(1, (most_lanes or MOST_LANES) // years)
        most_suns = max(1, MOST_ROW_HOURS // (years * self.clock.hours))
        here: list[int] = []
        suns = 0
        for group in order.values():
            for first in range(0, len(group), most_designs):
                part = group[first : first + most_designs]
                if here and (len(here) + len(part) > most_designs or suns >= most_suns):
                    yield np.array(here)
                    here, suns = [], 0
                here += part
                suns += 1
        if here:
            yield np.array(here)

    def walk(
        self,
        which: npt.ArrayLike | None,
        first_year: int,
        year_count: int,
        *,
        years: Sequence[int] | None = None,
        keep_days: bool = False,
        keep_flat: bool = False,
        watch: Sequence[int] = (),
        threads: int | None = None,
    ) -> DesignYears:
        """Walk these designs (None: all) over these years; the result's rows are in the order of ``which``.

        ``years``, if given, are the numbers of the years, in any order, instead of ``year_count`` from ``first_year`` on.
        ``watch`` holds positions in ``which``: their hours in the first of the years are kept.
        """
        chosen_years = tuple(range(first_year, first_year + year_count)) if years is None else tuple(years)
        year_count = len(chosen_years)
        chosen = np.arange(len(self.designs)) if which is None else np.asarray(which, dtype=np.int64)
        days_count = self.clock.days
        shape = (len(chosen), year_count)
        flat_days = np.zeros(shape, dtype=np.int64)
        missed_wh = np.zeros(shape)
        lowest_soc = np.zeros(shape)
        totals = np.zeros((*shape, k.HOUR_FIELDS))
        kept_days = np.zeros((*shape, days_count, k.DAY_FIELDS)) if keep_days else None
        kept_flat = np.zeros((*shape, days_count), dtype=bool) if keep_flat else None
        hours = np.zeros((len(watch), self.clock.hours, k.HOUR_FIELDS))
        place_of = {int(design): place for place, design in enumerate(chosen)}
        for first in range(0, year_count, BLOCK_YEARS):
            here = chosen_years[first : first + BLOCK_YEARS]
            count = len(here)
            found, factors = self._years(here)
            span = slice(first, first + count)
            for part in self.slices(chosen, count):
                places = np.array([place_of[int(design)] for design in part])
                watched = [place for place, own in enumerate(places) if first == 0 and int(own) in set(watch)]
                walked = self._walk_block(part, found, factors, [place * count for place in watched], threads)
                days = walked.days.reshape(len(part), count, days_count, k.DAY_FIELDS)
                flat = flat_mask(days)
                flat_days[places, span] = flat.sum(axis=2)
                missed_wh[places, span] = days[..., k.DAY_MISSED_WH].sum(axis=2)
                lowest_soc[places, span] = days[..., k.DAY_LOWEST_SOC].min(axis=2)
                totals[places, span] = walked.totals.reshape(len(part), count, k.HOUR_FIELDS)
                if kept_days is not None:
                    kept_days[places, span] = days
                if kept_flat is not None:
                    kept_flat[places, span] = flat
                for row, place in enumerate(watched):
                    for slot in np.flatnonzero(np.asarray(watch) == places[place]):
                        hours[slot] = walked.hours[row]
        names = tuple(self.weather.names[year] for year in chosen_years)
        return DesignYears(names, flat_days, missed_wh, lowest_soc, totals, kept_days, kept_flat, hours, self.clock)

    def _years(self, years: Sequence[int]) -> tuple[RouteWeather, FloatArray]:
        """Weather and load factors of these years, in this order."""
        runs = year_runs(years)
        found = [self.weather.block(first, count) for first, count in runs]
        factors = [draw_load_factors(count, self.clock.days, self.load_spread_frac, self.seed, first) for first, count in runs]
        return joined_weather(found), np.concatenate(factors)

    def _walk_block(
        self, part: IntArray, found: RouteWeather, factors: FloatArray, watch: Sequence[int], threads: int | None
    ) -> battery.Walk:
        """One slice of designs over one block of years; lanes are designs x years, the years side by side."""
        count = len(factors)
        keys = [self.keys[place] for place in part]
        rows = _settle([self.designs[place] for place in part], keys, [self.clocks[place] for place in part], found, factors)
        inputs = rows.histories()
        year = np.tile(np.arange(count), len(part))
        lanes = _expanded(self.lanes, part, count)
        first = {
            kind: np.repeat([known[getattr(own, kind)] for own in keys], count).astype(np.int64)
            for kind, known in rows.first.items()
        }
        # Other charging is by the clock: it has no years.
        lanes = lanes._replace(
            sun_row=first["sun"] + year, bay_row=first["bay"] + year, load_row=first["load"] + year, source_row=first["source"]
        )
        start_soc = np.repeat(self.start_soc[part], count)
        state = battery.start_state(lanes, start_soc, inputs.bay_c[lanes.bay_row, 0, 0])
        return battery.walk(lanes, inputs, self.curves, self.capacities, state, watch=watch, threads=threads)


def walk_designs(
    designs: Sequence[Scenario],
    weather: WeatherYears,
    *,
    first_year: int = 0,
    year_count: int | None = None,
    seed: int,
    load_spread_frac: float = LOAD_SPREAD_FRAC,
    load_scale: npt.ArrayLike | None = None,
    sun_scale: npt.ArrayLike | None = None,
    keep_days: bool = False,
    keep_flat: bool = False,
    watch: Sequence[int] = (),
    threads: int | None = None,
) -> DesignYears:
    """Walk many designs over the same weather years.

    Parameters
    ----------
    designs : finished scenarios on one route; the hours of all must be the same.
    weather : as :func:`simulator.route.drawn_years` or :func:`simulator.route.past_years` gives it for one of them.
    first_year, year_count : which of its years; None: to the last.
    seed : of the chance of the load; the same load factors meet every design.
    load_spread_frac : standard deviation of a day's load about the audit, 0..1.
    load_scale, sun_scale : (designs,) or a number, optional
        Factor on each design's load and sun.
    keep_days, keep_flat : keep the days of every design and year (8 numbers a day), or only which are flat.
    watch : positions of designs whose hours in the first of these years are kept.
    threads : the answer does not depend on it.

    Returns
    -------
    DesignYears

    Raises
    ------
    ValueError
        The designs differ in their hours, or there are none.
    """
    fleet = Fleet(designs, weather, seed=seed, load_spread_frac=load_spread_frac, load_scale=load_scale, sun_scale=sun_scale)
    count = len(weather.names) - first_year if year_count is None else year_count
    return fleet.walk(None, first_year, count, keep_days=keep_days, keep_flat=keep_flat, watch=watch, threads=threads)
