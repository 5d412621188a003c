"""Sudden changes nobody wrote down: of the pier, of one knob, of the hour-angle zero."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.history.causes.cause import LEAN_EAST, LEAN_NORTH, MOUNT_ALT, MOUNT_AZ, Cause, blank, independent
from drift.history.series import Series

#: Prior standard deviation of a step [arcsec] of each part.  Common practice: knobs and bolts slip by
#: one to some arcminutes, piers bump by less, a lost zero is anything up to some arcminutes.
STEP_SD = {"pier": 100.0, "mount_az": 150.0, "mount_alt": 150.0, "zero": 600.0}
#: Prior number of unrecorded steps a year of each part: common practice, weakly held.
STEPS_PER_YEAR = {"pier": 0.15, "mount_az": 0.2, "mount_alt": 0.2, "zero": 0.2}
COLUMNS_OF = {"pier": (LEAN_NORTH, LEAN_EAST), "mount_az": (MOUNT_AZ,), "mount_alt": (MOUNT_ALT,), "zero": ()}


@dataclass(frozen=True)
class Step:
    """A step before reading `index`, with the weight of each part that may have made it."""

    index: int
    weight: dict[str, float]


def step_name(number: int) -> str:
    """Return the name of the cause of a step by its place in the list of steps."""
    return f"step {number}"


def step_cause(series: Series, step: Step, name: str) -> Cause:
    """Return the columns of a step: each part that may have made it, as far as it may."""
    parts = [part for part in STEP_SD if step.weight.get(part, 0.0) > 0.0]
    columns = [(part, component) for part in parts for component in (COLUMNS_OF[part] or (-1,))]
    state, direct = blank(series.size, len(columns))
    label = series.zero_label[step.index] if step.index < series.size else ""
    sds = []
    for i, (part, component) in enumerate(columns):
        if component >= 0:
            state[step.index :, component, i] = 1.0
        else:
            later = np.arange(series.size) >= step.index
            direct[later & (series.zero_label == _zero_label_after(series, step.index, label)), 2, i] = 1.0
        sds.append(STEP_SD[part] * np.sqrt(step.weight[part]))
    return independent(name, state, direct, np.zeros(len(columns)), np.array(sds))


def _zero_label_after(series: Series, index: int, label: str) -> str:
    """Return the label of the first reading from `index` on that shares a zero: a step of it shows there."""
    if label:
        return str(label)
    later = [str(name) for name in series.zero_label[index:] if name]
    return later[0] if later else "\0"


def part_columns(step: Step) -> list[tuple[str, int]]:
    """Return (part, component) of each column of `step_cause`, component -1 for the zero."""
    parts = [part for part in STEP_SD if step.weight.get(part, 0.0) > 0.0]
    return [(part, component) for part in parts for component in (COLUMNS_OF[part] or (-1,))]
