"""The inputs of the separation, and which of pier, mount and references may move by themselves."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from itertools import product

import numpy as np
import pandas as pd

from drift.codes import OwnMovement
from drift.ground.heave import FrostHeave
from drift.history.causes import (
    STEADY_ALTITUDE,
    STEADY_AZIMUTH,
    STEADY_LEVELS,
    STEADY_PIER,
    STEADY_ZEROS,
    STEEP,
    STEEP_ALTITUDE,
    STEEP_AZIMUTH,
    WARM_ALTITUDE,
    WARM_AZIMUTH,
    WARM_LEVELS,
    WARM_PIER,
    WARM_ZEROS,
    harmonics,
)
from drift.history.changes import Plate
from drift.history.neighbours import Laws, NeighbourPrior
from drift.night.prepared import NightSplit
from drift.quantities import DAY_US, Bools, Floats, Ints
from drift.types import Nights, Readings, SensorSeries

# ---- How warm it was on each night.


#: Fewest days with a temperature that give its course over a year.
FEWEST_DAYS = 8
#: The air is warmest about three hours after noon, common practice.
WARMEST_HOUR = 15.0
#: A level's own temperature is taken from days no further off than this [days].
FURTHEST_DAYS = 1.5


@dataclass(frozen=True)
class Warmth:
    """Temperature by local noon-to-noon day.

    Parameters
    ----------
    day
        (m,) sorted numbers of days, see `NightSplit.day`.
    temp_c
        (m,) mean temperature of each [deg C].
    half_range_c
        (m,) half of the day's range [deg C]; None where temperatures were logged with the solves.
    """

    split: NightSplit
    day: Ints = field(repr=False)
    temp_c: Floats = field(repr=False)
    half_range_c: Floats | None = field(default=None, repr=False)  # (m,) of each day, if logged

    def at(self, time_us: Ints) -> Floats:
        """Return the temperature at some times; a day without one gets that of its season, (n,) [deg C]."""
        days = self.split.day(time_us)
        place = np.minimum(np.searchsorted(self.day, days), self.day.size - 1)
        known = self.day[place] == days
        return np.where(known, self.temp_c[place], self._usual(days))

    def at_readings(self, time_us: Ints, is_night: Bools) -> Floats:
        """Return the temperature at readings, (n,) [deg C]: of nights the night's, of levels their own.

        Between the days' means it goes linearly; where the weather log has the day's range, a cosine is
        added that is warmest at `WARMEST_HOUR` local mean time.
        """
        own = np.interp(time_us / DAY_US, self._middle_days, self.temp_c) + self._of_hour(time_us)
        near = np.abs(time_us / DAY_US - self._nearest_middle(time_us)) <= FURTHEST_DAYS
        return np.where(is_night | ~near, self.at(time_us), own)

    @property
    def _middle_days(self) -> Floats:
        """Return when each day's mean holds [days since 1970 UTC]: weather at noon, nights at midnight."""
        hour = 12.0 if self.half_range_c is not None else 24.0
        return np.asarray(self.day + hour / 24.0 - self.split.longitude_deg / 360.0)

    def _nearest_middle(self, time_us: Ints) -> Floats:
        middle = self._middle_days
        right = np.clip(np.searchsorted(middle, time_us / DAY_US), 1, middle.size - 1)
        left = right - 1
        days = time_us / DAY_US
        return np.where(days - middle[left] < middle[right] - days, middle[left], middle[right])

    def _of_hour(self, time_us: Ints) -> Floats:
        if self.half_range_c is None:
            return np.zeros(np.size(time_us))
        local = time_us / DAY_US + self.split.longitude_deg / 360.0
        day = np.floor(local)
        half = np.interp(day, self.day.astype(float), self.half_range_c)
        return np.asarray(half * np.cos(2.0 * np.pi * (local - day - WARMEST_HOUR / 24.0)))

    def of_season(self, time_us: Ints) -> Floats:
        """Return the usual temperature of the season at some times, (n,) [deg C]."""
        return self._usual(self.split.day(time_us))

    def _usual(self, days: Ints) -> Floats:
        design = np.column_stack([np.ones(self.day.size), harmonics(self.day * DAY_US)[:, :2]])
        amplitude = np.linalg.lstsq(design, self.temp_c, rcond=None)[0]
        return np.asarray(np.column_stack([np.ones(days.size), harmonics(days * DAY_US)[:, :2]]) @ amplitude)


