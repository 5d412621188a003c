"""Choose fields: the sky that horizon and mount leave, what each place would tell, the best few in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

import numpy as np
import numpy.typing as npt

from drift.advice.matters import horizon_at
from drift.mount.instrument import first_order, hour_angle_and_dec, wrapped
from drift.night.system import CONSTANT_PRIOR_SD, ZERO_PRIOR_SD
from drift.quantities import Bools, Floats

if TYPE_CHECKING:
    from drift.site.file import PierFile


# ---- The sky that horizon and mount leave, as a grid of places with the tube side on which each is
# reached.


#: Step of the grid in altitude and in bearing [deg].
STEP_DEG = 5.0
#: Nothing lower is planned [deg]: a degree of temperature or a hectopascal there moves a star by as much as
#: the axis is wanted to (refraction, some 2.7 arcmin at 20 deg).
LOWEST_DEG = 20.0
#: Nearer to a pole of the sky a hour angle says little, and the mount turns far for a small step [deg].
HIGHEST_DEC_DEG = 85.0
#: A field may be missed by this much in either coordinate [deg]: what it tells changes by a few percent.
#: So far it also stands above the horizon's outline.
TOLERANCE_DEG = 3.0
#: A star that has sunk further than planned may still be solved down to here [deg].
STILL_USABLE_DEG = 15.0
#: A star stays within reach on its tube side for at least this turn of the sky [deg]: 16 minutes.
LASTING_DEG = 4.0
_NOTHING = 1e-6  # [deg], what rounding leaves


@dataclass(frozen=True)
class Places:
    """Directions with a tube side each; all arrays are (n,).

    `side` is +1 with the tube on the east side of the pier, -1 on the west side, 0 for a mount that
    does not change sides.
    """

    latitude_deg: float
    bearing_deg: Floats = field(repr=False)  # clockwise from true north
    altitude_deg: Floats = field(repr=False)
    side: Floats = field(repr=False)

    @property
    def size(self) -> int:
        """How many there are."""
        return int(self.side.size)

    @property
    def enu(self) -> Floats:
        """Unit vectors East, North, Up, (n, 3)."""
        bearing, altitude = np.radians(self.bearing_deg), np.radians(self.altitude_deg)
        flat = np.cos(altitude)
        return np.stack([flat * np.sin(bearing), flat * np.cos(bearing), np.sin(altitude)], axis=-1)

    def equatorial_rad(self) -> tuple[Floats, Floats]:
        """Return hour angle (west positive) and declination as seen, (n,) each [rad]."""
        return hour_angle_and_dec(self.enu, float(np.radians(self.latitude_deg)))

    def slopes(self) -> Floats:
        """Return what each place sees of the unknowns, (n, 2, 8); see `mount.instrument.first_order`."""
        hour_angle, dec = self.equatorial_rad()
        return first_order(hour_angle, dec, self.side, float(np.radians(self.latitude_deg)))

    def picked(self, pick: npt.ArrayLike) -> Self:
        """Return some of them, by index or by truth value."""
        at = np.asarray(pick)
        at = at if at.dtype == np.bool_ else at.astype(np.int64)
        return type(self)(self.latitude_deg, self.bearing_deg[at], self.altitude_deg[at], self.side[at])

    def joined(self, other: Places) -> Places:
        """Return these and then the others."""
        both = (self, other)
        return Places(
            self.latitude_deg,
            np.concatenate([one.bearing_deg for one in both]),
            np.concatenate([one.altitude_deg for one in both]),
            np.concatenate([one.side for one in both]),
        )

    def apart_deg(self, other: Places) -> Floats:
        """Return the angles between these and others, (n, m) [deg]."""
        return np.degrees(np.arccos(np.clip(self.enu @ other.enu.T, -1.0, 1.0)))


def candidates(site: PierFile) -> Places:
    """Return every place of the grid that horizon and mount leave, each tube side by itself."""
    altitude, bearing = (
        grid.ravel()
        for grid in np.meshgrid(
            np.arange(LOWEST_DEG, 90.0, STEP_DEG), np.arange(0.0, 360.0, STEP_DEG), indexing="ij"
        )
    )
    sides = (1.0, -1.0) if site.mount.flips else (0.0,)
    grid = Places(
        site.site.latitude_deg,
        np.tile(bearing, len(sides)),
        np.tile(altitude, len(sides)),
        np.repeat(sides, bearing.size),
    )
    return grid.picked(lasting(site, grid))


def places_at(latitude_deg: float, hour_angle_rad: Floats, dec_rad: Floats, side: Floats) -> Places:
    """Return the places of hour angles and declinations, (n,) each [rad]."""
    phi = np.radians(latitude_deg)
    flat = np.cos(dec_rad)
    east = -flat * np.sin(hour_angle_rad)
    north = np.cos(phi) * np.sin(dec_rad) - np.sin(phi) * flat * np.cos(hour_angle_rad)
    up = np.sin(phi) * np.sin(dec_rad) + np.cos(phi) * flat * np.cos(hour_angle_rad)
    altitude = np.degrees(np.arctan2(up, np.hypot(east, north)))
    return Places(latitude_deg, np.degrees(np.arctan2(east, north)) % 360.0, altitude, side)


def reachable(site: PierFile, places: Places, lowest_deg: float = LOWEST_DEG) -> Bools:
    """Return which places the horizon leaves and the mount reaches on their tube side, (n,)."""
    mount = site.mount
    hour_angle, dec = (np.degrees(angle) for angle in places.equatorial_rad())
    lowest = max(lowest_deg, mount.lowest_altitude_deg)
    open_sky = places.altitude_deg > horizon_at(site, places.bearing_deg)
    within = (places.altitude_deg >= lowest - _NOTHING) & (places.altitude_deg <= mount.highest_altitude_deg)
    within &= (np.abs(dec) <= HIGHEST_DEC_DEG + _NOTHING) & (np.abs(hour_angle) <= mount.hour_angle_limit_deg)
    past_meridian = -hour_angle * places.side  # of a tube that looks back over the pier, positive
    below_pole = np.abs(hour_angle) > 90.0  # at the lower meridian there is nothing to stay past
    overlap = np.where(below_pole, 0.0, mount.flip_overlap_deg)
    return np.asarray(open_sky & within & (past_meridian <= overlap + _NOTHING))


def lasting(site: PierFile, places: Places) -> Bools:
    """Return which places are reached with some room, and their stars for a while longer, (n,)."""
    hour_angle, dec = places.equatorial_rad()
    later = wrapped(hour_angle + np.radians(LASTING_DEG))
    room = places.altitude_deg >= horizon_at(site, places.bearing_deg) + TOLERANCE_DEG
    stays = reachable(site, places_at(places.latitude_deg, later, dec, places.side), STILL_USABLE_DEG)
    return reachable(site, places) & room & stays


# ---- How long it takes to go from one place to another.


def slew_s(site: PierFile, start: Places, end: Places) -> Floats:
    """Return the time of each slew, settling included, (n,) [s]; both axes turn at once."""
    ha, dec = _axes_deg(start)
    ha_end, dec_end = _axes_deg(end)
    travel = np.maximum(np.abs(ha_end - ha), np.abs(dec_end - dec))
    return np.asarray(travel / site.mount.slew_deg_per_s + site.mount.settle_s)


def _axes_deg(places: Places) -> tuple[Floats, Floats]:
    """Return how far both axes are turned: on the west side one by half a turn more, the other through."""
    hour_angle, dec = (np.degrees(angle) for angle in places.equatorial_rad())
    flipped = places.side < 0.0
    return np.where(flipped, hour_angle + 180.0, hour_angle), np.where(flipped, 180.0 - dec, dec)


# ---- Choose fields: what each would tell of the axis, the best few together, and the order to solve
# them in.


# ---- What is known before, and what a set of fields makes of it.

#: Where az_error and alt_error stand among the eight unknowns of `mount.instrument.first_order`.
AZ, ALT = 2, 3
#: Constants count as this many times as uncertain as they are thought to be ...
WIDENED = 3.0
#: ... and never as surer than this before that [arcsec]: cone error, non-perpendicularity, tube-side
#: offset and
#: droop of an instrument that has been measured (common practice: a mirror shifts by some arcsec when the
#: tube changes sides, and a tube bends with its load and the temperature).
LEAST_CONSTANT_SD = np.array([7.0, 10.0, 7.0, 7.0])
#: The axis counts as known to no better than this before the first field [arcsec]: it is looked at because
#: it may have moved.
LEAST_AXIS_SD = 60.0


@dataclass(frozen=True)
class Before:
    """What is known before the first field: standard deviations [arcsec]."""

    axis_sd: Floats = field(default_factory=lambda: np.full(2, LEAST_AXIS_SD))  # az_error, alt_error
    zero_sd: Floats = field(default_factory=lambda: np.full(2, ZERO_PRIOR_SD))  # hour angle, declination
    constant_sd: Floats = field(default_factory=lambda: WIDENED * LEAST_CONSTANT_SD)
    solve_sd: float = 5.0  # of one solve, one coordinate

    def information(self) -> Floats:
        """Return the information on the eight unknowns, (8, 8) [arcsec^-2]."""
        sd = np.concatenate([self.zero_sd, self.axis_sd, self.constant_sd])
        return np.diag(sd**-2.0)


def widened(constant_sd: Floats) -> Floats:
    """Return constants' standard deviations as they count: threefold, within what any instrument has."""
    return np.minimum(WIDENED * np.maximum(constant_sd, LEAST_CONSTANT_SD), CONSTANT_PRIOR_SD)


