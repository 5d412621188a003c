"""The linear system of all nights: sessions inside nights inside an instrument.

Unknowns are, for each session, its two zeros, how far cone error and tube-side offset were off their usual
values, and how far the picture was off its place on both sides alike (a mirror that shifts when the tube
changes sides settles differently on each); the two axis coordinates of each night and how much more its air
lifts than was assumed; the constants of each instrument era, the mean of each group of declination zeros,
what the nights' airs share, and by how much an alignment aid is off.  The system is solved by eliminating
sessions, then nights, so that the cost grows only with the number of readings (nested Schur complements).
All is in arcsec.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from drift.linear import factored, solved
from drift.night.sightings import POINTING, Sessions
from drift.quantities import Bools, Floats
from drift.sky.air import SHARED, VARYING, NightAir

#: Prior standard deviations [arcsec]: wide enough not to matter where there are data, and to keep a thin
#: night finite.  Common practice: a first alignment is within a degree or two; cone errors reach half a
#: degree; tubes droop by seconds to tens of seconds.
AXIS_PRIOR_SD = 7200.0
ZERO_PRIOR_SD = 1.0e6
CONSTANT_PRIOR_SD = np.array([1800.0, 600.0, 1800.0, 40.0])
MEAN_PRIOR_SD = 1.0e5
#: How far what is read off an alignment aid is off on all nights alike, each coordinate [arcsec]: common
#: practice, two aids on one mount differ by a quarter to half an arcminute (which pole, whose refraction,
#: where their camera or star was centred).
AID_SD, AID = 20.0, 2

AXIS = slice(0, 2)  # of a night's unknowns: az_error, alt_error
#: A session's own unknowns: zeros of hour angle and declination, shifts of cone error, tube-side offset and
#: of the picture across on both sides alike; and the coefficients they go with.
OWN = 5
OWN_COEFFICIENTS = np.array([0, 1, 4, 6, 8])
SHIFTS = slice(2, OWN)
#: A night's unknowns: the axis and the air's lift; and the coefficients they go with.
NIGHT = 3
LIFT = 2
NIGHT_COEFFICIENTS = np.array([2, 3, 9])
#: What the sessions of a night share with others: a night's unknowns, the four constants, the group's mean.
OUTER = NIGHT + 5
OUTER_COEFFICIENTS = np.array([*NIGHT_COEFFICIENTS, 4, 5, 6, 7])
#: Where the ten numbers that a reading depends on come from: rows are those of
#: `mount.instrument.first_order_of_night`, columns a session's own and outer unknowns.
TEN = np.zeros((10, OWN + OUTER))
TEN[OWN_COEFFICIENTS, np.arange(OWN)] = 1.0
TEN[OUTER_COEFFICIENTS, OWN + np.arange(OUTER - 1)] = 1.0


@dataclass(frozen=True)
class Typed:
    """Axis errors typed in: rows that see the axis directly, (m,) each [arcsec]."""

    night: np.ndarray
    az_error: Floats
    alt_error: Floats
    sd: Floats

    def picked(self, pick: Bools) -> Typed:
        """Return some of the rows."""
        return Typed(self.night[pick], self.az_error[pick], self.alt_error[pick], self.sd[pick])


@dataclass(frozen=True)
class SystemLayout:
    """The number of each kind of unknown, and which belong together."""

    nights: int
    eras: int
    groups: int
    sessions: Sessions
    air: NightAir

    @cached_property
    def shared_columns(self) -> np.ndarray:
        """Where each session's constants and group mean are among the shared unknowns, (s, 5)."""
        base = 4 * self.sessions.era[:, None] + np.arange(4)
        group = 4 * self.eras + np.maximum(self.sessions.group, 0)
        return np.concatenate([base, group[:, None]], axis=1)

    @property
    def shared(self) -> int:
        """How many unknowns nights share: constants, means of groups, errors of the air and of the aid."""
        return 4 * self.eras + self.groups + SHARED + AID

    @property
    def air_columns(self) -> slice:
        """Where the shared errors of the air are among the shared unknowns."""
        return slice(4 * self.eras + self.groups, self.shared - AID)

    @property
    def aid_columns(self) -> slice:
        """Where the errors of the alignment aid are among the shared unknowns."""
        return slice(self.shared - AID, self.shared)


