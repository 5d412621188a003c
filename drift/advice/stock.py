"""Heights as they can be had: made up of the shims at hand, or in steps that a nut can be set to."""

from __future__ import annotations

import itertools
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from drift.errors import PlateError
from drift.mount.plate import SEATED_MM, seat_on_bolts
from drift.quantities import ARCSEC_PER_RAD

#: No more thin pieces than this lie under one bolt, beside whole ones of the thickest: a tall stack is
#: springy (common practice in setting machines; the number from memory).
PIECES_AT_MOST = 4
#: Higher than this a stack of shims is no seat any more [mm] (our own choice).
HIGHEST_MM = 10.0
#: Heights tried at each bolt on either side of the wanted one; fewer where many bolts make many combinations.
_TRIED, _TRIED_MANY, _MANY_BOLTS = 3, 1, 5
#: With more bolts than this each is rounded by itself.
_MOST_BOLTS = 9
_ROUND = 6


@dataclass(frozen=True)
class Stacks:
    """Shims under every bolt, and what rounding to them leaves.

    `pieces` holds the thicknesses under each bolt, none where nothing is put;
    `left_arcsec` is how far the tip is from the wanted one, `misfit_mm` the largest gap
    between a bolt and the plane of all.
    """

    pieces: tuple[tuple[float, ...], ...]
    north_arcsec: float
    east_arcsec: float
    left_arcsec: float
    misfit_mm: float

    @property
    def heights_mm(self) -> tuple[float, ...]:
        """Return the height under each bolt."""
        return tuple(round(sum(pieces), _ROUND) for pieces in self.pieces)


@dataclass(frozen=True)
class Settings:
    """Heights under every bolt [mm], and what they leave, as in `Stacks`."""

    heights_mm: tuple[float, ...]
    north_arcsec: float
    east_arcsec: float
    left_arcsec: float
    misfit_mm: float


def stacked(
    bearings_deg: Sequence[float], circle_mm: float, heights_mm: Sequence[float], stock_mm: tuple[float, ...]
) -> Stacks:
    """Return the stacks nearest to the wanted heights: well seated first, then by the tip, then the lowest.

    Parameters
    ----------
    bearings_deg, circle_mm
        As for `drift.mount.plate.seat_on_bolts`.
    heights_mm
        Wanted under each bolt, none negative [mm].
    stock_mm
        Thicknesses at hand, ascending [mm].

    Raises
    ------
    drift.errors.PlateError
        A height beyond `HIGHEST_MM`, or bolts that hold no plane.
    """
    highest = float(max(heights_mm))
    if highest > HIGHEST_MM:
        raise PlateError(
            f"One bolt would have to be raised by {highest:.1f} mm, and a stack of shims over "
            f"{HIGHEST_MM:g} mm is no seat for a telescope: have a wedge made, or the pier's top set right."
        )
    choices = [_choices(float(h), stock_mm, _tried(len(heights_mm))) for h in heights_mm]
    best = _nearest(bearings_deg, circle_mm, heights_mm, choices)
    pieces = tuple(_pieces(h, stock_mm) for h in best.heights_mm)
    return Stacks(pieces, best.north_arcsec, best.east_arcsec, best.left_arcsec, best.misfit_mm)


def in_steps(
    bearings_deg: Sequence[float], circle_mm: float, heights_mm: Sequence[float], step_mm: float
) -> Settings:
    """Return the whole numbers of steps nearest to the wanted heights, chosen as by `stacked`.

    Parameters
    ----------
    bearings_deg, circle_mm, heights_mm
        As for `stacked`.
    step_mm
        What one step raises a bolt by [mm].

    Raises
    ------
    drift.errors.PlateError
        Bolts that hold no plane.
    """
    around = range(2) if len(heights_mm) <= _MOST_BOLTS else ()

    def choices(height: float) -> list[float]:
        low, near = int(height / step_mm + 1e-6), round(height / step_mm)
        return [(low + k) * step_mm for k in around] or [near * step_mm]

    return _nearest(bearings_deg, circle_mm, heights_mm, [choices(float(h)) for h in heights_mm])


def _nearest(
    bearings_deg: Sequence[float],
    circle_mm: float,
    heights_mm: Sequence[float],
    choices: Sequence[Sequence[float]],
) -> Settings:
    """Return the combination of one choice a bolt that comes nearest to the wanted heights."""
    wanted = seat_on_bolts(bearings_deg, circle_mm, heights_mm)
    combinations = np.array(list(itertools.product(*choices)))
    # the same least squares as seat_on_bolts, for all combinations at once
    bearings = np.radians(np.asarray(bearings_deg, dtype=float))
    arm = circle_mm / 2.0
    design = np.column_stack([np.ones(bearings.size), -arm * np.cos(bearings), -arm * np.sin(bearings)])
    planes = combinations @ np.linalg.pinv(design).T
    misfit = np.max(np.abs(combinations - planes @ design.T), axis=1)
    left = np.hypot(
        planes[:, 1] * ARCSEC_PER_RAD - wanted.north_arcsec,
        planes[:, 2] * ARCSEC_PER_RAD - wanted.east_arcsec,
    )
    unseated = np.maximum(misfit - SEATED_MM, 0.0)
    lifted = combinations.sum(axis=1)
    best = int(np.lexsort((lifted, np.round(left, 3), np.round(unseated, _ROUND)))[0])
    north, east = (float(x) * ARCSEC_PER_RAD for x in planes[best, 1:])
    heights = tuple(float(h) for h in combinations[best])
    return Settings(heights, north, east, float(left[best]), float(misfit[best]))


def _tried(bolts: int) -> int:
    if bolts > _MOST_BOLTS:
        return 0
    return _TRIED_MANY if bolts > _MANY_BOLTS else _TRIED


def _choices(height: float, stock: tuple[float, ...], tried: int) -> list[float]:
    """Return the heights that stacks can have around a wanted one, the nearest alone when `tried` is 0."""
    if height < 1e-9:
        return [0.0]  # where nothing is to be lifted nothing is
    whole = _whole(height, stock)
    sums, _ = _sums(stock)
    k = bisect_left(sums, height - whole)
    near = sums[max(0, k - max(tried, 1)) : k + max(tried, 1)]
    if not tried:
        near = [min(near, key=lambda s: abs(s - height + whole))]
    return [round(whole + s, _ROUND) for s in near]


def _whole(height: float, stock: tuple[float, ...]) -> float:
    """Return what whole pieces of the thickest take of a height that thin ones alone don't reach."""
    thickest = stock[-1]
    return float(max(0, int(height / thickest) - 1)) * thickest


def _pieces(height: float, stock: tuple[float, ...]) -> tuple[float, ...]:
    """Return the fewest pieces that make up a height that `_choices` gave, thickest first."""
    found = [
        (stock[-1],) * whole + pieces
        for whole in range(int(height / stock[-1] + 1e-9) + 1)
        if (pieces := _sums(stock)[1].get(round(height - whole * stock[-1], _ROUND))) is not None
    ]
    return min(found, key=len)


@lru_cache(maxsize=8)
def _sums(stock: tuple[float, ...]) -> tuple[list[float], dict[float, tuple[float, ...]]]:
    """Return all heights that `PIECES_AT_MOST` pieces make, ascending, and the fewest pieces for each."""
    made: dict[float, tuple[float, ...]] = {}
    for count in range(PIECES_AT_MOST + 1):
        for pieces in itertools.combinations_with_replacement(sorted(stock, reverse=True), count):
            made.setdefault(round(sum(pieces), _ROUND), pieces)
    return sorted(made), made
