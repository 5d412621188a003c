"""Text as a table: delimited, with header, separators and numbers; or free text of names and values."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from drift.errors import LogFileError
from drift.ingest import values
from drift.ingest.detect import fits_any
from drift.ingest.kinds import LAYOUTS
from drift.ingest.text import (
    DELIMITERS,
    PART_ROWS,
    Heading,
    RawTable,
    Rows,
    TextRows,
    decode,
    is_blank,
    is_comment,
    split_line,
)
from drift.ingest.units import is_unit
from drift.notices import IngestCode, Notice, info

# ---- Free text: a time at the beginning of each line, then ``name = value``.
#
#     2024-03-02 21:14:05 Solved RA=08h44m13.5s Dec=+47d02m49s, mount RA=131.504 Dec=46.949
#
# A name may have a word before it that says whose it is; later names without one belong to the same.
# Lines without a time at their beginning or without two values are skipped, with a remark.


#: A line begins with a date and a time of day, perhaps between brackets.
_STAMP = re.compile(
    r"\s*[\[(]?(?P<time>\d{4}[-/.]\d\d[-/.]\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?"
    r"(?: ?(?:Z|UTC|[+-]\d\d:?\d\d|[A-Z]{3,4}(?![A-Za-z]))(?!\w))?)[\])]?[\s,;:-]*"
)
#: A name, perhaps after a word or two that say whose it is, and what stands before its value.
_WHOSE = r"(?!(?:deg|degrees|hours|hrs|arcmin|arcsec|min|sec)\b)[A-Za-z]{3,}(?:[ _][A-Za-z][A-Za-z0-9]{2,})?"
_NAME = re.compile(
    rf"(?<![\w.])(?:(?P<whose>{_WHOSE})[ _])?(?P<name>[A-Za-z][A-Za-z0-9]*(?:_[A-Za-z0-9]+)*)"
    r"(?P<unit> ?[\[(][^\])]{1,12}[\])])?\s*(?:=|:(?!\d))\s*"
)
_AROUND = " \t,;|)]}"
_FREE_LINES_LOOKED_AT = 400
#: The time's column.
TIME = "time"
#: Least number of rows, and share of the lines, of such a log.
_FEW_ROWS, _SHARE = 3, 0.2


def cells_of(line: str) -> dict[str, str]:
    """Return the time and the values of a line by their names, {} for a line that is no row."""
    stamp = _STAMP.match(line)
    if stamp is None:
        return {}
    found, whose = {TIME: stamp["time"].strip()}, ""
    names = list(_NAME.finditer(line, stamp.end()))
    for at, name in enumerate(names):
        whose = name["whose"] or whose
        end = names[at + 1].start() if at + 1 < len(names) else len(line)
        value = line[name.end() : end].rstrip(" ([{").strip(_AROUND)
        quoted = re.match(r"(['\"])(.*?)\1", value)
        called = " ".join(part for part in (whose, f"{name['name']}{name['unit'] or ''}") if part)
        found.setdefault(called, quoted[2] if quoted else value)
    return found if len(found) > 2 else {}


def is_free_text(lines: list[str]) -> bool:
    """Tell whether a text is a log of such lines."""
    given = [line for line in lines if not is_blank(line)][:_FREE_LINES_LOOKED_AT]
    rows = sum(bool(cells_of(line)) for line in given if len(line) < 2_000)
    return rows >= max(min(_FEW_ROWS, len(given)), _SHARE * len(given)) and rows > 0


@dataclass(frozen=True)
class _TextRows:
    lines: list[str] = field(repr=False)
    kept: list[int] = field(repr=False)
    names: tuple[str, ...]

    def __iter__(self) -> Iterator[Rows]:
        for start in range(0, len(self.kept), PART_ROWS):
            some = self.kept[start : start + PART_ROWS]
            rows = [cells_of(self.lines[at]) for at in some]
            cells = [[row.get(name, "") for row in rows] for name in self.names]
            yield Rows([*cells], np.array(some, np.int64) + 1, [self.lines[at] for at in some])

    def split_raw(self, raw: str) -> list[str]:
        """Return the cells of one row."""
        row = cells_of(raw)
        return [row.get(name, "") for name in self.names]


def table_of(lines: list[str], name: str, path: str, digest: str) -> RawTable:
    """Return such a log as a table."""
    names: dict[str, None] = {}
    kept = []
    for at, line in enumerate(lines):
        row = cells_of(line)
        if row:
            kept.append(at)
            names.update(dict.fromkeys(row))
    rows = _TextRows(lines, kept, tuple(names))
    passed = sum(not is_blank(line) for line in lines) - len(kept)
    remarks = (info(IngestCode.LINES_WITHOUT_VALUES, lines=passed),) if passed else ()
    headings = tuple(Heading(one) for one in names)
    return RawTable(name, path, digest, headings, 0, rows, rows.split_raw, remarks)


# ---- Finding the header, the delimiter and the decimal sign.


#: Number of lines from which the delimiter is found.
_LINES_LOOKED_AT = 200
#: Number of rows, spread over the file, from which the spelling of numbers is found.
_ROWS_LOOKED_AT = 2_000
#: Share of the lines that must have the commonest number of fields under a delimiter.
_EVEN = 0.6
_COMMA = re.compile(r"[+-]?\d+,\d+(?:\s*\D{1,3})?", re.ASCII)
_COMMA_IN_PARTS = re.compile(r"[+-]?\d{1,3}\D{1,3}\d{1,2}\D{1,3}\d{1,2},\d+\D?", re.ASCII)
_POINT = re.compile(r"[+-]?\d+\.\d+", re.ASCII)
_DATE_OR_CLOCK = re.compile(
    r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}\b.*|\d{1,2}:\d\d.*|\d{1,3}[hd°: ]\s*\d{1,2}.*", re.ASCII
)


@dataclass(frozen=True)
class HeaderFound:
    """The header of a text."""

    names: tuple[str, ...]
    line: int  # position of its line, from 0
    first: int  # position of the first line of data
    delimiter: str
    units: tuple[str, ...] = ()  # from a line of units below the header; () without one
    skipped: int = 0  # lines above it that are no comments


def first_line(lines: list[str], name: str) -> int:
    """Return the position of the first line that is neither blank nor a comment."""
    for position, line in enumerate(lines):
        if not is_blank(line) and not is_comment(line):
            return position
    raise LogFileError(f"{name} holds no header and no rows: there is nothing in it to import.")


def plain_header(lines: list[str], name: str) -> HeaderFound:
    """Take the first line as the header, as in files with drift's own columns."""
    at = first_line(lines, name)
    delimiter = max(DELIMITERS[:3], key=lambda one: (lines[at].count(one), one == ","))
    return HeaderFound(tuple(split_line(lines[at], delimiter)), at, at + 1, delimiter)


