"""Headers that nobody here wrote: astropy's own test data, read as images, against `astropy.wcs.WCS`.

The data lie in the installed package (astropy/wcs/tests/data, astropy/io/fits/tests/data).  Bare headers
among them are put before pixels first, so that they go through the same reader as an image.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import astropy
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS
from astropy.wcs.utils import wcs_to_celestial_frame

from drift.ingest.fits_exposure import image_place, to_icrs
from drift.ingest.fits_header import HeaderTrouble, ImageHeader, image_headers
from drift.ingest.fits_images import Frame, NoFrame, read_frame
from drift.ingest.fits_mapping import FitsMapping
from drift.notices import ImageCode
from drift.render.notices import sentence

HOME = Path(astropy.__file__).parent
WCS_DATA = HOME / "wcs" / "tests" / "data"
FITS_DATA = HOME / "io" / "fits" / "tests" / "data"
#: Both ways end in the same code of WCSLIB; this is rounding [deg].
SAME_DEG = 1e-9

#: Sample -> the size it is given where the bare header has none.
BARE = {
    **{f"maps/{path.name}": None for path in sorted((WCS_DATA / "maps").glob("*.hdr"))},
    "2wcses.hdr": None,
    "defunct_keywords.hdr": None,
    "invalid_header.hdr": None,
    "irac_sip.hdr": None,
    "outside_sky.hdr": None,
    "sip-broken.hdr": None,
    "siponly.hdr": None,
    "too_many_pv.hdr": None,
    "tpvonly.hdr": None,
    "locale.hdr": (640, 480),
    "sub-segfault.hdr": (640, 480),
}
#: File -> the HDU of its first picture with a place: one with the digitised-plate polynomial, one with
#: distortion tables in other HDUs, two with several pictures.
IMAGES = {
    WCS_DATA / "dss.14.29.56-62.41.05.fits.gz": 0,
    WCS_DATA / "dist_lookup.fits.gz": 1,
    FITS_DATA / "test0.fits": 2,
    FITS_DATA / "test1.fits": 2,
}
#: File -> a part of the reason for which it can't be used.
UNUSABLE = {
    FITS_DATA / "arange.fits": "3 dimensions (11 x 10 x 7)",
    FITS_DATA / "ascii.fits": "no picture",
    FITS_DATA / "btable.fits": "no picture",
    FITS_DATA / "comp.fits": "was taken",
    FITS_DATA / "compressed_image.fits": "was not solved",
    FITS_DATA / "double_ext.fits": "was not solved",
    FITS_DATA / "group.fits": "no picture",
    FITS_DATA / "lzw.fits.Z": "not a FITS file",
    FITS_DATA / "o4sp040b0_raw.fits": "not of the sky (CTYPE: LAMBDA, ANGLE)",
    FITS_DATA / "zerowidth.fits": "no picture",
    WCS_DATA / "header_newlines.fits": "no picture",
    WCS_DATA / "ie6d07ujq_wcs.fits": "was not solved",
    WCS_DATA / "tab-time-last-axis.fits": "no picture",
}
#: Sample -> a part of the reason for which it is no picture with a place.
REFUSED = {
    "3d_cd.hdr": "dimensions",
    "unit.hdr": "3 dimensions",
    "spectra/orion-freq-4.hdr": "is no picture",
    "spectra/orion-velo-1.hdr": "is no picture",
    "zpn-hole.hdr": "no place on the sky",
}


def bare(name: str, size: tuple[int, ...] | None, folder: Path) -> Path:
    """Put a bare header before pixels (none are written: they are never read)."""
    data = (WCS_DATA / name).read_bytes()
    header = fits.Header.fromstring(data, sep="\n" if b"\n" in data[:200] else "")
    for key in ("SIMPLE", "XTENSION", "BITPIX", "EXTEND", "PCOUNT", "GCOUNT"):
        header.remove(key, ignore_missing=True)
    axes = size or tuple(header[f"NAXIS{axis}"] for axis in range(1, header["NAXIS"] + 1))
    first = fits.Header([("SIMPLE", True), ("BITPIX", 16), ("NAXIS", len(axes))])
    for axis, length in enumerate(axes, 1):
        first[f"NAXIS{axis}"] = length
    for card in header.cards:
        if card.keyword.startswith("NAXIS"):
            continue
        first.append(card, end=True, bottom=True)
    path = folder / "image.fits"
    path.write_bytes(first.tostring().encode("latin-1"))
    return path


def only_image(path: Path) -> ImageHeader:
    (header,) = image_headers(path)
    return header


def by_astropy(path: Path, header: ImageHeader) -> tuple[float, float]:
    """Return the centre in ICRS the plain way."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        cards = fits.Header.fromstring(header.own.block)
        if "CPDIS1" in cards:
            with fits.open(path) as file:
                wcs = WCS(cards, file)
        else:
            wcs = WCS(cards)
        middle = [(length + 1) / 2 for length in header.axes[:2]] + [1.0] * (wcs.naxis - 2)
        lon, lat = wcs.all_pix2world([middle], 1)[0][[wcs.wcs.lng, wcs.wcs.lat]]
        place = SkyCoord(lon, lat, unit="deg", frame=wcs_to_celestial_frame(wcs)).icrs
    return float(place.ra.deg), float(place.dec.deg)


