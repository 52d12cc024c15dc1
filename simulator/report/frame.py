"""The frame that every page shares: the answer on top, parts below it, cautions and the scenario at the end.

A page is one HTML file that needs nothing else: no script, nothing fetched. A new one takes three steps and no template:

1. Build its parts from the pieces below, say in ``report/NAME_page.py``::

       parts = (
           Part("changes", "What each change does", (Bars("Changes, the best first", ("Change", "Flat days left"), rows),)),
           Part("designs", "The designs side by side", (Grid("One row a design", head, rows, numeric=(1, 2)),)),
       )

2. Hand them over with the answer; the links, the cautions, the assumptions and the scenario come by themselves::

       return render(Page(kind="Comparison", scenario=scenario, when=..., answer=Answer("good", "Carries", sentence),
                          numbers=..., parts=parts, reading=..., weather=..., notes=...), scenario_text)

3. Write it with the other files of the command (``report/files.py``), and add it to the pages in ``tests/test_browser.py``: the
   rules for colour, keyboard, telephone, paper and screen readers are then tested for it.

The page of a run has a template of its own (``page.html.j2``), which fills the same frame.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any, ClassVar, TypeAlias

import jinja2
from markupsafe import Markup

from simulator.report.drawing import Plot
from simulator.report.measures import METRIC, Measures
from simulator.report.sections import Bar, setup
from simulator.report.tables import far_sentences
from simulator.scenario.cautions import cautions_of
from simulator.scenario.parts import Scenario
from simulator.version import package_version

ScenarioText: TypeAlias = str | Sequence[tuple[str, str]] | None
"""A scenario as written, or the name and text of each of several."""
STATES = ("flat", "thin", "good")
"""What an answer, a day or a stop can be; each has a sign of its own."""


@dataclass(frozen=True)
class Answer:
    """What stands in the box on top: a sign with two or three words, one sentence, and lines that go on from it."""

    state: str
    sign: str
    sentence: str
    more: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.state not in STATES:
            raise ValueError(f"state: expected one of {', '.join(STATES)}, got {self.state}")


# ---- pieces of a part ----


@dataclass(frozen=True)
class Words:
    """A paragraph; ``note``: in the quieter ink."""

    text: str
    note: bool = False
    kind: ClassVar[str] = "words"


@dataclass(frozen=True)
class Points:
    """A list of sentences."""

    items: Sequence[str]
    kind: ClassVar[str] = "points"


@dataclass(frozen=True)
class Pairs:
    """Names with their words."""

    rows: Sequence[tuple[str, str]]
    kind: ClassVar[str] = "pairs"


@dataclass(frozen=True)
class Bars:
    """A table of amounts, each with a bar; ``head`` names its two or three columns."""

    caption: str
    head: tuple[str, ...]
    rows: Sequence[Bar]
    kind: ClassVar[str] = "bars"


@dataclass(frozen=True)
class Grid:
    """A table; ``numeric`` are the columns set to the right, ``wide``: it may need to be moved sideways on a telephone.

    ``stack``: on a telephone each row becomes a name with its figures below it, each with the head of its column.
    """

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    numeric: Sequence[int] = ()
    wide: bool = False
    stack: bool = False
    kind: ClassVar[str] = "grid"


@dataclass(frozen=True)
class Cell:
    """One figure of a design; the best of its row is marked by a sign and a word."""

    text: str
    best: bool = False


@dataclass(frozen=True)
class Versus:
    """Designs beside each other, a column each; the column of names stays while the others are moved sideways."""

    caption: str
    head: Sequence[str]
    """Of the first column, then of each design."""
    groups: Sequence[tuple[str, Sequence[tuple[str, Sequence[Cell]]]]]
    """Rows under a heading each: name, and a cell a design."""
    kind: ClassVar[str] = "versus"


@dataclass(frozen=True)
class Strip:
    """One line of chips, such as the years of a design."""

    name: str
    words: str
    said: str
    """For somebody who cannot see the chips."""
    chips: Sequence[tuple[str, str]]
    """State and text of each."""


@dataclass(frozen=True)
class Strips:
    """Lines of chips below each other, in the same order in each."""

    rows: Sequence[Strip]
    kind: ClassVar[str] = "strips"


@dataclass(frozen=True)
class Range:
    """A share with its interval, all 0..1."""

    words: str
    low: float
    share: float
    high: float
    number: str
    more: str


@dataclass(frozen=True)
class Ranges:
    """A table of shares, each with its interval drawn; ``head`` names its three columns."""

    caption: str
    head: tuple[str, str, str]
    rows: Sequence[Range]
    kind: ClassVar[str] = "ranges"


@dataclass(frozen=True)
class Picture:
    """A picture with its legend (kind in the style sheet, words) and its text below."""

    plot: Plot
    legend: Sequence[tuple[str, str]] = ()
    tall: bool = False
    kind: ClassVar[str] = "picture"


@dataclass(frozen=True)
class Fold:
    """Pieces behind a line that opens."""

    summary: str
    pieces: Sequence[Any]
    kind: ClassVar[str] = "fold"


@dataclass(frozen=True)
class Beside:
    """Two sets of pieces, side by side where there is room."""

    left: Sequence[Any]
    right: Sequence[Any]
    kind: ClassVar[str] = "beside"


@dataclass(frozen=True)
class Headed:
    """Pieces below a heading of their own."""

    head: str
    pieces: Sequence[Any]
    kind: ClassVar[str] = "headed"


@dataclass(frozen=True)
class Part:
    """A part of the page: its key for links, its heading, its pieces, and its words in the list of links."""

    key: str
    head: str
    pieces: Sequence[Any]
    link: str = ""


@dataclass(frozen=True)
class Page:
    """Everything of a page but the frame itself."""

    kind: str
    """What kind of run it is, in a word or two."""
    scenario: Scenario
    when: str
    answer: Answer
    numbers: Sequence[tuple[str, str, str]]
    """Name, figure and a line of explanation."""
    parts: Sequence[Part]
    reading: Sequence[tuple[str, str]]
    """Words of the page and what they mean."""
    reading_intro: str
    weather: Sequence[str]
    assumptions: Sequence[str] = ()
    """What this kind of run takes for granted, each with its source."""
    notes: Sequence[str] = ()
    more_setup: Sequence[tuple[str, str]] = ()
    cautions: Sequence[str] = ()
    """Of every design that the page speaks of; left out: those of the scenario."""


FLAT_DAY = ("Flat day", "A local day on which essential load went unserved because the bank was empty.")
"""For the words that a page of many designs or changes explains."""
UNKNOWN = "?"
"""A figure that nobody wrote."""


def more_note(count: int, words: str) -> tuple[Words, ...]:
    """A line on the rows that a table leaves out, if there are any."""
    return (Words(f"And {count:,} {words}", note=True),) if count > 0 else ()


def unweighed_note(missing: Iterable[str]) -> tuple[Words, ...]:
    """A line on parts whose weight nobody wrote, if there are any."""
    names = ", ".join(missing)
    return (Words(f"Weights are without what has no weight written: {names}.", note=True),) if names else ()


def head_words(*parts: str) -> str:
    """The line above the title: what was looked at, and over what."""
    return ", ".join(parts)


def added_words(added: Sequence[str]) -> tuple[str, ...]:
    """A line on what was added for this answer alone."""
    if not added:
        return ()
    names = " and ".join(f'"{each}"' for each in added)
    return (f"With {names} added for this answer; the scenario file at the end of the page is without it.",)


def _files(scenario_text: ScenarioText) -> Sequence[tuple[str, str]]:
    """Scenario files with the line that opens each."""
    if scenario_text is None:
        return ()
    return (("The file as it was run", scenario_text),) if isinstance(scenario_text, str) else scenario_text


@cache
def _environment() -> tuple[jinja2.Environment, Markup]:
    here = resources.files("simulator.report")
    loader = jinja2.FunctionLoader(lambda name: (here / name).read_text(encoding="utf-8"))
    environment = jinja2.Environment(
        loader=loader, autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    return environment, Markup((here / "page.css").read_text(encoding="utf-8"))


def fill(
    template: str,
    scenario: Scenario,
    scenario_text: ScenarioText,
    generated: Mapping[str, str] | None,
    measures: Measures = METRIC,
    cautions: Sequence[str] = (),
    **given: Any,
) -> str:
    """Fill a template that extends the frame; the seed and the checksum are those of the scenario.

    So are the cautions, unless others are handed in.
    """
    environment, style = _environment()
    if generated is None:
        generated = {"flatdays": package_version(), "seed": str(scenario.seed)}
        generated |= {"scenario sha256": scenario.sha256} if scenario.sha256 else {}
    return environment.get_template(template).render(
        style=style,
        title=scenario.title,
        cautions=[measures.sentence(one) for one in cautions or cautions_of([scenario])],
        defaults=[measures.sentence(default) for default in scenario.defaults_used],
        files=_files(scenario_text),
        generated=generated,
        **given,
    )


def render(
    page: Page,
    scenario_text: ScenarioText = None,
    generated: Mapping[str, str] | None = None,
    measures: Measures = METRIC,
) -> str:
    """Draw a page that is built of pieces.

    Parameters
    ----------
    page : Page
    scenario_text : str or sequence of (str, str), optional
        The scenario as written, or the name and text of each of several; left out: that part of the page is left out too.
    generated : mapping of str to str, optional
        Names and values for the last line of the page. Left out: version, seed and checksum of the scenario.
    measures : Measures
        Units of the cautions, assumptions, notes and sources; the page's own parts come as they are handed in.

    Returns
    -------
    str
        HTML without script, without a reference to anything outside it, without clock time of its making.
    """
    return fill(
        "pieces.html.j2",
        page.scenario,
        scenario_text,
        generated,
        measures,
        page.cautions,
        kind=page.kind,
        when=page.when,
        answer=replace(page.answer, more=(*far_sentences(page.scenario, measures), *page.answer.more)),
        numbers=page.numbers,
        parts=page.parts,
        links=[(part.key, part.link or part.head) for part in page.parts],
        reading=page.reading,
        reading_intro=page.reading_intro,
        weather=[measures.sentence(source) for source in page.weather],
        assumptions=[measures.sentence(one) for one in page.assumptions],
        notes=[measures.sentence(note) for note in page.notes],
        setup=[*setup(page.scenario), *page.more_setup],
    )