def search_header(lines: list[str], name: str) -> HeaderFound:
    """Find the header of any table: delimiter, line of names, line of units.

    Raises
    ------
    drift.errors.LogFileError
        If the text is no table.
    """
    first = first_line(lines, name)
    sample = [at for at in range(first, len(lines)) if not is_blank(lines[at]) and not is_comment(lines[at])]
    sample = sample[:_LINES_LOOKED_AT]
    delimiter, width = _delimiter([lines[at] for at in sample])
    if not delimiter:
        return plain_header(lines, name)
    wide = [at for at in sample if _width(lines[at], delimiter) == width]
    if width > _MOST_COLUMNS:
        raise LogFileError(f"{name} has {width:,} columns: no log has so many.")
    top = _below_titles(lines, wide, delimiter)
    names = split_line(lines[top], delimiter)
    if looks_like_names(names):
        names, top = _wrapped(lines, wide, top, delimiter, names)
        units, first_row = _units_below(lines, top, delimiter, width)
        return HeaderFound(tuple(names), top, first_row, delimiter, units, sample.index(top))
    above = _commented_names(lines, top, delimiter, width)
    if above:
        return HeaderFound(above[1], above[0], top, delimiter, (), sample.index(top))
    return HeaderFound(
        tuple(f"column {at}" for at in range(1, width + 1)), -1, top, delimiter, (), sample.index(top)
    )


#: Most columns of a table.
_MOST_COLUMNS = 20_000
#: Most rows of a title.
_MOST_TITLES = 20


