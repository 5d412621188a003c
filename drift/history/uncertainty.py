"""What the uncertainty of scales and other explanations of steps adds to the history's sds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.codes import Part
from drift.history.changes import Step, part_columns, step_cause, step_name
from drift.history.components import View, view
from drift.history.model import Fit, Model, Solver
from drift.history.scales import ScalesFound, from_vector, log_posterior, to_vector
from drift.history.steps import LEAST_SHARE, FoundStep, StepsFound
from drift.quantities import Floats

# ---- Carry the uncertainty of the scale parameters into the history.
#
# The scales are known no better than the readings tell.  Along each scale that
# matters for the split, the history is worked out at a few values, each weighed
# by how probable it is, and what that adds to the variance is added up over the
# scales (a sum of one-dimensional quadratures about the optimum).


#: Scales whose uncertainty matters for how a movement is split and smoothed.
MATTERING = ("tilt_walk", "across", "az_creep", "alt_creep", "zero_creep", "season", "slow")
#: Values tried, in sds of the scales' wide priors, to either side of the optimum.
STEPS = (-1.6, -0.8, 0.8, 1.6)
#: Longer records know their scales well enough, and cost more [readings].
LONGEST = 600


def components_with_uncertainty(found: ScalesFound, seen: View) -> tuple[Floats, Floats]:
    """Return the six components at every reading and their sds, scales' uncertainty included.

    Parameters
    ----------
    found, seen
        The scales found, and the view of their fit.

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
    for name in (one for one in MATTERING if one in names):
        extra += _along(problem, found, centre, top, names.index(name), mean, sd)
    return mean, np.sqrt(np.maximum(sd**2 + extra, 0.0))


def _along(
    problem: Solver, found: ScalesFound, centre: Floats, top: float, which: int, mean: Floats, sd: Floats
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


# ---- Other explanations of a step: how different the history would be.
#
# The history follows the likeliest explanation of each step; a curve between two
# explanations is one that neither of them supports.  Its uncertainty reaches out
# to the others.


#: An explanation of at least this share must lie within two standard deviations of the result.
WITHIN_REACH_SHARE = 0.05
#: Least weight of the squared distance to such an explanation: (1 / 1.96)^2.
REACH = 0.26


def with_alternatives(searched: StepsFound, change: Floats, sd: Floats) -> Floats:
    """Return the sds with the other explanations of each step allowed for, (n, 6) [arcsec].

    Parameters
    ----------
    searched
        The steps with the odds of their parts.
    change, sd
        (n, 6) the components at every reading by the likeliest explanations, and their sds [arcsec].
    """
    variance = sd**2
    here = searched.fit.components()
    for number, found in enumerate(searched.steps):
        for part, share in _others(found).items():
            there = _with_part(searched, number, found, part).components()
            variance = variance + weight(share) * (there - here) ** 2
    return np.sqrt(np.where(np.isfinite(change), variance, np.nan))


def size_variance(searched: StepsFound, number: int, found: FoundStep) -> dict[int, float]:
    """Return what the other explanations of a step add to the variance of its sizes, by component."""
    own, out = _step_sizes(searched.fit, number, found.step()), dict.fromkeys(range(6), 0.0)
    for part, share in _others(found).items():
        other = _step_sizes(_with_part(searched, number, found, part), number, Step(found.best, {part: 1.0}))
        for component in out:
            apart = other.get(component, 0.0) - own.get(component, 0.0)
            out[component] += weight(share) * apart**2
    return out


def weight(share: float) -> float:
    """Return the weight of the squared distance to an explanation of some share."""
    return max(share, REACH) if share >= WITHIN_REACH_SHARE else share


def _others(found: FoundStep) -> dict[Part, float]:
    """Return the shares of the explanations that the history does not follow."""
    real = {part: p for part, p in found.probability.items() if part != Part.NOTHING}
    total = sum(real.values())
    return {
        part: p / total for part, p in real.items() if part != found.likeliest and p / total >= LEAST_SHARE
    }


def _with_part(searched: StepsFound, number: int, found: FoundStep, part: Part) -> Fit:
    """Solve with one step made by another part, at the same scales."""
    model: Model = searched.fit.model
    name = step_name(number)
    other = step_cause(model.series, Step(found.best, {part: 1.0}), name)
    causes = tuple(other if cause.name == name else cause for cause in model.causes)
    return Solver(replace(model, causes=causes)).at(searched.fit.scales)


def _step_sizes(fit: Fit, number: int, step: Step) -> dict[int, float]:
    amplitude = fit.amplitude[fit.columns.at[step_name(number)]]
    return {c: float(a) for (_, c), a in zip(part_columns(step), amplitude, strict=True) if c >= 0}
