"""Opening the database, SQLite or any other by its URL: whose record it is, its errors in words."""

from __future__ import annotations

import math
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, insert, make_url, select
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from drift._version import __version__
from drift.errors import RecordError
from drift.record import schema

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- The present time as the record writes it.


def now_us() -> int:
    """Return the present time [UTC microseconds since 1970-01-01]."""
    return time.time_ns() // 1000


# ---- Database errors -> one paragraph for people: what was wrong, where, and what to do.


#: Byte of the shared-memory file that SQLite locks while a write-ahead log is written to (SQLite file
#: format, section "WAL-Index Locks": 120).
_WRITE_LOCK_BYTE = 120


@contextmanager
def in_words(place: str, doing: str, file: Path | None = None) -> Iterator[None]:
    """Turn a database error inside the block into a `BookError`.

    Parameters
    ----------
    place
        The record, as people know it.
    doing
        What was being done: "importing logs/solves.csv".
    file
        The SQLite file, when it is one.
    """
    try:
        yield
    except DBAPIError as error:
        raise RecordError(_paragraph(error, place, doing, file)) from error
    except SQLAlchemyError as error:
        raise RecordError(f"the record {place} could not be used while {doing}: {error}.") from error


def error_name(error: DBAPIError) -> str:
    """Return SQLite's own name of an error, such as ``SQLITE_BUSY``, or ""."""
    return str(getattr(error.orig, "sqlite_errorname", None) or "")


def _paragraph(error: DBAPIError, place: str, doing: str, file: Path | None) -> str:
    name = error_name(error)
    start = f"the record {place}"
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"{start} is being written to by {_writer(file)}, so that {doing} had to stop.  " + (
            "Wait until that has finished and run the command again; nothing was changed."
        )
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        return f"{start} could not be written while {doing}: {_why_no_room(name, file)}.  " + (
            "What was in the record before is unharmed and nothing half-done was kept.  Make room, and run "
            "the "
            "command again."
        )
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        return read_only_words(place, doing)
    if name.startswith(("SQLITE_NOTADB", "SQLITE_CORRUPT")):
        return (
            f"{start} is not a readable record ({error.orig}).  Put back a copy of it if there is one; "
            "otherwise move "
            "the file away and import the logs again, which makes a new one.  What was recorded by hand is "
            "only "
            "in the record itself."
        )
    return f"{start} could not be used while {doing}: {error.orig}."


def unreadable_words(place: str) -> str:
    """Say that a record can't even be read, and what to do about it."""
    return (
        f"the record {place} can't be read: you have no permission to read the file.  Change its "
        "permissions, or run the command as the user to whom it belongs."
    )


def read_only_words(place: str, doing: str) -> str:
    """Say that a record can be read at most, and what to do about it."""
    return (
        f"the record {place} can't be written, so that {doing} is not possible: the file or its folder is "
        "read-only "
        "for you.  Change the permissions, or name another place in the site file: [store] url."
    )


def _why_no_room(name: str, file: Path | None) -> str:
    if file is None or not file.parent.is_dir():
        return "the disk is full"
    free_mb = shutil.disk_usage(file.parent).free / 1e6
    if name.startswith("SQLITE_FULL") or free_mb < 1.0:
        return f"the disk is full ({free_mb:.1f} MB free in {file.parent})"
    return f"the disk gave an error ({name}; {free_mb:.0f} MB free in {file.parent})"


def _writer(file: Path | None) -> str:
    """Say who writes: another program by its number where the system tells, else in general."""
    process = _lock_holder(file) if file else None
    if process is None:
        return "another program (an import that is still running, a backup)"
    return f"another program (process {process}{_command_of(process)})"


def _lock_holder(file: Path, locks: Path = Path("/proc/locks")) -> int | None:
    """Return the process that holds the write lock, from the kernel's list of locks, where there is one."""
    try:
        node = Path(f"{file}-shm").stat().st_ino
        lines = locks.read_text().splitlines()
    except OSError:
        return None
    for line in lines:
        parts = line.split()
        if len(parts) < 8 or parts[1] == "->" or not parts[5].endswith(f":{node}") or parts[3] != "WRITE":
            continue
        end = float("inf") if parts[7] == "EOF" else int(parts[7])
        if int(parts[6]) <= _WRITE_LOCK_BYTE <= end and int(parts[4]) > 0:
            return int(parts[4])
    return None


