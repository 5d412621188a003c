"""Which readings make a night, and which solves share their zeros."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.codes import CorrectionKind
from drift.quantities import DAY_US, Ints


@dataclass(frozen=True)
class NightSplit:
    """The bounds of all nights, and what restarts when.

    A night runs from local mean noon to noon by longitude and is split at each
    recorded correction.
    """

    longitude_deg: float
    correction_us: Ints  # (c,) sorted times that split a night
    constants_us: Ints  # sorted times at which the instrument constants restart (service, remount)
    zero_us: Ints  # sorted times at which a kept zero restarts (zero, service, remount)

    def day(self, time_us: Ints) -> Ints:
        """Return the number of the local noon-to-noon day of each time."""
        shift_us = round((self.longitude_deg / 360.0 - 0.5) * DAY_US)
        return np.floor_divide(time_us + shift_us, DAY_US)

    def part(self, time_us: Ints) -> Ints:
        """Return how many corrections came before each time; a correction's own time is after it."""
        return np.searchsorted(self.correction_us, time_us, side="right")

    def era(self, time_us: Ints) -> Ints:
        """Return the number of the instrument's era: constants are shared within one."""
        return np.searchsorted(self.constants_us, time_us, side="right")

    def epoch(self, time_us: Ints) -> Ints:
        """Return the number of the homing epoch: a kept zero is shared within one."""
        return np.searchsorted(self.zero_us, time_us, side="right")

    def bounds(self, time_us: int) -> tuple[int, int]:
        """Return start and end [us] of the (part) night that holds a time."""
        shift_us = round((self.longitude_deg / 360.0 - 0.5) * DAY_US)
        start = int(self.day(np.array([time_us]))[0]) * DAY_US - shift_us
        cuts = self.correction_us[(self.correction_us > start) & (self.correction_us < start + DAY_US)]
        before, after = cuts[cuts <= time_us], cuts[cuts > time_us]
        return (int(before[-1]) if before.size else start, int(after[0]) if after.size else start + DAY_US)


def split_nights(longitude_deg: float, corrections: pd.DataFrame) -> NightSplit:
    """Prepare the split from the site's longitude [deg, east positive] and the recorded corrections."""
    corrections = corrections[corrections["kind"] != CorrectionKind.CRACK]  # nothing was done to the mount
    times = corrections["time_us"].to_numpy(dtype=np.int64)
    kinds = corrections["kind"].to_numpy(dtype=object)

    def of(*names: str) -> Ints:
        return np.unique(times[np.isin(kinds, names)])

    return NightSplit(
        longitude_deg,
        correction_us=np.unique(times),
        constants_us=of("service", "remount"),
        zero_us=of("zero", "service", "remount"),
    )
