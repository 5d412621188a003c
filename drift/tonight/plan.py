"""Choose fields: what each would tell of the axis, the best few together, and the order to solve them in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from drift.night.system import CONSTANT_PRIOR_SD, ZERO_PRIOR_SD
from drift.quantities import Bools, Floats
from drift.tonight.places import Places

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
