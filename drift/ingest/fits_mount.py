"""What RA and DEC in the headers are: the mount's place, its unit and frame, or the solve written back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

import numpy as np
import numpy.typing as npt

from drift.ingest.fits_mapping import FitsMapping, RaUnit, SolveWrittenBack
from drift.ingest.mapping import ICRS, MEAN, OF_DATE, PlaceFrame
from drift.ingest.sky_evidence import FrameVerdict, frame_share, hour_angle_rad
from drift.ingest.units import Unit, UnitName
from drift.ingest.values import LOOKS, ON, OTHER_SIDE, PARTS, NumberSpelling, SideMeans, TubeSide, side_of
from drift.notices import ImageCode, Notice, info, warning
from drift.sky.of_date import separation_deg

# ---- RA and DEC: the mount's own place, in which unit, or the solve written back.
#
# No standard defines it for these keywords.  So each decision is reported with its reason, and the mapping
# can override it.


Numbers = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

#: From this share of the files on, RA and DEC equal to the solved place are meant to be.
_NEARLY_ALL = 0.9
#: From this share on it is no accident, and the files concerned are treated separately.
_SOME = 0.1
#: A rounded value is within half a step of the true one; the rest allows for rounding twice.
_STEPS = 0.75
#: Programs place the middle of an image up to a pixel apart.
_PIXELS = 1.0
_NEAR_DEG = 5.0  # a right ascension in hours, times 15, comes so near to the solved one ...
_MOST = 0.8  # ... in this share of the files
_FEW = 3


@dataclass(frozen=True)
class Solved:
    """The solved places of n files: ICRS and in the frame of their own WCS [deg], and the size of a pixel."""

    time_us: Ints
    ra_deg: Numbers
    dec_deg: Numbers
    own_deg: Numbers  # (n, 2) centre in the frame of the WCS
    reference_deg: Numbers  # (n, 2) CRVAL
    pixel_deg: Numbers


@dataclass(frozen=True)
class MountPlaces:
    """RA and DEC of n files as numbers [deg], NaN where they are not given.

    `bad` says why a value can't be read, by position; `unit` is that of plain numbers where it was given or
    found.
    """

    ra_deg: Numbers
    dec_deg: Numbers
    ra_step_deg: float  # what the last written digit is worth
    dec_step_deg: float
    bad: dict[int, Notice]
    unit: RaUnit | None = None
    remarks: tuple[Notice, ...] = ()

    @property
    def given(self) -> Mask:
        """Tell which files give both."""
        return np.isfinite(self.ra_deg) & np.isfinite(self.dec_deg)


def read_mount_places(
    ra: Sequence[str], dec: Sequence[str], solved: Solved, mapping: FitsMapping
) -> MountPlaces:
    """Read the texts of RA and DEC: parts of sixty (hours for RA), or plain numbers (degrees).

    Parameters
    ----------
    ra, dec
        n texts, "" where not given.
    solved
        The solved places, by which plain numbers in hours are known.
    mapping
        Decides the unit where it gives one.
    """
    unit = mapping.mount_ra_unit or RaUnit.DEGREES
    written = [_parts_unit(text) for text in ra]
    plain = _written_in(ra, written, None, UnitName(unit))
    remarks: tuple[Notice, ...] = ()
    if not mapping.mount_ra_unit and _in_hours(plain, solved):
        unit, plain = RaUnit.HOURS, plain * 15.0
        remarks = (info(ImageCode.MOUNT_IN_HOURS, keyword=mapping.mount_ra),)
    sixty = [_written_in(ra, written, parts, parts) for parts in (UnitName.HOURS, UnitName.DEGREES)]
    ra_deg = np.where(np.isfinite(plain), plain, np.where(np.isfinite(sixty[0]), *sixty))
    dec_deg = NumberSpelling("mount_dec_deg", Unit(UnitName.DEGREES)).read(list(dec))[0]
    return MountPlaces(
        ra_deg,
        dec_deg,
        _step(ra) * (15.0 if unit is RaUnit.HOURS or UnitName.HOURS in written else 1.0),
        _step(dec),
        _unreadable(mapping.mount_ra, ra, ra_deg) | _unreadable(mapping.mount_dec, dec, dec_deg),
        RaUnit.HOURS if unit is RaUnit.HOURS else mapping.mount_ra_unit,
        remarks,
    )


def _parts_unit(text: str) -> UnitName | None:
    """Return the unit of a right ascension in parts of sixty, hours or degrees; None for a plain number."""
    match = PARTS.fullmatch(text)
    if match is None:
        return None
    return UnitName.DEGREES if (match["mark"] or "h")[0] in "dD°º" else UnitName.HOURS


def _written_in(
    texts: Sequence[str], written: Sequence[UnitName | None], parts: UnitName | None, unit: UnitName
) -> Numbers:
    """Read the texts that give such parts of sixty (None: plain numbers) as degrees; NaN for the others."""
    own = [text if one is parts else "" for text, one in zip(texts, written, strict=True)]
    return NumberSpelling("mount_ra_deg", Unit(unit)).read(own)[0]


def _unreadable(keyword: str, texts: Sequence[str], values: Numbers) -> dict[int, Notice]:
    return {
        at: warning(ImageCode.MOUNT_UNREADABLE, keyword=keyword, value=texts[at])
        for at in np.flatnonzero(np.isnan(values)).tolist()
        if texts[at]
    }


def _in_hours(plain: Numbers, solved: Solved) -> bool:
    rows = np.isfinite(plain)
    if rows.sum() < _FEW or plain[rows].max() >= 24.0:
        return False

    def near(factor: float) -> float:
        apart = (plain[rows] * factor - solved.ra_deg[rows] + 180.0) % 360.0 - 180.0
        return float(np.mean(np.abs(apart) * np.cos(np.radians(solved.dec_deg[rows])) < _NEAR_DEG))

    return near(15.0) >= _MOST and near(1.0) < 0.5


def _step(texts: Sequence[str]) -> float:
    """Return what the last digit is worth, in the column's own unit; the finest of all texts."""
    steps = [_step_of(text) for text in set(texts) if text]
    return min(steps, default=0.0)


