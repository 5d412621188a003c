"""On which line of a TOML text each key and each array element stands.

The standard library's reader tells what a text holds but not where, and the
site file's messages name lines.  The text must have been read without error
before: nothing is checked here.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Callable, Mapping

Place = tuple[str | int, ...]

_SKIP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_TEXT = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'  # the long forms may end with one or two quotes of their own
    r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BARE_VALUE = re.compile(r"[^,\]}#\r\n]*")


def lines_of(text: str) -> dict[Place, int]:
    """Return the line, from 1, of each section, key and array element of a valid TOML text.

    A place is the path to it: ``("plate", "bolt_bearings_deg", 2)`` is the
    third element of that key's array.  What is written in several pieces (a
    table made by dotted keys) stands where it is first named.
    """
    return _Walk(text).lines


def line_of(lines: Mapping[Place, int], place: Place) -> int | None:
    """Return the line of a place or else of what is around it; None when that isn't there either."""
    for depth in range(len(place), 0, -1):
        if place[:depth] in lines:
            return lines[place[:depth]]
    return None


class _Walk:
    """One pass over the text; `at` is where the next thing begins."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.lines: dict[Place, int] = {}
        self._starts = [0, *(found.end() for found in re.finditer("\n", text))]
        self._tables: dict[Place, int] = {}  # how many [[tables]] of a name there are so far
        section: Place = ()
        while self._skip():
            section = self._statement(section)

    def _statement(self, section: Place) -> Place:
        """Take a header or a ``key = value`` in; return the section that holds from here on."""
        if not self._is("["):
            self._pair(section)
            return section
        start, double = self.at, self._is("[[")
        self.at += 2 if double else 1
        name = self._in_arrays(self._key())
        self.at = self.text.index("]", self.at) + (2 if double else 1)
        if double:
            self._tables[name] = self._tables.get(name, -1) + 1
            self._note(name, start)
            name = (*name, self._tables[name])
        self._note(name, start)
        return name

    def _in_arrays(self, name: Place) -> Place:
        """Return a header's path with the number of the [[table]] that each part belongs to."""
        whole: Place = ()
        for depth, part in enumerate(name):
            whole = (*whole, part)
            if whole in self._tables and depth < len(name) - 1:
                whole = (*whole, self._tables[whole])
        return whole

    def _pair(self, around: Place) -> None:
        start, key = self.at, self._key()
        for depth in range(1, len(key) + 1):
            self._note((*around, *key[:depth]), start)
        self.at = self.text.index("=", self.at) + 1
        self._value((*around, *key))

    def _key(self) -> Place:
        """Take a key, dotted or not."""
        parts: list[str] = []
        while True:
            self.at = self._end(_BLANK)
            quoted = self.text[self.at] in "\"'"
            end = self._end(_TEXT if quoted else _BARE_KEY)
            part = self.text[self.at : end]
            parts.append(tomllib.loads(f"key = {part}")["key"] if quoted else part)
            self.at = end
            self.at = self._end(_BLANK)
            if not self._is("."):
                return tuple(parts)
            self.at += 1

    def _value(self, place: Place) -> None:
        self.at = self._end(_BLANK)
        opening = self.text[self.at]
        if opening in "\"'":
            self.at = self._end(_TEXT)
        elif opening == "[":
            self._inside("]", lambda number: self._element((*place, number)))
        elif opening == "{":
            self._inside("}", lambda number: self._pair(place))
        else:
            self.at = self._end(_BARE_VALUE)

    def _element(self, place: Place) -> None:
        self._note(place, self.at)
        self._value(place)

    def _inside(self, closing: str, take: Callable[[int], None]) -> None:
        """Take the items of an array or an inline table, from its opening bracket past its closing one."""
        self.at += 1
        number = 0
        while self._skip() and not self._is(closing):
            take(number)
            number += 1
            self._skip()
            self.at += self._is(",")
        self.at += 1

    def _note(self, place: Place, position: int) -> None:
        self.lines.setdefault(place, bisect_right(self._starts, position))

    def _skip(self) -> bool:
        """Go past blanks, line ends and remarks; tell whether anything follows."""
        self.at = self._end(_SKIP)
        return self.at < len(self.text)

    def _end(self, pattern: re.Pattern[str]) -> int:
        found = pattern.match(self.text, self.at)
        assert found is not None, f"no valid TOML at character {self.at}"
        return found.end()

    def _is(self, what: str) -> bool:
        return self.text.startswith(what, self.at)
