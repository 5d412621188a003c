"""From times as people write them to microseconds since 1970, also on days when clocks are changed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

from drift.codes import AlsoWritten
from drift.ingest.values import US_PER_DAY, US_PER_SECOND, Alike, Times
from drift.notices import IngestCode, Notice, warning

# ---- Times as people write them -> microseconds since 1970 on the clock that they were read from.
#
# A text is a date, a time of day and perhaps a zone, in one column or in two; a number counts days or
# seconds.  Which clock it was (UTC, a zone with summer time) is dealt with below.


Numbers = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_NAME = r"(?P<name>[A-Za-z]{3,9})\.?"
_MONTH = rf"(?:(?P<month>\d{{1,2}})|{_NAME})"


class DateOrder(AlsoWritten):
    """The order of the parts of a date."""

    YMD = "year_month_day"
    DMY = "day_month_year"
    MDY = "month_day_year"


#: Order -> the pattern of a date.
DATES = {
    DateOrder.YMD: rf"(?:(?P<year>\d{{4}}|\d\d)(?P<gap>[-/. ]){_MONTH}(?P=gap)(?P<day>\d{{1,2}})"
    r"|(?P<year_2>\d{4})(?P<month_2>\d\d)(?P<day_2>\d\d))",
    DateOrder.DMY: rf"(?P<day>\d{{1,2}})(?:[-/ ]|\. ?){_MONTH}(?:[-/ ]|\. ?)(?P<year>\d{{4}}|\d\d)",
    DateOrder.MDY: rf"{_MONTH}[-/. ](?P<day>\d{{1,2}})(?:,? |[-/.])(?P<year>\d{{4}}|\d\d)",
}
_CLOCK = (
    r"(?:(?P<hour>\d{1,2})(?:[:.]|h ?)(?P<minute>\d\d)(?:(?:[:.]|m ?|min ?)(?P<second>\d\d)"
    r"(?:[.,](?P<part>\d{1,12}))?s?)?"
    r"(?: ?(?P<noon>[AaPp])\.?[Mm]\.?)?"
    r"|(?P<hour_2>\d\d)(?P<minute_2>\d\d)(?P<second_2>\d\d)(?:[.,](?P<part_2>\d{1,12}))?)"
)
#: Names of clocks in text -> minutes from UTC; only unambiguous ones.  Whether it can be the site's clock
#: is checked with the site's zone (`clock_holds`).
CLOCKS = {
    "EST": -300, "EDT": -240, "CST": -360, "CDT": -300, "MST": -420, "MDT": -360, "PST": -480, "PDT": -420,
    "AKST": -540, "AKDT": -480, "HST": -600, "AST": -240, "ADT": -180, "NST": -210, "NDT": -150,
    "WET": 0, "WEST": 60, "BST": 60, "CET": 60, "CEST": 120, "MEZ": 60, "MESZ": 120, "EET": 120, "EEST": 180,
    "SAST": 120, "JST": 540, "KST": 540, "AWST": 480, "ACST": 570, "ACDT": 630, "AEST": 600, "AEDT": 660,
    "NZST": 720, "NZDT": 780,
}  # fmt: skip
#: Clocks whose German names differ from those of the zones.
_SAME_CLOCK = {"MEZ": "CET", "MESZ": "CEST"}
_ZONE = (
    r"(?: ?(?P<zone>[Zz]|UTC|UT|GMT|utc)| ?(?P<offset>[+-]\d\d(?::?\d\d)?)"
    rf"| ?\(?(?P<clock>{'|'.join(sorted(CLOCKS, key=len, reverse=True))})\)?)?"
)
_TEXTS = {
    order: re.compile(date + r"(?:[Tt_]|,? +)" + _CLOCK + _ZONE, re.ASCII) for order, date in DATES.items()
}
_DATE_ALONE = {order: re.compile(date, re.ASCII) for order, date in DATES.items()}


class TimeForm(AlsoWritten):
    """How the times of a file are given."""

    TEXT = "text"
    JD = "JD"
    MJD = "MJD"
    SPREADSHEET_DAYS = "spreadsheet_days"
    UNIX_SECONDS = "unix_seconds"
    UNIX_MILLISECONDS = "unix_milliseconds"


#: Form of a number -> microseconds a unit, and where it counts from [us since 1970].
_DAYS_FROM = {TimeForm.JD: 2_440_587.5, TimeForm.MJD: 40_587.0, TimeForm.SPREADSHEET_DAYS: 25_569.0}
_SECONDS = {TimeForm.UNIX_SECONDS: US_PER_SECOND, TimeForm.UNIX_MILLISECONDS: 1_000}
#: Forms that count from an instant, so that the zone doesn't matter.
ABSOLUTE = (TimeForm.JD, TimeForm.MJD, *_SECONDS)
_COUNT = re.compile(r"\+?(\d{1,16})(?:[.,](\d+))?")
_LEAST_YEAR_OF_1900 = 70  # two digits from here on are of the last century
_NOON_US = US_PER_DAY // 2


@dataclass(frozen=True)
class TimeSpelling:
    """How the times of a file are written.

    Parameters
    ----------
    form
        How they are given.
    order
        Of a text: a key of `DATES`.
    evening_date
        The date is that of the evening: times before noon belong to the day after it.
    """

    form: TimeForm = TimeForm.TEXT
    order: DateOrder = DateOrder.YMD
    evening_date: bool = False

    def read(self, cells: list[str]) -> Times:
        """Read cells: the clock [us since 1970] and which cells are bad; naive where no zone is written."""
        if self.form != TimeForm.TEXT:
            return self._counts(cells)
        quick = self._alike(cells)
        return quick if quick is not None else self._texts(cells)

    def convert(self, found: Numbers) -> Times:
        """Turn numbers that are numbers already into times."""
        good = np.isfinite(found) & (np.abs(found) < 1e16)
        safe = np.where(good, found, 0.0)
        if self.form in _SECONDS:
            whole = np.floor(safe)
            unit = _SECONDS[self.form]
            us = whole.astype(np.int64) * unit + np.round((safe - whole) * unit).astype(np.int64)
        elif self.form in _DAYS_FROM:
            good &= np.abs(safe) < 1e8
            safe = np.where(good, safe, 0.0)
            whole = np.floor(safe)
            since = whole - _DAYS_FROM[self.form]
            us = np.round(since * US_PER_DAY).astype(np.int64)
            us = us + np.round((safe - whole) * US_PER_DAY).astype(np.int64)
        else:
            good &= False
            us = np.zeros(len(found), dtype=np.int64)
        none = np.zeros(len(found), dtype=bool)
        return Times(us, ~good, good if self.form not in ABSOLUTE else none)

    def why(self) -> Notice:
        """Say why a cell is no time here."""
        if self.form != TimeForm.TEXT:
            return warning(IngestCode.TIME_NOT_IN_FORM, form=self.form)
        return warning(IngestCode.TIME_NOT_IN_ORDER, order=self.order)

    def _counts(self, cells: list[str]) -> Times:
        """Read days or seconds from the digits themselves: a Julian date has more than a float holds."""
        found = [_COUNT.fullmatch(cell) for cell in cells]
        bad = np.array([match is None for match in found], dtype=bool)
        whole = np.array([int(match[1]) if match else 0 for match in found], dtype=np.int64)
        part = np.array([float(f"0.{match[2] or 0}") if match else 0.0 for match in found])
        if self.form in _SECONDS:
            unit = _SECONDS[self.form]
            bad |= whole > 10**16 // unit
            us = np.where(bad, 0, whole) * unit + np.round(part * unit).astype(np.int64)
        else:
            bad |= whole > 10**8
            start = _DAYS_FROM[self.form]
            since = np.where(bad, 0, whole) - int(np.floor(start))
            us = since * US_PER_DAY + np.round((part - start % 1.0) * US_PER_DAY).astype(np.int64)
        none = np.zeros(len(cells), dtype=bool)
        return Times(us, bad, ~bad if self.form not in ABSOLUTE else none)

    def _alike(self, cells: list[str]) -> Times | None:
        match = _TEXTS[self.order].fullmatch(cells[0]) if cells else None
        if match is None or match["name"] or match["offset"] or match["noon"] or match["clock"]:
            return None
        alike = Alike.of(cells)
        if alike is None:
            return None
        groups = match.groupdict()
        numbers = {
            name: alike.number(match.span(name if groups.get(name) else f"{name}_2"))
            for name in ("month", "day", "hour", "minute", "second")
            if groups.get(name) or groups.get(f"{name}_2")
        }
        year = match.span("year" if groups["year"] else "year_2")
        numbers["year"] = _whole_year(alike.number(year), year[1] - year[0])
        part = match.span("part" if groups["part"] else "part_2")
        us = np.round(alike.number(part) * (US_PER_SECOND / 10.0 ** max(part[1] - part[0], 0)))
        return self._instants(numbers, us.astype(np.int64), np.full(len(cells), match["zone"] is None))

    def _texts(self, cells: list[str]) -> Times:
        pattern = _TEXTS[self.order]
        rows = [_numbers_of(pattern.fullmatch(cell)) for cell in cells]
        table = np.array([row if row else (0,) * 8 for row in rows], dtype=np.int64).reshape(len(cells), 8)
        names = ("year", "month", "day", "hour", "minute", "second")
        numbers = {name: table[:, at] for at, name in enumerate(names)}
        naive = np.array([row is not None and row[7] == _NO_ZONE for row in rows], dtype=bool)
        times = self._instants(numbers, table[:, 6], naive)
        offset = np.where(naive | (table[:, 7] == _NO_ZONE), 0, table[:, 7])
        return Times(times.us - offset * 60 * US_PER_SECOND, times.unreadable, times.naive)

    def _instants(
        self, numbers: dict[str, npt.NDArray[np.int64]], part_us: npt.NDArray[np.int64], naive: Mask
    ) -> Times:
        days, bad = _days(numbers["year"], numbers["month"], numbers["day"])
        zero = np.zeros(len(days), dtype=np.int64)
        hour, minute = numbers["hour"], numbers["minute"]
        second = numbers.get("second", zero)
        last = (hour == 24) & (minute == 0) & (second == 0)
        bad = bad | ((hour > 23) & ~last) | (minute > 59) | (second > 60)  # 60: a leap second
        clock = ((hour * 60 + minute) * 60 + second) * US_PER_SECOND + part_us
        us = days * US_PER_DAY + clock
        if self.evening_date:
            us = us + np.where(clock < _NOON_US, US_PER_DAY, 0)
        return Times(np.where(bad, 0, us), bad, naive & ~bad)


_NO_ZONE = 10**6  # in the place of an offset in minutes


def _numbers_of(match: re.Match[str] | None) -> tuple[int, ...] | None:
    """Return year, month, day, hour, minute, second, microseconds, offset [min] of a text, None for none."""
    if match is None:
        return None
    groups = match.groupdict()

    def one(name: str) -> str:
        return groups.get(name) or groups.get(f"{name}_2") or "0"

    month = int(one("month"))
    if groups["name"]:
        name = groups["name"].lower()
        found = [at for at, short in enumerate(_MONTHS, 1) if name.startswith(short)]
        if not found:
            return None
        month = found[0]
    year = int(_whole_year(np.array(int(one("year"))), len(one("year"))))
    hour = int(one("hour"))
    if groups["noon"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if groups["noon"] in "pP" else 0)
    part = round(float(f"0.{one('part')}") * US_PER_SECOND)
    return year, month, int(one("day")), hour, int(one("minute")), int(one("second")), part, _offset(groups)


def _offset(groups: dict[str, str | None]) -> int:
    if groups["zone"]:
        return 0
    if groups["clock"]:
        return CLOCKS[groups["clock"]]
    zone_text = groups["offset"]
    if not zone_text:
        return _NO_ZONE
    digits = zone_text[1:].replace(":", "").ljust(4, "0")
    minutes = int(digits[:2]) * 60 + int(digits[2:])
    return -minutes if zone_text[0] == "-" else minutes


def _whole_year(year: npt.NDArray[np.int64], digits: int) -> npt.NDArray[np.int64]:
    if digits > 2:
        return year
    return year + np.where(year >= _LEAST_YEAR_OF_1900, 1900, 2000)


def _days(
    year: npt.NDArray[np.int64], month: npt.NDArray[np.int64], day: npt.NDArray[np.int64]
) -> tuple[npt.NDArray[np.int64], Mask]:
    """Return days since 1970-01-01 and which dates are none of the calendar."""
    bad = (year < 1) | (month < 1) | (month > 12) | (day < 1)
    months = (np.where(bad, 1970, year) - 1970) * 12 + np.where(bad, 1, month) - 1
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    after = (months + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    days = first + day - 1
    bad = bad | (days >= after)
    return np.where(bad, 0, days), bad


def dates_in_order(cells: list[str], order: DateOrder) -> Mask:
    """Tell which texts begin with a date of the calendar in an order, whatever time of day follows."""
    out = np.zeros(len(cells), dtype=bool)
    for at, cell in enumerate(cells):
        match = _TEXTS[order].fullmatch(cell)
        numbers = _numbers_of(match) if match else _date_numbers(cell, order)
        if numbers is not None:
            year, month, day = (np.array([n], dtype=np.int64) for n in numbers[:3])
            out[at] = not _days(year, month, day)[1][0]
    return out


def _date_numbers(cell: str, order: DateOrder) -> tuple[int, ...] | None:
    match = _DATE_ALONE[order].fullmatch(cell)
    if match is None:
        return None
    return _numbers_of(_TEXTS[order].fullmatch(f"{cell} 00:00:00"))


def read_days(cells: list[str], order: DateOrder) -> tuple[npt.NDArray[np.int64], Mask]:
    """Read calendar dates in an order: days since 1970-01-01, and which cells are none."""
    rows = [_date_numbers(cell, order) or (0,) * 8 for cell in cells]
    table = np.array(rows, dtype=np.int64).reshape(len(cells), 8)
    return _days(table[:, 0], table[:, 1], table[:, 2])


def has_clock(cell: str) -> bool:
    """Tell whether a text is a time of day alone, such as ``22:14:05``."""
    return re.fullmatch(_CLOCK + _ZONE, cell, re.ASCII) is not None


def zone_written(cell: str, order: DateOrder) -> bool:
    """Tell whether a text ends in UTC, Z or an offset."""
    match = _TEXTS[order].fullmatch(cell)
    return match is not None and bool(match["zone"] or match["offset"] or match["clock"])


def clock_written(cell: str, order: DateOrder) -> str:
    """Return the name of the clock that a text ends in, such as CDT; "" for none."""
    match = _TEXTS[order].fullmatch(cell)
    return (match["clock"] or "") if match is not None else ""


def clock_holds(name: str, zone: str, time_us: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Tell at which instants the clocks of a zone of the IANA list are those of a name, such as CDT.

    Parameters
    ----------
    name
        A key of `CLOCKS`.
    zone
        Of the site.
    time_us
        (n,) UTC [us].
    """
    there = ZoneInfo(zone)
    known: dict[int, bool] = {}
    out = np.zeros(len(time_us), dtype=bool)
    for at, hour in enumerate((time_us // (3_600 * US_PER_SECOND)).tolist()):
        if hour not in known:
            local = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(hours=hour)).astimezone(there)
            offset = local.utcoffset() or timedelta(0)
            known[hour] = offset == timedelta(minutes=CLOCKS[name]) and (
                local.tzname() in (name, _SAME_CLOCK.get(name)) or not (local.tzname() or "").isalpha()
            )
        out[at] = known[hour]
    return out


# ---- Local time -> UTC, across the days on which clocks are changed.
#
# An hour that the clock goes through twice is resolved by the order of the rows where that is possible, or
# by the mapping; else the times of its rows are unknown.  An hour that the clock skips never was.


Ints = npt.NDArray[np.int64]


class RepeatedHour(AlsoWritten):
    """How to take an hour that the clock went through twice."""

    BY_ORDER = ""  # of the rows
    FIRST = "first"
    SECOND = "second"


_OFFSET = re.compile(r"(?:UTC|GMT)?([+-])(\d{1,2})(?::?(\d\d))?", re.ASCII)
_FIRST_DAY = datetime(1970, 1, 1)
#: A later row whose clock is this much earlier is taken after the clock was put back [us].
_BACK_US = 30 * US_PER_SECOND


def zone_named(name: str) -> tzinfo | None:
    """Return a zone by its IANA name, "UTC" or an offset such as "+02:00"; None when it is none."""
    if name.upper() in ("UTC", "GMT", "UT", "Z"):
        return UTC
    match = _OFFSET.fullmatch(name)
    if match:
        minutes = int(match[2]) * 60 + int(match[3] or 0)
        return (
            timezone(timedelta(minutes=minutes if match[1] == "+" else -minutes)) if minutes < 1440 else None
        )
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


@dataclass(frozen=True)
class Zoned:
    """UTC of local clocks, and which are in a skipped hour or in an unresolved repeated one."""

    us: Ints  # UTC [us]; of `missing` and `unclear` rows no time
    missing: Mask
    unclear: Mask


def to_utc(clock_us: Ints, zone: tzinfo, repeated_hour: RepeatedHour = RepeatedHour.BY_ORDER) -> Zoned:
    """Turn the readings of a zone's clock, in the order of the rows, into UTC.

    Parameters
    ----------
    clock_us
        (n,) [us] what the clock showed, counted as if it were UTC.
    zone
        The zone.
    repeated_hour
        How to take an hour that the clock went through twice; the order of the rows decides where the clock
        is seen to jump back.
    """
    before, after = _offsets(clock_us, zone)
    missing, twice = after > before, after < before
    offset = np.minimum(before, after)
    unclear = np.zeros(len(clock_us), dtype=bool)
    if repeated_hour == RepeatedHour.FIRST:
        offset = np.where(twice, before, offset)
    elif repeated_hour == RepeatedHour.BY_ORDER:
        second, unclear = _by_order(clock_us, twice)
        offset = np.where(twice & ~second, before, offset)
    return Zoned(clock_us - offset, missing, unclear)


def _offsets(clock_us: Ints, zone: tzinfo) -> tuple[Ints, Ints]:
    """Return the offset from UTC [us] of each clock reading, taken as the first and as the second time.

    Rows are looked at singly only on days on which the offset changes.
    """
    days = clock_us // US_PER_DAY
    first, second = np.zeros(len(days), dtype=np.int64), np.zeros(len(days), dtype=np.int64)
    known = {day: _day_offset(day, zone) for day in np.unique(days).tolist()}
    steady = {day: offset for day, offset in known.items() if offset is not None}
    for row, day in enumerate(days.tolist()) if len(steady) < len(known) else ():
        if day not in steady:
            first[row], second[row] = _both(int(clock_us[row]), zone)
    order = np.array(sorted(steady), dtype=np.int64)
    if order.size:
        at = np.minimum(np.searchsorted(order, days), order.size - 1)
        values = np.array([steady[day] for day in order.tolist()], dtype=np.int64)[at]
        is_steady = order[at] == days
        first, second = np.where(is_steady, values, first), np.where(is_steady, values, second)
    return first, second


def _day_offset(day: int, zone: tzinfo) -> int | None:
    """Return the offset that holds on a whole day [us], or None when it changes."""
    begins, ends = (_both((day + late) * US_PER_DAY - late, zone) for late in (0, 1))
    return begins[0] if len({*begins, *ends}) == 1 else None


def _both(clock_us: int, zone: tzinfo) -> tuple[int, int]:
    local = _FIRST_DAY + timedelta(microseconds=clock_us)
    offsets = (local.replace(tzinfo=zone, fold=fold).utcoffset() or timedelta(0) for fold in (0, 1))
    first, second = (round(offset.total_seconds()) * US_PER_SECOND for offset in offsets)
    return first, second


def _by_order(clock_us: Ints, twice: Mask) -> tuple[Mask, Mask]:
    """Tell which rows of repeated hours are of the second time, and which are unresolved.

    A stretch of such rows in which the clock jumps back once is divided there; without a jump, or with
    several, it stays unresolved.
    """
    second, unclear = np.zeros(len(clock_us), dtype=bool), np.zeros(len(clock_us), dtype=bool)
    rows = np.flatnonzero(twice)
    if not rows.size:
        return second, unclear
    near = np.flatnonzero(np.abs(np.diff(clock_us[rows])) > US_PER_DAY) + 1
    for stretch in np.split(rows, near):
        back = np.flatnonzero(np.diff(clock_us[stretch]) < -_BACK_US) + 1
        if back.size == 1:
            second[stretch[back[0] :]] = True
        else:
            unclear[stretch] = True
    return second, unclear
