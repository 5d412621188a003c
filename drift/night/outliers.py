"""Wrong readings and second syncs: the best explanation of each night, and the search through all nights."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.cache import Store, name_of
from drift.night.fit import FitState, NightScales, fit, row_sd
from drift.night.observations import split_sessions
from drift.night.sightings import POINTING, Sessions, Sightings
from drift.night.system import (
    AXIS_PRIOR_SD,
    LIFT,
    NIGHT,
    NIGHT_COEFFICIENTS,
    OWN,
    OWN_COEFFICIENTS,
    ZERO_PRIOR_SD,
    SystemLayout,
    Typed,
)
from drift.quantities import Bools, Floats, Ints

# ---- Wrong readings and second syncs of one night, by comparing what explains it best.
#
# For one night at a time, with the instrument held, three explanations compete
# at every step: nothing more is wrong; one more reading is wrong; the mount was
# synced (or slipped) between two readings, which moves both zeros for all later
# ones.  Each is weighed by its marginal likelihood and prior chance, the best is
# taken, and the search goes on until "nothing more" wins.


#: Prior chance that a reading is wrong (a wrong solve, a cable snag, wind): common practice, about 1 %.
WRONG_CHANCE = 0.01
#: How far off wrong readings are [arcsec]: solves by up to a degree or so; a star in a run by a jump.
WRONG_SD = {0: 1800.0, 1: 1800.0, 2: 60.0}
#: Prior chance that a session holds a sync nobody labelled, and how far it moves the zeros [arcsec].
SYNC_CHANCE = 0.05
SYNC_CHANCE_KEPT = 0.002
SYNC_SD = 300.0
#: Rival explanations less likely than the best by more than this (log odds) are ignored.
RIVAL_LOG_ODDS = 5.0
#: Where azimuth error, altitude error and first hour-angle zero are among the unknowns.
AXIS_AND_ZERO = np.array([0, 1, NIGHT])
#: A rival is mentioned when it has this chance or more.
SPOKEN_OF = 0.05


@dataclass(frozen=True)
class NightProblem:
    """One night's readings, whitened, with the instrument held.

    `design` is (n, 2, p): the axis and the air first (3), then each session's own unknowns, zeros first.
    """

    source: np.ndarray  # (n,)
    session: np.ndarray  # (n,) 0-based within the night, sorted
    design: Floats
    reading: Floats  # (n, 2) whitened
    sd: Floats  # (n, 2) what was divided by
    dims: np.ndarray  # (n,) coordinates read, 1 or 2
    prior: Floats  # (p, p) precision
    prior_right: Floats  # (p,)
    sync_chance: Floats  # (sessions,) prior chance of a sync inside each session


@dataclass(frozen=True)
class NightExplanation:
    """What was found: readings set aside, where sessions were split, and how much stays uncertain.

    `open_cov` (3, 3) is by how much azimuth error, altitude error and the first
    session's hour-angle zero would differ under explanations nearly as likely
    [arcsec^2].
    """

    wrong: tuple[int, ...]
    starts: tuple[int, ...]  # readings that start a new session
    open_cov: Floats
    rivals: bool


def explain(problem: NightProblem) -> NightExplanation:
    """Find the wrong readings and second syncs of one night."""
    wrong: list[int] = []
    starts: list[int] = []
    open_cov, rivals = np.zeros((3, 3)), False
    for _ in range(problem.source.size):
        design, prior, right = _with_starts(problem, starts)
        keep = ~np.isin(np.arange(problem.source.size), wrong)
        outlier, split = _odds(problem, design, prior, right, keep, starts)
        odds = np.concatenate([[0.0], outlier, split])
        best = int(np.argmax(odds))
        spread, spoken = _left_open(problem, wrong, starts, odds, best)
        open_cov, rivals = open_cov + spread, rivals or spoken
        if best == 0:
            break
        _take(best, problem.source.size, wrong, starts)
    return NightExplanation(tuple(wrong), tuple(sorted(starts)), open_cov, rivals)


def _take(choice: int, n: int, wrong: list[int], starts: list[int]) -> None:
    """Add a choice (0 nothing, then wrong readings, then starts) to what was found."""
    if 0 < choice <= n:
        wrong.append(choice - 1)
    elif choice > n:
        starts.append(choice - 1 - n)


def _left_open(
    problem: NightProblem, wrong: list[int], starts: list[int], odds: Floats, best: int
) -> tuple[Floats, bool]:
    """Return the spread (3, 3) of the night under explanations nearly as likely as the best one."""
    near = np.flatnonzero(odds > odds[best] - RIVAL_LOG_ODDS)
    if near.size == 1:
        return np.zeros((3, 3)), False
    weight = np.exp(odds[near] - odds[best])
    weight /= weight.sum()
    answers = np.array([_estimate(problem, wrong, starts, int(choice)) for choice in near])
    apart = answers - answers[int(np.flatnonzero(near == best)[0])]
    spread = np.einsum("h,hi,hj->ij", weight, apart, apart)
    others = weight[near != best]
    return spread, bool(np.any(others > SPOKEN_OF))


def _estimate(problem: NightProblem, wrong: list[int], starts: list[int], choice: int) -> Floats:
    """Return azimuth error, altitude error and first hour-angle zero under one more choice, (3,)."""
    wrong, starts = list(wrong), list(starts)
    _take(choice, problem.source.size, wrong, starts)
    design, prior, right = _with_starts(problem, starts)
    keep = ~np.isin(np.arange(problem.source.size), wrong)
    x = design[keep].reshape(-1, design.shape[2])
    return np.asarray(
        np.linalg.solve(x.T @ x + prior, x.T @ problem.reading[keep].reshape(-1) + right)[AXIS_AND_ZERO]
    )


def _with_starts(problem: NightProblem, starts: list[int]) -> tuple[Floats, Floats, Floats]:
    """Add the zeros of sessions that start inside a session."""
    design, prior, right = problem.design, problem.prior, problem.prior_right
    for first in starts:
        design = np.concatenate([design, _later(problem, first)], axis=2)
        prior = np.pad(prior, ((0, 2), (0, 2)))
        prior[-1, -1] = prior[-2, -2] = SYNC_SD**-2
        right = np.pad(right, (0, 2))
    return design, prior, right


def _later(problem: NightProblem, first: int) -> Floats:
    """Return the columns of a jump of both zeros from reading `first` on, within its session."""
    own = NIGHT + OWN * problem.session[first]
    after = (np.arange(problem.session.size) >= first) & (problem.session == problem.session[first])
    return problem.design[:, :, own : own + 2] * after[:, None, None]


def _odds(
    problem: NightProblem, design: Floats, prior: Floats, right: Floats, keep: Bools, starts: list[int]
) -> tuple[Floats, Floats]:
    """Return the log odds, against "nothing more", of each reading being wrong and of a sync before it."""
    n = problem.source.size
    x = design[keep].reshape(-1, design.shape[2])
    cov = np.linalg.inv(x.T @ x + prior)
    mean = cov @ (x.T @ problem.reading[keep].reshape(-1) + right)
    residual = problem.reading - design @ mean
    outlier, split = np.full(n, -np.inf), np.full(n, -np.inf)
    taken = design @ cov @ np.swapaxes(design, 1, 2)
    free = np.eye(2) - taken[keep]
    free = 0.5 * (free + np.swapaxes(free, 1, 2)) + 1e-9 * np.eye(2)
    distance = np.einsum("ni,nij,nj->n", residual[keep], np.linalg.inv(free), residual[keep])
    wide = np.array([WRONG_SD[int(s)] for s in problem.source[keep]])
    room = np.where(problem.dims[keep] == 2, np.log(wide**2 / np.prod(problem.sd[keep], axis=1)), 0.0)
    room = np.where(problem.dims[keep] == 1, np.log(wide / problem.sd[keep][:, 1]), room)
    chance = np.log(WRONG_CHANCE / (1.0 - WRONG_CHANCE))
    outlier[keep] = chance + 0.5 * distance - 0.5 * np.log(np.linalg.det(free)) - room
    places = _possible_starts(problem, keep, starts)
    if places.size:
        split[places] = _split_odds(problem, design, cov, residual, keep, places)
    return outlier, split


def _split_odds(
    problem: NightProblem, design: Floats, cov: Floats, residual: Floats, keep: Bools, places: Ints
) -> Floats:
    """Return the log odds of a sync before each of some readings, by sums over all later ones."""
    out = np.empty(places.size)
    used = keep.astype(float)[:, None, None]
    for session in np.unique(problem.session[places]):
        own = problem.session == session
        zeros = (
            problem.design[:, :, NIGHT + OWN * session : NIGHT + 2 + OWN * session]
            * used
            * own[:, None, None]
        )
        score = _later_sums(np.einsum("nij,ni->nj", zeros, residual))
        square = _later_sums(np.einsum("nij,nik->njk", zeros, zeros))
        tied = _later_sums(np.einsum("nij,nik->njk", design, zeros))
        here = problem.session[places] == session
        at = places[here]
        info = square[at] - np.swapaxes(tied[at], 1, 2) @ cov @ tied[at]
        quiet = np.linalg.solve(info + np.eye(2) * SYNC_SD**-2, score[at][:, :, None])[:, :, 0]
        gain = 0.5 * np.einsum("ni,ni->n", score[at], quiet)
        scaled = np.maximum(np.linalg.det(np.eye(2) + SYNC_SD**2 * info), 1e-300)
        between = max(int(np.sum(keep & own)) - 1, 1)
        out[here] = gain - 0.5 * np.log(scaled) + np.log(problem.sync_chance[session] / between)
    return out


def _later_sums(values: Floats) -> Floats:
    """Return, for each reading, the sum over it and all later ones."""
    return np.asarray(np.cumsum(values[::-1], axis=0)[::-1])


def _possible_starts(problem: NightProblem, keep: Bools, starts: list[int]) -> Ints:
    """Return the readings before which a sync could be noticed: used solves with used ones before them."""
    n = problem.source.size
    can = keep & (problem.source == POINTING) & (problem.sync_chance[problem.session] > 0.0)
    can &= ~np.isin(np.arange(n), starts)
    before = np.zeros(n, dtype=bool)
    for session in np.unique(problem.session):
        own = problem.session == session
        before[own] = np.cumsum(keep[own]) - keep[own] > 0
    return np.flatnonzero(can & before)


# ---- The search through all nights.


#: Rounds of looking for wrong readings and second syncs; later rounds see better scales.
MOST_ROUNDS = 5
#: A night is looked at closely when one reading stands out by this much (distance squared, 2 coordinates:
#: chance 1 in 8,000 a reading), or the night as a whole by this many sd of its own scatter.
SUSPECT_DISTANCE = 18.0
SUSPECT_NIGHT_SD = 3.0
#: Rounding of the instrument held while a night is looked at: a share (scales) and arcsec (constants).
HELD_SHARE, HELD_ARCSEC, HELD_LIFT_ARCSEC = 0.02, 0.2, 0.02


@dataclass(frozen=True)
class OutliersFound:
    """What was found about one night: readings set aside, readings that start a session, uncertainty left."""

    wrong: tuple[int, ...]
    starts: tuple[int, ...]
    open_cov: Floats  # (3, 3), see `drift.night.outliers.NightExplanation`
    rivals: bool


@dataclass(frozen=True)
class NightsSearched:
    """The final fit with what was found on the way."""

    state: FitState
    sightings: Sightings
    sessions: Sessions
    used: Bools
    starts: Ints  # sightings that start a session nobody labelled
    found: dict[int, OutliersFound]  # by night, for the nights that were looked at closely

    @property
    def sighting_era(self) -> Ints:
        """The instrument's era of each sighting, (n,)."""
        return np.asarray(self.sessions.era[self.sightings.session])


