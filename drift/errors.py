"""Every error of the package.

An error means that there is no answer.  A warning is a sentence: an answer with
reduced trust; it travels with the result and is shown wherever that is.
A message says what was wrong, the value, where it stood and what to do.
"""

from __future__ import annotations

from typing import Any

#: So many rows are named in a warning about rows set aside.
_NAMED = 3


class DriftError(Exception):
    """Something prevents an answer; the message is one paragraph for people."""


class SiteFileError(DriftError):
    """The site file can't be used: names the key, the value, what is allowed and the line."""


class LogFileError(DriftError):
    """A log file can't be read at all and is refused whole."""


class RecordError(DriftError):
    """The record can't be opened, read or written (locked, read-only, full disk, wrong site)."""


class NothingToAnalyse(DriftError):
    """The record holds no reading from which an axis or a tilt could be worked out."""


class PlateError(DriftError):
    """The bolts of a plate can't give an answer: too few, in a line, or heights that don't belong to them."""


class RowsSetAside(UserWarning):
    """Rows of a table, or some of their values, could not be used.

    `rows` holds a `drift.ingest.read.RowSetAside` for each, with its reason.
    """

    def __init__(self, rows: tuple[Any, ...]) -> None:
        self.rows = rows
        more = len(rows) - _NAMED
        named = "; ".join(f"{row.file}, {row.words()}" for row in rows[:_NAMED])
        what = "row or value was" if len(rows) == 1 else "rows or values were"
        super().__init__(
            f"{len(rows)} {what} set aside: {named}"
            + (f"; and {more} more.  `rows` of this warning has them all" if more > 0 else "")
        )


class NotifyError(DriftError):
    """A warning can't be sent to an address: names what is missing, never a secret."""
