"""Many rows into a table at once."""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import Any, TypeVar

import numpy as np
from sqlalchemy import Connection, Table, insert
from sqlalchemy.sql.compiler import SQLCompiler

CHUNK_ROWS = 5_000
ASKED_AT_ONCE = 500  # databases limit the number of values in a query

One = TypeVar("One")


def batches(values: Iterable[One], size: int = ASKED_AT_ONCE) -> Iterator[list[One]]:
    """Yield the values in lists of at most `size`."""
    rest = iter(values)
    while batch := list(islice(rest, size)):
        yield batch


@contextmanager
def collector_paused() -> Iterator[None]:
    """Keep Python's search for reference cycles from running again and again over masses of plain rows."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def insert_columns(
    connection: Connection,
    table: Table,
    columns: Mapping[str, Sequence[Any] | np.ndarray],
    progress: Callable[[int], None] | None = None,
) -> None:
    """Insert rows given as columns of equal length, lists or arrays.

    Where the driver takes plain tuples they are handed over as they are, which is several times as
    quick as a dictionary a row.  `progress` is told the number of rows done after each chunk.
    """
    compiled = insert(table).compile(dialect=connection.dialect, column_keys=list(columns))
    assert isinstance(compiled, SQLCompiler)
    order = compiled.positiontup if compiled.positional and compiled.positiontup else None
    count = len(next(iter(columns.values())))
    for start in range(0, count, CHUNK_ROWS):
        pieces = (_plain(columns[name][start : start + CHUNK_ROWS]) for name in (order or columns))
        chunk = list(zip(*pieces, strict=True))
        if order:
            connection.exec_driver_sql(str(compiled), chunk)
        else:
            connection.execute(insert(table), [dict(zip(columns, row, strict=True)) for row in chunk])
        if progress:
            progress(start + len(chunk))


def _plain(values: Sequence[Any] | np.ndarray) -> Sequence[Any]:
    """Return some values as Python's own; whole columns of them would take several times the memory."""
    return values.tolist() if isinstance(values, np.ndarray) else values
