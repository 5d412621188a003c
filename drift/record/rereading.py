"""Rows of a file that are in the record already, but as another reading: read otherwise, or cut short.

A row of a file is known again by its text (an image by its name).  Where the same text comes with other
values, the file was read another way before (another time zone, other keywords, another kind of log): both
readings at once would count each observation twice, once of them wrongly.  So the later one goes in only in
the place of the former, whose import is then undone; undoing that brings it back.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from sqlalchemy import Connection, func, or_, select

from drift.codes import ActReason
from drift.errors import RecordError
from drift.readings import LogRead
from drift.record import schema
from drift.record.acts import replace, withdraw
from drift.record.undo import undo_files

#: A row that was cut short lies so near in time to the whole one [us, or days of weather].
_NEAR_US, _NEAR_DAYS = 2 * 86_400_000_000, 2


@dataclass(frozen=True)
class Former:
    """A file whose rows a log reads otherwise."""

    file_id: int
    act_id: int | None  # the import that brought it in
    name: str
    kind: str
    row_ids: tuple[int, ...] = field(repr=False)  # of its rows in use those that are read otherwise
    is_whole: bool  # whether these are all that it has


class ReadOtherwise(RecordError):
    """A log holds rows that an earlier import read another way; `former` are those files."""

    def __init__(self, name: str, former: Sequence[Former]) -> None:
        self.name, self.former = name, tuple(former)
        rows = sum(len(one.row_ids) for one in former)
        super().__init__(f"{name}: {rows} rows of it are in the record as another reading")


def former_readings(
    connection: Connection, log: LogRead, new: Sequence[int], known_lines: Sequence[int], images: bool
) -> list[Former]:
    """Return the files whose rows in use this log reads otherwise.

    Parameters
    ----------
    log
        The log.
    new
        Positions of its rows that the record lacks.
    known_lines
        Lines of its rows that the record holds as they are.
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
    """Return by what a row is known again: its text, of an image its name, the last cell."""
    if not images:
        return raw
    return raw.rpartition(",")[2] if not raw.endswith('"') else next(csv.reader([raw]))[-1]


def take_out(connection: Connection, former: Sequence[Former], now_us: int) -> None:
    """Take former readings out of use: their imports are undone; of files that hold more, rows withdrawn."""
    reason = ActReason.READ_OTHERWISE
    whole = [one.file_id for one in former if one.is_whole]
    if whole:
        undo_files(connection, whole, reason, now_us)
    for one in former:
        if not one.is_whole:
            withdraw(connection, one.row_ids, reason, now_us)


def row_cut_short(connection: Connection, log: LogRead, new: Sequence[int]) -> tuple[int, int] | None:
    """Return the row_id of a row that the record has cut short, and the position of the whole one; or None.

    A version of the program before this one took a last line that was still being written: it stands on the
    line of the first new row, and its text is the beginning of that row's.
    """
    if not new or not log.path:
        return None
    at = min(new, key=lambda one: int(log.lines[one]))
    table, files = schema.readings[log.kind], schema.files
    when = schema.when_column(log.kind)
    near = _NEAR_DAYS if when == "day" else _NEAR_US
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
