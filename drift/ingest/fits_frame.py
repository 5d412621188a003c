"""One image file -> what its header says of time, place, mount and observatory."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from pathlib import Path

from drift.ingest.fits_header import HeaderTrouble, ImageHeader, image_headers
from drift.ingest.fits_mapping import FitsMapping
from drift.ingest.fits_place import ImagePlace, image_place
from drift.ingest.fits_time import MidExposure, mid_exposure
from drift.notices import ImageCode, Notice, warning

#: An OBSGEO place nearer to the Earth's middle than this is blank or in another unit [m].
_LEAST_RADIUS_M = 6.3e6


@dataclass(frozen=True, slots=True)
class Frame:
    """What one solved image's header says; texts are as they stand in the header, "" where not given."""

    hdu: int
    time: MidExposure
    place: ImagePlace
    mount_ra: str
    mount_dec: str
    tube_side: str
    temp_c: str
    pressure_hpa: str
    session: str
    sweep: str
    run: str
    observatory: tuple[float, float] | None  # geodetic latitude, longitude [deg], north and east positive


@dataclass(frozen=True, slots=True)
class NoFrame:
    """Why a file can't be used."""

    reason: Notice


def read_frame(path: Path, mapping: FitsMapping) -> Frame | NoFrame:
    """Read what the header of one file says; a file that can't be used gives its reason."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return _frame(path, mapping)
        except HeaderTrouble as trouble:
            return NoFrame(trouble.notice)
        except OSError as error:
            return NoFrame(warning(ImageCode.UNREADABLE, error=str(error.strerror or error)))
        except Exception as error:  # a header can break a library in ways that nobody foresaw
            sort = type(error).__name__
            return NoFrame(warning(ImageCode.HEADER_UNREADABLE, error_type=sort, error=str(error)))


def _frame(path: Path, mapping: FitsMapping) -> Frame:
    first: HeaderTrouble | None = None
    for header in image_headers(path):
        try:
            place = image_place(header, path)
        except HeaderTrouble as trouble:
            # Of several images without a place, one with pixels tells more than an empty primary.
            first = trouble if first is None or not header.hdu else first
            continue
        return frame_of(header, place, mapping)
    raise first or HeaderTrouble(ImageCode.NO_PICTURE)


def frame_of(header: ImageHeader, place: ImagePlace, mapping: FitsMapping) -> Frame:
    """Gather what a header says beside the place of the image.

    Raises
    ------
    HeaderTrouble
        If the time of the exposure can't be known.
    """
    return Frame(
        hdu=header.hdu,
        time=mid_exposure(header, mapping.date_obs_means),
        place=place,
        mount_ra=_said(header, mapping.mount_ra),
        mount_dec=_said(header, mapping.mount_dec),
        tube_side=_said(header, mapping.tube_side),
        temp_c=_said(header, mapping.temp_c),
        pressure_hpa=_said(header, mapping.pressure_hpa),
        session=_said(header, mapping.session),
        sweep=_said(header, mapping.sweep),
        run=_said(header, mapping.run),
        observatory=observatory(header),
    )


def _said(header: ImageHeader, keyword: str) -> str:
    return header.text(keyword) if keyword else ""


def observatory(header: ImageHeader) -> tuple[float, float] | None:
    """Return geodetic latitude and longitude [deg, north and east positive] by OBSGEO-*, or None.

    OBSGEO-B and -L are geodetic; OBSGEO-X, -Y, -Z are in the ITRS [m] (Rots et al. 2015, sect. 4.1.3,
    from memory; FITS Standard 4.0, sect. 9.2.3), turned to geodetic by ERFA ``gc2gd`` for WGS84.
    """
    latitude, longitude = header.number("OBSGEO-B"), header.number("OBSGEO-L")
    if latitude is not None and longitude is not None and abs(latitude) <= 90.0:
        return latitude, (longitude + 180.0) % 360.0 - 180.0
    metres = [header.number(f"OBSGEO-{axis}") for axis in "XYZ"]
    given = [value for value in metres if value is not None]
    if len(given) < 3 or sum(value * value for value in given) < _LEAST_RADIUS_M**2:
        return None
    import erfa
    import numpy as np

    east, north, _ = erfa.gc2gd(1, np.array(given))  # 1: WGS84
    return float(np.degrees(north)), float(np.degrees(east))
