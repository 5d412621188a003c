"""Sudden changes of pier or mount: corrections that were recorded, and steps that nobody wrote down."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from drift.codes import CauseKind, CorrectionKind, Part, Rotation
from drift.history.causes import (
    MOUNT_ALT,
    MOUNT_AZ,
    PLATE_EAST,
    PLATE_NORTH,
    TILT_EAST,
    TILT_NORTH,
    Cause,
    blank,
    independent,
)
from drift.history.series import Series
from drift.quantities import DAY_US, Floats

# ---- Recorded corrections: steps of known time and place, their asked amount as a prior.


#: The kinds that turn one adjuster of the mount by an amount [arcmin].
KNOBS = (CorrectionKind.AZIMUTH, CorrectionKind.ALTITUDE)
#: How far off a correction may be: a share of what was asked, and at least this much [arcsec].  Common
#: practice: knobs have slack, and their arcminutes per turn are known to a few tenths.
SHARE_SD = 0.3
LEAST_SD = 30.0
#: An unknown amount [arcsec]: re-aligned; tightened; worked on.
UNKNOWN_SD = {
    CorrectionKind.AZIMUTH: 3600.0,
    CorrectionKind.ALTITUDE: 3600.0,
    CorrectionKind.SHIM: 600.0,
    CorrectionKind.NUTS: 600.0,
    CorrectionKind.PIER: 600.0,
}
TIGHTEN_SD = 30.0
#: A correction that was written down wrongly (sign, date) may be up to about this many times itself.
LOOSE_FACTOR = 2.0
REMOUNT_SD = 7200.0
#: Components that each kind moves.
MOVES = {
    CorrectionKind.AZIMUTH: (MOUNT_AZ,),
    CorrectionKind.ALTITUDE: (MOUNT_ALT,),
    CorrectionKind.SHIM: (PLATE_NORTH, PLATE_EAST),
    CorrectionKind.NUTS: (PLATE_NORTH, PLATE_EAST),
    CorrectionKind.TIGHTEN: (MOUNT_AZ, MOUNT_ALT),
    CorrectionKind.SERVICE: (),
    CorrectionKind.REMOUNT: (MOUNT_AZ, MOUNT_ALT),
    CorrectionKind.ZERO: (),
    CorrectionKind.PIER: (TILT_NORTH, TILT_EAST),
    CorrectionKind.CRACK: (),
}


@dataclass(frozen=True)
class RecordedCorrection:
    """One recorded correction, all its bolts together.

    `asked` has one number a component that it moves [arcsec]; NaN when unknown.
    """

    time_us: int
    kind: CorrectionKind
    asked: tuple[float, ...]
    note: str
    turns: float | None = None  # of a knob, where they were written down
    knob_way: Rotation | None = None  # in which the knob was turned, where that was written down
    number: int = 0  # distinguishes corrections of one kind and time
    done_us: int | None = None  # when it was really made, where the recorded date seems wrong

    @property
    def name(self) -> str:
        """The name of its cause; no other correction has it."""
        return f"correction_{self.time_us}_{self.kind}_{self.number}"


@dataclass(frozen=True)
class Plate:
    """What is needed to turn shims and nuts into a tilt; None where the site file doesn't say."""

    bolt_bearings_deg: tuple[float, ...] | None
    bolt_circle_mm: float | None
    pitch_mm: float | None


def read_corrections(table: pd.DataFrame, plate: Plate) -> list[RecordedCorrection]:
    """Group the rows of the table into corrections; shim and nut rows of one time belong together."""
    out = []
    for (time_us, word), rows in table.groupby(["time_us", "kind"], sort=True):
        kind = CorrectionKind(str(word))
        note = "; ".join(str(n) for n in rows["note"] if n)
        if kind in (CorrectionKind.SHIM, CorrectionKind.NUTS):
            asked: tuple[float, ...] = _tilt(kind, rows, plate)
            out.append(RecordedCorrection(int(time_us), kind, asked, note))
            continue
        amounts, turns = (rows[name].to_numpy(dtype=float) for name in ("amount_arcmin", "turns"))
        directions = rows["knob_way"]
        for number, (amount, turned, direction) in enumerate(zip(amounts, turns, directions, strict=True)):
            asked = (float(amount) * 60.0,) if kind in KNOBS else (np.nan,) * len(MOVES[kind])
            by_turns = float(turned) if np.isfinite(turned) else None
            knob_way = Rotation(direction) if direction else None
            out.append(RecordedCorrection(int(time_us), kind, asked, note, by_turns, knob_way, number))
    return out


