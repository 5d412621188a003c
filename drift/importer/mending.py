"""Rows set aside: exported, mended and imported again; judged anew when the site's place is corrected."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import Connection, select, update

from drift.errors import LogFileError
from drift.ingest.delimited import open_bytes
from drift.ingest.formats import is_plain_text, open_table, refuse_irregular
from drift.ingest.mapping import MappingFile
from drift.ingest.read import Settle, read_table
from drift.ingest.row_check import Circumstances, circumstances
from drift.ingest.settle import Settler
from drift.ingest.sky_evidence import BELOW_DEG, altitude_deg
from drift.ingest.text import RawCells, RawTable, Rows, plain_cell, spreadsheet_cell
from drift.readings import LogRead, RowSetAside
from drift.record import schema
from drift.record.acts import JUDGED, MENDED, PUT_BACK, last_acts, new_act, note_rows, set_status
from drift.record.aside import Aside, mended_rows, note_mended, note_set_aside, open_asides
from drift.record.engine import now_us
from drift.record.piers import site_keys_text
from drift.record.record import Record
from drift.record.undo import lock
from drift.record.writing import Act, add_fresh, add_log, row_ids_by_position, row_ids_of
from drift.site.file import PierFile

# ---- After the place of a site was corrected: the rows of its record are judged anew, as if imported now.
#
# Which rows are plausible depends on where the pier is: what is below the horizon was not seen there, and a
# file with many such rows is doubtful as a whole.  So each log is read once more from its rows in the
# record, those set aside included.  A log that can't be rebuilt like that - images, or one whose units were
# beside its header - is recognised because it doesn't give its own rows back at the former place.  For its
# rows only the horizon is checked, and the log is named, so that it can be imported again.


#: Kinds of readings whose plausibility depends on the place.
_SEEN = ("solves", "sweeps", "runs")


@dataclass(frozen=True)
class Judged:
    """The outcome for the rows of a record."""

    stayed: int = 0
    went_in: int = 0  # rows that were set aside, or left at an earlier correction of the place
    went_out: int = 0
    by_horizon_only: tuple[str, ...] = ()  # logs of which only the imported rows could be judged


@dataclass(frozen=True)
class _Row:
    """A row of a log as the record holds it; without a number it was set aside."""

    line: int
    raw: str = field(repr=False)
    row_id: int | None = None
    status: int = schema.IN_USE
    content: bytes = b""


@dataclass(frozen=True)
class _Log:
    """All rows of one log, whichever imports of it brought them."""

    kind: str
    name: str
    path: str
    digest: str
    header: str
    file_id: int  # of its latest import
    rows: tuple[_Row, ...] = field(repr=False)


def put_site_right(site: PierFile, former: PierFile, why: str) -> Judged:
    """Give a record its corrected place, and judge its rows there, as one transaction.

    Parameters
    ----------
    site, former
        The new and the former site file.
    why
        The reason, kept with the changes of rows.

    Raises
    ------
    drift.errors.RecordError
        If the record can't be written.
    """
    with Record.open(site, moving=True) as record, record.writing("putting the site right") as connection:
        lock(connection)
        place = site.site
        values = {
            "name": place.name or "",
            "latitude_deg": place.latitude_deg,
            "longitude_deg": place.longitude_deg,
        }
        connection.execute(update(schema.record).values(**values, site=site_keys_text(site)))
        return _judged(connection, site, former, why)


def _judged(connection: Connection, site: PierFile, former: PierFile, why: str) -> Judged:
    now = now_us()
    new, old = circumstances(site, now), circumstances(former, now)
    act = new_act(connection, JUDGED, why, now)
    sent_out = {row_id for row_id, what in last_acts(connection).items() if what == JUDGED}
    total = Judged()
    for log in _logs(connection):
        read = _read_again(log, new, old, site)
        good = _good_contents(log, read) if read else _above_horizon(connection, log, new)
        out = [
            one.row_id
            for one in log.rows
            if one.row_id and one.status == schema.IN_USE and one.content not in good
        ]
        back = [
            one.row_id
            for one in log.rows
            if one.row_id in sent_out and one.status == schema.WITHDRAWN and one.content in good
        ]
        _set(connection, log.kind, out, schema.WITHDRAWN, act)
        if back:
            _set(connection, log.kind, back, schema.IN_USE, new_act(connection, PUT_BACK, why, now))
        fresh = 0
        if read:
            fresh = add_fresh(connection, read, log.file_id)
            note_set_aside(connection, read, log.file_id, now)
        used = sum(1 for one in log.rows if one.row_id and one.status == schema.IN_USE)
        total = Judged(
            total.stayed + used - len(out),
            total.went_in + len(back) + fresh,
            total.went_out + len(out),
            (*total.by_horizon_only, *(() if read else (log.name,))),
        )
    return total


def _set(connection: Connection, kind: str, row_ids: list[int], status: int, act: int) -> None:
    set_status(connection, kind, row_ids, status)
    note_rows(connection, act, [(kind, one, None) for one in row_ids])


def _logs(connection: Connection) -> Iterator[_Log]:
    """Yield the logs of the sky whose import is in force, one by one."""
    files = schema.files
    query = (
        select(files.c.id, files.c.kind, files.c.name, files.c.path, files.c.digest, files.c.header)
        .where(files.c.undone_by.is_(None), files.c.path != "", files.c.kind.in_(_SEEN))
        .order_by(files.c.id)
    )
    groups: dict[tuple[str, str, str], list[Any]] = {}
    for file in connection.execute(query).all():
        groups.setdefault((file.path, file.kind, file.header), []).append(file)
    asides = open_asides(connection)
    for members in groups.values():
        last, ids = members[-1], [one.id for one in members]
        table = schema.readings[last.kind]
        own = select(table.c.line, table.c.raw, table.c.row_id, table.c.status, table.c.content)
        rows = [_Row(*row) for row in connection.execute(own.where(table.c.file_id.in_(ids)))]
        texts = {one.raw for one in rows}
        rows += [
            _Row(one.row.line, one.row.raw)
            for one in asides
            if one.file_id in ids and not one.row.row_kept and one.row.raw not in texts
        ]
        rows.sort(key=lambda one: (one.line, one.row_id or 0))
        digest = last.digest.split(" ")[0]
        yield _Log(last.kind, last.name, last.path, digest, last.header, last.id, tuple(rows))


def _read_again(log: _Log, new: Circumstances, old: Circumstances, site: PierFile) -> LogRead | None:
    """Read a log at the new place from what the record holds of it; None where that is not the same log."""
    before, after = (_read(log, around, site) for around in (old, new))
    if before is None or after is None:
        return None
    given_back = set(schema.content_ids(log.kind, before.columns))
    if any(one.row_id and one.status == schema.IN_USE and one.content not in given_back for one in log.rows):
        return None
    return after


def _read(log: _Log, around: Circumstances, site: PierFile) -> LogRead | None:
    text = "\n".join([log.header, *(one.raw for one in log.rows), ""])
    settle = Settler(MappingFile.beside(site.path)) if site.path else None
    try:
        table = open_bytes(text.encode(), log.name, log.path)
        read = read_table(replace(table, digest=log.digest), around, settle)
    except LogFileError:
        return None
    first = table.header_line + 1
    places = np.array([one.line for one in log.rows])
    at = [*(read.lines - first), *(one.line - first for one in (*read.set_aside, *read.left_out))]
    if read.kind != log.kind or any(not 0 <= one < len(places) for one in at):
        return None
    return replace(
        read,
        lines=places[read.lines - first],
        set_aside=tuple(replace(one, line=int(places[one.line - first])) for one in read.set_aside),
        left_out=tuple(replace(one, line=int(places[one.line - first])) for one in read.left_out),
        header=log.header,
    )


def _good_contents(log: _Log, read: LogRead) -> set[bytes]:
    return set(schema.content_ids(log.kind, read.columns))


def _above_horizon(connection: Connection, log: _Log, around: Circumstances) -> set[bytes]:
    """Return the contents of those rows that can have been seen at a place."""
    table = schema.readings[log.kind]
    by_id = {one.row_id: one.content for one in log.rows if one.row_id is not None}
    good: set[bytes] = set()
    columns = (table.c.row_id, table.c.time_us, table.c.ra_deg, table.c.dec_deg)
    for some in schema.batches(by_id):
        found = connection.execute(select(*columns).where(table.c.row_id.in_(some))).all()
        ids, times, ra, dec = (np.array(one) for one in zip(*found, strict=True))
        altitude = altitude_deg(around.latitude_deg, around.longitude_deg, times, ra, dec)
        good.update(by_id[int(one)] for one in ids[altitude >= BELOW_DEG])
    return good


# ---- Rows set aside are exported as files to mend, spelled as they came, and imported again.
#
# A file to mend has the header and the rows of the log that they came from, with a column in front that
# holds each row's number on the list, and above each row a comment with its place and the reason.  So it is
# read like the log itself, also with a mapping.


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
