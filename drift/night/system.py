"""The linear system behind all nights: sessions inside nights inside an instrument.

Unknowns are, for each session, its two zeros and by how much cone error and
tube-side offset stood off their usual values (a mirror that shifts when the
tube changes sides); the two axis coordinates of each night; the constants of
each instrument era and the mean of each group of declination zeros.  The
system is solved by eliminating sessions, then nights, so that the cost grows
only with the number of readings (nested Schur complements).  All is in arcsec.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from drift.cholesky import factored, solved
from drift.night.sightings import POINTING, Sessions
from drift.quantities import Floats

#: Prior standard deviations [arcsec]: wide enough to say nothing where there are data, and
#: to keep a thin night finite.  Common practice: a first alignment is within a degree or
#: two; cone errors reach half a degree; tubes droop by seconds to tens of seconds.
AXIS_PRIOR_SD = 7200.0
ZERO_PRIOR_SD = 1.0e6
CONSTANT_PRIOR_SD = np.array([1800.0, 600.0, 1800.0, 40.0])
MEAN_PRIOR_SD = 1.0e5

AXIS = slice(0, 2)  # of the outer unknowns of a session: az_error, alt_error
#: A session's own unknowns: zeros of hour angle and declination, shifts of cone error and tube-side
#: offset; and the coefficients they go with.
OWN = 4
OWN_COEFFICIENTS = np.array([0, 1, 4, 6])
#: Where the eight numbers that a reading depends on come from: rows are those of
#: `mount.instrument.first_order`, columns a session's own unknowns, axis, constants and group mean.
EIGHT = np.zeros((8, OWN + 7))
EIGHT[[0, 1, 4, 6], [0, 1, 2, 3]] = 1.0
EIGHT[[2, 3, 4, 5, 6, 7], [4, 5, 6, 7, 8, 9]] = 1.0


@dataclass(frozen=True)
class Typed:
    """Axis errors typed in: rows that see the axis directly, (m,) each [arcsec]."""

    night: np.ndarray
    az_error: Floats
    alt_error: Floats
    sd: Floats


@dataclass(frozen=True)
class SystemLayout:
    """How many of each unknown there are, and which belong together."""

    nights: int
    eras: int
    groups: int
    sessions: Sessions

    @cached_property
    def shared_columns(self) -> np.ndarray:
        """Where each session's constants and group mean are among the shared unknowns, (s, 5)."""
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

    layout: SystemLayout
    axis: Floats  # (n, 2)
    own: Floats  # (s, 4) zeros of hour angle and declination, shifts of cone error and tube-side offset
    shared: Floats  # constants of each era, then group means
    shared_cov: Floats
    night_cov: Floats  # (n, 2, 2) with the shared unknowns held
    night_gain: Floats  # (n, 2, m) how the axis follows the shared unknowns
    own_cov: Floats  # (s, 4, 4) of a session's own unknowns with everything else held
    own_gain: Floats  # (s, 4, 7) how they follow axis, constants, mean

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
        """Return the joint covariance (s, 11, 11) of own unknowns (4), axis (2), constants (4), group mean.

        With `shared` False the shared unknowns are held at their estimates.
        """
        sessions = self.layout.sessions
        night, columns = sessions.night, self.layout.shared_columns
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
        gain = self.own_gain
        mixed = gain @ outer
        out = np.zeros((sessions.size, OWN + 7, OWN + 7))
        out[:, :OWN, :OWN] = self.own_cov + mixed @ np.swapaxes(gain, 1, 2)
        out[:, :OWN, OWN:] = mixed
        out[:, OWN:, :OWN] = np.swapaxes(mixed, 1, 2)
        out[:, OWN:, OWN:] = outer
        return out

    def eight(self) -> Floats:
        """Return the eight numbers that the readings of each session depend on, (s, 8) [arcsec]."""
        sessions = self.layout.sessions
        shared = self.shared[self.layout.shared_columns]
        return np.concatenate([self.own, self.axis[sessions.night], shared], axis=1) @ EIGHT.T

    def eight_cov(self, shared: bool = True) -> Floats:
        """Return their covariance, (s, 8, 8)."""
        return np.asarray(EIGHT @ self.session_cov(shared) @ EIGHT.T)


