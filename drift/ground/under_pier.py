"""What the ground under one pier did day by day, for those who show it beside the lean."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.ground.calendar import noon_us
from drift.ground.front import frost_fronts
from drift.ground.site import Ground, spread
from drift.ground.weather import daily_weather
from drift.quantities import Bools, Floats, Ints


@dataclass(frozen=True)
class UnderPier:
    """Air temperature and frozen layer, one entry a day, (n,).

    Parameters
    ----------
    time_us
        Local mean noon of each day, UTC.
    air_c
        Daily mean air temperature [deg C].
    filled
        Where the temperature was not logged and is made up.
    top_m, bottom_m
        Upper and lower side of the deepest frozen layer [m below the surface]; NaN while nothing is frozen.
    deep_m, shallow_m
        The lower side within what isn't known of soil and surface [m]; see `drift.ground.site.spread`.
    base_m
        Depth of the pier's base [m].
    notes
        What was assumed of the ground and noticed in the weather, whole sentences.
    """

    time_us: Ints = field(repr=False)
    air_c: Floats = field(repr=False)
    filled: Bools = field(repr=False)
    top_m: Floats = field(repr=False)
    bottom_m: Floats = field(repr=False)
    deep_m: Floats = field(repr=False)
    shallow_m: Floats = field(repr=False)
    base_m: float
    notes: tuple[str, ...] = ()


def under_pier(
    table: pd.DataFrame, ground: Ground, latitude_deg: float, longitude_deg: float
) -> UnderPier | None:
    """Follow the frost under a pier through the weather of its record.

    Parameters
    ----------
    table
        With the columns of `drift.readings.COLUMNS` ``["weather"]``.
    ground
        From `drift.ground.site.ground_of`.
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
        notes=(*ground.assumed, *weather.notes),
    )
