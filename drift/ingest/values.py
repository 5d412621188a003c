"""From text to numbers, angles, days and sides: the one place where a log's cells get a meaning."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.codes import AlsoWritten
from drift.ingest.units import Dimension, Unit, UnitName, dimension_of, own_unit, to_our_unit, unit_of
from drift.notices import IngestCode, Notice, warning
from drift.types import READING_COLUMNS

# ---- Cells that are all written alike, read at once.


_ZERO, _NINE, _PLUS, _MINUS = (ord(sign) for sign in "09+-")


class Alike:
    """Cells of one length with digits in the same places; a leading sign may differ."""

    def __init__(self, signs: npt.NDArray[np.uint8]) -> None:
        self._signs = signs

    @classmethod
    def of(cls, cells: list[str]) -> Alike | None:
        """Return cells as one, or None when they are not alike."""
        together = "".join(cells)
        if not cells or not cells[0] or len(together) != len(cells) * len(cells[0]) or not together.isascii():
            return None
        signs = np.frombuffer(together.encode(), dtype=np.uint8).reshape(len(cells), -1)
        digit = np.array([sign.isdigit() for sign in cells[0]], dtype=bool)
        if not (signs[:, digit] - _ZERO <= 9).all():
            return None
        fixed = ~digit
        if cells[0][0] in "+-":
            fixed[0] = False
            if not np.isin(signs[:, 0], (_PLUS, _MINUS)).all():
                return None
        if not (signs[:, fixed] == signs[0, fixed]).all():
            return None
        return cls(signs)

    def number(self, span: tuple[int, int]) -> npt.NDArray[np.int64]:
        """Return the whole number that stands between two places of each cell; 0 for no digits."""
        start, end = max(span[0], 0), max(span[1], 0)
        value = np.zeros(len(self._signs), dtype=np.int64)
        for place in range(start, end):
            value = value * 10 + (self._signs[:, place].astype(np.int64) - _ZERO)
        return value

    def negative(self) -> npt.NDArray[np.bool_]:
        """Tell which cells begin with a minus."""
        return self._signs[:, 0] == _MINUS


# ---- Numbers and angles.
#
# An angle may stand in decimals or in parts of sixty, with colons, blanks, letters or signs between the
# parts: ``12:34:56.7``, ``12 34 56,7``, ``12h34m56.7s``, ``-05°12'30"``, ``12h 34.5m``.  Parts of sixty
# count hours where the column's unit is hours, else degrees; a letter or sign that says otherwise makes the
# cell bad.


Numbers = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

PARTS = re.compile(
    r"(?P<sign>[+\-\u2212]?)\s*(?P<whole>\d{1,3})"
    r"(?:\s*(?P<mark>[hHʰ]r?|[dD](?:eg)?|[°º])\s*|\s*:\s*|\s+)"
    r"(?P<minutes>\d{1,2})(?:[.,](?P<minute_part>\d+))?"
    r"(?:(?:\s*(?:[mM](?:in)?|[ᵐ'′’])\s*|\s*:\s*|\s+)"
    r"(?:(?P<seconds>\d{1,2})(?:[.,](?P<second_part>\d*))?\s*(?:[sS](?:ec)?|''|[ˢ\"″”])?)?|)",
    re.ASCII,
)
#: A number with a point, and perhaps its unit.
NUMBER_AND_UNIT = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*)?", re.ASCII)


@dataclass(frozen=True)
class NumberSpelling:
    """How the numbers of a column are written."""

    column: str  # our column that they become
    unit: Unit | None = None  # one of `units_for(column)`; None: our own
    decimal: str = "."

    def read(self, cells: list[str]) -> tuple[Numbers, Mask]:
        """Read cells: values in our unit (NaN where there is none), and which are no number."""
        own = own_unit(self.column)
        plain = self._point(cells)
        try:
            found = np.fromiter(map(float, plain), np.float64, len(plain))
            if np.isfinite(found).all() and not self._strange(cells):
                return to_our_unit(found, self.unit, self.column) + 0.0, np.zeros(len(cells), dtype=bool)
        except ValueError:
            pass
        if own is not None and dimension_of(own) is Dimension.ANGLE:
            quick = self._alike(cells)
            if quick is not None:
                return quick, np.zeros(len(cells), dtype=bool)
        found = np.array([self._one(cell) for cell in cells], dtype=np.float64)
        blank = np.array([not cell for cell in cells], dtype=bool)
        return found + 0.0, np.isnan(found) & ~blank

    def convert(self, found: Numbers) -> Numbers:
        """Turn cells that are numbers already into our unit."""
        return to_our_unit(found, self.unit, self.column) + 0.0

    def why(self, cell: str) -> Notice:
        """Say why a cell is no number here."""
        match = PARTS.fullmatch(cell)
        if match and match["mark"]:
            return warning(IngestCode.NUMBER_IN_OTHER_UNIT, unit=str(self.unit or own_unit(self.column)))
        if match:
            return warning(IngestCode.PARTS_BEYOND_60)
        if self.decimal == "," and re.fullmatch(r"[+-]?\d+\.\d+", cell):
            return warning(IngestCode.NUMBER_WITH_POINT)
        return why_no_number(cell)

    def _point(self, cells: list[str]) -> list[str]:
        return [cell.replace(",", ".") for cell in cells] if self.decimal == "," else cells

    def _strange(self, cells: list[str]) -> bool:
        together = "".join(cells)
        return "_" in together or (self.decimal == "," and "." in together)

    def _alike(self, cells: list[str]) -> Numbers | None:
        """Read parts of sixty at once where all cells are written like the first."""
        match = PARTS.fullmatch(cells[0]) if cells else None
        if match is None or not self._mark_fits(match) or cells[0][0] == "\u2212":
            return None
        alike = Alike.of(cells)
        if alike is None:
            return None
        minutes, seconds = alike.number(match.span("minutes")), alike.number(match.span("seconds"))
        minute_part = _fraction(alike, match.span("minute_part"))
        second_part = _fraction(alike, match.span("second_part"))
        if (match["minute_part"] and match["seconds"]) or minutes.max() >= 60 or seconds.max() >= 60:
            return None
        size = alike.number(match.span("whole")) + (minutes + minute_part) / 60.0
        size = size + (seconds + second_part) / 3600.0
        return self._from_parts(np.where(alike.negative(), -size, size)) + 0.0

    def _one(self, cell: str) -> float:
        match = PARTS.fullmatch(cell)
        own = own_unit(self.column)
        if match and own is not None and dimension_of(own) is Dimension.ANGLE:
            size = _of_parts(match) if self._mark_fits(match) else np.nan
            return float(self._from_parts(np.array(size)))
        if self.decimal == "," and "." in cell:
            return float("nan")
        number = NUMBER_AND_UNIT.fullmatch(cell.replace(self.decimal, ".").replace("\u2212", "-"))
        if number is None or not np.isfinite(float(number[1])):
            return float("nan")
        unit = self.unit
        if number[2]:  # a unit in the cell itself
            unit = unit_of(number[2], self.column)
            if unit is None:
                return float("nan")
        return float(to_our_unit(np.array(float(number[1])), unit, self.column))

    def _mark_fits(self, match: re.Match[str]) -> bool:
        mark, name = (match["mark"] or "").lower(), self.unit.name if self.unit else None
        if not mark:
            return name in (UnitName.HOURS, UnitName.DEGREES)
        return name is (UnitName.HOURS if mark[0] in "hʰ" else UnitName.DEGREES)

    def _from_parts(self, size: Numbers) -> Numbers:
        return to_our_unit(size, self.unit, self.column)


def with_parts(cells: list[list[str]], signed: bool = False) -> list[str]:
    """Join the parts of an angle from several columns, the first perhaps a sign; ? for a missing one."""
    joined_rows = []
    for row in zip(*cells, strict=True):
        parts = row[1:] if signed else row
        text = " ".join(part or "?" for part in parts) if any(parts) else ""
        joined_rows.append(f"{row[0]}{text}" if signed and text else text)
    return joined_rows


def of_pair(cell: str, part: int) -> str:
    """Return the first or second angle of a cell that holds two, such as "12:34:56 +41:16:09"; "?" for none.

    They are separated by a comma or another character, by the sign of the second, or are halves of a row of
    numbers.
    """
    plain = cell.strip().strip("()[]").strip()
    if not plain:
        return ""
    halves = [one.strip() for one in _BETWEEN.split(plain)]
    if len(halves) != 2:
        words = plain.split()
        half = len(words) // 2
        halves = [" ".join(words[:half]), " ".join(words[half:])] if words and len(words) % 2 == 0 else []
    named = [re.sub(r"^(?:ra|dec|de|alpha|delta)\s*[=:]?\s*", "", one, flags=re.IGNORECASE) for one in halves]
    return named[part - 1] if len(named) == 2 and all(named) else "?"


def _fraction(alike: Alike, span: tuple[int, int]) -> Numbers:
    return alike.number(span) / 10.0 ** max(span[1] - span[0], 0)


def _of_parts(match: re.Match[str]) -> float:
    """Return whole plus parts of sixty, NaN where a part is 60 or more.

    Seconds of exactly 60 come from programs that split before they round, and mean the next minute.
    """
    if match["minute_part"] and match["seconds"]:
        return float("nan")
    minutes = float(f"{match['minutes']}.{match['minute_part'] or 0}")
    seconds = float(f"{match['seconds'] or 0}.{match['second_part'] or 0}")
    if minutes > 60.0 or seconds > 60.0:
        return float("nan")
    size = int(match["whole"]) + minutes / 60.0 + seconds / 3600.0
    return -size if match["sign"] and match["sign"] in "-\u2212" else size


# ---- The side of the pier that the tube is on.


class SideMeans(AlsoWritten):
    """The meaning of a column of sides."""

    ON = "tube_on"  # the side that the tube is on
    LOOKS = "tube_looks_to"

    @classmethod
    def once_called(cls) -> dict[str, str]:
        """Return former names of members."""
        on, looks = cls.ON, cls.LOOKS
        return {"on": on, "the_side_the_tube_is_on": on, "to": looks, "the_side_the_tube_looks_to": looks}


ON, LOOKS = SideMeans
_EAST = frozenset({"east", "e", "piereast", "eastofpier", "ost", "o", "est", "0"})
_WEST = frozenset({"west", "w", "pierwest", "westofpier", "ouest", "oeste", "1"})
#: Minus one says "not known" where 0 is east and 1 is west (common practice of mount drivers).
_UNKNOWN = frozenset({"", "unknown", "pierunknown", "-1", "?", "none", "n/a", "-", "--"})


class TubeSide(StrEnum):
    """The side of the pier that the tube is on."""

    EAST = "east"  # it then looks west
    WEST = "west"
    NOT_KNOWN = ""


#: The other side.
OTHER_SIDE = {TubeSide.EAST: TubeSide.WEST, TubeSide.WEST: TubeSide.EAST}


def side_of(cell: str, meaning: str = ON) -> TubeSide | None:
    """Return the side that the tube is on, None for a word that names none."""
    plain = re.sub(r"[\s_.]", "", cell).lower()
    if plain in _UNKNOWN:
        return TubeSide.NOT_KNOWN
    side = TubeSide.EAST if plain in _EAST else TubeSide.WEST if plain in _WEST else None
    return OTHER_SIDE[side] if side and meaning == LOOKS else side


# ---- Numbers, times and dates as our own logs write them.
#
# Each function takes a list of cells with surrounding blanks removed and returns
# arrays of the same length.  Nothing raises for a bad cell; the caller decides
# what a bad cell means for its row.


_TIME = re.compile(
    r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(?::\d\d(?:[.,]\d{1,9})?)?(?P<zone> ?[Zz]|[+-]\d\d(?::?\d\d)?)?", re.ASCII
)
#: The spelling of nearly all logs, which needs no further check.
_ZULU = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,9})?Z", re.ASCII)
_DATE = re.compile(r"\d{4}-\d\d-\d\d", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_TRUE = frozenset({"true", "1", "yes", "y", "t", "ok", "success", "successful", "solved"})
_FALSE = frozenset({"false", "0", "no", "n", "f", "fail", "failed", "failure", "error", "unsolved"})
#: What may stand between a right ascension and a declination in one cell.
_BETWEEN = re.compile(r"\s*[,;/|]\s*|\s+(?=[+\-\u2212])|(?<=[\d.ms\"\u2033])(?=[+\-\u2212])")

US_PER_SECOND = 1_000_000
US_PER_DAY = 86_400 * US_PER_SECOND


@dataclass(frozen=True)
class Times:
    """Instants: UTC microseconds since 1970-01-01, and which cells are none."""

    us: npt.NDArray[np.int64]  # 0 where there is no time
    unreadable: Mask
    naive: Mask  # readable, but without Z or an offset: the instant is unknown


def parse_times(cells: list[str]) -> Times:
    """Read ISO 8601 times with ``Z`` or an offset from UTC, such as ``2024-03-01T22:14:05.5Z``."""
    none = np.zeros(len(cells), dtype=bool)
    if _all_alike(cells):
        return _instants(cells, none)
    found = [_TIME.fullmatch(cell) for cell in cells]
    naive = np.array([match is not None and match["zone"] is None for match in found], dtype=bool)
    texts = [cell if match and match["zone"] else "" for cell, match in zip(cells, found, strict=True)]
    return _instants([text.upper().replace(",", ".").replace(" Z", "Z") for text in texts], naive)


def _all_alike(cells: list[str]) -> bool:
    """Tell whether all cells are written like the first one, and that one in the usual way.

    Looks at all characters at once: digits where the first cell has digits, else the same sign.
    """
    together = "".join(cells)
    if not cells or len(together) != len(cells) * len(cells[0]) or not together.isascii():
        return False
    signs = np.frombuffer(together.encode(), dtype=np.uint8).reshape(len(cells), -1)
    digit = np.array([sign.isdigit() for sign in cells[0]], dtype=bool)
    alike = (signs[:, ~digit] == signs[0, ~digit]).all() and (signs[:, digit] - ord("0") <= 9).all()
    return bool(alike) and _ZULU.fullmatch(cells[0]) is not None


def _instants(texts: list[str], naive: Mask) -> Times:
    import pandas as pd

    stamps = pd.to_datetime(pd.Series(texts, dtype=object), utc=True, format="ISO8601", errors="coerce")
    none = stamps.isna().to_numpy()
    us = stamps.fillna(pd.Timestamp(0, tz="UTC")).dt.tz_convert(None).to_numpy().astype("datetime64[us]")
    return Times(us.astype(np.int64), none & ~naive, naive)


def parse_days(cells: list[str]) -> tuple[npt.NDArray[np.int64], Mask]:
    """Read calendar dates such as ``2024-03-01``: days since 1970-01-01, and which cells are none."""
    import pandas as pd

    texts = [cell if _DATE.fullmatch(cell) else "" for cell in cells]
    stamps = pd.to_datetime(pd.Series(texts, dtype=object), format="%Y-%m-%d", errors="coerce")
    none = stamps.isna().to_numpy()
    days = stamps.fillna(pd.Timestamp(0)).to_numpy().astype("datetime64[D]").astype(np.int64)
    return days, none


def parse_numbers(cells: list[str]) -> tuple[npt.NDArray[np.float64], Mask]:
    """Read decimal numbers: values (NaN where there is none), and which cells are no finite number.

    A blank cell is NaN and not counted as bad.
    """
    try:
        values = np.fromiter(map(float, cells), np.float64, len(cells))
        if np.isfinite(values).all() and "_" not in "".join(cells):
            return values + 0.0, np.zeros(len(cells), dtype=bool)  # + 0.0 turns -0 into 0
    except ValueError:
        pass
    values = np.array([_number(cell) for cell in cells], dtype=np.float64)
    blank = np.array([not cell for cell in cells], dtype=bool)
    return values + 0.0, np.isnan(values) & ~blank


def _number(cell: str) -> float:
    if not _NUMBER.fullmatch(cell):
        return float("nan")
    value = float(cell)
    return value if abs(value) < float("inf") else float("nan")


def parse_flags(cells: list[str]) -> tuple[npt.NDArray[np.float64], Mask]:
    """Read true/false: 1, 0 or NaN for blank, and which cells are none of these."""
    low = [cell.lower() for cell in cells]
    values = np.array([_flag(cell) for cell in low], dtype=np.float64)
    blank = np.array([not cell for cell in low], dtype=bool)
    return values, np.isnan(values) & ~blank


def are_flags(cells: Sequence[str]) -> bool:
    """Tell whether nearly all cells that aren't blank say true or false, in words or with both values."""
    given = [cell for cell in cells if cell]
    bad = parse_flags(given)[1] if given else np.ones(1, dtype=bool)
    return bool(given) and float(bad.mean()) <= 0.05


