"""Files that are written whole or not at all, over an earlier one of ours and over no other."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path

from drift.errors import DriftError

_ELSEWHERE = "Name a file elsewhere with -o."


@dataclass(frozen=True)
class Kind:
    """A kind of file: its name in messages, an example, and the mark by which one of ours is known."""

    name: str  # "report"
    example: str  # "report.html"
    mark: bytes
    within: int  # the mark stands within so many bytes


def check_target(path: Path, kind: Kind) -> None:
    """Refuse a place where no file of the kind can be written, before any work is done for it.

    Raises
    ------
    drift.errors.DriftError
        If `path` is a folder, holds something that is not ours, or can't be written.
    """
    if path.is_dir():
        raise DriftError(
            _cannot(path, kind, "that is a folder", f"Name a file, as in {path / kind.example}.")
        )
    if not path.parent.is_dir():
        raise DriftError(
            _cannot(path, kind, f"there is no folder {path.parent}", "Make it first, or name another.")
        )
    if not os.access(path.parent, os.W_OK):
        raise DriftError(_cannot(path, kind, f"the folder {path.parent} is not open for writing", _ELSEWHERE))
    if path.exists() and not _is_ours(path, kind):
        wrong = f"there is a file of that name which is not a {kind.name} of this program"
        raise DriftError(_cannot(path, kind, wrong, "Name another file with -o, or move that one away."))


def save(data: bytes, path: Path, kind: Kind) -> None:
    """Write a file, whole or not at all; an earlier one of the kind is replaced, any other file is not.

    Raises
    ------
    drift.errors.DriftError
        As for `check_target`, or when the system refuses.
    """
    check_target(path, kind)
    unfinished = None
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
            unfinished = Path(file.name)
            file.write(data)
        # a temporary file is for its owner only; this one is as open as any file made here
        umask = os.umask(0)
        os.umask(umask)
        unfinished.chmod(0o666 & ~umask)
        unfinished.replace(path)
    except OSError as error:
        if unfinished is not None:
            unfinished.unlink(missing_ok=True)
        raise DriftError(_cannot(path, kind, error.strerror or str(error), _ELSEWHERE)) from error


def _is_ours(path: Path, kind: Kind) -> bool:
    try:
        with path.open("rb") as file:
            head = file.read(kind.within)
    except OSError as error:
        raise DriftError(_cannot(path, kind, error.strerror or str(error), _ELSEWHERE)) from error
    return not head or kind.mark in head


def _cannot(path: Path, kind: Kind, wrong: str, remedy: str) -> str:
    return f"the {kind.name} can't be written to {path}: {wrong}.  {remedy}"
