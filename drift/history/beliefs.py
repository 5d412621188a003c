"""Which of pier, mount and references go on at a rate of their own, and which answer to warmth.

Each of them either stands nearly still (a narrow prior of its rate, or of its answer to a degree) or moves (a
wide one), and those that move share a size: so one that moves alone explains the readings better than
two whose movements happen to cancel, and where two imitate a third all explanations keep their odds.  The
amplitudes enter linearly, so the readings are solved once, with wide priors, and every combination follows
from that by swapping the prior (a spike-and-slab prior: Mitchell and Beauchamp 1988; George and McCulloch
1993, both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product

import numpy as np

from drift.codes import OwnMovement
from drift.history import steady, warm
from drift.history.causes import STEEP
from drift.quantities import Bools, Floats

#: Causes that are told to move or not, of one kind each: the pier, the mount, what they are read by.
STEADY = (steady.PIER, steady.AZIMUTH, steady.ALTITUDE, steady.ZEROS, steady.LEVELS)
WARM = (warm.PIER, warm.AZIMUTH, warm.ALTITUDE, warm.ZEROS, warm.LEVELS)
KINDS: dict[OwnMovement, tuple[str, ...]] = {
    OwnMovement.STEADY: STEADY,
    OwnMovement.WARMTH: WARM,
    OwnMovement.STEEP: (STEEP,),
}
#: Prior sd of what stands nearly still: [arcsec a year], [arcsec per deg C], [arcsec].  Common practice: what
#: is bolted down and let alone for a year comes back to an arcsecond or less.
STILL = {OwnMovement.STEADY: 0.5, OwnMovement.WARMTH: 0.1, OwnMovement.STEEP: 0.2}
#: Of a sound reference less is asked: common practice, an encoder or a good vial.
STILL_REFERENCE = {OwnMovement.STEADY: 0.3, OwnMovement.WARMTH: 0.03}
#: Prior sds of what moves, in odds of `SIZE_ODDS`.  Common practice: a tilt, a worn home switch or a drying
#: wooden stand gives some arcseconds to some ten arcseconds a year; level vials, inclinometers and home
#: switches move by tenths of an arcsecond to some arcseconds a degree; a settlement that starts steep does
#: some arcseconds to some ten in its first weeks.
SIZES = {OwnMovement.STEADY: (6.0, 25.0), OwnMovement.WARMTH: (0.5, 1.5), OwnMovement.STEEP: (2.5, 8.0)}
SIZE_ODDS = (0.6, 0.4)
_KIND_OF = {cause: kind for kind, causes in KINDS.items() for cause in causes}
REFERENCES = (steady.ZEROS, steady.LEVELS, warm.ZEROS, warm.LEVELS)
#: Iron, aluminium and concrete that are bolted together answer to a degree by so much of what references do.
SHARE_OF_SIZE = {warm.PIER: 0.5, warm.AZIMUTH: 0.5, warm.ALTITUDE: 0.5}
#: Prior chance that one of them moves, in a calm place and in a restless one, and the chance of each kind of
#: place: common practice, weakly held.  Where one moves, others are likelier to.
MOVES_CHANCES, PLACE_CHANCES = (0.15, 0.5), (0.75, 0.25)
#: But that knobs and their long screws answer to warmth is usual: common practice.
USUAL_CHANCE = {warm.AZIMUTH: 0.6, warm.ALTITUDE: 0.6}
#: Priors under which the scales are looked for [arcsec a year, arcsec per deg C].
WIDE = {OwnMovement.STEADY: 20.0, OwnMovement.WARMTH: 1.0, OwnMovement.STEEP: 6.0}
#: Combinations with less than this share are left out.
LEAST_ODDS = 1.0e-3
#: What a combination so much less likely than another does is lost in rounding.
NEGLIGIBLE = 1.0e-18


def kind_of(cause: str) -> OwnMovement:
    """Return the kind of movement of a cause that may stand still; raises KeyError for others."""
    return _KIND_OF[cause]


def wide_sd(cause: str) -> float:
    """Return the prior sd of a cause's amplitudes under which the scales are looked for."""
    return WIDE[kind_of(cause)] * SHARE_OF_SIZE.get(cause, 1.0)


def still_sd(cause: str) -> float:
    """Return the prior sd of a cause's amplitudes where it stands nearly still."""
    kind = kind_of(cause)
    return (STILL_REFERENCE if cause in REFERENCES else STILL)[kind]


