"""UTC as microseconds, atomic time from it, and how far the Earth has turned."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from drift.errors import DriftError
from drift.notices import Notice, SkyCode, warning

# ---- UTC as microseconds since 1970, and atomic time from it.
#
# A computer's clock counts 86 400 seconds to every UTC day and does not count leap seconds (POSIX).  With a
# table of TAI - UTC that is enough to name any instant outside a leap second itself.  ERFA's own
# conversions are not used here: they warn about every date a few years past their leap-second table.


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


# ---- How the Earth has turned: UT1 - UTC and polar motion, from an installed table.
#
# The table is the IERS Bulletin A and B series that comes with the package ``astropy-iers-data`` (a
# dependency of astropy); nothing is ever downloaded and no setting of astropy is touched.  Past its end the
# values are extrapolated, and `EarthRotation.what_is_lost` says what that costs.


ARCSEC = np.pi / 648_000.0  # [rad]
DAYS_A_YEAR = 365.25
MJD_J2000 = 51_544.5

#: [s] UTC is kept this close to UT1 by leap seconds (ITU-R TF.460-6).
UTC_RULE_S = 0.9

# How far UT1 may be off when it goes on past the table at the mean rate of the
# table's last year: this much and this much more a year.  It bounds every error
# found when the years 1974-2025 were predicted in this way from their own past
# (largest: 0.04 s after a month, 0.27 s after one year, 0.59 s after two, 1.97 s
# after five).  tests/truth/test_sky_earth_beyond.py repeats that trial.
UT1_ERROR_S = 0.05
UT1_ERROR_S_A_YEAR = 0.4

#: [arcsec] The pole's largest distance from its secular place, 1973-2026, is 0.31 arcsec.
POLE_ERROR_ARCSEC = 0.4

# Columns of finals2000A.all, counted from 0 (IERS ReadMe.finals2000A counts from 1).
_MJD = slice(7, 15)
_POLE_FLAG = slice(16, 17)
_BULLETIN_A = (slice(58, 68), slice(18, 27), slice(37, 46))  # UT1 - UTC [s], xp, yp [arcsec]
_BULLETIN_B = (slice(154, 165), slice(134, 144), slice(144, 154))
_WIDTH = 187


@dataclass(frozen=True)
class EarthState:
    """The Earth's rotation at given times."""

    ut1_minus_utc_s: FloatArray  # (n,) [s]
    tai_minus_utc_s: FloatArray  # (n,) [s]
    xp_rad: FloatArray  # (n,) [rad] pole toward the meridian of Greenwich
    yp_rad: FloatArray  # (n,) [rad] pole toward 90 deg west


@dataclass(frozen=True)
class EarthRotation:
    """A daily table of the Earth's rotation, at 0h UTC.

    Parameters
    ----------
    first_mjd
        Modified Julian Date of the first row; one row a day follows.
    ut1_minus_utc_s, xp_arcsec, yp_arcsec
        (m,) [s], [arcsec], [arcsec]; at least two rows.
    leap_seconds
        TAI - UTC.
    """

    first_mjd: int
    ut1_minus_utc_s: FloatArray = field(repr=False)
    xp_arcsec: FloatArray = field(repr=False)
    yp_arcsec: FloatArray = field(repr=False)
    leap_seconds: LeapSeconds = field(repr=False)

    @property
    def last_mjd(self) -> int:
        """Modified Julian Date of the last row."""
        return self.first_mjd + len(self.ut1_minus_utc_s) - 1

    def at(self, mjd: IntArray, fraction: FloatArray) -> EarthState:
        """Return the Earth's rotation at UTC times.

        Between the daily values it is interpolated in a straight line, UT1
        across a leap second without the jump.  Tides shorter than a day
        (IERS Conventions 2010 ch. 8, below 0.001 arcsec) are left out, as
        astropy does.  Before the table its first value holds.  Past its end
        UT1 - TAI goes on at the mean rate of the table's last year, held
        within 0.9 s of UTC, and the pole stands at its secular place.

        Parameters
        ----------
        mjd
            (n,) Modified Julian Date (UTC), whole.
        fraction
            (n,) [day] since 0h.
        """
        day = np.clip(mjd - self.first_mjd, 0, len(self.ut1_minus_utc_s) - 2)
        part = np.clip(mjd - self.first_mjd - day + fraction, 0.0, 1.0)
        rise = np.diff(self.ut1_minus_utc_s)
        ut1 = self.ut1_minus_utc_s[day] + part * (rise - np.round(rise))[day]
        xp, yp = (series[day] + part * np.diff(series)[day] for series in (self.xp_arcsec, self.yp_arcsec))
        past = mjd + fraction - self.last_mjd
        if past.size and past.max() > 0:
            beyond = past > 0
            ut1[beyond] = self._ut1_past_end(past[beyond])
            xp[beyond], yp[beyond] = secular_pole_arcsec(self.last_mjd + past[beyond])
        return EarthState(ut1, self.leap_seconds.at(mjd), xp * ARCSEC, yp * ARCSEC)

    def _ut1_past_end(self, days: FloatArray) -> FloatArray:
        steps = np.diff(self.ut1_minus_utc_s[-366:])
        rate = float(np.mean(steps - np.round(steps)))
        return np.clip(self.ut1_minus_utc_s[-1] + rate * days, -UTC_RULE_S, UTC_RULE_S)

    def what_is_lost(self, mjd: IntArray) -> tuple[Notice, ...]:
        """Return what accuracy is lost at the given UTC days, at most one notice each way."""
        if mjd.size == 0:
            return ()
        lost = (self._lost_before(int(mjd.min())), self._lost_after(int(mjd.max())))
        return tuple(notice for notice in lost if notice is not None)

    def _lost_before(self, mjd: int) -> Notice | None:
        if mjd >= self.first_mjd:
            return None
        return warning(
            SkyCode.BEFORE_EARTH_TABLE,
            begins_date=str(calendar_date(self.first_mjd)),
            earliest_date=str(calendar_date(mjd)),
            ut1_s=2 * UTC_RULE_S,
            pole_arcsec=2 * POLE_ERROR_ARCSEC,
        )

    def _lost_after(self, mjd: int) -> Notice | None:
        expires = self.leap_seconds.expires_mjd
        leap_date = str(calendar_date(expires)) if mjd >= expires else None
        if mjd < self.last_mjd:
            return None if leap_date is None else warning(SkyCode.LEAP_SECONDS_ENDED, leap_date=leap_date)
        days = mjd + 1 - self.last_mjd
        return warning(
            SkyCode.AFTER_EARTH_TABLE,
            ends_date=str(calendar_date(self.last_mjd)),
            latest_date=str(calendar_date(mjd)),
            days_later=days,
            ut1_s=min(UT1_ERROR_S + UT1_ERROR_S_A_YEAR * days / DAYS_A_YEAR, 2 * UTC_RULE_S),
            pole_arcsec=POLE_ERROR_ARCSEC,
            leap_date=leap_date,
        )


