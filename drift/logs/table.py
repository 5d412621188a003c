"""A file of any form as a table of raw columns: the seam between what a file looks like and what it means.

The way of a file through this room::

    formats.open_table(path) -> RawTable        a reader for each form of file; nothing is given a meaning
    mapping (logs.toml, guessed or asked)       which raw column is which of the contract's, in which unit
    translate: RawTable + mapping -> cells      of the contract's columns; values that are none, with why
    layout.read, layout.check -> LogRead        the same row checks for every file

A reader of another form writes one function ``path -> RawTable`` and a line in
`drift.logs.formats.FORMS`.  Where its headings are already the contract's names and units (``time_utc``,
``ra_deg``, ...), no mapping is needed: `drift.logs.read.read_table` takes the table as it is.

`Rows.raws` is what is kept of a row in the record, whatever becomes of it, and is shown to people: text that
`RawTable.split_raw` can turn into the row's cells again.  `Rows.lines` says where it stood, counted from 1:
lines of a text file, rows of a binary table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

#: So many rows are read at a time, so that memory does not grow with the cells of a file.
PART_ROWS = 50_000

#: The cells of one column: text without surrounding blanks ("" for none), or numbers (NaN for none).
RawCells = list[str] | npt.NDArray[np.float64]


@dataclass(frozen=True)
class Heading:
    """What a file says of one column."""

    name: str
    unit: str = ""  # as the file says it, apart from the name: "deg", "hourangle", "arcsec"; "" without
    remark: str = ""  # a description or UCD, "" without


@dataclass(frozen=True)
class Rows:
    """Some consecutive rows of a table."""

    cells: list[RawCells] = field(repr=False)  # one a heading, all of the same length
    lines: npt.NDArray[np.int64] = field(repr=False)
    raws: list[str] = field(repr=False)
    surplus: dict[int, int] = field(default_factory=dict)  # position of a row -> cells it has, when too many
    aside: dict[int, str] = field(default_factory=dict)  # position of a row that is none -> why


@dataclass(frozen=True)
class RawTable:
    """A file as raw columns; `parts` can be gone through more than once."""

    name: str  # the file as it was given
    path: str  # the whole path, or "" for what was recorded by hand
    digest: str  # of the file's bytes
    form: str  # for people: "CSV", "ECSV", "JSON Lines"
    headings: tuple[Heading, ...]
    header_line: int  # 0 when the form has no header line
    parts: Iterable[Rows] = field(repr=False)
    split_raw: Callable[[str], list[str]] = field(repr=False)
    remarks: tuple[str, ...] = ()
    decimal: str = "."  # what stands before the decimals of a number in the text
    delimiter: str = ""  # of a delimited text, "" for other forms

    @property
    def header(self) -> tuple[str, ...]:
        """The names of the columns, as they came."""
        return tuple(heading.name for heading in self.headings)
