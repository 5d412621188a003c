"""Opening the database, SQLite or another by its URL: whose record it is, and its errors in words."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import URL, Connection, Engine, Join, Table, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, OperationalError, SQLAlchemyError
from sqlalchemy.sql import Delete, Insert, Select, Update
from sqlalchemy.sql.visitors import replacement_traverse

from drift.errors import RecordError
from drift.record import schema
from drift.record.quick import now_us as now_us
from drift.site.text import write_whole

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- Database errors -> one paragraph for people: what was wrong, where, and what to do.


#: Byte of the shared-memory file that SQLite locks while a write-ahead log is written to (SQLite file
#: format, section "WAL-Index Locks": 120).
_WRITE_LOCK_BYTE = 120


@contextmanager
def in_words(place: str, doing: str, file: Path | None = None) -> Iterator[None]:
    """Turn a database error inside the block into a `RecordError`.

    Parameters
    ----------
    place
        The record's name for people.
    doing
        What was being done: "importing logs/solves.csv".
    file
        The SQLite file, when it is one.
    """
    try:
        yield
    except DBAPIError as error:
        raise RecordError(_paragraph(error, place, doing, file)) from error
    except UnicodeDecodeError as error:  # SQLite's own message about a damaged table is no text either
        raise RecordError(_unreadable(place, str(error))) from error
    except SQLAlchemyError as error:
        raise RecordError(f"the record {place} could not be used while {doing}: {error}.") from error


def error_name(error: DBAPIError) -> str:
    """Return SQLite's own name of an error, such as ``SQLITE_BUSY``, or ""."""
    return str(getattr(error.orig, "sqlite_errorname", None) or "")


#: PostgreSQL's code of a lock that was not available in time (its manual, appendix A: lock_not_available).
_SERVER_BUSY = "55P03"


def _unreadable(place: str, why: str) -> str:
    return f"the record {place} is not a readable record ({why}).  {_DAMAGED_TODO}"


def _sqlstate(error: DBAPIError) -> str:
    """Return the standard's code of an error, "" where the driver gives none."""
    return str(getattr(error.orig, "sqlstate", None) or "")


def _paragraph(error: DBAPIError, place: str, doing: str, file: Path | None) -> str:
    name = error_name(error)
    start = f"the record {place}"
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")) or _sqlstate(error) == _SERVER_BUSY:
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
        return _unreadable(place, str(error.orig))
    said = " ".join(str(error.orig).split()).rstrip(".")
    if isinstance(error, OperationalError) and file is None and not _sqlstate(error):
        return f"{start} can't be reached: {said}.  {_SERVER_TODO}"
    return f"{start} could not be used while {doing}: {said}."


_SERVER_TODO = (
    "See that the server runs and that [store] url names its host, database and user.  Its password belongs "
    "into ~/.pgpass or the environment variable PGPASSWORD, not into the site file."
)


_DAMAGED_TODO = (
    "`drift restore FILE` puts a backup in its place, if there is one, and keeps what is there now beside "
    "it.  "
    "Otherwise move the file away and import the logs again, which makes a new one.  What was recorded by "
    "hand "
    "is only in the record itself, in its backups and in what `drift record export` wrote."
)


def empty_words(place: str) -> str:
    """Return the message that a record's file is empty, which a record never is."""
    return (
        f"the record {place} is empty: the file is there and has 0 bytes, which is damage, for drift never "
        "leaves "
        f"it so.  {_DAMAGED_TODO}"
    )


def gone_words(place: str) -> str:
    """Return the message that a record's file was removed while it was open."""
    return (
        f"the record {place} is not there any more: it was moved or removed while drift had it open.  Put it "
        "back, "
        "or let `drift restore FILE` put a backup there; any command of drift begins a new, empty record."
    )


def replaced_words(place: str, doing: str) -> str:
    """Return the message that another file is in the place of the one that is open."""
    return (
        f"the record {place} was replaced by another file while drift had it open, so that {doing} is not in "
        "it.  "
        "Do it again."
    )


def unreadable_words(place: str) -> str:
    """Return the message that a record can't be read, and what to do."""
    return (
        f"the record {place} can't be read: you have no permission to read the file.  Change its "
        "permissions, or run the command as the user to whom it belongs."
    )