def search(
    sightings: Sightings, layout: SystemLayout, typed: Typed, keeps_zeros: bool, store: Store
) -> NightsSearched:
    """Fit, look for wrong readings and second syncs, fit again, until nothing changes.

    Parameters
    ----------
    keeps_zeros
        Whether the site file says that the mount keeps its zeros: a sync inside a session is then rare.
    store
        Where what was found about a night is kept for the next time.
    """
    used = np.ones(sightings.size, dtype=bool)
    state = fit(sightings, layout, typed, used, None, robust=True)
    found: dict[int, OutliersFound] = {}
    starts: Ints = np.zeros(0, dtype=np.int64)
    current, current_layout = sightings, layout
    for _ in range(MOST_ROUNDS):
        suspects = np.union1d(_suspect_nights(current, state, used), np.array(sorted(found), dtype=np.int64))
        new = _look_closely(sightings, layout, state, suspects, keeps_zeros, store)
        changed = _decisions(new) != _decisions(found)
        found = new
        used = np.ones(sightings.size, dtype=bool)
        used[[i for f in found.values() for i in f.wrong]] = False
        starts = np.array(sorted(i for f in found.values() for i in f.starts), dtype=np.int64)
        sessions, session = split_sessions(layout.sessions, sightings, starts)
        current_layout = replace(layout, sessions=sessions)
        current = replace(sightings, session=session)
        if not changed:
            break
        state = fit(current, current_layout, typed, used, state, robust=True)
    state = fit(current, current_layout, typed, used, state, robust=False)
    return NightsSearched(state, current, current_layout.sessions, used, starts, found)


