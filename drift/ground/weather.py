"""The weather of a site, one value a day without a gap, with what was filled in and what was noticed."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.ground.calendar import dates_text
from drift.ground.climate import AnnualCurve, fit_annual_curve
from drift.ground.slips import Days, in_one_unit, once_a_day, without_still_sensor
from drift.quantities import Bools, Floats, Ints

#: Fewer days than this say nothing of a winter.
FEWEST_DAYS = 30
#: A lack of snow readings of up to so many days is bridged; beyond, no snow is assumed.
_SNOW_BRIDGE_DAYS = 14
#: In a gap the departure from the usual year dies away with this time constant [days].
_MEMORY_DAYS = 5.0


@dataclass(frozen=True)
class DailyWeather:
    """Daily air temperature and snow, one entry a day from first to last; all (n,).

    Parameters
    ----------
    latitude_deg
        Signed; tells which months are winter.
    day
        Local dates, days since 1970-01-01, every one.
    mean_c
        Daily mean: as logged, else the middle of minimum and maximum [deg C].
    snow_cm
        Snow lying [cm]; NaN throughout when the log has none.
    filled
        Where the temperature was not logged and is made up (see `daily_weather`).
    curve
        The usual year.
    notes
        What was noticed, whole sentences.
    """

    latitude_deg: float
    day: Ints = field(repr=False)
    mean_c: Floats = field(repr=False)
    snow_cm: Floats = field(repr=False)
    filled: Bools = field(repr=False)
    curve: AnnualCurve
    notes: tuple[str, ...] = ()

    @property
    def south(self) -> bool:
        """Whether winter is in July."""
        return self.latitude_deg < 0.0

    @property
    def has_snow(self) -> bool:
        """Whether the log tells the snow."""
        return bool(np.isfinite(self.snow_cm).any())


def daily_weather(
    table: pd.DataFrame, latitude_deg: float, from_day: int | None = None, through_day: int | None = None
) -> DailyWeather | None:
    """Clean a table of weather readings: each day once, in one unit, without a gap.

    A missing day gets the usual temperature of its season plus the departure
    of the days at the gap's ends, which dies away inside it; it is marked in
    `filled`.

    Parameters
    ----------
    table
        With the columns of `drift.readings.COLUMNS` ``["weather"]``.
    latitude_deg
        [deg], signed.
    from_day, through_day
        First and last day that must be covered, days since 1970-01-01; what the
        log lacks at its ends is filled in like a gap.

    Returns
    -------
    DailyWeather or None
        None when fewer than `FEWEST_DAYS` days have a temperature.
    """
    days, notes = once_a_day(table)
    days, more = without_still_sensor(days)
    notes += more
    curve = fit_annual_curve(days.day, days.middle_c, latitude_deg < 0.0)
    known = np.isfinite(days.middle_c)
    if known.sum() < FEWEST_DAYS:
        return None
    days, more = in_one_unit(days, curve)
    notes += more
    curve = fit_annual_curve(days.day, days.middle_c, latitude_deg < 0.0)
    first, last = days.day[known][0], days.day[known][-1]
    first, last = (
        min(first, first if from_day is None else from_day),
        max(last, last if through_day is None else through_day),
    )
    return _complete(days, curve, np.arange(first, last + 1, dtype=np.int64), latitude_deg, notes)


def until(weather: DailyWeather, last_day: int) -> DailyWeather:
    """Return the weather as it was known on a day: what came later is not used, not even in the usual year.

    Raises
    ------
    ValueError
        If the weather begins after that day.
    """
    if last_day < weather.day[0]:
        raise ValueError(f"the weather begins on day {weather.day[0]}, after day {last_day}")
    keep = weather.day <= last_day
    day, mean_c, filled = weather.day[keep], weather.mean_c[keep], weather.filled[keep]
    curve = fit_annual_curve(day, np.where(filled, np.nan, mean_c), weather.south)
    mean_c = np.where(filled, bridged(day, np.where(filled, np.nan, mean_c), curve), mean_c)
    return DailyWeather(
        weather.latitude_deg, day, mean_c, weather.snow_cm[keep], filled, curve, weather.notes
    )


def bridged(day: Ints, mean_c: Floats, curve: AnnualCurve) -> Floats:
    """Fill NaN days: the usual year plus the departure at the gap's ends, dying away, (n,) [deg C]."""
    usual = curve.at(day)
    away = mean_c - usual
    known = np.flatnonzero(np.isfinite(away))
    if not known.size:
        return usual
    at = np.arange(day.size)
    place = np.searchsorted(known, at, side="right") - 1
    before, after = known[np.maximum(place, 0)], known[np.minimum(place + 1, known.size - 1)]
    since = np.where(place >= 0, at - before, np.inf)
    to = np.where(after > at, after - at, np.inf)
    fade_before, fade_after = np.exp(-since / _MEMORY_DAYS), np.exp(-to / _MEMORY_DAYS)
    made_up = usual + away[before] * fade_before + away[after] * fade_after * (1.0 - fade_before)
    return np.where(np.isfinite(away), mean_c, made_up)


def _complete(
    days: Days, curve: AnnualCurve, every: Ints, latitude_deg: float, notes: list[str]
) -> DailyWeather:
    place = np.searchsorted(days.day, every).clip(max=days.day.size - 1)
    found = days.day[place] == every
    mean_c = np.where(found, days.middle_c[place], np.nan)
    filled = ~np.isfinite(mean_c)
    snow_cm = _snow(np.where(found, days.snow_cm[place], np.nan))
    inside = filled & (every >= days.day[0]) & (every <= days.day[-1])
    if inside.any():
        notes = [
            *notes,
            f"{inside.sum()} {'day' if inside.sum() == 1 else 'days'} without a temperature inside the "
            f"weather log ({dates_text(every[inside])}) got the usual one of the season.",
        ]
    return DailyWeather(
        latitude_deg, every, bridged(every, mean_c, curve), snow_cm, filled, curve, tuple(notes)
    )


def _snow(snow_cm: Floats) -> Floats:
    if not np.isfinite(snow_cm).any():
        return snow_cm
    near = pd.Series(snow_cm).interpolate(limit=_SNOW_BRIDGE_DAYS, limit_area="inside")
    return near.fillna(0.0).to_numpy()
