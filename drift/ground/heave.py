"""What the separation takes from the ground: drivers of frost heave, day by day."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from drift.ground.ahead import continuations, frost_driver_ahead
from drift.ground.calendar import noon_us, winter_year
from drift.ground.drivers import frost_driver_candidates, lagged
from drift.ground.site import Ground
from drift.ground.weather import DailyWeather
from drift.quantities import Floats, Ints

#: How far the lean may lag behind the frost [days], as a time constant: common practice, ground is slow.
LAGS_DAYS = (0.0, 7.0, 20.0, 45.0)
LATER_DAYS = 15.0
#: While frost goes at its pace, the lean strays from it by the root of (this x the time) of that pace [days]:
#: common practice, half of a week's movement may come a week earlier or later.
UNREST_DAYS = 3.5
#: Days over which a pace is felt, before and after.
UNREST_SPAN = 41
#: Ways in which the frost may go on that a forecast is made from.
MEMBERS = 40


@dataclass(frozen=True)
class FrostDriver:
    """How the frost went, day by day.

    Parameters
    ----------
    kind, lag_days
        What it follows, see `drift.ground.drivers.FROST_KINDS`, and how far behind [days].
    time_us
        (m,) one a day, UTC microseconds.
    value
        (m,) 0 without frost, 1 at the peak of a typical winter.
    late
        (m,) how much more of it there is some days later: the same driver `LATER_DAYS` further behind, minus
        itself.  With it the separation finds the lag between the lags.
    risen
        (m,) sum over winters of each one's peak times the share of its rise that is over.
    sentence
        What it rests on.
    """

    kind: str
    lag_days: float
    time_us: Ints = field(repr=False)
    value: Floats = field(repr=False)
    late: Floats = field(repr=False)
    risen: Floats = field(repr=False)
    sentence: str = ""

    def at(self, time_us: Ints) -> Floats:
        """Return value, late and risen at some times, linear between days and held at the ends, (n, 3)."""
        times, days = np.asarray(time_us, dtype=float), self.time_us.astype(float)
        return np.stack([np.interp(times, days, s) for s in (self.value, self.late, self.risen)], axis=1)

    def unrest(self, time_us: Ints) -> Floats:
        """Return how much the lean may stray from the driver by some times, as a variance, (n,).

        In units of a typical winter's swing squared, growing with time: no driver
        follows a thaw to the week, so the lean strays while the driver moves, and
        some weeks before and after.
        """
        moved = np.abs(np.diff(self.value, prepend=self.value[0]))
        window = np.bartlett(UNREST_SPAN + 2)[1:-1]
        pace = np.convolve(moved, window / window.sum(), mode="same")
        grown = np.cumsum(UNREST_DAYS * pace**2)
        return np.interp(np.asarray(time_us, dtype=float), self.time_us.astype(float), grown)


@dataclass(frozen=True)
class FrostHeave:
    """Everything that a separation and a forecast take from weather and ground.

    Parameters
    ----------
    weather
        From `drift.ground.weather.daily_weather`, extended over all readings.
    ground
        From `drift.ground.site.ground_of`.
    longitude_deg
        East positive, for the time of noon.
    """

    weather: DailyWeather = field(repr=False)
    ground: Ground
    longitude_deg: float

    def drivers(self) -> tuple[FrostDriver, ...]:
        """Return the drivers worth comparing at this pier, each with several lags."""
        found = frost_driver_candidates(self.weather, self.ground, self.longitude_deg)
        return tuple(
            replace(_followed(d.name, lag, d.time_us, d.value, self.weather.day, self), sentence=d.sentence)
            for d in found
            for lag in LAGS_DAYS
        )

    @property
    def known_until_us(self) -> int:
        """Local mean noon of the last day whose temperature was logged, UTC microseconds."""
        return int(noon_us(self.weather.day[~self.weather.filled][-1:], self.longitude_deg)[0])

    def ways(
        self, driver: FrostDriver, days: int, members: int = MEMBERS, seed: int = 0
    ) -> tuple[FrostDriver, ...]:
        """Return ways in which a driver may go on after the last day with weather.

        Parameters
        ----------
        driver
            One of `drivers`.
        days
            How far ahead [days].
        members, seed
            How many ways, and of the random draws.
        """
        ahead = continuations(self.weather, members, days, seed)
        coming = frost_driver_ahead(ahead, self.ground, driver.kind, self.longitude_deg)
        times = np.concatenate([coming.past.time_us, coming.time_us])
        day = np.concatenate([ahead.past.day, ahead.day])
        plain = [np.concatenate([coming.past.value, value]) for value in coming.value]
        ways = [_followed(driver.kind, driver.lag_days, times, value, day, self) for value in plain]
        scale = _same_scale(driver, ways[0], coming.past.time_us.size)
        return tuple(
            replace(
                way,
                value=scale * way.value,
                late=scale * way.late,
                risen=scale * way.risen,
                sentence=ahead.sentence,
            )
            for way in ways
        )


def _same_scale(driver: FrostDriver, way: FrostDriver, days: int) -> float:
    """Return the factor that brings a way onto the driver's scale, from the days that both know."""
    theirs, ours = way.value[:days], driver.at(way.time_us[:days])[:, 0]
    square = float(theirs @ theirs)
    return float(ours @ theirs) / square if square > 0.0 else 1.0


def _followed(
    kind: str, lag_days: float, time_us: Ints, plain: Floats, day: Ints, heave: FrostHeave
) -> FrostDriver:
    value = lagged(plain, lag_days, float(plain[0]))
    late = lagged(plain, lag_days + LATER_DAYS, float(plain[0])) - value
    risen = _risen(value, winter_year(day, heave.weather.south))
    return FrostDriver(kind, lag_days, time_us, value, late, risen)


def _risen(value: Floats, year: Ints) -> Floats:
    """Add up over winters each one's peak times the share of its rise that is over."""
    rise = np.maximum(np.diff(value, prepend=value[0]), 0.0)
    out = np.zeros(value.size)
    for number in np.unique(year):
        own = np.where(year == number, rise, 0.0)
        if own.sum() > 0.0:
            out += value[own > 0.0].max() * np.cumsum(own) / own.sum()
    return out
