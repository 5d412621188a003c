"""From what the mount reads to where the tube points: axis, tube sides and instrument constants."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.codes import Constant
from drift.quantities import ARCSEC_PER_RAD, Floats

# ---- The polar axis over the site: base frames, and directions as hour angle and declination.
#
# Signs are those of the glossary in DEVELOPERS.md: hour angle positive west,
# declination positive north, az_error clockwise seen from above, alt_error of
# the elevated end positive up.


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


def wrapped(angle_rad: Floats) -> Floats:
    """Return angles between -pi and pi [rad]."""
    return np.asarray(np.angle(np.exp(1j * angle_rad)))


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


# ---- Instrument constants.
#
# The constants, all in arcsec on the sky, as mechanical minus true (side is +1
# for a tube on the east side of the pier, -1 on the west side):
#
# - cone error c: cos(dec) dH = c side
# - axis non-perpendicularity n: cos(dec) dH = n side sin(dec)
# - declination offset between tube sides e: dD = e side
# - tube droop g: the tube points lower than it reads by g sin(zenith distance)
#
# and the zeros of a session: z of hour angle (at the meridian on the equator), d of declination.


#: The order of the constants wherever they stand in an array.
CONSTANTS = tuple(Constant)
CONE, NONPERP, SIDE_OFFSET, DROOP = range(4)
#: The share of tan^3 z in refraction, see `lift_shape`.
CUBE_SHARE = 0.0668 / 58.294


@dataclass(frozen=True)
class Pose:
    """Where a mount stands for each of n readings [arcsec]; every field has shape (n,)."""

    az_error: Floats
    alt_error: Floats
    zero_ha: Floats
    zero_dec: Floats
    constants: Floats  # (n, 4), order of CONSTANTS
    #: A shift of the picture that is the same on both tube sides, as cos(dec) dH; None for none.
    across: Floats | None = None
    #: How much more the air lifts than was assumed, at 45 degrees altitude; None for none.
    lift: Floats | None = None


def pointed_direction(
    latitude_rad: float, mech_ha_rad: Floats, mech_dec_rad: Floats, side: Floats, pose: Pose
) -> Floats:
    """Return the direction (n, 3) ENU in which the tube points, by exact rotations.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude [rad].
    mech_ha_rad, mech_dec_rad
        What the mount reads, shape (n,) [rad].
    side
        +1 tube east of the pier, -1 west, 0 for a mount without sides; shape (n,).
    pose
        Axis, zeros and constants of each reading.

    Notes
    -----
    The hour-angle zero is defined at the meridian on the equator, where a turn
    of the base about the vertical by az_error moves it by -az_error sin(phi);
    the mount's own index is therefore zero_ha + az_error sin(phi).
    """
    rad = 1.0 / ARCSEC_PER_RAD
    cone, nonperp, side_offset, droop = (pose.constants[:, i] * rad for i in range(4))
    index = (pose.zero_ha + pose.az_error * np.sin(latitude_rad)) * rad
    ha = mech_ha_rad - index
    dec = mech_dec_rad - pose.zero_dec * rad - side_offset * side
    along, up = np.cos(cone) * np.cos(dec), np.cos(cone) * np.sin(dec)
    sideways = np.sin(cone) * side
    if pose.across is not None:
        sideways = sideways + np.sin(pose.across * rad)
    tilt_sin, tilt_cos = np.sin(nonperp * side), np.cos(nonperp * side)
    sideways, up = sideways * tilt_cos + up * tilt_sin, up * tilt_cos - sideways * tilt_sin
    meridian, east, pole = axis_basis(latitude_rad, pose.az_error * rad, pose.alt_error * rad)
    x = along * np.cos(ha) + sideways * np.sin(ha)
    y = sideways * np.cos(ha) - along * np.sin(ha)
    ideal = x[:, None] * meridian + y[:, None] * east + up[:, None] * pole
    return drooped(ideal, droop, None if pose.lift is None else pose.lift * rad)


def drooped(enu: Floats, droop_rad: Floats, lift_rad: Floats | None = None) -> Floats:
    """Lower directions (n, 3) by droop times the sine of the zenith distance [rad]; negative raises.

    Parameters
    ----------
    enu
        Unit vectors East, North, Up.
    droop_rad
        (n,) [rad].
    lift_rad
        (n,) how much more the air lifts than was assumed, at 45 degrees altitude [rad]: a direction worked
        out with too little is too low by that times `lift_shape`.
    """
    toward_zenith = -enu * enu[:, 2:3]
    toward_zenith[:, 2] += 1.0
    per_sine = droop_rad if lift_rad is None else droop_rad + lift_rad * lift_shape(enu[:, 2])
    lowered = enu - per_sine[:, None] * toward_zenith
    return lowered / np.linalg.norm(lowered, axis=1, keepdims=True)


def lift_shape(sin_altitude: Floats) -> Floats:
    """Return refraction over its value at 45 degrees and over the sine of the zenith distance, (n,).

    A tan z + B tan^3 z with B = -0.00115 A (Green 1985, Spherical Astronomy, section 4.2, from memory:
    58.294 and 0.0668 arcsec); below 5 degrees of altitude as it is there, where no such formula holds.
    """
    cosine = np.maximum(sin_altitude, np.sin(np.radians(5.0)))
    square = 1.0 / cosine**2 - 1.0
    return np.asarray((1.0 - CUBE_SHARE * square) / (cosine * (1.0 - CUBE_SHARE)))


def first_order(hour_angle: Floats, dec: Floats, side: Floats, latitude_rad: float) -> Floats:
    """Return by how much mechanical exceeds true readings for a unit of each unknown.

    Parameters
    ----------
    hour_angle, dec
        True place, shape (n,) [rad].
    side
        Tube side, shape (n,).
    latitude_rad
        Geodetic latitude [rad].

    Returns
    -------
    coefficients
        Shape (n, 2, 8): rows cos(dec) dH and dD; columns zero_ha, zero_dec,
        az_error, alt_error, then the `CONSTANTS`.

    Notes
    -----
    With a_alt = s alt_error and a_az = az_error cos(phi), the first-order terms of an equatorial whose axis
    is off the pole are D = delta + a_alt cos H - a_az sin H and H_mech = H + z + tan(delta) (a_alt sin H +
    a_az cos H); droop enters with sin z sin q = cos(phi) sin H and sin z cos q = sin(phi) cos(delta) -
    cos(phi) sin(delta) cos H.
    """
    s, sin_phi, cos_phi = hemisphere(latitude_rad), np.sin(latitude_rad), np.cos(latitude_rad)
    sin_h, cos_h, sin_d, cos_d = np.sin(hour_angle), np.cos(hour_angle), np.sin(dec), np.cos(dec)
    out = np.zeros((hour_angle.size, 2, 8))
    out[:, 0, 0] = cos_d
    out[:, 1, 1] = 1.0
    out[:, 0, 2] = sin_d * cos_h * cos_phi
    out[:, 1, 2] = -sin_h * cos_phi
    out[:, 0, 3] = s * sin_d * sin_h
    out[:, 1, 3] = s * cos_h
    out[:, 0, 4 + CONE] = side
    out[:, 0, 4 + NONPERP] = side * sin_d
    out[:, 1, 4 + SIDE_OFFSET] = side
    out[:, 0, 4 + DROOP] = -cos_phi * sin_h
    out[:, 1, 4 + DROOP] = sin_phi * cos_d - cos_phi * sin_d * cos_h
    return out


def first_order_of_night(hour_angle: Floats, dec: Floats, side: Floats, latitude_rad: float) -> Floats:
    """Return `first_order` with two columns more: the picture's shift across, the air's lift; (n, 2, 10)."""
    plain = first_order(hour_angle, dec, side, latitude_rad)
    across = np.zeros((hour_angle.size, 2))
    across[:, 0] = 1.0
    sin_altitude = np.sin(latitude_rad) * np.sin(dec) + np.cos(latitude_rad) * np.cos(dec) * np.cos(
        hour_angle
    )
    lift = plain[:, :, 4 + DROOP] * lift_shape(sin_altitude)[:, None]
    return np.concatenate([plain, across[:, :, None], lift[:, :, None]], axis=2)
