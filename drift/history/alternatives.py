"""The other explanations of a step: how far the history would be another, and how likely that is.

The history follows the likeliest explanation of each step; a curve between two
explanations is one that neither of them supports.  Its uncertainty reaches out
to the others.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.history.causes.steps import Step, part_columns, step_cause, step_name
from drift.history.events import LEAST_SHARE, FoundStep, Searched
from drift.history.model import Fit, Model, Solver
from drift.quantities import Floats

#: An explanation of at least this share must lie within two standard deviations of what is said.
WITHIN_REACH_SHARE = 0.05
#: Least weight of the squared distance to such an explanation: (1 / 1.96)^2.
REACH = 0.26


def with_alternatives(searched: Searched, change: Floats, sd: Floats) -> Floats:
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
            variance = variance + _weight(share) * (there - here) ** 2
    return np.sqrt(np.where(np.isfinite(change), variance, np.nan))


def size_variance(searched: Searched, number: int, found: FoundStep) -> dict[int, float]:
    """Return what the other explanations of a step add to the variance of its sizes, by component."""
    own, out = _step_sizes(searched.fit, number, found.step()), dict.fromkeys(range(6), 0.0)
    for part, share in _others(found).items():
        other = _step_sizes(_with_part(searched, number, found, part), number, Step(found.best, {part: 1.0}))
        for component in out:
            apart = other.get(component, 0.0) - own.get(component, 0.0)
            out[component] += _weight(share) * apart**2
    return out


def _weight(share: float) -> float:
    return max(share, REACH) if share >= WITHIN_REACH_SHARE else share


def _others(found: FoundStep) -> dict[str, float]:
    """Return the shares of the explanations that the history does not follow."""
    real = {part: p for part, p in found.probability.items() if part != "nothing"}
    total = sum(real.values())
    return {
        part: p / total for part, p in real.items() if part != found.likeliest and p / total >= LEAST_SHARE
    }


def _with_part(searched: Searched, number: int, found: FoundStep, part: str) -> Fit:
    """Solve with one step laid at another part's door, at the same scales."""
    model: Model = searched.fit.model
    name = step_name(number)
    other = step_cause(model.series, Step(found.best, {part: 1.0}), name)
    causes = tuple(other if cause.name == name else cause for cause in model.causes)
    return Solver(replace(model, causes=causes)).at(searched.fit.scales)


def _step_sizes(fit: Fit, number: int, step: Step) -> dict[int, float]:
    amplitude = fit.amplitude[fit.columns.at[step_name(number)]]
    return {c: float(a) for (_, c), a in zip(part_columns(step), amplitude, strict=True) if c >= 0}
