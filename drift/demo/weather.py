"""The invented weather, day by day, and what it does to the ground."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from drift.demo.scenario import Climate, Scenario

# ---- Independent streams of chance, one a purpose, all from the scenario's seed.
#
# So a level reading more changes no solve, and a night keeps its weather when the
# number of solves is changed.


def stream(seed: int, purpose: str, number: int = 0) -> np.random.Generator:
    """Return the generator that belongs to `purpose` and `number` under `seed`."""
    return np.random.default_rng([seed, zlib.crc32(purpose.encode()), number])


# ---- The invented weather, day by day, and what it does to the ground.
#
# Daily means follow the season, a whole winter's offset (harsh and mild
# winters) and weather that lasts some days.  The frost driver is the thickness
# of frozen soil by Stefan's square-root law on freezing degree-days, damped by
# snow, thawed from above in spring, and followed by the pier with some days'
# delay; it is scaled to 1 at the mean peak of the whole winters, the one before
# the record included.


Floats = npt.NDArray[np.float64]
LEAD_IN_DAYS = 420  # weather before the first night, so that the first winter has its autumn
LOGGED_LEAD_IN_DAYS = 75
WARMEST_DAY = 200  # of the northern year
YEAR_DAYS = 365.25
WHOLE_WINTER_DAYS = 300  # of weather from midsummer on: the frost has come and gone
FOLLOWING_DAYS = 9.0  # how slowly the pier follows the frozen layer
SNOW_DAMPING_CM = 25.0  # snow depth that lets 1/e of the frost through
THAW_FACTOR = (
    2.0  # bare ground takes up more thaw than air degree-days (n-factor of bare soil, 1.4 to 2 and more)
)


@dataclass(frozen=True)
class Weather:
    """Daily values on local calendar dates, all (n,)."""

    day: npt.NDArray[np.int64] = field(repr=False)  # since 1970-01-01
    mean_c: Floats = field(repr=False)
    min_c: Floats = field(repr=False)
    max_c: Floats = field(repr=False)
    snow_cm: Floats = field(repr=False)
    pressure_hpa: Floats = field(repr=False)  # at the station
    frost: Floats = field(repr=False)  # driver, 1 at the peak of the mean winter
    winter: npt.NDArray[np.int64] = field(repr=False)  # number of the winter, from midsummer to midsummer


def first_day(scenario: Scenario) -> int:
    """Return the scenario's first local date as days since 1970-01-01."""
    return int(np.datetime64(scenario.start, "D").astype(np.int64))


def _lasting(draws: Floats, memory: float) -> Floats:
    """Return an autocorrelated series of the draws' variance."""
    from scipy.signal import lfilter

    series: Floats = lfilter([np.sqrt(1.0 - memory**2)], [1.0, -memory], draws)
    return series


def _year_part(day: npt.NDArray[np.int64], south: bool) -> Floats:
    """Return the part of a year since midwinter, 0..1, 0.5 at midsummer."""
    midwinter = WARMEST_DAY - YEAR_DAYS / 2 + (YEAR_DAYS / 2 if south else 0.0)
    return np.mod(day - midwinter, YEAR_DAYS) / YEAR_DAYS


def _winter_number(day: npt.NDArray[np.int64], south: bool) -> npt.NDArray[np.int64]:
    midsummer = WARMEST_DAY - (YEAR_DAYS / 2 if south else 0.0)
    return np.floor((day - midsummer) / YEAR_DAYS).astype(np.int64)


def _mean_temperature(
    climate: Climate, rng: np.random.Generator, part: Floats, winter: npt.NDArray[np.int64]
) -> Floats:
    wintriness = np.clip(np.cos(2 * np.pi * part), 0.0, None) ** 0.5
    offsets = rng.normal(0.0, climate.winter_spread_c, int(winter.max() - winter.min()) + 1)
    season = climate.mean_c - climate.annual_amplitude_c * np.cos(2 * np.pi * part)
    weather = climate.day_to_day_c * _lasting(rng.normal(size=len(part)), 0.75)
    return season + wintriness * offsets[winter - winter.min()] + weather