def secular_pole_arcsec(mjd: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean place about which the pole wanders.

    References
    ----------
    .. [1] IERS Conventions (2010), updated version 1.3.0, section 7.1.4, eq. 21 (from memory):
       xs = 55.0 + 1.677 (t - 2000), ys = 320.5 + 3.460 (t - 2000) [mas, years].
    """
    years = (mjd - MJD_J2000) / DAYS_A_YEAR
    return 0.0550 + 0.001677 * years, 0.3205 + 0.003460 * years


@lru_cache(maxsize=1)
def installed_earth_rotation() -> EarthRotation:
    """Return the table that is installed with astropy; read once."""
    from astropy_iers_data import IERS_A_FILE, IERS_LEAP_SECOND_FILE

    return read_earth_rotation(Path(IERS_A_FILE), read_leap_seconds(Path(IERS_LEAP_SECOND_FILE)))


def read_earth_rotation(path: Path, leap_seconds: LeapSeconds) -> EarthRotation:
    """Read a table in the IERS format finals2000A.all.

    The file has fixed columns, so they are cut out of the block of bytes at
    once: that takes a tenth of the time of a general table reader.  A row
    counts when Bulletin A gives at least a prediction; Bulletin B is taken
    where it is there (both as astropy does).

    Raises
    ------
    drift.errors.DriftError
        If the file can't be read or is no such table; names the file.
    """
    try:
        lines = np.array(path.read_bytes().splitlines(), dtype=f"S{_WIDTH}")
        block = lines.view("S1").reshape(len(lines), _WIDTH)
        block = block[_filled(block, _BULLETIN_A[0]) & _filled(block, _POLE_FLAG)]
        mjd = _numbers(block, _MJD)
        if len(mjd) < 2 or np.any(np.diff(mjd) != 1.0) or mjd[0] % 1:
            raise ValueError("it does not hold one row a day")
        ut1, xp, yp = _best_series(block)
    except (OSError, ValueError) as problem:
        raise DriftError(
            f"The Earth-rotation table {path} can't be used ({problem}). "
            "Reinstall the package astropy-iers-data, which brings it."
        ) from problem
    return EarthRotation(int(mjd[0]), ut1, xp, yp, leap_seconds)


def _best_series(block: npt.NDArray[np.bytes_]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return UT1 - UTC, xp, yp: Bulletin B where it is given, else A.

    The Bulletin B columns differ from the newer series C04, which astropy puts in
    their place by default, by at most 0.007 arcsec (UT1) since 2000.
    """
    a, b = (
        np.array([_numbers(block, column) for column in columns]) for columns in (_BULLETIN_A, _BULLETIN_B)
    )
    has_ut1 = np.isfinite(b[0])
    has_pole = np.isfinite(b[1]) & np.isfinite(b[2])
    best = np.where(np.array([has_ut1, has_pole, has_pole]), b, a)
    if not np.all(np.isfinite(best)):
        raise ValueError("a row lacks a number")
    return best[0], best[1], best[2]


def _filled(block: npt.NDArray[np.bytes_], column: slice) -> npt.NDArray[np.bool_]:
    return np.any((block[:, column] != b" ") & (block[:, column] != b""), axis=1)


def _numbers(block: npt.NDArray[np.bytes_], column: slice) -> FloatArray:
    cells = np.ascontiguousarray(block[:, column])
    text = cells.view(f"S{cells.shape[1]}").ravel()
    filled = _filled(block, column)
    numbers = np.full(len(text), np.nan)
    numbers[filled] = text[filled].astype(np.float64)
    return numbers
