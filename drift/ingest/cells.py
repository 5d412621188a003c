"""The layout of a kind of log, and the cells of one file while its rows are checked."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.codes import Reports
from drift.ingest import values
from drift.ingest.limits import Limits
from drift.ingest.values import Ready
from drift.notices import IngestCode, Notice, warning
from drift.readings import Columns

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- What a kind of log looks like, and the circumstances in which it is read.


@dataclass(frozen=True)
class Circumstances:
    """Where the site is and what time it is now: what plausible values depend on."""

    latitude_deg: float
    longitude_deg: float  # east positive
    elevation_m: float
    now_us: int
    timezone: str | None = None
    guided: bool = True  # a guide star is followed
    modelled: bool = False  # the mount's own model moves its axes
    horizon_deg: tuple[tuple[float, float], ...] = ()  # what trees and houses hide: altitude by bearing

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude and longitude [deg], elevation [m]."""
        return self.latitude_deg, self.longitude_deg, self.elevation_m


def circumstances(site: PierFile, now_us: int) -> Circumstances:
    """Take from a site file what plausible values depend on."""
    place = site.site
    return Circumstances(
        place.latitude_deg,
        place.longitude_deg,
        place.elevation_m,
        now_us,
        place.timezone,
        site.optics.guided,
        Reports(site.mount.reports) is Reports.MODELLED,
        tuple(site.horizon.altitude_deg),
    )


@dataclass(frozen=True)
class LogLayout:
    """The columns of one kind of log, and the function that reads and checks its rows."""

    kind: str  # the table of `drift.types.READING_COLUMNS` that it fills
    required: tuple[str, ...]
    optional: tuple[str, ...]
    read: Callable[[Cells, Circumstances], Columns] = field(repr=False)
    together: tuple[str, ...] = ()  # optional columns of which a file has all or none

    @property
    def columns(self) -> tuple[str, ...]:
        """All column names that the layout knows."""
        return self.required + self.optional


# ---- The cells of one file while its rows are checked: what is read, set aside, left out and remarked
# on.
#
# A row that can't be used is *set aside*; a single value that can't be used, in a
# column that the row can do without, is *left out* and its row kept.  The first
# reason found for a row is the one that is kept.


Mask = npt.NDArray[np.bool_]
Reason = Notice | Callable[[int], Notice]  # the same for all rows, or by the row's position

#: Before this a clock was not set: no log of solves is that old.
_EARLIEST_US = int(np.datetime64("1990-01-01", "us").astype(np.int64))
_BLANK = warning(IngestCode.BLANK)
_NO_TIME = warning(IngestCode.TIME_UNREADABLE)
_NO_DATE = warning(IngestCode.DATE_UNREADABLE)


