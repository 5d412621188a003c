"""Recording by hand: a typed row goes through the same checks as the row of a log."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from sqlalchemy import Connection, func, select

from drift.codes import ActReason, CorrectionKind, RowState
from drift.errors import Doubtful, RecordError, RowRefused
from drift.importer.importing import FileImported, outcome
from drift.ingest.delimited import open_bytes
from drift.ingest.kinds import BY_KIND
from drift.ingest.read import read_table
from drift.ingest.row_check import Circumstances, circumstances
from drift.ingest.text import plain_cell, spreadsheet_cell
from drift.ingest.units import Unit, own_unit, units_for
from drift.ingest.values import PARTS, NumberSpelling, parse_numbers
from drift.notices import Notice, RecordCode, warning
from drift.quantities import as_utc
from drift.readings import DAY_US, LogRead
from drift.record import acts, schema
from drift.record.engine import now_us
from drift.record.record import Record
from drift.record.writing import add_log, row_ids_of

NAME = "recorded by hand"
#: Kinds whose rows are typed by hand, in a command, on the page or in a table.
TYPED = ("corrections", "levels", "alignments")


def in_our_units(row: Mapping[str, str]) -> dict[str, str]:
    """Return a row with each number that has a unit of its own, such as "0.42\u00b0" or "3 mm/m", in its
    column's."""
    return {column: _in_unit(column, text) for column, text in row.items()}


def _in_unit(column: str, text: str) -> str:
    own = own_unit(column)
    plain = text.strip().replace("\u2212", "-")
    if own is None or not plain or not any(sign.isdigit() for sign in plain):
        return text
    if not parse_numbers([plain])[1][0]:
        return text
    for unit in dict.fromkeys((own, *units_for(column))):  # parts of sixty show by their marks what they are
        found, bad = NumberSpelling(column, Unit(unit)).read([plain])
        marked = unit is own or PARTS.fullmatch(plain) is not None
        if marked and not bad[0]:
            return repr(round(float(found[0]), 6)).removesuffix(".0")
    return text


def record_rows(
    record: Record, kind: str, rows: Sequence[Mapping[str, str]], step: str = "", sure: bool = False
) -> FileImported:
    """Write rows down, given as column -> text, through the checks of a file of that kind.

    Rows that were withdrawn come into use again.  Where they say that an advised step was done, `step` is
    its id, which is noted with them.  Implausible rows are recorded only when `sure`.

    Raises
    ------
    drift.errors.Doubtful
        If the unit, the sign or a clock may be wrong.
    drift.errors.LogFileError
        If a value can't be used.
    drift.errors.RecordError
        If the record can't be written.
    """
    rows = [in_our_units(row) for row in rows]
    around = circumstances(record.site, now_us())
    log = read_by_hand(kind, rows, around)  # nobody has to wait for it
    with record.writing("recording") as connection:
        if not sure and not step:
            unlike = (*_unlike_levels(connection, log), *_unlike_advice(connection, log, around))
            doubts = (*unlike, *_question_clock(connection, log, around))
            if doubts:
                raise Doubtful(doubts)
        return _record(connection, log, now_us(), step)


# ---- Whether a row is plausible: against the last readings, the last advice, the clock.


#: Number of last readings of a place that are compared, and the least that suffice.
_LAST_READINGS, _FEW_READINGS = 5, 2
#: A pier does not tilt by more than this between readings [arcsec]: common practice, as for files.
_FAR_ARCSEC = 300.0
#: Advice older than this doesn't count [us]; a turn of more than so many times what was advised is asked
#: about, unless it differs by less than this [arcmin].
_ADVICE_US, _MANY_TIMES, _LITTLE_ARCMIN = 14 * DAY_US, 3.0, 5.0
#: A time within this of the present counts as now [us].
_NOW_US = 120 * 1_000_000
_TURNS = {CorrectionKind.AZIMUTH: "turn_azimuth", CorrectionKind.ALTITUDE: "turn_altitude"}


