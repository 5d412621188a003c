"""The invented sky: observed directions to ICRS places and back, by the full ERFA route."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import ARCSEC

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

# ---- What shakes and misleads an observation on the sky.


Floats = npt.NDArray[np.float64]


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
# The values are kept here, every 20 days, and not read from the installed
# tables, because those are revised and the sample logs must come out of their
# seed bit for bit.  Between the nodes a cubic spline is within 4 ms of UT1 and
# 0.008 arcsec of the pole's place (checked against the full table), which is
# 0.06 arcsec in hour angle: far below a solve's noise.
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


@cache
def _between_nodes() -> CubicSpline:
    """Return the curve through the kept nodes: UT1 - TAI [s], the pole [arcsec]."""
    from scipy.interpolate import CubicSpline

    nodes = np.array(_NODES, dtype=float) * (1e-4, 1e-3, 1e-3)
    return CubicSpline(FIRST_NODE_MJD + NODE_STEP_DAYS * np.arange(len(nodes)), nodes)


def earth_turning(mjd_utc: npt.NDArray[np.float64], tai_minus_utc_s: npt.NDArray[np.float64]) -> EarthTurning:
    """Interpolate the kept nodes.

    Parameters
    ----------
    mjd_utc
        (n,) modified Julian dates, UTC [d].
    tai_minus_utc_s
        (n,) leap seconds at those dates [s].

    Raises
    ------
    ValueError
        For a date outside the kept years; names it and the years.
    """
    node_mjd = FIRST_NODE_MJD + NODE_STEP_DAYS * np.arange(len(_NODES))
    outside = (mjd_utc < node_mjd[0]) | (mjd_utc > node_mjd[-1])
    if np.any(outside):
        raise ValueError(
            f"MJD {mjd_utc[outside][0]:.1f} is outside the years the invented world knows "
            f"(MJD {node_mjd[0]} to {node_mjd[-1]}, 2014-10-30 to 2026-09-17); "
            "choose another start or fewer years"
        )
    ut1_minus_tai, pole_x, pole_y = _between_nodes()(mjd_utc).T
    arcsec = np.pi / 648000.0
    return EarthTurning(ut1_minus_tai + tai_minus_utc_s, pole_x * arcsec, pole_y * arcsec)


# ---- The invented sky: observed directions to ICRS places and back, by the full ERFA route.
#
# Every reading gets its own precession, nutation, aberration, Earth rotation,
# polar motion and refraction (`erfa.apco13`); nothing is interpolated but the
# Earth's turning (`drift.demo.sky`).  The product's own quicker route is not
# used, so that it is checked against this one.

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
    months = 12 * (leap_table["year"].astype(np.int64) - 1970) + leap_table["month"] - 1
    starts = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
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
