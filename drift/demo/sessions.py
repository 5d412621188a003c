"""Which nights are clear and used, where the telescope can point, and how a pointing session goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import ARCSEC, hour_angle_dec
from drift.demo.motion import LEAD_IN_DAYS, US_PER_DAY, Motion
from drift.demo.scenario import YEAR_DAYS, Scenario, stream

# ---- Which nights are clear and used, from when to when, and in what air.


Floats = npt.NDArray[np.float64]
DARK_SUN_ALTITUDE_DEG = -11.0
OBLIQUITY_DEG = 23.44
SPRING_DAY = 80.0
HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class Evening:
    """One night's session.  `day` is the local date on which the night begins."""

    day: int
    start_us: int
    hours: float
    kinds: tuple[str, ...]
    temp_c: float
    pressure_hpa: float


def half_dark_h(day: npt.NDArray[np.int64], latitude_deg: float) -> Floats:
    """Return half the length of darkness about local midnight [h], 0 when it never gets dark."""
    sun_dec = np.radians(OBLIQUITY_DEG) * np.sin(2 * np.pi * (day - SPRING_DAY) / YEAR_DAYS)
    phi = np.radians(latitude_deg)
    cosine = (np.sin(np.radians(DARK_SUN_ALTITUDE_DEG)) - np.sin(phi) * np.sin(sun_dec)) / (
        np.cos(phi) * np.cos(sun_dec)
    )
    return 12.0 - np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) / 15.0


