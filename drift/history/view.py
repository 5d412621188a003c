"""Looking at a fit: the components over time, sums of them, and how much a step would help."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.codes import Part
from drift.history.causes import along_and_across
from drift.history.changes import STEP_SD
from drift.history.model import WALKS, ZERO, Fit, step_precision
from drift.quantities import Floats

# ---- One pass over a fit that says, for every reading and part, how much a step there would help.
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
        Part.MOUNT_AZ: np.append(
            front, _gain(score[:, 2:3], info[:, 2:3, 2:3], STEP_SD[Part.MOUNT_AZ] ** 2 * np.eye(1))
        ),
        Part.MOUNT_ALT: np.append(
            front, _gain(score[:, 3:4], info[:, 3:4, 3:4], STEP_SD[Part.MOUNT_ALT] ** 2 * np.eye(1))
        ),
        Part.ZERO: np.append(
            front, _gain(score[:, ZERO:], info[:, ZERO:, ZERO:], STEP_SD[Part.ZERO] ** 2 * np.eye(1))
        ),
    }
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


# ---- Looking at a fit: the six components over time, and sums of them, with variances.


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
