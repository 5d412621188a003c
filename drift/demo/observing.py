"""What is observed and written down: pointing solves, sweeps, runs, typed errors, levels, corrections."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import (
    ARCSEC,
    Constants,
    Overhead,
    direction,
    hour_angle_dec,
    misled,
    pointing,
    shaken,
)
from drift.demo.motion import LEAD_IN_DAYS, LOGGED_LEAD_IN_DAYS, Motion, step_us
from drift.demo.scenario import YEAR_DAYS, Scenario, stream
from drift.demo.sessions import (
    HOUR_US,
    PAST_MERIDIAN_H,
    Evening,
    Session,
    plan_session,
    random_targets,
    usable,
)
from drift.types import empty_table

if TYPE_CHECKING:
    import pandas as pd


# ---- Nights of pointing solves: what the mount says and where a plate solve finds it.


Floats = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]
PLACE_DECIMALS = 6  # of a degree: 0.004 arcsec
EXPOSURE_S = 20.0


@dataclass(frozen=True)
class PointingLog:
    """All pointing solves with the truth of each, (n,)."""

    table: pd.DataFrame = field(repr=False)  # as drift.types, without row_id
    night: Times = field(repr=False)  # local date of the night, days since 1970
    zero: Floats = field(repr=False)  # true hour-angle zero with which each was read [arcsec]
    carries_kept_zero: npt.NDArray[np.bool_] = field(repr=False)
    wrong: npt.NDArray[np.bool_] = field(repr=False)


class _Sessions:
    """All sessions end to end."""

    def __init__(self, sessions: list[Session]) -> None:
        self.sessions = sessions
        self.lengths = [len(session.time_us) for session in sessions]

    def joined(self, value: Callable[[Session], npt.NDArray]) -> npt.NDArray:
        """Join (m,) arrays of the sessions."""
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


def _constants(motion: Motion, laid: _Sessions, time_us: Times) -> Constants:
    own = motion.constants(time_us)
    return Constants(
        own.cone_error_arcsec + laid.repeated(lambda s: s.mirror[0]),
        own.axis_nonperpendicularity_arcsec,
        own.declination_offset_arcsec + laid.repeated(lambda s: s.mirror[1]),
        own.droop_arcsec,
    )


def _taken_out(motion: Motion, time_us: Times, ha: Floats, dec: Floats) -> tuple[Floats, Floats]:
    """Return what a multi-star model inside the mount subtracts from its readings [rad], to first order."""
    scenario = motion.scenario
    az_error, alt_error = motion.axis(time_us)
    elevated = 1.0 if scenario.latitude_deg >= 0 else -1.0
    up = elevated * alt_error * ARCSEC * scenario.modelled_fraction
    east = az_error * np.cos(np.radians(scenario.latitude_deg)) * ARCSEC * scenario.modelled_fraction
    return np.tan(dec) * (up * np.sin(ha) + east * np.cos(ha)), up * np.cos(ha) - east * np.sin(ha)


def _table(motion: Motion, laid: _Sessions, places: dict[str, Floats]) -> pd.DataFrame:
    import pandas as pd

    scenario = motion.scenario
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


def log_pointing(motion: Motion, evenings: tuple[Evening, ...]) -> PointingLog:
    """Make every pointing solve of the history."""
    sessions = [plan_session(motion, evening) for evening in evenings if "pointing" in evening.kinds]
    if not sessions:
        return _no_solves()
    scenario, laid = motion.scenario, _Sessions(sessions)
    rng = stream(scenario.seed, "pointing noise")
    time_us, side = laid.joined(lambda s: s.time_us), laid.joined(lambda s: s.side)
    axis_ha, axis_dec = laid.joined(lambda s: s.axis_ha), laid.joined(lambda s: s.axis_dec)
    constants, setting = _constants(motion, laid, time_us), motion.setting(time_us)
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
    taken_ha, taken_dec = _taken_out(motion, time_us, axis_ha, axis_dec)
    mount_ha = axis_ha + zeros[:, 0] * ARCSEC - taken_ha
    places = {
        "ra_deg": ra,
        "dec_deg": dec,
        "mount_ra_deg": np.mod(overhead.last_rad - mount_ha, 2 * np.pi),
        "mount_dec_deg": axis_dec + zeros[:, 1] * ARCSEC - taken_dec,
    }
    logged = laid.joined(lambda s: s.logged)
    return PointingLog(
        table=_table(motion, laid, places)[logged].reset_index(drop=True),
        night=laid.repeated(lambda s: s.evening.day).astype(np.int64)[logged],
        zero=(zeros[:, 0] + motion.roll(time_us))[logged],
        carries_kept_zero=laid.joined(lambda s: s.carries_kept_zero)[logged],
        wrong=wrong[logged],
    )


# ---- Sweeps.

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


def log_sweeps(motion: Motion, evenings: tuple[Evening, ...]) -> SweepLog:
    """Make every sweep of the history; the solves need no mount coordinates."""
    import pandas as pd

    from drift.types import empty_table

    scenario = motion.scenario
    plans = [p for evening in evenings if "sweep" in evening.kinds for p in _plan(scenario, evening)]
    if not plans:
        none = np.array([], dtype=np.int64)
        return SweepLog(empty_table("sweeps").drop(columns="row_id"), none, none.astype(bool))
    count = scenario.solves_a_sweep
    rng = stream(scenario.seed, "sweep noise")
    time_us = np.concatenate([p.time_us for p in plans])
    axis_ha, axis_dec = (np.concatenate([getattr(p, n) for p in plans]) for n in ("axis_ha", "axis_dec"))
    side = np.concatenate([p.side for p in plans])
    constants, setting = motion.constants(time_us), motion.setting(time_us)
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
    motion: Motion, evening: Evening, time_us: npt.NDArray[np.int64], star: tuple[float, float, float]
) -> tuple[tuple[float, float], Floats, Floats]:
    """Return the star's ICRS place [rad] and its offsets against the mount, north and east [arcsec]."""
    scenario = motion.scenario
    seconds = (time_us - time_us[0]) / 1e6
    hour_angle = star[0] + SIDEREAL_RAD_PER_S * seconds
    fixed = np.ones_like(hour_angle)
    tube = pointing(
        hour_angle,
        star[1] * fixed,
        star[2] * fixed,
        motion.constants(time_us),
        motion.setting(time_us),
        scenario.latitude_deg,
    )
    overhead = Overhead(scenario.site, time_us, evening.temp_c * fixed, evening.pressure_hpa * fixed)
    ra, dec = (float(place[0]) for place in overhead.icrs_of(tube))
    star_ha, star_dec = hour_angle_dec(overhead.enu_of(ra * fixed, dec * fixed), scenario.latitude_deg)
    tube_ha, tube_dec = hour_angle_dec(tube, scenario.latitude_deg)
    west = (np.remainder(star_ha - tube_ha + np.pi, 2 * np.pi) - np.pi) * np.cos(tube_dec)
    return (ra, dec), (star_dec - tube_dec) / ARCSEC, -west / ARCSEC


