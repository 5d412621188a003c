"""What tilt and mount do to the axis: the worked numbers of the glossary, and that both ways are one."""

import numpy as np
import pytest

from drift.mount.axis_error import axis_error, axis_error_sd, axis_of_tilt, axis_weights, tilt_of_axis

TILT_NORTH, TILT_EAST, PLATE_NORTH, PLATE_EAST, MOUNT_AZ, MOUNT_ALT = range(6)
#: The glossary gives one decimal.
GIVEN = 0.05


def sixty(part: int) -> np.ndarray:
    return 60.0 * np.eye(6)[part]


@pytest.mark.parametrize(
    ("part", "latitude_deg", "az_error", "alt_error"),
    [
        (TILT_EAST, 46.0, 62.1, 0.0),
        (PLATE_EAST, 46.0, 62.1, 0.0),
        (MOUNT_AZ, 46.0, 60.0, 0.0),
        (TILT_NORTH, 46.0, 0.0, -60.0),
        (MOUNT_ALT, 46.0, 0.0, 60.0),
        (TILT_NORTH, -45.0, 0.0, 60.0),
        (PLATE_NORTH, -45.0, 0.0, 60.0),
        (TILT_EAST, -45.0, -60.0, 0.0),
        (MOUNT_ALT, -45.0, 0.0, 60.0),
        (TILT_NORTH, 0.0, 0.0, -60.0),
        (TILT_EAST, 0.0, 0.0, 0.0),
    ],
)
def test_sixty_arcsec_of_each_part(part, latitude_deg, az_error, alt_error):
    found = axis_error(sixty(part), np.radians(latitude_deg))
    assert found == pytest.approx([az_error, alt_error], abs=GIVEN)


def test_it_is_linear_and_takes_any_number_of_rows():
    parts = np.arange(24.0).reshape(2, 2, 6)
    whole = axis_error(parts, 0.8)
    assert whole.shape == (2, 2, 2)
    assert whole == pytest.approx(parts @ axis_weights(0.8).T)
    assert whole[1, 0] == pytest.approx(axis_error(parts[1, 0], 0.8))


def test_a_part_that_is_not_known_hides_only_the_coordinate_that_it_moves():
    az, alt = axis_error(np.array([np.nan, 1.0, 0.0, 0.0, 2.0, 3.0]), np.pi / 4)
    assert az == pytest.approx(3.0) and np.isnan(alt)


def test_independent_parts_add_in_quadrature():
    sd = axis_error_sd(np.array([3.0, 4.0, 4.0, 0.0, 3.0, 12.0]), np.pi / 4)
    assert sd == pytest.approx([5.0, 13.0])


@pytest.mark.parametrize("latitude_deg", [-70.0, -5.0, 30.0, 46.0])
def test_the_tilt_that_makes_an_axis_error_makes_it(latitude_deg):
    axis, latitude = np.array([[12.0, -7.0], [-3.0, 40.0]]), np.radians(latitude_deg)
    assert axis_of_tilt(tilt_of_axis(axis, latitude), latitude) == pytest.approx(axis)
