"""The site file on the disk: where it is found, and files beside it written whole or not at all."""

from __future__ import annotations

import os
import secrets
import time
from contextlib import suppress
from pathlib import Path

#: The site file that is looked for when none is named.
DEFAULT_NAME = "pier.toml"
#: Names the site file when there is none in the present folder.
VARIABLE = "DRIFT_PIER"
#: The record's file beside the site file when that does not say where it is.
RECORD_FILE = "drift-book.sqlite"


def find_pier(option: str | Path | None = None) -> Path:
    """Return the path of the site file: as named, else ./pier.toml, else what DRIFT_PIER says."""
    if option is not None:
        return Path(option)
    here = Path(DEFAULT_NAME)
    named = os.environ.get(VARIABLE)
    return Path(named) if named and not here.exists() else here


# ---- Writing a file whole or not at all, whatever happens meanwhile.


def write_whole(path: Path, content: bytes, *, mode: int = 0o600, replace: bool = False) -> None:
    """Write a file whole or not at all, also when the program is killed.

    Where the system can, the content has no name until it is complete, so that a kill leaves nothing behind.

    Parameters
    ----------
    path
        The file.  With `replace` a link to it stays a link.
    content
        Its content.
    mode
        Its permissions, less the umask; a file that is replaced keeps its own.
    replace
        Whether an existing file is replaced.

    Raises
    ------
    FileExistsError
        If there is a file and `replace` is false.
    OSError
        If it can't be written.
    """
    real = path.resolve() if replace else path
    if not replace and os.path.lexists(path):
        raise FileExistsError(path)
    clear_leftovers(real, STALE_S)
    new = real.with_name(f".{real.name}.{secrets.token_hex(4)}.new")
    try:
        if replace:
            if not _linked_when_complete(new, content, mode):
                _written(new, content, mode)
            if real.exists():
                new.chmod(real.stat().st_mode & 0o777)
            new.replace(real)
        elif not _linked_when_complete(real, content, mode):
            _written(new, content, mode)
            name_file(new, real)
        _settle(real.parent)
    finally:
        new.unlink(missing_ok=True)


def _settle(folder: Path) -> None:
    """Flush the names in a folder to the disk, where the system can, after the change."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


#: A file half written that has not changed for so long was left by a program that was killed [s].
STALE_S = 600.0


def clear_leftovers(path: Path, unchanged_s: float = 0.0) -> None:
    """Remove what a kill in the middle of writing a file may have left beside it.

    Parameters
    ----------
    path
        The file.
    unchanged_s
        A file changed more recently may still be being written by another program, and stays [s].
    """
    for one in path.parent.glob(f".{path.name}.????????.new*"):
        with suppress(OSError):
            if time.time() - one.stat().st_mtime >= unchanged_s:
                one.unlink()


def _linked_when_complete(path: Path, content: bytes, mode: int) -> bool:
    """Write a file without a name and name it at the end; False where that is impossible."""
    if not hasattr(os, "O_TMPFILE"):
        return False
    try:
        handle = os.open(path.parent, os.O_TMPFILE | os.O_WRONLY, mode)
    except OSError:  # not on every file system
        return False
    try:
        _fill(handle, content)
        folder = os.open(path.parent, os.O_RDONLY)
        try:  # the link in /proc is the file without a name, and has to be followed
            os.link(f"/proc/self/fd/{handle}", path.name, dst_dir_fd=folder, follow_symlinks=True)
        except FileExistsError:
            raise
        except OSError:  # no /proc
            return False
        finally:
            os.close(folder)
    finally:
        os.close(handle)
    return True


def _written(path: Path, content: bytes, mode: int) -> None:
    handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, mode)
    try:
        _fill(handle, content)
    finally:
        os.close(handle)


def name_file(new: Path, real: Path) -> None:
    """Give a complete file its name; FileExistsError where there is such a file."""
    try:
        os.link(new, real)
    except FileExistsError:
        raise
    except OSError as error:  # a file system without hard links
        if os.path.lexists(real):
            raise FileExistsError(real) from error
        new.rename(real)


def _fill(handle: int, content: bytes) -> None:
    with open(handle, "wb", closefd=False) as file:
        file.write(content)
        file.flush()
        os.fsync(handle)