def _flag(cell: str) -> float:
    if cell in _TRUE:
        return 1.0
    return 0.0 if cell in _FALSE else float("nan")


def why_no_number(cell: str) -> Notice:
    """Say why a cell is not a number, with the likely slip."""
    if cell.lower().lstrip("+-") in {"nan", "inf", "infinity"}:
        return warning(IngestCode.NUMBER_NOT_FINITE)
    if ":" in cell or re.search(r"\d\s*[dhm°]", cell):
        return warning(IngestCode.NUMBER_IN_PARTS)
    if re.fullmatch(r"[+-]?\d+,\d+", cell):
        return warning(IngestCode.NUMBER_WITH_COMMA)
    return warning(IngestCode.NUMBER_UNREADABLE)


# ---- One column as values, before any check of whether they are plausible.


_READINGS_NAMES = {"time_utc": "time_us", "date": "day"}


@dataclass(frozen=True)
class Ready:
    """Values of one column; `bad` marks cells without one, and `why` gives the reason by a cell's text."""

    values: npt.NDArray[Any] | list[str] = field(repr=False)
    bad: Mask = field(repr=False)
    blank: Mask = field(repr=False)
    naive: Mask | None = field(repr=False, default=None)  # of times: no zone is known
    why: Callable[[str], Notice] = field(repr=False, default=why_no_number)


