"""Levels that were written down another way: a sign reversed, north and east exchanged, another unit.

Between two readings of a level the axis moves with the pier, and with nothing else where the mount stands
still.  So differences of a level are compared with those of the tilt that the axis shows: as they were
written, and as they would have been written by each slip.  A mount that moved by itself, or a level that
drifts, spoils all of these alike; but no mount moves by just twice what its pier tips, the other way, over
and over.  What was probably written another way is not used at all: which of both is wrong, the sheet or the
site, is for the owner to say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from drift.codes import LevelSlip, Place
from drift.history.sensor import Witness, nights_as_witness
from drift.linear import banded_factored, banded_solved
from drift.mount.axis_error import tilt_of_axis
from drift.night.prepared import NightSplit
from drift.notices import HistoryCode, Notice, warning
from drift.quantities import DAY_US, Bools, Floats
from drift.types import Nights

_TURN = np.array([[0.0, 1.0], [-1.0, 0.0]])
#: What each slip makes of the true tilt toward north and east.  Units: contract, a level is in arcsec; a
#: millimetre a metre is 206 of them.
AS_WRITTEN = np.eye(2)
SLIPS: dict[LevelSlip, Floats] = {
    LevelSlip.NORTH_REVERSED: np.diag([-1.0, 1.0]),
    LevelSlip.EAST_REVERSED: np.diag([1.0, -1.0]),
    LevelSlip.BOTH_REVERSED: -np.eye(2),
    LevelSlip.EXCHANGED: np.array([[0.0, 1.0], [1.0, 0.0]]),
    LevelSlip.EXCHANGED_AND_REVERSED: np.array([[0.0, -1.0], [-1.0, 0.0]]),
    LevelSlip.QUARTER_TURN_LEFT: _TURN.T,
    LevelSlip.QUARTER_TURN_RIGHT: _TURN,
    LevelSlip.IN_ARCMIN: np.eye(2) / 60.0,
    LevelSlip.IN_DEGREES: np.eye(2) / 3600.0,
    LevelSlip.IN_MM_PER_M: np.eye(2) / 206.265,
}
#: How likely each is beforehand, and from which log odds on it is believed: common practice, one owner in a
#: hundred, and a million to one, for an azimuth that creeps came to a thousand to one in one invented history
#: of 48.
SLIP_CHANCE, LEAST_LOG_ODDS = 0.01, float(np.log(1.0e6))
#: Other slips are named as well that are less likely by this much at most: a thousand to one.
ALSO_LOG_ODDS = float(np.log(1.0e3))
#: So many differences are needed.
FEWEST = 6
#: Readings that are compared lie so far apart [days]; nights so near to one stand for it, at most so many.
APART_DAYS, NEAR_DAYS, NIGHTS_A_READING = 5.0, 10.0, 5
#: How a level scatters beside the axis [arcsec], and how far both wander apart in a root day [arcsec], as
#: ranges in which the logarithm is equally likely: common practice, from a fine sensor to a builder's level;
#: from a mount that stands still to one that creeps by minutes of arc a year.
SCATTER, WANDER, _GRID = (0.5, 40.0), (0.1, 6.0), (6, 4)
#: Over a difference that is so many robust sds both ways the mount slipped or somebody leaned on the level;
#: it tells nothing, being known to so much only [arcsec].
WILD_SDS, WILD_ARCSEC = 5.0, 300.0


@dataclass(frozen=True)
class Judged:
    """Levels without those that were probably written down another way, and what is to be said of these."""

    levels: pd.DataFrame
    notices: tuple[Notice, ...] = ()
    sensors_out: frozenset[int] = frozenset()  # numbers of tilt sensors that are left out


@dataclass(frozen=True)
class _Differences:
    """From one reading to the next, of one face and between the same corrections each."""

    level: Floats  # (n, 2) as written [arcsec]
    axis: Floats  # (n, 2) the tilt that the axis shows [arcsec]
    days: Floats  # (n,)
    before: Floats  # (n, 2) variance of the axis at the earlier reading [arcsec^2]
    after: Floats  # (n, 2) and at the later
    follows: Bools  # (n,) whether it begins where the one before it ends


def without_slips(levels: pd.DataFrame, nights: Nights, split: NightSplit, latitude_rad: float) -> Judged:
    """Leave out the levels of a place and an instrument that fit the sky far better written another way.

    Parameters
    ----------
    levels
        Folded level readings (`drift.history.sensor.Folded`).
    nights
        All nights.
    split
        A recorded correction moves the axis: what lies on both sides of one is not compared.
    latitude_rad
        Geodetic latitude [rad].
    """
    sky = nights_as_witness(nights, split, latitude_rad)
    if len(levels) <= FEWEST or sky.time_us.size <= FEWEST:
        return Judged(levels)
    # on the equator no azimuth tells of an east tilt: a thousandth of a radian from it hardly any
    phi = latitude_rad if abs(latitude_rad) > 1.0e-3 else 1.0e-3
    of_tilt = sky.variance[:, ::-1] * np.array([1.0, np.tan(phi) ** -2.0])
    sky = replace(sky, value=tilt_of_axis(sky.value, phi), variance=of_tilt, of_tilt=lambda tilt: tilt)
    place = levels["place"].fillna("").replace("", str(Place.PIER)).to_numpy(dtype=object)
    instrument = levels.get("instrument", pd.Series(0, index=levels.index)).to_numpy(dtype=np.int64)
    keep, notices = np.ones(len(levels), dtype=bool), []
    for where in (Place.PIER, Place.PLATE):
        for number in np.unique(instrument[place == where]).tolist():
            rows = (place == where) & (instrument == number)
            found = _slip_of(_differences(levels[rows], sky, split))
            if found is not None:
                keep &= ~rows
                slips, log_odds = found
                notices.append(
                    warning(
                        HistoryCode.LEVEL_WRITTEN_OTHERWISE,
                        place=where,
                        sensor=number or None,
                        readings=int(rows.sum()),
                        slips=slips,
                        log_odds=log_odds,
                    )
                )
    if not notices:
        return Judged(levels)
    sensors_out = frozenset(int(one) for one in np.unique(instrument[~keep]) if one)
    return Judged(levels[keep].reset_index(drop=True), tuple(notices), sensors_out)


def _differences(table: pd.DataFrame, sky: Witness, split: NightSplit) -> _Differences:
    """Return the differences between readings that follow each other."""
    turned = table["face_deg"].to_numpy(dtype=float) == 180.0
    value = table[["tilt_north_arcsec", "tilt_east_arcsec"]].to_numpy(dtype=float)
    value = np.where(turned[:, None], -value, value)
    times = table["time_us"].to_numpy(dtype=np.int64)
    parts = split.part(times).tolist()
    seen = [_axis_near(int(us), part, sky) for us, part in zip(times, parts, strict=True)]
    pairs: list[tuple[int, int]] = []
    for face in (False, True):
        last = -1
        for at in np.flatnonzero(turned == face).tolist():
            here, before = seen[at], seen[last] if last >= 0 else None
            if here is None or (before is not None and times[at] - times[last] < APART_DAYS * DAY_US):
                continue
            if before is not None and before[2] == here[2]:
                pairs.append((last, at))
            last = at
    first, second = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    tilt = np.array([np.zeros(2) if one is None else one[0] for one in seen]).reshape(-1, 2)
    variance = np.array([np.ones(2) if one is None else one[1] for one in seen]).reshape(-1, 2)
    return _Differences(
        value[second] - value[first],
        tilt[second] - tilt[first],
        (times[second] - times[first]) / DAY_US,
        variance[first],
        variance[second],
        np.append(False, first[1:] == second[:-1]) if first.size else np.zeros(0, dtype=bool),
    )


def _axis_near(time_us: int, part: int, sky: Witness) -> tuple[Floats, Floats, int] | None:
    """Return the tilt that the axis shows at a time, its variance, and the part between corrections."""
    away = np.abs(sky.time_us - time_us) / DAY_US
    near: Bools = (away <= NEAR_DAYS) & (sky.part == part)
    picked = np.flatnonzero(near)[np.argsort(away[near])][:NIGHTS_A_READING]
    if not picked.size:
        return None
    weight = 1.0 / sky.variance[picked]
    return (weight * sky.value[picked]).sum(axis=0) / weight.sum(axis=0), 1.0 / weight.sum(axis=0), part


def _slip_of(found: _Differences) -> tuple[tuple[LevelSlip, ...], float] | None:
    """Return the slips that may have been made, the likeliest first, with its log odds; None for none."""
    if len(found.level) < FEWEST:
        return None
    plain = _wild(found, AS_WRITTEN)
    wild = {slip: plain & _wild(found, made) for slip, made in SLIPS.items()}
    odds = {slip: _log_odds(found, SLIPS[slip], wild[slip]) for slip in SLIPS}
    order = sorted(odds, key=lambda one: -odds[one])
    best = order[0]
    if odds[best] < LEAST_LOG_ODDS:
        return None
    # one knock at which the mount went the other way is no slip of the owner's
    better = _apart(found, AS_WRITTEN) - _apart(found, SLIPS[best]) / _size(SLIPS[best])
    without = wild[best] | (np.arange(better.size) == np.argmax(better))
    if _log_odds(found, SLIPS[best], without) < 0.5 * LEAST_LOG_ODDS:
        return None
    return tuple(one for one in order if odds[one] > odds[best] - ALSO_LOG_ODDS), odds[best]


def _log_odds(found: _Differences, made: Floats, wild: Bools) -> float:
    better = _log_likelihood(found, made, wild) - _log_likelihood(found, AS_WRITTEN, wild)
    return better + float(np.log(SLIP_CHANCE))


def _size(made: Floats) -> float:
    """Return what an arcsecond of tilt was written as."""
    return float(np.sqrt(np.sum(made**2) / 2.0))


def _apart(found: _Differences, made: Floats) -> Floats:
    """Return how far level and axis came apart over each difference, (n,), as it was written."""
    return np.asarray(np.hypot(*(found.level - found.axis @ made.T).T))


def _wild(found: _Differences, made: Floats) -> Bools:
    apart = _apart(found, made)
    return np.asarray(apart > WILD_SDS * max(float(np.median(apart)) / 1.18, SCATTER[0] * _size(made)))


def _log_likelihood(found: _Differences, made: Floats, wild: Bools) -> float:
    """Return the log likelihood of the differences if `made` (2, 2) is what was written of a tilt.

    A level that scatters beside an axis, and wanders away from it at random: differences that follow each
    other share a reading, so that their covariance has one diagonal beside the main one.
    """
    size2 = _size(made) ** 2
    apart = found.level - found.axis @ made.T
    before, after = found.before @ (made**2).T, found.after @ (made**2).T
    shared = found.follows[1:, None]
    logs = []
    for scatter in np.geomspace(*SCATTER, _GRID[0]) ** 2 * size2:
        for wander in np.geomspace(*WANDER, _GRID[1]) ** 2 * size2:
            own = 2.0 * scatter + wander * found.days + size2 * WILD_ARCSEC**2 * wild
            total = 0.0
            for k in (0, 1):
                band = np.zeros((2, own.size), order="F")
                band[1] = own + before[:, k] + after[:, k]
                band[0, 1:] = np.where(shared[:, 0], -(scatter + before[1:, k]), 0.0)
                factor = banded_factored(band)
                total -= 0.5 * float(apart[:, k] @ banded_solved(factor, apart[:, k]))
                total -= float(np.sum(np.log(factor[1])))
            logs.append(total)
    return float(np.logaddexp.reduce(logs)) - float(np.log(len(logs)))
