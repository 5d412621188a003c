"""The list of imports: what came in by which command, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, select

from drift.book import schema
from drift.book.acts import BROUGHT_BACK, IMPORTED, MENDED, UNDID


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
