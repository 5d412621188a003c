"""Scale parameters from the data: the marginal likelihood, its slope, and the search for its maximum."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from scipy.optimize import minimize

from drift.codes import OwnMovement
from drift.history.inputs import KINDS, LEAST_ODDS, Beliefs, combinations, joined, kind_of
from drift.history.model import (
    PRIORS,
    Fit,
    Model,
    Scales,
    Solver,
    believed,
    lent,
    scaled_priors,
    step_days,
    thinned,
    walk_rate,
)
from drift.quantities import Bools, Floats

# ---- The slope of the marginal likelihood along the scales, from one fit.
#
# By Fisher's identity the slope of the log marginal likelihood is that of the
# expected log density of readings, walk and amplitudes together, the expectation
# taken over the posterior at the same scales (Dempster, Laird and Rubin 1977,
# section 3; Koopman and Shephard 1992, both from memory).  The expected density
# rests on a few sums, so its slope costs next to nothing.


#: Relative step of the central differences in the variances.
STEP = 1.0e-5
#: Scales of the walk and of the causes' priors; the others are the scatter of readings.
OF_PRIORS = (
    "tilt_walk",
    "across",
    "az_creep",
    "alt_creep",
    "zero_creep",
    "season",
    "slow",
    "frost",
    "bearing_rad",
)
#: Those of them that change only the priors of causes, only the walk, and how long its steps last.
OF_CAUSES_ONLY = ("season", "slow")
OF_WALK_ONLY = ("tilt_walk", "az_creep", "alt_creep", "zero_creep")
OF_STRAYING = ("tilt_walk", "frost")


@dataclass(frozen=True)
class Sums:
    """What the expected density rests on."""

    tied: bool
    days: Floats  # (n - 1,) how long each step lasts
    strays: Floats  # (n - 1,) how far the tilt may stray from the frost in it
    square: Floats  # (n - 1, 5) expected squares of the steps
    cross: Floats  # (n - 1,) and of the two tilts with each other
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
    if fit.model.neighbours is not None:
        lent_slope = fit.model.neighbours.slope_of_scales(fit.model.frost, asdict(fit.scales), PRIORS)
        out.update({name: out[name] + more for name, more in lent_slope.items() if name in out})
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


# ---- Scale parameters from the data: maximum marginal likelihood with weak priors.


#: No logarithm strays further from its prior than this many sd.
FURTHEST = 4.0
#: Value of a trial so far out that the numbers overflow: no reading is that improbable.
HOPELESS = 1.0e12
#: Bearings tried first [deg]; a direction and its opposite are the same.
BEARINGS_DEG = (0.0, 30.0, 60.0, 90.0, 120.0, 150.0)
#: Largest slope at convergence, and most steps of the search.
AT_REST = 0.05
MOST_STEPS = 60
#: Enough readings for a first estimate of the scales.
ENOUGH = 300


def active(model: Model) -> list[str]:
    """Return the scale parameters that the readings can inform."""
    series = model.series
    names = ["tilt_walk", "across", "az_creep", "alt_creep", "season", "slow", "bearing_rad"]
    if model.frost is not None:
        names.append("frost")
    if np.any((series.zero_label != "") & ~model.ignored_zero & ~model.ignored):
        names.append("zero_repeat")
        names += [] if model.tied else ["zero_creep"]
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
        fit = problem.widely(from_vector(vector, names, base))
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
class ScalesFound:
    """The scales found, with the shape of the optimum, so that a later search starts well."""

    fit: Fit
    curvature: Floats  # (q, q) inverse Hessian of the standardised scales
    names: tuple[str, ...]

    @property
    def near(self) -> Near:
        """Where a search of a slightly larger model may start."""
        return Near(self.fit.scales, self.names, self.curvature)

    @property
    def log_posterior(self) -> float:
        """Log marginal likelihood plus the log prior of the scales, at the scales found."""
        return self.fit.log_marginal + log_prior(to_vector(self.fit.scales, self.names), self.names)


def calm(scales: Scales) -> Scales:
    """Return the scales with no walk or creep quicker than is usual."""
    quick = ("tilt_walk", "az_creep", "alt_creep", "zero_creep")
    return replace(scales, **{name: min(getattr(scales, name), PRIORS[name][0]) for name in quick})


def _fresh_starts(vector: Floats, names: list[str]) -> list[Floats]:
    """Return where to start from: the scales so far, and some of them back at their prior's middle.

    Before a step was added it was explained by a quick walk or creep; at the scales of that creep the
    likelihood is too flat to come back from.
    """
    out = [vector]
    for group in (
        ("az_creep",),
        ("alt_creep",),
        ("az_creep", "alt_creep"),
        ("tilt_walk", "az_creep", "alt_creep"),
        ("tilt_walk", "az_creep", "alt_creep", "zero_creep"),
        ("tilt_walk", "frost"),
    ):
        out.append(np.where(np.isin(names, group), 0.0, vector))
    return [*out, np.where(np.array(names) == "bearing_rad", vector, 0.0)]


def fit_scales(
    problem: Solver, start: ScalesFound | Near | None = None, at_rest: float = AT_REST
) -> ScalesFound:
    """Find the scales that make the readings most probable, and solve there.

    A long record is first thinned to every few readings, which gives nearly the same scales at a fraction
    of the cost.

    Parameters
    ----------
    problem
        The model.
    start
        An optimum of a smaller model, or scales that are nearly right.
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
    fit = lent(problem.widely(scales), problem.model.lent_odds)
    return ScalesFound(over_likely_movements(fit), curvature, tuple(names))


def over_likely_movements(fit: Fit) -> Fit:
    """Return a solution over the likely combinations of what moves by itself; its model holds them.

    Each kind of movement is first compared by itself, the other one free; then what remains of both together.
    """
    causes = tuple(cause for kind in KINDS.values() for cause in kind if cause in fit.columns.at)
    if fit.model.tied or not any(kind_of(cause) is OwnMovement.STEADY for cause in causes):
        return fit
    first, *others = dict.fromkeys(kind_of(cause) for cause in causes)
    sensor = bool(np.any(fit.model.series.instrument))
    likely = _likely(fit, combinations(causes, first, sensor))
    for kind in others:
        likely = _likely(fit, joined(likely, _likely(fit, combinations(causes, kind, sensor)), kind))
    return believed(replace(fit, model=replace(fit.model, beliefs=likely)), likely)


def _likely(fit: Fit, beliefs: Beliefs) -> Beliefs:
    """Return those combinations that have a share worth keeping."""
    return beliefs.picked(np.asarray(believed(fit, beliefs).odds) > LEAST_ODDS)


def _near(start: ScalesFound | Near) -> Near:
    return start.near if isinstance(start, ScalesFound) else start


def _first(
    problem: Solver, start: ScalesFound | Near | None, names: list[str]
) -> tuple[Floats, Floats | None]:
    """Return where the search starts, and how the optimum bends there if that is known."""
    if start is None:
        base, turn = Scales(), names.index("bearing_rad")
        vector = to_vector(base, names)
        tries = [np.where(np.arange(len(names)) == turn, np.radians(b), vector) for b in BEARINGS_DEG]
        return max(tries, key=lambda v: log_posterior(problem, v, names, base)), None
    near = _near(start)
    vector = to_vector(near.scales, names)
    if isinstance(start, ScalesFound):
        fresh = _fresh_starts(vector, names)
        best = max(fresh, key=lambda v: log_posterior(problem, v, names, near.scales))
        if best is not fresh[0]:
            return best, None
    return vector, near.curvature if near.names == tuple(names) else None
