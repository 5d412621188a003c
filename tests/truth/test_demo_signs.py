"""The invented instrument against signs that can be worked out by hand (both hemispheres)."""

import numpy as np
import pytest

from drift.demo.instrument import (
    ARCSEC,
    Constants,
    Setting,
    axis_errors,
    direction,
    hour_angle_dec,
    pointing,
    roll,
)

FIRST_ORDER_ARCSEC = 0.02  # second-order terms of 60 arcsec on the tangents met here
PUBLISHED_ARCSEC = 0.06  # the values are given to 0.1 arcsec
HOUR_ANGLES = np.radians([0.0, 30.0, -50.0, 75.0])
DECLINATIONS = np.radians([10.0, 20.0, -10.0, 45.0])


def setting(**sizes: float) -> Setting:
    names = ("tilt_north", "tilt_east", "plate_north", "plate_east", "kappa", "alpha")
    return Setting(**{name: np.array([sizes.get(name, 0.0)]) for name in names})


@pytest.mark.parametrize(
    ("latitude", "sizes", "az_error", "alt_error", "zero"),
    [
        # Pinned numbers of the design's sign table.
        (46.0, {"tilt_east": 60.0}, 62.1, 0.0, 41.7),
        (46.0, {"kappa": 60.0}, 60.0, 0.0, -43.2),
        (-45.0, {"tilt_north": 60.0}, 0.0, 60.0, 0.0),
        (-45.0, {"tilt_east": 60.0}, -60.0, 0.0, 42.4),
        # By thought: a north tilt lowers a north end; a plate tips as a pier does; alpha raises either end.
        (46.0, {"tilt_north": 60.0}, 0.0, -60.0, 0.0),
        (46.0, {"plate_east": 60.0}, 62.1, 0.0, 41.7),
        (46.0, {"alpha": 60.0}, 0.0, 60.0, 0.0),
        (-45.0, {"alpha": 60.0}, 0.0, 60.0, 0.0),
        (-45.0, {"kappa": 60.0}, 60.0, 0.0, 42.4),
    ],
)
def test_tilt_and_knobs_move_the_axis_with_the_agreed_signs(latitude, sizes, az_error, alt_error, zero):
    found_az, found_alt = axis_errors(setting(**sizes), latitude)
    assert found_az[0] == pytest.approx(az_error, abs=PUBLISHED_ARCSEC)
    assert found_alt[0] == pytest.approx(alt_error, abs=PUBLISHED_ARCSEC)
    assert roll(setting(**sizes), latitude)[0] == pytest.approx(zero, abs=PUBLISHED_ARCSEC)


def test_directions_on_the_meridian_west_and_at_the_pole():
    # At +30 the equator culminates 60 degrees high in the south; the pole stands 30 high in the north.
    found = direction(np.radians([0.0, 90.0, 0.0]), np.radians([0.0, 0.0, 90.0]), 30.0)
    half, root = 0.5, np.sqrt(3) / 2
    expected = [(0.0, -half, root), (-1.0, 0.0, 0.0), (0.0, root, half)]
    np.testing.assert_allclose(found, expected, atol=1e-15)


def first_order(name: str, side: float, latitude: float) -> tuple[np.ndarray, np.ndarray]:
    """cos(dec) dH and dD for 60 arcsec of one constant, from the formulas in words."""
    ha, dec, phi = HOUR_ANGLES, DECLINATIONS, np.radians(latitude)
    nothing = np.zeros_like(ha)
    parallactic = np.arctan2(np.sin(ha), np.tan(phi) * np.cos(dec) - np.sin(dec) * np.cos(ha))
    sin_z = np.sin(np.arccos(np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(ha)))
    return {
        "cone_error_arcsec": (60.0 * side + nothing, nothing),
        "axis_nonperpendicularity_arcsec": (60.0 * side * np.sin(dec), nothing),
        "declination_offset_arcsec": (nothing, 60.0 * side + nothing),
        "droop_arcsec": (-60.0 * sin_z * np.sin(parallactic), 60.0 * sin_z * np.cos(parallactic)),
    }[name]


@pytest.mark.parametrize("latitude", [46.0, -45.0])
@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize(
    "name",
    [
        "cone_error_arcsec",
        "axis_nonperpendicularity_arcsec",
        "declination_offset_arcsec",
        "droop_arcsec",
    ],
)
def test_instrument_constants_to_first_order(name, side, latitude):
    sides = np.full(4, side)
    tube = pointing(HOUR_ANGLES, DECLINATIONS, sides, Constants(**{name: 60.0}), setting(), latitude)
    true_ha, true_dec = hour_angle_dec(tube, latitude)
    across, along = first_order(name, side, latitude)
    np.testing.assert_allclose(
        (HOUR_ANGLES - true_ha) * np.cos(DECLINATIONS) / ARCSEC, across, atol=FIRST_ORDER_ARCSEC
    )
    np.testing.assert_allclose((DECLINATIONS - true_dec) / ARCSEC, along, atol=FIRST_ORDER_ARCSEC)


@pytest.mark.parametrize("latitude", [46.0, -45.0])
def test_a_droop_lowers_the_tube_by_the_sine_of_the_zenith_distance(latitude):
    bare = pointing(HOUR_ANGLES, DECLINATIONS, np.ones(4), Constants(), setting(), latitude)
    heavy = pointing(HOUR_ANGLES, DECLINATIONS, np.ones(4), Constants(droop_arcsec=60.0), setting(), latitude)
    lowered = (np.arccos(heavy[:, 2]) - np.arccos(bare[:, 2])) / ARCSEC
    np.testing.assert_allclose(lowered, 60.0 * np.hypot(bare[:, 0], bare[:, 1]), atol=1e-6)


def test_turning_the_tube_over_keeps_the_place_when_the_instrument_is_perfect():
    east, west = (
        pointing(HOUR_ANGLES, DECLINATIONS, np.full(4, side), Constants(), setting(kappa=50.0), 46.0)
        for side in (1.0, -1.0)
    )
    np.testing.assert_allclose(east, west, atol=1e-15)


def test_a_clamped_declination_axis_keeps_its_angle_to_the_polar_axis_but_for_droop():
    latitude, tilted = 46.0, setting(tilt_east=300.0, kappa=-200.0, alpha=150.0)
    ha = np.radians(np.linspace(-60.0, 60.0, 9))
    dec, sides = np.full(9, 0.3), np.ones(9)
    tube = pointing(ha, dec, sides, Constants(80.0, 90.0, 70.0, 0.0), tilted, latitude)
    az_error, alt_error = (float(error[0]) * ARCSEC for error in axis_errors(tilted, latitude))
    altitude = np.radians(latitude) + alt_error
    axis = (np.cos(altitude) * np.sin(az_error), np.cos(altitude) * np.cos(az_error), np.sin(altitude))
    assert np.ptp(tube @ np.array(axis)) < 1e-14