def _step_of(text: str) -> float:
    match = PARTS.fullmatch(text)
    if match:
        if match["seconds"]:
            return float(10.0 ** -len(match["second_part"] or "")) / 3600.0
        return float(10.0 ** -len(match["minute_part"] or "")) / 60.0
    try:
        exponent = Decimal(text).as_tuple().exponent
    except InvalidOperation:
        return np.inf
    return float(10.0**exponent) if isinstance(exponent, int) else np.inf


@dataclass(frozen=True)
class WrittenBack:
    """Which files have the solved place in RA and DEC, with notices."""

    rows: Mask
    remarks: tuple[Notice, ...] = ()


def written_back(mount: MountPlaces, solved: Solved, mapping: FitsMapping) -> WrittenBack:
    """Find the files whose RA and DEC are the place of the WCS to within their rounding.

    A mount's own place differs from the solved one by its pointing error, which is many times the
    rounding.  The middle of the image and CRVAL are compared, in the frame of the WCS, in ICRS and of date.
    """
    given = mount.given
    none = np.zeros(len(given), dtype=bool)
    if mapping.written_back or not given.any():
        return WrittenBack(given if mapping.written_back is SolveWrittenBack.YES else none)
    same = np.zeros(len(given), dtype=bool)
    same[given] = _same_place(mount, solved, given)
    count, of = int(same.sum()), int(given.sum())
    if count < _SOME * of or not count:
        return WrittenBack(none)
    taken_all = count >= _NEARLY_ALL * of
    remark = warning(
        ImageCode.WRITTEN_BACK,
        images=count,
        of_images=of,
        keywords=(mapping.mount_ra, mapping.mount_dec),
        all_taken_so=taken_all,
    )
    return WrittenBack(given if taken_all else same, (remark,))


