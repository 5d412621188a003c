"""Drift, trailing and field rotation against published numbers."""

import numpy as np
import pytest

from drift.advice.matters import OpenSky, trail
from drift.mount.axis_error import SIDEREAL_RAD_PER_MIN, on_sky, parts_on_sky

#: The exact drifts are given to five decimals [arcsec/min].
ROUNDING = 5e-6


def declination_drift(latitude_deg, az, alt, hour_angle_deg):
    """Declination drift of a tracked star in the mount's frame [arcsec/min], north positive."""
    place = OpenSky(
        latitude_deg=latitude_deg,
        hour_angle=np.array([hour_angle_deg]),
        declination=np.zeros(1),
        bearing=np.zeros(1),
        altitude=np.zeros(1),
    )
    axis = parts_on_sky(np.array([az, alt]), np.radians(latitude_deg))
    return float((trail(place, 60.0) @ axis)[0, 1])


def test_a_degree_drifts_by_15_7_arcsec_a_minute():
    # D. Rowe, APML archive, January 2002, msg00114: at most 15.7 arcsec/min a degree, given to 0.1
    assert pytest.approx(15.7, abs=0.06) == SIDEREAL_RAD_PER_MIN * 3600.0
    # and per arcmin 0.26252 arcsec/min, worked out from the sidereal rate 15.041067 arcsec/s
    assert pytest.approx(0.26252, abs=5e-6) == SIDEREAL_RAD_PER_MIN * 60.0


@pytest.mark.parametrize(
    ("alt", "az", "hour_angle_h", "drift"),
    # drift [arcsec/min] from exact vectors at latitude 52 (worked out independently, to 5 decimals)
    [
        (0.0, 60.0, 0.0, -0.16162),
        (60.0, 0.0, -6.0, +0.26252),
        (30.0, -45.0, +2.0, +0.03933),
        (120.0, 300.0, -3.0, -0.19949),
    ],
)
def test_declination_drift_of_exact_vectors(alt, az, hour_angle_h, drift):
    got = declination_drift(52.0, az, alt, 15.0 * hour_angle_h)
    # ours is of first order: the exact drift differs by the error's own size times the largest drift
    error = np.hypot(az, alt)
    second_order = SIDEREAL_RAD_PER_MIN * error * np.radians(error / 3600.0)
    assert got == pytest.approx(drift, abs=second_order + ROUNDING)


@pytest.mark.parametrize(
    ("latitude_deg", "az", "alt", "hour_angle_h", "sign"),
    # F. Barrett 2008, "Determining Polar Axis Alignment Accuracy": north of the equator a star on the
    # meridian drifting south means an axis east of the pole; in the east, drifting north means too high,
    # south too low.  South of the equator the elevated end is the other one: an axis end too high there
    # is a north end too low, and an end west of the south pole (clockwise) is a north end east of its own.
    [
        (45.0, +60.0, 0.0, 0.0, -1),
        (45.0, 0.0, +60.0, -6.0, +1),
        (45.0, 0.0, -60.0, -6.0, -1),
        (-45.0, +60.0, 0.0, 0.0, -1),
        (-45.0, 0.0, +60.0, -6.0, -1),
        (-45.0, 0.0, -60.0, -6.0, +1),
    ],
)
def test_which_way_a_star_drifts(latitude_deg, az, alt, hour_angle_h, sign):
    drift = declination_drift(latitude_deg, az, alt, 15.0 * hour_angle_h)
    assert np.sign(drift) == sign


def test_angle_on_the_sky_and_its_uncertainty():
    # 3-4-5: azimuth shrinks by cos(60) = 1/2
    error, sd = on_sky(np.array([60.0, 40.0]), np.array([2.0, 1.0]), np.radians(60.0))
    assert (error, sd) == pytest.approx((50.0, 1.0))
    # only the azimuth uncertain: its share is 30/50 of 1 arcsec on the sky
    assert on_sky(np.array([60.0, 40.0]), np.array([2.0, 0.0]), np.radians(60.0))[1] == pytest.approx(0.6)


def test_an_error_inside_its_uncertainty_keeps_an_uncertainty():
    error, sd = on_sky(np.zeros(2), np.array([3.0, 3.0]), 0.0)
    assert (error, sd) == pytest.approx((0.0, 3.0))
