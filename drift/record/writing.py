"""Adding a log to the record: what is new goes in, and an earlier reading of the same file is replaced."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, func, or_, select, update

from drift.codes import ActKind, ActReason
from drift.errors import RecordError
from drift.notices import IngestCode, Notice, RecordCode, info, warning
from drift.readings import READING_COLUMNS, LogRead
from drift.record import schema
from drift.record.acts import IMPORTED, new_act, note_file, replace, set_status, withdraw
from drift.record.aside import note_set_aside
from drift.record.reading import carried_of, identity_columns, read_carried, write_carried
from drift.record.schema import batches, content_ids, digest_in_order, insert_columns
from drift.record.undo import take_over, undo_files

# ---- Rows that are in the record already, but were read differently or cut short.
#
# A row of a file is recognised by its text (an image by its name).  Where the same text comes with other
# values, the file was read differently before (another time zone, other keywords, another kind of log).
# Both readings at once would count each observation twice, once of them wrongly.  So the later one only
# replaces the former, whose import is then undone; undoing the later one brings it back.


#: How near in time a row that was cut short is to the whole one [us, or days of weather].
_SAME_ROW_US, _NEAR_DAYS = 2 * 86_400_000_000, 2


@dataclass(frozen=True)
class Former:
    """A file whose rows a log reads differently."""

    file_id: int
    act_id: int | None  # the import that brought it in
    name: str
    kind: str
    row_ids: tuple[int, ...] = field(repr=False)  # its rows in use that are read differently
    is_whole: bool  # whether these are all that it has


class ReadOtherwise(RecordError):
    """A log holds rows that an earlier import read differently; `former` are those files."""

    def __init__(self, name: str, former: Sequence[Former]) -> None:
        self.name, self.former = name, tuple(former)
        rows = sum(len(one.row_ids) for one in former)
        super().__init__(f"{name}: {rows} rows of it are in the record as another reading")


def former_readings(
    connection: Connection, log: LogRead, new: Sequence[int], known_lines: Sequence[int], images: bool
) -> list[Former]:
    """Return the files whose rows in use this log reads differently.

    Parameters
    ----------
    log
        The log.
    new
        Positions of its rows that the record lacks, or that would come into use again.
    known_lines
        Lines of its rows that are in use as they are.
    images
        Whether its rows are images, known by their names.
    """
    table = schema.files
    if not new or not log.path:
        return []
    columns = (table.c.id, table.c.act_id, table.c.name, table.c.kind)
    same = or_(table.c.path == log.path, table.c.digest.like(f"{log.digest} %"))
    files = connection.execute(select(*columns).where(same, table.c.undone_by.is_(None))).fetchall()
    lines = [int(log.lines[at]) for at in new]
    if not files or (not images and known_lines and min(lines) > max(known_lines)):
        return []  # the file has grown, and what was there before is read as it was
    wanted = {_name_of(log.raws[at], images) for at in new}
    found = []
    for file_id, act_id, name, kind in files:
        rows = schema.readings[kind]
        own = rows.c.file_id == file_id, rows.c.status == schema.IN_USE
        query = select(rows.c.row_id, rows.c.raw).where(*own)
        inside = query if images else query.where(rows.c.line.between(min(lines), max(lines)))
        ids = [row_id for row_id, raw in connection.execute(inside) if _name_of(raw, images) in wanted]
        if ids:
            count = connection.scalar(select(func.count()).select_from(rows).where(*own))
            found.append(Former(file_id, act_id, name, kind, tuple(ids), count == len(ids)))
    return found


def _name_of(raw: str, images: bool) -> str:
    """Return what identifies a row: its text, for an image its name, the last cell."""
    if not images:
        return raw
    return raw.rpartition(",")[2] if not raw.endswith('"') else next(csv.reader([raw]))[-1]


def take_out(connection: Connection, former: Sequence[Former], now_us: int) -> None:
    """Take former readings out of use: undo their imports, or withdraw rows from files that hold more.

    Rows that another file carries as well, such as a copy or a shorter version of it, are withdrawn too:
    undoing the import alone would leave them to that file.
    """
    reason = ActReason.READ_OTHERWISE
    whole = [one.file_id for one in former if one.is_whole]
    if whole:
        undo_files(connection, whole, reason, now_us)
    for one in former:
        left = _in_use(connection, one.kind, one.row_ids)
        if left:
            withdraw(connection, left, reason, now_us)


def _in_use(connection: Connection, kind: str, row_ids: Sequence[int]) -> list[int]:
    table = schema.readings[kind]
    found: list[int] = []
    for some in batches(row_ids):
        query = select(table.c.row_id).where(table.c.row_id.in_(some), table.c.status == schema.IN_USE)
        found += connection.scalars(query)
    return found


def row_cut_short(connection: Connection, log: LogRead, new: Sequence[int]) -> tuple[int, int] | None:
    """Return the row_id of a row that is cut short in the record, and the position of the whole one; or None.

    An earlier version imported a last line that was still being written: it has the line of the first new
    row, and its text is the beginning of that row's.
    """
    if not new or not log.path:
        return None
    at = min(new, key=lambda one: int(log.lines[one]))
    table, files = schema.readings[log.kind], schema.files
    when = schema.when_column(log.kind)
    near = _NEAR_DAYS if when == "day" else _SAME_ROW_US
    time = int(np.asarray(log.columns[when])[at])
    query = (
        select(table.c.row_id, table.c.raw)
        .join(files, table.c.file_id == files.c.id)
        .where(
            *(table.c[when].between(time - near, time + near), table.c.line == int(log.lines[at])),
            *(table.c.status == schema.IN_USE, files.c.path == log.path, files.c.kind == log.kind),
        )
    )
    for row_id, raw in connection.execute(query):
        if raw != log.raws[at] and log.raws[at].startswith(raw):
            return int(row_id), at
    return None


def put_whole(connection: Connection, kind: str, cut: int, whole: int, now_us: int) -> None:
    """Put a whole row in the place of the one that was cut short, which is withdrawn and kept."""
    replace(connection, kind, cut, [whole], ActReason.CUT_SHORT, now_us)


# ---- Whether new level readings can be of this pier.


#: Readings of the record are compared when so near in time [us].
_NEAR_US = 45 * 86_400_000_000
#: Most that a pier tilts in that time [arcsec]: common practice, frost heaves by a minute or
#: two of arc in a whole winter.
_FAR_ARCSEC = 300.0
_TILTS = ("tilt_north_arcsec", "tilt_east_arcsec")


def level_remarks(connection: Connection, log: LogRead, new: Sequence[int]) -> tuple[Notice, ...]:
    """Remark on new level readings that don't follow on from those of the same place in the record."""
    if log.kind != "levels" or not new:
        return ()
    positions = np.array(new)
    times = np.asarray(log.columns["time_us"])[positions]
    table = schema.readings["levels"]
    names = ("time_us", "place", "face_deg", *_TILTS)
    near = table.c.time_us.between(int(times.min()) - _NEAR_US, int(times.max()) + _NEAR_US)
    query = select(*(table.c[name] for name in names)).where(near, table.c.status == schema.IN_USE)
    there = [
        (time_us, place or "pier", face == 180.0, np.array([north, east]))
        for time_us, place, face, north, east in connection.execute(query)
    ]
    return tuple(_far(log, positions, there)) if there else ()


