"""Time the import of pointing solves against the least that any import must do.

The floor is ``pandas.read_csv`` plus one bulk insert of the same rows into a plain
SQLite table (``executemany``, one transaction, committed to disk).  Beyond that the
import checks every value, finds rows that are in already, and keeps each row's text,
file and line.

Run: ``python benchmarks/import_rows.py [--solves 100000] [--repeats 5]``.  Prints the
best time of each, taken in turn, and their ratio.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd

from drift.importer.importing import import_files
from drift.record.record import Record
from drift.site.file import PierFile, pier_from_mapping

LATITUDE_DEG, LONGITUDE_DEG = 47.3, -92.4
TARGET_RATIO = 3.0
HEADER = "time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg,tube_side,temp_c,pressure_hpa"
SPAN_MS = 3652 * 86_400_000
J2000 = np.datetime64("2000-01-01T12:00:00", "ms")


def write_solves(path: Path, count: int, seed: int = 1) -> None:
    """Write solves within four hours of the meridian, spread over ten years, as a log."""
    rng = np.random.default_rng(seed)
    times = np.datetime64("2016-01-01", "ms") + np.sort(rng.integers(0, SPAN_MS, count)).astype(
        "timedelta64[ms]"
    )
    days = (times - J2000) / np.timedelta64(1, "D")
    sidereal_deg = 280.46061837 + 360.98564736629 * days + LONGITUDE_DEG
    ra = (sidereal_deg - rng.uniform(-60, 60, count)) % 360
    dec = rng.uniform(0, 80, count)
    table = pd.DataFrame(
        {
            "time_utc": np.char.add(np.datetime_as_string(times), "Z"),
            "ra_deg": np.char.mod("%.7f", ra % 359.9999999),
            "dec_deg": np.char.mod("%.7f", dec),
            "mount_ra_deg": np.char.mod("%.7f", (ra + 0.2) % 359.9999999),
            "mount_dec_deg": np.char.mod("%.7f", dec + 0.01),
            "tube_side": np.where(rng.random(count) < 0.5, "east", "west"),
            "temp_c": np.char.mod("%.1f", rng.uniform(-20, 25, count)),
            "pressure_hpa": np.char.mod("%.1f", rng.uniform(940, 990, count)),
        }
    )
    table.to_csv(path, index=False)


def floor(log: Path, database: Path) -> float:
    database.unlink(missing_ok=True)
    began = time.perf_counter()
    table = pd.read_csv(log)
    with closing(sqlite3.connect(database)) as connection, connection:
        connection.execute(f"CREATE TABLE solves ({HEADER})")
        marks = ",".join("?" * len(table.columns))
        connection.executemany(
            f"INSERT INTO solves VALUES ({marks})", table.itertuples(index=False, name=None)
        )
    return time.perf_counter() - began


def ours(log: Path, site: PierFile, database: Path, count: int) -> tuple[float, float, float]:
    """Return the times of importing, of importing the same again, and of reading all back."""
    for path in database.parent.glob(database.name + "*"):
        path.unlink()
    with Record.open(site) as record:
        times = []
        for expected in (count, 0):
            began = time.perf_counter()
            (outcome,) = import_files(record, [log])
            times.append(time.perf_counter() - began)
            assert getattr(outcome, "went_in", None) == expected, outcome
        began = time.perf_counter()
        assert len(record.readings()["solves"]) == count
        times.append(time.perf_counter() - began)
    return times[0], times[1], times[2]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--solves", type=int, default=100_000)
    parser.add_argument("--repeats", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        log = folder / "solves.csv"
        write_solves(log, options.solves)
        site = pier_from_mapping(
            {
                "site": {"latitude_deg": LATITUDE_DEG, "longitude_deg": LONGITUDE_DEG, "elevation_m": 410.0},
                "store": {"url": f"sqlite:///{folder / 'book.sqlite'}"},
            }
        )
        floors, imports = [], []
        for _ in range(options.repeats):
            floors.append(floor(log, folder / "floor.sqlite"))
            imports.append(ours(log, site, folder / "book.sqlite", options.solves))
    first, again, read = np.min(imports, axis=0)
    ratio = first / min(floors)
    print(f"import of {options.solves:,} solves, best of {options.repeats} in turn")
    print(f"  floor: read_csv + insert   {min(floors):8.3f} s")
    print(f"  drift import               {first:8.3f} s")
    print(f"  the same file again        {again:8.3f} s")
    print(f"  reading all of it back     {read:8.3f} s")
    print(f"  ratio {ratio:.2f} (goal: at most {TARGET_RATIO:.0f})")


if __name__ == "__main__":
    main()
