"""Fit all nights at once: exact geometry, robust weights, scatter and repeatability from the data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.mount.instrument import Pose, wrapped
from drift.night.sightings import POINTING, SessionRows, Sightings
from drift.night.system import SHIFTS, OwnSpread, Solution, SystemLayout, Typed, solve
from drift.quantities import ARCSEC_PER_RAD, Bools, Floats

# ---- How much good readings scatter, and how well a zero repeats: scales from the data.


#: Prior scatter of each class [arcsec] (pointing along hour angle, along declination, sweeps, runs) and
#: how many readings it counts for: common practice for a good amateur mount (some arcsec), plate solves and
#: seeing (one or two).
PRIOR_SD = np.array([5.0, 5.0, 3.0, 1.5])
PRIOR_WEIGHT = 4.0
#: A reading further out than this many sd (over both coordinates together) counts less, as 1/distance
#: (Huber 1964); under pure Gaussian scatter 4 % of readings are touched.
HUBER = 2.5
#: Mean of min(d^2, HUBER d) over 2, with d^2 chi-square with 2 degrees of freedom: makes the
#: down-weighted sum of squares unbiased.  Computed by quadrature.
HUBER_BIAS = 0.9755
#: Median of the absolute value of a unit normal.
MEDIAN_OF_NORMAL = 0.674490
#: Group repeatability: prior sd [arcsec] and its weight in sessions.
REPEAT_PRIOR_SD = 5.0
REPEAT_PRIOR_WEIGHT = 0.1
#: How far cone error and tube-side offset shift from session to session, and the picture across on both
#: sides alike: prior sd of each [arcsec] and its weight.
SHIFT_PRIOR_SD = 1.0
SHIFT_PRIOR_WEIGHT = 2.0
#: Degrees of freedom of the Student distribution of declination zeros: now and then a zero is lost.
REPEAT_DOF = 3.0


def row_class(sightings: Sightings) -> np.ndarray:
    """Return the scatter class of each sighting's two coordinates, (n, 2)."""
    first = np.where(sightings.source == POINTING, 0, sightings.source + 1)
    second = np.where(sightings.source == POINTING, 1, sightings.source + 1)
    return np.stack([first, second], axis=1)


def scatter(
    residual: Floats,
    leverage: Floats,
    weight: Floats,
    share: Floats,
    classes: np.ndarray,
    valid: np.ndarray,
    robust: bool,
) -> Floats:
    """Return the scatter of each class [arcsec], (4,), in the order of `PRIOR_SD`.

    Parameters
    ----------
    residual
        (n, 2) [arcsec].
    leverage
        Leverage of each reading in the fit, (n, 2), 0 to 1.
    weight
        Huber weights (n,); 0 for readings set aside.
    share
        What each reading counts for, (n,); see `Sightings.share`.
    classes, valid
        Class of each coordinate and whether it was read, (n, 2).
    robust
        Use the median of the absolute residuals (start), else the weighted sum of squares.
    """
    out = PRIOR_SD.copy()
    free = np.clip(1.0 - leverage, 0.0, 1.0)
    usable = valid & (weight[:, None] > 0.0)
    for c in np.unique(classes):
        pick = (classes == c) & usable
        own = np.broadcast_to(share[:, None], residual.shape)[pick]
        count = float(np.sum(own - np.minimum(leverage[pick], own)))
        if count < 1.0:
            continue
        if robust:
            keep = pick & (free > 0.05)
            scaled = np.abs(residual[keep]) / np.sqrt(free[keep])
            square = (float(np.median(scaled)) / MEDIAN_OF_NORMAL) ** 2 if scaled.size else PRIOR_SD[c] ** 2
        else:
            weighted = np.broadcast_to(weight[:, None], residual.shape)
            square = float(np.sum(own * weighted[pick] * residual[pick] ** 2)) / (HUBER_BIAS * count)
        out[c] = np.sqrt((PRIOR_WEIGHT * PRIOR_SD[c] ** 2 + count * square) / (PRIOR_WEIGHT + count))
    return out


