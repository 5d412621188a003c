"""The direction in which every row of the logs was seen, with each night's air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from drift.cache import NoStore, Store, name_of
from drift.night.observations import Directions, one_place_a_run
from drift.night.prepared import NightSplit
from drift.night.sightings import TABLES
from drift.notices import Notice, SkyCode, info
from drift.quantities import HOUR_US, Bools, Floats, Ints
from drift.sky.air import (
    DAILY_MEAN_SD_C,
    MEASURED_SD_C,
    MEASURED_SD_HPA,
    STANDARD_SD_C,
    STANDARD_SD_HPA,
    AirTaken,
    FilledWeather,
    air_error_sd,
    fill_weather,
    standard_pressure_hpa,
)
from drift.sky.place import observed
from drift.sky.time_scales import installed_earth_rotation, utc_day_and_fraction
from drift.types import Readings

#: With fewer days of weather no frost is worked out, and none is filled in: as in `drift.ground.weather`.
_FEWEST_WEATHER_DAYS = 30


@dataclass(frozen=True)
class SeenDirections:
    """Directions of the rows of each table, with notices about them."""

    directions: dict[str, Directions]
    notices: tuple[Notice, ...]
    defaults: tuple[Notice, ...]  # what was assumed where the logs give nothing


def see(
    where: tuple[float, float, float],
    split: NightSplit,
    readings: Readings,
    store: Store | None = None,
    ahead_hours: int = 0,
) -> SeenDirections:
    """Work out where every solve and star was seen from the site.

    Parameters
    ----------
    where
        Latitude [deg], longitude [deg, east positive] and elevation [m] of the site.
    split
        Says which rows share a night, and so its air.
    readings
        All readings; the rows of "solves", "sweeps" and "runs" are looked at.
    store
        The cache of each night's directions.
    ahead_hours
        By how many hours all clocks ran ahead, taken off the times.
    """
    tables = [readings["solves"], readings["sweeps"], one_place_a_run(readings["runs"])]
    sizes = [len(t) for t in tables]
    joined = pd.concat([_columns(t) for t in tables], ignore_index=True)
    time_us = joined["time_us"].to_numpy(dtype=np.int64) - ahead_hours * HOUR_US
    day = split.day(time_us)
    temp, from_weather = _with_daily_mean(joined["temp_c"].to_numpy(dtype=float), day, readings["weather"])
    air = fill_weather(
        temp,
        joined["pressure_hpa"].to_numpy(dtype=float),
        day,
        where[2],
    )
    places = np.stack(
        [joined["ra_deg"].to_numpy(dtype=float), joined["dec_deg"].to_numpy(dtype=float)], axis=1
    )
    rows = np.column_stack([places, air.temp_c, air.pressure_hpa])
    sky = _night_by_night(where, time_us, rows, day, NoStore() if store is None else store)
    edges = np.cumsum([0, *sizes])
    taken = _air_taken(air, from_weather, where[2])
    directions = {
        kind: Directions(sky[a:b, :3], sky[a:b, 3], taken.rows(slice(a, b)))
        for kind, a, b in zip(TABLES, edges[:-1], edges[1:], strict=True)
    }
    defaults = filled_in(readings["weather"])
    if from_weather.any():
        count = int(from_weather.sum())
        defaults.append(info(SkyCode.TEMPERATURE_OF_DAY, rows=count, of_rows=len(joined)))
    for code, used in (
        (SkyCode.TEMPERATURE_STANDARD, air.temp_rows),
        (SkyCode.PRESSURE_STANDARD, air.pressure_rows),
    ):
        if used.standard:
            defaults.append(info(code, rows=used.standard, of_rows=len(joined)))
    lost = installed_earth_rotation().what_is_lost(utc_day_and_fraction(time_us)[0])
    return SeenDirections(directions, (*air.notices, *lost), tuple(defaults))


def _night_by_night(
    where: tuple[float, float, float], time_us: Ints, rows: Floats, day: Ints, store: Store
) -> Floats:
    """Return East, North, Up and sidereal time of each row, (n, 4), working out only uncached nights.

    A row's direction does not depend on which other rows are given, so cached and new ones mix.
    """
    out = np.empty((time_us.size, 4))
    recipe = np.array(where).tobytes() + np.array(installed_earth_rotation().last_mjd).tobytes()
    members = pd.Series(np.arange(time_us.size)).groupby(day).indices
    names = {
        d: name_of("sky", recipe, time_us[own].tobytes(), rows[own].tobytes()) for d, own in members.items()
    }
    cached = store.get(list(names.values()))
    for d, name in names.items():
        if name in cached:
            out[members[d]] = np.frombuffer(cached[name]).reshape(-1, 4)
    new = [d for d, name in names.items() if name not in cached]
    if new:
        todo = np.concatenate([members[d] for d in new])
        sky = observed(*where, time_us[todo], *rows[todo].T)
        out[todo] = np.column_stack([sky.enu, sky.last_rad])
    store.put({names[d]: out[members[d]].tobytes() for d in new})
    return out


def _air_taken(air: FilledWeather, from_weather: Bools, elevation_m: float) -> AirTaken:
    """Say how well the air of each row is known."""
    usual = float(standard_pressure_hpa(elevation_m))
    temp_sd = np.where(from_weather, DAILY_MEAN_SD_C, MEASURED_SD_C)
    temp_sd = np.where(air.temp_standard, STANDARD_SD_C, temp_sd)
    pressure_sd = np.where(air.pressure_standard, STANDARD_SD_HPA, MEASURED_SD_HPA)
    return AirTaken(air_error_sd(temp_sd, pressure_sd, usual), air.temp_standard, usual)


def _with_daily_mean(temp_c: Floats, day: Ints, weather: pd.DataFrame) -> tuple[Floats, Bools]:
    """Fill in the weather's daily mean on nights without a logged temperature; return which rows."""
    means = dict(zip(weather["day"].astype(int), _middle(weather).astype(float), strict=True))
    given = np.isfinite(temp_c)
    lacking = ~np.isin(day, np.unique(day[given]))
    filled = np.where(lacking, [means.get(int(d), np.nan) for d in day], temp_c)
    return filled, lacking & np.isfinite(filled)


def filled_in(weather: pd.DataFrame) -> list[Notice]:
    """Return a notice of days without a temperature inside the weather log, filled in for the frost."""
    known = np.isfinite(_middle(weather).to_numpy(dtype=float))
    days = np.unique(weather["day"].to_numpy(dtype=np.int64)[known])
    if days.size < _FEWEST_WEATHER_DAYS:
        return []
    whole = int(days[-1] - days[0]) + 1
    lacking = whole - int(days.size)
    if not lacking:
        return []
    return [info(SkyCode.WEATHER_DAYS_FILLED, days=lacking, of_days=whole)]


def _middle(weather: pd.DataFrame) -> pd.Series:
    return weather["t_mean_c"].fillna(0.5 * (weather["t_min_c"] + weather["t_max_c"]))


def _columns(table: pd.DataFrame) -> pd.DataFrame:
    names = ["time_us", "ra_deg", "dec_deg", "temp_c", "pressure_hpa"]
    return table.reindex(columns=names).astype(dict.fromkeys(names[1:], float))