def _same_place(mount: MountPlaces, solved: Solved, rows: Mask) -> Mask:
    from drift.sky.of_date import apparent_place, mean_place

    ra, dec = mount.ra_deg[rows], mount.dec_deg[rows]
    icrs = solved.time_us[rows], solved.ra_deg[rows], solved.dec_deg[rows]
    pairs = [
        icrs[1:],
        tuple(solved.own_deg[rows].T),
        tuple(solved.reference_deg[rows].T),
        apparent_place(*icrs),
        mean_place(*icrs),
    ]
    across = np.cos(np.radians(dec))
    room_ra = _STEPS * mount.ra_step_deg * across + _PIXELS * solved.pixel_deg[rows]
    room_dec = _STEPS * mount.dec_step_deg + _PIXELS * solved.pixel_deg[rows]
    same = np.zeros(len(ra), dtype=bool)
    for to_ra, to_dec in pairs:
        d_ra = np.abs((ra - to_ra + 180.0) % 360.0 - 180.0) * across
        same |= (d_ra <= room_ra) & (np.abs(dec - to_dec) <= room_dec)
    return same


# ---- The frame of the mount's places, and what a keyword for the pier side means.
#
# RADESYS and EQUINOX speak of the WCS only (Calabretta and Greisen 2002, sect. 3.1); for RA and DEC it is
# found by their differences from the solved places, see `drift.ingest.trial`.


#: Differences beyond this are wrong solves, or a mount that did not know where it pointed [deg].
_NEAR_FRAME_DEG = 5.0
#: Sides that agree with the sign of the hour angle in this share decide what a keyword means ...
_AGREE = 0.8
#: ... of so many images that were taken so far from the meridian [rad].
_LEAST_SIDES = 5
_MERIDIAN_RAD = np.radians(10.0)


#: Verdict by precession -> the frame of the mount's places.
_FRAMES = {FrameVerdict.RIGHT: OF_DATE, FrameVerdict.ONE_FRAME: ICRS}


@dataclass(frozen=True)
class FrameFound:
    """The frame of the mount's places, None when unclear; and the evidence."""

    frame: PlaceFrame | None = None
    evidence: Notice | None = None


def mount_frame(
    mount: MountPlaces, rows: Mask, solved: Solved, longitude_deg: float, mapping: FitsMapping
) -> FrameFound:
    """Find the frame of RA and DEC from their differences from the solved places.

    Parameters
    ----------
    mount, solved
        Both places of n files.
    rows
        (n,) the files whose RA and DEC are the mount's own.
    longitude_deg
        Of the site [deg], east positive.
    mapping
        Has the last word.
    """
    names = (mapping.mount_ra, mapping.mount_dec)
    if mapping.mount_places:
        notice = info(ImageCode.FRAME_SAID, keywords=names, frame=mapping.mount_places)
        return FrameFound(mapping.mount_places, notice)
    near = rows & (
        separation_deg(solved.ra_deg, solved.dec_deg, mount.ra_deg, mount.dec_deg) < _NEAR_FRAME_DEG
    )
    share = frame_share(
        longitude_deg,
        solved.time_us[near],
        solved.ra_deg[near],
        solved.dec_deg[near],
        mount.ra_deg[near],
        mount.dec_deg[near],
    )
    frame = _FRAMES.get(share.verdict)
    if frame is None:
        return FrameFound(None, _medians(mount, near, solved, names))
    seen = info(ImageCode.FRAME_FOUND, keywords=names, frame=frame, share=share.share, share_sd=share.sd)
    return FrameFound(frame, seen)


