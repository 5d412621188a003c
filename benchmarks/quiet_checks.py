"""Count the alarms of the nightly check over quiet pier-years: worlds in which nothing ever steps.

    python benchmarks/quiet_checks.py --into FILE [--years 1000] [--minutes 20] [--only NAME ...] [--report]

After every night of a year the answer is worked out from all readings so far, and what is new is told and
acknowledged, as `drift check` and a careful owner do it.  The piers stand still, swing with the frost,
settle, or are read by references that move; half of the worlds are made by the product's own demo, half by
the independent code of benchmarks/worlds.  An event is a false alarm, for nothing steps; so is a limit that
the truth is inside of, counted from what the site file counts it from, and a movement over a gap that was
less than what such a movement is told from.

One line of JSON a pier-year goes into FILE; what stands there is not done again, so that a run can be
stopped and taken up.  One process; `--report` only counts what is there.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent / "worlds"))

import false_alarms
import run as other_worlds

from drift.advice.movement import baseline_of
from drift.api import open_record, read_site
from drift.demo.files import make
from drift.demo.scenario import family
from drift.site.file import PierFile
from drift.types import Analysis, Readings, as_readings
from drift.watch.changes import news, state_text
from drift.watch.coming import LEAST_SHARE, Item

DAY_US = 86_400_000_000
#: Of the product's demo, 40 nights a year; and of benchmarks/worlds, their first year.
FAMILIES, NIGHTS = ("quiet", "heave", "settle"), 40.0
#: The same families seen by an owner who types the alignment error of each night, known to so much [arcmin],
#: reads a level, and logs no weather: a third of the work.
TYPED, TYPED_SD = tuple(f"typed_{name}" for name in FAMILIES), 0.1
OTHERS = ("frost", "settle_log", "zero_creep", "zero_warm", "level_warm", "az_creep")
RATE = 0.1
NIGHTLY = ("solves", "sweeps", "runs", "alignments")
MJD_OF_1970 = 40_587.0


@dataclass(frozen=True)
class Pier:
    """One pier: its readings, and its truth at times [us] as tilt and axis, (n, 2) each [arcsec]."""

    site: PierFile
    readings: Readings
    tilt: Callable[[np.ndarray], np.ndarray]
    axis: Callable[[np.ndarray], np.ndarray]


@dataclass
class Year:
    """What one pier-year brought."""

    world: str
    seed: int
    checks: int = 0
    false: dict[str, int] = field(default_factory=dict)
    true: dict[str, int] = field(default_factory=dict)
    seconds: float = 0.0  # of processor


def invented(name: str, seed: int) -> Pier:
    """Return a pier of the product's demo."""
    scenario = family(name.removeprefix("typed_"), seed, years=1.0, nights_a_year=NIGHTS, steps=())
    world = make(scenario)

    def tilt(times: np.ndarray) -> np.ndarray:
        stands = world.motion.setting(times)
        return np.column_stack([stands.tilt_north, stands.tilt_east])

    def axis(times: np.ndarray) -> np.ndarray:
        return np.column_stack(world.motion.axis(times))

    site, readings = false_alarms.site_for(scenario, RATE), world.readings()
    if name in TYPED:
        readings = typed(readings, np.array(false_alarms.evenings_of(world)), axis, seed)
    return Pier(site, readings, tilt, axis)


def typed(
    readings: Readings, times: np.ndarray, axis: Callable[[np.ndarray], np.ndarray], seed: int
) -> Readings:
    """Return the levels of a pier, with the alignment error of each night as somebody types it."""
    noise = np.random.default_rng([seed, 77]).normal(0.0, TYPED_SD, (times.size, 2))
    az, alt = (axis(times) / 60.0 + noise).T
    told = {"row_id": np.arange(times.size), "time_us": times, "az_error_arcmin": az, "alt_error_arcmin": alt}
    alignments = pd.DataFrame({**told, "sigma_arcmin": TYPED_SD})
    return as_readings({"alignments": alignments, "levels": readings["levels"]})


def of_other_making(name: str, seed: int) -> Pier:
    """Return a pier of benchmarks/worlds, imported as an owner would."""
    world = other_worlds.make(name, seed)
    with tempfile.TemporaryDirectory() as folder:
        logs = other_worlds.prepared(world, other_worlds.default_cache(), Path(folder))
        pier = Path(folder) / "pier.toml"
        taken_in = other_worlds.command("import", *map(str, logs), "--pier", str(pier))
        if taken_in.code:
            raise RuntimeError(f"{name} {seed}: {taken_in.errors}")
        site = read_site(pier)
        with open_record(site) as record:
            readings = record.readings()

    def day(times: np.ndarray) -> np.ndarray:
        return world.day(np.asarray(times) / DAY_US + MJD_OF_1970)

    def tilt(times: np.ndarray) -> np.ndarray:
        return np.column_stack([world.course.at(part, day(times)) for part in ("tilt_north", "tilt_east")])

    first_year = int((world.mjd(np.array([366.0]))[0] - MJD_OF_1970) * DAY_US)
    return Pier(
        site,
        false_alarms.upto(readings, first_year),
        tilt,
        lambda times: np.column_stack(world.axis_errors(day(times))),
    )


