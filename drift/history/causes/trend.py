"""The slow trend of the lean: settlement and what each winter leaves behind, as a straight line."""

from __future__ import annotations

import numpy as np

from drift.history.causes.annual import DAY_US, YEAR_DAYS
from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, Cause, blank, independent

#: Prior standard deviation of the rate [arcsec a year]: common practice, professional piers move by
#: arcseconds, shallow home-made ones by tens of arcseconds a year.
TREND_SD = 20.0


def trend(time_us: np.ndarray) -> Cause:
    """Return lean north and east growing by one arcsec a year."""
    state, direct = blank(len(time_us), 2)
    years = (time_us - time_us[0]) / DAY_US / YEAR_DAYS
    state[:, LEAN_NORTH, 0] = state[:, LEAN_EAST, 1] = years
    return independent("slow trend", state, direct, np.zeros(2), np.full(2, TREND_SD))
