"""Where a star stands seen from the pier, by a road that shares no code with the product.

The rotations, the aberration, the light bent by the Sun, the site and the refraction are worked out here;
ERFA brings only the Earth's motion, the precession-nutation matrix and sidereal time, and the table of
the Earth's rotation is read from the published file of the IERS.  `check.py` compares the result with
Skyfield, which brings its own of everything but the Earth's motion.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import astropy_iers_data
import erfa
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

ARCSEC = np.pi / 648_000.0
#: TAI minus UTC since 1 January 2017 (IERS Bulletin C 52); no record here begins earlier.
TAI_MINUS_UTC_S = 37.0
TT_MINUS_TAI_S = 32.184
MJD_1970 = 40_587.0
MJD_OF_LAST_LEAP = 57_754.0
#: Speed of light in astronomical units a day, rotation of the Earth in radians a second, the Sun's
#: gravitational radius in astronomical units (IAU 2012 and IERS Conventions 2010).
LIGHT_AU_A_DAY = 173.144_632_674
EARTH_RAD_A_S = 7.292_115e-5
SUN_RADIUS_AU = 2.0 * 9.870_628e-9
AU_M = 149_597_870_700.0
#: WGS 84.
EQUATOR_M, FLATTENING = 6_378_137.0, 1.0 / 298.257_223_563


@dataclass(frozen=True)
class Site:
    """Geodetic place of the pier."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float

    @property
    def phi(self) -> float:
        """Latitude, signed [rad]."""
        return float(np.radians(self.latitude_deg))

    @property
    def sign(self) -> float:
        """+1 on the equator and north of it, -1 south."""
        return 1.0 if self.latitude_deg >= 0.0 else -1.0


@lru_cache(maxsize=1)
def earth_rotation() -> tuple[Floats, Floats, Floats, Floats]:
    """Return MJD, UT1 - UTC [s], x and y of the pole [arcsec] from the IERS file finals2000A."""
    rows = []
    for line in Path(astropy_iers_data.IERS_A_FILE).read_text().splitlines():
        mjd = float(line[7:15])
        if mjd >= MJD_OF_LAST_LEAP and line[58:68].strip():
            rows.append((mjd, float(line[58:68]), float(line[18:27]), float(line[37:46])))
    table = np.array(rows)
    return table[:, 0], table[:, 1], table[:, 2], table[:, 3]


def _terrestrial(site: Site) -> tuple[Floats, Floats]:
    """Return the site's place in the terrestrial frame [m] and the rows East, North, Up there."""
    phi, lam = site.phi, np.radians(site.longitude_deg)
    squared = FLATTENING * (2.0 - FLATTENING)
    across = EQUATOR_M / np.sqrt(1.0 - squared * np.sin(phi) ** 2)
    flat = (across + site.elevation_m) * np.cos(phi)
    up = (across * (1.0 - squared) + site.elevation_m) * np.sin(phi)
    place = np.array([flat * np.cos(lam), flat * np.sin(lam), up])
    frame = np.array(
        [
            [-np.sin(lam), np.cos(lam), 0.0],
            [-np.sin(phi) * np.cos(lam), -np.sin(phi) * np.sin(lam), np.cos(phi)],
            [np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)],
        ]
    )
    return place, frame


@dataclass(frozen=True)
class Moments:
    """All that depends on site and time only, for n moments."""

    mjd_utc: Floats
    celestial_to_enu: Floats  # (n, 3, 3) GCRS to East, North, Up
    celestial_to_date: Floats  # (n, 3, 3) GCRS to true equator and equinox of date
    velocity: Floats  # (n, 3) of the observer, in units of light
    sun_to_earth: Floats  # (n, 3) unit vectors
    sun_distance_au: Floats
    last_rad: Floats  # local apparent sidereal time


def moments(site: Site, mjd_utc: Floats) -> Moments:
    """Work out what depends on site and time only."""
    mjd = np.atleast_1d(np.asarray(mjd_utc, dtype=float))
    table, ut1_utc, pole_x, pole_y = earth_rotation()
    tt = mjd + (TAI_MINUS_UTC_S + TT_MINUS_TAI_S) / 86_400.0
    ut1 = mjd + np.interp(mjd, table, ut1_utc) / 86_400.0
    matrix = erfa.pnm06a(erfa.DJM0, tt)
    sidereal = erfa.gst06(erfa.DJM0, ut1, erfa.DJM0, tt, matrix)
    x, y = np.interp(mjd, table, pole_x) * ARCSEC, np.interp(mjd, table, pole_y) * ARCSEC
    turn = _about_z(sidereal) @ matrix
    polar = erfa.pom00(x, y, erfa.sp00(erfa.DJM0, tt))
    terrestrial = polar @ turn
    place, frame = _terrestrial(site)
    heliocentric, barycentric = erfa.epv00(erfa.DJM0, tt)
    here = np.einsum("nji,j->ni", terrestrial, place)
    axis = turn[:, 2, :]
    spin = np.cross(axis * EARTH_RAD_A_S, here) * 86_400.0 / AU_M
    distance = np.linalg.norm(heliocentric["p"], axis=1)
    return Moments(
        mjd,
        frame @ terrestrial,
        matrix,
        (barycentric["v"] + spin) / LIGHT_AU_A_DAY,
        heliocentric["p"] / distance[:, None],
        distance,
        np.mod(sidereal + np.radians(site.longitude_deg), 2.0 * np.pi),
    )