def _tilt(kind: CorrectionKind, rows: pd.DataFrame, plate: Plate) -> tuple[float, float]:
    """Return the tilt (north, east) [arcsec] of a plate lifted at some bolts; NaN when it isn't described."""
    if plate.bolt_bearings_deg is None or plate.bolt_circle_mm is None:
        return (np.nan, np.nan)
    from drift.mount.plate import tilt_from_bolts

    lift = rows["thickness_mm"] if kind is CorrectionKind.SHIM else rows["turns"] * (plate.pitch_mm or np.nan)
    heights = np.zeros(len(plate.bolt_bearings_deg))
    bearings = np.asarray(plate.bolt_bearings_deg)
    for bearing, height in zip(rows["bearing_deg"], lift, strict=True):
        apart = np.abs((bearings - bearing + 180.0) % 360.0 - 180.0)
        heights[int(np.argmin(apart))] += height
    north, east = tilt_from_bolts(plate.bolt_bearings_deg, plate.bolt_circle_mm, heights.tolist())[:2]
    return (float(north), float(east))


def correction_cause(series: Series, correction: RecordedCorrection) -> Cause:
    """Return the columns of one correction: a step from its time on in what it moves."""
    components = MOVES[correction.kind]
    state, direct = blank(series.size, len(components))
    later = series.time_us >= (correction.time_us if correction.done_us is None else correction.done_us)
    if later[0]:  # before the reference: it moved nothing that matters here
        later = np.zeros_like(later)
    for i, component in enumerate(components):
        state[later, component, i] = 1.0
    asked = np.asarray(correction.asked, dtype=float)
    mean = np.where(np.isfinite(asked), asked, 0.0)
    cause = independent(
        correction.name, state, direct, mean, _sd(correction, asked), kind=CauseKind.CORRECTION
    )
    cause = replace(cause, time_us=correction.time_us, correction=correction.kind)
    if asked.size and np.all(np.isfinite(asked)):
        return replace(cause, loose_sd=LOOSE_FACTOR * max(float(np.linalg.norm(asked)), LEAST_SD))
    return cause


def _sd(correction: RecordedCorrection, asked: np.ndarray) -> np.ndarray:
    if correction.kind is CorrectionKind.TIGHTEN:
        return np.full(asked.size, TIGHTEN_SD)
    if correction.kind is CorrectionKind.REMOUNT:
        return np.full(asked.size, REMOUNT_SD)
    size = float(np.linalg.norm(asked)) if asked.size else 0.0
    known = np.full(asked.size, np.hypot(SHARE_SD * size, LEAST_SD))
    return np.where(np.isfinite(asked), known, UNKNOWN_SD.get(correction.kind, 600.0))


# ---- Unrecorded steps: of the pier, of one knob, of the hour-angle zero.


#: Prior standard deviation of a step [arcsec] of each part.  Common practice: knobs and bolts slip by
#: one to some arcminutes, piers bump by less, a lost zero is anything up to some arcminutes.
STEP_SD = {
    Part.PIER: 100.0,
    Part.MOUNT_AZ: 150.0,
    Part.MOUNT_ALT: 150.0,
    Part.MOUNT: 150.0,
    Part.ZERO: 600.0,
}
#: Prior number of unrecorded steps a year of each part: common practice, weakly held; half as often as a knob
#: slips its owner turns both, or takes the mount off, and doesn't write it down.
STEPS_PER_YEAR = {
    Part.PIER: 0.15,
    Part.MOUNT_AZ: 0.2,
    Part.MOUNT_ALT: 0.2,
    Part.MOUNT: 0.1,
    Part.ZERO: 0.2,
}
#: Components that a step moves; -1 for the hour-angle zero.
COLUMNS_OF = {
    Part.PIER: (TILT_NORTH, TILT_EAST),
    Part.MOUNT_AZ: (MOUNT_AZ,),
    Part.MOUNT_ALT: (MOUNT_ALT,),
    Part.MOUNT: (MOUNT_AZ, MOUNT_ALT, -1),
    Part.ZERO: (),
}


@dataclass(frozen=True)
class Step:
    """A step before reading `index`, with the weight of each part that may have moved."""

    index: int
    weight: dict[Part, float]


