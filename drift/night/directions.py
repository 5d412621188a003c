"""Where every row of the logs was seen: sky places to directions, with each night's air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.night.pieces import Directions
from drift.night.run import one_place_a_run
from drift.night.sightings import TABLES
from drift.night.split import NightSplit
from drift.quantities import Floats, Ints
from drift.readings import Readings
from drift.sky.place import observed
from drift.sky.weather import fill_weather


@dataclass(frozen=True)
class Seen:
    """Directions of the rows of each table, and what to say about them."""

    directions: dict[str, Directions]
    warnings: tuple[str, ...]
    defaults: tuple[str, ...]


def see(
    latitude_deg: float, longitude_deg: float, elevation_m: float, split: NightSplit, readings: Readings
) -> Seen:
    """Work out where every solve and star was seen from the site.

    Parameters
    ----------
    latitude_deg, longitude_deg, elevation_m
        The site [deg, east positive, m].
    split
        Tells which rows share a night, and so its air.
    readings
        All readings; the rows of "solves", "sweeps" and "runs" are looked at.
    """
    tables = [readings["solves"], readings["sweeps"], one_place_a_run(readings["runs"])]
    sizes = [len(t) for t in tables]
    joined = pd.concat([_columns(t) for t in tables], ignore_index=True)
    time_us = joined["time_us"].to_numpy(dtype=np.int64)
    day = split.day(time_us)
    temp, from_weather = _with_daily_mean(joined["temp_c"].to_numpy(dtype=float), day, readings["weather"])
    air = fill_weather(
        temp,
        joined["pressure_hpa"].to_numpy(dtype=float),
        day,
        elevation_m,
    )
    sky = observed(
        latitude_deg,
        longitude_deg,
        elevation_m,
        time_us,
        joined["ra_deg"].to_numpy(dtype=float),
        joined["dec_deg"].to_numpy(dtype=float),
        air.temp_c,
        air.pressure_hpa,
    )
    edges = np.cumsum([0, *sizes])
    directions = {
        kind: Directions(sky.enu[a:b], sky.last_rad[a:b])
        for kind, a, b in zip(TABLES, edges[:-1], edges[1:], strict=True)
    }
    defaults = []
    if from_weather:
        defaults.append(f"{from_weather} of {len(joined)} solves took their temperature from the day's mean.")
    for what, rows, value in (
        ("temperature", air.temp_rows, "10 C"),
        ("pressure", air.pressure_rows, "the standard atmosphere's at the site's elevation"),
    ):
        if rows.standard:
            defaults.append(
                f"{rows.standard} of {len(joined)} solves came without {what}: {value} was taken."
            )
    return Seen(directions, (*air.warnings, *sky.warnings), tuple(defaults))


def _with_daily_mean(temp_c: Floats, day: Ints, weather: pd.DataFrame) -> tuple[Floats, int]:
    """Fill in the weather's daily mean on nights without a temperature of their own; count the rows."""
    middle = weather["t_mean_c"].fillna(0.5 * (weather["t_min_c"] + weather["t_max_c"]))
    means = dict(zip(weather["day"].astype(int), middle.astype(float), strict=True))
    given = np.isfinite(temp_c)
    lacking = ~np.isin(day, np.unique(day[given]))
    filled = np.where(lacking, [means.get(int(d), np.nan) for d in day], temp_c)
    return filled, int(np.sum(lacking & np.isfinite(filled)))


def _columns(table: pd.DataFrame) -> pd.DataFrame:
    names = ["time_us", "ra_deg", "dec_deg", "temp_c", "pressure_hpa"]
    return table.reindex(columns=names).astype(dict.fromkeys(names[1:], float))
