"""A fit taken apart: the components over time, what comes back and what stays, and each cause by itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.codes import CauseKind, Part
from drift.ground.heave import LATER_DAYS, FrostForcing
from drift.history.causes import FROST_WIDTH, along_and_across, harmonics
from drift.history.changes import STEP_SD
from drift.history.model import WALKS, ZERO, Fit, step_precision
from drift.mount.axis_error import axis_of_tilt
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats, Ints
from drift.types import AxisMove, CauseSeries, Lasting, Measure, Seasonal, TiltMove, Winter, YearlyTilt

# ---- How much a step would help at every reading, from one pass over a fit.
#
# Auxiliary residuals: the smoothed steps of the walk carry the score and the
# information of a step at every place (Harvey and Koopman 1992; de Jong and
# Penzer 1998, both from memory); the smoothed residuals do the same for a single
# wild reading.


#: Prior sd of a single wild reading [arcsec]: a bad clock, a bumped tripod of a level, wind.
WILD_SD = 300.0
#: The prior of pier directions: this share of pier steps goes exactly north or south (the shaded north side
#: freezes deeper, the sunny side thaws first: common practice), the rest in any direction.  With half of
#: them so, no altitude knob is named by the direction of a step alone, however the piers really tip.
NORTH_SOUTH_SHARE = 0.5
#: Across a north-south step: this share of its size.
NORTH_SOUTH_ACROSS = 0.02


@dataclass(frozen=True)
class Spread:
    """Variances of a fit: of the walk with and without the amplitudes' share."""

    walk: Floats  # (n, 5, 5) posterior covariance of the walk
    alone: Floats  # (n, 5, 5) the same with the amplitudes held
    follows: Floats  # (n, 5, p) how it follows the amplitudes
    step: Floats  # (n - 1, 5, 5) posterior covariance of its steps


def spread(fit: Fit) -> Spread:
    """Work out the variances of a fit."""
    n, p = fit.model.series.size, fit.amplitude.size
    blocks, between = fit.chain.covariance_blocks()
    follows = np.concatenate([np.zeros((1, 5, p)), fit.follows.reshape(n - 1, 5, p)])
    own = np.concatenate([np.zeros((1, 5, 5)), blocks])
    step = own[1:] + own[:-1]
    step[1:] -= between + np.swapaxes(between, 1, 2)
    step += through(np.diff(follows, axis=0), fit.amplitude_cov)
    return Spread(own + through(follows, fit.amplitude_cov), own, follows, step)


def through(pattern: Floats, cov: Floats) -> Floats:
    """Return ``pattern @ cov @ pattern^T`` for each of n patterns, (n, k, k)."""
    n, k, p = pattern.shape
    return np.asarray((pattern.reshape(-1, p) @ cov).reshape(n, k, p) @ np.swapaxes(pattern, 1, 2))


@dataclass(frozen=True)
class Gains:
    """Log marginal likelihood gained, against nothing there."""

    step: dict[Part, Floats]  # part -> (n,); a step before reading k, -inf at the reference
    wild: Floats  # (n,) reading k alone is wild
    wild_zero: Floats  # (n,) its hour-angle zero alone is wild


def gains(fit: Fit, known: Spread) -> Gains:
    """Score steps of every part before every reading, and every reading's being wild."""
    inverse = step_precision(fit.rate, fit.days)
    moved = np.diff(fit.walk, axis=0)
    score = np.einsum("nij,nj->ni", inverse, moved)
    info = inverse - inverse @ known.step @ inverse
    info = 0.5 * (info + np.swapaxes(info, 1, 2))
    front = np.array([-np.inf])
    step = {
        Part.PIER: np.append(front, _pier_gain(score[:, :2], info[:, :2, :2])),
    }
    for part, own in (
        (Part.MOUNT_AZ, slice(2, 3)),
        (Part.MOUNT_ALT, slice(3, 4)),
        (Part.ZERO, slice(ZERO, ZERO + 1)),
    ):
        prior = STEP_SD[part] ** 2 * np.eye(1)
        step[part] = np.append(front, _gain(score[:, own], info[:, own, own], prior))
    mount = np.array([2, 3, ZERO])
    step[Part.MOUNT] = np.append(front, _mount_gain(score[:, mount], info[:, mount[:, None], mount]))
    wild, wild_zero = _wild_gains(fit, known)
    return Gains(step, wild, wild_zero)


