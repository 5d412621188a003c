"""Logs in free text, a time at the beginning of a line and ``name = value`` after it, as a table.

    2024-03-02 21:14:05 Solved RA=08h44m13.5s Dec=+47d02m49s, mount RA=131.504 Dec=46.949

A name may have a word before it that says whose it is; the names after it without one are of the same.  Lines
without a time at their beginning or without two values are passed over, and so said.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from drift.ingest.text import PART_ROWS, Heading, RawTable, Rows, is_blank
from drift.notices import IngestCode, info

#: A line begins with a date and a time of day, perhaps between brackets.
_STAMP = re.compile(
    r"\s*[\[(]?(?P<time>\d{4}[-/.]\d\d[-/.]\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?"
    r"(?: ?(?:Z|UTC|[+-]\d\d:?\d\d|[A-Z]{3,4}(?![A-Za-z]))(?!\w))?)[\])]?[\s,;:-]*"
)
#: A name, perhaps after a word or two that say whose it is, and what stands before its value.
_WHOSE = r"(?!(?:deg|degrees|hours|hrs|arcmin|arcsec|min|sec)\b)[A-Za-z]{3,}(?:[ _][A-Za-z][A-Za-z0-9]{2,})?"
_NAME = re.compile(
    rf"(?<![\w.])(?:(?P<whose>{_WHOSE})[ _])?(?P<name>[A-Za-z][A-Za-z0-9]*(?:_[A-Za-z0-9]+)*)"
    r"(?P<unit> ?[\[(][^\])]{1,12}[\])])?\s*(?:=|:(?!\d))\s*"
)
_AROUND = " \t,;|)]}"
_LINES_LOOKED_AT = 400
#: The time's column.
TIME = "time"
#: From so many rows on, and this share of the lines, a text is such a log.
_FEW_ROWS, _SHARE = 3, 0.2


def cells_of(line: str) -> dict[str, str]:
    """Return the time and the values of a line by their names, {} for a line that is no row."""
    stamp = _STAMP.match(line)
    if stamp is None:
        return {}
    found, whose = {TIME: stamp["time"].strip()}, ""
    names = list(_NAME.finditer(line, stamp.end()))
    for at, name in enumerate(names):
        whose = name["whose"] or whose
        end = names[at + 1].start() if at + 1 < len(names) else len(line)
        value = line[name.end() : end].rstrip(" ([{").strip(_AROUND)
        quoted = re.match(r"(['\"])(.*?)\1", value)
        called = " ".join(part for part in (whose, f"{name['name']}{name['unit'] or ''}") if part)
        found.setdefault(called, quoted[2] if quoted else value)
    return found if len(found) > 2 else {}


def is_free_text(lines: list[str]) -> bool:
    """Tell whether a text is a log of such lines."""
    given = [line for line in lines if not is_blank(line)][:_LINES_LOOKED_AT]
    rows = sum(bool(cells_of(line)) for line in given if len(line) < 2_000)
    return rows >= max(min(_FEW_ROWS, len(given)), _SHARE * len(given)) and rows > 0


@dataclass(frozen=True)
class _TextRows:
    lines: list[str] = field(repr=False)
    kept: list[int] = field(repr=False)
    names: tuple[str, ...]

    def __iter__(self) -> Iterator[Rows]:
        for start in range(0, len(self.kept), PART_ROWS):
            some = self.kept[start : start + PART_ROWS]
            rows = [cells_of(self.lines[at]) for at in some]
            cells = [[row.get(name, "") for row in rows] for name in self.names]
            yield Rows([*cells], np.array(some, np.int64) + 1, [self.lines[at] for at in some])

    def split_raw(self, raw: str) -> list[str]:
        """Return the cells of one row."""
        row = cells_of(raw)
        return [row.get(name, "") for name in self.names]


def table_of(lines: list[str], name: str, path: str, digest: str) -> RawTable:
    """Return such a log as a table."""
    names: dict[str, None] = {}
    kept = []
    for at, line in enumerate(lines):
        row = cells_of(line)
        if row:
            kept.append(at)
            names.update(dict.fromkeys(row))
    rows = _TextRows(lines, kept, tuple(names))
    passed = sum(not is_blank(line) for line in lines) - len(kept)
    remarks = (info(IngestCode.LINES_WITHOUT_VALUES, lines=passed),) if passed else ()
    headings = tuple(Heading(one) for one in names)
    return RawTable(name, path, digest, headings, 0, rows, rows.split_raw, remarks)