def _far(
    log: LogRead, positions: np.ndarray, there: list[tuple[int, str, bool, np.ndarray]]
) -> Iterator[Notice]:
    columns = {name: np.asarray(log.columns[name])[positions] for name in ("time_us", "face_deg", *_TILTS)}
    places = np.array([log.columns["place"][at] or "pier" for at in positions.tolist()], dtype=object)
    turned = columns["face_deg"] == 180.0
    tilts = np.stack([columns[name] for name in _TILTS], axis=1)
    for place in sorted(set(places.tolist())):
        off = []
        for face in (False, True):
            own = (places == place) & (turned == face)
            known = [
                (time_us, tilt) for time_us, where, side, tilt in there if (where, side) == (place, face)
            ]
            for time_us, tilt in zip(columns["time_us"][own].tolist(), tilts[own], strict=True):
                near = [other for when, other in known if abs(when - time_us) <= _NEAR_US]
                if near:
                    off.append(float(np.max(np.abs(tilt - np.median(near, axis=0)))))
        if off and np.median(off) > _FAR_ARCSEC:
            yield warning(RecordCode.LEVELS_FAR_OFF, place=str(place), apart_arcsec=float(np.median(off)))


# ---- A log that was read -> the record: what is new goes in, what is there already does not.


@dataclass(frozen=True)
class Added:
    """What adding a log changed; `settled` are set-aside rows that were mended or dismissed before."""

    went_in: int
    already_there: int
    twice_in_file: int
    remarks: tuple[Notice, ...] = ()
    settled: frozenset[bytes] = frozenset()
    file_id: int = 0
    is_known: bool = False  # the very file was there before, and nothing new came of it


