"""Rival explanations: where two movements imitate a third, who may have moved, and how likely that is.

A pier that tilts and a mount that turns back leave the axis where it was, and so does a reference that
drifts by itself; mount and reference together may imitate a tilt.  No prior cures that, so the explanations
are told with their odds, and the uncertainty of the history reaches out to each that is not ruled out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from drift.codes import Mover, OwnMovement
from drift.history import steady, warm
from drift.history.beliefs import KINDS, Beliefs
from drift.history.causes import TILT_EAST, TILT_NORTH
from drift.history.model import WALKS, Fit, told_columns, told_of
from drift.history.uncertainty import WITHIN_REACH_SHARE, weight
from drift.quantities import Bools, Floats
from drift.types import Rival

_MOVER_OF: dict[str, Mover] = {
    steady.PIER: Mover.PIER,
    steady.AZIMUTH: Mover.MOUNT,
    steady.ALTITUDE: Mover.MOUNT,
    steady.ZEROS: Mover.REFERENCE,
    steady.LEVELS: Mover.REFERENCE,
    warm.PIER: Mover.PIER,
    warm.AZIMUTH: Mover.MOUNT,
    warm.ALTITUDE: Mover.MOUNT,
    warm.ZEROS: Mover.REFERENCE,
    warm.LEVELS: Mover.REFERENCE,
}
#: Explanations are told when they put the pier so far apart [arcsec]: our own rule.
TOLD_ARCSEC = 5.0
#: The kinds of movement of which rivals are told.
TOLD = (OwnMovement.STEADY, OwnMovement.WARMTH)


@dataclass(frozen=True)
class Explanation:
    """One explanation, and how far it would put everything beside what the history says."""

    kind: OwnMovement
    moving: tuple[Mover, ...]
    share: float
    apart: Floats = field(repr=False)  # (n, 6) [arcsec]


def explanations(fit: Fit) -> list[Explanation]:
    """Return the explanations that are not ruled out, by who moves; none where nothing was told apart."""
    beliefs, wide, odds = fit.model.beliefs, fit.wide, fit.odds
    if beliefs is None or wide is None or odds is None:
        return []
    at, _ = told_columns(fit.columns, beliefs)
    told = told_of(wide, beliefs)
    leads = np.linalg.solve(wide.amplitude_cov[np.ix_(at, at)], wide.amplitude_cov[at]).T
    out = []
    for kind in TOLD:
        for moving, pick in _by_movers(beliefs, kind).items():
            share = float(odds[pick].sum())
            if share >= WITHIN_REACH_SHARE:
                moved = leads @ (odds[pick] @ told.mean[pick] / share - odds @ told.mean)
                out.append(Explanation(kind, moving, share, _components(fit, moved)))
    return out


def _by_movers(beliefs: Beliefs, kind: OwnMovement) -> dict[tuple[Mover, ...], Bools]:
    """Return which combinations let whom move, (K,) each."""
    own = {
        mover: [i for i, c in enumerate(beliefs.causes) if c in KINDS[kind] and _MOVER_OF[c] == mover]
        for mover in Mover
    }
    moves = np.stack([beliefs.moves[:, columns].any(axis=1) for columns in own.values()], axis=1)
    out = {}
    for row in np.unique(moves, axis=0):
        out[tuple(m for m, on in zip(Mover, row, strict=True) if on)] = np.all(moves == row, axis=1)
    return out


def _components(fit: Fit, moved: Floats) -> Floats:
    """Return what a change of the amplitudes does to pier, plate and mount, the walk following, (n, 6)."""
    out = np.asarray(fit.columns.state @ moved)
    out[1:, WALKS] -= (fit.follows @ moved).reshape(-1, 5)[:, :4]
    return out


def with_rivals(fit: Fit, sd: Floats) -> Floats:
    """Return the sds (n, 6) reaching out to each explanation that is not ruled out [arcsec].

    The spread of the explanations by their odds is in them already.
    """
    variance = sd**2
    for one in explanations(fit):
        variance = variance + max(weight(one.share) - one.share, 0.0) * one.apart**2
    return np.asarray(np.sqrt(variance))


def rivals_of(fit: Fit) -> tuple[Rival, ...]:
    """Return the explanations that put the pier in places that differ, by kind, the likeliest first."""
    out: list[Rival] = []
    all_of_them = explanations(fit)
    for kind in TOLD:
        own = [one for one in all_of_them if one.kind == kind]
        if max((float(np.abs(one.apart[:, :2]).max()) for one in own), default=0.0) < TOLD_ARCSEC:
            continue
        for one in sorted(own, key=lambda e: -e.share):
            north, east = one.apart[-1, [TILT_NORTH, TILT_EAST]]
            out.append(
                Rival(
                    kind=kind,
                    moving=one.moving,
                    probability=one.share,
                    tilt_north=float(north),
                    tilt_east=float(east),
                )
            )
    return tuple(out)
