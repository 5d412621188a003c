"""Search all nights for wrong readings and second syncs, and fit what is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.night.fit import FitState, Scales, fit, row_sd
from drift.night.gather import split_sessions
from drift.night.screening import SYNC_CHANCE, SYNC_CHANCE_KEPT, NightProblem, explain
from drift.night.sightings import Sessions, Sightings
from drift.night.system import AXIS_PRIOR_SD, ZERO_PRIOR_SD, Layout, Typed
from drift.quantities import Bools, Floats, Ints

#: Rounds of looking for wrong readings and second syncs; later rounds see better scales.
MOST_ROUNDS = 5
#: A night is looked at closely when one reading stands out by this much (distance squared, 2 coordinates:
#: chance 1 in 400 a reading), or the night as a whole by this many sd of its own scatter.
SUSPECT_DISTANCE = 12.0
SUSPECT_NIGHT_SD = 3.0


@dataclass(frozen=True)
class Searched:
    """The final fit with what was found on the way."""

    state: FitState
    sightings: Sightings
    sessions: Sessions
    used: Bools
    reasons: dict[int, str]  # sighting -> why it is set aside
    starts: Ints  # sightings that start a session nobody labelled


def search(sightings: Sightings, layout: Layout, typed: Typed, kept: bool) -> Searched:
    """Fit, look for wrong readings and second syncs, fit again, until nothing changes.

    Parameters
    ----------
    kept
        The site file says that the mount keeps its zeros: a sync inside a session is then rare.
    """
    used = np.ones(sightings.size, dtype=bool)
    state = fit(sightings, layout, typed, used, None, robust=True)
    found: dict[int, tuple[dict[int, str], tuple[int, ...]]] = {}
    current, current_layout = sightings, layout
    for _ in range(MOST_ROUNDS):
        suspects = np.union1d(_suspect_nights(current, state, used), np.array(sorted(found), dtype=np.int64))
        new = {int(n): _explain_night(sightings, layout, state, int(n), kept) for n in suspects}
        new = {n: result for n, result in new.items() if result[0] or result[1]}
        changed = _decisions(new) != _decisions(found)
        found = new
        used = np.ones(sightings.size, dtype=bool)
        used[[i for wrong, _ in found.values() for i in wrong]] = False
        starts = np.array(sorted(i for _, cuts in found.values() for i in cuts), dtype=np.int64)
        sessions, session = split_sessions(layout.sessions, sightings, starts)
        current_layout = replace(layout, sessions=sessions)
        current = replace(sightings, session=session)
        if not changed:
            break
        state = fit(current, current_layout, typed, used, state, robust=True)
    state = fit(current, current_layout, typed, used, state, robust=False)
    reasons = {i: why for wrong, _ in found.values() for i, why in wrong.items()}
    starts = np.array(sorted(i for _, cuts in found.values() for i in cuts), dtype=np.int64)
    return Searched(state, current, current_layout.sessions, used, reasons, starts)


def _decisions(found: dict[int, tuple[dict[int, str], tuple[int, ...]]]) -> set[tuple[int, tuple[int, ...]]]:
    wrong = {(i, (-1,)) for sets, _ in found.values() for i in sets}
    return wrong | {(n, cuts) for n, (_, cuts) in found.items() if cuts}


def distances(sightings: Sightings, state: FitState, used: Bools) -> Floats:
    """Return how far each reading stands from what the others say: distance squared, (n,)."""
    scaled = state.residual / row_sd(sightings, state.scales)
    free = np.where(used[:, None, None], np.eye(2) - state.leverage, np.eye(2) + state.leverage)
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
    free = valid.astype(float) - np.einsum("nii->ni", state.leverage)
    count = state.layout.nights
    square: Floats = np.bincount(night, np.sum(scaled, axis=1) * used, minlength=count).astype(float)
    due: Floats = np.bincount(night, np.sum(free, axis=1) * used, minlength=count).astype(float)
    return square, due


def _explain_night(
    sightings: Sightings, layout: Layout, state: FitState, night: int, kept: bool
) -> tuple[dict[int, str], tuple[int, ...]]:
    own = np.flatnonzero(layout.sessions.night[sightings.session] == night)
    problem = _problem(sightings, layout, state, own, kept)
    result = explain(problem)
    return {int(own[i]): why for i, why in result.wrong.items()}, tuple(int(own[i]) for i in result.starts)


def _problem(sightings: Sightings, layout: Layout, state: FitState, own: Ints, kept: bool) -> NightProblem:
    """Whiten one night's readings with the instrument held at the present fit."""
    sessions = layout.sessions
    local, session = np.unique(sightings.session[own], return_inverse=True)
    scales: Scales = state.scales
    classes_sd = row_sd(sightings, scales)[own]
    coefficients = sightings.coefficients[own]
    constants = state.solution.constants()[sessions.era[local[0]]]
    reading = state.readings[own] - coefficients[:, :, 4:8] @ constants
    design = np.zeros((own.size, 2, 2 + 2 * local.size))
    design[:, :, :2] = coefficients[:, :, 2:4]
    for s in range(local.size):
        pick = session == s
        design[pick, :, 2 + 2 * s : 4 + 2 * s] = coefficients[pick, :, :2]
    prior = np.eye(design.shape[2]) * ZERO_PRIOR_SD**-2
    prior[0, 0] = prior[1, 1] = AXIS_PRIOR_SD**-2
    right = np.zeros(design.shape[2])
    for s, index in enumerate(local):
        if sessions.group[index] >= 0:
            tie = scales.repeat[sessions.group_class[index]] ** -2.0
            prior[3 + 2 * s, 3 + 2 * s] += tie
            right[3 + 2 * s] += tie * state.solution.means()[sessions.group[index]]
    dims = (np.abs(coefficients).sum(axis=2) > 0.0).sum(axis=1)
    chance = np.where(sessions.may_hold_sync[local], SYNC_CHANCE_KEPT if kept else SYNC_CHANCE, 0.0)
    return NightProblem(
        sightings.source[own],
        session,
        design / classes_sd[:, :, None],
        reading / classes_sd,
        classes_sd,
        dims,
        prior,
        right,
        chance,
    )
