"""Stops by their names, and files by theirs: what arrays, appliances and sources refer to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path as FilePath

from simulator.scenario.desk import Desk, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.written import StopTable

MOST_NAMES_TOLD = 20


def numbers_by_name(written: Sequence[StopTable] | None) -> dict[str, set[int]]:
    """Numbers of the stops, from 1, by their names; several stops at one place may share a name."""
    stops: dict[str, set[int]] = {}
    for position, stop in enumerate(written or ()):
        stops.setdefault(stop.name or f"stop {position + 1}", set()).add(position + 1)
    return stops


def stop_numbers(names: Sequence[str] | None, path: Path, stops: Mapping[str, set[int]], desk: Desk) -> frozenset[int] | None:
    """Numbers of the stops that are named; unknown names are told. None: none was named, which means all.

    Parameters
    ----------
    names : sequence of str or None
    path : path
        Of the key that names them.
    stops : mapping
        See :func:`numbers_by_name`.
    desk : Desk
        Takes mistakes.

    Returns
    -------
    frozenset of int or None
    """
    if names is None:
        return None
    judged = not any(faulty[0] == "stop" and faulty[-1] in ("stop", "name") for faulty in desk.faulty)
    numbers: set[int] = set()
    for name in names:
        numbers |= stops.get(name, set())
        if name not in stops and judged and stops:
            known = ", ".join(quote(word) for word in list(stops)[:MOST_NAMES_TOLD])
            cure = nearest(name, stops) or f"The stops are {known}."
            desk.mistake(path, "names of stops of this route", quote(name), cure)
    return frozenset(numbers)


def look_at_file(name: str, path: Path, desk: Desk, scenario: FilePath | None, what: str) -> FilePath:
    """See whether a file is there; what is in it is judged when it is read.

    Parameters
    ----------
    name : str
        As written; taken from the folder of the scenario.
    path : path
        Of the key.
    desk : Desk
        Takes mistakes.
    scenario : file path or None
        Of the scenario; None: names are taken from the working folder.
    what : str
        What kind of file, with its article.

    Returns
    -------
    file path
        In any case.
    """
    folder = FilePath() if scenario is None else scenario.parent
    file = folder / name
    cure = "The name is taken from the folder of the scenario."
    try:
        if file.is_dir():
            desk.mistake(path, what, f"the folder {quote(name)}", "Name the file in it.")
        elif not file.exists():
            siblings = sorted(found.name for found in file.parent.glob("*"))[:1000] if file.parent.is_dir() else []
            desk.mistake(path, f"{what} that is there", f"{quote(name)}, which is not", nearest(file.name, siblings) or cure)
        elif not file.is_file():
            desk.mistake(path, what, f"{quote(name)}, a device or a pipe")
        elif file.stat().st_size == 0:
            desk.mistake(path, what, f"{quote(name)}, which is empty", "Save it again.")
        else:
            with file.open("rb"):
                pass
    except PermissionError:
        desk.mistake(path, what, f"{quote(name)}, which may not be read", "Give yourself permission to read it.")
    except (OSError, ValueError):
        desk.mistake(path, f"the name of {what}", f"{quote(name)}, a name that no file can have", cure)
    return file
