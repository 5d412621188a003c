"""Places among the stars, ICRS <-> of date: what a mount or another program calls right ascension.

"Of date" is used for two things that differ by up to 40 arcsec, and both are offered:

*apparent*: true equator and equinox, with nutation, annual aberration and light deflection by the Sun: what
belongs to apparent sidereal time.  *mean*: precession alone (with the frame bias), no nutation and no
aberration.

Parallax, proper motion, diurnal aberration and refraction are in neither.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import erfa
import numpy as np

from drift.sky.place import Nodes, observed
from drift.sky.time_scales import (
    DAY_S,
    JD_OF_MJD_ZERO,
    TT_MINUS_TAI_S,
    FloatArray,
    IntArray,
    installed_earth_rotation,
    utc_day_and_fraction,
)

Pair = tuple[FloatArray, FloatArray]
#: Rows worked on at once: the astrometry parameters take some 300 bytes a row.
_ROWS_AT_ONCE = 65_536
_DAY_US = 86_400_000_000


def apparent_place(time_us: IntArray, ra_deg: FloatArray, dec_deg: FloatArray) -> Pair:
    """Return the apparent places, true equator and equinox of date, of ICRS places.

    Parameters
    ----------
    time_us
        (n,) UTC [microseconds since 1970-01-01], between 1900 and 2100.
    ra_deg, dec_deg
        (n,) ICRS [deg].

    Returns
    -------
    (n,) right ascension in [0, 360) and (n,) declination [deg].

    References
    ----------
    .. [1] ERFA/SOFA ``apci``, ``atciqz`` and the equation of the origins (``eors``); IERS Conventions (2010),
       ch. 5.
    """
    return _by_parts(_apparent, time_us, ra_deg, dec_deg)


def icrs_of_apparent(time_us: IntArray, ra_deg: FloatArray, dec_deg: FloatArray) -> Pair:
    """Return the ICRS places of apparent ones: the inverse of `apparent_place`, to 1e-10 degrees."""
    return _by_parts(_from_apparent, time_us, ra_deg, dec_deg)


def mean_place(time_us: IntArray, ra_deg: FloatArray, dec_deg: FloatArray) -> Pair:
    """Return the places for the mean equator and equinox of date (precession alone) of ICRS places.

    References
    ----------
    .. [1] ERFA/SOFA ``pmat06`` (IAU 2006 precession with frame bias).
    """
    return _by_parts(_mean, time_us, ra_deg, dec_deg)


def icrs_of_mean(time_us: IntArray, ra_deg: FloatArray, dec_deg: FloatArray) -> Pair:
    """Return the ICRS places of mean ones of date: the inverse of `mean_place`."""
    return _by_parts(_from_mean, time_us, ra_deg, dec_deg)


def true_of_j2000(time_us: IntArray, ra_deg: FloatArray, dec_deg: FloatArray) -> Pair:
    """Return places for the true equator and equinox of date (precession and nutation) of those of J2000.

    A rotation alone, without aberration; worked out once a day, in which it changes by 0.2 arcsec at most.

    References
    ----------
    .. [1] ERFA/SOFA ``pnm06a`` (IAU 2006 precession, 2000A nutation, with frame bias).
    """
    days, which = np.unique(np.asarray(time_us) // _DAY_US, return_inverse=True)
    mjd, fraction = _tt(days * _DAY_US + _DAY_US // 2)
    matrix = erfa.pnm06a(JD_OF_MJD_ZERO + mjd, fraction)
    ra, dec = erfa.c2s(erfa.rxp(matrix[which.reshape(-1)], erfa.s2c(np.radians(ra_deg), np.radians(dec_deg))))
    return np.degrees(erfa.anp(ra)), np.degrees(dec)


# ---- Places as a fixed mount gives them: hour angle and declination, azimuth and altitude.


#: Site: geodetic latitude and longitude [deg, north and east positive], elevation [m].
Site = tuple[float, float, float]
#: Steps from a place of date to the one that is seen there; each is some 1e-4 of the one before.
_STEPS = 4


def sidereal_deg(site: Site, time_us: IntArray) -> FloatArray:
    """Return local apparent sidereal time [deg], from which a mount counts its right ascensions."""
    none = np.zeros(len(time_us))
    last: FloatArray = np.degrees(observed(*site, time_us, none, none, none, none).last_rad)
    return last


def apparent_of_hour_angle(
    site: Site, time_us: IntArray, hour_angle_deg: FloatArray, dec_deg: FloatArray
) -> Pair:
    """Return the apparent place [deg] of an hour angle of date, positive west, and a declination."""
    return (sidereal_deg(site, time_us) - hour_angle_deg) % 360.0, dec_deg


def apparent_of_horizon(
    site: Site,
    time_us: IntArray,
    azimuth_deg: FloatArray,
    altitude_deg: FloatArray,
    pressure_hpa: float = 0.0,
) -> Pair:
    """Return the apparent places at which a direction over the site is seen.

    Parameters
    ----------
    site
        The site.
    time_us
        (n,) UTC [us].
    azimuth_deg, altitude_deg
        (n,) from true north through east, and above the horizon [deg].
    pressure_hpa
        Of the air through which it is seen; 0 for a direction without refraction.

    Notes
    -----
    Found by iteration: the place of date in that direction, less the error that `drift.sky.place.observed`
    shows for it, until both agree (some 1e-7 arcsec).
    """

    def of_date(enu_or_angles: Pair) -> Pair:
        hour_angle, dec = erfa.ae2hd(*enu_or_angles, np.radians(site[0]))
        return sidereal - np.degrees(hour_angle), np.degrees(dec)

    sidereal = sidereal_deg(site, time_us)
    wanted = of_date((np.radians(azimuth_deg), np.radians(altitude_deg)))
    ra, dec = wanted
    air = np.full(len(time_us), 10.0), np.full(len(time_us), pressure_hpa)
    for _ in range(_STEPS):
        icrs = icrs_of_apparent(time_us, ra % 360.0, np.clip(dec, -90.0, 90.0))
        enu = observed(*site, time_us, *icrs, *air).enu
        seen = of_date((np.arctan2(enu[:, 0], enu[:, 1]), np.arcsin(np.clip(enu[:, 2], -1.0, 1.0))))
        ra = ra + (wanted[0] - seen[0] + 180.0) % 360.0 - 180.0
        dec = dec + wanted[1] - seen[1]
    return ra % 360.0, dec


def _by_parts(
    turn: Callable[[IntArray, FloatArray, FloatArray], Pair],
    time_us: IntArray,
    ra_deg: FloatArray,
    dec_deg: FloatArray,
) -> Pair:
    ra, dec = np.empty(len(time_us)), np.empty(len(time_us))
    for start in range(0, len(time_us), _ROWS_AT_ONCE):
        rows = slice(start, start + _ROWS_AT_ONCE)
        a, d = turn(time_us[rows], np.radians(ra_deg[rows]), np.radians(dec_deg[rows]))
        ra[rows], dec[rows] = np.degrees(erfa.anp(a)), np.degrees(d)
    ra[ra >= 360.0] = 0.0
    return ra, dec


def _tt(time_us: IntArray) -> Pair:
    """Return TT as whole days (MJD) and the rest."""
    mjd, fraction = utc_day_and_fraction(time_us)
    leaps = installed_earth_rotation().leap_seconds.at(mjd)
    return mjd.astype(np.float64), fraction + (leaps + TT_MINUS_TAI_S) / DAY_S


def _astrometry(time_us: IntArray) -> tuple[Any, FloatArray]:
    """Return ERFA's parameters for an observer at the Earth's centre, and the equation of the origins."""
    mjd, fraction = _tt(time_us)
    slow = Nodes.near(mjd + fraction).at(mjd + fraction)
    motion = np.zeros(len(mjd), dtype=erfa.dt_pv)  # its place is only used for parallax: left at 0
    motion["v"] = slow.velocity_au_day
    days = JD_OF_MJD_ZERO + mjd
    around = erfa.apci(days, fraction, motion, slow.from_sun_au, slow.pole_x, slow.pole_y, slow.locator_rad)
    return around, slow.origins_rad


def _apparent(time_us: IntArray, ra: FloatArray, dec: FloatArray) -> Pair:
    around, origins = _astrometry(time_us)
    from_cio, declination = erfa.atciqz(ra, dec, around)
    return from_cio - origins, declination


def _from_apparent(time_us: IntArray, ra: FloatArray, dec: FloatArray) -> Pair:
    around, origins = _astrometry(time_us)
    icrs_ra, icrs_dec = erfa.aticq(ra + origins, dec, around)
    return icrs_ra, icrs_dec


def _precession(time_us: IntArray) -> FloatArray:
    mjd, fraction = _tt(time_us)
    matrix: FloatArray = erfa.pmat06(JD_OF_MJD_ZERO + mjd, fraction)
    return matrix


def _mean(time_us: IntArray, ra: FloatArray, dec: FloatArray) -> Pair:
    a, d = erfa.c2s(erfa.rxp(_precession(time_us), erfa.s2c(ra, dec)))
    return a, d


def _from_mean(time_us: IntArray, ra: FloatArray, dec: FloatArray) -> Pair:
    a, d = erfa.c2s(erfa.trxp(_precession(time_us), erfa.s2c(ra, dec)))
    return a, d


def separation_deg(ra_1: FloatArray, dec_1: FloatArray, ra_2: FloatArray, dec_2: FloatArray) -> FloatArray:
    """Return the angle between places on the sphere [deg], exact for small and for large angles.

    Parameters
    ----------
    ra_1, dec_1, ra_2, dec_2
        (n,) right ascension and declination of either place [deg].
    """
    apart = erfa.seps(*(np.radians(one) for one in (ra_1, dec_1, ra_2, dec_2)))
    return np.asarray(np.degrees(apart), dtype=np.float64)
