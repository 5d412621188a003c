"""Invented histories, taken as far as the nights by the same road as a user's logs."""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import numpy as np

from drift.demo.files import make
from drift.demo.motion import Motion
from drift.demo.scenario import InventedStep, Scenario, family, stream
from drift.history.changes import Plate
from drift.history.inputs import Inputs, Warmth, warmth_of
from drift.history.separate import separate
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.prepared import NightSplit, split_nights
from drift.quantities import YEAR_DAYS
from drift.types import HISTORY_COLUMNS, History, Nights, as_readings

#: The six families of the table.
FAMILIES = ("heave", "settle", "slips", "bump", "quiet", "sky_only")
#: Shares of piers whose tilt is seen by a kept zero; the others read a level each fortnight.
KEPT_SHARE = 0.6


@dataclass(frozen=True)
class Invented:
    """One invented history: what the separation is given, and the truth."""

    scenario: Scenario
    nights: Nights = field(repr=False)
    levels: Any = field(repr=False)
    corrections: Any = field(repr=False)
    split: NightSplit = field(repr=False)
    warmth: Warmth | None = field(repr=False)
    motion: Motion = field(repr=False)

    def separated(self, latitude_deg: float | None = None) -> History:
        """Run the separation, on request with a wrong latitude."""
        latitude = self.scenario.latitude_deg if latitude_deg is None else latitude_deg
        history = separate(
            Inputs(
                float(np.radians(latitude)),
                self.nights,
                self.levels,
                self.corrections,
                Plate(None, None, None),
                self.split,
                self.scenario.zero,
                self.warmth,
            )
        )
        assert history is not None
        return history

    def true_change(self, time_us: np.ndarray) -> np.ndarray:
        """Return the true change since the first time, (n, 6) in the order of `COLUMNS` [arcsec]."""
        setting = self.motion.setting(time_us)
        names = [{"mount_az": "kappa", "mount_alt": "alpha"}.get(name, name) for name in HISTORY_COLUMNS]
        true = np.stack([np.broadcast_to(getattr(setting, name), time_us.shape) for name in names], axis=1)
        return np.asarray(true - true[0])


def scenario_of(name: str, seed: int) -> Scenario:
    """Draw a pier of a family: length, how often it is looked at, and what shows its tilt."""
    rng = stream(seed, f"accuracy {name}")
    years, nights = rng.uniform(1.0, 6.0), rng.uniform(20.0, 150.0)
    kept, warmth = rng.random() < KEPT_SHARE, rng.normal(0.0, 0.5)
    drawn: dict[str, Any] = {
        "years": years,
        "nights_a_year": nights,
        "alt_per_degc": warmth,
        "start": f"{2015 + seed % 5}-{1 + seed % 12:02d}-01",
    }
    if name == "sky_only":
        return _sky_only(rng, seed, drawn)
    if not kept:
        drawn |= {"zero": "synced", "level_every_days": 14.0}
    if name == "north_south":
        return _north_south(rng, seed, drawn)
    return family(name, seed, **drawn)


def _sky_only(rng: np.random.Generator, seed: int, drawn: dict[str, Any]) -> Scenario:
    """Draw a heaving pier with a lost zero, no level, and a slip of one knob."""
    size = rng.choice([-1.0, 1.0]) * rng.uniform(40.0, 200.0)
    part = "mount_az" if rng.random() < 0.5 else "mount_alt"
    day = round(drawn["years"] * YEAR_DAYS * rng.uniform(0.25, 0.8)) + 0.1
    base = family("heave", seed, zero="synced", **drawn)
    return replace(base, family="sky_only", steps=(InventedStep(day, **{part: float(size)}),))


def _north_south(rng: np.random.Generator, seed: int, drawn: dict[str, Any]) -> Scenario:
    """Draw a pier that tips exactly north or south, or an altitude knob that slips; lost zero, no level."""
    drawn |= {"zero": "synced", "level_every_days": 0.0}
    size = float(rng.choice([-1.0, 1.0]) * rng.uniform(30.0, 150.0))
    part = "tilt_north" if rng.random() < 0.5 else "mount_alt"
    day = round(drawn["years"] * YEAR_DAYS * rng.uniform(0.25, 0.8)) + 0.1
    base = family("quiet", seed, **drawn)
    return replace(base, family="north_south", steps=(InventedStep(day, **{part: size}),))


def invent(scenario: Scenario, until_us: int | None = None) -> Invented:
    """Make the logs of a scenario, on request only up to some moment, and take them as far as the nights."""
    world = make(scenario)
    readings = world.readings()
    if until_us is not None:
        readings = as_readings(
            {
                kind: table[table["time_us"] < until_us] if "time_us" in table else table
                for kind, table in world.tables.items()
            }
        )
    split = split_nights(scenario.longitude_deg, readings["corrections"])
    seen = see((scenario.latitude_deg, scenario.longitude_deg, scenario.elevation_m), split, readings)
    latitude = float(np.radians(scenario.latitude_deg))
    nights = estimate_nights(latitude, split, readings, seen.directions, scenario.zero)
    warmth = warmth_of(readings, split)
    levels, corrections = readings["levels"], readings["corrections"]
    return Invented(scenario, nights, levels, corrections, split, warmth, world.motion)


def _kept(task: tuple[str, int, Path | None]) -> Invented:
    name, seed, folder = task
    path = None if folder is None else folder / f"{name}-{seed}.pickle"
    if path is not None and path.exists():
        found: Invented = pickle.loads(path.read_bytes())
        return found
    made = invent(scenario_of(name, seed))
    if path is not None:
        path.write_bytes(pickle.dumps(made))
    return made


def work_on(work: Any, names: Sequence[str], seeds: Sequence[int], keep: Path | None) -> Iterator[Any]:
    """Yield `work(name, seed, history)` for every family and seed, on all cores, in order."""
    tasks = [(work, (name, seed, keep)) for name in names for seed in seeds]
    with Pool() as pool:
        yield from pool.imap(_do, tasks, chunksize=2)


def _do(task: tuple[Any, tuple[str, int, Path | None]]) -> Any:
    work, which = task
    return work(which[0], which[1], _kept(which))
