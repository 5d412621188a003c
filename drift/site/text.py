"""The site file as text on the disk: where it is found, written whole, and the line of each key."""

from __future__ import annotations

import os
import re
import secrets
import time
import tomllib
from bisect import bisect_right
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

# ---- The site file on the disk: where it is found, and files beside it written whole or not at all.


#: The site file that is looked for when none is named.
DEFAULT_NAME = "pier.toml"
#: Names the site file when there is none in the present folder.
VARIABLE = "DRIFT_PIER"
#: The record's file beside the site file when that does not say where it is.
RECORD_FILE = "drift-book.sqlite"


def find_pier(option: str | Path | None = None) -> Path:
    """Return the path of the site file: as named, else ./pier.toml, else what DRIFT_PIER says."""
    if option is not None:
        return Path(option)
    here = Path(DEFAULT_NAME)
    named = os.environ.get(VARIABLE)
    return Path(named) if named and not here.exists() else here


# ---- Writing a file whole or not at all, whatever happens meanwhile.


def write_whole(path: Path, content: bytes, *, mode: int = 0o600, replace: bool = False) -> None:
    """Write a file whole or not at all, also when the program is killed.

    Where the system can, the content has no name until it is complete, so that a kill leaves nothing behind.

    Parameters
    ----------
    path
        The file.  With `replace` a link to it stays a link.
    content
        Its content.
    mode
        Its permissions, less the umask; a file that is replaced keeps its own.
    replace
        Whether an existing file is replaced.

    Raises
    ------
    FileExistsError
        If there is a file and `replace` is false.
    OSError
        If it can't be written.
    """
    real = path.resolve() if replace else path
    if not replace and os.path.lexists(path):
        raise FileExistsError(path)
    clear_leftovers(real, STALE_S)
    new = real.with_name(f".{real.name}.{secrets.token_hex(4)}.new")
    try:
        if replace:
            if not _linked_when_complete(new, content, mode):
                _written(new, content, mode)
            if real.exists():
                new.chmod(real.stat().st_mode & 0o777)
            new.replace(real)
        elif not _linked_when_complete(real, content, mode):
            _written(new, content, mode)
            name_file(new, real)
        _settle(real.parent)
    finally:
        new.unlink(missing_ok=True)


def _settle(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system can, after the change."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


#: A file half written that has not changed for so long was left by a program that was killed [s].
STALE_S = 600.0


def clear_leftovers(path: Path, unchanged_s: float = 0.0) -> None:
    """Remove what a kill in the middle of writing a file may have left beside it.

    Parameters
    ----------
    path
        The file.
    unchanged_s
        A file changed more recently may still be being written by another program, and stays [s].
    """
    for one in path.parent.glob(f".{path.name}.????????.new*"):
        with suppress(OSError):
            if time.time() - one.stat().st_mtime >= unchanged_s:
                one.unlink()


def _linked_when_complete(path: Path, content: bytes, mode: int) -> bool:
    """Write a file without a name and name it at the end; False where that is impossible."""
    if not hasattr(os, "O_TMPFILE"):
        return False
    try:
        handle = os.open(path.parent, os.O_TMPFILE | os.O_WRONLY, mode)
    except OSError:  # not on every file system
        return False
    try:
        _fill(handle, content)
        folder = os.open(path.parent, os.O_RDONLY)
        try:  # the link in /proc is the file without a name, and has to be followed
            os.link(f"/proc/self/fd/{handle}", path.name, dst_dir_fd=folder, follow_symlinks=True)
        except FileExistsError:
            raise
        except OSError:  # no /proc
            return False
        finally:
            os.close(folder)
    finally:
        os.close(handle)
    return True


def _written(path: Path, content: bytes, mode: int) -> None:
    handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode)
    try:
        _fill(handle, content)
    finally:
        os.close(handle)


def name_file(new: Path, real: Path) -> None:
    """Give a complete file its name; FileExistsError where there is such a file."""
    try:
        os.link(new, real)
    except FileExistsError:
        raise
    except OSError as error:  # a file system without hard links
        if os.path.lexists(real):
            raise FileExistsError(real) from error
        new.rename(real)


def _fill(handle: int, content: bytes) -> None:
    with open(handle, "wb", closefd=False) as file:
        file.write(content)
        file.flush()
        os.fsync(handle)