def _clear_days(scenario: Scenario, days: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Choose the nights: clear ones come in runs, and more often in some months."""
    rng = stream(scenario.seed, "clear nights")
    month = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12
    weight = np.array(scenario.climate.clear_by_month)[month]
    latent = np.empty(len(days))
    spell = rng.normal()
    for i, fresh in enumerate(rng.normal(size=len(days))):
        spell = 0.6 * spell + 0.8 * fresh
        latent[i] = spell
    liking = latent + 1.5 * np.log(np.maximum(weight, 1e-6))
    liking[half_dark_h(days, scenario.latitude_deg) < 0.75] = -np.inf
    wanted = min(int(round(scenario.nights_a_year * scenario.years)), int(np.isfinite(liking).sum()))
    return np.sort(days[np.argsort(-liking, kind="stable")[:wanted]])


def _kinds(scenario: Scenario, rng: np.random.Generator) -> tuple[str, ...]:
    weights = np.array([weight for _, weight in scenario.night_kinds])
    return scenario.night_kinds[int(rng.choice(len(weights), p=weights / weights.sum()))][0]


def evenings(motion: Motion) -> tuple[Evening, ...]:
    """Return all sessions of the history in the order of time."""
    scenario, weather = motion.scenario, motion.weather
    days = weather.day[LEAD_IN_DAYS:-2]
    chosen = _clear_days(scenario, days)
    made = []
    for day, half_dark in zip(chosen, half_dark_h(chosen, scenario.latitude_deg), strict=True):
        rng = stream(scenario.seed, "evening", int(day))
        hours = min(scenario.session_h, 2 * half_dark)
        late = rng.uniform(0.0, min(2.0, 2 * half_dark - hours) + 1e-9)
        midnight_us = (day + 1 - scenario.longitude_deg / 360.0) * US_PER_DAY
        row = int(day - weather.day[0])
        made.append(
            Evening(
                day=int(day),
                start_us=int(midnight_us + (late - half_dark) * HOUR_US),
                hours=float(hours),
                kinds=_kinds(scenario, rng),
                temp_c=round(float(0.75 * weather.min_c[row] + 0.25 * weather.max_c[row] + rng.normal()), 1),
                pressure_hpa=round(float(weather.pressure_hpa[row]), 1),
            )
        )
    return tuple(made)


# ---- Where the invented telescope may be pointed: horizon, tube sides, random targets.

PAST_MERIDIAN_H = 0.4  # how far a tube may follow past the meridian before it is turned over
NEAREST_POLE_DEG = 4.0
MOST_TRIES = 200


def horizon_altitude_deg(scenario: Scenario, bearing_deg: Floats) -> Floats:
    """Return the lowest usable altitude at the given bearings [deg]."""
    bearings, altitudes = np.array(sorted(scenario.horizon), dtype=float).T
    skyline: Floats = np.interp(bearing_deg, bearings, altitudes, period=360.0)
    return np.maximum(skyline, scenario.lowest_altitude_deg)


def above_horizon(scenario: Scenario, enu: Floats) -> npt.NDArray[np.bool_]:
    """Return whether directions (n, 3) are above trees, walls and the lowest altitude."""
    bearing = np.degrees(np.arctan2(enu[..., 0], enu[..., 1]))
    altitude = np.degrees(np.arcsin(np.clip(enu[..., 2], -1.0, 1.0)))
    above: npt.NDArray[np.bool_] = altitude > horizon_altitude_deg(scenario, bearing)
    return above


def _random_sky(rng: np.random.Generator, count: int) -> Floats:
    bearing, up = rng.uniform(0.0, 2 * np.pi, count), rng.uniform(0.0, 1.0, count)
    flat = np.sqrt(1.0 - up**2)
    return np.stack([flat * np.sin(bearing), flat * np.cos(bearing), up], axis=-1)


def usable(scenario: Scenario, hour_angle: Floats, dec: Floats, enu: Floats) -> npt.NDArray[np.bool_]:
    """Return whether targets [rad] are above the horizon, within the hour angles and off the pole."""
    limit = np.radians(15.0 * scenario.hour_angle_limit_h)
    off_pole = np.abs(dec) < np.radians(90.0 - NEAREST_POLE_DEG)
    return above_horizon(scenario, enu) & (np.abs(hour_angle) < limit) & off_pole


def random_targets(
    scenario: Scenario, rng: np.random.Generator, count: int, side: float | None
) -> tuple[Floats, Floats, Floats]:
    """Draw hour angles, declinations [rad] and tube sides of targets spread over the usable sky.

    With `side` given all targets are on that side's half of the sky.

    Raises
    ------
    ValueError
        When horizon and limits leave no sky.
    """
    found = np.empty((0, 3))
    for _ in range(MOST_TRIES):
        if len(found) >= count:
            break
        enu = _random_sky(rng, 20 * count + 50)
        hour_angle, dec = hour_angle_dec(enu, scenario.latitude_deg)
        near = np.abs(hour_angle) < np.radians(15.0 * PAST_MERIDIAN_H)
        sides = np.where(hour_angle > 0, 1.0, -1.0) * np.where(near & (rng.random(len(enu)) < 0.5), -1.0, 1.0)
        good = usable(scenario, hour_angle, dec, enu)
        if side is not None:
            good &= sides == side
        found = np.concatenate([found, np.stack([hour_angle, dec, sides], axis=-1)[good]])
    else:
        raise ValueError(
            f"horizon, lowest altitude {scenario.lowest_altitude_deg} deg and hour-angle limit "
            f"{scenario.hour_angle_limit_h} h leave no sky to point at"
        )
    hour_angle, dec, sides = found[:count].T
    return hour_angle, dec, sides


# ---- A pointing session: targets, tube sides, times, and syncs that reset both zeros.

Flags = npt.NDArray[np.bool_]
BEFORE_SYNC = 2  # solves taken before a sync when they are logged
LEAST_SOLVES = 3
FULL_TURN_ARCSEC = 1_296_000.0


@dataclass(frozen=True)
class Session:
    """One night's plan; arrays are (m,); with `hidden` the first solve only serves for the sync."""

    evening: Evening
    time_us: npt.NDArray[np.int64]
    axis_ha: Floats  # angles of the two axes [rad]
    axis_dec: Floats
    side: Floats  # +1 tube east of the pier, -1 west
    syncs: tuple[int, ...]  # a sync is made on these solves; later ones have the new zeros
    hidden: bool
    kept_zeros: tuple[float, float]  # of the home position this night: hour angle, declination [arcsec]
    mirror: tuple[float, float]  # this night's shift: cone error, declination offset [arcsec]

    def zeros(self, seen_ha: Floats, seen_dec: Floats) -> Floats:
        """Return both zeros (m, 2) [arcsec]; a sync makes reading and sky agree on its solve."""
        zeros = np.tile(self.kept_zeros, (len(self.time_us), 1))
        for sync in self.syncs:
            off = np.array((self.axis_ha - seen_ha, self.axis_dec - seen_dec))[:, sync] / -ARCSEC
            wrapped = np.remainder(off + FULL_TURN_ARCSEC / 2, FULL_TURN_ARCSEC) - FULL_TURN_ARCSEC / 2
            zeros[sync + 1 :] = wrapped
        return zeros

    @property
    def logged(self) -> Flags:
        """Which solves are in the log."""
        return np.arange(len(self.time_us)) >= int(self.hidden)

    @property
    def carries_kept_zero(self) -> Flags:
        """Which solves were read with the home position's zeros."""
        return np.arange(len(self.time_us)) <= min(self.syncs, default=len(self.time_us))

    def labels(self, scenario: Scenario) -> list[str]:
        """Return the session label of each solve, "" when they are not logged."""
        if not scenario.session_logged:
            return [""] * len(self.time_us)
        night = str(np.datetime64(self.evening.day, "D"))
        # The first sync of a "synced" session opens it; each other sync starts a new label.
        splitting = self.syncs if scenario.zero == "kept" else self.syncs[1:]
        return [f"{night}-{1 + sum(i > sync for sync in splitting)}" for i in range(len(self.time_us))]

    def before_sync(self, scenario: Scenario) -> Floats:
        """Return 1 before the session's sync, 0 after it, NaN when that is not logged."""
        if scenario.zero == "kept" or not scenario.before_sync_logged:
            return np.full(len(self.time_us), np.nan)
        return self.carries_kept_zero.astype(float)


def _count(scenario: Scenario, rng: np.random.Generator) -> int:
    mean = scenario.solves_a_night
    drawn = int(round(mean * rng.uniform(0.75, 1.25)))
    return max(LEAST_SOLVES, drawn) if mean >= LEAST_SOLVES else mean


def _syncs(scenario: Scenario, rng: np.random.Generator, total: int) -> tuple[int, ...]:
    opening = min(BEFORE_SYNC, total) - 1 if scenario.before_sync_logged else 0
    syncs = [] if scenario.zero == "kept" else [opening]
    middle = int(rng.integers(total // 3, max(total // 3 + 1, total - 2)))
    if rng.random() < scenario.second_sync_chance and middle > max(syncs, default=0):
        syncs.append(middle)
    return tuple(syncs)


def plan_session(motion: Motion, evening: Evening) -> Session:
    """Plan the pointing solves of one evening."""
    scenario = motion.scenario
    rng = stream(scenario.seed, "pointing", evening.day)
    hidden = scenario.zero == "synced" and not scenario.before_sync_logged
    total = _count(scenario, rng) + int(hidden)
    only_side = (1.0 if rng.random() < 0.5 else -1.0) if rng.random() < scenario.one_side_chance else None
    axis_ha, axis_dec, side = random_targets(scenario, rng, total, only_side)
    passed_us = np.sort(rng.uniform(0.0, 1.0, total)) * evening.hours * HOUR_US
    kept = rng.normal(0.0, scenario.zero_repeatability, 2)
    mirror = rng.normal(0.0, 1.0, 2) * scenario.mirror_shift
    home = float(motion.home_zero(np.array(evening.start_us)))
    return Session(
        evening=evening,
        time_us=(evening.start_us + passed_us).astype(np.int64) // 1000 * 1000,
        axis_ha=axis_ha,
        axis_dec=axis_dec,
        side=side,
        syncs=_syncs(scenario, rng, total),
        hidden=hidden,
        kept_zeros=(home + float(kept[0]), scenario.dec_zero0 + float(kept[1])),
        mirror=(float(mirror[0]), float(mirror[1])),
    )
