"""Whether the record is sound; backup, and restoring a backup."""

from __future__ import annotations

import secrets
import shutil
import sqlite3
import tempfile
import time
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import URL, Connection, delete, func, insert, select, update

from drift.errors import RecordError
from drift.record import cache, schema
from drift.record.acts import RESTORED, new_act
from drift.record.engine import (
    BUSY_S,
    Place,
    begin_file,
    in_words,
    now_us,
    open_place,
    open_to_read,
    record_url,
    sqlite_path,
    tolerant,
)
from drift.record.migrations import bring_up_to_date, known_changes
from drift.record.piers import owner_of, refuse_other_site
from drift.record.reading import damage_of, where_rows
from drift.record.record import Record
from drift.site.text import STALE_S, clear_leftovers, name_file

if TYPE_CHECKING:
    from drift.site.file import PierFile


#: Most faults that the database's own check names.
_FAULTS_MOST = 20


# ---- Whether a record is sound.


@dataclass(frozen=True)
class Soundness:
    """The findings about a record.

    Parameters
    ----------
    rows
        How many rows it holds, whether they count or not.
    faults
        Findings of the database's own check; none for a server, which checks itself.
    changed
        File and line of each row whose values or state are not what was written.
    missing
        How many rows were written and are missing.
    cache_damaged
        How many cached analyses and pieces are damaged; they are worked out again.
    """

    rows: int
    faults: tuple[str, ...]
    changed: tuple[tuple[str, int], ...]
    missing: int
    cache_damaged: int = 0

    @property
    def sound(self) -> bool:
        """Whether everything that can't be worked out again is what was written."""
        return not (self.faults or self.changed or self.missing)


def check(record: Record) -> Soundness:
    """Check a record: by the database's own check, each row's digest and state, and the cache.

    Raises
    ------
    drift.errors.RecordError
        If it is too damaged to be read.
    """
    with record.reading("checking it") as connection:
        found = _checked(connection)
    with record.reading("checking what is kept") as connection:
        return replace(found, cache_damaged=cache.damaged(connection))


def _checked(connection: Connection) -> Soundness:
    faults: list[str] = []
    if connection.dialect.name == "sqlite":
        findings = connection.exec_driver_sql(f"PRAGMA integrity_check({_FAULTS_MOST})").scalars().all()
        faults = [line for text in findings if text != "ok" for line in str(text).splitlines()]
        orphans = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
        faults += [
            f"a row of {table} belongs to a row of {other} that is not there"
            for table, _, other, _ in orphans
        ]
    damage = damage_of(connection)
    with tolerant(connection):
        places = where_rows(connection, damage.changed)
    changed = [places[one][:2] if one in places else (f"row {one}", 0) for one in damage.changed]
    rows = sum(
        int(connection.scalar(select(func.count()).select_from(one)) or 0) for one in schema.readings.values()
    )
    return Soundness(rows, tuple(faults[:_FAULTS_MOST]), tuple(changed), damage.missing)


# ---- A backup: one file that holds the whole record as it was at one moment, also while others write.
#
# It is always a record in an SQLite file, of one pier, so that a pier can go from a file to a server and
# back.


def backup(record: Record, target: Path, replaced: bool = False) -> Soundness:
    """Write a backup of a record, and return the findings about it.

    Parameters
    ----------
    record
        The record.
    target
        The file to write; it appears whole or not at all.
    replaced
        Whether a file that is there is replaced: only by a sound one.

    Raises
    ------
    drift.errors.RecordError
        If the file is there, or can't be written.
    """
    if target.exists() and (not replaced or target.is_dir()):
        raise RecordError(f"{target} is there already: name another file, or let --replace write over it.")
    if target.exists() and record.file is not None and record.file.samefile(target):
        raise RecordError(f"{target} is the record itself: name another file for its backup.")
    clear_leftovers(target, STALE_S)
    new = target.with_name(f".{target.name}.{secrets.token_hex(4)}.new")
    try:
        with in_words(record.words, f"backing it up to {target}", record.file):
            if record.file is None:
                _copy_from_server(record, new)
            else:
                _copy(record.file, new)
        place = open_to_read(new)
        try:
            with in_words(str(target), "checking it", None), place.reading() as connection:
                found = _checked(connection)
        finally:
            place.engine.dispose()
        if target.exists() and not found.sound:
            raise RecordError(
                f"the record {record.words} is damaged, so that {target} was not replaced by a copy of it.  "
                "`drift "
                "record check` says what is wrong; name another file to keep the record as it is."
            )
        new.replace(target) if replaced else name_file(new, target)
    except sqlite3.Error as error:
        raise RecordError(
            f"the record {record.words} could not be backed up to {target}: {error}."
        ) from error
    except OSError as error:
        raise RecordError(
            f"{target} can't be written ({error.strerror or error}).  See that its folder exists, may be "
            "written to "
            "and has room, or name another file."
        ) from error
    finally:
        for one in _with_side_files(new):
            one.unlink(missing_ok=True)
    return found


