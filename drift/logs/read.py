"""A log file -> its rows: decode, split, recognise, check."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np

from drift.errors import LogFileError
from drift.logs.cells import Cells
from drift.logs.detect import recognise, unused_columns
from drift.logs.kinds import LAYOUTS
from drift.logs.layout import Circumstances, Columns, Layout
from drift.logs.records import Records, split_records
from drift.logs.result import LogRead, RowSetAside
from drift.logs.text import decode


def read_log(path: Path, around: Circumstances) -> LogRead:
    """Read a log file of any known kind.

    Parameters
    ----------
    path
        The file.
    around
        The site and the present time, on which it depends what is plausible.

    Raises
    ------
    drift.errors.LogFileError
        If the file can't be read at all: no such file, empty, not text, an
        unknown header.  Rows that can't be used raise nothing: they are in
        `LogRead.set_aside`.
    """
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogFileError(
            f"{path} can't be read: {error.strerror or error}.  See that the name is right and that you may "
            "read it."
        ) from error
    return read_bytes(data, str(path), around, str(path.resolve()))


def read_bytes(data: bytes, name: str, around: Circumstances, path: str = "") -> LogRead:
    """Read a log from the bytes of its file; `name` is what the file is called in messages."""
    decoded = decode(data, name)
    records = split_records(decoded.text, name)
    layout, why = recognise(records.header, records.header_line, LAYOUTS, name)
    if not records.raws:
        raise LogFileError(
            f"{name} holds the header of {layout.title} (line {records.header_line}) and no rows: there is "
            "nothing in "
            "it to import."
        )
    cells = Cells(records, layout)
    columns = layout.read(cells, around)
    remarks = (*decoded.remarks, *records.remarks, *_unused(records, layout), *cells.remarks)
    aside, left_out = _told(cells, records, layout, name)
    return LogRead(
        name=name,
        path=path,
        digest=hashlib.blake2b(data, digest_size=16).hexdigest(),
        kind=layout.kind,
        title=layout.title,
        why=why,
        header=",".join(records.header),
        columns=_good_rows(columns, cells),
        lines=records.lines[cells.good],
        raws=_good_raws(records, cells),
        set_aside=aside,
        left_out=left_out,
        remarks=remarks,
    )


def _unused(records: Records, layout: Layout) -> tuple[str, ...]:
    unused = unused_columns(records.header, layout)
    if not unused:
        return ()
    return (f"not used, but kept with each row as it came: {', '.join(unused)}",)


def _good_rows(columns: Columns, cells: Cells) -> Columns:
    if cells.good.all():
        return columns
    good = np.flatnonzero(cells.good).tolist()
    return {
        name: values[cells.good] if isinstance(values, np.ndarray) else [values[at] for at in good]
        for name, values in columns.items()
    }


def _good_raws(records: Records, cells: Cells) -> list[str]:
    if cells.good.all():
        return records.raws
    return [raw for raw, good in zip(records.raws, cells.good.tolist(), strict=True) if good]


def _told(
    cells: Cells, records: Records, layout: Layout, name: str
) -> tuple[tuple[RowSetAside, ...], tuple[RowSetAside, ...]]:
    def entry(position: int, column: str, reason: str, kept: bool) -> RowSetAside:
        value = cells.text(column)[position] if column else ""
        line = int(records.lines[position])
        return RowSetAside(name, line, column, value, reason, layout.kind, kept, records.raws[position])

    aside = tuple(entry(at, *cells.aside[at], False) for at in sorted(cells.aside))
    left_out = sorted((at, column, reason) for at, column, reason in cells.left_out if cells.good[at])
    return aside, tuple(entry(at, column, reason, True) for at, column, reason in left_out)
