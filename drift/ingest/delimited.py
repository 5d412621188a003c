"""A delimited text: where its header stands, what separates its fields, how its numbers are written."""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from dataclasses import dataclass

from drift.errors import LogFileError
from drift.ingest import values
from drift.ingest.detect import fits_any
from drift.ingest.free_text import is_free_text, table_of
from drift.ingest.kinds import LAYOUTS
from drift.ingest.text import (
    DELIMITERS,
    Heading,
    RawTable,
    TextRows,
    decode,
    is_blank,
    is_comment,
    split_line,
)
from drift.ingest.units import is_unit
from drift.notices import IngestCode, Notice, info

# ---- Where in a text the header stands, what separates its fields, and how its numbers are written.


#: So many lines tell what separates the fields.
_LINES_LOOKED_AT = 200
#: So many rows, spread over the file, tell how numbers are written.
_ROWS_LOOKED_AT = 2_000
#: A delimiter must give this share of the lines as many fields as most of them.
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
    """Take the first line for the header, as files with the contract's own columns have it."""
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


#: A table with more columns is none.
_MOST_COLUMNS = 20_000
#: A title takes so many rows at most.
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
    """Give blank cells the text on their left, as of merged cells only the first holds it."""
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
    """Tell how badly a delimiter does: the share of cells that still hold a stronger delimiter."""
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
        if given and all(set(cell) <= set("-=:+") for cell in given):  # a ruler
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
    could have thousands, but no column of these logs does.
    """
    step = max(len(rows) // _ROWS_LOOKED_AT, 1)
    cells = [cell for row in rows[::step] for cell in row]
    commas = sum(bool(_COMMA.fullmatch(cell) or _COMMA_IN_PARTS.fullmatch(cell)) for cell in cells)
    points = sum(bool(_POINT.fullmatch(cell)) for cell in cells)
    return "," if commas > points else "."


# ---- A delimited text of any kind as a table of raw columns.


#: So many rows, spread over the file, tell the decimal sign.
_LOOKED_AT = 2_000


def digest_of(data: bytes) -> str:
    """Return the digest by which a file's bytes are known again."""
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