def repeatability(solution: Solution, spread: OwnSpread, sd: Floats) -> tuple[Floats, Floats]:
    """Return the repeatability of declination zeros by class, and each session's precision.

    One step of the fixed point of MacKay (1992, Neural Computation 4:415, equation 4.9, from
    memory) with Student weights (Lange, Little and Taylor 1989): the sum of squares over
    the number of well-measured zeros.

    Parameters
    ----------
    spread
        From `Solution.own_spread`.
    sd
        Present repeatability of each class [arcsec], (3,).

    Returns
    -------
    sd, precision
        (3,) [arcsec] and (s,) [arcsec^-2], 0 for sessions of no group.
    """
    sessions = solution.layout.sessions
    grouped = sessions.group >= 0
    new, precision = sd.copy(), np.zeros(sessions.size)
    if not grouped.any():
        return new, precision
    variance = np.maximum(spread.own[:, 1] - 2.0 * spread.zero_with_mean + spread.mean, 0.0)
    off = solution.own[:, 1] - solution.means()[np.maximum(sessions.group, 0)]
    square = off**2 + variance
    for c in range(sd.size):
        pick = grouped & (sessions.group_class == c)
        if not pick.any():
            continue
        weight = (REPEAT_DOF + 1.0) / (REPEAT_DOF + square[pick] / sd[c] ** 2)
        measured = np.clip(1.0 - weight * variance[pick] / sd[c] ** 2, 0.0, 1.0)
        total = REPEAT_PRIOR_WEIGHT * REPEAT_PRIOR_SD**2 + np.sum(weight * off[pick] ** 2)
        new[c] = np.sqrt(total / (REPEAT_PRIOR_WEIGHT + measured.sum()))
        precision[pick] = weight / new[c] ** 2
    return new, precision


def shift_sd(solution: Solution, spread: OwnSpread, sd: Floats) -> Floats:
    """Return how far constants shift from session to session [arcsec], (2,).

    First cone error and tube-side offset, whose shifts change sign with the
    tube side, then the picture across on both sides alike.  A mirror that lies
    another way each time that the tube changes sides has both; one that falls
    from side to side by another amount each night only the first.  One step of
    the same fixed point as `repeatability`.
    """
    pointing = solution.layout.sessions.source == POINTING
    shift = solution.own[pointing, SHIFTS]
    variance = spread.own[pointing, SHIFTS]
    out, prior_sd = np.empty(2), SHIFT_PRIOR_SD
    for k, own in enumerate((slice(0, 2), slice(2, 3))):
        measured = np.clip(1.0 - variance[:, own] / sd[k] ** 2, 0.0, 1.0)
        total = SHIFT_PRIOR_WEIGHT * prior_sd**2 + float(np.sum(shift[:, own] ** 2))
        out[k] = np.sqrt(total / (SHIFT_PRIOR_WEIGHT + float(np.sum(measured))))
        prior_sd = out[k]  # nights of few solves show only the first; the second is taken as equally large
    return out


# ---- The fit of all nights at once.


#: The fit has converged when no axis moves by more [arcsec] and no scale by more than this share: coarse
#: while wrong readings are still being looked for, fine at the end.
COARSE_REST, FINE_REST = (0.1, 0.01), (1.0e-3, 1.0e-3)
MOST_STEPS = 40
#: While wrong readings are still being looked for this share of the sessions must be at rest: the axis of a
#: night with a wrong reading creeps for long, and that reading is set aside next.
AT_REST_SHARE = 0.9
#: Enough nights for a first estimate of the instrument and the scales.
ENOUGH_NIGHTS = 250
#: The geometry is worked out anew when an unknown moved by more than this since it last was [arcsec];
#: what is neglected then is some 5 / 206265 of the axis error: 0.004 arcsec at 5 arcmin, 0.03 at a degree.
NEW_GEOMETRY = 5.0
#: Steps toward the repeatability of zeros and shifts within one step of the fit.
INNER_STEPS = 6
INNER_AT_REST = 0.01
#: Repeatability and shifts are left at their first values until axes move by less than this in a step
#: [arcsec]: far from the right geometry they take in its error, and then creep back.
SETTLED_ARCSEC = 30.0


@dataclass(frozen=True)
class NightScales:
    """Scatter by class, repeatability of declination zeros by class, size of shifts [arcsec]."""

    scatter: Floats
    repeat: Floats
    shift: Floats  # (2,) see `drift.night.fit.shift_sd`

    def logarithms(self) -> Floats:
        """Return the logarithms of all of them."""
        return np.log(np.concatenate([self.scatter, self.repeat, self.shift]))