def ours(path: Path, header: ImageHeader) -> tuple[float, float]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        place = image_place(header, path)
    ra, dec = to_icrs([place.frame], np.array([place.centre[0]]), np.array([place.centre[1]]))
    return float(ra[0]), float(dec[0])


def assert_same(path: Path, hdu: int = 0) -> None:
    header = next(one for one in image_headers(path) if one.hdu == hdu)
    (ra, dec), (their_ra, their_dec) = ours(path, header), by_astropy(path, header)
    assert abs((ra - their_ra + 180.0) % 360.0 - 180.0) < SAME_DEG
    assert abs(dec - their_dec) < SAME_DEG


@pytest.mark.parametrize("name", BARE)
def test_the_centre_of_a_bare_header_is_astropys(name: str, tmp_path: Path) -> None:
    assert_same(bare(name, BARE[name], tmp_path))


@pytest.mark.parametrize("path", IMAGES, ids=lambda path: path.name)
def test_the_centre_of_an_image_is_astropys(path: Path) -> None:
    assert_same(path, IMAGES[path])


@pytest.mark.parametrize("path", UNUSABLE, ids=lambda path: path.name)
def test_a_file_that_is_no_solved_image_is_given_its_reason(path: Path) -> None:
    analysis = read_frame(path, FitsMapping())
    assert isinstance(analysis, NoFrame)
    assert UNUSABLE[path] in sentence(analysis.reason)


def test_no_file_of_astropys_makes_the_reader_fail() -> None:
    files = [path for home in (WCS_DATA, FITS_DATA) for path in home.rglob("*") if path.is_file()]
    assert len(files) > 80
    answers = [read_frame(path, FitsMapping()) for path in files]
    reasons = [one.reason.code for one in answers if isinstance(one, NoFrame)]
    assert ImageCode.HEADER_UNREADABLE not in reasons


def test_the_old_form_of_dates_with_a_time_beside_it() -> None:
    """test0.fits: DATE-OBS '19/05/94', TIME-OBS '13:41:16.0...', EXPTIME 0.23 s; dd/mm/yy is of the 1900s."""
    analysis = read_frame(FITS_DATA / "test0.fits", FitsMapping())
    assert isinstance(analysis, Frame)
    cards = fits.getheader(FITS_DATA / "test0.fits", 0)
    start = np.datetime64(f"1994-05-19T{cards['TIME-OBS']}", "us").astype(np.int64)
    assert analysis.time.clock_us == start + round(float(cards["EXPTIME"]) / 2 * 1e6)


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_picture_has_a_reason(name: str, tmp_path: Path) -> None:
    size = (32, 32, 32) if name == "3d_cd.hdr" else None
    path = bare(name, size, tmp_path)
    with warnings.catch_warnings(), pytest.raises(HeaderTrouble) as trouble:
        warnings.simplefilter("ignore")
        image_place(only_image(path), path)
    assert REFUSED[name] in sentence(trouble.value.notice)
