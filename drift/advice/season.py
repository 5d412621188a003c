"""The part of the axis error that comes and goes with the year, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.words import as_utc
from drift.quantities import DAY_US, Floats, Ints

if TYPE_CHECKING:
    from drift.history.result import History

#: From so many winters on their own scatter is used; before, one winter's swing is taken to differ from
#: another's by this share (our own assumption: freezing indices of one place vary about so much).
_WINTERS_TO_LEARN, _WINTER_SHARE = 3, 0.3


@dataclass(frozen=True)
class Season:
    """What the year adds to (az_error, alt_error), by day of year [arcsec].

    `year` is (366, 2) with mean 0, all zeros where no season is sure; `rest` the
    index of the day on which the heave is out, None where none is sure.
    `mean_sd` is how well the mean swing is known anywhere in the year, (2,);
    `winter_share` by what share of it one winter differs from another.
    """

    year: Floats = field(repr=False)
    rest: int | None
    mean_sd: Floats
    winter_share: float

    @property
    def known(self) -> bool:
        """Whether there is a sure seasonal part."""
        return self.rest is not None

    def at(self, time_us: Ints) -> Floats:
        """Return the seasonal part at times (n,) [us], (n, 2)."""
        return np.asarray(self.year[days_of_year(time_us)])

    def sd_at(self, time_us: Ints) -> Floats:
        """Return how uncertain that part is, (n, 2).

        Where a season is sure, two things add: the relative uncertainty of the mean swing, on the
        amplitude of the whole year (where the part passes through 0 it is its date that is
        uncertain); and this winter's difference from the mean one, on as much of the swing as
        stands on that day.
        """
        if self.rest is None:
            return np.broadcast_to(self.mean_sd, (len(time_us), 2))
        standing = np.abs(self.at(time_us) - self.year[self.rest])
        return np.asarray(np.hypot(self.mean_sd, self.winter_share * standing))

    def next_rest(self, time_us: int) -> int | None:
        """Return when after `time_us` the heave is next out of the ground [us]; None where none is sure."""
        if self.rest is None:
            return None
        today = int(days_of_year(np.array([time_us]))[0])
        return time_us + ((self.rest - today - 1) % 366 + 1) * DAY_US

    def last_rest(self, time_us: int) -> int | None:
        """Return when until `time_us` the heave was last out [us]; None where none is sure."""
        following = self.next_rest(time_us)
        return None if following is None else following - 366 * DAY_US


def season_of(history: History, latitude_rad: float) -> Season:
    """Take the season out of a history; half of a swing that isn't sure stands for its uncertainty."""
    year = np.asarray(history.seasonal_axis_offset, dtype=float)
    seasonal = history.seasonal
    if seasonal is None or not seasonal.peak_to_trough > 0.0:
        return Season(np.zeros((366, 2)), None, np.zeros(2), 0.0)
    swing, sd = seasonal.peak_to_trough, seasonal.peak_to_trough_sd
    if not np.any(year) or seasonal.peak_day_of_year is None:
        half = np.hypot(swing, sd) / 2.0
        return Season(year, None, half * np.array([abs(np.tan(latitude_rad)), 1.0]), 0.0)
    away = year - year[min(max(seasonal.peak_day_of_year, 1), 366) - 1]
    rest = int(np.argmax(np.sum(away**2, axis=1)))
    mean_sd = sd / swing * np.max(np.abs(year), axis=0)
    return Season(year, rest, mean_sd, _winter_share(history, swing))


def days_of_year(time_us: Ints) -> Ints:
    """Return the days of the year of times [us] as indices from 0, (n,)."""
    return np.array([as_utc(int(t)).timetuple().tm_yday - 1 for t in np.atleast_1d(time_us)], dtype=np.int64)


def _winter_share(history: History, swing: float) -> float:
    """Return by what share of the mean swing one winter differs from another."""
    swings = [winter.swing for winter in history.winters if np.isfinite(winter.swing)]
    if len(swings) < _WINTERS_TO_LEARN:
        return _WINTER_SHARE
    return float(np.std(swings, ddof=1)) / swing
