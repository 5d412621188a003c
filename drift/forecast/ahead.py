"""Where the axis and the pier will be over the next months, with bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from drift.ground.heave import FrostForcing
from drift.history import steady
from drift.history.causes import TIME_CONSTANTS_YEARS
from drift.history.model import Model, Scales, Solver, picked
from drift.history.scales import log_prior, to_vector
from drift.history.series import NOT_OBSERVED
from drift.history.view import residual_cov, view
from drift.notices import Notice
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints
from drift.types import Forecast, History, Settling

if TYPE_CHECKING:
    from drift.history.inputs import Inputs, Warmth
    from drift.history.separate import Fitted


# ---- What settlement has still to do.


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
    """Return what the settlement has still to do, None where there is none.

    Wander and settlement may pass for one another, and the likeliest sizes may leave
    all of it to one of them: so it is averaged over sizes of both, by how probable each pair
    makes the readings.

    Parameters
    ----------
    problem
        The model; some hundreds of readings are enough.
    scales
        As fitted.
    """
    first = problem.at(scales)
    at, line = first.columns.at.get("settlement"), first.columns.at.get(steady.PIER)
    if at is None:
        return None
    left, year = still_to_come(first.model.series.time_us)
    columns = np.arange(at.start, at.stop)
    if line is not None:  # what goes on steadily beside it
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


# ---- Where the axis and the pier will be over the next months, with bands.
#
# The model goes on: readings that see nothing are appended at the days asked for,
# and it is solved once for each way in which the frost may go on.


#: The band holds this share of what may come.
BAND = 0.8
#: Of a long record about so many readings are used, and the latest all: the far past tells little more.
FEW, LATEST = 300, 60
#: A quantile is found to this part of the span of the laws' own; an sd of 0 is taken as this [arcsec].
_HALVINGS, _LEAST_SD = 40, 1e-9
#: Days between the moments asked for, and how far ahead.
EVERY_DAYS, AHEAD_DAYS = 7.0, 366.0


def coming_times(from_us: int) -> Ints:
    """Return the moments that a forecast is made for, from a moment on, (D,)."""
    days = np.arange(0.0, AHEAD_DAYS + 0.5, EVERY_DAYS)
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
    ways
        Ways in which the frost driver may go on, each from the first reading to
        the last of the coming times; none where the tilt follows the calendar.
    warmth
        How warm the nights were, for the usual warmth of the coming ones.
    rests_on
        Where the ways come from.

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
        _ahead(replace(longer, frost=way), scales, time_us.size) for way in sample_paths or (model.frost,)
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
        What they were made of: its frost and warmth go on.
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
    if days <= 0:  # looking back: the weather of all that time is known
        return forecast(model, scales, centre, times, (), warmth, model.frost.rests_on)
    sample_paths = frost.sample_paths(model.frost, days)
    return forecast(model, scales, centre, times, sample_paths, warmth, sample_paths[0].rests_on)


def no_surer_than(ahead: Forecast, tilt_sd: Floats, axis_shared_sd: Floats) -> Forecast:
    """Return the forecast with axis and tilt no surer than they are known today.

    What was not told in is carried on.

    Parameters
    ----------
    ahead
        From `forecast`, which knows one explanation of each step and one set of scales.
    tilt_sd
        (2,) of the tilt north and east at the last reading, all explanations told in [arcsec].
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
