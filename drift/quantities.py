"""The few constants, array types and clock readings that every numerical room shares."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from drift.readings import DAY_US as DAY_US  # with the times of readings

Floats = npt.NDArray[np.floating[Any]]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: An hour [us].
HOUR_US = DAY_US // 24
#: Arcseconds in a radian.
ARCSEC_PER_RAD = 180.0 * 3600.0 / np.pi
#: Days in a tropical year.
YEAR_DAYS = 365.2422


def as_utc(time_us: int) -> datetime:
    """Return UTC microseconds since 1970 as an aware time."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(time_us))


def local_date(time_us: int, zone: ZoneInfo) -> str:
    """Return the date on a site's calendar, ISO 8601: ``2024-03-19``."""
    return as_utc(time_us).astimezone(zone).strftime("%Y-%m-%d")


#: A reading before this hour of the morning belongs to the night before, by local mean time [hours].
_MORNING_HOUR = 6.0


def reading_date(time_us: int, longitude_deg: float) -> str:
    """Return the date of a reading, ISO 8601; after midnight that of the evening on which its night began.

    By local mean time, as nights are counted, so that a night has one date on every screen.
    """
    days = longitude_deg / 360.0 - _MORNING_HOUR / 24.0
    return (as_utc(time_us) + timedelta(days=days)).strftime("%Y-%m-%d")
