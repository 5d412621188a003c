"""A site and logs for the tests of reading, keeping and recording; all places are above its horizon."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np

from drift.cli.main import main

#: How long another program may take on a machine that is busy with other tests, before one gives up [s].
PATIENCE_S = 180.0
LATITUDE_DEG, LONGITUDE_DEG, ELEVATION_M = 47.3, -92.4, 410.0
SITE_TEXT = f"""[site]
name = "Test pier"
latitude_deg = {LATITUDE_DEG}
longitude_deg = {LONGITUDE_DEG}
elevation_m = {ELEVATION_M}
timezone = "America/Chicago"
"""
SOLVES_HEADER = "time_utc,ra_deg,dec_deg,mount_ra_deg,mount_dec_deg,tube_side,temp_c,pressure_hpa"
_SIDEREAL_DEG_PER_DAY = 360.98564736629  # IAU 1982 mean sidereal time, the linear part (Meeus ch. 12)
_J2000_US = 946_728_000_000_000  # 2000-01-01T12:00:00Z


def site_file(folder: Path, text: str = SITE_TEXT) -> Path:
    path = folder / "pier.toml"
    path.write_text(text)
    return path


def solve_rows(
    count: int, first: str = "2024-03-01T02:00:00", step_s: float = 60.0, seed: int = 1
) -> list[str]:
    """Make rows of solves, hour angles within 4 hours of the meridian, the mount 0.1 degrees off."""
    rng = np.random.default_rng(seed)
    times = np.datetime64(first, "ms") + (np.arange(count) * step_s * 1000).astype("timedelta64[ms]")
    days = (times.astype("datetime64[us]").astype(np.int64) - _J2000_US) / 86_400e6
    sidereal = 280.46061837 + _SIDEREAL_DEG_PER_DAY * days + LONGITUDE_DEG
    ra = np.round((sidereal - rng.uniform(-60.0, 60.0, count)) % 360.0, 6) % 360.0
    dec = np.round(rng.uniform(20.0, 70.0, count), 6)
    return [
        f"{time}Z,{one_ra:.6f},{one_dec:.6f},{(one_ra + 0.1) % 360:.6f},{one_dec - 0.05:.6f},"
        f"{'east' if at % 2 else 'west'},{at % 17 - 5}.5,{955 + at % 20}.0"
        for at, (time, one_ra, one_dec) in enumerate(zip(times, ra, dec, strict=True))
    ]


def write_log(path: Path, header: str, rows: list[str]) -> Path:
    path.write_text("\n".join([header, *rows]) + "\n")
    return path


def run(*arguments: str | Path) -> int:
    """Run the command line in this process and return its exit code."""
    try:
        main([str(argument) for argument in arguments])
    except SystemExit as leave:
        return int(leave.code or 0)
    raise AssertionError("the command line must leave with an exit code")


def outside(code: str, *arguments: str | Path) -> list[str]:
    """Return the command that runs Python code in a process of its own."""
    return [sys.executable, "-c", code, *map(str, arguments)]


#: A first command on a new record.
_FIRST_COMMAND = """
import sys
from drift.cli.main import main
main(["record", "tighten", "--time", sys.argv[2], "--pier", sys.argv[1]])
"""


def ten_first_commands(pier: Path) -> None:
    """Run ten first commands at once, each a process of its own, and see that all succeed."""
    commands = [
        subprocess.Popen(
            outside(_FIRST_COMMAND, pier, f"2024-03-01T00:{at:02d}:00Z"),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
        )
        for at in range(10)
    ]
    said = [one.communicate(timeout=PATIENCE_S)[1] for one in commands]
    assert [one.returncode for one in commands] == [0] * 10, said
