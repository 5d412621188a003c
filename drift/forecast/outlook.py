"""The coming twelve months in numbers: months, when the axis peaks and is back, chances, re-aligning."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol
from zoneinfo import ZoneInfo

import numpy as np
from scipy.special import ndtri

from drift.codes import AxisBound, CauseKind
from drift.forecast.coming import from_moment, sample_paths_along
from drift.forecast.season import Season, best_change, days_that_count, swing_along, without_line
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats, Ints, as_utc
from drift.types import SMALL_CHANCE, AxisForecast, ComingDay, ComingMonth, Outlook, Realigning, Turning

if TYPE_CHECKING:
    from drift.site.file import PierFile
    from drift.types import Forecast, History


# ---- The outlook from the history's forecast.
#
# Everything here follows from the history's forecast: the sample paths of the frost, each with a normal law
# about it (`drift.forecast.coming`).


#: Each coordinate's normal law is replaced by so many values of equal weight.
_VALUES = 13
#: A swing is back when a fifth of it is left.  It counts as a swing from this size on [arcsec], and from so
#: many sds of the axis at its furthest.
BACK_SHARE, _LEAST_SWING, _LEAST_SDS = 0.2, 2.0, 1.0
#: The middle 80 % of the paths.
_FROM, _TO = 0.1, 0.9
_MONTHS = 12
#: A forecast that starts from a reading longer ago than this says so [days].
_OLD_DAYS = 30.0
#: A quarter of the year in moments of the forecast, a week apart: nearer to the other end of the swing no
#: path is taken to be furthest.
_QUARTER = 13
#: Gradual causes of tilt.
_GRADUAL = (
    CauseKind.FROST,
    CauseKind.SEASON,
    CauseKind.WARMTH_OF_PIER,
    CauseKind.SETTLEMENT,
    CauseKind.WANDER_OF_PIER,
)


class Bounded(Protocol):
    """What the axis is held against; `drift.advice.situation.Situation` is one."""

    @property
    def site(self) -> PierFile:
        """The site file: months of use, and what to aim at."""

    @property
    def latitude_rad(self) -> float:
        """Geodetic latitude [rad]."""

    @property
    def zone(self) -> ZoneInfo:
        """Of the site's clock."""

    @property
    def now_us(self) -> int:
        """Of when the advice is, UTC."""

    @property
    def span_days(self) -> float:
        """How long the nights with an axis span."""

    @property
    def pole(self) -> Floats:
        """The pole aimed at as (az_error, alt_error) against the true one, (2,) [arcsec]."""

    @property
    def season(self) -> Season:
        """What comes and goes with the year."""

    @property
    def tolerance(self) -> float:
        """How far the axis may be off, as an angle on the sky [arcsec]."""

    @property
    def tolerance_of(self) -> AxisBound:
        """What sets that."""

    @property
    def is_over(self) -> bool:
        """Whether the axis is surely beyond it now."""


def look_ahead(
    history: History, bounds: Bounded, last_us: int, now_us: int | None, past: bool
) -> Outlook | None:
    """Look at the coming twelve months.

    Parameters
    ----------
    history
        Its forecast is what is looked at.
    bounds
        What the axis is held against.
    last_us
        When axis or tilt was last read, UTC.
    now_us
        The present time, UTC; None for that of the latest reading.
    past
        Whether the readings were long past when they came in: then, where the forecast ended before today,
        it is looked at as of their end.

    Returns
    -------
    Outlook or None
        None where there is no forecast, and where that of a watched pier ended before today.
    """
    made = history.forecast
    if made is None:
        return None
    ahead = made if now_us is None else from_moment(made, now_us)
    ended = past and ahead is None
    if ended:
        ahead = made
    if ahead is None:
        return None
    old = not ended and now_us is not None and now_us - last_us > _OLD_DAYS * DAY_US
    return Outlook(
        from_us=int(ahead.time_us[0]),
        months=months_of(ahead, bounds, bounds.zone),
        turning=turning_of(made, bounds),
        realigning=realigning_of(ahead, bounds),
        settling=ahead.settling,
        forcing_odds=dict(history.forcing_odds),
        causes=_causes(history),
        season_sure=bounds.season.known,
        span_days=bounds.span_days,
        rests_on=ahead.rests_on,
        forecast=ahead,
        as_of_us=last_us if ended else None,
        since_us=last_us if old else None,
    )


