"""Where rows came from, and what was done to them since: down to file and line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, select

from drift.book import schema
from drift.book.acts import RowEvent, events_of, rows_held
from drift.book.aside import mended_by
from drift.book.bulk import batches
from drift.book.carried import other_raws
from drift.logs.result import RowSetAside


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