def _below_titles(lines: list[str], wide: list[int], delimiter: str) -> int:
    """Return the position of the first row that is no title: spreadsheets pad those with delimiters."""
    for at in wide[:_MOST_TITLES]:
        cells = split_line(lines[at], delimiter)
        if looks_like_names(cells):
            return at
        if sum(map(bool, cells)) >= len(cells) / 2:
            break
    return wide[0]


def _wrapped(
    lines: list[str], wide: list[int], top: int, delimiter: str, names: list[str]
) -> tuple[list[str], int]:
    """Join a header of two rows: names of groups above (cells merged to the right), or names gone on "
    "below."""
    at = wide.index(top)
    above = split_line(lines[wide[at - 1]], delimiter) if at else []
    if sum(map(bool, above)) > 1 and not any(_is_data(cell) for cell in above if cell):
        return _joined(_filled_on(above), names), top
    below = split_line(lines[wide[at + 1]], delimiter) if at + 1 < len(wide) else []
    given = [cell for cell in below if cell]
    more = looks_like_names(below) and not all(map(is_unit, given))
    if more and [one.lower() for one in below] != [one.lower() for one in names] and at + 2 < len(wide):
        under = split_line(lines[wide[at + 2]], delimiter)
        repeated = len({one.lower() for one in below if one}) < len(given) or not all(names)
        if repeated and any(_is_data(cell) for cell in under):
            return _joined(_filled_on(names), below), wide[at + 1]
    return names, top


def _filled_on(cells: list[str]) -> list[str]:
    """Give blank cells the text on their left, because of merged cells only the first holds it."""
    filled: list[str] = []
    for cell in cells:
        filled.append(cell or (filled[-1] if filled else ""))
    return filled


def _joined(groups: list[str], names: list[str]) -> list[str]:
    return [
        name if not group or not name else f"{group} {name}"
        for group, name in zip(groups, names, strict=True)
    ]


def _delimiter(lines: list[str]) -> tuple[str, int]:
    """Return the delimiter that splits most lines into equally many fields, and how many; or ("", 0)."""
    best = ("", 0)
    best_score = 0.0
    for delimiter in DELIMITERS:
        widths = Counter(_width(line, delimiter) for line in lines)
        width, count = max(widths.items(), key=lambda item: (item[1], item[0]))
        share = count / len(lines)
        if width < 2 or share < _EVEN:
            continue
        score = share - 0.5 * _badness(lines, delimiter, width)
        if delimiter in ("  ", " "):  # blanks stand within cells as well
            score -= 0.3
        if score > best_score + 1e-9:
            best, best_score = (delimiter, width), score
    return best


def _badness(lines: list[str], delimiter: str, width: int) -> float:
    """Return how badly a delimiter does: the share of cells that still hold a stronger delimiter."""
    stronger = {",": ";\t", "|": "\t"}.get(delimiter, "")
    cells = [cell for line in lines for cell in split_line(line, delimiter)]
    return sum(any(sign in cell for sign in stronger) for cell in cells) / max(len(cells), 1)


def _width(line: str, delimiter: str) -> int:
    """Count the fields of a line, empty ones at its end left out of runs of blanks only."""
    return len(split_line(line, delimiter))


def looks_like_names(cells: list[str]) -> bool:
    """Tell whether a row's cells name columns: no number, date or time among them, and no two alike."""
    given = [cell for cell in cells if cell]
    if len(given) < 2 or len(given) < len(cells) / 2:
        return False
    if any(_is_data(cell) for cell in given):
        return False
    return all(re.search(r"[^\W\d_]|°", cell) for cell in given)


def _is_data(cell: str) -> bool:
    numbers, bad = values.parse_numbers([cell.replace(",", ".")])
    return not bad[0] or bool(_DATE_OR_CLOCK.fullmatch(cell)) or bool(re.match(r"\d{4}-\d\d", cell))


def _units_below(lines: list[str], top: int, delimiter: str, width: int) -> tuple[tuple[str, ...], int]:
    below = next((at for at in range(top + 1, len(lines)) if not is_blank(lines[at])), top + 1)
    if below < len(lines) and not is_comment(lines[below]):
        cells = split_line(lines[below], delimiter)
        given = [cell for cell in cells if cell]
        if given and all(set(cell) <= set("-=:+") for cell in given):  # a line of dashes
            return (), below + 1
        if given and len(cells) == width and all(is_unit(cell) for cell in given):
            return tuple(cell.strip("[]() ") for cell in cells), below + 1
    return (), top + 1


