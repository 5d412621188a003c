"""Looking at a fit: the six components over time, and sums of them, with variances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.history.model import WALKS, Fit
from drift.history.scan import Spread, spread
from drift.quantities import Floats


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

    def lean_sums(self, weights: Floats, without: list[slice]) -> tuple[Floats, Floats]:
        """Return weighted sums over time of the lean (north, then east), (2 m,), and their covariance.

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
