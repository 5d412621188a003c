"""Plate-solved images as one table, one row for each: time, place and mount by its header."""

from __future__ import annotations

import csv
import hashlib
import io
import math
import warnings
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from drift.ingest.astropy_tables import astropy_offline
from drift.ingest.fits_exposure import (
    ImagePlace,
    MidExposure,
    image_place,
    mid_exposure,
    position_angle_deg,
    to_icrs,
    to_utc_us,
)
from drift.ingest.fits_header import HeaderTrouble, ImageHeader, all_headers, image_headers
from drift.ingest.fits_mapping import FitsMapping
from drift.ingest.fits_mount import (
    FrameFound,
    MountPlaces,
    SidesFound,
    Solved,
    mount_frame,
    read_mount_places,
    to_of_date,
    tube_sides,
    written_back,
)
from drift.ingest.mapping import PlaceFrame
from drift.ingest.row_check import Circumstances
from drift.ingest.text import Heading, RawTable, Rows, as_text
from drift.notices import ImageCode, Notice, info, warning
from drift.readings import IMAGE
from drift.sky.of_date import separation_deg

# ---- A set of images as one table, one row for each.
#
# What a set shows as a whole (the frame of the mount's places, a solved place written back, another
# observatory's images) could not be seen in one file, so all images of a folder are one log.  Those of
# several folders are not: they may be another night's, another program's or another telescope's.


Numbers = npt.NDArray[np.float64]

COLUMNS = (
    *("time_utc", "ra_deg", "dec_deg", "mount_ra_deg", "mount_dec_deg", "tube_side", "session", "temp_c"),
    *("pressure_hpa", "exposure_s", "pa_deg", "sweep", "run"),
)
#: The column that says which image a row came from; it is kept with the row.
FILE = "file"
_DEGREE_DECIMALS = 9
#: An observatory so far off [km] is worth a remark ...
_AWAY_KM = 2.0
#: ... and so far off it is another one, where most images are of this one.
_ELSEWHERE_KM = 20.0
_EARTH_KM = 6371.0
#: Two solves never agree to this [deg] (0.4 mas).
_SAME_DEG = 1e-7


@dataclass(frozen=True)
class Images:
    """Image files, and what their headers say."""

    name: str  # what the set is called in messages: the folder, or the file
    path: str  # whole
    files: tuple[str, ...]  # the name of each within the set
    answers: Sequence[Frame | NoFrame] = field(repr=False)


@dataclass(frozen=True)
class ImageRows:
    """The rows of a set of images, before the frame of the mount's places is settled."""

    images: Images
    frames: list[Frame] = field(repr=False)
    at: list[int] = field(repr=False)  # position of each frame among the files
    solved: Solved = field(repr=False)
    above_deg: Numbers = field(repr=False)  # (n, 2) ICRS a pixel above the middle
    mount: MountPlaces = field(repr=False)
    own: npt.NDArray[np.bool_] = field(repr=False)  # whether RA and DEC are the mount's own place
    frame: FrameFound
    sides: SidesFound = field(repr=False)
    aside: dict[int, Notice] = field(repr=False)  # position among the files -> why
    remarks: tuple[Notice, ...]


def gather_images(images: Images, around: Circumstances, mapping: FitsMapping) -> ImageRows:
    """Work out places, times and what the mount's keywords mean for a set of images."""
    aside = {at: one.reason for at, one in enumerate(images.answers) if isinstance(one, NoFrame)}
    at = [at for at, one in enumerate(images.answers) if isinstance(one, Frame)]
    frames = [one for one in images.answers if isinstance(one, Frame)]
    solved, above = _solved(frames)
    mount = read_mount_places(
        [one.mount_ra for one in frames], [one.mount_dec for one in frames], solved, mapping
    )
    back = written_back(mount, solved, mapping)
    own = mount.given & ~back.rows
    frame = FrameFound()
    if own.any():
        frame = mount_frame(mount, own, solved, around.longitude_deg, mapping)
    sides = tube_sides([one.tube_side for one in frames], solved, around.longitude_deg, mapping)
    far, far_remarks = _elsewhere(frames, around)
    for why in (mount.bad, _repeated(solved), far):
        for row, reason in why.items():
            aside.setdefault(at[row], reason)
    remarks = (
        *_about(frames),
        *far_remarks,
        *_about_mount(mount, frames, mapping),
        *mount.remarks,
        *back.remarks,
        *sides.remarks,
    )
    return ImageRows(images, frames, at, solved, above, mount, own, frame, sides, aside, remarks)


