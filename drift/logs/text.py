"""The bytes of a log file -> text, with what had to be assumed on the way."""

from __future__ import annotations

import codecs
from dataclasses import dataclass

from drift.errors import LogFileError

#: How files of other programs begin -> what to call them and what to do.
_OTHER_FILES = {
    b"PK\x03\x04": "a zip archive or a spreadsheet workbook; unpack it, or save the sheet as CSV",
    b"\x1f\x8b": "a gzip archive; unpack it first",
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
    remarks: tuple[str, ...] = ()


def decode(data: bytes, name: str) -> Decoded:
    """Turn the bytes of a log file into text.

    UTF-8 (with or without a byte order mark) and UTF-16 with a byte order mark
    are read as such; anything else that is text is read as cp1252, which
    changes notes at most, never a number, and is said in a remark.

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
    return Decoded(_plain_line_ends(text), ("read as UTF-16 text",))


def _western(data: bytes, error: UnicodeDecodeError) -> Decoded:
    line = data.count(b"\n", 0, error.start) + 1
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    remark = f"not UTF-8 text (line {line}): read as Western European (cp1252); no number depends on it"
    return Decoded(_plain_line_ends(text), (remark,))


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
