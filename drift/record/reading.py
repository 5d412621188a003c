"""From the record to tables of readings, each reading once; and where rows came from, to file and line."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import compress
from operator import ne
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, delete, insert, select
from sqlalchemy.exc import OperationalError

from drift.codes import ActKind, RowState
from drift.notices import Notice, RecordCode, warning
from drift.readings import READING_COLUMNS, Readings, RowSetAside
from drift.record import schema
from drift.record.acts import (
    AMENDED,
    BROUGHT_BACK,
    IMPORTED,
    JUDGED,
    MENDED,
    PUT_BACK,
    UNDID,
    WITHDREW,
    RowEvent,
    events_of,
    last_acts,
    rows_held,
)
from drift.record.aside import mended_by
from drift.record.engine import error_name, tolerant
from drift.record.quick import id_of
from drift.record.schema import batches, collector_paused, when_column

if TYPE_CHECKING:
    import pandas as pd


# ---- The same reading written down twice with different side columns.
#
# A solve exported once without and once with its temperature has two contents but is one observation; used
# twice it would count double.  Of such rows the most complete is used, and of equally complete ones always
# the same, so that the order of imports changes nothing.


#: What identifies an observation: besides the time, everything that can't differ between two exports of it.
IDENTITY: dict[str, tuple[str, ...]] = {
    "solves": ("ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg"),
    "sweeps": ("ra_deg", "dec_deg", "sweep"),
    "runs": ("ra_deg", "dec_deg", "run", "dec_offset_arcsec"),
    "alignments": ("az_error_arcmin", "alt_error_arcmin"),
    "levels": ("tilt_north_arcsec", "tilt_east_arcsec", "place", "face_deg"),
    "weather": (),  # one row a day
    "corrections": ("kind", "amount_arcmin", "bearing_deg", "thickness_mm", "turns"),
}


def identity_columns(kind: str) -> list[str]:
    """Return the columns by which two rows are the same observation."""
    return [when_column(kind), *IDENTITY[kind]]


def to_use(table: pd.DataFrame, kind: str) -> npt.NDArray[np.bool_]:
    """Tell which rows of a table, ordered by time and content, are used: one for each observation."""
    when = table[when_column(kind)].to_numpy()
    used = np.ones(len(table), dtype=bool)
    same_time = np.zeros(len(table), dtype=bool)
    if len(table) > 1:
        neighbours = when[1:] == when[:-1]
        same_time[1:] |= neighbours
        same_time[:-1] |= neighbours
    if not same_time.any():
        return used
    some = table[same_time]
    fullness = some.notna().sum(axis=1) - (some == "").sum(axis=1)
    ranked = some.assign(_fullness=fullness).sort_values("_fullness", ascending=False, kind="stable")
    extra = ranked.index[ranked.duplicated(identity_columns(kind))]
    used[table.index.get_indexer(extra)] = False
    return used


# ---- Which rows a file carried besides those that came in by it.
#
# A row belongs to the first file that brought it.  Other files that carry the same reading are noted here,
# a block a file, so that undoing the first one leaves the row, with its place in another.  A log that grows
# and is imported every night carries all its earlier rows each time: as a table of rows that would grow
# with the square of the nights, as differences between neighbours it is a few bytes.


Whole = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Carried:
    """Rows of a file by their number: the line of each, and its text where that differs."""

    row_ids: Whole  # (n,) ascending
    lines: Whole  # (n,)
    raws: dict[int, str] = field(default_factory=dict)  # row_id -> text, where it differs from the record's

    def with_rows(self, lines: dict[int, int], raws: dict[int, str]) -> Carried:
        """Return this with more rows; one that is there already stays as it is."""
        merged = {**lines, **dict(zip(self.row_ids.tolist(), self.lines.tolist(), strict=True))}
        return carried_of(merged, {**raws, **self.raws})

    def without(self, row_ids: Iterable[int]) -> Carried:
        """Return this without some rows, except those whose text differs, which is stored nowhere else."""
        gone = set(row_ids) - self.raws.keys()
        keep = np.array([one not in gone for one in self.row_ids.tolist()], dtype=bool)
        return Carried(self.row_ids[keep], self.lines[keep], self.raws)


def carried_of(lines: dict[int, int], raws: dict[int, str]) -> Carried:
    """Return row_id -> line and row_id -> text as a block."""
    ids = np.array(sorted(lines), dtype=np.int64)
    return Carried(ids, np.array([lines[one] for one in ids.tolist()], dtype=np.int64), raws)


def read_carried(connection: Connection, file_id: int) -> Carried:
    """Return what is noted for a file; an empty block when nothing is."""
    table = schema.also_carried
    query = select(table.c.row_ids, table.c.lines, table.c.raws).where(table.c.file_id == file_id)
    row = connection.execute(query).first()
    return carried_of({}, {}) if row is None else _unpacked(*row)


def write_carried(connection: Connection, file_id: int, block: Carried) -> None:
    """Note what a file carries, replacing what was noted before."""
    table = schema.also_carried
    connection.execute(delete(table).where(table.c.file_id == file_id))
    if block.row_ids.size:
        raws = zlib.compress(json.dumps(block.raws).encode()) if block.raws else b""
        packed = {"row_ids": _packed(block.row_ids), "lines": _packed(block.lines), "raws": raws}
        connection.execute(insert(table).values(file_id=file_id, **packed))


def other_raws(connection: Connection, owners: Mapping[int, int]) -> dict[int, str]:
    """Return the text of rows whose own file has another text than the one they first came with.

    Parameters
    ----------
    owners
        row_id -> the number of the file that the row belongs to.
    """
    table = schema.also_carried
    found: dict[int, str] = {}
    for some in batches(sorted(set(owners.values()))):
        query = select(table.c.file_id).where(table.c.file_id.in_(some), table.c.raws != b"")
        for file_id in connection.scalars(query).all():
            raws = read_carried(connection, file_id).raws
            found.update({row_id: text for row_id, text in raws.items() if owners.get(row_id) == file_id})
    return found


def _packed(numbers: Whole) -> bytes:
    return zlib.compress(np.diff(numbers, prepend=0).astype("<i8").tobytes())


def _unpacked(row_ids: bytes, lines: bytes, raws: bytes) -> Carried:
    texts = json.loads(zlib.decompress(raws)) if raws else {}
    return Carried(_whole(row_ids), _whole(lines), {int(row_id): text for row_id, text in texts.items()})


def _whole(packed: bytes) -> Whole:
    return np.cumsum(np.frombuffer(zlib.decompress(packed), dtype="<i8"), dtype=np.int64)


# ---- Tables of readings from the record.


_DTYPES = {"int": np.int64, "float": np.float64}
#: Most changed rows named in a notice; `drift record check` names all.
_NAMED_MOST = 3


@dataclass(frozen=True)
class _Rows:
    """All rows of a kind, whatever their state, as they are in the record."""

    kind: str
    columns: dict[str, Any]
    contents: list[bytes]
    file_ids: Whole
    states: Whole

    @property
    def row_ids(self) -> Whole:
        ids: Whole = self.columns["row_id"]
        return ids

    def in_order(self) -> Whole:
        """Return the positions by time and then content, so that the order of imports changes nothing."""
        high, low = np.frombuffer(b"".join(self.contents), dtype=">u8").reshape(-1, 2).T
        return np.lexsort((low, high, self.columns[when_column(self.kind)]))


@dataclass(frozen=True)
class Damage:
    """Rows that are not as they were written."""

    changed: tuple[int, ...]  # numbers of rows whose values or state are not what was written
    missing: int  # rows that were written and are missing

    def __bool__(self) -> bool:
        return bool(self.changed or self.missing)


def read_readings(connection: Connection) -> Readings:
    """Read all readings in use, by time and then content, so that the order of imports changes nothing.

    Each row is checked against the digest written with it, and its state against what was done to it; a row
    that was changed on the disk is left out, with a notice.
    """
    with collector_paused():  # a sensor of a year is half a million rows
        found = [_rows(connection, kind) for kind in READING_COLUMNS]
        damage, bad = _damage(connection, found)
        tables = {rows.kind: _table(rows, bad[rows.kind]) for rows in found}
        contents = [
            content
            for rows in found
            for content in compress(
                rows.contents, ((rows.states == schema.IN_USE) & ~bad[rows.kind]).tolist()
            )
        ]
    notices = (_damage_notice(connection, damage),) if damage else ()
    return Readings(tables, id_of(contents), notices)


def damage_of(connection: Connection) -> Damage:
    """Check every row of the record, also those that don't count, against what was written."""
    return _damage(connection, [_rows(connection, kind) for kind in READING_COLUMNS])[0]