def _solved(frames: list[Frame]) -> tuple[Solved, Numbers]:
    clock = np.array([one.time.clock_us for one in frames], dtype=np.int64)
    own = np.array([one.place.centre for one in frames], dtype=np.float64).reshape(-1, 2)
    up = np.array([one.place.above for one in frames], dtype=np.float64).reshape(-1, 2)
    reference = np.array([one.place.reference for one in frames], dtype=np.float64).reshape(-1, 2)
    systems = [one.place.frame for one in frames]
    with astropy_offline():
        ra, dec = to_icrs(systems, own[:, 0], own[:, 1])
        ra_up, dec_up = to_icrs(systems, up[:, 0], up[:, 1])
    pixel = np.array([one.place.pixel_deg for one in frames], dtype=np.float64)
    time_us = to_utc_us([one.time.scale for one in frames], clock)
    return Solved(time_us, ra, dec, own, reference, pixel), np.column_stack([ra_up, dec_up])


def _repeated(solved: Solved) -> dict[int, Notice]:
    """Find images with the very same place at different times: their WCS was copied, not solved."""
    keys = [
        tuple(place)
        for place in np.round(np.column_stack([solved.ra_deg, solved.dec_deg]) / _SAME_DEG)
        .astype(np.int64)
        .tolist()
    ]
    times: dict[tuple[int, ...], set[int]] = {}
    for key, time in zip(keys, solved.time_us.tolist(), strict=True):
        times.setdefault(key, set()).add(time)
    why = warning(ImageCode.PLACE_COPIED)
    return {row: why for row, key in enumerate(keys) if len(times[key]) > 1}


def _elsewhere(frames: list[Frame], around: Circumstances) -> tuple[dict[int, Notice], tuple[Notice, ...]]:
    """Compare the observatory in the headers with the site: images of another one, and notices."""
    here = np.array([around.latitude_deg, around.longitude_deg])
    observatories = np.array([one.observatory or (np.nan, np.nan) for one in frames]).reshape(-1, 2)
    rows = np.flatnonzero(np.isfinite(observatories[:, 0]))
    if not rows.size:
        return {}, ()
    apart_km = np.full(len(frames), np.nan)
    apart_km[rows] = (
        np.radians(separation_deg(observatories[rows, 1], observatories[rows, 0], here[1], here[0]))
        * _EARTH_KM
    )
    far = rows[apart_km[rows] > _AWAY_KM]
    if not far.size:
        return {}, ()
    places = Counter((round(observatories[at, 0], 4), round(observatories[at, 1], 4)) for at in far.tolist())
    (north, east), _ = places.most_common(1)[0]
    other = rows[apart_km[rows] > _ELSEWHERE_KM]
    strangers = bool(other.size and other.size <= rows.size / 2)
    remark = warning(
        ImageCode.FAR_SITE,
        images=int(far.size),
        of_images=int(rows.size),
        apart_km=float(np.median(apart_km[far])),
        latitude_deg=float(north),
        longitude_deg=float(east),
        site_latitude_deg=around.latitude_deg,
        site_longitude_deg=around.longitude_deg,
        set_aside_beyond_km=_ELSEWHERE_KM if strangers else None,
        longitude_sign=_mirrored(north, east, here),
    )
    if not strangers:
        return {}, (remark,)
    aside = {int(at): warning(ImageCode.OF_OTHER_SITE, apart_km=float(apart_km[at])) for at in other.tolist()}
    return aside, (remark,)


def _mirrored(north: float, east: float, here: Numbers) -> bool:
    apart = separation_deg(np.array([-east]), np.array([north]), here[1:], here[:1])
    return bool(math.radians(float(apart[0])) * _EARTH_KM <= _AWAY_KM)