def warmth_of(readings: Readings, split: NightSplit) -> Warmth | None:
    """Return how warm the nights were; None when too little is known.

    The weather's daily means and the temperatures logged with solves belong to different hours of the day,
    so only one of them is used: whichever covers more nights.
    """
    solves = readings["solves"]
    night = split.day(solves["time_us"].to_numpy(dtype=np.int64))
    logged = solves["temp_c"].astype(float).groupby(night).mean().dropna()
    weather = readings["weather"]
    daily = (
        weather["t_mean_c"]
        .astype(float)
        .fillna(0.5 * (weather["t_min_c"].astype(float) + weather["t_max_c"].astype(float)))
    )
    daily.index = weather["day"].to_numpy(dtype=np.int64)
    daily = daily.dropna().groupby(level=0).mean()
    nights = np.unique(night)
    best = max((daily, logged), key=lambda known: int(np.isin(nights, known.index).sum()))
    if len(best) < FEWEST_DAYS or not np.isin(nights, best.index).any():
        return None
    by_weather = best is daily
    best = best.sort_index()
    days = best.index.to_numpy(dtype=np.int64)
    half = _half_range(weather, days) if by_weather else None
    return Warmth(split, days, best.to_numpy(dtype=float), half)


def _half_range(weather: pd.DataFrame, days: Ints) -> Floats:
    """Return half of the range of each day; where it isn't logged the usual one, else none [deg C]."""
    half = 0.5 * (weather["t_max_c"].astype(float) - weather["t_min_c"].astype(float))
    half.index = weather["day"].to_numpy(dtype=np.int64)
    half = half.groupby(level=0).mean().reindex(days)
    usual = half.median()
    return half.fillna(usual if np.isfinite(usual) else 0.0).clip(lower=0.0).to_numpy(dtype=float)


# ---- The inputs as a whole.


@dataclass(frozen=True)
class Inputs:
    """One pier's nights and what goes with them.

    Parameters
    ----------
    latitude_rad
        Geodetic latitude [rad].
    nights
        From `drift.night.estimate.estimate_nights`.
    levels, corrections
        Tables of readings.
    plate
        Bolts and thread, for shims and nuts.
    split
        Says when constants and zeros restart.
    zero_is
        "kept", "synced" or "unknown", from the site file.
    warmth
        How warm the nights were; None when that isn't known.
    frost
        The frost by weather and ground; None where the weather isn't known.
    sensors
        Tilt sensors that log all day, whose days stand in `levels`, see `drift.history.sensor`.
    neighbours
        What the other piers of the site say of this one beforehand; None for what it says alone.
    """

    latitude_rad: float
    nights: Nights = field(repr=False)
    levels: pd.DataFrame = field(repr=False)
    corrections: pd.DataFrame = field(repr=False)
    plate: Plate
    split: NightSplit = field(repr=False)
    zero_is: str
    warmth: Warmth | None = field(default=None, repr=False)
    frost: FrostHeave | None = field(default=None, repr=False)
    sensors: tuple[SensorSeries, ...] = field(default=(), repr=False)
    neighbours: NeighbourPrior | None = field(default=None, repr=False)


# ---- Which of pier, mount and references move by themselves.
#
# Each of them either stands nearly still (a narrow prior of its rate, or of its response to temperature) or
# moves (a wide one), and all that move share one size.  So one that moves alone explains the readings
# better than two whose movements happen to cancel, and where two imitate a third all explanations keep
# their odds.  The amplitudes enter linearly, so the readings are solved once, with wide priors, and every
# combination follows by exchanging the prior (a spike-and-slab prior: Mitchell and Beauchamp 1988; George
# and McCulloch 1993, both from memory).