@dataclass(frozen=True)
class OwnSpread:
    """How well each session's own unknowns are known [arcsec^2]."""

    own: Floats  # (s, 5) variances
    zero_with_mean: Floats  # (s,) covariance of the declination zero with its group's mean
    mean: Floats  # (s,) variance of that mean


@dataclass(frozen=True)
class Solution:
    """The solved system: estimates, and what is needed for covariances."""

    layout: SystemLayout
    night: Floats  # (n, 3) axis and the air's lift
    own: Floats  # (s, 5) zeros of hour angle and declination, shifts
    shared: Floats  # constants of each era, then group means, errors of the air, errors of the aid
    shared_cov: Floats
    night_cov: Floats  # (n, 3, 3) with the shared unknowns held
    night_gain: Floats  # (n, 3, m) how the night's unknowns follow the shared ones
    own_cov: Floats  # (s, 5, 5) of a session's own unknowns with everything else held
    own_gain: Floats  # (s, 5, 8) how they follow the night's, constants, mean

    @property
    def axis(self) -> Floats:
        """The axis of each night, (n, 2)."""
        return self.night[:, AXIS]

    def constants(self) -> Floats:
        """Return the constants, (eras, 4)."""
        eras = self.layout.eras
        return self.shared[: 4 * eras].reshape(eras, 4)

    def means(self) -> Floats:
        """Return the means of the groups of declination zeros."""
        return self.shared[4 * self.layout.eras : self.layout.air_columns.start]

    def air(self) -> Floats:
        """Return the shared errors of the air, (4,)."""
        return self.shared[self.layout.air_columns]

    def varying_cov(self, with_aid: bool = False) -> Floats:
        """Return the covariance of the shared unknowns with all held that is the same on every night, (m, m).

        What is left is the season's part of the air: no night has it as another one has.

        Parameters
        ----------
        with_aid
            Whether the errors of an alignment aid are left too, as where only some nights rest on one.
        """
        out = np.zeros_like(self.shared_cov)
        start = self.layout.air_columns.start
        season = slice(start + VARYING.start, start + VARYING.stop)
        out[season, season] = self.shared_cov[season, season]
        if with_aid:
            aid = self.layout.aid_columns
            out[aid, aid] = self.shared_cov[aid, aid]
        return out

    def axis_cov(self, shared_cov: Floats | None = None) -> Floats:
        """Return the axis covariance of each night, (n, 2, 2), by default with all that is shared."""
        gain = self.night_gain[:, AXIS]
        spread = gain @ (self.shared_cov if shared_cov is None else shared_cov)
        return self.night_cov[:, AXIS, AXIS] + spread @ np.swapaxes(gain, 1, 2)

    def session_cov(self, shared_cov: Floats | None = None) -> Floats:
        """Return the joint covariance (s, 13, 13) of own unknowns, night's, constants, group mean.

        Parameters
        ----------
        shared_cov
            Of the shared unknowns, (m, m); by default what was found, zeros hold them at their estimates.
        """
        outer = self._outer_cov(self.shared_cov if shared_cov is None else shared_cov)
        gain = self.own_gain
        mixed = gain @ outer
        size = self.layout.sessions.size
        out = np.zeros((size, OWN + OUTER, OWN + OUTER))
        out[:, :OWN, :OWN] = self.own_cov + mixed @ np.swapaxes(gain, 1, 2)
        out[:, :OWN, OWN:] = mixed
        out[:, OWN:, :OWN] = np.swapaxes(mixed, 1, 2)
        out[:, OWN:, OWN:] = outer
        return out

    def own_spread(self) -> OwnSpread:
        """Return the variances of each session's own unknowns: the part of `session_cov` that scales need."""
        outer = self._outer_cov(self.shared_cov)
        mixed = self.own_gain @ outer
        own = np.diagonal(self.own_cov, axis1=1, axis2=2) + np.sum(mixed * self.own_gain, axis=2)
        return OwnSpread(own, mixed[:, 1, -1], outer[:, -1, -1])

    def _outer_cov(self, shared_cov: Floats) -> Floats:
        """Return the joint covariance of night's unknowns, constants and group mean, (s, 8, 8)."""
        sessions = self.layout.sessions
        night, columns = sessions.night, self.layout.shared_columns
        outer = np.zeros((sessions.size, OUTER, OUTER))
        outer[:, :NIGHT, :NIGHT] = self.night_cov[night]
        if shared_cov.any():
            cov_rows = shared_cov[columns]  # (s, 5, m)
            gain = self.night_gain[night]
            cross = gain @ np.swapaxes(cov_rows, 1, 2)  # (s, 3, 5)
            outer[:, :NIGHT, :NIGHT] += (gain @ shared_cov) @ np.swapaxes(gain, 1, 2)
            outer[:, :NIGHT, NIGHT:] = cross
            outer[:, NIGHT:, :NIGHT] = np.swapaxes(cross, 1, 2)
            outer[:, NIGHT:, NIGHT:] = np.take_along_axis(cov_rows, columns[:, None, :], axis=2)
        return outer

    def ten(self) -> Floats:
        """Return the ten numbers that the readings of each session depend on, (s, 10) [arcsec]."""
        sessions = self.layout.sessions
        shared = self.shared[self.layout.shared_columns]
        return np.concatenate([self.own, self.night[sessions.night], shared], axis=1) @ TEN.T

    def ten_cov(self, shared_cov: Floats | None = None) -> Floats:
        """Return their covariance, (s, 10, 10); `shared_cov` as for `session_cov`."""
        return np.asarray(TEN @ self.session_cov(shared_cov) @ TEN.T)


