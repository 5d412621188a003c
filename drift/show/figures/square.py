"""The square frame of a picture seen from above or toward the pole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.quantities import Bools, Floats


@dataclass(frozen=True)
class Square:
    """A square frame: its middle (2,) and half its side, in the units of the picture."""

    middle: Floats
    half: float

    def holds(self, across: float, up: float, inset: float = 0.0) -> bool:
        """Whether a point lies in it, at least `inset` of its half side from the edge."""
        return bool(self.inside(np.array([[across, up]]), inset)[0])

    def inside(self, points: Floats, inset: float = 0.0) -> Bools:
        """Return which of the points (n, 2) lie in it."""
        return np.asarray(np.abs(points - self.middle).max(axis=1) <= (1.0 - inset) * self.half)

    def reach(self, point: Floats) -> tuple[float, float]:
        """Return the least and the greatest distance of the frame's area from a point (2,)."""
        away = np.abs(np.asarray(point) - self.middle)
        return float(np.hypot(*np.clip(away - self.half, 0.0, None))), float(np.hypot(*(away + self.half)))
