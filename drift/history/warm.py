"""What warmth does from day to day: to pier, mount, and what they are read by."""

from __future__ import annotations

from drift.codes import CauseKind
from drift.history.causes import (
    MOUNT_ALT,
    MOUNT_AZ,
    TILT_EAST,
    TILT_NORTH,
    Cause,
    of_levels,
    of_states,
    of_zeros,
)
from drift.history.series import Series
from drift.quantities import Floats

#: Names of the causes.
PIER, AZIMUTH, ALTITUDE = "warmth_of_pier", "warmth_of_mount_azimuth", "warmth_of_mount_altitude"
ZEROS, LEVELS = "warmth_of_zeros", "warmth_of_levels"
#: Prior standard deviation of the answer to a degree [arcsec per deg C] where nothing tells pier from mount.
#: Common practice: iron and aluminium bolted together move by tenths of an arcsecond a degree; a pier heated
#: from one side bends as much.
PER_DEGREE_SD = 0.5


def warm(series: Series, temp_c: Floats) -> list[Cause]:
    """Return the causes that grow by one arcsec a degree above the reference night's, priors at unity.

    Parameters
    ----------
    series
        The readings.
    temp_c
        (n,) how warm it was at each [deg C].
    """
    above = temp_c - temp_c[0]
    return [
        of_states(PIER, above, TILT_NORTH, TILT_EAST, kind=CauseKind.WARMTH_OF_PIER),
        of_states(AZIMUTH, above, MOUNT_AZ, kind=CauseKind.WARMTH_OF_MOUNT),
        of_states(ALTITUDE, above, MOUNT_ALT, kind=CauseKind.WARMTH_OF_MOUNT),
        of_zeros(ZEROS, series, above, kind=CauseKind.WARMTH_OF_ZERO),
        of_levels(LEVELS, series, above, kind=CauseKind.WARMTH_OF_LEVEL),
    ]
