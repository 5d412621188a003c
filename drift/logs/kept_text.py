"""Changing a small text file beside the site file: by one program at a time, and whole or not at all.

The page and a command may write ``logs.toml`` at once.  Each takes what stands there as its start, so that
without a lock the later one would write over what the earlier one added.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from drift.errors import LogFileError

#: So long another program is waited for [s], and so long between two tries [s].
PATIENCE_S, _AGAIN_S = 30.0, 0.02
#: What systems say of a file that another program has locked.
_HELD = (errno.EACCES, errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK)


def change_text(path: Path, change: Callable[[str], str], patience_s: float = PATIENCE_S) -> None:
    """Replace the text of a file by what `change` makes of it, while no other program may change it.

    Parameters
    ----------
    path
        The file; its text is "" while it is not there.
    change
        Old text -> new text.  What it raises leaves the file as it was.
    patience_s
        How long another program is waited for [s].

    Raises
    ------
    drift.errors.LogFileError
        If another program keeps the file longer than that.
    OSError
        If the file can't be read or written.
    """
    with _alone(path, patience_s):
        old = path.read_text(encoding="utf-8-sig") if path.exists() else ""
        new = change(old)
        if new == old:
            return
        part = path.with_name(f".{path.name}.{os.getpid()}")
        part.write_text(new, encoding="utf-8")
        part.replace(path)


@contextmanager
def _alone(path: Path, patience_s: float) -> Iterator[None]:
    """Hold the lock of a file: one beside it, which stays, because the file itself is replaced.

    The system lets go of it when a program ends, however it ends.
    """
    with path.with_name(f".{path.name}.lock").open("ab") as lock:
        began = time.monotonic()
        while not _locked(lock):
            if time.monotonic() - began > patience_s:
                raise LogFileError(
                    f"another program has been changing {path} for {patience_s:g} s: end it, or try again "
                    "later."
                )
            time.sleep(_AGAIN_S)
        yield


def _locked(lock: IO[bytes]) -> bool:
    """Try to lock an open file; closing it lets go.  A drive that knows no locks is taken as it is."""
    try:
        _lock(lock)
    except OSError as error:
        return error.errno not in _HELD
    return True


if sys.platform == "win32":
    import msvcrt

    def _lock(lock: IO[bytes]) -> None:
        lock.seek(0)
        msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(lock: IO[bytes]) -> None:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
