"""Which bolts to raise, and by how much: a wanted tip of the plate as shims or turns of nuts."""

from __future__ import annotations

import itertools
import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from drift.codes import Do, PlateTrouble
from drift.errors import PlateError
from drift.mount.axis_error import axis_of_tilt
from drift.mount.plate import SEATED_MM, heights_for_tilt, seat_on_bolts
from drift.notices import AdviceCode, Notice, Value, info, warning
from drift.quantities import ARCSEC_PER_RAD, Floats
from drift.site.threads import pitch_mm
from drift.types import Action, Bolt

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- Heights that can be made: of the shims at hand, or in steps of a nut.


#: Most thin pieces under one bolt, beside whole ones of the thickest: a tall stack is springy (common
#: practice in setting up machines; the number from memory).
PIECES_AT_MOST = 4
#: Higher than this a stack of shims is not a firm seat [mm] (our own choice).
HIGHEST_MM = 10.0
#: Heights tried at each bolt on either side of the wanted one; fewer where many bolts make many combinations.
_TRIED, _TRIED_MANY, _MANY_BOLTS = 3, 1, 5
#: With more bolts than this each is rounded by itself.
_MOST_BOLTS = 9
#: Fractions of a step tried as a common raise of all nuts.
_LIFTS = 8
_ROUND = 6


@dataclass(frozen=True, kw_only=True)
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


@dataclass(frozen=True, kw_only=True)
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
            f"A stack of shims of {highest:.1f} mm is no seat for a telescope: at most {HIGHEST_MM:g} mm is.",
            PlateTrouble.STACK_TOO_HIGH,
            highest_mm=highest,
            limit_mm=HIGHEST_MM,
        )
    choices = [_choices(float(h), stock_mm, _tried(len(heights_mm))) for h in heights_mm]
    best = _nearest(bearings_deg, circle_mm, heights_mm, np.array(list(itertools.product(*choices))), True)
    pieces = tuple(_pieces(h, stock_mm) for h in best.heights_mm)
    return Stacks(
        pieces=pieces,
        north_arcsec=best.north_arcsec,
        east_arcsec=best.east_arcsec,
        left_arcsec=best.left_arcsec,
        misfit_mm=best.misfit_mm,
    )


def in_steps(
    bearings_deg: Sequence[float], circle_mm: float, heights_mm: Sequence[float], step_mm: float
) -> Settings:
    """Return the whole numbers of steps that come nearest to a wanted tip, all bolts searched together.

    What is off the plane counts as well: steps are so coarse that four or more nuts hardly ever seat.  All
    may be raised by a fraction of a step more than is wanted, which tips nothing and may improve the
    rounding.

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
    around = (0, 1) if len(heights_mm) <= _MOST_BOLTS else (0,)
    lifted = np.arange(_LIFTS) / _LIFTS
    wanted = np.asarray(heights_mm, dtype=float) / step_mm
    if len(around) > 1:
        lower = np.floor(wanted + lifted[:, None] + 1e-6)
    else:
        lower = np.round(wanted + lifted[:, None])
    above = np.array(list(itertools.product(around, repeat=wanted.size)))
    steps = (lower[:, None, :] + above).reshape(-1, wanted.size)
    steps = np.unique(steps - steps.min(axis=1, keepdims=True), axis=0)
    return _nearest(bearings_deg, circle_mm, heights_mm, steps * step_mm, False)


def _nearest(
    bearings_deg: Sequence[float],
    circle_mm: float,
    heights_mm: Sequence[float],
    combinations: Floats,
    seat_first: bool,
) -> Settings:
    """Return that of some combinations of heights (k, bolts) that comes nearest to the wanted ones.

    Where steps are too coarse for good seating, a bolt off the plane by m counts as how far the plate can
    rock, m over the arm.
    """
    wanted = seat_on_bolts(bearings_deg, circle_mm, heights_mm)
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
    unseated = np.round(np.maximum(misfit - SEATED_MM, 0.0), _ROUND)
    off = np.round(left if seat_first else np.hypot(left, unseated / arm * ARCSEC_PER_RAD), 3)
    lifted = combinations.sum(axis=1)
    best = int(np.lexsort((lifted, off, *([unseated] if seat_first else [])))[0])
    north, east = (float(x) * ARCSEC_PER_RAD for x in planes[best, 1:])
    heights = tuple(float(h) for h in combinations[best])
    return Settings(
        heights_mm=heights,
        north_arcsec=north,
        east_arcsec=east,
        left_arcsec=float(left[best]),
        misfit_mm=float(misfit[best]),
    )


def _tried(bolts: int) -> int:
    if bolts > _MOST_BOLTS:
        return 0
    return _TRIED_MANY if bolts > _MANY_BOLTS else _TRIED


def _choices(height: float, stock: tuple[float, ...], tried: int) -> list[float]:
    """Return the heights that stacks can have around a wanted one, the nearest alone when `tried` is 0."""
    if height < 1e-9:
        return [0.0]  # a bolt that is not to be lifted stays
    whole = _whole(height, stock)
    sums, _ = _sums(stock)
    k = bisect_left(sums, height - whole)
    near = sums[max(0, k - max(tried, 1)) : k + max(tried, 1)]
    if not tried:
        near = [min(near, key=lambda s: abs(s - height + whole))]
    return [round(whole + s, _ROUND) for s in near]


def _whole(height: float, stock: tuple[float, ...]) -> float:
    """Return the height made of whole pieces of the thickest shim, where thin ones alone don't reach."""
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


