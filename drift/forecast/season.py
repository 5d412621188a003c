"""The part of the axis error that comes and goes with the year, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.ground.calendar import year_phase
from drift.mount.axis_error import axis_of_tilt
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints, as_utc

if TYPE_CHECKING:
    from drift.types import History


#: From so many winters on their own scatter is used; before, one winter's swing is taken to differ from
#: another's by this share (our own assumption: freezing indices of one place vary about so much).
_WINTERS_TO_LEARN, _WINTER_SHARE = 3, 0.3
#: A swing of the axis itself is sure from so many standard deviations of the forecast on: more than the two
#: that the tilt's needs, as its direction and date are looked for as well (our own choice).
_AXIS_SDS = 2.5


@dataclass(frozen=True, kw_only=True)
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
    """Take the season out of a history; half of a swing that isn't sure stands for its uncertainty.

    Where nothing tells pier from mount the tilt's swing isn't sure, but that of the axis, which is all
    that counts here, may be: then it is that of the history's own forecast.
    """
    year = np.asarray(history.seasonal_axis_offset, dtype=float)
    seasonal = history.seasonal
    of_axis = None if np.any(year) else _of_axis(history, latitude_rad)
    if of_axis is not None:
        return of_axis
    if seasonal is None or not seasonal.peak_to_trough > 0.0:
        return Season(year=np.zeros((366, 2)), rest=None, mean_sd=np.zeros(2), winter_share=0.0)
    swing, sd = seasonal.peak_to_trough, seasonal.peak_to_trough_sd
    if not np.any(year) or seasonal.peak_day_of_year is None:
        half = np.hypot(swing, sd) / 2.0
        # the swing may be toward any bearing
        mean_sd = half * np.abs(axis_of_tilt(np.ones(2), latitude_rad))
        return Season(year=year, rest=None, mean_sd=mean_sd, winter_share=0.0)
    away = year - year[min(max(seasonal.peak_day_of_year, 1), 366) - 1]
    rest = int(np.argmax(np.sum(away**2, axis=1)))
    mean_sd = sd / swing * np.max(np.abs(year), axis=0)
    return Season(year=year, rest=rest, mean_sd=mean_sd, winter_share=_winter_share(history, swing))


def without_line(path: Floats, time_us: Ints) -> Floats:
    """Take out what a year changes for good, so that the first and the last day are alike, (D, 2)."""
    passed = ((time_us - time_us[0]) / (time_us[-1] - time_us[0]))[:, None]
    return np.asarray(path - path[0] - passed * (path[-1] - path[0]))


def swing_along(path: Floats, time_us: Ints, latitude_rad: float) -> Floats:
    """Return the direction (2,) in which a path on the sky (D, 2) swings, toward its winter end."""
    along = np.linalg.svd(path - path.mean(axis=0), full_matrices=False)[2][0]
    winter = np.cos(year_phase(time_us / DAY_US, latitude_rad < 0.0))
    return np.asarray(along if (path @ along) @ (winter - winter.mean()) >= 0.0 else -along)


def _of_axis(history: History, latitude_rad: float) -> Season | None:
    """Return the season of the axis itself as the history carries it on; None where it isn't sure."""
    ahead, seen = history.forecast, np.asarray(history.time_us)
    if ahead is None or not seen.size or seen[-1] - seen[0] < YEAR_DAYS * DAY_US:
        return None
    to_sky = np.array([np.cos(latitude_rad), 1.0])
    path = without_line(ahead.axis, ahead.time_us)
    along = swing_along(path * to_sky, ahead.time_us, latitude_rad)
    course = path * to_sky @ along
    furthest = int(np.argmax(np.abs(course)))
    swing, sd = float(np.ptp(course)), float(np.linalg.norm(ahead.axis_sd[furthest] * to_sky * along))
    if not swing > _AXIS_SDS * sd:
        return None
    day = days_of_year(ahead.time_us)
    year = np.stack([np.interp(np.arange(366), day, path[:, k], period=366) for k in (0, 1)], axis=1)
    year -= year.mean(axis=0)
    # the forecast's uncertainty has the winters' own differences in it
    return Season(
        year=year,
        rest=int(np.argmin(year * to_sky @ along)),
        mean_sd=sd / swing * np.max(np.abs(year), axis=0),
        winter_share=0.0,
    )


def days_of_year(time_us: Ints) -> Ints:
    """Return the days of the year of times [us] as indices from 0, (n,)."""
    return np.array([as_utc(int(t)).timetuple().tm_yday - 1 for t in np.atleast_1d(time_us)], dtype=np.int64)


def _winter_share(history: History, swing: float) -> float:
    """Return by what share of the mean swing one winter differs from another."""
    swings = [winter.swing for winter in history.winters if np.isfinite(winter.swing)]
    if len(swings) < _WINTERS_TO_LEARN:
        return _WINTER_SHARE
    return float(np.std(swings, ddof=1)) / swing