@dataclass(frozen=True)
class FitState:
    """A fit of all nights: the solution, and each reading's part in it."""

    layout: SystemLayout
    solution: Solution
    scales: NightScales
    precision: Floats  # (s,) with which each session's declination zero is tied to its group
    readings: Floats  # (n, 2) misfit plus coefficients times unknowns, at the last linearisation
    residual: Floats  # (n, 2) [arcsec]
    weight: Floats  # (n,) Huber weights; 0 set aside
    leverage: Floats  # (n, 2, 2) share of each reading taken up by the fit, whitened


def row_sd(sightings: Sightings, scales: NightScales) -> Floats:
    """Return the scatter of each sighting's two coordinates, (n, 2) [arcsec]."""
    return scales.scatter[row_class(sightings)]


def first_guess(sightings: Sightings, sessions: int) -> Floats:
    """Return first zeros (s, 2) [arcsec]: each session's median of read minus true."""
    apart = np.zeros((sightings.size, 2))
    turn = np.where(np.isfinite(sightings.mech_ha_rad), sightings.mech_ha_rad - sightings.ha, 0.0)
    apart[:, 0] = turn
    apart[:, 1] = sightings.mech_dec_rad - sightings.dec
    by = pd.DataFrame({"cos": np.cos(turn), "sin": np.sin(turn)}).groupby(sightings.session).median()
    base = np.arctan2(by["sin"].to_numpy(), by["cos"].to_numpy())
    order = by.index.to_numpy()
    middle = np.zeros(sessions)
    middle[order] = base
    apart[:, 0] = wrapped(turn - middle[sightings.session])
    rest = pd.DataFrame(apart).groupby(sightings.session).median()
    out = np.zeros((sessions, 2))
    out[order] = rest.to_numpy()
    out[:, 0] += middle
    return out * ARCSEC_PER_RAD


def fit(
    sightings: Sightings,
    layout: SystemLayout,
    typed: Typed,
    used: Bools,
    start: FitState | None,
    robust: bool,
) -> FitState:
    """Fit all nights.

    Parameters
    ----------
    used
        (n,) False for readings set aside.
    start
        A fit to start from: its scales, axes and constants (zeros too where the sessions are the same).
    robust
        Take scales from medians (while wrong readings are still being looked for) instead of sums of squares.
    """
    sessions = layout.sessions
    every = layout.nights // ENOUGH_NIGHTS
    if start is None and every > 1:
        start = fit(*_thinned(sightings, layout, used, every), None, robust)
    x = _start_values(sightings, layout, start)
    scales = start.scales if start else _first_scales()
    precision = np.where(sessions.group >= 0, scales.repeat[sessions.group_class] ** -2.0, 0.0)
    classes, valid = row_class(sightings), np.abs(sightings.coefficients).sum(axis=2) > 0.0
    axis_rest, scale_rest = COARSE_REST if robust else FINE_REST
    next_weight, still = used.astype(float), np.inf
    near = start is not None and start.layout.nights == layout.nights  # else the axes are not known yet
    at, readings, rows = x, _readings(sightings, x), SessionRows(sightings, sessions.size)
    for _ in range(MOST_STEPS):
        if np.max(np.abs(x - at), initial=0.0) > NEW_GEOMETRY:
            at, readings = x, _readings(sightings, x)
        weight, sd = next_weight, scales.scatter[classes]
        grams = rows.grams(readings, (weight * sightings.share)[:, None] / sd**2)
        steps = INNER_STEPS if still < SETTLED_ARCSEC or near else 0
        settled = _settled(grams, layout, precision, scales, typed, steps)
        solution, precision, new = settled.solution, settled.precision, settled.solution.ten()
        residual = readings - rows.times(new)
        taken = (weight * sightings.share)[:, None] * rows.variances(solution.ten_cov()) / sd**2
        new_scatter = scatter(residual, taken, weight, sightings.share, classes, valid, robust)
        moved, x = np.max(np.abs(new - x)[:, 2:4], axis=1, initial=0.0), new
        found = NightScales(new_scatter, settled.repeat, settled.shift)
        scale_moved = float(np.max(np.abs(found.logarithms() - scales.logarithms())))
        scales = found
        next_weight = used * huber_weight(residual, scales.scatter[classes])
        share = AT_REST_SHARE if robust else 1.0
        still = float(np.quantile(moved, share)) if moved.size else 0.0
        if still < axis_rest and scale_moved < scale_rest:
            break
    leverage = _leverage(sightings, solution, sd)
    return FitState(layout, solution, scales, precision, readings, residual, weight, leverage)


