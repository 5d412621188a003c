"""Remake the sample logs: ``python -m drift.demo [FOLDER]``, by default ./sample_logs."""

from __future__ import annotations

import sys
from pathlib import Path

from drift.demo.samples import write_samples

if __name__ == "__main__":
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "sample_logs")
    for path in write_samples(folder):
        print(f"{path}  {path.stat().st_size} bytes")
