"""Numbers and angles as people write them -> numbers in the contract's unit.

An angle may stand in decimals or in parts of sixty, with colons, blanks, letters or signs between the parts:
``12:34:56.7``, ``12 34 56,7``, ``12h34m56.7s``, ``-05°12'30"``, ``12h 34.5m``.  Parts of sixty count hours
where the column's unit is hours, else degrees; a letter or sign that says otherwise makes the cell bad.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drift.logs import values
from drift.logs.alike import Alike
from drift.logs.units import own_unit, to_contract, unit_of

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

    column: str  # the contract's column that they become
    unit: str = ""  # one of `units_for(column)`; "" for numbers without one
    decimal: str = "."

    def read(self, cells: list[str]) -> tuple[Numbers, Mask]:
        """Read cells: values in the contract's unit (NaN where there is none), and which are no number."""
        own = own_unit(self.column)
        plain = self._point(cells)
        try:
            found = np.fromiter(map(float, plain), np.float64, len(plain))
            if np.isfinite(found).all() and not self._strange(cells):
                return to_contract(found, self.unit, self.column) + 0.0, np.zeros(len(cells), dtype=bool)
        except ValueError:
            pass
        if own is not None and own.dimension == "angle":
            quick = self._alike(cells)
            if quick is not None:
                return quick, np.zeros(len(cells), dtype=bool)
        found = np.array([self._one(cell) for cell in cells], dtype=np.float64)
        blank = np.array([not cell for cell in cells], dtype=bool)
        return found + 0.0, np.isnan(found) & ~blank

    def convert(self, found: Numbers) -> Numbers:
        """Turn numbers that are numbers already into the contract's unit."""
        return to_contract(found, self.unit, self.column) + 0.0

    def why(self, cell: str) -> str:
        """Say why a cell is no number here."""
        match = PARTS.fullmatch(cell)
        if match and match["mark"]:
            return f"is written in another unit than the column's, which is {self.unit}"
        if match:
            return "has parts of sixty that do not fit: minutes and seconds stay below 60"
        if self.decimal == "," and re.fullmatch(r"[+-]?\d+\.\d+", cell):
            return "has a decimal point, where the other numbers of this file have commas"
        return values.why_no_number(cell)

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
        if match and own is not None and own.dimension == "angle":
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
            if not unit:
                return float("nan")
        return float(to_contract(np.array(float(number[1])), unit, self.column))

    def _mark_fits(self, match: re.Match[str]) -> bool:
        mark = (match["mark"] or "").lower()
        if not mark:
            return self.unit in ("hours", "degrees")
        return self.unit == ("hours" if mark[0] in "hʰ" else "degrees")

    def _from_parts(self, size: Numbers) -> Numbers:
        return to_contract(size, self.unit, self.column)


def _fraction(alike: Alike, span: tuple[int, int]) -> Numbers:
    return alike.number(span) / 10.0 ** max(span[1] - span[0], 0)


def _of_parts(match: re.Match[str]) -> float:
    """Return whole plus parts of sixty, NaN where a part is 60 or more.

    Seconds of exactly 60 come from programs that round after they split, and mean the next minute.
    """
    if match["minute_part"] and match["seconds"]:
        return float("nan")
    minutes = float(f"{match['minutes']}.{match['minute_part'] or 0}")
    seconds = float(f"{match['seconds'] or 0}.{match['second_part'] or 0}")
    if minutes > 60.0 or seconds > 60.0:
        return float("nan")
    size = int(match["whole"]) + minutes / 60.0 + seconds / 3600.0
    return -size if match["sign"] and match["sign"] in "-\u2212" else size