@dataclass(frozen=True)
class Held:
    """An instrument held while one night is looked at; rounded, so that tiny changes keep the cache valid."""

    scales: NightScales
    constants: Floats  # (eras, 4)
    means: Floats  # (groups,)
    air: Floats  # (4,) shared errors of the air


def hold(state: FitState) -> Held:
    """Round the instrument of a fit to steps that are small against what a night can tell."""

    def near(x: Floats) -> Floats:
        return np.exp(np.round(np.log(x) / HELD_SHARE) * HELD_SHARE)

    scales, solution = state.scales, state.solution
    rounded = NightScales(near(scales.scatter), near(scales.repeat), near(scales.shift))
    return Held(
        rounded,
        np.round(solution.constants() / HELD_ARCSEC) * HELD_ARCSEC,
        np.round(solution.means() / HELD_ARCSEC) * HELD_ARCSEC,
        np.round(solution.air() / HELD_LIFT_ARCSEC) * HELD_LIFT_ARCSEC,
    )


def _look_closely(
    sightings: Sightings,
    layout: SystemLayout,
    state: FitState,
    suspects: Ints,
    keeps_zeros: bool,
    store: Store,
) -> dict[int, OutliersFound]:
    """Return what is found about some nights, from the cache where it is there."""
    held = hold(state)
    night = layout.sessions.night[sightings.session]
    members = {int(n): np.flatnonzero(night == n) for n in suspects}
    names = {n: _name(sightings, layout, held, own, keeps_zeros) for n, own in members.items()}
    known = store.get(list(names.values()))
    sd = row_sd(sightings, held.scales) / np.sqrt(sightings.share)[:, None]
    out, new = {}, {}
    for n, own in members.items():
        blob = known.get(names[n])
        if blob is None:
            blob = _as_bytes(explain(_problem(sightings, layout, state, held, own, sd[own], keeps_zeros)))
            new[names[n]] = blob
        out[n] = _from_bytes(blob, own)
    store.put(new)
    return out