def _gain(score: Floats, info: Floats, prior: Floats) -> Floats:
    """Return the log Bayes factor of a shift with prior covariance `prior`, (n,)."""
    d = prior.shape[0]
    scaled = np.eye(d) + prior @ info
    quiet = np.linalg.solve(np.linalg.inv(prior) + info, score[:, :, None])[:, :, 0]
    determinant = np.maximum(np.linalg.det(scaled), 1.0)
    return np.asarray(0.5 * np.einsum("ni,ni->n", score, quiet) - 0.5 * np.log(determinant))


def pier_priors() -> list[tuple[float, Floats]]:
    """Return the prior of a pier step (north, east) as weighted Gaussians."""
    size = STEP_SD[Part.PIER] ** 2
    return [
        (1.0 - NORTH_SOUTH_SHARE, size * np.eye(2)),
        (NORTH_SOUTH_SHARE, size * along_and_across(0.0, NORTH_SOUTH_ACROSS)),
    ]


def _pier_gain(score: Floats, info: Floats) -> Floats:
    parts = [np.log(share) + _gain(score, info, prior) for share, prior in pier_priors()]
    return np.asarray(np.logaddexp(*parts))


def _mount_gain(score: Floats, info: Floats) -> Floats:
    """Return the gain of both knobs at once: turned, and the zero stays, or taken off, and it is lost."""
    sds = np.full(2, STEP_SD[Part.MOUNT])
    turned = _gain(score[:, :2], info[:, :2, :2], np.diag(sds**2))
    taken_off = _gain(score, info, np.diag(np.append(sds, STEP_SD[Part.ZERO]) ** 2))
    return np.asarray(np.log(0.5) + np.logaddexp(turned, taken_off))


def residual_cov(fit: Fit, known: Spread) -> Floats:
    """Return the posterior covariance of what the model makes of each reading, (n, 3, 3)."""
    net = fit.columns.seen - fit.sees @ known.follows
    return np.asarray(fit.sees @ known.alone @ np.swapaxes(fit.sees, 1, 2) + through(net, fit.amplitude_cov))


def _wild_gains(fit: Fit, known: Spread) -> tuple[Floats, Floats]:
    residual = fit.model.series.value - fit.fitted()
    score = np.einsum("nij,nj->ni", fit.weight, residual)
    info = fit.weight - fit.weight @ residual_cov(fit, known) @ fit.weight
    info = 0.5 * (info + np.swapaxes(info, 1, 2))
    prior = np.eye(3) * WILD_SD**2
    return _gain(score, info, prior), _gain(score[:, 2:], info[:, 2:, 2:], prior[:1, :1])


# ---- The six components over time, and sums of them, with variances.


@dataclass(frozen=True)
class View:
    """A fit with its variances worked out once."""

    fit: Fit
    spread: Spread

    def components(self) -> tuple[Floats, Floats]:
        """Return the six components at every reading and their sds, (n, 6) each [arcsec]."""
        fit = self.fit
        carry = np.zeros((6, 5))
        carry[WALKS, np.arange(4)] = 1.0
        net = fit.columns.state - carry @ self.spread.follows  # how each component follows the amplitudes
        shared = np.sum((net.reshape(-1, net.shape[2]) @ fit.amplitude_cov).reshape(net.shape) * net, axis=2)
        variance = shared.copy()
        variance[:, WALKS] += np.diagonal(self.spread.alone, axis1=1, axis2=2)[:, :4]
        sd = np.sqrt(np.clip(variance, 0.0, None))
        sd[0] = 0.0
        return fit.components(), sd

    def sums(self, walk: Floats, amplitude: Floats) -> tuple[Floats, Floats]:
        """Return mean and covariance of m weighted sums.

        Parameters
        ----------
        walk
            Weights of the walk, (m, n, 5).
        amplitude
            Weights of the amplitudes, (m, p).

        Returns
        -------
        mean, cov
            (m,) and (m, m).
        """
        fit = self.fit
        mean = np.einsum("mnk,nk->m", walk, fit.walk) + amplitude @ fit.amplitude
        flat = walk[:, 1:].reshape(walk.shape[0], -1)
        solved = fit.chain.solve(flat.T)
        net = amplitude - flat @ fit.follows
        return mean, flat @ solved + net @ fit.amplitude_cov @ net.T

    def tilt_sums(self, weights: Floats, without: list[slice]) -> tuple[Floats, Floats]:
        """Return weighted sums over time of the tilt (north, then east), (2 m,), and their covariance.

        Parameters
        ----------
        weights
            (m, n) weights over the readings.
        without
            Columns of causes that don't belong to what is asked, e.g. steps.
        """
        m, n = weights.shape
        walk = np.zeros((2 * m, n, 5))
        walk[:m, :, 0] = walk[m:, :, 1] = weights
        amplitude = np.concatenate([weights @ self.fit.columns.state[:, c, :] for c in (0, 1)])
        for columns in without:
            amplitude[:, columns] = 0.0
        return self.sums(walk, amplitude)


