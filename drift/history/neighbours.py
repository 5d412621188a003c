"""What the other piers of a site tell of one pier's yearly tilt: size, direction, lag, which frost.

Piers on one site share frost, weather and often the slab, so what the others did in their winters says
something of a pier in its first.  How alike piers are is itself found from those that are there, with its
uncertainty: few neighbours, or some that disagree, say little.

The sizes of the yearly tilt are one log-normal population, the lags and what winters leave behind normal
ones, the bearings a normal one on the circle.  Each has a spread between piers that is averaged over (Gelman
et al., Bayesian Data Analysis, 3rd ed. 2013, section 5.4, equations 5.20 and 5.21; the half-normal prior of
the spread: Gelman 2006, Bayesian Analysis 1, 515; both from memory).  A pier's own prior is what that makes
of one more pier.  With a chance of `ODD_CHANCE` it is like none of them; what it would be alone is then
believed, so that a pier that does not do as the others do is not drawn to them against its own readings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from drift.codes import ForcingKind
from drift.ground.heave import LATER_DAYS, FrostForcing
from drift.history.causes import FROST_WIDTH, HARMONICS, LATE, LEFT_BEHIND
from drift.notices import HistoryCode, Notice, info
from drift.quantities import YEAR_DAYS, Floats
from drift.types import History, HistoryScales, Measure, YearlyTilt

# ---- A population of which some members were measured, and what that says of one more.


#: Values of the spread between members that are averaged over, and how far they reach in its prior's sds.
_SPREADS, _REACH = 80, 5.0


@dataclass(frozen=True, kw_only=True)
class Pooled:
    """One more member of a population: mean and sd; how far members differ; how many were measured."""

    mean: float
    sd: float
    between: float
    count: int


@dataclass(frozen=True)
class BySpread:
    """A population for each of T values of how far its members differ."""

    tau: Floats = field(repr=False)  # (T,)
    mean: Floats = field(repr=False)  # (T,) of the population
    of_mean: Floats = field(repr=False)  # (T,) variance of that
    log_likely: Floats = field(repr=False)  # (T,) of the members measured, up to a constant


def by_spread(value: npt.ArrayLike, sd: npt.ArrayLike, spread: float) -> BySpread:
    """Return what measured members say of a normal population, for each spread between members.

    Parameters
    ----------
    value, sd
        (k,) of the members measured, k at least 1.
    spread
        How far members may differ: values of some times this are tried.

    Notes
    -----
    Of a given spread tau the mean is sum(w y) / sum(w) and has the variance V = 1 / sum(w), where
    w = 1 / (sd^2 + tau^2) (BDA 5.20); the members have the likelihood
    V^(1/2) prod(w^(1/2) exp(-w (y - mean)^2 / 2)) (BDA 5.21, its prior apart).
    """
    y, variance = np.asarray(value, dtype=float), np.square(np.asarray(sd, dtype=float))
    tau = _REACH * spread * (np.arange(_SPREADS) + 0.5) / _SPREADS
    weight = 1.0 / (variance + tau[:, None] ** 2)
    of_mean = 1.0 / weight.sum(axis=1)
    mean = of_mean * (weight @ y)
    log_likely = 0.5 * (np.log(of_mean) + np.log(weight).sum(axis=1))
    log_likely -= 0.5 * (weight * (y - mean[:, None]) ** 2).sum(axis=1)
    return BySpread(tau, mean, of_mean, log_likely)


def shares_of(tau: Floats, log_likely: Floats, spread: float) -> Floats:
    """Return the odds of each spread (T,); beforehand it has a half-normal law with the sd `spread`."""
    log_p = log_likely - 0.5 * (tau / spread) ** 2
    share = np.exp(log_p - log_p.max())
    return np.asarray(share / share.sum())


def pooled(value: npt.ArrayLike, sd: npt.ArrayLike, spread: float) -> Pooled:
    """Return what measured members of a normal population say of one more, their spread averaged over.

    Parameters
    ----------
    value, sd
        (k,) of the members measured, k at least 1.
    spread
        Prior of how far members differ: sd of the half-normal law of their standard deviation.

    Notes
    -----
    One more member has the variance V + tau^2 for each spread tau; see `by_spread`.
    """
    found = by_spread(value, sd, spread)
    share = shares_of(found.tau, found.log_likely, spread)
    middle = float(share @ found.mean)
    whole = float(share @ (found.of_mean + found.tau**2 + (found.mean - middle) ** 2))
    between = float(share @ found.tau**2) ** 0.5
    return Pooled(mean=middle, sd=whole**0.5, between=between, count=int(np.size(value)))


#: Bearings that are told apart [deg], and how far piers may differ in theirs, from "all alike" to "any"
#: [deg]: each as likely beforehand, common practice: on a sloping or half shaded slab they agree, else not.
BEARINGS_DEG = np.arange(0.0, 360.0, 15.0)
_BEARING_SPREADS_DEG = (10.0, 20.0, 40.0, 80.0, 200.0)


def bearing_odds(bearing_deg: npt.ArrayLike, sd_deg: npt.ArrayLike) -> tuple[float, ...]:
    """Return the odds of each of `BEARINGS_DEG` for one more pier, by the bearings of others, (k,)."""
    seen, own = np.asarray(bearing_deg, dtype=float), np.asarray(sd_deg, dtype=float)
    odds = np.zeros(BEARINGS_DEG.size)
    for spread in _BEARING_SPREADS_DEG:
        each = [
            _round_the_circle(BEARINGS_DEG - b, np.hypot(spread, s)) for b, s in zip(seen, own, strict=True)
        ]
        likely = np.prod(np.array(each), axis=0)  # of each mean bearing
        next_one = _round_the_circle(BEARINGS_DEG[:, None] - BEARINGS_DEG, spread)
        odds += next_one @ likely
    return tuple(float(one) for one in odds / odds.sum())


def _round_the_circle(apart_deg: Floats, sd_deg: float) -> Floats:
    """Return the density of a normal law wound round the circle, per degree; no narrower than a step."""
    sd = max(float(sd_deg), 0.5 * float(BEARINGS_DEG[1]))
    turns = 360.0 * np.arange(-3, 4)
    off = (np.asarray(apart_deg)[..., None] + turns) / sd
    return np.asarray(np.exp(-0.5 * off**2).sum(axis=-1) / (sd * np.sqrt(2.0 * np.pi)))


# ---- The prior of one pier.


#: Name of a scale -> its median, and the sd of its natural logarithm.
ScalePriors = Mapping[str, tuple[float, float]]

#: How far piers of one site differ, prior sds: of the logarithm of their size, of their lag behind the frost
#: [days], of the day on which a tilt by the calendar is furthest.  Common practice: by factors up to two.
SIZE_SPREAD, LAG_SPREAD_DAYS, DAY_SPREAD = 0.6, 10.0, 15.0
#: And what winters leave behind, as a share of their swing: common practice, by a tenth or two.
LEFT_SPREAD = 0.15
#: The same of the logarithm of a scale, and how well one record knows its own: our own assumption.
SCALE_SPREAD, SCALE_SD = 0.5, 0.5
#: Scales of the wander and of what the yearly tilt leaves over that piers of one site have in common.
SHARED_SCALES = {
    "tilt_walk": "tilt_walk_arcsec_per_sqrt_day",
    "across": "across_share",
    "season": "season_arcsec",
    "frost": "frost_arcsec",
}
#: Chance that a pier is like none of its neighbours (another footing, a drain, a heated room): common
#: practice, weakly held.
ODD_CHANCE = 0.1
#: Each kind of forcing counts beforehand as so many piers, all together as one (Perks' prior of shares, 1947,
#: from memory).
_KIND_COUNT = 1.0 / len(ForcingKind)
#: Where the normal laws that stand for the log-normal one of sizes lie, in its sds: the middles of five equal
#: parts.  One normal law alone would lie too high, because the log-normal one is skew.
_SIZE_SDS = tuple(float(z) for z in ndtri((np.arange(5) + 0.5) / 5.0))
#: Across its bearing a pier moves by this share of its size, the bearings between those tried included.
_ACROSS = 0.15
#: No size, lag or share left behind is known better than this: logarithm of the size, and days.
_LEAST_LOG_SD, _LEAST_LAG_SD, _LEAST_SHARE_SD = 0.05, 3.0, 0.02


@dataclass(frozen=True, kw_only=True)
class YearlyPrior:
    """What the neighbours that follow the frost, or those that follow the calendar, say of one more pier.

    Parameters
    ----------
    log_size
        Of the natural logarithm of its swing [arcsec].
    bearing_odds
        Of `BEARINGS_DEG`; nearly even where the piers go different ways.
    lag_days
        Of each kind of frost that one of them follows: how far behind it; by the calendar the day of the year
        on which the tilt is furthest.
    log_scales
        Of the natural logarithms of the scales in `SHARED_SCALES`.
    left_share
        Of what a winter leaves behind as a share of its swing; None by the calendar.
    """

    log_size: Pooled
    bearing_odds: tuple[float, ...] = field(repr=False)
    lag_days: dict[ForcingKind, Pooled]
    log_scales: dict[str, Pooled] = field(repr=False)
    left_share: Pooled | None = None

    def sizes(self) -> tuple[tuple[float, float], ...]:
        """Return means and sds of the normal laws, each as likely, that stand for the log-normal one."""
        log, sd = self.log_size.mean, self.log_size.sd
        left = sd**2 * (1.0 - float(np.mean(np.square(_SIZE_SDS))))
        means = [float(np.exp(log + one * sd + 0.5 * left)) for one in _SIZE_SDS]
        return tuple((mean, mean * float(np.sqrt(np.expm1(left)))) for mean in means)


@dataclass(frozen=True)
class Laws:
    """A mixture of normal laws of q amplitudes."""

    log_odds: Floats = field(repr=False)  # (K,)
    mean: Floats = field(repr=False)  # (K, q)
    cov: Floats = field(repr=False)  # (K, q, q)

    def settled(self, odds: Floats) -> Laws:
        """Return one law in place of all: mean and covariance by some odds (K,)."""
        middle = odds @ self.mean
        apart = self.mean - middle
        cov = np.tensordot(odds, self.cov, axes=1) + (apart * odds[:, None]).T @ apart
        return Laws(np.zeros(1), middle[None], cov[None])


@dataclass(frozen=True, kw_only=True)
class NeighbourPrior:
    """What the other piers of a site say of one pier beforehand.

    Parameters
    ----------
    piers
        The names of those others.
    kinds
        The chance of each kind of forcing, that of a pier like none of them included.
    frost, calendar
        By those that follow the frost, and by those that follow the calendar; None where there are none.
    since_us
        When that was said [us], where it was kept since; None where it was asked for now.
    """

    piers: tuple[str, ...]
    kinds: dict[ForcingKind, float]
    frost: YearlyPrior | None
    calendar: YearlyPrior | None
    since_us: int | None = None

    def log_chance(self, kind: ForcingKind) -> float:
        """Return the log of the chance of a kind of forcing."""
        return float(np.log(self.kinds[kind]))

    def log_lag(self, forcing: FrostForcing) -> float:
        """Return the log chance of a forcing's lag, against the likeliest of its kind."""
        lag = None if self.frost is None else self.frost.lag_days.get(forcing.kind)
        return (
            0.0 if lag is None else -0.5 * ((forcing.lag_days - lag.mean) / np.hypot(lag.sd, LATER_DAYS)) ** 2
        )

    def of(self, forcing: FrostForcing | None) -> YearlyPrior | None:
        """Return what belongs to a model that follows a forcing; None where no neighbour follows one."""
        if forcing is None:
            return self.calendar
        return self.frost if forcing.is_frost else None

    def laws(self, forcing: FrostForcing | None, alone: Floats) -> Laws | None:
        """Return the prior of the amplitudes of the yearly tilt.

        Parameters
        ----------
        forcing
            What the tilt follows; None for the calendar.
        alone
            (q, q) covariance of the prior that the pier has alone.

        Returns
        -------
        Laws or None
            A law for each size and bearing and, last, the one that it has alone.
        """
        own = self.of(forcing)
        if own is None:
            return None
        turn = np.radians(BEARINGS_DEG)
        means, covs = [], []
        for size, size_sd in own.sizes():
            if forcing is None:
                mean, along, across = _by_calendar(own, size, size_sd)
            else:
                mean, along, across = _by_frost(own, forcing, size, size_sd)
            for c, s in zip(np.cos(turn), np.sin(turn), strict=True):
                u, v = np.array([c, s]), np.array([-s, c])
                means.append(np.kron(u, mean))
                covs.append(np.kron(np.outer(u, u), along) + np.kron(np.outer(v, v), across))
        kind = ForcingKind.CALENDAR if forcing is None else forcing.kind
        odd = (
            ODD_CHANCE / len(ForcingKind) / self.kinds[kind]
        )  # an odd one follows one kind as well as another
        each = np.tile((1.0 - odd) / len(_SIZE_SDS) * np.array(own.bearing_odds), len(_SIZE_SDS))
        odds = np.append(each, odd)
        with np.errstate(divide="ignore"):
            return Laws(np.log(odds), np.array([*means, np.zeros(len(alone))]), np.array([*covs, alone]))

    def log_of_scales(
        self, forcing: FrostForcing | None, scales: Mapping[str, float], alone: ScalePriors
    ) -> float:
        """Return how the log prior of the scales differs from the one that the pier has alone.

        Parameters
        ----------
        forcing
            As for `laws`.
        scales
            By name.
        alone
            Median, and sd of the natural logarithm, of each scale alone; what neighbours say takes its place.
        """
        total = 0.0
        for name, lent in self._lent_scales(forcing).items():
            median, sd = alone[name]
            log = float(np.log(scales[name]))
            total += 0.5 * ((log - np.log(median)) / sd) ** 2 - 0.5 * ((log - lent.mean) / lent.sd) ** 2
        return total

    def slope_of_scales(
        self, forcing: FrostForcing | None, scales: Mapping[str, float], alone: ScalePriors
    ) -> dict[str, float]:
        """Return the slope of that by the logarithm of each scale that they say something of."""
        out = {}
        for name, lent in self._lent_scales(forcing).items():
            median, sd = alone[name]
            log = float(np.log(scales[name]))
            out[name] = float((log - np.log(median)) / sd**2 - (log - lent.mean) / lent.sd**2)
        return out

    def _lent_scales(self, forcing: FrostForcing | None) -> dict[str, Pooled]:
        own = self.of(forcing)
        return {} if own is None else own.log_scales


