"""Daily forcings for the separation: frost heave in several forms, its rivals, and the coming year."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field, replace

import numpy as np

from drift.codes import ForcingKind
from drift.ground.forcing import (
    Forcing,
    air_temperature_forcing,
    cold_store,
    cold_taken,
    frost_forcing,
    frost_forcing_candidates,
    lagged,
    remembered,
)
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
from drift.ground.weather import DailyWeather, noon_us, until, winter_year, year_phase
from drift.notices import GroundCode, Notice, info
from drift.quantities import YEAR_DAYS, Floats, Ints

# ---- What the weather may do in the next twelve months, and the frost that comes with it.


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


# ---- Daily forcings for the separation: frost heave in several forms, and what may pass for it.


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
