"""The slope of the marginal likelihood along the scales, from one fit.

By Fisher's identity the slope of the log marginal likelihood is that of the
expected log density of readings, walk and amplitudes together, the expectation
taken over the posterior at the same scales (Dempster, Laird and Rubin 1977,
section 3; Koopman and Shephard 1992, both from memory).  The expected density
rests on a few sums, so its slope costs next to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.history.model import (
    Fit,
    Scales,
    scaled_priors,
    step_days,
    walk_rate,
)
from drift.quantities import Bools, Floats

#: Relative step of the central differences in the variances.
STEP = 1.0e-5
#: Scales of the walk and of the causes' priors; the others are the scatter of readings.
OF_PRIORS = ("lean_walk", "across", "az_creep", "alt_creep", "season", "slow", "frost", "bearing_rad")
#: Of them those that move the priors of causes only, of the walk only, and how long its steps last.
OF_CAUSES_ONLY = ("season", "slow")
OF_WALK_ONLY = ("lean_walk", "az_creep", "alt_creep")
OF_STRAYING = ("lean_walk", "frost")


@dataclass(frozen=True)
class Sums:
    """What the expected density rests on."""

    tied: bool
    days: Floats  # (n - 1,) how long each step lasts
    strays: Floats  # (n - 1,) how far the lean may stray from the frost in it
    square: Floats  # (n - 1, 5) expected squares of the steps
    cross: Floats  # (n - 1,) and of the two leans with each other
    amplitudes: dict[str, Floats]  # cause -> expected square of its amplitudes

    def pulls(self, scales: Scales) -> Pulls:
        """Return the slope of the expected log density by each variance that the scales make."""
        rate = walk_rate(scales, self.tied)
        days = step_days(scales, self.days, self.strays)
        shared = np.diag((self.square / days).sum(axis=0))
        shared[0, 1] = shared[1, 0] = float((self.cross / days[:, 0]).sum())
        inverse = np.linalg.inv(rate)
        by_days = np.diagonal(inverse) * self.square / days - 1.0
        by_days[:, 0] += 2.0 * inverse[0, 1] * self.cross / days[:, 0]
        priors = scaled_priors(scales)
        by_prior = {name: _pull(priors[name], square, 1) for name, square in self.amplitudes.items()}
        return Pulls(_pull(rate, shared, len(days)), 0.5 * by_days / days, by_prior)


@dataclass(frozen=True)
class Pulls:
    """Slopes of the expected log density by variances."""

    rate: Floats  # (5, 5) of the walk
    days: Floats  # (n - 1, 5) and by how long each step lasts
    priors: dict[str, Floats]  # cause -> by its prior covariance


def _pull(cov: Floats, square: Floats, count: int) -> Floats:
    """Return the slope of the log density of Gaussians by their covariance, from their summed squares."""
    inverse = np.linalg.inv(cov)
    return np.asarray(0.5 * (inverse @ square @ inverse - count * inverse))


@dataclass(frozen=True)
class Posterior:
    """The variances that the slope needs, worked out for sums and not for each reading."""

    between: Floats  # (n - 1, 5, 5) covariances of each step of the walk, amplitudes held
    alone: Floats  # (n, 5, 5) covariances of the walk, amplitudes held
    follows: Floats  # (n, 5, p) how the walk follows the amplitudes
    root: Floats  # (p, p) root of the amplitudes' covariance


def posterior(fit: Fit) -> Posterior:
    """Work out the variances that the slope needs."""
    n, p = fit.model.series.size, fit.amplitude.size
    blocks, between = fit.chain.covariance_blocks()
    own = np.concatenate([np.zeros((1, 5, 5)), blocks])
    step = own[1:] + own[:-1]
    step[1:] -= between + np.swapaxes(between, 1, 2)
    follows = np.concatenate([np.zeros((1, 5, p)), fit.follows.reshape(n - 1, 5, p)])
    return Posterior(step, own, follows, np.linalg.cholesky(fit.amplitude_cov))


def sums(fit: Fit, known: Posterior) -> Sums:
    """Work out what the expected density rests on."""
    moved = np.diff(fit.walk, axis=0)
    led = np.diff(known.follows, axis=0)
    led = (led.reshape(-1, led.shape[2]) @ known.root).reshape(led.shape)
    square = moved**2 + np.diagonal(known.between, axis1=1, axis2=2) + np.sum(led**2, axis=2)
    cross = moved[:, 0] * moved[:, 1] + known.between[:, 0, 1] + np.sum(led[:, 0] * led[:, 1], axis=1)
    amplitudes: dict[str, Floats] = {}
    for name in scaled_priors(fit.scales):
        at = fit.columns.at.get(name)
        if at is not None:
            amplitudes[name] = np.outer(fit.amplitude[at], fit.amplitude[at]) + fit.amplitude_cov[at, at]
    return Sums(fit.model.tied, fit.days[:, 2], fit.strays, square, cross, amplitudes)


def slope(fit: Fit, names: list[str]) -> Floats:
    """Return the slope of the log marginal likelihood, (q,).

    Parameters
    ----------
    fit
        At the scales asked about.
    names
        Scale parameters; the slope is by the logarithm of each, by the bearing in radians.
    """
    known = posterior(fit)
    rests_on = sums(fit, known)
    pulls = rests_on.pulls(fit.scales)
    out = {name: _of_variances(rests_on, pulls, fit.scales, name) for name in names if name in OF_PRIORS}
    if "zero_repeat" in names:
        out["zero_repeat"] = _of_zero_repeat(fit, known)
    if "level_factor" in names:
        out["level_factor"] = _of_level_factor(fit, known)
    return np.array([out[name] for name in names])


def _of_variances(rests_on: Sums, pulls: Pulls, scales: Scales, name: str) -> float:
    """Return the slope by one scale, from how the variances change with it (by central differences)."""
    value = getattr(scales, name)
    if name == "bearing_rad":
        ahead, behind = value + STEP, value - STEP
    else:
        ahead, behind = value * np.exp(STEP), value * np.exp(-STEP)
    up, down = (replace(scales, **{name: float(v)}) for v in (ahead, behind))
    total = 0.0
    if name not in OF_CAUSES_ONLY:
        total += np.sum(pulls.rate * (walk_rate(up, rests_on.tied) - walk_rate(down, rests_on.tied)))
    if name in OF_STRAYING and rests_on.strays.any():
        longer, shorter = (step_days(s, rests_on.days, rests_on.strays) for s in (up, down))
        total += np.sum(pulls.days * (longer - shorter))
    if name not in OF_WALK_ONLY:
        wide, narrow = scaled_priors(up), scaled_priors(down)
        total += sum(np.sum(pull * (wide[cause] - narrow[cause])) for cause, pull in pulls.priors.items())
    return float(total) / (2.0 * STEP)


def _of_zero_repeat(fit: Fit, known: Posterior) -> float:
    """Return the slope by the logarithm of the repeatability of shared zeros."""
    model = fit.model
    series = model.series
    used = (series.night >= 0) & (series.zero_label != "") & ~model.ignored_zero & ~model.ignored
    square = _expected_square(fit, known, used)
    row = fit.weight[used, 2]
    push = np.einsum("ni,nij,nj->n", row, square, row) - row[:, 2]
    return float(push.sum()) * fit.scales.zero_repeat**2


def _of_level_factor(fit: Fit, known: Posterior) -> float:
    """Return the slope by the logarithm of the levels' scatter against what they claim."""
    model = fit.model
    level = (model.series.night < 0) & ~model.ignored
    weight = fit.weight[level]
    push = (weight @ _expected_square(fit, known, level) @ weight - weight)[:, :2, :2]
    own = model.series.variance[level, :2, :2] * fit.scales.level_factor**2
    return float(np.einsum("nij,nij->", push, own))


def _expected_square(fit: Fit, known: Posterior, pick: Bools) -> Floats:
    """Return the expected square of some readings' residuals, (m, 3, 3)."""
    residual = (fit.model.series.value - fit.fitted())[pick]
    sees = fit.sees[pick]
    net = fit.columns.seen[pick] - sees @ known.follows[pick]
    led = (net.reshape(-1, net.shape[2]) @ known.root).reshape(net.shape)
    square = residual[:, :, None] * residual[:, None, :] + sees @ known.alone[pick] @ np.swapaxes(sees, 1, 2)
    return np.asarray(square + np.einsum("nip,njp->nij", led, led, optimize=True))
