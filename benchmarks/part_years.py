"""Weather and yield: one site-year beside ModelChain, many drawn years beside bare array calls, everything on."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from importlib import import_module

from measure import MILLI, ratio_row, take_turns, time_row
from table import Report, Row

YEARS = 100


def measure_yield(report: Report, repetitions: int) -> None:
    """One site-year through the array chain beside pvlib's ModelChain."""
    yields = import_module("yields")
    table, place = yields.read_site()
    own, ten = yields.own_chain(table, place), yields.own_chain(table, place, years=10)
    chain, alike = yields.model_chain(table, place), yields.model_chain(table, place, "ephemeris")

    def first() -> None:
        yields.forget_panel()
        own()

    mine, ten_rows, theirs, theirs_alike, cold = take_turns([own, ten, chain, alike, first], repetitions)
    report.rows += [
        time_row("yield", "yield of one site-year", mine, "ms", MILLI, note="sun position, light, glass, cells, controller"),
        time_row("yield first", "  with the panel fitted anew", cold, "ms", MILLI),
        time_row("yield ten", "  each of ten weather years on one geometry", ten_rows, "ms", MILLI / 10),
        time_row("ModelChain", "  pvlib ModelChain, as it comes", theirs, "ms", MILLI),
        ratio_row("ModelChain / yield", "  ModelChain / yield", theirs, mine, ">= 5", better="higher"),
        ratio_row("ModelChain alike / yield", "  the same with our sun position", theirs_alike, mine, better="higher"),
        Row(
            "yield energy",
            "  year's energy / ModelChain's",
            "x",
            yields.energy_ratio(own(), chain()),
            better="none",
            note="ModelChain lets diffuse light through the glass unreflected",
        ),
        Row(
            "yield table",
            "  energy missed by the table of best points",
            "share",
            abs(yields.table_error_frac(table, place)),
            expected="<= 3e-4",
            better="none",
        ),
    ]


def measure_years(report: Report, repetitions: int) -> None:
    """Many drawn years: weather and yield beside the bare array calls of pvlib, the whole with its walk, and everything on."""
    drawn = import_module("drawn_years")
    scenario = drawn.route_of_a_year()
    jobs = [drawn.own_weather_and_yield(scenario, YEARS), drawn.bare_years(scenario, YEARS), drawn.own_years(scenario, YEARS, 1)]
    yields, bare, whole = take_turns([partial(_no_result, job) for job in jobs], repetitions)
    report.rows += [
        time_row("drawn year", f"weather and yield of one of {YEARS} drawn years, four stops", yields, "ms", MILLI / YEARS),
        time_row("bare year", "  bare pvlib array calls for it, the sun looked up once", bare, "ms", MILLI / YEARS),
        ratio_row("drawn year / bare", "  drawing and yield / bare calls", yields, bare, "<= 1.2"),
        time_row("whole year", "  with load and walk, one thread", whole, "ms", MILLI / YEARS, note="three lanes a year"),
    ]
    report.check("the first half of the drawn years alone: the same bits", drawn.same_result_in_blocks(scenario, 60))
    full = import_module("full_route")
    route = full.full_route()
    parts = full.whole_and_parts(route)
    found = dict(zip(parts, take_turns([partial(_no_result, job) for job in parts.values()], repetitions), strict=True))
    hours = full.hours_of_trip(route)
    per = MILLI / full.YEARS
    report.rows += [
        time_row("full odds", f"one of {full.YEARS} years of {hours:,} hours, everything on", found["odds"], "ms", per),
        time_row("full weather", "  drawing its weather", found["weather"], "ms", per),
        time_row("full histories", "  its sun, loads, bay and sources", found["histories"], "ms", per),
        time_row("full walk", "  its walk, three lanes", found["walk"], "ms", per),
        ratio_row("full histories / walk", "  histories / walk", found["histories"], found["walk"]),
    ]
    report.check("everything on, on 1 and on 2 threads: the same bits", full.same_on_any_number_of_threads(route, 5))


def _no_result(job: Callable[[], object]) -> None:
    """Call it and drop what it answers."""
    job()
