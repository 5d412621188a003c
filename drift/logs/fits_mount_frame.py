"""In which frame the mount's places in the headers are, and which side of the pier a keyword means.

RADESYS and EQUINOX speak of the WCS only (Calabretta and Greisen 2002, sect. 3.1); for RA and DEC it is
found by their differences from the solved places, see `drift.logs.frame_test`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drift.logs.fits_mapping import FitsMapping
from drift.logs.fits_mount import MountPlaces, Solved
from drift.logs.frame_test import ONE_FRAME, RIGHT, frame_share
from drift.logs.horizon import hour_angle_rad
from drift.logs.mapping import ICRS, MEAN, OF_DATE
from drift.logs.places import separation_deg
from drift.logs.sides import LOOKS, ON, side_of

Numbers = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

#: Differences beyond this are wrong solves, or a mount that did not know where it pointed [deg].
_NEAR_DEG = 5.0
#: Sides that agree with the sign of the hour angle in this share decide what a keyword means ...
_AGREE = 0.8
#: ... of so many images that were taken so far from the meridian [rad].
_LEAST_SIDES = 5
_MERIDIAN_RAD = np.radians(10.0)


@dataclass(frozen=True)
class FrameFound:
    """The frame of the mount's places: "" when it can't be told; and the evidence in words."""

    frame: str
    words: str


def mount_frame(
    mount: MountPlaces, rows: Mask, solved: Solved, longitude_deg: float, mapping: FitsMapping
) -> FrameFound:
    """Tell in which frame RA and DEC are, by how they differ from the solved places.

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
    names = f"{mapping.mount_ra} and {mapping.mount_dec}"
    if mapping.mount_places:
        return FrameFound(
            mapping.mount_places, f"{names} are taken as {mapping.mount_places}, as the mapping says"
        )
    near = rows & (separation_deg(solved.ra_deg, solved.dec_deg, mount.ra_deg, mount.dec_deg) < _NEAR_DEG)
    share = frame_share(
        longitude_deg,
        solved.time_us[near],
        solved.ra_deg[near],
        solved.dec_deg[near],
        mount.ra_deg[near],
        mount.dec_deg[near],
    )
    seen = (
        f"their differences from the solved places hold {share.share:.2f} +- {share.sd:.2f} of the "
        "precession since 2000"
    )
    if share.verdict == RIGHT:
        return FrameFound(OF_DATE, f"{names} are taken as of date: {seen}")
    if share.verdict == ONE_FRAME:
        return FrameFound(ICRS, f"{names} are taken as ICRS (J2000), and turned to of date: {seen}")
    return FrameFound("", _medians(mount, near, solved, names))


def _medians(mount: MountPlaces, rows: Mask, solved: Solved, names: str) -> str:
    """Say what little is seen of the frame."""
    if not rows.any():
        return f"{names} lie far from the solved places"
    from drift.sky.of_date import apparent_place

    us, ra, dec = solved.time_us[rows], solved.ra_deg[rows], solved.dec_deg[rows]
    there = mount.ra_deg[rows], mount.dec_deg[rows]
    of_date = 60.0 * float(np.median(separation_deg(*apparent_place(us, ra, dec), *there)))
    icrs = 60.0 * float(np.median(separation_deg(ra, dec, *there)))
    few = "these images are too few, or too near to each other on the sky, to tell"
    return (
        f"{few}; taken as of date {names} lie {of_date:.1f} arcmin from the solved places in the median, "
        f"taken as ICRS {icrs:.1f}"
    )


def to_of_date(frame: str, time_us: Ints, ra_deg: Numbers, dec_deg: Numbers) -> tuple[Numbers, Numbers]:
    """Turn the mount's places into apparent ones of date."""
    from drift.sky.of_date import apparent_place, icrs_of_mean

    if frame == OF_DATE:
        return ra_deg, dec_deg
    icrs = icrs_of_mean(time_us, ra_deg, dec_deg) if frame == MEAN else (ra_deg, dec_deg)
    return apparent_place(time_us, *icrs)


@dataclass(frozen=True)
class SidesFound:
    """The side that the tube is on in each file ("east", "west" or ""), and what the keyword means.

    `means` is one of `drift.logs.sides.MEANINGS`, or "" when it can't be told.
    """

    sides: list[str]
    means: str
    remarks: tuple[str, ...]


def tube_sides(said: Sequence[str], solved: Solved, longitude_deg: float, mapping: FitsMapping) -> SidesFound:
    """Find the side of the pier that the tube was on.

    A tube looks across the pier, except near the meridian: so the sign of the hour angle shows whether the
    keyword means the side that the tube is on or that it looks to.
    """
    read = [side_of(text) for text in said]
    odd = sorted({text for text, side in zip(said, read, strict=True) if side is None})
    remarks: tuple[str, ...] = (
        (f"{mapping.tube_side} says {', '.join(map(repr, odd))}, which is no side of the pier",)
        if odd
        else ()
    )
    means = mapping.tube_side_means
    if not means and any(read):
        means, agree = _side_meaning(read, solved, longitude_deg)
        remarks += (_about_sides(mapping.tube_side, means, agree),)
        if not means:
            return SidesFound([""] * len(said), "", remarks)
    other = {"east": "west", "west": "east"}
    sides = [side or "" for side in read]
    if means == LOOKS:
        sides = [other.get(side, "") for side in sides]
    return SidesFound(sides, means, remarks)


def _about_sides(keyword: str, means: str, agree: float | None) -> str:
    if means and agree is not None:
        across = round(100 * (agree if means == ON else 1.0 - agree))
        return f"{keyword} is taken as {means}: in {across} of 100 images the tube then looks across the pier"
    why = "" if agree is None else f" (in {round(100 * agree)} of 100 images the tube looks across the pier)"
    return (
        f"{keyword} is not used, because it can't be told whether it means {ON} or {LOOKS}{why}: say it with "
        f'--answer "fits.tube_side_means={ON}" (or "...={LOOKS}")'
    )


def _side_meaning(
    read: Sequence[str | None], solved: Solved, longitude_deg: float
) -> tuple[str, float | None]:
    rows = np.array([bool(side) for side in read], dtype=bool)
    east = np.array([side == "east" for side in read], dtype=bool)
    hour_angle = hour_angle_rad(longitude_deg, solved.time_us, solved.ra_deg)
    west_sky = np.sin(hour_angle) > 0.0
    rows &= np.abs(np.sin(hour_angle)) > np.sin(_MERIDIAN_RAD)
    if rows.sum() < _LEAST_SIDES:
        return "", None
    agree = float(np.mean(east[rows] == west_sky[rows]))
    if agree >= _AGREE:
        return ON, agree
    return (LOOKS if agree <= 1.0 - _AGREE else ""), agree
