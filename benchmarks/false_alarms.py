"""Measure how often a pier that stays put is called moved, and how soon one that was bumped is.

    python benchmarks/false_alarms.py [--years 1000] [--bumps 200] [--nights 40] [--seed 1] [--rate 0.1]
        [--jobs 1] [--quick]

Every year is another invented pier (drift/demo): 36 to 57 degrees north or
south, another instrument, 40 clear nights, a tilt that wanders by an arcsecond
in a year and no more.  After every night the answer is worked out from all
readings so far, as `drift check` does it, and whatever it tells is counted
once and acknowledged.  A limit counts as a false alarm when the true axis, or
the true tilt, is inside it.

A bumped pier is a quiet one that is tipped by 60 arcsec in some direction in
the middle of the year.  It counts as told by the first night after which
`drift check` leaves with 1 because of an event.

`--quick` takes 6 years and 3 bumps: it shows that the command works, and measures nothing.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing import Pool
from typing import Any

import numpy as np

from drift.advice.movement import baseline_of
from drift.analysis import work_out
from drift.demo.files import World, make, site_values
from drift.demo.scenario import InventedStep, Scenario, family, stream
from drift.errors import NothingToAnalyse
from drift.site.file import PierFile, pier_from_mapping
from drift.types import Analysis, Readings, as_readings
from drift.watch.changes import news, state_text

DAY_US = 86_400_000_000
NIGHTS = 40.0
BUMP_ARCSEC = 60.0
#: Days of the year between which a bump comes.
BUMP_BETWEEN = (120.0, 260.0)
#: A bump that isn't told by so many nights is given up.
NIGHTS_WAITED = 8


@dataclass
class Year:
    """What one year brought: false alarms and true passings by kind, and nights until a bump was told."""

    seed: int
    checks: int = 0
    false: Counter[str] = field(default_factory=Counter)
    true: Counter[str] = field(default_factory=Counter)
    bump_told_after: int | None = None
    parts_told: str = ""


class Memory:
    """Keeps finished pieces of work between checks, as the record does."""

    def __init__(self) -> None:
        self.pieces: dict[str, bytes] = {}

    def get(self, keys: Sequence[str]) -> Mapping[str, bytes]:
        """Return what is there."""
        return {key: self.pieces[key] for key in keys if key in self.pieces}

    def put(self, pieces: Mapping[str, bytes]) -> None:
        """Keep pieces."""
        self.pieces.update(pieces)


def quiet(seed: int, nights: float) -> Scenario:
    """Return a pier that stays put for a year."""
    return family("quiet", seed, years=1.0, nights_a_year=nights)


def bumped(seed: int, nights: float) -> tuple[Scenario, float]:
    """Return a pier that is tipped once, and the day of it."""
    rng = stream(seed, "bump of the benchmark")
    day, bearing = math.floor(rng.uniform(*BUMP_BETWEEN)) + 0.1, rng.uniform(0.0, 2.0 * math.pi)
    tip = InventedStep(
        day, tilt_north=BUMP_ARCSEC * math.cos(bearing), tilt_east=BUMP_ARCSEC * math.sin(bearing)
    )
    return replace(quiet(seed, nights), steps=(tip,)), day


def upto(readings: Readings, time_us: int) -> Readings:
    """Return what was there at a time."""
    tables = {}
    for kind, table in readings.tables.items():
        when = table["day"] * DAY_US if kind == "weather" else table["time_us"]
        tables[kind] = table[when <= time_us]
    return as_readings(tables)


def evenings_of(world: World) -> list[int]:
    """Return a time after each night [us]."""
    times = world.tables["solves"]["time_us"].to_numpy(np.int64)
    shift = int(world.scenario.longitude_deg / 360.0 * DAY_US)
    noon = (times + shift - DAY_US // 2) // DAY_US
    return [int(times[noon == one].max()) for one in np.unique(noon)]


def site_for(scenario: Scenario, rate: float) -> PierFile:
    """Return the pier's site file with a rate of false alarms."""
    values: dict[str, Any] = site_values(scenario, {"warn": {"false_alarms_per_year": rate}})
    return pier_from_mapping({**values, "store": {"url": "sqlite://"}})


def is_true(kind: str, world: World, analysis: Analysis, time_us: int) -> bool:
    """Whether a limit that was told as passed is truly passed, counted from what the tool counts it from."""
    site, at = analysis.site, np.array([time_us])
    motion, latitude = world.motion, math.radians(world.scenario.latitude_deg)
    if kind == "axis_limit":
        az, alt = (float(error[0]) for error in motion.axis(at))
        return math.hypot(az * math.cos(latitude), alt) > 60.0 * site.warn.axis_arcmin
    if kind == "tilt_limit":
        base, times = baseline_of(site, analysis.history), analysis.history.time_us
        now, then = (
            motion.setting(at),
            motion.setting(times[(times >= base.from_us) & (times <= base.until_us)]),
        )
        moved = (
            float(now.tilt_north[0] - then.tilt_north.mean()),
            float(now.tilt_east[0] - then.tilt_east.mean()),
        )
        return math.hypot(*moved) > site.warn.tilt_arcsec
    return False


