"""What was done to the record, in order, with the rows it changed; and the advised steps."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, insert, select, update

from drift._version import __version__
from drift.codes import ActKind, RowState
from drift.errors import RecordError
from drift.readings import READING_COLUMNS, StepDone
from drift.record import schema
from drift.record.schema import batches

# ---- Acts: what was done to the record, when and why, and the rows it changed.
#
# Nothing is ever deleted from the record.  A row that is no longer used keeps its place, its file and its
# line, with a state that says why:
#
# * *withdrawn*: its owner said that this reading is wrong.  Importing its file again does not bring it back.
# * *undone*: every import that carried it was undone.  Importing it again brings it back.


IMPORTED, UNDID, BROUGHT_BACK, MENDED, WITHDREW, PUT_BACK, AMENDED, DISMISSED, RESTORED, JUDGED = ActKind
_STATES = {
    schema.IN_USE: RowState.IN_USE,
    schema.WITHDRAWN: RowState.WITHDRAWN,
    schema.UNDONE: RowState.UNDONE,
}


@dataclass(frozen=True)
class RowHeld:
    """A row of the record, whether it is used or not, and where it came from.

    `values` holds the columns of `drift.readings.READING_COLUMNS`; a missing number is None.
    """

    row_id: int
    kind: str
    state: RowState
    file: str
    line: int
    raw: str
    values: Mapping[str, Any] = field(repr=False)

    @property
    def in_use(self) -> bool:
        """Whether the row counts."""
        return self.state is RowState.IN_USE


@dataclass(frozen=True)
class RowEvent:
    """Something that was done to one row.

    `other_row_id` is the row that took its place, when it was amended.
    """

    row_id: int
    what: ActKind
    time_us: int
    reason: str
    other_row_id: int | None = None


def new_act(connection: Connection, what: ActKind, reason: str, now_us: int) -> int:
    """Note an act, and return its number."""
    values = {"time_us": now_us, "what": str(what), "reason": str(reason), "code_version": __version__}
    made = connection.execute(insert(schema.acts).values(**values)).inserted_primary_key
    assert made is not None
    return int(made[0])


def note_file(
    connection: Connection,
    act: int,
    file_id: int,
    went_in: int = 0,
    already_there: int = 0,
    set_aside: int = 0,
    went_out: int = 0,
    stayed: int = 0,
) -> None:
    """Note what an act did to a file's rows."""
    connection.execute(
        insert(schema.file_acts).values(
            act_id=act,
            file_id=file_id,
            went_in=went_in,
            already_there=already_there,
            set_aside=set_aside,
            went_out=went_out,
            stayed=stayed,
        )
    )


def rows_held(connection: Connection, row_ids: Iterable[int]) -> dict[int, RowHeld]:
    """Return the rows with some numbers, used or not, by row_id."""
    found: dict[int, RowHeld] = {}
    for some in batches(sorted({int(one) for one in row_ids})):
        for kind, table in schema.readings.items():
            found.update((row.row_id, row) for row in _held(connection, kind, table.c.row_id.in_(some)))
    return found


def rows_of_kind(connection: Connection, kind: str, span: tuple[int, int] | None = None) -> list[RowHeld]:
    """Return all rows of a kind, used or not, in order of time.

    Parameters
    ----------
    span
        Only those from the first time on and before the second [us, or days for weather].
    """
    when = schema.readings[kind].c[schema.when_column(kind)]
    inside = when.is_not(None) if span is None else and_(when >= span[0], when < span[1])
    return list(_held(connection, kind, inside))


def _held(connection: Connection, kind: str, condition: ColumnElement[bool]) -> Iterator[RowHeld]:
    table, files = schema.readings[kind], schema.files
    own = [table.c.status, files.c.name, table.c.line, table.c.raw]
    query = (
        select(*own, *(table.c[name] for name in READING_COLUMNS[kind]))
        .join(files, table.c.file_id == files.c.id)
        .where(condition)
        .order_by(table.c[schema.when_column(kind)], table.c.row_id)
    )
    for status, name, line, raw, *values in connection.execute(query):
        held = dict(zip(READING_COLUMNS[kind], values, strict=True))
        yield RowHeld(held["row_id"], kind, _STATES[status], name, line, raw, held)