def _unlike_levels(connection: Connection, log: LogRead) -> Iterator[Notice]:
    """Question a level reading far from the last ones of its place: another unit, or another sign."""
    if log.kind != "levels":
        return
    table = schema.readings["levels"]
    for at in range(len(log.lines)):
        row = {name: np.asarray(values, dtype=object)[at] for name, values in log.columns.items()}
        turned = row["face_deg"] == 180.0
        query = select(table.c.face_deg, table.c.tilt_north_arcsec, table.c.tilt_east_arcsec).where(
            table.c.place == row["place"], table.c.status == schema.IN_USE, table.c.time_us <= row["time_us"]
        )
        query = query.order_by(table.c.time_us.desc()).limit(4 * _LAST_READINGS)
        last = [(n, e) for face, n, e in connection.execute(query) if (face == 180.0) == turned][
            :_LAST_READINGS
        ]
        if len(last) < _FEW_READINGS:
            continue
        middle = np.median(last, axis=0)
        apart = float(np.max(np.abs(np.array([row["tilt_north_arcsec"], row["tilt_east_arcsec"]]) - middle)))
        if apart > _FAR_ARCSEC:
            yield warning(
                RecordCode.LEVEL_UNLIKE_LAST,
                apart_arcsec=apart,
                tilt_arcsec=(float(row["tilt_north_arcsec"]), float(row["tilt_east_arcsec"])),
                usual_arcsec=(float(middle[0]), float(middle[1])),
            )


def _unlike_advice(connection: Connection, log: LogRead, around: Circumstances) -> Iterator[Notice]:
    """Question a turn of a knob many times as far as was advised lately, or the other way."""
    if log.kind != "corrections":
        return
    table = schema.advised_steps
    for kind, amount in zip(
        log.columns["kind"], np.asarray(log.columns["amount_arcmin"]).tolist(), strict=True
    ):
        if kind not in _TURNS or amount != amount:
            continue
        query = (
            select(table.c.numbers)
            .where(table.c.do == _TURNS[CorrectionKind(kind)], table.c.shown_us >= around.now_us - _ADVICE_US)
            .order_by(table.c.shown_us.desc())
        )
        said = connection.scalar(query)
        advised = json.loads(said).get("amount_arcmin") if said else None
        if advised is None:
            continue
        off = abs(amount - advised)
        if off > _LITTLE_ARCMIN and (abs(amount) > _MANY_TIMES * abs(advised) or amount * advised < 0.0):
            yield warning(
                RecordCode.CORRECTION_UNLIKE_ADVICE,
                kind=kind,
                amount_arcmin=amount,
                advised_arcmin=float(advised),
            )


def _question_clock(connection: Connection, log: LogRead, around: Circumstances) -> Iterator[Notice]:
    """Question the clock where something done now would be before the last reading of the sky."""
    times = np.asarray(log.columns.get("time_us", []))
    if not times.size or abs(int(times[0]) - around.now_us) > _NOW_US:
        return
    last = 0
    for kind in ("solves", "sweeps", "runs"):
        table = schema.readings[kind]
        newest = select(func.max(table.c.time_us)).where(table.c.status == schema.IN_USE)
        last = max(last, connection.scalar(newest) or 0)
    if last > int(times[0]):
        yield warning(RecordCode.NOW_BEFORE_LAST, now_us=int(times[0]), last_us=last)


def amend(record: Record, row_id: int, row: Mapping[str, str], reason: str) -> FileImported:
    """Replace a row by another one, given as column -> text; the old one is withdrawn and kept.

    Raises
    ------
    drift.errors.LogFileError
        If a value can't be used.
    drift.errors.RecordError
        If there is no such row, it is not in use, or nothing would change.
    """
    with record.reading(f"amending row {row_id}") as connection:
        kind = _amendable(connection, row_id).kind
    log = read_by_hand(kind, [row], circumstances(record.site, now_us()))
    with record.writing(f"amending row {row_id}") as connection:
        _amendable(connection, row_id)
        if row_id in row_ids_of(connection, log):
            raise RecordError(f"row {row_id} says exactly this already; nothing was changed.")
        now = now_us()
        done = _record(connection, log, now)
        acts.replace(connection, kind, row_id, row_ids_of(connection, log), reason, now)
        return done


def _amendable(connection: Connection, row_id: int) -> acts.RowHeld:
    old = acts.rows_held(connection, [row_id]).get(row_id)
    if old is None or not old.in_use:
        raise RecordError(f"there is no row {row_id} in use" + (f": it is {old.state}." if old else "."))
    return old


