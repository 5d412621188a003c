"""Text -> records with their exact line numbers: what a row was before anyone gave it a meaning.

A record is one row of the file.  Its line number is that of the physical line
on which it begins, counted from 1, also after blank lines, comments and quoted
fields that hold line ends.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice

import numpy as np

from drift.errors import LogFileError
from drift.logs.table import PART_ROWS, RawCells, Rows

#: What may stand between fields, the usual one first; the last two are runs of blanks.
DELIMITERS = (",", ";", "\t", "|", "  ", " ")
_RUNS = {"  ": re.compile(r"\s{2,}|\t"), " ": re.compile(r"\s+")}
_BLANKS = ' \t,;|"'  # a row of these alone is blank: spreadsheets write them
_DELIMITER_NAMES = {
    ";": "semicolons",
    "\t": "tabs",
    "|": "upright bars",
    "  ": "two or more blanks",
    " ": "blanks",
}
_END = "\x00end of file\x00"  # can't stand in a file: zero bytes are refused as binary


def is_blank(line: str) -> bool:
    """Tell whether a line holds nothing."""
    return not line.strip(_BLANKS)


def is_comment(line: str) -> bool:
    """Tell whether a line is a comment."""
    return line.lstrip().startswith("#")


def delimiter_words(delimiter: str) -> str:
    """Return the remark on an unusual delimiter, "" on commas."""
    name = _DELIMITER_NAMES.get(delimiter)
    return f"fields are separated by {name}" if name else ""


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line, without the blanks around its cells; quotes count, line ends in them do not."""
    if delimiter in _RUNS:
        cells = _RUNS[delimiter].split(line.strip())
    elif '"' in line:
        cells = _quoted(line, delimiter)
    else:
        cells = line.split(delimiter)
    return [cell.strip() for cell in cells]


def _quoted(text: str, delimiter: str) -> list[str]:
    lines = [f"{line}\n" for line in text.split("\n")]
    try:
        rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True))
    except csv.Error:
        return text.split(delimiter)
    return rows[0] if rows else [""]


@dataclass(frozen=True)
class TextRows:
    """The rows of a text below its header, some at a time; can be gone through more than once."""

    lines: list[str] = field(repr=False)
    first: int  # position of the first line below the header
    width: int  # cells of the header
    delimiter: str
    name: str  # of the file, for messages
    quotes: bool  # whether a field may be quoted
    comments: bool  # whether there is a # in the text

    def __iter__(self) -> Iterator[Rows]:
        if self.quotes and self.delimiter not in _RUNS:
            yield from self._quoted_parts()
            return
        for start in range(self.first, len(self.lines), PART_ROWS):
            kept = self._kept(start, min(start + PART_ROWS, len(self.lines)))
            if kept:
                yield self._part(kept)

    def split_raw(self, raw: str) -> list[str]:
        """Split the text of one row into as many cells as the header has."""
        cells = split_line(raw, self.delimiter)
        return [*cells, *([""] * self.width)][: self.width]

    def comment_lines(self) -> int:
        """Count the comments, also those above the header."""
        if not self.comments:
            return 0
        if not self.quotes:
            return sum(map(is_comment, self.lines))
        return sum(map(is_comment, self.lines[: self.first])) + sum(
            self._is_comment_row(row) for _, _, row in self._numbered_rows()
        )

    def _kept(self, start: int, end: int) -> list[int]:
        kept = [at for at in range(start, end) if self.lines[at].strip(_BLANKS)]
        return [at for at in kept if not is_comment(self.lines[at])] if self.comments else kept

    def _part(self, kept: list[int]) -> Rows:
        """Split lines without quotes; nearly always they all have as many cells as the header."""
        raws = [self.lines[at] for at in kept]
        numbers = np.array(kept, dtype=np.int64) + 1
        if self.delimiter not in _RUNS and {raw.count(self.delimiter) for raw in raws} == {self.width - 1}:
            together = self.delimiter.join(raws)
            flat = together.split(self.delimiter)
            if together.split(None, 1) != [together]:  # there are blanks somewhere
                flat = [cell.strip() for cell in flat]
            return Rows([flat[at :: self.width] for at in range(self.width)], numbers, raws)
        return self._uneven([split_line(raw, self.delimiter) for raw in raws], numbers.tolist(), raws)

    def _uneven(self, rows: Sequence[list[str]], numbers: list[int], raws: list[str]) -> Rows:
        surplus = {at: len(row) for at, row in enumerate(rows) if any(row[self.width :])}
        even = [[*row, *([""] * self.width)][: self.width] for row in rows]
        columns: list[RawCells] = [list(column) for column in zip(*even, strict=True)]
        return Rows(columns or [[] for _ in range(self.width)], np.array(numbers, np.int64), raws, surplus)

    def _quoted_parts(self) -> Iterator[Rows]:
        rows = (
            (start, end, [cell.strip() for cell in row])
            for start, end, row in self._numbered_rows()
            if any(cell.strip() for cell in row) and not self._is_comment_row(row)
        )
        while part := list(islice(rows, PART_ROWS)):
            raws = ["\n".join(self.lines[start - 1 : end]) for start, end, _ in part]
            yield self._uneven([row for _, _, row in part], [start for start, _, _ in part], raws)

    @staticmethod
    def _is_comment_row(row: list[str]) -> bool:
        return bool(row) and row[0].lstrip().startswith("#")

    def _numbered_rows(self) -> Iterator[tuple[int, int, list[str]]]:
        """Yield the first and last line number and the cells of each row, blank rows included."""
        ended = (f"{line}\n" for line in islice(self.lines, self.first, None))
        reader = csv.reader(_and_then(ended, _END), delimiter=self.delimiter, skipinitialspace=True)
        start = self.first + 1
        try:
            for row in reader:
                if row == [_END]:
                    return
                if row and row[-1].endswith(_END):
                    break
                end = self.first + reader.line_num
                yield start, end, row
                start = end + 1
        except csv.Error as error:
            raise LogFileError(
                f"{self.name}, line {start}: the row can't be read as CSV ({error})."
            ) from error
        raise LogFileError(
            f"{self.name}, line {start}: a quoted field opens in this row and is never closed, so that the "
            "rest of the file would be swallowed by it.  Close the quote, or double it where it stands for "
            "inches, and import again."
        )


def _and_then(lines: Iterator[str], last: str) -> Iterator[str]:
    yield from lines
    yield last
