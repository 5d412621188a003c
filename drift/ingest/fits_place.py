"""Where an image's centre lies on the sky and which way it is turned, from its WCS keywords.

World coordinates are worked out by astropy, which hands them to WCSLIB: every
projection and distortion that it reads is read here.  Nearly all headers go
straight to `astropy.wcs.Wcsprm`, which is ten times as quick as
`astropy.wcs.WCS` and gives the same place; those that `WCS` treats in a way
of its own (distortions kept in tables, polynomial terms under ``-TAN``) go
through `WCS`.

References
----------
.. [1] Greisen and Calabretta 2002, A&A 395, 1061 ("Paper I"): sect. 2.1.4, a pixel's centre has
   whole numbers, the first is 1; sect. 2.1.2, pixels to intermediate world coordinates.
.. [2] Calabretta and Greisen 2002, A&A 395, 1077 ("Paper II"): projections; sect. 3.1, RADESYS and
   EQUINOX, and what holds without them.
.. [3] FITS Standard 4.0, sect. 8.3 and table 24 (RADESYS, with ICRS as the default).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.ingest.fits_header import HeaderTrouble, ImageHeader
from drift.notices import ImageCode

if TYPE_CHECKING:
    from astropy.wcs import WCS, Wcsprm


Numbers = npt.NDArray[np.float64]

#: Keywords of distortions that `Wcsprm` alone would not read as `WCS` does (tables in other HDUs; given to
#: it without them it may even crash).
_TABLES = re.compile(r" (?:CPDIS|CQDIS|D2IM|AXISCORR|DP\d|DQ\d)", re.ASCII)
_TERMS = re.compile(r" PV[12]_\d", re.ASCII)
#: What is no part of the way from pixels to the sky: remarks, and the polynomials of the way back.
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
        """What frames that are the same have in common."""
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
    """Turn astropy's error into a reason; of WCSLIB's it is the second line that says what is wrong."""
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
