"""The header of the image in a FITS file, without its pixels.

Only header blocks are read: the file is stepped through from one header to the next by the size that the
header gives (FITS Standard 4.0, sect. 3.1 and 4.4.1), until an image is found.  Cards are kept as they are,
and a value is parsed only when it is asked for, because a folder may hold ten thousand headers.

A tiled-compressed image (``.fz``) is a binary table with ``ZIMAGE = T`` whose
``ZNAXISn`` are the image's own axes (FITS Standard 4.0, sect. 10.1; Pence,
Chiappetti, Page, Shaw and Stobie 2010, A&A 524, A42).

References
----------
.. [1] FITS Standard 4.0 (IAU FITS Working Group 2018): sect. 4.2 (values), 4.4.1 (sizes).
.. [2] The INHERIT convention (registry of FITS conventions): what an image extension does not say,
   the primary header says.
"""

from __future__ import annotations

import gzip
import re
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from drift.notices import ImageCode, warning
from drift.notices import Value as NoticeValue

BLOCK = 2880  # [bytes] FITS Standard 4.0, sect. 3.1
CARD = 80
_GZIP = b"\x1f\x8b"
_FIRST = (b"SIMPLE  =",)
#: Longest header that is believed [blocks]: 36 cards a block.
_MOST_BLOCKS = 1000
_MOST_HDUS = 200
_END = b"END" + b" " * 77
#: The usual ways to write a value (FITS Standard 4.0, sect. 4.2); anything else is left to astropy.
_STRING = re.compile(r" *'((?:[^']|'')*)' *(?:/|$)")
_NUMBER = re.compile(r" *([+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?) *(?:/|$)", re.ASCII)
_LOGICAL = re.compile(r" *([TF]) *(?:/|$)")

Value = str | float | bool | None


class HeaderTrouble(Exception):
    """A file or header that can't be used; `notice` says why."""

    def __init__(self, code: ImageCode, **values: NoticeValue) -> None:
        super().__init__(str(code))
        self.notice = warning(code, **values)


@dataclass(frozen=True)
class Cards:
    """The cards of one header, ``END`` not among them."""

    block: bytes = field(repr=False)  # whole cards, of ASCII only
    _names: list[str] = field(repr=False)  # the keyword of each card
    _at: dict[str, int] = field(repr=False)  # where the first card of each keyword begins

    @classmethod
    def of(cls, block: bytes) -> Cards:
        """Index whole cards by their keyword; of a repeated keyword, the first counts."""
        text = block.decode("latin-1")
        starts = range(0, len(text), CARD)
        names = [text[start : start + 8].rstrip() for start in starts]
        at = dict(zip(reversed(names), reversed(starts), strict=True))
        return cls(block if block.isascii() else _ascii(block), names, at)

    def __contains__(self, keyword: str) -> bool:
        return keyword in self._at or (len(keyword) > 8 and self._long(keyword) is not None)

    def has_any(self, pattern: re.Pattern[str]) -> bool:
        """Tell whether a keyword matches a pattern; it is looked for in all keywords, each between blanks."""
        return pattern.search(f" {' '.join(self._at)} ") is not None

    def without(self, pattern: re.Pattern[str]) -> bytes:
        """Return the cards without those whose keyword matches a pattern as a whole."""
        starts = range(0, len(self.block), CARD)
        kept = [s for name, s in zip(self._names, starts, strict=True) if not pattern.fullmatch(name)]
        return b"".join([self.block[start : start + CARD] for start in kept])

    def value(self, keyword: str) -> Value:
        """Return a keyword's value: text, a number, true or false; None without the keyword or a value.

        Keywords longer than eight characters are looked for as ``HIERARCH`` keywords.
        """
        if len(keyword) > 8:
            return self._long(keyword)
        start = self._at.get(keyword)
        return None if start is None else _value(self.block[start : start + CARD])

    def text(self, keyword: str) -> str:
        """Return a keyword's value as text, "" without one; numbers are shown as short as they can be."""
        value = self.value(keyword)
        if value is None:
            return ""
        if isinstance(value, float):
            return str(int(value)) if abs(value) < 1e15 and value == int(value) else repr(value)
        return str(value).strip()

    def number(self, keyword: str) -> float | None:
        """Return a keyword's value as a number, or None when it is none."""
        value = self.value(keyword)
        if isinstance(value, float):
            return value
        if isinstance(value, str):  # a number between quotes
            match = _NUMBER.fullmatch(value)
            return float(match[1].upper().replace("D", "E")) if match else None
        return None

    def whole(self, keyword: str, missing: int = 0) -> int:
        """Return a keyword's value as a whole number."""
        value = self.number(keyword)
        return missing if value is None else int(value)

    def _long(self, keyword: str) -> Value:
        from astropy.io import fits

        if "HIERARCH" not in self._at:
            return None
        wanted = keyword.upper().removeprefix("HIERARCH ").strip()
        for start in range(0, len(self.block), CARD):
            card = self.block[start : start + CARD]
            if card.startswith(b"HIERARCH"):
                one = fits.Card.fromstring(card)
                if str(one.keyword).upper() == wanted:
                    return _plain(one.value)
        return None