def view(fit: Fit) -> View:
    """Work out the variances of a fit."""
    return View(fit, spread(fit))


# ---- What each cause alone did: its own series, with uncertainty.


#: The kinds of which all causes make one series.
GATHERED = (
    CauseKind.SEASON,
    CauseKind.FROST,
    CauseKind.SETTLEMENT,
    CauseKind.STEADY_DRIFT_OF_MOUNT,
    CauseKind.WARMTH_OF_PIER,
    CauseKind.WARMTH_OF_MOUNT,
)
#: The kinds that walk -> which of the walk's components each is.
WALKED = {CauseKind.WANDER_OF_PIER: (0, 1), CauseKind.CREEP_OF_MOUNT: (2, 3)}


def cause_series(view: View) -> tuple[CauseSeries, ...]:
    """Return the series of every cause that moves pier or mount; they add up to the whole."""
    columns = view.fit.columns
    out = []
    for kind in GATHERED:
        own = columns.of_kinds(kind)
        if own:
            change, sd = _of_columns(view, _numbers(own))
            out.append(CauseSeries(kind=kind, change=change, sd=sd))
    out += [_of_walk(view, kind, picked) for kind, picked in WALKED.items()]
    for name, cause in columns.causes.items():
        at = columns.at[name]
        if cause.kind.is_sudden and at.stop > at.start:
            after = [columns.at[c.name] for c in columns.causes.values() if c.follows == name]
            change, sd = _of_columns(view, _numbers([at, *after]))  # what followed belongs to it
            when_us = _first_seen_us(view, at) if cause.time_us is None else cause.time_us
            out.append(
                CauseSeries(
                    kind=cause.kind, change=change, sd=sd, time_us=when_us, correction=cause.correction
                )
            )
    return tuple(out)


def _numbers(slices: list[slice]) -> np.ndarray:
    return np.concatenate([np.arange(at.start, at.stop) for at in slices])


def _of_columns(view: View, columns: np.ndarray) -> tuple[Floats, Floats]:
    """Return what some columns did to the six components, and the sd of it, (n, 6) each [arcsec]."""
    fit = view.fit
    state = fit.columns.state[:, :, columns]
    change = state @ fit.amplitude[columns]
    cov = fit.amplitude_cov[np.ix_(columns, columns)]
    variance = np.sum((state.reshape(-1, columns.size) @ cov).reshape(state.shape) * state, axis=2)
    return change, np.sqrt(np.clip(variance, 0.0, None))


def _of_walk(view: View, kind: CauseKind, picked: tuple[int, ...]) -> CauseSeries:
    n = view.fit.model.series.size
    change, sd = np.zeros((n, 6)), np.zeros((n, 6))
    variance: Floats = np.diagonal(view.spread.walk, axis1=1, axis2=2)
    for i in picked:
        change[:, WALKS[i]] = view.fit.walk[:, i]
        sd[:, WALKS[i]] = np.sqrt(np.clip(variance[:, i], 0.0, None))
    return CauseSeries(kind=kind, change=change, sd=sd)


def _first_seen_us(view: View, columns: slice) -> int:
    """Return when a step was there first [us]."""
    series = view.fit.model.series
    moved = np.any(view.fit.columns.state[:, :, columns] != 0.0, axis=(1, 2))
    moved |= np.any(view.fit.columns.seen[:, :, columns] != 0.0, axis=(1, 2))
    first = int(np.argmax(moved)) if moved.any() else series.size - 1
    return int(series.time_us[first])


# ---- How far the axis moved over long stretches without nights.


#: Over shorter stretches than this a step doesn't pass for anything else [days]: our own rule.
GAP_DAYS = 21.0


