"""The polar axis over the site: base frames, and directions as hour angle and declination.

Signs are those of the glossary in DEVELOPERS.md: hour angle positive west,
declination positive north, az_error clockwise seen from above, alt_error of
the elevated end positive up.
"""

from __future__ import annotations

import numpy as np

from drift.quantities import Floats


def hemisphere(latitude_rad: float) -> float:
    """Return +1 for the northern hemisphere and the equator, -1 for the southern."""
    return -1.0 if latitude_rad < 0.0 else 1.0


def axis_basis(
    latitude_rad: float, az_error_rad: Floats, alt_error_rad: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return the three axes of a mount whose polar axis is off the pole.

    Exact rotation: the elevated end is raised by alt_error in the meridian,
    then the whole base is turned clockwise by az_error about the vertical.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude, signed [rad].
    az_error_rad, alt_error_rad
        Axis error of the elevated end, shape (n,) [rad].

    Returns
    -------
    meridian, east, pole
        Unit vectors (n, 3) East, North, Up: the mount's own hour angle 0 on its
        equator; its own east point (hour angle -6 h); the north end of its axis.
    """
    tilted = latitude_rad + hemisphere(latitude_rad) * np.asarray(alt_error_rad, dtype=float)
    turn = np.asarray(az_error_rad, dtype=float)
    sin_t, cos_t, zero = np.sin(tilted), np.cos(tilted), np.zeros_like(tilted)
    meridian = _turned(zero, -sin_t, cos_t, turn)
    east = _turned(zero + 1.0, zero, zero, turn)
    pole = _turned(zero, cos_t, sin_t, turn)
    return meridian, east, pole


def _turned(east: Floats, north: Floats, up: Floats, clockwise_rad: Floats) -> Floats:
    cos_a, sin_a = np.cos(clockwise_rad), np.sin(clockwise_rad)
    return np.stack([east * cos_a + north * sin_a, north * cos_a - east * sin_a, up], axis=-1)


def hour_angle_and_dec(enu: Floats, latitude_rad: float) -> tuple[Floats, Floats]:
    """Return true hour angle and declination [rad] of directions over the site.

    Parameters
    ----------
    enu
        Unit vectors East, North, Up, shape (n, 3).
    latitude_rad
        Geodetic latitude [rad].

    Returns
    -------
    hour_angle, dec
        Shapes (n,) [rad]; hour angle positive west, in (-pi, pi].
    """
    sin_phi, cos_phi = np.sin(latitude_rad), np.cos(latitude_rad)
    toward_meridian = -sin_phi * enu[:, 1] + cos_phi * enu[:, 2]
    toward_pole = cos_phi * enu[:, 1] + sin_phi * enu[:, 2]
    hour_angle = np.arctan2(-enu[:, 0], toward_meridian)
    dec = np.arctan2(toward_pole, np.hypot(enu[:, 0], toward_meridian))
    return hour_angle, dec


def tangent_basis(hour_angle: Floats, dec: Floats, latitude_rad: float) -> tuple[Floats, Floats]:
    """Return unit vectors (n, 3) ENU toward growing hour angle (west) and growing declination."""
    sin_h, cos_h, sin_d, cos_d = np.sin(hour_angle), np.cos(hour_angle), np.sin(dec), np.cos(dec)
    zero = np.zeros_like(hour_angle)
    west = _from_equatorial(-sin_h, -cos_h, zero, latitude_rad)
    north = _from_equatorial(-sin_d * cos_h, sin_d * sin_h, cos_d, latitude_rad)
    return west, north


def _from_equatorial(meridian: Floats, east: Floats, pole: Floats, latitude_rad: float) -> Floats:
    sin_phi, cos_phi = np.sin(latitude_rad), np.cos(latitude_rad)
    return np.stack(
        [east, -sin_phi * meridian + cos_phi * pole, cos_phi * meridian + sin_phi * pole], axis=-1
    )
