"""Invented nights and levels as plain numbers, with references that move by themselves; nothing of stars.

The geometry of small angles is written out once more here, from the frame of the design: az_error = kappa +
tau_E tan(phi), alt_error = alpha - s tau_N, z = z0 + tau_E cos(phi) - kappa sin(phi).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from night_world import pointing_night

from drift.ground.heave import FrostHeave
from drift.ground.pier_site import ground_of
from drift.ground.weather import daily_weather
from drift.history.changes import Plate
from drift.history.inputs import Inputs, Warmth
from drift.history.separate import separate
from drift.night.prepared import split_nights
from drift.quantities import DAY_US
from drift.types import History, Nights, as_readings

FIRST_DAY = 18_231  # 2019-12-01
YEAR = 365.25
#: Columns of `History.change` that are looked at: tilt north and east, mount azimuth and altitude.
COLUMNS = [0, 1, 4, 5]

Course = Callable[[np.ndarray], np.ndarray]


def nothing(days: np.ndarray) -> np.ndarray:
    """Nothing moves."""
    return np.zeros(days.size)


@dataclass
class World:
    """What to invent; arcsec, days since the first, degrees Celsius."""

    seed: int
    latitude_deg: float = 47.0
    years: float = 2.5
    nights_a_year: float = 80.0
    kept: bool = True
    level_every: int = 0
    level_sd: float = 12.0
    night_sd: float = 5.0
    repeat: float = 6.0
    zero_a_year: float = 0.0
    zero_a_degree: float = 0.0
    zero_moves: Course = nothing
    level_a_year: tuple[float, float] = (0.0, 0.0)
    level_a_degree: tuple[float, float] = (0.0, 0.0)
    level_moves: Course = nothing
    level_shows: float = 1.0
    north: Course = nothing
    east: Course = nothing
    kappa: Course = nothing
    alpha: Course = nothing
    mean_c: float = 7.0
    weather: bool = True


@dataclass
class Made:
    """What goes into the separation, and the truth at any time."""

    given: Inputs
    truth: Callable[[np.ndarray], np.ndarray]  # microseconds -> (n, 4)
    day: np.ndarray  # of the weather, days since 1970
    temp_c: np.ndarray


def air(rng: np.random.Generator, years: float, latitude_deg: float, mean_c: float) -> tuple:
    """Daily temperatures: a year's wave and weather of some days."""
    day = FIRST_DAY - 60 + np.arange(int(years * YEAR) + 120)
    peak = 15.0 if latitude_deg > 0 else 197.0
    weather = np.zeros(day.size)
    for i, push in enumerate(rng.normal(0.0, 2.2, day.size)):
        weather[i] = 0.8 * weather[i - 1] + push
    return day, mean_c - 13.0 * np.cos(2.0 * np.pi * (day - 10957.0 - peak) / YEAR) + weather


def make(world: World) -> Made:
    """Invent a history."""
    rng = np.random.default_rng(world.seed)
    phi = np.radians(world.latitude_deg)
    s = -1.0 if phi < 0 else 1.0
    day, temp = air(rng, world.years, world.latitude_deg, world.mean_c)
    span = int(world.years * YEAR)

    def warmth(days: np.ndarray) -> np.ndarray:
        return np.interp(FIRST_DAY + days, day + 0.5, temp)

    def moved(days: np.ndarray) -> np.ndarray:
        return np.stack([f(days) for f in (world.north, world.east, world.kappa, world.alpha)], axis=1)

    days = np.sort(rng.choice(span, int(world.years * world.nights_a_year), replace=False)) + 22.0 / 24.0
    north, east, kappa, alpha = moved(days).T
    zero = east * np.cos(phi) - kappa * np.sin(phi)
    if world.kept:
        zero = zero + 1500.0 + world.zero_a_year * days / YEAR + world.zero_a_degree * warmth(days)
        zero = zero + world.zero_moves(days) + rng.normal(0.0, world.repeat, days.size)
    else:
        zero = zero + rng.normal(0.0, 600.0, days.size)
    seen = np.stack([200.0 + kappa + east * np.tan(phi), -150.0 + alpha - s * north, zero], axis=1)
    seen += rng.normal(0.0, world.night_sd, seen.shape)
    own = np.eye(3) * world.night_sd**2
    nights = []
    for d, value in zip(days, seen, strict=True):
        us = int((FIRST_DAY + d) * DAY_US)
        label = "epoch 0" if world.kept else ""
        nights.append(pointing_night(us, value, own, covariance=own + 9.0 * np.eye(3), zero_label=label))
    air_log = {"row_id": np.arange(day.size), "day": day, "t_mean_c": temp, "snow_cm": np.nan}
    tables = {"weather": pd.DataFrame({**air_log, "t_min_c": temp - 4.0, "t_max_c": temp + 4.0})}
    if world.level_every:
        tables["levels"] = levels(world, rng, span, moved, warmth)
    readings = as_readings(tables)
    split = split_nights(0.0, readings["corrections"])
    known = daily_weather(readings["weather"], world.latitude_deg, int(day[0]), int(day[-1]))
    given = Inputs(
        float(phi),
        Nights(nights=tuple(nights)),
        readings["levels"],
        readings["corrections"],
        Plate(None, None, None),
        split,
        "kept" if world.kept else "synced",
        Warmth(split, day.astype(np.int64), temp) if world.weather else None,
        FrostHeave(known, ground_of(1.2, None, None, None), 0.0) if world.weather and known else None,
    )
    return Made(given, lambda us: moved(us / DAY_US - FIRST_DAY), day, temp)


def levels(world: World, rng: np.random.Generator, span: int, moved: Course, warmth: Course) -> pd.DataFrame:
    """Level readings on the pier in the afternoon, of an instrument that may drift."""
    days = np.arange(0, span, world.level_every) + 16.8 / 24.0
    columns = {}
    for i, (name, start) in enumerate((("north", 300.0), ("east", -200.0))):
        drift = world.level_a_year[i] * days / YEAR + world.level_a_degree[i] * warmth(days)
        shown = world.level_shows * moved(days)[:, i] + start + drift + world.level_moves(days)
        columns[f"tilt_{name}_arcsec"] = shown + rng.normal(0.0, world.level_sd, days.size)
    times = ((FIRST_DAY + days) * DAY_US).astype(np.int64)
    rest = {"place": "pier", "face_deg": np.nan, "sigma_arcsec": world.level_sd}
    return pd.DataFrame({"row_id": np.arange(days.size), "time_us": times, **columns, **rest})


def answered(world: World) -> tuple[History, np.ndarray, np.ndarray]:
    """Return the history, its errors and its sds of tilt and mount, (n - 1, 4) each."""
    made = make(world)
    history = separate(made.given)
    assert history is not None
    truth = made.truth(history.time_us)
    error = history.change[:, COLUMNS] - (truth - truth[0])
    return history, error[1:], history.sd[1:, COLUMNS]


def held(error: np.ndarray, sd: np.ndarray) -> np.ndarray:
    """Return the share of readings whose 95 % interval holds the truth, (4,)."""
    return np.mean(np.abs(error) <= 1.96 * sd, axis=0)
