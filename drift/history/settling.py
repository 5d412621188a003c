"""What settlement has still to do."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.history.causes.settlement import TIME_CONSTANTS_YEARS
from drift.history.model import Scales, Solver
from drift.history.scales import log_prior, to_vector
from drift.quantities import DAY_US, YEAR_DAYS, Floats, Ints

#: Sizes of the slowest settlement [arcsec], and of the lean's wander as factors of what was found, that
#: what is still to come is averaged over.
_SETTLEMENT_ARCSEC = tuple(np.geomspace(0.5, 200.0, 8).tolist())
_WALK_FACTORS = (0.05, 0.2, 0.5, 1.0)
_AVERAGED = ("slow", "lean_walk")


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


def settling_of(problem: Solver, scales: Scales) -> Settling | None:
    """Return what the settlement has still to do, None where there is none.

    Wander and settlement may pass for one another, and the likeliest sizes may leave
    all of it to one of them: so it is averaged over sizes of both, by how probable each pair
    makes the readings.

    Parameters
    ----------
    problem
        The model; some hundreds of readings are enough.
    scales
        As fitted.
    """
    first = problem.at(scales)
    at = first.columns.at.get("settlement")
    if at is None:
        return None
    left, year = still_to_come(first.model.series.time_us)
    weighed, means, squares = [], [], []
    for tried in _scales_about(scales):
        fit = problem.at(tried)
        weighed.append(fit.log_marginal + log_prior(to_vector(tried, _AVERAGED), _AVERAGED))
        mean, cov = fit.amplitude[at], fit.amplitude_cov[at, at]
        means.append(np.array([left @ mean, year @ mean]))
        squares.append(means[-1] ** 2 + [np.diagonal(w @ cov @ w.T) for w in (left, year)])
    share = np.exp(np.array(weighed) - max(weighed))
    share /= share.sum()
    middle = np.tensordot(share, means, axes=1)
    sd = np.sqrt(np.clip(np.tensordot(share, squares, axes=1) - middle**2, 0.0, None))
    return Settling(middle[0], sd[0], middle[1], sd[1])


def _scales_about(scales: Scales) -> list[Scales]:
    """Return the scales with other sizes of settlement and wander, evenly spaced in their logarithms."""
    walks = scales.lean_walk * np.array(_WALK_FACTORS)
    return [
        replace(scales, slow=float(slow), lean_walk=float(walk))
        for slow in _SETTLEMENT_ARCSEC
        for walk in walks
    ]
