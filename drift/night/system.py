"""The linear system behind all nights: sessions inside nights inside an instrument.

Unknowns are the two zeros of each session, the two axis coordinates of each
night, the constants of each instrument era and the mean of each group of
declination zeros.  The system is solved by eliminating sessions, then nights,
so that the cost grows only with the number of readings (nested Schur
complements; Golub and Van Loan, Matrix Computations, section on block
elimination).  All is in arcsec.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from drift.night.sightings import POINTING, Sessions, Sightings
from drift.quantities import Floats

#: Prior standard deviations [arcsec]: wide enough to say nothing where there are data, and
#: to keep a thin night finite.  Common practice: a first alignment is within a degree or
#: two; cone errors reach half a degree; tubes droop by seconds to tens of seconds.
AXIS_PRIOR_SD = 7200.0
ZERO_PRIOR_SD = 1.0e6
CONSTANT_PRIOR_SD = np.array([1800.0, 600.0, 1800.0, 40.0])
MEAN_PRIOR_SD = 1.0e5

AXIS = slice(0, 2)  # of the outer unknowns of a session: az_error, alt_error
CONST = slice(2, 6)


@dataclass(frozen=True)
class Typed:
    """Axis errors typed in: rows that see the axis directly, (m,) each [arcsec]."""

    night: np.ndarray
    az_error: Floats
    alt_error: Floats
    sd: Floats


@dataclass(frozen=True)
class Layout:
    """How many of each unknown there are, and which belong together."""

    nights: int
    eras: int
    groups: int
    sessions: Sessions

    def shared_columns(self) -> np.ndarray:
        """Return where each session's constants and group mean are among the shared unknowns, (s, 5)."""
        base = 4 * self.sessions.era[:, None] + np.arange(4)
        group = 4 * self.eras + np.maximum(self.sessions.group, 0)
        return np.concatenate([base, group[:, None]], axis=1)

    @property
    def shared(self) -> int:
        """How many unknowns are shared by nights."""
        return 4 * self.eras + self.groups


@dataclass(frozen=True)
class Solution:
    """The solved system: estimates, and what is needed for covariances."""

    layout: Layout
    axis: Floats  # (n, 2)
    zeros: Floats  # (s, 2) hour angle, declination
    shared: Floats  # constants of each era, then group means
    shared_cov: Floats
    night_cov: Floats  # (n, 2, 2) with the shared unknowns held
    night_gain: Floats  # (n, 2, m) how the axis follows the shared unknowns
    inner_cov: Floats  # (s, 2, 2) of the zeros with everything else held
    inner_gain: Floats  # (s, 2, 7) how the zeros follow axis, constants, mean

    def constants(self) -> Floats:
        """Return the constants, (eras, 4)."""
        eras = self.layout.eras
        return self.shared[: 4 * eras].reshape(eras, 4)

    def means(self) -> Floats:
        """Return the means of the groups of declination zeros."""
        return self.shared[4 * self.layout.eras :]

    def axis_cov(self) -> Floats:
        """Return the axis covariance of each night, constants' uncertainty included, (n, 2, 2)."""
        spread = self.night_gain @ self.shared_cov
        return self.night_cov + spread @ np.swapaxes(self.night_gain, 1, 2)

    def session_cov(self, shared: bool = True) -> Floats:
        """Return the joint covariance (s, 9, 9) of zeros (2), axis (2), constants (4) and group mean.

        With `shared` False the shared unknowns are held at their estimates.
        """
        sessions = self.layout.sessions
        night, columns = sessions.night, self.layout.shared_columns()
        outer = np.zeros((sessions.size, 7, 7))
        outer[:, AXIS, AXIS] = self.night_cov[night]
        if shared:
            cov_rows = self.shared_cov[columns]  # (s, 5, m)
            gain = self.night_gain[night]
            cross = gain @ np.swapaxes(cov_rows, 1, 2)  # (s, 2, 5)
            outer[:, AXIS, AXIS] += (gain @ self.shared_cov) @ np.swapaxes(gain, 1, 2)
            outer[:, AXIS, 2:] = cross
            outer[:, 2:, AXIS] = np.swapaxes(cross, 1, 2)
            outer[:, 2:, 2:] = np.take_along_axis(cov_rows, columns[:, None, :], axis=2)
        gain = self.inner_gain
        mixed = gain @ outer
        out = np.zeros((sessions.size, 9, 9))
        out[:, :2, :2] = self.inner_cov + mixed @ np.swapaxes(gain, 1, 2)
        out[:, :2, 2:] = mixed
        out[:, 2:, :2] = np.swapaxes(mixed, 1, 2)
        out[:, 2:, 2:] = outer
        return out


