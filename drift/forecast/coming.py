"""Where axis and pier will be over the next months: day by day, with bands and sample paths."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtr, ndtri

from drift.codes import ForcingKind
from drift.forecast.season import Season, without_line
from drift.ground.heave import FrostForcing
from drift.history.causes import STEADY_PIER, TIME_CONSTANTS_YEARS
from drift.history.components import residual_cov, view
from drift.history.model import Model, Scales, Solver, picked
from drift.history.scales import log_prior, to_vector
from drift.history.series import NOT_OBSERVED
from drift.mount.axis_error import axis_error, axis_of_tilt
from drift.notices import Notice
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints
from drift.types import AxisForecast, Forecast, History, Settling

if TYPE_CHECKING:
    from drift.history.inputs import Inputs, Warmth
    from drift.history.separate import Fitted


# ---- How far this winter's heave differs from a usual one.
#
# The annual shape is that of a mean year.  While the heave is high, what has been seen since it was last
# out shows how large it is this time.


#: Readings this near to the day on which the heave was last out show the axis at rest [days].
_NEAR_REST_DAYS = 45
#: Less of the swing than this does not show how large it is.
_PRESENT_SHARE = 0.3
#: Winters differ by at least this share, however alike the few on record were (our own assumption).
_LEAST_SHARE = 0.15
#: No winter is believed to be further from the mean than so many times that share.
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
    if moved is None or size < _PRESENT_SHARE * swing:
        return 0.0
    change, sd = moved
    along = usual / size
    found = float(change * to_sky @ along) / size - 1.0
    found_sd = float(np.hypot(*(sd * to_sky * along))) / size
    spread = max(season.winter_share, _LEAST_SHARE)
    if abs(found) > _TOO_FAR_SDS * spread:
        return 0.0  # no winter is that large: something else has moved it
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


# ---- Sample paths of the axis, from which its turning days are found.
#
# A forecast has an expected path for each sample path of the frost, and the axis strays about it: it
# wanders, and its response to the frost is not known exactly.  That shifts a broad peak far more than the
# frost itself does, whose sample paths are drawn from the same few winters.


#: Number of paths in all, the same about each sample path of the frost, and the seed of the draws.
_PATHS, _FIRST = 1000, 20240901


def sample_paths_along(ahead: Forecast, within_sd: Floats, to_line: Floats) -> Floats:
    """Draw equally likely paths of the swing along a line on the sky, (C, D) [arcsec].

    Parameters
    ----------
    ahead
        The history's forecast.
    within_sd
        Of the axis errors about each of its sample paths, (D, 2) [arcsec].
    to_line
        The weight of each axis error along the line, (2,).

    Notes
    -----
    The sd at the beginning is how well the axis is known now; it shifts a whole path.  What the variance
    grows by from one moment to the next is added as a random walk, as the wander of a pier is.  Part of
    that growth is the size of the swing, which shifts no day, so the days come out too uncertain rather
    than too sure.
    """
    sample_paths = np.array([without_line(path, ahead.time_us) @ to_line for path in ahead.paths])  # (M, D)
    variance = np.maximum.accumulate(((within_sd * to_line) ** 2).sum(axis=1))
    steps = np.sqrt(np.diff(variance, prepend=variance[0]))
    each = -(-_PATHS // len(sample_paths))
    drawn = np.random.default_rng(_FIRST).standard_normal((len(sample_paths), each, steps.size))
    astray = np.cumsum(steps * drawn, axis=2).reshape(-1, steps.size)
    # a line through both ends is taken out of these as of the sample paths
    astray -= np.linspace(0.0, 1.0, steps.size) * astray[:, -1:]
    return np.repeat(sample_paths, each, axis=0) + astray


# ---- What is left of a forecast when its last reading is some time ago.


#: The fields of a forecast that have a value for each moment.
_BY_MOMENT = ("axis", "axis_sd", "axis_low", "axis_high", "tilt", "tilt_sd", "tilt_low", "tilt_high", "paths")


def from_moment(ahead: Forecast, from_us: int) -> Forecast | None:
    """Return a forecast from a moment on; None when it ends before that.

    Parameters
    ----------
    ahead
        The forecast.
    from_us
        The moment [UTC us]; values there are interpolated between the moments on both sides.
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


# ---- The axis day by day if nobody touches it.
#
# The history's own forecast, which knows of frost and settlement, goes first; where there
# is none it is made of the annual shape found and the lasting rate.


#: Days looked ahead: the coming year.
AHEAD_DAYS = 365


