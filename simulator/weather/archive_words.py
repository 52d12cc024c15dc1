"""Sentences about what could not be had from the archive, and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from simulator.weather.archive_files import NO_FOLDER, folder
from simulator.weather.past import Cell

MOST_SENTENCES: Final = 8


def asked_for(cell: Cell, year: int) -> str:
    """What is asked for, in words; sentences begin with it."""
    return f"weather of {year} in the cell around {cell.said}"


def year_words(years: Iterable[int]) -> str:
    """Write years as in a sentence: ``2005-2009, 2011``."""
    spans: list[list[int]] = []
    for year in sorted(years):
        if spans and year == spans[-1][-1] + 1:
            spans[-1] = [spans[-1][0], year]
        else:
            spans.append([year])
    return ", ".join("-".join(map(str, span)) for span in spans)


def not_offline(missing: dict[tuple[Cell, int], str]) -> str:
    """Say what is not in the cache, or damaged there, and how to get it."""
    years = {year for _cell, year in missing}
    command = f"flatdays fetch SCENARIO --years {min(years)}-{max(years)}"
    where = folder()
    if where is None:
        return (
            f"weather of past years cannot be in the cache, {NO_FOLDER}; name a folder in FLATDAYS_CACHE, then get it: {command}"
        )
    cure = f"and the archive may not be asked offline; get it first: {command}"
    sentences = []
    for cell in dict.fromkeys(cell for cell, _year in missing):
        absent = [year for (other, year), damage in missing.items() if other == cell and not damage]
        if absent:
            sentences.append(
                f"weather of {year_words(absent)} in the cell around {cell.said} is not in the cache ({where}), {cure}"
            )
    sentences += [f"{damage}, {cure}" for damage in missing.values() if damage]
    return "\n".join(shortened(sentences))


def shortened(sentences: list[str]) -> list[str]:
    """The first few of many sentences, and how many more there are."""
    if len(sentences) <= MOST_SENTENCES:
        return sentences
    return [*sentences[:MOST_SENTENCES], f"and {len(sentences) - MOST_SENTENCES} more of the kind"]


def summed_up(failed: list[str], done: int, total: int) -> str:
    """Say all that went wrong, and that the rest need not be fetched again."""
    sentences = shortened(failed)
    if done and folder() is not None:
        sentences = [*sentences, f"{done} of {total} years of cells are in the cache; the same command goes on from there"]
    return "\n".join(sentences)