def _about_z(angle: Floats) -> Floats:
    """Return the frames turned by an angle about z, (n, 3, 3)."""
    cos, sin, zero, one = np.cos(angle), np.sin(angle), np.zeros_like(angle), np.ones_like(angle)
    return np.stack([cos, sin, zero, -sin, cos, zero, zero, zero, one], axis=-1).reshape(*angle.shape, 3, 3)


def apparent(when: Moments, ra_deg: Floats, dec_deg: Floats) -> Floats:
    """Return the direction in which a catalogued place (ICRS) is seen without air, in GCRS axes (n, 3)."""
    ra, dec = np.radians(ra_deg), np.radians(dec_deg)
    star = np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)
    away = np.sum(star * when.sun_to_earth, axis=1)
    bend = (SUN_RADIUS_AU / when.sun_distance_au / np.maximum(1.0 + away, 1e-4))[:, None]
    star = star + bend * (when.sun_to_earth - away[:, None] * star)
    star /= np.linalg.norm(star, axis=1, keepdims=True)
    beta = when.velocity
    slower = np.sqrt(1.0 - np.sum(beta**2, axis=1))[:, None]
    along = np.sum(star * beta, axis=1)[:, None]
    moved = (slower * star + (1.0 + along / (1.0 + slower)) * beta) / (1.0 + along)
    return np.asarray(moved / np.linalg.norm(moved, axis=1, keepdims=True))


def topocentric(when: Moments, ra_deg: Floats, dec_deg: Floats) -> Floats:
    """Return East, North, Up of the apparent place without air (n, 3)."""
    return np.einsum("nij,nj->ni", when.celestial_to_enu, apparent(when, ra_deg, dec_deg))


def of_date(when: Moments, ra_deg: Floats, dec_deg: Floats) -> tuple[Floats, Floats]:
    """Return apparent right ascension and declination of date [rad], without air."""
    place = np.einsum("nij,nj->ni", when.celestial_to_date, apparent(when, ra_deg, dec_deg))
    return np.arctan2(place[:, 1], place[:, 0]), np.arcsin(place[:, 2])


@dataclass(frozen=True)
class Air:
    """The air at the station."""

    temp_c: Floats
    pressure_hpa: Floats
    humidity: Floats  # 0 to 1
    wavelength_um: float = 0.60


def refraction(zenith_distance: Floats, air: Air) -> Floats:
    """Return the refraction at observed zenith distances [rad].

    Stone 1996, PASP 108, 1051 (from memory): two terms of the tangent whose factors come from the
    refractivity (Edlen 1966, from memory) and the scale height of the air.  Good to 0.1 arcsec down to 15
    degrees of altitude; `check.py` holds it against ERFA's own fit.
    """
    kelvin = air.temp_c + 273.15
    wave = air.wavelength_um**-2
    standard = (8342.13 + 2_406_030.0 / (130.0 - wave) + 15_997.0 / (38.9 - wave)) * 1e-8
    vapour_hpa = air.humidity * 6.112 * np.exp(17.62 * air.temp_c / (243.12 + air.temp_c))  # Magnus
    gamma = standard * air.pressure_hpa / 1013.25 * 288.15 / kelvin - 4.3e-8 * vapour_hpa * 288.15 / kelvin
    beta = 0.001254 * kelvin / 273.15
    tangent = np.tan(zenith_distance)
    return np.asarray(gamma * (1.0 - beta) * tangent - gamma * (beta - gamma / 2.0) * tangent**3)


def lifted(enu: Floats, air: Air) -> Floats:
    """Return directions as refraction shows them."""
    true = np.arccos(np.clip(enu[:, 2], -1.0, 1.0))
    seen = true.copy()
    for _ in range(6):
        seen = true - refraction(seen, air)
    return tipped_up(enu, true - seen)


def lowered(enu: Floats, air: Air) -> Floats:
    """Return the directions without air of what is seen in `enu`."""
    return tipped_up(enu, -refraction(np.arccos(np.clip(enu[:, 2], -1.0, 1.0)), air))


def tipped_up(enu: Floats, angle: Floats) -> Floats:
    """Return directions raised towards the zenith by an angle [rad]."""
    flat = np.hypot(enu[:, 0], enu[:, 1])
    altitude = np.arctan2(enu[:, 2], flat) + angle
    along = enu[:, :2] / np.maximum(flat, 1e-15)[:, None]
    return np.column_stack([np.cos(altitude)[:, None] * along, np.sin(altitude)])


def catalogued(when: Moments, enu: Floats, air: Air) -> tuple[Floats, Floats]:
    """Return ICRS right ascension and declination [deg] of what is seen in a direction through air."""
    seen = np.einsum("nji,nj->ni", when.celestial_to_enu, lowered(enu, air))
    guess = seen.copy()
    for _ in range(4):
        ra, dec = _angles(guess)
        guess = guess + seen - apparent(when, ra, dec)
        guess /= np.linalg.norm(guess, axis=1, keepdims=True)
    return _angles(guess)


def _angles(vector: Floats) -> tuple[Floats, Floats]:
    ra = np.degrees(np.arctan2(vector[:, 1], vector[:, 0])) % 360.0
    return ra, np.degrees(np.arcsin(np.clip(vector[:, 2], -1.0, 1.0)))
