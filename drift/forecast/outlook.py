"""The coming twelve months in numbers, and how past forecasts came out when they were put to the test."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol
from zoneinfo import ZoneInfo

import numpy as np
from scipy.special import ndtri

from drift.codes import AxisBound, CauseKind
from drift.errors import NothingToAnalyse
from drift.forecast.coming import BAND, annual_forecast, from_moment, sample_paths_along
from drift.forecast.season import Season, best_change, days_that_count, season_of, swing_along, without_line
from drift.ground.weather import noon_us, winter_name
from drift.mount.axis_error import axis_error
from drift.notebook import ShowsItself
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats, Ints, as_utc
from drift.site.file import PierFile
from drift.types import (
    SMALL_CHANCE,
    Analysis,
    AxisForecast,
    ComingDay,
    ComingMonth,
    Forecast,
    Outlook,
    Readings,
    Realigning,
    Turning,
    as_readings,
)

if TYPE_CHECKING:
    from drift.types import History


# ---- The coming twelve months in numbers: months, when the axis peaks and is back, chances, re-
# aligning.


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


# ---- Past forecasts scored: hide the last winters, forecast them from what was known then, and compare.
#
# Known then is whatever was read before a day, the weather included; the whole analysis is repeated with
# that, as `drift` would have done it on that day.  No file is touched.


#: A winter is hidden from this day on: the last one's frost has gone, the next one's has not come.
_CUT_NORTH, _CUT_SOUTH = "09-01", "03-01"
#: It is scored where at least so many nights saw the axis after that day, and before it.
_FEWEST_NIGHTS, _FEWEST_BEFORE = 5, 20
#: Nights so many times as uncertain as the median one can't judge a forecast.
_UNCERTAIN = 3.0


@dataclass(frozen=True, kw_only=True, repr=False)
class Hindcast(ShowsItself):
    """One past forecast against what happened; angles on the sky [arcsec].

    `nights` is how many were compared.  `rms` is the root mean square of how far the axis of a night was
    from its forecast, `rms_annual` the same of the plain annual shape with the lasting rate.
    `inside` is the share of coordinates inside the 80 % band, widened by what the night itself is
    uncertain by.
    """

    winter: str
    cut_us: int
    nights: int
    rms: float
    rms_annual: float
    inside: float
    forcing: str


def hindcasts(
    site: PierFile,
    readings: Readings,
    analysis: Analysis,
    work_out: Callable[[PierFile, Readings], Analysis],
    most: int = 2,
    progress: Callable[[str], None] | None = None,
) -> tuple[Hindcast, ...]:
    """Score the forecasts of the last winters.

    Parameters
    ----------
    site, readings
        The pier, and all its readings.
    analysis
        Of all readings: its nights are what the forecasts are held against, without what its
        corrections and sudden changes did after the day of the forecast.
    work_out
        The function that works out an analysis: `drift.analysis.work_out`, which this room can't import.
    most
        How many winters; each takes as long as an analysis.
    progress
        Told the name of each winter before it is hidden.

    Returns
    -------
    tuple of Hindcast
        The latest last; none where there are too few nights on either side of a winter's beginning.
    """
    made = []
    for cut_us, name in cuts(analysis, site.site.latitude_deg < 0.0, site.site.longitude_deg)[-most:]:
        if progress:
            progress(name)
        try:
            then = work_out(site, known_by(readings, cut_us))
        except NothingToAnalyse:
            continue
        scored = _scored(then, analysis, cut_us, name)
        made += [] if scored is None else [scored]
    return tuple(made)


def known_by(readings: Readings, time_us: int) -> Readings:
    """Return what had been read before a time, the weather of whole days before it too."""
    tables = {}
    for kind, table in readings.tables.items():
        known = table["day"] < time_us // DAY_US if kind == "weather" else table["time_us"] < time_us
        tables[kind] = table[known]
    return as_readings(tables)


def cuts(analysis: Analysis, south: bool, longitude_deg: float) -> list[tuple[int, str]]:
    """Return the days [us] from which a winter can be hidden, with the winter's name."""
    times = _axis_nights(analysis)
    if not times.size:
        return []
    first, last = (int(str(np.datetime64(int(t), "us").astype("datetime64[Y]"))) for t in times[[0, -1]])
    found = []
    for year in range(first, last + 1):
        date = np.datetime64(f"{year}-{_CUT_SOUTH if south else _CUT_NORTH}", "D").astype(np.int64)
        cut = int(noon_us(np.array([date]), longitude_deg)[0])
        coming = times[(times >= cut) & (times < cut + 365 * DAY_US)]
        if (times < cut).sum() >= _FEWEST_BEFORE and coming.size >= _FEWEST_NIGHTS:
            found.append((cut, winter_name(year if south else year + 1, south)))
    return found


