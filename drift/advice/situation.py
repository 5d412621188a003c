"""Where the axis stands: its error now, the part that the season takes back, the part that lasts."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from drift.advice.axis_error import on_sky
from drift.advice.matters import matters_of
from drift.advice.result import Matter
from drift.advice.words import as_utc
from drift.quantities import DAY_US, Floats

if TYPE_CHECKING:
    from drift.history.result import History
    from drift.night.result import Nights
    from drift.pierfile import PierFile

#: An error or a change of this many standard deviations is worth acting on.
ACT_SDS = 2.0
#: From so many winters on their own scatter is used; before, one winter's swing is taken to differ from
#: another's by this share (our own assumption: freezing indices of one place vary about so much).
_WINTERS_TO_LEARN, _WINTER_SHARE = 3, 0.3


@dataclass(frozen=True)
class Situation:
    """The axis at the latest night that shows it; arrays are (az_error, alt_error) [arcsec].

    ``lasting = now - seasonal``: what a correction should take out.  `tolerance`
    is the smallest angle on the sky [arcsec] that the warning limit or the
    optics allow, and `tolerance_of` says which.
    """

    site: PierFile = field(repr=False)
    latitude_rad: float
    zone: ZoneInfo
    time_us: int
    now_us: int
    span_days: float
    now: Floats
    now_sd: Floats
    seasonal: Floats
    seasonal_sd: Floats
    year: Floats = field(repr=False)  # (366, 2) seasonal part by day of year
    tolerance: float
    tolerance_of: str
    matters: tuple[Matter, ...]

    @property
    def known(self) -> bool:
        """Whether any night shows both coordinates of the axis."""
        return bool(np.all(np.isfinite(self.now)) and np.all(np.isfinite(self.now_sd)))

    @property
    def lasting(self) -> Floats:
        """The part of the error that does not come and go with the year."""
        return self.now - self.seasonal

    @property
    def lasting_sd(self) -> Floats:
        """Standard deviation of `lasting`."""
        return np.hypot(self.now_sd, self.seasonal_sd)

    def error_now(self) -> tuple[float, float]:
        """Return the present angle on the sky and its standard deviation."""
        return on_sky(self.now, self.now_sd, self.latitude_rad)

    def error_lasting(self) -> tuple[float, float]:
        """Return the lasting part as an angle on the sky, and its standard deviation."""
        return on_sky(self.lasting, self.lasting_sd, self.latitude_rad)

    def angle_of(self, axis: Floats) -> float:
        """Return the angle on the sky of an axis error (az_error, alt_error) [arcsec]."""
        return float(np.hypot(axis[0] * np.cos(self.latitude_rad), axis[1]))

    def over(self, error: float, sd: float) -> bool:
        """Whether an error exceeds both the tolerance and what its uncertainty could feign."""
        return error > self.tolerance and error > ACT_SDS * sd

    def comes_back(self, standing: Floats) -> tuple[int, float]:
        """Return when the season has brought the axis back, and the error it then has.

        Parameters
        ----------
        standing
            What stays all year, shape (2,) [arcsec].

        Returns
        -------
        time_us, error
            The first day on which the error is within tolerance or, when no day is, the best day.
        """
        days = [as_utc(self.time_us) + timedelta(days=n) for n in range(1, 367)]
        offsets = self.year[[_day_of_year(day.timetuple().tm_yday) for day in days]]
        errors = np.array([self.angle_of(axis) for axis in standing + offsets])
        within = np.flatnonzero(errors <= self.tolerance)
        best = int(within[0]) if within.size else int(np.argmin(errors))
        return self.time_us + (best + 1) * DAY_US, float(errors[best])


def next_rest(situation: Situation, history: History) -> int | None:
    """Return when the heave is next out of the ground [us]; None where no season is sure."""
    seasonal = history.seasonal
    if seasonal is None or seasonal.peak_day_of_year is None or not np.any(situation.year):
        return None
    rest = _rest_day(situation.year, seasonal.peak_day_of_year)
    today = _day_of_year(as_utc(situation.time_us).timetuple().tm_yday)
    return situation.time_us + ((rest - today - 1) % 366 + 1) * DAY_US


def situation_of(site: PierFile, nights: Nights, history: History, now_us: int | None) -> Situation:
    """Put together where the axis stands.

    Parameters
    ----------
    site, nights, history
        As for `drift.advice.advise.advise`.
    now_us
        The time at which advice is wanted, or None for that of the latest reading.
    """
    latitude_rad = float(np.radians(site.site.latitude_deg))
    times = [night.time_us for night in nights.nights if night.has_axis]
    if not times:
        times = [int(t) for t in history.time_us] or [now_us or 0]
    time_us, latest = max(times), max([*times, *(int(t) for t in history.time_us)])
    year = np.asarray(history.seasonal_axis_offset, dtype=float)
    today = _day_of_year(as_utc(time_us).timetuple().tm_yday)
    error, sd = on_sky(history.axis_now, history.axis_now_sd, latitude_rad)
    known = bool(np.isfinite(error) and np.isfinite(sd))
    matters = matters_of(site, error, sd) if known else ()
    tolerance, tolerance_of = _tolerance(site, matters)
    return Situation(
        site=site,
        latitude_rad=latitude_rad,
        zone=ZoneInfo(site.site.timezone or "UTC"),
        time_us=time_us,
        now_us=latest if now_us is None else now_us,
        span_days=(time_us - min(times)) / DAY_US,
        now=np.asarray(history.axis_now, dtype=float),
        now_sd=np.asarray(history.axis_now_sd, dtype=float),
        seasonal=year[today],
        seasonal_sd=_seasonal_sd(history, year, today, latitude_rad),
        year=year,
        tolerance=tolerance,
        tolerance_of=tolerance_of,
        matters=matters,
    )


def _day_of_year(day: int) -> int:
    return min(max(day, 1), 366) - 1


def _seasonal_sd(history: History, year: Floats, day: int, latitude_rad: float) -> Floats:
    """Return how uncertain the seasonal part of each coordinate is on a day (index into `year`).

    Where a season is sure, two things add: the relative uncertainty of the mean swing, on the
    amplitude of the whole year (where the offset passes through 0 it is its date that is
    uncertain); and this winter's difference from the mean one, on as much of the swing as stands
    on that day.  Where none is sure, `year` is 0 and half of the swing that there may be stands for it.
    """
    seasonal = history.seasonal
    if seasonal is None or not seasonal.peak_to_trough > 0.0:
        return np.zeros(2)
    swing, sd = seasonal.peak_to_trough, seasonal.peak_to_trough_sd
    if not np.any(year) or seasonal.peak_day_of_year is None:
        return np.hypot(swing, sd) / 2.0 * np.array([abs(np.tan(latitude_rad)), 1.0])
    mean_part = sd / swing * np.max(np.abs(year), axis=0)
    standing = np.abs(year[day] - year[_rest_day(year, seasonal.peak_day_of_year)])
    return np.hypot(mean_part, _winter_scatter(history, swing) * standing)


def _rest_day(year: Floats, peak_day_of_year: int) -> int:
    """Return the day (index into `year`) on which the heave is out: farthest from its peak."""
    away = year - year[_day_of_year(peak_day_of_year)]
    return int(np.argmax(np.sum(away**2, axis=1)))


def _winter_scatter(history: History, swing: float) -> float:
    """Return by what share of the mean swing one winter differs from another."""
    swings = [winter.swing for winter in history.winters if np.isfinite(winter.swing)]
    if len(swings) < _WINTERS_TO_LEARN:
        return _WINTER_SHARE
    return float(np.std(swings, ddof=1)) / swing


def _tolerance(site: PierFile, matters: tuple[Matter, ...]) -> tuple[float, str]:
    allowed = [(site.warn.axis_arcmin, "the warning limit for the axis")]
    allowed += [(matter.allowed_arcmin, f"what {matter.name} allows") for matter in matters]
    least, name = min(allowed)
    return least * 60.0, name
