"""Which rows a file carried besides those that came in by it.

A row belongs to the first file that brought it.  Other files that carry the
same reading are noted here, a block a file, so that undoing the first one leaves
the row, with its place in another.  A log that grows and is imported every
night carries all that it carried before: as a table of rows that would grow with
the square of the nights, as differences between neighbours it is a few bytes.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection, delete, insert, select

from drift.book import schema
from drift.book.bulk import batches

Whole = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Carried:
    """Rows of a file by their number: the line each stands on, and its text where that is another one."""

    row_ids: Whole  # (n,) ascending
    lines: Whole  # (n,)
    raws: dict[int, str] = field(default_factory=dict)  # row_id -> text, where it differs from the record's

    def with_rows(self, lines: dict[int, int], raws: dict[int, str]) -> Carried:
        """Return this with more rows; one that is there already stays as it is."""
        merged = {**lines, **dict(zip(self.row_ids.tolist(), self.lines.tolist(), strict=True))}
        return carried_of(merged, {**raws, **self.raws})

    def without(self, row_ids: Iterable[int]) -> Carried:
        """Return this without some rows, but those whose text differs, which is nowhere else."""
        gone = set(row_ids) - self.raws.keys()
        keep = np.array([one not in gone for one in self.row_ids.tolist()], dtype=bool)
        return Carried(self.row_ids[keep], self.lines[keep], self.raws)


def carried_of(lines: dict[int, int], raws: dict[int, str]) -> Carried:
    """Return row_id -> line and row_id -> text as a block."""
    ids = np.array(sorted(lines), dtype=np.int64)
    return Carried(ids, np.array([lines[one] for one in ids.tolist()], dtype=np.int64), raws)


def read_carried(connection: Connection, file_id: int) -> Carried:
    """Return what is noted of a file; an empty block when nothing is."""
    table = schema.also_carried
    query = select(table.c.row_ids, table.c.lines, table.c.raws).where(table.c.file_id == file_id)
    row = connection.execute(query).first()
    return carried_of({}, {}) if row is None else _unpacked(*row)


def write_carried(connection: Connection, file_id: int, block: Carried) -> None:
    """Note what a file carries, in the place of what was noted before."""
    table = schema.also_carried
    connection.execute(delete(table).where(table.c.file_id == file_id))
    if block.row_ids.size:
        raws = zlib.compress(json.dumps(block.raws).encode()) if block.raws else b""
        packed = {"row_ids": _packed(block.row_ids), "lines": _packed(block.lines), "raws": raws}
        connection.execute(insert(table).values(file_id=file_id, **packed))


def other_raws(connection: Connection, owners: Mapping[int, int]) -> dict[int, str]:
    """Return the text of rows whose own file has another one than that in which they came first.

    Parameters
    ----------
    owners
        row_id -> the number of the file that the row belongs to.
    """
    table = schema.also_carried
    found: dict[int, str] = {}
    for some in batches(sorted(set(owners.values()))):
        query = select(table.c.file_id).where(table.c.file_id.in_(some), table.c.raws != b"")
        for file_id in connection.scalars(query).all():
            raws = read_carried(connection, file_id).raws
            found.update({row_id: text for row_id, text in raws.items() if owners.get(row_id) == file_id})
    return found


def _packed(numbers: Whole) -> bytes:
    return zlib.compress(np.diff(numbers, prepend=0).astype("<i8").tobytes())


def _unpacked(row_ids: bytes, lines: bytes, raws: bytes) -> Carried:
    texts = json.loads(zlib.decompress(raws)) if raws else {}
    return Carried(_whole(row_ids), _whole(lines), {int(row_id): text for row_id, text in texts.items()})


def _whole(packed: bytes) -> Whole:
    return np.cumsum(np.frombuffer(zlib.decompress(packed), dtype="<i8"), dtype=np.int64)
