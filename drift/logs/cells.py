"""The cells of one file while its rows are checked: what is read, set aside, left out and remarked on.

A row that can't be used is *set aside*; a single value that can't be used, in a
column that the row can do without, is *left out* and its row kept.  The first
reason found for a row is the one that is kept.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from drift.logs import values
from drift.logs.layout import Layout, Limits
from drift.logs.records import Records

Mask = npt.NDArray[np.bool_]
Reason = str | Callable[[int], str]  # the same for all rows, or by the row's position

#: Before this a clock was not set: no log of solves is that old.
_EARLIEST_US = int(np.datetime64("1990-01-01", "us").astype(np.int64))
_NO_ZONE = (
    "has no time zone: write UTC with a Z at the end (2024-03-01T22:14:05Z) or local time with its offset "
    "(2024-03-01T23:14:05+01:00)"
)
_NO_TIME = "is not an ISO 8601 time such as 2024-03-01T22:14:05.5Z"


class Cells:
    """The rows of one file under one layout; see the module's text."""

    def __init__(self, records: Records, layout: Layout) -> None:
        self.count = len(records.raws)
        self.good: Mask = np.ones(self.count, dtype=bool)
        self.aside: dict[int, tuple[str, str]] = {}  # position -> column, reason
        self.left_out: list[tuple[int, str, str]] = []  # position, column, reason
        self.remarks: list[str] = []
        names = [name.lower() for name in records.header]
        self._texts = {name: records.columns[names.index(name)] for name in layout.columns if name in names}
        self._blank = [""] * self.count
        for position, cells in records.surplus.items():
            reason = f"the row has {cells} cells, the header {len(names)}: quote a text that holds a comma"
            self.good[position] = False
            self.aside[position] = ("", reason)

    def text(self, column: str) -> list[str]:
        """Return a column's cells, blank ones when the file has no such column."""
        return self._texts.get(column, self._blank)

    def set_aside(self, bad: Mask, column: str, reason: Reason) -> None:
        """Set the rows aside that are `bad` and were still good."""
        for position in np.flatnonzero(bad & self.good).tolist():
            self.aside[position] = (column, reason if isinstance(reason, str) else reason(position))
        self.good &= ~bad

    def leave_out(self, bad: Mask, column: str, reason: Reason) -> None:
        """Note that a value is left out of the rows that are `bad` and kept."""
        for position in np.flatnonzero(bad & self.good).tolist():
            self.left_out.append((position, column, reason if isinstance(reason, str) else reason(position)))

    def time(self, now_us: int, column: str = "time_utc") -> npt.NDArray[np.int64]:
        """Read the instants [UTC microseconds since 1970]; rows without a plausible one are set aside."""
        cells = self.text(column)
        times = values.parse_times(cells)
        self._refuse_blank(column)
        self.set_aside(times.naive, column, _NO_ZONE)
        self.set_aside(times.unreadable, column, _NO_TIME)
        self.set_aside(times.us < _EARLIEST_US, column, "is before 1990: was the clock not set?")
        late = times.us > now_us + values.US_PER_DAY
        self.set_aside(late, column, "is more than a day in the future: was the clock set wrong?")
        return times.us

    def number(self, column: str, limits: Limits) -> npt.NDArray[np.float64]:
        """Read a required number; rows without a plausible one are set aside."""
        numbers = self._strict_number(column, limits)
        if np.isnan(numbers).any():
            self._refuse_blank(column)
        return numbers

    def telling_number(self, column: str, limits: Limits) -> npt.NDArray[np.float64]:
        """Read an optional number that changes what the row means: a bad one sets the row aside."""
        return self._strict_number(column, limits)

    def spare_number(self, column: str, limits: Limits) -> npt.NDArray[np.float64]:
        """Read an optional number that the row can do without: NaN for blank, a bad one is left out."""
        numbers, bad = self._numbers(column)
        outside = limits.outside(numbers)
        if not (bad.any() or outside.any()):
            return numbers
        cells = self.text(column)
        self.leave_out(bad, column, lambda at: values.why_no_number(cells[at]))
        self.leave_out(outside, column, lambda at: limits.reason(float(numbers[at])))
        return np.where(outside, np.nan, numbers)

    def choice(self, column: str, allowed: Sequence[str], required: bool = False) -> list[str]:
        """Read one of a few words in any case, or "" for blank; another word sets the row aside."""
        if required:
            self._refuse_blank(column)
        cells, known = self.text(column), {"", *allowed}
        if known.issuperset(cells):
            return cells
        words = [cell.lower() for cell in cells]
        if not known.issuperset(words):
            bad = np.array([word not in known for word in words], dtype=bool)
            self.set_aside(bad, column, f"must be one of: {', '.join(allowed)}")
        return words

    def flag(self, column: str) -> npt.NDArray[np.float64]:
        """Read true/false as 1 and 0, NaN for blank; anything else sets the row aside."""
        if column not in self._texts:
            return np.full(self.count, np.nan)
        flags, bad = values.parse_flags(self._texts[column])
        self.set_aside(bad, column, "must be true or false (or 1, 0, yes, no)")
        return flags

    def label(self, column: str) -> list[str]:
        """Read a required label, any text."""
        self._refuse_blank(column)
        return self.text(column)

    def day(self, column: str, now_us: int) -> npt.NDArray[np.int64]:
        """Read calendar dates [days since 1970]; rows without a plausible one are set aside."""
        self._refuse_blank(column)
        days, none = values.parse_days(self.text(column))
        self.set_aside(none, column, "is not a calendar date such as 2024-03-01")
        late = days > now_us // values.US_PER_DAY + 1
        self.set_aside(late, column, "is more than a day in the future: only weather that has been is used")
        return days

    def _numbers(self, column: str) -> tuple[npt.NDArray[np.float64], Mask]:
        if column not in self._texts:
            return np.full(self.count, np.nan), np.zeros(self.count, dtype=bool)
        return values.parse_numbers(self._texts[column])

    def _strict_number(self, column: str, limits: Limits) -> npt.NDArray[np.float64]:
        numbers, bad = self._numbers(column)
        if bad.any():
            cells = self.text(column)
            self.set_aside(bad, column, lambda at: values.why_no_number(cells[at]))
        outside = limits.outside(numbers)
        if outside.any():
            self.set_aside(outside, column, lambda at: limits.reason(float(numbers[at])))
        return numbers

    def _refuse_blank(self, column: str) -> None:
        cells = self.text(column)
        if "" in cells:
            self.set_aside(np.array([not cell for cell in cells], dtype=bool), column, "is blank, and needed")
