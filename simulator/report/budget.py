"""The budget in words, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from simulator.report.layout import Line, text_table
from simulator.report.tables import caution_lines, far_sentences, plural
from simulator.scenario.cautions import cautions_of
from simulator.studies.budget import TOLERANCE_FRAC, Budget, BudgetLine
from simulator.studies.weather_years import KIND_WORDS

SAME = 0.005
"""Shares of the audit this near to 1 are one for a person."""


def _wh(value: float) -> str:
    return f"{value:,.0f}"


def _month(month: str | None) -> str:
    return "" if month is None else f"{date.fromisoformat(f'{month}-01'):%b %Y}"


def _given(line: BudgetLine) -> str:
    return f"{'more than ' if line.open_ended else ''}{_wh(line.wh_per_day)}"


def _share(line: BudgetLine) -> str:
    if line.audit_wh_per_day <= 0.0:
        return "nothing draws power there"
    if line.open_ended:
        return "far above the audit"
    if line.arrives_dark:
        return "the bank is dark when these days begin"
    if abs(line.multiplier - 1.0) < SAME:
        return "just what the audit asks"
    if line.multiplier < 1.0:
        return f"{1.0 - line.multiplier:.0%} less than the audit"
    if line.multiplier < 2.0:
        return f"{line.multiplier - 1.0:.0%} more than the audit"
    return f"{line.multiplier:.1f} times the audit"


def _verdict(found: Budget) -> str:
    line = found.whole
    what = (
        "without a flat day"
        if found.years == 1
        else f"without a flat day in at least {found.target_frac:.0%} of {plural(found.years, KIND_WORDS[found.choice.kind])}"
    )
    return (
        f"This system can give {_given(line)} Wh a day over the whole trip {what}; the audit asks for "
        f"{_wh(line.audit_wh_per_day)} Wh ({_share(line)})."
    )


def _essential(found: Budget) -> Iterator[str]:
    if found.essential is not None:
        line = found.essential[0]
        yield (
            f"With the essential appliances alone: {_given(line)} Wh a day, where they ask for "
            f"{_wh(line.audit_wh_per_day)} Wh ({_share(line)})."
        )


def _of_audit(line: BudgetLine) -> str:
    if line.audit_wh_per_day <= 0.0:
        return "no load"
    if line.arrives_dark:
        return "dark on arrival"
    return f"{'over ' if line.open_ended else ''}{line.multiplier:.0%}"


def _table(found: Budget) -> Iterator[str]:
    yield "Stop by stop and month by month, in Wh a day"
    head = ["stop", "month", "days", "audit", "can give"]
    if found.essential is not None:
        head += ["essential alone"]
    rows = []
    for position, line in enumerate(found.lines):
        row = [line.stop or "", _month(line.month), str(line.days), _wh(line.audit_wh_per_day), _given(line)]
        if found.essential is not None:
            row += [_given(found.essential[position + 1])]
        rows.append((*row, _of_audit(line)))
    yield from text_table((*head, "of the audit"), rows)


def _how(found: Budget) -> Iterator[str]:
    yield (
        "The whole load is multiplied, every appliance at its own hours. For a stop and month only its own days are multiplied "
        "and judged; the bank comes there as the trip was written, and what is left for the days after is not judged."
    )
    yield (
        f"Each figure passed when it was walked, and so did all below it that were tried; one at most {TOLERANCE_FRAC:.1%} "
        "above it fails."
    )
    lines = (found.whole, *found.lines)
    again = [line for line in lines if line.passes_again]
    if again:
        names = ", ".join("the whole trip" if line.stop is None else f"{line.stop} in {_month(line.month)}" for line in again)
        nearest = again[0].passes_again[0]
        yield (
            f"More load is not always worse here ({names}): some greater loads pass as well, such as {nearest:.2f} times the "
            "audit, for example because a generator starts sooner. They are not promised."
        )
    if any(line.limit == "overload" and not line.open_ended for line in lines):
        yield (
            "Where more than this is asked for at once, bank or inverter cannot deliver it: that ends a figure before a day "
            "runs flat."
        )


def budget_lines(found: Budget) -> list[str]:
    """The whole answer, a line each, the verdict first."""
    lines = [found.scenario.title, "", Line(_verdict(found)), *_essential(found), *far_sentences(found.scenario), ""]
    lines += _table(found)
    lines += ["", "How it is meant", *(f"  - {note}" for note in _how(found))]
    lines += ["", "Weather", *(f"  - {source}" for source in found.sources)]
    if found.notes:
        lines += ["Note", *(f"  - {note}" for note in found.notes)]
    return [*lines, *caution_lines(cautions_of([found.scenario]))]