def _medians(mount: MountPlaces, rows: Mask, solved: Solved, names: tuple[str, str]) -> Notice:
    """Return the median differences, where the frame stays unclear."""
    if not rows.any():
        return warning(ImageCode.FRAME_UNKNOWN, keywords=names)
    from drift.sky.of_date import apparent_place

    us, ra, dec = solved.time_us[rows], solved.ra_deg[rows], solved.dec_deg[rows]
    there = mount.ra_deg[rows], mount.dec_deg[rows]
    of_date = 60.0 * float(np.median(separation_deg(*apparent_place(us, ra, dec), *there)))
    icrs = 60.0 * float(np.median(separation_deg(ra, dec, *there)))
    return warning(
        ImageCode.FRAME_UNKNOWN, keywords=names, of_date_apart_arcmin=of_date, icrs_apart_arcmin=icrs
    )


def to_of_date(
    frame: PlaceFrame, time_us: Ints, ra_deg: Numbers, dec_deg: Numbers
) -> tuple[Numbers, Numbers]:
    """Turn the mount's places into apparent ones of date."""
    from drift.sky.of_date import apparent_place, icrs_of_mean

    if frame == OF_DATE:
        return ra_deg, dec_deg
    icrs = icrs_of_mean(time_us, ra_deg, dec_deg) if frame == MEAN else (ra_deg, dec_deg)
    return apparent_place(time_us, *icrs)


@dataclass(frozen=True)
class SidesFound:
    """The side that the tube is on in each file, and what the keyword means, None when unclear."""

    sides: list[TubeSide]
    means: SideMeans | None
    remarks: tuple[Notice, ...]


def tube_sides(
    texts: Sequence[str], solved: Solved, longitude_deg: float, mapping: FitsMapping
) -> SidesFound:
    """Find the side of the pier that the tube was on.

    A tube looks across the pier, except near the meridian: so the sign of the hour angle shows whether the
    keyword means the side that the tube is on or the one it looks to.
    """
    read = [side_of(text) for text in texts]
    odd = sorted({text for text, side in zip(texts, read, strict=True) if side is None})
    remarks: tuple[Notice, ...] = ()
    if odd:
        remarks = (warning(ImageCode.NO_SIDE, keyword=mapping.tube_side, values=tuple(odd)),)
    means = mapping.tube_side_means or None
    if not means and any(read):
        means, agree = _side_meaning(read, solved, longitude_deg)
        remarks += (_about_sides(mapping.tube_side, means, agree),)
        if not means:
            return SidesFound([TubeSide.NOT_KNOWN] * len(texts), None, remarks)
    sides = [side or TubeSide.NOT_KNOWN for side in read]
    if means is LOOKS:
        sides = [OTHER_SIDE.get(side, TubeSide.NOT_KNOWN) for side in sides]
    return SidesFound(sides, means, remarks)


def _about_sides(keyword: str, means: SideMeans | None, agree: float | None) -> Notice:
    if means and agree is not None:
        across = agree if means is ON else 1.0 - agree
        return info(ImageCode.SIDE_MEANS, keyword=keyword, means=means, across=across)
    return warning(ImageCode.SIDE_UNUSED, keyword=keyword, across=agree)


def _side_meaning(
    read: Sequence[TubeSide | None], solved: Solved, longitude_deg: float
) -> tuple[SideMeans | None, float | None]:
    rows = np.array([bool(side) for side in read], dtype=bool)
    east = np.array([side is TubeSide.EAST for side in read], dtype=bool)
    hour_angle = hour_angle_rad(longitude_deg, solved.time_us, solved.ra_deg)
    west_sky = np.sin(hour_angle) > 0.0
    rows &= np.abs(np.sin(hour_angle)) > np.sin(_MERIDIAN_RAD)
    if rows.sum() < _LEAST_SIDES:
        return None, None
    agree = float(np.mean(east[rows] == west_sky[rows]))
    if agree >= _AGREE:
        return ON, agree
    return (LOOKS if agree <= 1.0 - _AGREE else None), agree
