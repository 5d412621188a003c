"""The forms of file that are read, and which one a file has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from drift.logs.table import RawTable


@dataclass(frozen=True)
class Form:
    """A form of file: how it is known, and the function that opens it."""

    title: str
    suffixes: tuple[str, ...]  # of files that are taken from folders
    fits: Callable[[bytes, str], bool] = field(repr=False)  # the first kilobytes, the file's name
    open_table: Callable[[Path, str], RawTable] = field(repr=False)  # the path, the name as it was given


#: The first that fits is taken; text in columns comes last, because it fits everything.
FORMS: tuple[Form, ...] = ()
