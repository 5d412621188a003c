"""Time a tilt sensor's million readings against the least that any fold must do, and the answer from them.

A sensor that logs every minute is half a million readings a year.  The peer is pandas grouping the same
readings by day, with a plain least squares of the swing with the Sun: it puts nothing aside, dates nothing
and knows no uncertainty.

Run: ``python benchmarks/tilt_sensor.py [--readings 1000000] [--minutes 1]``.  Prints seconds of processor and
their ratios.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

import drift
from drift.analysis import work_out
from drift.history.sensor import fold_sensors
from drift.night.prepared import split_nights
from drift.quantities import DAY_US
from drift.types import Nights, as_readings

FIRST_US = 19_601 * DAY_US


def sensor_log(readings: int, minutes: float) -> pd.DataFrame:
    """Return a log with a season, a swing with the Sun, noise and a bump in its middle."""
    rng = np.random.default_rng(1)
    day = np.arange(readings) * minutes / 1440.0
    sun = 3.0 * np.cos(2.0 * np.pi * (day - 14.0 / 24.0))
    season = 20.0 * np.sin(2.0 * np.pi * day / 365.25)
    north = season + 0.8 * sun + 25.0 * (np.arange(readings) >= readings // 2)
    columns = {"tilt_north_arcsec": north, "tilt_east_arcsec": 0.5 * season + 0.6 * sun}
    columns = {name: np.round(value + rng.normal(0.0, 1.0, readings), 1) for name, value in columns.items()}
    rest = {"place": "pier", "face_deg": np.nan, "sigma_arcsec": np.nan}
    times = FIRST_US + np.round(day * DAY_US).astype(np.int64)
    return pd.DataFrame({"row_id": np.arange(readings) + 1, "time_us": times, **columns, **rest})


def peer(table: pd.DataFrame) -> pd.DataFrame:
    """Group by day and fit the swing by plain least squares."""
    turn = 2.0 * np.pi * (table["time_us"].to_numpy() % DAY_US) / DAY_US
    design = np.stack([f(k * turn) for k in (1, 2) for f in (np.cos, np.sin)] + [np.ones(turn.size)], axis=1)
    names = ["tilt_north_arcsec", "tilt_east_arcsec"]
    value = table[names].to_numpy()
    left = value - design[:, :4] @ np.linalg.lstsq(design, value, rcond=None)[0][:4]
    return pd.DataFrame(left, columns=names).groupby(table["time_us"].to_numpy() // DAY_US).mean()


def timed(work: Callable[[], object]) -> float:
    """Return the seconds of processor of the better of two runs."""
    spent = []
    for _ in range(2):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return min(spent)


def main() -> None:
    """Time the fold, the peer, and the whole answer."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--minutes", type=float, default=1.0)
    options = parser.parse_args()
    table = sensor_log(options.readings, options.minutes)
    split = split_nights(0.0, as_readings({})["corrections"])
    site = drift.make_site(47.3, 0.0, 410)
    fold_s = timed(lambda: fold_sensors(table, Nights(), split, None, np.radians(47.3)))
    peer_s = timed(lambda: peer(table))
    whole_s = timed(lambda: work_out(site, as_readings({"levels": table})))
    print(f"{options.readings:,} readings")
    print(f"fold {fold_s:.2f} s, peer {peer_s:.2f} s, ratio {fold_s / peer_s:.1f}")
    print(f"the whole answer from the tables {whole_s:.2f} s, {whole_s / peer_s:.1f} times the peer")


if __name__ == "__main__":
    main()
