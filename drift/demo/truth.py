"""The truth beside the logs: what each night's readings were taken under."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import Constants
from drift.demo.motion import Motion
from drift.demo.observing import PointingLog
from drift.demo.scenario import InventedStep

Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]
#: Says in the file what it is; a folder with such a file was made by the demo.
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
    """Everything that is true of an invented history.

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


def _groups(course: Motion, time_us: Times, night: Times) -> Times:
    """Number the nights, split at each recorded correction."""
    recorded = np.array([bool(step.kind) for step in course.steps], dtype=bool)
    part = np.searchsorted(course.step_times_us[recorded], time_us, side="right")
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


def night_truth(course: Motion, time_us: Times, night: Times, zero: Floats | None = None) -> NightTruth:
    """Return the truth of the nights in which readings were taken."""
    if not len(time_us):
        none = np.array([], dtype=float)
        return NightTruth(none.astype(np.int64), none.astype(np.int64), *[none] * 9)
    group = _groups(course, time_us, night)
    at = _mean_times(time_us, group)
    setting = course.setting(at)
    az_error, alt_error = course.axis(at)
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


def pointing_truth(course: Motion, log: PointingLog) -> NightTruth:
    """Return the truth of the pointing nights, with each night's zero."""
    time_us = log.table["time_us"].to_numpy(dtype=np.int64)
    if not len(time_us):
        return night_truth(course, time_us, log.night)
    group = _groups(course, time_us, log.night)
    zero = np.full(group.max() + 1, np.nan)
    for number in range(len(zero)):
        here, kept = group == number, log.carries_kept_zero
        carried = log.zero[here & kept] if np.any(here & kept) else log.zero[here]
        zero[number] = carried.mean() if np.ptp(carried) < 1.0 else np.nan
    return night_truth(course, time_us, log.night, zero)


def step_truths(course: Motion) -> tuple[StepTruth, ...]:
    """Return every step with its moment."""
    return tuple(
        StepTruth(time_us, bool(step.kind), step)
        for time_us, step in zip(course.step_times_us.tolist(), course.steps, strict=True)
    )


def truth_as_mapping(course: Motion, truth: Truth) -> dict[str, Any]:
    """Return the truth as plain data for a JSON file."""
    scenario = course.scenario
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
