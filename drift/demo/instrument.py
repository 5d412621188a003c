"""The invented mount under the invented sky: from its readings to where the tube points, and to ICRS."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from scipy.spatial.transform import Rotation


# ---- The invented mount: from its readings to where the tube points, by exact rotations.
#
# Site frame: unit vectors East, North, Up.  Hour angle is positive west, declination positive north,
# bearings clockwise from true north.  Tilt is the way the top of the pier tips; `kappa` turns the mount
# clockwise seen from above; `alpha` raises the elevated end of the polar axis.  Nothing here is shared with
# the estimators, so that the check is independent.
#
# The observed direction is ::
#
#     v = Droop . R_tilt . R_plate . R_azimuth(kappa) . R_altitude(alpha) . Tube(h, d, side)
#
# with h and d the angles of the two axes, i.e. readings less the zeros.


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
    """Return the rotation of the whole mount from its ideal position, ENU."""
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


# ---- The invented sky: observed directions to ICRS and back, by the full ERFA route.


def shaken(rng: np.random.Generator, enu: Floats, sd_arcsec: float) -> Floats:
    """Displace directions (n, 3) at random, with `sd_arcsec` in each of two coordinates."""
    draws = rng.normal(size=enu.shape)
    tangent = draws - np.sum(draws * enu, axis=-1, keepdims=True) * enu
    moved = enu + tangent * sd_arcsec * ARCSEC
    unit: Floats = moved / np.linalg.norm(moved, axis=-1, keepdims=True)
    return unit


def misled(
    rng: np.random.Generator, enu: Floats, chance: float, off_deg: float
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Move a few directions by `off_deg`, any way; return them and which were moved."""
    wrong = rng.random(len(enu)) < chance
    draws = rng.normal(size=enu.shape)
    tangent = draws - np.sum(draws * enu, axis=-1, keepdims=True) * enu
    tangent /= np.linalg.norm(tangent, axis=-1, keepdims=True)
    off = np.radians(off_deg)
    return np.where(wrong[:, None], np.cos(off) * enu + np.sin(off) * tangent, enu), wrong


# ---- How the Earth turned in the years of the invented observatory.
#
# The values are stored here, every 20 days, and not read from the installed tables, because those are
# revised and the sample logs must follow from their seed bit for bit.  Between the nodes a cubic spline is
# within 4 ms of UT1 and 0.008 arcsec of the pole's place (checked against the full table), which is 0.06
# arcsec in hour angle: far below a solve's noise.
#
# References
# ----------
# IERS EOP 20 C04 series as packaged in astropy-iers-data 0.2026.11.2 (IERS_B),
# rounded to 0.1 ms and 0.001 arcsec.


