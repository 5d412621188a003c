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
    c, s, square = np.cos(bearing_rad), np.sin(bearing_rad), ratio**2
    mixed = (1.0 - square) * c * s
    return np.array([[c**2 + square * s**2, mixed], [mixed, s**2 + square * c**2]])


def tied(directions: Floats, sizes: Floats) -> Floats:
    """Return the covariance of k amplitudes north, then east: that of the directions (2, 2) times sizes (k,).

    It is ``np.kron(directions, np.diag(sizes))``, which takes ten times as long.
    """
    count = len(sizes)
    out = np.zeros((2, count, 2, count))
    at = np.arange(count)
    out[:, at, :, at] = sizes[:, None, None] * directions
    return out.reshape(2 * count, 2 * count)


def annual_cov(size: float, bearing_rad: float, ratio: float) -> Floats:
    """Return the prior covariance of the annual lean's amplitudes, (8, 8) [arcsec^2].

    Parameters
    ----------
    size
        Prior standard deviation of the first harmonic's amplitudes along the bearing [arcsec].
    bearing_rad, ratio
        Direction of heave, and how much goes across it.
    """
    return tied(along_and_across(bearing_rad, ratio), _sizes(size))


def annual_mount_cov(size: float) -> Floats:
    """Return the same of the mount's annual movement, azimuth and altitude apart, (8, 8)."""
    return tied(np.eye(2), _sizes(size))


def _sizes(size: float) -> Floats:
    return np.repeat(HARMONICS, 2) ** 2 * size**2


def annual_shape(time_us: np.ndarray) -> Cause:
    """Return the annual lean: four columns north, four east, tied by the direction of heave."""
    return _annual("annual lean", time_us, LEAN_NORTH, LEAN_EAST)


def annual_mount(time_us: np.ndarray) -> Cause:
    """Return an annual movement of the mount on the pier (temperature), azimuth and altitude apart.

    Used where nothing tells pier from mount, so that the season is not laid at the pier's door alone.
    """
    return _annual("annual mount", time_us, MOUNT_AZ, MOUNT_ALT)


def _annual(name: str, time_us: np.ndarray, first: int, second: int) -> Cause:
    shape = harmonics(time_us)
    state, direct = blank(len(time_us), 8)
    state[:, first, :4] = state[:, second, 4:] = shape - shape[0]
    return Cause(name, state, direct, np.zeros(8), np.eye(8))