def _by_frost(
    own: YearlyPrior, forcing: FrostForcing, size: float, size_sd: float
) -> tuple[Floats, Floats, Floats]:
    """Return mean (3,) and covariances along and across the bearing (3, 3) of swing, late, left behind."""
    lag = own.lag_days.get(forcing.kind)
    late, late_sd = 0.0, LATE
    if lag is not None:
        # a mixture of two lags with the share `late` of the later one lags by the mean of both
        late, late_sd = (lag.mean - forcing.lag_days) / LATER_DAYS, lag.sd / LATER_DAYS
    left = own.left_share
    left_behind, left_sd = (0.0, LEFT_BEHIND) if left is None else (left.mean, left.sd)
    follows = np.array([1.0, late, left_behind])
    square = size**2 + size_sd**2
    beside = np.diag([0.0, late_sd**2, left_sd**2]) * square
    along = size_sd**2 * np.outer(follows, follows) + beside
    across = _ACROSS**2 * (
        square * np.outer(follows, follows) + beside + np.diag([0.0, LATE**2, 0.0]) * square
    )
    assert len(follows) == FROST_WIDTH
    return size * follows, along, across


def _by_calendar(own: YearlyPrior, swing: float, swing_sd: float) -> tuple[Floats, Floats, Floats]:
    """Return mean (4,) and covariances along and across the bearing (4, 4) of two harmonics."""
    size, size_sd = 0.5 * swing, 0.5 * swing_sd  # from peak to trough is twice the amplitude
    day = own.lag_days[ForcingKind.CALENDAR]
    a_day = 2.0 * np.pi / YEAR_DAYS
    phase = a_day * (day.mean - 1.0)
    crest, later = np.zeros(4), np.zeros(4)
    crest[:2], later[:2] = (np.cos(phase), np.sin(phase)), (-np.sin(phase), np.cos(phase))
    square = size**2 + size_sd**2
    second = np.diag([0.0, 0.0, HARMONICS[1] ** 2, HARMONICS[1] ** 2]) * square
    off = min(a_day * day.sd, 1.0) ** 2
    least = np.diag([1.0, 1.0, 0.0, 0.0]) * (_ACROSS**2 * square)
    along = size_sd**2 * np.outer(crest, crest) + off * square * np.outer(later, later) + second + least
    return size * crest, along, least + _ACROSS**2 * second