@dataclass(frozen=True)
class _Settled:
    """The solved system with how well zeros repeat and how far constants shift, at given scatter."""

    solution: Solution
    precision: Floats
    repeat: Floats
    shift: Floats


def _settled(
    grams: Floats, layout: SystemLayout, precision: Floats, scales: NightScales, typed: Typed, steps: int
) -> _Settled:
    """Solve the system, and step toward the repeatability of zeros and the size of shifts."""
    repeat, shift = scales.repeat, scales.shift
    solution = solve(grams, layout, precision, shift**-2.0, typed)
    for _ in range(steps if layout.sessions.size else 0):
        spread, before = solution.own_spread(), np.log(np.append(repeat, shift))
        repeat, precision = repeatability(solution, spread, repeat)
        shift = shift_sd(solution, spread, shift)
        solution = solve(grams, layout, precision, shift**-2.0, typed)
        if np.max(np.abs(np.log(np.append(repeat, shift)) - before)) < INNER_AT_REST:
            break
    return _Settled(solution, precision, repeat, shift)


def huber_weight(residual: Floats, sd: Floats) -> Floats:
    """Return min(1, HUBER/distance) for residuals (n, 2) with scatter (n, 2)."""
    distance = np.sqrt(np.sum((residual / sd) ** 2, axis=1))
    return np.minimum(1.0, HUBER / np.maximum(distance, 1e-12))


def _thinned(
    sightings: Sightings, layout: SystemLayout, used: Bools, every: int
) -> tuple[Sightings, SystemLayout, Typed, Bools]:
    """Return every so many nights with the instrument's eras and groups as they are."""
    sessions = layout.sessions
    kept = sessions.night % every == 0
    pick = kept[sightings.session]
    number = np.cumsum(kept) - 1
    fewer = sightings.picked(pick, number[sightings.session[pick]])
    nothing = np.zeros(0)
    typed = Typed(np.zeros(0, dtype=np.int64), nothing, nothing, nothing)
    count, picked = -(-layout.nights // every), sessions.picked(kept, every)
    smaller = SystemLayout(count, layout.eras, layout.groups, picked, layout.air.picked(every))
    return fewer, smaller, typed, used[pick]


def _first_scales() -> NightScales:
    return NightScales(2.0 * PRIOR_SD, np.full(3, 2.0 * REPEAT_PRIOR_SD), np.full(2, 2.0 * SHIFT_PRIOR_SD))


def _start_values(sightings: Sightings, layout: SystemLayout, start: FitState | None) -> Floats:
    """Return where to linearise first: guessed zeros, and axes and constants of an earlier fit."""
    sessions = layout.sessions
    x = np.zeros((sessions.size, 10))
    x[:, :2] = first_guess(sightings, sessions.size)
    if start is not None:
        if start.layout.nights == layout.nights:
            x[:, 2:4] = start.solution.axis[sessions.night]
        x[:, 4:8] = start.solution.constants()[sessions.era]
    return x


def _readings(sightings: Sightings, x: Floats) -> Floats:
    """Return the misfit at x plus coefficients times x: what a linear fit of x itself takes in, (n, 2).

    Parameters
    ----------
    x
        The ten numbers of each session, (s, 10).
    """
    own = x[sightings.session]
    return np.asarray(sightings.misfit(_pose(own)) + (sightings.coefficients @ own[:, :, None])[:, :, 0])


def _pose(x: Floats) -> Pose:
    return Pose(x[:, 2], x[:, 3], x[:, 0], x[:, 1], x[:, 4:8], x[:, 8], x[:, 9])


def _leverage(sightings: Sightings, solution: Solution, sd: Floats) -> Floats:
    cov = solution.ten_cov()[sightings.session]
    out = sightings.coefficients @ cov @ np.swapaxes(sightings.coefficients, 1, 2)
    out /= sd[:, :, None] * sd[:, None, :]
    return out
