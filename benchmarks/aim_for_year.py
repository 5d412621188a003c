"""Measure what "aim for the year" gains over setting the axis dead on the pole, on invented heaving piers.

    python benchmarks/aim_for_year.py [--piers 14] [--seed 1] [--zero synced|kept] [--no-weather]
                                      [--latitudes=47,-38]

Each pier has heaved for three years; its nights are then cut off at one end of the last swing:
at its top (the axis furthest out) or its bottom, a summer later.  From what was known then the axis
is set once as advised for the year and once dead on the pole, by the same nights, and the largest
error of the twelve months that truly followed is compared.  "synced", with no level and no solve
before the sync, is the case where nothing tells pier from mount.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.advice.situation import situation_of
from drift.analysis import work_out
from drift.demo.files import World, make, site_values
from drift.demo.scenario import Scenario, family
from drift.forecast.season import best_change
from drift.site.file import pier_from_mapping
from drift.types import Readings, as_readings

DAY_US = 86_400_000_000
YEARS = 4.4
#: Smaller swings than this drown in the nights' own uncertainty [arcsec of tilt].
HEAVE_FROM, HEAVE_TO = 60.0, 200.0


@dataclass(frozen=True)
class Aimed:
    """What one setting was worth."""

    seed: int
    gain: float
    dead_on: float  # largest error of the year after [arcsec]
    season_known: bool
    follows: str
    forecast_swing: float  # over that of the truth


def scenario_for(seed: int, latitude_deg: float, zero: str) -> Scenario:
    """Return a heaving pier without a level."""
    size = np.random.default_rng([seed, 7]).uniform(HEAVE_FROM, HEAVE_TO)
    return family(
        "heave", seed, latitude_deg=latitude_deg, years=YEARS, start="2019-03-01", zero=zero, heave=size,
        nights_a_year=50.0,
    )  # fmt: skip


def end_of_swing(world: World, end: str) -> int:
    """Return when the axis of the third year is furthest out, or back, along its own swing [us]."""
    first = int(world.readings()["solves"]["time_us"].min())
    days = first + DAY_US * np.arange(int(365 * YEARS))
    setting = world.motion.setting(days)
    bearing = np.radians(world.scenario.heave_bearing_deg)
    out = setting.tilt_north * np.cos(bearing) + setting.tilt_east * np.sin(bearing)
    # the third winter: from the summer before it to the one after, in either hemisphere
    south = world.scenario.latitude_deg < 0
    begin = np.datetime64("2021-02-01" if south else "2021-08-01", "us").astype(np.int64)
    of_winter = np.flatnonzero((days >= begin) & (days < begin + 330 * DAY_US))
    peak = int(of_winter[np.argmax(out[of_winter])])
    if end == "top":
        return int(days[peak])
    later = np.arange(peak, peak + 240)
    return int(days[later[np.argmin(out[later])]])


def upto(readings: Readings, time_us: int, weather: bool) -> Readings:
    """Return what was there at a time."""
    tables: dict[str, Any] = {}
    for kind, table in readings.tables.items():
        when = table["day"] * DAY_US if kind == "weather" else table["time_us"]
        if kind != "weather" or weather:
            tables[kind] = table[when < time_us]
    return as_readings(tables)


def aimed(seed: int, latitude_deg: float, end: str, zero: str, weather: bool) -> Aimed:
    """Set the axis for the year and dead on, and see what the truth makes of both."""
    world = make(scenario_for(seed, latitude_deg, zero))
    scenario = world.scenario
    cut = end_of_swing(world, end) + DAY_US
    site = pier_from_mapping({**site_values(scenario), "store": {"url": "sqlite://"}})
    analysis = work_out(site, upto(world.readings(), cut, weather))
    situation = situation_of(site, analysis.nights, analysis.history, None)
    ahead, latitude = situation.forecast, situation.latitude_rad
    to_sky, every = np.array([np.cos(latitude), 1.0]), np.ones(ahead.time_us.size, dtype=bool)
    truth = np.stack(world.motion.axis(ahead.time_us), axis=1) - situation.pole
    largest = {}
    for aim in ("year", "tonight"):
        change = best_change(ahead, latitude, every, aim, situation.pole)
        largest[aim] = float(np.max(np.hypot(*((truth + change) * to_sky).T)))
    swings = [float(np.max(np.ptp(path * to_sky, axis=0))) for path in (ahead.axis, truth)]
    return Aimed(
        seed, 1.0 - largest["year"] / largest["tonight"], largest["tonight"], situation.season.known,
        analysis.history.follows, swings[0] / swings[1],
    )  # fmt: skip


def report(latitude_deg: float, end: str, found: list[Aimed]) -> None:
    """Print one cell."""
    gains = np.array([one.gain for one in found])
    known = sum(one.season_known for one in found)
    print(
        f"latitude {latitude_deg:g}, {end} of the swing, {len(found)} piers: gain {np.median(gains):.2f} "
        f"(quartiles {np.quantile(gains, 0.25):.2f} to {np.quantile(gains, 0.75):.2f}, worst "
        f"{gains.min():.2f}); a season sure on {known}; follows {dict(Counter(o.follows for o in found))}",
        flush=True,
    )
    for one in found:
        print(
            f'  seed {one.seed}: gain {one.gain:.2f} of {one.dead_on:.0f}", season '
            f"{'sure' if one.season_known else 'not sure'}, {one.follows}, forecast swing "
            f"{one.forecast_swing:.2f} of the true one"
        )


def main() -> None:
    """Run all cells."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--piers", type=int, default=14)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--zero", choices=("synced", "kept"), default="synced")
    parser.add_argument("--no-weather", dest="weather", action="store_false")
    parser.add_argument("--latitudes", default="47,-38")
    given = parser.parse_args()
    start = time.process_time()
    for latitude in map(float, given.latitudes.split(",")):
        for end in ("top", "bottom"):
            seeds = range(given.seed, given.seed + given.piers)
            report(latitude, end, [aimed(k, latitude, end, given.zero, given.weather) for k in seeds])
    print(f"processor time: {time.process_time() - start:.0f} s")


if __name__ == "__main__":
    main()
