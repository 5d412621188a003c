"""The mount as exact rotations: what its circles read when the tube looks in a direction.

Frame East, North, Up.  Signs are those of the glossary in DEVELOPERS.md; nothing here is of first order.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from sky import ARCSEC, Site, tipped_up

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Instrument:
    """Constants of tube and mount [arcsec], mechanical minus true."""

    cone: float
    nonperpendicular: float
    side_offset: float
    droop: float


@dataclass(frozen=True)
class Standing:
    """How pier and mount stand at n moments [arcsec]."""

    tilt_north: Floats
    tilt_east: Floats
    mount_az: Floats
    mount_alt: Floats


def rotation(vector: Floats) -> Floats:
    """Return the right-handed rotations about vectors [rad], (n, 3) to (n, 3, 3); Rodrigues' formula."""
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    x, y, z = np.moveaxis(vector, -1, 0)
    zero = np.zeros_like(x)
    cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*x.shape, 3, 3)
    # sin(a)/a and (1 - cos a)/a^2 by numpy's sinc, which is right at 0.
    first, second = np.sinc(angle / np.pi), 0.5 * np.sinc(angle / (2.0 * np.pi)) ** 2
    return np.asarray(np.eye(3) + first * cross + second * cross @ cross)


def orientation(site: Site, standing: Standing) -> Floats:
    """Return the rotations from a mount that stands perfectly to this one, (n, 3, 3).

    The altitude adjuster turns within the head, the head turns on the pier, the pier tips.
    """
    zero = np.zeros_like(np.asarray(standing.tilt_north, dtype=float))
    tilt = np.stack([-standing.tilt_north, standing.tilt_east, zero], axis=-1) * ARCSEC
    turn = np.stack([zero, zero, -(standing.mount_az + zero)], axis=-1) * ARCSEC
    raise_ = np.stack([site.sign * (standing.mount_alt + zero), zero, zero], axis=-1) * ARCSEC
    return np.asarray(rotation(tilt) @ rotation(turn) @ rotation(raise_))


def ideal_axes(site: Site) -> Floats:
    """Return the rows meridian-and-equator, west, celestial north pole of a perfect mount."""
    sin, cos = np.sin(site.phi), np.cos(site.phi)
    return np.array([[0.0, -sin, cos], [-1.0, 0.0, 0.0], [0.0, cos, sin]])


def axis_errors(site: Site, standing: Standing) -> tuple[Floats, Floats]:
    """Return az_error (clockwise) and alt_error of the elevated end of the polar axis [arcsec]."""
    end = orientation(site, standing) @ (site.sign * ideal_axes(site)[2])
    bearing = np.arctan2(end[:, 0], end[:, 1]) - (0.0 if site.sign > 0 else np.pi)
    bearing = np.angle(np.exp(1j * bearing))
    return bearing / ARCSEC, (np.arcsin(end[:, 2]) - abs(site.phi)) / ARCSEC


def circles(
    site: Site, standing: Standing, tube: Instrument, side: Floats, seen: Floats
) -> tuple[Floats, Floats]:
    """Return mechanical hour angle and declination [rad] when the tube looks toward `seen` (n, 3).

    side is +1 for a tube east of the pier, -1 west; the tube is taken back up by what it droops, turned into
    the mount's frame, and the two angles solved for exactly from the tube's place about a crooked declination
    axis.
    """
    flat = np.sqrt(np.clip(1.0 - seen[:, 2] ** 2, 0.0, 1.0))
    stiff = tipped_up(seen, tube.droop * ARCSEC * flat)
    own = np.einsum("ij,njk,nk->ni", ideal_axes(site), _transposed(orientation(site, standing)), stiff)
    hour, declination = np.arctan2(own[:, 1], own[:, 0]), np.arcsin(np.clip(own[:, 2], -1.0, 1.0))
    cone, crooked = side * tube.cone * ARCSEC, side * tube.nonperpendicular * ARCSEC
    late = np.arcsin(
        (np.sin(declination) * np.sin(crooked) + np.sin(cone)) / (np.cos(declination) * np.cos(crooked))
    )
    turned = np.arcsin(
        np.clip(
            (np.sin(declination) + np.sin(crooked) * np.sin(cone)) / (np.cos(crooked) * np.cos(cone)), -1, 1
        )
    )
    return hour + late, turned + side * tube.side_offset * ARCSEC


def looks(
    site: Site, standing: Standing, tube: Instrument, side: Floats, hour: Floats, declination: Floats
) -> Floats:
    """Return where the tube looks (n, 3) when the circles read these angles [rad]: `circles` undone."""
    axes = ideal_axes(site)
    turned = declination - side * tube.side_offset * ARCSEC
    cone, crooked = side * tube.cone * ARCSEC, side * tube.nonperpendicular * ARCSEC
    sine = np.sin(turned) * np.cos(crooked) * np.cos(cone) - np.sin(crooked) * np.sin(cone)
    late = np.arcsin((sine * np.sin(crooked) + np.sin(cone)) / (np.sqrt(1.0 - sine**2) * np.cos(crooked)))
    own_hour = hour - late
    cosine = np.sqrt(1.0 - sine**2)
    own = np.column_stack([cosine * np.cos(own_hour), cosine * np.sin(own_hour), sine])
    stiff = np.einsum("nij,kj,nk->ni", orientation(site, standing), axes, own)
    flat = np.sqrt(np.clip(1.0 - stiff[:, 2] ** 2, 0.0, 1.0))
    return tipped_up(stiff, -tube.droop * ARCSEC * flat)


def _transposed(rotations: Floats) -> Floats:
    return np.swapaxes(rotations, -1, -2)


def zero_of_standing(site: Site, standing: Standing) -> Floats:
    """Return mechanical minus true hour angle at the meridian on the equator [arcsec]."""
    n = np.asarray(standing.tilt_north, dtype=float).shape[0]
    seen = np.tile(ideal_axes(site)[0], (n, 1))
    hour, _ = circles(site, standing, Instrument(0.0, 0.0, 0.0, 0.0), np.ones(n), seen)
    return hour / ARCSEC
