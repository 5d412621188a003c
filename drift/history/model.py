"""The separation as one linear-Gaussian model in time.

The tilt of the pier and the position of the mount walk at random from reading
to reading (a chain); named causes add columns with Gaussian priors; nights and
levels see sums of them.  Mean, variances and marginal likelihood come from one
banded Cholesky decomposition and one small dense one.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace

import numpy as np
import numpy.typing as npt

from drift.codes import CauseKind, Place
from drift.ground.heave import FrostForcing
from drift.history.causes import (
    MOUNT_ALT,
    MOUNT_AZ,
    PER_DEGREE_SD,
    TILT_EAST,
    TILT_NORTH,
    WARM_LEVELS,
    WARM_ZEROS,
    Cause,
    along_and_across,
    annual_cov,
    annual_mount,
    annual_mount_cov,
    annual_shape,
    frost_cov,
    frost_tilt,
    mount_settlement,
    settlement,
    settlement_cov,
    steady,
    steep_starts,
    wander_of_sensors,
    warm,
)
from drift.history.inputs import Beliefs, Swapped, exchanged, odds_of_all, swapped, wide_sd
from drift.history.neighbours import Laws, NeighbourPrior
from drift.history.series import NOT_OBSERVED, Series
from drift.linear import Chain, factored, make_chain, solved
from drift.mount.axis_error import axis_weights
from drift.quantities import Floats, Ints

#: What walks: tilt north, tilt east, mount azimuth, mount altitude, and the hour-angle zero.
WALKS = (TILT_NORTH, TILT_EAST, MOUNT_AZ, MOUNT_ALT)
ZERO = 4
#: Shortest time between two readings for the walk [days]: a night split by a correction.
SHORTEST_DAYS = 0.02


@dataclass(frozen=True)
class Scales:
    """Scale parameters of the model."""

    tilt_walk: float = 1.0  # along the direction of heave [arcsec per square root of a day]
    across: float = 0.3  # share of it across that direction
    bearing_rad: float = 0.0  # direction of heave
    az_creep: float = 0.1  # of the mount on the pier [arcsec per square root of a day]
    alt_creep: float = 0.1
    zero_repeat: float = 10.0  # session-to-session repeatability of a shared zero [arcsec]
    season: float = 20.0  # prior size of the annual tilt [arcsec]
    slow: float = 20.0  # prior size of the slowest settlement [arcsec]
    frost: float = 20.0  # prior size of a typical winter's swing, where frost drives the tilt [arcsec]
    level_factor: float = 1.0  # scatter of level readings against what they claim
    zero_creep: float = 0.01  # of a kept zero [arcsec per square root of a day]


#: Priors of the logarithms: name -> (median, sd of the natural logarithm).  They are wide; their medians
#: are common practice: a home-made pier wanders by some arcseconds a year^0.5, swings by some ten
#: arcseconds a year and settles by about as much; a good mount creeps far less; a home switch repeats to
#: ten arcseconds and wanders by about two a year^0.5.
PRIORS: dict[str, tuple[float, float]] = {
    "tilt_walk": (0.2, 1.3),
    "across": (0.3, 0.7),
    "az_creep": (0.03, 1.2),
    "alt_creep": (0.03, 1.2),
    "zero_repeat": (10.0, 1.5),
    "season": (10.0, 1.4),
    "slow": (6.0, 1.4),
    "frost": (15.0, 1.2),
    "level_factor": (1.0, 0.3),
    "zero_creep": (0.1, 1.2),
}


@dataclass(frozen=True)
class Stretch:
    """Some weeks in which the tilt walks quickly: a thaw that the frost driver doesn't know."""

    start_us: int
    end_us: int
    strays: float  # variance added over all of it, in the frost's swings squared