def solve(
    grams: Floats, layout: SystemLayout, group_precision: Floats, shift_precision: Floats, typed: Typed
) -> Solution:
    """Solve the system from the sessions' sums.

    Parameters
    ----------
    grams
        From `drift.night.sightings.SessionRows.grams`, (s, 11, 11).
    group_precision
        One over the variance with which each session's declination zero
        scatters about its group's mean, (s,) [arcsec^-2]; 0 without a group.
    shift_precision
        One over the variance with which constants shift from session to session,
        (2,), see `drift.night.fit.shift_sd` [arcsec^-2].
    typed
        Axis errors typed in.
    """
    sessions = layout.sessions
    inner = grams[:, OWN_COEFFICIENTS[:, None], OWN_COEFFICIENTS]
    inner[:, 0, 0] += np.where(sessions.source == POINTING, ZERO_PRIOR_SD**-2, 1.0)
    inner[:, 1, 1] += ZERO_PRIOR_SD**-2 + group_precision
    for shift, precision in zip(range(SHIFTS.start, SHIFTS.stop), shift_precision[[0, 0, 1]], strict=True):
        inner[:, shift, shift] += precision
    cross = np.zeros((sessions.size, OWN, OUTER))
    cross[:, :, :-1] = grams[:, OWN_COEFFICIENTS[:, None], OUTER_COEFFICIENTS]
    cross[:, 1, -1] = -group_precision
    outer = np.zeros((sessions.size, OUTER, OUTER))
    outer[:, :-1, :-1] = grams[:, OUTER_COEFFICIENTS[:, None], OUTER_COEFFICIENTS]
    outer[:, -1, -1] = group_precision
    right = np.zeros((sessions.size, OUTER))
    right[:, :-1] = grams[:, OUTER_COEFFICIENTS, -1]
    own_cov, gain, start, across, along = eliminated(inner, cross, grams[:, OWN_COEFFICIENTS, -1])
    outer -= np.swapaxes(across, 1, 2) @ across
    right -= np.einsum("sij,si->sj", across, along)
    night_cov, night_gain, night_start, shared, shared_cov = _solve_nights(outer, right, layout, typed)
    of_nights = night_start + night_gain @ shared
    seen = np.concatenate([of_nights[sessions.night], shared[layout.shared_columns]], axis=1)
    own = start + np.einsum("sij,sj->si", gain, seen)
    return Solution(layout, of_nights, own, shared, shared_cov, night_cov, night_gain, own_cov, gain)


