"""How lines meet a terminal: wrapped to its width, tables stacked where they do not fit, a little colour where colour is wanted.

Functions that answer return plain lines; a line may carry a part to play (:class:`Line`) or belong to a table (:class:`Row`).
Both are strings like any other until they are laid out.
"""

from __future__ import annotations

import os
import re
import shutil
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import Final, TextIO

PIPE_COLUMNS: Final = 100
"""Where nobody knows how wide the reader's window is."""
WIDEST_TEXT: Final = 110
"""Longer lines of prose are hard to follow, however wide the window."""
NARROWEST: Final = 20
LEAST_CELL: Final = 22
"""A column of words narrower than this is no longer read as one."""
LEAST_TABLE: Final = 60
"""Below this width a table that does not fit is stacked, never squeezed."""
NUMBER: Final = re.compile(r"-|[-+]?[\d,.]+%?")
BOLD, RESET = "\x1b[1m", "\x1b[0m"
PARTS: Final = {
    "flat": "\x1b[1;31m",
    "thin": "\x1b[1;33m",
    "good": "\x1b[1;32m",
    "answer": BOLD,
    "warning": "\x1b[33m",
    "": "",
}
"""What a line may be; its words say the same, so that nothing hangs on colour."""
_KEPT_TOGETHER = re.compile(r"(?<=\d) (?=(?:k?Wh|Ah|mAh|W|A|V|C|F|h|min|km|mi|kg|lb|m|ft|in|L|gal|days?|years?|cycles?|%)\b|%)")
_LEAD = re.compile(r"\s*(?:- )?")
_BAR = re.compile(r"#*")


class Line(str):
    """A line with a part to play, one of ``PARTS``."""

    part: str

    def __new__(cls, text: str, part: str = "answer") -> Line:
        made = super().__new__(cls, text)
        made.part = part
        return made


class Row(str):
    """A line of a table, which knows its table."""

    table: Table
    place: int
    """-1: the head."""

    def __new__(cls, text: str, table: Table, place: int) -> Row:
        made = super().__new__(cls, text)
        made.table, made.place = table, place
        return made


class Table:
    """Head and body of a table; columns of numbers are set to the right."""

    def __init__(self, head: Sequence[str], body: Iterable[Sequence[str]], indent: int = 2) -> None:
        self.head = tuple(head)
        self.body = [tuple(row) for row in body]
        self.indent = indent
        columns = range(len(self.head))
        self.width = [max(len(line[column]) for line in (self.head, *self.body)) for column in columns]
        self.numeric = [all(NUMBER.fullmatch(row[column]) for row in self.body) for column in columns]

    def rows(self) -> Iterator[Row]:
        """Lines at their natural width."""
        for place, line in enumerate((self.head, *self.body)):
            yield Row(self._line(line, self.width), self, place - 1)

    def _line(self, cells: Sequence[str], width: Sequence[int]) -> str:
        set_out = (
            cell.rjust(wide) if number else cell.ljust(wide)
            for cell, wide, number in zip(cells, width, self.numeric, strict=True)
        )
        return " " * self.indent + "  ".join(set_out).rstrip()

    @property
    def natural(self) -> int:
        """Columns it takes as it is."""
        return max(len(row) for row in self.rows())

    def laid_out(self, columns: int, places: Sequence[int]) -> list[str]:
        """Lines of these rows within so many columns: as they are, with one column of words wrapped, or stacked."""
        lines = [self.head if place < 0 else self.body[place] for place in places]
        if self.natural <= columns:
            return [self._line(line, self.width) for line in lines]
        squeezed = self._squeezed(columns)
        if squeezed is not None:
            return [text for line in lines for text in self._wrapped(line, squeezed)]
        return [text for place in places if place >= 0 for text in self._stacked(self.body[place], columns)]

    def _squeezed(self, columns: int) -> list[int] | None:
        """Widths with the columns of words narrowed to fit; None where too little would be left of them."""
        if columns < LEAST_TABLE:
            return None
        width = list(self.width)
        while True:
            # The gaps between columns count; the widest column of words gives first.
            over = self.indent + sum(width) + 2 * (len(width) - 1) - columns
            if over <= 0:
                return width
            words = [column for column, number in enumerate(self.numeric) if not number and width[column] > LEAST_CELL]
            if not words:
                return None
            widest = max(words, key=lambda column: width[column])
            width[widest] = max(LEAST_CELL, width[widest] - over)

    def _wrapped(self, cells: Sequence[str], width: Sequence[int]) -> Iterator[str]:
        columns = [_pieces(cell, wide) or [""] for cell, wide in zip(cells, width, strict=True)]
        for depth in range(max(map(len, columns))):
            yield self._line([column[depth] if depth < len(column) else "" for column in columns], width)

    def _stacked(self, cells: Sequence[str], columns: int) -> Iterator[str]:
        """One row as a heading and what belongs to it."""
        yield from _filled(" " * self.indent + cells[0], columns)
        rest = [
            f"{head} {cell}" if head else cell
            for head, cell in zip(self.head[1:], cells[1:], strict=True)
            if cell and not _BAR.fullmatch(cell)
        ]
        if rest:
            yield from _filled(" " * (self.indent + 2) + "; ".join(rest), columns)


