"""Search all nights for wrong readings and second syncs, and fit what is left."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.kept import Store, name_of
from drift.night.fit import FitState, Scales, fit, row_sd
from drift.night.gather import split_sessions
from drift.night.screening import SYNC_CHANCE, SYNC_CHANCE_KEPT, Explained, NightProblem, explain
from drift.night.sightings import Sessions, Sightings
from drift.night.system import AXIS_PRIOR_SD, OWN, OWN_COEFFICIENTS, ZERO_PRIOR_SD, Layout, Typed
from drift.quantities import Bools, Floats, Ints

#: Rounds of looking for wrong readings and second syncs; later rounds see better scales.
MOST_ROUNDS = 5
#: A night is looked at closely when one reading stands out by this much (distance squared, 2 coordinates:
#: chance 1 in 8,000 a reading), or the night as a whole by this many sd of its own scatter.
SUSPECT_DISTANCE = 18.0
SUSPECT_NIGHT_SD = 3.0
#: The instrument is held, while a night is looked at, to so many of a share (scales) and arcsec (constants).
HELD_SHARE, HELD_ARCSEC = 0.02, 0.2


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


def search(sightings: Sightings, layout: Layout, typed: Typed, kept: bool, store: Store) -> Searched:
    """Fit, look for wrong readings and second syncs, fit again, until nothing changes.

    Parameters
    ----------
    kept
        The site file says that the mount keeps its zeros: a sync inside a session is then rare.
    store
        Where what was found about a night is kept for the next time.
    """
    used = np.ones(sightings.size, dtype=bool)
    state = fit(sightings, layout, typed, used, None, robust=True)
    found: dict[int, Found] = {}
    starts: Ints = np.zeros(0, dtype=np.int64)
    current, current_layout = sightings, layout
    for _ in range(MOST_ROUNDS):
        suspects = np.union1d(_suspect_nights(current, state, used), np.array(sorted(found), dtype=np.int64))
        new = _look_closely(sightings, layout, state, suspects, kept, store)
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


@dataclass(frozen=True)
class Held:
    """An instrument held while one night is looked at; rounded, so that a hair's breadth changes nothing."""

    scales: Scales
    constants: Floats  # (eras, 4)
    means: Floats  # (groups,)


def hold(state: FitState) -> Held:
    """Round the instrument of a fit to steps that are small against what a night can tell."""

    def near(x: Floats) -> Floats:
        return np.exp(np.round(np.log(x) / HELD_SHARE) * HELD_SHARE)

    scales, solution = state.scales, state.solution
    rounded = Scales(near(scales.scatter), near(scales.repeat), float(near(np.array(scales.shift))))
    return Held(
        rounded,
        np.round(solution.constants() / HELD_ARCSEC) * HELD_ARCSEC,
        np.round(solution.means() / HELD_ARCSEC) * HELD_ARCSEC,
    )


def _look_closely(
    sightings: Sightings, layout: Layout, state: FitState, suspects: Ints, kept: bool, store: Store
) -> dict[int, Found]:
    """Return what is found about some nights, taken from the store where it is there."""
    held = hold(state)
    night = layout.sessions.night[sightings.session]
    members = {int(n): np.flatnonzero(night == n) for n in suspects}
    names = {n: _name(sightings, layout, held, own, kept) for n, own in members.items()}
    known = store.get(list(names.values()))
    sd = row_sd(sightings, held.scales) / np.sqrt(sightings.share)[:, None]
    out, new = {}, {}
    for n, own in members.items():
        blob = known.get(names[n])
        if blob is None:
            blob = _as_bytes(explain(_problem(sightings, layout, state, held, own, sd[own], kept)))
            new[names[n]] = blob
        out[n] = _from_bytes(blob, own)
    store.put(new)
    return out


def _name(sightings: Sightings, layout: Layout, held: Held, own: Ints, kept: bool) -> str:
    """Name the close look at one night by its sightings and the instrument held."""
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
        np.array([kept]),
    )
    return name_of("night", *(np.ascontiguousarray(part).tobytes() for part in parts))


def _as_bytes(result: Explained) -> bytes:
    numbers = [float(result.rivals), len(result.wrong), *result.wrong, *result.starts]
    return np.concatenate([result.open_cov.ravel(), numbers]).astype(np.float64).tobytes()


def _from_bytes(blob: bytes, own: Ints) -> Found:
    numbers = np.frombuffer(blob)
    count = int(numbers[10])
    wrong, starts = numbers[11 : 11 + count], numbers[11 + count :]
    return Found(
        tuple(int(own[int(i)]) for i in wrong),
        tuple(int(own[int(i)]) for i in starts),
        numbers[:9].reshape(3, 3),
        bool(numbers[9]),
    )


def _decisions(found: dict[int, Found]) -> set[tuple[str, int]]:
    wrong = {("wrong", i) for f in found.values() for i in f.wrong}
    return wrong | {("start", i) for f in found.values() for i in f.starts}


def distances(sightings: Sightings, state: FitState, used: Bools) -> Floats:
    """Return how far each reading stands from what the others say: distance squared, (n,)."""
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
    sightings: Sightings, layout: Layout, state: FitState, held: Held, own: Ints, sd: Floats, kept: bool
) -> NightProblem:
    """Whiten one night's readings with the instrument held."""
    sessions = layout.sessions
    local, session = np.unique(sightings.session[own], return_inverse=True)
    scales = held.scales
    coefficients = sightings.coefficients[own]
    constants = held.constants[sessions.era[local[0]]]
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
            right[start + 1] += tie * held.means[sessions.group[index]]
    dims = (np.abs(coefficients).sum(axis=2) > 0.0).sum(axis=1)
    chance = np.where(sessions.may_hold_sync[local], SYNC_CHANCE_KEPT if kept else SYNC_CHANCE, 0.0)
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
