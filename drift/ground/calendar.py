"""Days, dates and seasons of either hemisphere."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints

#: First month of the year that holds one whole winter: July in the north, January in the south.
_NORTH_FIRST_MONTH, _SOUTH_FIRST_MONTH = 7, 1
#: Where a date's remark names single days, so many of them are named.
_NAMED_AT_MOST = 3


def date_text(day: int) -> str:
    """Return ``2024-01-31`` of days since 1970-01-01."""
    return str(np.datetime64(int(day), "D"))


def dates_text(days: Sequence[int] | Ints) -> str:
    """Return the first few dates, and how many more there are."""
    named = [date_text(day) for day in list(days)[:_NAMED_AT_MOST]]
    more = len(days) - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")


def winter_year(day: Ints, south: bool) -> Ints:
    """Return the calendar year in which each day's winter has its coldest half, (n,).

    A year that holds one whole winter runs from 1 July to 30 June in the
    north and from 1 January to 31 December in the south.
    """
    month = np.asarray(day).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    first = _SOUTH_FIRST_MONTH if south else _NORTH_FIRST_MONTH
    ahead = 0 if south else 12 - (first - 1)
    return np.asarray(1970 + (month + ahead) // 12, dtype=np.int64)


def summer_year(day: Ints, south: bool) -> Ints:
    """Return the calendar year that each day's summer belongs to: as `winter_year`, half a year on."""
    return winter_year(day, not south)


def winter_name(year: int, south: bool) -> str:
    """Return ``2023-24`` in the north, ``2024`` in the south."""
    return str(year) if south else f"{year - 1}-{year % 100:02d}"


def noon_us(day: Ints, longitude_deg: float) -> Ints:
    """Return local mean noon of each local date, UTC microseconds, (n,)."""
    return np.asarray(
        np.asarray(day) * DAY_US + round((0.5 - longitude_deg / 360.0) * DAY_US), dtype=np.int64
    )


def year_phase(day: Ints | Floats, south: bool) -> Floats:
    """Return the angle of the year, 0 in mid-winter (15 January north, 16 July south), (n,) [rad]."""
    mid_winter = 14.0 + (YEAR_DAYS / 2.0 if south else 0.0)
    return np.asarray(2.0 * np.pi * (np.asarray(day, dtype=float) - mid_winter) / YEAR_DAYS)
