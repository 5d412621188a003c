"""Time the separation of ten years of nights, from scratch and after a night was added.

    python benchmarks/history_ten_years.py [--nights 2000]

The peer is statsmodels' local level with two annual harmonics, fitted by maximum
likelihood to azimuth error, altitude error and zero one by one, on a daily grid
with gaps: less than the separation does (no pier, no mount, no steps).
Processor time, one thread.
"""

# ruff: noqa: E402  (threads are counted when numpy is imported)
from __future__ import annotations

import argparse
import os
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from typing import Any

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from statsmodels.tsa.statespace.structural import UnobservedComponents

from drift.demo.files import make
from drift.demo.scenario import InventedStep, family
from drift.history.before import from_text
from drift.history.causes import harmonics
from drift.history.changes import Plate
from drift.history.inputs import Inputs, warmth_of
from drift.history.separate import separate
from drift.night.directions import see
from drift.night.estimate import estimate_nights
from drift.night.prepared import split_nights
from drift.quantities import DAY_US


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.process_time()
    out = work()
    return time.process_time() - start, out


def peer(time_us: np.ndarray, value: np.ndarray) -> None:
    """Fit one coordinate the general way."""
    day = (time_us // DAY_US).astype(int)
    grid = np.arange(day[0], day[-1] + 1)
    series = np.full(grid.size, np.nan)
    series[day - day[0]] = value
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        UnobservedComponents(series, "llevel", exog=harmonics(grid * DAY_US)).fit(disp=0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--nights", type=int, default=2000)
    count = parser.parse_args().nights
    scenario = replace(
        family("heave", 5, years=10.0, nights_a_year=count / 10.0, latitude_deg=47.0),
        start="2015-09-01",
        steps=(InventedStep(1500.1, mount_az=60.0),),
    )
    readings = make(scenario).readings()
    split = split_nights(scenario.longitude_deg, readings["corrections"])
    seen = see(scenario.site, split, readings)
    phi = np.radians(scenario.latitude_deg)
    nights = estimate_nights(phi, split, readings, seen.directions, "kept")
    rest = (readings["levels"], readings["corrections"], Plate(None, None, None), split, "kept")
    warmth = warmth_of(readings, split)
    fewer = replace(nights, nights=nights.nights[:-1])
    separate(Inputs(phi, fewer, *rest, warmth))  # what is slow once only
    scratch_s, before = timed(lambda: separate(Inputs(phi, fewer, *rest, warmth)))
    added_s, _ = timed(lambda: separate(Inputs(phi, nights, *rest, warmth), from_text(before.before)))
    times = np.array([n.time_us for n in nights.nights])
    values = np.array([n.working for n in nights.nights])
    peer_s = sum(timed(lambda i=i: peer(times, values[:, i]))[0] for i in range(3))
    print(f"{len(times)} nights: from scratch {scratch_s:.2f} s (goal 2)")
    print(f"with a night added: {added_s:.2f} s (goal 0.3)")
    ratio = peer_s / scratch_s
    print(f"statsmodels, three coordinates: {peer_s:.2f} s, {ratio:.1f} times as much as from scratch")


if __name__ == "__main__":
    main()
