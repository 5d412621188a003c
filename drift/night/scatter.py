"""How much good readings scatter, and how well a zero repeats: scales from the data."""

from __future__ import annotations

import numpy as np

from drift.night.sightings import POINTING, Sightings
from drift.night.system import OWN, Solution
from drift.quantities import Floats

#: Classes of scatter: pointing solves along hour angle, along declination, sweeps, runs.
CLASSES = 4
#: Prior scatter of each class [arcsec] and how many readings it counts for: common practice for a
#: good amateur mount (some arcsec), plate solves and seeing (one or two).
PRIOR_SD = np.array([5.0, 5.0, 3.0, 1.5])
PRIOR_WEIGHT = 4.0
#: A reading further out than this many sd (over both coordinates together) counts less, as 1/distance
#: (Huber 1964); under pure Gaussian scatter 4 % of readings are touched.
HUBER = 2.5
#: Mean of min(d^2, HUBER d) over 2, with d^2 chi-square with 2 degrees of freedom: makes the
#: down-weighted sum of squares unbiased.  Computed by quadrature.
HUBER_BIAS = 0.9755
#: Median of the absolute value of a unit normal.
MEDIAN_OF_NORMAL = 0.674490
#: Group repeatability: prior sd [arcsec] and its weight in sessions.
REPEAT_PRIOR_SD = 5.0
REPEAT_PRIOR_WEIGHT = 0.1
#: How far cone error and tube-side offset shift from session to session: prior sd [arcsec] and its weight.
SHIFT_PRIOR_SD = 1.0
SHIFT_PRIOR_WEIGHT = 2.0
#: Degrees of freedom of the Student distribution of declination zeros: now and then a zero is lost.
REPEAT_DOF = 3.0


def row_class(sightings: Sightings) -> np.ndarray:
    """Return the scatter class of each sighting's two coordinates, (n, 2)."""
    first = np.where(sightings.source == POINTING, 0, sightings.source + 1)
    second = np.where(sightings.source == POINTING, 1, sightings.source + 1)
    return np.stack([first, second], axis=1)


def scatter(
    residual: Floats,
    leverage: Floats,
    weight: Floats,
    share: Floats,
    classes: np.ndarray,
    valid: np.ndarray,
    robust: bool,
) -> Floats:
    """Return the scatter of each class [arcsec], (CLASSES,).

    Parameters
    ----------
    residual
        (n, 2) [arcsec].
    leverage
        Share of each reading taken up by the fit, (n, 2), 0 to 1.
    weight
        Huber weights (n,); 0 for readings set aside.
    share
        What each reading counts for, (n,); see `Sightings.share`.
    classes, valid
        Class of each coordinate and whether it was read, (n, 2).
    robust
        Use the median of the absolute residuals (start), else the weighted sum of squares.
    """
    out = PRIOR_SD.copy()
    free = np.clip(1.0 - leverage, 0.0, 1.0)
    usable = valid & (weight[:, None] > 0.0)
    for c in np.unique(classes):
        pick = (classes == c) & usable
        own = np.broadcast_to(share[:, None], residual.shape)[pick]
        count = float(np.sum(own - np.minimum(leverage[pick], own)))
        if count < 1.0:
            continue
        if robust:
            keep = pick & (free > 0.05)
            scaled = np.abs(residual[keep]) / np.sqrt(free[keep])
            square = (float(np.median(scaled)) / MEDIAN_OF_NORMAL) ** 2 if scaled.size else PRIOR_SD[c] ** 2
        else:
            weighted = np.broadcast_to(weight[:, None], residual.shape)
            square = float(np.sum(own * weighted[pick] * residual[pick] ** 2)) / (HUBER_BIAS * count)
        out[c] = np.sqrt((PRIOR_WEIGHT * PRIOR_SD[c] ** 2 + count * square) / (PRIOR_WEIGHT + count))
    return out


def repeatability(solution: Solution, cov: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Return the repeatability of declination zeros by class, and each session's precision.

    One step of the fixed point of MacKay (1992, Neural Computation 4:415, equation 4.9, from
    memory) with Student weights (Lange, Little and Taylor 1989): the sum of squares over
    the number of well-measured zeros.

    Parameters
    ----------
    cov
        From `Solution.session_cov`.
    sd
        Present repeatability of each class [arcsec], (3,).

    Returns
    -------
    sd, precision
        (3,) [arcsec] and (s,) [arcsec^-2], 0 for sessions of no group.
    """
    sessions = solution.layout.sessions
    grouped = sessions.group >= 0
    new, precision = sd.copy(), np.zeros(sessions.size)
    if not grouped.any():
        return new, precision
    mean = OWN + 6
    variance = np.maximum(cov[:, 1, 1] - 2.0 * cov[:, 1, mean] + cov[:, mean, mean], 0.0)
    off = solution.own[:, 1] - solution.means()[np.maximum(sessions.group, 0)]
    square = off**2 + variance
    for c in range(sd.size):
        pick = grouped & (sessions.group_class == c)
        if not pick.any():
            continue
        weight = (REPEAT_DOF + 1.0) / (REPEAT_DOF + square[pick] / sd[c] ** 2)
        measured = np.clip(1.0 - weight * variance[pick] / sd[c] ** 2, 0.0, 1.0)
        total = REPEAT_PRIOR_WEIGHT * REPEAT_PRIOR_SD**2 + np.sum(weight * off[pick] ** 2)
        new[c] = np.sqrt(total / (REPEAT_PRIOR_WEIGHT + measured.sum()))
        precision[pick] = weight / new[c] ** 2
    return new, precision


def shift_sd(solution: Solution, cov: Floats, sd: float) -> float:
    """Return how far cone error and tube-side offset shift from session to session [arcsec].

    One step of the same fixed point as `repeatability`.
    """
    pointing = solution.layout.sessions.source == POINTING
    shift = solution.own[pointing, 2:4]
    variance = np.diagonal(cov[pointing], axis1=1, axis2=2)[:, 2:4]
    measured = np.clip(1.0 - variance / sd**2, 0.0, 1.0)
    total = SHIFT_PRIOR_WEIGHT * SHIFT_PRIOR_SD**2 + float(np.sum(shift**2))
    return float(np.sqrt(total / (SHIFT_PRIOR_WEIGHT + float(np.sum(measured)))))