@dataclass(frozen=True)
class ImageHeader:
    """The header of an image: its axes, its own cards and those of the primary header before it.

    `axes` is NAXIS1, NAXIS2, ... of the image, also of a compressed one.
    """

    axes: tuple[int, ...]
    own: Cards = field(repr=False)
    primary: Cards | None = field(repr=False, default=None)
    hdu: int = 0  # counted from 0, the primary

    def header_with(self, keyword: str) -> Cards | None:
        """Return the header that has a keyword: the image's own, else the primary, else None."""
        if keyword in self.own:
            return self.own
        return self.primary if self.primary is not None and keyword in self.primary else None

    def value(self, keyword: str) -> Value:
        """Return a value from the image's own header, else from the primary one."""
        cards = self.header_with(keyword)
        return None if cards is None else cards.value(keyword)

    def text(self, keyword: str) -> str:
        """Return a value as text, "" without one."""
        cards = self.header_with(keyword)
        return "" if cards is None else cards.text(keyword)

    def number(self, keyword: str) -> float | None:
        """Return a value as a number, or None."""
        cards = self.header_with(keyword)
        return None if cards is None else cards.number(keyword)


def image_headers(path: Path) -> Iterator[ImageHeader]:
    """Yield the header of each image in a file, in their order; pixels are skipped.

    Raises
    ------
    HeaderTrouble
        If the file is no FITS file, or a header is cut off or broken.
    OSError
        If the file can't be read.
    """
    with path.open("rb") as plain:
        zipped = plain.read(2) == _GZIP
        plain.seek(0)
        if not zipped:
            yield from _images(plain)
            return
        with gzip.GzipFile(fileobj=plain) as unzipped:
            try:
                yield from _images(unzipped)
            except (EOFError, gzip.BadGzipFile, zlib.error) as error:
                raise HeaderTrouble(ImageCode.GZIP_BROKEN, error=str(error)) from error


def all_headers(path: Path) -> Iterator[ImageHeader]:
    """Yield the headers of a file that holds nothing but headers, such as the WCS of an image beside it.

    Raises
    ------
    HeaderTrouble
        If the file is no FITS file, or a header is cut off or broken.
    OSError
        If the file can't be read.
    """
    with path.open("rb") as file:
        cards = _next_header(file, first=True)
        if cards is not None:
            yield ImageHeader((), cards)


def _images(file: IO[bytes] | gzip.GzipFile) -> Iterator[ImageHeader]:
    primary: Cards | None = None
    for number in range(_MOST_HDUS):
        cards = _next_header(file, first=number == 0)
        if cards is None:
            return
        axes = _image_axes(cards, number)
        if axes:
            yield ImageHeader(axes, cards, primary, number)
        if number == 0:
            primary = cards
        file.seek(_data_blocks(cards) * BLOCK, 1)