def coming(history: History, season: Season, latitude_rad: float, seen_us: int, from_us: int) -> AxisForecast:
    """Return where the axis goes from `from_us` on, day by day.

    Until a season is sure the history's own forecast is not used: from a part of a year it would follow the
    priors, not the readings.  Where those rest on the winters of neighbours it is.
    """
    sure = season.known or bool(history.borrowed_from)
    if history.forecast is None or not sure or from_us >= int(history.forecast.time_us[-1]):
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
    # the difference of two days has the sd of the less certain one, except on the day itself
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
    known = np.array([pair.answer != "no" for pair in pairs], dtype=float)
    if lasting is None or not np.isfinite(lasting.arcsec_per_year):
        return np.zeros(2), np.zeros(2)
    sd = known * np.abs(axis_of_tilt(np.ones(2), latitude_rad)) * lasting.arcsec_per_year_sd
    if lasting.toward_bearing_deg is None:
        return np.zeros(2), sd
    bearing = np.radians(lasting.toward_bearing_deg)
    tilt = lasting.arcsec_per_year * np.array([np.cos(bearing), np.sin(bearing)])
    return known * axis_of_tilt(tilt, latitude_rad), sd


# ---- How much settlement is still to come.


#: Sizes of the slowest settlement [arcsec], and of the tilt's wander as factors of what was found, that
#: what is still to come is averaged over.
_SETTLEMENT_ARCSEC = tuple(np.geomspace(0.5, 200.0, 8).tolist())
_WALK_FACTORS = (0.05, 0.2, 0.5, 1.0)
_AVERAGED = ("slow", "tilt_walk")


def still_to_come(time_us: Ints) -> tuple[Floats, Floats]:
    """Return what each column of the settlement does after the last reading, north and east.

    Returns
    -------
    left, year
        Of the curves in all, without the line, which has no end; and of all in the coming year, (2, 2 WIDTH).
    """
    years = float((time_us[-1] - time_us[0]) / DAY_US / YEAR_DAYS)
    rest = np.array([np.exp(-years / tau) for tau in TIME_CONSTANTS_YEARS])
    gone = np.array([1.0 - np.exp(-1.0 / tau) for tau in TIME_CONSTANTS_YEARS])
    left, year = np.array([0.0, *rest]), np.array([1.0, *(rest * gone)])
    return np.kron(np.eye(2), left), np.kron(np.eye(2), year)


def settling_of(problem: Solver, scales: Scales) -> Settling | None:
    """Return how much settlement is still to come, None where there is none.

    Wander and settlement can pass for one another, and the likeliest sizes may put everything into one of
    them.  So the result is averaged over sizes of both, by how probable each pair makes the readings.

    Parameters
    ----------
    problem
        The model; some hundreds of readings are enough.
    scales
        As fitted.
    """
    first = problem.at(scales)
    at, line = first.columns.at.get("settlement"), first.columns.at.get(STEADY_PIER)
    if at is None:
        return None
    left, year = still_to_come(first.model.series.time_us)
    columns = np.arange(at.start, at.stop)
    if line is not None:  # the steady rate beside it
        columns = np.append(columns, np.arange(line.start, line.stop))
        left, year = np.hstack([left, np.zeros((2, 2))]), np.hstack([year, np.eye(2)])
    weighed, means, squares = [], [], []
    for tried in _scales_about(scales):
        fit = problem.at(tried)
        weighed.append(fit.log_marginal + log_prior(to_vector(tried, _AVERAGED), _AVERAGED))
        mean, cov = fit.amplitude[columns], fit.amplitude_cov[np.ix_(columns, columns)]
        means.append(np.array([left @ mean, year @ mean]))
        squares.append(means[-1] ** 2 + [np.diagonal(w @ cov @ w.T) for w in (left, year)])
    share = np.exp(np.array(weighed) - max(weighed))
    share /= share.sum()
    middle = np.tensordot(share, means, axes=1)
    sd = np.sqrt(np.clip(np.tensordot(share, squares, axes=1) - middle**2, 0.0, None))
    return Settling(left=middle[0], left_sd=sd[0], year=middle[1], year_sd=sd[1])


def _scales_about(scales: Scales) -> list[Scales]:
    """Return the scales with other sizes of settlement and wander, evenly spaced in their logarithms."""
    walks = scales.tilt_walk * np.array(_WALK_FACTORS)
    return [
        replace(scales, slow=float(slow), tilt_walk=float(walk))
        for slow in _SETTLEMENT_ARCSEC
        for walk in walks
    ]


# ---- The model carried on over the coming months, with bands.
#
# The model goes on: readings that see nothing are appended at the days asked for,
# and it is solved once for each sample path of the frost.