def axis_weight(latitude_deg: float) -> Floats:
    """Return the weights (8,) of the variances that are made least: var(alt) + var(az cos phi)."""
    weight = np.zeros(8)
    weight[AZ], weight[ALT] = np.cos(np.radians(latitude_deg)) ** 2, 1.0
    return weight


def everything_weight(latitude_deg: float) -> Floats:
    """Return the weights (8,) where the constants of a new instrument are wanted as well as the axis."""
    weight = axis_weight(latitude_deg)
    weight[4:] = 1.0
    return weight


def axis_sd_after(places: Places, before: Before) -> Floats:
    """Return the axis's standard deviations after each of the fields in their order.

    Returns
    -------
    sd
        (n, 2) of az_error and alt_error [arcsec].
    """
    return np.sqrt(np.diagonal(_covariances(places, before), axis1=1, axis2=2)[:, [AZ, ALT]])


def _covariances(places: Places, before: Before) -> Floats:
    seen = places.slopes() / before.solve_sd
    grown = before.information() + np.cumsum(np.swapaxes(seen, 1, 2) @ seen, axis=0)
    return inverses(grown)


def inverses(information: Floats) -> Floats:
    """Return the inverses of (..., 8, 8) whose rows differ by ten orders of magnitude in size."""
    size = np.sqrt(np.diagonal(information, axis1=-2, axis2=-1))
    across = size[..., :, None] * size[..., None, :]
    return np.asarray(np.linalg.inv(information / across) / across)