@dataclass(frozen=True, slots=True)
class _Known:
    """A reading that a log carries and the record holds already."""

    position: int  # in the log
    row_id: int
    status: int
    file_id: int  # the file that it belongs to


class Act:
    """What a command does to the record; it gets its number with the first change that it makes."""

    def __init__(self, what: ActKind = IMPORTED, reason: str = "") -> None:
        self._what, self._reason = what, reason
        self._number: int | None = None

    @property
    def given(self) -> int | None:
        """The act's number, None while it has changed nothing."""
        return self._number

    def number(self, connection: Connection, now_us: int) -> int:
        """Return the act's number."""
        if self._number is None:
            self._number = new_act(connection, self._what, self._reason, now_us)
        return self._number


def add_log(
    connection: Connection,
    log: LogRead,
    now_us: int,
    progress: Callable[[int, int], None] | None = None,
    act: Act | None = None,
    may_replace: bool = False,
) -> Added:
    """Add a log's rows to the record, within the transaction of `connection`.

    `progress` is told the rows done and the rows in all; `act` is the import, None for rows recorded by hand.

    Raises
    ------
    drift.record.writing.ReadOtherwise
        If rows of it are in the record as another reading of the same file, unless it `may_replace` that one.
    """
    next_id = _lock(connection)
    contents = content_ids(log.kind, log.columns)
    new, known = _new_and_known(connection, log, contents)
    lines = [int(log.lines[one.position]) for one in known if one.status == schema.IN_USE]
    coming = [*new, *(one.position for one in known if one.status == schema.UNDONE)]
    former = former_readings(connection, log, coming, lines, log.why.code is IngestCode.IMAGES_SOLVED)
    if former:
        if not may_replace:
            raise ReadOtherwise(log.name, former)
        take_out(connection, former, now_us)
        new, known = _new_and_known(connection, log, contents)
    cut = row_cut_short(connection, log, new)
    remarks = _repeat_remarks(connection, log, new) if new else ()
    remarks += level_remarks(connection, log, new)
    file_id, is_new = _file(connection, log, contents, now_us)
    if new:
        _insert(connection, log, contents, new, next_id, file_id, progress)
        connection.execute(update(schema.record).values(next_row_id=next_id + len(new)))
    if cut is not None:
        put_whole(connection, log.kind, cut[0], next_id + new.index(cut[1]), now_us)
        remarks += (info(RecordCode.ROW_COMPLETED, line=int(log.lines[cut[1]])),)
    if former:
        rows = sum(len(one.row_ids) for one in former)
        acts = tuple(sorted({one.act_id or 0 for one in former}))
        remarks += (warning(RecordCode.READ_OTHERWISE, rows=rows, imports=acts),)
    back = _note_known(connection, log, known, file_id) if known else 0
    settled = note_set_aside(connection, log, file_id, now_us)
    went_in = len(new) + back
    added = Added(
        went_in,
        len(known) - back,
        len(contents) - len(new) - len(known),
        (*remarks, *_withdrawn_remarks(known)),
        settled,
        file_id,
        not is_new and not went_in,
    )
    if act is not None and (is_new or went_in):
        _note_act(connection, act.number(connection, now_us), file_id, log, added, is_new, now_us)
    return added


