"""When the places that a mount reports change their meaning: an option ticked, an update, another program.

From one night on they are of J2000 where they were of date, or without refraction.  On one short night that
looks like an axis elsewhere; over the year, like an axis that wanders by as much as precession since 2000 has
moved places.  So the nights are fitted each way, and the likeliest sequence of ways is sought: by how the
solves of each night scatter, and by how far the axis stands from where it stood the night before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from drift.night.fit import fit
from drift.night.log_zone import turned_directions
from drift.night.mount_frame import (
    ABERRATION_AXIS_SD,
    AIR_AXIS_SD,
    AS_RECORDED,
    ASTROMETRIC_AXIS_SD,
    FRAME_AXIS_SD,
    LEAST_LOG_ODDS,
    EachWay,
    FrameFit,
    Places,
    fitted_each_way,
    frame_fit,
    taken_as,
)
from drift.night.observations import Directions, assemble
from drift.night.prepared import NightSplit
from drift.quantities import Floats, Ints
from drift.types import Readings, as_readings

#: Log odds against a change between one night and the next: common practice, one record in a hundred of
#: three hundred nights each has one.
CHANGE_LOG_ODDS = 10.0
#: A stretch has at least so many nights; fewer are judged as they were recorded.
FEWEST_NIGHTS = 3
#: The axis may move so much between nights at least [arcsec], whatever it usually does.
LEAST_MOVED_ARCSEC = 3.0
#: A clock an hour ahead or behind is tried beside, lest its nights pass for places without refraction.
CLOCKS = (-1, 1)
#: Degrees of freedom of the laws of solves and of the axis's moves: far tails, for both have wild ones.
_TAIL = 2.0


#: Places read one way, by a clock so many hours ahead.
Way = tuple[Places, int]


@dataclass(frozen=True)
class Stretch:
    """How the mount's places are to be read from some time on, until the next stretch."""

    from_us: int
    places: Places


@dataclass(frozen=True)
class FrameInTime:
    """How the mount's places are to be read over the whole record.

    Parameters
    ----------
    whole
        What came of reading all of them one way; None where there is too little to tell.
    stretches
        In time order; the first holds from the beginning.
    log_odds
        For these against one way throughout; 0 for a single one.
    """

    whole: FrameFit | None
    stretches: tuple[Stretch, ...]
    log_odds: float = 0.0

    @property
    def as_recorded(self) -> bool:
        """Whether the places are what the record says throughout."""
        return all(one.places == AS_RECORDED for one in self.stretches)

    def of(self, time_us: Ints) -> list[Places]:
        """Return how places of each time are to be read."""
        start = np.array([one.from_us for one in self.stretches[1:]], dtype=np.int64)
        return [self.stretches[k].places for k in np.searchsorted(start, time_us, side="right")]

    def taken(self, solves: pd.DataFrame, seen: Directions, latitude_rad: float) -> pd.DataFrame:
        """Return solves with the mount's places as places of date with refraction."""
        of_row = self.of(solves["time_us"].to_numpy(dtype=np.int64))
        out = solves
        for places in dict.fromkeys(one.places for one in self.stretches):
            if places != AS_RECORDED:
                turned, own = taken_as(places, solves, seen, latitude_rad), [one == places for one in of_row]
                columns = ("mount_ra_deg", "mount_dec_deg")
                out = out.assign(**{name: np.where(own, turned[name], out[name]) for name in columns})
        return out

    def uncertain_by(self, places: Places) -> tuple[float, float]:
        """Return how far an axis may be off on one night, and on all nights alike [arcsec, on the sky]."""
        of_frame = ASTROMETRIC_AXIS_SD if places.astrometric else FRAME_AXIS_SD
        own = float(np.hypot(of_frame * places.j2000, AIR_AXIS_SD * places.airless))
        told = not places.j2000 or self.whole is None or self.whole.knows_aberration(places)
        return own, 0.0 if told or len(self.stretches) > 1 else ABERRATION_AXIS_SD


