"""What is recorded by hand, as the row of a log that it amounts to."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, func, select

from drift.errors import LogFileError, RecordError
from drift.importer.files import FileImported, outcome
from drift.ingest.cells import Circumstances
from drift.ingest.delimited import open_bytes
from drift.ingest.kinds import BY_KIND
from drift.ingest.read import LogRead, read_table
from drift.record import acts, schema
from drift.record.writing import Added, add_log, row_ids_of

NAME = "recorded by hand"


def record_rows(
    connection: Connection, kind: str, rows: Sequence[Mapping[str, str]], around: Circumstances
) -> FileImported:
    """Write rows down, and take those into use again that were withdrawn.

    Raises
    ------
    drift.errors.LogFileError
        If a value can't be used.
    """
    log = read_by_hand(kind, rows, around, _next_line(connection, kind))
    added = add_log(connection, log, around.now_us)
    held = acts.rows_held(connection, row_ids_of(connection, log))
    back = [row.row_id for row in held.values() if row.state == "withdrawn"]
    if back:
        acts.put_back(connection, back, "written down again", around.now_us)
        added = Added(
            added.went_in + len(back), added.already_there - len(back), added.twice_in_file, added.remarks
        )
    return outcome(log, added)


def amend_row(
    connection: Connection, row_id: int, row: Mapping[str, str], reason: str, around: Circumstances
) -> FileImported:
    """Write a row down in the place of another one, which is withdrawn.

    Raises
    ------
    drift.errors.LogFileError
        If a value can't be used.
    drift.errors.RecordError
        If there is no such row, it is not in use, or nothing would change.
    """
    old = acts.rows_held(connection, [row_id]).get(row_id)
    if old is None or not old.in_use:
        raise RecordError(f"there is no row {row_id} in use" + (f": it is {old.state}." if old else "."))
    log = read_by_hand(old.kind, [row], around, _next_line(connection, old.kind))
    if row_id in row_ids_of(connection, log):
        raise RecordError(f"row {row_id} says exactly this already; nothing was changed.")
    done = record_rows(connection, old.kind, [row], around)
    acts.replace(connection, old.kind, row_id, row_ids_of(connection, log), reason, around.now_us)
    return done


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
    drift.errors.LogFileError
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
        raise LogFileError(f"not recorded: {bad.column} = {bad.value!r} {_sentence(bad.reason)}")
    # One digest for all such rows, so that they form one file whose lines are numbered on.
    return replace(log, digest=NAME, lines=log.lines - log.lines[0] + first_line)


def _sentence(reason: str) -> str:
    return reason if reason.endswith(("?", ".")) else f"{reason}."