#: The share of possible outcomes that the band holds.
BAND = 0.8
#: Of a long record about so many readings are used, the latest all: the distant past adds little.
FEW, LATEST = 300, 60
#: A quantile is found to this part of the span of the laws' own; an sd of 0 is taken as this [arcsec].
_HALVINGS, _LEAST_SD = 40, 1e-9
#: Days between the moments asked for, and how far ahead.
EVERY_DAYS, GRID_AHEAD_DAYS = 7.0, 366.0


def coming_times(from_us: int) -> Ints:
    """Return the moments that a forecast is made for, from a moment on, (D,)."""
    days = np.arange(0.0, GRID_AHEAD_DAYS + 0.5, EVERY_DAYS)
    return np.asarray(from_us + np.round(days * DAY_US), dtype=np.int64)


def forecast(
    model: Model,
    scales: Scales,
    centre: Floats,
    time_us: Ints,
    sample_paths: Sequence[FrostForcing] = (),
    warmth: Warmth | None = None,
    rests_on: Notice | None = None,
) -> Forecast | None:
    """Forecast axis and tilt.

    Parameters
    ----------
    model, scales
        As fitted.
    centre
        (n, 3) what was taken out of the readings.
    time_us
        (D,) coming times, sorted, after the last reading.
    sample_paths
        Sample paths of the frost, each from the first reading to the last of the coming times; none where
        the tilt follows the calendar.
    warmth
        How warm the nights were, for the usual warmth of the coming ones.
    rests_on
        Where the sample paths come from.

    Returns
    -------
    Forecast or None
        None when there is no night with an axis.
    """
    nights = np.flatnonzero(model.series.night >= 0)
    if not nights.size:
        return None
    keep = _enough(model.series.size, int(nights[-1]))
    model, centre = picked(model, keep), centre[keep]
    settling = settling_of(Solver(model), scales)
    last = int(np.flatnonzero(model.series.night >= 0)[-1])
    longer = _with_coming(model, last, time_us, warmth)
    solved = [
        _ahead(replace(longer, frost=path), scales, time_us.size) for path in sample_paths or (model.frost,)
    ]
    mean, sd = np.array([m for m, _ in solved]), np.array([s for _, s in solved])  # (M, D, 4)
    mean[:, :, :2] += centre[last, :2]
    low, high = (mixture_quantile(mean, sd, 0.5 + side * BAND / 2.0) for side in (-1.0, 1.0))
    middle = mean.mean(axis=0)
    whole = np.sqrt(np.mean(sd**2, axis=0) + mean.var(axis=0))
    axis, tilt = slice(0, 2), slice(2, 4)
    return Forecast(
        time_us=time_us,
        axis=middle[:, axis],
        axis_sd=whole[:, axis],
        axis_low=low[:, axis],
        axis_high=high[:, axis],
        tilt=middle[:, tilt],
        tilt_sd=whole[:, tilt],
        tilt_low=low[:, tilt],
        tilt_high=high[:, tilt],
        paths=mean[:, :, axis],
        rests_on=rests_on,
        within_sd=np.sqrt(np.mean(sd[:, :, axis] ** 2, axis=0)),
        settling=settling,
    )


def with_forecast(history: History, fitted: Fitted | None, inputs: Inputs) -> History:
    """Return a history with its forecast, which stays None where no night has an axis or there is only one.

    Parameters
    ----------
    history, fitted
        From `drift.history.separate.separate_fitted`.
    inputs
        What they were made from: its frost and warmth go on.
    """
    if fitted is None:
        return history
    ahead = _carried_on(fitted, inputs)
    if ahead is None:
        return replace(history, forecast=None)
    series = fitted.found.fit.model.series
    nights = np.flatnonzero(series.night >= 0)
    return replace(history, forecast=no_surer_than(ahead, history.sd[-1, :2], series.common_sd[nights[-1]]))


def _carried_on(fitted: Fitted, inputs: Inputs) -> Forecast | None:
    searched, centre = fitted.found, fitted.centre
    model, scales, frost, warmth = searched.fit.model, searched.fit.scales, inputs.frost, inputs.warmth
    times = coming_times(int(model.series.time_us[-1]) + 1)
    if frost is None or model.frost is None:
        return forecast(model, scales, centre, times, (), warmth)
    days = int(np.ceil((times[-1] - frost.known_until_us) / DAY_US)) + 1
    if days <= 0:  # a hindcast: the weather of that time is known
        return forecast(model, scales, centre, times, (), warmth, model.frost.rests_on)
    sample_paths = frost.sample_paths(model.frost, days)
    return forecast(model, scales, centre, times, sample_paths, warmth, sample_paths[0].rests_on)


