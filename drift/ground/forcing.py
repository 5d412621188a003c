"""Daily series that a tilt may follow: frost of several kinds, ground temperature, air temperature.

A forcing says when and in which proportion, not how much: the separation finds
gain and direction.  Frost forcings are 1 at the peak of a typical winter here,
so that a gain is the swing of such a winter.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.linalg import solve_banded

from drift.codes import ForcingKind
from drift.ground.frost_front import Front, frost_front, lead_in_days, snow_lying, usual_snow
from drift.ground.pier_site import Ground, snow_resistance
from drift.ground.weather import DailyWeather, noon_us, winter_year
from drift.notices import GroundCode, Notice, info
from drift.quantities import Bools, Floats, Ints

#: What a frost forcing may follow.
FROST_KINDS = tuple(kind for kind in ForcingKind if kind.is_frost)
#: Least depth of a typical winter [m]; below it there is no frost to speak of, and small frosts are not
#: scaled up.
_LEAST_PEAK_M = 0.05
#: The same for the remaining cold, [deg C d]^0.5: 10 degree-days.
_LEAST_PEAK_COLD = 10.0**0.5
#: Thermal resistance of half a metre of middling soil [m2 K/W].
_HALF_METRE = 0.4
#: A winter's peak counts toward the typical one when so many of its days are in the record.
_WHOLE_DAYS = 300


@dataclass(frozen=True)
class Forcing:
    """A daily series.

    Parameters
    ----------
    kind
        What it follows.
    time_us
        (m,) local mean noon of each day, UTC microseconds.
    value
        (m,) frost: 0 for none, 1 for the peak of a typical winter; temperature: [deg C] from its mean.
    filled
        (m,) where the weather behind it was filled in.
    per_unit
        The value of 1 in the quantity's own unit: frozen soil [m], root of degree-days, or 1 deg C.
    """

    kind: ForcingKind
    time_us: Ints = field(repr=False)
    value: Floats = field(repr=False)
    filled: Bools = field(repr=False)
    per_unit: float

    @property
    def rests_on(self) -> Notice:
        """What weather it rests on."""
        days, filled = int(self.filled.size), int(self.filled.sum())
        return info(GroundCode.FROM_WEATHER, forcing=self.kind, days=days, filled=filled)

    def at(self, time_us: Ints) -> Floats:
        """Return the forcing at some times, linear between noons and held at the ends, (k,)."""
        # Microseconds since 1970 as doubles are exact to a quarter of a microsecond.
        return np.interp(np.asarray(time_us, dtype=float), self.time_us.astype(float), self.value)


def frost_forcing(
    weather: DailyWeather,
    ground: Ground,
    kind: ForcingKind = ForcingKind.FROZEN,
    longitude_deg: float = 0.0,
    thaw_factor: float | None = None,
) -> Forcing:
    """Return the series of one measure of frost, for the part of the tilt that follows frost.

    Parameters
    ----------
    weather
        From `drift.ground.weather.daily_weather`, extended through the last night.
    ground
        From `drift.ground.pier_site.ground_of`.
    kind
        One of `FROST_KINDS`.  The remaining cold needs only the weather and what becomes of the snow.
    longitude_deg
        East positive, for the time of noon.
    thaw_factor
        For the remaining cold: weight of a degree-day of thaw against one of frost; None for the ratio of
        the surface's n-factors.

    Raises
    ------
    ValueError
        If the kind is not one of frost.
    """
    if kind not in FROST_KINDS:
        raise ValueError(f"kind is {kind!r}; it must be one of {', '.join(FROST_KINDS)}")
    if kind is ForcingKind.COLD_LEFT:
        value, usual_peak = cold_left(weather, ground, thaw_factor)
    else:
        value, usual_peak = _of_front(frost_front(weather, ground), kind)
    return _frost(weather, kind, value, usual_peak, longitude_deg)


def frost_forcing_candidates(
    weather: DailyWeather, ground: Ground, longitude_deg: float = 0.0
) -> tuple[Forcing, ...]:
    """Return the frost forcings worth comparing at a pier: those of `FROST_KINDS` that ever leave 0.

    Which of them a pier follows, and how far behind (see `lagged`), only its own readings can show.
    """
    front = frost_front(weather, ground)
    found = [(ForcingKind.COLD_LEFT, *cold_left(weather, ground))]
    found += [(kind, *_of_front(front, kind)) for kind in (ForcingKind.FROZEN, ForcingKind.UNDER_BASE)]
    forcings = [_frost(weather, kind, value, peak, longitude_deg) for kind, value, peak in found]
    return tuple(forcing for forcing in forcings if forcing.value.any())


def _frost(
    weather: DailyWeather, kind: ForcingKind, value: Floats, usual_peak: float, longitude_deg: float
) -> Forcing:
    least = _LEAST_PEAK_COLD if kind is ForcingKind.COLD_LEFT else _LEAST_PEAK_M
    scale = max(typical_peak(weather, value, usual_peak), least)
    return Forcing(
        kind=kind,
        time_us=noon_us(weather.day, longitude_deg),
        value=value / scale,
        filled=weather.filled,
        per_unit=scale,
    )


def _of_front(front: Front, kind: ForcingKind) -> tuple[Floats, float]:
    if kind is ForcingKind.FROZEN:
        return front.frozen_m, front.usual_peak_m
    return front.under_base_m, front.usual_peak_under_base_m


def typical_peak(weather: DailyWeather, value: Floats, usual_peak: float) -> float:
    """Return the mean peak of the whole winters of the record; without one, the peak of the usual year."""
    year = winter_year(weather.day, weather.south)
    number, count = np.unique(year[~weather.filled], return_counts=True)
    whole = number[count >= _WHOLE_DAYS]
    return float(np.mean([value[year == y].max() for y in whole])) if whole.size else usual_peak


def cold_left(
    weather: DailyWeather, ground: Ground, thaw_factor: float | None = None
) -> tuple[Floats, float]:
    """Return the root of the net freezing degree-days, (n,) [(deg C d)^0.5], and its peak in the usual year.

    Cold is stored below 0 deg C and released above; the store never falls below 0.  Its root follows
    Stefan's depth of frost.
    """
    before = lead_in_days(weather)
    mean_c = np.concatenate([weather.curve.at(before), weather.mean_c])
    snow = np.concatenate([usual_snow(weather, before), weather.snow_cm]) if weather.has_snow else None
    taken = cold_taken(ground, mean_c, snow_lying(ground, mean_c, snow), thaw_factor)
    root = np.sqrt(cold_store(taken, 0.0))
    return root[before.size :], float(root[: before.size].max())


def cold_taken(ground: Ground, mean_c: Floats, snow_cm: Floats, thaw_factor: float | None = None) -> Floats:
    """Return the cold that the ground stores each day (releases, when negative), (..., n) [deg C d].

    Lying snow reduces both: by the share that half a metre of soil has in the thermal resistance of both
    together (common practice).
    """
    factor = ground.surface.thawing / ground.surface.freezing if thaw_factor is None else thaw_factor
    taken = np.where(mean_c < 0.0, -mean_c, -mean_c * factor)
    return np.asarray(taken / (1.0 + snow_resistance(snow_cm) / _HALF_METRE))


def cold_store(taken: Floats, before: float) -> Floats:
    """Add up what is taken along the last axis, never letting the store fall below 0, from `before` on."""
    total = before + np.cumsum(taken, axis=-1)
    lowest = np.minimum(np.minimum.accumulate(total, axis=-1), 0.0)
    return np.asarray(total - lowest)


def air_temperature_forcing(
    weather: DailyWeather, time_constant_days: float = 3.0, longitude_deg: float = 0.0
) -> Forcing:
    """Return the air temperature as a body of concrete or steel follows it, from its mean [deg C].

    Parameters
    ----------
    time_constant_days
        Of the body that follows; 0 for the daily mean itself.
    """
    away = weather.mean_c - weather.curve.mean_c
    value = lagged(away, time_constant_days, float(away[0]))
    noon = noon_us(weather.day, longitude_deg)
    return Forcing(ForcingKind.TEMPERATURE, noon, np.asarray(value), weather.filled, 1.0)


def lagged(value: Floats, time_constant_days: float, before: float = 0.0) -> Floats:
    """Return a daily series as followed with a time constant, along the last axis.

    Parameters
    ----------
    value
        (..., m), one entry a day.
    time_constant_days
        0 gives the series itself.
    before
        Its value before the first day.
    """
    if time_constant_days <= 0.0:
        return np.asarray(value, dtype=float)
    keep = np.exp(-1.0 / time_constant_days)
    away = np.asarray(value, dtype=float) - before
    return remembered((1.0 - keep) * away, keep) + before


def remembered(value: Floats, keep: float) -> Floats:
    """Return y along the last axis, each entry its value and the share `keep` of the y before."""
    count = value.shape[-1]
    bands = np.stack([np.ones(count), np.full(count, -keep)])
    solved = solve_banded((1, 0), bands, value.reshape(-1, count).T, check_finite=False)
    return np.asarray(solved).T.reshape(value.shape)
