"""Unguided runs: how one star wanders from where the tracking mount left it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.demo.chance import stream
from drift.demo.course import Course
from drift.demo.evenings import HOUR_US, Evening
from drift.demo.instrument import ARCSEC, direction, hour_angle_dec, pointing
from drift.demo.place import Overhead
from drift.demo.pointing import PLACE_DECIMALS
from drift.demo.scenario import Scenario
from drift.demo.targets import random_targets, usable

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
# Earth rotation angle per UT1 second [rad]: IAU 2000 resolution B1.8 (1.00273781191135448 turns a day).
SIDEREAL_RAD_PER_S = 2 * np.pi * 1.00273781191135448 / 86400.0
WORM_PERIOD_S = 480.0
WORM_ARCSEC = 4.0
FARTHEST_DEC_DEG = 60.0  # nearer the pole a star shows little of the right-ascension part
WAIT_US = HOUR_US // 2  # after pointing or sweep


@dataclass(frozen=True)
class RunLog:
    """All rows of unguided runs, (n,)."""

    table: pd.DataFrame = field(repr=False)  # as drift.readings, without row_id
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
    course: Course, evening: Evening, time_us: npt.NDArray[np.int64], star: tuple[float, float, float]
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


def _run(course: Course, evening: Evening) -> pd.DataFrame:
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


def log_runs(course: Course, evenings: tuple[Evening, ...]) -> RunLog:
    """Make every unguided run of the history."""
    import pandas as pd

    from drift.readings import empty_table

    used = [evening for evening in evenings if "run" in evening.kinds]
    if not used:
        return RunLog(empty_table("runs").drop(columns="row_id"), np.array([], dtype=np.int64))
    table = pd.concat([_run(course, evening) for evening in used], ignore_index=True)
    nights = np.repeat([evening.day for evening in used], course.scenario.solves_a_run)
    return RunLog(table, nights.astype(np.int64))
