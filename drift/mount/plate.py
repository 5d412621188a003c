"""The plate on its bolts: which way it tips when bolts are raised, and which to raise for a wanted tip.

Both directions are exact to first order in the angle (a tip of half a degree
is good to 4 parts in 100 000).  Sign: a plate raised on its east side tips its
top toward the west, so that its tilt toward east is negative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drift.codes import PlateTrouble
from drift.errors import PlateError
from drift.quantities import ARCSEC_PER_RAD, Floats

#: Bolts count as being in a line when their spread across that line is less
#: than this part of the circle's radius: a tip worked out from such bolts would
#: rest on how round the circle was drilled.
_LINE_SPREAD = 0.02
#: Heights [mm] that lie in one plane to within this are called one plane: the
#: thinnest shim that is sold is 0.01 mm.
SEATED_MM = 0.005


@dataclass(frozen=True)
class Seat:
    """How a plate rests on its bolts.

    ``north_arcsec`` and ``east_arcsec`` say how far the plate's top tips toward
    north and east.  With more than three bolts the heights need not lie in one
    plane: ``misfit_mm`` is the largest gap between a bolt's height and the best plane.
    """

    north_arcsec: float
    east_arcsec: float
    misfit_mm: float

    @property
    def seats(self) -> bool:
        """Whether all bolts carry, so that the tip does not depend on how they are tightened."""
        return self.misfit_mm <= SEATED_MM


def seat_on_bolts(bearings_deg: Sequence[float], circle_mm: float, heights_mm: Sequence[float]) -> Seat:
    """Return how a plate tips when each bolt is raised by its height.

    Three bolts hold a plane exactly.  On four or more the plate is taken to lie
    in the least-squares plane, which is where even tightening pulls it; without
    tightening it rocks between two rests (one of four bolts raised alone does not seat).

    Parameters
    ----------
    bearings_deg
        Bearing of each bolt from the middle, clockwise from true north [deg].
    circle_mm
        Diameter of the bolt circle [mm].
    heights_mm
        How far the plate is raised at each bolt, 0 where nothing is done [mm].

    Raises
    ------
    drift.errors.PlateError
        Fewer than three bolts, bolts in a line, a circle that is not positive, or another number of heights
        than of bolts.
    """
    places = _places(bearings_deg, circle_mm)
    heights = np.asarray(heights_mm, dtype=float)
    if heights.shape != (len(places),) or not np.all(np.isfinite(heights)):
        raise PlateError(
            f"The plate has {len(places)} bolts, but the heights given are {list(heights_mm)}: give one "
            "number [mm] for each bolt, 0 where nothing is put in."
        )
    # h = c - t_N N - t_E E
    design = np.column_stack([np.ones(len(places)), -places])
    solution, *_ = np.linalg.lstsq(design, heights, rcond=None)
    misfit = float(np.max(np.abs(heights - design @ solution)))
    _, north, east = (float(x) for x in solution)
    return Seat(north * ARCSEC_PER_RAD, east * ARCSEC_PER_RAD, misfit)


def tilt_from_bolts(
    bearings_deg: Sequence[float], circle_mm: float, heights_mm: Sequence[float]
) -> tuple[float, float]:
    """Return the tip of the plate's top toward north and toward east [arcsec]; see `seat_on_bolts`."""
    seat = seat_on_bolts(bearings_deg, circle_mm, heights_mm)
    return seat.north_arcsec, seat.east_arcsec


def heights_for_tilt(
    bearings_deg: Sequence[float], circle_mm: float, north_arcsec: float, east_arcsec: float
) -> Floats:
    """Return how far to raise each bolt so that the plate's top tips by a wanted angle.

    ``h_i = -t R cos(b_i - beta) + c`` with c such that the least is 0: no bolt is lowered, and one stays
    where it is.

    Parameters
    ----------
    bearings_deg, circle_mm
        As for `seat_on_bolts`.
    north_arcsec, east_arcsec
        Wanted tip toward north and toward east [arcsec].

    Returns
    -------
    heights
        Shape (number of bolts,) [mm], none negative, the least 0.

    Raises
    ------
    drift.errors.PlateError
        As for `seat_on_bolts`, or a tip that is not a number.
    """
    places = _places(bearings_deg, circle_mm)
    tip = np.array([north_arcsec, east_arcsec]) / ARCSEC_PER_RAD
    if not np.all(np.isfinite(tip)):
        raise PlateError(
            f"A tip of {north_arcsec} arcsec toward north and {east_arcsec} arcsec toward east can't be made "
            "with shims or nuts: both must be numbers."
        )
    heights = -places @ tip
    return heights - heights.min()


def _places(bearings_deg: Sequence[float], circle_mm: float) -> Floats:
    """Return where the bolts stand, (n, 2) north and east of the middle [mm]."""
    bearings = np.radians(np.asarray(bearings_deg, dtype=float))
    if not (np.isfinite(circle_mm) and circle_mm > 0):
        raise PlateError(
            f"A bolt circle of {circle_mm} mm can't tip a plate: plate.bolt_circle_mm is the diameter of the "
            "circle on which the bolts stand and must be more than 0."
        )
    if bearings.ndim != 1 or bearings.size < 3 or not np.all(np.isfinite(bearings)):
        raise PlateError(
            f"Bolts at bearings {list(bearings_deg)} deg don't hold a plane: plate.bolt_bearings_deg needs "
            "at least three bearings."
        )
    places = circle_mm / 2.0 * np.column_stack([np.cos(bearings), np.sin(bearings)])
    spread = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)
    if spread[1] < _LINE_SPREAD * circle_mm / 2.0:
        raise PlateError(
            f"Bolts at bearings {list(bearings_deg)} deg stand in one line, so the plate can tip about that "
            "line by any amount: plate.bolt_bearings_deg needs three bolts that are not in a line.",
            PlateTrouble.BOLTS_IN_LINE,
            bearings_deg=tuple(float(one) for one in bearings_deg),
        )
    return places
