"""How far from the pole the axis was on each night, and how far it may be off."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from drift.quantities import Floats
from drift.render import phrases
from drift.render.advice_words import matter_name

if TYPE_CHECKING:
    from drift.types import Analysis, NightAxis


# ---- How far the axis may be off: by the optics, and by the owner's own warning limit.


@dataclass(frozen=True)
class Tolerance:
    """The angle on the sky [arcmin] within which the axis is good enough, and for what."""

    arcmin: float
    name: str


def tolerated(analysis: Analysis) -> Tolerance | None:
    """Return what the most demanding use of the optics tolerates; None where none is known.

    A use that counts for some only, such as stacking unturned frames, is one of them: status says of
    it that the axis is off too far, and a picture must not say otherwise.
    """
    all_known = [matter for matter in analysis.advice.matters if phrases.known(matter.allowed_arcmin)]
    least = min(all_known, key=lambda matter: matter.allowed_arcmin, default=None)
    return None if least is None else Tolerance(least.allowed_arcmin, matter_name(least))


def aimed_pole_arcmin(analysis: Analysis) -> float:
    """Return how far above the true pole the pole that is aimed at stands [arcmin]."""
    poles = analysis.advice.poles
    return poles.lift_arcsec / 60.0 if poles is not None and poles.aimed_at == "refracted" else 0.0


# ---- How far from the pole aimed at the axis was on each night, as an angle on the sky.


def distances_arcmin(analysis: Analysis, nights: Iterable[NightAxis]) -> tuple[Floats, Floats]:
    """Return the distance and its standard deviation [arcmin], (n,) each; NaN where a coordinate lacks.

    Notes
    -----
    ``u^T C u`` with u the direction away from the pole and C the night's covariance on the sky.  As in
    `drift.mount.axis_error.on_sky`, a distance that is no larger than the wider of the two coordinates'
    sds has that one: it has no direction to speak of.
    """
    made = [_distance(analysis, night) for night in nights]
    found = np.array(made, dtype=float).reshape(-1, 2)
    return found[:, 0], found[:, 1]


def _distance(analysis: Analysis, night: NightAxis) -> tuple[float, float]:
    to_sky = np.array([math.cos(math.radians(analysis.site.site.latitude_deg)), 1.0]) / 60.0
    away = night.estimate[:2] * to_sky - [0.0, aimed_pole_arcmin(analysis)]
    covariance = night.covariance[:2, :2] * np.outer(to_sky, to_sky)
    error, widest = float(np.hypot(*away)), math.sqrt(float(np.max(np.diagonal(covariance))))
    if not error > widest:
        return error, widest
    u = away / error
    return error, math.sqrt(max(0.0, float(u @ covariance @ u)))


def pole_words(analysis: Analysis) -> str:
    """Name the pole that is aimed at."""
    return "the refracted pole" if aimed_pole_arcmin(analysis) else "the true pole"
