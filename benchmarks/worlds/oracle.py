"""The best that any method could do: least squares that is told the steps and the scales of all that moves.

One linear system over all readings.  It is told when each step was and of what, which solves are wild, the
noise of mount, solves and level, and the covariance by which every movement was drawn; not their sizes.
Linear about the truth, so that it is exact to first order in its own error.  The rows are those of the
sign table in DEVELOPERS.md, worked out here again.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from course import CHANNELS, Floats
from geometry import ideal_axes
from logs import CLAMP_NOISE, Levels, Taken
from sizes import CONE_SD, DROOP_SD, NONPERPENDICULAR_SD, SENSOR_NOISE, SIDE_OFFSET_SD
from worlds import World

#: What is not known at all [arcsec].
WIDE = 2000.0
#: Size of a step whose place and part are known [arcsec].
STEP_SD = 120.0
#: Constants of the instrument: cone, non-perpendicularity, offset between the tube's sides, droop.
CONSTANTS = (CONE_SD, NONPERPENDICULAR_SD, SIDE_OFFSET_SD, DROOP_SD)
STATES = CHANNELS[:4]


def read_oracle(folder: Path) -> tuple[Taken, Levels]:
    """Read what was put aside for the oracle."""
    with np.load(folder / "oracle.npz") as kept:
        taken = Taken(*(kept[f"taken_{name}"] for name in Taken.__dataclass_fields__))
        levels = Levels(*(kept[f"levels_{name}"] for name in Levels.__dataclass_fields__))
    return taken, levels


def rows_of(world: World, taken: Taken) -> tuple[Floats, Floats, Floats]:
    """Return by how much mechanical minus solved grows with each unknown, in hour angle and declination.

    (n, 2, 4) for tilt north and east, mount azimuth and altitude; (n, 2, 4) for the constants; (n, 2, 2)
    for the zeros.
    """
    site, phi = world.site, world.site.phi
    own = taken.enu @ ideal_axes(site).T
    hour, sin_d = np.arctan2(own[:, 1], own[:, 0]), own[:, 2]
    cos_d, one, none = np.hypot(own[:, 0], own[:, 1]), np.ones(own.shape[0]), np.zeros(own.shape[0])
    alt_h, alt_d = sin_d * np.sin(hour), np.cos(hour)
    az_h, az_d = sin_d * np.cos(hour), -np.sin(hour)
    by_alt = site.sign * np.stack([alt_h, alt_d], axis=1)
    by_az = np.cos(phi) * np.stack([az_h, az_d], axis=1)
    by_zero = np.stack([cos_d, none], axis=1)
    state = np.stack(
        [
            -site.sign * by_alt,
            np.tan(phi) * by_az + np.cos(phi) * by_zero,
            by_az - np.sin(phi) * by_zero,
            by_alt,
        ],
        axis=2,
    )
    west = ideal_axes(site).T @ np.stack([-np.sin(hour), np.cos(hour), none])
    north = ideal_axes(site).T @ np.stack([-sin_d * np.cos(hour), -sin_d * np.sin(hour), cos_d])
    constants = np.stack(
        [
            np.stack([taken.side, none], axis=1),
            np.stack([taken.side * sin_d, none], axis=1),
            np.stack([none, taken.side], axis=1),
            np.stack([west[2], north[2]], axis=1),
        ],
        axis=2,
    )
    zeros = np.stack([by_zero, np.stack([none, one], axis=1)], axis=2)
    return state, constants, zeros


def covariance(world: World, channel: str, day: Floats) -> Floats:
    """Return the prior covariance of a channel at moments."""
    course = world.course
    out = np.zeros((day.size, day.size))
    for prior in course.priors:
        if channel in prior.channels:
            out += prior.covariance(course.grid, day)
    for step in course.steps:
        if channel in step.sizes:
            shape = step.shape(day)
            out += STEP_SD**2 * np.outer(shape, shape)
    return out


def oracle_error(world: World, folder: Path) -> tuple[Floats, Floats]:
    """Return moments of nights, and the oracle's error of the change since the first (n, 4) [arcsec]."""
    taken, levels = read_oracle(folder)
    good = ~taken.wild
    number, first = np.unique(taken.night[good], return_index=True)
    nights = number.size
    day_of_night = np.array([taken.day[good][taken.night[good] == k].mean() for k in number])
    day = np.concatenate([day_of_night, levels.day])
    states = 4 * day.size
    constants = slice(states, states + 4)
    kept = world.zero == "kept"
    # A kept zero: one unknown that moves by its own covariance (a value a night), repeated with scatter.
    start_zero = states + 4
    zero_states = nights if kept else 0
    start_bias = start_zero + zero_states
    unknowns = start_bias + (2 * levels.day.size if levels.day.size else 0)
    info, target = np.zeros((unknowns, unknowns)), np.zeros(unknowns)
    state_rows, constant_rows, zero_rows = rows_of(world, taken)
    for k, name in enumerate(number):
        rows = np.flatnonzero(good & (taken.night == name))
        columns, design, residual, sd = _night(
            world, taken, rows, k, state_rows, constant_rows, zero_rows, constants, start_zero
        )
        weighted = design / sd[:, None]
        seen, wanted = weighted[:, : columns.size], residual / sd
        nuisance = weighted[:, columns.size :]
        lam = seen.T @ seen
        right = seen.T @ wanted
        if nuisance.shape[1]:
            own = nuisance.T @ nuisance + np.diag(_nuisance_precision(world, taken, rows, nuisance.shape[1]))
            cross = nuisance.T @ seen
            lam -= cross.T @ np.linalg.solve(own, cross)
            right -= cross.T @ np.linalg.solve(own, nuisance.T @ wanted)
        info[np.ix_(columns, columns)] += lam
        target[columns] += right
    if levels.day.size:
        sd_level = SENSOR_NOISE if world.habits.sensor_every_minutes else world.habits.level_sd
        for j in range(levels.day.size):
            for axis in (0, 1):
                columns = np.array([4 * (nights + j) + axis, start_bias + axis * levels.day.size + j])
                info[np.ix_(columns, columns)] += 1.0 / sd_level**2
                target[columns] += levels.noise[j, axis] / sd_level**2
    prior = _prior(world, day, day_of_night, levels, constants, start_zero, start_bias, unknowns)
    found = prior @ np.linalg.solve(np.eye(unknowns) + info @ prior, target)
    error = found[: 4 * nights].reshape(nights, 4)
    return day_of_night, error - error[0]