def step_name(number: int) -> str:
    """Return the name of the cause of a step by its place in the list of steps."""
    return f"step_{number}"


def step_cause(series: Series, step: Step, name: str) -> Cause:
    """Return the columns of a step: each part that may have moved, with its weight."""
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
        size = STEP_SD[part if component >= 0 else Part.ZERO]
        sds.append(size * np.sqrt(step.weight[part]))
    return independent(name, state, direct, np.zeros(len(columns)), np.array(sds), kind=CauseKind.STEP)


def _zero_label_after(series: Series, index: int, label: str) -> str:
    """Return the label of the first reading from `index` on that shares a zero: a step of it shows there."""
    if label:
        return str(label)
    later = [str(name) for name in series.zero_label[index:] if name]
    return later[0] if later else "\0"


def part_columns(step: Step) -> list[tuple[Part, int]]:
    """Return (part, component) of each column of `step_cause`, component -1 for the zero."""
    parts = [part for part in STEP_SD if step.weight.get(part, 0.0) > 0.0]
    return [(part, component) for part in parts for component in (COLUMNS_OF[part] or (-1,))]


# ---- Steps of a level: it was adjusted, dropped, put back elsewhere, or is another one.


#: By how much a level then reads otherwise, each way [arcsec], and how often a year that happens to one:
#: common practice, weakly held; spots on a rough pier and divisions of a vial differ by tens of arcsec.
LEVEL_STEP_SD, LEVEL_STEPS_PER_YEAR = 100.0, 0.2


@dataclass(frozen=True)
class LevelStep:
    """A level that reads otherwise from a reading on, and nobody wrote down why."""

    place: str
    instrument: int
    index: int  # in the series, its first reading after it
    before: int  # and its last reading before it

    @property
    def name(self) -> str:
        """The name of its cause."""
        return f"level_{self.place}_{self.instrument}_from_{self.index}"


def level_step_cause(series: Series, step: LevelStep) -> Cause:
    """Return the columns of a step of a level: what it shows toward north and toward east."""
    state, direct = blank(series.size, 2)
    own = (series.place == step.place) & (series.instrument == step.instrument)
    later = own & (np.arange(series.size) >= step.index)
    direct[later, 0, 0] = direct[later, 1, 1] = 1.0
    sds = np.full(2, LEVEL_STEP_SD)
    return independent(step.name, state, direct, np.zeros(2), sds, kind=CauseKind.START)


# ---- What follows a step over weeks: the ground comes part of the way back, or a slip creeps on.
#
# Pore water that a shock has pressed away returns within weeks, bolts and joints go on
# creeping (common practice).  A step with what follows it is one event.


#: Time constants [days]: common practice, one to some weeks.
RECOVERY_DAYS = (12.0, 45.0)
#: Prior chance that a step of pier or knob is followed by more: common practice, weakly held.
RECOVERY_CHANCE = 0.2


def recovery_name(number: int) -> str:
    """Return the name of the cause that follows a step, by the step's place in the list of steps."""
    return f"step_{number}_afterwards"


def recovery_shapes(series: Series, index: int) -> Floats:
    """Return how much of each curve is done at each reading, for a step before reading `index`, (n, 2)."""
    days = np.clip((series.time_us - series.time_us[index]) / DAY_US, 0.0, None)
    return np.stack([1.0 - np.exp(-days / tau) for tau in RECOVERY_DAYS], axis=1)


def moved_components(step: Step) -> tuple[tuple[Part, int], ...]:
    """Return the parts and components that may go on moving after a step; a zero does not."""
    return tuple((part, component) for part, component in part_columns(step) if component >= 0)


def recovery_cause(series: Series, step: Step, number: int) -> Cause:
    """Return the columns of what follows a step: each curve in each component that it moved.

    `number` is the step's place in the list of steps.
    """
    moved, curves = moved_components(step), recovery_shapes(series, step.index)
    count = curves.shape[1]
    state, direct = blank(series.size, count * len(moved))
    sds = []
    for i, (part, component) in enumerate(moved):
        state[:, component, count * i : count * (i + 1)] = curves
        sds += [SHARE_SD * STEP_SD[part]] * count
    cause = independent(
        recovery_name(number),
        state,
        direct,
        np.zeros(count * len(moved)),
        np.array(sds),
        kind=CauseKind.RECOVERY,
    )
    return replace(cause, follows=step_name(number))
