"""The annual shape of the lean: what comes and goes with the year, two harmonics along one direction."""

from __future__ import annotations

import numpy as np

from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, MOUNT_ALT, MOUNT_AZ, Cause, blank
from drift.quantities import DAY_US, YEAR_DAYS, Floats

#: Days from 1970-01-01 to the start of a year that the phase is counted from (2000-01-01).
PHASE_DAY = 10957.0
#: Prior size of the second harmonic against the first: frost comes quickly and goes quickly.
HARMONICS = np.array([1.0, 0.5])


def harmonics(time_us: np.ndarray) -> Floats:
    """Return cos and sin of the first and second annual harmonic, (n, 4)."""
    phase = 2.0 * np.pi * (np.asarray(time_us) / DAY_US - PHASE_DAY) / YEAR_DAYS
    return np.stack([np.cos(phase), np.sin(phase), np.cos(2 * phase), np.sin(2 * phase)], axis=-1)


def along_and_across(bearing_rad: float, ratio: float) -> Floats:
    """Return the 2 x 2 covariance (north, east) of unit size along a bearing and `ratio` across it."""
    along = np.array([np.cos(bearing_rad), np.sin(bearing_rad)])
    across = np.array([-along[1], along[0]])
    return np.outer(along, along) + ratio**2 * np.outer(across, across)


def annual_shape(time_us: np.ndarray, size: float, bearing_rad: float, ratio: float) -> Cause:
    """Return the annual lean: four columns north, four east, tied by the direction of heave.

    Parameters
    ----------
    size
        Prior standard deviation of the first harmonic's amplitudes along the bearing [arcsec].
    bearing_rad, ratio
        Direction of heave, and how much goes across it.
    """
    shape = harmonics(time_us)
    state, direct = blank(len(time_us), 8)
    state[:, LEAN_NORTH, :4] = state[:, LEAN_EAST, 4:] = shape - shape[0]
    sizes = np.diag(np.repeat(HARMONICS, 2) ** 2) * size**2
    return Cause(
        "annual lean", state, direct, np.zeros(8), np.kron(along_and_across(bearing_rad, ratio), sizes)
    )


def annual_mount(time_us: np.ndarray, size: float) -> Cause:
    """Return an annual movement of the mount on the pier (temperature), azimuth and altitude apart.

    Used where nothing tells pier from mount, so that the season is not laid at the pier's door alone.
    """
    shape = harmonics(time_us)
    state, direct = blank(len(time_us), 8)
    state[:, MOUNT_AZ, :4] = state[:, MOUNT_ALT, 4:] = shape - shape[0]
    sizes = np.diag(np.repeat(HARMONICS, 2) ** 2) * size**2
    return Cause("annual mount", state, direct, np.zeros(8), np.kron(np.eye(2), sizes))