# ---- The best few fields together.

#: Two fields stand at least so far apart [deg].
APART_DEG = 10.0
#: Starts of the search: the greedy one, and these many that begin with fields at random.
RANDOM_STARTS = 5
#: An exchange that gains less than this share is not made.
_LEAST_GAIN = 1e-6
_MOST_ROUNDS = 20


class Chooser:
    """Chooses among places for one state of knowledge.

    Parameters
    ----------
    places
        The candidates.
    before
        What is known before.
    apart_deg
        Two of those chosen stand at least so far apart; none is chosen twice.
    weight
        (8,) of the variances whose sum is made least; that of the axis when not given.
    """

    def __init__(
        self, places: Places, before: Before, apart_deg: float = APART_DEG, weight: Floats | None = None
    ) -> None:
        self.places = places
        seen = places.slopes() / before.solve_sd
        self._rows = np.ascontiguousarray(seen[:, 0]), np.ascontiguousarray(seen[:, 1])
        self._gram = np.swapaxes(seen, 1, 2) @ seen
        self._start = before.information()
        self._weight = axis_weight(places.latitude_deg) if weight is None else weight
        self._counts = np.flatnonzero(self._weight)
        self._root = np.sqrt(self._weight[self._counts])
        enu = places.enu
        self._near = enu @ enu.T > np.cos(np.radians(max(apart_deg - 1e-6, 0.0)))
        np.fill_diagonal(self._near, True)

    def criterion(self, chosen: Sequence[int]) -> float:
        """Return var(alt) + var(az cos phi), or what is made least, after the chosen fields [arcsec^2]."""
        return float(self._weight @ np.diagonal(self._covariance(chosen)))

    def best(self, count: int, held: Sequence[int] = (), starts: int = RANDOM_STARTS) -> list[int]:
        """Return the best fields found, by index; fewer than `count` where the sky holds no more.

        Parameters
        ----------
        count
            How many in all.
        held
            Fields that are among them whatever happens; they come first.
        starts
            How many random starts beside the greedy one; they are drawn alike every time.
        """
        rng = np.random.default_rng(0)
        free = np.flatnonzero(self._allowed(held))
        found = [self._exchanged(self._filled(list(held), count), len(held))]
        for _ in range(starts if free.size and count > len(held) else 0):
            first = [int(k) for k in rng.choice(free, min(2, count - len(held), free.size), replace=False)]
            first = first if self._apart(first) else first[:1]
            found.append(self._exchanged(self._filled([*held, *first], count), len(held)))
        return min(found, key=lambda chosen: (-len(chosen), self.criterion(chosen)))

    def next_best(self, chosen: Sequence[int], among: Bools | None = None) -> int | None:
        """Return the field that helps most beside those chosen; None where there is no room for another.

        Parameters
        ----------
        among
            (n,) which places may be taken; all, when not given.
        """
        gain = self._gains(self._covariance(chosen))
        allowed = self._allowed(chosen) if among is None else self._allowed(chosen) & among
        gain[~allowed] = -1.0
        best = int(np.argmax(gain)) if gain.size else -1
        return best if best >= 0 and gain[best] > 0.0 else None

    def _covariance(self, chosen: Sequence[int]) -> Floats:
        return inverses(self._start + self._gram[np.asarray(chosen, dtype=np.int64)].sum(axis=0))

    def _gains(self, covariance: Floats) -> Floats:
        """Return by how much each place would lower the criterion, (n,): two rows more in the inverse.

        (M + A'A)^-1 = C - C A' (1 + A C A')^-1 A C with C = M^-1 (Sherman, Morrison and Woodbury).
        """
        along, up = self._rows[0] @ covariance, self._rows[1] @ covariance  # (n, 8) each
        a = 1.0 + np.sum(along * self._rows[0], axis=1)
        b = np.sum(along * self._rows[1], axis=1)
        d = 1.0 + np.sum(up * self._rows[1], axis=1)
        one, two = along[:, self._counts] * self._root, up[:, self._counts] * self._root
        p, q, r = np.sum(one * one, axis=1), np.sum(one * two, axis=1), np.sum(two * two, axis=1)
        return np.asarray((d * p - 2.0 * b * q + a * r) / (a * d - b * b))

    def _allowed(self, chosen: Sequence[int]) -> Bools:
        return ~np.any(self._near[list(chosen)], axis=0) if len(chosen) else np.ones(self.places.size, bool)

    def _apart(self, chosen: Sequence[int]) -> bool:
        near = self._near[np.ix_(chosen, chosen)]
        return int(near.sum()) == len(chosen)

    def _filled(self, chosen: list[int], count: int) -> list[int]:
        while len(chosen) < count:
            more = self.next_best(chosen)
            if more is None:
                break
            chosen = [*chosen, more]
        return chosen

    def _exchanged(self, chosen: list[int], held: int) -> list[int]:
        """Exchange single fields for better ones until no exchange helps."""
        now = self.criterion(chosen)
        for _ in range(_MOST_ROUNDS):
            before = now
            for at in range(held, len(chosen)):
                rest = [*chosen[:at], *chosen[at + 1 :]]
                other = self.next_best(rest)
                if other is None or other == chosen[at]:
                    continue
                trial = [*chosen[:at], other, *chosen[at + 1 :]]
                after = self.criterion(trial)
                if after < now * (1.0 - _LEAST_GAIN):
                    chosen, now = trial, after
            if now >= before * (1.0 - _LEAST_GAIN):
                break
        return chosen


