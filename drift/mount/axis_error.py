"""The axis error that tilt and mount add up to, and back; an axis error as an angle on the sky.

A tilt of what the mount stands on, toward north and east (tau_N, tau_E), a turn kappa of the
mount about the vertical and what its altitude adjuster does, alpha, add up to first order to

    az_error = kappa + tau_E tan(phi),    alt_error = alpha - s tau_N

with s = +1 on the equator and north of it, -1 south of it.

A mount that turns about an axis E away from the pole carries a star along a circle that is not the star's
own.  The star moves in the mount's frame by ``w E sin(angle)``, where the angle is that between the star
and the error: never more than ``w E``, whatever the declination, and all of it somewhere.  Its effect at
each place is in `drift.advice.matters`.

Signs: az_error clockwise positive, alt_error of the elevated end, up positive.
"""

from __future__ import annotations

import math

import numpy as np

from drift.mount.instrument import hemisphere
from drift.quantities import Floats

#: Sidereal rate: a turn in 86164.0905 s of mean time [rad/min].
SIDEREAL_RAD_PER_MIN = 2.0 * math.pi / 86164.0905 * 60.0


def axis_error(parts: Floats, latitude_rad: float) -> Floats:
    """Return the axis error that tilts and mount add up to.

    Parameters
    ----------
    parts
        (..., 6) tilt of the pier toward north and east, tilt of the plate on it toward north and east,
        mount in azimuth (clockwise positive) and in altitude (up positive): the order of
        `drift.types.HISTORY_COLUMNS`, any one unit.
    latitude_rad
        Geodetic latitude, signed [rad].

    Returns
    -------
    numpy.ndarray
        (..., 2) az_error and alt_error, in the same unit.
    """
    north, east = parts[..., 0] + parts[..., 2], parts[..., 1] + parts[..., 3]
    az = parts[..., 4] + east * np.tan(latitude_rad)
    alt = parts[..., 5] - hemisphere(latitude_rad) * north
    return np.stack([az, alt], axis=-1)


def axis_error_sd(sds: Floats, latitude_rad: float) -> Floats:
    """Return the standard deviations of `axis_error` for independent parts, (..., 2)."""
    return np.asarray(np.sqrt(np.square(sds) @ np.square(axis_weights(latitude_rad)).T))


def axis_weights(latitude_rad: float) -> Floats:
    """Return the weight of each part in az_error and alt_error, (2, 6)."""
    return np.asarray(axis_error(np.eye(6), latitude_rad).T)


def axis_of_tilt(tilt: Floats, latitude_rad: float) -> Floats:
    """Return what a tilt (..., 2) toward north and east alone does to (az_error, alt_error), (..., 2)."""
    parts = np.zeros((*np.shape(tilt)[:-1], 6))
    parts[..., :2] = tilt
    return axis_error(parts, latitude_rad)


def tilt_of_axis(axis: Floats, latitude_rad: float) -> Floats:
    """Return the tilt toward north and east that alone makes an axis error (..., 2) [same unit].

    Toward the equator the same az_error needs an ever larger east tilt, on it an infinite one.
    """
    east, north = axis[..., 0] / np.tan(latitude_rad), -hemisphere(latitude_rad) * axis[..., 1]
    return np.stack([north, east], axis=-1)


def parts_on_sky(axis: Floats, latitude_rad: float) -> Floats:
    """Return an axis error (az_error, alt_error) as ``(a_alt, a_az)`` on the sky, shape (2,), same unit."""
    return np.array([hemisphere(latitude_rad) * axis[1], axis[0] * math.cos(latitude_rad)])


def on_sky(axis: Floats, sd: Floats, latitude_rad: float) -> tuple[float, float]:
    """Return the angle on the sky between axis and pole, and its standard deviation [arcsec].

    Parameters
    ----------
    axis
        (az_error, alt_error), shape (2,) [arcsec].
    sd
        Their standard deviations, taken as independent, shape (2,) [arcsec].
    latitude_rad
        Geodetic latitude [rad].

    Notes
    -----
    ``hypot(az_error cos(phi), alt_error)``.  An angle is never negative, so one that is smaller than
    its uncertainty comes out too large; its standard deviation is then the larger one of
    the two coordinates.
    """
    to_sky = np.array([math.cos(latitude_rad), 1.0])
    return length(np.asarray(axis) * to_sky, np.asarray(sd) * to_sky)


def length(parts: Floats, sds: Floats) -> tuple[float, float]:
    """Return the length of two parts on the sky and its standard deviation, as `on_sky` has them."""
    error = float(np.hypot(*parts))
    widest = float(np.max(sds))
    if error <= widest:
        return error, widest
    return error, float(np.sqrt(np.sum((parts * sds) ** 2)) / error)


def size_of(north: float, east: float, north_sd: float, east_sd: float) -> tuple[float, float]:
    """Return the size of a tilt and its standard deviation, its components taken as independent."""
    size = math.hypot(north, east)
    if size == 0.0:
        return 0.0, max(north_sd, east_sd)
    return size, math.hypot(north * north_sd, east * east_sd) / size


def turned(exposure_s: float) -> float:
    """Return the chord on the unit circle that the sky turns through, at most that of half a turn."""
    return 2.0 * math.sin(min(SIDEREAL_RAD_PER_MIN * exposure_s / 60.0, math.pi) / 2.0)
