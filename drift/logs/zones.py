"""Local time -> UTC, across the days on which clocks are changed.

An hour that the clock goes through twice is told apart by the order of the rows where that is possible, or by
what the mapping says; else its rows are not known.  An hour that the clock leaves out never was.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt

from drift.logs.values import US_PER_DAY, US_PER_SECOND

Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

REPEATED = ("", "first", "second")
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
    """UTC of local clocks, and which are in an hour left out or in one gone through twice and not known."""

    us: Ints  # UTC [us]; of `missing` and `unclear` rows no time
    missing: Mask
    unclear: Mask


def to_utc(clock_us: Ints, zone: tzinfo, repeated_hour: str = "") -> Zoned:
    """Turn the readings of a zone's clock, in the order of the rows, into UTC.

    Parameters
    ----------
    clock_us
        (n,) [us] what the clock showed, counted as if it were UTC.
    zone
        The zone.
    repeated_hour
        "first" or "second": how to take an hour that the clock went through twice; "": by the order of the
        rows, which tells it where the clock is seen to jump back.
    """
    before, after = _offsets(clock_us, zone)
    missing, twice = after > before, after < before
    offset = np.minimum(before, after)
    unclear = np.zeros(len(clock_us), dtype=bool)
    if repeated_hour == "first":
        offset = np.where(twice, before, offset)
    elif not repeated_hour:
        second, unclear = _by_order(clock_us, twice)
        offset = np.where(twice & ~second, before, offset)
    return Zoned(clock_us - offset, missing, unclear)


def _offsets(clock_us: Ints, zone: tzinfo) -> tuple[Ints, Ints]:
    """Return the offset from UTC [us] of each clock reading, taken as the first and as the second time.

    Only on days on which the offset changes is each row looked at by itself.
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
    """Tell which rows of hours gone through twice are of the second time, and which are not known.

    A stretch of such rows in which the clock jumps back once is told apart there; without a jump, or with
    several, nothing is known.
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