def read_only_words(place: str, doing: str) -> str:
    """Return the message that a record can only be read, and what to do."""
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
    """Return who is writing: another program by its number where the system says so, else in general."""
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


# ---- Opening the database.


#: The execution option that says whose rows a connection is about.
PIER = "drift_pier"
#: How long to wait for another program that writes [s].
BUSY_S = 30.0
#: What is set on every SQLite connection.
PRAGMAS = ("foreign_keys = ON",)
#: What is set as well where the file can be written.
WRITING_PRAGMAS = ("journal_mode = WAL", "synchronous = FULL")


@dataclass(frozen=True)
class Place:
    """Where a record is: its engine, its name for people, and whether it can only be read."""

    engine: Engine
    words: str
    file: Path | None  # the SQLite file, when it is one
    read_only: bool
    pier_id: int | None = None  # the pier in a database of many; None in a file, which holds one

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the record, also while another program writes."""
        with self.engine.connect() as plain:
            # SQLite's reading transactions are snapshots anyway.
            one_state = {} if plain.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
            connection = plain.execution_options(**one_state, **self._whose())
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self, patience_s: float | None = None) -> Iterator[Connection]:
        """Give a connection that is the only one to write, in one transaction."""
        options: dict[str, Any] = {"drift_writes": True, **self._whose()}
        if patience_s is not None:
            options["drift_patience_s"] = patience_s
        with self.engine.connect() as plain:
            connection = plain.execution_options(**options)
            with connection.begin():
                if plain.dialect.name == "postgresql":
                    _alone_on_server(connection, BUSY_S if patience_s is None else patience_s, self.pier_id)
                yield connection

    def _whose(self) -> dict[str, Any]:
        return {} if self.pier_id is None else {PIER: self.pier_id}

    def node(self) -> tuple[int, int] | None:
        """Return device and inode of the SQLite file; None where there is none, or none any more."""
        try:
            found = self.file.stat() if self.file else None
        except OSError:
            return None
        return (found.st_dev, found.st_ino) if found else None


@contextmanager
def tolerant(connection: Connection) -> Iterator[None]:
    """Let SQLite return invalid text, as a flipped bit may leave it, with replacement marks."""
    driver = connection.connection.driver_connection
    if not isinstance(driver, sqlite3.Connection):
        yield
        return
    driver.text_factory = partial(str, encoding="utf-8", errors="replace")
    try:
        yield
    finally:
        driver.text_factory = str


#: The advisory locks by which programs that write to one PostgreSQL database take turns: one a pier, and
#: number 0 for what concerns all of them (migrations, a new pier), which those who write to a pier share.
_SERVER_LOCK, _ALL = 1_945_599_251, 0


def _alone_on_server(connection: Connection, patience_s: float, pier_id: int | None) -> None:
    run = connection.exec_driver_sql
    run(f"SET LOCAL lock_timeout = {int(1000 * patience_s)}")
    if pier_id is None:
        run(f"SELECT pg_advisory_xact_lock({_SERVER_LOCK}, {_ALL})")
        return
    run(f"SELECT pg_advisory_xact_lock_shared({_SERVER_LOCK}, {_ALL})")
    run(f"SELECT pg_advisory_xact_lock({_SERVER_LOCK}, {int(pier_id)})")


def record_url(site: PierFile) -> URL:
    """Return the database URL of a site's record; SQLite paths are taken from the site file's folder.

    Raises
    ------
    drift.errors.RecordError
        If there is no URL (a site that was not read from a file), or it is not valid.
    """
    given = site.store.url
    if not given:
        raise RecordError("there is no place for the record: read the site from a file, or give [store] url.")
    try:
        url = make_url(given)
    except (ArgumentError, ValueError):  # a port that is no number
        kind = given.partition("://")[0] if "://" in given else "something without ://"
        raise RecordError(
            f"[store] url ({kind}) is no database URL: write one such as sqlite:///pier.sqlite or "
            "postgresql+psycopg://user@host/name."
        ) from None  # the library's own error shows what was given, a password perhaps
    if url.drivername == "postgresql":
        url = url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() != "sqlite" and "@" in f"{url.host}{url.database}":
        raise RecordError(
            f"[store] url ({url.drivername}) has more than one @, so that its host can't be told: write an @ "
            "of a user or a password as %40, or leave the password to ~/.pgpass or PGPASSWORD."
        )
    if sqlite_path(url) and site.path is not None:
        url = url.set(database=str(site.path.resolve().parent / str(url.database)))
    return url


def open_place(url: URL) -> Place:
    """Open a database for writing, or for reading where it can't be written.

    Raises
    ------
    drift.errors.RecordError
        If there is none and none can be made there, or its driver is not installed.
    """
    path = sqlite_path(url)
    words = str(path) if path else shown_url(url)
    if url.get_backend_name() != "sqlite":
        return Place(_other_engine(url), words, None, False)
    if path is None:
        engine = create_engine(url)
        _set_up_sqlite(engine, PRAGMAS)
        return Place(engine, "in memory", None, False)
    read_only = _read_only(path, words)
    creator = _reader(path) if read_only else _connector(path, "rwc")
    engine = create_engine(url, creator=creator)
    _set_up_sqlite(engine, PRAGMAS if read_only else PRAGMAS + WRITING_PRAGMAS)
    return Place(engine, words, path, read_only)


def open_to_read(path: Path) -> Place:
    """Open an SQLite file for reading alone, such as a backup, and leave it as it is.

    Raises
    ------
    drift.errors.RecordError
        If there is none, or it is no file, or may not be read, or is empty.
    """
    if not path.is_file():
        raise RecordError(f"there is no file {path}.  Name a backup that `drift backup` wrote.")
    _read_only(path, str(path))
    engine = create_engine("sqlite://", creator=_reader(path))
    _set_up_sqlite(engine, PRAGMAS)
    return Place(engine, str(path), path, True)


def begin_file(url: URL, fill: Callable[[Place], object]) -> None:
    """Make a new SQLite record where there is none; nobody ever sees an incomplete one.

    It is filled in memory and its file appears complete, so that a kill leaves either nothing or a whole
    record, and of several programs that begin at once one makes it and the others find it.

    Raises
    ------
    drift.errors.RecordError
        If none can be made there.
    """
    path = sqlite_path(url)
    if path is None or path.exists() or _read_only(path, str(path)):
        return
    place = open_place(url.set(database=":memory:"))
    try:
        fill(place)
        with place.engine.connect() as connection:
            driver = connection.connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)
            content = bytearray(driver.serialize())
    finally:
        place.engine.dispose()
    # Bytes 18 and 19 say that it has a write-ahead log (SQLite file format, section 1.3.3): turning it on
    # later needs a lock that programs beginning at once would fight for.
    content[18:20] = b"\2\2"
    try:
        write_whole(path, bytes(content), mode=0o666)
    except FileExistsError:
        return  # another program was quicker
    except OSError as error:
        raise RecordError(
            f"the record {path} can't be made: {error.strerror or error}.  Make room there, or name another "
            "place in the site file: [store] url."
        ) from error


#: Keys behind the ? of a URL that may hold something secret.
_SECRET_KEYS = ("password", "sslpassword")


def shown_url(url: URL) -> str:
    """Return a database URL for people, without its passwords."""
    hidden = {key: "***" for key in _SECRET_KEYS if key in url.query}
    return url.update_query_dict(hidden).render_as_string(hide_password=True)


def sqlite_path(url: URL) -> Path | None:
    """Return the file of an SQLite database, None where it is no file."""
    if url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
        return None
    return Path(url.database)


#: How long a server may take to answer at first [s].
_ANSWER_S = 20


def _patience(url: URL) -> dict[str, Any]:
    """Return how long a server is waited for; libpq itself waits without end."""
    known = url.drivername == "postgresql+psycopg" and "connect_timeout" not in url.query
    return {"connect_timeout": _ANSWER_S} if known else {}


def _other_engine(url: URL) -> Engine:
    try:
        # the page stays for days: a connection that was lost meanwhile is made anew
        engine = create_engine(url, pool_pre_ping=True, connect_args=_patience(url))
        keep_apart(engine)
        return engine
    except (NoSuchModuleError, ImportError) as error:
        raise RecordError(
            f"the record {url.drivername}://... can't be opened: the driver {url.drivername!r} is not "
            f"installed ({error}).  "
            'Install it beside drift (for PostgreSQL: pip install "drift[postgresql]"), or remove [store] '
            "url for an SQLite file."
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
    if path.exists() and not path.stat().st_size:  # SQLite would take it for a new one and drop its log
        raise RecordError(empty_words(words))
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
    """Return the function that opens a file that can't be written.

    SQLite reads a write-ahead log in a read-only folder only when its two side files are there already.
    Without them nobody can be writing, and the file can be taken as unchanging.
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
        pass  # not a database: its first use says so
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


