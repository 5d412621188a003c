"""An axis error as an angle on the sky, and how far the sky turns in an exposure.

A mount that turns about an axis E away from the pole carries a star along a
circle that is not the star's own.  The star moves in the mount's frame by
``w E sin(angle)``, where the angle is that between the star and the error: never
more than ``w E``, whatever the declination, and all of it somewhere.  What that
does at each place stands in `drift.advice.matters`.

Signs: az_error clockwise positive, alt_error of the elevated end, up positive.
"""

from __future__ import annotations

import math

import numpy as np

from drift.mount.orientation import hemisphere
from drift.quantities import Floats

#: Sidereal rate: a turn in 86164.0905 s of mean time [rad/min].
SIDEREAL_RAD_PER_MIN = 2.0 * math.pi / 86164.0905 * 60.0


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