def _damage(
    connection: Connection, found: Sequence[_Rows]
) -> tuple[Damage, dict[str, npt.NDArray[np.bool_]]]:
    """Return what is damaged, and for each kind which rows are."""
    last = last_acts(connection)
    withdrawn = _ids(row_id for row_id, what in last.items() if what in (WITHDREW, AMENDED, JUDGED))
    put_back = _ids(row_id for row_id, what in last.items() if what == PUT_BACK)
    undone_files = select(schema.files.c.id).where(schema.files.c.undone_by.is_not(None))
    undone = _ids(connection.scalars(undone_files))
    bad = {}
    for rows in found:
        digests = schema.content_ids(rows.kind, rows.columns) if rows.contents else []
        changed = np.fromiter(map(ne, digests, rows.contents), bool, len(digests))
        due = np.where(np.isin(rows.file_ids, undone), schema.UNDONE, schema.IN_USE)
        due = np.where(np.isin(rows.row_ids, withdrawn), schema.WITHDRAWN, due)
        also = np.isin(rows.row_ids, put_back) & (
            rows.states == schema.IN_USE
        )  # whatever happened to its file
        bad[rows.kind] = changed | ((rows.states != due) & ~also)
    ids = np.concatenate([rows.row_ids for rows in found])
    unique, counts = np.unique(ids, return_counts=True)
    twice = unique[counts > 1]  # a damaged page was read instead of another
    for rows in found:
        bad[rows.kind] |= np.isin(rows.row_ids, twice)
    numbers = np.concatenate([rows.row_ids[bad[rows.kind]] for rows in found])
    written = int(connection.scalar(select(schema.record.c.next_row_id)) or 1) - 1  # no row is ever deleted
    return Damage(tuple(np.unique(numbers).tolist()), max(written - len(unique), 0)), bad