# ---- A wanted tip of the plate, as shims or turns of nuts.


#: Nuts are not screwed further than this [mm]: the bolts bend (our own choice).
_NUTS_AT_MOST_MM = 30.0
#: A nut can be set to a quarter of one of its six flats: settings in a turn.
SETTINGS_A_TURN = 24
#: Nuts that would leave more than this share of a tip undone are too coarse for it (our own choice).
_LEFT_AT_MOST = 0.5
#: Least lift [mm]: half of the thinnest shim that is sold.
_LEAST_MM = 0.005


@dataclass(frozen=True, kw_only=True)
class Tip:
    """A tip of the plate: what to do, and the resulting tip of its top (0 when it can't be done).

    `left` says that the tip is too small to be set and is left as it is.
    """

    action: Action
    north_arcsec: float = 0.0
    east_arcsec: float = 0.0
    left: bool = False

    def axis_change(self, latitude_rad: float) -> Floats:
        """Return what it does to (az_error, alt_error), (2,) [arcsec]."""
        return axis_of_tilt(np.array([self.north_arcsec, self.east_arcsec]), latitude_rad)


def tip_plate(site: PierFile, north_arcsec: float, east_arcsec: float, purpose: Notice) -> Tip:
    """Return how to tip the plate's top by a wanted angle.

    Parameters
    ----------
    site
        Its `plate` says whether the bolts carry levelling nuts, where they stand, their thread, and
        which shims are at hand.
    north_arcsec, east_arcsec
        Wanted tip toward north and east [arcsec].
    purpose
        The purpose; its code and values go into the action's notice.

    Returns
    -------
    Tip
        Its action is "nuts" or "shim", with one `Bolt` for each that is raised; no bolts and a notice of
        what is missing or wrong when the plate isn't described well enough or the tip is too large.
    """
    plate = site.plate
    do = Do.NUTS if plate.nuts else Do.SHIM
    why: dict[str, Value] = {"purpose": purpose.code, **purpose.values}
    if plate.bolt_bearings_deg is None or plate.bolt_circle_mm is None:
        return Tip(action=Action(do=do, notice=warning(AdviceCode.PLATE_NOT_DESCRIBED, **why)))
    bearings, circle = plate.bolt_bearings_deg, plate.bolt_circle_mm
    try:
        heights = heights_for_tilt(bearings, circle, north_arcsec, east_arcsec)
        if plate.nuts:
            return _nuts(site, heights, bearings, circle, why)
        return _shims(bearings, stacked(bearings, circle, list(heights), plate.shims_mm), why)
    except PlateError as error:
        notice = warning(AdviceCode.PLATE_CANT_BE_TIPPED, **why, trouble=error.trouble, **error.values)
        return Tip(action=Action(do=do, notice=notice))


