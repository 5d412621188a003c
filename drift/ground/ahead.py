"""What the weather may do in the next twelve months, and the frost that comes with it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from drift.codes import ForcingKind
from drift.ground.calendar import noon_us, year_phase
from drift.ground.forcing import Forcing, cold_store, cold_taken, frost_forcing, remembered
from drift.ground.frost_front import (
    below_base,
    columns_of,
    follow,
    forcing,
    frost_front,
    snow_lying,
    usual_snow,
)
from drift.ground.pier_site import Ground
from drift.ground.weather import DailyWeather, until
from drift.notices import GroundCode, Notice, info
from drift.quantities import YEAR_DAYS, Floats, Ints

#: With so many whole past years members are drawn from them; with fewer, from the usual year.
FEWEST_YEARS = 3
#: How many days early or late a past year may be taken.
_SHIFT_DAYS = 7
#: Today's departure from the usual dies away with this time constant [days]; snow's more slowly.
_MEMORY_DAYS, _SNOW_MEMORY_DAYS = 5.0, 20.0
#: Prior of how much mid-winters differ from year to year [deg C], and the number of winters that it counts
#: for (common practice).
_WINTER_SD_C, _WINTER_WEIGHT = 1.7, 4.0
#: Days of past weather from which the assumed snow at the beginning is worked out.
_SNOW_BEFORE_DAYS = 200


@dataclass(frozen=True)
class Continuations:
    """Sample paths of the coming weather.

    Parameters
    ----------
    day
        (D,) days since 1970-01-01, from the day after the last one with a reading.
    mean_c
        (M, D) daily mean air temperature of each member [deg C].
    snow_cm
        (M, D) snow lying [cm]; None when the log has no snow.
    past
        The weather that they continue, up to its last reading.
    years
        Number of past years drawn from; with fewer than three it is the usual year with invented weather
        about it.
    rests_on
        What they rest on.
    """

    day: Ints = field(repr=False)
    mean_c: Floats = field(repr=False)
    snow_cm: Floats | None = field(repr=False)
    past: DailyWeather = field(repr=False)
    years: int
    rests_on: Notice


def continuations(weather: DailyWeather, members: int = 100, days: int = 365, seed: int = 0) -> Continuations:
    """Draw sample paths of the coming weather; the same for the same weather and seed.

    Each member is the weather of a past year from today's date on (shifted by up to a week), joined to
    today's temperature.  Because few years show less than all that can happen, each member's winter is also
    shifted as a whole (see `shift_sd`).  With fewer than three past years a member is the usual year with
    made-up weather about it.

    Parameters
    ----------
    weather
        The past; cut it with `drift.ground.weather.until` to forecast from an earlier day.
    members, days
        M and D.
    seed
        Of the random draws.
    """
    past = until(weather, int(weather.day[~weather.filled][-1]))
    rng = np.random.default_rng([seed, int(past.day[-1])])
    day = past.day[-1] + 1 + np.arange(days, dtype=np.int64)
    starts = _starts(past, days)
    if starts.size >= FEWEST_YEARS:
        mean_c, snow_cm = _from_past_years(past, starts, day, members, rng)
        rests_on = info(GroundCode.FROM_PAST_YEARS, years=int(starts.size), from_day=int(day[0]))
    else:
        mean_c, snow_cm = _from_usual_year(past, starts.size, day, members, rng)
        rests_on = info(GroundCode.FROM_USUAL_YEAR, wanted_years=FEWEST_YEARS, from_day=int(day[0]))
    return Continuations(day, mean_c, snow_cm, past, int(starts.size), rests_on)


def _starts(past: DailyWeather, days: int) -> Ints:
    """Return the positions of today's date in past years that are followed by enough weather."""
    back = np.round(YEAR_DAYS * np.arange(1, past.day.size // 365 + 1)).astype(np.int64)
    at = past.day.size - back
    shortest = min(days, 365)
    return at[(at >= 0) & (at + shortest <= past.day.size)]


def _from_past_years(
    past: DailyWeather, starts: Ints, day: Ints, members: int, rng: np.random.Generator
) -> tuple[Floats, Floats | None]:
    # Every year equally often, in random order.
    start = rng.permutation(np.resize(starts, members)) + rng.integers(-_SHIFT_DAYS, _SHIFT_DAYS + 1, members)
    at = start[:, None] + np.arange(day.size)
    at = np.where(at < 0, at + 365, at)
    at = np.where(at >= past.day.size, at - 365 * (1 + (at - past.day.size) // 365), at)
    away = past.mean_c[at] - past.curve.at(past.day[at])
    shift = rng.normal(0.0, shift_sd(winter_sizes(past, starts)), members)
    mean_c = past.curve.at(day) + _joined(past, away) + _wintry(past, day, shift)
    return mean_c, _snow(past, past.snow_cm[at]) if past.has_snow else None


def _from_usual_year(
    past: DailyWeather, years: int, day: Ints, members: int, rng: np.random.Generator
) -> tuple[Floats, Floats | None]:
    keep = np.exp(-1.0 / _MEMORY_DAYS)
    noise = past.curve.spread_c * np.sqrt(1.0 - keep**2) * rng.normal(size=(members, day.size + 60))
    away = remembered(noise, keep)[:, 60:]
    shift = rng.normal(0.0, _WINTER_SD_C * np.sqrt(1.0 + 1.0 / max(years, 1)), members)
    mean_c = past.curve.at(day) + _joined(past, away) + _wintry(past, day, shift)
    if not past.has_snow:
        return mean_c, None
    return mean_c, _snow(past, np.tile(usual_snow(past, day), (members, 1)))


def _joined(past: DailyWeather, away: Floats) -> Floats:
    """Let departures from the usual year begin at today's."""
    now = float(past.mean_c[-1] - past.curve.at(past.day[-1:])[0])
    fade = np.exp(-(1.0 + np.arange(away.shape[1])) / _MEMORY_DAYS)
    return away + (now - away[:, :1]) * fade


def _snow(past: DailyWeather, snow_cm: Floats) -> Floats:
    fade = np.exp(-(1.0 + np.arange(snow_cm.shape[1])) / _SNOW_MEMORY_DAYS)
    return np.maximum(snow_cm + (past.snow_cm[-1] - snow_cm[:, :1]) * fade, 0.0)


def _wintry(past: DailyWeather, day: Ints, shift: Floats) -> Floats:
    """Return each member's shift of the winter half, (M, D)."""
    return shift[:, None] * np.clip(np.cos(year_phase(day, past.south)), 0.0, None)


def winter_sizes(past: DailyWeather, starts: Ints) -> Floats:
    """Return by how much each past year's winter was warmer than usual, (n,) [deg C in mid-winter]."""
    cold = np.clip(np.cos(year_phase(past.day, past.south)), 0.0, None)
    away = past.mean_c - past.curve.at(past.day)
    years = [slice(at, at + 365) for at in starts if at + 365 <= away.size]
    return np.array([away[year] @ cold[year] / (cold[year] @ cold[year]) for year in years])


def shift_sd(sizes: Floats) -> float:
    """Return the sd of the shift that makes the spread of drawn past winters that of a prediction [deg C].

    The variance between winters is that of the past ones, shrunk toward what is
    usual; the next winter's about their mean is 1 + 1/n of it, and 1 + 1.5/f more
    for its being known from f degrees of freedom only (that makes a Gaussian's
    80 % band Student's, to 1 %).  The part that the drawn years show themselves is subtracted.
    """
    n = sizes.size
    own = float(np.sum((sizes - sizes.mean()) ** 2))
    freedom = n - 1 + _WINTER_WEIGHT
    variance = (own + _WINTER_WEIGHT * _WINTER_SD_C**2) / freedom
    wanted = variance * (1.0 + 1.0 / n) * (1.0 + 1.5 / freedom)
    return float(np.sqrt(max(wanted - own / n, 0.0)))


@dataclass(frozen=True)
class ForcingAhead:
    """Plausible continuations of a forcing.

    Parameters
    ----------
    time_us
        (D,) local mean noon of each day, UTC microseconds.
    value
        (M, D) on the same scale as `past`.
    past
        The forcing up to the last day with weather.
    rests_on
        What it rests on.
    """

    time_us: Ints = field(repr=False)
    value: Floats = field(repr=False)
    past: Forcing = field(repr=False)
    rests_on: Notice


def frost_forcing_ahead(
    ahead: Continuations,
    ground: Ground,
    kind: ForcingKind = ForcingKind.FROZEN,
    longitude_deg: float = 0.0,
    thaw_factor: float | None = None,
) -> ForcingAhead:
    """Return how a frost forcing may go on, starting from the ground as it is now.

    Parameters
    ----------
    ahead
        From `continuations`.
    ground, kind, longitude_deg, thaw_factor
        As for `drift.ground.forcing.frost_forcing`.  A lag is put on with
        ``lagged(value, days, before)``, `before` the last lagged value of the past.
    """
    forcing = frost_forcing(ahead.past, ground, kind, longitude_deg, thaw_factor)
    if kind is ForcingKind.COLD_LEFT:
        value = _cold_ahead(ahead, ground, float(forcing.value[-1]) * forcing.per_unit, thaw_factor)
    else:
        value = _front_ahead(ahead, ground, kind)
    time_us = noon_us(ahead.day, longitude_deg)
    return ForcingAhead(time_us, value / forcing.per_unit, forcing, ahead.rests_on)


def _cold_ahead(ahead: Continuations, ground: Ground, root_now: float, thaw_factor: float | None) -> Floats:
    taken = cold_taken(ground, ahead.mean_c, _snow_ahead(ahead, ground), thaw_factor)
    return np.asarray(np.sqrt(cold_store(taken, root_now**2)))


def _front_ahead(ahead: Continuations, ground: Ground, kind: ForcingKind) -> Floats:
    members = ahead.mean_c.shape[0]
    columns = columns_of([ground.layers]).repeated(members)
    heat = np.repeat(frost_front(ahead.past, ground).heat, members, axis=0)
    surface_c, resistance = forcing(ground, ahead.mean_c, _snow_ahead(ahead, ground))
    fronts = follow(columns, heat, surface_c, resistance)
    return (
        fronts.frozen if kind is ForcingKind.FROZEN else below_base(ground.base_m, fronts.top, fronts.bottom)
    )


def _snow_ahead(ahead: Continuations, ground: Ground) -> Floats:
    """Return the snow that lies in each member, (M, D) [cm]; assumed snow begins with what lies today."""
    if ahead.snow_cm is not None:
        return snow_lying(ground, ahead.mean_c, ahead.snow_cm)
    before = np.tile(ahead.past.mean_c[-_SNOW_BEFORE_DAYS:], (ahead.mean_c.shape[0], 1))
    lying = snow_lying(ground, np.concatenate([before, ahead.mean_c], axis=1), None)
    return lying[:, before.shape[1] :]
