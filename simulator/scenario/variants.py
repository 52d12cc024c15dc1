"""Named variants inside one scenario file: each changes some keys, takes some out, and is then read like a file of its own.

``[[variant]]`` has a ``name``, ``set = { "bank.chemistry" = "agm", "array.roof.in_parallel" = 3 }`` and
``without = ["bank.unit_v", "generator"]``. A path leads through tables by their keys, and into [[array]], [[appliance]] and
[[stop]] by the name or the number of the element; a new name with a whole table as its value adds an element. Keys of
``bank = { ... }`` without quotes are set one by one, the others stay.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path as FilePath
from typing import Any, Final

from simulator.errors import InputError
from simulator.scenario.desk import Desk, either, nearest, quote
from simulator.scenario.lines import Path
from simulator.scenario.parts import Scenario
from simulator.scenario.reading import finish, read_text, values_of
from simulator.scenario.written import ScenarioFile

AS_WRITTEN: Final = "as written"
"""Name of the scenario without any change."""
LISTS: Final = ("array", "appliance", "stop")
ADDED: Final = ("array", "appliance")
"""Lists that a variant may add to; a stop more would be another route."""
KEPT: Final = ("variant", "title")
UNKNOWN_KEY: Final = "expected a known key"
_FAR: Final = 10**9

Lines = dict[Path, int]


def read_variants(path: str | FilePath) -> list[tuple[str, Scenario]]:
    """Read a scenario file and its variants.

    Parameters
    ----------
    path : str or path
        TOML, as for :func:`simulator.scenario.read_scenario`.

    Returns
    -------
    list of (str, Scenario)
        ``as written`` first, then the variants in the order of the file.

    Raises
    ------
    InputError
        With every mistake in the file and in every variant; what is wrong in the file itself is told once.
    """
    text, file, sha256 = read_text(path)
    return variants_of(text, file, sha256)


def variants_of(text: str, path: FilePath | None = None, sha256: str = "") -> list[tuple[str, Scenario]]:
    """Read a scenario and its variants from text; as :func:`read_variants`."""
    raw, lines, file = values_of(text, path)
    told: dict[str, int] = {}
    found: list[tuple[str, Scenario]] = []
    try:
        found.append((AS_WRITTEN, finish(raw, lines, file, path, sha256)))
    except InputError as error:
        told |= dict.fromkeys(error.mistakes, -1)
    own = {mistake.removeprefix(f"{file}: ") for mistake in told}
    desk = Desk(file=file, raw=raw, lines=lines)
    for position, name, sound, changed, changed_lines in _changed(raw, lines, desk):
        label = f"{file}: variant {position + 1} {quote(name)}"
        try:
            found.append((name, finish(changed, changed_lines, label, path, sha256)))
        except InputError as error:
            line = desk.line(("variant", position)) or _FAR
            for mistake in error.mistakes:
                # Of a change that was only made in part no more can be judged than its keys.
                if mistake.removeprefix(f"{label}: ") not in own and (sound or UNKNOWN_KEY in mistake):
                    told.setdefault(mistake, line)
    told |= {mistake: 0 for mistake in desk.mistakes if mistake not in told}
    if told:
        raise InputError(sorted(told, key=told.__getitem__))
    return found


def _changed(raw: Mapping[str, Any], lines: Lines, desk: Desk) -> Iterator[tuple[int, str, bool, dict[str, Any], Lines]]:
    """Make the values and lines of every variant, and say whether all of it could be made; what is wrong goes to the desk."""
    variants = raw.get("variant")
    if not isinstance(variants, list):
        return
    first_of: dict[str, int] = {AS_WRITTEN: -1}
    for position, variant in enumerate(variants):
        if not isinstance(variant, Mapping):
            continue
        path: Path = ("variant", position)
        name = variant.get("name")
        if not isinstance(name, str) or not name.strip():
            if name is None:
                desk.mistake(path, 'a name such as name = "AGM"', "none")
            name = f"variant {position + 1}"
        first = first_of.setdefault(name, position)
        if first != position:
            other = "the name of the scenario itself" if first < 0 else f"the name of variant {first + 1}"
            desk.mistake((*path, "name"), "a name of its own for every variant", other)
        changes, without = variant.get("set", {}), variant.get("without", [])
        if not changes and not without:
            desk.mistake(path, "what it changes", "nothing", 'Write set = { "bank.in_parallel" = 3 } or without = ["generator"].')
            continue
        if not isinstance(changes, Mapping) or not isinstance(without, list):
            continue
        change = _Change(raw, lines, desk)
        # Flat lists first: what is taken out by number is the number in the file.
        for place, key in enumerate(without):
            if isinstance(key, str):
                change.take_out(key, (*path, "without", place))
        for key, value in _flat(changes):
            change.put(key, value, (*path, "set", *key) if isinstance(key, tuple) else (*path, "set", key))
        yield position, name, change.sound, *change.finished()


def _flat(changes: Mapping[str, Any]) -> Iterator[tuple[str | tuple[str, ...], Any]]:
    """Keys as a person may write them: quoted with dots in them, or dotted without quotes, which TOML reads as tables."""
    for key, value in changes.items():
        if isinstance(value, Mapping) and "." not in key and key in (*LISTS, *ScenarioFile.model_fields):
            yield from _leaves((key,), value)
        else:
            yield key, value


def _leaves(path: tuple[str, ...], table: Mapping[str, Any]) -> Iterator[tuple[tuple[str, ...], Any]]:
    deep = 2 if path[0] in LISTS else 1
    if not table:
        yield path, {}
    for key, value in table.items():
        if isinstance(value, Mapping) and len(path) < deep:
            yield from _leaves((*path, key), value)
        else:
            yield (*path, key), value


def _copied(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _copied(child) for key, child in value.items()}
    return [_copied(child) for child in value] if isinstance(value, list) else value


_GONE: Final = object()


class _Change:
    """One variant in the making."""

    def __init__(self, raw: Mapping[str, Any], lines: Lines, desk: Desk) -> None:
        self.values: dict[str, Any] = _copied({key: value for key, value in raw.items() if key != "variant"})
        self.lines: Lines = {path: line for path, line in lines.items() if path[0] != "variant"}
        self.desk = desk
        self.sound = True

    def _wrong(self, at: Path, expected: str, got: str, cure: str = "") -> None:
        self.sound = False
        self.desk.mistake(at, expected, got, cure)

    def put(self, key: str | tuple[str, ...], value: Any, at: Path) -> None:
        """Give a key this value."""
        path = self._path(key, at, value)
        if path is None:
            return

        table = self._reach(path, at, make=True)
        if table is None:
            return
        last: Any = path[-1]
        there = table.get(last) if isinstance(table, dict) else table[last]
        if value == {} and there not in (None, _GONE, {}):
            self._wrong(at, "what changes in it", "nothing", "Write its keys, or take it out with without = [...].")
            return
        new = _copied(value)
        if isinstance(table, list) and isinstance(there, dict) and isinstance(new, dict) and "name" in there:
            # An element given as a whole table keeps the name it is called by.
            new.setdefault("name", there["name"])
        table[last] = new
        self._move_lines(path, at)

    def take_out(self, key: str, at: Path) -> None:
        """Take a key, a table or an element out."""
        path = self._path(key, at, _GONE)
        if path is None:
            return

        table = self._reach(path, at, make=False)
        last: Any = path[-1]
        if isinstance(table, list):
            table[last] = _GONE
        elif table is not None and last in table:
            del table[last]
        elif table is not None:
            self._wrong(at, "a key that the scenario has", quote(key), nearest(str(last), map(str, table)))

    def _path(self, key: str | tuple[str, ...], at: Path, value: Any) -> Path | None:
        """Read a dotted key; None if it leads nowhere (which has been told)."""
        dotted = ".".join(key) if isinstance(key, tuple) else key
        head, _, rest = dotted.partition(".")
        head = head.strip()
        known = [name for name in ScenarioFile.model_fields if name not in KEPT]
        if head not in known:
            cure = nearest(head, known) or f"It begins with one of {either(known)}."
            self._wrong(at, "a key of a scenario such as bank.in_parallel", quote(dotted), cure)
            return None
        if not rest:
            return (head,)
        if head not in LISTS:
            return (head, *(part.strip() for part in rest.split(".")))
        return self._element(head, rest, at, value)

    def _element(self, head: str, rest: str, at: Path, value: Any) -> Path | None:
        """Find an element of a list by the name or number that the rest begins with; names may have dots in them."""
        elements = self.values.get(head)
        elements = elements if isinstance(elements, list) else []
        names = [element.get("name") if isinstance(element, dict) else None for element in elements]
        exact = [(len(name), place) for place, name in enumerate(names) if isinstance(name, str) and _begins(rest, name)]
        if exact:
            length, place = max(exact)
            if sum(name == names[place] for name in names) > 1:
                self._wrong(at, f"one {head} of that name", f"{names.count(names[place])} of them", "Write its number, from 1.")
                return None
            after = rest[length:].lstrip(" .")
            return (head, place, *(part.strip() for part in after.split("."))) if after else (head, place)
        first, _, after = rest.partition(".")
        first = first.strip()
        if first.isdecimal() and len(first) < 6 and 1 <= int(first) <= len(elements):
            return (head, int(first) - 1, *(part.strip() for part in after.split("."))) if after else (head, int(first) - 1)
        if isinstance(value, Mapping) and not after and head in ADDED and not first.isdecimal():
            # A new element; it bears the name it is called by.
            elements.append({"name": first})
            self.values[head] = elements
            self.lines[(head, len(elements) - 1)] = self.desk.line(at) or 1
            return (head, len(elements) - 1)
        listed = [name for name in names if isinstance(name, str)]
        are = "There is" if len(listed) == 1 else "There are"
        cure = nearest(first, listed) or (f"{are} {either(map(quote, listed), 'and')}." if listed else f"There is no [[{head}]].")
        self._wrong(at, f"the name or the number of one {head}", quote(first), cure)
        return None

    def _reach(self, path: Path, at: Path, *, make: bool) -> Any:
        """Go down to the table or list that holds the last part of a path; None if there is none (which has been told)."""
        table: Any = self.values
        for depth, part in enumerate(path[:-1]):
            below = table.get(part) if isinstance(table, dict) else table[int(part)]
            if below is _GONE or (below is None and not make):
                what = ".".join(map(str, path[: depth + 1]))
                self._wrong(at, "a key that the scenario has", quote(what), "It is taken out, or was never there.")
                return None
            if below is None:
                below = table[part] = {}
            if not isinstance(below, (dict, list)) or (isinstance(below, list) and not isinstance(path[depth + 1], int)):
                self._wrong(at, f"a table at {part}", "a single value or a list", "Leave out what follows it.")
                return None
            table = below
        return table

    def _move_lines(self, path: Path, at: Path) -> None:
        """From now on mistakes under this path stand in the line of the variant."""
        line = self.desk.line(at) or 1
        self.lines = {known: own for known, own in self.lines.items() if known[: len(path)] != path}
        for length in range(1, len(path)):
            self.lines.setdefault(path[:length], line)
        self.lines[path] = line

    def finished(self) -> tuple[dict[str, Any], Lines]:
        """Values and lines, with what was taken out of lists really gone and the lines of what follows moved up."""
        lines = self.lines
        for head in LISTS:
            elements = self.values.get(head)
            if not isinstance(elements, list) or not any(element is _GONE for element in elements):
                continue
            places = [place for place, element in enumerate(elements) if element is not _GONE]
            moved = {old: new for new, old in enumerate(places)}
            self.values[head] = [elements[place] for place in places]
            if not places:
                del self.values[head]
            lines = {
                (head, moved[int(path[1])], *path[2:]) if path[0] == head and len(path) > 1 else path: line
                for path, line in lines.items()
                if path[0] != head or len(path) < 2 or int(path[1]) in moved
            }
        return self.values, lines


def _begins(rest: str, name: str) -> bool:
    return rest == name or rest.startswith(f"{name}.")