@dataclass(frozen=True)
class Model:
    """Readings, causes, and what was put aside."""

    series: Series
    latitude_rad: float
    causes: tuple[Cause, ...]  # all but those whose prior depends on the scales
    ignored: npt.NDArray[np.bool_]  # (n,) single readings that nothing lasting explains
    ignored_zero: npt.NDArray[np.bool_]  # (n,) their zero only
    frost: FrostForcing | None = None  # what the tilt follows beside the calendar
    still: bool = False  # the tilt does not stray from the frost: for looking for what straying may hide
    forcing: FrostForcing | None = None  # the likeliest frost, whether the tilt follows it or not
    stretches: tuple[Stretch, ...] = ()
    tied: bool = False  # no reading sees the tilt itself: pier and mount get the same freedom
    temp_c: Floats | None = None  # (n,) how warm it was at each reading; None when not known
    beliefs: Beliefs | None = None  # what of pier, mount and references moves by itself; None: all, widely
    neighbours: NeighbourPrior | None = None  # what the other piers of the site say beforehand
    lent_odds: Floats | None = None  # (K,) settled odds of what they lend, for one normal law; None: all laws

    def with_causes(self, *more: Cause) -> Model:
        """Return the model with further causes."""
        return replace(self, causes=(*self.causes, *more))


def thinned(model: Model, every: int) -> Model:
    """Return the model on every so many readings (the reference among them)."""
    return picked(model, np.arange(0, model.series.size, every))


def picked(model: Model, pick: Ints) -> Model:
    """Return the model on some of its readings, in order, the reference first."""
    causes = tuple(replace(c, state=c.state[pick], direct=c.direct[pick]) for c in model.causes)
    return replace(
        model,
        series=model.series.picked(pick),
        causes=causes,
        ignored=model.ignored[pick],
        ignored_zero=model.ignored_zero[pick],
        temp_c=None if model.temp_c is None else model.temp_c[pick],
    )


@dataclass(frozen=True)
class DesignColumns:
    """All causes side by side, at given scales."""

    state: Floats  # (n, 6, p)
    seen: Floats  # (n, 3, p)
    mean: Floats
    cov: Floats
    at: dict[str, slice]  # name of a cause -> its columns
    causes: dict[str, Cause]  # name of a cause -> the cause

    def of_kinds(self, *kinds: CauseKind) -> list[slice]:
        """Return the columns of each cause of some kinds."""
        return [self.at[name] for name, cause in self.causes.items() if cause.kind in kinds]


def what_is_seen(model: Model) -> tuple[Floats, Floats]:
    """Return how readings see the six components (n, 3, 6) and what walks (n, 3, 5)."""
    series, phi = model.series, model.latitude_rad
    zero = [0.0, np.cos(phi), 0.0, np.cos(phi), -np.sin(phi), 0.0]  # of the hour-angle zero
    night = np.vstack([axis_weights(phi), zero])
    pier, plate = np.zeros((3, 6)), np.zeros((3, 6))
    pier[0, TILT_NORTH] = pier[1, TILT_EAST] = 1.0
    plate[0, [0, 2]] = plate[1, [1, 3]] = 1.0
    six = np.empty((series.size, 3, 6))
    six[:] = night
    six[series.place == Place.PIER] = pier
    six[(series.place == Place.PLATE) | (series.place == Place.MOUNT)] = plate
    walks = np.zeros((series.size, 3, 5))
    walks[:, :, :4] = six[:, :, WALKS]
    walks[series.night >= 0, 2, ZERO] = 1.0
    return six, walks


def weights(model: Model, scales: Scales) -> Floats:
    """Return one over the variance of the readings at given scales, (n, 3, 3)."""
    series = model.series
    variance = series.variance.copy()
    level = series.night < 0
    variance[level, :2, :2] *= scales.level_factor**2
    shared = (series.night >= 0) & (series.zero_label != "")
    variance[shared, 2, 2] += scales.zero_repeat**2
    for pick in (~shared, model.ignored_zero):  # a zero that is nobody else's says nothing
        variance[pick, 2, :] = variance[pick, :, 2] = 0.0
        variance[pick, 2, 2] = NOT_OBSERVED
    variance[model.ignored] = np.eye(3) * NOT_OBSERVED
    return np.asarray(np.linalg.inv(variance))


