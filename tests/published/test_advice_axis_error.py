"""Drift, trailing and field rotation against published numbers."""

import numpy as np
import pytest

from drift.advice.axis_error import (
    SIDEREAL_RAD_PER_MIN,
    declination_drift,
    error_for_rotation,
    error_for_trail,
    field_rotation,
    largest_trail,
    on_sky,
)

PHI_52 = np.radians(52.0)
#: The exact drifts are given to five decimals [arcsec/min].
ROUNDING = 5e-6


def test_a_degree_drifts_by_15_7_arcsec_a_minute():
    # D. Rowe, APML archive, January 2002, msg00114: at most 15.7 arcsec/min a degree, given to 0.1
    assert pytest.approx(15.7, abs=0.06) == SIDEREAL_RAD_PER_MIN * 3600.0
    # and per arcmin 0.26252 arcsec/min, worked out from the sidereal rate 15.041067 arcsec/s
    assert pytest.approx(0.26252, abs=5e-6) == SIDEREAL_RAD_PER_MIN * 60.0


def test_half_an_hour_at_two_arcmin_trails_15_7_arcsec():
    # M. A. Covington, Astrophotography for the Amateur (Cambridge 1999), appendix B, as quoted in
    # APML January 2002, msg00121; exactly 15.740
    trail = largest_trail(120.0, 1800.0)
    assert trail == pytest.approx(15.7, abs=0.05)
    assert trail == pytest.approx(15.740, abs=0.0005)
    assert error_for_trail(trail, 1800.0) == pytest.approx(120.0)


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
    got = declination_drift(az, alt, PHI_52, np.radians(15.0 * hour_angle_h))
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
    drift = declination_drift(az, alt, np.radians(latitude_deg), np.radians(15.0 * hour_angle_h))
    assert np.sign(drift) == sign


@pytest.mark.parametrize("declination_deg", [0.0, 40.0, -60.0])
def test_field_rotation_of_hook(declination_deg):
    # R. N. Hook, J. Brit. Astron. Assoc. 99 (1989): E[deg] = 750 S cos(dec) / (T F A), as generalised in
    # APML November 2003, msg00871; the constant is 750.4 before rounding, hence 0.2 per cent
    trail_um, minutes, focal_mm, corner_deg = 30.0, 20.0, 1000.0, 1.0
    hook_deg = 750.0 * trail_um * np.cos(np.radians(declination_deg)) / (minutes * focal_mm * corner_deg)
    corner_mm = focal_mm * np.radians(corner_deg)
    ours = error_for_rotation(trail_um, corner_mm, 60.0 * minutes, declination_deg)
    assert ours / 3600.0 == pytest.approx(hook_deg, rel=2e-3)


def test_field_rotation_is_what_smears_the_corner():
    error = error_for_rotation(5.0, 15.0, 600.0, 30.0)
    assert field_rotation(error, 600.0, 30.0) * 15.0 == pytest.approx(0.005)


def test_angle_on_the_sky_and_its_uncertainty():
    # 3-4-5: azimuth shrinks by cos(60) = 1/2
    error, sd = on_sky(np.array([60.0, 40.0]), np.array([2.0, 1.0]), np.radians(60.0))
    assert (error, sd) == pytest.approx((50.0, 1.0))
    # only the azimuth uncertain: its share is 30/50 of 1 arcsec on the sky
    assert on_sky(np.array([60.0, 40.0]), np.array([2.0, 0.0]), np.radians(60.0))[1] == pytest.approx(0.6)


def test_an_error_inside_its_uncertainty_keeps_an_uncertainty():
    error, sd = on_sky(np.zeros(2), np.array([3.0, 3.0]), 0.0)
    assert (error, sd) == pytest.approx((0.0, 3.0))
