"""JSON Lines: one object a line, its keys the names of the columns; inner objects give ``outer.inner``."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from drift.errors import LogFileError
from drift.logs.delimited import digest_of
from drift.logs.table import PART_ROWS, Heading, RawTable, Rows
from drift.logs.text import decode

#: Objects within objects deeper than this are kept as text.
_DEEPEST = 4
#: More columns than this are no log.
_MOST_COLUMNS = 500


def begins_as_json_lines(beginning: bytes, path: Path) -> bool:
    """Tell whether a file's first line is a JSON object, or begins one that is cut off here."""
    text = beginning.lstrip(b"\xef\xbb\xbf \t\r\n")
    if not text.startswith(b"{"):
        return False
    first, cut, _ = text.partition(b"\n")
    row = _object(first.decode("utf-8", "replace"))
    return isinstance(row, dict) or not cut


def open_json_lines(path: Path, data: bytes) -> RawTable:
    """Open a file of JSON Lines.

    Raises
    ------
    drift.errors.LogFileError
        If it is no text, or no line is an object.
    """
    name = str(path)
    decoded = decode(data, name)
    lines = decoded.text.split("\n")
    names: dict[str, None] = {}
    for line in lines:
        row = _object(line)
        names.update(dict.fromkeys(row) if isinstance(row, dict) else {})
    if not names:
        raise LogFileError(f"{name} begins like JSON Lines, but no line of it is a JSON object.")
    if len(names) > _MOST_COLUMNS:
        raise LogFileError(f"{name} has {len(names)} different keys: it is no log, a row a line.")
    headings = tuple(Heading(one) for one in names)
    rows = _JsonRows(lines, tuple(names))
    return RawTable(
        name,
        str(path.resolve()),
        digest_of(data),
        "JSON Lines",
        headings,
        0,
        rows,
        rows.split_raw,
        decoded.remarks,
    )


@dataclass(frozen=True)
class _JsonRows:
    lines: list[str] = field(repr=False)
    names: tuple[str, ...]

    def __iter__(self) -> Iterator[Rows]:
        for start in range(0, len(self.lines), PART_ROWS):
            kept = [
                at for at in range(start, min(start + PART_ROWS, len(self.lines))) if self.lines[at].strip()
            ]
            if kept:
                yield self._part(kept)

    def split_raw(self, raw: str) -> list[str]:
        """Return the cells of one row."""
        row = _object(raw)
        return [row.get(name, "") for name in self.names] if isinstance(row, dict) else [""] * len(self.names)

    def _part(self, kept: list[int]) -> Rows:
        raws = [self.lines[at] for at in kept]
        rows = [_object(raw) for raw in raws]
        aside = {at: row for at, row in enumerate(rows) if isinstance(row, str)}
        objects: list[dict[str, str]] = [row if isinstance(row, dict) else {} for row in rows]
        cells = [[row.get(name, "") for row in objects] for name in self.names]
        return Rows([*cells], np.array(kept, dtype=np.int64) + 1, raws, aside=aside)


def _object(line: str) -> dict[str, str] | str:
    """Return the flat cells of a line, or why it is no object."""
    try:
        row = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError) as error:
        return f"the line is no JSON ({error})"
    return dict(_flat(row, "", 0)) if isinstance(row, dict) else "the line is JSON, but no object"


def _flat(row: dict[str, object], outer: str, depth: int) -> Iterator[tuple[str, str]]:
    for key, value in row.items():
        name = f"{outer}{key}"
        if isinstance(value, dict) and depth < _DEEPEST:
            yield from _flat(value, f"{name}.", depth + 1)
        else:
            yield name, _cell(value)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.strip() if isinstance(value, str) else json.dumps(value)