def _shims(bearings: Sequence[float], stacks: Stacks, why: Mapping[str, Value]) -> Tip:
    bolts = tuple(
        Bolt(bearing_deg=bearing, thickness_mm=round(sum(pieces), 4), pieces_mm=pieces)
        for bearing, pieces in zip(bearings, stacks.pieces, strict=True)
        if pieces
    )
    if not bolts:
        return Tip(action=Action(do=Do.SHIM, notice=info(AdviceCode.SHIMS_TOO_THICK, **why)), left=True)
    notice = info(
        AdviceCode.PUT_SHIMS,
        **why,
        stacks=tuple((bolt.bearing_deg, bolt.pieces_mm) for bolt in bolts),
        left_arcsec=stacks.left_arcsec,
        off_plane_mm=_rocking(stacks.misfit_mm),
    )
    action = Action(do=Do.SHIM, notice=notice, bolts=bolts)
    return Tip(action=action, north_arcsec=stacks.north_arcsec, east_arcsec=stacks.east_arcsec)


def _rocking(misfit_mm: float) -> float | None:
    """Return by how much one bolt stands off the plane of the others [mm]; None where all are seated."""
    return None if round(misfit_mm, 6) <= SEATED_MM else misfit_mm


def _nuts(
    site: PierFile, heights: Floats, bearings: Sequence[float], circle: float, why: Mapping[str, Value]
) -> Tip:
    highest = float(np.max(heights))
    if highest > _NUTS_AT_MOST_MM:
        raise PlateError(
            f"A nut that rises by {highest:.0f} mm leaves a bolt free that bends.",
            PlateTrouble.NUT_TOO_HIGH,
            highest_mm=highest,
            limit_mm=_NUTS_AT_MOST_MM,
        )
    if site.plate.thread:
        return _nuts_by_flats(pitch_mm(site.plate.thread), heights, bearings, circle, why)
    done = [round(float(h), 3) if h >= _LEAST_MM else 0.0 for h in heights]
    if not any(done):
        return Tip(action=Action(do=Do.NUTS, notice=info(AdviceCode.TOO_LITTLE_FOR_NUTS, **why)), left=True)
    bolts = tuple(
        Bolt(bearing_deg=bearing, thickness_mm=h) for bearing, h in zip(bearings, done, strict=True) if h
    )
    seat = seat_on_bolts(bearings, circle, done)
    raised = tuple((bolt.bearing_deg, bolt.thickness_mm) for bolt in bolts)
    action = Action(do=Do.NUTS, notice=info(AdviceCode.RAISE_BY_GAUGE, **why, raised_mm=raised), bolts=bolts)
    return Tip(action=action, north_arcsec=seat.north_arcsec, east_arcsec=seat.east_arcsec)


def _nuts_by_flats(
    pitch: float, heights: Floats, bearings: Sequence[float], circle: float, why: Mapping[str, Value]
) -> Tip:
    """Return nuts set to quarters of a flat, or that these are too coarse for such a small tip."""
    step = pitch / SETTINGS_A_TURN
    wanted = seat_on_bolts(bearings, circle, [float(h) for h in heights])
    one = seat_on_bolts(bearings, circle, [step] + [0.0] * (len(bearings) - 1))
    least = math.hypot(one.north_arcsec, one.east_arcsec)
    best = in_steps(bearings, circle, [float(h) for h in heights], step)
    if best.left_arcsec > _LEFT_AT_MOST * math.hypot(wanted.north_arcsec, wanted.east_arcsec):
        notice = info(AdviceCode.NUTS_TOO_COARSE, **why, quarter_flat_mm=step, quarter_flat_arcsec=least)
        return Tip(action=Action(do=Do.NUTS, notice=notice), left=True)
    quarters = [(b, round(h / step), h) for b, h in zip(bearings, best.heights_mm, strict=True) if h]
    bolts = tuple(
        Bolt(bearing_deg=b, thickness_mm=round(h, 4), nut_turns=round(count / SETTINGS_A_TURN, 4))
        for b, count, h in quarters
    )
    notice = info(
        AdviceCode.TURN_NUTS,
        **why,
        quarter_flats=tuple(quarters),  # bearing [deg], quarters of a flat, height [mm] of each
        left_arcsec=best.left_arcsec,
        quarter_flat_arcsec=least,
        off_plane_mm=_rocking(best.misfit_mm),
    )
    action = Action(do=Do.NUTS, notice=notice, bolts=bolts)
    return Tip(action=action, north_arcsec=best.north_arcsec, east_arcsec=best.east_arcsec)