def _next_header(file: IO[bytes] | gzip.GzipFile, first: bool) -> Cards | None:
    """Read header blocks up to the END card; None at the end of the file."""
    blocks: list[bytes] = []
    for _ in range(_MOST_BLOCKS):
        block = file.read(BLOCK)
        if not blocks:
            _check_beginning(block, first)
            if not block.startswith((*_FIRST, b"XTENSION=")):
                return None  # the file's end, or special records after the last extension
        if not block:
            raise HeaderTrouble(ImageCode.CUT_OFF)
        blocks.append(block)
        end = _end_in(block)
        if end >= 0:
            whole = b"".join(blocks)
            return Cards.of(whole[: len(whole) - len(block) + end])
    raise HeaderTrouble(ImageCode.NO_END, blocks=_MOST_BLOCKS)


def _check_beginning(block: bytes, first: bool) -> None:
    if first and not block:
        raise HeaderTrouble(ImageCode.EMPTY)
    if first and not block.startswith(_FIRST):
        raise HeaderTrouble(ImageCode.NOT_FITS)


def _end_in(block: bytes) -> int:
    """Return where the END card begins within a block, or -1."""
    start = block.find(b"END     ")
    while start >= 0 and (start % CARD or not _END.startswith(block[start : start + CARD])):
        start = block.find(b"END     ", start + 1)
    return start


def _image_axes(cards: Cards, number: int) -> tuple[int, ...]:
    """Return an image's axes, or () when the header belongs to no image."""
    if number and cards.text("XTENSION") == "BINTABLE":
        return _axes(cards, "ZNAXIS") if cards.value("ZIMAGE") is True else ()
    if number and cards.text("XTENSION") not in ("IMAGE", "IUEIMAGE"):
        return ()
    return _axes(cards, "NAXIS")


def _axes(cards: Cards, name: str) -> tuple[int, ...]:
    count = cards.whole(name)
    if not 0 <= count <= 999:
        raise HeaderTrouble(ImageCode.AXES_BROKEN, keyword=name, value=count)
    return tuple(cards.whole(f"{name}{axis}") for axis in range(1, count + 1))


def _data_blocks(cards: Cards) -> int:
    """Return how many blocks of data follow a header (FITS Standard 4.0, eq. 1 and 2)."""
    axes = _axes(cards, "NAXIS")
    if not axes:
        return 0
    if axes[0] == 0 and cards.value("GROUPS") is True:  # random groups, sect. 6
        axes = axes[1:]
    values = 1
    for length in axes:
        values *= max(length, 0)
    bits = abs(cards.whole("BITPIX")) * cards.whole("GCOUNT", 1) * (cards.whole("PCOUNT") + values)
    return -(-max(bits, 0) // (8 * BLOCK))


def _value(card: bytes) -> Value:
    text = card.decode("latin-1")
    if text[8:10] != "= ":
        return None
    field_text = text[10:]
    if match := _STRING.match(field_text):
        if (
            match[1].rstrip().endswith("&")
        ):  # it may go on in CONTINUE cards, but no keyword that we read is that long
            return match[1].rstrip().removesuffix("&").replace("''", "'").rstrip()
        return match[1].replace("''", "'").rstrip()
    if match := _NUMBER.match(field_text):
        return float(match[1].upper().replace("D", "E"))
    if match := _LOGICAL.match(field_text):
        return match[1] == "T"
    return _unusual_value(card)


def _unusual_value(card: bytes) -> Value:
    """Let astropy try a value that is not written by the rules."""
    from astropy.io import fits

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return _plain(fits.Card.fromstring(card).value)
        except (fits.VerifyError, ValueError, TypeError):
            return None


def _plain(value: object) -> Value:
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, (int, float)):
        return float(value)
    return value if isinstance(value, str) else None


def _ascii(block: bytes) -> bytes:
    """Put a question mark for every byte that FITS does not allow (comments in other alphabets)."""
    return block.decode("ascii", "replace").replace("\ufffd", "?").encode("ascii")