def _copy(source: Path, target: Path) -> None:
    """Copy a database with SQLite's own method, which includes what is still in the write-ahead log."""
    address = f"{source.absolute().as_uri()}?mode=ro"
    with (
        closing(sqlite3.connect(address, uri=True, timeout=BUSY_S)) as there,
        closing(sqlite3.connect(target, timeout=BUSY_S)) as here,
    ):
        there.backup(here, progress=_Impatience())
        here.execute("PRAGMA journal_mode = DELETE").fetchall()  # one file, without side files


def _copy_from_server(record: Record, target: Path) -> None:
    """Write the pier of a record on a server as a record in a file, as it is at one moment."""

    def fill(place: Place) -> None:
        bring_up_to_date(place)
        with record.reading("copying it") as there, place.writing() as here:
            copy_rows(there, here)
            for name, run_us in there.execute(select(schema.migrations.c.name, schema.migrations.c.run_us)):
                own = update(schema.migrations).where(schema.migrations.c.name == name)
                here.execute(own.values(run_us=run_us))
            here.execute(insert(schema.piers).values(pier_id=1, **_pier_row(there)))

    begin_file(URL.create("sqlite", database=str(target)), fill)
    with closing(sqlite3.connect(target, timeout=BUSY_S)) as here:
        here.execute("PRAGMA journal_mode = DELETE").fetchall()  # one file, without side files


def _pier_row(connection: Connection) -> dict[str, object]:
    table = schema.piers
    row = connection.execute(select(table.c.name, table.c.made_us, table.c.noted_us)).mappings().one()
    return dict(row)


def copy_rows(source: Connection, target: Connection) -> None:
    """Copy all rows of a pier, with their numbers, to where it has none."""
    for table in schema.OWNED:
        columns = [column for column in table.c if column.name != "pier_id"]
        found = source.execute(select(*columns)).mappings()
        while rows := found.fetchmany(schema.CHUNK_ROWS):
            target.execute(insert(table), [dict(row) for row in rows])


class _Impatience:
    """Ends a copy that another program keeps waiting."""

    def __init__(self) -> None:
        self._until = time.monotonic() + 6 * BUSY_S

    def __call__(self, status: int, remaining: int, total: int) -> None:
        if status == sqlite3.SQLITE_OK:
            return
        if time.monotonic() > self._until and status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            raise sqlite3.OperationalError("another program is writing to it all the time")


def _with_side_files(path: Path) -> tuple[Path, ...]:
    return (path, *(Path(f"{path}{ending}") for ending in ("-wal", "-shm", "-journal")))


# ---- A backup in the record's place.


@dataclass(frozen=True)
class Restored:
    """What was restored, and where the former record is kept."""

    rows: int
    last_change_us: int | None
    kept: Path | None


def restore(site: PierFile, source: Path) -> Restored:
    """Put a backup in the place of a site's record; the former one is kept beside it.

    A record that is open elsewhere, by the page say, goes on with what was restored.

    Raises
    ------
    drift.errors.RecordError
        If the file is no record, is damaged, belongs to another pier, or was made by a newer version.
    """
    target = sqlite_path(record_url(site))
    if target is not None and target.exists() and source.exists() and target.samefile(source):
        raise RecordError(f"{source} is the record itself: name the backup to put in its place.")
    place = open_to_read(source)
    try:
        with in_words(place.words, "reading the backup", source):
            last = _refuse_what_can_not_be_restored(place, site)
    finally:
        place.engine.dispose()
    kept = None
    if target is None:
        kept = _put_on_server(site, source)
    elif target.exists():
        kept = _put_in_place(source, target)
    else:
        _begin_with(source, target)
    if target is not None:
        _name_as_in(site, target)
    with Record.open(site) as record:
        with record.writing("noting that it was restored") as connection:
            new_act(connection, RESTORED, str(source), now_us())
        with record.reading("counting its rows") as connection:
            rows = _checked(connection).rows
    return Restored(rows, last, kept)


def _refuse_what_can_not_be_restored(place: Place, site: PierFile) -> int | None:
    """Refuse a backup that can't be restored; return when it was last changed [us]."""
    if not known_changes(place):
        raise RecordError(f"{place.words} is no record of drift: name a backup that `drift backup` wrote.")
    with place.reading() as connection:
        owner = owner_of(connection)
        if owner is not None:
            refuse_other_site(place, site, owner)
        found = connection.exec_driver_sql("PRAGMA integrity_check(3)").scalars().all()
        if found != ["ok"]:
            raise RecordError(
                f"the backup {place.words} is damaged itself ({'; '.join(map(str, found))}), so that nothing "
                "was "
                "changed.  Take an earlier one."
            )
        return connection.scalar(select(func.max(schema.files.c.imported_us)))


