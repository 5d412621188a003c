"""Nights taken together in blocks, so that a path over years can be drawn with its uncertainty."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from drift.night.result import NightAxis
from drift.quantities import DAY_US, Floats

#: Up to so many nights each stands for itself.
SINGLE_NIGHTS = 36
#: Longer records are cut into about so many blocks.
BLOCKS = 48


@dataclass(frozen=True)
class Block:
    """The mean axis of a few neighbouring nights: (az_error, alt_error) with covariance [arcsec]."""

    time_us: int
    nights: int
    epoch: int  # how many known changes came before
    axis: Floats = field(repr=False)  # (2,)
    covariance: Floats = field(repr=False)  # (2, 2)


def blocks_of(nights: Iterable[NightAxis], changes_us: Sequence[int]) -> list[Block]:
    """Average neighbouring nights, never across a known change.

    Parameters
    ----------
    nights
        All nights in time order; those without a usable axis are left out.
    changes_us
        Times of corrections and of the first readings after events: a block begins there.

    Notes
    -----
    Within a block nights are weighted by their own covariance, widened by their scatter where that
    is larger.  What the instrument's constants add is common to all nights and does not average
    down, so its mean is added to the block as it is.
    """
    usable = _usable(list(nights))
    changes = sorted(changes_us)
    return [_mean(group, _epoch(group[0], changes)) for group in _groups(usable, changes)]


def _epoch(night: NightAxis, changes_us: list[int]) -> int:
    return int(np.searchsorted(changes_us, night.time_us, side="right"))


def _usable(nights: list[NightAxis]) -> list[NightAxis]:
    """Return the nights that know both coordinates, with a covariance that can be used."""
    if not nights:
        return []
    axis = np.array([night.estimate[:2] for night in nights])
    own = np.array([night.own_covariance[:2, :2] for night in nights])
    full = np.array([night.covariance[:2, :2] for night in nights])
    known = np.isfinite(np.concatenate([axis, own.reshape(-1, 4), full.reshape(-1, 4)], axis=1)).all(axis=1)
    known[known] = (np.linalg.eigvalsh(own[known]) > 0).all(axis=1)
    return [night for night, good in zip(nights, known, strict=True) if good]


def _groups(nights: list[NightAxis], changes_us: list[int]) -> list[list[NightAxis]]:
    if len(nights) <= SINGLE_NIGHTS:
        return [[night] for night in nights]
    longest = max((nights[-1].time_us - nights[0].time_us) / BLOCKS, 10.0 * DAY_US)
    groups: list[list[NightAxis]] = []
    for night in nights:
        if (
            groups
            and night.time_us - groups[-1][0].time_us <= longest
            and _epoch(night, changes_us) == _epoch(groups[-1][-1], changes_us)
        ):
            groups[-1].append(night)
        else:
            groups.append([night])
    return groups


def _mean(group: list[NightAxis], epoch: int) -> Block:
    axis = np.array([night.estimate[:2] for night in group])
    own = np.array([night.own_covariance[:2, :2] for night in group])
    shared = np.mean([night.covariance[:2, :2] for night in group], axis=0) - np.mean(own, axis=0)
    whitening = np.linalg.cholesky(own)
    # weighted mean of A m = y with each night whitened by its own covariance (QR inside lstsq)
    white = np.linalg.solve(whitening, np.broadcast_to(np.eye(2), whitening.shape))
    design = white.reshape(-1, 2)
    target = (white @ axis[:, :, None]).ravel()
    q, r = np.linalg.qr(design)
    mean = np.linalg.solve(r, q.T @ target)
    half = np.linalg.solve(r, np.eye(2))
    free = 2 * (len(group) - 1)
    scatter = float(np.sum((target - design @ mean) ** 2)) / free if free else 1.0
    covariance = half @ half.T * max(1.0, scatter) + _positive(shared)
    return Block(int(np.mean([night.time_us for night in group])), len(group), epoch, mean, covariance)


def _positive(matrix: Floats) -> Floats:
    """Return the nearest matrix without negative directions, for a difference of two covariances."""
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return (vectors * np.clip(values, 0.0, None)) @ vectors.T
