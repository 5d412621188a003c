"""Daily forcings for the separation: frost heave in several forms, and what may pass for it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace

import numpy as np

from drift.codes import ForcingKind
from drift.ground.ahead import continuations, frost_forcing_ahead
from drift.ground.calendar import noon_us, winter_year
from drift.ground.forcing import air_temperature_forcing, frost_forcing_candidates, lagged
from drift.ground.pier_site import Ground
from drift.ground.weather import DailyWeather
from drift.notices import Notice
from drift.quantities import YEAR_DAYS, Floats, Ints

#: How far the tilt may lag behind the frost [days], as a time constant: common practice, ground is slow.
LAGS_DAYS = (0.0, 7.0, 20.0, 45.0)
LATER_DAYS = 15.0
#: How far the tilt may stray from frost that is moving: the root of (this x the time), times its pace
#: [days].  Common practice: half of a week's movement may come a week earlier or later.
UNREST_DAYS = 3.5
#: Days over which the pace is averaged, before and after.
UNREST_SPAN = 41
#: Number of sample paths of the frost in a forecast.
MEMBERS = 40
#: How far pier and mount may lag behind the air's temperature [days]: common practice, from a steel tube to
#: a block of concrete in the ground.
WARMTH_LAGS_DAYS = (1.0, 5.0, 20.0, 45.0)
#: Clay is wettest, and stands highest, about the end of winter and shrinks until the end of summer (common
#: practice): day of the year of the crest in the north, and how far it may be off [days].
WETTEST_DAY, WETTEST_OFF_DAYS = 60.0, (-20.0, 0.0, 20.0)
#: In a year milder than this the air's temperature is not scaled up [deg C].
LEAST_SWING_C = 5.0


@dataclass(frozen=True)
class FrostForcing:
    """One forcing day by day: frost, or what may pass for it.

    Parameters
    ----------
    kind, lag_days
        What it follows, and how far behind [days]; temperature and moisture are compared with frost by
        their odds, and never followed.
    time_us
        (m,) one a day, UTC microseconds.
    value
        (m,) 0 without frost, 1 at the peak of a typical winter.
    late
        (m,) how much more of it there is some days later: the same forcing `LATER_DAYS` further behind, minus
        itself.  With it the separation finds lags between those tried.
    risen
        (m,) sum over winters of each one's peak times the share of its rise so far.
    rests_on
        What it rests on; None for forcings that are only compared with frost.
    per_unit
        The value of 1 in the quantity's own unit, see `drift.ground.forcing.Forcing`.
    """

    kind: ForcingKind
    lag_days: float
    time_us: Ints = field(repr=False)
    value: Floats = field(repr=False)
    late: Floats = field(repr=False)
    risen: Floats = field(repr=False)
    rests_on: Notice | None = None
    per_unit: float = 1.0

    @property
    def is_frost(self) -> bool:
        """Whether it is frost, and not what may pass for it."""
        return self.kind.is_frost

    def at(self, time_us: Ints) -> Floats:
        """Return value, late and risen at times, linear between days and constant beyond the ends, (n, 3)."""
        times, days = np.asarray(time_us, dtype=float), self.time_us.astype(float)
        return np.stack([np.interp(times, days, s) for s in (self.value, self.late, self.risen)], axis=1)

    def unrest(self, time_us: Ints) -> Floats:
        """Return the variance of how far the tilt may have strayed from the forcing by some times, (n,).

        In units of a typical winter's swing squared, growing with time: no forcing
        follows a thaw to the week, so the tilt strays while the forcing moves, and
        some weeks before and after.
        """
        if not self.is_frost:
            return np.zeros(np.size(time_us))
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
        From `drift.ground.weather.daily_weather`, extended over all nights; a forcing is held beyond its
        ends.
    ground
        From `drift.ground.pier_site.ground_of`.
    longitude_deg
        East positive, for the time of noon.
    """

    weather: DailyWeather = field(repr=False)
    ground: Ground
    longitude_deg: float

    def forcings(self) -> tuple[FrostForcing, ...]:
        """Return the forcings worth comparing at this pier, each with several lags."""
        found = frost_forcing_candidates(self.weather, self.ground, self.longitude_deg)
        return tuple(
            replace(
                _followed(d.kind, lag, d.time_us, d.value, self.weather.day, self),
                rests_on=d.rests_on,
                per_unit=d.per_unit,
            )
            for d in found
            for lag in LAGS_DAYS
        )

    def others(self) -> tuple[FrostForcing, ...]:
        """Return what else may move a tilt with the seasons: the air's temperature, and the clay's moisture.

        Each swings by 1 from end to end in a usual year and returns to where it was.
        """
        return (
            *(self._warmth(lag) for lag in WARMTH_LAGS_DAYS),
            *(self._wet(off) for off in WETTEST_OFF_DAYS),
        )

    def _warmth(self, lag_days: float) -> FrostForcing:
        air = air_temperature_forcing(self.weather, lag_days, self.longitude_deg)
        usual = self.weather.curve.at(self.weather.day[0] + np.arange(366))
        swing = max(float(np.ptp(lagged(usual, lag_days, float(usual[0])))), LEAST_SWING_C)
        value = air.value / swing
        late = lagged(value, LATER_DAYS, float(value[0])) - value
        return FrostForcing(ForcingKind.TEMPERATURE, lag_days, air.time_us, value, late, np.zeros(value.size))

    def _wet(self, off_days: float) -> FrostForcing:
        day = self.weather.day
        wettest = WETTEST_DAY + off_days + (YEAR_DAYS / 2.0 if self.weather.south else 0.0)
        # day 0 is 1 January 1970
        value, later = (
            0.5 * np.cos(2.0 * np.pi * (day - wettest - more) / YEAR_DAYS) for more in (0.0, LATER_DAYS)
        )
        none = np.zeros(day.size)
        return FrostForcing(
            ForcingKind.MOISTURE, off_days, noon_us(day, self.longitude_deg), value, later - value, none
        )

    @property
    def logged_until_day(self) -> int:
        """The last day whose temperature was logged, days since 1970."""
        return int(self.weather.day[~self.weather.filled][-1])

    def mark(self, until_day: int) -> str:
        """Return a digest of the ground and of the weather logged through a day: what a choice rested on."""
        logged = ~self.weather.filled & (self.weather.day <= until_day)
        digest = hashlib.blake2b(f"{self.ground!r} {self.longitude_deg!r}".encode(), digest_size=16)
        for part in (self.weather.day, self.weather.mean_c, self.weather.snow_cm):
            digest.update(np.ascontiguousarray(part[logged]).tobytes())
        return digest.hexdigest()

    def candidates(self) -> tuple[FrostForcing, ...]:
        """Return the forcings worth comparing and what may pass for frost; none where there is no frost."""
        frost = self.forcings()
        return (*frost, *self.others()) if frost else ()

    @property
    def known_until_us(self) -> int:
        """Local mean noon of the last day whose temperature was logged, UTC microseconds."""
        return int(noon_us(self.weather.day[~self.weather.filled][-1:], self.longitude_deg)[0])

    def sample_paths(
        self, forcing: FrostForcing, days: int, members: int = MEMBERS, seed: int = 0
    ) -> tuple[FrostForcing, ...]:
        """Return sample paths of a forcing after the last day with weather.

        Parameters
        ----------
        forcing
            One of `forcings`.
        days
            How far ahead [days].
        members, seed
            Number of sample paths, and the seed of the draws.
        """
        ahead = continuations(self.weather, members, days, seed)
        coming = frost_forcing_ahead(ahead, self.ground, forcing.kind, self.longitude_deg)
        times = np.concatenate([coming.past.time_us, coming.time_us])
        day = np.concatenate([ahead.past.day, ahead.day])
        plain = [np.concatenate([coming.past.value, value]) for value in coming.value]
        sample_paths = [_followed(forcing.kind, forcing.lag_days, times, value, day, self) for value in plain]
        scale = coming.past.per_unit / forcing.per_unit
        return tuple(
            replace(
                path,
                value=scale * path.value,
                late=scale * path.late,
                risen=scale * path.risen,
                rests_on=ahead.rests_on,
                per_unit=forcing.per_unit,
            )
            for path in sample_paths
        )


def _followed(
    kind: ForcingKind, lag_days: float, time_us: Ints, plain: Floats, day: Ints, heave: FrostHeave
) -> FrostForcing:
    value = lagged(plain, lag_days, float(plain[0]))
    late = lagged(plain, lag_days + LATER_DAYS, float(plain[0])) - value
    risen = _risen(value, winter_year(day, heave.weather.south))
    return FrostForcing(kind, lag_days, time_us, value, late, risen)


def _risen(value: Floats, year: Ints) -> Floats:
    """Add up over winters each one's peak times the share of its rise so far."""
    rise = np.maximum(np.diff(value, prepend=value[0]), 0.0)
    out = np.zeros(value.size)
    for number in np.unique(year):
        own = np.where(year == number, rise, 0.0)
        if own.sum() > 0.0:
            out += value[own > 0.0].max() * np.cumsum(own) / own.sum()
    return out
