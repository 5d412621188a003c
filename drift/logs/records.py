"""Text -> records with their exact line numbers: what a row was before anyone gave it a meaning.

A record is one row of the file.  Its line number is that of the physical line
on which it begins, counted from 1, also after blank lines, comments and quoted
fields that hold line ends.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from drift.errors import LogFileError

#: What may stand between fields, the usual one first.
DELIMITERS = (",", ";", "\t")
_BLANKS = ' \t,;"'  # a row of these alone is blank: spreadsheets write them
_DELIMITER_NAMES = {";": "semicolons", "\t": "tabs"}
_END = "\x00end of file\x00"  # can't stand in a file: zero bytes are refused as binary


@dataclass(frozen=True)
class Records:
    """The rows of a file as text.

    `columns` holds one list of cells a header name, without the blanks around
    them, `lines` and `raws` each row's line number and its text as it came,
    `surplus` the rows (by position) with more cells than the header has names.
    """

    header: tuple[str, ...]  # as it came, surrounding blanks removed
    header_line: int
    columns: list[list[str]] = field(repr=False)
    lines: npt.NDArray[np.int64] = field(repr=False)
    raws: list[str] = field(repr=False)
    surplus: dict[int, int] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()


def split_records(text: str, name: str) -> Records:
    """Split the text of a log file into its header and its rows.

    Raises
    ------
    drift.errors.LogFileError
        If there is no header, or a quote is never closed.
    """
    lines = text.split("\n")
    first = _header_position(lines, name)
    delimiter = max(DELIMITERS, key=lambda one: (lines[first].count(one), one == ","))
    return _even(text, lines, first, delimiter) or _uneven(lines, first, delimiter, name)


def _header_position(lines: list[str], name: str) -> int:
    for position, line in enumerate(lines):
        if not _is_blank(line) and not _is_comment(line):
            return position
    raise LogFileError(f"{name} holds no header and no rows: there is nothing in it to import.")


def _is_blank(line: str) -> bool:
    return not line.strip(_BLANKS)


def _is_comment(line: str) -> bool:
    return line.lstrip().startswith("#")


def _even(text: str, lines: list[str], first: int, delimiter: str) -> Records | None:
    """Split a file without quotes whose rows all have as many cells as its header, or return None.

    Nearly all logs are such files, and a plain split is several times as fast as a parser that knows quotes.
    """
    if '"' in text:
        return None
    kept = [at for at in range(first, len(lines)) if lines[at].strip(_BLANKS)]
    comments = 0
    if "#" in text:
        comments = sum(map(_is_comment, lines))
        kept = [at for at in kept if not _is_comment(lines[at])]
    raws = [lines[at] for at in kept]
    cells = raws[0].count(delimiter) + 1
    if {raw.count(delimiter) for raw in raws} != {cells - 1}:
        return None
    together = delimiter.join(raws[1:])
    flat = together.split(delimiter) if together else []
    if together.split(None, 1) != [together]:  # there are blanks somewhere
        flat = [cell.strip() for cell in flat]
    header = raws[0].split(delimiter)
    rows = [flat[at::cells] for at in range(cells)]
    numbers = np.array(kept[1:], dtype=np.int64) + 1
    return _records(header, first + 1, rows, numbers, raws[1:], {}, delimiter, comments)


def _uneven(lines: list[str], first: int, delimiter: str, name: str) -> Records:
    """Split any file, with quoted fields and rows of any length."""
    header: list[str] = []
    cells: list[list[str]] = []
    numbers: list[int] = []
    raws: list[str] = []
    surplus: dict[int, int] = {}
    comments = sum(_is_comment(line) for line in lines[:first])
    for start, end, row in _numbered_rows(lines, first, delimiter, name):
        if not header:
            header = row
        elif row and row[0].lstrip().startswith("#"):
            comments += 1
        elif any(cell.strip() for cell in row):
            if any(cell.strip() for cell in row[len(header) :]):
                surplus[len(cells)] = len(row)
            cells.append([*(cell.strip() for cell in row), *([""] * len(header))][: len(header)])
            numbers.append(start)
            raws.append("\n".join(lines[start - 1 : end]))
    columns = [list(column) for column in zip(*cells, strict=True)] or [[] for _ in header]
    starts = np.array(numbers, dtype=np.int64)
    return _records(header, first + 1, columns, starts, raws, surplus, delimiter, comments)


def _numbered_rows(
    lines: list[str], first: int, delimiter: str, name: str
) -> Iterator[tuple[int, int, list[str]]]:
    """Yield the first and last line number and the cells of each row, blank rows included."""
    reader = csv.reader(
        [*(f"{line}\n" for line in lines[first:]), _END], delimiter=delimiter, skipinitialspace=True
    )
    start = first + 1
    try:
        for row in reader:
            if row == [_END]:
                return
            if row and row[-1].endswith(_END):
                break
            end = first + reader.line_num
            yield start, end, row
            start = end + 1
    except csv.Error as error:
        raise LogFileError(f"{name}, line {start}: the row can't be read as CSV ({error}).") from error
    raise LogFileError(
        f"{name}, line {start}: a quoted field opens in this row and is never closed, so that the rest of "
        "the file "
        "would be swallowed by it.  Close the quote, or double it where it stands for inches, and import "
        "again."
    )


def _records(
    header: list[str],
    header_line: int,
    columns: list[list[str]],
    lines: npt.NDArray[np.int64],
    raws: list[str],
    surplus: dict[int, int],
    delimiter: str,
    comments: int,
) -> Records:
    names = tuple(name.strip() for name in header)
    remarks = []
    if delimiter in _DELIMITER_NAMES:
        remarks.append(f"fields are separated by {_DELIMITER_NAMES[delimiter]}")
    if comments:
        remarks.append(f"{comments} comment line{'s' if comments > 1 else ''} (beginning with #) skipped")
    return Records(names, header_line, columns, lines, raws, surplus, tuple(remarks))