def moves_over_gaps(seen: View) -> tuple[AxisMove, ...]:
    """Return how far the smoothed axis moved over each stretch, from the night before to the night after."""
    fit = seen.fit
    times = fit.model.series.time_us
    nights = np.flatnonzero((fit.model.series.night >= 0) & ~fit.model.ignored)
    out = []
    for at in np.flatnonzero(np.diff(times[nights]) >= GAP_DAYS * DAY_US):
        before, after = int(nights[at]), int(nights[at + 1])
        walk = np.zeros((2, times.size, 5))
        walk[:, after], walk[:, before] = fit.sees[after, :2], -fit.sees[before, :2]
        mean, cov = seen.sums(walk, fit.columns.seen[after, :2] - fit.columns.seen[before, :2])
        second = int(times[nights[at + 2]]) if at + 2 < nights.size else None
        out.append(
            AxisMove(
                from_us=int(times[before]), to_us=int(times[after]), second_us=second, moved=mean, cov=cov
            )
        )
    return tuple(out)


# ---- How far the tilt went of late, in windows that are the same for every pier.


#: The windows end on days whose number since 1970 is a multiple of this, the last few of them, and are so
#: long [days].
WINDOW_STEP, WINDOW_ENDS, WINDOW_DAYS = 10, 4, (30, 60, 120)


