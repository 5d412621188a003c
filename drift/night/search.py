"""Search all nights for wrong readings and second syncs, and fit what is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.night.fit import FitState, Scales, fit, row_sd
from drift.night.gather import split_sessions
from drift.night.screening import SYNC_CHANCE, SYNC_CHANCE_KEPT, NightProblem, explain
from drift.night.sightings import Sessions, Sightings
from drift.night.system import AXIS_PRIOR_SD, OWN, OWN_COEFFICIENTS, ZERO_PRIOR_SD, Layout, Typed
from drift.quantities import Bools, Floats, Ints

#: Rounds of looking for wrong readings and second syncs; later rounds see better scales.
MOST_ROUNDS = 5
#: A night is looked at closely when one reading stands out by this much (distance squared, 2 coordinates:
#: chance 1 in 8,000 a reading), or the night as a whole by this many sd of its own scatter.
SUSPECT_DISTANCE = 18.0
SUSPECT_NIGHT_SD = 3.0
#: An instrument is the same when no scale changed by more than this share and no constant by more than
#: this share of the scatter of one reading.
SAME_SCALES, SAME_CONSTANTS_SD = 0.05, 0.1


@dataclass(frozen=True)
class Found:
    """What was found about one night: readings set aside, readings that start a session, what stays open."""

    wrong: tuple[int, ...]
    starts: tuple[int, ...]
    open_cov: Floats  # (3, 3), see `drift.night.screening.Explained`
    rivals: bool


@dataclass(frozen=True)
class Searched:
    """The final fit with what was found on the way."""

    state: FitState
    sightings: Sightings
    sessions: Sessions
    used: Bools
    starts: Ints  # sightings that start a session nobody labelled
    found: dict[int, Found]  # by night, for the nights that were looked at closely


def search(sightings: Sightings, layout: Layout, typed: Typed, kept: bool) -> Searched:
    """Fit, look for wrong readings and second syncs, fit again, until nothing changes.

    Parameters
    ----------
    kept
        The site file says that the mount keeps its zeros: a sync inside a session is then rare.
    """
    used = np.ones(sightings.size, dtype=bool)
    state = fit(sightings, layout, typed, used, None, robust=True)
    found: dict[int, Found] = {}
    starts: Ints = np.zeros(0, dtype=np.int64)
    current, current_layout = sightings, layout
    held: FitState | None = None
    for _ in range(MOST_ROUNDS):
        suspects = np.union1d(_suspect_nights(current, state, used), np.array(sorted(found), dtype=np.int64))
        known = found if held is not None and _same_instrument(held, state) else {}
        new = {
            int(n): known[n] if n in known else _explain_night(sightings, layout, state, int(n), kept)
            for n in suspects
        }
        held = held if known else state
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
    return Searched(state, current, current_layout.sessions, used, starts, found)


def _same_instrument(a: FitState, b: FitState) -> bool:
    """Return whether two fits hold the instrument alike: no night need be looked at again."""
    scales = np.max(np.abs(a.scales.logarithms() - b.scales.logarithms()))
    shared = np.max(np.abs(a.solution.shared - b.solution.shared), initial=0.0)
    return bool(scales < SAME_SCALES and shared < SAME_CONSTANTS_SD * float(np.min(a.scales.scatter)))


def _decisions(found: dict[int, Found]) -> set[tuple[str, int]]:
    wrong = {("wrong", i) for f in found.values() for i in f.wrong}
    return wrong | {("start", i) for f in found.values() for i in f.starts}


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


def _explain_night(sightings: Sightings, layout: Layout, state: FitState, night: int, kept: bool) -> Found:
    own = np.flatnonzero(layout.sessions.night[sightings.session] == night)
    result = explain(_problem(sightings, layout, state, own, kept))
    return Found(
        tuple(int(own[i]) for i in result.wrong),
        tuple(int(own[i]) for i in result.starts),
        result.open_cov,
        result.rivals,
    )


def _problem(sightings: Sightings, layout: Layout, state: FitState, own: Ints, kept: bool) -> NightProblem:
    """Whiten one night's readings with the instrument held at the present fit."""
    sessions = layout.sessions
    local, session = np.unique(sightings.session[own], return_inverse=True)
    scales: Scales = state.scales
    classes_sd = row_sd(sightings, scales)[own]
    coefficients = sightings.coefficients[own]
    constants = state.solution.constants()[sessions.era[local[0]]]
    reading = state.readings[own] - coefficients[:, :, 4:8] @ constants
    design = np.zeros((own.size, 2, 2 + OWN * local.size))
    design[:, :, :2] = coefficients[:, :, 2:4]
    first = 2 + OWN * np.arange(local.size)
    for s, start in enumerate(first):
        pick = session == s
        design[pick, :, start : start + OWN] = coefficients[pick][:, :, OWN_COEFFICIENTS]
    spread = [AXIS_PRIOR_SD] * 2 + [ZERO_PRIOR_SD, ZERO_PRIOR_SD, scales.shift, scales.shift] * local.size
    prior = np.diag(np.array(spread) ** -2.0)
    right = np.zeros(design.shape[2])
    for start, index in zip(first, local, strict=True):
        if sessions.group[index] >= 0:
            tie = scales.repeat[sessions.group_class[index]] ** -2.0
            prior[start + 1, start + 1] += tie
            right[start + 1] += tie * state.solution.means()[sessions.group[index]]
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
