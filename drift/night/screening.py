"""Wrong readings and second syncs of one night, by comparing what explains it best.

For one night at a time, with the instrument held, three explanations compete
at every step: nothing more is wrong; one more reading is wrong; the mount was
synced (or slipped) between two readings, which moves both zeros for all later
ones.  Each is weighed by its marginal likelihood and prior chance, the best is
taken, and the search goes on until "nothing more" wins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.night.sightings import POINTING
from drift.night.system import OWN
from drift.quantities import Bools, Floats, Ints

#: Prior chance that a reading is wrong (a wrong solve, a cable snag, wind): common practice, about 1 %.
WRONG_CHANCE = 0.01
#: How far off wrong readings are [arcsec]: solves by up to a degree or so; a star in a run by a jump.
WRONG_SD = {0: 1800.0, 1: 1800.0, 2: 60.0}
#: Prior chance that a session holds a sync nobody labelled, and how far it moves the zeros [arcsec].
SYNC_CHANCE = 0.05
SYNC_CHANCE_KEPT = 0.002
SYNC_SD = 300.0
#: Rival explanations less likely than the best by more than this (log odds) are left out of account.
RIVAL_LOG_ODDS = 5.0
#: A rival is spoken of when it has this chance or more.
SPOKEN_OF = 0.05


@dataclass(frozen=True)
class NightProblem:
    """One night's readings, whitened, with the instrument held.

    `design` is (n, 2, p): the axis first (2), then each session's own unknowns, zeros first.
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
class Explained:
    """What was found: readings set aside, where sessions were split, and what that leaves open.

    `open_cov` (3, 3) is by how much azimuth error, altitude error and the first
    session's hour-angle zero would differ under explanations nearly as likely
    [arcsec^2].
    """

    wrong: tuple[int, ...]
    starts: tuple[int, ...]  # readings that start a new session
    open_cov: Floats
    rivals: bool


def explain(problem: NightProblem) -> Explained:
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
    return Explained(tuple(wrong), tuple(sorted(starts)), open_cov, rivals)


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
    answers = np.array([_answer(problem, wrong, starts, int(choice)) for choice in near])
    apart = answers - answers[int(np.flatnonzero(near == best)[0])]
    spread = np.einsum("h,hi,hj->ij", weight, apart, apart)
    others = weight[near != best]
    return spread, bool(np.any(others > SPOKEN_OF))


def _answer(problem: NightProblem, wrong: list[int], starts: list[int], choice: int) -> Floats:
    """Return azimuth error, altitude error and first hour-angle zero under one more choice, (3,)."""
    wrong, starts = list(wrong), list(starts)
    _take(choice, problem.source.size, wrong, starts)
    design, prior, right = _with_starts(problem, starts)
    keep = ~np.isin(np.arange(problem.source.size), wrong)
    x = design[keep].reshape(-1, design.shape[2])
    return np.asarray(np.linalg.solve(x.T @ x + prior, x.T @ problem.reading[keep].reshape(-1) + right)[:3])


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
    own = 2 + OWN * problem.session[first]
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
        zeros = problem.design[:, :, 2 + OWN * session : 4 + OWN * session] * used * own[:, None, None]
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