@dataclass(frozen=True, kw_only=True)
class Beliefs:
    """Combinations of what moves, with their prior.

    Parameters
    ----------
    causes
        Names of the G causes that may stand still.
    moves
        (K, G) which of them move in each combination.
    sd
        (K, G) prior sd of their amplitudes.
    log_prior
        (K,) log chance of each combination beforehand.
    """

    causes: tuple[str, ...]
    moves: Bools = field(repr=False)
    sd: Floats = field(repr=False)
    log_prior: Floats = field(repr=False)

    def settled(self, odds: Floats) -> Beliefs:
        """Return one combination in place of all: each prior as wide as the odds (K,) make it."""
        return Beliefs(
            causes=self.causes,
            moves=(odds @ self.moves > 0.5)[None],
            sd=np.sqrt(odds @ self.sd**2)[None],
            log_prior=np.zeros(1),
        )

    def picked(self, pick: Bools) -> Beliefs:
        """Return some of the combinations."""
        return Beliefs(
            causes=self.causes, moves=self.moves[pick], sd=self.sd[pick], log_prior=self.log_prior[pick]
        )


def combinations(causes: tuple[str, ...], kind: OwnMovement) -> Beliefs:
    """Return all combinations of one kind of movement; causes of the other kind keep their wide prior."""
    own = [i for i, cause in enumerate(causes) if kind_of(cause) == kind]
    moves, sds, logs = [], [], []
    for told in product((False, True), repeat=len(own)):
        sizes = list(zip(SIZES[kind], SIZE_ODDS, strict=True)) if any(told) else [(0.0, 1.0)]
        for size, odds in sizes:
            row, sd = [True] * len(causes), [wide_sd(cause) for cause in causes]
            for i, moved in zip(own, told, strict=True):
                row[i] = moved
                sd[i] = size * SHARE_OF_SIZE.get(causes[i], 1.0) if moved else still_sd(causes[i])
            moves.append(row)
            sds.append(sd)
            logs.append(float(np.log(odds)) + _log_chance([causes[i] for i in own], told))
    return Beliefs(causes=causes, moves=np.array(moves), sd=np.array(sds), log_prior=np.array(logs))


def _log_chance(causes: list[str], told: tuple[bool, ...]) -> float:
    """Return the log chance that just these of some causes move, over calm and restless places."""
    total = 0.0
    for usual, place in zip(MOVES_CHANCES, PLACE_CHANCES, strict=True):
        chances = [USUAL_CHANCE.get(cause, usual) for cause in causes]
        total += place * float(np.prod([p if on else 1.0 - p for p, on in zip(chances, told, strict=True)]))
    return float(np.log(total))


def joined(first: Beliefs, second: Beliefs, kind: OwnMovement) -> Beliefs:
    """Return every combination with every one of another kind."""
    k, m = len(first.log_prior), len(second.log_prior)
    new = np.array([kind_of(cause) == kind for cause in first.causes])
    one, two = np.repeat(np.arange(k), m), np.tile(np.arange(m), k)
    return Beliefs(
        causes=first.causes,
        moves=np.where(new, second.moves[two], first.moves[one]),
        sd=np.where(new, second.sd[two], first.sd[one]),
        log_prior=first.log_prior[one] + second.log_prior[two],
    )


@dataclass(frozen=True)
class Swapped:
    """What other priors of some amplitudes make of a solution: one row a combination."""

    log_gain: Floats  # (K,) of the log marginal likelihood
    mean: Floats  # (K, q)
    precision: Floats = field(repr=False)  # (K, q, q)

    def cov(self, pick: Bools | slice = slice(None)) -> Floats:
        """Return the covariance of the amplitudes in each of some combinations, (k, q, q)."""
        return np.linalg.inv(self.precision[pick])

    def mixed_cov(self, odds: Floats) -> Floats:
        """Return the covariance of the amplitudes over all combinations by their odds (K,), (q, q)."""
        counts = odds > NEGLIGIBLE * np.max(odds)
        apart = self.mean - odds @ self.mean
        within = np.tensordot(odds[counts], self.cov(counts), axes=1)
        return np.asarray(within + (apart * odds[:, None]).T @ apart)


def swapped(mean: Floats, cov: Floats, prior_sd: Floats, sd: Floats) -> Swapped:
    """Swap the independent priors of q amplitudes with mean 0.

    Parameters
    ----------
    mean, cov
        Posterior of the amplitudes, (q,) and (q, q), under `prior_sd`.
    prior_sd
        (q,) under which they were solved.
    sd
        (K, q) of the priors asked about.
    """
    inverse = np.linalg.inv(cov)
    pull = inverse @ mean
    precision = np.repeat((inverse - np.diag(prior_sd**-2))[None], len(sd), axis=0)  # of the readings alone
    on_diagonal = np.arange(mean.size)
    precision[:, on_diagonal, on_diagonal] += sd**-2.0
    means = np.linalg.solve(precision, pull[None, :, None])[:, :, 0]
    fits = 0.5 * (means @ pull - mean @ pull)
    sizes = np.sum(np.log(prior_sd)) - np.sum(np.log(sd), axis=1)
    bends = 0.5 * (np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(precision)[1])
    return Swapped(fits + sizes + bends, means, precision)


def odds_of_all(log_gain: Floats, log_prior: Floats) -> Floats:
    """Return the odds of combinations; they add up to 1."""
    weight = np.exp(log_gain + log_prior - np.max(log_gain + log_prior))
    return np.asarray(weight / weight.sum())
