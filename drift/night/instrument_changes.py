"""When the instrument became another one without a note: a telescope or camera exchanged, a tube turned.

Cone error, axes, tube sides and droop are shared by all nights of an instrument.  Where another telescope
goes onto the mount and nobody writes it down, its constants are forced upon the nights of the old one, and
the axis takes up what it can: a tube that droops by an arcminute more looks like an altitude that slipped.
Each night has its own opinion of the constants, whatever its axis; a jump in these is sought, and the
constants begin anew there as they do after a recorded service.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from drift.mount.instrument import CONSTANTS, DROOP
from drift.night.fit import FitState, row_class
from drift.night.sightings import POINTING, SessionRows, Sightings
from drift.night.system import AXIS_PRIOR_SD, CONSTANT_PRIOR_SD, ZERO_PRIOR_SD
from drift.quantities import DAY_US, Bools, Floats, Ints
from drift.types import InstrumentChange

#: A jump is looked for with so many nights on each side, so that what goes with the season is none; fewer
#: than these say nothing.
WINDOW_NIGHTS, FEWEST_NIGHTS = 20, 3
#: Log odds for a jump from which it is believed: 10 against one between any two nights (common practice, one
#: record in a hundred of three hundred nights has one that nobody wrote down), and 20 beyond; and so much
#: against constants that go on a line with time, as with the season, of which any jump has three quarters.
LEAST_LOG_GAIN, LEAST_OVER_LINE = 30.0, 12.0
#: A jump must also be this large in one constant at least [arcsec]; less moves no axis that matters.
LEAST_JUMP_ARCSEC = 15.0
#: How near to their opposites constants must be for tube sides that are written the other way: within this
#: share of the largest jump, and so much more [arcsec].
REVERSED_SHARE, REVERSED_ARCSEC = 0.1, 10.0
#: What each night's own constants may scatter by beyond their uncertainty at least [arcsec]: a mirror or a
#: focuser that settles.
LEAST_SCATTER_ARCSEC = 2.0
#: Solves that a night needs to have an opinion, and the degrees of freedom of the law of nights.
_FEWEST_SOLVES, _TAIL = 4, 4.0
#: Where the ten numbers that a reading depends on are constants, and what stands beside them.
_CONSTANTS, _BESIDE = np.arange(4, 8), np.array([0, 1, 2, 3, 8, 9])
#: How much more a night's air may lift than was assumed [arcsec at 45 degrees].
_LIFT_SD = 5.0
_MOST_CHANGES = 4


@dataclass(frozen=True)
class Opinions:
    """What each night (session) of pointing solves by itself says of the constants.

    Parameters
    ----------
    first_us, last_us
        (n,) its solves, in time order.
    era
        (n,) the instrument's era that it belongs to.
    value, cov
        (n, 4) and (n, 4, 4) constants [arcsec].
    """

    first_us: Ints
    last_us: Ints
    era: Ints
    value: Floats
    cov: Floats


def instrument_changes(sightings: Sightings, state: FitState, used: Bools) -> tuple[InstrumentChange, ...]:
    """Return the jumps of the instrument's constants that no recorded service explains, in time order.

    Parameters
    ----------
    sightings, state
        A fit of all nights.
    used
        (n,) False for sightings set aside.
    """
    every = opinions(sightings, state, used)
    found: list[InstrumentChange] = []
    for era in np.unique(every.era).tolist():
        own = np.flatnonzero(every.era == era)
        pieces = [own]
        while pieces and len(found) < _MOST_CHANGES:
            piece = pieces.pop()
            at, change = likeliest_jump(
                every.value[piece], every.cov[piece], every.first_us[piece], every.last_us[piece]
            )
            if change is not None:
                found.append(change)
                pieces += [piece[:at], piece[at:]]
    return tuple(sorted(found, key=lambda one: one.before_us))


def opinions(sightings: Sightings, state: FitState, used: Bools) -> Opinions:
    """Return each session's own constants, whatever its zeros and its axis."""
    sessions = state.layout.sessions
    sd = state.scales.scatter[row_class(sightings)]
    weight = (state.weight * used * sightings.share)[:, None] / sd**2
    grams = SessionRows(sightings, sessions.size).grams(state.readings, weight)
    solves = np.bincount(sightings.session, used & np.isfinite(sightings.mech_ha_rad), sessions.size)
    pick = np.flatnonzero((sessions.source == POINTING) & (solves >= _FEWEST_SOLVES))
    across = state.scales.shift[1]
    beside = np.array([ZERO_PRIOR_SD, ZERO_PRIOR_SD, AXIS_PRIOR_SD, AXIS_PRIOR_SD, across, _LIFT_SD])
    normal = grams[pick]
    inner = normal[:, _BESIDE[:, None], _BESIDE] + np.diag(beside**-2.0)
    cross = normal[:, _CONSTANTS[:, None], _BESIDE]
    gain = np.swapaxes(np.linalg.solve(inner, np.swapaxes(cross, 1, 2)), 1, 2)
    known = normal[:, _CONSTANTS[:, None], _CONSTANTS] - gain @ np.swapaxes(cross, 1, 2)
    right = normal[:, _CONSTANTS, 10] - np.einsum("nij,nj->ni", gain, normal[:, _BESIDE, 10])
    usual = state.solution.constants()[sessions.era[pick]]
    prior = np.diag(CONSTANT_PRIOR_SD**-2.0)
    cov = np.linalg.inv(known + prior)
    value = np.einsum("nij,nj->ni", cov, right + usual @ prior)
    first = np.full(sessions.size, np.iinfo(np.int64).max)
    last = np.full(sessions.size, np.iinfo(np.int64).min)
    np.minimum.at(first, sightings.session, sightings.time_us)
    np.maximum.at(last, sightings.session, sightings.time_us)
    order = np.argsort(first[pick], kind="stable")
    at = pick[order]
    return Opinions(first[at], last[at], sessions.era[at], value[order], cov[order])