def text_table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[Row]:
    """Lines of a table; they are laid out anew where they are printed.

    >>> for line in text_table(("stop", "flat days"), [("Lake", "3"), ("Mill", "12")]):
    ...     print(line)
      stop  flat days
      Lake          3
      Mill         12
    """
    yield from Table(head, rows).rows()


def _pieces(text: str, columns: int) -> list[str]:
    held = _KEPT_TOGETHER.sub("\u00a0", text)
    wrapped = textwrap.wrap(held, max(columns, 1), break_long_words=False, break_on_hyphens=False)
    return [piece.replace("\u00a0", " ") for piece in wrapped]


def _filled(line: str, columns: int) -> list[str]:
    """One line of prose in as many as it needs, its list mark or indent hanging."""
    if len(line) <= columns:
        return [line]
    lead = _LEAD.match(line)
    first = lead.group(0) if lead else ""
    pieces = _pieces(line[len(first) :], max(columns - len(first), NARROWEST - len(first)))
    return [f"{first if number == 0 else ' ' * len(first)}{piece}".rstrip() for number, piece in enumerate(pieces)] or [""]


def laid_out(lines: Iterable[str], columns: int, colour: bool = False) -> list[str]:
    """Lay lines out within so many columns.

    Parameters
    ----------
    lines : of any kind.
    columns : at least 20 are taken.
    colour : whether control codes for colour may be used.

    Returns
    -------
    list of str
        Plain strings; none is wider than ``columns``, unless a single word is.
    """
    columns = max(columns, NARROWEST)
    prose = min(columns, WIDEST_TEXT)
    found: list[str] = []
    for table, group in groupby(lines, key=lambda line: line.table if isinstance(line, Row) else None):
        if table is not None:
            found += table.laid_out(columns, [line.place for line in group if isinstance(line, Row)])
            continue
        for line in group:
            pieces = _filled(str(line), prose)
            code = PARTS.get(line.part, "") if isinstance(line, Line) else ""
            found += [f"{code}{piece}{RESET}" for piece in pieces] if code and colour else pieces
    return found


def columns_of(stream: TextIO) -> int:
    """Columns of a terminal, or 100 of a pipe; the variable COLUMNS is heard in both."""
    fallback = 80 if stream.isatty() else PIPE_COLUMNS
    if stream.isatty():
        return shutil.get_terminal_size((fallback, 24)).columns
    told = os.environ.get("COLUMNS", "")
    return int(told) if told.isdecimal() and int(told) > 0 else fallback


def wants_colour(stream: TextIO) -> bool:
    """Whether colour may be used: on a terminal that knows it, unless NO_COLOR is set (to anything but nothing)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM", "") != "dumb"
