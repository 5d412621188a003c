"""Undoing an import, and reversing that: which rows leave, and which stay with another file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, Connection, bindparam, select, update

from drift.errors import RecordError
from drift.record import schema
from drift.record.acts import BROUGHT_BACK, UNDID, new_act, note_file, set_status
from drift.record.reading import Carried, read_carried, write_carried
from drift.record.schema import batches


@dataclass(frozen=True)
class FileUndone:
    """What undoing the import of one file did, or reversing that."""

    file: str
    kind: str
    went_out: int
    went_in: int = 0
    stayed: tuple[tuple[str, int], ...] = ()  # each other file that carries rows of it, and how many
    #: Files that may carry rows that left: imported before it was noted which rows they carry.
    unsure: tuple[str, ...] = ()


@dataclass(frozen=True)
class Undone:
    """What `drift imports undo` did: an import undone, or an undoing reversed."""

    number: int  # of this act, by which it can be reversed
    brought_back: bool
    files: tuple[FileUndone, ...]


@dataclass(frozen=True)
class _File:
    id: int
    name: str
    kind: str
    first: int | None
    last: int | None


def undo(connection: Connection, act: int, file: str, reason: str, now_us: int) -> Undone:
    """Undo an import, wholly or one file of it; or reverse an undoing.

    Parameters
    ----------
    act
        The number of the import or of the undoing.
    file
        Only this file, as it was named; "" for all.

    Raises
    ------
    drift.errors.RecordError
        If there is no such act, or nothing of it is left to undo.
    """
    lock(connection)
    table = schema.files
    imported = _files_of(connection, file, table.c.act_id == act, table.c.undone_by.is_(None))
    undone = _files_of(connection, file, table.c.undone_by == act)
    if imported:
        number = new_act(connection, UNDID, reason, now_us)
        _set_undone(connection, imported, number)  # mark all first, so that none takes rows over from another
        return Undone(number, False, tuple(_undo_file(connection, one, number) for one in imported))
    if undone:
        number = new_act(connection, BROUGHT_BACK, reason, now_us)
        _set_undone(connection, undone, None)
        return Undone(number, True, tuple(_bring_back(connection, one, number) for one in undone))
    raise _nothing_to_undo(connection, act, file)


def undo_files(connection: Connection, file_ids: Sequence[int], reason: str, now_us: int) -> int:
    """Undo files by their numbers, as one act, and return its number."""
    files = _files_of(connection, "", schema.files.c.id.in_(file_ids))
    number = new_act(connection, UNDID, reason, now_us)
    _set_undone(connection, files, number)
    for one in files:
        _undo_file(connection, one, number)
    return number


def _set_undone(connection: Connection, files: list[_File], by: int | None) -> None:
    table = schema.files
    for some in batches(one.id for one in files):
        connection.execute(update(table).where(table.c.id.in_(some)).values(undone_by=by))


def lock(connection: Connection) -> None:
    """Make this the only transaction that changes rows, on any database."""
    connection.execute(update(schema.record).values(next_row_id=schema.record.c.next_row_id))


def take_over(connection: Connection, kind: str, file_id: int, lines: Mapping[int, int]) -> None:
    """Give a file those rows that it carries whose own file was undone.

    Parameters
    ----------
    lines
        row_id -> line in the file.
    """
    table, files = schema.readings[kind], schema.files
    orphans: dict[int, dict[int, int]] = {}
    for some in batches(lines):
        query = (
            select(table.c.row_id, table.c.file_id, table.c.line)
            .join(files, table.c.file_id == files.c.id)
            .where(table.c.row_id.in_(some), table.c.file_id != file_id, files.c.undone_by.is_not(None))
        )
        for row_id, owner, line in connection.execute(query):
            orphans.setdefault(owner, {})[row_id] = line
    for owner, old in orphans.items():
        write_carried(connection, owner, read_carried(connection, owner).with_rows(old, {}))
        _move(connection, kind, file_id, {row_id: lines[row_id] for row_id in old})


def _move(connection: Connection, kind: str, file_id: int, lines: Mapping[int, int]) -> None:
    """Make rows belong to a file that carries them, and drop them from those it carries besides."""
    table = schema.readings[kind]
    change = (
        update(table)
        .where(table.c.row_id == bindparam("own"))
        .values(file_id=bindparam("to"), line=bindparam("at"))
    )
    rows = [{"own": row_id, "to": file_id, "at": line} for row_id, line in lines.items()]
    if rows:
        connection.execute(change, rows)
    write_carried(connection, file_id, read_carried(connection, file_id).without(lines))


def _files_of(connection: Connection, file: str, *conditions: ColumnElement[bool]) -> list[_File]:
    table = schema.files
    columns = (table.c.id, table.c.name, table.c.kind, table.c.first, table.c.last)
    found = [
        _File(*row) for row in connection.execute(select(*columns).where(*conditions).order_by(table.c.id))
    ]
    return [one for one in found if not file or one.name == file]


def _nothing_to_undo(connection: Connection, act: int, file: str) -> RecordError:
    acts, files, parts = schema.acts, schema.files, schema.file_acts
    what = connection.scalar(select(acts.c.what).where(acts.c.id == act))
    if what is None:
        return RecordError(f"there is no import {act}; `drift imports` lists those there are.")
    own = select(files.c.name, files.c.undone_by, files.c.act_id).join(parts, parts.c.file_id == files.c.id)
    rows = connection.execute(own.where(parts.c.act_id == act).order_by(files.c.id)).fetchall()
    if not rows:
        return RecordError(f"number {act} is no import ({what}), so that there is nothing to undo in it.")
    names = [name for name, undone_by, _ in rows if undone_by is None]
    if file and names and file not in names:
        return RecordError(
            f"import {act} brought no file {file!r} that is still in; it has: {', '.join(names)}."
        )
    for name, undone_by, now in rows:
        if undone_by is not None and now == act:
            return RecordError(
                f"import {act} was undone already, by number {undone_by}; `drift imports undo "
                f"{undone_by}` brings it back."
            )
        if now != act and undone_by is None:
            return RecordError(f"{name} of number {act} belongs to import {now} now: undo that one.")
    return RecordError(
        f"nothing of number {act} ({what}) is left to undo; `drift imports` shows what came after it."
    )


def _bring_back(connection: Connection, file: _File, act: int) -> FileUndone:
    """Bring the rows of an undone file into use again; the file itself is in force already."""
    table = schema.readings[file.kind]
    block = read_carried(connection, file.id)
    carried = dict(zip(block.row_ids.tolist(), block.lines.tolist(), strict=True))
    take_over(connection, file.kind, file.id, carried)
    own = select(table.c.row_id).where(table.c.file_id == file.id, table.c.status == schema.UNDONE)
    back = list(connection.scalars(own))
    set_status(connection, file.kind, back, schema.IN_USE)
    note_file(connection, act, file.id, went_in=len(back))
    return FileUndone(file.name, file.kind, 0, len(back))


def _undo_file(connection: Connection, file: _File, undo: int) -> FileUndone:
    table = schema.readings[file.kind]
    query = select(table.c.row_id, table.c.status, table.c.line).where(table.c.file_id == file.id)
    rows = {row_id: (status, line) for row_id, status, line in connection.execute(query)}
    left = dict(rows)
    stayed: list[tuple[str, int]] = []
    for other, block in _others(connection, file):
        shared = [one for one in block.row_ids.tolist() if one in left]
        if shared:
            places = dict(zip(block.row_ids.tolist(), block.lines.tolist(), strict=True))
            _move(connection, file.kind, other.id, {one: places[one] for one in shared})
            stayed.append((other.name, len(shared)))
        for one in shared:
            del left[one]
    handed = {one: line for one, (_, line) in rows.items() if one not in left}
    if handed:
        write_carried(connection, file.id, read_carried(connection, file.id).with_rows(handed, {}))
    out = [one for one, (status, _) in left.items() if status == schema.IN_USE]
    set_status(connection, file.kind, out, schema.UNDONE)
    count = sum(number for _, number in stayed)
    note_file(connection, undo, file.id, went_out=len(out), stayed=count)
    return FileUndone(file.name, file.kind, len(out), 0, tuple(stayed), _unsure(connection, file))


def _unsure(connection: Connection, file: _File) -> tuple[str, ...]:
    """Return the files in force of a kind that were imported before it was noted what they carry."""
    noted_since = select(schema.piers.c.noted_us).scalar_subquery()
    table = schema.files
    query = select(table.c.name).where(*_in_force(file), table.c.act_id.is_not(None))
    return tuple(connection.scalars(query.where(table.c.imported_us < noted_since).order_by(table.c.id)))


def _in_force(file: _File) -> tuple[ColumnElement[bool], ...]:
    table = schema.files
    return table.c.kind == file.kind, table.c.id != file.id, table.c.undone_by.is_(None)


def _others(connection: Connection, file: _File) -> Iterator[tuple[_File, Carried]]:
    """Yield the files in force that may carry rows of a file besides their own, the oldest first."""
    if file.first is None or file.last is None:  # no row of it was good
        return
    table = schema.files
    columns = (table.c.id, table.c.name, table.c.kind, table.c.first, table.c.last)
    query = (
        select(*columns)
        .join(schema.also_carried, schema.also_carried.c.file_id == table.c.id)
        .where(*_in_force(file), table.c.first <= file.last, table.c.last >= file.first)
        .order_by(table.c.id)
    )
    for row in connection.execute(query).fetchall():
        yield _File(*row), read_carried(connection, row[0])
