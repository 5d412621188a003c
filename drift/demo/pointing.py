"""Nights of pointing solves: what the mount says and where a plate solve finds it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import ARCSEC, Constants, hour_angle_dec, pointing
from drift.demo.motion import Motion
from drift.demo.sessions import Evening, Session, plan_session
from drift.demo.sky import Overhead, misled, shaken
from drift.demo.weather import stream

if TYPE_CHECKING:
    import pandas as pd


Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]
PLACE_DECIMALS = 6  # of a degree: 0.004 arcsec
EXPOSURE_S = 20.0


@dataclass(frozen=True)
class PointingLog:
    """All pointing solves and what is true of each, (n,)."""

    table: pd.DataFrame = field(repr=False)  # as drift.types, without row_id
    night: Times = field(repr=False)  # local date of the night, days since 1970
    zero: Floats = field(repr=False)  # true hour-angle zero with which each was read [arcsec]
    carries_kept_zero: npt.NDArray[np.bool_] = field(repr=False)
    wrong: npt.NDArray[np.bool_] = field(repr=False)


class _Sessions:
    """All sessions laid end to end."""

    def __init__(self, sessions: list[Session]) -> None:
        self.sessions = sessions
        self.lengths = [len(session.time_us) for session in sessions]

    def joined(self, value: Callable[[Session], npt.NDArray]) -> npt.NDArray:
        """Lay (m,) arrays of the sessions end to end."""
        return np.concatenate([value(session) for session in self.sessions])

    def repeated(self, value: Callable[[Session], float]) -> Floats:
        """Repeat one value a session for each of its solves."""
        return np.repeat([float(value(session)) for session in self.sessions], self.lengths)

    def zeros(self, seen_ha: Floats, seen_dec: Floats) -> Floats:
        """Return the zeros of every solve (n, 2) [arcsec]."""
        ends = np.cumsum(self.lengths)
        spans = [slice(end - length, end) for end, length in zip(ends, self.lengths, strict=True)]
        parts = [s.zeros(seen_ha[at], seen_dec[at]) for s, at in zip(self.sessions, spans, strict=True)]
        return np.concatenate(parts)


def _constants(course: Motion, laid: _Sessions, time_us: Times) -> Constants:
    own = course.constants(time_us)
    return Constants(
        own.cone_error_arcsec + laid.repeated(lambda s: s.mirror[0]),
        own.axis_nonperpendicularity_arcsec,
        own.declination_offset_arcsec + laid.repeated(lambda s: s.mirror[1]),
        own.droop_arcsec,
    )


def _taken_out(course: Motion, time_us: Times, ha: Floats, dec: Floats) -> tuple[Floats, Floats]:
    """Return what a multi-star model inside the mount takes off its readings [rad], to first order."""
    scenario = course.scenario
    az_error, alt_error = course.axis(time_us)
    elevated = 1.0 if scenario.latitude_deg >= 0 else -1.0
    up = elevated * alt_error * ARCSEC * scenario.modelled_fraction
    east = az_error * np.cos(np.radians(scenario.latitude_deg)) * ARCSEC * scenario.modelled_fraction
    return np.tan(dec) * (up * np.sin(ha) + east * np.cos(ha)), up * np.cos(ha) - east * np.sin(ha)


def _table(course: Motion, laid: _Sessions, places: dict[str, Floats]) -> pd.DataFrame:
    import pandas as pd

    scenario = course.scenario
    side = laid.joined(lambda s: s.side)
    nothing = np.full(len(side), np.nan)
    return pd.DataFrame(
        {
            "time_us": laid.joined(lambda s: s.time_us),
            **{name: np.round(np.degrees(place), PLACE_DECIMALS) for name, place in places.items()},
            "tube_side": np.where(side > 0, "east", "west") if scenario.tube_side_logged else "",
            "session": laid.joined(lambda s: np.array(s.labels(scenario), dtype=object)),
            "before_sync": laid.joined(lambda s: s.before_sync(scenario)),
            "temp_c": laid.repeated(lambda s: s.evening.temp_c) if scenario.air_logged else nothing,
            "pressure_hpa": laid.repeated(lambda s: s.evening.pressure_hpa)
            if scenario.air_logged
            else nothing,
            "exposure_s": EXPOSURE_S,
            "pa_deg": nothing,
            "sweep": "",
            "run": "",
        }
    )


def _no_solves() -> PointingLog:
    from drift.types import empty_table

    none = np.array([], dtype=float)
    table = empty_table("solves").drop(columns="row_id")
    return PointingLog(table, none.astype(np.int64), none, none.astype(bool), none.astype(bool))


def log_pointing(course: Motion, evenings: tuple[Evening, ...]) -> PointingLog:
    """Make every pointing solve of the history."""
    sessions = [plan_session(course, evening) for evening in evenings if "pointing" in evening.kinds]
    if not sessions:
        return _no_solves()
    scenario, laid = course.scenario, _Sessions(sessions)
    rng = stream(scenario.seed, "pointing noise")
    time_us, side = laid.joined(lambda s: s.time_us), laid.joined(lambda s: s.side)
    axis_ha, axis_dec = laid.joined(lambda s: s.axis_ha), laid.joined(lambda s: s.axis_dec)
    constants, setting = _constants(course, laid, time_us), course.setting(time_us)
    tube = pointing(axis_ha, axis_dec, side, constants, setting, scenario.latitude_deg)
    tube = shaken(rng, tube, scenario.mount_noise)
    zeros = laid.zeros(*hour_angle_dec(tube, scenario.latitude_deg))
    solved = shaken(rng, tube, scenario.solve_noise)
    solved, wrong = misled(rng, solved, scenario.wrong_solve_chance, scenario.wrong_solve_deg)

    overhead = Overhead(
        scenario.site,
        time_us,
        laid.repeated(lambda s: s.evening.temp_c),
        laid.repeated(lambda s: s.evening.pressure_hpa),
    )
    ra, dec = overhead.icrs_of(solved)
    taken_ha, taken_dec = _taken_out(course, time_us, axis_ha, axis_dec)
    mount_ha = axis_ha + zeros[:, 0] * ARCSEC - taken_ha
    places = {
        "ra_deg": ra,
        "dec_deg": dec,
        "mount_ra_deg": np.mod(overhead.last_rad - mount_ha, 2 * np.pi),
        "mount_dec_deg": axis_dec + zeros[:, 1] * ARCSEC - taken_dec,
    }
    logged = laid.joined(lambda s: s.logged)
    return PointingLog(
        table=_table(course, laid, places)[logged].reset_index(drop=True),
        night=laid.repeated(lambda s: s.evening.day).astype(np.int64)[logged],
        zero=(zeros[:, 0] + course.roll(time_us))[logged],
        carries_kept_zero=laid.joined(lambda s: s.carries_kept_zero)[logged],
        wrong=wrong[logged],
    )