def _put_on_server(site: PierFile, source: Path) -> Path | None:
    """Put a backup in the place of a pier's rows on a server; return where the former ones are kept."""
    assert site.path is not None
    with tempfile.TemporaryDirectory(prefix="drift-restore-") as folder, Record.open(site) as record:
        copy = Path(folder) / "backup.sqlite"
        _copy(source, copy)
        place = open_place(URL.create("sqlite", database=str(copy)))
        try:
            bring_up_to_date(place)  # the copy: the backup itself stays as it is
            with place.reading() as there, record.writing("restoring it") as here:
                kept = _kept_beside(record, site.path)
                for table in reversed(schema.OWNED):
                    here.execute(delete(table))
                copy_rows(there, here)
                row = _pier_row(there)
                here.execute(update(schema.piers).values(made_us=row["made_us"], noted_us=row["noted_us"]))
        finally:
            place.engine.dispose()
    return kept


def _kept_beside(record: Record, site_file: Path) -> Path | None:
    """Write what a pier on a server holds into a file beside the site file; None where it holds nothing."""
    with record.reading("looking whether it is empty") as connection:
        if not connection.scalar(select(func.count()).select_from(schema.files)):
            return None
    kept = _name_for_kept(site_file.with_name("drift-book.sqlite"))
    backup(record, kept)
    return kept


def _name_for_kept(record_file: Path) -> Path:
    """Return where what a record held is kept, by the second; a second time within it gets a number."""
    when = datetime.now(UTC).strftime("%Y-%m-%dT%H%M%SZ")
    first = record_file.with_name(f"{record_file.stem}-before-restore-{when}{record_file.suffix}")
    kept, number = first, 1
    while kept.exists():
        number += 1
        kept = first.with_name(f"{first.stem}-{number}{first.suffix}")
    return kept


def _name_as_in(site: PierFile, target: Path) -> None:
    """Give a restored file the pier's name of the site file: that of a server may have been another."""
    if site.store.pier:
        with closing(sqlite3.connect(target, timeout=BUSY_S)) as here, suppress(sqlite3.OperationalError):
            here.execute(
                "UPDATE piers SET name = ?", (site.store.pier,)
            )  # an older one has no such table yet
            here.commit()


def _begin_with(source: Path, target: Path) -> None:
    clear_leftovers(target, STALE_S)
    new = target.with_name(f".{target.name}.{secrets.token_hex(4)}.new")
    try:
        _copy(source, new)
        name_file(new, target)
    except (sqlite3.Error, OSError) as error:
        raise RecordError(f"{target} can't be written: {error}.") from error
    finally:
        for one in _with_side_files(new):
            one.unlink(missing_ok=True)


def _put_in_place(source: Path, target: Path) -> Path:
    """Put a backup into an existing record, and return where the former content is kept."""
    kept = _name_for_kept(target)
    if not target.stat().st_size:
        return _put_in_place_of_damaged(source, target, kept)
    try:
        _copy(target, kept)
        address = f"{source.absolute().as_uri()}?mode=ro"
        with (
            closing(sqlite3.connect(address, uri=True)) as there,
            closing(sqlite3.connect(target, timeout=BUSY_S)) as here,
        ):
            there.backup(here, progress=_Impatience())  # as one transaction of it
        return kept
    except sqlite3.DatabaseError as error:
        if isinstance(error, sqlite3.OperationalError) and error.sqlite_errorcode in (
            sqlite3.SQLITE_BUSY,
            sqlite3.SQLITE_LOCKED,
        ):
            raise RecordError(
                f"the record {target} is being written to by another program: try again."
            ) from error
        return _put_in_place_of_damaged(source, target, kept)


def _put_in_place_of_damaged(source: Path, target: Path, kept: Path) -> Path:
    """Move an unreadable database aside, with its side files, and give its name to the backup."""
    clear_leftovers(target, STALE_S)
    new = target.with_name(f".{target.name}.{secrets.token_hex(4)}.new")
    try:
        _copy(source, new)
        for one, old in zip(_with_side_files(target)[1:], _with_side_files(kept)[1:], strict=True):
            if one.exists():  # they would be taken for those of the backup
                one.replace(old)
        kept.unlink(missing_ok=True)
        shutil.copy2(target, kept)
        new.replace(target)
    except (sqlite3.Error, OSError) as error:
        raise RecordError(f"{target} can't be written: {error}.") from error
    finally:
        for one in _with_side_files(new):
            one.unlink(missing_ok=True)
    return kept
