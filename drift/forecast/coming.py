"""Where the axis will be if nobody touches it, day by day, and sample paths about it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.codes import ForcingKind
from drift.forecast.season import Season, without_line
from drift.mount.axis_error import axis_error, axis_of_tilt
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints
from drift.types import AxisForecast, Forecast

if TYPE_CHECKING:
    from drift.types import History


# ---- How far the present heave differs from a usual year's: a mild winter has less to give back in
# spring.
#
# The annual shape is that of a mean year.  On a day on which the heave stands high,
# what has been seen since it was last out says how large it is this time.


#: Readings so near to the day on which the heave was last out show the axis at rest [days].
_NEAR_REST_DAYS = 45
#: Less of the swing than this does not say how large it is.
_STANDING_SHARE = 0.3
#: Winters differ by at least this share, however alike the few on record were (our own assumption).
_LEAST_SHARE = 0.15
#: Further from the mean than so many times that share no winter is believed to be.
_TOO_FAR_SDS = 3.0


def correction_of(
    history: History, season: Season, latitude_rad: float, seen_us: int, time_us: Ints
) -> Floats:
    """Return what the present heave's own size adds to a forecast that takes it for a mean one.

    Parameters
    ----------
    history
        The axis since the heave was last out; nothing is added where frost itself drives the
        forecast, where a correction or a step lies in between, or where pier and mount can't be told apart.
    season
        The annual shape.
    latitude_rad
        Geodetic latitude [rad].
    seen_us
        When the axis was last seen [us].
    time_us
        Coming times, (n,) [us].

    Returns
    -------
    numpy.ndarray
        (n, 2) for az_error and alt_error [arcsec]; grows from 0 until the heave is out, and stays.
    """
    none = np.zeros((len(time_us), 2))
    share = _share(history, season, latitude_rad, seen_us)
    until_us = season.next_rest(seen_us)
    if share == 0.0 or until_us is None:
        return none
    held = np.minimum(time_us, until_us)
    return np.asarray(share * (season.at(held) - season.at(np.array([seen_us]))))


def _share(history: History, season: Season, latitude_rad: float, seen_us: int) -> float:
    """Return by what share the present heave is larger than a mean one, drawn to 0 where not sure."""
    rest_us = season.last_rest(seen_us)
    pairs = (history.east_tilt_from_mount_azimuth, history.north_tilt_from_mount_altitude)
    if any(pair.answer == "no" for pair in pairs):
        # the swing is then known so badly that what it lacks of every winter passes for this one's own: on
        # 40 invented piers in each hemisphere the year aimed for by a mean winter went better
        # (benchmarks/aim_for_year.py; gain 0.27 and 0.31, with this winter's own 0.22 and 0.25)
        return 0.0
    if rest_us is None or history.follows is not ForcingKind.CALENDAR:
        return 0.0
    if _disturbed(history, rest_us - _NEAR_REST_DAYS * DAY_US):
        return 0.0
    moved = _moved_since(history, latitude_rad, rest_us)
    to_sky = np.array([np.cos(latitude_rad), 1.0])
    usual = (season.at(np.array([seen_us]))[0] - season.year[season.rest]) * to_sky
    size = float(np.hypot(*usual))
    swing = float(np.hypot(*((season.year - season.year[season.rest]) * to_sky).T).max())
    if moved is None or size < _STANDING_SHARE * swing:
        return 0.0
    change, sd = moved
    along = usual / size
    found = float(change * to_sky @ along) / size - 1.0
    found_sd = float(np.hypot(*(sd * to_sky * along))) / size
    spread = max(season.winter_share, _LEAST_SHARE)
    if abs(found) > _TOO_FAR_SDS * spread:
        return 0.0  # that is no winter's size any more: something else has moved it
    return found * spread**2 / (spread**2 + found_sd**2)


def _disturbed(history: History, since_us: int) -> bool:
    """Whether something other than the heave has moved the axis since then."""
    corrected = any(correction.time_us > since_us for correction in history.corrections)
    return corrected or any(event.is_movement and event.before_us > since_us for event in history.events)


def _moved_since(history: History, latitude_rad: float, rest_us: int) -> tuple[Floats, Floats] | None:
    """Return how far (az_error, alt_error) moved since the heave was out, and the sds; None if not seen."""
    known = np.flatnonzero(np.all(np.isfinite(history.change), axis=1))
    near = known[np.abs(history.time_us[known] - rest_us) <= _NEAR_REST_DAYS * DAY_US]
    if not near.size or near[-1] == known[-1]:
        return None
    axis = axis_error(history.change, latitude_rad)
    # the components of a row share what is not known, so the axis is known better than they are
    own_sd = history.axis_now_sd if history.axis_now_own_sd is None else history.axis_now_own_sd
    return axis[known[-1]] - axis[near].mean(axis=0), np.sqrt(2.0) * np.asarray(own_sd)


# ---- Courses that the axis may take about each way of the frost, drawn so that their turning days can
# be told.
#
# A forecast's ways have their own expected course, and about each the axis goes astray:
# it wanders, and how it answers to the frost isn't known to the last.  A broad
# summit is shifted by that far more than by the frost itself, whose ways are
# drawn from the same few winters.


#: So many courses in all, the same number about each way of the frost, and what the draws begin from.
_COURSES, _FIRST = 1000, 20240901


def sample_paths_along(ahead: Forecast, within_sd: Floats, to_line: Floats) -> Floats:
    """Draw equally likely courses of the swing along a line on the sky, (C, D) [arcsec].

    Parameters
    ----------
    ahead
        The history's forecast.
    within_sd
        Of the axis errors about each of its ways, (D, 2) [arcsec].
    to_line
        What each axis error counts along the line, (2,).

    Notes
    -----
    What the sd is at first is how well the axis is known now, and shifts a whole course.  By what the
    variance grows from one moment to the next, the course goes astray anew: a random walk, which the
    wander of a pier is.  Part of the growth is the size of the swing, which shifts no day, so the days come
    out rather too uncertain than too sure.
    """
    sample_paths = np.array([without_line(path, ahead.time_us) @ to_line for path in ahead.paths])  # (M, D)
    variance = np.maximum.accumulate(((within_sd * to_line) ** 2).sum(axis=1))
    steps = np.sqrt(np.diff(variance, prepend=variance[0]))
    each = -(-_COURSES // len(sample_paths))
    drawn = np.random.default_rng(_FIRST).standard_normal((len(sample_paths), each, steps.size))
    astray = np.cumsum(steps * drawn, axis=2).reshape(-1, steps.size)
    # a line through both ends is taken out of these as it is of the ways
    astray -= np.linspace(0.0, 1.0, steps.size) * astray[:, -1:]
    return np.repeat(sample_paths, each, axis=0) + astray


# ---- What is left of a forecast that was made from the last reading, when today is later than that.


#: What a forecast has for each of its moments.
_BY_MOMENT = ("axis", "axis_sd", "axis_low", "axis_high", "tilt", "tilt_sd", "tilt_low", "tilt_high", "paths")


def from_moment(ahead: Forecast, from_us: int) -> Forecast | None:
    """Return a forecast from a moment on; None when it ends before that.

    Parameters
    ----------
    ahead
        The forecast.
    from_us
        The moment [UTC us]; what holds then is drawn straight between the moments on both sides.
    """
    times = ahead.time_us
    if from_us <= times[0]:
        return ahead
    if from_us >= times[-1]:
        return None
    k = int(np.searchsorted(times, from_us, side="right"))
    share = float(from_us - times[k - 1]) / float(times[k] - times[k - 1])

    def rest(values: Floats) -> Floats:
        then = values[..., k - 1 : k, :] * (1.0 - share) + values[..., k : k + 1, :] * share
        return np.concatenate([then, values[..., k:, :]], axis=-2)

    left: dict[str, Any] = {name: rest(getattr(ahead, name)) for name in _BY_MOMENT}
    within = None if ahead.within_sd is None else rest(ahead.within_sd)
    return replace(ahead, time_us=np.append(np.int64(from_us), times[k:]), within_sd=within, **left)


# ---- Where the axis will be if nobody touches it: a table of days, which anything that looks ahead can
# make.
#
# The history's own forecast, which knows of frost and settlement, goes first; where there
# is none it is made of the annual shape found and the lasting rate.


#: Days looked ahead: the coming year.
AHEAD_DAYS = 365


def coming(history: History, season: Season, latitude_rad: float, seen_us: int, from_us: int) -> AxisForecast:
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
    return AxisForecast(time_us=time_us, axis=daily(made.axis) + own, sd=daily(made.axis_sd))


def annual_forecast(
    history: History, season: Season, latitude_rad: float, seen_us: int, from_us: int
) -> AxisForecast:
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
    return AxisForecast(time_us=time_us, axis=axis, sd=np.sqrt(variance))


def _walk(history: History, latitude_rad: float) -> Floats:
    """Return how (az_error, alt_error) wander at random, (2,) [arcsec per square root of a day]."""
    scales = history.scales
    if scales is None:
        return np.zeros(2)
    tilt = scales.tilt_walk_arcsec_per_sqrt_day * np.abs(axis_of_tilt(np.ones(2), latitude_rad))
    mount = [scales.az_creep_arcsec_per_sqrt_day, scales.alt_creep_arcsec_per_sqrt_day]
    return np.asarray(np.hypot(tilt, mount))


def axis_rate(history: History, latitude_rad: float) -> tuple[Floats, Floats]:
    """Return how fast the lasting tilt moves (az_error, alt_error), and the sds [arcsec a year]."""
    lasting = history.lasting
    pairs = (history.east_tilt_from_mount_azimuth, history.north_tilt_from_mount_altitude)
    told = np.array([pair.answer != "no" for pair in pairs], dtype=float)
    if lasting is None or not np.isfinite(lasting.arcsec_per_year):
        return np.zeros(2), np.zeros(2)
    sd = told * np.abs(axis_of_tilt(np.ones(2), latitude_rad)) * lasting.arcsec_per_year_sd
    if lasting.toward_bearing_deg is None:
        return np.zeros(2), sd
    bearing = np.radians(lasting.toward_bearing_deg)
    tilt = lasting.arcsec_per_year * np.array([np.cos(bearing), np.sin(bearing)])
    return told * axis_of_tilt(tilt, latitude_rad), sd
