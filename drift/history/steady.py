"""What goes on at a steady rate: a tilt, a knob that gives way, a kept zero or a level that ages.

A kept zero that drifts reads as an east tilt with the mount's azimuth the other way, a level that drifts
as a tilt with the mount the other way; in both the axis stands still.  So each of them may
have a rate of its own, and how likely each is, is told in `drift.history.beliefs`.
"""

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
from drift.quantities import YEAR_DAYS

#: Names of the causes.
PIER, AZIMUTH, ALTITUDE = "steady_tilt", "steady_mount_azimuth", "steady_mount_altitude"
ZEROS, LEVELS = "steady_creep_of_zeros", "steady_creep_of_levels"


def steady(series: Series) -> list[Cause]:
    """Return the causes that grow by one arcsec a year, priors left at unity; those without readings too."""
    years = series.days / YEAR_DAYS
    return [
        of_states(PIER, years, TILT_NORTH, TILT_EAST, kind=CauseKind.SETTLEMENT),
        of_states(AZIMUTH, years, MOUNT_AZ, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
        of_states(ALTITUDE, years, MOUNT_ALT, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
        of_zeros(ZEROS, series, years, kind=CauseKind.STEADY_DRIFT_OF_ZERO),
        of_levels(LEVELS, series, years, kind=CauseKind.STEADY_DRIFT_OF_LEVEL),
    ]
