"""The forms of file that are read, how a file's form is found, and unpacking."""

from __future__ import annotations

import csv
import gzip
import io
import json
import stat
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from functools import partial
from pathlib import Path

import numpy as np

from drift.errors import LogFileError, NoTable
from drift.ingest.astropy_tables import (
    begins_as_ecsv,
    begins_as_votable,
    is_fits_table,
    open_ecsv,
    open_fits_table,
    open_votable,
)
from drift.ingest.delimited import digest_of, open_bytes
from drift.ingest.text import PART_ROWS, Heading, RawTable, Rows, as_text, decode, json_line
from drift.notices import IngestCode, Notice, info, warning

# ---- JSON: a document that holds a list of objects, somewhere in it.


#: Depth down to which objects within a document are looked for.
_DEEPEST_LIST = 5


def begins_as_json(beginning: bytes, path: Path) -> bool:
    """Tell whether a file begins as JSON: with an object, or a list of objects or lists."""
    text = beginning.lstrip(b"\xef\xbb\xbf \t\r\n")
    return text[:1] == b"{" or (text[:1] == b"[" and text[1:].lstrip()[:1] in (b"{", b"["))


def open_json(path: Path, data: bytes, chosen: bool = True) -> RawTable:
    """Open JSON: a list of objects, one in a document around it, or lists of equal length; else JSON Lines.

    Of a file that nobody chose itself, a document without a list is no table, as settings are.

    Raises
    ------
    drift.errors.LogFileError
        If it is no JSON, or holds no list.
    drift.errors.NoTable
        If it holds several, or is such a document.
    """
    name = str(path)
    decoded = decode(data, name)
    try:
        whole = json.loads(decoded.text, parse_float=str, parse_int=str, parse_constant=str)
    except RecursionError as error:
        raise LogFileError(f"{name} is JSON whose objects lie too deep within each other.") from error
    except ValueError as error:
        if decoded.text.lstrip()[:1] == "{":
            return open_json_lines(path, data)
        raise LogFileError(f"{name} begins like JSON but can't be read as such: {error}.") from error
    found = _lists_in(whole, "", 0)
    if not found and isinstance(whole, dict):
        inner = any(isinstance(one, (dict, list)) for one in whole.values())
        if inner and not chosen and path.name.lower().removesuffix(".gz").endswith(".json"):
            raise NoTable(f"{name} is JSON that holds no list of objects.")
        return open_json_lines(path, data)
    if not found:
        raise LogFileError(
            f"{name} is JSON that holds no list of objects: give a file with one, an object a row."
        )
    if len(found) > 1:
        names = tuple(one for one, _ in found)
        raise NoTable(
            f"{name} is JSON that holds {len(found)} lists of objects "
            f"({', '.join(map(repr, names[:10]))}): give a file with one, an object a row.",
            names,
        )
    where, rows = found[0]
    lines = [json_line(row) for row in rows]
    remarks = (*decoded.remarks, *((info(IngestCode.LIST_READ, key=where),) if where else ()))
    return _json_table(path, data, lines, remarks)


def _lists_in(value: object, where: str, depth: int) -> list[tuple[str, list[object]]]:
    """Return the lists of objects in a document, with the keys that lead to them."""
    if isinstance(value, list):
        if value and all(isinstance(one, dict) for one in value):
            return [(where, value)]
        if len(value) > 1 and all(isinstance(one, list) and len(one) == len(value[0]) for one in value):
            head = [str(one) for one in value[0]]
            return [(where, [dict(zip(head, row, strict=True)) for row in value[1:]])]
        return []
    if not isinstance(value, dict) or depth > _DEEPEST_LIST:
        return []
    columns = [one for one in value.values() if isinstance(one, list)]
    even = len(columns) == len(value) > 1 and len({len(one) for one in columns}) == 1 and columns[0]
    if even and not any(isinstance(one, (dict, list)) for column in columns for one in column[:3]):
        return [(where, [dict(zip(value, row, strict=True)) for row in zip(*columns, strict=True)])]
    inner = [(f"{where}.{key}" if where else key, one) for key, one in value.items()]
    return [found for key, one in inner for found in _lists_in(one, key, depth + 1)]