def withdraw(connection: Connection, row_ids: Sequence[int], reason: str, now_us: int) -> int:
    """Take rows out of use, keep them, and return the act's number.

    Raises
    ------
    drift.errors.RecordError
        If a row is not there or not in use; then none is changed.
    """
    rows = _wanted(connection, row_ids)
    for row in rows:
        if not row.in_use:
            raise RecordError(f"row {row.row_id} ({row.file}, line {row.line}) is {row.state} already.")
    act = new_act(connection, WITHDREW, reason, now_us)
    _change(connection, rows, schema.WITHDRAWN)
    note_rows(connection, act, [(row.kind, row.row_id, None) for row in rows])
    return act


def put_back(connection: Connection, row_ids: Sequence[int], reason: str, now_us: int) -> int:
    """Take withdrawn rows into use again, and return the act's number.

    Raises
    ------
    drift.errors.RecordError
        If a row is not there or not withdrawn, or its import was undone; then none is changed.
    """
    rows = _wanted(connection, row_ids)
    for row in rows:
        if row.state is not RowState.WITHDRAWN:
            raise RecordError(
                f"row {row.row_id} ({row.file}, line {row.line}) is {row.state}, not withdrawn: "
                "there is nothing to put back."
            )
    act = new_act(connection, PUT_BACK, reason, now_us)
    _change(connection, rows, schema.IN_USE)
    note_rows(connection, act, [(row.kind, row.row_id, None) for row in rows])
    return act


def replace(
    connection: Connection, kind: str, row_id: int, others: Sequence[int], reason: str, now_us: int
) -> int:
    """Withdraw a row in favour of others in the record, and return the act's number."""
    act = new_act(connection, AMENDED, reason, now_us)
    _change(connection, _wanted(connection, [row_id]), schema.WITHDRAWN)
    note_rows(connection, act, [(kind, row_id, other) for other in others])
    return act


def set_status(connection: Connection, kind: str, row_ids: Iterable[int], status: int) -> None:
    """Set the state of rows of a kind."""
    table = schema.readings[kind]
    for some in batches(row_ids):
        connection.execute(update(table).where(table.c.row_id.in_(some)).values(status=status))


def note_rows(connection: Connection, act: int, changed: Sequence[tuple[str, int, int | None]]) -> None:
    """Note which rows an act changed: kind, row_id and the row that took its place, or None."""
    names = ("kind", "row_id", "other_row_id")
    rows = [{"act_id": act, **dict(zip(names, one, strict=True))} for one in changed]
    if rows:
        connection.execute(insert(schema.row_acts), rows)


def events_of(connection: Connection, row_ids: Iterable[int]) -> dict[int, list[RowEvent]]:
    """Return what was done to each row, the oldest first; rows to which nothing was done are left out."""
    rows, acts = schema.row_acts, schema.acts
    events: dict[int, list[RowEvent]] = {}
    for some in batches(sorted({int(one) for one in row_ids})):
        query = (
            select(rows.c.row_id, acts.c.what, acts.c.time_us, acts.c.reason, rows.c.other_row_id)
            .join(acts, rows.c.act_id == acts.c.id)
            .where(rows.c.row_id.in_(some))
            .order_by(rows.c.id)
        )
        for row in connection.execute(query):
            events.setdefault(row[0], []).append(RowEvent(row[0], ActKind(row[1]), *row[2:]))
    return events


def last_acts(connection: Connection) -> dict[int, str]:
    """Return the last act on each row that anything was done to."""
    rows, acts = schema.row_acts, schema.acts
    query = select(rows.c.row_id, acts.c.what).join(acts, rows.c.act_id == acts.c.id).order_by(rows.c.id)
    return {int(row_id): str(what) for row_id, what in connection.execute(query)}


def _wanted(connection: Connection, row_ids: Sequence[int]) -> list[RowHeld]:
    found = rows_held(connection, row_ids)
    for one in row_ids:
        if one not in found:
            raise RecordError(f"there is no row {one} in the record.")
    return [found[one] for one in sorted(found)]


def _change(connection: Connection, rows: Sequence[RowHeld], status: int) -> None:
    for kind in sorted({row.kind for row in rows}):
        set_status(connection, kind, [row.row_id for row in rows if row.kind == kind], status)


