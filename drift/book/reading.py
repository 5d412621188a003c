"""The record -> tables of readings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import Connection, select

from drift.book import schema
from drift.book.bulk import batches
from drift.book.carried import other_raws
from drift.book.content import digest_of_all
from drift.book.repeats import to_use
from drift.readings import COLUMNS, Readings

if TYPE_CHECKING:
    import pandas as pd

_DTYPES = {"int": np.int64, "float": np.float64}


def read_readings(connection: Connection) -> Readings:
    """Read all readings in use, by time and then content, so that the order of imports changes nothing."""
    tables, contents = {}, []
    for kind in COLUMNS:
        tables[kind], found = _table(connection, kind)
        contents.append(found)
    return Readings(tables, digest_of_all(chain.from_iterable(contents)))


def _table(connection: Connection, kind: str) -> tuple[pd.DataFrame, list[bytes]]:
    import pandas as pd

    table = schema.readings[kind]
    wanted = [table.c[name] for name in COLUMNS[kind]]
    query = (
        select(*wanted, table.c.content)
        .where(table.c.status == schema.IN_USE)
        .order_by(table.c[schema.when_column(kind)], table.c.content)
    )
    rows = connection.execute(query).fetchall()
    columns = list(zip(*rows, strict=True)) if rows else [()] * (len(wanted) + 1)
    frame = pd.DataFrame(
        {
            name: _array(column, COLUMNS[kind][name])
            for name, column in zip(COLUMNS[kind], columns, strict=False)
        }
    )
    used = to_use(frame, kind)
    return (frame if used.all() else frame[used].reset_index(drop=True)), list(columns[-1])


def _array(column: Sequence[Any], sort: str) -> Any:
    import pandas as pd

    if sort == "text":
        return pd.Series(column, dtype=object)
    return np.array(column, dtype=_DTYPES[sort])  # None becomes NaN


def where_rows(connection: Connection, row_ids: Iterable[int]) -> dict[int, tuple[str, int, str]]:
    """Return file, line and text as it came of some rows, by row_id."""
    found: dict[int, tuple[str, int, str]] = {}
    owners: dict[int, int] = {}
    for some in batches(sorted({int(one) for one in row_ids})):
        for table in schema.readings.values():
            query = (
                select(table.c.row_id, table.c.file_id, schema.files.c.name, table.c.line, table.c.raw)
                .join(schema.files, table.c.file_id == schema.files.c.id)
                .where(table.c.row_id.in_(some))
            )
            for row_id, file_id, name, line, raw in connection.execute(query):
                found[row_id], owners[row_id] = (name, line, raw), file_id
    for row_id, raw in other_raws(connection, owners).items():
        found[row_id] = (*found[row_id][:2], raw)
    return found
