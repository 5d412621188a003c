"""After the place of a site was corrected: the rows of its record are judged anew, as if imported now.

Which rows are plausible depends on where the pier is: what is below the horizon was not seen there, and a
file with many such rows is doubtful as a whole.  So each log is read once more from its rows in the record,
those set aside included.  A log that can't be rebuilt like that - images, or one whose units were beside
its header - is recognised because it doesn't give its own rows back at the former place.  For its rows only
the horizon is checked, and the log is named, so that it can be imported again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from sqlalchemy import Connection, select, update

from drift.errors import LogFileError
from drift.ingest.delimited import open_bytes
from drift.ingest.mapping import MappingFile
from drift.ingest.read import read_table
from drift.ingest.row_check import Circumstances, circumstances
from drift.ingest.settle import Settler
from drift.ingest.sky_evidence import BELOW_DEG, altitude_deg
from drift.readings import LogRead
from drift.record import schema
from drift.record.acts import JUDGED, PUT_BACK, last_acts, new_act, note_rows, set_status
from drift.record.aside import note_set_aside, open_asides
from drift.record.engine import now_us
from drift.record.piers import site_keys_text
from drift.record.record import Record
from drift.record.undo import lock
from drift.record.writing import add_fresh
from drift.site.file import PierFile

#: Kinds of readings whose plausibility depends on the place.
_SEEN = ("solves", "sweeps", "runs")


@dataclass(frozen=True)
class Judged:
    """The outcome for the rows of a record."""

    stayed: int = 0
    went_in: int = 0  # rows that were set aside, or left at an earlier correction of the place
    went_out: int = 0
    by_horizon_only: tuple[str, ...] = ()  # logs of which only the imported rows could be judged


@dataclass(frozen=True)
class _Row:
    """A row of a log as the record holds it; without a number it was set aside."""

    line: int
    raw: str = field(repr=False)
    row_id: int | None = None
    status: int = schema.IN_USE
    content: bytes = b""


@dataclass(frozen=True)
class _Log:
    """All rows of one log, whichever imports of it brought them."""

    kind: str
    name: str
    path: str
    digest: str
    header: str
    file_id: int  # of its latest import
    rows: tuple[_Row, ...] = field(repr=False)


def put_site_right(site: PierFile, former: PierFile, why: str) -> Judged:
    """Give a record its corrected place, and judge its rows there, as one transaction.

    Parameters
    ----------
    site, former
        The new and the former site file.
    why
        The reason, kept with the changes of rows.

    Raises
    ------
    drift.errors.RecordError
        If the record can't be written.
    """
    with Record.open(site, moving=True) as record, record.writing("putting the site right") as connection:
        lock(connection)
        place = site.site
        values = {
            "name": place.name or "",
            "latitude_deg": place.latitude_deg,
            "longitude_deg": place.longitude_deg,
        }
        connection.execute(update(schema.record).values(**values, site=site_keys_text(site)))
        return _judged(connection, site, former, why)


def _judged(connection: Connection, site: PierFile, former: PierFile, why: str) -> Judged:
    now = now_us()
    new, old = circumstances(site, now), circumstances(former, now)
    act = new_act(connection, JUDGED, why, now)
    sent_out = {row_id for row_id, what in last_acts(connection).items() if what == JUDGED}
    total = Judged()
    for log in _logs(connection):
        read = _read_again(log, new, old, site)
        good = _good_contents(log, read) if read else _above_horizon(connection, log, new)
        out = [
            one.row_id
            for one in log.rows
            if one.row_id and one.status == schema.IN_USE and one.content not in good
        ]
        back = [
            one.row_id
            for one in log.rows
            if one.row_id in sent_out and one.status == schema.WITHDRAWN and one.content in good
        ]
        _set(connection, log.kind, out, schema.WITHDRAWN, act)
        if back:
            _set(connection, log.kind, back, schema.IN_USE, new_act(connection, PUT_BACK, why, now))
        fresh = 0
        if read:
            fresh = add_fresh(connection, read, log.file_id)
            note_set_aside(connection, read, log.file_id, now)
        used = sum(1 for one in log.rows if one.row_id and one.status == schema.IN_USE)
        total = Judged(
            total.stayed + used - len(out),
            total.went_in + len(back) + fresh,
            total.went_out + len(out),
            (*total.by_horizon_only, *(() if read else (log.name,))),
        )
    return total


def _set(connection: Connection, kind: str, row_ids: list[int], status: int, act: int) -> None:
    set_status(connection, kind, row_ids, status)
    note_rows(connection, act, [(kind, one, None) for one in row_ids])


def _logs(connection: Connection) -> Iterator[_Log]:
    """Yield the logs of the sky whose import is in force, one by one."""
    files = schema.files
    query = (
        select(files.c.id, files.c.kind, files.c.name, files.c.path, files.c.digest, files.c.header)
        .where(files.c.undone_by.is_(None), files.c.path != "", files.c.kind.in_(_SEEN))
        .order_by(files.c.id)
    )
    groups: dict[tuple[str, str, str], list[Any]] = {}
    for file in connection.execute(query).all():
        groups.setdefault((file.path, file.kind, file.header), []).append(file)
    asides = open_asides(connection)
    for members in groups.values():
        last, ids = members[-1], [one.id for one in members]
        table = schema.readings[last.kind]
        own = select(table.c.line, table.c.raw, table.c.row_id, table.c.status, table.c.content)
        rows = [_Row(*row) for row in connection.execute(own.where(table.c.file_id.in_(ids)))]
        texts = {one.raw for one in rows}
        rows += [
            _Row(one.row.line, one.row.raw)
            for one in asides
            if one.file_id in ids and not one.row.row_kept and one.row.raw not in texts
        ]
        rows.sort(key=lambda one: (one.line, one.row_id or 0))
        digest = last.digest.split(" ")[0]
        yield _Log(last.kind, last.name, last.path, digest, last.header, last.id, tuple(rows))


def _read_again(log: _Log, new: Circumstances, old: Circumstances, site: PierFile) -> LogRead | None:
    """Read a log at the new place from what the record holds of it; None where that is not the same log."""
    before, after = (_read(log, around, site) for around in (old, new))
    if before is None or after is None:
        return None
    given_back = set(schema.content_ids(log.kind, before.columns))
    if any(one.row_id and one.status == schema.IN_USE and one.content not in given_back for one in log.rows):
        return None
    return after


def _read(log: _Log, around: Circumstances, site: PierFile) -> LogRead | None:
    text = "\n".join([log.header, *(one.raw for one in log.rows), ""])
    settle = Settler(MappingFile.beside(site.path)) if site.path else None
    try:
        table = open_bytes(text.encode(), log.name, log.path)
        read = read_table(replace(table, digest=log.digest), around, settle)
    except LogFileError:
        return None
    first = table.header_line + 1
    places = np.array([one.line for one in log.rows])
    at = [*(read.lines - first), *(one.line - first for one in (*read.set_aside, *read.left_out))]
    if read.kind != log.kind or any(not 0 <= one < len(places) for one in at):
        return None
    return replace(
        read,
        lines=places[read.lines - first],
        set_aside=tuple(replace(one, line=int(places[one.line - first])) for one in read.set_aside),
        left_out=tuple(replace(one, line=int(places[one.line - first])) for one in read.left_out),
        header=log.header,
    )


def _good_contents(log: _Log, read: LogRead) -> set[bytes]:
    return set(schema.content_ids(log.kind, read.columns))


def _above_horizon(connection: Connection, log: _Log, around: Circumstances) -> set[bytes]:
    """Return the contents of those rows that can have been seen at a place."""
    table = schema.readings[log.kind]
    by_id = {one.row_id: one.content for one in log.rows if one.row_id is not None}
    good: set[bytes] = set()
    columns = (table.c.row_id, table.c.time_us, table.c.ra_deg, table.c.dec_deg)
    for some in schema.batches(by_id):
        found = connection.execute(select(*columns).where(table.c.row_id.in_(some))).all()
        ids, times, ra, dec = (np.array(one) for one in zip(*found, strict=True))
        altitude = altitude_deg(around.latitude_deg, around.longitude_deg, times, ra, dec)
        good.update(by_id[int(one)] for one in ids[altitude >= BELOW_DEG])
    return good