def watched(world: World, rate: float, bump_day: float | None = None) -> Year:
    """Check after every night of a year, and acknowledge what is told."""
    site, readings, store = site_for(world.scenario, rate), world.readings(), Memory()
    year, acknowledged = Year(world.scenario.seed), None
    bump_us = math.inf if bump_day is None else float(world.motion.step_times_us[0])
    nights_since = 0
    for time_us in evenings_of(world):
        analysis = analysis_of(site, upto(readings, time_us), store)
        year.checks += 1
        nights_since += time_us > bump_us
        if analysis is None:
            continue
        found = news(analysis, acknowledged)
        for item in found.new:
            if time_us > bump_us and item.kind in ("event", "gap") and item.time_us >= bump_us:
                year.bump_told_after, year.parts_told = (
                    nights_since,
                    str(item.facts.get("part", "over a gap")),
                )
                return year
            (year.true if is_true(item.kind, world, analysis, time_us) else year.false)[item.kind] += 1
        if found.new:
            acknowledged = state_text(analysis, acknowledged)
        if nights_since >= NIGHTS_WAITED:
            break
    return year


def analysis_of(site: PierFile, readings: Readings, store: Memory) -> Analysis | None:
    try:
        return work_out(site, readings, store)
    except NothingToAnalyse:
        return None


def quiet_year(task: tuple[int, float, float]) -> Year:
    """Watch one quiet year: seed, rate, nights."""
    seed, rate, nights = task
    return watched(make(quiet(seed, nights)), rate)


def bumped_year(task: tuple[int, float, float]) -> Year:
    """Watch one year with a bump: seed, rate, nights."""
    seed, rate, nights = task
    scenario, day = bumped(seed, nights)
    return watched(make(scenario), rate, day)


def interval(count: int, of: float) -> tuple[float, float]:
    """Return the central 90 % interval of a rate from a count (exact, Garwood 1936; from memory)."""
    from scipy.stats import chi2

    low = chi2.ppf(0.05, 2 * count) / 2.0 / of if count else 0.0
    return float(low), float(chi2.ppf(0.95, 2 * count + 2) / 2.0 / of)


def report_quiet(years: list[Year], rate: float) -> None:
    """Print the false alarms of quiet years."""
    false, true = Counter[str](), Counter[str]()
    for year in years:
        false += year.false
        true += year.true
    total, checks = sum(false.values()), sum(year.checks for year in years)
    low, high = interval(total, len(years))
    print(f"quiet years: {len(years)}, nightly checks: {checks}")
    measured = f"{total / len(years):.3f} a year (90 %: {low:.3f} to {high:.3f})"
    print(f"false alarms: {total}, {measured}; set: {rate:g}")
    print(f"  of them {dict(false) or 'none'}; limits truly passed: {dict(true) or 'none'}")
    print(f"  seeds with one: {[year.seed for year in years if year.false] or 'none'}")


def report_bumps(years: list[Year]) -> None:
    """Print how soon bumps were told."""
    if not years:
        return
    after = Counter(year.bump_told_after for year in years)
    within = sum(count for nights, count in after.items() if nights is not None and nights <= 2)
    print(f"bumps of {BUMP_ARCSEC:g} arcsec: {len(years)}; told within two clear nights: {within}")
    told = sorted((nights, count) for nights, count in after.items() if nights is not None)
    print("  nights until told: " + ", ".join(f"{nights}: {count}" for nights, count in told))
    print(f"  not told in {NIGHTS_WAITED} nights: {after.get(None, 0)}")
    print(f"  part told: {dict(Counter(year.parts_told for year in years if year.parts_told))}")
    late = [year.seed for year in years if year.bump_told_after is None or year.bump_told_after > 2]
    print(f"  seeds told later or not: {late or 'none'}")


def main() -> None:
    """Run the simulation and print what came of it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--years", type=int, default=1000)
    parser.add_argument("--bumps", type=int, default=200)
    parser.add_argument("--nights", type=float, default=NIGHTS, help="clear nights a year")
    parser.add_argument("--seed", type=int, default=1, help="of the first pier; the others follow")
    parser.add_argument("--rate", type=float, default=0.1, help="[warn] false_alarms_per_year")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--quick", action="store_true")
    given = parser.parse_args()
    years, bumps = (6, 3) if given.quick else (given.years, given.bumps)
    tasks = [(given.seed + k, given.rate, given.nights) for k in range(max(years, bumps))]
    start = time.perf_counter()
    with Pool(given.jobs) as pool:
        report_quiet(pool.map(quiet_year, tasks[:years], chunksize=1), given.rate)
        report_bumps(pool.map(bumped_year, tasks[:bumps], chunksize=1))
    print(f"time: {time.perf_counter() - start:.0f} s with {given.jobs} processes")


if __name__ == "__main__":
    main()
