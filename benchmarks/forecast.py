"""Measure forecasts on invented piers whose true course is known.

    python benchmarks/forecast.py [--winters 20] [--histories 200] [--seed 1] [--jobs 2] [--quick]

Two questions:

1. Does the weather help?  The last year of 5 is hidden, all but its weather, and forecast from the
   years before.  Told is the rms error of the tilt against that of two forecasts that don't know the frost:
   the same model with the calendar in its place, and the plain annual shape with the lasting rate.
   Wanted: at most 60 % of the annual shape's, in the median of the seeds.
2. Does the 80 % band hold what it says?  Of each history the last year is hidden, its weather too.
   Told is the share of its nights on which the true axis lies inside the band.  Wanted: 75 to 85 %.
   Histories differ in what happens (frost, settlement), in length (2 to 5.5 years from the first of any
   month), in nights a year (40 to 120), and in what tells pier from mount (a zero that is kept, or syncs and
   a level every two weeks).

Errors of one year go together, so that a family's share is uncertain by far more than its number of nights
says: beside it stands one standard deviation from the spread between histories.

`--quick` makes 2 and 8: it shows that the command works, and measures nothing.
"""

from __future__ import annotations

import argparse
import math
import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from multiprocessing import get_context
from typing import Any

import numpy as np

from drift.analysis import work_out
from drift.demo.files import World, make, site_values
from drift.demo.scenario import Scenario, family, stream
from drift.forecast.coming import annual_forecast
from drift.forecast.season import season_of
from drift.mount.instrument import hemisphere
from drift.site.file import PierFile, pier_from_mapping
from drift.types import Forecast, Readings, as_readings

DAY_US = 86_400_000_000
YEAR_US = round(365.25 * DAY_US)
#: The target of each question.
MOST_OF_ANNUAL, BAND_BETWEEN = 0.6, (0.75, 0.85)
#: A level every so many days where the zero tells nothing.
LEVEL_EVERY_DAYS = 14.0
#: Lead times that the shares are also told for [days].
LEADS = ((0.0, 120.0), (120.0, 240.0), (240.0, 370.0))


@dataclass(frozen=True)
class Winter:
    """Rms errors of the tilt over a hidden year [arcsec], by forecast."""

    seed: int
    zero: str
    frost: float
    calendar: float
    shape: float
    inside: float
    forcing: str


@dataclass(frozen=True)
class Year:
    """A hidden year: by how many sds of the band the truth missed the forecast, night by night."""

    seed: int
    kind: str
    zero: str
    years_before: float
    forcing: str
    lead_days: Any = field(repr=False)  # (n,)
    inside: Any = field(repr=False)  # (n, 2): azimuth, altitude
    inside_tilt: Any = field(repr=False)  # (n, 2): north, east
    off: Any = field(repr=False)  # (n, 2): error over the forecast's sd
    half_width: float  # median half width of the azimuth band [arcsec]


def upto(readings: Readings, time_us: int, weather_too: bool) -> Readings:
    """Return what was there at a time, with the weather of later days or without."""
    tables = {}
    for kind, table in readings.tables.items():
        if kind == "weather":
            tables[kind] = table[table["day"] * DAY_US < time_us] if weather_too else table
        else:
            tables[kind] = table[table["time_us"] < time_us]
    return as_readings(tables)


def without_weather(readings: Readings) -> Readings:
    """Return the same readings as if nobody had written down the weather."""
    return as_readings({kind: t for kind, t in readings.tables.items() if kind != "weather"})


def site_for(scenario: Scenario) -> PierFile:
    """Return the pier's site file."""
    return pier_from_mapping({**site_values(scenario), "store": {"url": "sqlite://"}})


def scenario_of(kind: str, seed: int, zero: str, **changes: Any) -> Scenario:
    """Return a pier of a family; where syncs hide the tilt there is a level."""
    level = {"level_every_days": LEVEL_EVERY_DAYS} if zero == "synced" else {}
    return family(kind, seed, zero=zero, **level, **changes)


def true_tilt(world: World, time_us: Any, from_us: int) -> Any:
    """Return the pier's true tilt (north, east) since a time, (n, 2) [arcsec]."""
    now, then = world.motion.setting(time_us), world.motion.setting(np.array([from_us]))
    pairs = ((now.tilt_north, then.tilt_north), (now.tilt_east, then.tilt_east))
    return np.stack([a - b for a, b in pairs], axis=1)


def _rms(error: Any) -> float:
    return float(np.sqrt(np.mean(np.sum(error**2, axis=1))))


