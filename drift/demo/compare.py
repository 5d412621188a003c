"""An analysis beside the truth: how far off it is, and whether its stated uncertainties hold."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.demo.motion import Motion
from drift.types import Analysis, Event

# ---- An answer beside the truth: how far off it is, and whether its stated uncertainties hold.


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


def compare_nights(course: Motion, analysis: Analysis) -> tuple[Compared, ...]:
    """Compare the axis of the pointing nights, each by itself."""
    nights = [n for n in analysis.nights.nights if n.has_axis and n.sources == ("pointing",)]
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


def compare_history(course: Motion, analysis: Analysis) -> tuple[Compared, ...]:
    """Compare tilt and mount since the first usable night."""
    history = analysis.history
    usable = np.flatnonzero(np.isfinite(history.change[:, 0]))
    setting = course.setting(history.time_us)
    true = np.stack(
        [
            setting.tilt_north,
            setting.tilt_east,
            setting.plate_north,
            setting.plate_east,
            setting.kappa,
            setting.alpha,
        ],
        axis=-1,
    )
    difference = history.change - (true - true[usable[0]])
    names = {0: "tilt north", 1: "tilt east", 4: "mount in azimuth", 5: "mount in altitude"}
    rows = (
        _compared(f"{name} since the start", difference[:, i], history.sd[:, i]) for i, name in names.items()
    )
    return tuple(row for row in rows if row)


def _nearest(events: tuple[Event, ...], part: str, time_us: int) -> Event | None:
    def away(event: Event) -> int:
        return max(event.after_us - time_us, time_us - event.before_us, 0)

    fitting = [e for e in events if e.what in (part, "undetermined") and away(e) < WAIT_US]
    return min(fitting, key=lambda e: (e.what != part, away(e)), default=None)


def compare_events(course: Motion, analysis: Analysis) -> tuple[EventCompared, ...]:
    """Compare the true steps of knobs and pier with the answer's events."""
    compared = []
    for time_us, step in zip(course.step_times_us.tolist(), course.steps, strict=True):
        sizes = {"mount_az": step.mount_az, "mount_alt": step.mount_alt}
        sizes |= {"tilt_north": step.tilt_north, "tilt_east": step.tilt_east}
        name = max(sizes, key=lambda key: abs(sizes[key]))
        if sizes[name] == 0:
            continue
        part = "pier" if name.startswith("tilt") else name
        event = _nearest(analysis.history.events, part, time_us)
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


# ---- The comparison with the truth, in words and a table for people.


_PARTS = {
    "mount_az": "the mount's azimuth",
    "mount_alt": "the mount's altitude",
    "tilt_north": "the pier, north",
    "tilt_east": "the pier, east",
}


def table_lines(rows: Iterable[Compared]) -> Iterator[str]:
    """Yield a table of differences, answer minus truth, in arcseconds."""
    yield f"{'answer minus truth':<32} {'number':>6} {'typical':>9} {'largest':>18} {'within 2 sd':>12}"
    for row in rows:
        largest = f'{row.largest:+.1f}" (sd {row.largest_sd:.1f}")'
        yield f'{row.what:<32} {row.count:>6} {row.typical:>8.1f}" {largest:>18} {row.within_2_sd:>11.0%}'


def event_lines(events: Iterable[EventCompared]) -> Iterator[str]:
    """Yield a line for each true step: what was put in and what was found."""
    for event in events:
        day = str(np.datetime64(event.time_us, "us").astype("datetime64[D]"))
        noted = "written down" if event.recorded else "not written down"
        found = f'found {event.found_size:+.0f}" ± {event.found_sd:.0f}"' if event.called else "not found"
        if event.called == "undetermined":
            found = "found, but what it was is left open"
        yield f'{day}  {_PARTS[event.part]} by {event.true_size:+.0f}", {noted}: {found}'
