"""From the bytes of a log file to text, and to a table of raw columns with exact line numbers."""

from __future__ import annotations

import codecs
import csv
import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np
import numpy.typing as npt

from drift.errors import LogFileError
from drift.notices import IngestCode, Notice, info, warning
from drift.readings import FORMER_COLUMNS

# ---- A table of raw columns: a file's form is dealt with, its meaning is still open.
#
# The way of a file through this room::
#
#     formats.open_table(path) -> RawTable        a reader for each form of file; no meanings yet
#     mapping (logs.toml, guessed or asked)       which raw column is which of ours, in which unit
#     translate: RawTable + mapping -> cells      of our columns; bad values with the reason
#     layout.read, layout.check -> LogRead        the same row checks for every file
#
# A reader of another form writes one function ``path -> RawTable`` and a line in
# `drift.ingest.formats.FORMS`.  Where its headings are already our names and units (``time_utc``,
# ``ra_deg``, ...), no mapping is needed: `drift.ingest.read.read_table` takes the table as it is.
#
# `Rows.raws` is what the record keeps of a row in any case, and shows to people: text that
# `RawTable.split_raw` can turn into the row's cells again.  `Rows.lines` is its place, counted from 1:
# lines of a text file, rows of a binary table.


#: Rows read at a time, so that memory does not grow with the cells of a file.
PART_ROWS = 50_000

#: The cells of one column: text without surrounding blanks ("" for none), or numbers (NaN for none).
RawCells = list[str] | npt.NDArray[np.float64]


def our_name(column: str) -> str:
    """Return the name of a column as drift writes it: lower case, a former name as today's."""
    name = column.lower()
    return FORMER_COLUMNS.get(name, name)


#: Text that a spreadsheet takes for a formula; a signed number in any spelling is none.
_FORMULA = re.compile(r"[=@\t\r]|[+-](?![\s\d.,:'\"\u00b0\u2032\u2033hdmseE+-]*\Z)")


def spreadsheet_cell(text: str) -> str:
    """Return a cell of an exported table, such that no spreadsheet runs it."""
    return f"'{text}" if _FORMULA.match(text.lstrip("'")) else text


def plain_cell(text: str) -> str:
    """Return a cell as it was before `spreadsheet_cell`."""
    return text[1:] if text[:1] == "'" and spreadsheet_cell(text[1:]) == text else text


#: Surrogates that stand for single bytes, as names of files have them.
_FROM_BYTES = re.compile("[^\ud800-\udc7f\udd00-\udfff]*")


def as_text(name: object) -> str:
    """Return a name or a text as UTF-8 can hold it: bytes of a file name that are none become ``\\xe9``."""
    text = str(name)
    try:
        text.encode()
    except UnicodeEncodeError:
        kept = "surrogateescape" if _FROM_BYTES.fullmatch(text) else "surrogatepass"
        return text.encode("utf-8", kept).decode("utf-8", "backslashreplace")
    return text


def json_line(row: object) -> str:
    """Return an object as a line of JSON; half of a character that JSON escapes can name stays an escape."""
    line = json.dumps(row, ensure_ascii=False)
    try:
        line.encode()
    except UnicodeEncodeError:
        return json.dumps(row)
    return line


@dataclass(frozen=True)
class Heading:
    """What a file says about one column."""

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
    aside: dict[int, Notice] = field(default_factory=dict)  # position of an unreadable row -> why


@dataclass(frozen=True)
class RawTable:
    """A file as raw columns; `parts` can be gone through more than once."""

    name: str  # the file as it was given
    path: str  # the whole path, "" for rows recorded by hand
    digest: str  # of the file's bytes
    headings: tuple[Heading, ...]
    header_line: int  # 0 when the form has no header line
    parts: Iterable[Rows] = field(repr=False)
    split_raw: Callable[[str], list[str]] = field(repr=False)
    remarks: tuple[Notice, ...] = ()
    decimal: str = "."  # what stands before the decimals of a number in the text
    delimiter: str = ""  # of a delimited text, "" for other forms

    @property
    def header(self) -> tuple[str, ...]:
        """The names of the columns, as they came."""
        return tuple(heading.name for heading in self.headings)


# ---- From bytes to text.


