"""Freezing and thawing index: how much cold a winter brought, from the cumulative degree-day curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drift.ground.calendar import summer_year, winter_name, winter_year
from drift.ground.weather import DailyWeather
from drift.quantities import Floats, Ints

#: A season counts as whole when so many days of its year are in the record...
_WHOLE_DAYS = 355
#: ...and at most this share of its cold (or warm) spell is filled in.
_FILLED_AT_MOST = 0.15


@dataclass(frozen=True)
class Spell:
    """The fall (or rise) of one cumulative curve.

    Parameters
    ----------
    index
        Degree-days between the curve's turning points, never negative.
    first, last
        Positions of the first and the last day that belong to it; ``last < first`` when there is none.
    """

    index: float
    first: int
    last: int

    @property
    def length_days(self) -> int:
        """How long the spell was."""
        return self.last - self.first + 1


def freezing_spell(above: Floats) -> Spell:
    """Return the freezing index of one season.

    The difference between the highest point of the cumulative degree-day
    curve in autumn and the lowest point after it in spring [1]_.  It is not
    the sum of the negative days, which also counts every cold day that a thaw
    made up for.

    Parameters
    ----------
    above
        (n,) daily mean minus the freezing point, any unit of temperature, one
        season in order.

    References
    ----------
    .. [1] American Meteorological Society, Glossary of Meteorology, "freezing index";
       Huschke (1959); U.S. Army/Air Force (1966).
    """
    curve = np.concatenate([[0.0], np.cumsum(above)])
    fall = np.maximum.accumulate(curve) - curve
    low = int(np.argmax(fall))
    high = int(np.flatnonzero(curve[: low + 1] == curve[: low + 1].max())[-1])
    return Spell(float(fall[low]), high, low - 1)


def thawing_spell(above: Floats) -> Spell:
    """Return the thawing index of one season: from the lowest point in spring to the highest after it."""
    return freezing_spell(-np.asarray(above))


@dataclass(frozen=True)
class Season:
    """One winter's freezing index (or one summer's thawing index).

    Parameters
    ----------
    name
        ``2023-24`` in the north, ``2024`` in the south; a summer by its year (north) or both (south).
    year
        The year in which the winter has its coldest half (`drift.ground.calendar.winter_year`).
    index_c_d
        [deg C d].
    first_day, last_day
        Of the spell, days since 1970-01-01; None when the index is 0.
    whole
        Whether the record covers the season, so that the index is final.
    filled_days
        Days of the spell whose temperature was made up.
    """

    name: str
    year: int
    index_c_d: float
    first_day: int | None
    last_day: int | None
    whole: bool
    filled_days: int

    @property
    def length_days(self) -> int:
        """How long the spell was."""
        if self.first_day is None or self.last_day is None:
            return 0
        return self.last_day - self.first_day + 1


def winters(weather: DailyWeather) -> tuple[Season, ...]:
    """Return every winter of the record with its freezing index, the first and last perhaps in part."""
    return _seasons(weather, winter_year(weather.day, weather.south), 1.0, weather.south)


def summers(weather: DailyWeather) -> tuple[Season, ...]:
    """Return every summer of the record with its thawing index."""
    return _seasons(weather, summer_year(weather.day, weather.south), -1.0, not weather.south)


def _seasons(weather: DailyWeather, year: Ints, sign: float, named_south: bool) -> tuple[Season, ...]:
    return tuple(
        _season(weather, np.flatnonzero(year == number), int(number), sign, named_south)
        for number in np.unique(year)
    )


def _season(weather: DailyWeather, at: Ints, year: int, sign: float, named_south: bool) -> Season:
    spell = freezing_spell(sign * weather.mean_c[at])
    inside = at[spell.first : spell.last + 1]
    filled = int(weather.filled[inside].sum())
    there = bool(inside.size) and spell.index > 0.0
    return Season(
        name=winter_name(year, named_south),
        year=year,
        index_c_d=spell.index,
        first_day=int(weather.day[inside[0]]) if there else None,
        last_day=int(weather.day[inside[-1]]) if there else None,
        whole=at.size >= _WHOLE_DAYS and filled <= _FILLED_AT_MOST * max(inside.size, 1),
        filled_days=filled,
    )


@dataclass(frozen=True)
class DesignIndex:
    """The freezing index of a winter to build for.

    Parameters
    ----------
    index_c_d
        [deg C d].
    winters
        How many whole winters it rests on.
    rule
        How it was taken, in words.
    enough
        False when there are fewer than ten winters: then it is only the coldest seen.
    """

    index_c_d: float
    winters: int
    rule: str
    enough: bool


def design_index(indices: Sequence[float]) -> DesignIndex | None:
    """Return the mean of the three coldest of the last thirty winters, or the coldest of the last ten.

    Parameters
    ----------
    indices
        Freezing indices of whole winters in order of time [deg C d].

    Returns
    -------
    DesignIndex or None
        None without any winter.

    References
    ----------
    .. [1] U.S. Army/Air Force (1966), design freezing index; American Meteorological Society, Glossary.
    """
    known = [float(value) for value in indices]
    if not known:
        return None
    if len(known) >= 30:
        worst = float(np.mean(sorted(known[-30:])[-3:]))
        return DesignIndex(worst, 30, "mean of the three coldest of the last thirty winters", True)
    if len(known) >= 10:
        return DesignIndex(max(known[-10:]), 10, "coldest of the last ten winters", True)
    rule = f"coldest of {len(known)} known winters, too few for a design value"
    return DesignIndex(max(known), len(known), rule, False)