# ---- The order: information first, at most one flip.


def ordered(places: Places, before: Before) -> Places:
    """Return the places in the order in which clouds cost least, one tube side after the other.

    Within a side the field that helps most comes first.  The side that begins is the one with which the
    uncertainty after one, two, three ... fields is the smaller on average.
    """
    sides = np.unique(places.side)
    ways = [_one_after_the_other(places, before, order) for order in (sides, sides[::-1])]
    return places.picked(min(ways, key=lambda way: _early_uncertainty(places.picked(way), before)))


def _one_after_the_other(places: Places, before: Before, sides: Floats) -> list[int]:
    chooser = Chooser(places, before, apart_deg=0.0)
    way: list[int] = []
    for side in sides:
        rest = places.side == side
        while rest.any():
            best = chooser.next_best(way, rest)
            best = int(np.argmax(rest)) if best is None else best
            way.append(best)
            rest[best] = False
    return way


def _early_uncertainty(places: Places, before: Before) -> float:
    weight = axis_weight(places.latitude_deg)[[AZ, ALT]]
    return float(np.mean(np.sqrt(axis_sd_after(places, before) ** 2 @ weight)))


# ---- What chance would give.

#: Sets of fields that are drawn to say what fields at random give.
_DRAWN = 200


def random_sd(places: Places, before: Before, count: int) -> Floats:
    """Return what fields anywhere in the sky that is left give, (2,): the median of many sets [arcsec]."""
    rng = np.random.default_rng(1)
    share = np.cos(np.radians(places.altitude_deg))
    picks = rng.choice(places.size, (_DRAWN, count), p=share / share.sum())
    seen = places.slopes() / before.solve_sd
    gram = np.swapaxes(seen, 1, 2) @ seen
    after = inverses(before.information() + gram[picks].sum(axis=1))
    return np.asarray(np.median(np.sqrt(np.diagonal(after, axis1=1, axis2=2)[:, [AZ, ALT]]), axis=0))