# ---- Many piers in one database on a server: each statement names its pier.
#
# A file holds one pier: all its rows are those of pier 1, and nothing here touches its statements.  In a
# database on a server every statement on a table of rows passes `for_pier` on its way, whoever wrote it: a
# query, a change or a removal gets the condition that the rows are the pier's, a new row gets the pier and
# that pier's next number.  So the numbers that people see (imports, rows, steps) begin at 1 for each pier,
# and a pier gives the same answers wherever it lies.


def keep_apart(engine: Engine) -> None:
    """Let each connection of an engine that is about a pier see and change that pier's rows alone."""

    @event.listens_for(engine, "before_execute", retval=True)
    def _own(
        connection: Connection,
        statement: Any,
        several: Sequence[Mapping[str, Any]],
        one: Mapping[str, Any],
        options: Mapping[str, Any],
    ) -> tuple[Any, Sequence[Mapping[str, Any]], Mapping[str, Any]]:
        pier_id = connection.get_execution_options().get(PIER)
        if pier_id is None:
            return statement, several, one
        if not isinstance(statement, Insert) or not _is_owned(statement.table):
            return for_pier(statement, pier_id), several, one
        table = statement.table
        given = list(several) or ([one] if one else [])
        if not given:
            own = {"pier_id": pier_id}
            if table in schema.NUMBERED:
                own["id"] = _next_number(connection, table, pier_id)
            return statement.values(**own), several, one
        rows = [{**row, "pier_id": pier_id} for row in given]
        if table in schema.NUMBERED and "id" not in rows[0]:
            first = _next_number(connection, table, pier_id)
            rows = [{**row, "id": first + at} for at, row in enumerate(rows)]
        return statement, rows, {}