# ---- From the histories of the others.


@dataclass(frozen=True, kw_only=True)
class Lender:
    """What one pier, worked out alone, lends its neighbours: see the fields of `drift.types.History`."""

    follows: ForcingKind
    forcing_odds: dict[ForcingKind, float]
    yearly: YearlyTilt | None
    scales: HistoryScales | None


def lender_of(history: History) -> Lender:
    """Return what a pier lends.

    Raises
    ------
    ValueError
        If its history was itself worked out with what neighbours lent: they would hear their own words again.
    """
    if history.borrowed_from:
        raise ValueError(
            f"this history rests on {len(history.borrowed_from)} neighbours: it can't lend to them"
        )
    return Lender(
        follows=history.follows,
        forcing_odds=history.forcing_odds,
        yearly=history.yearly,
        scales=history.scales,
    )


@dataclass(frozen=True, kw_only=True)
class OwnYears:
    """What a pier's own years are worth, to itself and to its neighbours.

    Parameters
    ----------
    whole_winters
        How many winters it has seen whole: `drift.history.components.whole_winters`.
    lender
        What it lends; None for one that borrows itself.
    borrows
        Whether its site file lets it borrow.
    is_fixed
        Whether nothing can be noted in its record.
    lent_us
        When its neighbours lent it what its record holds [us]; None where it holds nothing.
    lent_by
        The names of those neighbours; none where what is held can't be read.
    """

    whole_winters: int
    lender: Lender | None
    borrows: bool = True
    is_fixed: bool = False
    lent_us: int | None = None
    lent_by: tuple[str, ...] = ()


