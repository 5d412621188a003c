"""The truth in time: the weather, the ground, and how pier, plate, knobs and zero stand at any moment."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt

from drift.demo.instrument import Constants, Setting, axis_errors, roll
from drift.demo.scenario import YEAR_DAYS, Climate, InventedCorrection, InventedStep, Scenario, stream

# ---- The invented weather, day by day, and what it does to the ground.
#
# Daily means follow the season, a whole winter's offset (harsh and mild winters) and weather that lasts
# some days.  The frost forcing is the thickness of frozen soil by Stefan's square-root law on freezing
# degree-days, damped by snow, thawed from above in spring, and followed by the pier with some days' delay;
# it is scaled to 1 at the mean peak of the whole winters, the one before the record included.


Floats = npt.NDArray[np.float64]
LEAD_IN_DAYS = 420  # weather before the first night, so that the first winter has its autumn
LOGGED_LEAD_IN_DAYS = 75
WARMEST_DAY = 200  # of the northern year
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
    frost: Floats = field(repr=False)  # forcing, 1 at the peak of the mean winter
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
    """Return the greatest value of the forcing in each winter."""
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


# ---- Pier, plate, knobs and zero at any moment.

Times = npt.NDArray[np.int64]
US_PER_DAY = 86_400_000_000


def noon_us(scenario: Scenario) -> int:
    """Return local mean noon of the first date, UTC microseconds since 1970."""
    return int(round((first_day(scenario) + 0.5 - scenario.longitude_deg / 360.0) * US_PER_DAY))


def step_us(scenario: Scenario, day: float) -> int:
    """Return the moment `day` days after the first local mean noon, to the minute."""
    minute_us = 60_000_000
    return int(round((noon_us(scenario) + day * US_PER_DAY) / minute_us)) * minute_us


def local_day(scenario: Scenario, time_us: Times) -> Times:
    """Return the local date on which the night began: days since 1970 from local mean noon to noon."""
    days: Times = np.floor(time_us / US_PER_DAY + scenario.longitude_deg / 360.0 - 0.5).astype(np.int64)
    return days


@dataclass(frozen=True)
class Motion:
    """The truth as a function of time.

    `steps` holds every step, corrections included, in the order of time;
    `step_times_us` their moments.
    """

    scenario: Scenario
    weather: Weather = field(repr=False)
    steps: tuple[InventedStep, ...]
    step_times_us: Times = field(repr=False)
    daily_tilt: Floats = field(
        repr=False
    )  # (n, 2) north, east at local noon of `weather.day`, steps left out

    def _stepped(self, name: str, time_us: Times) -> Floats:
        sizes = np.array([getattr(step, name) for step in self.steps], dtype=float)
        after = np.asarray(time_us)[..., None] >= self.step_times_us
        summed: Floats = after.astype(float) @ sizes
        return summed

    def _days(self, time_us: Times) -> Floats:
        """Days since 1970 in local mean time, counted from noon."""
        local: Floats = np.asarray(time_us) / US_PER_DAY + self.scenario.longitude_deg / 360.0 - 0.5
        return local

    def setting(self, time_us: Times) -> Setting:
        """Return tilt, plate and knobs at the given times."""
        scenario, days = self.scenario, self._days(time_us)
        tilt_north, tilt_east = (np.interp(days, self.weather.day, tilt) for tilt in self.daily_tilt.T)
        warmth = np.interp(days, self.weather.day, self.weather.mean_c) - scenario.climate.mean_c
        years = (days - first_day(scenario)) / YEAR_DAYS
        return Setting(
            tilt_north=tilt_north + self._stepped("tilt_north", time_us),
            tilt_east=tilt_east + self._stepped("tilt_east", time_us),
            plate_north=self._stepped("plate_north", time_us),
            plate_east=self._stepped("plate_east", time_us),
            kappa=scenario.mount_az0
            + scenario.creep_az_per_year * years
            + self._stepped("mount_az", time_us),
            alpha=scenario.mount_alt0 + scenario.alt_per_degc * warmth + self._stepped("mount_alt", time_us),
        )

    def axis(self, time_us: Times) -> tuple[Floats, Floats]:
        """Return az_error and alt_error [arcsec] at the given times."""
        return axis_errors(self.setting(time_us), self.scenario.latitude_deg)

    def roll(self, time_us: Times) -> Floats:
        """Return what the mount's position adds to mechanical hour angle [arcsec]."""
        return roll(self.setting(time_us), self.scenario.latitude_deg)

    def home_zero(self, time_us: Times) -> Floats:
        """Return the home position's hour-angle zero [arcsec], without the part from the mount's position."""
        return self.scenario.zero0 + self._stepped("zero", time_us)

    def constants(self, time_us: Times) -> Constants:
        """Return the instrument's constants at the given times, (n,) each."""
        epochs = [self.scenario.constants] + [s.constants for s in self.steps if s.constants]
        starts = [t for t, s in zip(self.step_times_us, self.steps, strict=True) if s.constants]
        which = np.searchsorted(np.array(starts, dtype=np.int64), time_us, side="right")
        return Constants(
            *(np.array([float(getattr(e, f.name)) for e in epochs])[which] for f in fields(Constants))
        )


