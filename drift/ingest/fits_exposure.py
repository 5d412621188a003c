"""When and where an image was exposed: the middle of the exposure, its centre on the sky, its rotation."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.ingest.fits_header import HeaderTrouble, ImageHeader
from drift.ingest.mapping import END, MIDDLE, START, Instant
from drift.ingest.values import US_PER_DAY, US_PER_SECOND
from drift.notices import ImageCode
from drift.sky.time_scales import MJD_1970, TT_MINUS_TAI_S

if TYPE_CHECKING:
    from astropy.wcs import WCS, Wcsprm


# ---- The middle of an exposure, from the time keywords.
#
# References
# ----------
# .. [1] Rots, Bunclark, Calabretta, Allen, Manchester and Thompson 2015, A&A 574, A36: sect. 2.1 (how
#    dates are written), table 2 (TIMESYS), table 3 (TREFPOS), sect. 4.4 (DATE-OBS, DATE-BEG, DATE-AVG,
#    DATE-END, MJD-*) and XPOSURE.  The section numbers are from memory.
# .. [2] FITS Standard 4.0, sect. 9 (the same in the standard's text).
# .. [3] IERS Conventions (2010), ch. 10: TT - TAI = 32.184 s, TCG and TDB against TT.


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
#: A DATE-AVG earlier than the start by more than this is no middle [us].
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
    exposure_s: float  # NaN when not given
    keyword: str  # the one that the time was taken from
    text: str  # its value as written


def mid_exposure(header: ImageHeader, date_obs_means: Instant = START) -> MidExposure:
    """Return the middle of the exposure: DATE-AVG, else a start (or end) and the exposure time.

    Parameters
    ----------
    header
        The image's header.
    date_obs_means
        Which instant of the exposure DATE-OBS is: the start, as in the standard, the middle or the end.

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
    """Return the time scale (Rots et al. 2015, table 2); UTC when none is given.

    A realization in brackets, as in ``UTC(NIST)``, is within microseconds of the scale itself.
    """
    timesys = header.text("TIMESYS").upper()
    name = timesys.split("(")[0].strip() or "UTC"
    if name not in SCALES:
        raise HeaderTrouble(ImageCode.SCALE_NOT_READ, scale=timesys, known=tuple(SCALES))
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
    """Subtract what the scale is ahead of UTC; looked up twice, because the table is by UTC days."""
    from drift.sky.time_scales import installed_earth_rotation

    ahead_of_tai = {"TAI": 0.0, "TT": TT_MINUS_TAI_S, "GPS": GPS_MINUS_TAI_S}[scale]
    table = installed_earth_rotation().leap_seconds
    utc = clock_us
    for _ in range(2):
        offset_s = table.at(utc // US_PER_DAY + MJD_1970) + ahead_of_tai
        utc = clock_us - np.round(offset_s * US_PER_SECOND).astype(np.int64)
    return utc


def _from_ut1(clock_us: Ints) -> Ints:
    from drift.sky.time_scales import installed_earth_rotation, utc_day_and_fraction

    ahead_s = installed_earth_rotation().at(*utc_day_and_fraction(clock_us)).ut1_minus_utc_s
    return clock_us - np.round(ahead_s * US_PER_SECOND).astype(np.int64)


# ---- The centre of an image and its position angle, from the WCS keywords.
#
# World coordinates are worked out by astropy, which hands them to WCSLIB: every projection and distortion
# that it reads is read here.  Nearly all headers go straight to `astropy.wcs.Wcsprm`, which is ten times as
# quick as `astropy.wcs.WCS` and gives the same place; those that only `WCS` treats correctly (distortions
# in tables, polynomial terms under ``-TAN``) go through `WCS`.
#
# References
# ----------
# .. [1] Greisen and Calabretta 2002, A&A 395, 1061 ("Paper I"): sect. 2.1.4, a pixel's centre has
#    whole numbers, the first is 1; sect. 2.1.2, pixels to intermediate world coordinates.
# .. [2] Calabretta and Greisen 2002, A&A 395, 1077 ("Paper II"): projections; sect. 3.1, RADESYS and
#    EQUINOX, and what holds without them.
# .. [3] FITS Standard 4.0, sect. 8.3 and table 24 (RADESYS, with ICRS as the default).


Numbers = npt.NDArray[np.float64]

#: Keywords of distortions that `Wcsprm` alone would not read as `WCS` does (tables in other HDUs; given to
#: it without them it may even crash).
_TABLES = re.compile(r" (?:CPDIS|CQDIS|D2IM|AXISCORR|DP\d|DQ\d)", re.ASCII)
_TERMS = re.compile(r" PV[12]_\d", re.ASCII)
#: Keywords that don't matter from pixels to the sky: remarks, and the inverse polynomials.
_NO_PART = re.compile(r"COMMENT|HISTORY||[AB]P_(?:ORDER|DMAX|\d+_\d+)", re.ASCII)
#: Planes of a colour picture: two, three, or four with a transparency.
_COLOURS = (2, 3, 4)
#: Before this equinox a mean place is in FK4, from it on in FK5 (Paper II, sect. 3.1).
_FK5_FROM = 1984.0


@dataclass(frozen=True)
class SkyFrame:
    """The celestial frame of a WCS: ``ICRS``, ``FK5``, ``FK4``, ``FK4-NO-E``, or ``galactic``.

    `equinox` is in years: Julian for FK5, Besselian for FK4; NaN where it has no meaning.
    """

    name: str
    equinox: float

    @property
    def key(self) -> tuple[str, float]:
        """Equal for frames that are the same."""
        return self.name, 0.0 if np.isnan(self.equinox) else self.equinox


@dataclass(frozen=True)
class ImagePlace:
    """The centre of an image and a point one pixel above it [deg] in the frame of its WCS.

    `reference` is the WCS's own reference value (CRVAL), `pixel_deg` the length of a pixel.
    """

    frame: SkyFrame
    centre: tuple[float, float]
    above: tuple[float, float]
    reference: tuple[float, float]
    pixel_deg: float


def image_place(header: ImageHeader, path: Path | None = None) -> ImagePlace:
    """Return where the centre of an image lies.

    Parameters
    ----------
    header
        The header of the image.
    path
        Its file, from which distortion tables are read when the header names any.

    Raises
    ------
    HeaderTrouble
        If there is no image of two dimensions, no celestial WCS, or none that has a place at the centre.
    """
    wide, high = _width_and_height(header)
    if "CTYPE1" not in header.own and "CTYPE2" not in header.own:
        raise HeaderTrouble(ImageCode.NO_WCS)
    middle = ((wide + 1) / 2, (high + 1) / 2)  # Paper I, sect. 2.1.4
    points = np.array([middle, (middle[0], middle[1] + 1.0)])
    wcsprm, world = _quick(header, points) if _is_plain(header) else _full(header, points, path)
    frame = _frame(wcsprm)
    lng, lat = wcsprm.lng, wcsprm.lat
    place = world[:, [lng, lat]]
    if not np.isfinite(place).all():
        raise HeaderTrouble(ImageCode.WCS_NOWHERE)
    (ra, dec), (ra_up, dec_up) = place.tolist()
    across = ((ra_up - ra + 180.0) % 360.0 - 180.0) * float(np.cos(np.radians(dec)))
    return ImagePlace(
        frame,
        (ra % 360.0, dec),
        (ra_up % 360.0, dec_up),
        (float(wcsprm.crval[lng]) % 360.0, float(wcsprm.crval[lat])),
        float(np.hypot(across, dec_up - dec)),
    )


def _width_and_height(header: ImageHeader) -> tuple[int, int]:
    axes = header.axes
    if len(axes) < 2 or min(axes[:2]) < 2:
        raise HeaderTrouble(ImageCode.NO_PICTURE, axes=axes)
    if any(length != 1 for length in axes[2:]) and not (len(axes) == 3 and axes[2] in _COLOURS):
        raise HeaderTrouble(ImageCode.NO_PLANE, axes=axes)
    return axes[0], axes[1]


def _is_plain(header: ImageHeader) -> bool:
    """Tell whether `Wcsprm` alone reads the header as `WCS` does."""
    cards = header.own
    types = [cards.text(f"CTYPE{axis}").upper() for axis in (1, 2)]
    if len(header.axes) > 2 or "WCSAXES" in cards and cards.whole("WCSAXES", 2) != 2:
        return False
    if not all("-" in one for one in types) or _has_tab(header):
        return False
    if cards.has_any(_TABLES) or (any("-TAN" in one for one in types) and cards.has_any(_TERMS)):
        return False
    orders = [cards.whole(f"{name}_ORDER") for name in "AB" if f"{name}_ORDER" in cards]
    return not orders or (len(orders) == 2 and min(orders) > 1 and all(one.endswith("-SIP") for one in types))


def _has_tab(header: ImageHeader) -> bool:
    """Tell whether an axis takes its coordinates from a table (``-TAB``)."""
    axes = range(1, max(len(header.axes), header.own.whole("WCSAXES", 2)) + 1)
    return any("-TAB" in header.own.text(f"CTYPE{axis}").upper() for axis in axes)


def _quick(header: ImageHeader, points: Numbers) -> tuple[Wcsprm, Numbers]:
    from astropy.wcs import WcsError, Wcsprm

    try:
        wcsprm = Wcsprm(header=header.own.without(_NO_PART), relax=True)
        wcsprm.fix()
        wcsprm.set()
        _refuse_not_celestial(wcsprm)
        return wcsprm, wcsprm.p2s(points, 1)["world"]
    except (WcsError, KeyError, ValueError, MemoryError) as error:
        raise _trouble(error) from error


def _full(header: ImageHeader, points: Numbers, path: Path | None) -> tuple[Wcsprm, Numbers]:
    from astropy.io import fits
    from astropy.wcs import WcsError

    try:
        tables = header.own.has_any(_TABLES) or _has_tab(header)
        wcs = _wcs(fits.Header.fromstring(header.own.block), path if tables else None)
        _refuse_not_celestial(wcs.wcs)
        rest = np.ones((len(points), wcs.naxis - 2))
        return wcs.wcs, wcs.all_pix2world(np.hstack([points, rest]), 1)
    except (WcsError, KeyError, ValueError, TypeError, OSError, MemoryError, fits.VerifyError) as error:
        raise _trouble(error) from error


def _wcs(cards: object, path: Path | None) -> WCS:
    from astropy.io import fits
    from astropy.wcs import WCS

    if path is None:
        return WCS(cards)
    with fits.open(path) as file:
        return WCS(cards, file)


def _refuse_not_celestial(wcsprm: Wcsprm) -> None:
    if wcsprm.lng < 0 or wcsprm.lat < 0:
        raise HeaderTrouble(ImageCode.WCS_NOT_OF_SKY, types=tuple(map(str, wcsprm.ctype)))


def _trouble(error: Exception) -> HeaderTrouble:
    """Turn astropy's error into a reason; of WCSLIB's the second line says what is wrong."""
    lines = [line.strip("\"' ") for line in str(error).splitlines() if line.strip()] or [""]
    words = lines[1] if lines[0].startswith("ERROR") and len(lines) > 1 else lines[0]
    return HeaderTrouble(ImageCode.WCS_BROKEN, error=words.rstrip(".") or type(error).__name__)


def _frame(wcsprm: Wcsprm) -> SkyFrame:
    """Name the celestial frame of a WCS (Paper II, sect. 3.1; FITS Standard 4.0, sect. 8.3)."""
    kind = wcsprm.ctype[wcsprm.lng][:4].rstrip("-")
    system = wcsprm.radesys.strip().upper()
    equinox = float(wcsprm.equinox)
    if kind == "GLON":
        return SkyFrame("galactic", np.nan)
    if kind != "RA":
        raise HeaderTrouble(ImageCode.COORDINATES_NOT_READ, coordinates=str(kind))
    if not system:
        if np.isnan(equinox):
            return SkyFrame("ICRS", np.nan)
        system = "FK4" if equinox < _FK5_FROM else "FK5"
    if system == "ICRS":
        return SkyFrame("ICRS", np.nan)
    if system == "FK5":
        return SkyFrame("FK5", 2000.0 if np.isnan(equinox) else equinox)
    if system in ("FK4", "FK4-NO-E"):
        return SkyFrame(system, 1950.0 if np.isnan(equinox) else equinox)
    raise HeaderTrouble(ImageCode.RADESYS_NOT_READ, radesys=system)


def to_icrs(frames: Sequence[SkyFrame], lon_deg: Numbers, lat_deg: Numbers) -> tuple[Numbers, Numbers]:
    """Return places in ICRS [deg], all of one frame at once.

    Parameters
    ----------
    frames
        n frames.
    lon_deg, lat_deg
        (n,) place in its frame [deg].
    """
    ra, dec = lon_deg.astype(np.float64), lat_deg.astype(np.float64)
    keys = [frame.key for frame in frames]
    for key in set(keys) - {("ICRS", 0.0)}:
        rows = np.array([one == key for one in keys])
        ra[rows], dec[rows] = _transformed(frames[keys.index(key)], ra[rows], dec[rows])
    return ra % 360.0, dec


def _transformed(frame: SkyFrame, lon_deg: Numbers, lat_deg: Numbers) -> tuple[Numbers, Numbers]:
    from astropy import units
    from astropy.coordinates import FK4, FK5, FK4NoETerms, Galactic, SkyCoord
    from astropy.time import Time

    kinds = {"FK5": (FK5, "jyear"), "FK4": (FK4, "byear"), "FK4-NO-E": (FK4NoETerms, "byear")}
    if frame.name == "galactic":
        there = Galactic()
    else:
        kind, year = kinds[frame.name]
        there = kind(equinox=Time(frame.equinox, format=year))
    place = SkyCoord(lon_deg * units.deg, lat_deg * units.deg, frame=there).icrs
    return place.ra.deg, place.dec.deg


def position_angle_deg(ra_deg: Numbers, dec_deg: Numbers, ra_up_deg: Numbers, dec_up_deg: Numbers) -> Numbers:
    """Return the position angle of the images' rows upward [deg], from north through east, 0 to 360.

    It is the direction at the centre toward a point above it, along the great circle.
    """
    d_ra = np.radians(ra_up_deg - ra_deg)
    dec, up = np.radians(dec_deg), np.radians(dec_up_deg)
    # sin(up - dec) and 1 - cos(d_ra) instead of their long forms: the points are a pixel apart
    east = np.cos(up) * np.sin(d_ra)
    north = np.sin(up - dec) + 2.0 * np.sin(dec) * np.cos(up) * np.sin(d_ra / 2.0) ** 2
    return np.degrees(np.arctan2(east, north)) % 360.0