def frame_in_time(
    latitude_rad: float,
    split: NightSplit,
    readings: Readings,
    directions: dict[str, Directions],
    zero_is: str,
    side: np.ndarray,
) -> FrameInTime:
    """Find how the mount's places are to be read, and whether that changed.

    Parameters
    ----------
    latitude_rad, split, readings, directions, zero_is, side
        As for `drift.night.observations.assemble`.
    """
    given = (latitude_rad, split, readings, directions, zero_is, side)
    each = fitted_each_way(*given)
    if each is None:
        return FrameInTime(None, (Stretch(0, AS_RECORDED),))
    whole = frame_fit(each, latitude_rad)
    if _sequence({(way, 0): each for way in each.states}, latitude_rad).changes:
        # There may be one; all nights tell, and on which it was.
        nights = len(readings["solves"])
        every = fitted_each_way(*given, most_nights=nights)
        ways = {} if every is None else {(way, 0): every for way in every.states}
        for hours in CLOCKS:
            moved = {kind: turned_directions(seen, latitude_rad, hours) for kind, seen in directions.items()}
            other = fitted_each_way(
                latitude_rad, split, readings, moved, zero_is, side, nights, ways=(AS_RECORDED,)
            )
            ways |= {} if other is None else {(AS_RECORDED, hours): other}
        found = _sequence(ways, latitude_rad)
        if found.changes and found.log_odds >= LEAST_LOG_ODDS:
            time_us = next(iter(ways.values())).puts[AS_RECORDED].index.example_us
            return _redated(FrameInTime(whole, found.stretches, found.log_odds), time_us, given)
    return FrameInTime(whole, (Stretch(0, whole.best),))


# ---- The date of a change, once it is known that there is one.
#
# Fitted one way throughout, the nights of the other way spoil the instrument's constants, so that no night
# tells clearly which way it is; read each its own way, all of them do.


#: By how many nights a date is moved at once.
_NIGHTS_MOVED = (8, 4, 2, 1)
#: What is fitted: latitude, split, readings, directions, what the zero is, tube sides.
Given = tuple[float, NightSplit, Readings, dict[str, Directions], str, np.ndarray]


def _redated(frame: FrameInTime, time_us: Ints, given: Given) -> FrameInTime:
    """Move the dates of the changes to where the nights fit best, each read its own way.

    Parameters
    ----------
    frame
        As found from fits one way throughout.
    time_us
        (n,) a time within each night.
    given
        As for `drift.night.observations.assemble`.
    """
    best, least, scatter = frame, *_misfit(frame, given, None)
    for number in range(1, len(frame.stretches)):
        for nights in _NIGHTS_MOVED:
            while True:
                tried = [_moved(best, number, step, time_us) for step in (-nights, nights)]
                costs = [np.inf if one is None else _misfit(one, given, scatter)[0] for one in tried]
                chosen = tried[int(np.argmin(costs))]
                if chosen is None or min(costs) >= least:
                    break
                best, least = chosen, min(costs)
    return best


def _moved(frame: FrameInTime, number: int, nights: int, time_us: Ints) -> FrameInTime | None:
    """Return it with one change some nights later; None where a stretch would be too short."""
    starts = [0, *(int(np.searchsorted(time_us, one.from_us)) for one in frame.stretches[1:]), time_us.size]
    starts[number] += nights
    if min(np.diff(starts)) < FEWEST_NIGHTS:
        return None
    stretches = list(frame.stretches)
    stretches[number] = replace(stretches[number], from_us=int(time_us[starts[number]]))
    return replace(frame, stretches=tuple(stretches))


def _misfit(frame: FrameInTime, given: Given, scatter: float | None) -> tuple[float, float]:
    """Return minus the log likelihood of all nights, each read its own way, and the scatter of solves.

    `scatter` is the one to judge by [arcsec]; None for the fit's own.
    """
    latitude_rad, split, readings, directions, zero_is, side = given
    nothing = Directions(np.zeros((0, 3)), np.zeros(0))
    where = {"solves": directions["solves"], "sweeps": nothing, "runs": nothing}
    table = frame.taken(readings["solves"], directions["solves"], latitude_rad)
    put = assemble(latitude_rad, split, as_readings({"solves": table}), where, zero_is, side)
    assert put is not None
    used = np.ones(put.sightings.size, dtype=bool)
    state = fit(put.sightings, put.layout, put.typed, used, None, robust=True)
    each = {(AS_RECORDED, 0): EachWay({AS_RECORDED: put}, {AS_RECORDED: state}, 0)}
    if scatter is None:
        scatter = _least_scatter(each)
    alone, between = _night_costs(each, scatter), _move_costs(each, latitude_rad)
    return float(alone.sum() + between.sum()), scatter


# ---- The likeliest sequence of ways.


@dataclass(frozen=True)
class _Sequence:
    stretches: tuple[Stretch, ...]
    log_odds: float  # against the best single way

    @property
    def changes(self) -> bool:
        return len(self.stretches) > 1


def _sequence(each: dict[Way, EachWay], latitude_rad: float) -> _Sequence:
    """Return the likeliest sequence of ways to read the places; nights of a wrong clock as recorded."""
    ways = list(each)
    time_us = each[ways[0]].puts[AS_RECORDED].index.example_us
    alone, between = _night_costs(each, _least_scatter(each)), _move_costs(each, latitude_rad)
    path = without_short(cheapest_path(alone, between), alone, between)
    one_way = [path_cost(np.full(path.size, way), alone, between) for way in range(len(ways))]
    read = [ways[k][0] for k in path.tolist()]
    starts = [k for k in range(path.size) if k == 0 or read[k] != read[k - 1]]
    stretches = tuple(Stretch(int(time_us[k]) if k else 0, read[k]) for k in starts)
    return _Sequence(stretches, min(one_way) - path_cost(path, alone, between))


