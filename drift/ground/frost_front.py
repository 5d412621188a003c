"""The frozen layer under a pier, day by day, from the weather."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.ground.calendar import noon_us
from drift.ground.enthalpy import Fronts, SoilColumns, columns_of, follow
from drift.ground.pier_site import (
    Ground,
    SnowFate,
    assumed_snow,
    snow_resistance,
    spread,
    surface_temperature,
)
from drift.ground.weather import DailyWeather, daily_weather
from drift.quantities import YEAR_DAYS, Floats, Ints
from drift.types import UnderPier

# ---- The frozen layer under a pier's yard, day by day, from the weather.


#: The ground is run through at least so many days of the usual year before the weather begins, so that it
#: starts with the heat of its summer.
_LEAD_IN_DAYS = 330


@dataclass(frozen=True)
class Front:
    """The frozen layer of one ground, one entry a day of the weather, (n,).

    Parameters
    ----------
    day
        Days since 1970-01-01.
    frozen_m
        Thickness of frozen soil [m].
    top_m, bottom_m
        Depth of the upper and lower side of the deepest frozen layer [m]; NaN while nothing is frozen.
    under_base_m
        Thickness of frozen soil below the pier's base [m].
    usual_peak_m, usual_peak_under_base_m
        Greatest thickness in the usual year that was run before the weather begins [m].
    heat
        Heat content of the column after the last day (see `drift.ground.enthalpy`).
    """

    day: Ints = field(repr=False)
    frozen_m: Floats = field(repr=False)
    top_m: Floats = field(repr=False)
    bottom_m: Floats = field(repr=False)
    under_base_m: Floats = field(repr=False)
    usual_peak_m: float
    usual_peak_under_base_m: float
    heat: Floats = field(repr=False)


def lead_in_days(weather: DailyWeather) -> Ints:
    """Return the days of the usual year that come before the weather, from a midsummer on."""
    warmest = weather.curve.coldest_day + YEAR_DAYS / 2.0
    years = np.floor((weather.day[0] - _LEAD_IN_DAYS - warmest) / YEAR_DAYS)
    return np.arange(round(warmest + years * YEAR_DAYS), weather.day[0], dtype=np.int64)


def usual_snow(weather: DailyWeather, day: Ints) -> Floats:
    """Return the mean snow of the record by season, smoothed over a month, (n,) [cm]; 0 without readings."""
    if not weather.has_snow:
        return np.zeros(day.size)
    snow = weather.snow_cm
    of_year = np.mod(weather.day, YEAR_DAYS).astype(int).clip(max=365)
    total = np.bincount(of_year, snow, minlength=366)
    count = np.bincount(of_year, minlength=366).astype(float)
    near = np.ones(31)
    total, count = (np.convolve(np.tile(x, 3), near, mode="same")[366:732] for x in (total, count))
    return (total / np.maximum(count, 1.0))[np.mod(day, YEAR_DAYS).astype(int).clip(max=365)]


def snow_lying(ground: Ground, mean_c: Floats, measured_cm: Floats | None) -> Floats:
    """Return the snow that lies around the pier, (..., n) [cm].

    Parameters
    ----------
    ground
        Tells what becomes of snow.
    mean_c
        (..., n) air [deg C].
    measured_cm
        (..., n) snow as measured [cm]; None when it is not.
    """
    if ground.snow is SnowFate.CLEARED or (measured_cm is None and ground.snow is not SnowFate.LEFT):
        return np.zeros(np.shape(mean_c))
    return assumed_snow(mean_c) if measured_cm is None else np.asarray(measured_cm)


def forcing(ground: Ground, mean_c: Floats, measured_cm: Floats | None) -> tuple[Floats, Floats]:
    """Return surface temperature [deg C] and the snow's resistance [m2 K/W], (..., n) each."""
    snow_cm = snow_lying(ground, mean_c, measured_cm)
    return surface_temperature(mean_c, snow_cm, ground.surface), snow_resistance(snow_cm)


def frost_front(weather: DailyWeather, ground: Ground) -> Front:
    """Return the frozen layer of one ground, see `frost_fronts`."""
    return frost_fronts(weather, [ground])[0]


