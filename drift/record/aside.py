"""The rows set aside: noted, listed, dismissed, or mended by a row of a later file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, case, delete, func, or_, select, update

from drift.errors import RecordError
from drift.notices import IngestCode, Notice, RecordCode, notice_of, text_of, warning
from drift.readings import LogRead, RowSetAside
from drift.record import schema
from drift.record.acts import DISMISSED, new_act
from drift.record.schema import aside_key, batches, insert_columns

#: The columns of the table that make a `RowSetAside`, in its order.
_ROW = ("file", "line", "column", "value", "notice", "kind", "row_kept", "raw")


#: Why rows are set aside that speak against the site file, the clock or the columns, not against themselves.
_DOUBTED = (
    IngestCode.ROW_BELOW_HORIZON,
    IngestCode.REST_BELOW_HORIZON,
    IngestCode.REST_EXCHANGED,
    IngestCode.REST_FAR_FROM_MOUNT,
)
#: Every answer says so where as many of one kind wait, and they are this share of all: common practice, a few
#: wrong solves lie anywhere in the sky.
_FEWEST_DOUBTED, _DOUBTED_SHARE = 10, 0.1


@dataclass(frozen=True)
class Aside:
    """A row set aside, or a value left out, with its number in the record and the header of its file."""

    number: int
    row: RowSetAside
    path: str
    header: str
    file_id: int | None = field(repr=False)


def note_set_aside(connection: Connection, log: LogRead, file_id: int, now_us: int) -> frozenset[bytes]:
    """Update the list of rows set aside to what this file's latest import found.

    Returns
    -------
    frozenset
        The keys of those of its rows that were mended or dismissed before.
    """
    table = schema.set_aside
    if log.path:
        connection.execute(delete(table).where(table.c.path == log.path, ~_ever_settled()))
    if connection.scalar(select(func.count()).select_from(table).where(table.c.kind == log.kind)):
        _forget_mended(connection, log)
    entries = {key_of(one): one for one in log.set_aside + log.left_out}
    settled = _settled_keys(connection, list(entries))
    there = _keys_of_path(connection, log.path) if entries else set()
    fresh = {key: one for key, one in entries.items() if key not in settled and key not in there}
    if fresh:
        insert_columns(connection, table, _columns(fresh, log, file_id, now_us))
    return frozenset(settled)


def key_of(row: RowSetAside) -> bytes:
    """Return the digest that identifies a row set aside."""
    return aside_key(row.kind, row.column, row.row_kept, row.raw)


def open_asides(connection: Connection, numbers: Sequence[int] | None = None) -> list[Aside]:
    """Return the rows that are set aside and neither mended nor dismissed, by file and line; each once.

    Parameters
    ----------
    numbers
        Only those with these numbers; all when None.
    """
    table, files = schema.set_aside, schema.files
    columns = [table.c[name] for name in _ROW]
    query = (
        select(table.c.id, table.c.path, files.c.header, table.c.file_id, table.c.key, *columns)
        .join(files, and_(table.c.file_id == files.c.id, table.c.pier_id == files.c.pier_id), isouter=True)
        .where(~_settled(), files.c.undone_by.is_(None))
        .order_by(table.c.id)
    )
    found: dict[bytes, Aside] = {}  # the first of equal ones, whose number people have seen
    for number, path, header, file_id, key, *row in connection.execute(query):
        found.setdefault(bytes(key), Aside(number, _row_of(*row), path, header or "", file_id))
    gone = _settled_keys(connection, list(found))
    wanted = None if numbers is None else set(numbers)
    left = (one for key, one in found.items() if key not in gone)
    chosen = [one for one in left if wanted is None or one.number in wanted]
    return sorted(chosen, key=lambda one: (one.row.file, one.row.line, one.number))


def logs_doubted(connection: Connection) -> Notice | None:
    """Return a warning where many rows of a kind were set aside for what the site file or the clock says."""
    table, files = schema.set_aside, schema.files
    same_file = and_(table.c.file_id == files.c.id, table.c.pier_id == files.c.pier_id)
    reason = case(*((table.c.notice.contains(f'"{code}"'), code.value) for code in _DOUBTED), else_="")
    query = (
        select(table.c.kind, reason, func.count())
        .join(files, same_file, isouter=True)
        .where(~_settled(), files.c.undone_by.is_(None), table.c.row_kept.is_(False), reason != "")
        .group_by(table.c.kind, reason)
    )
    counts: dict[str, Counter[str]] = {}
    for kind, code, count in connection.execute(query):
        counts.setdefault(kind, Counter())[code] += count
    doubted, of_rows = Counter[str](), 0
    for kind, codes in counts.items():
        waiting, rows = codes.total(), schema.readings[kind]
        if waiting < _FEWEST_DOUBTED:
            continue
        used = connection.scalar(select(func.count()).select_from(rows).where(rows.c.status == schema.IN_USE))
        if waiting >= _DOUBTED_SHARE * (waiting + (used or 0)):
            doubted, of_rows = doubted + codes, of_rows + waiting + (used or 0)
    if not doubted:
        return None
    below = doubted[IngestCode.ROW_BELOW_HORIZON] + doubted[IngestCode.REST_BELOW_HORIZON]
    return warning(
        RecordCode.LOGS_DOUBTED,
        rows=doubted.total(),
        of_rows=of_rows,
        below_horizon=below >= 0.5 * doubted.total(),
    )


def dismiss(connection: Connection, numbers: Sequence[int], reason: str, now_us: int) -> None:
    """Take rows off the list for good, also when another file brings them again.

    Raises
    ------
    drift.errors.RecordError
        If a number is not on the list; then none is dismissed.
    """
    table = schema.set_aside
    wanted_asides(connection, numbers)
    new_act(connection, DISMISSED, reason, now_us)
    for some in batches(numbers):
        connection.execute(update(table).where(table.c.id.in_(some)).values(dismissed=reason or "dismissed"))


def note_mended(connection: Connection, file_id: int, rows: dict[int, int]) -> None:
    """Note by which row of a file each number was mended."""
    table = schema.set_aside
    for number, row_id in rows.items():
        values = {"mended_file_id": file_id, "mended_row_id": row_id}
        connection.execute(update(table).where(table.c.id == number).values(**values))


def mended_rows(connection: Connection, numbers: Sequence[int]) -> dict[int, int]:
    """Return the row_id that mends each row set aside, by its number; unmended ones are left out."""
    table, found = schema.set_aside, {}
    for some in batches(numbers):
        query = select(table.c.id, table.c.mended_row_id).where(table.c.id.in_(some), _settled())
        found.update({number: row_id for number, row_id in connection.execute(query) if row_id is not None})
    return found


def mended_by(connection: Connection, row_ids: Sequence[int]) -> dict[int, RowSetAside]:
    """Return what each mending row mends, by row_id."""
    table = schema.set_aside
    found: dict[int, RowSetAside] = {}
    for some in batches(row_ids):
        query = select(table.c.mended_row_id, *(table.c[name] for name in _ROW))
        for row_id, *row in connection.execute(query.where(table.c.mended_row_id.in_(some))):
            found[row_id] = _row_of(*row)
    return found


def wanted_asides(connection: Connection, numbers: Sequence[int]) -> list[Aside]:
    """Return rows set aside by their numbers.

    Raises
    ------
    drift.errors.RecordError
        If one is not on the list.
    """
    found = open_asides(connection, numbers)
    lacking = sorted(set(numbers) - {one.number for one in found})
    if lacking:
        raise RecordError(
            f"no row set aside has the number {lacking[0]}; `drift imports aside list` shows those there are."
        )
    return found


def _row_of(file: str, line: int, column: str, value: str, notice: str, *rest: Any) -> RowSetAside:
    return RowSetAside(file, line, column, value, notice_of(notice), *rest)


def _settled() -> ColumnElement[bool]:
    """Return the condition that an entry was dismissed, or mended by a file that was not undone."""
    table, files = schema.set_aside, schema.files
    active = select(files.c.id).where(files.c.undone_by.is_(None))
    return or_(
        table.c.dismissed != "",
        and_(table.c.mended_file_id.is_not(None), table.c.mended_file_id.in_(active)),
    )


def _ever_settled() -> ColumnElement[bool]:
    table = schema.set_aside
    return or_(table.c.dismissed != "", table.c.mended_file_id.is_not(None))


def _settled_keys(connection: Connection, keys: list[bytes]) -> set[bytes]:
    table = schema.set_aside
    found: set[bytes] = set()
    for some in batches(keys):
        found.update(connection.scalars(select(table.c.key).where(table.c.key.in_(some), _settled())))
    return found


def _keys_of_path(connection: Connection, path: str) -> set[bytes]:
    table = schema.set_aside
    return set(connection.scalars(select(table.c.key).where(table.c.path == path)))


def _forget_mended(connection: Connection, log: LogRead) -> None:
    """Drop from the list the rows that have now been imported (the site file or drift was corrected)."""
    table = schema.set_aside
    rows = connection.execute(
        select(table.c.id, table.c.raw).where(
            table.c.kind == log.kind, table.c.row_kept.is_(False), ~_ever_settled()
        )
    ).fetchall()
    good = set(log.raws) if rows else set()
    for some in batches([one for one, raw in rows if raw in good]):
        connection.execute(delete(table).where(table.c.id.in_(some)))


def _columns(
    fresh: dict[bytes, RowSetAside], log: LogRead, file_id: int, now_us: int
) -> dict[str, Sequence[Any]]:
    columns: dict[str, Sequence[Any]] = {
        name: [getattr(one, name) for one in fresh.values()] for name in _ROW if name != "notice"
    }
    count = len(fresh)
    return {
        **columns,
        "reason": [""] * count,
        "notice": [text_of(one.reason) for one in fresh.values()],
        "path": [log.path] * count,
        "key": list(fresh),
        "noted_us": [now_us] * count,
        "file_id": [file_id] * count,
    }
