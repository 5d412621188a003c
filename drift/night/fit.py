"""Fit all nights at once: exact geometry, robust weights, scales from the data."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drift.mount.instrument import Pose
from drift.night.scatter import CLASSES, HUBER, PRIOR_SD, REPEAT_PRIOR_SD, repeatability, row_class, scatter
from drift.night.sightings import Sightings
from drift.night.system import Layout, Solution, Typed, session_grams, solve
from drift.quantities import ARCSEC_PER_RAD, Bools, Floats

#: The fit has come to rest when no axis moves by more [arcsec] and no scale by more than this share.
AXIS_AT_REST = 1.0e-4
SCALE_AT_REST = 1.0e-4
MOST_STEPS = 40
#: Expectation-maximisation steps for the repeatability of zeros within one step of the fit.
INNER_STEPS = 12


@dataclass(frozen=True)
class Scales:
    """Scatter by class and repeatability of declination zeros by class [arcsec]."""

    scatter: Floats
    repeat: Floats


@dataclass(frozen=True)
class FitState:
    """A fit of all nights: the solution, and each reading's part in it."""

    layout: Layout
    solution: Solution
    scales: Scales
    precision: Floats  # (s,) with which each session's declination zero is tied to its group
    readings: Floats  # (n, 2) misfit plus coefficients times unknowns, at the last linearisation
    residual: Floats  # (n, 2) [arcsec]
    weight: Floats  # (n,) Huber weights; 0 set aside
    leverage: Floats  # (n, 2, 2) share of each reading taken up by the fit, whitened


def row_sd(sightings: Sightings, scales: Scales) -> Floats:
    """Return the scatter of each sighting's two coordinates, (n, 2) [arcsec]."""
    return scales.scatter[row_class(sightings)]


def first_guess(sightings: Sightings, sessions: int) -> Floats:
    """Return first zeros (s, 2) [arcsec]: each session's median of read minus true."""
    apart = np.zeros((sightings.size, 2))
    turn = np.where(np.isfinite(sightings.mech_ha_rad), sightings.mech_ha_rad - sightings.ha, 0.0)
    apart[:, 0] = turn
    apart[:, 1] = sightings.mech_dec_rad - sightings.dec
    out = np.zeros((sessions, 2))
    starts = np.searchsorted(sightings.session, np.arange(sessions + 1))
    for s in range(sessions):
        own = apart[starts[s] : starts[s + 1]]
        if own.size:
            base = np.angle(np.median(np.cos(own[:, 0])) + 1j * np.median(np.sin(own[:, 0])))
            out[s, 0] = base + np.median(np.angle(np.exp(1j * (own[:, 0] - base))))
            out[s, 1] = np.median(own[:, 1])
    return out * ARCSEC_PER_RAD


def unknowns(layout: Layout, session: np.ndarray, axis: Floats, zeros: Floats, constants: Floats) -> Floats:
    """Return the eight unknowns that each sighting depends on, (n, 8) [arcsec]."""
    sessions = layout.sessions
    return np.concatenate(
        [zeros[session], axis[sessions.night[session]], constants[sessions.era[session]]], axis=1
    )


def fit(
    sightings: Sightings, layout: Layout, typed: Typed, used: Bools, start: FitState | None, robust: bool
) -> FitState:
    """Fit all nights.

    Parameters
    ----------
    used
        (n,) False for readings set aside.
    start
        A fit to start from: its scales, axes and constants (zeros too where the sessions are the same).
    robust
        Take scales from medians (while wrong readings are still being looked for) instead of sums of squares.
    """
    sessions = layout.sessions
    x = _start_values(sightings, layout, start)
    scales = start.scales if start else Scales(PRIOR_SD.copy() * 2.0, np.full(3, REPEAT_PRIOR_SD * 2.0))
    precision = np.where(sessions.group >= 0, scales.repeat[sessions.group_class] ** -2.0, 0.0)
    classes, valid = row_class(sightings), np.abs(sightings.coefficients).sum(axis=2) > 0.0
    weight, state = used.astype(float), None
    for _ in range(MOST_STEPS):
        readings = sightings.misfit(_pose(x)) + np.einsum("nij,nj->ni", sightings.coefficients, x)
        sd = row_sd(sightings, scales)
        grams = session_grams(sightings, readings, weight[:, None] / sd**2, sessions.size)
        solution = solve(grams, layout, precision, typed)
        repeat = scales.repeat
        for _ in range(INNER_STEPS if (sessions.group >= 0).any() else 0):
            repeat, precision = repeatability(solution, repeat)
            solution = solve(grams, layout, precision, typed)
        new = unknowns(layout, sightings.session, solution.axis, solution.zeros, solution.constants())
        residual = readings - np.einsum("nij,nj->ni", sightings.coefficients, new)
        leverage = _leverage(sightings, solution, sd)
        share = weight[:, None] * np.einsum("nii->ni", leverage)
        new_scatter = scatter(residual, share, weight, classes, valid, robust)
        moved = float(np.max(np.abs(new - x)[:, 2:4], initial=0.0))
        scale_moved = np.max(
            np.abs(np.log(np.append(new_scatter, repeat) / np.append(scales.scatter, scales.repeat)))
        )
        x, scales = new, Scales(new_scatter, repeat)
        state = FitState(layout, solution, scales, precision, readings, residual, weight, leverage)
        weight = used * huber_weight(residual, row_sd(sightings, scales))
        if moved < AXIS_AT_REST and scale_moved < SCALE_AT_REST:
            break
    if state is None:
        raise ValueError("MOST_STEPS must be at least 1")
    return state


def huber_weight(residual: Floats, sd: Floats) -> Floats:
    """Return min(1, HUBER/distance) for residuals (n, 2) with scatter (n, 2)."""
    distance = np.sqrt(np.sum((residual / sd) ** 2, axis=1))
    return np.minimum(1.0, HUBER / np.maximum(distance, 1e-12))


def _start_values(sightings: Sightings, layout: Layout, start: FitState | None) -> Floats:
    axis: Floats = np.zeros((layout.nights, 2))
    constants: Floats = np.zeros((layout.eras, 4))
    if start is not None:
        axis, constants = start.solution.axis, start.solution.constants()
    zeros = first_guess(sightings, layout.sessions.size)
    if start is not None and start.layout.sessions.size == layout.sessions.size:
        zeros = start.solution.zeros
    return unknowns(layout, sightings.session, axis, zeros, constants)


def _pose(x: Floats) -> Pose:
    return Pose(x[:, 2], x[:, 3], x[:, 0], x[:, 1], x[:, 4:8])


def _leverage(sightings: Sightings, solution: Solution, sd: Floats) -> Floats:
    cov = solution.session_cov()[:, :8, :8][sightings.session]
    out = sightings.coefficients @ cov @ np.swapaxes(sightings.coefficients, 1, 2)
    out /= sd[:, :, None] * sd[:, None, :]
    return out


def with_sessions(state: FitState, layout: Layout) -> FitState:
    """Return the fit as a start for another division into sessions."""
    return replace(state, layout=layout) if layout is not state.layout else state


__all__ = ["CLASSES", "FitState", "Scales", "fit", "first_guess", "huber_weight", "row_sd", "unknowns"]
