"""Remake the sample logs: ``python -m drift.demo [FOLDER]``, by default ./sample_logs."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path

from drift.demo.samples import write_samples

if __name__ == "__main__":
    parser = ArgumentParser(prog="python -m drift.demo", description="Remake the sample logs.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path("sample_logs"), help="where they go")
    for path in write_samples(parser.parse_args().folder):
        print(f"{path}  {path.stat().st_size} bytes")
