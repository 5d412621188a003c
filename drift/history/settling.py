"""What settlement has still to do: the same curves as in the separation, with a prior that may look ahead.

Looking back, a line and two slowing curves come close to any settlement,
whatever share each of them takes.  Looking ahead the shares matter.  A line goes on
for ever, clay doesn't: Terzaghi's curve has no steady part, and what goes on after it (secondary
compression) is some hundredths of the whole in a year.  And a pace seen over a few months says nothing of
how long it will last: so a curve's whole is held likely in proportion to its time constant, which
makes every time constant as likely for a given pace.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.history.causes.settlement import TIME_CONSTANTS_YEARS, settlement_cov
from drift.history.model import Fit, Scales, Solver
from drift.history.scales import PRIORS, log_prior, to_vector
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints

#: Prior size of the line [a year], against that of the slowest curve's whole: common practice.
LINE_SHARE = 0.1
#: The causes that settle.
SETTLING = ("settlement", "slow drift of the mount")
#: Sizes of the slowest curve that are tried [arcsec].
_SIZES = np.exp(np.linspace(np.log(0.5), np.log(300.0), 33))
#: The walk of the lean is tried at these shares of what the separation found.
_WALK_SHARES = (1.0, 0.75, 0.56, 0.42, 0.32)


@dataclass(frozen=True)
class Settling:
    """What the settlement found has still to do after the last reading, lean (north, east) [arcsec].

    `left` is what the slowing curves have still to come in all; `year` what they and
    the steady line do in the coming twelve months.
    """

    left: Floats  # (2,)
    left_sd: Floats
    year: Floats
    year_sd: Floats


def looking_ahead(fit: Fit) -> Fit:
    """Return the fit with the prior under which a settlement slows down.

    The size of the curves (`scales.slow` of what is returned, that of the slowest one) is found anew, by
    how probable it makes the readings.  All else is exact for the scales of the fit: a
    change of a Gaussian prior.
    """
    at = [fit.columns.at[name] for name in SETTLING if name in fit.columns.at]
    if not at:
        return fit
    total = np.linalg.inv(fit.amplitude_cov)
    right = total @ fit.amplitude  # the columns' prior mean is 0 here, so that it stays
    before = np.linalg.inv(settlement_cov(fit.scales.slow))
    median, sd = PRIORS["slow"]
    then = len(at) * np.linalg.slogdet(before)[1] - np.linalg.slogdet(total)[1] + right @ fit.amplitude
    best, found = -np.inf, fit
    for size in _SIZES:
        after = np.linalg.inv(slowing_cov(size))
        changed = total.copy()
        for columns in at:
            changed[columns, columns] += after - before
        trial = np.linalg.solve(changed, right)
        value = len(at) * np.linalg.slogdet(after)[1] - np.linalg.slogdet(changed)[1] + right @ trial
        if value - (np.log(size / median) / sd) ** 2 > best:
            best = value - (np.log(size / median) / sd) ** 2
            found = replace(
                fit,
                scales=replace(fit.scales, slow=float(size)),
                amplitude=np.asarray(trial),
                amplitude_cov=np.linalg.inv(changed),
                log_marginal=fit.log_marginal + 0.5 * float(value - then),
            )
    moved = np.concatenate([np.zeros(5), fit.follows @ (found.amplitude - fit.amplitude)]).reshape(-1, 5)
    cov = 0.5 * (found.amplitude_cov + found.amplitude_cov.T)
    return replace(found, amplitude_cov=cov, walk=fit.walk - moved)


def with_calm_walk(problem: Solver, scales: Scales) -> Scales:
    """Return the scales with the walk of the lean that is most probable beside a settlement that slows down.

    What the separation's prior can't lay at the settlement's door is wander to it; a
    slowing settlement leaves less of that.
    """

    def log_posterior(one: Scales) -> float:
        fit = looking_ahead(problem.at(one))
        names = ("lean_walk", "slow")
        return fit.log_marginal + log_prior(to_vector(fit.scales, names), names)

    tried = [replace(scales, lean_walk=share * scales.lean_walk) for share in _WALK_SHARES]
    return max(tried, key=log_posterior)


def slowing_cov(size: float) -> Floats:
    """Return the prior covariance of the amplitudes, (6, 6), for a slowest curve of that size [arcsec]."""
    shares = np.array([LINE_SHARE, *(tau / max(TIME_CONSTANTS_YEARS) for tau in TIME_CONSTANTS_YEARS)])
    return np.kron(np.eye(2), np.diag((shares * size) ** 2))


def still_to_come(time_us: Ints) -> tuple[Floats, Floats]:
    """Return what each column of the settlement does after the last reading, (2, 6) each, north and east.

    Returns
    -------
    left, year
        Of the curves in all, without the line, which has no end; and of all in the coming year.
    """
    years = float((time_us[-1] - time_us[0]) / DAY_US / YEAR_DAYS)
    rest = np.array([np.exp(-years / tau) for tau in TIME_CONSTANTS_YEARS])
    gone = np.array([1.0 - np.exp(-1.0 / tau) for tau in TIME_CONSTANTS_YEARS])
    left, year = np.array([0.0, *rest]), np.array([1.0, *(rest * gone)])
    return np.kron(np.eye(2), left), np.kron(np.eye(2), year)


def settling_of(fit: Fit) -> Settling | None:
    """Return what the settlement has still to do, of a fit from `looking_ahead`; None where there is none."""
    at = fit.columns.at.get("settlement")
    if at is None:
        return None
    mean, cov = fit.amplitude[at], fit.amplitude_cov[at, at]
    left, year = still_to_come(fit.model.series.time_us)
    sds = (np.sqrt(np.clip(np.diagonal(w @ cov @ w.T), 0.0, None)) for w in (left, year))
    return Settling(left @ mean, next(sds), year @ mean, next(sds))
