"""The layout of a kind of log, the cells of a file while its rows are checked, and plausible ranges."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.codes import Reports
from drift.ingest import values
from drift.ingest.units import HPA_PER_INHG
from drift.ingest.values import Ready
from drift.notices import IngestCode, Notice, warning
from drift.readings import Columns

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- The plausible range of each number, and the likely slip behind a value outside it.


class Quantity(StrEnum):
    """The quantity that a range is for."""

    RIGHT_ASCENSION = "right_ascension"
    DECLINATION = "declination"
    TEMPERATURE = "temperature"
    PRESSURE = "pressure"
    BEARING = "bearing"
    POSITION_ANGLE = "position_angle"
    EXPOSURE = "exposure"
    SIGMA = "sigma"
    OFFSET = "offset"
    AXIS_ERROR = "axis_error"
    THICKNESS = "thickness"
    TURNS = "turns"
    SNOW = "snow"
    FACE = "face"


class Slip(StrEnum):
    """What may have happened to a value outside its range."""

    NONE = ""
    FULL_TURN = "full_turn"
    NEGATIVE_TURN = "negative_turn"
    FAHRENHEIT = "fahrenheit"
    KELVIN = "kelvin"
    INCHES_OF_MERCURY = "inches_of_mercury"
    SEA_LEVEL = "sea_level"


def _no_slip(value: float) -> Slip:
    return Slip.NONE


@dataclass(frozen=True)
class Limits:
    """The plausible range of a number, in our unit; `slip` names the likely slip behind a value outside."""

    low: float
    high: float
    quantity: Quantity
    open_high: bool = False
    open_low: bool = False
    slip: Callable[[float], Slip] = field(default=_no_slip, repr=False)
    elevation_m: float | None = None  # of the site, where the range depends on it

    def outside(self, values: np.ndarray) -> np.ndarray:
        """Tell which values lie outside; NaN does not."""
        below = values <= self.low if self.open_low else values < self.low
        above = values >= self.high if self.open_high else values > self.high
        return below | above

    def reason(self, value: float) -> Notice:
        """Return the reason: what is allowed, and what may have happened."""
        return warning(
            IngestCode.OUT_OF_RANGE,
            quantity=self.quantity,
            low=self.low,
            high=self.high if math.isfinite(self.high) else None,
            slip=self.slip(value),
            **({} if self.elevation_m is None else {"elevation_m": self.elevation_m}),
        )


#: How far a true station pressure may lie from the standard atmosphere's at the site: weather moves it
#: by 5 % at most, the rest allows for a rough elevation.
PRESSURE_LEEWAY = 0.15


def _ra_slip(value: float) -> Slip:
    if value == 360.0:
        return Slip.FULL_TURN
    return Slip.NEGATIVE_TURN if -180.0 <= value < 0.0 else Slip.NONE


def _temperature_slip(value: float) -> Slip:
    if 60.0 < value <= 130.0:
        return Slip.FAHRENHEIT
    return Slip.KELVIN if 180.0 <= value <= 335.0 else Slip.NONE


RIGHT_ASCENSION = Limits(0.0, 360.0, Quantity.RIGHT_ASCENSION, open_high=True, slip=_ra_slip)
DECLINATION = Limits(-90.0, 90.0, Quantity.DECLINATION)
TEMPERATURE = Limits(-90.0, 60.0, Quantity.TEMPERATURE, slip=_temperature_slip)
BEARING = Limits(-180.0, 360.0, Quantity.BEARING)
POSITION_ANGLE = Limits(-360.0, 360.0, Quantity.POSITION_ANGLE)
EXPOSURE = Limits(0.0, 86_400.0, Quantity.EXPOSURE)
SIGMA = Limits(0.0, float("inf"), Quantity.SIGMA, open_low=True, open_high=True)
# Ten degrees: a value that far out for an axis, a pier or a star is in another unit or column.
OFFSET_ARCSEC = Limits(-36_000.0, 36_000.0, Quantity.OFFSET)
AXIS_ARCMIN = Limits(-600.0, 600.0, Quantity.AXIS_ERROR)
THICKNESS = Limits(-100.0, 100.0, Quantity.THICKNESS)
TURNS = Limits(-100.0, 100.0, Quantity.TURNS)
SNOW = Limits(0.0, 2_000.0, Quantity.SNOW)
FACE = Limits(0.0, 180.0, Quantity.FACE)


def standard_pressure_hpa(elevation_m: float) -> float:
    """Return the pressure of the standard atmosphere [hPa] at an elevation [m], valid up to 11 km.

    ISO 2533:1975 (also U.S. Standard Atmosphere 1976), troposphere: 1013.25 hPa at sea level,
    288.15 K, 6.5 K/km, exponent g M / (R L) = 5.25588.
    """
    return float(1013.25 * (1.0 - 0.0065 * elevation_m / 288.15) ** 5.25588)


def usual_temperatures_c(
    latitude_deg: float, elevation_m: float, day: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the lowest and the highest monthly mean temperature that is usual at a latitude in a season [C].

    Between inland and maritime places of the Earth, to some degrees; good enough to tell Celsius from
    Fahrenheit.  Annual means of 27 - 35 sin^2(latitude) and 27 - 29 sin^2(latitude), half swings between 6
    and 20 sin(latitude), warmest in late July or late January, 6.5 C less a kilometre up (ISO 2533).  The
    round values are from memory; Reykjavik, Brest, Phoenix and Minnesota lie within 8 degrees of these
    bounds.

    Parameters
    ----------
    day
        (n,) days since 1970-01-01.
    """
    sine = math.sin(math.radians(latitude_deg))
    season = np.cos(2.0 * np.pi * (day % 365.25 - 205.0) / 365.25) * np.sign(sine)  # 1 in summer
    up = 0.0065 * elevation_m
    lowest = 27.0 - 35.0 * sine**2 - up + abs(sine) * np.where(season > 0.0, 6.0, 20.0) * season
    highest = 27.0 - 29.0 * sine**2 - up + abs(sine) * np.where(season > 0.0, 18.0, 6.0) * season
    return lowest, highest


