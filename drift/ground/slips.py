"""Noticing what can't be weather: days in another unit, a sensor that stands still, one day twice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from drift.ground.calendar import dates_text
from drift.ground.climate import AnnualCurve
from drift.quantities import Bools, Floats, Ints

#: A single day is out of the weather so many standard deviations from its neighbours, and at least so far.
_FAR_SD, _FAR_C = 4.5, 12.0
#: Converted, it must lie this near.
_NEAR_SD = 2.5
#: A whole stretch is out of the weather when its median is this far from the usual year [deg C]; converted,
#: it must come this near.
_STRETCH_FAR_C, _STRETCH_NEAR_C = 12.0, 8.0
_WINDOW = 21
#: So many days with the same minimum and maximum to the digit: a sensor that stands still.
_STILL_DAYS = 5

_TENTHS = "tenths of a degree"
#: Days in tenths range from night to day by ten times what days do [deg C].
_TENTHS_RANGE_C = 25.0

_UNITS: dict[str, Callable[[Floats], Floats]] = {
    "degrees Fahrenheit": lambda value: (value - 32.0) / 1.8,
    _TENTHS: lambda value: value / 10.0,
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
        """The mean where given, else the middle of minimum and maximum, (n,)."""
        return np.where(np.isfinite(self.t_mean_c), self.t_mean_c, 0.5 * (self.t_min_c + self.t_max_c))


def once_a_day(table: pd.DataFrame) -> tuple[Days, list[str]]:
    """Keep one row a day; of rows that differ, the one nearest to the days around it; say so."""
    names = ["t_min_c", "t_max_c", "t_mean_c", "snow_cm"]
    rows = table[["day", *names]].sort_values("day", kind="stable").drop_duplicates()
    twice = rows["day"].duplicated(keep=False).to_numpy()
    notes: list[str] = []
    if twice.any():
        middle = rows["t_mean_c"].fillna(0.5 * (rows["t_min_c"] + rows["t_max_c"])).to_numpy(dtype=float)
        around = pd.Series(middle).rolling(11, center=True, min_periods=1).median().to_numpy()
        away = np.where(np.isfinite(middle), np.abs(middle - around), np.inf)
        days = np.unique(rows["day"].to_numpy()[twice])
        rows = rows.assign(away=away).sort_values(["day", "away"], kind="stable").drop_duplicates("day")
        notes.append(
            f"The weather has {len(days)} {'day' if len(days) == 1 else 'days'} with several different rows "
            f"({dates_text(days)}); of each the one nearest to the days around it is used."
        )
    columns = (rows[name].to_numpy(dtype=float) for name in names)
    return Days(rows["day"].to_numpy(dtype=np.int64), *columns), notes


def without_still_sensor(days: Days) -> tuple[Days, list[str]]:
    """Blank the days on which minimum and maximum repeat to the digit for longer than weather does."""
    same = np.concatenate([[False], (np.diff(days.t_min_c) == 0) & (np.diff(days.t_max_c) == 0)])
    run = np.cumsum(~same)
    length = np.bincount(run, minlength=int(run.max(initial=0)) + 1)
    still = length[run] >= _STILL_DAYS
    if not still.any():
        return days, []
    note = (
        f"The minimum and maximum stand still to the digit on {still.sum()} days in a row or more "
        f"({dates_text(days.day[still])}): the sensor is taken to have failed, and these days are not used."
    )
    return _blanked(days, still), [note]


def in_one_unit(days: Days, curve: AnnualCurve) -> tuple[Days, list[str]]:
    """Convert stretches that are plainly in another unit than the rest; leave out such single days; say so.

    A day counts only when it is out of the weather as it stands and well inside
    it when converted.  Single days are not converted, because a freak of weather
    may look so too; without them little is lost.  A slip that stays within what
    weather does can't be noticed.
    """
    notes: list[str] = []
    for unit, convert in _UNITS.items():
        alone, stretch = _slipped(days, curve, unit)
        if stretch.any():
            days = _converted(days, stretch, convert)
            notes.append(
                f"{_days(stretch)} of the weather are far from all others as degrees Celsius and fit as "
                f"{unit} ({dates_text(days.day[stretch])}); they were converted.  Correct the log if that is "
                "right, or leave the days out of it."
            )
        if alone.any():
            days = _blanked(days, alone)
            notes.append(
                f"{_days(alone)} of the weather can't be degrees Celsius beside the days around, and may be "
                f"{unit} ({dates_text(days.day[alone])}); left out.  Correct the log if so."
            )
    return days, notes


def _days(which: Bools) -> str:
    return f"{which.sum()} {'day' if which.sum() == 1 else 'days'}"


def _slipped(days: Days, curve: AnnualCurve, unit: str) -> tuple[Bools, Bools]:
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
    if (
        unit == _TENTHS
    ):  # a cold snap divided by ten is mild: the range between night and day must show it too
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
