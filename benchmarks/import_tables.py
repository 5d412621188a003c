"""Time the import of large tables, plain and through a mapping, as a ratio to ``pandas.read_csv``.

Two files with the same solves: the contract's own columns, and a table as people
keep it (semicolons, decimal commas, local time in two columns, parts of sixty of date).
``pandas.read_csv`` reads each with the options that split it rightly; it gives no
meaning to times or angles, checks nothing and keeps nothing, so that the ratio says
how much an import costs beyond reading a file once.

Each import runs in a process of its own, whose largest memory is told.

Run: ``python benchmarks/import_tables.py [--solves 1000000]``.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from import_rows import LATITUDE_DEG, LONGITUDE_DEG, write_solves

GOAL_KIB = 1024 * 1024
SITE = f"""[site]
latitude_deg = {LATITUDE_DEG}
longitude_deg = {LONGITUDE_DEG}
elevation_m = 410.0
timezone = "America/Chicago"
"""
MAPPING = """[tables.people]
kind = "solves"
header = ["Date", "Time", "RA", "Dec", "Mount RA", "Mount Dec", "Side", "Temp"]
time_utc = {from = ["Date", "Time"], order = "day month year", zone = "America/Chicago"}
ra_deg = {from = "RA", unit = "hours"}
dec_deg = {from = "Dec", unit = "degrees"}
mount_ra_deg = {from = "Mount RA", unit = "degrees"}
mount_dec_deg = {from = "Mount Dec", unit = "degrees"}
tube_side = {from = "Side", means = "the side the tube is on"}
temp_c = {from = "Temp", unit = "F"}
places = "of date"
mount_places = "of date"
"""
OPTIONS: dict[str, dict[str, str]] = {"plain": {}, "people's": {"sep": ";", "decimal": ","}}


def sixty(degrees: np.ndarray, sign: bool) -> list[str]:
    hundredths = np.round(np.abs(degrees) * 360_000).astype(np.int64)
    units, rest = np.divmod(hundredths, 360_000)
    minutes, seconds = np.divmod(rest, 6_000)
    signs = np.where(degrees < 0, "-", "+") if sign else np.full(degrees.size, "")
    return [
        f"{s}{u:02d}:{m:02d}:{c // 100:02d},{c % 100:02d}"
        for s, u, m, c in zip(signs, units, minutes, seconds, strict=True)
    ]


def write_as_people_do(plain: Path, path: Path) -> None:
    from drift.sky.of_date import apparent_place

    table = pd.read_csv(plain)
    times = pd.to_datetime(table.time_utc, utc=True, format="ISO8601")
    local = times.dt.tz_convert("America/Chicago").dt
    us = times.dt.tz_convert(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    ra, dec = apparent_place(us, table.ra_deg.to_numpy(), table.dec_deg.to_numpy())
    out = pd.DataFrame(
        {
            "Date": local.strftime("%d.%m.%Y"),
            "Time": local.strftime("%H:%M:%S"),
            "RA": sixty(ra / 15.0 % 23.99999, sign=False),
            "Dec": sixty(dec, sign=True),
            "Mount RA": table.mount_ra_deg,
            "Mount Dec": table.mount_dec_deg,
            "Side": table.tube_side.str[0].str.upper(),
            "Temp": (table.temp_c * 1.8 + 32).round(1),
        }
    )
    out.to_csv(path, index=False, sep=";", decimal=",")


#: What a process of its own runs: the import, then its largest memory on stderr.  Linux alone tells that of
#: the program itself; elsewhere the bench's own memory counts as well.
RUN = """
import sys
from drift.cli.main import main
try:
    main()
finally:
    try:
        text = open("/proc/self/status").read()
        print(text.split("VmHWM:")[1].split()[0], file=sys.stderr)
    except OSError:
        import resource
        print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)
"""


def imported(folder: Path, log: Path) -> tuple[float, int, str]:
    """Import in a process of its own; return seconds, its largest memory [KiB], and what it said."""
    for path in folder.glob("drift-book*"):
        path.unlink()
    command = [sys.executable, "-c", RUN, "import", str(log), "--pier", str(folder / "pier.toml")]
    began = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    took = time.perf_counter() - began
    return took, int(done.stderr.split()[-1]), done.stdout.splitlines()[1].strip()


def reading(log: Path, options: dict[str, str]) -> float:
    times = []
    for _ in range(3):
        began = time.perf_counter()
        pd.read_csv(log, **options)
        times.append(time.perf_counter() - began)
    return min(times)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--solves", type=int, default=1_000_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "pier.toml").write_text(SITE)
        (folder / "logs.toml").write_text(MAPPING)
        logs = {"plain": folder / "plain.csv", "people's": folder / "people.csv"}
        write_solves(logs["plain"], options.solves)
        write_as_people_do(logs["plain"], logs["people's"])
        print(f"import of {options.solves:,} solves, beside pandas.read_csv on the same file (best of 3)")
        for title, log in logs.items():
            floor = reading(log, OPTIONS[title])
            took, memory, said = imported(folder, log)
            print(
                f"  {title:<9} read_csv {floor:6.2f} s   import {took:6.2f} s   ratio {took / floor:5.1f}   "
                f"{options.solves / took:9,.0f} rows a second   memory {memory / 1024:5.0f} MiB  ({said})"
            )
            if memory > GOAL_KIB:
                print("  more than 1 GiB")


if __name__ == "__main__":
    main()
