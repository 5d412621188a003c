"""One history judged: errors of the split against truth and oracle, intervals, steps."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from histories import Invented
from oracle import oracle

from drift.quantities import DAY_US
from drift.types import HISTORY_COLUMNS, Event, History

#: The components that are judged; the plate never moves here.
JUDGED = ("tilt_north", "tilt_east", "mount_az", "mount_alt")
PICK = [HISTORY_COLUMNS.index(name) for name in JUDGED]
#: Two-sided 95 % of a normal law.
NORMAL_95 = 1.959964
#: An event belongs to a true step when they lie within this [days].
NEAR_DAYS = 40.0


@dataclass(frozen=True)
class TrueStep:
    """A step that really was, and what was made of it."""

    part: str
    size: float
    recorded: bool
    reported: bool
    named: str  # what it was called, "" when nothing was reported
    odds: float  # of the right part among all but "nothing"


@dataclass(frozen=True)
class Scored:
    """One history judged.  Arrays have a column a component of `JUDGED` [arcsec]."""

    family: str
    seed: int
    nights: int
    years: float
    south: bool
    separable: tuple[str, str]
    rms: np.ndarray
    oracle_rms: np.ndarray
    inside: np.ndarray  # (n, 4) truth within the 95 % interval, at nights after the first
    z: np.ndarray  # (4,) rms of error over sd
    steps: tuple[TrueStep, ...]
    false_events: tuple[tuple[str, float], ...]  # what was named, and its odds against nothing
    error: np.ndarray = field(repr=False, default_factory=lambda: np.zeros((0, 4)))
    sd: np.ndarray = field(repr=False, default_factory=lambda: np.zeros((0, 4)))


def score(name: str, seed: int, history: Invented, with_oracle: bool = True) -> Scored:
    """Separate one history and judge it."""
    found = history.separated()
    true = history.true_change(found.time_us)[:, PICK]
    error, sd = found.change[:, PICK] - true, found.sd[:, PICK]
    night = np.isin(found.time_us, [n.time_us for n in history.nights.nights])
    night[0] = False
    told = oracle(history)[0][:, PICK] - true if with_oracle else np.full_like(error, np.nan)
    steps, false = _events(history, found)
    return Scored(
        name,
        seed,
        len(history.nights.nights),
        history.scenario.years,
        history.scenario.latitude_deg < 0.0,
        (found.east_tilt_from_mount_azimuth.answer, found.north_tilt_from_mount_altitude.answer),
        np.sqrt(np.mean(error[night] ** 2, axis=0)),
        np.sqrt(np.mean(told[night] ** 2, axis=0)),
        np.abs(error[night]) <= NORMAL_95 * sd[night],
        np.sqrt(np.mean((error[night] / sd[night]) ** 2, axis=0)),
        steps,
        false,
        error[night],
        sd[night],
    )


def part_of(step: object) -> tuple[str, float]:
    """Return which part an invented step moves, and by how much [arcsec]."""
    tilt = float(np.hypot(getattr(step, "tilt_north", 0.0), getattr(step, "tilt_east", 0.0)))
    sizes = {"pier": tilt} | {p: abs(getattr(step, p, 0.0)) for p in ("mount_az", "mount_alt", "zero")}
    part = max(sizes, key=lambda p: sizes[p])
    return part, sizes[part]


def _events(history: Invented, found: History) -> tuple[tuple[TrueStep, ...], tuple[tuple[str, float], ...]]:
    motion = history.motion
    left = [e for e in found.events if not e.recorded]
    steps = []
    for step, time_us in zip(motion.steps, motion.step_times_us, strict=True):
        if not found.time_us[0] < time_us <= found.time_us[-1]:
            continue
        part, size = part_of(step)
        if step.kind:
            continue
        near = [e for e in left if _apart_days(e, int(time_us)) <= NEAR_DAYS]
        own = min(near, key=lambda e: _apart_days(e, int(time_us)), default=None)
        if own is not None:
            left.remove(own)
        real = 1.0 - own.probability["nothing"] if own else 1.0
        odds = own.probability[part] / real if own else 0.0
        steps.append(TrueStep(part, size, False, own is not None, own.what if own else "", odds))
    return tuple(steps), tuple((e.what, 1.0 - e.probability["nothing"]) for e in left)


def _apart_days(event: Event, time_us: int) -> float:
    """Return how far a moment lies outside an event's interval [days]."""
    return max(event.after_us - time_us, time_us - event.before_us, 0) / DAY_US