def _about(frames: list[Frame]) -> tuple[Notice, ...]:
    """Return a notice of the keywords and scales that the times were taken from."""
    if not frames:
        return ()
    keywords = Counter(one.time.keyword for one in frames)
    names, counts = zip(*keywords.most_common(), strict=True)
    scales = tuple(sorted({one.time.scale for one in frames} - {"UTC"}))  # turned to UTC
    return (info(ImageCode.TIMES_FROM, keywords=names, images=counts, scales=scales),)


def _about_mount(mount: MountPlaces, frames: list[Frame], mapping: FitsMapping) -> tuple[Notice, ...]:
    lacking = int((~mount.given).sum()) - len(mount.bad)
    if not frames or lacking <= 0:
        return ()
    keywords = tuple(filter(None, (mapping.mount_ra, mapping.mount_dec)))
    return (warning(ImageCode.NO_MOUNT, images=lacking, of_images=len(frames), keywords=keywords),)


def table_of(rows: ImageRows, frame: PlaceFrame) -> RawTable:
    """Return a set of images as a table with our own columns.

    Parameters
    ----------
    rows
        What was gathered.
    frame
        The frame of the mount's places.
    """
    columns = _texts(rows, frame)
    count = len(rows.images.files)
    cells = [[""] * count for _ in COLUMNS]
    for number, name in enumerate(COLUMNS):
        for at, text in zip(rows.at, columns[name], strict=True):
            cells[number][at] = text
    cells.append(list(rows.images.files))
    raws = [_line(row) for row in zip(*cells, strict=True)]
    aside = {at: naming(why, rows.images.files[at]) for at, why in rows.aside.items()}
    remarks = (*rows.remarks, *((rows.frame.evidence,) if rows.frame.evidence else ()))
    return RawTable(
        name=rows.images.name,
        path=rows.images.path,
        digest=hashlib.blake2b(
            "\n".join(raws).encode("utf-8", "surrogateescape"), digest_size=16
        ).hexdigest(),
        headings=tuple(Heading(name) for name in (*COLUMNS, FILE)),
        header_line=0,
        parts=(Rows(list(cells), np.arange(1, count + 1, dtype=np.int64), raws, aside=aside),),
        split_raw=lambda raw: next(csv.reader([raw])),
        remarks=remarks,
    )


def naming(reason: Notice, image: str) -> Notice:
    """Return a reason that names the image concerned."""
    return replace(reason, values={**reason.values, IMAGE: image})


def _texts(rows: ImageRows, frame: PlaceFrame) -> dict[str, list[str]]:
    solved, frames = rows.solved, rows.frames
    mount_ra, mount_dec = np.full(len(frames), np.nan), np.full(len(frames), np.nan)
    own = (
        rows.own
        & (np.abs(rows.mount.dec_deg) <= 90.0)
        & (rows.mount.ra_deg >= 0.0)
        & (rows.mount.ra_deg < 360.0)
    )
    mount_ra[own], mount_dec[own] = to_of_date(
        frame, solved.time_us[own], rows.mount.ra_deg[own], rows.mount.dec_deg[own]
    )
    odd = rows.own & ~own  # for the checks of the rows to name
    mount_ra[odd], mount_dec[odd] = rows.mount.ra_deg[odd], rows.mount.dec_deg[odd]
    angle = position_angle_deg(solved.ra_deg, solved.dec_deg, *rows.above_deg.T)
    stamps = np.datetime_as_string(solved.time_us.astype("datetime64[us]"), unit="us").tolist()
    exposures = [one.time.exposure_s for one in frames]
    return {
        "time_utc": [f"{stamp}Z" for stamp in stamps],
        "ra_deg": _degrees(solved.ra_deg, turn=True),
        "dec_deg": _degrees(solved.dec_deg),
        "mount_ra_deg": _degrees(mount_ra, turn=True),
        "mount_dec_deg": _degrees(mount_dec),
        "tube_side": [str(side) for side in rows.sides.sides],
        "session": [one.session for one in frames],
        "temp_c": [one.temp_c for one in frames],
        "pressure_hpa": [one.pressure_hpa for one in frames],
        "exposure_s": ["" if math.isnan(one) else f"{one:g}" for one in exposures],
        "pa_deg": [f"{one:.3f}" for one in angle.tolist()],
        "sweep": [one.sweep for one in frames],
        "run": [one.run for one in frames],
    }