def neighbour_prior(lenders: Mapping[str, Lender | None], pier: str) -> NeighbourPrior | None:
    """Return what the other piers of a site say of one pier; it is never among them itself.

    Parameters
    ----------
    lenders
        By the name of the pier; None for a pier that has no history yet.
    pier
        The pier that borrows; it may be one of them or not.

    Returns
    -------
    NeighbourPrior or None
        None when no other pier has a year that tells anything.
    """
    others = {name: one for name, one in lenders.items() if name != pier and one is not None}
    compared = {name: one for name, one in others.items() if len(one.forcing_odds) > 1}
    told = {name: one for name, one in others.items() if one.yearly is not None}
    frost = _yearly([one for one in told.values() if one.follows.is_frost])
    calendar = _yearly([one for one in told.values() if not one.follows.is_frost])
    if frost is None and calendar is None:
        return None
    count = {
        kind: _KIND_COUNT + sum(one.forcing_odds.get(kind, 0.0) for one in compared.values())
        for kind in ForcingKind
    }
    total = sum(count.values())
    return NeighbourPrior(
        piers=tuple(sorted({*compared, *told})),
        kinds={
            kind: (1.0 - ODD_CHANCE) * number / total + ODD_CHANCE / len(ForcingKind)
            for kind, number in count.items()
        },
        frost=frost,
        calendar=calendar,
    )