def _to_sky(bounds: Bounded) -> Floats:
    return np.array([np.cos(bounds.latitude_rad), 1.0])


def beyond(ahead: Forecast, bounds: Bounded, change: Floats) -> Bools:
    """Return where equally likely paths of the axis are beyond the tolerance, (W, D).

    The uncertainty about each sample path of the frost is taken to shift a whole path, because it is mostly
    about where things are now and how fast they move.

    Parameters
    ----------
    ahead
        The history's forecast.
    bounds
        Pole and tolerance.
    change
        What is done to the axis now, (2,) [arcsec].
    """
    z = ndtri((np.arange(_VALUES) + 0.5) / _VALUES)
    to_sky, sd = _to_sky(bounds), _within_sd(ahead)
    centre = (ahead.paths + change - bounds.pole) * to_sky  # (M, D, 2)
    az, alt = (centre[:, None, :, k] + z[:, None] * sd[:, k] * to_sky[k] for k in (0, 1))  # (M, V, D) each
    off = np.hypot(az[:, :, None], alt[:, None]) > bounds.tolerance
    return np.asarray(off.reshape(-1, ahead.time_us.size))


def _within_sd(ahead: Forecast) -> Floats:
    if ahead.within_sd is not None:
        return ahead.within_sd
    return np.sqrt(np.clip(ahead.axis_sd**2 - ahead.paths.var(axis=0), 0.0, None))


def months_of(ahead: Forecast, bounds: Bounded, zone: ZoneInfo) -> tuple[ComingMonth, ...]:
    """Return the coming months on the site's calendar, from that in which the forecast begins."""
    off = beyond(ahead, bounds, np.zeros(2))
    names = np.array([as_utc(int(t)).astimezone(zone).strftime("%Y-%m") for t in ahead.time_us])
    found = list(dict.fromkeys(names.tolist()))[:_MONTHS]
    return tuple(_month(ahead, name, names == name, off) for name in found)


def _month(ahead: Forecast, name: str, own: Bools, off: Bools) -> ComingMonth:
    middle = int(np.mean(ahead.time_us[own] - ahead.time_us[0])) + int(ahead.time_us[0])

    def there(series: Floats) -> Floats:
        since = (ahead.time_us - ahead.time_us[0]).astype(float)
        return np.array([np.interp(middle - ahead.time_us[0], since, series[:, k]) for k in (0, 1)])

    return ComingMonth(
        name=name,
        time_us=middle,
        axis=there(ahead.axis),
        axis_low=there(ahead.axis_low),
        axis_high=there(ahead.axis_high),
        tilt=there(ahead.tilt),
        tilt_low=there(ahead.tilt_low),
        tilt_high=there(ahead.tilt_high),
        chance=float(off[:, own].any(axis=1).mean()),
    )


def turning_of(ahead: Forecast, bounds: Bounded) -> Turning | None:
    """Say when the axis is furthest in its yearly swing, and when back; None where none stands out."""
    to_sky = _to_sky(bounds)
    mean = without_line(ahead.paths.mean(axis=0), ahead.time_us) * to_sky
    along = swing_along(mean, ahead.time_us, bounds.latitude_rad)
    course = mean @ along
    swing, furthest = float(np.ptp(course)), int(np.argmax(course))
    sd = float(np.linalg.norm(ahead.axis_sd[furthest] * to_sky * along))
    if swing < max(_LEAST_SWING, _LEAST_SDS * sd):
        return None
    courses = sample_paths_along(ahead, _within_sd(ahead), to_sky * along)
    peak = None if furthest == 0 else _day(ahead.time_us, _peaks(courses, furthest))
    home = _first_back(course)
    back = (
        None if home is None else _day(ahead.time_us, _returns(courses, int(np.argmax(course[: home + 1]))))
    )
    return Turning(swing=swing, peak=peak, back=back)