FIRST_NODE_MJD = 56960  # 2014-10-30
NODE_STEP_DAYS = 20
# One node: UT1 - TAI [0.1 ms], pole x and y [0.001 arcsec].
# fmt: off
_NODES = (
    (-353847, 137, 256), (-354090, 99, 254), (-354324, 68, 264), (-354564, 34, 279), (-354759, 11, 295),
    (-354992, 2, 324), (-355260, 3, 353), (-355525, 3, 378), (-355839, 21, 407), (-356130, 37, 429),
    (-356413, 64, 448), (-356604, 97, 457), (-356738, 136, 451), (-356907, 174, 435), (-357040, 207, 412),
    (-357196, 225, 379), (-357460, 225, 347), (-357760, 209, 308), (-358077, 179, 279), (-358409, 144, 260),
    (-358724, 107, 253), (-359057, 69, 252), (-359410, 31, 274), (-359750, -5, 301), (-360064, -20, 338),
    (-360456, -25, 381), (-360843, -8, 423), (-361220, 22, 459), (-361549, 54, 486), (-361864, 93, 497),
    (-362048, 132, 491), (-362187, 174, 472), (-362251, 213, 451), (-362362, 228, 414), (-362535, 235, 376),
    (-362762, 234, 335), (-363049, 210, 302), (-363333, 176, 278), (-363659, 137, 269), (-363940, 110, 266),
    (-364172, 75, 265), (-364401, 36, 279), (-364673, 11, 300), (-364930, 3, 335), (-365220, 5, 372),
    (-365536, 21, 406), (-365871, 48, 439), (-366134, 86, 456), (-366313, 121, 457), (-366423, 172, 447),
    (-366498, 205, 420), (-366584, 226, 388), (-366642, 238, 352), (-366807, 229, 318), (-366967, 207, 282),
    (-367196, 178, 255), (-367429, 142, 239), (-367676, 95, 237), (-367844, 57, 249), (-367939, 29, 272),
    (-368168, 4, 305), (-368360, 3, 346), (-368559, 21, 381), (-368753, 39, 414), (-368994, 70, 439),
    (-369154, 99, 448), (-369288, 127, 446), (-369294, 163, 430), (-369308, 192, 415), (-369318, 201, 395),
    (-369359, 212, 370), (-369441, 212, 349), (-369597, 207, 322), (-369779, 190, 301), (-369969, 167, 279),
    (-370187, 133, 271), (-370320, 95, 269), (-370459, 64, 285), (-370641, 44, 314), (-370875, 36, 340),
    (-371032, 46, 368), (-371263, 52, 391), (-371456, 66, 409), (-371627, 91, 421), (-371715, 121, 431),
    (-371745, 152, 424), (-371689, 179, 406), (-371602, 211, 389), (-371541, 217, 364), (-371533, 209, 331),
    (-371537, 196, 309), (-371543, 170, 290), (-371634, 154, 275), (-371702, 119, 271), (-371753, 93, 278),
    (-371787, 61, 290), (-371911, 44, 314), (-371992, 29, 340), (-372148, 29, 374), (-372252, 51, 401),
    (-372400, 63, 426), (-372500, 93, 445), (-372541, 113, 442), (-372481, 147, 438), (-372302, 183, 420),
    (-372102, 199, 397), (-371943, 217, 376), (-371807, 211, 350), (-371745, 196, 328), (-371722, 178, 307),
    (-371747, 151, 293), (-371791, 119, 288), (-371792, 83, 294), (-371746, 60, 310), (-371687, 50, 329),
    (-371707, 52, 358), (-371718, 55, 381), (-371709, 75, 410), (-371780, 90, 424), (-371824, 115, 440),
    (-371854, 153, 445), (-371776, 178, 434), (-371642, 213, 415), (-371467, 245, 392), (-371335, 249, 360),
    (-371172, 244, 324), (-371092, 230, 292), (-371054, 201, 265), (-371047, 166, 252), (-371073, 132, 247),
    (-371082, 95, 257), (-371105, 55, 277), (-371083, 37, 306), (-371068, 23, 340), (-371022, 22, 374),
    (-371008, 34, 409), (-370970, 53, 447), (-370976, 92, 475), (-370978, 131, 486), (-370891, 175, 483),
    (-370702, 227, 463), (-370517, 271, 428), (-370319, 293, 386), (-370142, 305, 337), (-370093, 294, 288),
    (-370035, 269, 244), (-370103, 221, 209), (-370155, 180, 192), (-370209, 128, 189), (-370175, 82, 198),
    (-370177, 27, 218), (-370119, -8, 256), (-370151, -40, 305), (-370200, -40, 365), (-370265, -11, 418),
    (-370338, 17, 465), (-370431, 59, 492), (-370455, 108, 510), (-370381, 164, 511), (-370266, 222, 497),
    (-370139, 266, 468), (-370021, 293, 427), (-369915, 310, 382), (-369887, 300, 330), (-369855, 282, 285),
    (-369891, 260, 251), (-369880, 224, 224), (-369906, 163, 200), (-369922, 118, 206), (-369951, 68, 218),
    (-370025, 31, 250), (-370053, -6, 293), (-370144, -13, 339), (-370171, -2, 382), (-370214, 13, 419),
    (-370195, 32, 448), (-370141, 61, 473), (-369930, 110, 478), (-369778, 156, 479), (-369568, 195, 463),
    (-369459, 214, 440), (-369413, 225, 415), (-369433, 225, 386), (-369454, 211, 360), (-369494, 198, 336),
    (-369516, 170, 311), (-369547, 140, 305), (-369545, 116, 305), (-369533, 83, 314), (-369568, 67, 333),
    (-369581, 58, 366), (-369667, 69, 397), (-369697, 89, 421), (-369721, 109, 436), (-369664, 133, 443),
    (-369551, 167, 439), (-369399, 197, 433), (-369279, 219, 413), (-369143, 234, 389), (-369101, 232, 358),
    (-369074, 210, 327), (-369069, 177, 320), (-369164, 144, 316), (-369235, 122, 317), (-369258, 111, 330),
    (-369256, 92, 345), (-369328, 95, 370), (-369328, 105, 389), (-369435, 106, 402), (-369524, 140, 414),
    (-369665, 155, 418), (-369745, 174, 413), (-369852, 187, 407), (-369867, 204, 391), (-369901, 215, 373),
    (-369892, 224, 360), (-369941, 213, 341), (-370085, 190, 329),
)
# fmt: on


class EarthTurning(NamedTuple):
    """UT1 - UTC [s] and the place of the pole [rad], each (n,)."""

    ut1_minus_utc_s: npt.NDArray[np.float64]
    pole_x_rad: npt.NDArray[np.float64]
    pole_y_rad: npt.NDArray[np.float64]


