"""An answer beside the truth: how far off it is, and whether its stated uncertainties hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.answer import Answer
from drift.demo.course import Course
from drift.history.result import Event

NORMAL_SPREAD = 1.4826  # sd of a normal law over its median absolute deviation
WAIT_US = 30 * 86_400_000_000  # an event is looked for within this of the true moment


@dataclass(frozen=True)
class Compared:
    """One quantity over the whole history, answer minus truth [arcsec].

    `largest` is the greatest difference and `largest_sd` the sd stated with
    it; `within_2_sd` is the share of differences within two stated sds (0.95
    when they hold).
    """

    what: str
    count: int
    typical: float  # robust sd
    largest: float
    largest_sd: float
    within_2_sd: float


@dataclass(frozen=True)
class EventCompared:
    """One true step and what the answer has near it; sizes in arcsec, NaN when not found.

    `called` is what the answer says that it was: the right part,
    "undetermined", or "" when there is nothing near it.
    """

    time_us: int
    recorded: bool
    part: str
    true_size: float
    called: str
    found_size: float
    found_sd: float


def _compared(what: str, difference: npt.NDArray[Any], sd: npt.NDArray[Any]) -> Compared | None:
    known = np.isfinite(difference) & (sd > 0)
    if not known.any():
        return None
    difference, sd = difference[known], sd[known]
    worst = int(np.argmax(np.abs(difference)))
    return Compared(
        what=what,
        count=len(difference),
        typical=float(NORMAL_SPREAD * np.median(np.abs(difference))),
        largest=float(difference[worst]),
        largest_sd=float(sd[worst]),
        within_2_sd=float(np.mean(np.abs(difference) < 2 * sd)),
    )


def compare_nights(course: Course, answer: Answer) -> tuple[Compared, ...]:
    """Compare the axis of the pointing nights, each by itself."""
    nights = [n for n in answer.nights.nights if n.has_axis and n.sources == ("pointing",)]
    if not nights:
        return ()
    true = np.stack(course.axis(np.array([n.time_us for n in nights])), axis=-1)
    difference = np.array([n.estimate[:2] for n in nights]) - true
    sd = np.array([np.sqrt(np.diag(n.covariance)[:2]) for n in nights], dtype=np.float64)
    rows = (
        _compared(f"axis in {name}, each night", difference[:, i], sd[:, i])
        for i, name in enumerate(("azimuth", "altitude"))
    )
    return tuple(row for row in rows if row)


def compare_history(course: Course, answer: Answer) -> tuple[Compared, ...]:
    """Compare lean and mount since the first usable night."""
    history = answer.history
    usable = np.flatnonzero(np.isfinite(history.change[:, 0]))
    setting = course.setting(history.time_us)
    true = np.stack(
        [
            setting.lean_north,
            setting.lean_east,
            setting.plate_north,
            setting.plate_east,
            setting.kappa,
            setting.alpha,
        ],
        axis=-1,
    )
    difference = history.change - (true - true[usable[0]])
    names = {0: "lean north", 1: "lean east", 4: "mount in azimuth", 5: "mount in altitude"}
    rows = (
        _compared(f"{name} since the start", difference[:, i], history.sd[:, i]) for i, name in names.items()
    )
    return tuple(row for row in rows if row)


def _nearest(events: tuple[Event, ...], part: str, time_us: int) -> Event | None:
    def away(event: Event) -> int:
        return max(event.after_us - time_us, time_us - event.before_us, 0)

    fitting = [e for e in events if e.what in (part, "undetermined") and away(e) < WAIT_US]
    return min(fitting, key=lambda e: (e.what != part, away(e)), default=None)


def compare_events(course: Course, answer: Answer) -> tuple[EventCompared, ...]:
    """Compare the true steps of knobs and pier with the answer's events."""
    compared = []
    for time_us, step in zip(course.step_times_us.tolist(), course.steps, strict=True):
        sizes = {"mount_az": step.mount_az, "mount_alt": step.mount_alt}
        sizes |= {"lean_north": step.lean_north, "lean_east": step.lean_east}
        name = max(sizes, key=lambda key: abs(sizes[key]))
        if sizes[name] == 0:
            continue
        part = "pier" if name.startswith("lean") else name
        event = _nearest(answer.history.events, part, time_us)
        compared.append(
            EventCompared(
                time_us=time_us,
                recorded=bool(step.kind),
                part=name,
                true_size=sizes[name],
                called=event.what if event else "",
                found_size=event.size[name] if event else float("nan"),
                found_sd=event.size_sd[name] if event else float("nan"),
            )
        )
    return tuple(compared)