#: Causes that may move or stand still, one of each kind: the pier, the mount, the references.
STEADY = (
    STEADY_PIER,
    STEADY_AZIMUTH,
    STEADY_ALTITUDE,
    STEADY_ZEROS,
    STEADY_LEVELS,
)
WARM = (WARM_PIER, WARM_AZIMUTH, WARM_ALTITUDE, WARM_ZEROS, WARM_LEVELS)
KINDS: dict[OwnMovement, tuple[str, ...]] = {
    OwnMovement.STEADY: STEADY,
    OwnMovement.WARMTH: WARM,
    OwnMovement.STEEP: (STEEP, STEEP_AZIMUTH, STEEP_ALTITUDE),
}
#: Prior sd of what stands nearly still: [arcsec a year], [arcsec per deg C], [arcsec].  Common practice:
#: what is bolted down and left alone for a year comes back to an arcsecond or less.
STILL = {OwnMovement.STEADY: 0.5, OwnMovement.WARMTH: 0.1, OwnMovement.STEEP: 0.2}
#: For a sound reference it is smaller: common practice, an encoder or a good vial; so it is for knobs that
#: have bedded in.
STILL_REFERENCE = {OwnMovement.STEADY: 0.3, OwnMovement.WARMTH: 0.03}
STILL_KNOBS = {STEEP_AZIMUTH: 0.05, STEEP_ALTITUDE: 0.05}
#: Prior sds of what moves, in odds of `SIZE_ODDS`.  Common practice: a tilt, a worn home switch or a drying
#: wooden stand gives some arcseconds to some ten arcseconds a year; level vials, inclinometers and home
#: switches move by tenths of an arcsecond to some arcseconds a degree; a settlement that starts steeply
#: does some arcseconds to some ten in its first weeks, and so do bolts and locks that bed in.
SIZES = {OwnMovement.STEADY: (6.0, 25.0), OwnMovement.WARMTH: (0.5, 1.5), OwnMovement.STEEP: (2.5, 8.0)}
SIZE_ODDS = (0.6, 0.4)
_KIND_OF = {cause: kind for kind, causes in KINDS.items() for cause in causes}
REFERENCES = (STEADY_ZEROS, STEADY_LEVELS, WARM_ZEROS, WARM_LEVELS)
#: Response to temperature of bolted iron, aluminium and concrete, as a share of that of references.
SHARE_OF_SIZE = {WARM_PIER: 0.5, WARM_AZIMUTH: 0.5, WARM_ALTITUDE: 0.5}
#: Prior chance that one of them moves, in a calm place and in a restless one, and the chance of each kind of
#: place: common practice, weakly held.  Where one moves, others are likelier to.
MOVES_CHANCES, PLACE_CHANCES = (0.15, 0.5), (0.75, 0.25)
#: But knobs and their long screws usually respond to temperature: common practice.
USUAL_CHANCE = {WARM_AZIMUTH: 0.6, WARM_ALTITUDE: 0.6}
#: And that a tilt sensor that logs all day does is nearly the rule: from memory, data sheets of small sensors
#: give tenths of an arcsecond to some arcseconds a degree.
SENSOR_CHANCE = {WARM_LEVELS: 0.9}
#: Priors under which the scales are looked for [arcsec a year, arcsec per deg C].
WIDE = {OwnMovement.STEADY: 20.0, OwnMovement.WARMTH: 1.0, OwnMovement.STEEP: 6.0}
#: Combinations with less than this share are left out.
LEAST_ODDS = 1.0e-3


def kind_of(cause: str) -> OwnMovement:
    """Return the kind of movement of a cause that may stand still; KeyError for others."""
    return _KIND_OF[cause]


def wide_sd(cause: str) -> float:
    """Return the prior sd of a cause's amplitudes under which the scales are looked for."""
    return WIDE[kind_of(cause)] * SHARE_OF_SIZE.get(cause, 1.0)


def still_sd(cause: str) -> float:
    """Return the prior sd of a cause's amplitudes where it stands nearly still."""
    kind = kind_of(cause)
    return STILL_KNOBS.get(cause, (STILL_REFERENCE if cause in REFERENCES else STILL)[kind])


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

    def about(self, seen: Collection[str]) -> Beliefs:
        """Return the combinations of those causes alone that readings see; of the others each is as likely.

        A stretch of a long record may lie where no level was read: of the levels it tells nothing.
        """
        own = [i for i, cause in enumerate(self.causes) if cause in seen]
        if len(own) == len(self.causes):
            return self
        alike, number = np.unique(
            np.concatenate([self.moves[:, own], self.sd[:, own]], axis=1), axis=0, return_inverse=True
        )
        log_prior = np.full(len(alike), -np.inf)
        np.logaddexp.at(log_prior, number.ravel(), self.log_prior)
        return Beliefs(
            causes=tuple(self.causes[i] for i in own),
            moves=alike[:, : len(own)] > 0.5,
            sd=alike[:, len(own) :],
            log_prior=log_prior,
        )

    def picked(self, pick: Bools) -> Beliefs:
        """Return some of the combinations."""
        return Beliefs(
            causes=self.causes, moves=self.moves[pick], sd=self.sd[pick], log_prior=self.log_prior[pick]
        )