def _yearly(lenders: list[Lender]) -> YearlyPrior | None:
    known = [one.yearly for one in lenders if one.yearly is not None]
    if not known:
        return None
    size, sd = np.array([one.size.value for one in known]), np.array([one.size.sd for one in known])
    size = np.maximum(size, sd)  # of one that hardly moves no more is known than that
    log_sd = np.maximum(np.sqrt(np.log1p((sd / size) ** 2)), _LEAST_LOG_SD)
    lags = {
        kind: _lag(kind, [one.yearly.lag_days for one in lenders if one.yearly and one.follows is kind])
        for kind in dict.fromkeys(one.follows for one in lenders)
    }
    return YearlyPrior(
        log_size=pooled(np.log(size), log_sd, SIZE_SPREAD),
        bearing_odds=bearing_odds(
            [one.bearing_deg.value for one in known], [one.bearing_deg.sd for one in known]
        ),
        lag_days=lags,
        left_share=_left_share([one.left_share for one in known if one.left_share is not None]),
        log_scales=_log_scales([one.scales for one in lenders if one.scales is not None]),
    )


def borrowed_notice(prior: NeighbourPrior, follows: ForcingKind) -> Notice:
    """Return from whom a pier has borrowed, and what that says of its yearly tilt beforehand."""
    own = prior.frost if follows.is_frost else prior.calendar
    low, size, high = (
        None if own is None else float(np.exp(own.log_size.mean + k * own.log_size.sd))
        for k in (-1.0, 0.0, 1.0)
    )
    lag = None if own is None else own.lag_days.get(follows)
    return info(
        HistoryCode.BORROWED,
        piers=prior.piers,
        since_us=prior.since_us,
        follows=follows,
        size_arcsec=size,
        size_low_arcsec=low,
        size_high_arcsec=high,
        lag_days=None if lag is None else lag.mean,
        lag_sd_days=None if lag is None else lag.sd,
    )


def _lag(kind: ForcingKind, lags: list[Measure]) -> Pooled:
    days, sd = np.array([one.value for one in lags]), np.array([one.sd for one in lags])
    if not kind.is_frost:  # days of the year, about the first of them
        days = days[0] + (days - days[0] + YEAR_DAYS / 2.0) % YEAR_DAYS - YEAR_DAYS / 2.0
    return pooled(days, np.maximum(sd, _LEAST_LAG_SD), LAG_SPREAD_DAYS if kind.is_frost else DAY_SPREAD)


def _left_share(shares: list[Measure]) -> Pooled | None:
    if not shares:
        return None
    return pooled(
        [one.value for one in shares], [max(one.sd, _LEAST_SHARE_SD) for one in shares], LEFT_SPREAD
    )


def _log_scales(found: list[HistoryScales]) -> dict[str, Pooled]:
    if not found:
        return {}
    each = {name: np.log([getattr(one, field) for one in found]) for name, field in SHARED_SCALES.items()}
    return {name: pooled(logs, np.full(logs.size, SCALE_SD), SCALE_SPREAD) for name, logs in each.items()}