def _run(motion: Motion, evening: Evening) -> pd.DataFrame:
    import pandas as pd

    scenario = motion.scenario
    rng = stream(scenario.seed, "run", evening.day)
    busy = len(set(evening.kinds) & {"pointing", "sweep"})
    start = evening.start_us + busy * (int(evening.hours * HOUR_US / 2) + WAIT_US)
    seconds = np.linspace(0.0, 60.0 * scenario.run_min, scenario.solves_a_run)
    time_us = (start + 1e6 * seconds).astype(np.int64) // 1000 * 1000
    (ra, dec), north, east = _offsets(motion, evening, time_us, _star(scenario, rng))
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


def log_runs(motion: Motion, evenings: tuple[Evening, ...]) -> RunLog:
    """Make every unguided run of the history."""
    import pandas as pd

    from drift.types import empty_table

    used = [evening for evening in evenings if "run" in evening.kinds]
    if not used:
        return RunLog(empty_table("runs").drop(columns="row_id"), np.array([], dtype=np.int64))
    table = pd.concat([_run(motion, evening) for evening in used], ignore_index=True)
    nights = np.repeat([evening.day for evening in used], motion.scenario.solves_a_run)
    return RunLog(table, nights.astype(np.int64))


# ---- What the owner writes down by day: typed alignment errors, levels, weather, corrections.


TURNED_AFTER_US = HOUR_US // 6  # a level is turned end for end ten minutes later
FIRST_LEVEL_DAY = 3.1  # after the first noon: an afternoon