def _name(sightings: Sightings, layout: SystemLayout, held: Held, own: Ints, keeps_zeros: bool) -> str:
    """Return the cache key of one night: its sightings and the instrument held."""
    sessions = np.unique(sightings.session[own])
    era, group = layout.sessions.era[sessions[0]], layout.sessions.group[sessions]
    parts = (
        sightings.enu[own],
        sightings.mech_ha_rad[own],
        sightings.mech_dec_rad[own],
        sightings.side[own],
        sightings.source[own],
        sightings.share[own],
        sightings.session[own] - sessions[0],
        layout.sessions.may_hold_sync[sessions],
        layout.sessions.group_class[sessions],
        np.where(group >= 0, held.means[np.maximum(group, 0)], 0.0),
        held.constants[era],
        held.scales.logarithms(),
        _lift_known(layout, held, layout.sessions.night[sessions[0]]),
        np.array([keeps_zeros]),
    )
    return name_of("night", *(np.ascontiguousarray(part).tobytes() for part in parts))


def _as_bytes(result: NightExplanation) -> bytes:
    numbers = [float(result.rivals), len(result.wrong), *result.wrong, *result.starts]
    return np.concatenate([result.open_cov.ravel(), numbers]).astype(np.float64).tobytes()


def _from_bytes(blob: bytes, own: Ints) -> OutliersFound:
    numbers = np.frombuffer(blob)
    count = int(numbers[10])
    wrong, starts = numbers[11 : 11 + count], numbers[11 + count :]
    return OutliersFound(
        tuple(int(own[int(i)]) for i in wrong),
        tuple(int(own[int(i)]) for i in starts),
        numbers[:9].reshape(3, 3),
        bool(numbers[9]),
    )


def _decisions(found: dict[int, OutliersFound]) -> set[tuple[str, int]]:
    wrong = {("wrong", i) for f in found.values() for i in f.wrong}
    return wrong | {("start", i) for f in found.values() for i in f.starts}