def evenings_of(pier: Pier) -> list[int]:
    """Return a time after each night [us]."""
    kinds = [pier.readings[kind]["time_us"].to_numpy(np.int64) for kind in NIGHTLY]
    times = np.concatenate(kinds)
    noon = (times + int(pier.site.site.longitude_deg / 360.0 * DAY_US) - DAY_US // 2) // DAY_US
    return [int(times[noon == one].max()) for one in np.unique(noon)]


def is_true(item: Item, pier: Pier, analysis: Analysis, time_us: int) -> bool:
    """Whether what was told is so."""
    warn, to_sky = pier.site.warn, np.array([math.cos(math.radians(pier.site.site.latitude_deg)), 1.0])
    if item.kind == "axis_limit":
        return float(np.hypot(*(pier.axis(np.array([time_us]))[0] * to_sky))) > 60.0 * warn.axis_arcmin
    if item.kind == "tilt_limit":
        base, times = baseline_of(pier.site, analysis.history), analysis.history.time_us
        then = pier.tilt(times[(times >= base.from_us) & (times <= base.until_us)]).mean(axis=0)
        return float(np.hypot(*(pier.tilt(np.array([time_us]))[0] - then))) > warn.tilt_arcsec
    if item.kind == "gap":
        ends = pier.axis(np.array([int(item.mark["from_us"]), int(item.mark["to_us"])]))
        return float(np.hypot(*((ends[1] - ends[0]) * to_sky))) > LEAST_SHARE * 60.0 * warn.axis_arcmin
    return False


def watched(name: str, seed: int) -> Year:
    """Check after every night of a year, and acknowledge what is told."""
    began = time.process_time()
    pier = (of_other_making if name in OTHERS else invented)(name, seed)
    year, store, acknowledged = Year(name, seed), false_alarms.Memory(), None
    false, true = Counter[str](), Counter[str]()
    for time_us in evenings_of(pier):
        analysis = false_alarms.analysis_of(pier.site, false_alarms.upto(pier.readings, time_us), store)
        year.checks += 1
        if analysis is None:
            continue
        found = news(analysis, acknowledged)
        for item in found.new:
            (true if is_true(item, pier, analysis, time_us) else false)[str(item.kind)] += 1
        if found.new:
            acknowledged = state_text(analysis, acknowledged)
    year.false, year.true, year.seconds = dict(false), dict(true), round(time.process_time() - began, 1)
    return year


def tasks(names: tuple[str, ...], years: int) -> Iterator[tuple[str, int]]:
    """Yield worlds and seeds, all worlds in turn."""
    for k in range(years):
        name = names[k % len(names)]
        yield (f"worlds/{name}", k // len(names)) if name in OTHERS else (name, k // len(names) + 1)


def report(years: list[Year]) -> None:
    """Print the alarms a world, and of all together."""
    print("world             years checks  false a year (90 %)        of them; truly passed")
    for name in (*dict.fromkeys(year.world for year in years), "all"):
        own = [year for year in years if name in ("all", year.world)]
        false, true = Counter[str](), Counter[str]()
        for year in own:
            false.update(year.false)
            true.update(year.true)
        total = sum(false.values())
        low, high = false_alarms.interval(total, len(own))
        rate = f"{total / len(own):.3f} ({low:.3f} to {high:.3f})"
        checks = sum(year.checks for year in own)
        told = f"{dict(false) or 'none'}; {dict(true) or 'none'}"
        print(f"{name:<17} {len(own):5d} {checks:6d}  {total:5d} {rate:<24} {told}")
    seconds, checks = sum(year.seconds for year in years), sum(year.checks for year in years)
    print(f"a check takes {seconds / max(checks, 1):.2f} s of processor; allowed: {RATE:g} alarms a year")


def main() -> None:
    """Run what is not done yet, and print what came of all."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--into", type=Path, required=True, help="where pier-years are kept, a line each")
    parser.add_argument("--years", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=math.inf, help="begin no pier-year after so long")
    parser.add_argument(
        "--only", nargs="+", default=[*FAMILIES, *TYPED, *OTHERS], choices=(*FAMILIES, *TYPED, *OTHERS)
    )
    parser.add_argument("--report", action="store_true")
    given = parser.parse_args()
    lines = given.into.read_text().splitlines() if given.into.exists() else []
    years = [Year(**json.loads(line)) for line in lines]
    done, began = {(year.world, year.seed) for year in years}, time.monotonic()
    for name, seed in tasks(tuple(given.only), given.years):
        if given.report or time.monotonic() - began > 60.0 * given.minutes:
            break
        if (name, seed) in done:
            continue
        year = watched(name.removeprefix("worlds/"), seed)
        year.world = name
        years.append(year)
        with given.into.open("a") as file:
            file.write(json.dumps(asdict(year)) + "\n")
    report(years)


if __name__ == "__main__":
    main()
