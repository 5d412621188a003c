"""Scale parameters from the data: maximum marginal likelihood with weak priors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from drift.history.model import Fit, Model, Scales, Solver, thinned
from drift.history.slope import slope
from drift.quantities import Floats

#: Priors of the logarithms: name -> (median, sd of the natural logarithm).  They are wide; their
#: medians are common practice: a home-made pier wanders by some arcseconds a year^0.5, swings by some ten
#: arcseconds a year and settles by about as much; a good mount creeps far less; a home switch repeats to ten.
PRIORS: dict[str, tuple[float, float]] = {
    "lean_walk": (0.2, 1.3),
    "across": (0.3, 0.7),
    "az_creep": (0.03, 1.2),
    "alt_creep": (0.03, 1.2),
    "zero_repeat": (10.0, 1.5),
    "season": (10.0, 1.4),
    "slow": (6.0, 1.4),
    "frost": (15.0, 1.2),
    "level_factor": (1.0, 0.3),
}
#: No logarithm strays further from its prior than this many sd.
FURTHEST = 4.0
#: What a trial counts that is so far out that the numbers run out: no reading is that improbable.
HOPELESS = 1.0e12
#: Bearings tried first [deg]; a direction and its opposite are the same.
BEARINGS_DEG = (0.0, 30.0, 60.0, 90.0, 120.0, 150.0)
#: Largest slope at rest and most steps of the search.
AT_REST = 0.05
MOST_STEPS = 60
#: So many readings are enough for a first look at the scales.
ENOUGH = 300


def active(model: Model) -> list[str]:
    """Return the scale parameters that the readings can say something about."""
    series = model.series
    names = ["lean_walk", "across", "az_creep", "alt_creep", "season", "slow", "bearing_rad"]
    if model.frost is not None:
        names.append("frost")
    if np.any((series.zero_label != "") & ~model.ignored_zero & ~model.ignored):
        names.append("zero_repeat")
    if np.any(series.night < 0):
        names.append("level_factor")
    return names


def to_vector(scales: Scales, names: Sequence[str]) -> Floats:
    """Return standardised logarithms of the scales (the bearing in radians)."""
    return np.array([_standard(name, getattr(scales, name)) for name in names])


def _standard(name: str, value: float) -> float:
    if name == "bearing_rad":
        return value
    median, sd = PRIORS[name]
    return float(np.log(value / median) / sd)


def from_vector(vector: Floats, names: list[str], base: Scales) -> Scales:
    """Return scales from their standardised logarithms."""
    values = {}
    for name, x in zip(names, vector, strict=True):
        if name == "bearing_rad":
            values[name] = float(x)
        else:
            median, sd = PRIORS[name]
            values[name] = float(median * np.exp(sd * np.clip(x, -FURTHEST, FURTHEST)))
    return replace(base, **values)


def log_posterior(problem: Solver, vector: Floats, names: list[str], base: Scales) -> float:
    """Return the log marginal likelihood plus the log prior of the scales."""
    return problem.at(from_vector(vector, names, base)).log_marginal + log_prior(vector, names)


def _uphill(problem: Solver, vector: Floats, names: list[str], base: Scales) -> tuple[float, Floats]:
    """Return minus the log posterior of the scales and its slope by the standardised scales."""
    turn = np.array([name == "bearing_rad" for name in names])
    try:
        fit = problem.at(from_vector(vector, names, base))
    except np.linalg.LinAlgError:  # the search steps back from there
        return HOPELESS, np.where(turn, 0.0, vector)
    value = fit.log_marginal + log_prior(vector, names)
    unit = np.array([1.0 if name == "bearing_rad" else PRIORS[name][1] for name in names])
    free = turn | (np.abs(vector) < FURTHEST)
    return -value, np.where(turn, 0.0, vector) - np.where(free, unit * slope(fit, names), 0.0)


def log_prior(vector: Floats, names: Sequence[str]) -> float:
    """Return the log prior of standardised scales, up to a constant; bearings are all alike."""
    return -0.5 * sum(float(x) ** 2 for name, x in zip(names, vector, strict=True) if name != "bearing_rad")


@dataclass(frozen=True)
class Near:
    """Scales that are nearly right, and how the optimum bends there."""

    scales: Scales
    names: tuple[str, ...]
    curvature: Floats  # (q, q) inverse Hessian of the standardised scales


@dataclass(frozen=True)
class Found:
    """The scales found, with the shape of the optimum, so that a later search starts well."""

    fit: Fit
    curvature: Floats  # (q, q) inverse Hessian of the standardised scales
    names: tuple[str, ...]

    @property
    def near(self) -> Near:
        """Where a search that has little more to explain may start."""
        return Near(self.fit.scales, self.names, self.curvature)

    @property
    def log_posterior(self) -> float:
        """Log marginal likelihood plus the log prior of the scales, at the scales found."""
        return self.fit.log_marginal + log_prior(to_vector(self.fit.scales, self.names), self.names)


def calm(scales: Scales) -> Scales:
    """Return the scales with no walk or creep quicker than is usual."""
    quick = ("lean_walk", "az_creep", "alt_creep")
    return replace(scales, **{name: min(getattr(scales, name), PRIORS[name][0]) for name in quick})


def _fresh_starts(vector: Floats, names: list[str]) -> list[Floats]:
    """Return where to start from: the scales so far, and some of them back at their prior's middle.

    A step that was just taken up was a quick walk or creep before; at the scales
    of that creep the likelihood is too flat to find the way back.
    """
    out = [vector]
    for group in (
        ("az_creep",),
        ("alt_creep",),
        ("az_creep", "alt_creep"),
        ("lean_walk", "az_creep", "alt_creep"),
        ("lean_walk", "frost"),
    ):
        out.append(np.where(np.isin(names, group), 0.0, vector))
    return [*out, np.where(np.array(names) == "bearing_rad", vector, 0.0)]


def fit_scales(problem: Solver, start: Found | Near | None = None, at_rest: float = AT_REST) -> Found:
    """Find the scales that make the readings most probable, and solve there.

    A long record is first looked at through every few readings only, which
    finds nearly the same scales at a fraction of the cost.

    Parameters
    ----------
    problem
        The model.
    start
        An optimum of a model that had less to explain, or scales that are nearly right.
    at_rest
        Largest slope at which the search may end.
    """
    every = problem.model.series.size // ENOUGH
    if start is None and every > 1:
        start = fit_scales(Solver(thinned(problem.model, every)))
    names = active(problem.model)
    vector, bend = _first(problem, start, names)
    base = Scales() if start is None else _near(start).scales
    options: dict[str, object] = {"gtol": at_rest, "maxiter": MOST_STEPS}
    if bend is not None:
        options["hess_inv0"] = bend
    found = minimize(
        lambda v: _uphill(problem, v, names, base), vector, jac=True, method="BFGS", options=options
    )
    scales = from_vector(np.asarray(found.x), names, base)
    scales = replace(scales, bearing_rad=float(np.mod(scales.bearing_rad, np.pi)))
    curvature = 0.5 * (found.hess_inv + found.hess_inv.T)
    return Found(problem.at(scales), curvature, tuple(names))


def _near(start: Found | Near) -> Near:
    return start.near if isinstance(start, Found) else start


def _first(problem: Solver, start: Found | Near | None, names: list[str]) -> tuple[Floats, Floats | None]:
    """Return where the search starts, and how the optimum bends there if that is known."""
    if start is None:
        base, turn = Scales(), names.index("bearing_rad")
        vector = to_vector(base, names)
        tries = [np.where(np.arange(len(names)) == turn, np.radians(b), vector) for b in BEARINGS_DEG]
        return max(tries, key=lambda v: log_posterior(problem, v, names, base)), None
    near = _near(start)
    vector = to_vector(near.scales, names)
    if isinstance(start, Found):
        fresh = _fresh_starts(vector, names)
        best = max(fresh, key=lambda v: log_posterior(problem, v, names, near.scales))
        if best is not fresh[0]:
            return best, None
    return vector, near.curvature if near.names == tuple(names) else None
