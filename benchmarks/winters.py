"""Measure what is said of season and winters on invented piers with a weather log.

    python benchmarks/winters.py [--piers 24] [--seed 200] [--quick]

Every other pier is in the south, and of each there are two records of 4.5 years: with a
kept zero, and with a lost one and a level every two weeks.  Told are the
direction and size of the annual tilt against those of the true course by the same
least squares, day by day, and what each winter left behind against the true course on the same nights.
Wanted: direction within 5 degrees, size within 10 %, winters within two standard deviations; a count of
some 20 records is uncertain by some 5 % itself.

`--quick` takes one pier: it shows that the command works, and measures nothing.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from forecast import DAY_US, YEAR_US, scenario_of, site_for, true_tilt

from drift.analysis import work_out
from drift.demo.files import World, make
from drift.history.causes import harmonics
from drift.history.components import AFTER, BEFORE, time_shares
from drift.types import History

#: The targets: direction [deg], size, standard deviations.
MOST_DEG, MOST_SHARE, MOST_SDS = 5.0, 0.1, 2.0
LATITUDES = (47.0, -41.0)
#: Days of a leap year from 2000-01-01, on which the annual shape is looked at.
CURVE_US = (10957 + np.arange(366)) * DAY_US


@dataclass(frozen=True)
class Told:
    """How far off one record's season and winters are."""

    direction_deg: float
    size: float  # share of the true size
    winters: tuple[float, ...]  # in standard deviations


def true_season(world: World, history: History) -> tuple[float, float]:
    """Return size [arcsec] and bearing [deg] of the true annual shape over the days of the history."""
    days = np.arange(history.time_us[0], history.time_us[-1], DAY_US)
    tilt = true_tilt(world, days, int(history.time_us[0]))
    design = np.column_stack([np.ones(days.size), (days - days[0]) / YEAR_US, harmonics(days)])
    shape = np.linalg.lstsq(design, tilt, rcond=None)[0][2:]
    curve = harmonics(CURVE_US) @ shape
    turn = np.linalg.svd(curve - curve.mean(axis=0), full_matrices=False)[2][0]
    return float(np.ptp(curve @ turn)), float(np.degrees(np.arctan2(turn[1], turn[0])))


def winters_off(world: World, history: History, south: bool) -> Iterator[float]:
    """Yield by how many sds each winter's "left behind" is off."""
    assert history.seasonal is not None and history.seasonal.toward_bearing_deg is not None
    turn = np.radians(history.seasonal.toward_bearing_deg)
    along = np.array([np.cos(turn), np.sin(turn)])
    tilt = true_tilt(world, history.time_us, int(history.time_us[0])) @ along
    shares = time_shares(history.time_us)
    for winter in history.winters:
        if not np.isfinite(winter.left_behind):
            continue
        first = int(winter.winter[:4])
        middle = pd.Timestamp(f"{first}-07-16") if south else pd.Timestamp(f"{first + 1}-01-15")
        days = history.time_us / DAY_US - (middle - pd.Timestamp(0)).total_seconds() / 86400.0
        before, after = ((days >= a) & (days <= b) for a, b in (BEFORE, AFTER))
        if before.any():  # else the record begins as winter comes, and the answer goes by less
            true = np.average(tilt[after], weights=shares[after])
            true -= np.average(tilt[before], weights=shares[before])
            yield float((winter.left_behind - true) / winter.left_behind_sd)


def told(seed: int, zero: str) -> Told | None:
    """Answer one record and compare; None where no season is sure."""
    latitude = LATITUDES[seed % 2]
    world = make(scenario_of("heave", seed, zero, years=4.5, latitude_deg=latitude))
    history = work_out(site_for(world.scenario), world.readings()).history
    season = history.seasonal
    if season is None or season.toward_bearing_deg is None:
        return None
    size, bearing = true_season(world, history)
    turned = (season.toward_bearing_deg - bearing + 90.0) % 180.0 - 90.0  # a line has two ends
    off = tuple(winters_off(world, history, latitude < 0.0))
    return Told(turned, season.peak_to_trough / size - 1.0, off)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--piers", type=int, default=24)
    parser.add_argument("--seed", type=int, default=200, help="of the first pier; the others follow")
    parser.add_argument("--quick", action="store_true")
    options = parser.parse_args()
    found: list[Told] = []
    print("seed  zero    direction off  size off  winters' left behind off [sd]")
    for seed in range(options.seed, options.seed + (1 if options.quick else options.piers)):
        for zero in ("kept", "synced"):
            one = told(seed, zero)
            if one is None:
                print(f"{seed:4d}  {zero:7s} no season is sure")
                continue
            found.append(one)
            winters = ", ".join(f"{z:+.1f}" for z in one.winters)
            print(
                f"{seed:4d}  {zero:7s}{one.direction_deg:+10.1f} deg{one.size:+10.1%}  {winters}", flush=True
            )
    report(found)


def report(found: list[Told]) -> None:
    """Print how many are within the targets."""
    turned, size = np.array([[abs(t.direction_deg), abs(t.size)] for t in found]).T
    winters = np.abs(np.concatenate([t.winters for t in found]))

    def line(what: str, off: Any, most: float) -> None:
        print(f"{what}: median {np.median(off):.3g}, within {most:g} in {np.mean(off <= most):.0%}")

    line("direction [deg]", turned, MOST_DEG)
    line("size [share]", size, MOST_SHARE)
    line("winters [sd]", winters, MOST_SDS)


if __name__ == "__main__":
    main()
