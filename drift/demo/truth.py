"""The truth behind the logs, night by night, and an analysis compared with it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import Constants
from drift.demo.motion import Motion
from drift.demo.observing import PointingLog
from drift.demo.scenario import InventedStep
from drift.types import Analysis, Event

# ---- The truth of each night's readings.


Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]
#: Marks the file; a folder with such a file was made by the demo.
TRUTH_FORMAT = "drift-demo-truth"


@dataclass(frozen=True)
class NightTruth:
    """The truth of the nights of one kind of log, (n,) each, at the mean time of their readings.

    A night with a recorded correction in it has two rows.  Angles in arcsec;
    tilts are the pier's own, `mount_az` and `mount_alt` are kappa and alpha.
    `zero` is that of pointing nights: the kept one when some solves carry it,
    else the one of the night's single sync, NaN after a second sync and for
    other kinds of log.
    """

    time_us: Times = field(repr=False)
    readings: Times = field(repr=False)  # how many
    tilt_north: Floats = field(repr=False)
    tilt_east: Floats = field(repr=False)
    plate_north: Floats = field(repr=False)
    plate_east: Floats = field(repr=False)
    mount_az: Floats = field(repr=False)
    mount_alt: Floats = field(repr=False)
    az_error: Floats = field(repr=False)
    alt_error: Floats = field(repr=False)
    zero: Floats = field(repr=False)

    def as_rows(self) -> dict[str, list[Any]]:
        """Return plain lists, numbers to 0.01 arcsec, unknown ones None."""
        rows: dict[str, list[Any]] = {}
        for column in fields(self):
            values = getattr(self, column.name)
            if values.dtype.kind == "f":
                rows[column.name] = [round(v, 2) if np.isfinite(v) else None for v in values.tolist()]
            else:
                rows[column.name] = values.tolist()
        return rows


@dataclass(frozen=True)
class StepTruth:
    """One step of the history, at its moment."""

    time_us: int
    recorded: bool
    step: InventedStep


@dataclass(frozen=True)
class Truth:
    """The whole truth of an invented history.

    Parameters
    ----------
    nights
        Kind of log ("pointing", "sweep", "run", "typed", "level") -> its nights.
    events
        All steps, recorded and not, in the order of time.
    constants
        The instrument's first constants.
    wrong_solves
        (n,) for each row of the table of solves: moved by a wrong solve.
    solve_zero
        (n,) true hour-angle zero under which each row was read [arcsec].
    wrong_sweep_solves
        (n,) for each row of the table of sweeps.
    """

    nights: dict[str, NightTruth]
    events: tuple[StepTruth, ...]
    constants: Constants
    wrong_solves: npt.NDArray[np.bool_] = field(repr=False)
    solve_zero: Floats = field(repr=False)
    wrong_sweep_solves: npt.NDArray[np.bool_] = field(repr=False)


def _groups(motion: Motion, time_us: Times, night: Times) -> Times:
    """Number the nights, split at each recorded correction."""
    recorded = np.array([bool(step.kind) for step in motion.steps], dtype=bool)
    part = np.searchsorted(motion.step_times_us[recorded], time_us, side="right")
    _, group = np.unique(np.stack([night, part], axis=-1), axis=0, return_inverse=True)
    numbers: Times = group.ravel().astype(np.int64)
    return numbers


def _mean_times(time_us: Times, group: Times) -> Times:
    first = time_us.min()
    counts = np.bincount(group)
    means: Times = first + np.round(np.bincount(group, (time_us - first).astype(float)) / counts).astype(
        np.int64
    )
    return means


def night_truth(motion: Motion, time_us: Times, night: Times, zero: Floats | None = None) -> NightTruth:
    """Return the truth of the nights in which readings were taken."""
    if not len(time_us):
        none = np.array([], dtype=float)
        return NightTruth(none.astype(np.int64), none.astype(np.int64), *[none] * 9)
    group = _groups(motion, time_us, night)
    at = _mean_times(time_us, group)
    setting = motion.setting(at)
    az_error, alt_error = motion.axis(at)
    return NightTruth(
        at,
        np.bincount(group).astype(np.int64),
        setting.tilt_north,
        setting.tilt_east,
        setting.plate_north,
        setting.plate_east,
        setting.kappa,
        setting.alpha,
        az_error,
        alt_error,
        np.full(len(at), np.nan) if zero is None else zero,
    )


def pointing_truth(motion: Motion, log: PointingLog) -> NightTruth:
    """Return the truth of the pointing nights, with each night's zero."""
    time_us = log.table["time_us"].to_numpy(dtype=np.int64)
    if not len(time_us):
        return night_truth(motion, time_us, log.night)
    group = _groups(motion, time_us, log.night)
    zero = np.full(group.max() + 1, np.nan)
    for number in range(len(zero)):
        here, kept = group == number, log.carries_kept_zero
        carried = log.zero[here & kept] if np.any(here & kept) else log.zero[here]
        zero[number] = carried.mean() if np.ptp(carried) < 1.0 else np.nan
    return night_truth(motion, time_us, log.night, zero)