def station_pressure(elevation_m: float) -> Limits:
    """Return the plausible pressure at a site: within 300 to 1100 hPa and near the standard atmosphere's."""
    expected = standard_pressure_hpa(elevation_m)
    low = max(300.0, expected * (1.0 - PRESSURE_LEEWAY))
    high = min(1100.0, expected * (1.0 + PRESSURE_LEEWAY))

    def slip(value: float) -> Slip:
        if low <= value * HPA_PER_INHG <= high or 20.0 <= value <= 32.0:
            return Slip.INCHES_OF_MERCURY
        if high < value <= 1080.0 and value >= 950.0:
            return Slip.SEA_LEVEL
        return Slip.NONE

    return Limits(low, high, Quantity.PRESSURE, slip=slip, elevation_m=elevation_m)


# ---- The layout of a kind of log, and the circumstances in which it is read.


@dataclass(frozen=True)
class Circumstances:
    """The site and the present time, on which plausible values depend."""

    latitude_deg: float
    longitude_deg: float  # east positive
    elevation_m: float
    now_us: int
    timezone: str | None = None
    guided: bool = True  # a guide star is followed
    modelled: bool = False  # a model inside the mount moves its axes
    horizon_deg: tuple[tuple[float, float], ...] = ()  # the horizon of trees and houses: altitude by bearing

    @property
    def place(self) -> tuple[float, float, float]:
        """Latitude and longitude [deg], elevation [m]."""
        return self.latitude_deg, self.longitude_deg, self.elevation_m


def circumstances(site: PierFile, now_us: int) -> Circumstances:
    """Return the circumstances of a site file."""
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
    together: tuple[str, ...] = ()  # optional columns that come together or not at all

    @property
    def columns(self) -> tuple[str, ...]:
        """All column names that the layout knows."""
        return self.required + self.optional


# ---- The cells of one file while its rows are checked.
#
# A row that can't be used is *set aside*; a single value that can't be used, in a column that the row can
# do without, is *left out* and its row kept.  The first reason found for a row counts.


Mask = npt.NDArray[np.bool_]
Reason = Notice | Callable[[int], Notice]  # the same for all rows, or by the row's position

#: Times before this come from a clock that was not set: no log of solves is that old.
_EARLIEST_US = int(np.datetime64("1990-01-01", "us").astype(np.int64))
_BLANK = warning(IngestCode.BLANK)
_NO_TIME = warning(IngestCode.TIME_UNREADABLE)
_NO_DATE = warning(IngestCode.DATE_UNREADABLE)


class Cells:
    """The rows of one file under one layout; see the comment above."""

    def __init__(
        self,
        count: int,
        columns: Mapping[str, Ready],
        source: Callable[[str, int], str],
        names: Mapping[str, str] | None = None,
    ) -> None:
        """Start with the columns of a file.

        Parameters
        ----------
        count
            Rows of the file.
        columns
            Our column -> its values.
        source
            Returns the text of the cell of one of our columns in the row at a position.
        names
            Our column -> its name in the file, where that differs.
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
        """Whether the file has our own columns and no mapping."""
        return not self._names

    def called(self, column: str) -> str:
        """Return the name of a column for messages: the file's, else ours."""
        return self._names.get(column, column)

    def text(self, column: str) -> list[str]:
        """Return a text column's cells, blank ones when the file has no such column."""
        if column not in self._columns:
            return [""] * self.count
        texts = self._columns[column].values
        assert isinstance(texts, list), f"{column} holds numbers"
        return texts

    def set_aside(self, bad: Mask, column: str, reason: Reason) -> None:
        """Set aside the rows that are `bad` and were still good."""
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

    def decisive_number(self, column: str, limits: Limits) -> npt.NDArray[np.float64]:
        """Read an optional number that changes the row's meaning: a bad one sets the row aside."""
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
        """Return why a cell has no value: by the column's own spelling, else by ours."""
        why = self._columns[column].why
        if contract is not None and why is values.why_no_number:
            return contract
        return why(self.source(column, position))

    def _refuse_blank(self, column: str) -> None:
        if column in self._columns and self._columns[column].blank.any():
            self.set_aside(self._columns[column].blank, column, _BLANK)