def _scaled(model: Model) -> list[Cause]:
    """Return the causes whose prior depends on the scales; their columns don't."""
    time_us = model.series.time_us
    own = [annual_shape(time_us), settlement(time_us)]
    own += [frost_tilt(time_us, model.frost)] if model.frost is not None else []
    return own + ([annual_mount(time_us), mount_settlement(time_us)] if model.tied else [])


def _unscaled(model: Model) -> list[Cause]:
    """Return the rates and the warmth of pier, mount and references, with their wide priors.

    Where there is no reference, or nothing but levels is read, nothing could check one.
    """
    series, temp_c = model.series, model.temp_c
    wanders = [wander_of_sensors(series)] if np.any(series.instrument) else []
    by_degree = [] if temp_c is None else warm(series, temp_c)
    referred = np.any(series.zero_label != "") or np.any(series.night < 0)
    if model.tied or not referred or not np.any(series.night >= 0):
        moved = [cause for cause in by_degree if cause.name not in (WARM_ZEROS, WARM_LEVELS)]
        return [*wanders, *(replace(cause, cov=cause.cov * PER_DEGREE_SD**2) for cause in moved)]
    moving = [*steady(series), *steep_starts(series.time_us), *by_degree]
    moving = [cause for cause in moving if cause.width]
    return [*wanders, *(replace(cause, cov=cause.cov * wide_sd(cause.name) ** 2) for cause in moving)]


def scaled_priors(scales: Scales) -> dict[str, Floats]:
    """Return the prior covariances that depend on the scales, by name of cause, those of absent ones too."""
    slow = settlement_cov(scales.slow)
    return {
        "annual_tilt": annual_cov(scales.season, scales.bearing_rad, scales.across),
        "settlement": slow,
        "frost": frost_cov(scales.frost, scales.bearing_rad, scales.across),
        "annual_mount": annual_mount_cov(scales.season),
        "slow_drift_of_mount": slow,
    }


def columns(model: Model, six: Floats) -> DesignColumns:
    """Put all causes side by side; the priors that depend on the scales are left at unity."""
    causes = [*model.causes, *_unscaled(model), *_scaled(model)]
    state = np.concatenate([c.state for c in causes], axis=2)
    direct = np.concatenate([c.direct for c in causes], axis=2)
    edges = np.cumsum([0, *(c.width for c in causes)])
    at = {c.name: slice(int(a), int(a) + c.width) for c, a in zip(causes, edges, strict=False)}
    cov = np.zeros((int(edges[-1]), int(edges[-1])))
    for cause in causes:
        cov[at[cause.name], at[cause.name]] = cause.cov
    mean = np.concatenate([c.mean for c in causes])
    return DesignColumns(state, six @ state + direct, mean, cov, at, {c.name: c for c in causes})


def walk_days(model: Model) -> Floats:
    """Return how long each step of the walk lasts, (n - 1,) [days]."""
    return np.asarray(np.maximum(np.diff(model.series.days), SHORTEST_DAYS))


def unrest(model: Model) -> Floats:
    """Return by how much the tilt may stray from the frost in each step, (n - 1,), in swings squared."""
    times = model.series.time_us
    grown = np.zeros(times.size)
    if model.frost is not None and not model.still:
        grown += model.frost.unrest(times)
    for one in model.stretches:
        grown += one.strays * np.clip((times - one.start_us) / (one.end_us - one.start_us), 0.0, 1.0)
    return np.diff(grown)


def step_days(scales: Scales, days: Floats, strays: Floats) -> Floats:
    """Return how long each step lasts for each of what walks, (n - 1, 5) [days].

    While frost moves the tilt it strays from it: time runs faster for it then.
    """
    out = np.repeat(days[:, None], 5, axis=1)
    out[:, :2] += (scales.frost**2 * strays / scales.tilt_walk**2)[:, None]
    return out