def distances(sightings: Sightings, state: FitState, used: Bools) -> Floats:
    """Return how far each reading is from what the others predict: distance squared, (n,)."""
    root = np.sqrt(sightings.share)[:, None]
    scaled = root * state.residual / row_sd(sightings, state.scales)
    leverage = sightings.share[:, None, None] * state.leverage
    free = np.where(used[:, None, None], np.eye(2) - leverage, np.eye(2) + leverage)
    free = free + 1e-9 * np.eye(2)
    return np.asarray(np.einsum("ni,ni->n", scaled, np.linalg.solve(free, scaled[:, :, None])[:, :, 0]))


def _suspect_nights(sightings: Sightings, state: FitState, used: Bools) -> Ints:
    night = state.layout.sessions.night[sightings.session]
    out = np.unique(night[distances(sightings, state, used) > SUSPECT_DISTANCE])
    square, free = night_squares(sightings, state, used)
    loud = np.flatnonzero(square > free + SUSPECT_NIGHT_SD * np.sqrt(2.0 * np.maximum(free, 1.0)))
    return np.union1d(out, loud)


def night_squares(sightings: Sightings, state: FitState, used: Bools) -> tuple[Floats, Floats]:
    """Return each night's sum of squared scaled residuals and what it should be, (nights,)."""
    night = state.layout.sessions.night[sightings.session]
    scaled = (state.residual / row_sd(sightings, state.scales)) ** 2
    valid = np.abs(sightings.coefficients).sum(axis=2) > 0.0
    scaled = sightings.share[:, None] * scaled
    free = sightings.share[:, None] * (valid.astype(float) - np.einsum("nii->ni", state.leverage))
    count = state.layout.nights
    square: Floats = np.bincount(night, np.sum(scaled, axis=1) * used, minlength=count).astype(float)
    due: Floats = np.bincount(night, np.sum(free, axis=1) * used, minlength=count).astype(float)
    return square, due


def _problem(
    sightings: Sightings,
    layout: SystemLayout,
    state: FitState,
    held: Held,
    own: Ints,
    sd: Floats,
    keeps_zeros: bool,
) -> NightProblem:
    """Whiten one night's readings with the instrument held."""
    sessions = layout.sessions
    local, session = np.unique(sightings.session[own], return_inverse=True)
    scales = held.scales
    coefficients = sightings.coefficients[own]
    constants = held.constants[sessions.era[local[0]]]
    reading = state.readings[own] - coefficients[:, :, 4:8] @ constants
    design = np.zeros((own.size, 2, NIGHT + OWN * local.size))
    design[:, :, :NIGHT] = coefficients[:, :, NIGHT_COEFFICIENTS]
    first = NIGHT + OWN * np.arange(local.size)
    for s, start in enumerate(first):
        pick = session == s
        design[pick, :, start : start + OWN] = coefficients[pick][:, :, OWN_COEFFICIENTS]
    lift, lift_sd = _lift_known(layout, held, sessions.night[local[0]])
    spread = [AXIS_PRIOR_SD] * 2 + [lift_sd] + [*[ZERO_PRIOR_SD] * 2, *scales.shift[[0, 0, 1]]] * local.size
    prior = np.diag(np.array(spread) ** -2.0)
    right = np.zeros(design.shape[2])
    right[LIFT] = lift * lift_sd**-2.0
    for start, index in zip(first, local, strict=True):
        if sessions.group[index] >= 0:
            tie = scales.repeat[sessions.group_class[index]] ** -2.0
            prior[start + 1, start + 1] += tie
            right[start + 1] += tie * held.means[sessions.group[index]]
    dims = (np.abs(coefficients).sum(axis=2) > 0.0).sum(axis=1)
    chance = np.where(sessions.may_hold_sync[local], SYNC_CHANCE_KEPT if keeps_zeros else SYNC_CHANCE, 0.0)
    return NightProblem(
        sightings.source[own],
        session,
        design / sd[:, :, None],
        reading / sd,
        sd,
        dims,
        prior,
        right,
        chance,
    )


def _lift_known(layout: SystemLayout, held: Held, night: int) -> Floats:
    """Return a night's error of refraction by the instrument held, and its sd [arcsec]."""
    air = layout.air
    return np.array([float(air.shared[night] @ held.air), float(air.sd[night])])