def _degrees(values: Numbers, turn: bool = False) -> list[str]:
    """Write degrees; a right ascension that would round up to 360 becomes 0."""
    rounded = np.round(values, _DEGREE_DECIMALS)
    if turn:
        rounded = np.where(rounded == 360.0, 0.0, rounded)
    return ["" if math.isnan(one) else f"{one:.{_DEGREE_DECIMALS}f}" for one in rounded.tolist()]


def _line(cells: Sequence[str]) -> str:
    if not any(sign in cell for cell in cells for sign in ',"\n\r'):
        return ",".join(cells)
    text = io.StringIO()
    csv.writer(text, lineterminator="").writerow(cells)
    return text.getvalue()


def by_folder(paths: Sequence[Path]) -> list[tuple[Path, ...]]:
    """Return images by folder, the fullest first: what it shows is used for the others."""
    folders: dict[Path, list[Path]] = {}
    for path in paths:
        folders.setdefault(path.parent, []).append(path)
    return [tuple(some) for some in sorted(folders.values(), key=len, reverse=True)]


def named(paths: Sequence[Path]) -> tuple[str, str, tuple[str, ...]]:
    """Return what a set of files is called, its whole path, and the name of each within it.

    A single file is called by its name; several by the folder that holds them all.
    """
    if len(paths) == 1:
        return as_text(paths[0]), as_text(paths[0].resolve()), (as_text(paths[0].name),)
    parents = [path.parent for path in paths]
    home = parents[0]
    while not all(parent.is_relative_to(home) for parent in parents):
        if home == home.parent:
            return ", ".join(sorted({as_text(parent) for parent in parents})), "", tuple(map(as_text, paths))
        home = home.parent
    files = tuple(as_text(path.relative_to(home).as_posix()) for path in paths)
    return as_text(home), as_text(home.resolve()), files


# ---- One image: what its header says of time, place, mount and observatory.


#: An OBSGEO place nearer to the Earth's middle than this is blank or in another unit [m].
_LEAST_RADIUS_M = 6.3e6


@dataclass(frozen=True, slots=True)
class Frame:
    """What the header of a solved image says; texts are as written, "" where not given."""

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
            # Of several images without a place, one with pixels is better than an empty primary.
            first = trouble if first is None or not header.hdu else first
            beside = _place_beside(header, path) if trouble.notice.code is ImageCode.NO_WCS else None
            if beside is None:
                continue
            place = beside
        return frame_of(header, place, mapping)
    raise first or HeaderTrouble(ImageCode.NO_PICTURE)


def wcs_beside(path: Path) -> Path:
    """Return the name of the file beside an image that may hold its WCS."""
    name = path.name
    for ending in (".fz", ".gz"):
        name = name.removesuffix(ending)
    return path.with_name(name).with_suffix(".wcs")


def _place_beside(header: ImageHeader, path: Path) -> ImagePlace | None:
    """Return the place of an image whose WCS is in a file of the same name with the ending .wcs."""
    beside = wcs_beside(path)
    try:
        solved = next(all_headers(beside), None) if beside.is_file() else None
    except (HeaderTrouble, OSError):
        return None
    return None if solved is None else image_place(replace(header, own=solved.own))


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
        mount_ra=_text_of(header, mapping.mount_ra),
        mount_dec=_text_of(header, mapping.mount_dec),
        tube_side=_text_of(header, mapping.tube_side),
        temp_c=_text_of(header, mapping.temp_c),
        pressure_hpa=_text_of(header, mapping.pressure_hpa),
        session=_text_of(header, mapping.session),
        sweep=_text_of(header, mapping.sweep),
        run=_text_of(header, mapping.run),
        observatory=observatory(header),
    )


def _text_of(header: ImageHeader, keyword: str) -> str:
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
