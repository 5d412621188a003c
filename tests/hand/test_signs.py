"""Every sign of the glossary, against exact rotations."""

import numpy as np
import pytest
from exact_mount import ARCSEC, axis_of, base

from drift.mount.instrument import Pose, first_order, hour_angle_and_dec, pointed_direction, tangent_basis

#: Rounding of the numbers as they stand in the glossary [arcsec].
PRINTED = 0.05
#: Second-order terms of 60 arcsec are 60 * 60 / 206265 = 0.02 arcsec.
SECOND_ORDER = 0.05


@pytest.mark.parametrize(
    ("latitude", "tilt_kappa_alpha", "expected"),
    [
        (46.0, (0, 60, 0, 0), (62.1, 0.0, 41.7)),
        (46.0, (0, 0, 60, 0), (60.0, 0.0, -43.2)),
        (-45.0, (60, 0, 0, 0), (0.0, 60.0, 0.0)),
        (-45.0, (0, 60, 0, 0), (-60.0, 0.0, 42.4)),
        (46.0, (60, 0, 0, 0), (0.0, -60.0, 0.0)),
        (46.0, (0, 0, 0, 60), (0.0, 60.0, 0.0)),
        (-45.0, (0, 0, 0, 60), (0.0, 60.0, 0.0)),
    ],
)
def test_axis_and_zero_of_a_tilt_a_turn_and_a_lift(latitude, tilt_kappa_alpha, expected):
    assert axis_of(latitude, base(latitude, *tilt_kappa_alpha)) == pytest.approx(expected, abs=PRINTED)


@pytest.mark.parametrize("latitude", [46.0, -45.0, 0.0, 70.0, 20.0])
def test_pointed_direction_is_the_exact_rotation(latitude):
    """A mount turned by kappa and lifted by alpha points where rotation matrices say."""
    kappa, alpha = 900.0, -700.0
    frame = base(latitude, 0, 0, kappa, alpha)
    ha, dec = np.array([0.4, -1.1, 2.0]), np.array([0.3, 0.9, -0.2])
    tube = np.stack([np.cos(dec) * np.cos(ha), -np.cos(dec) * np.sin(ha), np.sin(dec)])
    expected = (frame @ tube).T
    zero_ha = -kappa * np.sin(np.radians(latitude))  # the base turned, the mount's own index did not
    full = np.ones(3)
    pose = Pose(kappa * full, alpha * full, zero_ha * full, 0 * full, np.zeros((3, 4)))
    got = pointed_direction(np.radians(latitude), ha, dec, full, pose)
    assert np.max(np.abs(got - expected)) / ARCSEC < 1e-6  # rounding


@pytest.mark.parametrize("latitude", [46.0, -45.0, 0.0, 70.0])
@pytest.mark.parametrize("unknown", range(8))
def test_first_order_is_the_slope_of_the_exact_rotation(latitude, unknown):
    phi, n = np.radians(latitude), 40
    rng = np.random.default_rng(7)
    ha, dec = rng.uniform(-2, 2, n), rng.uniform(-0.6, 1.3, n)
    side = rng.choice([-1.0, 1.0], n)

    def at(size):
        x = np.zeros((n, 8))
        x[:, unknown] = size
        return pointed_direction(phi, ha, dec, side, Pose(x[:, 2], x[:, 3], x[:, 0], x[:, 1], x[:, 4:]))

    west, north = tangent_basis(ha, dec, phi)
    moved = (at(0.5) - at(-0.5)) / ARCSEC
    slope = np.stack([np.sum(moved * west, axis=1), np.sum(moved * north, axis=1)], axis=1)
    # Readings exceed the true place by the coefficient, so for fixed readings the place falls by it.
    assert np.max(np.abs(slope + first_order(ha, dec, side, phi)[:, :, unknown])) < 1e-5


def test_hour_angle_runs_west_and_declination_north():
    phi = np.radians(40.0)
    west_point, zenith = np.array([-1.0, 0, 0]), np.array([0.0, 0, 1])
    ha, dec = hour_angle_and_dec(np.array([west_point, zenith]), phi)
    assert np.degrees(ha) == pytest.approx([90.0, 0.0])
    assert np.degrees(dec) == pytest.approx([0.0, 40.0])
