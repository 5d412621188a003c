"""Which nights are clear and used, from when to when, and in what air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drift.demo.chance import stream
from drift.demo.course import US_PER_DAY, Course
from drift.demo.scenario import Scenario
from drift.demo.weather import LEAD_IN_DAYS, YEAR_DAYS

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


def evenings(course: Course) -> tuple[Evening, ...]:
    """Return all sessions of the history in the order of time."""
    scenario, weather = course.scenario, course.weather
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
