"""What goes on at a steady rate and what answers to warmth: pier, knobs, kept zeros and levels."""

from __future__ import annotations

import numpy as np

from drift.codes import CauseKind
from drift.history.causes import (
    MOUNT_ALT,
    MOUNT_AZ,
    TILT_EAST,
    TILT_NORTH,
    Cause,
    blank,
    level_sources,
    of_levels,
    of_states,
    of_zeros,
)
from drift.history.series import Series
from drift.quantities import YEAR_DAYS, Floats

# ---- What goes on at a steady rate: a tilt, a knob that gives way, a kept zero or a level that ages.
#
# A kept zero that drifts reads as an east tilt with the mount's azimuth the other way, a level that drifts
# as a tilt with the mount the other way; in both the axis stands still.  So each of them may
# have a rate of its own, and how likely each is, is told in `drift.history.inputs`.


#: Names of the causes.
STEADY_PIER, STEADY_AZIMUTH, STEADY_ALTITUDE = "steady_tilt", "steady_mount_azimuth", "steady_mount_altitude"
STEADY_ZEROS, STEADY_LEVELS = "steady_creep_of_zeros", "steady_creep_of_levels"


def steady(series: Series) -> list[Cause]:
    """Return the causes that grow by one arcsec a year, priors left at unity; those without readings too."""
    years = series.days / YEAR_DAYS
    return [
        of_states(STEADY_PIER, years, TILT_NORTH, TILT_EAST, kind=CauseKind.SETTLEMENT),
        of_states(STEADY_AZIMUTH, years, MOUNT_AZ, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
        of_states(STEADY_ALTITUDE, years, MOUNT_ALT, kind=CauseKind.STEADY_DRIFT_OF_MOUNT),
        of_zeros(STEADY_ZEROS, series, years, kind=CauseKind.STEADY_DRIFT_OF_ZERO),
        of_levels(STEADY_LEVELS, series, years, kind=CauseKind.STEADY_DRIFT_OF_LEVEL),
    ]


# ---- What a tilt sensor that logs all day wanders by itself.
#
# Its days are so many and so sure that they would say more of the pier than the sensor knows: what it reads
# goes astray at random, in the long run by the root of time.  A random walk over the record is a sum of sines
# with independent amplitudes (the Karhunen-Loeve expansion of Brownian motion: Loeve, Probability Theory II,
# 1978, section 37.5, from memory), of which the first few hold all but some hundredths.


WANDER_LEVELS = "wander_of_levels"
#: Prior sd of the wander [arcsec per root of a year]: from memory, data sheets of small tilt sensors give
#: some arcseconds of zero drift a year.
SENSOR_WANDER = 3.0
#: Sines that are taken.
SINES = 8


def wander_of_sensors(series: Series) -> Cause:
    """Return what tilt sensors wander over the record, north and east apart; no columns without a sensor."""
    years = max(float(np.max(series.days)), 1.0) / YEAR_DAYS
    share = np.clip(series.days / YEAR_DAYS / years, 0.0, 1.0)
    rate = np.pi * (np.arange(SINES) + 0.5)
    sines = np.sqrt(2.0 * years) * np.sin(share[:, None] * rate) / rate
    own = [(place, number) for place, number in level_sources(series) if number]
    state, direct = blank(series.size, 2 * SINES * len(own))
    for i, (place, number) in enumerate(own):
        pick = (series.place == place) & (series.instrument == number)
        for axis in (0, 1):
            at = (2 * i + axis) * SINES
            direct[pick, axis, at : at + SINES] = sines[pick]
    width = direct.shape[2]
    return Cause(
        WANDER_LEVELS,
        state,
        direct,
        np.zeros(width),
        np.eye(width) * SENSOR_WANDER**2,
        kind=CauseKind.WANDER_OF_LEVEL,
    )


# ---- What warmth does from day to day: to pier, mount, and what they are read by.


#: Names of the causes.
WARM_PIER, WARM_AZIMUTH, WARM_ALTITUDE = (
    "warmth_of_pier",
    "warmth_of_mount_azimuth",
    "warmth_of_mount_altitude",
)
WARM_ZEROS, WARM_LEVELS = "warmth_of_zeros", "warmth_of_levels"
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
        of_states(WARM_PIER, above, TILT_NORTH, TILT_EAST, kind=CauseKind.WARMTH_OF_PIER),
        of_states(WARM_AZIMUTH, above, MOUNT_AZ, kind=CauseKind.WARMTH_OF_MOUNT),
        of_states(WARM_ALTITUDE, above, MOUNT_ALT, kind=CauseKind.WARMTH_OF_MOUNT),
        of_zeros(WARM_ZEROS, series, above, kind=CauseKind.WARMTH_OF_ZERO),
        of_levels(WARM_LEVELS, series, above, kind=CauseKind.WARMTH_OF_LEVEL),
    ]
