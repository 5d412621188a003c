"""Does the generator do what it says?  Run before every benchmark; each value with where it comes from.

python benchmarks/worlds --check
"""

from __future__ import annotations

import erfa
import numpy as np
from geometry import Instrument, Standing, axis_errors, circles, ideal_axes, looks, zero_of_standing
from sky import ARCSEC, Air, Site, catalogued, lifted, lowered, moments, of_date, refraction, topocentric

#: Worked values of the glossary in DEVELOPERS.md: latitude, what moves, az_error, alt_error, zero [arcsec].
WORKED = (
    (46.0, {"tilt_east": 60.0}, 62.1, 0.0, 41.7),
    (46.0, {"mount_az": 60.0}, 60.0, 0.0, -43.2),
    (-45.0, {"tilt_north": 60.0}, 0.0, 60.0, 0.0),
    (-45.0, {"tilt_east": 60.0}, -60.0, 0.0, 42.4),
    (46.0, {"tilt_north": 60.0}, 0.0, -60.0, 0.0),
    (46.0, {"mount_alt": 60.0}, 0.0, 60.0, 0.0),
    (-45.0, {"mount_alt": 60.0}, 0.0, 60.0, 0.0),
)
#: The values are given to a tenth; what is of second order at 60 arcsec is a hundredth.
WORKED_TOLERANCE = 0.06
#: Skyfield: no change of nutation since 2006, light bent by other bodies left out there [arcsec].
PLACE_TOLERANCE = 0.003
#: Two fits to the same air; 0.1 arcsec above 20 degrees of altitude, and humidity [arcsec].
REFRACTION_TOLERANCE = 0.25


def standing(**moved: float) -> Standing:
    """Return a mount that stands perfectly but for what is given."""
    parts = dict.fromkeys(Standing.__dataclass_fields__, 0.0) | moved
    return Standing(**{name: np.array([value]) for name, value in parts.items()})


def check_geometry() -> None:
    """Compare with the worked values, and `looks` with `circles`."""
    for latitude, moved, az, alt, zero in WORKED:
        site, stands = Site(latitude, 0.0, 0.0), standing(**moved)
        found = (*(float(e[0]) for e in axis_errors(site, stands)), float(zero_of_standing(site, stands)[0]))
        for value, wanted in zip(found, (az, alt, zero), strict=True):
            assert abs(value - wanted) < WORKED_TOLERANCE, (latitude, moved, found)
    rng = np.random.default_rng(3)
    site, n = Site(-38.0, 10.0, 0.0), 50
    stands = Standing(*(np.full(n, x) for x in (80.0, -50.0, 200.0, -90.0)))
    tube, side = Instrument(200.0, -60.0, 30.0, 25.0), rng.choice([-1.0, 1.0], n)
    hour, dec = rng.uniform(-1.0, 1.0, n), rng.uniform(-1.2, 0.3, n)
    again = circles(site, stands, tube, side, looks(site, stands, tube, side, hour, dec))
    # The droop is taken up at the drooped place: second order in 25 arcsec, 0.01.
    assert np.abs(np.array(again) - [hour, dec]).max() < 0.01 * ARCSEC


def check_instrument() -> None:
    """Compare with first order: cos(D) dH = c side + n side sin D, dD = e side, droop downward."""
    site, side, dec, hour = Site(46.0, 0.0, 0.0), np.array([1.0, -1.0]), 0.7, 0.4
    own = np.array([np.cos(dec) * np.cos(hour), np.cos(dec) * np.sin(hour), np.sin(dec)])
    seen = np.tile(own @ ideal_axes(site), (2, 1))
    stands = Standing(*(np.zeros(2) for _ in range(4)))
    mech_h, mech_d = circles(site, stands, Instrument(10.0, 20.0, 5.0, 0.0), side, seen)
    assert np.allclose(np.cos(dec) * (mech_h - hour) / ARCSEC, side * (10.0 + 20.0 * np.sin(dec)), atol=0.01)
    assert np.allclose((mech_d - dec) / ARCSEC, side * 5.0, atol=0.01)
    mech_h, mech_d = circles(site, stands, Instrument(0.0, 0.0, 0.0, 10.0), side, seen)
    higher = seen[0] * 0 + np.array([0.0, 0.0, 1.0])
    north = np.array([-np.sin(dec) * np.cos(hour), -np.sin(dec) * np.sin(hour), np.cos(dec)]) @ ideal_axes(
        site
    )
    assert np.allclose((mech_d - dec) / ARCSEC, 10.0 * higher @ north, atol=0.01)