def without_short(path: Ints, alone: Floats, between: Floats) -> Ints:
    """Return a path whose stretches of too few nights go with what comes before or after."""
    path = path.copy()
    while True:
        starts = np.flatnonzero(np.diff(path, prepend=-1))
        stops = np.append(starts[1:], path.size)
        short = np.flatnonzero(stops - starts < FEWEST_NIGHTS)
        if not short.size or starts.size == 1:
            return path
        start, stop = int(starts[short[0]]), int(stops[short[0]])
        beside = {int(path[k]) for k in (start - 1, stop) if 0 <= k < path.size}
        tried = []
        for way in sorted(beside):
            other = path.copy()
            other[start:stop] = way
            tried.append((path_cost(other, alone, between), way))
        path[start:stop] = min(tried)[1]


def _least_scatter(each: dict[Way, EachWay]) -> float:
    """Return how solves scatter by the way that fits best, in one coordinate [arcsec]."""
    states = [one.states[places] for (places, _), one in each.items()]
    return min(float(np.sqrt(np.mean(state.scales.scatter[:2] ** 2))) for state in states)


def _night_costs(each: dict[Way, EachWay], least: float) -> Floats:
    """Return minus the log likelihood of each night's solves by each way and a scatter, (ways, nights)."""
    fits = [(one.puts[places], one.states[places]) for (places, _), one in each.items()]
    out = []
    for put, state in fits:
        night = put.layout.sessions.night[put.sightings.session]
        off = np.sum(state.residual**2, axis=1) / least**2
        cost = 0.5 * (_TAIL + 2.0) * np.log1p(off / _TAIL)
        out.append(np.bincount(night, cost, minlength=put.index.example_us.size))
    return np.array(out)


def _move_costs(each: dict[Way, EachWay], latitude_rad: float) -> Floats:
    """Return minus the log likelihood of the axis's moves, (nights - 1, ways before, ways after)."""
    on_sky = np.array([np.cos(latitude_rad), 1.0])
    solutions = [one.states[places].solution for (places, _), one in each.items()]
    axis = np.array([one.axis * on_sky for one in solutions])
    cov = np.array([one.axis_cov(one.varying_cov()) * np.outer(on_sky, on_sky) for one in solutions])
    same = np.hypot(*np.moveaxis(np.diff(axis, axis=1), 2, 0))
    usual = max(float(np.median(same.min(axis=0))), LEAST_MOVED_ARCSEC) if same.size else LEAST_MOVED_ARCSEC
    moved = axis[None, :, 1:] - axis[:, None, :-1]  # (before, after, nights - 1, 2)
    spread = cov[None, :, 1:] + cov[:, None, :-1] + usual**2 * np.eye(2)
    square = np.einsum("...i,...i", moved, np.linalg.solve(spread, moved[..., None])[..., 0])
    size = np.linalg.slogdet(spread)[1]
    return np.asarray(np.moveaxis(0.5 * size + 0.5 * (_TAIL + 2.0) * np.log1p(square / _TAIL), 2, 0))


def cheapest_path(alone: Floats, between: Floats) -> Ints:
    """Return the cheapest way through the nights, (nights,) (Viterbi's algorithm).

    Parameters
    ----------
    alone
        (ways, nights) cost of each night.
    between
        (nights - 1, ways before, ways after) cost of what lies between; a change costs `CHANGE_LOG_ODDS`
        more.
    """
    ways, nights = alone.shape
    change = CHANGE_LOG_ODDS * (1.0 - np.eye(ways))
    cost, came_from = alone[:, 0], np.zeros((nights, ways), dtype=np.int64)
    for n in range(1, nights):
        through = cost[:, None] + between[n - 1] + change
        came_from[n] = np.argmin(through, axis=0)
        cost = through.min(axis=0) + alone[:, n]
    path = np.zeros(nights, dtype=np.int64)
    path[-1] = int(np.argmin(cost))
    for n in range(nights - 1, 0, -1):
        path[n - 1] = came_from[n, path[n]]
    return path


def path_cost(path: Ints, alone: Floats, between: Floats) -> float:
    """Return what a way through the nights costs."""
    nights = np.arange(path.size)
    changes = np.count_nonzero(np.diff(path))
    moves = between[nights[:-1], path[:-1], path[1:]]
    return float(alone[path, nights].sum() + moves.sum()) + CHANGE_LOG_ODDS * changes