class Cells:
    """The rows of one file under one layout; see the module's text."""

    def __init__(
        self,
        count: int,
        columns: Mapping[str, Ready],
        source: Callable[[str, int], str],
        names: Mapping[str, str] | None = None,
    ) -> None:
        """Take a file's columns in.

        Parameters
        ----------
        count
            Rows of the file.
        columns
            Contract column -> its values.
        source
            Gives the text that stood in a contract column's cell in the row at a position.
        names
            Contract column -> what it is called in the file, where that is not the same.
        """
        self.count = count
        self.good: Mask = np.ones(self.count, dtype=bool)
        self.aside: dict[int, tuple[str, Notice]] = {}  # position -> column, reason
        self.left_out: list[tuple[int, str, Notice]] = []  # position, column, reason
        self.remarks: list[Notice] = []
        self.source = source
        self._columns = dict(columns)
        self._names = dict(names or {})

    @property
    def is_own(self) -> bool:
        """Whether the file's columns are the contract's own, and nobody said how to read them."""
        return not self._names

    def called(self, column: str) -> str:
        """Return what people call a contract column: as the file does, else by its own name."""
        return self._names.get(column, column)

    def text(self, column: str) -> list[str]:
        """Return a text column's cells, blank ones when the file has no such column."""
        if column not in self._columns:
            return [""] * self.count
        texts = self._columns[column].values
        assert isinstance(texts, list), f"{column} holds numbers"
        return texts

    def set_aside(self, bad: Mask, column: str, reason: Reason) -> None:
        """Set the rows aside that are `bad` and were still good."""
        for position in np.flatnonzero(bad & self.good).tolist():
            self.aside[position] = (column, reason if isinstance(reason, Notice) else reason(position))
        self.good &= ~bad

    def leave_out(self, bad: Mask, column: str, reason: Reason) -> None:
        """Note that a value is left out of the rows that are `bad` and kept."""
        for position in np.flatnonzero(bad & self.good).tolist():
            why = reason if isinstance(reason, Notice) else reason(position)
            self.left_out.append((position, column, why))

    def time(self, now_us: int, column: str = "time_utc") -> npt.NDArray[np.int64]:
        """Read the instants [UTC microseconds since 1970]; rows without a plausible one are set aside."""
        times = self._columns[column]
        us = self._numbers_of(times)
        self._refuse_blank(column)
        if times.naive is not None:
            self.set_aside(times.naive, column, warning(IngestCode.TIME_WITHOUT_ZONE))
        self.set_aside(times.bad, column, lambda at: self._why(column, at, _NO_TIME))
        self.set_aside(us < _EARLIEST_US, column, warning(IngestCode.TIME_TOO_EARLY))
        late = us > now_us + values.US_PER_DAY
        self.set_aside(late, column, warning(IngestCode.TIME_IN_FUTURE))
        return us.astype(np.int64)

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
        self.leave_out(bad, column, lambda at: self._why(column, at))
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
            self.set_aside(bad, column, warning(IngestCode.NOT_ONE_OF, allowed=tuple(allowed)))
        return words

    def flag(self, column: str) -> npt.NDArray[np.float64]:
        """Read true/false as 1 and 0, NaN for blank; anything else sets the row aside."""
        flags, bad = self._numbers(column)
        self.set_aside(bad, column, warning(IngestCode.NOT_TRUE_OR_FALSE))
        return flags

    def label(self, column: str) -> list[str]:
        """Read a required label, any text."""
        self._refuse_blank(column)
        return self.text(column)

    def day(self, column: str, now_us: int) -> npt.NDArray[np.int64]:
        """Read calendar dates [days since 1970]; rows without a plausible one are set aside."""
        self._refuse_blank(column)
        found = self._columns[column]
        days = self._numbers_of(found).astype(np.int64)
        self.set_aside(found.bad, column, lambda at: self._why(column, at, _NO_DATE))
        late = days > now_us // values.US_PER_DAY + 1
        self.set_aside(late, column, warning(IngestCode.DATE_IN_FUTURE))
        return days

    def _numbers(self, column: str) -> tuple[npt.NDArray[np.float64], Mask]:
        if column not in self._columns:
            return np.full(self.count, np.nan), np.zeros(self.count, dtype=bool)
        found = self._columns[column]
        return self._numbers_of(found), found.bad

    @staticmethod
    def _numbers_of(found: Ready) -> npt.NDArray[np.float64]:
        assert isinstance(found.values, np.ndarray)
        return found.values

    def _strict_number(self, column: str, limits: Limits) -> npt.NDArray[np.float64]:
        numbers, bad = self._numbers(column)
        if bad.any():
            self.set_aside(bad, column, lambda at: self._why(column, at))
        outside = limits.outside(numbers)
        if outside.any():
            self.set_aside(outside, column, lambda at: limits.reason(float(numbers[at])))
        return numbers

    def _why(self, column: str, position: int, contract: Notice | None = None) -> Notice:
        """Say why a cell is no value: by the column's own spelling, else by the contract's."""
        why = self._columns[column].why
        if contract is not None and why is values.why_no_number:
            return contract
        return why(self.source(column, position))

    def _refuse_blank(self, column: str) -> None:
        if column in self._columns and self._columns[column].blank.any():
            self.set_aside(self._columns[column].blank, column, _BLANK)
