"""From a log file to its rows: open it, find out what its columns mean, check each row."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Protocol

import numpy as np

from drift.errors import LogFileError
from drift.ingest.delimited import open_bytes
from drift.ingest.detect import near_column, recognise, unused_columns
from drift.ingest.kinds import BY_KIND, LAYOUTS
from drift.ingest.mapping import ColumnFrom, Mapping, own_mapping
from drift.ingest.row_check import Cells, Circumstances, LogLayout
from drift.ingest.text import RawTable
from drift.ingest.translate import Gathered, Plan, as_texts, by_day, finish, gather, is_by_the_hour
from drift.ingest.units import Unit, own_unit, unit_of, units_for
from drift.ingest.values import are_flags
from drift.notices import IngestCode, Notice, info, warning
from drift.readings import Columns, LogRead, RowSetAside

# ---- Reading one log file.
#
# `drift.ingest.text` shows the way of a file through this room.


class Settle(Protocol):
    """Settles how to read a table with other columns than ours."""

    def claims(self, table: RawTable) -> bool:
        """Tell whether it is asked also about tables with our own columns."""

    def __call__(self, table: RawTable, around: Circumstances) -> tuple[Mapping, Notice]:
        """Return how a table is read, and why so; or raise LogFileError."""


def read_log(path: Path, around: Circumstances, settle: Settle | None = None, chosen: bool = True) -> LogRead:
    """Read a log file of any known kind and form.

    Parameters
    ----------
    path
        The file.
    around
        The site and the present time, on which plausibility depends.
    settle
        Says how to read a table with other columns than ours; by default such a file is refused.
    chosen
        As for `drift.ingest.formats.open_table`.

    Raises
    ------
    drift.errors.LogFileError
        If the file can't be read at all: no such file, empty, not text, an
        unknown header.  Rows that can't be used raise nothing: they are in
        `LogRead.set_aside`.
    """
    from drift.ingest.formats import open_table

    return read_table(open_table(path, chosen), around, settle)


def read_bytes(data: bytes, name: str, around: Circumstances, path: str = "") -> LogRead:
    """Read a log from the bytes of a delimited text; `name` is what the file is called in messages."""
    return read_table(open_bytes(data, name, path), around)


def read_table(table: RawTable, around: Circumstances, settle: Settle | None = None) -> LogRead:
    """Read a table of raw columns of any form.

    Parameters
    ----------
    table
        The table.
    around
        The site and the present time.
    settle
        As in `read_log`.

    Raises
    ------
    drift.errors.LogFileError
        If the meaning of its columns is unknown, or it has no rows.
    """
    mapping, why = _mapping(table, around, settle)
    return read_mapped(table, around, mapping, why)


def read_mapped(table: RawTable, around: Circumstances, mapping: Mapping, why: Notice) -> LogRead:
    """Read a table by a mapping; `why` is the reason for its kind of log, for people.

    Raises
    ------
    drift.errors.LogFileError
        If it has no rows, or lacks a column that the mapping names.
    """
    layout = BY_KIND[mapping.kind]
    _refuse_lacking(table, mapping)
    plan = Plan.of(mapping, table.headings, table.decimal)
    found = gather(table.parts, plan)
    if not found.raws:
        at = f" (line {table.header_line})" if table.header_line else ""
        raise LogFileError(
            f"{table.name} holds the header of a log of {layout.kind}{at} and no rows: there is nothing in "
            "it to import."
        )
    made: tuple[Notice, ...] = ()
    if is_by_the_hour(mapping):
        finish(found.columns, mapping, around)
        found, remark = by_day(found, mapping, around)
        made = (remark,)
    cells = _cells(table, found, plan, around)
    columns = layout.read(cells, around)
    aside, left_out = _not_used(cells, found, layout, table.name)
    return LogRead(
        name=table.name,
        path=table.path,
        digest=table.digest,
        kind=layout.kind,
        why=why,
        header=(table.delimiter or ",").join(table.header),
        columns=_good_rows(columns, cells),
        lines=found.lines[cells.good],
        raws=_good_raws(found, cells),
        set_aside=aside,
        left_out=left_out,
        remarks=(*table.remarks, *_unused(table, layout, mapping), *made, *cells.remarks),
    )


def _mapping(table: RawTable, around: Circumstances, settle: Settle | None) -> tuple[Mapping, Notice]:
    """Return how to read a table, and why: its columns are ours, or `settle` says."""
    if settle is not None and settle.claims(table):
        mapping, why = settle(table, around)
        return _honour_units(mapping, table), why
    try:
        _refuse_nameless(table)
        layout, why = recognise(table.header, table.header_line, LAYOUTS, table.name)
        _refuse_nearly_own(table, layout)
    except LogFileError:
        if settle is None or _has_no_row(table):
            raise  # of a header alone nothing can be guessed or asked
        mapping, why = settle(table, around)
        return _honour_units(mapping, table), why
    own = _own_with_units(own_mapping(layout.kind, table.header, layout.columns), table)
    return _with_success(own, table), why


def _has_no_row(table: RawTable) -> bool:
    first = next(iter(table.parts), None)
    return first is None or not first.lines.size


def _with_success(mapping: Mapping, table: RawTable) -> Mapping:
    """Use a foreign column that says whether a solve succeeded, beside our own ones."""
    from drift.ingest.names import columns_of_success

    if mapping.kind != "solves" or "success" in mapping.columns:
        return mapping
    first = next(iter(table.parts), None)
    if first is None:
        return mapping
    for at in columns_of_success(table.headings):
        cells = as_texts(first.cells[at])
        if are_flags(cells):
            source = ColumnFrom((table.headings[at].name,))
            return replace(mapping, columns={**mapping.columns, "success": source})
    return mapping


def _refuse_nearly_own(table: RawTable, layout: LogLayout) -> None:
    """Refuse to read a table as bare solves when it has the mount's places under other names."""
    from drift.ingest.names import columns_named

    own = {name.lower() for name in table.header}
    others = [
        table.header[at]
        for column in layout.together
        if column not in own
        for at in columns_named(column, table.headings)
    ]
    if others:
        raise LogFileError(
            f"{table.name}: {', '.join(others)} may be {' and '.join(layout.together)}: rename them, or "
            "import the file with --answer or at a terminal."
        )


