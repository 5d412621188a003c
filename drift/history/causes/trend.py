"""The slow trend of the lean: settlement and what each winter leaves behind, as a straight line."""

from __future__ import annotations

import numpy as np

from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, MOUNT_ALT, MOUNT_AZ, Cause, blank, independent
from drift.quantities import DAY_US, YEAR_DAYS

#: Prior standard deviation of the rate [arcsec a year]: common practice, professional piers move by
#: arcseconds, shallow home-made ones by tens of arcseconds a year.
TREND_SD = 20.0


def trend(time_us: np.ndarray) -> Cause:
    """Return lean north and east growing by one arcsec a year."""
    return _line("slow trend", time_us, LEAN_NORTH, LEAN_EAST)


def mount_trend(time_us: np.ndarray) -> Cause:
    """Return mount azimuth and altitude growing by one arcsec a year, where nothing tells pier from mount."""
    return _line("slow trend of the mount", time_us, MOUNT_AZ, MOUNT_ALT)


def _line(name: str, time_us: np.ndarray, first: int, second: int) -> Cause:
    state, direct = blank(len(time_us), 2)
    years = (time_us - time_us[0]) / DAY_US / YEAR_DAYS
    state[:, first, 0] = state[:, second, 1] = years
    return independent(name, state, direct, np.zeros(2), np.full(2, TREND_SD))
