"""The long record that the benchmarks of report and page are timed on."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from drift.demo.files import make
from drift.demo.scenario import family


def written_logs(folder: Path, years: float, nights: int, solves: int) -> list[Path]:
    """Write the logs of a heaving pier at 47 degrees, with weather; return all files written."""
    scenario = replace(
        family("heave", 5, years=years, nights_a_year=nights / years, latitude_deg=47.0),
        start="2015-09-01",
        solves_a_night=solves,
    )
    return list(make(scenario).write(folder))


def asked_size(description: str, years: float, nights: int, solves: int) -> argparse.Namespace:
    """Return years, nights and solves a night from the command line, with these as what is usual."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--years", type=float, default=years)
    parser.add_argument("--nights", type=int, default=nights)
    parser.add_argument("--solves", type=int, default=solves)
    return parser.parse_args()