def _honour_units(mapping: Mapping, table: RawTable) -> Mapping:
    """Let the units that a file gives override those of its mapping."""
    units = {heading.name.lower(): heading.unit for heading in table.headings if heading.unit}
    columns = {
        column: replace(source, unit=unit_of(units.get(source.columns[0].lower(), ""), column) or source.unit)
        if source.columns
        else source
        for column, source in mapping.columns.items()
    }
    return replace(mapping, columns=columns)


def _own_with_units(mapping: Mapping, table: RawTable) -> Mapping:
    """Read our own columns in the units that a file gives apart from their names."""
    units = {heading.name: heading.unit for heading in table.headings if heading.unit}
    columns = {}
    for column, source in mapping.columns.items():
        own, written = own_unit(column), units.get(source.columns[0], "")
        unit = unit_of(written, column) if written and own else None
        if written and own and unit is None:
            raise LogFileError(
                f"{table.name}: the column {column} is in {written!r}, where one of these belongs: "
                f"{', '.join(units_for(column))}."
            )
        columns[column] = replace(source, unit=unit or (Unit(own) if own else None))
    plain = (None if (own := own_unit(column)) is None else Unit(own) for column in columns)
    if all(one.unit in (None, unit) for one, unit in zip(columns.values(), plain, strict=True)):
        return mapping
    return replace(mapping, columns=columns, own=False)


def _refuse_nameless(table: RawTable) -> None:
    """Refuse a delimited text without a header."""
    if table.header_line or not table.delimiter:
        return
    part = next(iter(table.parts))
    shown = ", ".join(cell for cell in table.split_raw(part.raws[0]) if cell)
    raise LogFileError(
        f"{table.name}, line {part.lines[0]}: the header is missing: the first row is already data "
        f"({shown}).  Put a line with the column names above it, such as: {','.join(LAYOUTS[0].required)}"
    )