def _ids(numbers: Iterable[int]) -> Whole:
    return np.array(sorted(numbers), dtype=np.int64)


def _damage_notice(connection: Connection, damage: Damage) -> Notice:
    with tolerant(connection):
        places = where_rows(connection, damage.changed[:_NAMED_MOST])
    named = [places[one] for one in damage.changed[:_NAMED_MOST] if one in places]
    return warning(
        RecordCode.ROWS_DAMAGED,
        changed=len(damage.changed),
        files=tuple(str(file) for file, _, _ in named),
        lines=tuple(int(line) for _, line, _ in named),
        missing=damage.missing,
    )


def _rows(connection: Connection, kind: str) -> _Rows:
    """Read all rows of a kind without an index, whose damage would show some twice and others not at all."""
    table = schema.readings[kind]
    names = READING_COLUMNS[kind]
    query = select(*(table.c[name] for name in names), table.c.content, table.c.file_id, table.c.status)
    try:
        rows = connection.execute(query).fetchall()
    except OperationalError as error:
        if error_name(error):
            raise
        with tolerant(connection):  # not a database error, but invalid text
            rows = connection.execute(query).fetchall()
    columns: list[Sequence[Any]] = list(zip(*rows, strict=True)) if rows else [()] * (len(names) + 3)
    *values, contents, file_ids, states = columns
    return _Rows(
        kind,
        {name: _array(column, sort) for (name, sort), column in zip(names.items(), values, strict=True)},
        [
            one if isinstance(one, bytes) and len(one) == schema.DIGEST_BYTES else _NO_DIGEST
            for one in contents
        ],
        _array(file_ids, "int"),
        _array(states, "int"),
    )


#: Stand-in for a damaged digest: no row has it.
_NO_DIGEST = bytes(schema.DIGEST_BYTES)


def _table(rows: _Rows, bad: npt.NDArray[np.bool_]) -> pd.DataFrame:
    import pandas as pd

    good = (rows.states == schema.IN_USE) & ~bad
    order = rows.in_order()
    chosen = order[good[order]]
    frame = pd.DataFrame(
        {
            name: pd.Series(np.array(values, dtype=object)[chosen], dtype=object)
            if isinstance(values, list)
            else values[chosen]
            for name, values in rows.columns.items()
        }
    )
    used = to_use(frame, rows.kind)
    return frame if used.all() else frame[used].reset_index(drop=True)


def _array(column: Sequence[Any], sort: str) -> Any:
    """Return a column; None and values of a wrong type become NaN."""
    if sort == "text":
        return [one if isinstance(one, str) else "" for one in column]
    try:
        return np.array(column, dtype=_DTYPES[sort])
    except (TypeError, ValueError, OverflowError):  # a damaged cell may be of any type
        kinds, none = ((int,), 0) if sort == "int" else ((int, float), np.nan)
        return np.array([one if isinstance(one, kinds) else none for one in column], dtype=_DTYPES[sort])


