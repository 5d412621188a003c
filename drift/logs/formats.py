"""The forms of file that are read, and which one a file has."""

from __future__ import annotations

import stat
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from drift.errors import LogFileError
from drift.logs.astropy_tables import (
    begins_as_ecsv,
    begins_as_votable,
    is_fits_table,
    open_ecsv,
    open_fits_table,
    open_votable,
)
from drift.logs.delimited import open_bytes
from drift.logs.json_lines import begins_as_json_lines, open_json_lines
from drift.logs.table import RawTable

_BEGINNING_BYTES = 4096


@dataclass(frozen=True)
class Form:
    """A form of file: how it is known, and the function that opens it."""

    title: str
    suffixes: tuple[str, ...]  # of files that are taken from folders
    fits: Callable[[bytes, Path], bool] = field(repr=False)  # the first kilobytes, the file
    open_table: Callable[[Path, bytes], RawTable] = field(repr=False)  # the file, all its bytes


def _delimited(path: Path, data: bytes) -> RawTable:
    return open_bytes(data, str(path), str(path.resolve()))


#: The first that fits is taken; text in columns comes last, because it fits everything.
FORMS: tuple[Form, ...] = (
    Form("ECSV", (".ecsv",), begins_as_ecsv, open_ecsv),
    Form("VOTable", (".vot", ".votable"), begins_as_votable, open_votable),
    Form("FITS table", (), is_fits_table, open_fits_table),
    Form("JSON Lines", (".jsonl", ".ndjson"), begins_as_json_lines, open_json_lines),
    Form("text in columns", (".csv", ".tsv"), lambda beginning, path: True, _delimited),
)


def suffixes() -> tuple[str, ...]:
    """Return the suffixes of the files that are taken from folders."""
    return tuple(suffix for form in FORMS for suffix in form.suffixes)


def is_plain_text(path: Path) -> bool:
    """Tell whether a file is text in columns, by how it begins, or by its name when it is gone."""
    try:
        refuse_irregular(path)
        with path.open("rb") as file:
            beginning = file.read(_BEGINNING_BYTES)
    except (OSError, LogFileError):
        return path.suffix.lower() in (*FORMS[-1].suffixes, ".txt", ".dat")
    return next(form for form in FORMS if form.fits(beginning, path)) is FORMS[-1]


def refuse_irregular(path: Path) -> None:
    """Refuse a pipe, a socket or a device, from which reading could wait for ever, and ``-``.

    A name that isn't there or may not be looked at, and a folder, are left to what reads them.

    Raises
    ------
    drift.errors.LogFileError
        If it is one.
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        if str(path) != "-":
            return
        mode = stat.S_IFIFO
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        what = "there is no file -" if str(path) == "-" else f"{path} is {_sort_of(mode)}, and not a file"
        raise LogFileError(
            f"{what}: logs are read from files and folders only, not from pipes or standard input.  Write "
            "what it gives into a file, and import that."
        )


def _sort_of(mode: int) -> str:
    if stat.S_ISFIFO(mode):
        return "a pipe"
    return "a socket" if stat.S_ISSOCK(mode) else "a device"


def open_table(path: Path) -> RawTable:
    """Open a file of any form that is read here.

    Raises
    ------
    drift.errors.LogFileError
        If it can't be read, or is not what it begins as.
    """
    refuse_irregular(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        raise LogFileError(
            f"{path} can't be read: {error.strerror or error}.  See that the name is right and that you may "
            "read it."
        ) from error
    form = next(form for form in FORMS if form.fits(data[:_BEGINNING_BYTES], path))
    return form.open_table(path, data)
