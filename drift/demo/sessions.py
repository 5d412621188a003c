"""How a pointing session goes: targets, tube sides, times, and the syncs that reset both zeros."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drift.demo.chance import stream
from drift.demo.course import Course
from drift.demo.evenings import HOUR_US, Evening
from drift.demo.instrument import ARCSEC
from drift.demo.scenario import Scenario
from drift.demo.targets import random_targets

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
BEFORE_SYNC = 2  # solves taken before a sync when they are logged
LEAST_SOLVES = 3
FULL_TURN_ARCSEC = 1_296_000.0


@dataclass(frozen=True)
class Session:
    """One night's plan; arrays are (m,), the first solve is only synced on when `hidden`."""

    evening: Evening
    time_us: npt.NDArray[np.int64]
    axis_ha: Floats  # angles of the two axes [rad]
    axis_dec: Floats
    side: Floats  # +1 tube east of the pier, -1 west
    syncs: tuple[int, ...]  # a sync is made on these solves; later ones have the new zeros
    hidden: bool
    kept_zeros: tuple[float, float]  # of the home position this night: hour angle, declination [arcsec]
    mirror: tuple[float, float]  # this night's shift: cone error, declination offset [arcsec]

    def zeros(self, seen_ha: Floats, seen_dec: Floats) -> Floats:
        """Return both zeros (m, 2) [arcsec]; a sync makes reading and sky agree on its solve."""
        zeros = np.tile(self.kept_zeros, (len(self.time_us), 1))
        for sync in self.syncs:
            off = np.array((self.axis_ha - seen_ha, self.axis_dec - seen_dec))[:, sync] / -ARCSEC
            wrapped = np.remainder(off + FULL_TURN_ARCSEC / 2, FULL_TURN_ARCSEC) - FULL_TURN_ARCSEC / 2
            zeros[sync + 1 :] = wrapped
        return zeros

    @property
    def logged(self) -> Flags:
        """Which solves are in the log."""
        return np.arange(len(self.time_us)) >= int(self.hidden)

    @property
    def carries_kept_zero(self) -> Flags:
        """Which solves were read with the home position's zeros."""
        return np.arange(len(self.time_us)) <= min(self.syncs, default=len(self.time_us))

    def labels(self, scenario: Scenario) -> list[str]:
        """Return the session label of each solve, "" when they are not logged."""
        if not scenario.session_logged:
            return [""] * len(self.time_us)
        night = str(np.datetime64(self.evening.day, "D"))
        # The first sync of a "synced" session opens it; each other sync starts a new label.
        splitting = self.syncs if scenario.zero == "kept" else self.syncs[1:]
        return [f"{night}-{1 + sum(i > sync for sync in splitting)}" for i in range(len(self.time_us))]

    def before_sync(self, scenario: Scenario) -> Floats:
        """Return 1 before the session's sync, 0 after it, NaN when that is not logged."""
        if scenario.zero == "kept" or not scenario.before_sync_logged:
            return np.full(len(self.time_us), np.nan)
        return self.carries_kept_zero.astype(float)


def _count(scenario: Scenario, rng: np.random.Generator) -> int:
    mean = scenario.solves_a_night
    drawn = int(round(mean * rng.uniform(0.75, 1.25)))
    return max(LEAST_SOLVES, drawn) if mean >= LEAST_SOLVES else mean


def _syncs(scenario: Scenario, rng: np.random.Generator, total: int) -> tuple[int, ...]:
    opening = min(BEFORE_SYNC, total) - 1 if scenario.before_sync_logged else 0
    syncs = [] if scenario.zero == "kept" else [opening]
    middle = int(rng.integers(total // 3, max(total // 3 + 1, total - 2)))
    if rng.random() < scenario.second_sync_chance and middle > max(syncs, default=0):
        syncs.append(middle)
    return tuple(syncs)


def plan_session(course: Course, evening: Evening) -> Session:
    """Plan the pointing solves of one evening."""
    scenario = course.scenario
    rng = stream(scenario.seed, "pointing", evening.day)
    hidden = scenario.zero == "synced" and not scenario.before_sync_logged
    total = _count(scenario, rng) + int(hidden)
    only_side = (1.0 if rng.random() < 0.5 else -1.0) if rng.random() < scenario.one_side_chance else None
    axis_ha, axis_dec, side = random_targets(scenario, rng, total, only_side)
    passed_us = np.sort(rng.uniform(0.0, 1.0, total)) * evening.hours * HOUR_US
    kept = rng.normal(0.0, scenario.zero_repeatability, 2)
    mirror = rng.normal(0.0, 1.0, 2) * scenario.mirror_shift
    home = float(course.home_zero(np.array(evening.start_us)))
    return Session(
        evening=evening,
        time_us=(evening.start_us + passed_us).astype(np.int64) // 1000 * 1000,
        axis_ha=axis_ha,
        axis_dec=axis_dec,
        side=side,
        syncs=_syncs(scenario, rng, total),
        hidden=hidden,
        kept_zeros=(home + float(kept[0]), scenario.dec_zero0 + float(kept[1])),
        mirror=(float(mirror[0]), float(mirror[1])),
    )
