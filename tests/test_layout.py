"""Lines on a terminal: never wider than it, nothing lost on the way, colour only where it is wanted."""

from __future__ import annotations

import doctest
import io
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.cli import shared
from simulator.report import layout
from simulator.report.layout import Line, columns_of, laid_out, text_table, wants_colour

WORDS = st.text(st.sampled_from("abcdefg"), min_size=1, max_size=12)
CELLS = st.lists(WORDS, min_size=1, max_size=6).map(" ".join)
NUMBERS = st.integers(0, 99_999).map(lambda value: f"{value:,}")


class Terminal(io.StringIO):
    def isatty(self):
        return True


@given(st.lists(CELLS, max_size=5), st.integers(20, 120), st.sampled_from(["", "  ", "  - ", "- "]))
def test_prose_keeps_every_word_and_its_indent(sentences, columns, lead):
    lines = [f"{lead}{sentence}" for sentence in sentences]
    found = laid_out(lines, columns)
    assert " ".join(found).split() == [word for line in lines for word in line.split()] or lead.strip()
    assert all(len(line) <= columns for line in found)
    assert all(line.startswith((" " * len(lead), lead)) for line in found)


@given(st.lists(st.tuples(CELLS, NUMBERS, CELLS, NUMBERS), min_size=1, max_size=6), st.integers(20, 140))
def test_a_table_fits_any_width_and_loses_no_word(rows, columns):
    head = ("stop", "days", "what to think of it", "flat days")
    found = laid_out(text_table(head, rows), columns)
    assert all(len(line) <= columns for line in found)
    said = " ".join(found).replace(";", " ").split()
    for row in rows:
        for cell in row:
            for word in cell.split():
                assert word in said


def test_a_wide_table_stays_as_it_is():
    rows = [("Lake", "3"), ("Mill", "12")]
    found = laid_out(text_table(("stop", "flat days"), rows), 80)
    assert found == ["  stop  flat days", "  Lake          3", "  Mill         12"]


def test_a_column_of_words_wraps_before_a_table_is_stacked():
    rows = [("1 Citrus grove", "1.39", "less comes in than goes out: a bigger bank lasts longer, but not for good")]
    found = laid_out(text_table(("stop", "ratio", ""), rows), 70)
    assert found == [
        "  stop            ratio",
        "  1 Citrus grove   1.39  less comes in than goes out: a bigger bank",
        "                         lasts longer, but not for good",
    ]


def test_a_narrow_table_is_stacked_with_its_heads():
    rows = [("1 Citrus grove, Homestead", "1.39", "enough", "###"), ("2 Lake", "0.98", "too little", "#")]
    assert laid_out(text_table(("stop", "ratio", "", "years"), rows), 30) == [
        "  1 Citrus grove, Homestead",
        "    ratio 1.39; enough",
        "  2 Lake",
        "    ratio 0.98; too little",
    ]


def test_two_tables_in_a_row_do_not_mix():
    first, second = text_table(("a",), [("1",)]), text_table(("long head", "b"), [("x", "2")])
    assert laid_out([*first, *second], 80) == ["  a", "  1", "  long head  b", "  x          2"]


def test_a_number_is_not_parted_from_its_unit():
    for columns in range(20, 60):
        for line in laid_out(["Sun of 1,234 Wh and 12.5 kWh came in 14 days, 20 % of it at 18 A in 3 h"], columns):
            assert not re.search(r"(1,234|12\.5|14|20|18|3)$", line), line
            assert "\u00a0" not in line


def test_a_word_longer_than_the_line_is_kept_whole():
    assert "/a/very/long/name/of/a/file.toml" in laid_out(["see /a/very/long/name/of/a/file.toml there"], 20)


def test_colour_goes_over_every_piece_and_only_where_it_is_wanted():
    line = Line("runs flat on five days, and again on six more days", "flat")
    plain = laid_out([line], 24)
    coloured = laid_out([line], 24, colour=True)
    assert len(plain) == len(coloured) > 1
    assert all("\x1b" not in piece for piece in plain)
    assert all(piece.startswith("\x1b[1;31m") and piece.endswith("\x1b[0m") for piece in coloured)
    assert laid_out(["plain", Line("also plain", "")], 24, colour=True) == ["plain", "also plain"]


@pytest.mark.parametrize(
    ("stream", "variables", "wanted"),
    [
        (Terminal(), {"TERM": "xterm"}, True),
        (Terminal(), {"TERM": "xterm", "NO_COLOR": "1"}, False),
        (Terminal(), {"TERM": "xterm", "NO_COLOR": ""}, True),
        (Terminal(), {"TERM": "dumb"}, False),
        (io.StringIO(), {"TERM": "xterm"}, False),
    ],
)
def test_who_gets_colour(stream, variables, wanted, monkeypatch):
    """NO_COLOR by no-color.org: set to anything but the empty string."""
    monkeypatch.delenv("NO_COLOR", raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    assert wants_colour(stream) is wanted


def test_width_of_a_pipe_and_of_a_terminal(monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    assert columns_of(io.StringIO()) == 100
    monkeypatch.setenv("COLUMNS", "57")
    assert columns_of(io.StringIO()) == 57
    assert columns_of(Terminal()) == 57
    for nonsense in ("0", "-3", "wide", ""):
        monkeypatch.setenv("COLUMNS", nonsense)
        assert columns_of(io.StringIO()) == 100


def test_mistakes_stay_a_line_each_in_a_pipe_and_hang_on_a_terminal(monkeypatch):
    mistakes = ["trip.toml: one long sentence about what is wrong and how it is mended", "trip.toml: two"]
    pipe, terminal = io.StringIO(), Terminal()
    monkeypatch.setattr("sys.stderr", pipe)
    shared.print_mistakes(mistakes)
    assert pipe.getvalue().splitlines() == mistakes
    monkeypatch.setenv("COLUMNS", "40")
    monkeypatch.setattr("sys.stderr", terminal)
    shared.print_mistakes(mistakes)
    lines = terminal.getvalue().splitlines()
    assert all(len(line) <= 40 for line in lines)
    assert [line for line in lines if not line.startswith("  ")] == ["trip.toml: one long sentence about", "trip.toml: two"]


def test_letters_that_the_terminal_does_not_know_do_not_stop_an_answer(monkeypatch):
    buffer = io.BytesIO()
    monkeypatch.setattr("sys.stdout", io.TextIOWrapper(buffer, encoding="ascii"))
    shared.print_lines(["Évora 5 Wh"])
    shared.sys.stdout.flush()
    assert buffer.getvalue() == b"?vora 5 Wh\n"


def test_the_examples_of_the_module():
    assert doctest.testmod(layout).failed == 0
