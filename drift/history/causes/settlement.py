"""Settlement of the pier: one way, and slowing; what goes on at a steady rate is its straight part.

Under a constant load clay gives way along a sum of exponentials of time
(Terzaghi's theory of consolidation: U = 1 - sum 2/M^2 exp(-M^2 T)); the tail of
one is a single exponential, whose time constant is not known beforehand.  A
straight line and two curves of fixed time constants come close to any of them,
whenever the concrete was poured: an exponential that began earlier is the same
curve with a smaller size.

Looking back, any shares of the three do.  Looking ahead the shares matter.  A line goes on for
ever, clay doesn't: Terzaghi's curve has no steady part, and what goes on after it (secondary
compression) is some hundredths of the whole in a year.  And a pace seen over a few months says nothing of
how long it will last: so a curve's whole is held likely in proportion to its time constant, which
makes every time constant as likely for a given pace.
"""

from __future__ import annotations

import numpy as np

from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, MOUNT_ALT, MOUNT_AZ, Cause, blank
from drift.quantities import DAY_US, YEAR_DAYS, Floats

#: Time constants of the curves [years]: common practice, clay under a pier settles for one to some years.
TIME_CONSTANTS_YEARS = (0.6, 2.0)
#: Prior size of the line [a year], against that of the slowest curve's whole: common practice.
LINE_SHARE = 0.1
_SHARES = (LINE_SHARE, *(tau / max(TIME_CONSTANTS_YEARS) for tau in TIME_CONSTANTS_YEARS))
_OF_ONE = np.diag(np.square([*_SHARES, *_SHARES]))


def slow_shapes(time_us: np.ndarray) -> Floats:
    """Return the line (per year) and the curves (per whole settlement), 0 at the reference, (n, 3)."""
    years = (time_us - time_us[0]) / DAY_US / YEAR_DAYS
    return np.stack([years, *(1.0 - np.exp(-years / tau) for tau in TIME_CONSTANTS_YEARS)], axis=1)


def rate_now(time_us: np.ndarray) -> Floats:
    """Return the rate at the last reading of each column of `settlement`, north and east, (2, 6) [a year]."""
    years = float((time_us[-1] - time_us[0]) / DAY_US / YEAR_DAYS)
    rates = np.array([1.0, *(np.exp(-years / tau) / tau for tau in TIME_CONSTANTS_YEARS)])
    return np.kron(np.eye(2), rates)


def settlement_cov(size: float) -> Floats:
    """Return the prior covariance of the amplitudes, (6, 6).

    Parameters
    ----------
    size
        Prior standard deviation of the slowest curve's whole size [arcsec].
    """
    return _OF_ONE * size**2


def settlement(time_us: np.ndarray) -> Cause:
    """Return the slow one-way lean: a line and two slowing curves, north and east apart."""
    return _slow("settlement", time_us, LEAN_NORTH, LEAN_EAST)


def mount_settlement(time_us: np.ndarray) -> Cause:
    """Return the same of mount azimuth and altitude, where nothing tells pier from mount."""
    return _slow("slow drift of the mount", time_us, MOUNT_AZ, MOUNT_ALT)


def _slow(name: str, time_us: np.ndarray, first: int, second: int) -> Cause:
    shapes = slow_shapes(time_us)
    state, direct = blank(len(time_us), 2 * shapes.shape[1])
    state[:, first, :3] = state[:, second, 3:] = shapes
    return Cause(name, state, direct, np.zeros(6), np.eye(6))
