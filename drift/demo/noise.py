"""What shakes and misleads an observation on the sky."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import ARCSEC

Floats = npt.NDArray[np.float64]


def shaken(rng: np.random.Generator, enu: Floats, sd_arcsec: float) -> Floats:
    """Displace directions (n, 3) at random, with `sd_arcsec` in each of two coordinates."""
    draws = rng.normal(size=enu.shape)
    tangent = draws - np.sum(draws * enu, axis=-1, keepdims=True) * enu
    moved = enu + tangent * sd_arcsec * ARCSEC
    unit: Floats = moved / np.linalg.norm(moved, axis=-1, keepdims=True)
    return unit


def misled(
    rng: np.random.Generator, enu: Floats, chance: float, off_deg: float
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Move a few directions by `off_deg`, any way; return them and which were moved."""
    wrong = rng.random(len(enu)) < chance
    draws = rng.normal(size=enu.shape)
    tangent = draws - np.sum(draws * enu, axis=-1, keepdims=True) * enu
    tangent /= np.linalg.norm(tangent, axis=-1, keepdims=True)
    off = np.radians(off_deg)
    return np.where(wrong[:, None], np.cos(off) * enu + np.sin(off) * tangent, enu), wrong