class Sort(StrEnum):
    """What one of our columns holds."""

    TIME = "time"
    DAY = "day"
    TEXT = "text"
    FLAG = "flag"
    NUMBER = "number"


def sort_of(kind: str, column: str) -> Sort:
    """Return what a column of a kind of log holds."""
    if column == "time_utc":
        return Sort.TIME
    if column == "date":
        return Sort.DAY
    if column in ("before_sync", "success"):
        return Sort.FLAG
    is_text = READING_COLUMNS[kind].get(_READINGS_NAMES.get(column, column)) == "text"
    return Sort.TEXT if is_text else Sort.NUMBER


def read_plain(cells: list[str], sort: Sort) -> Ready:
    """Read cells that are written as drift writes them."""
    blank = blanks(cells)
    none = np.zeros(len(cells), dtype=bool)
    if sort is Sort.TIME:
        times = parse_times(cells)
        return Ready(times.us, times.unreadable, blank, times.naive)
    if sort is Sort.DAY:
        days, bad = parse_days(cells)
        return Ready(days, bad, blank)
    if sort is Sort.FLAG:
        flags, bad = parse_flags(cells)
        return Ready(flags, bad, blank)
    if sort is Sort.NUMBER:
        numbers, bad = parse_numbers(cells)
        return Ready(numbers, bad, blank)
    return Ready(cells, none, blank)


def blanks(cells: list[str]) -> Mask:
    """Tell which cells are blank."""
    if "" not in cells:
        return np.zeros(len(cells), dtype=bool)
    return np.array([not cell for cell in cells], dtype=bool)


def joined(parts: Sequence[Ready]) -> Ready:
    """Put the parts of a column one after the other."""
    if len(parts) == 1:
        return parts[0]
    first = parts[0]
    together: npt.NDArray[Any] | list[str]
    if isinstance(first.values, list):
        known: dict[str, str] = {}  # equal texts are kept once
        together = [known.setdefault(text, text) for part in parts for text in part.values]
    else:
        together = np.concatenate([part.values for part in parts])
    naive = None
    if first.naive is not None:
        naive = np.concatenate([part.naive for part in parts if part.naive is not None])
    return Ready(
        together,
        np.concatenate([part.bad for part in parts]),
        np.concatenate([part.blank for part in parts]),
        naive,
        first.why,
    )