def frost_fronts(weather: DailyWeather, grounds: Sequence[Ground]) -> tuple[Front, ...]:
    """Freeze the ground from the top and thaw it from both sides, day by day.

    Heat conduction with freezing at 0 deg C; water does not move, ice lenses
    take no heat of their own, and the concrete conducts as the soil does.

    Parameters
    ----------
    weather
        Without gaps.
    grounds
        Solved together, which costs little more than one.
    """
    before = lead_in_days(weather)
    day = np.concatenate([before, weather.day])
    mean_c = np.concatenate([weather.curve.at(before), weather.mean_c])
    snow = np.concatenate([usual_snow(weather, before), weather.snow_cm]) if weather.has_snow else None
    both = [forcing(ground, mean_c, snow) for ground in grounds]
    surface_c, resistance = (np.array([pair[i] for pair in both]) for i in (0, 1))
    columns = columns_of([ground.layers for ground in grounds])
    fronts = follow(columns, _midsummer_heat(columns, surface_c), surface_c, resistance)
    return tuple(_front(fronts, i, ground, day, before.size) for i, ground in enumerate(grounds))


def damping_depth(diffusivity_m2_d: float, period_days: float = YEAR_DAYS) -> float:
    """Return the depth at which a wave of temperature has shrunk to 1/e, sqrt(2 a / w) [m].

    Parameters
    ----------
    diffusivity_m2_d
        Thermal diffusivity a [m2/d].
    period_days
        Of the wave, 2 pi / w [d].

    References
    ----------
    .. [1] T. Kusuda and P. R. Achenbach (1965), ASHRAE Transactions 71, 61-74 (form from memory).
    """
    return float(np.sqrt(diffusivity_m2_d * period_days / np.pi))


def _midsummer_heat(columns: SoilColumns, surface_c: Floats) -> Floats:
    """Return the heat of midsummer: the mean of a year below, the warmth of summer above, nothing frozen."""
    year = surface_c[:, : round(YEAR_DAYS)]
    mean = np.maximum(year.mean(axis=1), 0.5)[:, None]
    swing = 0.5 * (np.percentile(year, 95, axis=1) - np.percentile(year, 5, axis=1))[:, None]
    diffusivity = float(np.median(columns.k_thawed / columns.c_thawed)) * 86_400.0
    depth = np.cumsum(columns.thick) - 0.5 * columns.thick
    z = depth / damping_depth(diffusivity)
    return columns.heat(np.maximum(mean + swing * np.exp(-z) * np.cos(z), 0.1))


def _front(fronts: Fronts, member: int, ground: Ground, day: Ints, lead: int) -> Front:
    frozen, top, bottom = (series[member] for series in (fronts.frozen, fronts.top, fronts.bottom))
    under = below_base(ground.base_m, top, bottom)
    return Front(
        day=day[lead:],
        frozen_m=frozen[lead:],
        top_m=top[lead:],
        bottom_m=bottom[lead:],
        under_base_m=under[lead:],
        usual_peak_m=float(frozen[:lead].max()),
        usual_peak_under_base_m=float(under[:lead].max()),
        heat=fronts.heat[member : member + 1],
    )


def below_base(base_m: float, top_m: Floats, bottom_m: Floats) -> Floats:
    """Return the thickness of the frozen layer that lies below the base, 0 where there is none [m]."""
    thick = np.where(np.isfinite(bottom_m), bottom_m - np.fmax(top_m, base_m), 0.0)
    return np.maximum(thick, 0.0)


# ---- What the ground under one pier did day by day, for those who show it beside the tilt.


def under_pier(
    table: pd.DataFrame, ground: Ground, latitude_deg: float, longitude_deg: float
) -> UnderPier | None:
    """Follow the frost under a pier through the weather of its record.

    Parameters
    ----------
    table
        With the columns of `drift.types.READING_COLUMNS` ``["weather"]``.
    ground
        From `drift.ground.pier_site.ground_of`.
    latitude_deg, longitude_deg
        [deg], north and east positive.

    Returns
    -------
    UnderPier or None
        None when there is too little weather (see `drift.ground.weather.daily_weather`).
    """
    if not len(table):
        return None
    weather = daily_weather(table, latitude_deg)
    if weather is None:
        return None
    cases = spread(ground)
    fronts = dict(zip(cases, frost_fronts(weather, list(cases.values())), strict=True))
    bottom = {name: np.asarray(front.bottom_m) for name, front in fronts.items()}
    return UnderPier(
        time_us=noon_us(weather.day, longitude_deg),
        air_c=weather.mean_c,
        filled=weather.filled,
        top_m=fronts["middle"].top_m,
        bottom_m=bottom["middle"],
        deep_m=bottom["deep"],
        shallow_m=bottom["shallow"],
        base_m=ground.base_m,
        notices=(*ground.assumed, *weather.notices),
    )