def _peaks(paths: Floats, furthest: int) -> list[int | None]:
    """Return when each path is furthest, within a quarter of a year of when their mean is."""
    first, last = max(0, furthest - _QUARTER), furthest + _QUARTER + 1
    return [first + int(k) for k in np.argmax(paths[:, first:last], axis=1)]


def _returns(paths: Floats, top: int) -> list[int | None]:
    """Return when each path is back, counted from where their mean is furthest before that."""
    found = [_first_back(path[top:]) for path in paths]
    return [None if k is None else top + k for k in found]


def _first_back(path: Floats) -> int | None:
    """Return the first moment at which a swing has come back, from further out; None where none has."""
    out = path > path.min() + BACK_SHARE * np.ptp(path)
    came = np.flatnonzero(out[:-1] & ~out[1:])
    return int(came[0]) + 1 if came.size else None


def _day(time_us: Ints, each: list[int | None]) -> ComingDay | None:
    """Return the median of the paths' days and the middle 80 % of them; None where few have such a day.

    No day is given more closely than half the step between the moments of the forecast.
    """
    known = [k for k in each if k is not None]
    if 2 * len(known) < len(each):
        return None
    low, middle, high = (
        int(time_us[int(k)]) for k in np.quantile(known, [_FROM, 0.5, _TO], method="nearest")
    )
    half = int(time_us[1] - time_us[0]) // 2
    return ComingDay(
        time_us=middle,
        first_us=min(low, middle - half),
        last_us=max(high, middle + half),
        share=len(known) / len(each),
    )


def realigning_of(ahead: Forecast, bounds: Bounded) -> Realigning:
    """Say how likely the tolerance is passed within the year: left alone, and set now for the year."""
    alone = beyond(ahead, bounds, np.zeros(2))
    reset = beyond(ahead, bounds, _best(ahead, bounds))
    likely = np.flatnonzero(alone.mean(axis=0) > 0.5)
    passed = np.flatnonzero(np.maximum.accumulate(alone, axis=1).mean(axis=0) > SMALL_CHANCE)
    return Realigning(
        tolerance=bounds.tolerance,
        tolerance_of=bounds.tolerance_of,
        left_alone=float(alone.any(axis=1).mean()),
        set_now=float(reset.any(axis=1).mean()),
        likely_us=int(ahead.time_us[likely[0]]) if likely.size else None,
        over_now=bounds.is_over,
        by_us=int(ahead.time_us[max(passed[0] - 1, 0)]) if passed.size else None,
    )


def realign_by(history: History, bounds: Bounded) -> int | None:
    """Return by when the axis is to be set again, where that is worth it within the year [us]; else None."""
    made = history.forecast
    ahead = None if made is None else from_moment(made, bounds.now_us)
    found = None if ahead is None else realigning_of(ahead, bounds)
    return found.by_us if found is not None and found.worth else None


def _best(ahead: Forecast, bounds: Bounded) -> Floats:
    """Return the change of the axis now by which this very forecast goes best."""
    daily = AxisForecast(time_us=ahead.time_us, axis=ahead.axis, sd=ahead.axis_sd)
    counts = days_that_count(daily, bounds.site)
    aim = str(bounds.site.optics.aim)
    return best_change(daily, bounds.latitude_rad, counts, aim, bounds.pole)


def _causes(history: History) -> dict[CauseKind, float]:
    """Return by how much each gradual cause moved the tilt within the last year of readings [arcsec]."""
    last = history.time_us >= history.time_us[-1] - round(YEAR_DAYS * DAY_US)
    return {
        cause.kind: float(np.hypot(*np.ptp(cause.change[last, :2], axis=0)))
        for cause in history.causes
        if cause.kind in _GRADUAL
    }
