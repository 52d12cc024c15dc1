"""The hand calculation that people know, beside the simulated answer, and the reasons for the difference.

The battery is sized as in the practice of IEEE 1013 (lead-acid batteries of stand-alone solar systems): ampere-hours a day times
days without sun, over the depth that is allowed, with a factor for the cold and a margin. What it cannot know (when the dark
days come, what the sun still brings on them, cells too cold to be charged) the simulation does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil
from typing import Any, Final

import numpy as np

from simulator import timeline
from simulator.battery import kernel as k
from simulator.engine import histories, lanes, run, simulate
from simulator.errors import InputError
from simulator.outcome import Outcome
from simulator.route import route_weather
from simulator.scenario.cautions import AMPERES, cautions_of
from simulator.scenario.parts import Bank, Scenario
from simulator.studies.advice import Advice, advice_summary, advise
from simulator.studies.changes import END_OF_LIFE_SOH, with_parallel, with_soh
from simulator.studies.designs import DesignYears, walk_designs
from simulator.studies.weather_years import choose_years
from simulator.studies.worksheet_reasons import array_ah_per_sun, reasons
from simulator.units import WH_PER_KWH
from simulator.version import package_version

AUTONOMY_DAYS: Final = 3.0
"""Days without sun a worksheet counts (common practice, no source: two to five in a vehicle)."""
MARGIN: Final = 0.10
"""Design margin (common practice of IEEE 1013 and 485 worksheets, from memory: 10 to 15 %)."""
DAILY_DEPTH: Final = {"lead": 0.2}
"""Deepest daily discharge of a lead-acid bank that is to last (common practice, no source); lithium: the planning share."""
GOOD_RATIO: Final = 1.1
SAFE_RATIO: Final = 1.3
"""Array over load: 1.1 to 1.2 where a gap may be borne, 1.3 to 1.4 where it may not (IEEE 1562, from memory)."""


def adjusted_ah(
    daily_ah: float,
    autonomy_days: float,
    *,
    depth_frac: float,
    daily_depth_frac: float,
    end_frac: float,
    temperature_factor: float,
    margin_factor: float,
) -> float:
    """Size a bank as in the practice of IEEE 1013.

    Parameters
    ----------
    daily_ah : load of a day at the bus [Ah].
    autonomy_days : days the bank carries it alone.
    depth_frac : deepest discharge allowed, 0..1.
    daily_depth_frac : deepest discharge of an ordinary day, 0..1.
    end_frac : share of its capacity at which the bank is replaced, 0..1.
    temperature_factor : 1 at 25 C, more in the cold.
    margin_factor : 1.1 for a margin of 10 %.

    Returns
    -------
    float
        Rated ampere-hours: the largest of ``daily * days / depth``, ``daily / daily depth`` and ``daily * days / end``,
        times both factors [1]_.

    References
    ----------
    .. [1] IEEE Std 1013-2007, Recommended Practice for Sizing Lead-Acid Batteries for Stand-Alone Photovoltaic Systems.
    """
    unadjusted_ah = daily_ah * autonomy_days
    needed_ah = max(unadjusted_ah / depth_frac, daily_ah / daily_depth_frac, unadjusted_ah / end_frac)
    return needed_ah * temperature_factor * margin_factor


def temperature_factor(bank: Bank, cell_c: float) -> float:
    """How much more capacity the cold asks for: one over the share that can be drawn at that cell temperature, at least 1.

    For lead-acid that share is from table 1 of IEEE 485-2010; for lithium iron phosphate it is the preset's.
    """
    frac = float(np.interp(cell_c, bank.curve.capacity_temp_c, bank.curve.capacity_frac))
    return max(1.0, 1.0 / frac)


@dataclass(frozen=True)
class HandStop:
    """Sun and array of one stop by hand; None: no array, or no load."""

    name: str
    sun_kwh_m2_day: float
    array_to_load: float | None
    harvest_ratio: float | None
    """The same as simulated: what sun and chargers bring over what the load takes."""


@dataclass(frozen=True, eq=False)
class Worksheet:
    """The hand calculation and the simulation, side by side."""

    scenario: Scenario
    outcome: Outcome
    audit: tuple[tuple[str, float], ...]
    """Name and watt-hours a day at the bus of every line."""
    daily_wh: float
    daily_ah: float
    autonomy_days: float
    depth_frac: float
    daily_depth_frac: float
    end_frac: float
    coldest_c: float
    temperature_factor: float
    margin: float
    unadjusted_ah: float
    adjusted_ah: float
    hand_parallel: int
    """Units in parallel by hand."""
    hand_days: float
    """Days the bank as proposed carries by hand, down to the planning line."""
    stops: tuple[HandStop, ...]
    flat_days_worn: int
    """Flat days of the bank as proposed when it has 80 % of its capacity left."""
    flat_days_hand: int
    """Flat days of the bank that the hand calculation asks for."""
    lowest_soc_hand: float
    many: DesignYears | None
    """Over many weather years, if asked for: the bank as proposed, the one by hand, the one as proposed when worn."""
    seed: int
    many_sources: tuple[str, ...]
    """Weather of the many years."""
    reasons: tuple[str, ...]
    advice: Advice

    @property
    def cautions(self) -> tuple[str, ...]:
        """Of the system, and of reading amperes off a sheet."""
        return cautions_of([self.scenario], [AMPERES])


def mistakes_in(autonomy_days: float, margin: float, daily_depth: float | None) -> list[str]:
    """Sentences on numbers that cannot be."""
    mistakes = []
    if not 0.1 <= autonomy_days <= 60.0:
        mistakes.append(f"--autonomy: expected 0.1 to 60 days, got {autonomy_days:g}")
    if not 0.0 <= margin <= 2.0:
        mistakes.append(f"--margin: expected a share from 0 to 2 (0.10 is usual), got {margin:g}")
    if daily_depth is not None and not 0.01 <= daily_depth <= 1.0:
        mistakes.append(f"--daily-depth: expected a share from 0.01 to 1, got {daily_depth:g}")
    return mistakes


def worksheet(
    scenario: Scenario,
    autonomy_days: float = AUTONOMY_DAYS,
    margin: float = MARGIN,
    daily_depth: float | None = None,
    years: int | None = None,
    seed: int | None = None,
    threads: int | None = None,
) -> Worksheet:
    """Do the hand calculation and the simulation.

    Parameters
    ----------
    scenario : a finished scenario.
    autonomy_days : days without sun the hand calculation counts, 0.1 to 60.
    margin : its margin, 0..2.
    daily_depth : deepest discharge of an ordinary day, 0.01..1; None: 0.2 for lead-acid, the planning share for lithium.
    years : also over so many drawn weather years (past ones if a stop asks for them); None: only the year of a plain run.
    seed : of their chance; None takes the scenario's.
    threads : the answer does not depend on it.

    Raises
    ------
    InputError
        A number cannot be, nothing draws power, or a weather file cannot be used.
    """
    wrong = mistakes_in(autonomy_days, margin, daily_depth)
    choice = choose_years(scenario, years, seed, None if years is not None else "written", mistakes=wrong)
    clock = timeline.build_timeline(scenario)
    setting = histories(scenario, clock, route_weather(scenario, clock))
    outcome = run(setting, *lanes(setting), threads)
    bank, bus_v = scenario.bank, scenario.vehicle.bus_v
    # The audit is a mean over the whole trip; a day by hand is one on which somebody lives off the bank, not one in storage.
    lived_h = int((~clock.stored).sum())
    audit = tuple((line.name, line.wh_per_day * clock.hours / max(lived_h, 1)) for line in setting.load.audit)
    daily_wh = sum(wh for _, wh in audit)
    if daily_wh <= 0.0:
        raise InputError("expected a load on the bank, got none on the whole trip: there is nothing to size.")
    daily_ah = daily_wh / bus_v
    lived = ~clock.stored if lived_h else np.ones(clock.hours, dtype=bool)
    coldest_c = float(outcome.hours[lived, k.CELL_END_C].min())
    factor = temperature_factor(bank, coldest_c)
    depth = bank.usable_frac
    per_day = daily_depth if daily_depth is not None else depth if bank.chemistry == "lfp" else min(depth, DAILY_DEPTH["lead"])
    needed_ah = adjusted_ah(
        daily_ah,
        autonomy_days,
        depth_frac=depth,
        daily_depth_frac=per_day,
        end_frac=END_OF_LIFE_SOH,
        temperature_factor=factor,
        margin_factor=1.0 + margin,
    )
    hand_parallel = max(1, ceil(needed_ah / bank.unit_ah - 1e-9))
    designs = [scenario, with_parallel(scenario, hand_parallel), with_soh(scenario)]
    by_hand, worn = (simulate(design, threads) for design in designs[1:])
    many: DesignYears | None = None
    many_sources: tuple[str, ...] = ()
    if years is not None:
        weather = choice.find(scenario, clock)
        many = walk_designs(designs, weather, seed=choice.seed, load_spread_frac=choice.load_spread_frac, threads=threads)
        many_sources = weather.sources
    ghi = np.asarray(setting.weather.table["ghi"])
    stops = []
    for place, stop in enumerate(scenario.stops):
        here = clock.stop == place
        # A vehicle that is stored for a part of the stay is judged by the rest of it.
        here = here & lived if (here & lived).any() else here
        sun = float(ghi[here].mean() * 24.0 / WH_PER_KWH) if here.any() else 0.0
        label = f"{stop.number} {stop.name}"
        asked = bool((here & ~clock.stored).any())
        ratio = sun * array_ah_per_sun(scenario) / daily_ah if scenario.arrays and asked else None
        stops.append(HandStop(label, sun, ratio, outcome.harvest_ratio_by_stop[label]))
    direct = {it.name for it in scenario.appliances if it.bus == "dc"}
    dc_wh = sum(wh for name, wh in audit if name in direct)
    found = Worksheet(
        scenario=scenario,
        outcome=outcome,
        audit=audit,
        daily_wh=daily_wh,
        daily_ah=daily_ah,
        autonomy_days=autonomy_days,
        depth_frac=depth,
        daily_depth_frac=per_day,
        end_frac=END_OF_LIFE_SOH,
        coldest_c=coldest_c,
        temperature_factor=factor,
        margin=margin,
        unadjusted_ah=daily_ah * autonomy_days,
        adjusted_ah=needed_ah,
        hand_parallel=hand_parallel,
        hand_days=bank.unit_ah * bank.in_parallel * depth / daily_ah,
        stops=tuple(stops),
        flat_days_worn=len(worn.flat_days),
        flat_days_hand=len(by_hand.flat_days),
        lowest_soc_hand=by_hand.lowest[0],
        many=many,
        seed=choice.seed,
        many_sources=many_sources,
        reasons=(),
        advice=advise(scenario, daily_wh, dc_wh),
    )
    return replace(found, reasons=tuple(reasons(found)))


def worksheet_summary(found: Worksheet) -> dict[str, Any]:
    """Hand and simulation as one object for other programs; no NaN, no clock time, no path."""
    outcome = found.outcome
    autonomy = outcome.autonomy_days
    return {
        "flatdays": package_version(),
        "scenario": found.scenario.title,
        "scenario_sha256": found.scenario.sha256,
        "weather": list(outcome.weather_sources),
        "seed": found.seed,
        "audit_wh_per_day": {name: round(wh, 1) for name, wh in found.audit},
        "by_hand": {
            "load_wh_per_day": round(found.daily_wh, 1),
            "load_ah_per_day": round(found.daily_ah, 2),
            "autonomy_days": found.autonomy_days,
            "depth_frac": found.depth_frac,
            "daily_depth_frac": found.daily_depth_frac,
            "end_frac": found.end_frac,
            "coldest_cell_c": round(found.coldest_c, 1),
            "temperature_factor": round(found.temperature_factor, 4),
            "margin": found.margin,
            "unadjusted_ah": round(found.unadjusted_ah, 1),
            "adjusted_ah": round(found.adjusted_ah, 1),
            "units_in_parallel": found.hand_parallel,
            "days_of_the_bank_as_proposed": round(found.hand_days, 2),
            "stops": [
                {
                    "stop": stop.name,
                    "sun_kwh_m2_day": round(stop.sun_kwh_m2_day, 3),
                    "array_to_load": None if stop.array_to_load is None else round(stop.array_to_load, 3),
                }
                for stop in found.stops
            ],
        },
        "simulated": {
            "units_in_parallel": found.scenario.bank.in_parallel,
            "days": outcome.timeline.days,
            "flat_days": len(outcome.flat_days),
            "lowest_soc": round(outcome.lowest[0], 4),
            "days_without_sun": None if autonomy is None else round(autonomy, 2),
            "flat_days_at_end_of_life": found.flat_days_worn,
            "flat_days_of_the_bank_by_hand": found.flat_days_hand,
            "lowest_soc_of_the_bank_by_hand": round(found.lowest_soc_hand, 4),
            "harvest_ratio": {
                stop.name: None if stop.harvest_ratio is None else round(stop.harvest_ratio, 3) for stop in found.stops
            },
        },
        "over_many_years": None
        if found.many is None
        else {
            "years": len(found.many.year_names),
            "source": list(found.many_sources),
            **{
                name: {
                    "flat_days_mean": round(float(found.many.flat_days[place].mean()), 3),
                    "flat_days_worst": int(found.many.worst_flat_days[place]),
                    "flat_free_share": round(float(found.many.flat_free_share[place]), 4),
                }
                for place, name in enumerate(("as_proposed", "by_hand", "as_proposed_at_end_of_life"))
            },
        },
        "reasons": list(found.reasons),
        "bus_and_inverter": advice_summary(found.advice),
        "cautions": list(found.cautions),
    }