def earth_turning(mjd_utc: npt.NDArray[np.float64], tai_minus_utc_s: npt.NDArray[np.float64]) -> EarthTurning:
    """Interpolate the stored nodes.

    Parameters
    ----------
    mjd_utc
        (n,) modified Julian dates, UTC [d].
    tai_minus_utc_s
        (n,) leap seconds at those dates [s].

    Raises
    ------
    ValueError
        For a date outside the stored years; names it and the years.
    """
    from scipy.interpolate import CubicSpline

    nodes = np.array(_NODES, dtype=float) * (1e-4, 1e-3, 1e-3)
    node_mjd = FIRST_NODE_MJD + NODE_STEP_DAYS * np.arange(len(nodes))
    outside = (mjd_utc < node_mjd[0]) | (mjd_utc > node_mjd[-1])
    if np.any(outside):
        raise ValueError(
            f"MJD {mjd_utc[outside][0]:.1f} is outside the years the invented world knows "
            f"(MJD {node_mjd[0]} to {node_mjd[-1]}, 2014-10-30 to 2026-09-17); "
            "choose another start or fewer years"
        )
    ut1_minus_tai, pole_x, pole_y = CubicSpline(node_mjd, nodes)(mjd_utc).T
    arcsec = np.pi / 648000.0
    return EarthTurning(ut1_minus_tai + tai_minus_utc_s, pole_x * arcsec, pole_y * arcsec)


# ---- The invented sky: observed directions to ICRS and back, by the full ERFA route.
#
# Every reading gets its own precession, nutation, aberration, Earth rotation, polar motion and refraction
# (`erfa.apco13`); nothing is interpolated but the Earth's turning (`drift.demo.instrument`).  The product's
# own faster route is not used, so that it is checked against this one.

Times = npt.NDArray[np.int64]
US_PER_DAY = 86_400_000_000
RELATIVE_HUMIDITY = 0.6  # of the invented nights
WAVELENGTH_UM = 0.55


def _utc(time_us: Times) -> tuple[Floats, Floats, Floats]:
    """Return day and fraction of the quasi Julian date of UTC, and TAI - UTC [s]."""
    import erfa

    day, rest_us = np.divmod(time_us, US_PER_DAY)
    seconds = np.asarray(rest_us / 1e6)
    leap_table = erfa.leap_seconds.get()
    starts = [
        np.datetime64(f"{row['year']:04d}-{row['month']:02d}-01", "D").astype(np.int64) for row in leap_table
    ]
    which = np.searchsorted(starts, day, side="right") - 1
    long_day = np.isin(day + 1, starts)
    return (
        day + 2440587.5,
        seconds / np.where(long_day, 86401.0, 86400.0),
        np.asarray(leap_table["tai_utc"][which], dtype=float),
    )


class Overhead:
    """The sky over a site at (n,) times.

    Parameters
    ----------
    site
        Latitude [deg], longitude [deg, east positive], elevation [m].
    time_us
        (n,) UTC, microseconds since 1970.
    temp_c, pressure_hpa
        (n,) of the air at the station.
    """

    def __init__(
        self, site: tuple[float, float, float], time_us: Times, temp_c: Floats, pressure_hpa: Floats
    ) -> None:
        import erfa

        latitude_deg, longitude_deg, elevation_m = site
        day, fraction, tai_utc = _utc(time_us)
        turning = earth_turning(day - 2400000.5 + fraction, tai_utc)
        self._astrom, origins = erfa.apco13(
            day,
            fraction,
            turning.ut1_minus_utc_s,
            np.radians(longitude_deg),
            np.radians(latitude_deg),
            elevation_m,
            turning.pole_x_rad,
            turning.pole_y_rad,
            pressure_hpa,
            temp_c,
            RELATIVE_HUMIDITY,
            WAVELENGTH_UM,
        )
        ut1 = erfa.utcut1(day, fraction, turning.ut1_minus_utc_s)
        #: (n,) local apparent sidereal time [rad]
        self.last_rad = erfa.anp(erfa.era00(*ut1) - origins + np.radians(longitude_deg))

    def icrs_of(self, enu: Floats) -> tuple[Floats, Floats]:
        """Return ICRS right ascension and declination [rad] of observed directions (n, 3)."""
        import erfa

        azimuth = np.arctan2(enu[..., 0], enu[..., 1])
        zenith_distance = np.arctan2(np.hypot(enu[..., 0], enu[..., 1]), enu[..., 2])
        ra, dec = erfa.aticq(*erfa.atoiq("A", azimuth, zenith_distance, self._astrom), self._astrom)
        return erfa.anp(ra), dec

    def enu_of(self, ra_rad: Floats, dec_rad: Floats) -> Floats:
        """Return observed directions (n, 3), refracted, of ICRS places [rad] without motion or parallax."""
        import erfa

        ra, dec = erfa.atciqz(ra_rad, dec_rad, self._astrom)
        azimuth, zenith_distance, *_ = erfa.atioq(ra, dec, self._astrom)
        return np.stack(
            [
                np.sin(azimuth) * np.sin(zenith_distance),
                np.cos(azimuth) * np.sin(zenith_distance),
                np.cos(zenith_distance),
            ],
            axis=-1,
        )