def session_grams(sightings: Sightings, readings: Floats, weights: Floats, sessions: int) -> Floats:
    """Sum the weighted products of coefficients and readings of each session, (s, 9, 9).

    Parameters
    ----------
    readings
        Misfit plus coefficients times the present unknowns, (n, 2) [arcsec].
    weights
        One over the variance, (n, 2) [arcsec^-2]; 0 for what is not used.
    """
    rows = np.concatenate([sightings.coefficients, readings[:, :, None]], axis=2)
    products = np.einsum("nik,nil,ni->nkl", rows, rows, weights, optimize=True)
    starts = np.searchsorted(sightings.session, np.arange(sessions))
    if not sightings.size:
        return np.zeros((sessions, 9, 9))
    sums: Floats = np.add.reduceat(products, np.minimum(starts, sightings.size - 1), axis=0)
    sums[np.diff(np.append(starts, sightings.size)) == 0] = (
        0.0  # reduceat repeats an element for empty slices
    )
    return sums


def solve(grams: Floats, layout: Layout, group_precision: Floats, typed: Typed) -> Solution:
    """Solve the system from the sessions' sums.

    Parameters
    ----------
    grams
        From `session_grams`, (s, 9, 9).
    group_precision
        One over the variance with which each session's declination zero
        scatters about its group's mean, (s,) [arcsec^-2]; 0 without a group.
    typed
        Axis errors typed in.
    """
    sessions = layout.sessions
    inner = grams[:, :2, :2].copy()
    inner[:, 0, 0] += np.where(sessions.source == POINTING, ZERO_PRIOR_SD**-2, 1.0)
    inner[:, 1, 1] += ZERO_PRIOR_SD**-2 + group_precision
    cross = np.zeros((sessions.size, 2, 7))
    cross[:, :, :6] = grams[:, :2, 2:8]
    cross[:, 1, 6] = -group_precision
    outer = np.zeros((sessions.size, 7, 7))
    outer[:, :6, :6] = grams[:, 2:8, 2:8]
    outer[:, 6, 6] = group_precision
    right = np.zeros((sessions.size, 7))
    right[:, :6] = grams[:, 2:8, 8]
    inner_cov = np.linalg.inv(inner) if sessions.size else inner  # 2 x 2 each, positive definite
    gain = -inner_cov @ cross
    start = np.einsum("sij,sj->si", inner_cov, grams[:, :2, 8])
    outer += np.swapaxes(cross, 1, 2) @ gain
    right += np.einsum("sij,si->sj", gain, grams[:, :2, 8])
    night_cov, night_gain, night_start, shared, shared_cov = _solve_nights(outer, right, layout, typed)
    axis = night_start + night_gain @ shared
    seen = np.concatenate([axis[sessions.night], shared[layout.shared_columns()]], axis=1)
    zeros = start + np.einsum("sij,sj->si", gain, seen)
    return Solution(layout, axis, zeros, shared, shared_cov, night_cov, night_gain, inner_cov, gain)


def _solve_nights(
    outer: Floats, right: Floats, layout: Layout, typed: Typed
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Eliminate the nights' axes and solve for the shared unknowns."""
    sessions, count, m = layout.sessions, layout.nights, layout.shared
    columns = layout.shared_columns()
    block = np.zeros((count, 2, 2)) + np.eye(2) * AXIS_PRIOR_SD**-2
    block_right = np.zeros((count, 2))
    tie = np.zeros((count, 2, m))
    np.add.at(block, sessions.night, outer[:, AXIS, AXIS])
    np.add.at(block_right, sessions.night, right[:, AXIS])
    np.add.at(
        tie,
        (sessions.night[:, None, None], np.arange(2)[None, :, None], columns[:, None, :]),
        outer[:, AXIS, 2:],
    )
    for i, value in enumerate((typed.az_error, typed.alt_error)):
        block[:, i, i] += np.bincount(typed.night, typed.sd**-2.0, minlength=count)
        block_right[:, i] += np.bincount(typed.night, value * typed.sd**-2.0, minlength=count)
    total = np.diag(
        np.concatenate(
            [np.tile(CONSTANT_PRIOR_SD**-2.0, layout.eras), np.full(layout.groups, MEAN_PRIOR_SD**-2)]
        )
    )
    total_right = np.zeros(m)
    np.add.at(total, (columns[:, :, None], columns[:, None, :]), outer[:, 2:, 2:])
    np.add.at(total_right, columns, right[:, 2:])
    night_cov = np.linalg.inv(block)
    gain = -night_cov @ tie
    start = np.einsum("nij,nj->ni", night_cov, block_right)
    total += np.einsum("nik,nil->kl", tie, gain, optimize=True)
    total_right += np.einsum("nik,ni->k", gain, block_right)
    factor = cho_factor(0.5 * (total + total.T))
    return night_cov, gain, start, cho_solve(factor, total_right), cho_solve(factor, np.eye(m))
