"""How far from the pole aimed at the axis was on each night, as an angle on the sky."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from drift.quantities import Floats
from drift.show.figures.tolerance import aimed_pole_arcmin

if TYPE_CHECKING:
    from drift.answer import Answer
    from drift.night.result import NightAxis


def distances_arcmin(answer: Answer, nights: Iterable[NightAxis]) -> tuple[Floats, Floats]:
    """Return the distance and its standard deviation [arcmin], (n,) each; NaN where a coordinate lacks.

    Notes
    -----
    ``u^T C u`` with u the direction away from the pole and C the night's covariance on the sky.  As in
    `drift.advice.axis_error.on_sky`, a distance that is no larger than the wider of the two coordinates'
    sds has that one: it has no direction to speak of.
    """
    made = [_distance(answer, night) for night in nights]
    found = np.array(made, dtype=float).reshape(-1, 2)
    return found[:, 0], found[:, 1]


def _distance(answer: Answer, night: NightAxis) -> tuple[float, float]:
    to_sky = np.array([math.cos(math.radians(answer.site.site.latitude_deg)), 1.0]) / 60.0
    away = night.estimate[:2] * to_sky - [0.0, aimed_pole_arcmin(answer)]
    covariance = night.covariance[:2, :2] * np.outer(to_sky, to_sky)
    error, widest = float(np.hypot(*away)), math.sqrt(float(np.max(np.diagonal(covariance))))
    if not error > widest:
        return error, widest
    u = away / error
    return error, math.sqrt(max(0.0, float(u @ covariance @ u)))


def pole_words(answer: Answer) -> str:
    """Name the pole that is aimed at."""
    return "the refracted pole" if aimed_pole_arcmin(answer) else "the true pole"