def forecast_winter(task: tuple[int, str]) -> Winter:
    """Forecast a hidden year from its weather, and without: seed, zero."""
    seed, zero = task
    world = make(scenario_of("heave", seed, zero, years=5.0))
    readings, site = world.readings(), site_for(world.scenario)
    cut = int(readings["solves"]["time_us"].max()) - YEAR_US
    known = work_out(site, upto(readings, cut, weather_too=False))
    plain = work_out(site, without_weather(upto(readings, cut, weather_too=True)))
    ahead, calendar = known.history.forecast, plain.history.forecast
    assert ahead is not None and calendar is not None
    true = true_tilt(world, ahead.time_us, int(known.history.time_us[0]))
    axis = np.stack(world.motion.axis(ahead.time_us), axis=1)
    inside = (axis >= ahead.axis_low) & (axis <= ahead.axis_high)
    errors = [_rms(one.tilt - true) for one in (ahead, calendar)]
    shape = _rms(_plain_tilt(plain, ahead.time_us) - true)
    return Winter(seed, zero, *errors, shape, float(inside.mean()), known.history.follows)


def _plain_tilt(analysis: Any, time_us: Any) -> Any:
    """Return the tilt that the annual shape and the lasting rate of an answer make of a coming year."""
    latitude = np.radians(analysis.site.site.latitude_deg)
    now_us = int(analysis.history.time_us[-1])
    ahead = annual_forecast(analysis.history, season_of(analysis.history, latitude), latitude, now_us, now_us)
    lever = np.array([np.tan(latitude), -hemisphere(latitude)])
    change = ((ahead.axis - analysis.history.axis_now) / lever)[:, ::-1]
    moved = [np.interp(time_us, ahead.time_us, change[:, k]) for k in (0, 1)]
    return analysis.history.change[-1, :2] + np.stack(moved, axis=1)