#: How files of other programs begin -> their name and what to do.
_OTHER_FILES = {
    b"PK\x03\x04": "an archive within another; unpack it first",
    b"\x1f\x8b": "an archive within another; unpack it first",
    b"PAR1": "a Parquet file; save the table as CSV",
    b"ARROW1": "an Arrow or Feather file; save the table as CSV",
    b"\x89HDF": "an HDF5 file; save the table as CSV",
    b"SQLite format 3": "an SQLite database; give the log files, not the record itself",
    b"SIMPLE  =": "a FITS image; give the table of solves, not the pictures",
    b"%PDF": "a PDF document; save the table as CSV",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet workbook; save the sheet as CSV",
}
_SAMPLE_BYTES = 65536
#: Bytes that text may hold: of the control characters tab, line ends, form feed and end of file.
_TEXT_BYTES = bytes({*range(32, 256), *b"\t\n\v\f\r\x1a"})


@dataclass(frozen=True)
class Decoded:
    """The text of a file, lines ended by a line feed, and remarks on how it was read."""

    text: str
    remarks: tuple[Notice, ...] = ()


def decode(data: bytes, name: str) -> Decoded:
    """Turn the bytes of a log file into text.

    UTF-8 (with or without a byte order mark) and UTF-16 with a byte order mark are read as such; anything
    else that is text is read as cp1252, which can change notes but no number; a remark says so.

    Raises
    ------
    drift.errors.LogFileError
        If the file is empty or isn't text.
    """
    if not data.strip():
        raise LogFileError(f"{name} is empty: there is nothing in it to import.")
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return _utf16(data, name)
    silent = _utf16_without_mark(data)
    if silent:
        return _utf16(silent + data, name)
    _refuse_other_files(data, name)
    try:
        return Decoded(_plain_line_ends(data.decode("utf-8-sig")))
    except UnicodeDecodeError as error:
        return _western(data, error)


