"""In which line of a TOML file each key stands, so that a message can say so.

The reader of the standard library gives values without places. This walks the same text once more; it is only called on
text that has been read without a mistake, so it checks nothing.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

Path = tuple[str | int, ...]
"""Keys and positions from 0, as in ("stop", 2, "zone")."""

_QUOTES = ('"""', "'''", '"', "'")


@dataclass
class _Open:
    """An array or an inline table whose closing bracket has not come yet."""

    closing: str
    path: Path
    items: int = 0


def locate_lines(text: str) -> dict[Path, int]:
    """Find the line of every key and table.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict
        Line, from 1, by path; a table that is only implied by its children has the line of the first of them.
    """
    return _Walk(text.replace("\r\n", "\n")).lines()


class _Walk:
    """One pass over the text; iterative, so that depth cannot hurt."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.line = 1
        self.found: dict[Path, int] = {}
        self.tables_so_far: dict[Path, int] = {}

    def lines(self) -> dict[Path, int]:
        table: Path = ()
        while self._skip(" \t\n"):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                path = table + self._key()
                self._note(path)
                self._step(1)
                self._value(path)
        return self.found

    def _note(self, path: Path) -> None:
        for length in range(1, len(path) + 1):
            self.found.setdefault(path[:length], self.line)

    def _step(self, count: int) -> None:
        self.line += self.text.count("\n", self.at, self.at + count)
        self.at += count

    def _skip(self, blanks: str) -> bool:
        """Go on to the next character that is neither blank nor comment; False at the end of the text."""
        while self.at < len(self.text):
            character = self.text[self.at]
            if character == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif character in blanks:
                self._step(1)
            else:
                return True
        return False

    def _header(self) -> Path:
        """Read ``[table]`` or ``[[table]]``."""
        many = self.text.startswith("[[", self.at)
        self._step(2 if many else 1)
        keys = self._key()
        self._step(2 if many else 1)
        path: Path = ()
        for depth, key in enumerate(keys):
            path = (*path, key)
            count = self.tables_so_far.get(path)
            if depth < len(keys) - 1 or not many:
                # A table below an array of tables belongs to the last of them.
                path = path if count is None else (*path, count - 1)
            else:
                position = count or 0
                self.tables_so_far[path] = position + 1
                self.found.setdefault(path, self.line)
                path = (*path, position)
        self._note(path)
        return path

    def _key(self) -> tuple[str, ...]:
        """Read a dotted key, up to the sign that ends it."""
        keys = []
        while True:
            self._skip(" \t")
            if self.text[self.at] in "\"'":
                keys.append(self._string())
            else:
                start = self.at
                while self.text[self.at] not in " \t.=]":
                    self.at += 1
                keys.append(self.text[start : self.at])
            self._skip(" \t")
            if self.text[self.at] != ".":
                return tuple(keys)
            self.at += 1

    def _string(self) -> str:
        """Step over a string of any of the four kinds; the content matters only for keys, which have one line."""
        quote = next(quote for quote in _QUOTES if self.text.startswith(quote, self.at))
        start = self.at
        end = start + len(quote)
        while not self.text.startswith(quote, end):
            end += 2 if self.text[end] == "\\" and quote[0] == '"' else 1
        end += len(quote)
        while len(quote) == 3 and end < len(self.text) and self.text[end] == quote[0]:
            end += 1
        self._step(end - start)
        if quote == "'":
            return self.text[start + 1 : end - 1]
        if quote == '"':
            try:
                return str(json.loads(self.text[start:end]))
            except ValueError:
                return self.text[start + 1 : end - 1]
        return ""

    def _value(self, path: Path) -> None:
        """Step over a value, noting the keys inside of inline tables."""
        open_ones: list[_Open] = []
        here = path
        while True:
            self._skip(" \t\n" if open_ones else " \t")
            if open_ones and self.text[self.at] == open_ones[-1].closing:
                open_ones.pop()
                self.at += 1
            else:
                if open_ones and open_ones[-1].closing == "]":
                    here = (*open_ones[-1].path, open_ones[-1].items)
                elif open_ones:
                    here = open_ones[-1].path + self._key()
                    self._note(here)
                    self.at += 1
                    self._skip(" \t")
                character = self.text[self.at]
                if character in "[{":
                    self._note(here)
                    open_ones.append(_Open("]" if character == "[" else "}", here))
                    self.at += 1
                    continue
                if character in "\"'":
                    self._string()
                else:
                    while self.at < len(self.text) and self.text[self.at] not in ",]}\n#":
                        self.at += 1
            if not open_ones:
                return
            self._skip(" \t\n")
            if self.text[self.at] == ",":
                open_ones[-1].items += 1
                self.at += 1