# ---- Advised steps, kept under a short id, and what was recorded for them.
#
# A step is what a person saw: what to do and by how much, and the night that it rests on.  The same step
# shown again keeps its id.  What was recorded as done is found by the rows of corrections that were written
# for the id, not by their notes.


@dataclass(frozen=True, kw_only=True)
class StoredStep:
    """A step as it was shown.

    `numbers` holds the amounts by name, as JSON has them.
    """

    step: str  # its id
    night_us: int  # the night that it rests on, UTC
    do: str
    numbers: Mapping[str, Any]


def keep_steps(
    connection: Connection, night_us: int, steps: Sequence[tuple[str, Mapping[str, Any]]], now_us: int
) -> list[str]:
    """Store steps, each an action and its numbers, and return their ids; known ones keep theirs."""
    return [_store_step(connection, night_us, do, numbers, now_us) for do, numbers in steps]


def _store_step(
    connection: Connection, night_us: int, do: str, numbers: Mapping[str, Any], now_us: int
) -> str:
    table, text = schema.advised_steps, json.dumps(dict(numbers), sort_keys=True, allow_nan=False)
    same = (table.c.night_us == night_us, table.c.do == do, table.c.numbers == text)
    known = connection.scalar(select(table.c.id).where(*same))
    if known is None:
        values = {"night_us": night_us, "do": do, "numbers": text, "shown_us": now_us}
        made = connection.execute(insert(table).values(**values)).inserted_primary_key
        assert made is not None
        known = made[0]
    return f"s{known}"


def kept_step(connection: Connection, step: str) -> StoredStep | None:
    """Return the step with an id, or None."""
    number = step[1:]
    if step[:1] != "s" or not (number.isascii() and number.isdigit()):
        return None
    table = schema.advised_steps
    columns = (table.c.night_us, table.c.do, table.c.numbers)
    row = connection.execute(select(*columns).where(table.c.id == int(number))).first()
    if row is None:
        return None
    return StoredStep(step=step, night_us=int(row[0]), do=str(row[1]), numbers=json.loads(row[2]))


def note_done(connection: Connection, step: str, row_ids: Iterable[int]) -> None:
    """Note the rows of the log of corrections that say that a step was done."""
    rows = [{"step_id": int(step[1:]), "row_id": int(row_id)} for row_id in row_ids]
    if rows:
        connection.execute(insert(schema.advised_done), rows)


def steps_done(connection: Connection) -> list[StepDone]:
    """Return the steps that were recorded as done, the earliest first; withdrawn rows don't count.

    A row that was amended is followed to the one that took its place.
    """
    table, done, acts = schema.readings["corrections"], schema.advised_done, schema.row_acts
    links = connection.execute(select(done.c.step_id, done.c.row_id)).all()
    if not links:
        return []
    replaced = select(acts.c.row_id, acts.c.other_row_id).where(
        acts.c.kind == "corrections", acts.c.other_row_id.is_not(None)
    )
    later = {int(row): int(other) for row, other in connection.execute(replaced.order_by(acts.c.id))}
    columns = (table.c.row_id, table.c.kind, table.c.time_us)
    in_use = {
        int(row.row_id): row
        for row in connection.execute(select(*columns).where(table.c.status == schema.IN_USE))
    }
    found: dict[tuple[str, str, int], set[int]] = {}
    for step_id, first in links:
        row_id = _latest(int(first), later, in_use)
        if row_id is not None:
            row = in_use[row_id]
            found.setdefault((f"s{step_id}", str(row.kind), int(row.time_us)), set()).add(row_id)
    made = [
        StepDone(step=step, kind=kind, time_us=time_us, row_ids=tuple(sorted(row_ids)))
        for (step, kind, time_us), row_ids in found.items()
    ]
    return sorted(made, key=lambda one: one.time_us)


def _latest(row_id: int, later: Mapping[int, int], in_use: Mapping[int, Any]) -> int | None:
    """Return the row in use that a row became, or None."""
    seen: set[int] = set()
    while row_id not in in_use:
        seen.add(row_id)
        following = later.get(row_id)
        if following is None or following in seen:
            return None
        row_id = following
    return row_id