def likeliest_jump(
    value: Floats, cov: Floats, first_us: Ints, last_us: Ints
) -> tuple[int, InstrumentChange | None]:
    """Return before which of n nights the constants jump, and the jump; None where none is believed.

    Parameters
    ----------
    value, cov
        (n, 4) and (n, 4, 4) each night's own constants [arcsec].
    first_us, last_us
        (n,) the times of its solves.
    """
    nights = len(value)
    if nights < 2 * FEWEST_NIGHTS:
        return 0, None
    certain = np.linalg.inv(cov + np.diag(_scatter(value, cov) ** 2))
    likely = [
        k
        for k in range(FEWEST_NIGHTS, nights - FEWEST_NIGHTS + 1)
        if _jump(value, certain, first_us, k, steps=1).gain > LEAST_LOG_GAIN / 2.0
    ]
    jumps = {k: _jump(value, certain, first_us, k, steps=6) for k in likely}
    if not jumps:
        return 0, None
    best = max(jumps, key=lambda k: jumps[k].gain)
    gain, over_line, old, new = jumps[best]
    large = np.max(np.abs(new - old)) >= LEAST_JUMP_ARCSEC
    if gain < LEAST_LOG_GAIN or over_line < LEAST_OVER_LINE or not large:
        return 0, None
    return best, InstrumentChange(
        after_us=int(last_us[best - 1]),
        before_us=int(first_us[best]),
        from_us=int(first_us[best]),
        old=tuple(old.tolist()),
        new=tuple(new.tolist()),
        log_odds=gain,
    )


def sides_reversed(change: InstrumentChange) -> bool:
    """Whether a jump is what tube sides written the other way make: their constants change sign."""
    old, new = np.array(change.old)[:DROOP], np.array(change.new)[:DROOP]
    apart = np.abs(new - old)
    if apart.max() < LEAST_JUMP_ARCSEC:
        return False  # nothing there to change its sign
    return bool(np.all(np.abs(new + old) < REVERSED_SHARE * apart.max() + REVERSED_ARCSEC))


def _scatter(value: Floats, cov: Floats) -> Floats:
    """Return how the constants scatter from night to night beyond their uncertainty, (4,) [arcsec].

    From differences of neighbours, of which a jump spoils one: by the median of their squares, which for a
    normal law is 0.455 of the variance.
    """
    square = np.diff(value, axis=0) ** 2
    variance = np.diagonal(cov, axis1=1, axis2=2)
    both = variance[1:] + variance[:-1]
    least, most = np.full(len(CONSTANTS), 0.0), np.max(square, axis=0, initial=1.0)
    for _ in range(40):  # bisection: the median of square / variance falls as the scatter grows
        middle = 0.5 * (least + most)
        large = np.median(square / (both + 2.0 * middle), axis=0) > 0.455
        least, most = np.where(large, middle, least), np.where(large, most, middle)
    return np.maximum(np.sqrt(0.5 * (least + most)), LEAST_SCATTER_ARCSEC)


class _Jump(NamedTuple):
    gain: float  # in log likelihood against constants that stay
    over_line: float  # and against such that go on a line
    old: Floats  # (4,) [arcsec]
    new: Floats


def _jump(value: Floats, certain: Floats, time_us: Ints, at: int, steps: int) -> _Jump:
    """Return what a jump before night `at` gains, and the constants on either side of it."""
    earlier, later = slice(max(0, at - WINDOW_NIGHTS), at), slice(at, at + WINDOW_NIGHTS)
    both = slice(earlier.start, later.stop)
    same = np.ones((len(value), 1))
    stays, _ = _common(value[both], certain[both], same[both], steps)
    before, old = _common(value[earlier], certain[earlier], same[earlier], steps)
    after, new = _common(value[later], certain[later], same[later], steps)
    days = (time_us[both] - time_us[at]) / DAY_US
    line = np.column_stack([np.ones(days.size), days / max(float(np.ptp(days)), 1.0)])
    on_a_line, _ = _common(value[both], certain[both], line, steps)
    return _Jump(stays - before - after, on_a_line - before - after, old[0], new[0])


def _common(value: Floats, certain: Floats, shape: Floats, steps: int) -> tuple[float, Floats]:
    """Return what it costs that some nights follow common shapes, by a law with far tails; and these, (q, 4).

    Parameters
    ----------
    value, certain
        (n, 4) constants and (n, 4, 4) one over their covariance.
    shape
        (n, q) how each of q vectors of constants enters each night.
    """
    count, width = shape.shape
    weight = np.ones(count)
    for _ in range(steps):
        normal = np.einsum("n,na,nb,nij->aibj", weight, shape, shape, certain).reshape(4 * width, 4 * width)
        right = np.einsum("n,na,nij,nj->ai", weight, shape, certain, value).reshape(4 * width)
        found = np.linalg.solve(normal, right).reshape(width, 4)
        off = value - shape @ found
        square = np.einsum("ni,nij,nj->n", off, certain, off)
        weight = (_TAIL + 4.0) / (_TAIL + square)
    return float(0.5 * (_TAIL + 4.0) * np.sum(np.log1p(square / _TAIL))), found