def _axis_nights(analysis: Analysis) -> Ints:
    return np.array([night.time_us for night in analysis.nights.nights if night.has_axis], dtype=np.int64)


def _scored(then: Analysis, analysis: Analysis, cut_us: int, name: str) -> Hindcast | None:
    ahead = then.history.forecast
    if ahead is None:
        return None
    latitude, seen_us = float(np.radians(then.site.site.latitude_deg)), int(_axis_nights(then)[-1])
    season = season_of(then.history, latitude)
    annual = annual_forecast(then.history, season, latitude, seen_us, cut_us)
    times, axis, sd = _happened(analysis, cut_us, min(int(ahead.time_us[-1]), int(annual.time_us[-1])))
    if times.size < _FEWEST_NIGHTS:
        return None
    to_sky = np.array([np.cos(latitude), 1.0])
    return Hindcast(
        winter=name,
        cut_us=cut_us,
        nights=int(times.size),
        rms=_rms((axis - _at(times, ahead.time_us, ahead.axis)) * to_sky),
        rms_annual=_rms((axis - _at(times, annual.time_us, annual.axis)) * to_sky),
        inside=float(inside_band(ahead, times, axis, sd).mean()),
        forcing=then.history.follows,
    )


def inside_band(ahead: Forecast, time_us: Ints, axis: Floats, sd: Floats) -> Floats:
    """Return which coordinates of nights lie inside the band, widened by the night's own sd, (n, 2)."""
    own = (ndtri(0.5 + BAND / 2.0) * sd) ** 2
    middle = _at(time_us, ahead.time_us, ahead.axis)
    below = np.sqrt((middle - _at(time_us, ahead.time_us, ahead.axis_low)) ** 2 + own)
    above = np.sqrt((_at(time_us, ahead.time_us, ahead.axis_high) - middle) ** 2 + own)
    return np.asarray((axis >= middle - below) & (axis <= middle + above))


def _happened(analysis: Analysis, cut_us: int, until_us: int) -> tuple[Ints, Floats, Floats]:
    """Return the nights after a day: times, axis errors without what came suddenly since, and sds."""
    nights = [n for n in analysis.nights.nights if n.has_axis and cut_us <= n.time_us <= until_us]
    times = np.array([n.time_us for n in nights], dtype=np.int64)
    axis = np.array([n.estimate[:2] for n in nights], dtype=float).reshape(-1, 2)
    variance = np.array([np.diagonal(n.covariance)[:2] for n in nights], dtype=float).reshape(-1, 2)
    sd = np.sqrt(variance)
    axis = axis - _sudden(analysis, times, cut_us)
    sure = np.all(sd <= _UNCERTAIN * np.median(sd, axis=0), axis=1) if times.size else np.zeros(0, dtype=bool)
    return times[sure], axis[sure], sd[sure]


def _sudden(analysis: Analysis, times: Ints, cut_us: int) -> Floats:
    """Return what corrections and sudden changes have done to the axis since a day, (n, 2) [arcsec]."""
    history, latitude = analysis.history, float(np.radians(analysis.site.site.latitude_deg))
    done = np.zeros((len(history.time_us), 6))
    for cause in history.causes:
        if cause.kind.is_sudden:  # corrections and sudden changes: no forecast can know of them
            done += np.nan_to_num(cause.change)
    axis = axis_error(done, latitude)
    before = axis[max(int(np.searchsorted(history.time_us, cut_us)) - 1, 0)]
    rows = np.searchsorted(history.time_us, times, side="right") - 1
    return np.asarray(axis[np.clip(rows, 0, None)] - before)


def _at(time_us: Ints, known_us: Ints, values: Floats) -> Floats:
    since = (known_us - known_us[0]).astype(float)
    return np.stack([np.interp(time_us - known_us[0], since, values[:, k]) for k in (0, 1)], axis=1)


def _rms(off: Floats) -> float:
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
