"""What an axis that is off the pole does to a star: drift, trailing, field rotation.

A mount that turns about an axis E away from the pole carries a star along a
circle that is not the star's own.  The star moves in the mount's frame by
``w E sin(angle)``, where the angle is that between the star and the error: never
more than ``w E``, whatever the declination, and all of it somewhere.

Signs: az_error clockwise positive, alt_error of the elevated end, up positive;
hour angle positive west; declination drift positive north.
"""

from __future__ import annotations

import math

import numpy as np

from drift.mount.orientation import hemisphere
from drift.quantities import ARCSEC_PER_RAD, Floats

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
    parts, sds = np.asarray(axis) * to_sky, np.asarray(sd) * to_sky
    error = float(np.hypot(*parts))
    widest = float(np.max(sds))
    if error <= widest:
        return error, widest
    return error, float(np.sqrt(np.sum((parts * sds) ** 2)) / error)


def declination_drift(az_error: float, alt_error: float, latitude_rad: float, hour_angle_rad: float) -> float:
    """Return the declination drift of a tracked star in the mount's frame [arcsec/min], north positive.

    Parameters
    ----------
    az_error, alt_error
        Axis error [arcsec].
    latitude_rad, hour_angle_rad
        Geodetic latitude; hour angle of the star, positive west [rad].

    Notes
    -----
    ``dD/dt = -w (a_alt sin H + a_az cos H)`` with ``a_alt = s alt_error``, ``a_az = az_error cos(phi)``:
    a star on the meridian drifts south when the north end of the axis points east of the pole, a
    star in the east drifts south when a northern axis points too low (common practice).
    """
    a_alt = hemisphere(latitude_rad) * alt_error
    a_az = az_error * math.cos(latitude_rad)
    return -SIDEREAL_RAD_PER_MIN * (a_alt * math.sin(hour_angle_rad) + a_az * math.cos(hour_angle_rad))


def largest_trail(error_arcsec: float, exposure_s: float) -> float:
    """Return how far a star trails at most in one unguided exposure [arcsec].

    Notes
    -----
    The chord ``2 E sin(w T / 2)`` [1]_: 30 minutes at 2 arcmin give 15.7 arcsec.

    .. [1] M. A. Covington, Astrophotography for the Amateur, Cambridge 1999, appendix B.
    """
    return error_arcsec * turned(exposure_s)


def error_for_trail(trail_arcsec: float, exposure_s: float) -> float:
    """Return the axis error that trails a star by at most `trail_arcsec` [arcsec]."""
    return trail_arcsec / turned(exposure_s)


def field_rotation(error_arcsec: float, exposure_s: float, declination_deg: float) -> float:
    """Return the largest turn of the field about a guide star in one exposure [rad]."""
    return error_arcsec / ARCSEC_PER_RAD * turned(exposure_s) / math.cos(math.radians(declination_deg))


def error_for_rotation(trail_um: float, corner_mm: float, exposure_s: float, declination_deg: float) -> float:
    """Return the axis error that smears a corner by at most `trail_um` about the guide star [arcsec].

    Parameters
    ----------
    trail_um
        Allowed trail at the corner [micrometre].
    corner_mm
        From the guide star's image to the farthest corner, in the focal plane [mm].
    exposure_s
        Length of the exposure [s].
    declination_deg
        Declination of the field [deg].

    Notes
    -----
    ``E[deg] = 750 S[um] cos(dec) / (T[min] F[mm] A[deg])`` [1]_, here with ``F A`` as the length
    `corner_mm` and the constant ``1 / ((pi/180)^2 w) / 1000 = 750.4`` not rounded.

    .. [1] R. N. Hook, J. Brit. Astron. Assoc. 99 (1989), as generalised from its 30 micrometre case.
    """
    turn_rad = trail_um / 1000.0 / corner_mm
    return turn_rad * math.cos(math.radians(declination_deg)) / turned(exposure_s) * ARCSEC_PER_RAD


def turned(exposure_s: float) -> float:
    """Return the chord on the unit circle that the sky turns through, at most that of half a turn."""
    return 2.0 * math.sin(min(SIDEREAL_RAD_PER_MIN * exposure_s / 60.0, math.pi) / 2.0)
