"""Time `drift status` with nothing new against importing three libraries that an answer afresh begins with.

    python benchmarks/status_cached.py [--runs 7]

The sample logs are imported into a record in a folder of their own and answered once.  Then the same
question is asked again and again, each time by a new Python: its processor time, user and system, is compared
with that of ``python -c "import sqlalchemy, pydantic, click"``, turn about, so that both meet the same load.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PEER = ["-c", "import sqlalchemy, pydantic, click"]
DRIFT = ["-c", "from drift.cli.main import main; main()"]


def processor_s(arguments: list[str], folder: Path) -> float:
    """Run Python once, and return the processor time that it took [s]."""
    before = os.times()
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    # threads of linear algebra that fight for busy cores would count as work
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths), "OMP_NUM_THREADS": "1"}
    subprocess.run(
        [sys.executable, *arguments], cwd=folder, check=True, stdout=subprocess.DEVNULL, env=environment
    )
    after = os.times()
    return after.children_user - before.children_user + after.children_system - before.children_system


def main() -> None:
    """Print the medians and their ratio."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=7)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for log in (ROOT / "sample_logs").glob("*.csv"):
            shutil.copy(log, folder)
        shutil.copy(ROOT / "sample_logs" / "pier.toml", folder)
        processor_s([*DRIFT, "import", "."], folder)
        questions = {"status": ["status"], "status --json": ["status", "--json"]}
        for question in questions.values():
            first = processor_s([*DRIFT, *question], folder)
            print(f"drift {' '.join(question):15s} first time {first:6.2f} s of processor")
        times: dict[str, list[float]] = {"peer": [], **{words: [] for words in questions}}
        for _ in range(runs):
            times["peer"].append(processor_s(PEER, folder))
            for words, question in questions.items():
                times[words].append(processor_s([*DRIFT, *question], folder))
    peer = statistics.median(times["peer"])
    print(f"the three libraries alone     {peer:6.3f} s of processor")
    for words in questions:
        own = statistics.median(times[words])
        print(
            f"drift {words:15s} again {own:9.3f} s of processor, {own / peer:.2f} times the libraries alone"
        )


if __name__ == "__main__":
    main()