# ---- JSON Lines: one object for each line; inner objects become ``outer.inner``.


#: Objects within objects deeper than this are kept as text.
_DEEPEST = 4
#: Most columns of a log.
_MOST_COLUMNS = 500


def open_json_lines(path: Path, data: bytes) -> RawTable:
    """Open a file of JSON Lines.

    Raises
    ------
    drift.errors.LogFileError
        If it is no text, or no line is an object.
    """
    name = str(path)
    decoded = decode(data, name)
    return _json_table(path, data, decoded.text.split("\n"), decoded.remarks)


def _json_table(path: Path, data: bytes, lines: list[str], remarks: tuple[Notice, ...]) -> RawTable:
    name = str(path)
    names: dict[str, None] = {}
    for line in lines:
        row = _object(line)
        names.update(dict.fromkeys(row) if isinstance(row, dict) else {})
    if not names:
        raise LogFileError(f"{name} begins like JSON, but nothing in it is a JSON object.")
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
        remarks,
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


# ---- What is packed: gzip, a zip archive with one table, a workbook.


#: Largest file that is unpacked [bytes]: a log of a million rows has some 150 MB.
_MOST_BYTES = 1 << 30
_GZIP, _ZIP = b"\x1f\x8b", b"PK\x03\x04"
_WORKBOOK = "xl/workbook.xml"


def unpacked(path: Path, data: bytes) -> bytes:
    """Return the bytes of the table in a gzip file or in a zip archive that holds one; others as they are.

    Raises
    ------
    drift.errors.LogFileError
        If it is broken, holds too much, or not one table.
    """
    try:
        if data.startswith(_GZIP):
            with gzip.GzipFile(fileobj=io.BytesIO(data)) as file:
                return _at_most(file.read(_MOST_BYTES + 1), path)
        if data.startswith(_ZIP):
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                return data if _WORKBOOK in archive.namelist() else _only_member(archive, path)
    except LogFileError:
        raise
    except Exception as error:  # a broken archive may raise anything
        raise LogFileError(f"{path} is packed, and can't be unpacked: {error}.") from error
    return data


def _at_most(data: bytes, path: Path) -> bytes:
    if len(data) > _MOST_BYTES:
        most = f"{_MOST_BYTES >> 20} MB"
        raise LogFileError(f"{path} holds more than {most} when it is unpacked: it is no log.")
    return data


def _only_member(archive: zipfile.ZipFile, path: Path) -> bytes:
    members = [one for one in archive.infolist() if not one.is_dir() and not _is_hidden(one.filename)]
    tables = [one for one in members if has_table_name(Path(one.filename))] or members
    if len(tables) != 1:
        names = ", ".join(one.filename for one in tables[:5])
        raise LogFileError(
            f"{path} is a zip archive with {len(tables)} files in it ({names}): unpack it, and import the "
            "folder."
        )
    with archive.open(tables[0]) as file:
        return _at_most(file.read(_MOST_BYTES + 1), path)


def _is_hidden(name: str) -> bool:
    return any(part.startswith((".", "__MACOSX")) for part in name.split("/"))


def begins_as_workbook(beginning: bytes, path: Path) -> bool:
    """Tell whether a file is a workbook: other zip archives are unpacked before this is asked."""
    return beginning.startswith(_ZIP)