def add_fresh(connection: Connection, log: LogRead, file_id: int) -> int:
    """Add those rows of a log that the record lacks to a file that it holds; return how many they were."""
    next_id = _lock(connection)
    contents = content_ids(log.kind, log.columns)
    new, _ = _new_and_known(connection, log, contents)
    if new:
        _insert(connection, log, contents, new, next_id, file_id, None)
        connection.execute(update(schema.record).values(next_row_id=next_id + len(new)))
    return len(new)


def row_ids_of(connection: Connection, log: LogRead) -> list[int]:
    """Return the numbers of a log's rows in the record, in the order of its rows; absent ones have none."""
    return [one for one in row_ids_by_position(connection, log) if one is not None]


def row_ids_by_position(connection: Connection, log: LogRead) -> list[int | None]:
    """Return for each of a log's rows its number in the record, None where it is not there."""
    if not len(log.lines):
        return []
    table = schema.readings[log.kind]
    query = select(table.c.content, table.c.row_id).where(_overlap(log))
    known = {bytes(content): int(row_id) for content, row_id in connection.execute(query)}
    return [known.get(one) for one in content_ids(log.kind, log.columns)]


def _lock(connection: Connection) -> int:
    """Make this the only transaction that adds, on any database, and return the next free row_id."""
    connection.execute(update(schema.record).values(next_row_id=schema.record.c.next_row_id))
    return int(connection.scalar(select(schema.record.c.next_row_id)) or 1)


def _new_and_known(
    connection: Connection, log: LogRead, contents: list[bytes]
) -> tuple[list[int], list[_Known]]:
    """Return the positions of rows that the record lacks, and those it holds; of equal ones the first."""
    if not contents:
        return [], []
    table = schema.readings[log.kind]
    columns = (table.c.content, table.c.row_id, table.c.status, table.c.file_id)
    there = {bytes(row[0]): row[1:] for row in connection.execute(select(*columns).where(_overlap(log)))}
    backwards = range(len(contents) - 1, -1, -1)
    first = dict(
        zip(reversed(contents), backwards, strict=True)
    )  # of equal rows the first, because it comes last here
    if not there:
        return sorted(first.values()), []
    new = sorted(position for content, position in first.items() if content not in there)
    known = [_Known(position, *there[content]) for content, position in first.items() if content in there]
    return new, sorted(known, key=lambda one: one.position)


def _note_known(connection: Connection, log: LogRead, known: list[_Known], file_id: int) -> int:
    """Note that a file carries rows that are there already; return how many come into use again."""
    lines = {one.row_id: int(log.lines[one.position]) for one in known}
    others = {one.row_id: one.position for one in known if one.file_id != file_id}
    before = read_carried(connection, file_id).raws  # also of rows that became its own
    if others or before:
        raws = {**_spelled_otherwise(connection, log, others), **before}
        noted = (*others, *(one for one in before if one in lines))
        write_carried(connection, file_id, carried_of({one: lines[one] for one in noted}, raws))
    undone = set(connection.scalars(select(schema.files.c.id).where(schema.files.c.undone_by.is_not(None))))
    orphans = [one.row_id for one in known if one.file_id in undone and one.file_id != file_id]
    take_over(connection, log.kind, file_id, {one: lines[one] for one in orphans})
    back = [one.row_id for one in known if one.status == schema.UNDONE]
    set_status(connection, log.kind, back, schema.IN_USE)
    return len(back)


def _spelled_otherwise(connection: Connection, log: LogRead, positions: dict[int, int]) -> dict[int, str]:
    """Return the texts of rows, by row_id, that differ from those in the record."""
    table = schema.readings[log.kind]
    found: dict[int, str] = {}
    for some in batches(positions):
        query = select(table.c.row_id, table.c.raw).where(table.c.row_id.in_(some))
        for row_id, raw in connection.execute(query):
            if raw != log.raws[positions[row_id]]:
                found[row_id] = log.raws[positions[row_id]]
    return found


def _withdrawn_remarks(known: list[_Known]) -> tuple[Notice, ...]:
    count = sum(one.status == schema.WITHDRAWN for one in known)
    return (info(RecordCode.WITHDRAWN_STAYS, rows=count),) if count else ()


