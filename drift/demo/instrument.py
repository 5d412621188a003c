"""The invented mount: from its readings to where the tube points, by exact rotations.

Site frame: unit vectors East, North, Up.  Hour angle is positive west,
declination positive north, bearings clockwise from true north.  Tilt is the
way the top of the pier tips; `kappa` turns the mount clockwise seen from above;
`alpha` raises the elevated end of the polar axis.  Nothing here is shared with
the estimators, so that they are checked against something independent.

The observed direction is ::

    v = Droop . R_tilt . R_plate . R_azimuth(kappa) . R_altitude(alpha) . Tube(h, d, side)

with h and d the angles of the two axes, i.e. readings less the zeros.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from scipy.spatial.transform import Rotation


Floats = npt.NDArray[np.float64]
ARCSEC = np.pi / 648000.0  # radians in one arcsec, exact


@dataclass(frozen=True)
class Constants:
    """What belongs to the instrument and not to the night; one value or (n,) values each.

    Each is mechanical minus true, to first order, on the sky [arcsec]; `side`
    is +1 with the tube on the east side of the pier (looking west), -1 west.

    Parameters
    ----------
    cone_error_arcsec
        c: cos(dec) dH = c side.  The tube tilts away from the pier.
    axis_nonperpendicularity_arcsec
        n: cos(dec) dH = n side sin(dec).
    declination_offset_arcsec
        e: dD = e side, the offset in declination between the tube sides.
    droop_arcsec
        g: the tube points g sin(zenith distance) lower than its axes read.
    """

    cone_error_arcsec: float | Floats = 0.0
    axis_nonperpendicularity_arcsec: float | Floats = 0.0
    declination_offset_arcsec: float | Floats = 0.0
    droop_arcsec: float | Floats = 0.0


@dataclass(frozen=True)
class Setting:
    """How the mount stands on the site, one value or (n,) values each [arcsec]."""

    tilt_north: Floats
    tilt_east: Floats
    plate_north: Floats
    plate_east: Floats
    kappa: Floats
    alpha: Floats


def site_basis(latitude_deg: float) -> Floats:
    """Return (3, 3): meridian point of the equator, west, north pole, as ENU rows."""
    sin_phi, cos_phi = np.sin(np.radians(latitude_deg)), np.cos(np.radians(latitude_deg))
    return np.array([(0.0, -sin_phi, cos_phi), (-1.0, 0.0, 0.0), (0.0, cos_phi, sin_phi)])


def direction(hour_angle_rad: Floats, dec_rad: Floats, latitude_deg: float) -> Floats:
    """Return ENU unit vectors (n, 3) of hour angles and declinations."""
    local = np.stack(
        [
            np.cos(dec_rad) * np.cos(hour_angle_rad),
            np.cos(dec_rad) * np.sin(hour_angle_rad),
            np.sin(dec_rad),
        ],
        axis=-1,
    )
    return local @ site_basis(latitude_deg)


def hour_angle_dec(enu: Floats, latitude_deg: float) -> tuple[Floats, Floats]:
    """Return hour angles in [-pi, pi) and declinations [rad] of ENU vectors (n, 3)."""
    local = enu @ site_basis(latitude_deg).T
    return np.arctan2(local[..., 1], local[..., 0]), np.arcsin(np.clip(local[..., 2], -1.0, 1.0))


def _turn(east: Floats, north: Floats, up: Floats) -> Rotation:
    """Right-handed rotations by rotation vectors given in arcsec."""
    from scipy.spatial.transform import Rotation

    return Rotation.from_rotvec(np.stack(np.broadcast_arrays(east, north, up), axis=-1) * ARCSEC)


def standing(setting: Setting, latitude_deg: float) -> Rotation:
    """Return the rotation of the whole mount from its ideal place, ENU."""
    elevated = 1.0 if latitude_deg >= 0 else -1.0
    nought = np.zeros_like(setting.kappa)
    tilt = _turn(-setting.tilt_north, setting.tilt_east, nought)
    plate = _turn(-setting.plate_north, setting.plate_east, nought)
    azimuth = _turn(nought, nought, -setting.kappa)
    altitude = _turn(elevated * setting.alpha, nought, nought)
    return tilt * plate * azimuth * altitude


def axis_errors(setting: Setting, latitude_deg: float) -> tuple[Floats, Floats]:
    """Return az_error and alt_error [arcsec] of the elevated end, from the exact axis."""
    elevated = 1.0 if latitude_deg >= 0 else -1.0
    pole = elevated * site_basis(latitude_deg)[2]
    axis = standing(setting, latitude_deg).apply(pole)
    # Angle from the pole's bearing: of the horizontal parts, clockwise positive in both hemispheres.
    bearing = np.arctan2(
        axis[..., 0] * pole[1] - axis[..., 1] * pole[0], axis[..., 0] * pole[0] + axis[..., 1] * pole[1]
    )
    altitude = np.arcsin(axis[..., 2]) - np.radians(abs(latitude_deg))
    return bearing / ARCSEC, altitude / ARCSEC


def roll(setting: Setting, latitude_deg: float) -> Floats:
    """Return what the setting adds to mechanical hour angle at the meridian on the equator [arcsec]."""
    meridian = site_basis(latitude_deg)[0]
    inside = standing(setting, latitude_deg).inv().apply(meridian)
    return hour_angle_dec(inside, latitude_deg)[0] / ARCSEC


def _tube(axis_ha: Floats, axis_dec: Floats, side: Floats, constants: Constants, basis: Floats) -> Floats:
    """Return where the tube points on a perfectly placed mount, ENU (n, 3).

    The declination axis, from the pier to the tube, is perpendicular to the
    tube's hour circle up to n; the tube is perpendicular to it up to c.
    """
    meridian, west_point, pole = basis
    cone = (np.asarray(constants.cone_error_arcsec) * ARCSEC)[..., None]
    skew = (np.asarray(constants.axis_nonperpendicularity_arcsec) * ARCSEC)[..., None]
    dec = (axis_dec - constants.declination_offset_arcsec * ARCSEC * side)[..., None]
    cos_ha, sin_ha = np.cos(axis_ha)[..., None], np.sin(axis_ha)[..., None]
    on_equator = cos_ha * meridian + sin_ha * west_point
    outward = -side[..., None] * (cos_ha * west_point - sin_ha * meridian)
    dec_axis = np.cos(skew) * outward - np.sin(skew) * pole
    poleward = np.cos(skew) * pole + np.sin(skew) * outward
    square = np.cos(dec) * on_equator + np.sin(dec) * poleward
    return np.cos(cone) * square + np.sin(cone) * dec_axis


def _drooped(enu: Floats, droop_arcsec: float | Floats) -> Floats:
    """Lower directions by droop times the sine of their zenith distance."""
    up = np.array((0.0, 0.0, 1.0))
    sin_z = np.hypot(enu[..., 0], enu[..., 1])
    downward = enu * enu[..., 2:] - up  # length sin z, tangent to the sky
    unit = downward / np.maximum(sin_z, 1e-12)[..., None]
    angle = (droop_arcsec * ARCSEC * sin_z)[..., None]
    return np.cos(angle) * enu + np.sin(angle) * unit


def pointing(
    axis_ha_rad: Floats,
    axis_dec_rad: Floats,
    side: Floats,
    constants: Constants,
    setting: Setting,
    latitude_deg: float,
) -> Floats:
    """Return where the tube really points, ENU unit vectors (n, 3).

    Parameters
    ----------
    axis_ha_rad, axis_dec_rad
        (n,) angles of the axes: readings less the zeros [rad].
    side
        (n,) +1 tube on the east side of the pier, -1 on the west.
    constants
        Of the instrument.
    setting
        Of the mount on the site; scalars or (n,).
    latitude_deg
        Signed [deg].
    """
    inside = _tube(axis_ha_rad, axis_dec_rad, side, constants, site_basis(latitude_deg))
    return _drooped(standing(setting, latitude_deg).apply(inside), constants.droop_arcsec)
