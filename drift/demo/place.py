"""The invented sky: observed directions to ICRS places and back, by the full ERFA route.

Every reading gets its own precession, nutation, aberration, Earth rotation,
polar motion and refraction (`erfa.apco13`); nothing is interpolated but the
Earth's turning (`drift.demo.earth`).  The product's own quicker route is not
used, so that it is checked against this one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.demo.earth import earth_turning

Floats = npt.NDArray[np.float64]
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
