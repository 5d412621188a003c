"""Rows set aside are exported as files to mend, spelled as they came, and imported again.

A file to mend has the header and the rows of the log that they came from, with
a column in front that holds each row's number on the list, and above each row a
comment with its place and the reason.  So it is read like the log itself, also with a mapping.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from sqlalchemy import Connection

from drift.errors import LogFileError
from drift.ingest.formats import is_plain_text, open_table, refuse_irregular
from drift.ingest.read import Settle, read_table
from drift.ingest.row_check import circumstances
from drift.ingest.text import RawCells, RawTable, Rows, plain_cell, spreadsheet_cell
from drift.readings import LogRead, RowSetAside
from drift.record.acts import MENDED
from drift.record.aside import Aside, mended_rows, note_mended, open_asides
from drift.record.engine import now_us
from drift.record.record import Record
from drift.record.writing import Act, add_log, row_ids_by_position, row_ids_of

#: The column in front.
NUMBER = "aside_number"
_DELIMITERS = ",;\t|"


@dataclass(frozen=True)
class ToMend:
    """A file of rows to mend, as text."""

    name: str
    text: str = field(repr=False)
    numbers: tuple[int, ...]


@dataclass(frozen=True)
class NotTaken:
    """A row of a mended file that could not be put back, and why; None: its number is not on the list."""

    line: int
    number: int
    row: RowSetAside | None = None


@dataclass(frozen=True)
class Mended:
    """The outcome of a mended file: numbers put back, and rows that are not good yet."""

    file: str
    import_number: int | None
    put_back: tuple[int, ...]
    still_bad: tuple[NotTaken, ...]
    before: tuple[int, ...] = ()  # put back already, by the very same row


#: Returns in one line where a row was and why it was set aside.
Words = Callable[[RowSetAside], str]


def files_to_mend(asides: Sequence[Aside], words: Words) -> tuple[list[ToMend], list[Aside]]:
    """Return the files to mend, one for each log and header, and the rows of logs that are no delimited text.

    Parameters
    ----------
    asides
        The rows.
    words
        Makes the comment above each row.
    """
    groups: dict[tuple[str, str], list[Aside]] = {}
    plain: dict[str, bool] = {}
    others = []
    for one in asides:
        if _delimiter(one.header) and plain.setdefault(one.path, is_plain_text(Path(one.path))):
            groups.setdefault((one.path, one.header), []).append(one)
        else:
            others.append(one)
    files: list[ToMend] = []
    for (path, header), members in groups.items():
        stem = Path(path).stem
        taken = {file.name for file in files}
        names = (f"{stem}-to-mend{tail}.csv" for tail in ("", *(f"-{n}" for n in range(2, 10_000))))
        name = next(one for one in names if one not in taken)
        text = "\n".join([*_lines(header, members, words), ""])
        files.append(ToMend(name, text, tuple(dict.fromkeys(one.number for one in members))))
    return files, others


def _delimiter(header: str) -> str:
    """Return what separates the fields of a header, "" when it is no header of a delimited text."""
    counts = {one: header.count(one) for one in _DELIMITERS}
    best = max(_DELIMITERS, key=counts.__getitem__)
    return best if counts[best] else ""


def _lines(header: str, members: Sequence[Aside], words: Words) -> Iterator[str]:
    delimiter = _delimiter(header)
    yield f"{NUMBER}{delimiter}{header}"
    for one in members:
        row = one.row
        comment = " ".join(f"{row.file}, {words(row)}".split())
        yield f"# {one.number}: {comment}"
        yield f"{one.number}{delimiter}{_each_cell(row.raw, delimiter, spreadsheet_cell)}"


def _each_cell(raw: str, delimiter: str, change: Callable[[str], str]) -> str:
    """Return a row with its cells changed; one of which none is stays as it came, to the last blank."""
    cells = next(csv.reader([raw], delimiter=delimiter), [])
    changed = [change(cell) for cell in cells]
    if changed == cells:
        return raw
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, lineterminator="").writerow(changed)
    return text.getvalue()


def refuse_rows_to_mend(path: Path) -> None:
    """Refuse a file of rows to mend where a log is expected.

    Raises
    ------
    drift.errors.LogFileError
        If it is one.
    """
    try:
        refuse_irregular(path)
        with path.open("rb") as file:
            beginning = file.read(len(NUMBER) + 4)  # a byte-order mark may stand before it
    except OSError:
        return  # reading it says why
    if NUMBER.encode() in beginning:
        raise LogFileError(
            f"{path} holds rows to mend (its first column is {NUMBER}): `drift imports aside put-back "
            f"{path}` takes those that were mended."
        )


def without_numbers(table: RawTable) -> tuple[RawTable, dict[int, int]]:
    """Take the column in front off a mended file.

    Returns
    -------
    table, numbers
        The table as in the log, and line -> number on the list.

    Raises
    ------
    drift.errors.LogFileError
        If there is no such column in front, or a number in it is none.
    """
    if not table.headings or table.headings[0].name.strip().lower() != NUMBER:
        raise LogFileError(
            f"{table.name} does not begin with the column {NUMBER}, so that it is not known which rows it "
            "mends.  `drift imports aside export` writes such files; a log of your own "
            "goes in by `drift import`."
        )
    numbers: dict[int, int] = {}
    for part in table.parts:
        for line, cell in zip(part.lines.tolist(), _texts(part.cells[0]), strict=True):
            numbers[line] = _number(cell, line, table.name)
    parts = _Bare(table.parts, table.delimiter or ",")
    return replace(table, headings=table.headings[1:], parts=parts), numbers


def _texts(cells: object) -> list[str]:
    if isinstance(cells, np.ndarray):
        return [f"{value:g}" for value in cells.tolist()]
    assert isinstance(cells, list)
    return cells


def _number(cell: str, line: int, name: str) -> int:
    try:
        return int(cell)
    except ValueError as error:
        raise LogFileError(
            f"{name}, line {line}: {NUMBER} is {cell!r}, which is no number.  Leave that column as it was "
            "exported, or take the whole row out."
        ) from error


@dataclass(frozen=True)
class _Bare:
    """The parts of a table without its first column."""

    parts: Iterable[Rows] = field(repr=False)
    delimiter: str

    def __iter__(self) -> Iterator[Rows]:
        for part in self.parts:
            bare = (raw.split(self.delimiter, 1)[-1] for raw in part.raws)
            raws = [_each_cell(raw, self.delimiter, plain_cell) if "'" in raw else raw for raw in bare]
            surplus = {at: cells - 1 for at, cells in part.surplus.items()}
            yield replace(part, cells=[_plain(cells) for cells in part.cells[1:]], raws=raws, surplus=surplus)


def _plain(cells: RawCells) -> RawCells:
    return [plain_cell(cell) for cell in cells] if isinstance(cells, list) else cells


def put_back_mended(record: Record, path: Path, settle: Settle | None = None) -> Mended:
    """Put the rows of a mended file, as `drift imports aside export` wrote it, into the record.

    Parameters
    ----------
    record
        The record.
    path
        The file.
    settle
        As in `drift.ingest.read.read_log`.

    Raises
    ------
    drift.errors.LogFileError
        If it is no such file.
    """
    around = circumstances(record.site, now_us())
    bare, numbers = without_numbers(open_table(path))
    log = read_table(bare, around, settle)
    with record.writing(f"putting back what {path} mends") as connection:
        return _put_back(connection, log, numbers, around.now_us)


def _put_back(connection: Connection, log: LogRead, numbers: dict[int, int], now_us: int) -> Mended:
    """Add the rows of a mended file that mend one on the list, and note what they mend.

    Parameters
    ----------
    log
        The mended file, read without its first column.
    numbers
        Line -> number on the list, from `without_numbers`.
    """
    listed = {one.number: one for one in open_asides(connection, list(numbers.values()))}
    open_ones = {number for number, one in listed.items() if one.row.kind == log.kind}
    good, bad = _good_rows(log, numbers, open_ones)
    before = _put_back_before(connection, log, numbers, {one.line for one in bad if one.row is None})
    bad = [one for one in bad if one.line not in before]
    act = Act(MENDED)
    if good:
        mended = _picked(log, good)
        added = add_log(connection, mended, now_us, act=act)
        ids = dict(zip(mended.lines.tolist(), row_ids_of(connection, mended), strict=True))
        note_mended(connection, added.file_id, {numbers[line]: row_id for line, row_id in ids.items()})
    back = tuple(numbers[int(log.lines[at])] for at in good)
    return Mended(log.name, act.given, back, tuple(bad), tuple(numbers[line] for line in sorted(before)))


def _put_back_before(
    connection: Connection, log: LogRead, numbers: dict[int, int], lines: set[int]
) -> frozenset[int]:
    """Return the lines whose number was put back by the very same row already, as before a kill."""
    there = [at for at, line in enumerate(log.lines.tolist()) if line in lines]
    if not there:
        return frozenset()
    some = _picked(log, there)
    mended = mended_rows(connection, [numbers[line] for line in lines])
    ids = row_ids_by_position(connection, some)
    return frozenset(
        line
        for line, row_id in zip(some.lines.tolist(), ids, strict=True)
        if row_id is not None and mended.get(numbers[line]) == row_id
    )


def _good_rows(log: LogRead, numbers: dict[int, int], listed: set[int]) -> tuple[list[int], list[NotTaken]]:
    """Return the positions of the rows that mend one on the list, and what is not good yet."""
    bad = [NotTaken(row.line, numbers[row.line], row) for row in (*log.set_aside, *log.left_out)]
    lacking = {row.line for row in log.left_out}
    good = []
    for position, line in enumerate(log.lines.tolist()):
        if numbers[line] not in listed:
            bad.append(NotTaken(line, numbers[line]))
        elif line not in lacking:
            good.append(position)
    return good, sorted(bad, key=lambda one: one.line)


def _picked(log: LogRead, positions: list[int]) -> LogRead:
    columns = {
        name: values[positions] if isinstance(values, np.ndarray) else [values[at] for at in positions]
        for name, values in log.columns.items()
    }
    raws = [log.raws[at] for at in positions]
    return replace(log, columns=columns, lines=log.lines[positions], raws=raws, set_aside=(), left_out=())