def walk_rate(scales: Scales, tied: bool) -> Floats:
    """Return the variance that the walk gains a day, (5, 5).

    Where pier and mount are tied the mount walks as much as the tilt does, beside its own creep.
    """
    one = np.zeros((5, 5))
    one[:2, :2] = scales.tilt_walk**2 * along_and_across(scales.bearing_rad, scales.across)
    shared = scales.tilt_walk if tied else 0.0
    one[2, 2], one[3, 3] = scales.az_creep**2 + shared**2, scales.alt_creep**2 + shared**2
    one[4, 4] = scales.zero_creep**2
    return one


@dataclass(frozen=True)
class Fit:
    """The model solved at given scales."""

    model: Model
    scales: Scales
    columns: DesignColumns
    chain: Chain
    follows: Floats  # (5 (n - 1), p) how the walk follows the columns' amplitudes
    walk: Floats  # (n, 5) mean of the walk; 0 at the reference
    amplitude: Floats  # (p,)
    amplitude_cov: Floats  # (p, p)
    log_marginal: float
    days: Floats  # (n - 1, 5) how long each step of the walk lasts for each of what walks
    strays: Floats  # (n - 1,) by how much the tilt may stray from the frost in each step
    rate: Floats  # (5, 5) variance that the walk gains a day, prior
    weight: Floats  # (n, 3, 3)
    sees: Floats  # (n, 3, 5)
    odds: Floats | None = None  # (K,) of the combinations of `Model.beliefs`, where they were told
    wide: Fit | None = field(default=None, repr=False)  # the solution that those were told from
    lent_odds: Floats | None = None  # (K,) of the laws that neighbours lend, where they lend any
    alone: Fit | None = field(default=None, repr=False)  # the solution before they lent them

    @property
    def normal(self) -> Fit:
        """The solution by one normal law in place of the combinations: for scores, which need one."""
        if self.alone is not None and self.wide is None:
            return lent(self.alone, self.lent_odds)
        if self.wide is None or self.model.beliefs is None or self.odds is None:
            return self
        return believed(self.wide.normal, self.model.beliefs.about(self.columns.at).settled(self.odds))

    def fitted(self) -> Floats:
        """Return what the model makes of each reading, (n, 3)."""
        return np.asarray(np.einsum("nij,nj->ni", self.sees, self.walk) + self.columns.seen @ self.amplitude)

    def components(self) -> Floats:
        """Return tilt, plate and mount at each reading, the columns of `COLUMNS`, (n, 6)."""
        out = np.asarray(self.columns.state @ self.amplitude)
        out[:, WALKS] += self.walk[:, :4]
        return out


@dataclass(frozen=True)
class Weighed:
    """Products of the readings with their weights; they change only with the scatter of the readings."""

    weight: Floats  # (n, 3, 3)
    block: Floats  # (n - 1, 5, 5) what the readings say about the walk
    tie: Floats  # (5 (n - 1), p) and about walk and columns together
    push: Floats  # (5 (n - 1),)
    square: Floats  # (p, p)
    right: Floats  # (p,)
    rest: float  # y' W y - log det W