def combinations(causes: tuple[str, ...], kind: OwnMovement, sensor: bool = False) -> Beliefs:
    """Return all combinations of one kind of movement; causes of the other kind keep their wide prior.

    `sensor` tells that the levels are those of a tilt sensor that logs all day.
    """
    usual = USUAL_CHANCE | (SENSOR_CHANCE if sensor else {})
    own = [i for i, cause in enumerate(causes) if kind_of(cause) == kind]
    moves, sds, logs = [], [], []
    for moving in product((False, True), repeat=len(own)):
        sizes = list(zip(SIZES[kind], SIZE_ODDS, strict=True)) if any(moving) else [(0.0, 1.0)]
        for size, odds in sizes:
            row, sd = [True] * len(causes), [wide_sd(cause) for cause in causes]
            for i, moved in zip(own, moving, strict=True):
                row[i] = moved
                sd[i] = size * SHARE_OF_SIZE.get(causes[i], 1.0) if moved else still_sd(causes[i])
            moves.append(row)
            sds.append(sd)
            logs.append(float(np.log(odds)) + _log_chance([usual.get(causes[i]) for i in own], moving))
    return Beliefs(causes=causes, moves=np.array(moves), sd=np.array(sds), log_prior=np.array(logs))


def _log_chance(usual: list[float | None], moving: tuple[bool, ...]) -> float:
    """Return the log chance that just these of some causes move, over calm and restless places.

    `usual` has the chance of each where that does not go by the place.
    """
    total = 0.0
    for moves, place in zip(MOVES_CHANCES, PLACE_CHANCES, strict=True):
        chances = [moves if one is None else one for one in usual]
        total += place * float(np.prod([p if on else 1.0 - p for p, on in zip(chances, moving, strict=True)]))
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
    cov: Floats  # (K, q, q)


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
    information = inverse - np.diag(prior_sd**-2)  # the readings without the prior
    pull = inverse @ mean
    precision = information + np.einsum("kq,qr->kqr", sd**-2.0, np.eye(mean.size))
    covs = np.linalg.inv(precision)
    means = covs @ pull
    fits = 0.5 * (means @ pull - mean @ pull)
    sizes = np.sum(np.log(prior_sd)) - np.sum(np.log(sd), axis=1)
    bends = 0.5 * (np.linalg.slogdet(inverse)[1] - np.linalg.slogdet(precision)[1])
    return Swapped(fits + sizes + bends, means, covs)


def exchanged(mean: Floats, cov: Floats, prior: Laws, laws: Laws) -> Swapped:
    """Exchange the prior of q amplitudes for each of some normal laws.

    Parameters
    ----------
    mean, cov
        Posterior of the amplitudes, (q,) and (q, q), under `prior`.
    prior
        The one law under which they were solved.
    laws
        Those asked about; their odds are left out.
    """
    inverse = np.linalg.inv(cov)
    old = np.linalg.inv(prior.cov[0])
    information, pull = inverse - old, inverse @ mean - old @ prior.mean[0]  # the readings without the prior

    def evidence(law_mean: Floats, law_cov: Floats) -> tuple[Floats, Floats, Floats]:
        own = np.linalg.inv(law_cov)
        right = pull + np.einsum("kij,kj->ki", own, law_mean)
        precision = information + own
        covs = np.linalg.inv(precision)
        means = np.einsum("kij,kj->ki", covs, right)
        fits = np.sum(means * right, axis=1) - np.einsum("ki,kij,kj->k", law_mean, own, law_mean)
        bends = np.linalg.slogdet(law_cov)[1] + np.linalg.slogdet(precision)[1]
        return 0.5 * (fits - bends), means, covs

    gain, means, covs = evidence(laws.mean, laws.cov)
    return Swapped(gain - evidence(prior.mean, prior.cov)[0], means, covs)


def odds_of_all(log_gain: Floats, log_prior: Floats) -> Floats:
    """Return the odds of combinations; they add up to 1."""
    weight = np.exp(log_gain + log_prior - np.max(log_gain + log_prior))
    return np.asarray(weight / weight.sum())
