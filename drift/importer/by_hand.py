"""What is recorded by hand, as the row of a log that it amounts to."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, func, select

from drift.codes import ActReason, RowState
from drift.errors import RecordError, RowRefused
from drift.importer.importing import FileImported, outcome
from drift.ingest.cells import Circumstances, circumstances
from drift.ingest.delimited import open_bytes
from drift.ingest.kinds import BY_KIND
from drift.ingest.read import read_table
from drift.readings import LogRead
from drift.record import acts, schema
from drift.record.engine import now_us
from drift.record.record import Record
from drift.record.writing import add_log, row_ids_of

NAME = "recorded by hand"


def record_rows(record: Record, kind: str, rows: Sequence[Mapping[str, str]], step: str = "") -> FileImported:
    """Write rows down, given as column -> text, through the checks of a file of that kind.

    Rows that were withdrawn come into use again.  Where they say that an advised step was done, `step` is
    its id, and that is noted with them.

    Raises
    ------
    drift.errors.LogFileError
        If a value can't be used.
    drift.errors.RecordError
        If the record can't be written.
    """
    with record.writing("recording") as connection:
        return _record_rows(connection, kind, rows, circumstances(record.site, now_us()), step)


def amend(record: Record, row_id: int, row: Mapping[str, str], reason: str) -> FileImported:
    """Put another row, given as column -> text, in the place of one, which is withdrawn and kept.

    Raises
    ------
    drift.errors.LogFileError
        If a value can't be used.
    drift.errors.RecordError
        If there is no such row, it is not in use, or nothing would change.
    """
    with record.writing(f"amending row {row_id}") as connection:
        old = acts.rows_held(connection, [row_id]).get(row_id)
        if old is None or not old.in_use:
            raise RecordError(f"there is no row {row_id} in use" + (f": it is {old.state}." if old else "."))
        around = circumstances(record.site, now_us())
        log = read_by_hand(old.kind, [row], around, _next_line(connection, old.kind))
        if row_id in row_ids_of(connection, log):
            raise RecordError(f"row {row_id} says exactly this already; nothing was changed.")
        done = _record_rows(connection, old.kind, [row], around)
        acts.replace(connection, old.kind, row_id, row_ids_of(connection, log), reason, around.now_us)
        return done


def _record_rows(
    connection: Connection,
    kind: str,
    rows: Sequence[Mapping[str, str]],
    around: Circumstances,
    step: str = "",
) -> FileImported:
    log = read_by_hand(kind, rows, around, _next_line(connection, kind))
    added = add_log(connection, log, around.now_us)
    row_ids = row_ids_of(connection, log)
    if step:
        acts.note_done(connection, step, row_ids)
    held = acts.rows_held(connection, row_ids)
    back = [row.row_id for row in held.values() if row.state is RowState.WITHDRAWN]
    if back:
        acts.put_back(connection, back, ActReason.WRITTEN_AGAIN, around.now_us)
        added = replace(
            added, went_in=added.went_in + len(back), already_there=added.already_there - len(back)
        )
    return outcome(log, added)


def _next_line(connection: Connection, kind: str) -> int:
    table = schema.readings[kind]
    by_hand: Any = select(schema.files.c.id).where(schema.files.c.path == "", schema.files.c.kind == kind)
    return int(connection.scalar(select(func.max(table.c.line)).where(table.c.file_id.in_(by_hand))) or 0) + 1


def read_by_hand(
    kind: str, rows: Sequence[Mapping[str, str]], around: Circumstances, first_line: int
) -> LogRead:
    """Read rows given as column -> text through the same reader and checks as a file of that kind.

    Raises
    ------
    drift.errors.RowRefused
        If any value can't be used: by hand it is put right at once instead of set aside.
    """
    header = list(dict.fromkeys([*BY_KIND[kind].columns, *(name for row in rows for name in row)]))
    text = io.StringIO()
    writer = csv.DictWriter(text, header, lineterminator="\n")
    writer.writeheader()
    writer.writerows([{name: " ".join(value.split()) for name, value in row.items()} for row in rows])
    table = open_bytes(text.getvalue().encode(), NAME)
    log = read_table(
        replace(table, decimal="."), around
    )  # one row can't tell what a comma means: it is refused
    for bad in (*log.set_aside, *log.left_out):
        raise RowRefused(bad)
    # One digest for all such rows, so that they form one file whose lines are numbered on.
    return replace(log, digest=NAME, lines=log.lines - log.lines[0] + first_line)