def _note_act(
    connection: Connection, act: int, file_id: int, log: LogRead, added: Added, is_new: bool, now_us: int
) -> None:
    if is_new:
        connection.execute(
            update(schema.files)
            .where(schema.files.c.id == file_id)
            .values(act_id=act, undone_by=None, imported_us=now_us)
        )
    note_file(
        connection,
        act,
        file_id,
        went_in=added.went_in,
        already_there=added.already_there,
        set_aside=len(log.set_aside),
    )


def _overlap(log: LogRead) -> Any:
    """Return the condition that a row of the record lies in the span of time of a log."""
    when = schema.when_column(log.kind)
    times = np.asarray(log.columns[when])
    return schema.readings[log.kind].c[when].between(int(times.min()), int(times.max()))


def _repeat_remarks(connection: Connection, log: LogRead, new: list[int]) -> tuple[Notice, ...]:
    """Remark on new rows that repeat observations with other side columns."""
    names = identity_columns(log.kind)
    table = schema.readings[log.kind]
    in_use = table.c.status == schema.IN_USE
    query = select(*(table.c[name] for name in names)).where(_overlap(log), in_use)
    there = connection.execute(query).fetchall()
    fresh = pd.DataFrame({name: log.columns[name] for name in names}).iloc[new]
    if not there and not fresh[names[0]].duplicated().any():
        return ()
    old = pd.DataFrame(there, columns=names).astype(fresh.dtypes.to_dict())
    count = int(pd.concat([old, fresh]).duplicated().sum() - old.duplicated().sum())
    if not count:
        return ()
    code = RecordCode.SAME_DAY if log.kind == "weather" else RecordCode.SAME_READING
    return (info(code, rows=count),)


def _file(connection: Connection, log: LogRead, contents: list[bytes], now_us: int) -> tuple[int, bool]:
    """Return a file's number, and whether it is new to the record or comes back after it was undone.

    A file is identified by its bytes and by what was read from them: read by another mapping it is another
    import, which can be undone separately.
    """
    table = schema.files
    digest = f"{log.digest} {digest_in_order(contents)}" if log.path else log.digest
    same = {"path": log.path, "digest": digest, "kind": log.kind, "header": log.header}
    times = np.asarray(log.columns[schema.when_column(log.kind)])
    span = {"first": int(times.min()), "last": int(times.max())} if times.size else {}
    query = select(table.c.id, table.c.undone_by, table.c.first, table.c.last).where(
        *(table.c[name] == value for name, value in same.items() if name != "digest"),
        table.c.digest.in_((digest, log.digest)),  # records of the first version hold that of the bytes alone
    )
    known = connection.execute(query).first()
    if known is not None:
        if span and tuple(span.values()) != (known.first, known.last):
            connection.execute(update(table).where(table.c.id == known.id).values(**span))
        return int(known.id), known.undone_by is not None
    made = connection.execute(
        table.insert().values(**same, name=log.name, imported_us=now_us, **span)
    ).inserted_primary_key
    assert made is not None
    return int(made[0]), True


def _insert(
    connection: Connection,
    log: LogRead,
    contents: list[bytes],
    new: list[int],
    next_id: int,
    file_id: int,
    progress: Callable[[int, int], None] | None,
) -> None:
    count = len(new)
    all_new = count == len(contents)

    def chosen(values: Sequence[Any] | np.ndarray) -> Sequence[Any] | np.ndarray:
        if all_new:
            return values
        return values[new] if isinstance(values, np.ndarray) else [values[position] for position in new]

    columns: dict[str, Sequence[Any] | np.ndarray] = {
        "row_id": range(next_id, next_id + count),
        "file_id": [file_id] * count,
        "line": chosen(log.lines),
        "raw": chosen(log.raws),
        "content": chosen(contents),
    }
    for name in READING_COLUMNS[log.kind]:
        if name != "row_id":
            values = log.columns[name]
            if not _all_blank(values):  # blank is what the table assumes
                columns[name] = chosen(values)
    table = schema.readings[log.kind]
    insert_columns(connection, table, columns, progress and (lambda done: progress(done, count)))


def _all_blank(values: np.ndarray | list[str]) -> bool:
    if isinstance(values, list):
        return not any(values)
    return values.dtype.kind == "f" and bool(np.isnan(values).all())
