"""Sweeps and unguided runs of the invented observatory."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import ARCSEC, direction, hour_angle_dec, pointing
from drift.demo.motion import Motion
from drift.demo.pointing import PLACE_DECIMALS
from drift.demo.scenario import Scenario
from drift.demo.sessions import HOUR_US, PAST_MERIDIAN_H, Evening, random_targets, usable
from drift.demo.sky import Overhead, misled, shaken
from drift.demo.weather import stream

if TYPE_CHECKING:
    import pandas as pd


# ---- Sweeps: the declination axis is clamped and the tube swung through several hour angles.


Floats = npt.NDArray[np.float64]
PAUSE_US = HOUR_US // 12  # between pointing and sweep
STEP_US = HOUR_US // 50  # between two solves of a sweep
LEAST_SPAN_H = 2.5
MOST_TRIES = 400


@dataclass(frozen=True)
class SweepLog:
    """All sweep solves, (n,)."""

    table: pd.DataFrame = field(repr=False)  # as drift.types, without row_id
    night: npt.NDArray[np.int64] = field(repr=False)
    wrong: npt.NDArray[np.bool_] = field(repr=False)


@dataclass(frozen=True)
class _Sweep:
    label: str
    evening: Evening
    time_us: npt.NDArray[np.int64]
    axis_ha: Floats
    axis_dec: Floats
    side: Floats


def _free_arc(scenario: Scenario, dec: float, side: float) -> Floats:
    """Return the usable hour angles [rad], a fine row, of one tube side at one declination."""
    first, last = sorted((-PAST_MERIDIAN_H * side, scenario.hour_angle_limit_h * side))
    hour_angle = np.radians(15.0 * np.linspace(first, last, 121))
    enu = direction(hour_angle, np.full(121, dec), scenario.latitude_deg)
    good = usable(scenario, hour_angle, np.full(121, dec), enu)
    runs = np.split(np.arange(121), np.flatnonzero(np.diff(good.astype(int))) + 1)
    longest = max((run for run in runs if good[run[0]]), key=len, default=np.array([], dtype=int))
    return hour_angle[longest]


def _arc(scenario: Scenario, rng: np.random.Generator, side: float) -> tuple[float, Floats]:
    """Draw a declination with a long enough free arc on that tube side, and the arc."""
    best = (0.0, np.array([]))
    for _ in range(MOST_TRIES):
        dec = float(np.arcsin(rng.uniform(-0.95, 0.95)))
        arc = _free_arc(scenario, dec, side)
        if len(arc) and np.ptp(arc) >= np.radians(15.0 * LEAST_SPAN_H):
            return dec, arc
        best = (dec, arc) if len(arc) > len(best[1]) else best
    return best


def _plan(scenario: Scenario, evening: Evening) -> list[_Sweep]:
    rng = stream(scenario.seed, "sweep", evening.day)
    start = evening.start_us
    if "pointing" in evening.kinds:
        start += int(evening.hours * HOUR_US) + PAUSE_US
    side = 1.0 if rng.random() < 0.5 else -1.0
    count, night = scenario.solves_a_sweep, str(np.datetime64(evening.day, "D"))
    plans = []
    for number in range(scenario.sweeps_a_night):
        dec, arc = _arc(scenario, rng, side)
        if len(arc) >= 2:
            hour_angle = np.linspace(arc[0], arc[-1], count)
            time_us = start + STEP_US * np.arange(count) + rng.integers(0, STEP_US // 4, count)
            label = f"{night}-{'abcdefgh'[number % 8]}"
            clamped, sides = np.full(count, dec), np.full(count, side)
            plans.append(_Sweep(label, evening, time_us // 1000 * 1000, hour_angle, clamped, sides))
        start += STEP_US * count + PAUSE_US
        side = -side
    return plans


def log_sweeps(course: Motion, evenings: tuple[Evening, ...]) -> SweepLog:
    """Make every sweep of the history; the solves need no mount coordinates."""
    import pandas as pd

    from drift.types import empty_table

    scenario = course.scenario
    plans = [p for evening in evenings if "sweep" in evening.kinds for p in _plan(scenario, evening)]
    if not plans:
        none = np.array([], dtype=np.int64)
        return SweepLog(empty_table("sweeps").drop(columns="row_id"), none, none.astype(bool))
    count = scenario.solves_a_sweep
    rng = stream(scenario.seed, "sweep noise")
    time_us = np.concatenate([p.time_us for p in plans])
    axis_ha, axis_dec = (np.concatenate([getattr(p, n) for p in plans]) for n in ("axis_ha", "axis_dec"))
    side = np.concatenate([p.side for p in plans])
    constants, setting = course.constants(time_us), course.setting(time_us)
    tube = pointing(axis_ha, axis_dec, side, constants, setting, scenario.latitude_deg)
    tube = shaken(rng, shaken(rng, tube, scenario.sweep_noise), scenario.solve_noise)
    tube, wrong = misled(rng, tube, scenario.wrong_solve_chance, scenario.wrong_solve_deg)
    temp_c = np.repeat([p.evening.temp_c for p in plans], count)
    pressure = np.repeat([p.evening.pressure_hpa for p in plans], count)
    ra, dec = Overhead(scenario.site, time_us, temp_c, pressure).icrs_of(tube)
    table = pd.DataFrame(
        {
            "time_us": time_us,
            "ra_deg": np.round(np.degrees(ra), PLACE_DECIMALS),
            "dec_deg": np.round(np.degrees(dec), PLACE_DECIMALS),
            "sweep": np.repeat(np.array([p.label for p in plans], dtype=object), count),
            "temp_c": temp_c if scenario.air_logged else np.nan,
            "pressure_hpa": pressure if scenario.air_logged else np.nan,
        }
    )
    return SweepLog(table, np.repeat([p.evening.day for p in plans], count).astype(np.int64), wrong)


# ---- Unguided runs: how one star wanders from where the tracking mount left it.

# Earth rotation angle per UT1 second [rad]: IAU 2000 resolution B1.8 (1.00273781191135448 turns a day).
SIDEREAL_RAD_PER_S = 2 * np.pi * 1.00273781191135448 / 86400.0
WORM_PERIOD_S = 480.0
WORM_ARCSEC = 4.0
FARTHEST_DEC_DEG = 60.0  # nearer the pole a star shows little of the right-ascension part
WAIT_US = HOUR_US // 2  # after pointing or sweep


@dataclass(frozen=True)
class RunLog:
    """All rows of unguided runs, (n,)."""

    table: pd.DataFrame = field(repr=False)  # as drift.types, without row_id
    night: npt.NDArray[np.int64] = field(repr=False)


def _star(scenario: Scenario, rng: np.random.Generator) -> tuple[float, float, float]:
    """Draw hour angle, declination [rad] and tube side of a star that stays free for the whole run."""
    moved = np.radians(15.0 * scenario.run_min / 60.0)
    hour_angle, dec, side = random_targets(scenario, rng, 200, None)
    later = direction(hour_angle + moved, dec, scenario.latitude_deg)
    good = usable(scenario, hour_angle + moved, dec, later) & (np.abs(dec) < np.radians(FARTHEST_DEC_DEG))
    first = int(np.argmax(good))
    return float(hour_angle[first]), float(dec[first]), float(side[first])


def _offsets(
    course: Motion, evening: Evening, time_us: npt.NDArray[np.int64], star: tuple[float, float, float]
) -> tuple[tuple[float, float], Floats, Floats]:
    """Return the star's ICRS place [rad] and its offsets against the mount, north and east [arcsec]."""
    scenario = course.scenario
    seconds = (time_us - time_us[0]) / 1e6
    hour_angle = star[0] + SIDEREAL_RAD_PER_S * seconds
    fixed = np.ones_like(hour_angle)
    tube = pointing(
        hour_angle,
        star[1] * fixed,
        star[2] * fixed,
        course.constants(time_us),
        course.setting(time_us),
        scenario.latitude_deg,
    )
    overhead = Overhead(scenario.site, time_us, evening.temp_c * fixed, evening.pressure_hpa * fixed)
    ra, dec = (float(place[0]) for place in overhead.icrs_of(tube))
    star_ha, star_dec = hour_angle_dec(overhead.enu_of(ra * fixed, dec * fixed), scenario.latitude_deg)
    tube_ha, tube_dec = hour_angle_dec(tube, scenario.latitude_deg)
    west = (np.remainder(star_ha - tube_ha + np.pi, 2 * np.pi) - np.pi) * np.cos(tube_dec)
    return (ra, dec), (star_dec - tube_dec) / ARCSEC, -west / ARCSEC