def _ratcheted(weather: Weather, ratchet: float) -> Floats:
    """Return the forcing with `ratchet` of each winter's greatest frost staying for good."""
    left = np.zeros(len(weather.frost))
    kept = 0.0
    for winter in np.unique(weather.winter):
        this = weather.winter == winter
        reached = np.maximum.accumulate(weather.frost[this])
        left[this] = kept + ratchet * reached
        kept += ratchet * float(reached[-1])
    return (1.0 - ratchet) * weather.frost + left


def _daily_tilt(scenario: Scenario, weather: Weather) -> Floats:
    """Return tilt north and east at noon of each day (n, 2), starting at the given first tilt."""
    start = int(np.searchsorted(weather.day, first_day(scenario)))
    years = np.maximum(weather.day - first_day(scenario), 0) / YEAR_DAYS
    tilt = np.tile((scenario.tilt0_north, scenario.tilt0_east), (len(weather.day), 1)).astype(float)
    heave = _ratcheted(weather, scenario.ratchet)
    settled = 1.0 - np.exp(-years / scenario.settle_years)
    for size, bearing, shape in (
        (scenario.heave, scenario.heave_bearing_deg, heave - heave[start]),
        (scenario.settle, scenario.settle_bearing_deg, settled),
        (scenario.bend_per_degc, scenario.heave_bearing_deg, _from_start(_warmth(scenario, weather), start)),
        (scenario.swell, scenario.heave_bearing_deg, _from_start(_swollen(scenario, weather), start)),
    ):
        toward = np.array([np.cos(np.radians(bearing)), np.sin(np.radians(bearing))])
        tilt += size * shape[:, None] * toward
    moves = stream(scenario.seed, "wander").normal(0.0, scenario.wander / np.sqrt(YEAR_DAYS), tilt.shape)
    moves[: start + 1] = 0.0
    return tilt + np.cumsum(moves, axis=0)


def _from_start(shape: Floats, start: int) -> Floats:
    return shape - shape[start]


def _warmth(scenario: Scenario, weather: Weather) -> Floats:
    """Return the temperature of a body that follows the air's with a time constant [deg C]."""
    out, keep = np.array(weather.mean_c, dtype=float), np.exp(-1.0 / scenario.bend_days)
    for i in range(1, out.size):
        out[i] = keep * out[i - 1] + (1.0 - keep) * out[i]
    return out


def _swollen(scenario: Scenario, weather: Weather) -> Floats:
    """Return how far the clay has swollen, -0.5 to 0.5; day 0 is 1 January 1970, the crest 1 March."""
    crest = 59.0 + (YEAR_DAYS / 2.0 if scenario.latitude_deg < 0.0 else 0.0)
    return np.asarray(0.5 * np.cos(2.0 * np.pi * (weather.day - crest) / YEAR_DAYS))


def _with_steps(motion: Motion, steps: tuple[InventedStep, ...]) -> Motion:
    ordered = tuple(sorted(steps, key=lambda step: step.day))
    times = np.array([step_us(motion.scenario, step.day) for step in ordered], dtype=np.int64)
    return replace(motion, steps=ordered, step_times_us=times)


def _as_step(motion: Motion, correction: InventedCorrection, number: int) -> InventedStep:
    """Turn the knob as the owner would, who knows the error of that moment roughly."""
    rng = stream(motion.scenario.seed, "correction", number)
    at = np.array([step_us(motion.scenario, correction.day)])
    az_error, alt_error = (float(error[0]) for error in motion.axis(at))
    known = az_error if correction.kind == "azimuth" else alt_error
    meant_arcmin = -round((known + rng.normal(0.0, correction.known_to_arcsec)) / 60.0, 1)
    done = meant_arcmin * 60.0 * (1.0 + rng.normal(0.0, correction.knob_error))
    return InventedStep(
        day=correction.day,
        mount_az=done if correction.kind == "azimuth" else 0.0,
        mount_alt=done if correction.kind == "altitude" else 0.0,
        kind=correction.kind,
        amount_arcmin=None if correction.blank else meant_arcmin,
        note=correction.note,
    )


def invent_motion(scenario: Scenario) -> Motion:
    """Make the truth in time of a scenario."""
    weather = invent_weather(scenario)
    nothing = np.array([], dtype=np.int64)
    motion = _with_steps(
        Motion(scenario, weather, (), nothing, _daily_tilt(scenario, weather)), scenario.steps
    )
    for number, correction in enumerate(sorted(scenario.corrections, key=lambda c: c.day)):
        motion = _with_steps(motion, (*motion.steps, _as_step(motion, correction, number)))
    return motion
