"""The same directions by Skyfield, which has its own rotations, nutation code, site and aberration.

Only the Earth's place and motion come from ERFA on both sides, because Skyfield brings no ephemeris;
`test_sky_novas.py` and the printed places check that part.
"""

import erfa
import numpy as np
from skyfield.api import Star, load, wgs84
from skyfield.vectorlib import VectorFunction

from drift.sky.place import observed
from drift.sky.time_scales import EarthRotation, LeapSeconds

MJD_1970 = 40_587
DAY_US = 86_400_000_000
TAI_MINUS_UTC, UT1_MINUS_UTC = 37.0, 0.1234
POLE_X, POLE_Y = 0.21, 0.36  # [arcsec]

# Here the grid: 0.6 mas, 1.2 in sidereal time.  There light bent by the Earth itself, Jupiter and Saturn
# (0.5 mas), nutation without the small changes of 2006 (0.1 mas), single Julian Dates (0.3 mas).
TOLERANCE_MAS = 1.5


class Body(VectorFunction):
    center, ephemeris = 0, None

    def __init__(self, target, where):
        self.target, self.where = target, where

    def _at(self, t):
        pv = self.where(t.tdb)
        return np.asarray(pv["p"]).T, np.asarray(pv["v"]).T, None, None


def earth(jd):
    return erfa.epv00(jd, 0.0)[1]


def sun(jd):
    heliocentric, barycentric = erfa.epv00(jd, 0.0)
    return erfa.pvmpv(barycentric, heliocentric)


def planet(number):
    return lambda jd: erfa.pvppv(sun(jd), erfa.plan94(jd, 0.0, number))


BODIES = {10: Body(10, sun), 399: Body(399, earth), 599: Body(599, planet(5)), 699: Body(699, planet(6))}
for name, code in (("sun", 10), ("earth", 399), ("jupiter", 599), ("saturn", 699)):
    BODIES[name] = BODIES[code]
for body in BODIES.values():
    body.ephemeris = BODIES


def by_skyfield(site, mjd, fraction, ra_deg, dec_deg):
    scale = load.timescale(builtin=True, delta_t=32.184 + TAI_MINUS_UTC - UT1_MINUS_UTC)
    scale.polar_motion_table = np.array([0.0, 1e7]), np.full(2, POLE_X), np.full(2, POLE_Y)
    time = scale.tt_jd(2_400_000.5 + mjd, fraction + (32.184 + TAI_MINUS_UTC) / 86_400)
    station = BODIES["earth"] + wgs84.latlon(*site)
    seen = []
    for row in range(len(ra_deg)):
        star = Star(ra_hours=ra_deg[row] / 15, dec_degrees=dec_deg[row])
        altitude, azimuth, _ = station.at(time[row]).observe(star).apparent().altaz()
        flat = np.cos(altitude.radians)
        seen.append(
            [flat * np.sin(azimuth.radians), flat * np.cos(azimuth.radians), np.sin(altitude.radians)]
        )
    return np.array(seen), np.radians(15 * time.gast + site[1])


def test_directions_and_sidereal_time_agree_with_skyfield():
    rng = np.random.default_rng(7)
    n = 24
    ra, dec = rng.uniform(0, 360, n), np.degrees(np.arcsin(rng.uniform(-1, 1, n)))
    dec[:3] = 89.99, -89.99, 0.0
    mjd, fraction = rng.integers(57_754, 61_500, n), rng.uniform(0, 1, n)
    time_us = (mjd - MJD_1970) * DAY_US + np.round(fraction * DAY_US).astype(np.int64)
    leap = LeapSeconds(np.array([57_754]), np.array([TAI_MINUS_UTC]), 99_999)
    days = 4_000
    table = EarthRotation(
        57_754, np.full(days, UT1_MINUS_UTC), np.full(days, POLE_X), np.full(days, POLE_Y), leap
    )
    for site in ((47.3, -92.4, 410.0), (-33.0, 151.0, 900.0)):
        ours = observed(*site, time_us, ra, dec, 10.0, 0.0, earth=table)
        theirs, sidereal = by_skyfield(site, mjd, fraction, ra, dec)
        off = np.degrees(np.linalg.norm(ours.enu - theirs, axis=1)) * 3600e3
        assert off.max() < TOLERANCE_MAS
        turn = np.angle(np.exp(1j * (ours.last_rad - sidereal)))
        assert np.degrees(np.abs(turn)).max() * 3600e3 < TOLERANCE_MAS