def _night(
    world: World,
    taken: Taken,
    rows: np.ndarray,
    k: int,
    state_rows: Floats,
    constant_rows: Floats,
    zero_rows: Floats,
    constants: slice,
    start_zero: int,
) -> tuple[np.ndarray, Floats, Floats, Floats]:
    """Return a night's columns, its design (nuisances last), residuals and their sds."""
    columns = np.concatenate([4 * k + np.arange(4), np.arange(constants.start, constants.stop)])
    known = np.concatenate([state_rows[rows], constant_rows[rows]], axis=2)
    if taken.kind[rows[0]] == 1:  # a sweep: declinations only, and where the clamp stands
        sd = np.full(rows.size, np.hypot(world.solve_noise, CLAMP_NOISE))
        return (
            columns,
            np.column_stack([known[:, 1], np.ones(rows.size)]),
            taken.noise[rows, 1],
            sd,
        )
    session = taken.session[rows]
    labels = np.unique(session)
    free = np.concatenate([zero_rows[rows] * (session == label)[:, None, None] for label in labels], axis=2)
    if world.zero == "kept":
        columns = np.append(columns, start_zero + k)
        known = np.concatenate([known, zero_rows[rows][:, :, :1]], axis=2)
    if world.mirror:
        for lie in np.unique(taken.lie[rows]):
            at = (taken.lie[rows] == lie).astype(float)
            free = np.concatenate([free, at[:, None, None] * np.eye(2)], axis=2)
    design = np.concatenate([known, free], axis=2).reshape(2 * rows.size, -1)
    sd = np.full(2 * rows.size, np.hypot(world.mount_noise, world.solve_noise))
    return columns, design, taken.noise[rows].reshape(-1), sd


def _nuisance_precision(world: World, taken: Taken, rows: np.ndarray, count: int) -> Floats:
    """Return the prior precision of a night's own zeros, and of how its mirror lies."""
    if taken.kind[rows[0]] == 1:
        return np.full(count, WIDE**-2)
    out = np.full(count, world.zero_repeats**-2 if world.zero == "kept" else WIDE**-2)
    if world.mirror:
        zeros = 2 * np.unique(taken.session[rows]).size
        out[zeros:] = (world.mirror / np.sqrt(2.0)) ** -2
    return out


def _prior(
    world: World,
    day: Floats,
    day_of_night: Floats,
    levels: Levels,
    constants: slice,
    start_zero: int,
    start_bias: int,
    unknowns: int,
) -> Floats:
    prior = np.zeros((unknowns, unknowns))
    for axis, channel in enumerate(STATES):
        index = 4 * np.arange(day.size) + axis
        prior[np.ix_(index, index)] = covariance(world, channel, day)
        if axis > 1:  # where the axis stood at the start; the tilt counts from what the mount was set to
            prior[np.ix_(index, index)] += WIDE**2
    prior[constants, constants] = np.diag(np.square(CONSTANTS))
    if world.zero == "kept":
        index = start_zero + np.arange(day_of_night.size)
        prior[np.ix_(index, index)] = covariance(world, "zero", day_of_night) + WIDE**2
    for axis, to in enumerate(("north", "east")):
        index = start_bias + axis * levels.day.size + np.arange(levels.day.size)
        prior[np.ix_(index, index)] = covariance(world, f"level_{to}", levels.day) + WIDE**2
    return prior
