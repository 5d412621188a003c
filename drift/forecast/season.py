"""The part of the axis error that comes and goes with the year, and where to set the axis for it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from drift.ground.weather import year_phase
from drift.mount.axis_error import axis_of_tilt
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats, Ints, as_utc
from drift.types import AxisForecast

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import History


# ---- The seasonal part of the axis error, and how well it is known.


#: From so many winters on their own scatter is used; with fewer, winters are assumed to differ by this
#: share (our own assumption: freezing indices of one place vary about that much).
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
        height = np.abs(self.at(time_us) - self.year[self.rest])
        return np.asarray(np.hypot(self.mean_sd, self.winter_share * height))

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
    """Return the season of a history; half of a swing that isn't sure counts as its uncertainty.

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


# ---- Where to set the axis tonight so that the coming year goes best.
#
# A pier that heaves swings the axis.  An axis set exactly on the pole at one end of the swing is off by the
# whole swing half a year later; set so that the pole lies in the middle of the swing, it is never off by
# more than half.  On the sky the best setting is the centre of the smallest circle round all places that
# the axis goes to.


#: A point is outside a circle when it is by more than this share of its radius.
_CIRCLE = 1e-7
#: Nodes of the quadrature in each coordinate: an even number has as many on either side, none at 0.
_NODES = 12


def best_change(forecast: AxisForecast, latitude_rad: float, counts: Bools, aim: str, pole: Floats) -> Floats:
    """Return by how much to change the axis now, (az_error, alt_error) [arcsec].

    Parameters
    ----------
    forecast
        Where the axis goes if left alone.
    latitude_rad
        Geodetic latitude [rad].
    counts
        (n,) on which days it matters.
    aim
        "year": the largest error on those days is made least; "typical": the root mean
        square is; "tonight": the axis is put on the pole on the first day.
    pole
        The pole aimed at as an axis error, (2,) [arcsec].
    """
    to_sky = np.array([np.cos(latitude_rad), 1.0])
    path = (forecast.axis - pole) * to_sky
    if aim == "tonight":
        return -np.asarray(path[0]) / to_sky
    days = path[counts] if np.any(counts) else path
    middle = days.mean(axis=0) if aim == "typical" else smallest_circle(days)
    return -np.asarray(middle) / to_sky


def smallest_circle(points: Floats) -> Floats:
    """Return the centre (2,) of the smallest circle round points (n, 2).

    Notes
    -----
    The circle round a few of the points is taken, the one farthest outside is added to them, and so
    on until none is outside.
    """
    middle = (points.min(axis=0) + points.max(axis=0)) / 2.0
    scale = float(np.max(np.hypot(*(points - middle).T)))
    if scale == 0.0:
        return np.asarray(middle)
    own = (points - middle) / scale
    taken = list(dict.fromkeys(int(k) for k in (*own.argmin(axis=0), *own.argmax(axis=0))))
    while True:
        centre = _circle_of_few(own[taken])
        away = np.hypot(*(own - centre).T)
        farthest = int(np.argmax(away))
        if farthest in taken or away[farthest] <= np.max(away[taken]) + _CIRCLE:
            return np.asarray(middle + scale * centre)
        taken.append(farthest)


def _circle_of_few(points: Floats) -> Floats:
    """Return the centre of the smallest circle round a few points.

    Notes
    -----
    With ``m = r^2 - |c|^2`` all ``|p - c| <= r`` become ``|p|^2 - 2 p.c <= m``, linear in (c, m), and
    ``r^2 = m + |c|^2`` is to be made least: a convex quadratic programme.
    """
    from scipy.optimize import minimize

    square = np.sum(points**2, axis=1)
    slopes = np.column_stack([2.0 * points, np.ones(len(points))])
    found = minimize(
        lambda x: x[2] + x[0] ** 2 + x[1] ** 2,
        np.array([0.0, 0.0, float(square.max())]),
        jac=lambda x: np.array([2.0 * x[0], 2.0 * x[1], 1.0]),
        constraints={"type": "ineq", "fun": lambda x: slopes @ x - square, "jac": lambda x: slopes},
        method="SLSQP",
        options={"ftol": 1e-12, "maxiter": 200},
    )
    return np.asarray(found.x[:2])


def error_of_year(
    forecast: AxisForecast, change: Floats, latitude_rad: float, counts: Bools, aim: str, pole: Floats
) -> tuple[float, float]:
    """Return the largest error on the days that count (the rms for "typical"), and its sd [arcsec].

    Notes
    -----
    The error is that of the expected path, its sd the root mean square of how far it comes out beside that.
    The axis is off the path to one side for months, so the deviations of all days are taken to go together:
    one standard normal number for azimuth and one for altitude, integrated over by Gauss-Hermite quadrature.
    The sd of the one worst day would not do: the best setting has two or three of them, in autumn and in
    spring, alike to the last digit and known very differently well.
    """
    to_sky = np.array([np.cos(latitude_rad), 1.0])
    keep = counts if np.any(counts) else np.ones(len(counts), dtype=bool)
    path, sds = (forecast.axis - pole + change)[keep] * to_sky, forecast.sd[keep] * to_sky
    node, weight = np.polynomial.hermite_e.hermegauss(_NODES)
    off = np.stack(np.meshgrid(node, node), axis=-1).reshape(-1, 1, 2)
    share = np.outer(weight, weight).ravel() / weight.sum() ** 2
    error = float(_of_days(path, aim))
    return error, float(np.sqrt(share @ (_of_days(path + off * sds, aim) - error) ** 2))


def _of_days(path: Floats, aim: str) -> Floats:
    """Return one number for the errors of days on the sky (..., n, 2): the largest, or their rms, (...)."""
    sizes = np.hypot(path[..., 0], path[..., 1])
    return np.asarray(np.sqrt(np.mean(sizes**2, axis=-1)) if aim == "typical" else sizes.max(axis=-1))


def days_that_count(forecast: AxisForecast, site: PierFile) -> Bools:
    """Return which days of a forecast lie in the months of use, (n,)."""
    months = site.optics.months_of_use
    if not months:
        return np.ones(len(forecast.time_us), dtype=bool)
    zone = ZoneInfo(site.site.timezone or "UTC")
    return np.array([as_utc(int(t)).astimezone(zone).month in months for t in forecast.time_us])