def where_rows(connection: Connection, row_ids: Iterable[int]) -> dict[int, tuple[str, int, str]]:
    """Return file, line and original text of some rows, by row_id."""
    found: dict[int, tuple[str, int, str]] = {}
    owners: dict[int, int] = {}
    for some in batches(sorted({int(one) for one in row_ids})):
        for table in schema.readings.values():
            query = (
                select(table.c.row_id, table.c.file_id, schema.files.c.name, table.c.line, table.c.raw)
                .join(schema.files, table.c.file_id == schema.files.c.id)
                .where(table.c.row_id.in_(some))
            )
            for row_id, file_id, name, line, raw in connection.execute(query):
                found[row_id], owners[row_id] = (name, line, raw), file_id
    for row_id, raw in other_raws(connection, owners).items():
        found[row_id] = (*found[row_id][:2], raw)
    return found


# ---- The list of imports: what came in by which command, and what became of it.


@dataclass(frozen=True)
class FileInAct:
    """What an act did to the rows of one file."""

    file: str
    kind: str
    went_in: int
    already_there: int
    set_aside: int
    went_out: int
    stayed: int
    undone_by: int | None  # the act that undid this import of the file, None while it is in force


@dataclass(frozen=True)
class ActDone:
    """An import, the undoing of one, or the bringing back of an undone one."""

    number: int
    what: ActKind  # imported, mended, undid or brought back
    time_us: int
    reason: str
    files: tuple[FileInAct, ...]

    @property
    def undone_by(self) -> tuple[int, ...]:
        """The numbers of the acts by which its files were undone."""
        return tuple(sorted({one.undone_by for one in self.files if one.undone_by is not None}))


def acts_done(connection: Connection) -> list[ActDone]:
    """Return all acts on files, the oldest first."""
    acts, parts, files = schema.acts, schema.file_acts, schema.files
    counts = (parts.c.went_in, parts.c.already_there, parts.c.set_aside, parts.c.went_out, parts.c.stayed)
    query = (
        select(parts.c.act_id, files.c.name, files.c.kind, *counts, files.c.undone_by, files.c.act_id)
        .join(files, parts.c.file_id == files.c.id)
        .order_by(parts.c.id)
    )
    members: dict[int, list[FileInAct]] = {}
    for act, file, kind, *rows, undone_by, owner in connection.execute(query):
        # A file that was undone and imported again belongs to the later import.
        by = undone_by if owner == act else None
        went_in, there, aside, went_out, stayed = rows
        members.setdefault(act, []).append(FileInAct(file, kind, went_in, there, aside, went_out, stayed, by))
    done = connection.execute(
        select(acts.c.id, acts.c.what, acts.c.time_us, acts.c.reason)
        .where(acts.c.what.in_([str(one) for one in (IMPORTED, MENDED, UNDID, BROUGHT_BACK)]))
        .order_by(acts.c.id)
    )
    return [
        ActDone(number, ActKind(what), time_us, reason, tuple(members.get(number, ())))
        for number, what, time_us, reason in done
    ]


# ---- Where rows came from, and what was done to them since: down to file and line.


@dataclass(frozen=True)
class Origin:
    """Where one row came from."""

    row_id: int
    kind: str
    state: RowState
    file: str
    line: int
    raw: str
    came_by: int | None  # the number of the import, None for what was recorded by hand
    came_us: int
    mends: RowSetAside | None  # the row set aside that this one was mended from
    events: tuple[RowEvent, ...]


def origins_of(connection: Connection, row_ids: Iterable[int]) -> dict[int, Origin]:
    """Return the origin of each row, by row_id."""
    held = rows_held(connection, row_ids)
    files = _files_of(connection, held)
    texts = other_raws(connection, {one: file_id for one, (file_id, _, _) in files.items()})
    mends = mended_by(connection, list(held))
    events = events_of(connection, held)
    return {
        row_id: Origin(
            row_id,
            row.kind,
            row.state,
            row.file,
            row.line,
            texts.get(row_id, row.raw),
            files[row_id][1],
            files[row_id][2],
            mends.get(row_id),
            tuple(events.get(row_id, ())),
        )
        for row_id, row in held.items()
    }


def _files_of(connection: Connection, row_ids: Iterable[int]) -> dict[int, tuple[int, int | None, int]]:
    """Return the file, the import and the time of the import of rows, by row_id."""
    files = schema.files
    found: dict[int, tuple[int, int | None, int]] = {}
    for some in batches(sorted(row_ids)):
        for table in schema.readings.values():
            query = (
                select(table.c.row_id, files.c.id, files.c.act_id, files.c.imported_us)
                .join(files, table.c.file_id == files.c.id)
                .where(table.c.row_id.in_(some))
            )
            for row_id, file_id, act_id, imported_us in connection.execute(query):
                found[row_id] = (file_id, act_id, imported_us)
    return found
