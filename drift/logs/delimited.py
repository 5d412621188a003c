"""A delimited text of any kind as a table of raw columns."""

from __future__ import annotations

import hashlib

from drift.errors import LogFileError
from drift.logs.detect import fits_any
from drift.logs.heading import Found, decimal_sign, plain_header, search_header
from drift.logs.kinds import LAYOUTS
from drift.logs.records import TextRows, delimiter_words, is_blank, is_comment, split_line
from drift.logs.table import Heading, RawTable
from drift.logs.text import decode

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
        found = search_header(lines, name)
    text = decoded.text
    rows = TextRows(lines, found.first, len(found.names), found.delimiter, name, '"' in text, "#" in text)
    decimal = _decimal(lines, found)
    return RawTable(
        name=name,
        path=path,
        digest=digest,
        form="CSV" if found.delimiter == "," else "text in columns",
        headings=_headings(found),
        header_line=found.line + 1,
        parts=rows,
        split_raw=rows.split_raw,
        remarks=(*decoded.remarks, *_remarks(found, rows, decimal)),
        decimal=decimal,
        delimiter=found.delimiter,
    )


def _headings(found: Found) -> tuple[Heading, ...]:
    units = (*found.units, *([""] * len(found.names)))
    return tuple(Heading(name, unit) for name, unit in zip(found.names, units, strict=False))


def _decimal(lines: list[str], found: Found) -> str:
    below = len(lines) - found.first
    step = max(below // _LOOKED_AT, 1)
    looked_at = [lines[at] for at in range(found.first, len(lines), step)]
    if not any("," in line for line in looked_at):
        return "."
    return decimal_sign([split_line(line, found.delimiter) for line in looked_at])


def _remarks(found: Found, rows: TextRows, decimal: str) -> list[str]:
    remarks = []
    words = delimiter_words(found.delimiter)
    if words:
        remarks.append(words)
    if decimal == ",":
        remarks.append("numbers are read with decimal commas")
    if found.skipped:
        lines = "1 line" if found.skipped == 1 else f"{found.skipped} lines"
        remarks.append(f"{lines} above the header passed over")
    comments = rows.comment_lines()
    if comments:
        remarks.append(f"{comments} comment line{'s' if comments > 1 else ''} (beginning with #) skipped")
    return remarks
