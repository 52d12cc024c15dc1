"""A sizing in words, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from simulator.report.layout import text_table
from simulator.report.measures import METRIC, Measures
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.studies.costs import CURRENCY
from simulator.studies.grid import Design
from simulator.studies.odds import clopper_pearson
from simulator.studies.sizing import Binding, Sizing, Step

MOST_FRONT = 12
"""Rows of the front that are printed; the table has all."""
FIGURE_WORDS = {"price": "price", "mass_kg": "mass", "volume_l": "volume", "roof_m2": "roof area"}


def bank_words(design: Design) -> str:
    """The bank of a design: units, chemistry, bus."""
    bank = design.fresh.bank
    units = bank.in_parallel if bank.in_series == 1 else f"{bank.in_parallel} x {bank.in_series}"
    return f"{units} x {bank.unit_ah:g} Ah {bank.chemistry_name} on {design.fresh.vehicle.bus_v} V"


def design_words(found: Sizing, design: Design) -> str:
    """A design in words: its bank, and what else is varied."""
    words = [bank_words(design)]
    for axis in found.grid.axes:
        value = design.choice[axis.name]
        if axis.name.startswith("panels "):
            name = axis.name.removeprefix("panels ")
            array = next((each for each in design.fresh.arrays if each.name == name), None)
            words.append(
                f'no panels on "{name}"'
                if array is None
                else f'{array.in_series * array.in_parallel} x {array.panel.p_w:g} W on "{name}"'
            )
        elif axis.name == "tilt_deg":
            words.append("panels flat" if value == 0 else f"panels tilted {value:g} degrees")
        elif axis.name == "generator":
            words.append("with the generator" if value else "without a generator")
    return ", ".join(words)


def money(amount: float, found: Sizing) -> str:
    """An amount in the currency of the scenario."""
    currency = found.scenario.costs.currency
    return f"{amount:,.0f}{f' {currency}' if currency else ''}"


def percent(share: float) -> str:
    """A share as whole percents."""
    return f"{share:.0%}"


def target_words(found: Sizing) -> str:
    """What was to be met."""
    target = found.target
    kind = "past" if found.source == "past" else "drawn weather"
    years = plural(target.years, f"{kind} year")
    if target.flat_days is not None:
        allowed = plural(target.flat_days, "flat day")
        return f"at most {allowed} in the worst of {years}"
    assert target.odds is not None
    return f"no flat day in at least {percent(target.odds)} of {years}"


def usual_words(found: Sizing) -> str:
    """That the target is the usual one, and how another is asked for; empty where it was stated."""
    if "target" not in found.usual:
        return ""
    flags = ["--flat-days 0 or --odds 0.95", *(["--years 30"] if "years" in found.usual else [])]
    worn = ""
    if "soh" in found.usual:
        flags.append("--soh 1")
        worn = f", and {percent(found.soh)} of the capacity is where a bank counts as worn out"
    return (
        f"This is the usual target (common practice, no source), since none was stated{worn}. To ask for another: "
        f"{', '.join(flags)}, or the same keys in [size], such as flat_days = 0."
    )


def result_words(found: Sizing, design: Design) -> str:
    """What a design came to over the years."""
    score = found.score(design)
    least = "" if found.is_whole(design) else "at least "
    if found.target.flat_days is not None:
        said = f"{least}{plural(score, 'flat day')} in the worst year"
    else:
        said = f"a flat day in {least}{score} of {plural(found.target.years, 'year')}"
    share = found.flat_free_share(design)
    if share is None:
        return said
    years = found.target.years
    low, high = clopper_pearson(round(share * years), years)
    return f"{said}; {percent(share)} of years without one (95 % sure: {percent(low)} to {percent(high)})"


def verdict(found: Sizing) -> str:
    if found.cheapest is not None:
        units = f" {CURRENCY}, as written in the scenario" if found.scenario.costs.currency is None else ""
        return (
            f"The cheapest design that meets the target costs {money(found.cheapest.parts.price, found)}{units}: "
            f"{design_words(found, found.cheapest)}."
        )
    assert found.nearest is not None
    where = "of the grid within the limits" if found.grid.limits else "of the grid"
    return f"No design {where} meets the target."


def _answers(found: Sizing, measures: Measures) -> Iterator[str]:
    capacity = f", with the bank worn to {percent(found.soh)} of its capacity" if found.soh < 1.0 else ", with a bank that is new"
    yield f"Target: {target_words(found)}{capacity}"
    if usual_words(found):
        yield f"  {usual_words(found)}"
    named = (("Cheapest", found.cheapest), ("Lightest", found.lightest), ("Longest-lived", found.longest_lived))
    seen: dict[int, str] = {}
    for word, design in named:
        if design is None:
            continue
        if design.number in seen:
            yield f"{word}: the same as the {seen[design.number]} one"
            continue
        seen[design.number] = word.lower()
        life = found.life_years[design.number]
        parts = design.parts
        mass = f", {measures.mass(parts.mass_kg)}" if not found.grid.mass_missing else ""
        yield f"{word}: {design_words(found, design)}"
        yield f"  {money(parts.price, found)}{mass}, the bank lasts about {life:.0f} years; {result_words(found, design)}"
    if found.cheapest is not None and found.grid.mass_missing:
        yield f"Lightest: cannot be told without {', '.join(found.grid.mass_missing)}"
    if found.nearest is not None:
        yield f"Nearest: {design_words(found, found.nearest)}"
        units = f" {CURRENCY}" if found.scenario.costs.currency is None else ""
        yield f"  {money(found.nearest.parts.price, found)}{units}; {result_words(found, found.nearest)}"


def _front(found: Sizing, measures: Measures) -> Iterator[str]:
    if len(found.front) < 2:
        return
    yield "More safety for more money" + ("" if found.whole else " (of the designs that meet the target)")
    rows = []
    for design in found.front[:MOST_FRONT]:
        share = found.flat_free_share(design)
        rows.append(
            (
                money(design.parts.price, found),
                "" if share is None else percent(share),
                str(found.score(design)),
                measures.mass(design.parts.mass_kg),
                design_words(found, design),
            )
        )
    score = "worst year" if found.target.flat_days is not None else "flat years"
    yield from text_table(("price", "years without a flat day", score, "mass", "design"), rows)
    if len(found.front) > MOST_FRONT:
        yield f"  and {len(found.front) - MOST_FRONT} more (--csv FILE has them all)"


def value_words(step: Step, value: object) -> str:
    if step.axis == "generator":
        return "with generator" if value else "no generator"
    unit = {"tilt_deg": " degrees", "bus_v": " V"}.get(step.axis, "")
    return f"{value:g}{unit}" if isinstance(value, (int, float)) else f"{value}"


def step_rows(found: Sizing) -> list[tuple[str, str, str, str]]:
    """Neighbours of the cheapest design: what is changed, what it becomes, the price, the result."""
    rows = []
    for step in found.steps:
        more = step.price_more
        price = "same price" if abs(more) < 0.5 else f"{money(abs(more), found)} {'more' if more > 0 else 'less'}"
        if step.design.over:
            result = f"beyond {' and '.join(step.design.over)}"
        else:
            least = "" if found.is_whole(step.design) else "at least "
            score = found.score(step.design)
            days = plural(score, "flat day") if found.target.flat_days is not None else plural(score, "flat year")
            answer = "meets the target" if found.met[step.design.number] else "does not"
            result = f"{answer}: {least}{days}{' in the worst year' if found.target.flat_days is not None else ''}"
        what = {"in_parallel": "units in parallel", "in_series": "units in series", "bus_v": "bus", "tilt_deg": "tilt"}
        rows.append((what.get(step.axis, step.axis), value_words(step, step.value_to), price, result))
    return rows


def _steps(found: Sizing) -> Iterator[str]:
    if found.steps:
        yield "One step away from the cheapest"
        yield from text_table(("what", "becomes", "price", "result"), step_rows(found))


def _binding_words(found: Sizing, binding: Binding) -> str:
    limit = next(each for each in found.grid.limits if each.said in binding.said)
    design = binding.design
    what = FIGURE_WORDS[limit.figure]
    if binding.better == "meets":
        return (
            f"{binding.said} binds: without it, {design_words(found, design)} would meet the target for "
            f"{money(design.parts.price, found)}."
        )
    gain = f"for {money(design.parts.price, found)}" if binding.better == "cheaper" else f"at {design.parts.mass_kg:,.0f} kg"
    return f"{binding.said} binds ({what}): without it there is a {binding.better} design, {gain}: {design_words(found, design)}."


def limit_words(found: Sizing) -> Iterator[str]:
    for binding in found.binding:
        yield _binding_words(found, binding)
    if not found.binding and found.cheapest is None:
        yield "No limit binds: no design of the grid meets the target even without limits. Widen the ranges."
    best = found.cheapest or found.nearest
    assert best is not None
    for number, axis in enumerate(found.grid.axes):
        ordered = axis.name in ("in_parallel",) or axis.name.startswith("panels ")
        if ordered and len(axis.values) > 1 and found.cheapest is None and best.place[number] == len(axis.values) - 1:
            yield f"{axis.name} = {axis.values[-1]} is the end of its range: try more."


def walked_words(found: Sizing) -> Iterator[str]:
    designs = found.grid.designs
    within = sum(not design.over for design in designs)
    beyond = (
        f"; {len(designs) - within} {'is' if len(designs) - within == 1 else 'are'} beyond a limit"
        if within < len(designs)
        else ""
    )
    ran = found.lane_hours - found.lane_hours_beyond
    share = ran / found.lane_hours_whole
    yield (
        f"{plural(len(designs), 'design')}{beyond}. Walked {ran:,} of {found.lane_hours_whole:,} lane-hours ({percent(share)}): "
        "a design stops when its target is out of reach."
    )
    if found.lane_hours_beyond:
        yield f"Another {found.lane_hours_beyond:,} lane-hours tell which limit binds."


def note_words(found: Sizing) -> list[str]:
    """What a reader must know before buying."""
    notes = [*found.notes, *found.weather_notes]
    if found.target.flat_days is not None and found.target.years < 50:
        notes.append(
            f"The worst of {found.target.years} years is not the worst there is; try the design with flatdays odds before buying."
        )
    if found.scenario.costs.currency is None and found.cheapest is None:
        notes.append(f"Prices are in {CURRENCY} as written in the scenario; [costs] currency names them.")
    return [*notes, "Prices and masses hold what the scenario states: no wires, fuses, mounts or work."]


def size_lines(found: Sizing, measures: Measures = METRIC) -> list[str]:
    """The whole answer, a line each, the verdict first."""
    lines = [found.scenario.title, "", verdict(found), *far_sentences(found.scenario, measures), ""]
    lines += _answers(found, measures)
    for part in (list(_front(found, measures)), list(_steps(found)), list(limit_words(found))):
        if part:
            lines += ["", *part]
    lines += ["", *walked_words(found), "", "Weather", *(f"  - {source}" for source in found.weather_sources)]
    lines += ["Note", *(f"  - {measures.sentence(note)}" for note in note_words(found))]
    return [*lines, *caution_lines(found.cautions, measures)]