def _snow_depth(mean_c: Floats, wet: npt.NDArray[np.bool_], fall_cm: Floats) -> Floats:
    depth = np.zeros(len(mean_c))
    lying = 0.0
    for i, temperature in enumerate(mean_c):
        lying += fall_cm[i] if wet[i] and temperature < 0.5 else 0.0
        lying = max(0.0, 0.985 * lying - 0.6 * max(temperature, 0.0))  # packs, and melts by degree-days
        depth[i] = lying
    return depth


def frozen_thickness(mean_c: Floats, snow_cm: Floats) -> Floats:
    """Return the thickness of frozen soil day by day, in sqrt(degC d).

    Frozen from above as the root of the freezing index, thawed from above as
    the root of the thawing index (Stefan 1891); both start anew when all is
    thawed.
    """
    thickness = np.zeros(len(mean_c))
    frozen = thawed = 0.0
    for i, temperature in enumerate(mean_c):
        if temperature < 0:
            frozen += -temperature * np.exp(-snow_cm[i] / SNOW_DAMPING_CM)
            thawed = max(0.0, thawed + temperature)  # the thawed skin freezes again first
        elif frozen > 0:
            thawed += THAW_FACTOR * temperature * np.exp(-snow_cm[i] / SNOW_DAMPING_CM)
        if thawed >= frozen:
            frozen = thawed = 0.0
        thickness[i] = np.sqrt(frozen) - np.sqrt(thawed)
    return thickness


def _followed(series: Floats) -> Floats:
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / FOLLOWING_DAYS)
    followed: Floats = lfilter([1.0 - keep], [1.0, -keep], series)
    return followed


def winter_peaks(frost: Floats, winter: npt.NDArray[np.int64]) -> dict[int, float]:
    """Return the greatest value of the driver in each winter."""
    return {int(number): float(frost[winter == number].max()) for number in np.unique(winter)}


def _driver(mean_c: Floats, snow_cm: Floats, winter: npt.NDArray[np.int64]) -> Floats:
    thickness = _followed(frozen_thickness(mean_c, snow_cm))
    whole = [number for number in np.unique(winter) if np.sum(winter == number) > WHOLE_WINTER_DAYS]
    peaks = winter_peaks(thickness, winter)
    typical = float(np.mean([peaks[int(number)] for number in whole])) if whole else 0.0
    return thickness / (typical or 1.0)


def invent_weather(scenario: Scenario) -> Weather:
    """Make the scenario's weather from `LEAD_IN_DAYS` before its start to its end."""
    rng = stream(scenario.seed, "weather")
    climate, south = scenario.climate, scenario.latitude_deg < 0
    begin = first_day(scenario) - LEAD_IN_DAYS
    day = np.arange(begin, first_day(scenario) + int(np.ceil(scenario.years * YEAR_DAYS)) + 2)
    part, winter = _year_part(day, south), _winter_number(day, south)
    mean_c = _mean_temperature(climate, rng, part, winter)
    wet = rng.random(len(day)) < climate.wet_day_chance
    snow_cm = _snow_depth(mean_c, wet, rng.exponential(2.2, len(day)))
    half_range = 0.5 * climate.daily_range_c * np.where(wet, 0.6, 1.1) * rng.uniform(0.7, 1.3, len(day))
    pressure = 1013.25 * (1.0 - 2.25577e-5 * scenario.elevation_m) ** 5.2559  # ISO 2533 standard atmosphere
    return Weather(
        day=day,
        mean_c=mean_c,
        min_c=mean_c - half_range,
        max_c=mean_c + half_range,
        snow_cm=snow_cm,
        pressure_hpa=pressure + 8.0 * _lasting(rng.normal(size=len(day)), 0.7),
        frost=_driver(mean_c, snow_cm, winter),
        winter=winter,
    )