def _refuse_lacking(table: RawTable, mapping: Mapping) -> None:
    names = [name.lower() for name in table.header]
    wanted = {name for source in mapping.columns.values() for name in source.columns}
    lacking = sorted(name for name in wanted if name.lower() not in names)
    if lacking:
        raise LogFileError(
            f"{table.name}: the mapping names the column {', '.join(lacking)}, which the file does not have "
            f"(it has: {', '.join(name for name in table.header if name)})."
        )
    repeated = sorted(name for name in wanted if names.count(name.lower()) > 1)
    if repeated:
        raise LogFileError(
            f"{table.name}: the header names {', '.join(repeated)} more than once, so that it is not clear "
            "which column is meant.  Rename or remove one of them."
        )


def _cells(table: RawTable, found: Gathered, plan: Plan, around: Circumstances) -> Cells:
    refused = finish(found.columns, plan.mapping, around)

    def source(column: str, position: int) -> str:
        return plan.source_text(table.split_raw(found.raws[position]), column)

    cells = Cells(len(found.raws), found.columns, source, {} if plan.mapping.own else plan.names())
    width = len(table.headings)
    for position, count in found.surplus.items():
        cells.good[position] = False
        cells.aside[position] = ("", warning(IngestCode.TOO_MANY_CELLS, cells=count, header_cells=width))
    for position, why in found.aside.items():
        cells.good[position] = False
        cells.aside[position] = ("", why)
    for reason, rows in refused:
        cells.set_aside(rows, "time_utc", reason)
    return cells


#: Most columns that are searched for slips in names.
_MOST_COMPARED = 200


def _unused(table: RawTable, layout: LogLayout, mapping: Mapping) -> tuple[Notice, ...]:
    if mapping.own:
        unused = unused_columns(table.header, layout)
        used = {name for source in mapping.columns.values() for name in source.columns}
        unused = [name for name in unused if name not in used]
    else:
        used = {name.lower() for source in mapping.columns.values() for name in source.columns}
        unused = [name for name in table.header if name and name.lower() not in used]
    free = [column for column in layout.columns if column not in mapping.columns]
    if not unused:
        return ()
    few = len(unused) <= _MOST_COMPARED
    meant_for = tuple(near_column(name, free) if few else "" for name in unused)  # "" for no near name
    return (info(IngestCode.COLUMNS_UNUSED, columns=tuple(unused), meant_for=meant_for),)


def _good_rows(columns: Columns, cells: Cells) -> Columns:
    if cells.good.all():
        return columns
    good = np.flatnonzero(cells.good).tolist()
    return {
        name: values[cells.good] if isinstance(values, np.ndarray) else [values[at] for at in good]
        for name, values in columns.items()
    }


def _good_raws(found: Gathered, cells: Cells) -> list[str]:
    if cells.good.all():
        return found.raws
    return [raw for raw, good in zip(found.raws, cells.good.tolist(), strict=True) if good]


def _not_used(
    cells: Cells, found: Gathered, layout: LogLayout, name: str
) -> tuple[tuple[RowSetAside, ...], tuple[RowSetAside, ...]]:
    def entry(position: int, column: str, reason: Notice, kept: bool) -> RowSetAside:
        value = cells.source(column, position) if column else ""
        line = int(found.lines[position])
        called = cells.called(column)
        return RowSetAside(name, line, called, value, reason, layout.kind, kept, found.raws[position])

    aside = tuple(entry(at, *cells.aside[at], False) for at in sorted(cells.aside))
    left_out = [one for one in cells.left_out if cells.good[one[0]]]
    left_out.sort(key=lambda one: (one[0], one[1], one[2].code))
    return aside, tuple(entry(at, column, reason, True) for at, column, reason in left_out)