def for_pier(statement: Any, pier_id: int) -> Any:
    """Return a query, a change or a removal that is about the rows of one pier alone.

    A table that is joined from outside must name the pier where it is joined.
    """
    if not isinstance(statement, (Select, Update, Delete)):
        return statement

    def inner(element: Any, **_: Any) -> Any:
        return (
            for_pier(element, pier_id) if isinstance(element, Select) and element is not statement else None
        )

    own = replacement_traverse(statement, {}, inner)
    if isinstance(own, Select):
        tables = [table for found in own.get_final_froms() for table in _to_restrict(found)]
    else:
        tables = [own.table]  # type: ignore[attr-defined]
    conditions = [table.c.pier_id == pier_id for table in tables if _is_owned(table)]
    return own.where(*conditions) if conditions else own  # type: ignore[attr-defined]


def own_condition(connection: Connection) -> str:
    """Return what plain SQL adds to its conditions to be about the rows of one pier, "" in a file."""
    pier_id = connection.get_execution_options().get(PIER)
    return "" if pier_id is None else f" AND pier_id = {int(pier_id)}"


def _to_restrict(found: Any) -> list[Any]:
    if not isinstance(found, Join):
        return [found]
    return [*_to_restrict(found.left), *([] if found.isouter else _to_restrict(found.right))]


def _is_owned(table: Any) -> bool:
    return isinstance(table, Table) and "pier_id" in table.c


def _next_number(connection: Connection, table: Table, pier_id: int) -> int:
    """Return the number after the largest of a pier, as SQLite counts; only one program writes to a pier."""
    text = f"SELECT coalesce(max(id), 0) + 1 FROM {table.name} WHERE pier_id = {int(pier_id)}"
    return int(connection.exec_driver_sql(text).scalar_one())