def no_surer_than(ahead: Forecast, tilt_sd: Floats, axis_shared_sd: Floats) -> Forecast:
    """Return the forecast with axis and tilt no surer than they are known today.

    Uncertainty that the forecast does not include is added.

    Parameters
    ----------
    ahead
        From `forecast`, which knows one explanation of each step and one set of scales.
    tilt_sd
        (2,) of the tilt north and east at the last reading, all explanations included [arcsec].
    axis_shared_sd
        (2,) of az_error and alt_error, what all nights share: the instrument's constants [arcsec].
    """
    more = np.clip(np.square(tilt_sd) - ahead.tilt_sd[0] ** 2, 0.0, None)
    tilt_more, axis_more = (np.where(np.isfinite(m), m, 0.0) for m in (more, np.square(axis_shared_sd)))
    tilt_low, tilt_high = _widened(ahead.tilt, ahead.tilt_low, ahead.tilt_high, tilt_more)
    axis_low, axis_high = _widened(ahead.axis, ahead.axis_low, ahead.axis_high, axis_more)
    within = ahead.within_sd
    return replace(
        ahead,
        axis_sd=np.sqrt(ahead.axis_sd**2 + axis_more),
        axis_low=axis_low,
        axis_high=axis_high,
        tilt_sd=np.sqrt(ahead.tilt_sd**2 + tilt_more),
        tilt_low=tilt_low,
        tilt_high=tilt_high,
        within_sd=None if within is None else np.sqrt(within**2 + axis_more),
    )


def _widened(middle: Floats, low: Floats, high: Floats, more: Floats) -> tuple[Floats, Floats]:
    """Return the bounds of a band with some variance (2,) added."""
    edge = ndtri(0.5 + BAND / 2.0) * np.sqrt(more)
    return middle - np.hypot(middle - low, edge), middle + np.hypot(high - middle, edge)


def _enough(size: int, last_night: int) -> Ints:
    """Return the readings that a forecast rests on: the latest, and of a long record some of the others."""
    every = max(1, size // FEW)
    old = np.arange(0, size, every)
    return np.union1d(old, np.append(np.arange(max(0, size - LATEST), size), last_night))


def mixture_quantile(mean: Floats, sd: Floats, share: float) -> Floats:
    """Return below what a share of equally likely normal laws lies, (...), by bisection.

    Parameters
    ----------
    mean, sd
        (M, ...) of the laws.
    share
        Between 0 and 1.
    """
    z = ndtri(share)
    low, high = (mean + z * sd).min(axis=0), (mean + z * sd).max(axis=0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        below = ndtr((middle - mean) / np.maximum(sd, _LEAST_SD)).mean(axis=0) < share
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high))


def _with_coming(model: Model, last: int, time_us: Ints, warmth: Warmth | None) -> Model:
    """Append readings that see nothing, each like the last night."""
    count = time_us.size
    pick = np.append(np.arange(model.series.size), np.full(count, last))
    series = model.series.picked(pick)
    new = slice(model.series.size, None)
    times, variance = series.time_us.copy(), series.variance.copy()
    times[new], variance[new] = time_us, np.eye(3) * NOT_OBSERVED
    label = series.zero_label.copy()
    label[new] = ""
    causes = tuple(replace(c, state=c.state[pick], direct=c.direct[pick]) for c in model.causes)
    seen = np.zeros(count, dtype=bool)
    return replace(
        model,
        series=replace(series, time_us=times, variance=variance, zero_label=label),
        causes=causes,
        ignored=np.append(model.ignored, seen),
        ignored_zero=np.append(model.ignored_zero, seen),
        temp_c=_temp_ahead(model, time_us, warmth),
    )


def _temp_ahead(model: Model, time_us: Ints, warmth: Warmth | None) -> Floats | None:
    """Return how warm it was, and at the coming times will be as is usual, (n + D,)."""
    if model.temp_c is None:
        return None
    usual = np.full(time_us.size, model.temp_c[-1]) if warmth is None else warmth.of_season(time_us)
    return np.append(model.temp_c, usual)


def _ahead(model: Model, scales: Scales, count: int) -> tuple[Floats, Floats]:
    """Return axis errors, then tilt, at the last `count` readings: means and sds, (D, 4) each."""
    seen = view(Solver(model).at(scales))
    tilt, tilt_sd = (one[-count:, :2] for one in seen.components())
    axis = seen.fit.fitted()[-count:, :2]
    variance = np.diagonal(residual_cov(seen.fit, seen.spread), axis1=1, axis2=2)[-count:, :2]
    axis_sd = np.sqrt(np.clip(variance, 0.0, None))
    return np.concatenate([axis, tilt], axis=1), np.concatenate([axis_sd, tilt_sd], axis=1)
