"""The air's lift beyond what was taken, and a picture shifted on both tube sides alike: with a pencil."""

import numpy as np
import pytest

from drift.mount.instrument import (
    Pose,
    drooped,
    first_order_of_night,
    lift_shape,
    pointed_direction,
    tangent_basis,
)
from drift.sky.air import AirTaken, air_error_sd, refraction_at_45, refraction_constants

ARCSEC = np.pi / 648000.0
#: tan^3 z is a thousandth of refraction at 45 degrees: the tangent holds to this down to 60 from the zenith.
TANGENT_HOLDS = 3e-3


@pytest.mark.parametrize("zenith_distance_deg", [10.0, 45.0, 60.0])
def test_lift_goes_with_the_tangent_of_the_zenith_distance(zenith_distance_deg):
    z = np.radians(zenith_distance_deg)
    enu = np.array([[0.0, -np.sin(z), np.cos(z)]])  # toward the south
    lowered = drooped(enu, np.zeros(1), np.array([2.0 * ARCSEC]))
    found = np.arccos(lowered[0, 2]) - z  # it was worked out with too little lift, so it lies lower
    assert found / ARCSEC == pytest.approx(2.0 * np.tan(z), rel=TANGENT_HOLDS)
    assert lowered[0, 0] == 0.0


def test_lift_has_the_shape_of_the_tools_own_refraction():
    a, b = refraction_constants(10.0, 1013.25)
    z = np.radians([20.0, 45.0, 70.0, 80.0])
    real = (a * np.tan(z) + b * np.tan(z) ** 3) / (a + b)
    assert lift_shape(np.cos(z)) * np.sin(z) == pytest.approx(real, rel=2e-3)  # B/A differs by some percent


@pytest.mark.parametrize("latitude", [46.0, -45.0, 5.0])
@pytest.mark.parametrize("unknown", [8, 9])
def test_slopes_are_those_of_the_exact_geometry(latitude, unknown):
    phi, n = np.radians(latitude), 60
    rng = np.random.default_rng(3)
    ha, dec = rng.uniform(-1.3, 1.3, n), rng.uniform(-0.3, 0.9, n) * np.sign(latitude)
    high = np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(ha) > 0.2
    ha, dec, side = ha[high], dec[high], rng.choice([-1.0, 1.0], int(high.sum()))
    none = np.zeros(ha.size)

    def at(size):
        moved = {8: "across", 9: "lift"}
        pose = Pose(none, none, none, none, np.zeros((ha.size, 4)), **{moved[unknown]: none + size})
        return pointed_direction(phi, ha, dec, side, pose)

    west, north = tangent_basis(ha, dec, phi)
    change = (at(0.5) - at(-0.5)) / ARCSEC
    slope = np.stack([np.sum(change * west, axis=1), np.sum(change * north, axis=1)], axis=1)
    assert np.max(np.abs(slope + first_order_of_night(ha, dec, side, phi)[:, :, unknown])) < 1e-4


def test_ten_degrees_are_three_and_a_half_percent_of_refraction_and_ten_hectopascals_one():
    sd = air_error_sd(np.array([10.0, 0.0]), np.array([0.0, 10.1325]), 1013.25)
    assert sd == pytest.approx([58.2 * 10.0 / 283.15, 58.2 * 0.01])
    assert refraction_at_45(1013.25 / 2) == pytest.approx(58.2 / 2)


def test_measured_air_leaves_less_than_one_percent():
    assert 0.2 < AirTaken.measured(1).refraction_sd[0] < 0.01 * 58.2
