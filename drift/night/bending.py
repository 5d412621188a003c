"""How the instrument bends with the hour angle, beyond its droop: tube, bearings and circles.

A tube that gives to the east and to the west of the meridian, an axis whose bearing is not round, a gear or a
circle that sits off its centre: each moves the picture by seconds to tens of seconds of arc, the same on
every night at the same place of the sky.  In declination alone that is what an axis off the pole does; so the
axis takes it up, to the same amount on all nights that saw the same part of the sky, and looks as if it had
moved where one night saw the east and the next one the west.  Only right ascension, at several declinations,
tells the two apart.

All bends are linear in twelve unknowns an era of the instrument, so that they are found from a finished fit:
each column is taken through the same fit as the readings are, and what is left of it is held against what is
left of them.  Where bends are likelier than none to speak of, the readings are freed of them and fitted
again.  Their uncertainty, or that of none to speak of, goes into the axes.

Bends may also change one day, as when rings are tightened.  Every session by itself says a little of them,
whatever its axis; bends that change at one night are weighed against bends that stay, and against such that
go slowly, with time or with the season.

Rejected: bends among the constants of every fit (half as many unknowns again, for all mounts).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from drift.night.fit import FitState, row_sd
from drift.night.sightings import POINTING, SessionRows, Sightings
from drift.night.system import AXIS_PRIOR_SD, CONSTANT_PRIOR_SD, ZERO_PRIOR_SD, Typed, solve
from drift.quantities import ARCSEC_PER_RAD, DAY_US, YEAR_DAYS, Bools, Floats, Ints

#: Unknowns of each era, in the order of `bend_columns`.
BENDS = 12
#: How far instruments bend, each unknown [arcsec], from one that does not to speak of, and how common each
#: is: common practice, tubes and shafts of amateur mounts give by 5 to 20", and the best by a second or two.
BENT_SDS, BENT_SHARES = (2.0, 5.0, 10.0, 20.0, 40.0), (0.5, 0.25, 0.16, 0.08, 0.01)
#: Chance that it bends, and by how much at least [arcsec], from which the readings are freed of what is
#: likely of it: our own rule.
BENT_CHANCE, WORTH_ARCSEC = 0.1, 1.0


@dataclass(frozen=True)
class Bending:
    """How the instrument bends, k = `BENDS` times eras, and how that moves what was fitted.

    Parameters
    ----------
    values, cov
        (k,) and (k, k) [arcsec]: what is to be taken off the readings, and its uncertainty.
    chance
        That it bends to speak of.
    axis
        (n, 2, k) by how much each night's axis is moved by a unit of each.
    zero
        (s, k) by how much the hour-angle zero of each session is.
    """

    values: Floats
    cov: Floats
    chance: float
    axis: Floats
    zero: Floats

    def left_alone(self) -> Bending:
        """Return it with the bends left in the readings: what they are is as uncertain as they are large."""
        out = np.zeros_like(self.values)
        return replace(self, values=out, cov=self.cov + self.values[:, None] * self.values)

    def pulls(self, session_of: Ints) -> Floats:
        """Return by how much axis and hour-angle zero of each night are moved, (n, 3, k).

        Parameters
        ----------
        session_of
            (n,) the session whose zero stands for the night; -1 for none.
        """
        zero = np.zeros((session_of.size, self.values.size))
        zero[session_of >= 0] = self.zero[session_of[session_of >= 0]]
        return np.concatenate([self.axis, zero[:, None, :]], axis=1)

    def spread(self, pull: Floats) -> Floats:
        """Return the covariances (n, 3, 3) that the uncertainty of the bends makes of some pulls."""
        return np.asarray(pull @ self.cov @ np.swapaxes(pull, 1, 2))


def bend_columns(hour_angle: Floats, dec: Floats, side: Floats) -> Floats:
    """Return by how much mechanical exceeds true readings for a unit of each bend, (n, 2, 12).

    Rows are cos(dec) dH and dD.  With H the hour angle and D the declination, dD has the columns sin H,
    cos H, sin 2H, cos 2H, and sin H and cos H times the tube side; then cos(dec) dH has cos D times sin H and
    cos H, sin D times sin 2H and cos 2H, and cos D times sin H and cos H times the side.  First harmonics are
    tubes that give, and circles off their centre, which turn with the axis and so change their sign with the
    side; second ones are a bearing that is not round.

    Parameters
    ----------
    hour_angle, dec
        True place, (n,) [rad].
    side
        Tube side, (n,).
    """
    sin_h, cos_h = np.sin(hour_angle), np.cos(hour_angle)
    sin_2h, cos_2h = np.sin(2.0 * hour_angle), np.cos(2.0 * hour_angle)
    sin_d, cos_d = np.sin(dec), np.cos(dec)
    out = np.zeros((hour_angle.size, 2, BENDS))
    out[:, 1, :6] = np.stack([sin_h, cos_h, sin_2h, cos_2h, side * sin_h, side * cos_h], axis=1)
    across = [cos_d * sin_h, cos_d * cos_h, sin_d * sin_2h, sin_d * cos_2h]
    out[:, 0, 6:] = np.stack([*across, side * cos_d * sin_h, side * cos_d * cos_h], axis=1)
    return out


def _columns(sightings: Sightings) -> Floats:
    out = bend_columns(sightings.ha, sightings.dec, sightings.side)
    out[~np.isfinite(sightings.mech_ha_rad), 0] = 0.0  # no hour angle was read
    return out


def bending(sightings: Sightings, state: FitState, typed: Typed) -> Bending:
    """Find how the instrument bends from a fit of all nights.

    Parameters
    ----------
    sightings, state
        The fit; readings that were set aside have no weight in it.
    typed
        Axis errors typed in, as the fit took them.
    """
    layout = state.layout
    sessions, eras = layout.sessions, layout.eras
    weight = (state.weight * sightings.share)[:, None] / row_sd(sightings, state.scales) ** 2
    rows = SessionRows(sightings, sessions.size)
    nothing = np.zeros(typed.night.size)
    none_typed = Typed(typed.night, nothing, nothing, typed.sd)
    own_era = sessions.era[sightings.session]
    columns, left, axis, zero = [], [], [], []
    for era in range(eras):
        here = (own_era == era)[:, None, None] * _columns(sightings)
        for column in np.moveaxis(here, 2, 0):
            grams = rows.grams(column, weight)
            solution = solve(grams, layout, state.precision, state.scales.shift**-2.0, none_typed)
            columns.append(column)
            left.append(column - rows.times(solution.ten()))
            axis.append(solution.axis)
            zero.append(solution.own[:, 0])
    weighted = np.reshape(columns, (BENDS * eras, -1)) * weight.ravel()
    information = weighted @ np.reshape(left, (BENDS * eras, -1)).T
    information = 0.5 * (information + information.T)
    score = weighted @ state.residual.ravel()
    values, cov, chance = _likely_bends(information, score)
    return Bending(values, cov, chance, np.stack(axis, axis=2), np.stack(zero, axis=1))


def _likely_bends(information: Floats, score: Floats) -> tuple[Floats, Floats, float]:
    """Return the likely bends, their uncertainty, and the chance that there are any to speak of."""
    means, covs, evidence = [], [], []
    for sd in BENT_SDS:
        cov = np.linalg.inv(information + np.eye(score.size) * sd**-2.0)
        means.append(cov @ score)
        covs.append(cov)
        size = np.linalg.slogdet(cov)[1] - 2.0 * score.size * np.log(sd)
        evidence.append(0.5 * float(score @ means[-1]) + 0.5 * float(size))
    share = np.exp(np.array(evidence) - max(evidence)) * BENT_SHARES
    share /= share.sum()
    values = np.einsum("i,ij->j", share, means)
    apart = np.array(means) - values
    cov = np.einsum("i,ijk->jk", share, np.array(covs) + apart[:, :, None] * apart[:, None, :])
    return values, cov, 1.0 - float(share[0])


def bends_of(sightings: Sightings, era: Ints, values: Floats) -> Floats:
    """Return by how much each reading is bent, (n, 2) of cos(dec) dH and dD [arcsec].

    Parameters
    ----------
    era
        (n,) the instrument's era of each sighting.
    values
        From `bending`.
    """
    own = values.reshape(-1, BENDS)[era]
    return np.asarray((_columns(sightings) @ own[:, :, None])[:, :, 0])


def straightened(sightings: Sightings, era: Ints, values: Floats) -> Sightings:
    """Return sightings with what the mount read freed of bends; parameters as for `bends_of`."""
    bent = bends_of(sightings, era, values) / ARCSEC_PER_RAD
    return replace(
        sightings,
        mech_ha_rad=sightings.mech_ha_rad - bent[:, 0] / np.cos(sightings.dec),
        mech_dec_rad=sightings.mech_dec_rad - bent[:, 1],
    )


# ---- Bends that change one day: rings tightened, a guide telescope moved, a counterweight set elsewhere.


class BendChange(NamedTuple):
    """Bends that are others from one night on, and nobody wrote down why."""

    after_us: int  # last solve that is surely before it
    before_us: int  # first solve that is surely after it
    from_us: int  # first solve of the likeliest time
    log_odds: float  # for a change against none


#: A change is looked for with so many sessions on each side, about a year's: fewer can't tell bends that
#: changed from an axis that moved; with fewer than the second on a side nothing is said.
WINDOW_SESSIONS, FEWEST_SESSIONS = 60, 3
#: Log odds for a change from which it is believed, and so much against bends that go on a line with time or
#: with the season, as a focuser that stiffens in the cold: our own rule.  Where nothing changed the odds were
#: under 1.2 in eight invented histories; tubes that became stiff from bends of 10 to 20 arcsec gave 38 to 62.
LEAST_LOG_ODDS, LEAST_OVER_SLOW = 15.0, 5.0
#: A change so much less likely than the likeliest, in log odds, may still be it: one in a hundred.
MAY_STILL_BE = 4.6
#: Solves that a session needs to have an opinion.
_FEWEST_SOLVES = 4
#: The ten numbers of a reading that each session has for itself, and those that the record shares.
_OWN, _SHARED = np.array([0, 1, 2, 3, 8, 9]), np.arange(4, 8)
#: How much more a night's air may lift than the fit has it [arcsec at 45 degrees].
_LIFT_SD = 5.0
#: With the middle one of `BENT_SDS`, a change must reach this share of the odds to be looked at closely.
_CLOSER_SHARE, _CLOSER_SD = 0.5, 10.0


def bend_change(sightings: Sightings, state: FitState, used: Bools, values: Floats) -> BendChange | None:
    """Return the likeliest change of the bends that no service explains; None where none is believed.

    Parameters
    ----------
    sightings, state
        A fit of all nights, the sightings freed of bends.
    used
        (n,) False for sightings set aside.
    values
        The bends that they were freed of, from `bending`.
    """
    sessions = state.layout.sessions
    solves = np.bincount(sightings.session, used & np.isfinite(sightings.mech_ha_rad), sessions.size)
    of = np.flatnonzero((sessions.source == POINTING) & (solves >= _FEWEST_SOLVES))
    if of.size < 2 * FEWEST_SESSIONS:
        return None
    information, score = _opinions(sightings, state, used, values, of)
    first = np.full(sessions.size, np.iinfo(np.int64).max)
    last = np.full(sessions.size, np.iinfo(np.int64).min)
    np.minimum.at(first, sightings.session, sightings.time_us)
    np.maximum.at(last, sightings.session, sightings.time_us)
    best: BendChange | None = None
    for era in np.unique(sessions.era[of]).tolist():
        own = np.flatnonzero(sessions.era[of] == era)
        own = own[np.argsort(first[of[own]], kind="stable")]
        began = first[of[own]]
        places = np.arange(FEWEST_SESSIONS, own.size - FEWEST_SESSIONS + 1)
        odds = np.full(places.size, -np.inf)
        for i, k in enumerate(places.tolist()):
            window = np.arange(max(0, k - WINDOW_SESSIONS), min(own.size, k + WINDOW_SESSIONS))
            about = own[window]
            days = (began[window] - began[k]) / DAY_US
            odds[i] = _log_odds_of_change(information[about], score[about], window >= k, days)
        if odds.max(initial=-np.inf) > (LEAST_LOG_ODDS if best is None else best.log_odds):
            likely = places[odds > odds.max() - MAY_STILL_BE]
            before, after, at = own[likely[0] - 1], own[likely[-1]], own[places[np.argmax(odds)]]
            best = BendChange(
                int(last[of[before]]), int(first[of[after]]), int(first[of[at]]), float(odds.max())
            )
    return best


def _opinions(
    sightings: Sightings, state: FitState, used: Bools, values: Floats, of: Ints
) -> tuple[Floats, Floats]:
    """Return what some sessions say of constants and bends, whatever their zeros, axis and air.

    The information (m, 16, 16) and the score (m, 16) of four constants, from those of the fit, and of the
    bends.
    """
    era = state.layout.sessions.era[sightings.session]
    residual = state.residual + bends_of(sightings, era, values)
    rows = np.concatenate([sightings.coefficients, _columns(sightings), residual[:, :, None]], axis=2)
    root = np.sqrt((state.weight * used * sightings.share)[:, None]) / row_sd(sightings, state.scales)
    rows = rows * root[:, :, None]
    across = state.scales.shift[1]
    prior = np.array([ZERO_PRIOR_SD, ZERO_PRIOR_SD, AXIS_PRIOR_SD, AXIS_PRIOR_SD, across, _LIFT_SD])
    starts = np.searchsorted(sightings.session, np.arange(state.layout.sessions.size + 1))
    grams = np.zeros((of.size, rows.shape[2], rows.shape[2]))
    for i, session in enumerate(of.tolist()):
        mine = rows[starts[session] : starts[session + 1]].reshape(-1, rows.shape[2])
        grams[i] = mine.T @ mine
    rest = np.array([*_SHARED, *range(10, 10 + BENDS + 1)])
    inner = grams[:, _OWN[:, None], _OWN] + np.diag(prior**-2.0)
    cross = grams[:, _OWN[:, None], rest]
    left = grams[:, rest[:, None], rest] - np.swapaxes(cross, 1, 2) @ np.linalg.solve(inner, cross)
    return left[:, :-1, :-1], left[:, :-1, -1]


def _log_odds_of_change(information: Floats, score: Floats, later: Bools, days: Floats) -> float:
    """Return the log odds for bends that change where `later` begins; minus infinity for slow changes.

    Parameters
    ----------
    information, score
        (w, 16, 16) and (w, 16) from `_opinions`.
    later
        (w,) True from the change on.
    days
        (w,) when each session was.
    """
    same = np.ones((later.size, 1))
    jump = np.column_stack([~later, later]).astype(float)
    closer = (_CLOSER_SD,)
    rough = _evidence(information, score, jump, closer) - _evidence(information, score, same, closer)
    if rough < _CLOSER_SHARE * LEAST_LOG_ODDS:
        return -np.inf
    jumps = _evidence(information, score, jump, BENT_SDS)
    year = 2.0 * np.pi / YEAR_DAYS * days
    for slow in (days / max(float(np.ptp(days)), 1.0), np.column_stack([np.cos(year), np.sin(year)])):
        if jumps - _evidence(information, score, np.column_stack([same, slow]), BENT_SDS) < LEAST_OVER_SLOW:
            return -np.inf
    return jumps - _evidence(information, score, same, BENT_SDS)


def _evidence(information: Floats, score: Floats, shape: Floats, sds: tuple[float, ...]) -> float:
    """Return the log evidence of sessions whose bends follow common shapes, but for a constant.

    Parameters
    ----------
    information, score
        (w, 16, 16) and (w, 16) from `_opinions`.
    shape
        (w, q) how each of q vectors of bends enters each session.
    sds
        Sizes of bends to try, each as likely as `BENT_SHARES` has it [arcsec].
    """
    bends, width = slice(4, 4 + BENDS), shape.shape[1]
    size = 4 + BENDS * width
    total, right = np.zeros((size, size)), np.zeros(size)
    total[:4, :4] = information[:, :4, :4].sum(axis=0)
    right[:4] = score[:, :4].sum(axis=0)
    total[:4, 4:] = np.einsum("wij,wq->iqj", information[:, :4, bends], shape).reshape(4, -1)
    total[4:, :4] = total[:4, 4:].T
    total[4:, 4:] = np.einsum("wij,wq,wr->qirj", information[:, bends, bends], shape, shape).reshape(
        BENDS * width, -1
    )
    right[4:] = np.einsum("wi,wq->qi", score[:, bends], shape).ravel()
    of_size = dict(zip(BENT_SDS, BENT_SHARES, strict=True))
    found = []
    for sd in sds:
        prior = np.concatenate([CONSTANT_PRIOR_SD**-2.0, np.full(BENDS * width, sd**-2.0)])
        root = np.linalg.cholesky(total + np.diag(prior))
        whitened = np.linalg.solve(root, right)
        spread = 2.0 * float(np.sum(np.log(np.diagonal(root)))) - float(np.sum(np.log(prior)))
        found.append(np.log(of_size[sd]) + 0.5 * float(whitened @ whitened) - 0.5 * spread)
    return float(np.logaddexp.reduce(found))