def _run(course: Motion, evening: Evening) -> pd.DataFrame:
    import pandas as pd

    scenario = course.scenario
    rng = stream(scenario.seed, "run", evening.day)
    busy = len(set(evening.kinds) & {"pointing", "sweep"})
    start = evening.start_us + busy * (int(evening.hours * HOUR_US / 2) + WAIT_US)
    seconds = np.linspace(0.0, 60.0 * scenario.run_min, scenario.solves_a_run)
    time_us = (start + 1e6 * seconds).astype(np.int64) // 1000 * 1000
    (ra, dec), north, east = _offsets(course, evening, time_us, _star(scenario, rng))
    seeing = rng.normal(0.0, scenario.run_noise, (2, len(seconds)))
    worm = WORM_ARCSEC * np.sin(2 * np.pi * (seconds / WORM_PERIOD_S + rng.random()))
    return pd.DataFrame(
        {
            "time_us": time_us,
            "ra_deg": round(float(np.degrees(ra)), PLACE_DECIMALS),
            "dec_deg": round(float(np.degrees(dec)), PLACE_DECIMALS),
            "run": str(np.datetime64(evening.day, "D")),
            "dec_offset_arcsec": np.round(north + seeing[0], 2),
            "ra_offset_arcsec": np.round(east + seeing[1] + worm - worm[0], 2),
        }
    )


def log_runs(course: Motion, evenings: tuple[Evening, ...]) -> RunLog:
    """Make every unguided run of the history."""
    import pandas as pd

    from drift.types import empty_table

    used = [evening for evening in evenings if "run" in evening.kinds]
    if not used:
        return RunLog(empty_table("runs").drop(columns="row_id"), np.array([], dtype=np.int64))
    table = pd.concat([_run(course, evening) for evening in used], ignore_index=True)
    nights = np.repeat([evening.day for evening in used], course.scenario.solves_a_run)
    return RunLog(table, nights.astype(np.int64))