def _commented_names(
    lines: list[str], top: int, delimiter: str, width: int
) -> tuple[int, tuple[str, ...]] | None:
    """Return a header that stands in a comment right above the data, with its position."""
    for at in range(top - 1, -1, -1):
        if is_blank(lines[at]):
            continue
        names = split_line(lines[at].lstrip().lstrip("# "), delimiter) if is_comment(lines[at]) else []
        return (at, tuple(names)) if len(names) == width and looks_like_names(names) else None
    return None


def decimal_sign(rows: list[list[str]]) -> str:
    """Return what stands before the decimals in a file's numbers: a point or a comma.

    It is a comma where more cells are numbers with one comma than with a point.  A number such as 12,345
    could mean thousands, but no column of these logs has such numbers.
    """
    step = max(len(rows) // _ROWS_LOOKED_AT, 1)
    cells = [cell for row in rows[::step] for cell in row]
    commas = sum(bool(_COMMA.fullmatch(cell) or _COMMA_IN_PARTS.fullmatch(cell)) for cell in cells)
    points = sum(bool(_POINT.fullmatch(cell)) for cell in cells)
    return "," if commas > points else "."


# ---- A delimited text of any kind as a table of raw columns.


#: Number of rows, spread over the file, from which the decimal sign is found.
_LOOKED_AT = 2_000


def digest_of(data: bytes) -> str:
    """Return the digest that identifies a file's bytes."""
    return hashlib.blake2b(data, digest_size=16).hexdigest()


def open_bytes(data: bytes, name: str, path: str = "") -> RawTable:
    """Open a delimited text given as bytes.

    Parameters
    ----------
    data
        The bytes of the file.
    name
        What the file is called in messages.
    path
        Its whole path, "" when it is no file.

    Raises
    ------
    drift.errors.LogFileError
        If the bytes are no text, or hold no row.
    """
    decoded = decode(data, name)
    digest = digest_of(data)
    lines = decoded.text.split("\n")
    if not any(not is_blank(line) and not is_comment(line) for line in lines):
        raise LogFileError(f"{name} holds no header and no rows: there is nothing in it to import.")
    found = plain_header(lines, name)
    if not fits_any(found.names, LAYOUTS):
        if is_free_text(lines):
            return table_of(lines, name, path, digest)
        found = search_header(lines, name)
    text = decoded.text
    rows = TextRows(
        lines, found.first, len(found.names), found.delimiter, name, '"' in text, "#" in text, found.names
    )
    decimal = _decimal(lines, found)
    return RawTable(
        name=name,
        path=path,
        digest=digest,
        headings=_headings(found),
        header_line=found.line + 1,
        parts=rows,
        split_raw=rows.split_raw,
        remarks=(*decoded.remarks, *_remarks(found, rows, decimal)),
        decimal=decimal,
        delimiter=found.delimiter,
    )


def _headings(found: HeaderFound) -> tuple[Heading, ...]:
    units = (*found.units, *([""] * len(found.names)))
    return tuple(Heading(name, unit) for name, unit in zip(found.names, units, strict=False))


def _decimal(lines: list[str], found: HeaderFound) -> str:
    below = len(lines) - found.first
    step = max(below // _LOOKED_AT, 1)
    looked_at = [lines[at] for at in range(found.first, len(lines), step)]
    if not any("," in line for line in looked_at):
        return "."
    return decimal_sign([split_line(line, found.delimiter) for line in looked_at])


def _remarks(found: HeaderFound, rows: TextRows, decimal: str) -> list[Notice]:
    remarks = []
    if found.delimiter != DELIMITERS[0]:
        remarks.append(info(IngestCode.DELIMITER, delimiter=found.delimiter))
    if decimal == ",":
        remarks.append(info(IngestCode.DECIMAL_COMMA))
    if found.skipped:
        remarks.append(info(IngestCode.LINES_SKIPPED, lines=found.skipped))
    comments = rows.comment_lines()
    if comments:
        remarks.append(info(IngestCode.COMMENTS_SKIPPED, lines=comments))
    return remarks
