"""The invented sky against astropy's own route with the full Earth-rotation table."""

import numpy as np
import pytest

from drift.demo.instrument import RELATIVE_HUMIDITY, WAVELENGTH_UM, Overhead

SITE = (52.4, 83.0, 210.0)
# Kept Earth rotation is within 4 ms of UT1 (0.06 arcsec) and 0.008 arcsec of the pole's place.
TOLERANCE_ARCSEC = 0.08


@pytest.fixture(scope="module")
def moments() -> np.ndarray:
    rng = np.random.default_rng(11)
    start, end = (np.datetime64(d, "us").astype(np.int64) for d in ("2016-01-05", "2026-08-01"))
    return rng.integers(start, end, 200)


def test_observed_directions_agree_with_astropy(moments):
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    rng = np.random.default_rng(12)
    temp_c, pressure = rng.uniform(-25.0, 25.0, 200), rng.uniform(950.0, 1010.0, 200)
    overhead = Overhead(SITE, moments, temp_c, pressure)
    azimuth, altitude = rng.uniform(0.0, 2 * np.pi, 200), rng.uniform(np.radians(20.0), np.radians(89.0), 200)
    flat = np.cos(altitude)
    enu = np.stack([flat * np.sin(azimuth), flat * np.cos(azimuth), np.sin(altitude)], axis=-1)
    ra, dec = overhead.icrs_of(enu)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("iers_degraded_accuracy", "warn"):
        frame = AltAz(
            obstime=Time(np.full(200, 2440587.5), moments / 8.64e10, format="jd", scale="utc"),
            location=EarthLocation.from_geodetic(SITE[1] * u.deg, SITE[0] * u.deg, SITE[2] * u.m),
            temperature=temp_c * u.deg_C,
            pressure=pressure * u.hPa,
            relative_humidity=RELATIVE_HUMIDITY,
            obswl=WAVELENGTH_UM * u.micron,
        )
        seen = SkyCoord(ra * u.rad, dec * u.rad).transform_to(frame)
    there = np.stack(
        [
            np.cos(seen.alt.rad) * np.sin(seen.az.rad),
            np.cos(seen.alt.rad) * np.cos(seen.az.rad),
            np.sin(seen.alt.rad),
        ],
        axis=-1,
    )
    apart = np.degrees(np.linalg.norm(there - enu, axis=1)) * 3600.0
    assert apart.max() < TOLERANCE_ARCSEC
    back = overhead.enu_of(ra, dec)
    assert np.degrees(np.abs(back - enu).max()) * 3600.0 < 1e-3


def test_sidereal_time_agrees_with_astropy(moments):
    from astropy.time import Time
    from astropy.utils import iers

    nothing = np.zeros(len(moments))
    overhead = Overhead(SITE, moments, nothing, nothing)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("iers_degraded_accuracy", "warn"):
        time = Time(np.full(200, 2440587.5), moments / 8.64e10, format="jd", scale="utc")
        there = time.sidereal_time("apparent", longitude=SITE[1]).rad
    apart = np.remainder(overhead.last_rad - there + np.pi, 2 * np.pi) - np.pi
    assert np.degrees(np.abs(apart).max()) * 3600.0 < TOLERANCE_ARCSEC