def step_truths(motion: Motion) -> tuple[StepTruth, ...]:
    """Return every step with its moment."""
    return tuple(
        StepTruth(time_us, bool(step.kind), step)
        for time_us, step in zip(motion.step_times_us.tolist(), motion.steps, strict=True)
    )


def truth_as_mapping(motion: Motion, truth: Truth) -> dict[str, Any]:
    """Return the truth as plain data for a JSON file."""
    scenario = motion.scenario
    sizes = ("tilt_north", "tilt_east", "plate_north", "plate_east", "mount_az", "mount_alt", "zero")
    return {
        "format": TRUTH_FORMAT,
        "version": 1,
        "seed": scenario.seed,
        "site": dict(
            zip(("latitude_deg", "longitude_deg", "elevation_m"), scenario.site, strict=True),
            name=scenario.name,
        ),
        "zero": scenario.zero,
        "constants": asdict(truth.constants),
        "heave_bearing_deg": scenario.heave_bearing_deg,
        "settle_bearing_deg": scenario.settle_bearing_deg,
        "events": [
            {
                "time_utc": str(np.datetime64(event.time_us, "us").astype("datetime64[s]")) + "Z",
                "recorded": event.recorded,
                "kind": event.step.kind,
                "asked_arcmin": event.step.amount_arcmin,
                **{name: round(float(getattr(event.step, name)), 2) for name in sizes},
                "note": event.step.note,
            }
            for event in truth.events
        ],
        "wrong_solves": int(truth.wrong_solves.sum()),
        "wrong_sweep_solves": int(truth.wrong_sweep_solves.sum()),
        "nights": {kind: nights.as_rows() for kind, nights in truth.nights.items()},
    }


# ---- An analysis beside the truth: errors, and whether the stated uncertainties hold.


NORMAL_SPREAD = 1.4826  # sd of a normal law over its median absolute deviation
WAIT_US = 30 * 86_400_000_000  # an event is looked for within this of the true moment


@dataclass(frozen=True)
class Compared:
    """One quantity over the whole history, result minus truth [arcsec].

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
    """One true step and what the analysis has near it; sizes in arcsec, NaN when not found.

    `called` is what the analysis says that it was: the right part,
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


def compare_nights(motion: Motion, analysis: Analysis) -> tuple[Compared, ...]:
    """Compare the axis of the pointing nights, each by itself."""
    nights = [n for n in analysis.nights.nights if n.has_axis and n.sources == ("pointing",)]
    if not nights:
        return ()
    true = np.stack(motion.axis(np.array([n.time_us for n in nights])), axis=-1)
    difference = np.array([n.estimate[:2] for n in nights]) - true
    sd = np.array([np.sqrt(np.diag(n.covariance)[:2]) for n in nights], dtype=np.float64)
    rows = (
        _compared(f"axis in {name}, each night", difference[:, i], sd[:, i])
        for i, name in enumerate(("azimuth", "altitude"))
    )
    return tuple(row for row in rows if row)


def compare_history(motion: Motion, analysis: Analysis) -> tuple[Compared, ...]:
    """Compare tilt and mount since the first usable night."""
    history = analysis.history
    usable = np.flatnonzero(np.isfinite(history.change[:, 0]))
    setting = motion.setting(history.time_us)
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


def compare_events(motion: Motion, analysis: Analysis) -> tuple[EventCompared, ...]:
    """Compare the true steps of knobs and pier with the events found."""
    compared = []
    for time_us, step in zip(motion.step_times_us.tolist(), motion.steps, strict=True):
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
    """Yield a table of differences, result minus truth, in arcseconds."""
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