def _record(connection: Connection, log: LogRead, now: int, step: str = "") -> FileImported:
    log = replace(log, lines=log.lines - log.lines[0] + _next_line(connection, log.kind))
    added = add_log(connection, log, now)
    row_ids = row_ids_of(connection, log)
    if step:
        acts.note_done(connection, step, row_ids)
    held = acts.rows_held(connection, row_ids)
    back = [row.row_id for row in held.values() if row.state is RowState.WITHDRAWN]
    if back:
        acts.put_back(connection, back, ActReason.WRITTEN_AGAIN, now)
        added = replace(
            added, went_in=added.went_in + len(back), already_there=added.already_there - len(back)
        )
    return outcome(log, added)


def _next_line(connection: Connection, kind: str) -> int:
    table = schema.readings[kind]
    by_hand: Any = select(schema.files.c.id).where(schema.files.c.path == "", schema.files.c.kind == kind)
    return int(connection.scalar(select(func.max(table.c.line)).where(table.c.file_id.in_(by_hand))) or 0) + 1


def read_by_hand(kind: str, rows: Sequence[Mapping[str, str]], around: Circumstances) -> LogRead:
    """Read rows given as column -> text through the same reader and checks as a file of that kind.

    Raises
    ------
    drift.errors.RowRefused
        If any value can't be used: by hand it is corrected at once instead of set aside.
    """
    header = list(dict.fromkeys([*BY_KIND[kind].columns, *(name for row in rows for name in row)]))
    text = io.StringIO()
    writer = csv.DictWriter(text, header, lineterminator="\n")
    writer.writeheader()
    writer.writerows([{name: " ".join(value.split()) for name, value in row.items()} for row in rows])
    table = open_bytes(text.getvalue().encode(), NAME)
    log = read_table(
        replace(table, decimal="."), around
    )  # one row can't show what a comma means: it is refused
    for bad in (*log.set_aside, *log.left_out):
        raise RowRefused(bad)
    return replace(log, digest=NAME)  # one for all such rows, so that they form one file


def typed_tables(record: Record) -> dict[str, tuple[str, int]]:
    """Return what was typed by hand as logs that can be imported again: kind -> text, and how many rows.

    They hold every row in use, also from imported logs, to the last digit, so that importing them adds
    nothing to the record that they came from.
    """
    tables = {}
    for kind in TYPED:
        rows = [row for row in record.held(kind) if row.in_use]
        with record.reading("looking up notes") as connection:
            notes = _notes(connection, kind)
        if rows:
            tables[kind] = (_log_of(kind, rows, notes), len(rows))
    return tables


def _log_of(kind: str, rows: Sequence[acts.RowHeld], notes: Mapping[int, str]) -> str:
    names = [name for name in BY_KIND[kind].columns if name != "time_utc"]
    extra = ["note"] if notes and "note" not in names else []
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["time_utc", *names, *extra])
    for row in rows:
        when = as_utc(row.values["time_us"]).isoformat().replace("+00:00", "Z")
        cells = [_cell(row.values[name]) for name in names]
        writer.writerow([when, *cells, *(spreadsheet_cell(notes.get(row.row_id, "")) for _ in extra)])
    return text.getvalue()


def _cell(value: Any) -> str:
    if isinstance(value, float):
        return "" if value != value else repr(value)
    return "" if value is None else spreadsheet_cell(str(value))


def _notes(connection: Connection, kind: str) -> dict[int, str]:
    """Return the notes of rows from their original text, by row_id, for tables without such a column."""
    if "note" in BY_KIND[kind].columns:
        return {}
    table, files = schema.readings[kind], schema.files
    query = select(table.c.row_id, table.c.raw, files.c.header).join(files, table.c.file_id == files.c.id)
    found = {}
    for row_id, raw, header in connection.execute(query.where(files.c.header.icontains("note"))):
        names = [name.strip().lower() for name in next(csv.reader([header]), [])]
        cells = next(csv.reader([raw]), [])
        if "note" in names and len(cells) == len(names) and cells[names.index("note")]:
            found[int(row_id)] = plain_cell(cells[names.index("note")])
    return found
