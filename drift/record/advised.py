"""Steps that were advised, kept when they are shown under a short id, and what was recorded for them.

A step is what a person saw: what to do and by how much, and the night that it rests on.  The same step
shown again keeps its id.  What was recorded as done by an id is known by the rows of the log of
corrections that were written for it, not by their notes.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, insert, select

from drift.readings import StepDone
from drift.record import schema


@dataclass(frozen=True, kw_only=True)
class StepKept:
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
    """Keep steps, given as what to do and its numbers, and return their ids; known ones keep theirs."""
    return [_keep(connection, night_us, do, numbers, now_us) for do, numbers in steps]


def _keep(connection: Connection, night_us: int, do: str, numbers: Mapping[str, Any], now_us: int) -> str:
    table, text = schema.advised_steps, json.dumps(dict(numbers), sort_keys=True, allow_nan=False)
    same = (table.c.night_us == night_us, table.c.do == do, table.c.numbers == text)
    known = connection.scalar(select(table.c.id).where(*same))
    if known is None:
        values = {"night_us": night_us, "do": do, "numbers": text, "shown_us": now_us}
        made = connection.execute(insert(table).values(**values)).inserted_primary_key
        assert made is not None
        known = made[0]
    return f"s{known}"


def kept_step(connection: Connection, step: str) -> StepKept | None:
    """Return the step of an id, or None."""
    number = step[1:]
    if step[:1] != "s" or not (number.isascii() and number.isdigit()):
        return None
    table = schema.advised_steps
    columns = (table.c.night_us, table.c.do, table.c.numbers)
    row = connection.execute(select(*columns).where(table.c.id == int(number))).first()
    if row is None:
        return None
    return StepKept(step=step, night_us=int(row[0]), do=str(row[1]), numbers=json.loads(row[2]))


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
