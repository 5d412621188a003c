"""The forms of file that are read, and which one a file has."""

from __future__ import annotations

import json
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from drift.errors import LogFileError
from drift.ingest.astropy_tables import (
    begins_as_ecsv,
    begins_as_votable,
    is_fits_table,
    open_ecsv,
    open_fits_table,
    open_votable,
)
from drift.ingest.delimited import digest_of, open_bytes
from drift.ingest.text import PART_ROWS, Heading, RawTable, Rows, as_text, decode
from drift.notices import IngestCode, Notice, warning

# ---- JSON Lines: one object a line, its keys the names of the columns; inner objects give
# ``outer.inner``.


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
        aside = {at: row for at, row in enumerate(rows) if isinstance(row, Notice)}
        objects: list[dict[str, str]] = [row if isinstance(row, dict) else {} for row in rows]
        cells = [[row.get(name, "") for row in objects] for name in self.names]
        return Rows([*cells], np.array(kept, dtype=np.int64) + 1, raws, aside=aside)


def _object(line: str) -> dict[str, str] | Notice:
    """Return the flat cells of a line, or why it is no object."""
    try:
        row = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError) as error:
        return warning(IngestCode.JSON_BROKEN, error=str(error))
    return dict(_flat(row, "", 0)) if isinstance(row, dict) else warning(IngestCode.JSON_NO_OBJECT)


def _flat(row: dict[str, object], outer: str, depth: int) -> Iterator[tuple[str, str]]:
    for key, value in row.items():
        name = f"{outer}{key}"
        if isinstance(value, dict) and depth < _DEEPEST:
            yield from _flat(value, f"{name}.", depth + 1)
        else:
            yield as_text(name), as_text(_cell(value))


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.strip() if isinstance(value, str) else json.dumps(value)


# ---- The forms of file that are read, and which one a file has.


_BEGINNING_BYTES = 4096


@dataclass(frozen=True)
class Form:
    """A form of file: how it is known, and the function that opens it."""

    suffixes: tuple[str, ...]  # of files that are taken from folders
    fits: Callable[[bytes, Path], bool] = field(repr=False)  # the first kilobytes, the file
    open_table: Callable[[Path, bytes], RawTable] = field(repr=False)  # the file, all its bytes


def _delimited(path: Path, data: bytes) -> RawTable:
    return open_bytes(data, str(path), str(path.resolve()))


#: The first that fits is taken; text in columns comes last, because it fits everything.
FORMS: tuple[Form, ...] = (
    Form((".ecsv",), begins_as_ecsv, open_ecsv),
    Form((".vot", ".votable"), begins_as_votable, open_votable),
    Form((), is_fits_table, open_fits_table),
    Form((".jsonl", ".ndjson"), begins_as_json_lines, open_json_lines),
    Form((".csv", ".tsv"), lambda beginning, path: True, _delimited),
)


def suffixes() -> tuple[str, ...]:
    """Return the suffixes of the files that are taken from folders."""
    return tuple(suffix for form in FORMS for suffix in form.suffixes)


def is_plain_text(path: Path) -> bool:
    """Tell whether a file is text in columns, by how it begins, or by its name when it is gone."""
    try:
        refuse_irregular(path)
        with path.open("rb") as file:
            beginning = file.read(_BEGINNING_BYTES)
    except (OSError, LogFileError):
        return path.suffix.lower() in (*FORMS[-1].suffixes, ".txt", ".dat")
    return next(form for form in FORMS if form.fits(beginning, path)) is FORMS[-1]


def refuse_irregular(path: Path) -> None:
    """Refuse a pipe, a socket or a device, from which reading could wait for ever, and ``-``.

    A name that isn't there or may not be looked at, and a folder, are left to what reads them.

    Raises
    ------
    drift.errors.LogFileError
        If it is one.
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        if str(path) != "-":
            return
        mode = stat.S_IFIFO
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise LogFileError(
            ("there is no file -" if str(path) == "-" else f"{path} is {_sort_of(mode)}, and not a file")
            + ": logs are read from files and folders only, not from pipes or standard input.  Write what it "
            "gives into a file, and import that."
        )


def _sort_of(mode: int) -> str:
    if stat.S_ISFIFO(mode):
        return "a pipe"
    return "a socket" if stat.S_ISSOCK(mode) else "a device"


def open_table(path: Path) -> RawTable:
    """Open a file of any form that is read here.

    Raises
    ------
    drift.errors.LogFileError
        If it can't be read, or is not what it begins as.
    """
    refuse_irregular(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogFileError(
            f"{path} can't be read: {error.strerror or error}.  See that the name is right and that you may "
            "read it."
        ) from error
    form = next(form for form in FORMS if form.fits(data[:_BEGINNING_BYTES], path))
    table = form.open_table(path, data)
    return replace(table, name=as_text(table.name), path=as_text(table.path))
