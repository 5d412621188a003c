"""Carry the uncertainty of the scale parameters into the history.

The scales are known no better than the readings tell.  Along each scale that
matters for the split, the history is worked out at a few values, each weighed
by how probable it is, and what that adds to the variance is added up over the
scales (a sum of one-dimensional quadratures about the optimum).
"""

from __future__ import annotations

import numpy as np

from drift.history.model import Solver
from drift.history.scales import Found, from_vector, log_posterior, to_vector
from drift.history.view import View, view
from drift.quantities import Floats

#: Scales whose uncertainty matters for how a movement is split and smoothed.
MATTERING = ("lean_walk", "across", "az_creep", "alt_creep", "season", "slow")
#: Values tried, in sds of the scales' wide priors, to either side of the optimum.
STEPS = (-1.6, -0.8, 0.8, 1.6)
#: Longer records know their scales well enough, and cost more [readings].
LONGEST = 600


def components_with_doubt(found: Found, seen: View) -> tuple[Floats, Floats]:
    """Return the six components at every reading and their sds, scales' uncertainty included.

    Parameters
    ----------
    found, seen
        The scales found, and the look at their fit.

    Returns
    -------
    mean, sd
        (n, 6) each [arcsec]; the mean is that at the most probable scales.
    """
    mean, sd = seen.components()
    if found.fit.model.series.size > LONGEST:
        return mean, sd
    names = list(found.names)
    problem, base = Solver(found.fit.model), found.fit.scales
    centre = to_vector(base, names)
    top = log_posterior(problem, centre, names, base)
    extra = np.zeros_like(sd)
    for name in MATTERING:
        extra += _along(problem, found, centre, top, names.index(name), mean, sd)
    return mean, np.sqrt(np.maximum(sd**2 + extra, 0.0))


def _along(
    problem: Solver, found: Found, centre: Floats, top: float, which: int, mean: Floats, sd: Floats
) -> Floats:
    """Return what the uncertainty of one scale adds to the variance, (n, 6); never less than nothing."""
    names, base = list(found.names), found.fit.scales
    weights, variances = [1.0], [sd**2]
    for step in STEPS:
        vector = centre.copy()
        vector[which] += step
        weight = float(np.exp(min(log_posterior(problem, vector, names, base) - top, 0.0)))
        if weight < 1e-3:
            continue
        other_mean, other_sd = view(problem.at(from_vector(vector, names, base))).components()
        weights.append(weight)
        variances.append(other_sd**2 + (other_mean - mean) ** 2)
    share = np.array(weights) / np.sum(weights)
    return np.maximum(np.einsum("k,kij->ij", share, np.array(variances)) - sd**2, 0.0)
