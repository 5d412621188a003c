"""All that the separation starts from, with how warm it was on each night."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.ground.heave import FrostHeave
from drift.history.causes import harmonics
from drift.history.changes import Plate
from drift.night.nights import NightSplit
from drift.quantities import DAY_US, Floats, Ints
from drift.types import Nights, Readings

# ---- How warm it was on each night: what bends a mount and a pier from day to day.


#: Fewest days with a temperature from which its course over a year is drawn.
FEWEST_DAYS = 8


@dataclass(frozen=True)
class Warmth:
    """Temperature by local noon-to-noon day.

    Parameters
    ----------
    day
        (m,) sorted numbers of days, see `NightSplit.day`.
    temp_c
        (m,) mean temperature of each [deg C].
    """

    split: NightSplit
    day: Ints = field(repr=False)
    temp_c: Floats = field(repr=False)

    def at(self, time_us: Ints) -> Floats:
        """Return the temperature at some times; a day without one gets that of its season, (n,) [deg C]."""
        days = self.split.day(time_us)
        place = np.minimum(np.searchsorted(self.day, days), self.day.size - 1)
        known = self.day[place] == days
        return np.where(known, self.temp_c[place], self._usual(days))

    def of_season(self, time_us: Ints) -> Floats:
        """Return the usual temperature of the season at some times, (n,) [deg C]."""
        return self._usual(self.split.day(time_us))

    def _usual(self, days: Ints) -> Floats:
        design = np.column_stack([np.ones(self.day.size), harmonics(self.day * DAY_US)[:, :2]])
        amplitude = np.linalg.lstsq(design, self.temp_c, rcond=None)[0]
        return np.asarray(np.column_stack([np.ones(days.size), harmonics(days * DAY_US)[:, :2]]) @ amplitude)


def warmth_of(readings: Readings, split: NightSplit) -> Warmth | None:
    """Return how warm the nights were; None when too little is known.

    The weather's daily means and the temperatures logged with solves differ by
    the hour of the day, so only one of them is used: whichever knows more of the nights.
    """
    solves = readings["solves"]
    night = split.day(solves["time_us"].to_numpy(dtype=np.int64))
    logged = solves["temp_c"].astype(float).groupby(night).mean().dropna()
    weather = readings["weather"]
    daily = (
        weather["t_mean_c"]
        .astype(float)
        .fillna(0.5 * (weather["t_min_c"].astype(float) + weather["t_max_c"].astype(float)))
    )
    daily.index = weather["day"].to_numpy(dtype=np.int64)
    daily = daily.dropna().groupby(level=0).mean()
    nights = np.unique(night)
    best = max((daily, logged), key=lambda known: int(np.isin(nights, known.index).sum()))
    if len(best) < FEWEST_DAYS or not np.isin(nights, best.index).any():
        return None
    best = best.sort_index()
    return Warmth(split, best.index.to_numpy(dtype=np.int64), best.to_numpy(dtype=float))


# ---- All that the separation starts from.


@dataclass(frozen=True)
class Inputs:
    """One pier's nights and what goes with them.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude [rad].
    nights
        From `drift.night.estimate.estimate_nights`.
    levels, corrections
        Tables of readings.
    plate
        Bolts and thread, for shims and nuts.
    split
        Tells when constants and zeros restart.
    zero_is
        "kept", "synced" or "unknown", from the site file.
    warmth
        How warm the nights were; None when that isn't known.
    frost
        What weather and ground say of the frost; None where the weather isn't known.
    """

    latitude_rad: float
    nights: Nights = field(repr=False)
    levels: pd.DataFrame = field(repr=False)
    corrections: pd.DataFrame = field(repr=False)
    plate: Plate
    split: NightSplit = field(repr=False)
    zero_is: str
    warmth: Warmth | None = field(default=None, repr=False)
    frost: FrostHeave | None = field(default=None, repr=False)
