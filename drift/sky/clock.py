"""UTC as microseconds since 1970, and atomic time from it.

A computer's clock counts 86 400 seconds to every UTC day and does not count leap seconds (POSIX).  With a
table of TAI - UTC that is enough to name any instant outside a leap second itself.  ERFA's own conversions
are not used here: they warn about every date a few years past their leap-second table.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from drift.errors import DriftError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

DAY_US = 86_400_000_000  # [us]
DAY_S = 86_400.0  # [s]
MJD_1970 = 40_587  # MJD of 1970-01-01
JD_OF_MJD_ZERO = 2_400_000.5
MJD_ZERO = date(1858, 11, 17)
MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
TT_MINUS_TAI_S = 32.184  # [s] IAU 1991 resolution A4; IERS Conventions (2010) ch. 10


def utc_day_and_fraction(time_us: IntArray) -> tuple[IntArray, FloatArray]:
    """Split UTC into a whole day and the fraction of it, without rounding the day.

    Parameters
    ----------
    time_us
        (n,) [us] UTC since 1970-01-01.

    Returns
    -------
    tuple
        (n,) Modified Julian Date, whole; (n,) [day] fraction in [0, 1).
    """
    day = np.floor_divide(time_us, DAY_US)
    return day + MJD_1970, (time_us - day * DAY_US) / float(DAY_US)


#: Zones whose summer time is used for a site without a zone, by where it lies.
STAND_INS = {"south": "Australia/Sydney", "america": "America/New_York", "elsewhere": "Europe/Berlin"}


def summer_time_changes_us(
    zone: str, latitude_deg: float, longitude_deg: float, first_us: int, last_us: int
) -> IntArray:
    """Return when clocks at a site change to summer time and back, (k,) [us], to the day.

    Parameters
    ----------
    zone
        Name in the IANA list.  UTC says nothing about the clocks around it: then common rules are used,
        those of Europe, of North America west of 30 degrees west, and of Australia in the south.
    latitude_deg, longitude_deg
        Where the site lies.
    first_us, last_us
        The first and the last instant.
    """
    if zone == "UTC":
        place = "south" if latitude_deg < 0.0 else "america" if longitude_deg < -30.0 else "elsewhere"
        zone = STAND_INS[place]
    days = range(first_us // DAY_US, last_us // DAY_US + 2)
    rules = ZoneInfo(zone)
    offsets = [datetime.fromtimestamp(day * DAY_S, rules).utcoffset() for day in days]
    changed = [day for day, old, new in zip(days[1:], offsets[:-1], offsets[1:], strict=True) if old != new]
    return np.array(changed, dtype=np.int64) * DAY_US


def calendar_date(mjd: float) -> date:
    """Return the calendar date of a Modified Julian Date."""
    return MJD_ZERO + timedelta(days=int(np.floor(mjd)))


@dataclass(frozen=True)
class LeapSeconds:
    """TAI - UTC as whole seconds, from the days on which it changed."""

    mjd: IntArray = field(repr=False)  # (m,) first day on which the value holds, rising
    tai_minus_utc_s: FloatArray = field(repr=False)  # (m,) [s]
    expires_mjd: int  # leap seconds from this day on are not known

    def at(self, mjd: IntArray) -> FloatArray:
        """Return TAI - UTC on UTC days.

        The first value also serves for days before the table (before 1972 UTC
        differed from TAI by a drifting, broken number of seconds).

        Parameters
        ----------
        mjd
            (n,) Modified Julian Date (UTC), whole.

        Returns
        -------
        numpy.ndarray
            (n,) [s].
        """
        row = np.searchsorted(self.mjd, mjd, side="right") - 1
        return self.tai_minus_utc_s[np.maximum(row, 0)]


def read_leap_seconds(path: Path) -> LeapSeconds:
    """Read a leap-second table as the IERS publishes it (`Leap_Second.dat`).

    Raises
    ------
    drift.errors.DriftError
        If the file can't be read or holds no table; names the file.

    References
    ----------
    .. [1] IERS Earth Orientation Center, Bulletin C: columns MJD, day, month,
       year, TAI - UTC [s]; the head names the day on which the file expires.
    """
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
        expires = re.search(r"File expires on\s+(\d+) (\w{3})\w* (\d{4})", text)
        rows = [line.split() for line in text.splitlines() if line.strip() and not line.startswith("#")]
        mjd = np.array([int(float(row[0])) for row in rows], dtype=np.int64)
        offset = np.array([float(row[4]) for row in rows])
        if expires is None or mjd.size == 0:
            raise ValueError("no expiry date or no rows")
        last = date(int(expires[3]), MONTHS.index(expires[2]) + 1, int(expires[1]))
    except (OSError, ValueError, IndexError) as problem:
        raise DriftError(
            f"The leap-second table {path} can't be used ({problem}). "
            "Reinstall the package astropy-iers-data, which brings it."
        ) from problem
    return LeapSeconds(mjd, offset, (last - MJD_ZERO).days)
