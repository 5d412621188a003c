"""How the air lifts a direction, and the pole with it."""

from __future__ import annotations

import erfa
import numpy as np
import numpy.typing as npt

from drift.sky.clock import FloatArray

RELATIVE_HUMIDITY = 0.5  # assumed; from 0 to 1 it changes refraction by 0.2 % at 10 deg C
WAVELENGTH_UM = 0.55  # [um] assumed, middle of the visible; 0.45 to 0.70 is +1.0 to -0.7 %


def refraction_constants(
    temp_c: npt.ArrayLike,
    pressure_hpa: npt.ArrayLike,
    relative_humidity: npt.ArrayLike = RELATIVE_HUMIDITY,
    wavelength_um: npt.ArrayLike = WAVELENGTH_UM,
) -> tuple[FloatArray, FloatArray]:
    """Return A and B of dz = A tan z + B tan^3 z, z the observed zenith distance.

    Parameters
    ----------
    temp_c, pressure_hpa
        (n,) air at the telescope [deg C], [hPa]; pressure 0 means no air.
    relative_humidity, wavelength_um
        (n,) 0 to 1, [um].

    Returns
    -------
    tuple of numpy.ndarray
        (n,) A, (n,) B [rad].

    References
    ----------
    .. [1] ERFA/SOFA ``refco``, note 2: within 0.062 arcsec of ray tracing down to 15 deg
       altitude, 0.6 at 10 deg; the model is not meant for what is lower.
    """
    return erfa.refco(pressure_hpa, temp_c, relative_humidity, wavelength_um)


def refracted_pole_altitude_arcsec(
    latitude_deg: npt.ArrayLike, temp_c: npt.ArrayLike, pressure_hpa: npt.ArrayLike
) -> FloatArray:
    """Say by how much the refracted pole stands above the true one.

    An axis set on the pole as it is seen stands this much too high against the
    true pole.  It follows the weather: 9.9 arcsec from -20 to +25 deg C at
    latitude 45.

    Parameters
    ----------
    latitude_deg
        (n,) [deg], either sign; the elevated pole is meant.  Within some 5 deg of
        the equator the pole is too near the horizon for the model.
    temp_c, pressure_hpa
        (n,) [deg C], [hPa] at the telescope.

    Returns
    -------
    numpy.ndarray
        (n,) [arcsec], positive: higher than the true pole.

    References
    ----------
    .. [1] ERFA/SOFA ``refco``, ``apio``, ``atioq``.
    """
    latitude = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    refa, refb = refraction_constants(temp_c, pressure_hpa)
    station = erfa.apio(0.0, 0.0, 0.0, latitude, 0.0, 0.0, 0.0, refa, refb)
    pole = np.where(latitude < 0, -np.pi / 2, np.pi / 2)
    zenith_distance = erfa.atioq(0.0, pole, station)[1]
    return np.asarray(np.degrees(np.pi / 2 - zenith_distance - np.abs(latitude)) * 3600.0)


def refracted_place(
    hour_angle: npt.ArrayLike,
    dec: npt.ArrayLike,
    latitude_deg: float,
    temp_c: float,
    pressure_hpa: float,
) -> tuple[FloatArray, FloatArray]:
    """Return where the air shows places, as hour angle and declination about the true pole.

    Parameters
    ----------
    hour_angle, dec
        (n,) without air [rad]; hour angle positive west.
    latitude_deg
        [deg].
    temp_c, pressure_hpa
        [deg C], [hPa] at the telescope.

    Returns
    -------
    hour_angle, dec
        (n,) as seen [rad].  Below some 10 deg altitude the model is not meant to hold.

    References
    ----------
    .. [1] ERFA/SOFA ``refco``, ``apio``, ``atioq``.
    """
    refa, refb = refraction_constants(temp_c, pressure_hpa)
    station = erfa.apio(0.0, 0.0, 0.0, np.radians(latitude_deg), 0.0, 0.0, 0.0, refa, refb)
    # without Earth rotation the intermediate right ascension is minus the hour angle
    _, _, seen_hour, seen_dec, _ = erfa.atioq(-np.asarray(hour_angle, dtype=np.float64), dec, station)
    return np.asarray(seen_hour), np.asarray(seen_dec)
