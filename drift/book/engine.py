"""Opening the database: SQLite with a write-ahead log beside the site file, or any other by its URL."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError

from drift.book.troubles import read_only_words, unreadable_words
from drift.errors import BookError

if TYPE_CHECKING:
    from drift.pierfile import PierFile

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


def book_url(site: PierFile) -> URL:
    """Return the database URL of a site's record; SQLite paths are taken from the site file's folder.

    Raises
    ------
    drift.errors.BookError
        If there is no URL (a site that was not read from a file), or it is none.
    """
    given = site.store.url
    if not given:
        raise BookError("there is no place for the record: read the site from a file, or give [store] url.")
    try:
        url = make_url(given)
    except ArgumentError as error:
        raise BookError(
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
    drift.errors.BookError
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
        raise BookError(
            f"the record {words} can't be opened: the driver {url.drivername!r} is not installed ({error}).  "
            "Install it beside drift, or remove [store] url for an SQLite file."
        ) from error


def _read_only(path: Path, words: str) -> bool:
    if not path.parent.is_dir():
        raise BookError(
            f"the record {words} can't be made: there is no folder {path.parent}.  Make it, or name "
            "another place in "
            "the site file: [store] url."
        )
    if path.is_dir():
        raise BookError(f"the record {words} can't be opened: that is a folder.  Name a file in [store] url.")
    if path.exists() and not os.access(path, os.R_OK):
        raise BookError(unreadable_words(words))
    writable = os.access(path.parent, os.W_OK) and (not path.exists() or os.access(path, os.W_OK))
    if not writable and not path.exists():
        raise BookError(read_only_words(words, "making it"))
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
