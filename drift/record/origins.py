"""What came in by which import, and where rows came from, down to file and line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, select

from drift.readings import RowSetAside
from drift.record import schema
from drift.record.acts import BROUGHT_BACK, IMPORTED, MENDED, UNDID, RowEvent, events_of, rows_held
from drift.record.aside import mended_by
from drift.record.reading import other_raws
from drift.record.schema import batches

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
    what: str  # "imported", "mended", "undid" or "brought back"
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
        .where(acts.c.what.in_((IMPORTED, MENDED, UNDID, BROUGHT_BACK)))
        .order_by(acts.c.id)
    )
    return [ActDone(*row, tuple(members.get(row[0], ()))) for row in done]


# ---- Where rows came from, and what was done to them since: down to file and line.


@dataclass(frozen=True)
class Origin:
    """Where one row came from."""

    row_id: int
    kind: str
    state: str  # "in use", "withdrawn" or "undone"
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