def _utf16_without_mark(data: bytes) -> bytes:
    """Return the byte order mark that is missing from UTF-16 text, b"" for any other file.

    Latin letters and digits in UTF-16 have a zero byte each, always on the same side.
    """
    sample = data[: _SAMPLE_BYTES // 2 * 2]
    for side, mark in ((1, codecs.BOM_UTF16_LE), (0, codecs.BOM_UTF16_BE)):
        zeros, others = sample[side::2].count(0), sample[1 - side :: 2].count(0)
        if not others and len(sample) >= 8 and zeros > 0.9 * (len(sample) // 2):
            return mark
    return b""


def _utf16(data: bytes, name: str) -> Decoded:
    try:
        text = data.decode("utf-16")
    except UnicodeDecodeError as error:
        raise LogFileError(
            f"{name} begins like UTF-16 text but can't be read as such (byte {error.start}): "
            "save it as UTF-8 text and import it again."
        ) from error
    return Decoded(_plain_line_ends(text), (info(IngestCode.READ_AS_UTF16),))


def _western(data: bytes, error: UnicodeDecodeError) -> Decoded:
    line = data.count(b"\n", 0, error.start) + 1
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    return Decoded(_plain_line_ends(text), (info(IngestCode.READ_AS_WESTERN, line=line),))


def _refuse_other_files(data: bytes, name: str) -> None:
    for beginning, what in _OTHER_FILES.items():
        if data.startswith(beginning):
            raise LogFileError(f"{name} is not a log but {what}.")
    sample = data[:_SAMPLE_BYTES]
    controls = len(sample.translate(None, delete=_TEXT_BYTES))
    if b"\0" in data or controls > len(sample) // 200:
        raise LogFileError(
            f"{name} is a binary file, not text (it begins with the bytes {data[:8].hex(' ')}): "
            "give a CSV file, saved as UTF-8 text."
        )


def _plain_line_ends(text: str) -> str:
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    return text.rstrip("\x1a")


# ---- From text to rows with exact line numbers.
#
# A record is one row of the file.  Its line number is that of the physical line
# on which it begins, counted from 1, also after blank lines, comments and quoted
# fields that hold line ends.


#: What may stand between fields, the usual one first; the last two are runs of blanks.
DELIMITERS = (",", ";", "\t", "|", "  ", " ")
_RUNS = {"  ": re.compile(r"\s{2,}|\t"), " ": re.compile(r"\s+")}
_BLANKS = ' \t,;|"'  # a row of only these is blank: spreadsheets write them
_END = "\x00end\x00"  # can't stand in a file: zero bytes are refused as binary


def is_blank(line: str) -> bool:
    """Tell whether a line holds nothing."""
    return not line.strip(_BLANKS)


def is_comment(line: str) -> bool:
    """Tell whether a line is a comment."""
    return line.lstrip().startswith("#")


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
    names: tuple[str, ...] = ()  # of the columns

    def __iter__(self) -> Iterator[Rows]:
        return _checked(self._parts(), self.names, len(self.lines) if self.lines[-1] else 0)

    def _parts(self) -> Iterator[Rows]:
        if self.quotes and self.delimiter not in _RUNS:
            yield from self._quoted_parts()
            return
        for start in range(self.first, len(self.lines), PART_ROWS):
            kept = self._filled(start, min(start + PART_ROWS, len(self.lines)))
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
        if not self.quotes or self.delimiter in _RUNS:  # as the rows are split: blanks quote nothing
            return sum(map(is_comment, self.lines))
        return sum(map(is_comment, self.lines[: self.first])) + sum(
            self._is_comment_row(row) for _, _, row in self._numbered_rows()
        )

    def _filled(self, start: int, end: int) -> list[int]:
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


#: Rows above the last one that show how its last cell should be written.
_ROWS_ABOVE = 50


def _checked(parts: Iterator[Rows], names: Sequence[str], unended: int) -> Iterator[Rows]:
    """Mark headers inside the file, rows below a header of another order, and a last row cut short.

    Parameters
    ----------
    parts
        The rows.
    names
        The names in the header.
    unended
        The number of the last line where it has no line end, else 0.
    """
    own = [name.lower() for name in names]
    other = 0  # the line of a header of another order
    for part in parts:
        aside = dict(part.aside)
        for at in _headers_in(part, set(own) - {""}):
            row = [str(column[at]).lower() for column in part.cells]
            line = int(part.lines[at])
            if other:
                break
            if row == own:
                aside[at] = warning(IngestCode.HEADER_AGAIN)
                continue
            other = line
        if other:
            below = warning(IngestCode.BELOW_OTHER_HEADER, header_line=other)
            aside.update(dict.fromkeys(np.flatnonzero(part.lines >= other).tolist(), below))
        last = len(part.raws) - 1
        if unended and last >= 0 and part.lines[last] == unended and _is_cut(part, last):
            aside[last] = warning(IngestCode.LINE_CUT)
        yield replace(part, aside=aside) if aside else part


def _headers_in(part: Rows, names: set[str]) -> list[int]:
    """Return the positions of the rows of which half the cells or more are names of columns."""
    found: set[int] = set()
    for column in part.cells[:2]:
        if not isinstance(column, list) or names.isdisjoint({cell.lower() for cell in set(column)}):
            continue
        for at in [at for at, cell in enumerate(column) if cell.lower() in names]:
            given = [str(one[at]).lower() for one in part.cells if str(one[at])]
            if len(given) >= 2 and sum(cell in names for cell in given) >= 0.5 * len(given):
                found.add(at)
    return sorted(found)


def _is_cut(part: Rows, at: int) -> bool:
    """Tell whether a row's last cell is shorter than those above it are written, or lacks."""
    rows = range(max(0, at - _ROWS_ABOVE), at)
    if len(rows) < 2:
        return False
    for column in reversed(part.cells):
        above = [str(column[one]) for one in rows]
        cell = str(column[at])
        if not cell and all(above):
            return True
        if cell:
            return _written_length(cell) < min(map(_written_length, above))
    return False


def _written_length(cell: str) -> tuple[int, int]:
    """Return the decimals of a number, or the length of a text: what cutting makes shorter."""
    whole, point, decimals = cell.rpartition(".")
    if whole.lstrip("+-").isdigit() and decimals.isdigit():
        return 1, len(decimals)
    return (1, 0) if cell.lstrip("+-").isdigit() else (0 if point else 2, len(cell))


def _and_then(lines: Iterator[str], last: str) -> Iterator[str]:
    yield from lines
    yield last
