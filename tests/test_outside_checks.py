"""The table of checks from outside says what the tests found; runs after them, since files run in the order of their names."""

from __future__ import annotations

import pytest

from tests import outside_checks
from tests.outside_checks import (
    COMMAND,
    FOUND,
    NOISE,
    PAGE,
    SLACK_FRAC,
    Check,
    Row,
    page,
    rows,
    silent_files,
    spans,
    topics_in_tests,
)


def test_the_table_has_a_line_for_every_check_and_no_other():
    assert list(rows()) == list(topics_in_tests()), f"run {COMMAND}"
    text = PAGE.read_text(encoding="utf-8")
    for name in silent_files():
        assert f"`{name}`" in text, f"run {COMMAND}"


def test_the_words_around_the_table_are_those_of_the_program():
    """The page is written whole, so that no part of it can rot."""
    checks = {}
    for row in rows().values():
        check = Check(row.topic, row.source, row.allowed, band=" to " in row.shown)
        check.figures = [0.0] * row.cases
        checks[row.topic] = check
    expected, found = page(checks).splitlines(), PAGE.read_text(encoding="utf-8").splitlines()
    assert len(expected) == len(found), f"run {COMMAND}"
    for one, other in zip(expected, found, strict=True):
        in_table = other.strip("|").split(" | ")[0].strip() in rows()
        assert in_table or one == other, f"run {COMMAND}"


def test_figures_are_those_of_this_run():
    """Of every check all of whose cases ran in this session: neither better nor worse than the table says."""
    whole = {topic: check for topic, check in FOUND.items() if topic in rows() and len(check.figures) == rows()[topic].cases}
    for topic, check in FOUND.items():
        assert topic in rows() and len(check.figures) <= rows()[topic].cases, (
            f"{topic}: more cases than the table says; run {COMMAND}"
        )
    if not whole:
        pytest.skip("no check ran whole in this session")
    for topic, check in whole.items():
        row = rows()[topic]
        for now, then in zip(spans(check.shown), spans(row.shown), strict=True):
            slack = max(SLACK_FRAC * abs(then), NOISE)
            assert abs(now - then) <= slack, f'"{topic}": reached {check.shown}, and the table says {row.shown}; run {COMMAND}'


def test_a_figure_worse_than_the_table_is_noticed(monkeypatch):
    monkeypatch.setattr(
        outside_checks, "rows", lambda: {"x": Row("x", "s", "1", "0.01", 1), "y": Row("y", "s", "1 to 2", "1.2 to 1.4", 2)}
    )
    monkeypatch.setattr(outside_checks, "FOUND", {})
    monkeypatch.delenv(outside_checks.WRITE, raising=False)
    outside_checks.reached("x", "s", "1", 0.0105)
    outside_checks.lies("y", "s", "1 to 2", 1.3)
    for wrong in (
        lambda: outside_checks.reached("x", "s", "1", 0.02),
        lambda: outside_checks.reached("x", "another", "1", 0.01),
        lambda: outside_checks.lies("y", "s", "1 to 2", 1.1),
        lambda: outside_checks.lies("y", "s", "1 to 2", 1.6),
        lambda: outside_checks.reached("z", "s", "1", 0.0),
    ):
        with pytest.raises(AssertionError):
            wrong()
