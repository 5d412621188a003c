"""Published effects of a polar axis that is off the pole."""

import numpy as np
import pytest
from exact_mount import ARCSEC, axis_of, base

from drift.mount.instrument import SIDE_OFFSET, first_order, hour_angle_and_dec

SIDEREAL_ARCSEC_PER_S = 15.041067


def instrumental_dec(latitude, frame, ha_deg, dec_deg):
    """Declination of a star in the mount's frame [deg], by its exact axis."""
    phi, ha, dec = np.radians(latitude), np.radians(ha_deg), np.radians(dec_deg)
    meridian = np.array([0, -np.sin(phi), np.cos(phi)])
    pole = np.array([0, np.cos(phi), np.sin(phi)])
    star = np.cos(dec) * np.cos(ha) * meridian - np.cos(dec) * np.sin(ha) * np.eye(3)[0] + np.sin(dec) * pole
    return np.degrees(np.arcsin(star @ frame[:, 2]))


@pytest.mark.parametrize(
    ("alt", "az", "ha_h", "dec", "offset", "drift_per_min"),
    [  # exact vectors, latitude 52; arcsec and arcsec per minute
        (60, 0, 0, 0, 60.0000, 0.0),
        (0, 60, 0, 0, 0.0042, -0.16162),
        (60, 0, -6, 0, 0.0, 0.26252),
        (30, -45, 2, 40, 39.8325, 0.03933),
        (120, 300, -3, 20, 215.4300, -0.19949),
    ],
)
def test_declination_offset_and_drift_by_exact_vectors(alt, az, ha_h, dec, offset, drift_per_min):
    latitude = 52.0
    frame = base(latitude, 0, 0, az, alt)
    at = instrumental_dec(latitude, frame, 15 * ha_h, dec)
    minute = SIDEREAL_ARCSEC_PER_S * 60 / 3600
    rate = instrumental_dec(latitude, frame, 15 * ha_h + minute / 2, dec) - instrumental_dec(
        latitude, frame, 15 * ha_h - minute / 2, dec
    )
    assert (at - dec) * 3600 == pytest.approx(offset, abs=1e-3)
    assert rate * 3600 == pytest.approx(drift_per_min, abs=2e-5)
    first = first_order(np.radians([15.0 * ha_h]), np.radians([float(dec)]), np.ones(1), np.radians(latitude))
    # First order leaves out terms of the size of az^2, here up to 0.3 arcsec.
    assert first[0, 1, 2] * az + first[0, 1, 3] * alt == pytest.approx(offset, abs=0.35)


def test_drift_rule_of_15_7_arcsec_a_minute_for_a_degree():
    """D. Rowe, astrophotography mailing list, January 2002: 1 degree gives at most 15.7 arcsec a minute."""
    first = first_order(np.radians([-90.0, -89.0]), np.zeros(2), np.ones(2), np.radians(45.0))
    per_degree_of_turn = (first[1, 1, 3] - first[0, 1, 3]) * 3600  # arcsec for one degree of hour angle
    per_minute = per_degree_of_turn * SIDEREAL_ARCSEC_PER_S * 60 / 3600
    assert per_minute == pytest.approx(15.7, abs=0.06)  # printed to 0.1; 15.751 exactly


@pytest.mark.parametrize(
    ("ha_deg", "az", "alt", "drifts"),
    [
        (0.0, 60, 0, "south"),  # meridian, axis too far east
        (-90.0, 0, 60, "north"),  # in the east, axis too high
        (-90.0, 0, -60, "south"),  # in the east, axis too low
    ],
)
def test_signs_of_the_drift(ha_deg, az, alt, drifts):
    """F. Barrett 2008, Determining Polar Axis Alignment Accuracy: the textbook signs of drifting stars."""
    frame = base(45.0, 0, 0, az, alt)
    later, now = (instrumental_dec(45.0, frame, ha_deg + h, 0.0) for h in (1.0, 0.0))
    assert (later < now) == (drifts == "south")


def test_lockyer_1878_altitude_of_the_axis_by_reversal():
    """J. N. Lockyer, Stargazing (1878), ch. XXI: Capella on the meridian, telescope west and east.

    Circle 43d50'30" and 47d00'00", refraction 7": instrumental declination 45d25'08",
    true 45d52'00"; the pole of the instrument is 26'52" below the true pole; index error 1d34'45".
    """
    west, east = 43 + 50 / 60 + 30 / 3600, 47.0
    true, refraction = 45 + 52 / 60, 7 / 3600
    first = first_order(np.zeros(2), np.radians([true, true]), np.array([-1.0, 1.0]), np.radians(51.5))
    # Two readings on the meridian: axis altitude and the offset between sides; the rest is left out.
    design = first[:, 1, [3, 4 + SIDE_OFFSET]]
    solved = np.linalg.solve(design, (np.array([west, east]) - refraction - true) * 3600)
    assert solved[0] == pytest.approx(-(26 * 60 + 52), abs=0.6)  # arcsec; printed to the second
    assert solved[1] == pytest.approx(3600 + 34 * 60 + 45, abs=0.6)


def test_base_rotation_numbers_at_latitude_52():
    """Base turned about north by 10 arcsec: azimuth +12.799, about the axis 6.157."""
    az, alt, zero = axis_of(52.0, base(52.0, 0, 10, 0, 0))
    assert (az, alt, zero) == pytest.approx((12.799, 0.0, 6.157), abs=1e-3)


def test_directions_turn_back_into_places():
    frame = base(52.0, 0, 0, 0, 0)
    ha, dec = hour_angle_and_dec(frame.T[[0]], np.radians(52.0))
    assert abs(ha[0]) < ARCSEC * 1e-6
    assert abs(dec[0]) < ARCSEC * 1e-6