def solve(
    grams: Floats, layout: SystemLayout, group_precision: Floats, shift_precision: float, typed: Typed
) -> Solution:
    """Solve the system from the sessions' sums.

    Parameters
    ----------
    grams
        From `drift.night.sightings.SessionRows.grams`, (s, 9, 9).
    group_precision
        One over the variance with which each session's declination zero
        scatters about its group's mean, (s,) [arcsec^-2]; 0 without a group.
    shift_precision
        One over the variance with which cone error and tube-side offset shift
        from session to session [arcsec^-2].
    typed
        Axis errors typed in.
    """
    sessions = layout.sessions
    inner = grams[:, OWN_COEFFICIENTS[:, None], OWN_COEFFICIENTS]
    inner[:, 0, 0] += np.where(sessions.source == POINTING, ZERO_PRIOR_SD**-2, 1.0)
    inner[:, 1, 1] += ZERO_PRIOR_SD**-2 + group_precision
    inner[:, 2, 2] += shift_precision
    inner[:, 3, 3] += shift_precision
    cross = np.zeros((sessions.size, OWN, 7))
    cross[:, :, :6] = grams[:, OWN_COEFFICIENTS, 2:8]
    cross[:, 1, 6] = -group_precision
    outer = np.zeros((sessions.size, 7, 7))
    outer[:, :6, :6] = grams[:, 2:8, 2:8]
    outer[:, 6, 6] = group_precision
    right = np.zeros((sessions.size, 7))
    right[:, :6] = grams[:, 2:8, 8]
    own_cov, gain, start, across, along = _eliminated(inner, cross, grams[:, OWN_COEFFICIENTS, 8])
    outer -= np.swapaxes(across, 1, 2) @ across
    right -= np.einsum("sij,si->sj", across, along)
    night_cov, night_gain, night_start, shared, shared_cov = _solve_nights(outer, right, layout, typed)
    axis = night_start + night_gain @ shared
    seen = np.concatenate([axis[sessions.night], shared[layout.shared_columns]], axis=1)
    own = start + np.einsum("sij,sj->si", gain, seen)
    return Solution(layout, axis, own, shared, shared_cov, night_cov, night_gain, own_cov, gain)


def _eliminated(block: Floats, cross: Floats, right: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Eliminate small blocks: their inverse, how they follow the rest, their start, and what they take.

    What is taken from the rest's matrix is across' across, from its right side
    across' along.  By Cholesky factors its error stays at rounding of the sums,
    however ill-conditioned a block is (a session that looked at one place only).
    """
    inverse_root = np.linalg.inv(np.linalg.cholesky(block))
    halfway = inverse_root @ np.concatenate([cross, right[:, :, None]], axis=2)
    upward = np.swapaxes(inverse_root, 1, 2)
    back = upward @ halfway
    return upward @ inverse_root, -back[:, :, :-1], back[:, :, -1], halfway[:, :, :-1], halfway[:, :, -1]


def _solve_shared(total: Floats, right: Floats, prior: Floats) -> tuple[Floats, Floats]:
    """Solve for the shared unknowns; rounding can't make them less certain than the prior."""
    total = 0.5 * (total + total.T)
    try:
        factor = factored(total)
    except np.linalg.LinAlgError:
        size, turn = np.linalg.eigh(total)
        cov = (turn / np.maximum(size, float(prior.min()))) @ turn.T
        return cov @ right, cov
    return solved(factor, right), solved(factor, np.eye(right.size))


def _by_night(layout: SystemLayout, values: Floats) -> Floats:
    """Add up what sessions bring, night by night, (s, ...) -> (n, ...)."""
    night = layout.sessions.night
    if night.size == layout.nights and np.array_equal(night, np.arange(night.size)):
        return values.copy()
    out = np.zeros((layout.nights, *values.shape[1:]))
    np.add.at(out, night, values)
    return out


def _by_shared(layout: SystemLayout, outer: Floats, right: Floats) -> tuple[Floats, Floats, Floats]:
    """Add up what ties nights to the shared unknowns, (n, 2, m), and what is their own, (m, m) and (m,)."""
    columns, m = layout.shared_columns, layout.shared
    tie, total, total_right = np.zeros((layout.nights, 2, m)), np.zeros((m, m)), np.zeros(m)
    if len(columns) and np.all(columns == columns[0]):  # one era and one group: no sorting is needed
        own = columns[0]
        tie[:, :, own] = _by_night(layout, outer[:, AXIS, 2:])
        total[np.ix_(own, own)], total_right[own] = outer[:, 2:, 2:].sum(axis=0), right[:, 2:].sum(axis=0)
        return tie, total, total_right
    night = layout.sessions.night
    np.add.at(
        tie, (night[:, None, None], np.arange(2)[None, :, None], columns[:, None, :]), outer[:, AXIS, 2:]
    )
    np.add.at(total, (columns[:, :, None], columns[:, None, :]), outer[:, 2:, 2:])
    np.add.at(total_right, columns, right[:, 2:])
    return tie, total, total_right


def _solve_nights(
    outer: Floats, right: Floats, layout: SystemLayout, typed: Typed
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Eliminate the nights' axes and solve for the shared unknowns."""
    count, m = layout.nights, layout.shared
    block = _by_night(layout, outer[:, AXIS, AXIS]) + np.eye(2) * AXIS_PRIOR_SD**-2
    block_right = _by_night(layout, right[:, AXIS])
    tie, total, total_right = _by_shared(layout, outer, right)
    for i, value in enumerate((typed.az_error, typed.alt_error)):
        block[:, i, i] += np.bincount(typed.night, typed.sd**-2.0, minlength=count)
        block_right[:, i] += np.bincount(typed.night, value * typed.sd**-2.0, minlength=count)
    prior = np.concatenate(
        [np.tile(CONSTANT_PRIOR_SD**-2.0, layout.eras), np.full(layout.groups, MEAN_PRIOR_SD**-2)]
    )
    total += np.diag(prior)
    night_cov, gain, start, across, along = _eliminated(block, tie, block_right)
    flat = across.reshape(-1, m)
    total -= flat.T @ flat
    total_right -= flat.T @ along.reshape(-1)
    shared, shared_cov = _solve_shared(total, total_right, prior)
    return night_cov, gain, start, shared, shared_cov
