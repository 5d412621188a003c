"""The same directions by the NOVAS package of the US Naval Observatory, step by step.

It is built without an ephemeris, so the Earth's barycentric motion comes from ERFA here too; its own are
the site's motion, light deflection, aberration, frame tie, precession, nutation, sidereal time, polar motion
and the turn to the horizon.
"""

import erfa
import numpy as np
from novas import compat as novas

from drift.sky.place import observed
from drift.sky.time_scales import EarthRotation, LeapSeconds

MJD_1970 = 40_587
DAY_US = 86_400_000_000
TAI_MINUS_UTC, UT1_MINUS_UTC = 37.0, -0.0567
POLE_X, POLE_Y = -0.11, 0.42  # [arcsec]
DELTA_T = 32.184 + TAI_MINUS_UTC - UT1_MINUS_UTC
STAR_AU = 1e9  # nothing here depends on it; light bending needs a distance

# Grid 0.6 mas in the pole and 1.2 mas in sidereal time; single Julian Dates there (0.3 mas).
TOLERANCE_MAS = 1.5


def by_novas(site, jd_utc_day, fraction, ra_deg, dec_deg):
    """Return East, North, Up and the local apparent sidereal time [rad]."""
    jd_tt = jd_utc_day + fraction + (32.184 + TAI_MINUS_UTC) / 86_400
    ut1 = (jd_utc_day, fraction + UT1_MINUS_UTC / 86_400)
    latitude, longitude, height = site
    heliocentric, barycentric = erfa.epv00(jd_tt, 0.0)
    where = novas.make_on_surface(latitude, longitude, height, 10.0, 1010.0)
    observer = novas.make_observer_on_surface(latitude, longitude, height, 10.0, 1010.0)
    station_place, station_motion = novas.geo_posvel(jd_tt, DELTA_T, observer)
    place = tuple(barycentric["p"] + np.array(station_place))
    sun = tuple(barycentric["p"] - heliocentric["p"])
    direction = tuple(erfa.s2c(np.radians(ra_deg), np.radians(dec_deg)) * STAR_AU)
    direction = novas.grav_vec(direction, place, sun, 1.0)
    direction = novas.aberration(direction, tuple(barycentric["v"] + np.array(station_motion)), 0.0)
    direction = novas.precession(2451545.0, novas.frame_tie(direction, 0), jd_tt)
    ra_h, dec = novas.vector2radec(novas.nutation(jd_tt, direction, 0))
    zenith_distance, azimuth = novas.equ2hor(sum(ut1), DELTA_T, POLE_X, POLE_Y, where, ra_h, dec)[0]
    z, a = np.radians(zenith_distance), np.radians(azimuth)
    sidereal_h = novas.sidereal_time(*ut1, DELTA_T, gst_type=1, method=1)
    enu = [np.sin(z) * np.sin(a), np.sin(z) * np.cos(a), np.cos(z)]
    return enu, np.radians(15 * sidereal_h + longitude)


def test_directions_and_sidereal_time_agree_with_novas():
    rng = np.random.default_rng(11)
    n = 24
    ra, dec = rng.uniform(0, 360, n), np.degrees(np.arcsin(rng.uniform(-1, 1, n)))
    dec[:3] = 89.99, -89.99, 0.0
    mjd, fraction = rng.integers(57_754, 61_500, n), rng.uniform(0, 1, n)
    time_us = (mjd - MJD_1970) * DAY_US + np.round(fraction * DAY_US).astype(np.int64)
    leap = LeapSeconds(np.array([57_754]), np.array([TAI_MINUS_UTC]), 99_999)
    columns = (np.full(4_000, value) for value in (UT1_MINUS_UTC, POLE_X, POLE_Y))
    table = EarthRotation(57_754, *columns, leap)
    for site in ((61.0, 24.5, 120.0), (-42.0, 147.0, 30.0)):
        ours = observed(*site, time_us, ra, dec, 10.0, 0.0, earth=table)
        rows = [by_novas(site, 2_400_000.5 + mjd[k], fraction[k], ra[k], dec[k]) for k in range(n)]
        theirs = np.array([row[0] for row in rows])
        off = np.degrees(np.linalg.norm(ours.enu - theirs, axis=1)) * 3600e3
        assert off.max() < TOLERANCE_MAS
        turn = np.angle(np.exp(1j * (ours.last_rad - [row[1] for row in rows])))
        assert np.degrees(np.abs(turn)).max() * 3600e3 < TOLERANCE_MAS
