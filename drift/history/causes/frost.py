"""Frost: a lean that follows a driver worked out from the weather, and what each winter leaves behind."""

from __future__ import annotations

import numpy as np

from drift.ground.heave import FrostDriver
from drift.history.causes.annual import along_and_across, tied
from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, Cause, blank
from drift.quantities import Floats, Ints

#: Prior size of what a typical winter leaves behind, against its swing: common practice, some tenths.
LEFT_BEHIND = 0.3
#: Prior size of the part that lags further behind: anything between the two lags, and somewhat beyond.
LATE = 0.7
#: Columns a direction: swing, what lags further, what is left behind.
WIDTH = 3


def frost_cov(size: float, bearing_rad: float, ratio: float) -> Floats:
    """Return the prior covariance of the amplitudes, (6, 6), north then east.

    Parameters
    ----------
    size
        Prior standard deviation of a typical winter's swing along the bearing [arcsec].
    bearing_rad, ratio
        Direction of heave, and how much goes across it.
    """
    return tied(along_and_across(bearing_rad, ratio), np.array([1.0, LATE**2, LEFT_BEHIND**2]) * size**2)


def frost_lean(time_us: Ints, driver: FrostDriver) -> Cause:
    """Return the lean that frost drives: swing, lag and what is left behind, north and east."""
    shape = driver.at(time_us)
    state, direct = blank(len(time_us), 2 * WIDTH)
    state[:, LEAN_NORTH, :WIDTH] = state[:, LEAN_EAST, WIDTH:] = shape - shape[0]
    return Cause("frost", state, direct, np.zeros(2 * WIDTH), np.eye(2 * WIDTH))