def eliminated(block: Floats, cross: Floats, right: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
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


def by_night(layout: SystemLayout, values: Floats) -> Floats:
    """Add up what sessions bring, night by night, (s, ...) -> (n, ...)."""
    night = layout.sessions.night
    if night.size == layout.nights and np.array_equal(night, np.arange(night.size)):
        return values.copy()
    out = np.zeros((layout.nights, *values.shape[1:]))
    np.add.at(out, night, values)
    return out


def _by_shared(layout: SystemLayout, outer: Floats, right: Floats) -> tuple[Floats, Floats, Floats]:
    """Add up what ties nights to the shared unknowns, (n, 3, m), and what is their own, (m, m) and (m,)."""
    columns, m = layout.shared_columns, layout.shared
    tie, total, total_right = np.zeros((layout.nights, NIGHT, m)), np.zeros((m, m)), np.zeros(m)
    if len(columns) and np.all(columns == columns[0]):  # one era and one group: no sorting is needed
        own = columns[0]
        tie[:, :, own] = by_night(layout, outer[:, :NIGHT, NIGHT:])
        total[np.ix_(own, own)] = outer[:, NIGHT:, NIGHT:].sum(axis=0)
        total_right[own] = right[:, NIGHT:].sum(axis=0)
        return tie, total, total_right
    night = layout.sessions.night
    at = night[:, None, None], np.arange(NIGHT)[None, :, None], columns[:, None, :]
    np.add.at(tie, at, outer[:, :NIGHT, NIGHT:])
    np.add.at(total, (columns[:, :, None], columns[:, None, :]), outer[:, NIGHT:, NIGHT:])
    np.add.at(total_right, columns, right[:, NIGHT:])
    return tie, total, total_right


def _solve_nights(
    outer: Floats, right: Floats, layout: SystemLayout, typed: Typed
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Eliminate the nights' unknowns and solve for the shared ones."""
    count, m, air = layout.nights, layout.shared, layout.air
    block = by_night(layout, outer[:, :NIGHT, :NIGHT])
    block[:, [0, 1], [0, 1]] += AXIS_PRIOR_SD**-2
    block[:, LIFT, LIFT] += air.sd**-2.0
    block_right = by_night(layout, right[:, :NIGHT])
    tie, total, total_right = _by_shared(layout, outer, right)
    tied = air.shared * air.sd[:, None] ** -2.0  # a night's lift scatters about what the nights share
    tie[:, LIFT, layout.air_columns] -= tied
    total[layout.air_columns, layout.air_columns] += air.shared.T @ tied
    for i, value in enumerate((typed.az_error, typed.alt_error)):
        block[:, i, i] += np.bincount(typed.night, typed.sd**-2.0, minlength=count)
        block_right[:, i] += np.bincount(typed.night, value * typed.sd**-2.0, minlength=count)
        aid = layout.aid_columns.start + i  # what was typed is the axis and what the aid is off by
        tie[:, i, aid] += np.bincount(typed.night, typed.sd**-2.0, minlength=count)
        total[aid, aid] += np.sum(typed.sd**-2.0)
        total_right[aid] += np.sum(value * typed.sd**-2.0)
    prior = np.concatenate(
        [
            np.tile(CONSTANT_PRIOR_SD**-2.0, layout.eras),
            np.full(layout.groups, MEAN_PRIOR_SD**-2),
            air.shared_sd**-2.0,
            np.full(AID, AID_SD**-2),
        ]
    )
    total += np.diag(prior)
    night_cov, gain, start, across, along = eliminated(block, tie, block_right)
    flat = across.reshape(-1, m)
    total -= flat.T @ flat
    total_right -= flat.T @ along.reshape(-1)
    shared, shared_cov = _solve_shared(total, total_right, prior)
    return night_cov, gain, start, shared, shared_cov
