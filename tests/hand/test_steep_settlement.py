"""Settlement that starts steep: a logarithm of time is a sum of the curves that the history has."""

import numpy as np
import pytest
from scipy.integrate import quad

from drift.history.causes import (
    MOUNT_ALT,
    MOUNT_AZ,
    STEEP_YEARS,
    TILT_EAST,
    TILT_NORTH,
    TIME_CONSTANTS_YEARS,
    slow_shapes,
    steep_starts,
)
from drift.quantities import DAY_US, YEAR_DAYS

#: How near line and curves must come to a logarithm, as a share of what it does in four years.
NEAR = 0.02


def test_frullanis_integral_gives_the_logarithm():
    """log(1 + t/b) = int_0^inf (1 - exp(-t u)) exp(-b u) / u du, at t = 3, b = 0.5: log 7."""
    total = quad(lambda u: (1.0 - np.exp(-3.0 * u)) * np.exp(-0.5 * u) / u, 0.0, np.inf)[0]
    assert total == pytest.approx(np.log(7.0), abs=1e-7)


@pytest.mark.parametrize("from_days", [4.0, 12.0, 30.0])
def test_line_and_curves_follow_a_logarithm_of_time(from_days):
    days = np.arange(0.0, 4.0 * YEAR_DAYS)
    times = np.asarray(days * DAY_US, dtype=np.int64)
    steep = steep_starts(times)[0].state[:, TILT_NORTH]
    shapes = np.column_stack([slow_shapes(times), steep[:, np.any(steep != 0.0, axis=0)]])
    wanted = np.log10(1.0 + days / from_days)
    left = wanted - shapes @ np.linalg.lstsq(shapes, wanted, rcond=None)[0]
    assert np.abs(left).max() < NEAR * wanted[-1]
    slow = slow_shapes(times)
    without = wanted - slow @ np.linalg.lstsq(slow, wanted, rcond=None)[0]
    assert np.abs(without).max() > 2.0 * np.abs(left).max()  # what the steep curves are for


def test_the_steep_start_is_over_in_months_and_0_at_the_reference():
    times = np.asarray(np.array([0.0, 1.0]) * YEAR_DAYS * DAY_US, dtype=np.int64)
    cause, azimuth, altitude = steep_starts(times)
    assert np.all(cause.state[0] == 0.0)
    done = sum(1.0 - np.exp(-1.0 / tau) for tau in STEEP_YEARS)
    assert cause.state[1, TILT_NORTH, 0] == pytest.approx(done)
    assert cause.state[1, TILT_EAST, 2] == pytest.approx(done)
    assert azimuth.state[1, MOUNT_AZ, 0] == altitude.state[1, MOUNT_ALT, 0] == pytest.approx(done)
    assert np.count_nonzero(azimuth.state) == np.count_nonzero(altitude.state) == 2
    assert max(STEEP_YEARS) < min(TIME_CONSTANTS_YEARS)
