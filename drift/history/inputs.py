"""All that the separation starts from, with how warm it was on each night."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.ground.heave import FrostHeave
from drift.history.causes import harmonics
from drift.history.changes import Plate
from drift.night.nights import NightSplit
from drift.quantities import DAY_US, Bools, Floats, Ints
from drift.types import Nights, Readings

# ---- How warm it was on each night: what bends a mount and a pier from day to day.


#: Fewest days with a temperature from which its course over a year is drawn.
FEWEST_DAYS = 8
#: The air is warmest about three hours after noon, common practice.
WARMEST_HOUR = 15.0
#: A level's own temperature is told from days no further off than this [days].
FURTHEST_DAYS = 1.5


@dataclass(frozen=True)
class Warmth:
    """Temperature by local noon-to-noon day.

    Parameters
    ----------
    day
        (m,) sorted numbers of days, see `NightSplit.day`.
    temp_c
        (m,) mean temperature of each [deg C].
    half_range_c
        (m,) half of the day's range [deg C]; None where temperatures were logged with the solves.
    """

    split: NightSplit
    day: Ints = field(repr=False)
    temp_c: Floats = field(repr=False)
    half_range_c: Floats | None = field(default=None, repr=False)  # (m,) of each day, where weather tells it

    def at(self, time_us: Ints) -> Floats:
        """Return the temperature at some times; a day without one gets that of its season, (n,) [deg C]."""
        days = self.split.day(time_us)
        place = np.minimum(np.searchsorted(self.day, days), self.day.size - 1)
        known = self.day[place] == days
        return np.where(known, self.temp_c[place], self._usual(days))

    def at_readings(self, time_us: Ints, is_night: Bools) -> Floats:
        """Return the temperature at readings, (n,) [deg C]: of nights the night's, of levels their own.

        Between the days' means it goes linearly; where the weather log tells the day's range, on top of that
        along a cosine that is warmest at `WARMEST_HOUR` local mean time.
        """
        own = np.interp(time_us / DAY_US, self._middle_days, self.temp_c) + self._of_hour(time_us)
        near = np.abs(time_us / DAY_US - self._nearest_middle(time_us)) <= FURTHEST_DAYS
        return np.where(is_night | ~near, self.at(time_us), own)

    @property
    def _middle_days(self) -> Floats:
        """Return when each day's mean holds [days since 1970 UTC]: weather at noon, nights at midnight."""
        hour = 12.0 if self.half_range_c is not None else 24.0
        return np.asarray(self.day + hour / 24.0 - self.split.longitude_deg / 360.0)

    def _nearest_middle(self, time_us: Ints) -> Floats:
        middle = self._middle_days
        right = np.clip(np.searchsorted(middle, time_us / DAY_US), 1, middle.size - 1)
        left = right - 1
        days = time_us / DAY_US
        return np.where(days - middle[left] < middle[right] - days, middle[left], middle[right])

    def _of_hour(self, time_us: Ints) -> Floats:
        if self.half_range_c is None:
            return np.zeros(np.size(time_us))
        local = time_us / DAY_US + self.split.longitude_deg / 360.0
        day = np.floor(local)
        half = np.interp(day, self.day.astype(float), self.half_range_c)
        return np.asarray(half * np.cos(2.0 * np.pi * (local - day - WARMEST_HOUR / 24.0)))

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
    by_weather = best is daily
    best = best.sort_index()
    days = best.index.to_numpy(dtype=np.int64)
    half = _half_range(weather, days) if by_weather else None
    return Warmth(split, days, best.to_numpy(dtype=float), half)


def _half_range(weather: pd.DataFrame, days: Ints) -> Floats:
    """Return half of the range of each day; where it isn't logged the usual one, else none [deg C]."""
    half = 0.5 * (weather["t_max_c"].astype(float) - weather["t_min_c"].astype(float))
    half.index = weather["day"].to_numpy(dtype=np.int64)
    half = half.groupby(level=0).mean().reindex(days)
    usual = half.median()
    return half.fillna(usual if np.isfinite(usual) else 0.0).clip(lower=0.0).to_numpy(dtype=float)


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
