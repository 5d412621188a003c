"""A log that was read -> the record: what is new goes in, what is there already does not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, delete, func, select, update

from drift.book import schema
from drift.book.bulk import batches, insert_columns
from drift.book.content import aside_key, content_ids
from drift.book.repeats import identity_columns
from drift.logs.result import LogRead, RowSetAside
from drift.readings import COLUMNS


@dataclass(frozen=True)
class Added:
    """What adding a log changed."""

    went_in: int
    already_there: int
    twice_in_file: int
    remarks: tuple[str, ...] = ()


def add_log(
    connection: Connection, log: LogRead, now_us: int, progress: Callable[[int, int], None] | None = None
) -> Added:
    """Add a log's rows to the record, within the transaction of `connection`.

    `progress` is told the rows done and the rows in all.
    """
    next_id = _lock(connection)
    contents = content_ids(log.kind, log.columns)
    new = _new_rows(connection, log, contents)
    unique = len(set(contents))
    if new:
        remarks = _repeat_remarks(connection, log, new)
        file_id = _file(connection, log, now_us)
        _insert(connection, log, contents, new, next_id, file_id, progress)
        connection.execute(update(schema.book).values(next_row_id=next_id + len(new)))
    else:
        remarks = ()
    _note_set_aside(connection, log, now_us)
    return Added(len(new), unique - len(new), len(contents) - unique, remarks)


def row_ids_of(connection: Connection, log: LogRead) -> list[int]:
    """Return the numbers of a log's rows in the record, in the order of its rows; absent ones have none."""
    if not len(log.lines):
        return []
    table = schema.readings[log.kind]
    query = select(table.c.content, table.c.row_id).where(_overlap(log))
    known = {bytes(content): int(row_id) for content, row_id in connection.execute(query)}
    return [known[one] for one in content_ids(log.kind, log.columns) if one in known]


def _lock(connection: Connection) -> int:
    """Make this the only transaction that adds, on any database, and return the next free row_id."""
    connection.execute(update(schema.book).values(next_row_id=schema.book.c.next_row_id))
    return int(connection.scalar(select(schema.book.c.next_row_id)) or 1)


def _new_rows(connection: Connection, log: LogRead, contents: list[bytes]) -> list[int]:
    """Return the positions of the rows whose content is not in the record, the first of equal ones."""
    if not contents:
        return []
    table = schema.readings[log.kind]
    known = set(connection.scalars(select(table.c.content).where(_overlap(log))))
    backwards = range(len(contents) - 1, -1, -1)
    first = dict(
        zip(reversed(contents), backwards, strict=True)
    )  # of equal rows the first, as it comes last here
    if not known:
        return sorted(first.values())
    return sorted(position for content, position in first.items() if content not in known)


def _overlap(log: LogRead) -> Any:
    """Return the condition that a row of the record lies in the span of time of a log."""
    when = schema.when_column(log.kind)
    times = np.asarray(log.columns[when])
    return schema.readings[log.kind].c[when].between(int(times.min()), int(times.max()))


def _repeat_remarks(connection: Connection, log: LogRead, new: list[int]) -> tuple[str, ...]:
    """Remark on new rows that are the same observations as others, with other side columns."""
    import pandas as pd

    names = identity_columns(log.kind)
    table = schema.readings[log.kind]
    there = connection.execute(select(*(table.c[name] for name in names)).where(_overlap(log))).fetchall()
    fresh = pd.DataFrame({name: log.columns[name] for name in names}).iloc[new]
    if not there and not fresh[names[0]].duplicated().any():
        return ()
    old = pd.DataFrame(there, columns=names).astype(fresh.dtypes.to_dict())
    count = int(pd.concat([old, fresh]).duplicated().sum() - old.duplicated().sum())
    if not count:
        return ()
    rows = "1 row is" if count == 1 else f"{count} rows are"
    if log.kind == "weather":
        return (f"{rows} of a day that is there with other values; one row a day is used, the fullest",)
    return (f"{rows} the same reading as one that is there, but for side columns; the fullest row is used",)


def _file(connection: Connection, log: LogRead, now_us: int) -> int:
    columns = schema.files.c
    same = {"path": log.path, "digest": log.digest, "kind": log.kind, "header": log.header}
    query = select(columns.id).where(*(columns[name] == value for name, value in same.items()))
    known = connection.scalar(query)
    if known is not None:
        return int(known)
    entry = schema.files.insert().values(**same, name=log.name, imported_us=now_us)
    made = connection.execute(entry).inserted_primary_key
    assert made is not None
    return int(made[0])


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

    def chosen(values: Sequence[Any]) -> Sequence[Any]:
        return values if all_new else [values[position] for position in new]

    columns: dict[str, Sequence[Any]] = {
        "row_id": range(next_id, next_id + count),
        "file_id": [file_id] * count,
        "line": chosen(log.lines.tolist()),
        "raw": chosen(log.raws),
        "content": chosen(contents),
    }
    for name in COLUMNS[log.kind]:
        if name != "row_id":
            values = log.columns[name]
            if not _all_blank(values):  # blank is what the table assumes
                columns[name] = chosen(values.tolist() if isinstance(values, np.ndarray) else values)
    table = schema.readings[log.kind]
    insert_columns(connection, table, columns, progress and (lambda done: progress(done, count)))


def _all_blank(values: np.ndarray | list[str]) -> bool:
    if isinstance(values, list):
        return not any(values)
    return values.dtype.kind == "f" and bool(np.isnan(values).all())


def _note_set_aside(connection: Connection, log: LogRead, now_us: int) -> None:
    """Make the list of rows set aside say what this file's latest import found."""
    table = schema.set_aside
    if log.path:
        connection.execute(delete(table).where(table.c.path == log.path))
    if connection.scalar(select(func.count()).select_from(table).where(table.c.kind == log.kind)):
        _forget_mended(connection, log)
    entries = {
        aside_key(one.kind, one.column, one.row_kept, one.raw): one for one in log.set_aside + log.left_out
    }
    known = _known_keys(connection, list(entries))
    fresh = {key: one for key, one in entries.items() if key not in known}
    if fresh:
        insert_columns(connection, table, _aside_columns(fresh, log, now_us))


def _forget_mended(connection: Connection, log: LogRead) -> None:
    """Drop from the list the rows that have now gone in (the site file was mended, or drift knows better)."""
    table = schema.set_aside
    rows = connection.execute(
        select(table.c.id, table.c.raw).where(table.c.kind == log.kind, table.c.row_kept.is_(False))
    ).fetchall()
    good = set(log.raws) if rows else set()
    for some in batches([one for one, raw in rows if raw in good]):
        connection.execute(delete(table).where(table.c.id.in_(some)))


def _known_keys(connection: Connection, keys: list[bytes]) -> set[bytes]:
    table = schema.set_aside
    known: set[bytes] = set()
    for some in batches(keys):
        known.update(connection.scalars(select(table.c.key).where(table.c.key.in_(some))))
    return known


def _aside_columns(fresh: dict[bytes, RowSetAside], log: LogRead, now_us: int) -> dict[str, Sequence[Any]]:
    names = ("file", "line", "column", "value", "reason", "kind", "row_kept", "raw")
    columns: dict[str, Sequence[Any]] = {
        name: [getattr(one, name) for one in fresh.values()] for name in names
    }
    count = len(fresh)
    return {**columns, "path": [log.path] * count, "key": list(fresh), "noted_us": [now_us] * count}
