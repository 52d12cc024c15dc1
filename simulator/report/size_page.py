"""The page of a sizing: which design to buy, safety against price, what limit binds, the next step, and what was walked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil

import numpy as np

from simulator.battery.kernel import FloatArray
from simulator.report import drawing
from simulator.report import sizing as told
from simulator.report.drawing import WIDTH, Mark, Plot, Shape, Tick
from simulator.report.frame import (
    FLAT_DAY,
    UNKNOWN,
    Answer,
    Cell,
    Fold,
    Grid,
    Page,
    Pairs,
    Part,
    Picture,
    Points,
    ScenarioText,
    Versus,
    Words,
    head_words,
    more_note,
    render,
    unweighed_note,
)
from simulator.report.measures import METRIC, Measures
from simulator.report.words import plural_text
from simulator.studies.grid import Axis, Design
from simulator.studies.odds import clopper_pearson
from simulator.studies.sizing import Sizing

MOST_ROWS = 250
"""Designs in the folded table; the CSV has all."""
LEAST_SPAN_SHARE = 0.1
"""The scale of the shares spans at least this, so that a small difference does not look like a large one."""
MOST_TOLD = 8
LABEL_ROOM_PCT = 86.0
AXIS_WORDS = {
    "in_parallel": "units in parallel",
    "in_series": "units in series",
    "bus_v": "bus voltage",
    "tilt_deg": "tilt of the panels",
    "generator": "generator",
}


def _share_words(found: Sizing, design: Design) -> str:
    share = found.flat_free_share(design)
    if share is None:
        return "not walked to the end"
    years = found.target.years
    low, high = clopper_pearson(round(share * years), years)
    return f"{told.percent(share)} ({told.percent(low)} to {told.percent(high)})"


def _life_words(found: Sizing, design: Design) -> str:
    life = found.life_years.get(design.number)
    return UNKNOWN if life is None else f"about {life:.0f} years"


def _score_words(found: Sizing, design: Design) -> str:
    least = "" if found.is_whole(design) else "at least "
    return f"{least}{found.score(design)}"


def _score_head(found: Sizing) -> str:
    return "Flat days, worst year" if found.target.flat_days is not None else "Years with a flat day"


def _known(value: float, missing: Sequence[str], shown: str) -> str:
    return UNKNOWN if missing else shown


def _answer(found: Sizing) -> Answer:
    usual = told.usual_words(found)
    target = f"The target: {told.target_words(found)}, {_capacity_words(found)}.{' ' if usual else ''}{usual}"
    if found.cheapest is None:
        assert found.nearest is not None
        nearest = f"Nearest comes {told.design_words(found, found.nearest)}: {told.result_words(found, found.nearest)}."
        return Answer("flat", "No design meets the target", told.verdict(found), (target, nearest))
    came = told.result_words(found, found.cheapest)
    return Answer("good", "A design meets the target", told.verdict(found), (target, f"It came to {came}."))


def _capacity_words(found: Sizing) -> str:
    return f"with the bank worn to {told.percent(found.soh)} of its capacity" if found.soh < 1.0 else "with a bank that is new"


def _numbers(found: Sizing, measures: Measures) -> list[tuple[str, str, str]]:
    within = sum(not design.over for design in found.grid.designs)
    met = int(found.met.sum())
    ran = found.lane_hours - found.lane_hours_beyond
    figures = []
    if found.cheapest is not None:
        figures.append(("Cheapest", told.money(found.cheapest.parts.price, found), told.design_words(found, found.cheapest)))
    if found.lightest is not None:
        figures.append(("Lightest", measures.mass(found.lightest.parts.mass_kg), told.design_words(found, found.lightest)))
    if found.longest_lived is not None:
        figures.append(("Longest-lived", _life_words(found, found.longest_lived), told.design_words(found, found.longest_lived)))
    return [
        *figures,
        ("Meet the target", f"{met:,} of {within:,}", "designs within the limits"),
        ("Weather", plural_text(found.target.years, "year"), f"of {plural_text(found.days, 'day')} each"),
        ("Walked", f"{ran / max(found.lane_hours_whole, 1):.0%}", f"{ran:,} of {found.lane_hours_whole:,} lane-hours"),
    ]


def _picks(found: Sizing, measures: Measures) -> Versus:
    """The named designs beside each other."""
    named = [("Cheapest", found.cheapest), ("Lightest", found.lightest), ("Longest-lived", found.longest_lived)]
    named += [("Nearest", found.nearest)]
    columns: list[tuple[list[str], Design]] = []
    for word, design in named:
        if design is None:
            continue
        same = next((words for words, other in columns if other.number == design.number), None)
        if same is None:
            columns.append(([word], design))
        else:
            same.append(word.lower())
    designs = [design for _, design in columns]

    def row(name: str, cells: list[str]) -> tuple[str, list[Cell]]:
        return name, [Cell(text) for text in cells]

    what = [row("bank", [told.bank_words(design) for design in designs])]
    what += [
        row(_axis_words(axis), [_value_words(found, axis, design) for design in designs])
        for axis in found.grid.axes
        if axis.name not in ("in_parallel", "in_series", "chemistry")
    ]
    parts = [design.parts for design in designs]
    size = [
        row("price", [told.money(each.price, found) for each in parts]),
        row("weight", [_known(each.mass_kg, found.grid.mass_missing, measures.mass(each.mass_kg)) for each in parts]),
        row(
            "room of the bank",
            [_known(each.volume_l, each.missing["volume_l"], measures.volume(each.volume_l)) for each in parts],
        ),
    ]
    if any(each.roof_m2 or each.missing["roof_m2"] for each in parts):
        size.append(row("roof", [_known(each.roof_m2, each.missing["roof_m2"], measures.area(each.roof_m2)) for each in parts]))
    does = [
        row(_score_head(found).lower(), [_score_words(found, design) for design in designs]),
        row("years without a flat day (95 % sure)", [_share_words(found, design) for design in designs]),
        row("bank lasts", [_life_words(found, design) for design in designs]),
    ]
    head = ("", *(f"{' and '.join(words)}" for words, _ in columns))
    return Versus(
        "The designs to choose from",
        ("Figure", *head[1:]),
        [("What it is", what), ("What it takes", size), ("What it does", does)],
    )


def _axis_words(axis: Axis) -> str:
    if axis.name.startswith("panels "):
        return f'panels on "{axis.name.removeprefix("panels ")}"'
    return AXIS_WORDS.get(axis.name, axis.name)


def _value_words(found: Sizing, axis: Axis, design: Design) -> str:
    value = design.choice[axis.name]
    if axis.name.startswith("panels "):
        name = axis.name.removeprefix("panels ")
        array = next((each for each in design.fresh.arrays if each.name == name), None)
        return "none" if array is None else f"{array.in_series * array.in_parallel} x {array.panel.p_w:g} W"
    return _plain(axis, value)


def _plain(axis: Axis, value: object) -> str:
    """One value of an axis."""
    if isinstance(value, bool):
        return "with" if value else "without"
    unit = {"tilt_deg": " degrees", "bus_v": " V"}.get(axis.name, "")
    return f"{value:g}{unit}" if isinstance(value, (int, float)) else f"{value}"


def _dots(prices: FloatArray, shares: FloatArray) -> str:
    """Points without length: a round line end makes each a round dot, however the box is stretched."""
    up = drawing.height(shares)
    return "".join(f"M{drawing.number(x)} {drawing.number(y)}h0" for x, y in zip(prices, up, strict=True))


def front_plot(found: Sizing) -> Plot | None:
    """Safety against price: every design whose odds are known, and the line of the best for each price."""
    known = [design for design in found.grid.designs if found.is_whole(design) and not design.over]
    if len(known) < 2 or len(found.front) < 1:
        return None
    prices = np.array([design.parts.price for design in known])
    shares = np.array([found.flat_free_share(design) or 0.0 for design in known])
    step = drawing.nice_ceiling(max(float(np.ptp(prices)), 1.0) / 4.0)
    left = step * np.floor(float(prices.min()) / step)
    right = max(step * ceil(float(prices.max()) / step), left + step)
    floor = max(0.0, min(float(shares.min()), 1.0 - LEAST_SPAN_SHARE))
    floor = np.floor(floor * 20.0) / 20.0

    def across(values: FloatArray) -> FloatArray:
        # Room at both sides, so that a dot at the edge is whole.
        return np.asarray(20.0 + (WIDTH - 40.0) * (values - left) / (right - left))

    def upward(values: FloatArray) -> FloatArray:
        return np.asarray((values - floor) / (1.0 - floor))

    front_x = across(np.array([design.parts.price for design in found.front]))
    front_share = np.array([found.flat_free_share(design) or 0.0 for design in found.front])
    corners = np.append(front_x, across(np.array([right])))
    picked = [design for design in (found.cheapest,) if design is not None]
    marks_at = np.arange(left, right + step / 2.0, step)
    places = across(marks_at) / WIDTH * 100.0
    ticks = tuple(
        Tick(told.money(float(value), found), float(place), wide_only=number % 2 == 1)
        for number, (value, place) in enumerate(zip(marks_at, places, strict=True))
        if place <= LABEL_ROOM_PCT
    )
    grid = "".join(f"M{drawing.number(float(x))} 0V100" for x in across(marks_at))
    steps = [
        f"{told.money(design.parts.price, found)} for {told.percent(share)}"
        for design, share in zip(found.front, front_share, strict=True)
    ]
    more = f" and {len(steps) - MOST_TOLD} more steps" if len(steps) > MOST_TOLD else ""
    span = told.percent(floor)
    text = (
        f"Share of years without a flat day, on a scale from {span} to 100%, against the price, for the {len(known)} designs "
        f"that were walked to the end. The best for each price: {', '.join(steps[:MOST_TOLD])}{more}."
    )
    return Plot(
        key="front",
        title="Safety against price",
        text=text,
        shapes=(
            Shape("grid", grid),
            Shape("level", drawing.level_path(0.0, 0.5, 1.0)),
            Shape("front", drawing.steps_path(corners, upward(front_share))),
            Shape("dot-pick", _dots(across(np.array([d.parts.price for d in picked])), upward(_shares(found, picked)))),
            Shape("dot", _dots(across(prices), upward(shares))),
            Shape("dot-front", _dots(front_x, upward(front_share))),
        ),
        marks=tuple(
            Mark(told.percent(floor + (1.0 - floor) * share), 0.0, float(drawing.height(share)), below=share == 1.0)
            for share in (1.0, 0.5, 0.0)
        ),
        ticks=ticks,
    )


def _shares(found: Sizing, designs: Sequence[Design]) -> FloatArray:
    return np.array([found.flat_free_share(design) or 0.0 for design in designs])


def _front_part(found: Sizing, measures: Measures) -> Part | None:
    plot = front_plot(found)
    if plot is None:
        return None
    legend = [("dot-front", "the best for its price"), ("dot", "another design")]
    legend += [("dot-pick", "the cheapest that meets the target (ringed)")] if found.cheapest is not None else []
    rows = [
        (
            told.design_words(found, design),
            told.money(design.parts.price, found),
            _share_words(found, design),
            _score_words(found, design),
            _known(design.parts.mass_kg, found.grid.mass_missing, measures.mass(design.parts.mass_kg)),
        )
        for design in found.front
    ]
    head = ("Design", "Price", "Years without a flat day (95 % sure)", _score_head(found), "Weight")
    which = "of all designs" if found.whole else "of the designs that meet the target; --whole shows those below it too"
    return Part(
        "front",
        "More safety for more money",
        (
            Picture(plot, legend, tall=True),
            Grid(f"The best for each price, {which}", head, rows, (1, 2, 3, 4), wide=True),
        ),
        "Safety and price",
    )


def _table(found: Sizing, measures: Measures) -> Fold:
    rows = []
    for design in found.grid.designs[:MOST_ROWS]:
        meets = "yes" if found.met[design.number] else "no"
        if design.over:
            meets = f"beyond {' and '.join(design.over)}"
        walked = found.walked.flat_days[design.number]
        ran = int((walked >= 0).sum())
        rows.append(
            (
                f"{design.number + 1}. {told.design_words(found, design)}",
                told.money(design.parts.price, found),
                _known(design.parts.mass_kg, found.grid.mass_missing, measures.mass(design.parts.mass_kg)),
                meets,
                _score_words(found, design) if ran else "not walked",
                f"{ran} of {found.target.years}",
            )
        )
    head = ("Design", "Price", "Weight", "Meets the target", _score_head(found), "Years walked")
    more = len(found.grid.designs) - len(rows)
    grid = Grid("Designs in the order of price", head, rows, (1, 2), wide=True)
    pieces = (grid, *more_note(more, "dearer ones: designs.csv lists all."))
    return Fold(f"Every design ({len(found.grid.designs):,})", pieces)


def _parts(found: Sizing, measures: Measures) -> list[Part]:
    words = "These meet the target." if found.cheapest is not None else "None meets the target; this one comes nearest."
    lacking: tuple[Words, ...] = (
        (Words(f"Which is the lightest cannot be told without {', '.join(found.grid.mass_missing)}.", note=True),)
        if found.grid.mass_missing
        else ()
    )
    best = found.cheapest or found.nearest
    unweighed = [] if best is None or found.grid.mass_missing else best.parts.missing["mass_kg"]
    lacking = (*lacking, *unweighed_note(unweighed))
    parts = [Part("choice", "What to choose from", (Words(words), _picks(found, measures), *lacking), "The choice")]
    front = _front_part(found, measures)
    parts += [front] if front is not None else []
    limits = list(told.limit_words(found))
    if not limits:
        none = "No limit binds: without any of them the answer would be the same." if found.grid.limits else "No limits were set."
        limits = [none]
    held = [(f"{told.FIGURE_WORDS[limit.figure]} ({limit.said})", f"at most {limit.most:,g}") for limit in found.grid.limits]
    parts.append(
        Part(
            "limits",
            "Which limit binds",
            (Points([measures.sentence(each) for each in limits]), *([Pairs(held)] if held else [])),
            "Limits",
        )
    )
    steps = told.step_rows(found)
    if steps:
        head = ("What", "Becomes", "Price", "Result")
        grid = Grid("Against the cheapest design that meets the target", head, steps, wide=True)
        parts.append(Part("steps", "One step up or down", (grid,), "Next steps"))
    varied = [(_axis_words(axis), ", ".join(_plain(axis, value) for value in axis.values)) for axis in found.grid.axes]
    parts.append(
        Part(
            "walked",
            "What was tried",
            (Pairs(varied), Words(" ".join(told.walked_words(found))), _table(found, measures)),
            "What was tried",
        )
    )
    return parts


READING = (
    ("Design", "One combination of what was varied; everything else is as the scenario has it."),
    (
        "Meets the target",
        "Walked through every year of weather, worn as the target says, and it ran flat no oftener than was allowed.",
    ),
    FLAT_DAY,
    ("At least", "A design is stopped as soon as its target is out of reach; it had so many by then."),
    ("Lane-hours", "Hours of simulated time, summed over all designs and years that were walked."),
    ("A limit binds", "Without it there would be a cheaper or a lighter design, or one at all."),
)


def size_page(
    found: Sizing,
    scenario_text: ScenarioText = None,
    generated: Mapping[str, str] | None = None,
    measures: Measures = METRIC,
) -> str:
    """Draw a sizing as one HTML page that needs nothing else.

    Parameters
    ----------
    found : Sizing
    scenario_text, generated, measures : as for :func:`simulator.report.frame.render`.
    """
    kind = "past year" if found.source == "past" else "drawn weather year"
    page = Page(
        kind="Sizing",
        scenario=found.scenario,
        when=head_words(
            plural_text(len(found.grid.designs), "design"),
            plural_text(found.target.years, kind),
            plural_text(found.days, "day"),
        ),
        answer=_answer(found),
        numbers=_numbers(found, measures),
        parts=_parts(found, measures),
        reading=READING,
        reading_intro=(
            "Every design was walked hour by hour through the same weather, in the order of price. No design was skipped because "
            "a smaller one had failed: more bank can also mean more standing draw and other hours of the generator."
        ),
        weather=list(found.weather_sources),
        assumptions=[
            f"The target is met {_capacity_words(found)}; lives are those of the bank as it is bought, estimated as a plain run "
            "does.",
        ],
        notes=told.note_words(found),
        more_setup=[("the list above", 'is of the scenario as it is written; what was varied stands under "What was tried"')],
        cautions=found.cautions,
    )
    return render(page, scenario_text, generated, measures)
