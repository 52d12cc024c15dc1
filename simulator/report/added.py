"""What one more appliance does, in words."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from simulator.report.layout import Line
from simulator.report.tables import plural
from simulator.scenario.desk import either
from simulator.studies.added import Effect
from simulator.units import MINUTES_PER_HOUR


def hours_text(hours: float) -> str:
    """Hours a day as a person says them."""
    minutes = round(hours * MINUTES_PER_HOUR)
    whole, rest = divmod(minutes, MINUTES_PER_HOUR)
    if whole == 0:
        return f"{rest} min"
    return f"{whole} h" if rest == 0 else f"{whole} h {rest} min"


def _names(found: Effect) -> str:
    return " and ".join(f'"{each.text}"' for each in found.added)


def _verdict(found: Effect) -> str:
    with_it, without = np.array(found.flat_days), np.array(found.flat_days_before)
    if found.years == 1:
        after = "no flat day" if with_it[0] == 0 else plural(int(with_it[0]), "flat day")
        before = "none" if without[0] == 0 else str(int(without[0]))
        return f"With {_names(found)} added: {after}; without: {before}."
    return (
        f"With {_names(found)} added: no flat day in {int((with_it == 0).sum())} of {found.years} years, "
        f"{with_it.mean():.1f} flat days in an average year; without: {int((without == 0).sum())} of {found.years}, "
        f"{without.mean():.1f}."
    )


def _fitting_words(found: Effect) -> Iterator[str]:
    fitting = found.fitting
    if fitting is None:
        return
    names = either([f'"{text}"' for text in fitting.texts], "and")
    yield Line(
        f"The inverter of {fitting.rated_w:,.0f} W cannot run {names}: it would take one of {fitting.needed_w:,.0f} W, the usual "
        f"size for {fitting.running_w:,.0f} W at once."
    )
    yield (
        f"All figures with it are for the bank with an inverter of {fitting.needed_w:,.0f} W of the same make fitted; with the "
        "one there is, it does not run at all. A larger inverter takes thicker cables and its own fuse: ask a licensed "
        "electrician."
    )


def added_lines(found: Effect) -> Iterator[str]:
    """The effect, and for how long each could run; first what it would take to run it at all."""
    yield from _fitting_words(found)
    yield Line(_verdict(found))
    rule = "without a flat day"
    if found.years > 1:
        rule += f" in at least {found.target_frac:.0%} of the years"
    if found.nothing_to_spare:
        many = "" if found.years == 1 else f" in more than {1.0 - found.target_frac:.0%} of the years"
        yield (
            f"The trip has flat days already without it{many}, so there are no hours to give away; "
            "flatdays remedies tells what helps."
        )
    for each, hours, whole, again in zip(found.added, found.hours, found.runs_all_hours, found.again, strict=True):
        alone = f'"{each.text}" alone' if len(found.added) > 1 else "It"
        if found.nothing_to_spare:
            continue
        if hours is None:
            yield f"{alone} could not run five minutes a day {rule}."
        elif whole:
            yield f"{alone} could run all of {hours_text(each.most_h)} a day {rule}."
        else:
            tail = "; a longer time passes too, but not all between" if again else ""
            yield f"{alone} could run {hours_text(hours)} a day {rule} (to five minutes{tail})."
    for note in found.notes:
        yield f"  - {note}"
