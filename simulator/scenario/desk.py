"""The desk a scenario is read at: what the person wrote, which keys were unusable, and the sentences that come of it.

Every mistake has the same shape: where, what was expected, what was got, and the cure.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, Final

from simulator.scenario.lines import Path

LONGEST_QUOTE = 60
"""Characters of what a person wrote that a message repeats."""
_FAR = 10**9

UNITS = {
    "w_per_c": "W/K",
    "j_per_c": "J/K",
    "frac_per_day": "a day",
    "frac_per_year": "a year",
    "per_c": "/K",
    "per_h": "/h",
    "w_m2": "W/m2",
    "ah": "Ah",
    "wh": "Wh",
    "ohm": "ohm",
    "deg": "degrees",
    "years": "years",
    "kg": "kg",
    "m2": "m2",
    "w": "W",
    "v": "V",
    "a": "A",
    "c": "C",
    "h": "h",
    "m": "m",
}
"""Unit by the end of a key, longest first."""


def unit_of(key: str) -> str:
    """Read the unit off the end of a key: ``W`` for ``power_w``, nothing for a share."""
    return next((f" {unit}" for end, unit in UNITS.items() if key.endswith(f"_{end}")), "")


def quote(text: str) -> str:
    """Put text in quotes, on one line, shortened."""
    kept = text if len(text) <= LONGEST_QUOTE else text[: LONGEST_QUOTE - 3] + "..."
    # What cannot be seen, or turns the line round, is spelt out.
    return "".join(sign if sign.isprintable() else json.dumps(sign)[1:-1] for sign in json.dumps(kept, ensure_ascii=False))


def shown(value: Any) -> str:
    """Say what a person wrote, as it looks in TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quote(value)
    if isinstance(value, int):
        return str(value) if abs(value) < 10**15 else "a number of more than 15 digits"
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, (list, tuple)):
        return "an empty list" if not value else f"a list of {len(value)}"
    return "nothing"


OTHER_WORDS: Final = {"lithium": "lfp", "lifepo4": "lfp", "life": "lfp", "lithium iron phosphate": "lfp", "wet": "flooded"}
"""What the label calls a chemistry; letters alone would not find it."""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return `` Did you mean "x"?`` for the nearest known word, or nothing."""
    by_lower = {name.lower(): name for name in known}
    meant = OTHER_WORDS.get(word.strip().lower())
    if meant is not None and meant in by_lower:
        return f" Did you mean {quote(by_lower[meant])}?"
    found = difflib.get_close_matches(word.lower()[:LONGEST_QUOTE], by_lower, n=1, cutoff=0.6)
    return f" Did you mean {quote(by_lower[found[0]])}?" if found else ""


def either(words: Iterable[str], last: str = "or") -> str:
    """Join words: "a", "a or b", "a, b or c"."""
    listed = list(words)
    return listed[0] if len(listed) == 1 else f"{', '.join(listed[:-1])} {last} {listed[-1]}"


@dataclass
class Desk:
    """Gathers mistakes, notes and defaults of one file; nothing is raised before everything was looked at."""

    file: str
    raw: Mapping[str, Any] = field(default_factory=dict)
    lines: Mapping[Path, int] = field(default_factory=dict)
    faulty: set[Path] = field(default_factory=set)
    """Paths that could not be read; whatever depends on them is not judged."""
    notes: list[str] = field(default_factory=list)
    defaults: list[str] = field(default_factory=list)
    _mistakes: dict[str, int] = field(default_factory=dict)

    @property
    def mistakes(self) -> tuple[str, ...]:
        """All mistakes, each once, in the order of the file."""
        return tuple(sorted(self._mistakes, key=self._mistakes.__getitem__))

    def line(self, path: Path) -> int | None:
        """Line of a key, or of the nearest table around it."""
        for length in range(len(path), 0, -1):
            found = self.lines.get(path[:length])
            if found is not None:
                return found
        return None

    def name(self, table: str, position: int, numbered: bool = True) -> str:
        """Name one element of an array of tables: ``stop 3 "Evora"``."""
        label = f"{table} {position + 1}" if numbered else table
        element = self.raw.get(table)
        if isinstance(element, (list, tuple)) and position < len(element) and isinstance(element[position], Mapping):
            name = element[position].get("name")
            if isinstance(name, str) and name:
                return f"{label} {quote(name)}"
        return label

    def where(self, path: Path) -> str:
        """Name a key with its line: ``stop 3 "Evora", zone (line 41)``."""
        if not path:
            return ""
        head = str(path[0]) if isinstance(path[0], str) and _plain(path[0]) else quote(str(path[0]))
        rest = path[1:]
        if rest and isinstance(rest[0], int):
            head, rest = self.name(str(path[0]), rest[0]), rest[1:]
        # A place inside a list has no key of its own.
        keys = [key if _plain(key) else quote(key) for key in rest if isinstance(key, str)]
        line = self.line(path)
        return ", ".join([head, *([".".join(keys)] if keys else [])]) + (f" (line {line})" if line is not None else "")

    def mistake(self, path: Path, expected: str, got: str, cure: str = "") -> None:
        """Keep one mistake; the cure is a sentence of its own. A wrong value is then no ground to judge others by."""
        if path and isinstance(path[-1], str) and not isinstance(self._value_at(path), (Mapping, list)):
            self.faulty.add(path)
        place = self.where(path)
        sentence = f"{self.file}: {place}{': ' if place else ''}expected {expected}, got {got}."
        cure = cure.strip()
        self._mistakes.setdefault(f"{sentence} {cure}" if cure else sentence, self.line(path) or _FAR)

    def _value_at(self, path: Path) -> Any:
        value: Any = self.raw
        for part in path:
            if isinstance(value, Mapping):
                value = value.get(str(part))
            elif isinstance(value, list) and isinstance(part, int) and part < len(value):
                value = value[part]
            else:
                return None
        return value

    def note(self, path: Path, sentence: str) -> None:
        """Keep a remark about something that is no mistake."""
        text = f"{self.where(path)}: {sentence}"
        if text not in self.notes:
            self.notes.append(text)

    def default(self, sentence: str, key: str = "") -> None:
        """Keep a default that decides the answer, behind the key that changes it."""
        sentence = f"{key}: {sentence}" if key else sentence
        if sentence not in self.defaults:
            self.defaults.append(sentence)

    def sound(self, *paths: Path) -> bool:
        """Whether none of these paths, nor a table around them, was unusable."""
        return not any(path[:length] in self.faulty for path in paths for length in range(1, len(path) + 1))

    def judge_usual(self, path: Path, value: float, usual: tuple[float, float], what: str) -> None:
        """Note a written number outside of its usual range."""
        low, high = usual
        if not low * (1 - 1e-9) - 1e-12 <= value <= high * (1 + 1e-9) + 1e-12:
            unit = unit_of(str(path[-1]))
            self.note(
                path, f"{value:g}{unit} is outside the usual {low:.4g} to {high:.4g}{unit} {what}; it was taken as written."
            )


def _plain(key: str) -> bool:
    return 0 < len(key) <= LONGEST_QUOTE and key.replace("_", "").replace("-", "").isalnum() and key.isascii()