def open_workbook(path: Path, data: bytes) -> RawTable:
    """Open the only sheet with rows of a workbook (.xlsx); dates become text, lines are the sheet's rows.

    Raises
    ------
    drift.errors.LogFileError
        If openpyxl is not installed or can't read it, or several sheets hold rows.
    """
    try:
        from openpyxl import load_workbook
    except ImportError as error:
        raise LogFileError(
            f"{path} is a spreadsheet workbook, which is read with openpyxl: install it "
            "(pip install 'drift[xlsx]'), or save the sheet as CSV."
        ) from error
    try:
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True, keep_links=False)
        sheets = {sheet.title: list(sheet.iter_rows(values_only=True)) for sheet in book.worksheets}
    except Exception as error:  # a broken workbook may raise anything
        raise LogFileError(f"{path} begins like a workbook but can't be read as such: {error}.") from error
    full = {title: rows for title, rows in sheets.items() if sum(map(any, rows)) > 1}
    if len(full) != 1:
        names = ", ".join(map(repr, full)) or "none"
        raise LogFileError(
            f"{path} has {len(full)} sheets with rows ({names}): leave one in it, or save the one that is "
            "the "
            "log as CSV."
        )
    title, rows = next(iter(full.items()))
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([[_of_sheet(cell) for cell in row] for row in rows])
    table = open_bytes(text.getvalue().encode(), str(path), str(path.resolve()))
    remark = info(IngestCode.SHEET_READ, sheet=title, sheets=len(sheets))
    return replace(table, digest=digest_of(data), remarks=(remark, *table.remarks))


def _of_sheet(cell: object) -> str:
    """Return a cell of a sheet as text: times as ISO has them, on one line."""
    if cell is None:
        return ""
    if isinstance(cell, datetime) and (cell.hour, cell.minute, cell.second, cell.microsecond) == (0, 0, 0, 0):
        return cell.date().isoformat()
    if isinstance(cell, (datetime, date, time)):
        return cell.isoformat(*((" ",) if isinstance(cell, datetime) else ()))
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    return " ".join(str(cell).split())


# ---- The forms of file, and which one a file has.


_BEGINNING_BYTES = 4096


@dataclass(frozen=True)
class Form:
    """A form of file: how it is recognised, and the function that opens it."""

    suffixes: tuple[str, ...]  # file name endings looked for in folders
    fits: Callable[[bytes, Path], bool] = field(repr=False)  # the first kilobytes, the file
    open_table: Callable[[Path, bytes], RawTable] = field(repr=False)  # the file, all its bytes


def _delimited(path: Path, data: bytes) -> RawTable:
    return open_bytes(data, str(path), str(path.resolve()))


#: The first that fits is used; text in columns comes last, because it fits everything.
FORMS: tuple[Form, ...] = (
    Form((".ecsv",), begins_as_ecsv, open_ecsv),
    Form((".vot", ".votable"), begins_as_votable, open_votable),
    Form((), is_fits_table, open_fits_table),
    Form((".jsonl", ".ndjson", ".json"), begins_as_json, open_json),
    Form((".xlsx",), begins_as_workbook, open_workbook),
    Form((".csv", ".tsv"), lambda beginning, path: True, _delimited),
)


def suffixes() -> tuple[str, ...]:
    """Return the suffixes of the files that are taken from folders."""
    return tuple(suffix for form in FORMS for suffix in form.suffixes)


def has_table_name(path: Path) -> bool:
    """Tell whether a file of a folder is taken for a table by its name, also packed or in an archive."""
    name = path.name.lower()
    return name.removesuffix(".gz").endswith(suffixes()) or name.endswith(
        tuple(f"{one}.zip" for one in suffixes())
    )


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

    A missing or inaccessible file, and a folder, are left to what reads them.

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


def open_table(path: Path, chosen: bool = True) -> RawTable:
    """Open a file of any form that is read here.

    Parameters
    ----------
    path
        The file.
    chosen
        Whether it was given itself, and not found in a folder among other files.

    Raises
    ------
    drift.errors.LogFileError
        If it can't be read, or is not what it begins as.
    drift.errors.NoTable
        If it is a document that is not one table.
    """
    refuse_irregular(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogFileError(
            f"{path} can't be read: {error.strerror or error}.  See that the name is right and that you may "
            "read it."
        ) from error
    data = unpacked(path, data)
    form = next(form for form in FORMS if form.fits(data[:_BEGINNING_BYTES], path))
    opened = partial(open_json, chosen=chosen) if form.open_table is open_json else form.open_table
    table = opened(path, data)
    return replace(table, name=as_text(table.name), path=as_text(table.path))