def _command_of(process: int) -> str:
    try:
        words = Path(f"/proc/{process}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return ""
    shown = " ".join(word.decode(errors="replace") for word in words if word)
    return f", {shown[:80]!r}" if shown else ""


# ---- Opening the database: SQLite with a write-ahead log beside the site file, or any other by its URL.


#: How long to wait for another program that writes [s].
BUSY_S = 10.0
#: What is set on every SQLite connection.
PRAGMAS = ("foreign_keys = ON",)
#: What is set as well where the file can be written.
WRITING_PRAGMAS = ("journal_mode = WAL", "synchronous = FULL")


@dataclass(frozen=True)
class Place:
    """Where a record lies: its engine, its name for people, and whether it can only be read."""

    engine: Engine
    words: str
    file: Path | None  # the SQLite file, when it is one
    read_only: bool

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the record, also while another program writes."""
        with self.engine.connect() as plain:
            # SQLite's reading transactions are snapshots anyway.
            one_state = {} if plain.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
            connection = plain.execution_options(**one_state)
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self, patience_s: float | None = None) -> Iterator[Connection]:
        """Give a connection that is the only one to write, in one transaction."""
        options: dict[str, Any] = {"drift_writes": True}
        if patience_s is not None:
            options["drift_patience_s"] = patience_s
        with self.engine.connect() as plain:
            connection = plain.execution_options(**options)
            with connection.begin():
                yield connection


def record_url(site: PierFile) -> URL:
    """Return the database URL of a site's record; SQLite paths are taken from the site file's folder.

    Raises
    ------
    drift.errors.RecordError
        If there is no URL (a site that was not read from a file), or it is none.
    """
    given = site.store.url
    if not given:
        raise RecordError("there is no place for the record: read the site from a file, or give [store] url.")
    try:
        url = make_url(given)
    except ArgumentError as error:
        raise RecordError(
            f"[store] url is {given!r}, which is no database URL: write one such as sqlite:///pier.sqlite or "
            "postgresql+psycopg://user@host/name."
        ) from error
    if _sqlite_path(url) and site.path is not None:
        url = url.set(database=str(site.path.resolve().parent / str(url.database)))
    return url


def open_place(url: URL) -> Place:
    """Open a database for writing, or for reading where it can't be written.

    Raises
    ------
    drift.errors.RecordError
        If there is none and none can be made there, or its driver is not installed.
    """
    path = _sqlite_path(url)
    words = str(path) if path else url.render_as_string(hide_password=True)
    if url.get_backend_name() != "sqlite":
        return Place(_other_engine(url, words), words, None, False)
    if path is None:
        engine = create_engine(url)
        _set_up_sqlite(engine, PRAGMAS)
        return Place(engine, "in memory", None, False)
    read_only = _read_only(path, words)
    creator = _reader(path) if read_only else _connector(path, "rwc")
    engine = create_engine(url, creator=creator)
    _set_up_sqlite(engine, PRAGMAS if read_only else PRAGMAS + WRITING_PRAGMAS)
    return Place(engine, words, path, read_only)


def _sqlite_path(url: URL) -> Path | None:
    if url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
        return None
    return Path(url.database)


def _other_engine(url: URL, words: str) -> Engine:
    try:
        return create_engine(url)
    except (NoSuchModuleError, ImportError) as error:
        raise RecordError(
            f"the record {words} can't be opened: the driver {url.drivername!r} is not installed ({error}).  "
            "Install it beside drift, or remove [store] url for an SQLite file."
        ) from error


def _read_only(path: Path, words: str) -> bool:
    if not path.parent.is_dir():
        raise RecordError(
            f"the record {words} can't be made: there is no folder {path.parent}.  Make it, or name "
            "another place in "
            "the site file: [store] url."
        )
    if path.is_dir():
        raise RecordError(
            f"the record {words} can't be opened: that is a folder.  Name a file in [store] url."
        )
    if path.exists() and not os.access(path, os.R_OK):
        raise RecordError(unreadable_words(words))
    writable = os.access(path.parent, os.W_OK) and (not path.exists() or os.access(path, os.W_OK))
    if not writable and not path.exists():
        raise RecordError(read_only_words(words, "making it"))
    return not writable


def _connector(path: Path, mode: str) -> Callable[[], sqlite3.Connection]:
    # No isolation level: the driver must not open transactions by itself, or DDL would not be part of one.
    address = f"{path.absolute().as_uri()}?mode={mode}"
    return lambda: sqlite3.connect(
        address, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False
    )


def _reader(path: Path) -> Callable[[], sqlite3.Connection]:
    """Return what opens a file that can't be written.

    SQLite reads a write-ahead log in a read-only folder only when its two side files are there already.
    Without them nobody can be writing, and the file may be taken as unchanging.
    """
    connector = _connector(path, "ro")
    try:
        with closing(connector()) as connection:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        log = Path(f"{path}-wal")
        no_side_files = error.sqlite_errorname.startswith(("SQLITE_CANTOPEN", "SQLITE_READONLY"))
        if no_side_files and not (log.exists() and log.stat().st_size):
            return _connector(path, "ro&immutable=1")
    except sqlite3.DatabaseError:
        pass  # not a database: said in words at its first use
    return connector


def _set_up_sqlite(engine: Engine, pragmas: tuple[str, ...]) -> None:
    @event.listens_for(engine, "connect")
    def _on_connect(connection: sqlite3.Connection, record: object) -> None:
        connection.isolation_level = None
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}").close()

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        options = connection.get_execution_options()
        patience_ms = int(1000 * options.get("drift_patience_s", BUSY_S))
        connection.exec_driver_sql(f"PRAGMA busy_timeout = {patience_ms}")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get("drift_writes") else "BEGIN")


# ---- Whose record it is: a record belongs to one pier, and is refused to any other.


#: A site farther than this from the record's own is another site [deg]; 0.02 degrees are 2 km.
SITE_LEEWAY_DEG = 0.02


def claim(place: Place, site: PierFile) -> None:
    """Write into a new record whose it is, and refuse one of another site."""
    table = schema.record
    query = select(table.c.name, table.c.latitude_deg, table.c.longitude_deg)
    with place.reading() as connection:
        owner = connection.execute(query).first()
    if owner is None:
        with place.writing() as connection:
            owner = connection.execute(query).first()
            if owner is None:
                connection.execute(insert(table).values(**_owner(site)))
                return
    _refuse_other_site(place, site, *owner)


def _owner(site: PierFile) -> dict[str, object]:
    return {
        "id": 1,
        "name": site.site.name or "",
        "latitude_deg": site.site.latitude_deg,
        "longitude_deg": site.site.longitude_deg,
        "made_us": now_us(),
        "code_version": __version__,
        "next_row_id": 1,
    }


def _refuse_other_site(
    place: Place, site: PierFile, name: str, latitude_deg: float, longitude_deg: float
) -> None:
    east_deg = math.remainder(site.site.longitude_deg - longitude_deg, 360.0)
    if abs(site.site.latitude_deg - latitude_deg) <= SITE_LEEWAY_DEG and abs(east_deg) <= SITE_LEEWAY_DEG:
        return
    raise RecordError(
        f"the record {place.words} belongs to a pier at latitude {latitude_deg:g}, longitude "
        f"{longitude_deg:g}"
        f"{f' ({name})' if name else ''}, but the site file says latitude {site.site.latitude_deg:g}, "
        "longitude "
        f"{site.site.longitude_deg:g}.  If this is another pier, give it a site file and a record of its "
        "own.  If the "
        "site file was wrong until now, move the record away and import the logs again: which rows are "
        "believed depends on the place."
    )
