"""Where the axis will be if nobody touches it: a table of days, which anything that looks ahead can make.

The history's own forecast, which knows of frost and settlement, goes first; where there
is none it is made of the annual shape found and the lasting rate.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from drift.advice.season import Season
from drift.advice.this_winter import correction_of
from drift.mount.orientation import hemisphere
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints

if TYPE_CHECKING:
    from drift.history.result import History

#: Days looked ahead: the coming year.
AHEAD_DAYS = 365
#: The names under which a history keeps how lean, azimuth and altitude wander.
_LEAN_WALK = "lean walk [arcsec per sqrt day]"
_MOUNT_WALK = ("mount azimuth creep [arcsec per sqrt day]", "mount altitude creep [arcsec per sqrt day]")


@dataclass(frozen=True)
class Forecast:
    """The axis day by day, untouched.

    Attributes
    ----------
    time_us
        (n,) UTC [us], ascending, the first the day of the advice.
    axis
        (n, 2) expected az_error and alt_error against the true pole [arcsec].
    sd
        (n, 2) their standard deviations [arcsec].
    """

    time_us: Ints = field(repr=False)
    axis: Floats = field(repr=False)
    sd: Floats = field(repr=False)

    def __post_init__(self) -> None:
        """See that the shapes fit."""
        n = len(self.time_us)
        if n == 0 or self.axis.shape != (n, 2) or self.sd.shape != (n, 2):
            raise ValueError(
                f"a forecast of {n} days needs axis and sd of shape ({n}, 2), not {self.axis.shape} and "
                f"{self.sd.shape}"
            )


def coming(history: History, season: Season, latitude_rad: float, seen_us: int, from_us: int) -> Forecast:
    """Return where the axis goes from `from_us` on, day by day.

    Until a season is sure the history's own forecast is not followed: what a part of a year
    would go on to is what the priors say, not the readings.
    """
    if history.forecast is None or not season.known or from_us >= int(history.forecast.time_us[-1]):
        return annual_forecast(history, season, latitude_rad, seen_us, from_us)
    made = history.forecast
    last = min(from_us + AHEAD_DAYS * DAY_US, int(made.time_us[-1]))
    time_us = np.arange(from_us, last + 1, DAY_US, dtype=np.int64)

    def daily(values: Floats) -> Floats:
        columns = [np.interp(time_us - from_us, made.time_us - from_us, values[:, k]) for k in (0, 1)]
        return np.stack(columns, axis=1)

    own = correction_of(history, season, latitude_rad, seen_us, time_us)
    return Forecast(time_us, daily(made.axis) + own, daily(made.axis_sd))


def annual_forecast(
    history: History, season: Season, latitude_rad: float, seen_us: int, from_us: int
) -> Forecast:
    """Carry the present axis on with the annual shape and the lasting rate.

    Parameters
    ----------
    history
        Its `axis_now` is the axis at `seen_us`; its `lasting` is carried on where it is sure and
        pier and mount can be told apart (else it is not known to go on).
    season
        The annual shape.
    latitude_rad
        Geodetic latitude [rad].
    seen_us, from_us
        When the axis was last seen; from when on the forecast runs [us].
    """
    time_us = from_us + DAY_US * np.arange(AHEAD_DAYS + 1, dtype=np.int64)
    years = (time_us - seen_us)[:, None] / DAY_US / YEAR_DAYS
    rate, rate_sd = axis_rate(history, latitude_rad)
    seen = np.array([seen_us])
    axis = history.axis_now + season.at(time_us) - season.at(seen) + rate * years
    axis = axis + correction_of(history, season, latitude_rad, seen_us, time_us)
    # the difference of two days is as sure as the less sure of them, but for the day itself
    moved = np.hypot(season.sd_at(time_us), season.sd_at(seen)) * (np.abs(years) > 0.0)
    walked = _walk(history, latitude_rad) ** 2 * np.abs(years) * YEAR_DAYS
    variance = history.axis_now_sd**2 + moved**2 + (rate_sd * years) ** 2 + walked
    return Forecast(time_us, axis, np.sqrt(variance))


def _walk(history: History, latitude_rad: float) -> Floats:
    """Return how (az_error, alt_error) wander at random, (2,) [arcsec per square root of a day]."""
    lean = history.scales.get(_LEAN_WALK, 0.0) * np.array([abs(np.tan(latitude_rad)), 1.0])
    return np.asarray(np.hypot(lean, [history.scales.get(name, 0.0) for name in _MOUNT_WALK]))


def axis_rate(history: History, latitude_rad: float) -> tuple[Floats, Floats]:
    """Return how fast the lasting lean moves (az_error, alt_error), and the sds [arcsec a year]."""
    lasting = history.lasting
    pairs = (history.east_lean_from_mount_azimuth, history.north_lean_from_mount_altitude)
    told = np.array([pair.answer != "no" for pair in pairs], dtype=float)
    lever = np.array([np.tan(latitude_rad), -hemisphere(latitude_rad)]) * told  # of lean east, north
    if lasting is None or not np.isfinite(lasting.arcsec_per_year):
        return np.zeros(2), np.zeros(2)
    sd = np.abs(lever) * lasting.arcsec_per_year_sd
    if lasting.toward_bearing_deg is None:
        return np.zeros(2), sd
    bearing = np.radians(lasting.toward_bearing_deg)
    return lever * lasting.arcsec_per_year * np.array([np.sin(bearing), np.cos(bearing)]), sd
