"""What warmth does from day to day: to the mount on the pier, and to the pier itself."""

from __future__ import annotations

import numpy as np

from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, MOUNT_ALT, MOUNT_AZ, Cause, blank, independent
from drift.quantities import Floats

#: Prior standard deviation of the answer to a degree [arcsec per deg C].  Common practice: iron and aluminium
#: bolted together move by tenths of an arcsecond a degree; a pier heated from one side bends as much.
PER_DEGREE_SD = 0.5


def warm_mount(temp_c: Floats) -> Cause:
    """Return mount azimuth and altitude growing by one arcsec a degree above the reference night's."""
    return _by_degree("warmth of the mount", temp_c, MOUNT_AZ, MOUNT_ALT)


def warm_pier(temp_c: Floats) -> Cause:
    """Return lean north and east growing by one arcsec a degree above the reference night's."""
    return _by_degree("warmth of the pier", temp_c, LEAN_NORTH, LEAN_EAST)


def _by_degree(name: str, temp_c: Floats, first: int, second: int) -> Cause:
    state, direct = blank(temp_c.size, 2)
    state[:, first, 0] = state[:, second, 1] = temp_c - temp_c[0]
    return independent(name, state, direct, np.zeros(2), np.full(2, PER_DEGREE_SD))
