"""How high a place on the sky stands over the site, to a quarter of a degree."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.logs.values import US_PER_DAY

_MJD_ZERO = 2_400_000.5
_MJD_OF_1970 = 40_587.0
#: A place this far below the horizon was not seen: refraction lifts by 0.6 degrees at most, and the
#: altitude below is good to 0.2.
BELOW_DEG = -1.0


def altitude_deg(
    latitude_deg: float,
    longitude_deg: float,
    time_us: npt.NDArray[np.int64],
    ra_deg: npt.NDArray[np.float64],
    dec_deg: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Return the altitude of ICRS places, good enough to tell whether they were above the horizon.

    The hour angle is Earth rotation angle (ERFA ``era00``; IAU 2000, Capitaine et al. 2000) plus longitude
    minus ICRS right ascension: against the Earth rotation angle most of precession in right
    ascension drops out, and what is left by 2040 is the pole's own 0.25 degrees.  UTC stands for UT1
    (0.9 s at most, 14 arcsec).  Refraction is left out.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Site [deg], north and east positive.
    time_us
        (n,) UTC [microseconds since 1970-01-01].
    ra_deg, dec_deg
        (n,) ICRS place [deg].

    Returns
    -------
    (n,) altitude [deg], negative below the horizon.
    """
    import erfa

    hour_angle = hour_angle_rad(longitude_deg, time_us, ra_deg)
    _, altitude = erfa.hd2ae(hour_angle, np.radians(dec_deg), np.radians(latitude_deg))
    return np.degrees(altitude)


def hour_angle_rad(
    longitude_deg: float, time_us: npt.NDArray[np.int64], ra_deg: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Return the hour angle of ICRS places [rad], positive west, -pi to pi, as good as `altitude_deg`."""
    import erfa

    rotation = erfa.era00(_MJD_ZERO, _MJD_OF_1970 + time_us / US_PER_DAY)
    return np.asarray(erfa.anpm(rotation + np.radians(longitude_deg) - np.radians(ra_deg)))
