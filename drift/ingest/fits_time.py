"""When the middle of an exposure was, from the time keywords of a FITS header.

References
----------
.. [1] Rots, Bunclark, Calabretta, Allen, Manchester and Thompson 2015, A&A 574, A36: sect. 2.1 (how
   dates are written), table 2 (TIMESYS), table 3 (TREFPOS), sect. 4.4 (DATE-OBS, DATE-BEG, DATE-AVG,
   DATE-END, MJD-*) and XPOSURE.  The section numbers are from memory.
.. [2] FITS Standard 4.0, sect. 9 (the same in the standard's text).
.. [3] IERS Conventions (2010), ch. 10: TT - TAI = 32.184 s, TCG and TDB against TT.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drift.ingest.fits_header import HeaderTrouble, ImageHeader
from drift.ingest.mapping import END, MIDDLE, START, Instant
from drift.ingest.values import US_PER_DAY, US_PER_SECOND
from drift.notices import ImageCode
from drift.sky.clock import MJD_1970, TT_MINUS_TAI_S

Ints = npt.NDArray[np.int64]

#: Names of time scales (Rots et al. 2015, table 2) -> the one they are treated as.
SCALES = {
    "UTC": "UTC",
    "GMT": "UTC",  # since 1972; before it meant UT
    "TAI": "TAI",
    "IAT": "TAI",
    "TT": "TT",
    "TDT": "TT",
    "ET": "TT",
    "TDB": "TT",  # within 2 ms of TT
    "GPS": "GPS",
    "UT": "UTC",  # without a number it is what a computer's clock shows
    "UT1": "UT1",
}
_FAR_PLACES = ("BARYCENT", "HELIOCEN", "EMBARYCE", "GALACTIC")  # TREFPOS, its first eight signs
GPS_MINUS_TAI_S = -19.0  # IS-GPS-200: GPS time was set to UTC in January 1980
#: [+-C]CCYY-MM-DD[Thh:mm:ss[.s...]] (Rots et al. 2015, sect. 2.1); a trailing Z is not allowed but common,
#: and says UTC.
_ISO = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)(?:[T ](\d\d):(\d\d)(?::(\d\d)(?:[.,](\d{1,12})\d*)?)?)?\s?(Z)?", re.ASCII
)
_OLD = re.compile(r"(\d\d)/(\d\d)/(\d\d)", re.ASCII)  # dd/mm/yy, years of the twentieth century
_CLOCK = re.compile(r"(\d\d):(\d\d):(\d\d)(?:\.(\d{1,12})\d*)?", re.ASCII)
_CLOCK_KEYWORDS = ("TIME-OBS", "UT", "UTC", "UTSTART", "UT-OBS")
_EXPOSURES = ("EXPTIME", "EXPOSURE", "XPOSURE")
_UNITS_S = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
#: DATE-AVG that lies before the start by more than this is no middle [us].
_LEEWAY_US = US_PER_SECOND
#: No clock of an exposure is read that was given in longer than this [s].
_LONGEST_S = 86_400.0


@dataclass(frozen=True)
class MidExposure:
    """The middle of an exposure in its time scale.

    `clock_us` is microseconds since 1970 as a calendar of days of 86400 seconds reads in that scale.
    """

    clock_us: int
    scale: str  # a value of SCALES
    exposure_s: float  # NaN when it is not said
    keyword: str  # the one that the time was taken from
    text: str  # its value as it stood


def mid_exposure(header: ImageHeader, date_obs_means: Instant = START) -> MidExposure:
    """Return the middle of the exposure: DATE-AVG, else a start (or end) and the exposure time.

    Parameters
    ----------
    header
        The image's header.
    date_obs_means
        Which instant of the exposure DATE-OBS is: the start, as the standard has it, the middle or the end.

    Raises
    ------
    HeaderTrouble
        If there is no time, no exposure time to go with it, or they contradict each other.
    """
    scale = _scale(header)
    exposure = _exposure_s(header)
    middle = _instant(header, "AVG")
    start = _instant(header, "BEG")
    if start is None and date_obs_means is START:
        start = _instant(header, "OBS")
    if middle is None and date_obs_means is MIDDLE:
        middle = _instant(header, "OBS")
    end = _instant(header, "OBS" if date_obs_means is END else "END")
    if middle is not None:
        if start is not None and middle[0] < start[0] - _LEEWAY_US:
            raise HeaderTrouble(
                ImageCode.MIDDLE_BEFORE_START,
                keyword=middle[1],
                value=middle[2],
                start_keyword=start[1],
                start_value=start[2],
            )
        return _result(middle, 0.0, scale, exposure)
    if start is not None and np.isfinite(exposure):
        return _result(start, exposure / 2.0, scale, exposure)
    if start is not None and end is not None and end[0] >= start[0]:
        between_s = (end[0] - start[0]) / US_PER_SECOND
        return _result(start, between_s / 2.0, scale, between_s)
    if end is not None and np.isfinite(exposure):
        return _result(end, -exposure / 2.0, scale, exposure)
    if start is not None:
        raise HeaderTrouble(
            ImageCode.NO_EXPOSURE, keyword=start[1], value=start[2], wanted=(*_EXPOSURES, "DATE-END")
        )
    raise HeaderTrouble(ImageCode.NO_TIME)


def _result(instant: tuple[int, str, str, bool], later_s: float, scale: str, exposure: float) -> MidExposure:
    us, keyword, text, zulu = instant
    if zulu and scale != "UTC":
        raise HeaderTrouble(ImageCode.Z_IN_OTHER_SCALE, keyword=keyword, value=text, scale=scale)
    return MidExposure(us + round(later_s * US_PER_SECOND), scale, exposure, keyword, text)


def _scale(header: ImageHeader) -> str:
    """Return the time scale (Rots et al. 2015, table 2); UTC when none is said.

    A realization in brackets, as in ``UTC(NIST)``, is within microseconds of the scale itself.
    """
    said = header.text("TIMESYS").upper()
    name = said.split("(")[0].strip() or "UTC"
    if name not in SCALES:
        raise HeaderTrouble(ImageCode.SCALE_NOT_READ, scale=said, known=tuple(SCALES))
    place = header.text("TREFPOS").upper()
    if place[:8] in _FAR_PLACES:
        raise HeaderTrouble(ImageCode.TIME_OF_ELSEWHERE, place=place)
    return SCALES[name]


def _exposure_s(header: ImageHeader) -> float:
    for keyword in _EXPOSURES:
        value = header.number(keyword)
        if value is None:
            continue
        if keyword == "XPOSURE":  # the only one in TIMEUNIT
            value *= _UNITS_S.get(header.text("TIMEUNIT").lower() or "s", np.nan)
        if not 0.0 <= value <= _LONGEST_S:
            raise HeaderTrouble(ImageCode.BAD_EXPOSURE, keyword=keyword, value=f"{value:g}")
        return value
    return float("nan")


def _instant(header: ImageHeader, which: str) -> tuple[int, str, str, bool] | None:
    """Return clock [us], keyword, text, and whether it ends in Z, of DATE-which or MJD-which, or None."""
    keyword = f"DATE-{which}"
    text = header.text(keyword)
    if text:
        clock = _clock_of(header, keyword, text, which)
        if clock is not None:
            return clock[0], keyword, text, clock[1]
    mjd = header.number(f"MJD-{which}")
    if mjd is not None and mjd > 0:
        day = np.floor(mjd)
        us = (int(day) - MJD_1970) * US_PER_DAY + round((mjd - float(day)) * US_PER_DAY)
        return us, f"MJD-{which}", header.text(f"MJD-{which}"), False
    if text:
        raise HeaderTrouble(ImageCode.NO_TIME_OF_DAY, keyword=keyword, value=text)
    return None


def _clock_of(header: ImageHeader, keyword: str, text: str, which: str) -> tuple[int, bool] | None:
    """Read a date and time; None for a date alone when no other keyword gives its time."""
    match = _ISO.fullmatch(text)
    old = _OLD.fullmatch(text)
    if match is None and old is None:
        raise HeaderTrouble(ImageCode.NO_DATE, keyword=keyword, value=text)
    if match and match[4]:
        return _microseconds(text, keyword, *match.groups()[:7]), match[8] == "Z"
    if which != "OBS":
        return None
    date = match.groups()[:3] if match else _old_date(text)
    for name in _CLOCK_KEYWORDS:
        clock = _CLOCK.fullmatch(header.text(name))
        if clock:
            return _microseconds(f"{text} {clock[0]}", keyword, *date, *clock.groups()), False
    return None


def _old_date(text: str) -> tuple[str, str, str]:
    day, month, year = text.split("/")
    return f"19{year}", month, day


def _microseconds(
    text: str,
    keyword: str,
    year: str,
    month: str,
    day: str,
    hour: str,
    minute: str,
    second: str | None,
    fraction: str | None,
) -> int:
    try:
        date = np.datetime64(f"{year}-{month}-{day}", "D").astype(np.int64)
    except ValueError as error:
        raise HeaderTrouble(ImageCode.NO_SUCH_DAY, keyword=keyword, value=text) from error
    h, m, s = int(hour), int(minute), int(second or 0)
    if h > 24 or m > 59 or s > 60:  # 60: a leap second
        raise HeaderTrouble(ImageCode.NO_SUCH_TIME, keyword=keyword, value=text)
    part = round(float(f"0.{fraction or 0}") * US_PER_SECOND)
    return int(date) * US_PER_DAY + ((h * 60 + m) * 60 + s) * US_PER_SECOND + part


def to_utc_us(scales: Sequence[str], clock_us: Ints) -> Ints:
    """Return UTC [microseconds since 1970, leap seconds not counted] of clocks in their scales.

    Parameters
    ----------
    scales
        n values of `SCALES`.
    clock_us
        (n,) [us] as in `MidExposure`.
    """
    utc = clock_us.astype(np.int64).copy()
    for scale in set(scales) - {"UTC"}:
        rows = np.array([one == scale for one in scales])
        utc[rows] = _from_ut1(clock_us[rows]) if scale == "UT1" else _from_atomic(scale, clock_us[rows])
    return utc


def _from_atomic(scale: str, clock_us: Ints) -> Ints:
    """Take off what the scale is ahead of UTC; looked up twice, as the table goes by UTC days."""
    from drift.sky.earth import installed_earth_rotation

    ahead_of_tai = {"TAI": 0.0, "TT": TT_MINUS_TAI_S, "GPS": GPS_MINUS_TAI_S}[scale]
    table = installed_earth_rotation().leap_seconds
    utc = clock_us
    for _ in range(2):
        offset_s = table.at(utc // US_PER_DAY + MJD_1970) + ahead_of_tai
        utc = clock_us - np.round(offset_s * US_PER_SECOND).astype(np.int64)
    return utc


def _from_ut1(clock_us: Ints) -> Ints:
    from drift.sky.clock import utc_day_and_fraction
    from drift.sky.earth import installed_earth_rotation

    ahead_s = installed_earth_rotation().at(*utc_day_and_fraction(clock_us)).ut1_minus_utc_s
    return clock_us - np.round(ahead_s * US_PER_SECOND).astype(np.int64)
