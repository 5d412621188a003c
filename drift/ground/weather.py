"""The weather of a site, one value a day without gaps; and the days and seasons of either hemisphere."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import pandas as pd

from drift.notices import GroundCode, Notice, Value, info, warning
from drift.quantities import DAY_US, YEAR_DAYS, Bools, Floats, Ints

# ---- Days, dates and seasons of either hemisphere, and the usual course of temperature over a year.


#: First month of the year that holds one whole winter: July in the north, January in the south.
_NORTH_FIRST_MONTH, _SOUTH_FIRST_MONTH = 7, 1


def date_text(day: int) -> str:
    """Return ``2024-01-31`` of days since 1970-01-01."""
    return str(np.datetime64(int(day), "D"))


def winter_year(day: Ints, south: bool) -> Ints:
    """Return the calendar year in which each day's winter has its coldest half, (n,).

    A year that holds one whole winter runs from 1 July to 30 June in the
    north and from 1 January to 31 December in the south.
    """
    month = np.asarray(day).astype("datetime64[D]").astype("datetime64[M]").astype(np.int64)
    first = _SOUTH_FIRST_MONTH if south else _NORTH_FIRST_MONTH
    ahead = 0 if south else 12 - (first - 1)
    return np.asarray(1970 + (month + ahead) // 12, dtype=np.int64)


def winter_name(year: int, south: bool) -> str:
    """Return ``2023-24`` in the north, ``2024`` in the south."""
    return str(year) if south else f"{year - 1}-{year % 100:02d}"


def noon_us(day: Ints, longitude_deg: float) -> Ints:
    """Return local mean noon of each local date, UTC microseconds, (n,)."""
    return np.asarray(
        np.asarray(day) * DAY_US + round((0.5 - longitude_deg / 360.0) * DAY_US), dtype=np.int64
    )


def year_phase(day: Ints | Floats, south: bool) -> Floats:
    """Return the angle of the year, 0 in mid-winter (15 January north, 16 July south), (n,) [rad]."""
    mid_winter = 14.0 + (YEAR_DAYS / 2.0 if south else 0.0)
    return np.asarray(2.0 * np.pi * (np.asarray(day, dtype=float) - mid_winter) / YEAR_DAYS)


# ---- The usual course of temperature over a year, from however much of it is known.


#: Prior: mean, cosine and sine of the phase from mid-winter [deg C], and their standard deviations.  Common
#: practice: places where a pier freezes have means from -5 to 15 deg C and swing by 5 to 20 deg C to either
#: side, coldest within three weeks of mid-winter.
_PRIOR_C = np.array([8.0, -11.0, 0.0])
_PRIOR_SD_C = np.array([10.0, 6.0, 3.0])
#: Days of weather that count as one independent of the others.
_DAYS_PER_INDEPENDENT = 5.0
#: Least scatter of daily means about the curve [deg C].
_LEAST_SPREAD_C = 2.0
_ROUNDS = 25


@dataclass(frozen=True)
class AnnualCurve:
    """Daily mean air temperature in a usual year: mean + cosine cos(p) + sine sin(p), p from mid-winter.

    Parameters
    ----------
    mean_c, cosine_c, sine_c
        [deg C]; the cosine is negative where mid-winter is cold.
    spread_c
        Robust standard deviation of single days about the curve [deg C].
    south
        Whether the winter is in July.
    """

    mean_c: float
    cosine_c: float
    sine_c: float
    spread_c: float
    south: bool

    def at(self, day: Ints | Floats) -> Floats:
        """Return the curve on some days, (n,) [deg C]."""
        phase = year_phase(day, self.south)
        return np.asarray(self.mean_c + self.cosine_c * np.cos(phase) + self.sine_c * np.sin(phase))

    @property
    def coldest_day(self) -> float:
        """A day on which the curve is coldest, days since 1970-01-01 (with a fraction)."""
        phase = np.arctan2(-self.sine_c, -self.cosine_c)
        mid_winter = 14.0 + (YEAR_DAYS / 2.0 if self.south else 0.0)
        return float(mid_winter + phase / (2.0 * np.pi) * YEAR_DAYS)


def fit_annual_curve(day: Ints, mean_c: Floats, south: bool) -> AnnualCurve:
    """Fit the curve to daily means; single wild days and slips of unit hardly move it.

    Huber's weights about a Gaussian prior, so that a few weeks give a wide but
    sensible year.

    Parameters
    ----------
    day, mean_c
        (n,) days since 1970-01-01 and means [deg C]; NaN is left out.
    south
        Whether the winter is in July.
    """
    known = np.isfinite(mean_c)
    value = np.asarray(mean_c, dtype=float)[known]
    phase = year_phase(np.asarray(day)[known], south)
    design = np.column_stack([np.ones(phase.size), np.cos(phase), np.sin(phase)])
    beta, spread = _PRIOR_C, 5.0
    for _ in range(_ROUNDS if value.size else 0):
        away = value - design @ beta
        weight = 1.0 / np.maximum(np.abs(away) / spread, 1.0) / (spread**2 * _DAYS_PER_INDEPENDENT)
        precision = (design * weight[:, None]).T @ design + np.diag(_PRIOR_SD_C**-2.0)
        beta = np.linalg.solve(precision, design.T @ (weight * value) + _PRIOR_C / _PRIOR_SD_C**2)
        spread = max(_LEAST_SPREAD_C, 1.4826 * float(np.median(np.abs(value - design @ beta))))
    return AnnualCurve(float(beta[0]), float(beta[1]), float(beta[2]), float(spread), south)


# ---- Readings that can't be weather: another unit, a sensor stuck at one value, one day twice.


#: A single day is impossible this many standard deviations from its neighbours, and at least so far [deg C].
_FAR_SD, _FAR_C = 4.5, 12.0
#: Converted, it must be this near to them.
_NEAR_SD = 2.5
#: A whole stretch is impossible when its median is this far from the usual year [deg C]; converted, it must
#: be this near.
_STRETCH_FAR_C, _STRETCH_NEAR_C = 12.0, 8.0
_WINDOW = 21
#: Days with the same minimum and maximum to the digit that mean a stuck sensor.
_STILL_DAYS = 5
#: A notice names at most so many single days.
_NAMED_AT_MOST = 3


class OtherUnit(StrEnum):
    """A unit that a logger may have used instead of degrees Celsius."""

    FAHRENHEIT = "fahrenheit"
    TENTHS = "tenths"  # of a degree Celsius


#: Least range between night and day of days in tenths of a degree, ten times the usual [deg C].
_TENTHS_RANGE_C = 25.0

_UNITS: dict[OtherUnit, Callable[[Floats], Floats]] = {
    OtherUnit.FAHRENHEIT: lambda value: (value - 32.0) / 1.8,
    OtherUnit.TENTHS: lambda value: value / 10.0,
}


@dataclass(frozen=True)
class Days:
    """Days in ascending order, each once; all (n,); temperatures [deg C], NaN where not known."""

    day: Ints = field(repr=False)
    t_min_c: Floats = field(repr=False)
    t_max_c: Floats = field(repr=False)
    t_mean_c: Floats = field(repr=False)
    snow_cm: Floats = field(repr=False)

    @property
    def middle_c(self) -> Floats:
        """The mean where given, else the mean of minimum and maximum, (n,)."""
        return np.where(np.isfinite(self.t_mean_c), self.t_mean_c, 0.5 * (self.t_min_c + self.t_max_c))


def once_a_day(table: pd.DataFrame) -> tuple[Days, list[Notice]]:
    """Keep one row a day, of rows that differ the one nearest to the days around it, and return a notice."""
    names = ["t_min_c", "t_max_c", "t_mean_c", "snow_cm"]
    rows = table[["day", *names]].sort_values("day", kind="stable").drop_duplicates()
    twice = rows["day"].duplicated(keep=False).to_numpy()
    notices: list[Notice] = []
    if twice.any():
        middle = rows["t_mean_c"].fillna(0.5 * (rows["t_min_c"] + rows["t_max_c"])).to_numpy(dtype=float)
        around = pd.Series(middle).rolling(11, center=True, min_periods=1).median().to_numpy()
        away = np.where(np.isfinite(middle), np.abs(middle - around), np.inf)
        days = np.unique(rows["day"].to_numpy()[twice])
        rows = rows.assign(away=away).sort_values(["day", "away"], kind="stable").drop_duplicates("day")
        notices.append(info(GroundCode.DAYS_TWICE, **_named(days)))
    columns = (rows[name].to_numpy(dtype=float) for name in names)
    return Days(rows["day"].to_numpy(dtype=np.int64), *columns), notices


def without_still_sensor(days: Days) -> tuple[Days, list[Notice]]:
    """Blank days on which minimum and maximum repeat to the digit for longer than weather can."""
    same = np.concatenate([[False], (np.diff(days.t_min_c) == 0) & (np.diff(days.t_max_c) == 0)])
    run = np.cumsum(~same)
    length = np.bincount(run, minlength=int(run.max(initial=0)) + 1)
    still = length[run] >= _STILL_DAYS
    if not still.any():
        return days, []
    return _blanked(days, still), [warning(GroundCode.SENSOR_STILL, **_named(days.day[still]))]


def in_one_unit(days: Days, curve: AnnualCurve) -> tuple[Days, list[Notice]]:
    """Convert stretches that are clearly in another unit, leave out such single days, and return notices.

    A day counts only when it is impossible as it stands and plausible when converted.  Single days are not
    converted, because freak weather may look like that too; little is lost without them.  A wrong unit that
    gives plausible weather can't be noticed.
    """
    notices: list[Notice] = []
    for unit, convert in _UNITS.items():
        alone, stretch = _slipped(days, curve, unit)
        if stretch.any():
            days = _converted(days, stretch, convert)
            where = _named(days.day[stretch])
            notices.append(warning(GroundCode.OTHER_UNIT_CONVERTED, unit=unit, **where))
        if alone.any():
            days = _blanked(days, alone)
            where = _named(days.day[alone])
            notices.append(warning(GroundCode.OTHER_UNIT_LEFT_OUT, unit=unit, **where))
    return days, notices


def _named(days: Ints) -> dict[str, Value]:
    """Return the number of days and the first few of them, days since 1970, as values of a notice."""
    return {"days": int(days.size), "first_days": tuple(days[:_NAMED_AT_MOST].tolist())}


def _slipped(days: Days, curve: AnnualCurve, unit: OtherUnit) -> tuple[Bools, Bools]:
    """Return which days stand alone in another unit, and which in a stretch of such days."""
    convert = _UNITS[unit]
    usual = curve.at(days.day)
    as_is, converted = days.middle_c - usual, convert(days.middle_c) - usual
    around = _rolling_median(as_is)
    scatter = max(2.0, 1.4826 * float(np.nanmedian(np.abs(as_is - around))))
    alone = (np.abs(as_is - around) > max(_FAR_SD * scatter, _FAR_C)) & (
        np.abs(converted - around) < _NEAR_SD * scatter
    )
    stretch = (np.abs(around) > _STRETCH_FAR_C) & (np.abs(_rolling_median(converted)) < _STRETCH_NEAR_C)
    stretch &= np.abs(converted) + 5.0 < np.abs(as_is)
    possible = np.ones(days.day.size, dtype=bool)
    if unit is OtherUnit.TENTHS:
        # a cold snap divided by ten is mild: the range between night and day must show it too
        possible = days.t_max_c - days.t_min_c > _TENTHS_RANGE_C
    return alone & possible & ~stretch, stretch & possible


def _rolling_median(value: Floats) -> Floats:
    return pd.Series(value).rolling(_WINDOW, center=True, min_periods=5).median().fillna(0.0).to_numpy()


def _converted(days: Days, which: Bools, convert: Callable[[Floats], Floats]) -> Days:
    def put(value: Floats) -> Floats:
        return np.where(which, convert(value), value)

    return Days(days.day, put(days.t_min_c), put(days.t_max_c), put(days.t_mean_c), days.snow_cm)


def _blanked(days: Days, which: Bools) -> Days:
    def put(value: Floats) -> Floats:
        return np.where(which, np.nan, value)

    return Days(days.day, put(days.t_min_c), put(days.t_max_c), put(days.t_mean_c), days.snow_cm)


# ---- One value a day without a gap.


#: Fewer days than this say nothing of a winter.
FEWEST_DAYS = 30
#: Gaps in snow readings of up to so many days are bridged; in longer ones no snow is assumed.
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
        Where the temperature was not logged but filled in (see `daily_weather`).
    curve
        The usual year.
    notices
        What was noticed.
    """

    latitude_deg: float
    day: Ints = field(repr=False)
    mean_c: Floats = field(repr=False)
    snow_cm: Floats = field(repr=False)
    filled: Bools = field(repr=False)
    curve: AnnualCurve
    notices: tuple[Notice, ...] = ()

    @property
    def south(self) -> bool:
        """Whether winter is in July."""
        return self.latitude_deg < 0.0

    @property
    def has_snow(self) -> bool:
        """Whether the log has snow."""
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
        With the columns of `drift.types.READING_COLUMNS` ``["weather"]``.
    latitude_deg
        [deg], signed.
    from_day, through_day
        First and last day that must be covered, days since 1970-01-01; what is missing at its ends is
        filled in like a gap.

    Returns
    -------
    DailyWeather or None
        None when fewer than `FEWEST_DAYS` days have a temperature.
    """
    days, notices = once_a_day(table)
    days, more = without_still_sensor(days)
    notices += more
    curve = fit_annual_curve(days.day, days.middle_c, latitude_deg < 0.0)
    known = np.isfinite(days.middle_c)
    if known.sum() < FEWEST_DAYS:
        return None
    days, more = in_one_unit(days, curve)
    notices += more
    curve = fit_annual_curve(days.day, days.middle_c, latitude_deg < 0.0)
    first, last = days.day[known][0], days.day[known][-1]
    first, last = (
        min(first, first if from_day is None else from_day),
        max(last, last if through_day is None else through_day),
    )
    return _complete(days, curve, np.arange(first, last + 1, dtype=np.int64), latitude_deg, notices)


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
        weather.latitude_deg, day, mean_c, weather.snow_cm[keep], filled, curve, weather.notices
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
    days: Days, curve: AnnualCurve, every: Ints, latitude_deg: float, notices: list[Notice]
) -> DailyWeather:
    place = np.searchsorted(days.day, every).clip(max=days.day.size - 1)
    found = days.day[place] == every
    mean_c = np.where(found, days.middle_c[place], np.nan)
    filled = ~np.isfinite(mean_c)
    snow_cm = _snow(np.where(found, days.snow_cm[place], np.nan))
    inside = filled & (every >= days.day[0]) & (every <= days.day[-1])
    if inside.any():
        notices = [*notices, info(GroundCode.DAYS_FILLED, **_named(every[inside]))]
    return DailyWeather(
        latitude_deg, every, bridged(every, mean_c, curve), snow_cm, filled, curve, tuple(notices)
    )


def _snow(snow_cm: Floats) -> Floats:
    if not np.isfinite(snow_cm).any():
        return snow_cm
    near = pd.Series(snow_cm).interpolate(limit=_SNOW_BRIDGE_DAYS, limit_area="inside")
    return near.fillna(0.0).to_numpy()