def recent_moves(seen: View, sd: Floats) -> tuple[TiltMove, ...]:
    """Return how far the tilt went in each window that the readings cover, the latest first.

    Between two readings the tilt is taken as straight; what it may have wandered from that is added.

    Parameters
    ----------
    seen
        The fit.
    sd
        (n, 6) sds of the components with all that the fit does not know of (scales, other explanations):
        variances here are larger in the same proportion [arcsec].
    """
    model = seen.fit.model
    first, last = (int(model.series.time_us[k] // DAY_US) for k in (0, -1))
    ends = [WINDOW_STEP * (last // WINDOW_STEP - k) for k in range(WINDOW_ENDS)]
    windows = [(end - days, end) for end in ends for days in WINDOW_DAYS if end - days >= first + 1]
    if not windows:
        return ()
    times = np.array(windows, dtype=np.int64) * DAY_US
    at = [_between(seen.fit, times[:, k]) for k in (0, 1)]
    mean, cov = seen.tilt_sums(at[1][0] - at[0][0], seen.fit.columns.of_kinds(CauseKind.CORRECTION))
    wandered = (at[0][1] + at[1][1])[:, None, None] * seen.fit.rate[:2, :2]
    plain = seen.components()[1][1:, :2]
    wider = np.max(sd[1:, :2] / np.maximum(plain, 1e-6), axis=1, initial=1.0)
    by_window = np.max((at[0][0] + at[1][0])[:, 1:].astype(bool) * wider, axis=1, initial=1.0) ** 2
    forcing = model.forcing or model.frost
    count, out = len(windows), []
    for k, (from_us, to_us) in enumerate(times.tolist()):
        both = [k, count + k]
        frost = None
        if forcing is not None and forcing.is_frost:
            frost = float(np.diff(forcing.at(times[k])[:, 0])[0])
        (north, east), whole = mean[both].tolist(), cov[np.ix_(both, both)] * by_window[k] + wandered[k]
        (north_var, across), (_, east_var) = whole.tolist()
        out.append(
            TiltMove(
                from_us=from_us,
                to_us=to_us,
                moved=(north, east),
                cov=((north_var, across), (across, east_var)),
                frost_moved=frost,
            )
        )
    return tuple(out)


def _between(fit: Fit, wanted_us: Ints) -> tuple[Floats, Floats]:
    """Return the weights of the readings at some times, (m, n), and for how long a walk is free there, (m,).

    A walk that is known at both ends of a gap of d days has the variance d s (1 - s) at its share s (a
    Brownian bridge); while frost moves the tilt its days last longer, see `drift.history.model.step_days`.
    """
    time_us = fit.model.series.time_us
    after = np.clip(np.searchsorted(time_us, wanted_us), 1, time_us.size - 1)
    gap = np.maximum(time_us[after] - time_us[after - 1], 1)
    share = np.clip((wanted_us - time_us[after - 1]) / gap, 0.0, 1.0)
    rows = np.arange(wanted_us.size)
    out = np.zeros((wanted_us.size, time_us.size))
    out[rows, after - 1], out[rows, after] = 1.0 - share, share
    return out, fit.days[after - 1, 0] * share * (1.0 - share)


# ---- What comes back and what stays: season, winters, lasting rate.


#: Shortest span [days] over which an annual shape can be told from a trend.
SHORTEST_SPAN_DAYS = 430.0
#: A reading stands for at most this many days, so that crowded weeks don't outweigh the rest.
LONGEST_SHARE_DAYS = 20.0
#: Windows as days from the middle of winter (15 January north, 16 July south): before, peak, after.
BEFORE = (-150.0, -70.0)
PEAK = (-60.0, 120.0)
AFTER = (190.0, 275.0)
MID_WINTER_NORTH = 15.0
MID_WINTER_SOUTH = 197.0


@dataclass(frozen=True)
class Shape:
    """The annual shape and the lasting rate, by least squares on the tilt over time.

    `amplitude` is north then east: rate [arcsec a year] and the four harmonics.
    """

    rate: Floats  # (2,)
    rate_cov: Floats  # (2, 2)
    annual: Floats  # (2, 4)
    annual_cov: Floats  # (8, 8), north then east


def time_shares(time_us: np.ndarray) -> Floats:
    """Return for how many days each reading stands, capped."""
    days = time_us / DAY_US
    gaps = np.minimum(np.diff(days), LONGEST_SHARE_DAYS)
    return np.asarray(0.5 * (np.append(gaps, 0.0) + np.append(0.0, gaps)) + 1e-3)


def step_slices(view: View) -> list[slice]:
    """Return the columns of corrections, and of steps with what followed: neither seasonal nor gradual."""
    return view.fit.columns.of_kinds(CauseKind.STEP, CauseKind.RECOVERY, CauseKind.CORRECTION)


def shape_of(view: View) -> Shape | None:
    """Fit rate and annual shape to the smoothed tilt; None when the span is too short."""
    series = view.fit.model.series
    if series.days[-1] < SHORTEST_SPAN_DAYS:
        return None
    years = series.days / YEAR_DAYS
    design = np.concatenate([np.ones((series.size, 1)), years[:, None], harmonics(series.time_us)], axis=1)
    root = np.sqrt(time_shares(series.time_us))
    operator = np.linalg.pinv(design * root[:, None]) * root  # (6, n)
    mean, cov = view.tilt_sums(operator[1:], step_slices(view))
    north_east = mean.reshape(2, 5)
    rates, shapes = [0, 5], [1, 2, 3, 4, 6, 7, 8, 9]
    return Shape(north_east[:, 0], cov[np.ix_(rates, rates)], north_east[:, 1:], cov[np.ix_(shapes, shapes)])


def _curve_days() -> Floats:
    """Return times [us] of the 366 days of a leap year from 2000-01-01."""
    return np.asarray((10957.0 + np.arange(366)) * DAY_US)


def seasonal(shape: Shape | None, south: bool) -> Seasonal | None:
    """Describe the annual shape: size, direction, when it peaks; the peak is the winter one."""
    if shape is None:
        return None
    basis = harmonics(_curve_days())
    curve = basis @ shape.annual.T  # (366, 2)
    turn = np.linalg.svd(curve - curve.mean(axis=0), full_matrices=False)[2][0]
    along = curve @ turn
    if _days_apart(int(np.argmax(along)), _mid_winter(south)) > _days_apart(
        int(np.argmin(along)), _mid_winter(south)
    ):
        turn, along = -turn, -along
    high, low = int(np.argmax(along)), int(np.argmin(along))
    weight = np.kron(turn, basis[high] - basis[low])
    sd = float(np.sqrt(np.clip(weight @ shape.annual_cov @ weight, 0.0, None)))
    size = float(along[high] - along[low])
    sure = size > 2.0 * sd
    bearing = float(np.degrees(np.arctan2(turn[1], turn[0])) % 360.0)
    return Seasonal(
        peak_to_trough=size,
        peak_to_trough_sd=sd,
        toward_bearing_deg=bearing if sure else None,
        peak_day_of_year=high + 1 if sure else None,
    )


def _mid_winter(south: bool) -> float:
    return MID_WINTER_SOUTH if south else MID_WINTER_NORTH


def _days_apart(a: float, b: float) -> float:
    return abs((a - b + 183.0) % 366.0 - 183.0)


def lasting(shape: Shape | None) -> Lasting | None:
    """Describe the rate that does not come back."""
    if shape is None:
        return None
    size = float(np.linalg.norm(shape.rate))
    along = shape.rate / size if size > 0.0 else np.array([1.0, 0.0])
    sd = float(np.sqrt(np.clip(along @ shape.rate_cov @ along, 0.0, None)))
    bearing = float(np.degrees(np.arctan2(along[1], along[0])) % 360.0)
    return Lasting(
        arcsec_per_year=size,
        arcsec_per_year_sd=sd,
        toward_bearing_deg=bearing if size > 2.0 * sd else None,
    )


#: Stands for "nothing known of the size" [arcsec].
UNKNOWN_SWING = 1000.0
#: Sd of a bearing of which nothing is known [deg]: wound round the circle that is even to a hundredth.
UNKNOWN_BEARING = 180.0


def yearly_tilt(view: View, season: Seasonal | None, follows: FrostForcing | None) -> YearlyTilt | None:
    """Return what comes and goes with the year by the readings alone, None where they don't tell it.

    Of frost the prior of its size is taken out, so that what is lent to others holds no prior of ours.
    """
    if follows is None:
        return None if season is None else _by_calendar(season)
    at = view.fit.columns.at["frost"]
    posterior = np.linalg.inv(view.fit.amplitude_cov[at, at])
    prior = view.fit.columns.cov[at, at]
    swing, late, left = (np.array([k, FROST_WIDTH + k]) for k in range(FROST_WIDTH))
    open_prior = prior.copy()
    open_prior[np.ix_(swing, swing)] = np.eye(2) * UNKNOWN_SWING**2
    cov = np.linalg.inv(posterior - np.linalg.inv(prior) + np.linalg.inv(open_prior))
    mean = cov @ (posterior @ view.fit.amplitude[at])
    size = float(np.hypot(*mean[swing]))
    along = mean[swing] / max(size, 1e-9)
    across = np.array([-along[1], along[0]])
    size_sd, aside_sd = (float(np.sqrt(u @ cov[np.ix_(swing, swing)] @ u)) for u in (along, across))
    shares = [_share_of(mean, cov, swing, part, along) for part in (late, left)]
    return YearlyTilt(
        size=Measure(value=size, sd=size_sd),
        bearing_deg=_bearing(along, aside_sd, size),
        lag_days=Measure(value=follows.lag_days + LATER_DAYS * shares[0].value, sd=LATER_DAYS * shares[0].sd),
        left_share=shares[1],
    )


def _share_of(mean: Floats, cov: Floats, swing: Ints, part: Ints, along: Floats) -> Measure:
    """Return a part of the amplitudes as a share of the swing, and its sd by the slopes of that ratio."""
    size = max(float(np.hypot(*mean[swing])), 1e-9)
    share = float(mean[part] @ along) / size
    both = np.concatenate([swing, part])
    slope = np.concatenate([mean[part] - 2.0 * share * mean[swing], mean[swing]]) / size**2
    return Measure(value=share, sd=float(np.sqrt(slope @ cov[np.ix_(both, both)] @ slope)))


def _bearing(along: Floats, aside_sd: float, size: float) -> Measure:
    sd = np.degrees(np.arctan2(aside_sd, size))
    return Measure(
        value=float(np.degrees(np.arctan2(along[1], along[0])) % 360.0),
        sd=float(sd if size > 2.0 * aside_sd else UNKNOWN_BEARING),
    )


def _by_calendar(season: Seasonal) -> YearlyTilt:
    size, sd = season.peak_to_trough, season.peak_to_trough_sd
    off = sd / max(size, sd, 1e-9)  # radians, of direction and of the year
    bearing, day = season.toward_bearing_deg, season.peak_day_of_year
    return YearlyTilt(
        size=Measure(value=size, sd=sd),
        bearing_deg=Measure(
            value=bearing or 0.0, sd=UNKNOWN_BEARING if bearing is None else float(np.degrees(off))
        ),
        lag_days=Measure(
            value=float(day or 1),
            sd=YEAR_DAYS / np.sqrt(12.0) if day is None else off * YEAR_DAYS / 2.0 / np.pi,
        ),
    )


def axis_offsets(view: View, shape: Shape | None, season: Seasonal | None, latitude_rad: float) -> Floats:
    """Return what the annual movement adds to az_error and alt_error by day of year, (366, 2); 0 if not sure.

    Where nothing tells pier from mount, the mount's share of it counts as well.
    """
    if shape is None or season is None or season.toward_bearing_deg is None:
        return np.zeros((366, 2))
    basis = harmonics(_curve_days())
    out = axis_of_tilt(basis @ shape.annual.T, latitude_rad)
    at = view.fit.columns.at.get("annual_mount")
    if at is not None:
        out += basis @ view.fit.amplitude[at].reshape(2, 4).T
    return np.asarray(out)


def winters(view: View, season: Seasonal | None, south: bool) -> tuple[Winter, ...]:
    """Describe each winter along the seasonal direction: how far it swung, what it left behind.

    Swing: the furthest smoothed tilt of the cold half against the autumn before
    it.  Left behind: the summer after it against the autumn before it.
    """
    if season is None or season.toward_bearing_deg is None:
        return ()
    turn = np.radians(season.toward_bearing_deg)
    along = np.array([np.cos(turn), np.sin(turn)])
    series = view.fit.model.series
    without = step_slices(view)
    first, last = (pd.Timestamp(int(t), unit="us") for t in (series.time_us[0], series.time_us[-1]))
    out = []
    for year in range(first.year, last.year + 2):
        found = _one_winter(view, year, along, without, south)
        if found is not None:
            out.append(found)
    return tuple(out)


def _one_winter(view: View, year: int, along: Floats, without: list[slice], south: bool) -> Winter | None:
    series = view.fit.model.series
    before, peak, after = _parts_of_winter(series.time_us, year, south)
    if not before.any() or peak.sum() < 2:
        return None
    shares = time_shares(series.time_us)
    start = np.where(before, shares, 0.0) / shares[before].sum()
    top = int(np.flatnonzero(peak)[int(np.argmax((_tilt(view, without) @ along)[peak]))])
    weights = [(np.arange(series.size) == top) - start]
    if after.any():
        weights.append(np.where(after, shares, 0.0) / shares[after].sum() - start)
    mean, sd = _along(view, np.array(weights), along, without)
    left, left_sd = (float(mean[1]), float(sd[1])) if after.any() else (float("nan"), float("nan"))
    name = str(year) if south else f"{year - 1}-{year % 100:02d}"
    return Winter(
        winter=name,
        swing=float(mean[0]),
        swing_sd=float(sd[0]),
        left_behind=left,
        left_behind_sd=left_sd,
    )


def _parts_of_winter(time_us: Ints, year: int, south: bool) -> tuple[Bools, Bools, Bools]:
    """Return which readings are of the autumn before a winter, of its peak, and of the summer after it."""
    middle = pd.Timestamp(year=year, month=7, day=16) if south else pd.Timestamp(year=year, month=1, day=15)
    days = time_us / DAY_US - (middle - pd.Timestamp(0)).total_seconds() / 86400.0
    before, peak, after = ((days >= a) & (days <= b) for a, b in (BEFORE, PEAK, AFTER))
    if not before.any():
        before = (days >= -70.0) & (days <= -30.0)  # a record that starts as winter comes
    return before, peak, after


def whole_winters(time_us: Ints, south: bool) -> int:
    """Return how many winters were seen whole, from the autumn before to the summer after.

    Parameters
    ----------
    time_us
        (n,) times of nights and level readings, ascending [us].
    south
        Whether the pier stands south of the equator.
    """
    if not time_us.size:
        return 0
    first, last = (pd.Timestamp(int(t), unit="us").year for t in (time_us[0], time_us[-1]))
    parts = (_parts_of_winter(time_us, year, south) for year in range(first, last + 2))
    return sum(bool(before.any() and peak.sum() >= 2 and after.any()) for before, peak, after in parts)


def _tilt(view: View, without: list[slice]) -> Floats:
    """Return the smoothed tilt (north, east) without some causes, (n, 2)."""
    amplitude = view.fit.amplitude.copy()
    for columns in without:
        amplitude[columns] = 0.0
    return np.asarray(view.fit.walk[:, :2] + view.fit.columns.state[:, :2] @ amplitude)


def _along(view: View, weights: Floats, along: Floats, without: list[slice]) -> tuple[Floats, Floats]:
    m = weights.shape[0]
    mean, cov = view.tilt_sums(weights, without)
    turn = np.concatenate([along[0] * np.eye(m), along[1] * np.eye(m)], axis=1)
    return turn @ mean, np.sqrt(np.clip(np.diagonal(turn @ cov @ turn.T), 0.0, None))