class Solver:
    """A model with what does not depend on the scales worked out once."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.six, self.sees = what_is_seen(model)
        self._columns = columns(model, self.six)
        self._days, self._strays = walk_days(model), unrest(model)
        self._weighed: dict[tuple[float, float], Weighed] = {}

    def weighed(self, scales: Scales) -> Weighed:
        """Return the products at given scatter; the last few are kept."""
        key = (scales.zero_repeat, scales.level_factor)
        if key not in self._weighed:
            if len(self._weighed) >= 4:
                self._weighed.pop(next(iter(self._weighed)))
            self._weighed[key] = self._weigh(scales)
        return self._weighed[key]

    def _weigh(self, scales: Scales) -> Weighed:
        weight, value, seen = weights(self.model, scales), self.model.series.value, self._columns.seen
        weighted = np.swapaxes(self.sees, 1, 2) @ weight
        loaded = weight @ seen
        flat = seen.reshape(-1, seen.shape[2])
        y = np.einsum("nij,nj->ni", weight, value)
        return Weighed(
            weight,
            (weighted @ self.sees)[1:],
            (weighted @ seen)[1:].reshape(-1, seen.shape[2]),
            np.einsum("nij,nj->ni", weighted, value)[1:].reshape(-1),
            flat.T @ loaded.reshape(flat.shape),
            flat.T @ y.reshape(-1),
            float(np.sum(value * y)) - _log_det(weight),
        )

    def columns(self, scales: Scales) -> DesignColumns:
        """Return the columns with their prior at given scales."""
        cov = self._columns.cov.copy()
        for name, own in scaled_priors(scales).items():
            if name in self._columns.at:
                cov[self._columns.at[name], self._columns.at[name]] = own
        return replace(self._columns, cov=cov)

    def at(self, scales: Scales) -> Fit:
        """Solve at given scales, by all combinations of the model's beliefs and what neighbours lend.

        Raises
        ------
        numpy.linalg.LinAlgError
            If the readings and priors leave a direction free (they never should).
        """
        fit = lent(self.widely(scales), self.model.lent_odds)
        beliefs = None if self.model.beliefs is None else self.model.beliefs.about(fit.columns.at)
        return believed(fit, beliefs) if beliefs is not None and beliefs.causes else fit

    def widely(self, scales: Scales) -> Fit:
        """Solve at given scales with everything that may move by itself moving.

        Raises
        ------
        numpy.linalg.LinAlgError
            If the readings and priors leave a direction free (they never should).
        """
        done, cols, rate = self.weighed(scales), self.columns(scales), walk_rate(scales, self.model.tied)
        days = step_days(scales, self._days, self._strays)
        inverse = step_precision(rate, days)
        diagonal = done.block + inverse
        diagonal[:-1] += inverse[1:]
        chain = make_chain(diagonal, -inverse[1:])
        both = chain.solve(np.concatenate([done.tie, done.push[:, None]], axis=1))
        follows, alone = both[:, :-1], both[:, -1]
        prior = np.linalg.inv(cols.cov)
        total = done.square + prior - done.tie.T @ follows
        right = done.right + prior @ cols.mean - done.tie.T @ alone
        factor = factored(0.5 * (total + total.T))
        amplitude = solved(factor, right)
        walk = np.concatenate([np.zeros((1, 5)), (alone - follows @ amplitude).reshape(-1, 5)])
        square = done.rest + cols.mean @ prior @ cols.mean - done.push @ alone - right @ amplitude
        steps = len(days) * _log_det(rate[None]) + float(np.sum(np.log(days)))
        logs = _log_det(prior[None]) - steps - chain.log_determinant()
        logs -= 2.0 * float(np.sum(np.log(np.diagonal(factor))))
        if self.model.neighbours is not None:
            logs += 2.0 * self.model.neighbours.log_of_scales(self.model.frost, asdict(scales), PRIORS)
        return Fit(
            self.model,
            scales,
            cols,
            chain,
            follows,
            walk,
            amplitude,
            solved(factor, np.eye(amplitude.size)),
            0.5 * (logs - float(square)),
            days,
            self._strays,
            rate,
            done.weight,
            self.sees,
        )


def columns_that_may_stand(columns: DesignColumns, beliefs: Beliefs) -> tuple[Ints, Ints]:
    """Return the columns of the causes that may stand still, (q,), and which cause each belongs to, (q,)."""
    width = [columns.at[cause].stop - columns.at[cause].start for cause in beliefs.causes]
    which = np.repeat(np.arange(len(width)), width)
    at = np.concatenate([np.arange(columns.at[c].start, columns.at[c].stop) for c in beliefs.causes])
    return at.astype(np.int64), which.astype(np.int64)


def believed(fit: Fit, beliefs: Beliefs) -> Fit:
    """Return the solution over all combinations of what moves, each by its odds.

    Mean and covariance are those of the mixture: its law is not normal, its first two moments are exact.

    Parameters
    ----------
    fit
        With the wide priors, from `Solver.widely`.
    beliefs
        Combinations of what may move.
    """
    at, which = columns_that_may_stand(fit.columns, beliefs)
    mean, cov = fit.amplitude[at], fit.amplitude_cov[np.ix_(at, at)]
    wide = np.sqrt(np.diagonal(fit.columns.cov)[at])
    weighed = swapped(mean, cov, wide, beliefs.sd[:, which])
    odds = odds_of_all(weighed.log_gain, beliefs.log_prior)
    prior = fit.columns.cov.copy()
    share = odds @ beliefs.sd[:, which] ** 2
    prior[at, at] = share
    mixed = _mixed(fit, at, weighed, odds, beliefs.log_prior)
    return replace(mixed, columns=replace(fit.columns, cov=prior), odds=odds, wide=fit)


def _mixed(fit: Fit, at: Ints, weighed: Swapped, odds: Floats, log_prior: Floats) -> Fit:
    """Return the solution with the law of some amplitudes a mixture, all others following."""
    mean, cov = fit.amplitude[at], fit.amplitude_cov[np.ix_(at, at)]
    middle = odds @ weighed.mean
    apart = weighed.mean - middle
    whole = np.tensordot(odds, weighed.cov, axes=1) + (apart * odds[:, None]).T @ apart
    leads = np.linalg.solve(cov, fit.amplitude_cov[at]).T  # (p, q) how all amplitudes follow those
    moved = leads @ (middle - mean)
    top = np.max(weighed.log_gain + log_prior)
    gain = top + np.log(np.sum(np.exp(weighed.log_gain + log_prior - top)))
    walk = fit.walk.copy()
    walk[1:] -= (fit.follows @ moved).reshape(-1, 5)
    return replace(
        fit,
        amplitude=fit.amplitude + moved,
        amplitude_cov=fit.amplitude_cov + leads @ (whole - cov) @ leads.T,
        walk=walk,
        log_marginal=fit.log_marginal + float(gain),
    )


def lent(fit: Fit, settled: Floats | None = None) -> Fit:
    """Return the solution with what neighbours say of the yearly tilt; the very same where they say nothing.

    Parameters
    ----------
    fit
        With the prior that the pier has alone, from `Solver.widely`.
    settled
        (K,) odds by which all that they lend is taken for one normal law; None for the mixture.
    """
    neighbours, forcing = fit.model.neighbours, fit.model.frost
    if neighbours is None:
        return fit
    name = "annual_tilt" if forcing is None else "frost"
    at = np.arange(fit.columns.at[name].start, fit.columns.at[name].stop)
    alone = fit.columns.cov[np.ix_(at, at)]
    laws = neighbours.laws(forcing, alone)
    if laws is None:
        return fit
    if settled is not None:
        laws = laws.settled(settled)
    mean, cov = fit.amplitude[at], fit.amplitude_cov[np.ix_(at, at)]
    weighed = exchanged(mean, cov, Laws(np.zeros(1), np.zeros((1, at.size)), alone[None]), laws)
    odds = odds_of_all(weighed.log_gain, laws.log_odds)
    own = laws.settled(odds)
    prior, middle = fit.columns.cov.copy(), fit.columns.mean.copy()
    prior[np.ix_(at, at)], middle[at] = own.cov[0], own.mean[0]
    mixed = _mixed(fit, at, weighed, odds, laws.log_odds)
    columns = replace(fit.columns, cov=prior, mean=middle)
    return replace(mixed, columns=columns, lent_odds=odds if settled is None else settled, alone=fit)


def step_precision(rate: Floats, days: Floats) -> Floats:
    """Return one over the prior variance of each step of the walk, (n - 1, 5, 5)."""
    root = 1.0 / np.sqrt(days)
    return np.asarray(np.linalg.inv(rate) * root[:, :, None] * root[:, None, :])


def _log_det(blocks: Floats) -> float:
    return float(np.sum(np.linalg.slogdet(blocks)[1]))