def varied(number: int, first_seed: int) -> Scenario:
    """Return the n-th pier of the second question."""
    kind = ("heave", "settle")[number % 2]
    zero = ("kept", "synced")[number // 2 % 2]
    rng = stream(first_seed + number, "forecast of the benchmark")
    years, nights = rng.uniform(2.0, 5.5), rng.uniform(40.0, 120.0)
    start = f"2018-{rng.integers(1, 13):02d}-01"
    return scenario_of(kind, first_seed + number, zero, years=years, nights_a_year=nights, start=start)


def forecast_year(task: tuple[int, int]) -> Year:
    """Hide a year with its weather, forecast it, and look which of its nights lie in the band."""
    world = make(varied(*task))
    readings, scenario = world.readings(), world.scenario
    times = readings["solves"]["time_us"].to_numpy(np.int64)
    cut = int(times.max()) - YEAR_US
    analysis = work_out(site_for(scenario), upto(readings, cut, weather_too=True))
    ahead = analysis.history.forecast
    assert ahead is not None
    nights = _nights(times[times >= cut], scenario.longitude_deg)
    nights = nights[(nights >= ahead.time_us[0]) & (nights <= ahead.time_us[-1])]
    axis = np.stack(world.motion.axis(nights), axis=1)
    tilt = true_tilt(world, nights, int(analysis.history.time_us[0]))
    low, high = at(ahead, "axis_low", nights), at(ahead, "axis_high", nights)
    return Year(
        scenario.seed,
        scenario.family,
        scenario.zero,
        scenario.years - 1.0,
        analysis.history.follows,
        (nights - cut) / DAY_US,
        (axis >= low) & (axis <= high),
        (tilt >= at(ahead, "tilt_low", nights)) & (tilt <= at(ahead, "tilt_high", nights)),
        (axis - at(ahead, "axis", nights)) / at(ahead, "axis_sd", nights),
        float(np.median(high - low)) / 2.0,
    )


def at(ahead: Forecast, name: str, time_us: Any) -> Any:
    """Return a series of the forecast at some times, (n, 2)."""
    series = getattr(ahead, name)
    return np.stack([np.interp(time_us, ahead.time_us, series[:, k]) for k in (0, 1)], axis=1)


def _nights(times: Any, longitude_deg: float) -> Any:
    """Return the mean time of each night's solves."""
    noon = (times + int(longitude_deg / 360.0 * DAY_US) - DAY_US // 2) // DAY_US
    return np.array([int(times[noon == one].mean()) for one in np.unique(noon)], dtype=np.int64)


def report_winters(winters: Sequence[Winter]) -> None:
    """Print how much the weather helps."""
    print("1. the last of 5 years hidden but for its weather: rms error of the tilt [arcsec]")
    print("   seed  zero     frost  calendar  shape   frost/calendar  frost/shape  in band  forcing")
    for one in winters:
        print(
            f"   {one.seed:4d}  {one.zero:7s}{one.frost:7.1f}{one.calendar:10.1f}{one.shape:7.1f}"
            f"{one.frost / one.calendar:17.2f}{one.frost / one.shape:13.2f}{one.inside:9.2f}  {one.forcing}"
        )
    for name in ("calendar", "shape"):
        ratio = float(np.median([one.frost / getattr(one, name) for one in winters]))
        told = f"{_met(ratio <= MOST_OF_ANNUAL)} at most {MOST_OF_ANNUAL:g}"
        print(f"   median of frost/{name}: {ratio:.2f} ({told})")


def report_years(years: Sequence[Year]) -> None:
    """Print what the bands hold, by family."""
    print("2. a year hidden with its weather: share of its nights inside the 80 % band (wanted 0.75 to 0.85)")
    print(
        "   which                         n   axis          azimuth altitude  tilt   rms off/sd  half width"
    )
    groups: dict[str, list[Year]] = {"all": list(years)}
    for kind in ("heave", "settle"):
        for zero in ("kept", "synced"):
            groups[f"{kind}, {zero}"] = [y for y in years if (y.kind, y.zero) == (kind, zero)]
    for name, low, high in (("1 to 2", 0.0, 2.0), ("2 to 3", 2.0, 3.0), ("3 or more", 3.0, 9.0)):
        groups[f"{name} years before"] = [y for y in years if low <= y.years_before < high]
        groups[f"heave, {name} years before"] = [
            y for y in years if y.kind == "heave" and low <= y.years_before < high
        ]
    groups["heave, frost chosen"] = [y for y in years if y.kind == "heave" and y.forcing != "calendar"]
    groups["heave, calendar chosen"] = [y for y in years if y.kind == "heave" and y.forcing == "calendar"]
    for name, group in groups.items():
        if group:
            print(f"   {name:27s}{len(group):4d}   {_row(group)}")
    for low, high in LEADS:
        shares = [y.inside[(y.lead_days >= low) & (y.lead_days < high)] for y in years]
        print(f"   {low:3.0f} to {high:3.0f} days ahead: {np.concatenate(shares).mean():.3f}")
    inside = float(np.concatenate([y.inside for y in years]).mean())
    print(
        f"   all nights: {inside:.3f} ({_met(BAND_BETWEEN[0] <= inside <= BAND_BETWEEN[1])} {BAND_BETWEEN})"
    )


def _row(group: Sequence[Year]) -> str:
    inside = np.concatenate([y.inside for y in group])
    each = np.array([y.inside.mean() for y in group])
    doubt = float(each.std(ddof=1) / math.sqrt(len(each))) if len(each) > 1 else math.nan
    tilt = np.concatenate([y.inside_tilt for y in group]).mean()
    off = np.sqrt(np.mean(np.concatenate([y.off for y in group]) ** 2))
    width = np.median([y.half_width for y in group])
    return (
        f"{inside.mean():.3f} ± {doubt:.3f} {inside[:, 0].mean():8.3f}{inside[:, 1].mean():9.3f}"
        f"{tilt:7.3f}{off:10.2f}{width:11.1f}"
    )


def _met(good: bool) -> str:
    return "within" if good else "NOT within"


def main() -> None:
    """Run both and print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--winters", type=int, default=20, help="seeds of the first question")
    parser.add_argument("--histories", type=int, default=200, help="of the second question")
    parser.add_argument("--seed", type=int, default=1, help="of the first pier; the others follow")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--quick", action="store_true")
    given = parser.parse_args()
    winters, histories = (2, 8) if given.quick else (given.winters, given.histories)
    os.environ["OMP_NUM_THREADS"] = "1"  # before the workers import numpy: threads would fight
    start = time.perf_counter()
    with get_context("spawn").Pool(given.jobs) as pool:
        zeros: Mapping[int, str] = {0: "kept", 1: "synced"}
        tasks = [(given.seed + k, zeros[k % 2]) for k in range(winters)]
        if winters:
            report_winters(pool.map(forecast_winter, tasks, chunksize=1))
        if histories:
            numbers = [(k, given.seed) for k in range(histories)]
            report_years(pool.map(forecast_year, numbers, chunksize=1))
    print(f"time: {time.perf_counter() - start:.0f} s with {given.jobs} processes")


if __name__ == "__main__":
    main()