def check_sky() -> None:
    """Compare with Skyfield, and with ERFA's refraction; undo what is done."""
    from skyfield.api import Star, load, wgs84
    from skyfield.vectorlib import VectorFunction

    class Body(VectorFunction):
        center = 0
        ephemeris: object = None

        def __init__(self, target: int) -> None:
            self.target = target

        def _at(self, t):  # type: ignore[no-untyped-def]
            helio, bary = erfa.epv00(t.tdb, 0.0)
            pv = bary if self.target == 399 else erfa.pvmpv(bary, helio)
            return np.asarray(pv["p"]).T, np.asarray(pv["v"]).T, None, None

    bodies = {name: Body(code) for name, code in (("earth", 399), ("sun", 10))}
    bodies |= {399: bodies["earth"], 10: bodies["sun"]}  # type: ignore[dict-item]
    for body in bodies.values():
        body.ephemeris = bodies
    rng = np.random.default_rng(5)
    n, site = 12, Site(47.3, -92.4, 410.0)
    mjd = rng.uniform(58_200.0, 60_900.0, n)
    ra, dec = rng.uniform(0.0, 360.0, n), np.degrees(np.arcsin(rng.uniform(-0.9, 0.9, n)))
    when = moments(site, mjd)
    ours = topocentric(when, ra, dec)
    from sky import earth_rotation

    table, ut1, x, y = earth_rotation()
    for k in range(n):
        delta_t = 32.184 + 37.0 - np.interp(mjd[k], table, ut1)
        scale = load.timescale(builtin=True, delta_t=delta_t)
        poles = (np.full(2, np.interp(mjd[k], table, p)) for p in (x, y))
        scale.polar_motion_table = (np.array([0.0, 1e7]), *poles)
        time = scale.tt_jd(2_400_000.5 + np.floor(mjd[k]), mjd[k] % 1.0 + 69.184 / 86_400.0)
        pier = bodies["earth"] + wgs84.latlon(site.latitude_deg, site.longitude_deg, site.elevation_m)
        star = Star(ra_hours=ra[k] / 15.0, dec_degrees=dec[k])
        alt, az, _ = pier.at(time).observe(star).apparent(deflectors=(10,)).altaz()
        theirs = np.array(
            [
                np.cos(alt.radians) * np.sin(az.radians),
                np.cos(alt.radians) * np.cos(az.radians),
                np.sin(alt.radians),
            ]
        )
        assert np.linalg.norm(theirs - ours[k]) / ARCSEC < PLACE_TOLERANCE, np.linalg.norm(theirs - ours[k])
    air = Air(np.full(n, 5.0), np.full(n, 960.0), np.full(n, 0.6))
    seen = np.radians(np.linspace(0.0, 70.0, n))
    a, b = erfa.refco(960.0, 5.0, 0.6, 0.60)
    erfas = a * np.tan(seen) + b * np.tan(seen) ** 3
    assert np.abs(refraction(seen, air) - erfas).max() / ARCSEC < REFRACTION_TOLERANCE
    up = ours[:, 2] > 0.3
    shown = lifted(ours, air)
    assert np.abs(lowered(shown, air)[up] - ours[up]).max() < 0.001 * ARCSEC
    back = catalogued(when, shown, air)
    assert np.abs((back[0] - ra + 180.0) % 360.0 - 180.0)[up].max() * 3600.0 < 0.01
    assert np.abs(back[1] - dec)[up].max() * 3600.0 < 0.001
    right, declination = of_date(when, ra, dec)
    own = ours @ ideal_axes(site).T
    hour = when.last_rad - right
    flat = np.cos(declination)
    dates = np.column_stack([flat * np.cos(hour), flat * np.sin(hour), np.sin(declination)])
    # Polar motion turns the one against the other by up to 0.6 arcsec.
    assert np.abs(own - dates).max() / ARCSEC < 0.7


def check() -> None:
    """Run all checks."""
    check_geometry()
    check_instrument()
    check_sky()