# ---- On which line of a TOML text each key and each array element stands.
#
# The standard library's reader returns what a text holds but not where, and the site file's messages name
# lines.  The text must have been read without error before: nothing is checked here.


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

    A place is the path to it: ``("plate", "bolt_bearings_deg", 2)`` is the third element of that key's
    array.  Something in several pieces (a table made by dotted keys) has the line where it is first named.
    """
    return {place: line for place, (line, _) in spots_of(text).items()}


def spots_of(text: str) -> dict[Place, tuple[int, int]]:
    """Return the same with the column, from 1: of an array element that of its value, of a key its own."""
    return _Walk(text).spots


def line_of(lines: Mapping[Place, int], place: Place) -> int | None:
    """Return the line of a place, or of what encloses it; None when neither is there."""
    for depth in range(len(place), 0, -1):
        if place[:depth] in lines:
            return lines[place[:depth]]
    return None


class _Walk:
    """One pass over the text; `at` is where the next thing begins."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.spots: dict[Place, tuple[int, int]] = {}
        self._starts = [0, *(found.end() for found in re.finditer("\n", text))]
        self._tables: dict[Place, int] = {}  # how many [[tables]] of a name there are so far
        section: Place = ()
        while self._skip():
            section = self._statement(section)

    def _statement(self, section: Place) -> Place:
        """Parse a header or a ``key = value``; return the section that holds from here on."""
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
        """Parse a key, dotted or not."""
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
        """Parse the items of an array or an inline table, from its opening bracket past its closing one."""
        self.at += 1
        number = 0
        while self._skip() and not self._is(closing):
            take(number)
            number += 1
            self._skip()
            self.at += self._is(",")
        self.at += 1

    def _note(self, place: Place, position: int) -> None:
        line = bisect_right(self._starts, position)
        self.spots.setdefault(place, (line, position - self._starts[line - 1] + 1))

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


# ---- What is said about a site file that is no TOML: line, column, and the likely cause.


_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")

#: The usual causes of the parser's complaints.
_BY_COMPLAINT = (
    ("Cannot overwrite", "This key stands twice in its section; keep one of them."),
    ("Cannot declare", "This section stands twice; put all its keys below one heading."),
    ("Cannot mutate", "This section stands twice; put all its keys below one heading."),
    ("Duplicate", "This key stands twice in its section; keep one of them."),
    ("Unclosed array", "A list that is opened with [ has no closing ]."),
    ("Expected ']' at the end of a table", "A section's heading is written [name], alone on its line."),
    (
        "Unescaped '\\'",
        "A backslash has a meaning of its own between double quotes; use single ones, or / in paths.",
    ),
    ("Invalid date", "This day is not in the calendar; dates are written like 2021-05-14."),
)
#: Usual mistakes on the line; the first that fits.
_BY_LINE = (
    (
        "[\u201c\u201d\u2018\u2019\u00ab\u00bb]",
        "Use the plain quotes of the keyboard, not a word processor's curly ones.",
    ),
    (r"^\s*(//|;|--)", "A remark begins with #."),
    (r"=\s*[-+]?\d+,\d", "A number is written with a decimal point, not a comma: 47.3."),
    (
        "=\\s*[-+]?[\\d.]+\\s*[\u00b0\u00ba'\":]",
        "An angle is written in decimal degrees, without a sign for them: 47.3.",
    ),
    (r"=\s*[-+]?[\d.]+\s*[NSEWnsew]\b", "South and west are negative numbers, without a letter: -92.4."),
    ("=\\s*[\u2212\u2013\u2014]", "Use the plain minus sign - of the keyboard."),
    (
        r"=\s*\d{1,4}[-./]\d{1,2}[-./]\d{1,4}",
        "A date is written year-month-day, two digits each: 2021-05-14.",
    ),
    (r"=\s*[-+]?[\d.]+\s*[A-Za-z]", "A number is written without its unit; the key's name says the unit."),
    (r"=\s*[-+]?(\.\d|\d+\.(?!\d))", "A decimal point has a digit on both sides: 0.5, 47.0."),
    (r"=\s*[-+]?0\d", "A number does not begin with a needless 0."),
    (r"(?i)=\s*(true|false|yes|no|on|off)\b", "Yes and no are written true and false, in small letters."),
    (r"=\s*(#.*)?$", "There is no value behind the =; write one, or a # before the key."),
    (r"=\s*([\"'])(?:(?!\1).)*$", "A text has no closing quote."),
    (r"=\s*[^\W\d]", "Text stands in quotes."),
    (r"^\s*\[", "A section's heading is written [name], alone on its line."),
    (r"^[^=#]*:", "A key and its value are joined by =, not by a colon."),
    (r"^[^=]+$", "Each line is a heading [section], a remark after #, or key = value."),
)


def syntax_words(path: Path, text: str, complaint: str) -> str:
    """Return the message about a text that is no TOML.

    Parameters
    ----------
    path
        The file.
    text
        Its whole text.
    complaint
        The message of the standard library's parser.
    """
    found = _PLACE.search(complaint)
    plain = complaint[: found.start()] if found else complaint
    lines = text.split("\n")
    if found and found[1]:
        number, column = int(found[1]), int(found[2])
        # The parser notices a missing value on the line itself, but an unclosed one on a later line.
        where = f"{path}, line {number}, column {column}"
    else:
        number = max((k for k, line in enumerate(lines, 1) if line.strip()), default=1)
        column, where = 1, f"{path}, at its end (line {number})"
    line = lines[number - 1].strip() if number <= len(lines) else ""
    seen = f" at {_cut(line)}" if line else ""
    return f"{where}: this is not TOML{seen}.  {_cause(plain, line)}"


def _cut(line: str) -> str:
    line = re.sub("://.*", "://...", line)  # a password may follow
    return repr(line if len(line) <= 60 else f"{line[:56]} ...")


def _cause(complaint: str, line: str) -> str:
    for beginning, cause in _BY_COMPLAINT:
        if complaint.startswith(beginning):
            return cause
    for pattern, cause in _BY_LINE:
        if re.search(pattern, line):
            return cause
    return f"The reader says: {complaint}."
