"""Database errors -> one paragraph for people: what was wrong, where, and what to do."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from drift.errors import BookError

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
        raise BookError(_paragraph(error, place, doing, file)) from error
    except SQLAlchemyError as error:
        raise BookError(f"the record {place} could not be used while {doing}: {error}.") from error


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
