"""Past forecasts scored: hide the last winters, forecast them from what was known then, and compare.

Known then is whatever was read before a day, the weather included; the whole analysis is repeated with
that, as `drift` would have done it on that day.  No file is touched.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from drift.errors import NothingToAnalyse
from drift.forecast.coming import BAND, annual_forecast
from drift.forecast.season import season_of
from drift.ground.weather import noon_us, winter_name
from drift.mount.axis_error import axis_error
from drift.notebook import ShowsItself
from drift.quantities import DAY_US, Floats, Ints
from drift.site.file import PierFile
from drift.types import Analysis, Forecast, Readings, as_readings

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