def log_typed(motion: Motion, evenings: tuple[Evening, ...]) -> pd.DataFrame:
    """Return the alignment errors that some other method gave and the owner typed in."""
    import pandas as pd

    scenario = motion.scenario
    used = [evening for evening in evenings if "typed" in evening.kinds]
    if not used:
        return empty_table("alignments").drop(columns="row_id")
    time_us = np.array([e.start_us for e in used], dtype=np.int64) // 1_000_000 * 1_000_000
    noise = [stream(scenario.seed, "typed", e.day).normal(0.0, scenario.typed_noise_arcmin, 2) for e in used]
    az_error, alt_error = motion.axis(time_us)
    return pd.DataFrame(
        {
            "time_us": time_us,
            "az_error_arcmin": np.round(az_error / 60.0 + np.array(noise)[:, 0], 2),
            "alt_error_arcmin": np.round(alt_error / 60.0 + np.array(noise)[:, 1], 2),
            "sigma_arcmin": scenario.typed_noise_arcmin if scenario.typed_sigma_given else np.nan,
        }
    )


def _level_times(motion: Motion) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    """Return the moments of level readings and the face of each [deg]."""
    scenario = motion.scenario
    visits = np.arange(FIRST_LEVEL_DAY, scenario.years * YEAR_DAYS - 1, scenario.level_every_days)
    first = np.array([step_us(scenario, day) for day in visits], dtype=np.int64)
    if not scenario.level_pairs:
        return first, np.full(len(first), np.nan)
    turned = np.stack([first, first + TURNED_AFTER_US], axis=-1).ravel()
    return turned, np.tile((0.0, 180.0), len(first))


def log_levels(motion: Motion) -> pd.DataFrame:
    """Return the level readings, each as read on the level's own axes."""
    import pandas as pd

    scenario = motion.scenario
    if scenario.level_every_days <= 0:
        return empty_table("levels").drop(columns="row_id")
    time_us, face = _level_times(motion)
    setting = motion.setting(time_us)
    on_pier = scenario.level_place == "pier"
    north = setting.tilt_north + (0.0 if on_pier else setting.plate_north)
    east = setting.tilt_east + (0.0 if on_pier else setting.plate_east)
    noise = stream(scenario.seed, "level").normal(0.0, scenario.level_sigma, (2, len(time_us)))
    sign = np.where(face == 180.0, -1.0, 1.0)
    return pd.DataFrame(
        {
            "time_us": time_us,
            "tilt_north_arcsec": np.round(sign * north + scenario.level_bias + noise[0], 1),
            "tilt_east_arcsec": np.round(sign * east - scenario.level_bias + noise[1], 1),
            "place": scenario.level_place,
            "face_deg": face,
            "sigma_arcsec": scenario.level_sigma,
        }
    )


def log_weather(motion: Motion) -> pd.DataFrame:
    """Return the daily weather from some weeks before the first night on."""
    import pandas as pd

    if not motion.scenario.weather_logged:
        return empty_table("weather").drop(columns="row_id")
    shown = slice(LEAD_IN_DAYS - LOGGED_LEAD_IN_DAYS, -1)
    weather = motion.weather
    return pd.DataFrame(
        {
            "day": weather.day[shown],
            "t_min_c": np.round(weather.min_c[shown], 1),
            "t_max_c": np.round(weather.max_c[shown], 1),
            "t_mean_c": np.round(weather.mean_c[shown], 1),
            "snow_cm": np.round(weather.snow_cm[shown], 0),
        }
    )


def log_corrections(motion: Motion) -> pd.DataFrame:
    """Return the corrections as the owner wrote them down."""
    import pandas as pd

    names = ("amount_arcmin", "bearing_deg", "thickness_mm", "turns")
    written = [
        (time_us, step)
        for time_us, step in zip(motion.step_times_us.tolist(), motion.steps, strict=True)
        if step.kind
    ]
    if not written:
        return empty_table("corrections").drop(columns="row_id")
    return pd.DataFrame(
        {
            "time_us": np.array([time_us for time_us, _ in written], dtype=np.int64),
            "kind": [step.kind for _, step in written],
            **{name: np.array([getattr(s, name) for _, s in written], dtype=float) for name in names},
            "note": [step.note for _, step in written],
            "knob_way": [""] * len(written),
        }
    )
