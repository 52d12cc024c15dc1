"""Which years of weather a study meets: the one that a plain run takes, past ones, or drawn ones; ready to be walked."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from simulator import battery, timeline
from simulator.battery.kernel import FloatArray
from simulator.engine import LaneValues, Setting, histories, pack
from simulator.errors import InputError
from simulator.route import RouteWeather, WeatherYears, drawn_years, past_years, route_weather
from simulator.route.parts import asks_for_normals, asks_for_past
from simulator.scenario.parts import Scenario
from simulator.studies.ground import LOAD_SPREAD_FRAC, draw_load_factors, with_load
from simulator.studies.odds import BLOCK_ROWS, MOST_YEARS

SOURCES = ("written", "past", "drawn")
"""The one year that a plain run takes, past years of the archive, years drawn by chance."""
USUAL_DRAWN = 20
"""Years drawn where a trip has no year of its own and nobody said how many."""
KIND_WORDS = {"written": "weather year", "past": "past year", "drawn": "drawn weather year"}


def written_year(scenario: Scenario, clock: timeline.Timeline) -> WeatherYears:
    """Return the weather that a plain run takes, as the only one of its years."""
    single = route_weather(scenario, clock)

    def block(first: int, count: int) -> RouteWeather:
        rain_mm = single.precipitation_mm
        return RouteWeather(
            {name: values[None] for name, values in single.table.items()},
            single.elevation_m,
            single.sources,
            single.notes,
            None if rain_mm is None else rain_mm[None],
        )

    return WeatherYears("written", ("as written",), block, single.sources, single.notes, (False,) * len(scenario.stops))


def usual_kind(scenario: Scenario, years: int | None) -> str:
    """Where the years come from when nobody said: without a count the trip's own year, unless that would be drawn."""
    if years is None:
        return "drawn" if any(map(asks_for_normals, scenario.stops)) else "written"
    return "past" if any(map(asks_for_past, scenario.stops)) else "drawn"


@dataclass(frozen=True)
class YearChoice:
    """What a person asked for about the years of weather, checked and complete."""

    kind: str
    years: int
    seed: int
    load_spread_frac: float
    """Of the load of a day about the audit; 0 for the trip's own year, as in a plain run."""

    def find(self, scenario: Scenario, clock: timeline.Timeline) -> WeatherYears:
        """Get the years along one layout of the route."""
        if self.kind == "written":
            return written_year(scenario, clock)
        if self.kind == "past":
            return past_years(scenario, clock, self.seed)
        return drawn_years(scenario, clock, self.years, self.seed)


def choose_years(
    scenario: Scenario,
    years: int | None,
    seed: int | None = None,
    source: str | None = None,
    load_spread_frac: float | None = None,
    mistakes: Sequence[str] = (),
) -> YearChoice:
    """Check what was asked for, and complete it.

    ``mistakes`` are those found elsewhere, so that all are told at once.

    Raises
    ------
    InputError
        A count, seed, spread or source that cannot be.
    """
    found = list(mistakes)
    seed = scenario.seed if seed is None else seed
    if source is not None and source not in SOURCES:
        found.append(f'--source: expected one of {", ".join(SOURCES)}, got "{source}"')
    if years is not None and not 1 <= years <= MOST_YEARS:
        found.append(f"--years: expected a whole number from 1 to {MOST_YEARS}, got {years}")
    if not 0 <= seed < 2**63:
        found.append(f"--seed: expected a whole number from 0 on, got {seed}")
    if load_spread_frac is not None and not 0.0 <= load_spread_frac <= 1.0:
        found.append(f"--load-spread: expected a share from 0 to 1 (0.15 is usual), got {load_spread_frac:g}")
    if found:
        raise InputError(found)
    kind = source or usual_kind(scenario, years)
    usual_spread = 0.0 if kind == "written" else LOAD_SPREAD_FRAC
    return YearChoice(
        kind,
        1 if kind == "written" else years or USUAL_DRAWN,
        seed,
        usual_spread if load_spread_frac is None else load_spread_frac,
    )


@dataclass(frozen=True, eq=False)
class YearBlock:
    """Some of the years as rows of one setting.

    ``setting.inputs`` has one load row, the audit; ``factors`` (years, days) are on each day's load.
    """

    first: int
    count: int
    setting: Setting
    factors: FloatArray

    def with_loads(self, rows: FloatArray) -> Setting:
        """Load rows ``(rows, days)`` of factors on the audit's days."""
        return with_load(self.setting, rows)

    def walk(self, setting: Setting, lanes: Sequence[LaneValues], threads: int | None) -> battery.Walk:
        """Walk lanes of the scenario's own bank through the hours of a setting of this block."""
        bank = setting.scenario.bank
        design = battery.stack_lanes(list(lanes))
        curve, capacity = battery.pack_curve(bank)
        state = battery.start_state(design, bank.start_soc, setting.inputs.bay_c[design.bay_row, 0, 0])
        return battery.walk(design, setting.inputs, curve[None], capacity[None], state, threads=threads)


def year_blocks(
    scenario: Scenario, clock: timeline.Timeline, found: WeatherYears, choice: YearChoice, rows: int = BLOCK_ROWS
) -> Iterator[YearBlock]:
    """Make all years a block at a time."""
    years = len(found.names)
    for first in range(0, years, rows):
        count = min(rows, years - first)
        setting = histories(scenario, clock, found.block(first, count), questions=False)
        factors = draw_load_factors(count, clock.days, choice.load_spread_frac, choice.seed, first)
        yield YearBlock(first, count, setting, factors)


def base_lanes(scenario: Scenario, years: int) -> list[LaneValues]:
    """One lane a year of the design as it stands; load rows are numbered by the year."""
    base = pack(scenario)
    return [base | {"sun_row": year, "bay_row": year, "load_row": year} for year in range(years)]
